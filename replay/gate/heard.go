package gate

import (
	"fmt"
	"time"

	"plugproof/decode/can"
)

// Heard takes a frame from the bus; own says that it is one of ours coming back.
// It may close the session.
func (s *Session) Heard(bus int, f *can.Frame, own bool, now time.Duration) {
	b := &s.buses[bus]
	if f.Is(can.Error) {
		s.fault(bus, f, now)
		return
	}
	switch {
	case own:
		b.flight = max(b.flight-1, 0)
	case s.reading != nil:
		s.hearsReading(bus, f)
	default:
		s.foreign(bus, f)
	}
	if b.quiet {
		b.heard = true
		return // a frame that nobody acknowledges is repeated without end, and fills the bus
	}
	if !b.physical || b.Bitrate == 0 || s.reading != nil {
		return
	}
	// MaxWireBits, not the exact length: cheaper, and on the safe side.
	nominal, data := can.MaxWireBits(f.Flags, int(f.Len))
	took := float64(nominal) / float64(b.Bitrate)
	if data > 0 {
		took += float64(data) / float64(max(b.DataBitrate, b.Bitrate))
	}
	if load := b.load.add(now, took); load > s.policy.maxLoad() {
		s.halt(bus, Refusal{Rule: "stop/load", Reason: fmt.Sprintf(
			"%s is busy for %.0f %% of the time, at most %.0f %%", b.Name, 100*load, 100*s.policy.maxLoad())})
	}
}

// foreign looks at a frame from somebody else.
func (s *Session) foreign(bus int, f *can.Frame) {
	b := &s.buses[bus]
	id := IDOf(f)
	refuse := func(rule, try, format string, args ...any) {
		s.halt(bus, Refusal{Rule: rule, ID: id, HasID: true, Reason: fmt.Sprintf(format, args...), Try: try})
	}
	switch {
	case b.plan[id] && s.phase <= Listening:
		refuse("listen/plan-id", "find out who sends it; one identifier has one sender", "%s, which is to be sent, is already on %s", id, b.Name)
	case b.plan[id]:
		refuse("stop/own-id", "find out who sends it; one identifier has one sender", "%s came from somebody else on %s", id, b.Name)
	case b.physical && !b.answers[id]:
		refuse("listen/other-sender", "only the unit on the bench may be connected, never a car",
			"%s on %s is not from %s: something else is connected", id, b.Name, s.policy.OnBench)
	}
}

// Bytes of an error frame, linux/can/error.h.
const (
	controllerByte = 1
	rxPassive      = 0x10
	txPassive      = 0x20
	protocolByte   = 2
	protocolBits   = 0x01 | 0x08 | 0x10 // single bit, dominant bit, recessive bit
	protocolTx     = 0x80
)

// maxFaults is how many error frames in a second that do not stop by themselves
// (stuffing, form, lost arbitration) are put up with.
const maxFaults = 10

// fault looks at an error frame. In listen-only mode it is no cause to stop: we
// take no part, and the frames of a lone unit fail because nobody acknowledges them.
func (s *Session) fault(bus int, f *can.Frame, now time.Duration) {
	if b := &s.buses[bus]; b.quiet {
		b.garbled = true
		return
	}
	refuse := func(rule, try, reason string) { s.halt(bus, Refusal{Rule: rule, Reason: reason, Try: try}) }
	for class := range f.ErrorClasses() {
		switch class {
		case can.ClassBusOff, can.ClassRestarted:
			refuse("stop/bus-off", "check bit rate and wiring", "the controller went bus-off: "+f.ErrorText())
		case can.ClassController:
			if f.Data[controllerByte]&(rxPassive|txPassive) != 0 {
				refuse("stop/error-passive", "check bit rate, wiring and termination", "the controller is error-passive: "+f.ErrorText())
			}
		case can.ClassProtocol:
			if f.Data[protocolByte]&(protocolBits|protocolTx) != 0 {
				refuse("stop/bit-error", "somebody else may be sending the same identifier", "a bit error on the bus: "+f.ErrorText())
			}
		case can.ClassNoAck:
			refuse("stop/no-ack", "check that the unit on the bench is powered, and the bit rate", "nobody acknowledges: "+f.ErrorText())
		case can.ClassTxTimeout:
			refuse("stop/not-drained", "check the wiring", "the adapter gave a frame up: "+f.ErrorText())
		}
	}
	if s.buses[bus].faults.add(now, 1) > maxFaults {
		refuse("stop/errors", "check bit rate, wiring and termination", fmt.Sprintf("more than %d error frames in a second, the last: %s", maxFaults, f.ErrorText()))
	}
}

// window sums something over the last second, in tenths.
type window struct {
	sums [10]float64
	turn int64 // number of the present tenth since the clock began
}

const tenth = time.Second / 10

// add adds at a time and returns the sum of the last second.
func (w *window) add(now time.Duration, amount float64) float64 {
	turn := int64(now / tenth)
	for w.turn < turn {
		w.turn = max(w.turn+1, turn-int64(len(w.sums))+1)
		w.sums[w.turn%int64(len(w.sums))] = 0
	}
	w.sums[w.turn%int64(len(w.sums))] += amount
	total := 0.0
	for _, v := range w.sums {
		total += v
	}
	return total
}
