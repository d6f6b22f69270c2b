package service

import (
	"encoding/binary"
	"fmt"

	"plugproof/decode/can"
)

// Sender cuts one message into frames and keeps to what the other party's flow
// control asks for. It holds no clock: times are nanoseconds of whatever clock
// the caller uses.
type Sender struct {
	link   Link
	timing Timing
	data   []byte
	at     int  // bytes cut off so far
	next   byte // sequence number of the next consecutive frame

	waiting bool  // for flow control
	waits   int   // "wait" frames in a row
	block   int   // frames left in the block; -1: no end
	pause   int64 // between consecutive frames
	due     int64 // when the next frame may leave, or flow control must have come
}

// NewSender makes a sender of one message of 1 to 2^32-1 bytes.
func NewSender(link Link, timing Timing, message []byte) (*Sender, error) {
	if len(message) == 0 || uint64(len(message)) > 1<<32-1 {
		return nil, fmt.Errorf("a message has 1 to %d bytes, not %d", uint64(1<<32-1), len(message))
	}
	return &Sender{link: link, timing: timing.withDefaults(), data: message, block: -1}, nil
}

// Done reports whether the last frame was given out.
func (s *Sender) Done() bool { return s.at == len(s.data) }

// Due is when Next has something to give, or gives up.
func (s *Sender) Due() int64 { return s.due }

// Next gives the frame that may leave at now, nil when none may yet. The error
// is a *TransportError: the other party does not let us go on.
func (s *Sender) Next(now int64) (*can.Frame, error) {
	switch {
	case s.Done():
		return nil, nil
	case s.waiting && now >= s.due:
		return nil, s.failed(fmt.Sprintf("no flow control for %v", s.timing.FlowControl))
	case s.waiting || now < s.due:
		return nil, nil
	case s.at == 0:
		f := s.start(now)
		return &f, nil
	}
	f := s.consecutive(now)
	return &f, nil
}

func (s *Sender) failed(what string) error { return &TransportError{ID: s.link.Rx, What: what} }

// size is the payload of a full frame in bytes.
func (s *Sender) size() int {
	if s.link.FD {
		return can.MaxFDLen
	}
	return can.MaxClassicLen
}

// start makes the single frame, or the first of several.
func (s *Sender) start(now int64) can.Frame {
	n, size := len(s.data), s.size()
	switch {
	case n < can.MaxClassicLen:
		s.at = n
		return s.link.frame(append([]byte{byte(n)}, s.data...)...)
	case s.link.FD && n <= size-2:
		s.at = n
		return s.link.frame(append([]byte{0, byte(n)}, s.data...)...)
	}
	head := []byte{kindFirst<<4 | byte(n>>8&0xF), byte(n)}
	if n > maxShortLength {
		head = binary.BigEndian.AppendUint32([]byte{kindFirst << 4, 0}, uint32(n))
	}
	s.at = size - len(head)
	s.next = 1
	s.wait(now)
	return s.link.frame(append(head, s.data[:s.at]...)...)
}

func (s *Sender) wait(now int64) {
	s.waiting = true
	s.due = now + int64(s.timing.FlowControl)
}

// consecutive makes the next part.
func (s *Sender) consecutive(now int64) can.Frame {
	part := s.data[s.at:min(s.at+s.size()-1, len(s.data))]
	f := s.link.frame(append([]byte{kindConsecutive<<4 | s.next}, part...)...)
	s.at += len(part)
	s.next = (s.next + 1) & 0xF
	s.due = now + s.pause
	if s.block > 0 {
		if s.block--; s.block == 0 && !s.Done() {
			s.wait(now)
		}
	}
	return f
}

// Add takes a frame that came at now; what is not flow control for us leads to
// nothing. The error is a *TransportError: the other party refuses the message.
func (s *Sender) Add(f *can.Frame, now int64) error {
	if !s.link.hears(f) || !s.waiting || s.Done() {
		return nil
	}
	p := f.Payload()
	if p[0]>>4 != kindFlow || len(p) < 3 {
		return nil
	}
	switch p[0] & 0xF {
	case flowGo:
		s.waiting, s.waits = false, 0
		if s.block = int(p[1]); s.block == 0 {
			s.block = -1
		}
		s.pause, s.due = int64(separation(p[2])), now
		return nil
	case flowWait:
		if s.waits++; s.waits > s.timing.MaxWaits {
			return s.failed(fmt.Sprintf("asked to wait %d times in a row", s.waits))
		}
		s.wait(now)
		return nil
	case flowOverflow:
		return s.failed(fmt.Sprintf("takes no message of %d bytes", len(s.data)))
	}
	return s.failed(fmt.Sprintf("flow control of unknown kind %d", p[0]&0xF))
}
