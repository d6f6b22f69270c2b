package profiles_test

import (
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/library"
)

// TestDuties: every message of the replaced unit that the setting has, once, with
// what the setting states of it, and no other.
func TestDuties(t *testing.T) {
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]*profiles.MessageFacts{}
	for _, m := range s.Messages {
		if m.Sender == "Engine" && m.Expected {
			want[m.Name] = m
		}
	}
	duties := s.Duties()
	if len(duties) != len(want) || len(duties) == 0 {
		t.Errorf("%d duties, want %d", len(duties), len(want))
	}
	for _, d := range duties {
		m := want[d.Message]
		if m == nil {
			t.Errorf("%s is none of the engine's messages", d.Message)
			continue
		}
		if d.ID != m.ID.String() || d.Bus != m.Bus || d.Length != m.Length.Value || d.CycleMS != float64(m.Cycle.Value)/1e6 ||
			len(d.Listeners) != len(m.Listeners) || len(d.Signals) != len(m.Def.Signals) {
			t.Errorf("%+v", d)
		}
		guards := 0
		for _, there := range []bool{m.Own.Counter != nil, m.Own.Checksum != nil, m.Own.Parity != nil, m.Own.EndToEnd != nil} {
			if there {
				guards++
			}
		}
		if len(d.Protections) != guards {
			t.Errorf("%s is guarded by %v", d.Message, d.Protections)
		}
	}
}
