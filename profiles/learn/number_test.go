package learn

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"plugproof/decode/carnumber"
	"plugproof/profiles/demo"
	"plugproof/profiles/stages"
)

// vin is invented, in the form of ISO 3779.
const vin = "0AW77Z1R3BHKZ4XW9"

// pages are payloads that show the number in turn.
func pages(texts ...string) func(int) []byte {
	return func(i int) []byte {
		return append([]byte{byte(i % len(texts))}, texts[i%len(texts)]...)
	}
}

// TestNumberIsNotLearned: a car's number that stands as text in one message, in the
// pages of another, or in the answer of a module, is no constant of the profile;
// what stands beside it is.
func TestNumberIsNotLearned(t *testing.T) {
	l := learnFrom(t, record(t, "good.log", slices.Concat(
		cyclic(0x100, 0, 10, 400, counting),
		cyclic(0x5F0, 3, 100, 40, pages(vin[:7], vin[7:14], vin[14:]+"\x00\x00\x00\x00")),
		cyclic(0x5F1, 5, 100, 40, still(append([]byte{0x07}, vin[:7]...)...)),
		cyclic(0x5F2, 7, 100, 40, still(0x41, 0x42, 0x43, 0x44, 0x45, 0x00, 0x46, 0x47)), // five in a row are none
		cyclic(0x7E8, 9, 100, 42, func(i int) []byte {
			return append([]byte{"\x10\x21\x22"[i%3]}, []string{"\x14\x62\xF1\x90" + vin[:3], vin[3:10], vin[10:]}[i%3]...)
		}),
	)))
	stood := map[string]uint64{}
	for name, m := range l.Profile.Messages {
		stood[name] = m.Still.Stood
	}
	if stood["id_5F0"] != 0 || stood["id_5F1"] != 0 || stood["id_7E8"] != 0 || stood["id_5F2"] != ^uint64(0) || stood["id_100"] == 0 {
		t.Errorf("bits that stand: %x", stood)
	}
	if !strings.Contains(string(l.YAML), "bits that may be the number of the car are left out") {
		t.Error("the profile does not say that bits are left out")
	}
	shows(t, string(l.YAML))
}

// shows fails where a text shows four bytes of the number in a row as bits.
func shows(t *testing.T, text string) {
	t.Helper()
	for i := range len(vin) - 4 {
		var bits []string
		for _, c := range []byte(vin[i : i+4]) {
			bits = append(bits, fmt.Sprintf("%08b", c))
		}
		if strings.Contains(text, strings.Join(bits, " ")) {
			t.Errorf("the profile shows %q", vin[i:i+4])
		}
	}
}

// TestNamedNumberIsNotLearned: of the demo car, whose DBC files name its number,
// neither bits nor ranges of it are learned.
func TestNamedNumberIsNotLearned(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	l, err := Learn(t.Context(), Options{
		Captures: []string{lowan(t, "good.log", car, demo.Options{Seed: 3})}, DBC: lowanDBC(t, car),
		Stages: stages.Spans{{Stage: "idle", Start: 0, End: 1 << 62}},
	})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for name, m := range l.Profile.Messages {
		facts := l.Setting.Message(name)
		if facts == nil || facts.Def == nil {
			continue
		}
		for _, sig := range facts.Def.Signals {
			if !carnumber.Named(sig.Name) {
				continue
			}
			seen++
			if m.Signals[sig.Name] != nil {
				t.Errorf("%s.%s has ranges", name, sig.Name)
			}
			if mask := namedBits(facts.Def); mask == 0 || mask&m.Still.Stood != 0 {
				t.Errorf("%s.%s: bits of it stand: %x of %x", name, sig.Name, m.Still.Stood, mask)
			}
		}
	}
	if seen < 2 {
		t.Errorf("%d signals are a number", seen)
	}
}
