package rules

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What scan tools write of a code's state: common practice; the last rows are what
// this tool writes of the status byte of ISO 14229-1.
func TestCodeStatus(t *testing.T) {
	for text, want := range map[string]CodeStatus{
		"": "", "lost engine": "", "confirmed": "", "lost engine (stored)": Past, "stored": Past, "invalid data stored": Past,
		"lost engine - history": Past, "lost engine, not active": Past, "lost engine\tIntermittent": Past, "stored code": Past,
		"Stored codes:": Past, "active": Active, "lost engine (Active)": Active, "lost engine  current": Active,
		"stored and active": Active, "pending": Pending, "lost engine | pending": Pending, "stored, pending": Pending,
		// About amperes, storage and activity, not about now.
		"control circuit current high": "", "heater current": "", "purge valve active test": "", "stored value not plausible": "",
		"failed now, failed this drive, confirmed": Active, "failed this drive, confirmed": Past,
		"pending, confirmed, asks for the lamp": Pending, "confirmed, not tested this drive": "",
	} {
		if got := (&Code{Text: text}).Status(); got != want {
			t.Errorf("%q is %q, want %q", text, got, want)
		}
	}
}

// A heading or the words before a code say when its fault was there.
func TestParseCodesState(t *testing.T) {
	list := "TCM\nStored codes:\nU0100 lost engine\nU0121\nActive codes: 1\nP0700\nABS\nU0129\nHistory: IPC U0155 (active)\n"
	codes, err := ParseCodes("list", []byte(list))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range codes {
		got = append(got, strings.Join([]string{c.Module, c.Code, c.Text}, "|"))
	}
	want := []string{"TCM|U0100|lost engine (stored)", "TCM|U0121|stored", "TCM|P0700|active", "ABS|U0129|", "IPC|U0155|(active)"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// The two moments of a reading: what is the same, and what counts as new.
func TestSince(t *testing.T) {
	codes := func(list ...Code) []Code { return list }
	for name, row := range map[string]struct {
		seen        Observed
		codes       string // new/stayed/gone
		lamps       string
		noted, lits bool
	}{
		"nothing taken down": {},
		"only after":         {seen: Observed{Codes: codes(Code{Module: "TCM", Code: "U0100"}), Lamps: []string{"MIL"}}},
		"only before":        {seen: Observed{Before: Earlier{Codes: codes(Code{Module: "TCM", Code: "U0100"}), Lamps: []string{}}}},
		"none either time":   {seen: Observed{Codes: []Code{}, Lamps: []string{}, Before: Earlier{[]Code{}, []string{}}}, codes: "//", lamps: "//", noted: true, lits: true},
		"new and gone": {
			seen: Observed{
				Codes: codes(Code{Module: "TCM", Code: "U0100"}), Lamps: []string{"MIL"},
				Before: Earlier{codes(Code{Module: "ECM", Code: "P0135"}), []string{"oil"}},
			}, codes: "U0100//P0135", lamps: "MIL//oil", noted: true, lits: true,
		},
		"another name of the module and the lamp": {
			seen: Observed{
				Codes: codes(Code{Module: "gearbox", Code: "U0100-87"}), Lamps: []string{"engine"},
				Before: Earlier{codes(Code{Module: "TCM", Code: "U0100"}), []string{"mil"}},
			}, codes: "/U0100-87/", lamps: "/engine/", noted: true, lits: true,
		},
		"two units of a kind": {
			seen: Observed{
				Codes: codes(Code{Module: "body rear", Code: "U0100"}), Lamps: []string{"ABS"},
				Before: Earlier{codes(Code{Module: "body front", Code: "U0100"}), []string{"airbag"}},
			}, codes: "U0100//U0100", lamps: "ABS//airbag", noted: true, lits: true,
		},
		"stored before, active now": {
			seen: Observed{
				Codes:  codes(Code{Module: "TCM", Code: "U0100", Text: "active"}),
				Before: Earlier{Codes: codes(Code{Module: "TCM", Code: "U0100", Text: "stored"})},
			}, codes: "U0100//", noted: true,
		},
		"active before, stored now": {
			seen: Observed{
				Codes:  codes(Code{Module: "TCM", Code: "U0100", Text: "stored"}),
				Before: Earlier{Codes: codes(Code{Module: "TCM", Code: "U0100", Text: "active"})},
			}, codes: "/U0100/", noted: true,
		},
	} {
		t.Run(name, func(t *testing.T) {
			since := row.seen.Since(lowan(t))
			if (since.Codes != nil) != row.noted || (since.Lamps != nil) != row.lits {
				t.Fatalf("codes %v, lamps %v", since.Codes, since.Lamps)
			}
			names := func(list []Code) string {
				var words []string
				for _, c := range list {
					words = append(words, c.Code)
				}
				return strings.Join(words, " ")
			}
			if c := since.Codes; c != nil && names(c.New)+"/"+names(c.Stayed)+"/"+names(c.Gone) != row.codes {
				t.Errorf("codes %+v, want %s", *c, row.codes)
			}
			join := func(list []string) string { return strings.Join(list, " ") }
			if l := since.Lamps; l != nil && join(l.New)+"/"+join(l.Stayed)+"/"+join(l.Gone) != row.lamps {
				t.Errorf("lamps %+v, want %s", *l, row.lamps)
			}
		})
	}
}

// How grave a new code is, what it points at and what it hurts. The faults of the
// captures are made up.
func TestNewCode(t *testing.T) {
	absent := Finding{Rule: "message/absent", Verdict: Fail, Message: "EngineSpeed", Sender: "Engine", NextStep: "compare settings"}
	silent := Finding{Rule: "message/sender-silent", Verdict: Fail, Sender: "Engine", NextStep: "check its plug"}
	slow := Finding{Rule: "message/too-slow", Verdict: Review, Message: "EngineTorque", Sender: "Engine", NextStep: "its rate table"}
	cold := Finding{Rule: "signal/range", Verdict: Review, Message: "EngineTorque", Signal: "ActualTorque", Sender: "Engine"}
	other := Finding{Rule: "message/absent", Verdict: Fail, Message: "VehicleSpeed", Sender: "Stability"}
	for name, row := range map[string]struct {
		code     Code
		found    []Finding
		verdict  Verdict
		message  string
		hurts    string // one of the functions; "" none at all
		only     string // all of the functions
		says     string
		nextStep string
	}{
		"active": {
			code: Code{Module: "TCM", Code: "U0100-87", Text: "active"}, verdict: Fail, message: "EngineTorque", hurts: "gearbox-shifts",
			says: "U0100-87 of TCM is there since the swap: TCM misses the messages of the engine controller (failure type: message missing); of that it waits for EngineTorque (0x0C4 on drive)", nextStep: "on the bus that the unit sits on",
		},
		"explained by the unplugged time": {
			code: Code{Module: "TCM", Code: "U0100"}, verdict: Review, message: "EngineTorque", hurts: "gearbox-shifts",
			says: "Every unit that was awake while no engine computer was plugged in stores it", nextStep: "only what comes back is of now",
		},
		"the same, and the capture shows it": {
			code: Code{Module: "TCM", Code: "U0100", Text: "stored"}, found: []Finding{other, cold, slow, absent}, verdict: Fail, message: "EngineSpeed", hurts: "gearbox-shifts",
			says: "The capture shows why (message/absent on EngineSpeed)", nextStep: "mend what the capture shows (message/absent on EngineSpeed): compare settings; then clear",
		},
		"it hurts only what hangs on what fails": {
			code: Code{Module: "IPC", Code: "U0100"}, found: []Finding{absent}, verdict: Fail, message: "EngineSpeed", only: "tachometer",
		},
		"the whole unit is silent": {
			code: Code{Module: "TCM", Code: "U0100"}, found: []Finding{silent}, verdict: Fail, hurts: "gearbox-shifts",
			says: "The capture shows why (message/sender-silent on Engine)", nextStep: "check its plug",
		},
		"a rate is a likely cause": {
			code: Code{Module: "TCM", Code: "U0401"}, found: []Finding{cold, slow}, verdict: Fail, message: "EngineTorque", hurts: "gearbox-shifts",
			says: "TCM does not believe what it gets from the engine controller", nextStep: "a likely cause (message/too-slow on EngineTorque): its rate table",
		},
		"a value is none, nor another unit's message": {
			code: Code{Module: "TCM", Code: "U0401"}, found: []Finding{cold, other}, verdict: Fail, message: "EngineTorque", hurts: "gearbox-shifts",
			nextStep: "what it waits for is in order",
		},
		"stored": {
			code: Code{Module: "TCM", Code: "U0401", Text: "(stored)"}, verdict: Review, message: "EngineTorque", hurts: "gearbox-shifts",
			says: "The scan tool lists it as stored, not as active", nextStep: "read again",
		},
		"pending": {
			code: Code{Module: "ABS", Code: "U0401", Text: "pending"}, verdict: Review, message: "EngineTorque", hurts: "stability-control",
			says: "It is pending",
		},
		"not about the network, of the new ECU": {
			code: Code{Module: "ECM", Code: "P0135", Text: "heater"}, found: []Finding{absent}, verdict: Fail,
			says: "P0135 of ECM is there since the swap: heater", nextStep: "the new ECU's own list of codes",
		},
		"not about the network, of another unit": {
			code: Code{Module: "IPC", Code: "B1234"}, verdict: Fail, nextStep: "the list of codes of that unit",
		},
		"a unit that nobody names": {
			code: Code{Code: "U0401"}, verdict: Fail, says: "U0401 of a unit that the list does not name", nextStep: "see the findings about these units",
		},
		"a unit that the car does not have": {
			code: Code{Module: "radio", Code: "U0100"}, verdict: Review, says: "radio misses the messages of the engine controller",
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := lowan(t)
			f := NewCode(row.code, s, row.found)
			if f.Verdict != row.verdict || f.Message != row.message || f.Rule != "listener/new-code" {
				t.Errorf("%v on %q by %s, want %v on %q", f.Verdict, f.Message, f.Rule, row.verdict, row.message)
			}
			if f.HasID != (row.message != "") || f.HasID && s.Message(f.Message).ID != f.ID {
				t.Errorf("identifier %v, %v", f.HasID, f.ID)
			}
			if all := strings.Join(f.Functions, " "); row.only != "" {
				if all != row.only {
					t.Errorf("hurts %q, want %q", all, row.only)
				}
			} else if f.Functions == nil || (all == "") != (row.hurts == "") || !strings.Contains(all, row.hurts) {
				t.Errorf("hurts %q, want %q", all, row.hurts)
			}
			if !strings.Contains(f.Text, row.says) || !strings.Contains(f.NextStep, row.nextStep) || f.NextStep == "" {
				t.Errorf("says %q\nnext %q", f.Text, f.NextStep)
			}
			if f.Code == nil || f.Code.Code != row.code {
				t.Errorf("about %+v", f.Code)
			}
		})
	}
	// Without a setting the code still tells whom it misses.
	if f := NewCode(Code{Module: "TCM", Code: "U0100"}, nil, nil); f.Verdict != Review || f.Listener != "" || len(f.Functions) != 0 {
		t.Errorf("without a setting: %+v", f)
	}
	if f := NewCode(Code{Module: "TCM", Code: "U0101"}, nil, nil); f.Verdict != Fail {
		t.Errorf("without a setting: %+v", f)
	}
}

func TestNewLamp(t *testing.T) {
	s := lowan(t)
	f := NewLamp("MIL", s, nil)
	if f.Verdict != Fail || f.Listener != "Cluster" || f.Message != "EngineLamps" || len(f.Functions) == 0 || !strings.Contains(f.NextStep, "codes") {
		t.Errorf("%+v", f)
	}
	cause := Finding{Rule: "signal/lamp-lit", Verdict: Fail, Message: f.Message, Signal: f.Signal, NextStep: "read its codes"}
	if f := NewLamp("MIL", s, []Finding{{Rule: "message/absent", Verdict: Fail, Message: "EngineFuel"}, cause}); !strings.Contains(f.Text, "signal/lamp-lit") || !strings.Contains(f.NextStep, "read its codes") {
		t.Errorf("%+v", f)
	}
	for _, lamp := range []string{"seat belt", ""} {
		if f := NewLamp(lamp, s, []Finding{cause}); f.Verdict != Fail || len(f.Functions) != 0 || f.Message != "" {
			t.Errorf("%q: %+v", lamp, f)
		}
	}
	if f := NewLamp("MIL", nil, []Finding{cause}); f.Verdict != Fail || f.Message != "" || f.Functions == nil {
		t.Errorf("without a setting: %+v", f)
	}
}
