package gate

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Judge looks at a plan before anything is heard or sent. It returns a session,
// or every reason against one. The order of the reasons follows the plan.
func Judge(plan *Plan, policy Policy) (*Session, []Refusal) {
	var refusals []Refusal
	if len(plan.Buses) == 0 {
		refusals = append(refusals, Refusal{Rule: "plan/empty", Reason: "no interface is named"})
	}
	physical := make([]bool, len(plan.Buses))
	for i := range plan.Buses {
		in := &plan.Buses[i].Interface
		physical[i] = !in.Missing && in.Physical() != "" // of one that is missing there is nothing more to say
		refusals = append(refusals, judgeBus(&plan.Buses[i], &policy, physical[i])...)
	}
	if slices.Contains(physical, true) {
		refusals = append(refusals, judgeStatement(plan, &policy)...)
	}
	for i := range plan.Messages {
		m := &plan.Messages[i]
		if m.Bus < 0 || m.Bus >= len(plan.Buses) {
			refusals = append(refusals, Refusal{Rule: "plan/no-interface", ID: m.ID, HasID: true, Reason: m.label() + " has no interface"})
			continue
		}
		if !physical[m.Bus] {
			continue
		}
		if r := judgeMessage(m, plan, &policy); r != nil {
			r.Bus = plan.Buses[m.Bus].Interface.Name
			refusals = append(refusals, *r)
		}
	}
	if len(refusals) > 0 {
		return nil, refusals
	}
	return newSession(plan, policy, physical), nil
}

// judgeBus refuses what the interface cannot do.
func judgeBus(b *Bus, policy *Policy, physical bool) (refusals []Refusal) {
	i := &b.Interface
	refuse := func(rule, try, format string, args ...any) {
		refusals = append(refusals, Refusal{Rule: rule, Bus: i.Name, Reason: fmt.Sprintf(format, args...), Try: try})
	}
	if i.Missing {
		refuse("bus/missing", "plugproof interfaces lists what there is", "there is no CAN interface %s", i.Name)
		return refusals
	}
	if !i.Up {
		refuse("bus/down", "ip link set "+i.Name+" up", "%s is down", i.Name)
	}
	if b.FD && !i.FD {
		refuse("bus/classic-only", "an interface that takes FD frames, or leave them out", "%s takes no FD frames, and the plan has some", i.Name)
	}
	if r := tooDense(b, policy); r != nil {
		refusals = append(refusals, *r)
	}
	if !physical {
		return refusals
	}
	switch {
	case i.BusOff:
		refuse("bus/bus-off", "check bit rate and wiring, then set it down and up", "%s is bus-off", i.Name)
	case i.Passive:
		refuse("bus/error-passive", "check bit rate, wiring and termination", "%s is error-passive", i.Name)
	}
	if i.ListenOnly {
		refuse("bus/listen-only", "set it down, and up with listen-only off", "%s is in listen-only mode and cannot send", i.Name)
	}
	if !i.Echo {
		refuse("bus/no-echo", "an adapter whose driver reports echo", "%s does not confirm frames once they were on the wire", i.Name)
	}
	if i.Bitrate == 0 {
		refuse("bus/no-bit-rate", "set one: ip link set "+i.Name+" type can bitrate 500000", "the bit rate of %s is not known", i.Name)
	}
	return refusals
}

// tooDense refuses what does not fit on the bus, with the arithmetic.
func tooDense(b *Bus, policy *Policy) *Refusal {
	i := &b.Interface
	rate, limit, physical := i.Bitrate, policy.maxLoad(), i.Physical() != ""
	if rate == 0 {
		rate = b.Bitrate
	}
	if !physical {
		limit = 1
	}
	const try = "leave messages out, or a lower speed"
	switch {
	case rate == 0:
		return nil
	case b.PeakLoad > limit:
		return &Refusal{Rule: "bus/too-dense", Bus: i.Name, Try: try, Reason: fmt.Sprintf(
			"%d frames in a second take %.0f %% of %s at %d bit/s, at most %.0f %%", b.PeakRate, 100*b.PeakLoad, i.Name, rate, 100*limit)}
	case physical && b.Backlog > MaxBacklog:
		return &Refusal{Rule: "bus/too-dense", Bus: i.Name, Try: try, Reason: fmt.Sprintf(
			"with one frame in flight, its time on the wire at %d bit/s and %v until it is confirmed, the frame due at %.3f s would leave %v late, at most %v",
			rate, Turnaround, b.WorstAt.Seconds(), b.Backlog.Round(time.Millisecond/10), MaxBacklog)}
	}
	return nil
}

// judgeStatement wants to know what is on the bench, and a hand on the key.
func judgeStatement(plan *Plan, policy *Policy) (refusals []Refusal) {
	refuse := func(rule, try, format string, args ...any) {
		refusals = append(refusals, Refusal{Rule: rule, Reason: fmt.Sprintf(format, args...), Try: try})
	}
	at := slices.IndexFunc(plan.Buses, func(b Bus) bool { return !b.Interface.Missing && b.Interface.Physical() != "" })
	why := plan.Buses[at].Interface.Physical()
	switch node := policy.node(policy.OnBench); {
	case plan.Profile == "":
		refuse("permission/no-profile", "--profile NAME", "%s: what may be sent there is what a profile lists", why)
	case policy.OnBench == "":
		refuse("bench/not-stated", "--on-bench NAME, with the one unit that is connected and no car",
			"%s, and nobody stated what is on the bench", why)
	case node == nil:
		refuse("bench/unknown", "the units of the profile are "+strings.Join(policy.names(), ", "),
			"%s is no unit of profile %s", policy.OnBench, plan.Profile)
	case !node.Bench:
		refuse("bench/not-for-bench", "the profile's author marks a unit with bench: true",
			"profile %s does not let %s be fed alone on a bench", plan.Profile, node.Name)
	}
	if !policy.DeadMan {
		refuse("bench/no-dead-man", "--dead-man, and hold a key", "%s, and a physical interface needs a dead-man key", why)
	}
	return refusals
}

func (p *Policy) names() (list []string) {
	for i := range p.Nodes {
		list = append(list, p.Nodes[i].Name)
	}
	return list
}

// judgeMessage refuses what a physical interface may not carry. The classes that
// nothing opens come first.
func judgeMessage(m *Message, plan *Plan, policy *Policy) *Refusal {
	if r := never(m); r != nil {
		return r
	}
	refuse := func(rule, try, format string, args ...any) *Refusal {
		return &Refusal{Rule: rule, ID: m.ID, HasID: true, Reason: m.label() + ": " + fmt.Sprintf(format, args...), Try: try}
	}
	const leaveOut = "leave it out, or have the profile's author list it under may_send"
	switch {
	case m.Remote:
		return refuse("permission/remote", "leave it out", "a remote request makes others send")
	case m.Name == "":
		return refuse("permission/unknown", "leave it out", "nobody says what it means")
	case !m.Listed:
		return refuse("permission/not-listed", leaveOut, "profile %s does not list it as one to send", plan.Profile)
	case policy.OnBench != "" && m.Sender == policy.OnBench:
		return refuse("permission/own", "leave it out", "%s, which is on the bench, sends it itself", m.Sender)
	case policy.OnBench != "" && !slices.Contains(m.Listeners, policy.OnBench):
		return refuse("permission/not-listening", "leave it out", "%s, which is on the bench, does not listen to it", policy.OnBench)
	}
	return nil
}

// Withheld reports why a physical interface would not carry the message; nil
// when it would. For plans that leave such messages out.
func Withheld(m *Message, plan *Plan, policy Policy) *Refusal { return judgeMessage(m, plan, &policy) }
