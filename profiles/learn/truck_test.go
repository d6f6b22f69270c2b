package learn

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/witness"
)

// truck returns lines from up to to (0: the end) of a heavy truck's log (github
// yabskbd/remora_ctrl_proto), numbered from 1, as a capture of its own.
func truck(t testing.TB, from, to int) string {
	t.Helper()
	src, err := os.ReadFile(filepath.Join(witness.PublicData(t), "captures", "truck-j1939", "mixed.log"))
	if err != nil {
		t.Fatal(err)
	}
	all := bytes.SplitAfter(src, []byte("\n"))
	if to == 0 {
		to = len(all)
	}
	path := filepath.Join(t.TempDir(), fmt.Sprintf("truck-%d.log", from))
	if err := os.WriteFile(path, bytes.Join(all[from-1:to], nil), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func learnTruck(t testing.TB, paths ...string) *Learned {
	t.Helper()
	l, err := Learn(t.Context(), Options{
		Name: "truck", Captures: paths,
		DBC: []DBC{dbcFile(t, filepath.Join(witness.PublicData(t), "captures", "truck-j1939", "remora.dbc"))},
	})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The log is three recordings joined: 354 s, then 97 s, then 73 s; the clock jumps
// by 2,624.6 s and 114.7 s between them (awk over the stamps). In the first, the
// messages of address 00 come for 53.7 s; 0x18FEF721 and 0x18FEFA0B end after 15 s.
const (
	firstPart  = 17770 // lines
	secondPart = 18785
)

// A log whose clock jumps teaches nothing, until it is cut there.
func TestTruckIsRefused(t *testing.T) {
	_, err := Learn(t.Context(), Options{Captures: []string{truck(t, 1, 0)}})
	unfit, ok := errors.AsType[*Unfit](err)
	if !ok || len(unfit.Findings) != 1 || unfit.Findings[0].Count != 2 {
		t.Fatalf("got %v, want that the clock jumps twice", err)
	}
	for _, part := range []string{"capture/clock-jump", "43m44.6s", "truck-1.log:17771"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%v: does not name %s", err, part)
		}
	}
}

// Its first minutes: who sends is known by J1939 addresses, and what came for a
// part of the time is known for that.
func TestTruck(t *testing.T) {
	l := learnTruck(t, truck(t, 1, firstPart))
	sameProfile(t, l, dbcFile(t, filepath.Join(witness.PublicData(t), "captures", "truck-j1939", "remora.dbc")))
	count := map[string]int{}
	for _, m := range l.Profile.Messages {
		count[m.Sender]++
	}
	// 19 identifiers of address 00, 3 of 21, 1 of 0B (cut, sort and uniq over the
	// log); two messages of the DBC file never came.
	if diff := cmp.Diff(map[string]int{"Address00": 19, "Address21": 3, "Address0B": 1, "": 2}, count); diff != "" {
		t.Errorf("messages by sender (-want +learned):\n%s", diff)
	}
	for name, m := range l.Profile.Messages {
		partly := name == "id_18FEF721x" || name == "id_18FEFA0Bx" || m.Sender == ""
		if m.Option != partly {
			t.Errorf("%s: option %v, want %v", name, m.Option, partly)
		}
	}
	if got := strings.Join(l.Remarks, "\n"); !strings.Contains(got, "0x18FEF721 on can1 was sent for a part of the time only, from 0.052 s to 15.053 s") {
		t.Errorf("remarks:\n%s", got)
	}
}

// The later minutes and the whole log by the first minutes: every finding is true.
func TestTruckLater(t *testing.T) {
	l := learnTruck(t, truck(t, 1, firstPart))
	for _, row := range []struct {
		name string
		path string
		want string
	}{
		{"the first minutes themselves", truck(t, 1, firstPart), ""},
		// The engine's controller says nothing any more, the unit with address 21 goes on.
		{"the second recording", truck(t, firstPart+1, secondPart), "fail message/sender-silent Address00"},
		{"the third recording", truck(t, secondPart+1, 0), "fail message/sender-silent Address00"},
		{"the whole log", truck(t, 1, 0), "review capture/clock-jump"}, // and nothing is said about the rest
	} {
		res := judge(t, l.Setting, nil, row.path)
		if diff := cmp.Diff(row.want, lines(res.Findings)); diff != "" {
			t.Errorf("%s (-want +found):\n%s", row.name, diff)
		}
		for _, f := range res.Findings {
			if f.Rule == "capture/clock-jump" && (f.Count != 2 || f.Measured.Value < 2624 || f.Measured.Value > 2625 || f.Example.Record != firstPart+1) {
				t.Errorf("%s: %+v, want two jumps, the first of 2,624.6 s at line %d", row.name, f, firstPart+1)
			}
		}
	}
}

// By its first 14 seconds, in which they come all the time, the two identifiers
// that end at 15 s are missed in the minutes that follow, for what they are: one
// message of a unit that goes on, and a unit that falls silent.
func TestTruckStops(t *testing.T) {
	l := learnTruck(t, truck(t, 1, 3964)) // 14.0 s
	var got []string
	for _, f := range judge(t, l.Setting, nil, truck(t, 1, firstPart)).Findings {
		got = append(got, f.Verdict.String()+" "+f.Rule+": "+f.Text)
	}
	want := []string{
		"fail message/sender-silent: Address0B fell silent 15.1s into the capture, with all of its messages (1), while other units went on",
		"fail message/absent: id_18FEF721x (0x18FEF721 on can1) came 16 times within 15s, and then no more, while 1 other messages of Address21 come",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +found):\n%s", diff)
	}
}
