package learn

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// busAtKeyOff is 20 s of a bus whose key is turned off at 15 s: the engine
// computer's messages end then, 0x300 goes on for 2 s and 0x310 for a moment, and
// the others to the end.
func busAtKeyOff() []can.Frame {
	return slices.Concat(
		cyclic(0x100, 0, 10, 1500, counting), cyclic(0x110, 2, 20, 750, counting), cyclic(0x120, 4, 20, 750, counting),
		cyclic(0x300, 6, 20, 850, counting), cyclic(0x310, 8, 20, 750+12, counting), // 240 ms
		cyclic(0x400, 10, 20, 750, counting), cyclic(0x410, 12, 20, 750, counting), cyclic(0x420, 14, 20, 750, counting),
		cyclic(0x200, 16, 20, 1000, counting), cyclic(0x500, 18, 9000, 3, counting),
	)
}

// Who is gone, who gave up and who goes on without the engine computer, from two
// captures and no names.
func TestUnits(t *testing.T) {
	without := slices.Concat(
		cyclic(0x200, 0, 20, 500, counting), // 10 s
		cyclic(0x400, 2, 20, 100, counting), // for 2 s: it waited, and gave up
		cyclic(0x410, 4, 20, 300, counting), // for 6 s, more than half: perhaps key-off
		cyclic(0x420, 6, 20, 450, counting), // for 9 s: too short a silence to tell
	)
	l, err := Learn(t.Context(), Options{
		Captures:  []string{record(t, "good.log", busAtKeyOff())},
		Unplugged: []string{record(t, "without.log", without)},
	})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for name, m := range l.Profile.Messages {
		got[name] = m.Sender
	}
	want := map[string]string{
		"id_100": ecuNode, "id_110": ecuNode, "id_120": ecuNode,
		"id_300": hangingNode, // it outlived the others at key-off: another unit
		"id_310": ecuNode,     // within 300 ms and a cycle: the same unit
		"id_400": hangingNode, // fell silent without the engine computer
		"id_410": restNode, "id_420": restNode, "id_200": restNode,
		"id_500": "", // too slow to tell
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("senders (-want +learned):\n%s", diff)
	}
	for _, text := range []string{
		"gone with the engine computer unplugged, but it goes on after the others that are",
		"falls silent with the engine computer unplugged, but was sent at first",
		"whether it is gone with the engine computer unplugged cannot be told",
	} {
		if !strings.Contains(string(l.YAML), text) {
			t.Errorf("the profile does not say %q", text)
		}
	}
	if n := l.Profile.Nodes[hangingNode]; n == nil || n.HangsOn != ecuNode || !n.Several {
		t.Errorf("%s is %+v, want several units that hang on %s", hangingNode, n, ecuNode)
	}
}
