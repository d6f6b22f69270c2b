package service

import (
	"encoding/binary"
	"fmt"

	"plugproof/decode/can"
)

// Receiver puts together the messages that one party sends on a link. It holds
// no clock: times are nanoseconds of whatever clock the caller uses.
type Receiver struct {
	link     Link
	timing   Timing
	data     []byte // of the message under way; nil: none
	want     int    // its bytes in all
	size     int    // payload bytes of its first frame: all but the last are as long
	next     byte   // sequence number that must come
	block    byte   // frames left before we must send flow control
	deadline int64  // for the next frame
}

// NewReceiver makes a receiver for what link.Rx sends.
func NewReceiver(link Link, timing Timing) *Receiver {
	return &Receiver{link: link, timing: timing.withDefaults()}
}

// Received is what a frame led to. All zero: nothing to do.
type Received struct {
	Message []byte     // a message is complete
	Reply   *can.Frame // flow control to be sent at once
}

// Add takes a frame that came at now. Frames of others and frames that ISO
// 15765-2 tells to ignore lead to nothing. The error is a *TransportError: a
// message was under way and is lost, by this frame or because it came too late.
func (r *Receiver) Add(f *can.Frame, now int64) (Received, error) {
	late := r.Expire(now)
	if !r.link.hears(f) {
		return Received{}, late
	}
	out, err := r.take(f.Payload(), now)
	if late != nil { // the older loss; the frame began anew, if anything
		err = late
	}
	return out, err
}

// take handles the payload of a frame from the party that is listened to.
func (r *Receiver) take(p []byte, now int64) (Received, error) {
	switch p[0] >> 4 {
	case kindSingle:
		return r.single(p)
	case kindFirst:
		return r.first(p, now)
	case kindConsecutive:
		return r.consecutive(p, now)
	}
	return Received{}, nil // flow control is the sender's business; the rest is reserved
}

// Deadline is when the message under way is lost unless a frame comes, and
// whether there is one.
func (r *Receiver) Deadline() (int64, bool) { return r.deadline, r.data != nil }

// Expire gives up the message under way when now is past its deadline.
func (r *Receiver) Expire(now int64) error {
	if r.data == nil || now < r.deadline {
		return nil
	}
	got := len(r.data)
	r.data = nil
	return r.lost("no further frame for %v: %d of %d bytes came", r.timing.Consecutive, got, r.want)
}

func (r *Receiver) lost(format string, args ...any) error {
	return &TransportError{ID: r.link.Rx, What: fmt.Sprintf(format, args...)}
}

// interrupted ends a message that a new one cut short.
func (r *Receiver) interrupted() error {
	if r.data == nil {
		return nil
	}
	got := len(r.data)
	r.data = nil
	return r.lost("a new message began when %d of %d bytes had come", got, r.want)
}

// single takes a message of one frame: its length is in the first byte, in FD
// frames of more than 8 bytes in the second.
func (r *Receiver) single(p []byte) (Received, error) {
	length, head := int(p[0]), 1
	if length == 0 && len(p) > can.MaxClassicLen {
		length, head = int(p[1]), 2
	}
	if length == 0 || length > len(p)-head {
		return Received{}, nil
	}
	err := r.interrupted()
	return Received{Message: append([]byte(nil), p[head:head+length]...)}, err
}

// first begins a message of several frames.
func (r *Receiver) first(p []byte, now int64) (Received, error) {
	length, head, ok := firstLength(p)
	if !ok {
		return Received{}, nil
	}
	err := r.interrupted()
	if length > maxMessage {
		reply := r.link.frame(kindFlow<<4|flowOverflow, 0, 0)
		return Received{Reply: &reply}, r.lost("announces %d bytes, more than the %d that are taken", length, maxMessage)
	}
	r.data = append(make([]byte, 0, length), p[head:]...)
	r.want, r.size, r.next = length, len(p), 1
	reply := r.flow(now)
	return Received{Reply: &reply}, err
}

// firstLength reads how many bytes a first frame announces and where its data
// begin. A length that one frame could carry, or a long form for a short length,
// is to be ignored.
func firstLength(p []byte) (length, head int, ok bool) {
	if len(p) < can.MaxClassicLen {
		return 0, 0, false
	}
	most := len(p) - 1 // what a single frame of the same size carries
	if len(p) > can.MaxClassicLen {
		most--
	}
	length, head = int(p[0]&0xF)<<8|int(p[1]), 2
	if length == 0 {
		length, head, most = int(binary.BigEndian.Uint32(p[2:])), 6, maxShortLength
	}
	return length, head, length > most
}

// flow makes the frame that asks for the next block, and starts the wait for it.
func (r *Receiver) flow(now int64) can.Frame {
	r.block = r.timing.Block
	r.deadline = now + int64(r.timing.Consecutive)
	return r.link.frame(kindFlow<<4|flowGo, r.timing.Block, r.timing.Separation)
}

// consecutive takes the next part of the message under way.
func (r *Receiver) consecutive(p []byte, now int64) (Received, error) {
	if r.data == nil {
		return Received{}, nil
	}
	if got := p[0] & 0xF; got != r.next {
		want := r.next
		r.data = nil
		return Received{}, r.lost("part %d came where part %d was due: a frame is missing or came twice", got, want)
	}
	left := r.want - len(r.data)
	if part := len(p) - 1; part < left && len(p) != r.size {
		r.data = nil
		return Received{}, r.lost("a frame of %d bytes in the middle of a message of frames of %d", len(p), r.size)
	}
	r.data = append(r.data, p[1:1+min(left, len(p)-1)]...)
	r.next = (r.next + 1) & 0xF
	if len(r.data) == r.want {
		message := r.data
		r.data = nil
		return Received{Message: message}, nil
	}
	r.deadline = now + int64(r.timing.Consecutive)
	if r.timing.Block > 0 {
		if r.block--; r.block == 0 {
			reply := r.flow(now)
			return Received{Reply: &reply}, nil
		}
	}
	return Received{}, nil
}
