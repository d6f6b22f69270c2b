package rules

import (
	"strings"
	"testing"
)

// U0100: lost the engine controller; SAE J2012 by python-OBD, codes.py.
func TestExplain(t *testing.T) {
	s := lowan(t)
	e := Explain(Code{Module: "TCM", Code: "U0100-87"}, s)
	if e.Missed != "Engine" || e.Listener != "Gearbox" {
		t.Errorf("missed %q, stored by %q", e.Missed, e.Listener)
	}
	var names []string
	for _, a := range e.Awaits {
		names = append(names, a.Message)
		if m := s.Message(a.Message); m.Sender != "Engine" || m.ID != a.ID || m.Bus != a.Bus {
			t.Errorf("%+v is not a message of the engine", a)
		}
	}
	if !strings.Contains(strings.Join(names, " "), "EngineTorque") {
		t.Errorf("the gearbox awaits %v", names)
	}
	if e := Explain(Code{Module: "radio", Code: "U0100"}, s); len(e.Awaits) != 0 || e.Means == "" {
		t.Errorf("a unit that the car does not have: %+v", e)
	}
	if e := Explain(Code{Module: "ECM", Code: "P0135"}, s); e.Means != "" || len(e.Awaits) != 0 {
		t.Errorf("no network code: %+v", e)
	}
	if e := Explain(Code{Module: "TCM", Code: "U0100"}, nil); e.Means == "" || e.Missed != "" {
		t.Errorf("without a setting: %+v", e)
	}
}

func TestCompareCodes(t *testing.T) {
	before := []Code{{Module: "ABS", Code: "U0121"}, {Module: "TCM", Code: "P0700"}}
	after := []Code{{Module: "abs", Code: "U0121-87", Text: "lost"}, {Module: "TCM", Code: "U0100"}, {Module: "ECM", Code: "P0700"}}
	change := CompareCodes(before, after)
	list := func(codes []Code) string {
		var words []string
		for _, c := range codes {
			words = append(words, c.Module+" "+c.Code)
		}
		return strings.Join(words, ", ")
	}
	if n, g, s := list(change.New), list(change.Gone), list(change.Stayed); n != "TCM U0100, ECM P0700" || g != "TCM P0700" || s != "abs U0121-87" {
		t.Errorf("new %s; gone %s; stayed %s", n, g, s)
	}
}

// What FormatCodes writes, ParseCodes reads.
func TestFormatCodes(t *testing.T) {
	for _, codes := range [][]Code{
		nil,
		{{Module: "TCM", Code: "U0100-87", Text: "lost engine"}, {Module: "at 0x7E0", Code: "P0135"}, {Code: "B0001", Text: "stored"}},
	} {
		got, err := ParseCodes("list", []byte(FormatCodes(codes)))
		if err != nil || len(got) != len(codes) {
			t.Fatalf("%v, %v", got, err)
		}
		for i, c := range codes {
			c.Line = i + 1
			if got[i] != c {
				t.Errorf("%+v came back as %+v", c, got[i])
			}
		}
	}
}
