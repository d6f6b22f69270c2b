package library_test

import (
	"strings"
	"testing"

	"plugproof/profiles"
)

// TestDemands: what two settings ask of the units differently is what their parts
// say, and nothing differs between a setting and itself.
func TestDemands(t *testing.T) {
	manual, auto, turbo := setting(t, "lowan-1-20-m5"), setting(t, "lowan-1-20-a5"), setting(t, "lowan-1-20t-a5")
	if list := profiles.Demands(auto, auto); len(list) != 0 {
		t.Errorf("a setting differs from itself: %+v", list)
	}
	for _, row := range []struct {
		name string
		a, b *profiles.Setting
		want []string // what, and a piece of what the first and the second say
	}{
		{"gearbox", manual, auto, []string{
			"automatic gearbox|none|Gearbox",
			"bound demand|recording|IsRequestActive",
			"dialogue torque-cut|none|ReductionAnswer is [1 2] within 100ms",
			"need GearboxStatus|none|no start permit",
			"permit start|the clutch is not pressed|the lever is not in park or neutral",
		}},
		{"engine", auto, turbo, []string{"bound reference|214.5|374"}},
	} {
		list := profiles.Demands(row.a, row.b)
		for _, want := range row.want {
			parts := strings.Split(want, "|")
			found := false
			for _, d := range list {
				found = found || d.What == parts[0] && strings.Contains(d.A, parts[1]) && strings.Contains(d.B, parts[2])
			}
			if !found {
				t.Errorf("%s: no %q in %+v", row.name, want, list)
			}
		}
		for _, d := range list {
			if row.name == "engine" && !strings.HasPrefix(d.What, "bound ") {
				t.Errorf("two engines differ in %s: %s, %s", d.What, d.A, d.B)
			}
		}
	}
}
