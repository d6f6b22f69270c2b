package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"sync/atomic"
	"time"

	"plugproof/decode/can"
	"plugproof/replay/gate"
	"plugproof/replay/socketcan"
)

// Job is a replay on CAN interfaces. It goes through the gate, whatever the
// stream is made of: a schedule or a stand-in.
type Job struct {
	// Stream returns the frames from the start; it is called more than once: to
	// know what will be sent, for the first identifier alone, and to play.
	Stream     func() Stream
	Interfaces []string // by the items' index of a bus
	Car        Car
	Guards     Guards // protection of messages; nil: what Car says
	Changes    []Change
	Seam       time.Duration // where Stream repeats itself for the first time; 0: nowhere
	Horizon    time.Duration // how far to look at what will be sent; 0: to the end

	OnBench string  // the one unit that the operator states to be on the bench
	DeadMan bool    // Keys comes from a dead-man key
	MaxLoad float64 // 0: gate.DefaultMaxLoad

	Options // of Play; MaxLate 0 is DefaultMaxLate

	Keys <-chan struct{} // something comes at least every 500 ms while the dead-man key is held
	Log  *Log            // nil: none, for tests

	// Heard is told of every frame that came from others, as Sender reads it; Note
	// of what goes on now and then, by one goroutine at a time; Played when the
	// last frame of the stream was sent, before neutral values are. nil: nobody.
	Heard  func(bus int, f *can.Frame)
	Note   func(Progress)
	Played func()

	facts func([]string) ([]gate.Interface, error) // tests dress interfaces up; nil: the kernel's
}

// Progress says how far a job has come.
type Progress struct {
	Phase  gate.Phase
	Frames uint64        // sent so far
	Since  time.Duration // since the phase began
	Lasts  time.Duration // how long it does; 0: not known
}

// Result says what a job did.
type Result struct {
	Summary
	First   uint64 // frames of the first identifier alone, before those of Summary
	Neutral uint64 // frames with neutral values, after those of Summary
}

// RefusedError is the gate's answer before anything was sent.
type RefusedError struct{ Refusals []gate.Refusal }

func (e *RefusedError) Error() string {
	if len(e.Refusals) == 1 {
		return fmt.Sprintf("nothing was sent: %s (%s)", e.Refusals[0].Reason, e.Refusals[0].Rule)
	}
	return fmt.Sprintf("nothing was sent, for %d reasons", len(e.Refusals))
}

// Plan returns what would be sent and what the gate says of it, and sends
// nothing.
func (j *Job) Plan() (*gate.Plan, []gate.Refusal, error) {
	plan, policy, err := j.plan()
	if err != nil {
		return nil, nil, err
	}
	_, refusals := gate.Judge(plan, policy)
	return plan, refusals, nil
}

func (j *Job) plan() (*gate.Plan, gate.Policy, error) {
	policy := gate.Policy{OnBench: j.OnBench, DeadMan: j.DeadMan, Nodes: j.Car.nodes(), MaxLoad: j.MaxLoad}
	facts, err := j.look()
	if err != nil {
		return nil, policy, err
	}
	stream, _, err := j.changed()
	if err != nil {
		return nil, policy, err
	}
	plan, err := PlanOf(stream, &j.Car, facts, j.Horizon)
	return plan, policy, err
}

func (j *Job) look() ([]gate.Interface, error) {
	if j.facts != nil {
		return j.facts(j.Interfaces)
	}
	return socketcan.Facts(j.Interfaces)
}

func (j *Job) changed() (*Changed, Guards, error) {
	guards := j.Guards
	if guards == nil {
		var err error
		if guards, err = j.Car.Guards(); err != nil {
			return nil, nil, err
		}
	}
	stream, err := guards.Change(j.Stream(), j.Changes, j.Seam)
	return stream, guards, err
}

// Run puts the job to the gate and plays it. Its errors are *RefusedError before
// the first frame; *socketcan.Error, with a *gate.Refusal as its cause where the
// gate stopped it; *LateError; *atomicfile.Error of the log; or the cause of ctx.
// Where the bus is sound the setting's neutral values are sent at the end.
func Run(ctx context.Context, job Job) (Result, error) {
	plan, policy, err := job.plan()
	if err != nil {
		return Result{}, err
	}
	session, refusals := gate.Judge(plan, policy)
	if err := job.Log.add(job.Log.asked(plan, &policy)); err != nil {
		return Result{}, err
	}
	if session == nil {
		err := &RefusedError{refusals}
		return Result{}, errors.Join(err, job.Log.add(Entry{Event: "refused", Refusals: logRefusals(refusals)}))
	}
	r := &runner{Job: job, plan: plan, sent: map[Message]*can.Frame{}}
	err = r.run(ctx, session)
	return r.result, errors.Join(err, job.Log.add(r.end(err)))
}

// end is the last line of the log.
func (r *runner) end(err error) Entry {
	e := Entry{Event: "ended", How: "as planned", Sent: new(r.frames.Load()), Neutral: &r.result.Neutral}
	if err != nil {
		e.How = err.Error()
	}
	if refusal, ok := errors.AsType[*gate.Refusal](err); ok {
		e.Refusals = logRefusals([]gate.Refusal{*refusal})
	}
	return e
}

// runner is a job under way.
type runner struct {
	Job
	plan   *gate.Plan
	out    *socketcan.Sender
	clock  *timerClock
	sent   map[Message]*can.Frame // the last one of each message
	frames atomic.Uint64
	result Result
}

// run goes through the phases. Whatever ends it also ends the watch.
func (r *runner) run(ctx context.Context, session *gate.Session) (err error) {
	r.clock = newTimerClock()
	defer r.clock.stop()
	if r.out, err = socketcan.OpenSender(socketcan.SenderConfig{Session: session, Clock: r.clock.now, Heard: r.Heard}); err != nil {
		return err
	}
	defer func() {
		r.result.Notes = append(r.result.Notes, r.out.Notes()...)
		err = errors.Join(err, r.out.Close())
	}()
	for i := range r.plan.Messages { // so that playing allocates nothing
		m := &r.plan.Messages[i]
		r.sent[Message{m.Bus, m.ID}] = &can.Frame{}
	}
	watched, cancel := context.WithCancelCause(ctx)
	var watches sync.WaitGroup
	watches.Go(func() { r.watchKey(watched) })
	watches.Go(func() { r.watch(watched, cancel) })
	defer func() { cancel(nil); watches.Wait() }()

	if session.Physical() {
		err = r.carefully(watched, session)
	} else {
		err = r.listen(watched, gate.Listening) // at most until the key is held
	}
	if err == nil {
		err = r.play(watched)
	}
	if r.Played != nil {
		r.Played()
	}
	if stop := r.out.Stopped(); stop != nil {
		return stop
	}
	late, isLate := errors.AsType[*LateError](err)
	if err != nil && ctx.Err() == nil && !isLate {
		return err
	}
	if neutral := r.neutral(ctx); neutral != nil {
		err = errors.Join(err, neutral)
	}
	if isLate {
		return &socketcan.Error{Op: "keep the schedule", Err: late}
	}
	return err
}

// carefully listens, sends the first identifier alone, and listens again. What it
// sends is made ready before, because the phases go by the clock.
func (r *runner) carefully(ctx context.Context, session *gate.Session) error {
	bus, id := session.First()
	stream, _, err := r.changed()
	if err != nil {
		return err
	}
	alone := &only{stream: stream, message: Message{bus, id}, until: gate.FirstTime - firstMargin}
	if err := r.listenFirst(ctx); err != nil {
		return err
	}
	if _, err := Play(ctx, alone, r.out, r.options()); err != nil {
		return err
	}
	if err := r.out.Flush(ctx); err != nil {
		return err
	}
	r.result.First = r.frames.Load()
	if err := r.Log.add(Entry{Event: "first identifier sent alone", Sent: new(r.result.First)}); err != nil {
		return err
	}
	if err := r.listen(ctx, gate.First); err != nil {
		return err
	}
	if err := r.listen(ctx, gate.Again); err != nil {
		return err
	}
	return r.Log.add(Entry{Event: "playing"})
}

// listenFirst listens in listen-only mode where that may be, and then as the
// interfaces were found.
func (r *runner) listenFirst(ctx context.Context) error {
	quiet := r.out.Quiet()
	if err := r.Log.add(Entry{Event: "listening", ListenOnly: quiet, Notes: r.out.Notes()}); err != nil {
		return err
	}
	if len(quiet) > 0 {
		if err := r.listen(ctx, gate.Quiet); err != nil {
			return err
		}
		if err := r.Log.add(Entry{Event: "listening"}); err != nil {
			return err
		}
	}
	return r.listen(ctx, gate.Listening)
}

// firstMargin keeps the last frame of the first identifier inside its phase.
const firstMargin = 100 * time.Millisecond

// listen reads until the phase is over.
func (r *runner) listen(ctx context.Context, phase gate.Phase) error {
	for r.out.Advance() == phase {
		if err := r.out.Listen(ctx, 20*time.Millisecond); err != nil {
			return err
		}
	}
	return r.out.Stopped()
}

// only is what a stream holds of one message before some offset, from where the
// message begins.
type only struct {
	stream  Stream
	message Message
	until   time.Duration
	begin   time.Duration
	begun   bool
}

// Next gives the next frame of the message.
func (o *only) Next(item *Item) error {
	for {
		if err := o.stream.Next(item); err != nil {
			return err
		}
		if MessageOf(item) != o.message {
			if o.begun && item.Offset-o.begin >= o.until {
				return io.EOF
			}
			continue
		}
		if !o.begun {
			o.begin, o.begun = item.Offset, true
		}
		if item.Offset -= o.begin; item.Offset >= o.until {
			return io.EOF
		}
		return nil
	}
}

// options are those of Play, with what the runner wants to know.
func (r *runner) options() *Options {
	options := r.Options
	told := options.Sent
	options.Sent = func(item *Item, late time.Duration) {
		if last := r.sent[MessageOf(item)]; last != nil {
			*last = item.Frame
		}
		r.frames.Add(1)
		if told != nil {
			told(item, late)
		}
	}
	return &options
}

// play sends the whole stream.
func (r *runner) play(ctx context.Context) error {
	stream, _, err := r.changed()
	if err != nil {
		return err
	}
	for m, last := range r.sent { // what went out before: no seam
		if last.Len > 0 {
			stream.Refill(m, last)
		}
	}
	if r.result.Summary, err = Play(ctx, stream, r.out, r.options()); err != nil {
		return err
	}
	return r.out.Flush(ctx)
}

// neutralTime is how long neutral values may take.
const neutralTime = 2 * time.Second

// neutral leaves the listeners with neutral values, also after Ctrl-C.
func (r *runner) neutral(ctx context.Context) error {
	for m, last := range r.sent {
		if last.Len == 0 { // never sent
			delete(r.sent, m)
		}
	}
	_, guards, err := r.changed()
	if err != nil {
		return err
	}
	items, err := r.Car.neutral(r.sent, guards)
	if err != nil || len(items) == 0 {
		return err
	}
	r.out.Finish()
	timed, cancel := context.WithTimeout(context.WithoutCancel(ctx), neutralTime)
	defer cancel()
	summary, err := Play(timed, Items(items), r.out, nil)
	r.result.Neutral = summary.Frames
	if err != nil {
		return err
	}
	return r.out.Flush(timed)
}

// How often the watch looks at the session, and at the interfaces.
const (
	watchSession    = 50 * time.Millisecond
	watchInterfaces = 500 * time.Millisecond
)

// watchKey passes the dead-man key on. It has nothing else to do: what delays it
// looks like a key that was let go of.
func (r *runner) watchKey(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-r.Keys:
			r.out.Key()
		}
	}
}

// watch ends the job when the session is stopped between frames: the key was
// released, an interface went away, the machine slept.
func (r *runner) watch(ctx context.Context, cancel context.CancelCauseFunc) {
	tick := time.NewTicker(watchSession)
	defer tick.Stop()
	var looked, since time.Duration
	phase := gate.Phase(-1)
	slept := suspended()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		now := r.clock.now()
		if now-looked >= watchInterfaces {
			looked = now
			r.lookAgain(suspended() - slept)
		}
		if err := r.out.Stopped(); err != nil {
			cancel(err)
			return
		}
		p := r.out.Phase()
		if p != phase {
			phase, since = p, now
		}
		if r.Note != nil {
			r.Note(Progress{Phase: p, Frames: r.frames.Load(), Since: now - since, Lasts: r.lasts(p)})
		}
	}
}

// lasts returns how long a phase does.
func (r *runner) lasts(p gate.Phase) time.Duration {
	if p >= gate.Open {
		if r.plan.Endless {
			return 0
		}
		return r.plan.Length
	}
	return r.out.ListenFor()
}

// lookAgain tells the session what the interfaces are now, and for how long the
// machine slept.
func (r *runner) lookAgain(slept time.Duration) {
	r.out.Note(r.look)
	r.out.Slept(slept)
}
