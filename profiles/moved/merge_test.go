package moved

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plugproof/decode/dbc"
	"plugproof/profiles/demo"
)

// Any number of workers finds the same.
func TestWorkers(t *testing.T) {
	s := demo.Setting{Series: 2, Engine: demo.TwoLitreTurbo, Gearbox: demo.Auto5}
	path, spans := record(t, s, demo.Options{Seed: 4})
	var one *Result
	for _, workers := range []int{1, 2, 5} {
		res, err := Find(t.Context(), Options{Captures: []string{path}, Moved: "pedal", Stages: spans, Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if one == nil {
			one = res
		}
		if diff := cmp.Diff(one, res, cmpopts.IgnoreUnexported(Proposal{})); diff != "" {
			t.Errorf("%d workers: %s", workers, diff)
		}
	}
}

// A number that moves slowly is found with its start, length, byte order and sign.
func TestKnownFields(t *testing.T) {
	for _, want := range []Field{
		{0, 8, dbc.Intel, false},
		{12, 12, dbc.Intel, false},
		{16, 16, dbc.Intel, false},
		{7, 16, dbc.Motorola, false},
		{23, 12, dbc.Motorola, false},
		{8, 12, dbc.Intel, true},
		{23, 16, dbc.Motorola, true},
	} {
		path := filepath.Join(t.TempDir(), "x.log")
		var log []byte
		bits := want.bits()
		size := 1 << want.Length
		rng := rand.New(rand.NewPCG(1, 2))
		for i := range 36000 {
			at := float64(i) / 100 // s
			x := 0.0
			if at >= 120 && at < 240 { // three strokes of 40 s, by a hand that trembles
				in := at + 0.01*rng.Float64() - 120
				x = min(1, max(0, 1.2-2.4*math.Abs(in-40*float64(int(in/40))-20)/40))
			}
			value := int(x * float64(size-1))
			if want.Signed {
				value = int(x*float64(size-1)/2) - int(x*200/float64(size)) // from 0 up
				if at >= 160 && at < 200 {
					value = -value
				}
			}
			var data [8]byte
			for k, bit := range bits {
				data[bit/8] |= byte(value>>(want.Length-1-k)&1) << (bit % 8)
			}
			log = fmt.Appendf(log, "(%.6f) can0 123#%X\n", 1000+at, data)
		}
		if err := os.WriteFile(path, log, 0o666); err != nil {
			t.Fatal(err)
		}
		res, err := Find(t.Context(), Options{Captures: []string{path}, Moved: "pedal", When: []Span{{1120e9, 1240e9}}, Strokes: 3})
		if err != nil {
			t.Fatal(err)
		}
		if len(res.Proposals) == 0 || res.Proposals[0].Field != want || !res.Told {
			t.Errorf("%v: %+v %v", want, res.Proposals, res.Record)
		}
	}
}

// Whatever a DBC file holds, a line goes in whole, or nothing does.
func FuzzMergeDBC(f *testing.F) {
	for _, seed := range []string{
		"", "\n", "BO_", "BU_: A\n\nBO_ 5 M: 8 A\n SG_ T : 0|8@1+ (1,0) [0|255] \"\xb0C\" A\n", "BO_ 5 M: 1 A\r\n", "CM_ \"open\n\n",
		"BO_ 2147483653 M: 64 A\n SG_ Pedal : 7|8@0+ (1,0) [0|0] \"\" A", "\xff\xfeV\x00",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		n := proposal(5, Field{0, 8, dbc.Intel, false})
		got, err := MergeDBC("x.dbc", src, []Named{n})
		if err != nil {
			if got != nil {
				t.Error("an error and a file")
			}
			return
		}
		if len(got) < len(src)+len(n.SignalLine()) {
			t.Errorf("%d bytes became %d", len(src), len(got))
		}
	})
}
