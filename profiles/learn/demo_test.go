package learn

import (
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

var demoOptions = demo.Options{Seed: 1}

var theLowan = demo.Setting{Series: 2, Engine: demo.TwoLitreTurbo, Gearbox: demo.Auto5}

// lowanPair makes a good capture of the demo car and one without its engine
// controller.
func lowanPair(t testing.TB) (good, without string) {
	script, err := demo.Cut(demo.Script(0, theLowan), "asleep", "key-on", "pedal", "brake", "lever", "key-off")
	if err != nil {
		t.Fatal(err)
	}
	return lowan(t, "good.log", theLowan, demo.Options{Seed: 1}),
		lowan(t, "without.log", theLowan, demo.Options{Seed: 3, Without: []string{"Engine"}, Script: script})
}

func lowanSetting(t testing.TB) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load(theLowan.String())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Without any DBC file, the pair of captures tells the engine controller's
// messages from the rest: just those, of all that come at a pace.
func TestLowanUnplugged(t *testing.T) {
	good, without := lowanPair(t)
	l, err := Learn(t.Context(), Options{Captures: []string{good}, Unplugged: []string{without}})
	if err != nil {
		t.Fatal(err)
	}
	sameProfile(t, l)
	want, got := map[string]string{}, map[string]string{}
	for _, m := range lowanSetting(t).Messages {
		learned := l.Profile.Messages[idName(m.ID)]
		if learned == nil || learned.Kind == "" {
			continue
		}
		want[m.Name], got[m.Name] = "Car", learned.Sender
		if m.Sender == "Engine" {
			want[m.Name] = "ECU"
		}
	}
	if len(want) < 30 {
		t.Errorf("%d messages compared, want all that come at a pace", len(want))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("senders (-truth +learned):\n%s", diff)
	}
}

// What is learned without any DBC file is the law, not just what fits the frames
// that were seen: it holds on frames with other content as well.
func TestLowanProtection(t *testing.T) {
	good, _ := lowanPair(t)
	l := learnFrom(t, good)
	compared := 0
	for _, m := range lowanSetting(t).Messages {
		truth, err := m.Protection()
		learned := l.Setting.Message(idName(m.ID))
		if err != nil || learned == nil || learned.Kind == "" || len(truth.Checksums) == 0 {
			continue
		}
		compared++
		sender, err := truth.Compile()
		if err != nil {
			t.Fatal(err)
		}
		protection, err := learned.Protection()
		if err != nil {
			t.Fatal(err)
		}
		receiver, err := protection.Compile()
		if err != nil {
			t.Fatal(err)
		}
		if len(protection.Checksums) == 0 {
			t.Errorf("%s: no checksum was learned; it has %+v", m.Name, truth.Checksums)
		}
		rng := rand.New(rand.NewPCG(1, uint64(m.ID.Value)))
		var last *can.Frame
		for range 200 {
			f := &can.Frame{ID: m.ID.Value}
			var b [8]byte
			binary.LittleEndian.PutUint64(b[:], rng.Uint64())
			f.SetPayload(b[:m.Length.Value])
			if err := sender.Fill(last, f); err != nil {
				t.Fatal(err)
			}
			if faults := receiver.Verify(last, f, 1); faults != 0 {
				t.Errorf("%s: % X: %v; learned %+v, truth %+v", m.Name, f.Payload(), faults, protection, truth)
				break
			}
			last = f
		}
	}
	if compared < 10 {
		t.Errorf("%d messages compared, want all with a checksum", compared)
	}
}

// Learned with its DBC files, the demo car passes its own profile and another
// good drive does as well.
func TestLowanWithDefinitions(t *testing.T) {
	good, without := lowanPair(t)
	dbcs := lowanDBC(t, theLowan)
	l, err := Learn(t.Context(), Options{Captures: []string{good}, Unplugged: []string{without}, DBC: dbcs})
	if err != nil {
		t.Fatal(err)
	}
	sameProfile(t, l, dbcs...)
	if l.Profile.Replaced != "Engine" {
		t.Errorf("replaced %q, want Engine, as the DBC file names it", l.Profile.Replaced)
	}
	other := lowan(t, "other.log", theLowan, demo.Options{Seed: 7})
	for _, path := range []string{good, other} {
		if res := judge(t, l.Setting, l.Evidence, path); lines(res.Findings) != "" {
			t.Errorf("%s:\n%s", path, lines(res.Findings))
		}
	}
	dead := lowan(t, "dead.log", theLowan, demo.Options{Seed: 8, Without: []string{"EngineSpeed"}})
	t.Log(lines(judge(t, l.Setting, l.Evidence, dead).Findings))
}
