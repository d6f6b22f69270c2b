package gate

import (
	"fmt"
	"slices"
	"time"

	"plugproof/decode/can"
)

// Phase is how far a session has come.
type Phase int

// The phases, in their order. A session on virtual interfaces begins Open, one
// without an interface in listen-only mode begins with Listening.
const (
	Quiet     Phase = iota // nothing may be sent; interfaces are in listen-only mode
	Listening              // nothing may be sent
	First                  // the first identifier alone
	Again                  // nothing may be sent
	Open                   // the whole plan
	Closed                 // ended or stopped: nothing more, ever
)

// String names the phase.
func (p Phase) String() string {
	return [...]string{"listening in listen-only mode", "listening", "first identifier alone", "listening again", "open", "closed"}[p]
}

// Session follows what is heard and sent, and decides about every frame. It is
// used by one goroutine. now is always the time on one steady clock. The nil
// session lets nothing through.
type Session struct {
	buses    []line
	policy   Policy
	phase    Phase
	since    time.Duration // the phase began
	begun    bool          // since is set
	listen   time.Duration // how long to listen first
	first    ID
	firstBus int
	stop     *Refusal // what ended it; nil: nothing did
	key      time.Duration
	keySeen  bool
	reading  *Reading // of trouble codes; nil: a replay
}

// line is one bus of a session.
type line struct {
	Interface
	physical bool
	plan     map[ID]bool
	answers  map[ID]bool // what the unit on the bench sends
	flight   int         // frames that were not confirmed
	sentAt   time.Duration
	load     window
	faults   window // error frames that do not stop by themselves
	quiet    bool   // in listen-only mode, and not as it was found
	heard    bool   // a frame came while it was
	garbled  bool   // an error frame came while it was
}

func newSession(plan *Plan, policy Policy, physical []bool) *Session {
	s := &Session{policy: policy, phase: Open, listen: ListenTime}
	for i := range plan.Buses {
		s.buses = append(s.buses, line{
			Interface: plan.Buses[i].Interface, physical: physical[i], plan: map[ID]bool{}, answers: map[ID]bool{},
		})
		if physical[i] {
			s.phase = Listening
		}
	}
	var firstAt time.Duration = -1
	for i := range plan.Messages {
		m := &plan.Messages[i]
		s.buses[m.Bus].plan[m.ID] = true
		s.listen = max(s.listen, ListenCycles*m.Cycle)
		if physical[m.Bus] && (firstAt < 0 || m.First < firstAt) {
			s.first, s.firstBus, firstAt = m.ID, m.Bus, m.First
		}
	}
	if s.phase == Open && policy.DeadMan { // nothing to listen for, but a key to wait for
		s.phase, s.listen = Listening, 0
	}
	if node := policy.node(policy.OnBench); node != nil {
		for _, id := range node.Sends {
			for i := range s.buses {
				s.buses[i].answers[id] = true
			}
		}
	}
	return s
}

// Phase returns how far the session has come.
func (s *Session) Phase() Phase { return s.phase }

// Interfaces returns the names of the interfaces, by the index of their bus; none
// for the nil session.
func (s *Session) Interfaces() (names []string) {
	if s == nil {
		return nil
	}
	for i := range s.buses {
		names = append(names, s.buses[i].Name)
	}
	return names
}

// First returns the identifier that is sent alone first, and its bus.
func (s *Session) First() (bus int, id ID) { return s.firstBus, s.first }

// Physical reports whether any of the interfaces is.
func (s *Session) Physical() bool {
	return slices.ContainsFunc(s.buses, func(b line) bool { return b.physical })
}

// Stopped returns what ended the session, nil when nothing did.
func (s *Session) Stopped() *Refusal { return s.stop }

// Contradicts reports whether an interface that the session takes for virtual is
// not, with the reason.
func (s *Session) Contradicts(bus int, facts *Interface) string {
	if s.buses[bus].physical {
		return ""
	}
	return facts.Physical()
}

// ListenFor returns how long the phase of listening lasts at least.
func (s *Session) ListenFor() time.Duration {
	if s.phase <= Listening {
		return s.listen
	}
	return FirstTime
}

// AsFound returns why an interface is listened to in the mode that it is found in;
// "" when it is to be in listen-only mode first.
func (s *Session) AsFound(bus int) string { return s.buses[bus].AsFound() }

// Hush notes that an interface is in listen-only mode now, before anything else
// happens.
func (s *Session) Hush(bus int) {
	s.buses[bus].quiet = true
	if s.phase == Listening {
		s.phase = Quiet
	}
}

// Quiet reports whether an interface is in listen-only mode.
func (s *Session) Quiet(bus int) bool { return s.buses[bus].quiet }

// Wake notes that an interface is again as it was found. Listening begins then.
func (s *Session) Wake(bus int, now time.Duration) { s.buses[bus].quiet, s.since = false, now }

// unsure reports whether somebody may be on a bus who was not heard in listen-only
// mode: a lone unit, whose frames nobody acknowledged.
func (s *Session) unsure() bool {
	return slices.ContainsFunc(s.buses, func(b line) bool { return b.quiet && (!b.heard || b.garbled) })
}

// Key notes that the dead-man key was seen.
func (s *Session) Key(now time.Duration) { s.key, s.keySeen = now, true }

// Advance goes on to the next phase when the present one has lasted long enough
// and nothing was heard against it, and returns the phase. Listening lasts until
// the dead-man key is held, too. The first call starts the first phase.
func (s *Session) Advance(now time.Duration) Phase {
	if !s.begun {
		s.since, s.begun = now, true
	}
	s.checkKey(now)
	held := s.keySeen && now-s.key <= KeyTime
	switch {
	case s.phase >= Open || now-s.since < s.lasts():
		return s.phase
	case s.phase == Quiet:
		if !s.unsure() {
			s.listen = FirstTime
		}
	case s.reading != nil:
		s.phase = Open
		return s.phase
	case s.phase == Listening && !held:
		return s.phase
	case !s.Physical():
		s.phase = Open
		return s.phase
	}
	s.phase++
	s.since = now
	return s.phase
}

func (s *Session) lasts() time.Duration {
	if s.phase == First {
		return FirstTime
	}
	return s.ListenFor()
}

// checkKey closes a session whose key was let go of. Listening needs no hand.
func (s *Session) checkKey(now time.Duration) {
	if s.phase <= Listening || s.phase == Closed || s.reading != nil || !s.Physical() && !s.policy.DeadMan {
		return
	}
	if !s.keySeen || now-s.key > KeyTime {
		s.halt(0, Refusal{
			Rule: "stop/dead-man", Reason: fmt.Sprintf("the dead-man key was released for more than %v", KeyTime),
			Try: "hold the key from before the first frame until the end",
		})
	}
}

// halt closes the session; the first reason stays. A bus below 0 is none.
func (s *Session) halt(bus int, r Refusal) {
	if s.phase == Closed {
		return
	}
	if r.Rule != "stop/dead-man" && bus >= 0 {
		r.Bus = s.buses[bus].Name
	}
	s.phase, s.stop = Closed, &r
}

// Halt closes the session for a reason from outside: an adapter that vanished,
// frames that were lost on the way to us.
func (s *Session) Halt(bus int, r Refusal) { s.halt(bus, r) }

// Finish opens the whole plan to the last frames of a session that ends before its
// time, at Ctrl-C: what leaves a listener with neutral values. Where nothing was
// sent yet, and after a stop, nothing may be.
func (s *Session) Finish() {
	if s.phase == First || s.phase == Again {
		s.phase = Open
	}
}

// Close ends a session: nothing more may be sent.
func (s *Session) Close() { s.phase = Closed }

// May decides about one frame. nil lets it through, once: on a physical
// interface the next one waits until this one is confirmed.
func (s *Session) May(bus int, f *can.Frame, now time.Duration) *Refusal {
	if s == nil || bus < 0 || bus >= len(s.buses) {
		return &Refusal{Rule: "stop/no-session", Reason: "the gate was not asked"}
	}
	s.checkKey(now)
	b := &s.buses[bus]
	id := IDOf(f)
	deny := func(rule, reason string) *Refusal {
		return &Refusal{Rule: rule, Bus: b.Name, ID: id, HasID: true, Reason: reason}
	}
	switch {
	case s.stop != nil:
		return s.stop
	case s.phase == Closed:
		return deny("stop/closed", "sending has ended")
	case f.Is(can.Error):
		return deny("stop/not-in-plan", "an error frame is not sent")
	case b.quiet:
		return deny("stop/listen-only", b.Name+" is in listen-only mode, from which no frame reaches the wire")
	case s.reading != nil:
		if r := s.mayRead(bus, f); r != nil {
			return r
		}
		if b.physical && b.flight > 0 {
			return deny("stop/in-flight", "the frame before it is not confirmed")
		}
	case b.physical && (!b.plan[id] || f.Is(can.Remote)):
		s.halt(bus, *deny("stop/not-in-plan", id.String()+" is not in the plan that was agreed to"))
		return s.stop
	case s.phase <= Listening || s.phase == Again:
		return deny("stop/listening", "listening comes first")
	case s.phase == First && (bus != s.firstBus || id != s.first):
		return deny("stop/first-alone", "the first identifier is sent alone")
	case b.physical && b.flight > 0:
		return deny("stop/in-flight", "the frame before it is not confirmed")
	}
	b.sentAt = now
	if b.physical {
		b.flight++
	}
	return nil
}

// MaxSleep is more than clocks differ by for other reasons.
const MaxSleep = time.Second

// Slept closes the session when the machine was suspended meanwhile: the clock
// that frames go by stood still, the listener's did not.
func (s *Session) Slept(length time.Duration) {
	if length > MaxSleep {
		s.halt(-1, Refusal{Rule: "stop/slept", Reason: fmt.Sprintf("the machine was suspended for %v meanwhile", length.Round(time.Second))})
	}
}

// Stuck closes the session when the kernel has not taken the frame that was let
// through last for too long.
func (s *Session) Stuck(bus int, now time.Duration) {
	if b := &s.buses[bus]; now-b.sentAt > DrainTime {
		s.halt(bus, Refusal{
			Rule: "stop/not-drained", Reason: fmt.Sprintf("the queue of %s had no room for %v", b.Name, DrainTime),
			Try: "end what else sends there; check that the unit on the bench is powered",
		})
	}
}

// Pending reports whether a frame on the bus is waited for, and closes the
// session when it has been for too long: the queue does not drain.
func (s *Session) Pending(bus int, now time.Duration) bool {
	b := &s.buses[bus]
	if b.flight > 0 && now-b.sentAt > DrainTime {
		s.halt(bus, Refusal{
			Rule:   "stop/not-drained",
			Reason: fmt.Sprintf("a frame was not on the wire after %v: nobody acknowledges, or the bus is busy", DrainTime),
			Try:    "check that the unit on the bench is powered, the bit rate and the termination",
		})
	}
	return b.flight > 0 && s.phase != Closed
}

// Note takes the present state of an interface, as read again meanwhile.
func (s *Session) Note(bus int, facts *Interface) {
	b := &s.buses[bus]
	refuse := func(rule, format string, args ...any) {
		s.halt(bus, Refusal{Rule: rule, Reason: fmt.Sprintf(format, args...)})
	}
	why := facts.Physical()
	switch {
	case facts.Missing:
		refuse("stop/interface", "%s is gone", b.Name)
	case !facts.Up:
		refuse("stop/interface", "%s is down", b.Name)
	case !b.physical && why != "":
		refuse("stop/not-virtual", "%s", why)
	case facts.BusOff:
		refuse("stop/bus-off", "%s is bus-off", b.Name)
	case facts.Passive && !b.quiet: // by the faults of others, which it does not cause
		refuse("stop/error-passive", "%s is error-passive", b.Name)
	case facts.ListenOnly != (b.ListenOnly || b.quiet) || facts.Bitrate != b.Bitrate:
		refuse("stop/interface", "the mode of %s was changed", b.Name)
	}
}
