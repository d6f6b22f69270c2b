package service

import (
	"context"
	"errors"
	"time"

	"plugproof/decode/can"
)

// Bus carries frames to the modules and back. Send must put nothing on a bus
// that Permitted refuses.
type Bus interface {
	// Send hands over one frame.
	Send(ctx context.Context, f *can.Frame) error
	// Read waits for frames; it returns the error of ctx when that ends first.
	Read(ctx context.Context, frames []can.Frame) (int, error)
}

// maxPending is how often a module may ask for more time: with 5 s each, longer
// than any reading takes.
const maxPending = 20

// Client asks modules and waits for what they answer. It is for one goroutine.
type Client struct {
	Bus    Bus
	Now    func() time.Duration // since any fixed moment; never steps back
	Timing Timing
	Answer time.Duration // P2: the wait for an answer to begin; 0: 200 ms
	More   time.Duration // P2*: the wait after a module asked for more time; 0: 5.5 s
}

// The waits. A module has 50 ms, or 5 s when it asked for more (ISO 14229-2);
// ours also hold the way through gateways and this machine.
const (
	answerWait = 200 * time.Millisecond
	moreWait   = 5500 * time.Millisecond
)

// Answer is what one module said to a request.
type Answer struct {
	Link Link
	Data []byte // the whole message, service byte included; nil: nothing or nothing whole came
	Err  error  // *TransportError: something came and was lost; *Refusal: the module refuses
}

// Ask sends a request to the identifier of to and gathers the answers of the
// modules at from, in that order; modules that stay silent are left out. A
// request of more than one frame needs a single module that hears it: from[0].
// The error is that of the bus or of ctx.
func (c *Client) Ask(ctx context.Context, to Link, from []Link, request []byte) ([]Answer, error) {
	out := to
	if len(from) == 1 {
		out.Rx = from[0].Rx
	}
	sender, err := NewSender(out, c.Timing, request)
	if err != nil {
		return nil, err
	}
	t := &talk{c: c, request: request, sender: sender}
	for _, l := range from {
		t.parties = append(t.parties, &party{receiver: NewReceiver(l, c.Timing), answer: Answer{Link: l}})
	}
	if err := t.run(ctx); err != nil {
		return nil, err
	}
	var answers []Answer
	for _, p := range t.parties {
		if p.answer.Data != nil || p.answer.Err != nil {
			answers = append(answers, p.answer)
		}
	}
	return answers, nil
}

// talk is one request and its answers.
type talk struct {
	c       *Client
	request []byte
	sender  *Sender
	parties []*party
	frames  [64]can.Frame
}

// party is one module that may answer.
type party struct {
	receiver *Receiver
	answer   Answer
	until    int64 // when waiting for the answer to begin is over
	pending  int   // times that it asked for more time
	done     bool
}

func (t *talk) now() int64 { return int64(t.c.Now()) }

func (t *talk) run(ctx context.Context) error {
	for {
		if err := t.send(ctx); err != nil {
			return err
		}
		wake, open := t.wake()
		if !open {
			return nil
		}
		n, err := t.read(ctx, wake)
		if err != nil {
			return err
		}
		for i := range t.frames[:n] {
			if err := t.take(ctx, &t.frames[i]); err != nil {
				return err
			}
		}
		t.expire()
	}
}

// send lets the frames of the request out that are due.
func (t *talk) send(ctx context.Context) error {
	for !t.sender.Done() {
		f, err := t.sender.Next(t.now())
		if err != nil {
			t.end(err)
			return nil
		}
		if f == nil {
			return nil
		}
		if err := t.c.Bus.Send(ctx, f); err != nil {
			return err
		}
		if t.sender.Done() {
			t.await()
		}
	}
	return nil
}

// await starts the wait for answers.
func (t *talk) await() {
	wait := t.c.Answer
	if wait == 0 {
		wait = answerWait
	}
	for _, p := range t.parties {
		p.until = t.now() + int64(wait)
	}
}

// end gives every open party the same error: the request did not get through.
func (t *talk) end(err error) {
	for _, p := range t.parties {
		p.done, p.answer.Err = true, err
	}
}

// wake is when something must be done though no frame came; false: all is done.
func (t *talk) wake() (int64, bool) {
	var wake int64
	open := false
	for _, p := range t.parties {
		if p.done {
			continue
		}
		at := p.until
		if !t.sender.Done() {
			at = t.sender.Due()
		} else if deadline, busy := p.receiver.Deadline(); busy {
			at = deadline
		}
		if !open || at < wake {
			wake, open = at, true
		}
	}
	return wake, open
}

// read waits for frames until wake.
func (t *talk) read(ctx context.Context, wake int64) (int, error) {
	short, cancel := context.WithTimeout(ctx, max(0, time.Duration(wake-t.now())))
	defer cancel()
	n, err := t.c.Bus.Read(short, t.frames[:])
	if err != nil && ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
		return 0, nil
	}
	return n, err
}

// take gives a frame to whom it concerns.
func (t *talk) take(ctx context.Context, f *can.Frame) error {
	now := t.now()
	if err := t.sender.Add(f, now); err != nil {
		t.end(err)
		return nil
	}
	for _, p := range t.parties {
		if p.done {
			continue
		}
		got, err := p.receiver.Add(f, now)
		if err != nil {
			p.answer.Err = err
		}
		if got.Reply != nil {
			if err := t.c.Bus.Send(ctx, got.Reply); err != nil {
				return err
			}
		}
		if got.Message != nil {
			t.message(p, got.Message, now)
		} else if err != nil {
			_, busy := p.receiver.Deadline()
			p.done = !busy
		}
	}
	return nil
}

// message takes a whole message of a module: its answer, a wish for more time,
// or one that belongs to another request.
func (t *talk) message(p *party, m []byte, now int64) {
	service := t.request[0]
	switch {
	case len(m) == 3 && m[0] == negative && m[1] == service:
		if m[2] == responsePending && p.pending < maxPending {
			p.pending++
			wait := t.c.More
			if wait == 0 {
				wait = moreWait
			}
			p.until = now + int64(wait)
			return
		}
		p.done, p.answer.Data, p.answer.Err = true, m, &Refusal{Service: service, Code: m[2]}
	case m[0] == service+positive:
		p.done, p.answer.Data, p.answer.Err = true, m, nil
	}
}

// expire ends what has waited long enough.
func (t *talk) expire() {
	if !t.sender.Done() {
		return
	}
	now := t.now()
	for _, p := range t.parties {
		if p.done {
			continue
		}
		if _, busy := p.receiver.Deadline(); busy {
			if err := p.receiver.Expire(now); err != nil {
				p.done, p.answer.Err = true, err
			}
			continue
		}
		if now < p.until {
			continue
		}
		p.done = true
		if p.pending > 0 && p.answer.Err == nil {
			p.answer.Err = &TransportError{ID: p.answer.Link.Rx, What: "asked for more time and then did not answer"}
		}
	}
}
