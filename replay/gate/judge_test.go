package gate

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// bench is a plan that a physical interface takes: the engine's frames to a
// cluster.
func bench() *Plan {
	return &Plan{
		Profile: "lowan",
		Buses: []Bus{{Interface: Interface{
			Name: "can0", Kind: "can", Up: true, Echo: true, FD: true, Bitrate: 500_000,
		}, Frames: 100, PeakRate: 100, PeakLoad: 0.03}},
		Messages: []Message{
			{ID: 0x0D6, Frames: 100, Cycle: 10 * time.Millisecond, Name: "EngineSpeed", Sender: "Engine", Listeners: []string{"Cluster"}, Listed: true},
			{ID: 0x31C, Frames: 1, First: time.Second, Name: "EngineTemps", Sender: "Engine", Listeners: []string{"Cluster", "Gearbox"}, Listed: true},
		},
	}
}

func onBench() Policy {
	return Policy{OnBench: "Cluster", DeadMan: true, Nodes: []Node{
		{Name: "Engine", Sends: []ID{0x0D6, 0x31C}},
		{Name: "Cluster", Bench: true, Sends: []ID{0x263, 0x277}},
		{Name: "Gearbox", Bench: true, Sends: []ID{0x0B3}},
		{Name: "Stability"},
	}}
}

func virtual() *Plan {
	p := bench()
	p.Profile = ""
	p.Buses[0].Interface = Interface{Name: "vcan0", Kind: "vcan", Up: true}
	return p
}

func rules(refusals []Refusal) (list []string) {
	for _, r := range refusals {
		if !slices.Contains(list, r.Rule) {
			list = append(list, r.Rule)
		}
	}
	return list
}

// Every refusal before the first frame. The row without a change is let through.
func TestJudge(t *testing.T) {
	first := func(change func(*Message)) func(*Plan, *Policy) {
		return func(p *Plan, _ *Policy) { change(&p.Messages[0]) }
	}
	facts := func(change func(*Interface)) func(*Plan, *Policy) {
		return func(p *Plan, _ *Policy) { change(&p.Buses[0].Interface) }
	}
	for _, tt := range []struct {
		name   string
		change func(*Plan, *Policy)
		want   string // rule; "": let through
		says   string // part of the reason
	}{
		{"all is well", func(*Plan, *Policy) {}, "", ""},

		{"no interface", func(p *Plan, _ *Policy) { *p = Plan{} }, "plan/empty", "no interface"},
		{"a bus without interface", first(func(m *Message) { m.Bus = 1 }), "plan/no-interface", "0x0D6 EngineSpeed"},
		{"missing", facts(func(i *Interface) { *i = Interface{Name: "can7", Missing: true, Kind: "vcan"} }), "bus/missing", "can7"},
		{"down", facts(func(i *Interface) { i.Up = false }), "bus/down", "can0 is down"},
		{"FD frames, classic interface", func(p *Plan, _ *Policy) { p.Buses[0].FD, p.Buses[0].Interface.FD = true, false }, "bus/classic-only", "no FD"},
		{"FD frames, FD interface", func(p *Plan, _ *Policy) { p.Buses[0].FD = true }, "", ""},
		{"bus-off", facts(func(i *Interface) { i.BusOff = true }), "bus/bus-off", "bus-off"},
		{"error-passive", facts(func(i *Interface) { i.Passive = true }), "bus/error-passive", "error-passive"},
		{"listen-only", facts(func(i *Interface) { i.ListenOnly = true }), "bus/listen-only", "listen-only"},
		{"no echo", facts(func(i *Interface) { i.Echo = false }), "bus/no-echo", "does not confirm"},
		{"no bit rate", facts(func(i *Interface) { i.Bitrate = 0 }), "bus/no-bit-rate", "bit rate"},
		{
			"load", func(p *Plan, _ *Policy) { p.Buses[0].PeakLoad, p.Buses[0].PeakRate = 22.2, 100_000 }, "bus/too-dense",
			"100000 frames in a second take 2220 % of can0 at 500000 bit/s, at most 70 %",
		},
		{"load within a limit of its own", func(p *Plan, q *Policy) { p.Buses[0].PeakLoad, q.MaxLoad = 0.8, 0.9 }, "", ""},
		{"one in flight", func(p *Plan, _ *Policy) { p.Buses[0].Backlog = 21 * time.Millisecond }, "bus/too-dense", "would leave 21ms late, at most 20ms"},
		{"one in flight, just so", func(p *Plan, _ *Policy) { p.Buses[0].Backlog = MaxBacklog }, "", ""},

		{"no profile", func(p *Plan, _ *Policy) { p.Profile = "" }, "permission/no-profile", "can0 is not a virtual interface"},
		{"nothing stated", func(_ *Plan, q *Policy) { q.OnBench = "" }, "bench/not-stated", "nobody stated"},
		{"two units stated", func(_ *Plan, q *Policy) { q.OnBench = "Cluster,Gearbox" }, "bench/unknown", "Cluster,Gearbox is no unit"},
		{"unknown unit", func(_ *Plan, q *Policy) { q.OnBench = "Radio" }, "bench/unknown", "Radio"},
		{"unit not for a bench", func(_ *Plan, q *Policy) { q.OnBench = "Stability" }, "bench/not-for-bench", "Stability"},
		{"no dead-man key", func(_ *Plan, q *Policy) { q.DeadMan = false }, "bench/no-dead-man", "dead-man"},

		{"unknown meaning", first(func(m *Message) { m.Name = "" }), "permission/unknown", "nobody says"},
		{"not on the list, as all of a learned profile", first(func(m *Message) { m.Listed = false }), "permission/not-listed", "does not list it"},
		{"remote request", first(func(m *Message) { m.Remote = true }), "permission/remote", "remote request"},
		{"its own message", first(func(m *Message) { m.Sender = "Cluster" }), "permission/own", "sends it itself"},
		{"does not listen", first(func(m *Message) { m.Listeners = []string{"Gearbox"} }), "permission/not-listening", "does not listen"},

		{"the profile's list of never", first(func(m *Message) { m.Never = "0x0D0-0x0DF" }), "never/profile", "0x0D0-0x0DF"},
		{"diagnosis to all", first(func(m *Message) { m.ID = 0x7DF }), "never/diagnostics", "identifier of diagnosis"},
		{"diagnosis, first", first(func(m *Message) { m.ID = 0x7E0 }), "never/diagnostics", "identifier of diagnosis"},
		{"diagnosis, last", first(func(m *Message) { m.ID = 0x7EF }), "never/diagnostics", "identifier of diagnosis"},
		{"before diagnosis", first(func(m *Message) { m.ID = 0x7DE }), "", ""},
		{"between diagnosis", first(func(m *Message) { m.ID = 0x7F0 }), "", ""},
		{"diagnosis, 29 bits", first(func(m *Message) { m.ID = 0x18DA10F1 | extendedBit }), "never/diagnostics", "0x18DA10F1"},
		{"diagnosis to all, 29 bits", first(func(m *Message) { m.ID = 0x18DB33F1 | extendedBit }), "never/diagnostics", "0x18DB33F1"},
		{"diagnosis, 29 bits, another priority", first(func(m *Message) { m.ID = 0x0CDA10F1 | extendedBit }), "never/diagnostics", "0x0CDA10F1"},
		{"29 bits with the value of an 11-bit one", first(func(m *Message) { m.ID = 0x7DF | extendedBit }), "", ""},
		{"29 bits beside diagnosis", first(func(m *Message) { m.ID = 0x18DC33F1 | extendedBit }), "", ""},

		{"restraint", first(func(m *Message) { m.Name = "AirbagStatus" }), "never/restraint", "AirbagStatus"},
		{"restraint by its sender", first(func(m *Message) { m.Sender = "SRS" }), "never/restraint", "SRS"},
		{"brake", first(func(m *Message) { m.Words = []string{"BrakePressureRequest"} }), "never/brake", "BrakePressureRequest"},
		{"a brake switch", first(func(m *Message) { m.Words = []string{"BrakeSwitch"} }), "", ""},
		{"stability", first(func(m *Message) { m.Words = []string{"StabilityRequestedTorque"} }), "never/brake", "stability"},
		{"steering", first(func(m *Message) { m.Name = "SteeringAngle" }), "never/steering", "steering"},
		{"immobiliser", first(func(m *Message) { m.Name = "ImmobiliserAnswer" }), "never/immobiliser", "ImmobiliserAnswer"},
		{"key answer", first(func(m *Message) { m.Words = []string{"KeyResponse_1"} }), "never/immobiliser", "KeyResponse_1"},
		{"a key position", first(func(m *Message) { m.Words = []string{"KeyState"} }), "", ""},
		{"odometer", first(func(m *Message) { m.Words = []string{"OdometerKm"} }), "never/odometer", "odometer"},
		{"total distance", first(func(m *Message) { m.Words = []string{"TOTAL_DISTANCE"} }), "never/odometer", "TOTAL_DISTANCE"},
		{"diagnosis by name", first(func(m *Message) { m.Name = "DiagRequest" }), "never/diagnostics", "DiagRequest"},
		{"flashing by name", first(func(m *Message) { m.Name = "ECU_Bootloader" }), "never/flashing", "ECU_Bootloader"},
		{"flashing by name, two words", first(func(m *Message) { m.Name = "FlashBlockWrite" }), "never/flashing", "FlashBlockWrite"},
		{"a lamp that flashes", first(func(m *Message) { m.Words = []string{"IsTurnLampFlash"} }), "", ""},
		{"a request by its content", first(func(m *Message) { m.Name, m.Request = "", 0x2E }), "never/diagnostics", "0x2E"},
		{"flashing by its content", first(func(m *Message) { m.Name, m.Request = "", 0x36 }), "never/flashing", "0x36"},
		{"looks like a request by chance", first(func(m *Message) { m.Request = 0x2E }), "", ""},

		{
			"vxcan with its end elsewhere", facts(func(i *Interface) { *i = Interface{Name: "vxcan0", Kind: "vxcan", Up: true, PeerElsewhere: true} }),
			"bus/no-echo", "vxcan0",
		},
	} {
		plan, policy := bench(), onBench()
		tt.change(plan, &policy)
		session, refusals := Judge(plan, policy)
		if tt.want == "" {
			if session == nil {
				t.Errorf("%s: refused: %v", tt.name, refusals)
			}
			continue
		}
		if session != nil {
			t.Errorf("%s: let through", tt.name)
			continue
		}
		found := slices.ContainsFunc(refusals, func(r Refusal) bool { return r.Rule == tt.want && strings.Contains(r.Reason, tt.says) })
		if !found {
			t.Errorf("%s: %v, want %s that says %q", tt.name, refusals, tt.want, tt.says)
		}
	}
}

// Whatever else is stated, nothing opens the classes that are never sent.
func TestNothingOpensNever(t *testing.T) {
	for _, id := range []ID{0x7DF, 0x7E8, 0x18DAF110 | extendedBit} {
		plan, policy := bench(), onBench()
		plan.Messages[0].ID = id
		policy.MaxLoad = 10
		policy.Nodes[1].Sends = append(policy.Nodes[1].Sends, id)
		if session, _ := Judge(plan, policy); session != nil {
			t.Errorf("%s went through", id)
		}
	}
}

// All reasons come at once, in the order of the plan.
func TestJudgeGivesEveryReason(t *testing.T) {
	plan := bench()
	plan.Profile = ""
	plan.Buses[0].Interface.Echo = false
	plan.Messages[1].Name = ""
	_, refusals := Judge(plan, Policy{})
	want := []string{"bus/no-echo", "permission/no-profile", "bench/no-dead-man", "permission/unknown"}
	if diff := cmp.Diff(want, rules(refusals)); diff != "" {
		t.Error(diff)
	}
}

// What is virtual, and what only looks like it.
func TestPhysical(t *testing.T) {
	for _, tt := range []struct {
		name string
		i    Interface
		want string // part of why it is physical; "": it is not
	}{
		{"vcan", Interface{Name: "vcan0", Kind: "vcan"}, ""},
		{"both ends of a vxcan here", Interface{Name: "vxcan0", Kind: "vxcan"}, ""},
		{"one end of a vxcan elsewhere", Interface{Name: "vxcan0", Kind: "vxcan", PeerElsewhere: true}, "other end of vxcan0"},
		{"a route of the gateway", Interface{Name: "vcan0", Kind: "vcan", LeadsTo: []string{"can0"}}, "on to can0"},
		{"a controller", Interface{Name: "can0", Kind: "can"}, "not a virtual"},
		{"the kernel does not say", Interface{Name: "vcan0"}, "not a virtual"},
		{"a serial adapter", Interface{Name: "slcan0", Kind: "slcan"}, "not a virtual"},
	} {
		got := tt.i.Physical()
		if (got == "") != (tt.want == "") || !strings.Contains(got, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
		plan := virtual()
		plan.Buses[0].Interface = tt.i
		plan.Buses[0].Interface.Up = true
		if session, _ := Judge(plan, Policy{}); (session != nil) != (tt.want == "") {
			t.Errorf("%s: session %v", tt.name, session)
		}
	}
}

// A virtual interface is open, but for what no real bus could carry.
func TestVirtualIsOpen(t *testing.T) {
	plan := virtual()
	plan.Messages[0] = Message{ID: 0x7DF}
	session, refusals := Judge(plan, Policy{})
	if session == nil || session.Phase() != Open || session.Physical() {
		t.Fatalf("refused: %v", refusals)
	}
	plan.Buses[0].Bitrate, plan.Buses[0].PeakLoad = 500_000, 1.01
	if _, refusals := Judge(plan, Policy{}); !slices.Equal(rules(refusals), []string{"bus/too-dense"}) {
		t.Errorf("101 %% of the bus: %v", refusals)
	}
	plan = virtual()
	plan.Buses[0].Interface.Up, plan.Buses[0].FD = false, true
	if _, refusals := Judge(plan, Policy{}); !slices.Equal(rules(refusals), []string{"bus/down", "bus/classic-only"}) {
		t.Errorf("down, and classic only: %v", refusals)
	}
}

func TestRequest(t *testing.T) {
	for _, tt := range []struct {
		payload []byte
		want    byte
	}{
		{[]byte{0x02, 0x10, 0x03, 0, 0, 0, 0, 0}, 0x10},                // session
		{[]byte{0x02, 0x27, 0x01, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC}, 0x27}, // security access, padded
		{[]byte{0x04, 0x2E, 0xF1, 0x90, 0x41}, 0x2E},                   // write
		{[]byte{0x10, 0x14, 0x2E, 0xF1, 0x90, 1, 2, 3}, 0x2E},          // write, first frame
		{[]byte{0x02, 0x01, 0x0C}, 0x01},
		{[]byte{0x02, 0x50, 0x03, 0, 0, 0, 0, 0}, 0},    // an answer
		{[]byte{0x02, 0x10, 0x03, 0, 0, 1, 0, 0}, 0},    // no padding
		{[]byte{0x21, 0x10, 0x03, 0, 0, 0, 0, 0}, 0},    // a consecutive frame
		{[]byte{0x10, 0x05, 0x2E, 0xF1, 0x90, 1, 2}, 0}, // a first frame has 8 bytes
		{[]byte{0x07, 0x10, 0x03}, 0},
		{[]byte{0x01}, 0},
		{nil, 0},
	} {
		if got := Request(tt.payload); got != tt.want {
			t.Errorf("% X: %#x, want %#x", tt.payload, got, tt.want)
		}
	}
}

func TestSplit(t *testing.T) {
	for name, want := range map[string][]string{
		"EngineSpeed":     {"engine", "speed"},
		"ABSBrakeRequest": {"abs", "brake", "request"},
		"TOTAL_DISTANCE":  {"total", "distance"},
		"key2Answer":      {"key", "answer"},
		"BremsDruckÄndern": {
			"brems", "druck", "ändern",
		},
		"": nil,
	} {
		if diff := cmp.Diff(want, split(name)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}
