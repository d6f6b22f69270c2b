package dbc

import (
	"testing"
	"time"
)

// TestParseBasics reads one small file with every common statement.
func TestParseBasics(t *testing.T) {
	db := Parse("basics.dbc", []byte(`VERSION "1.0"
NS_ :
	CM_
	BA_DEF_
BS_:
BU_: ENGINE CLUSTER
BO_ 513 Engine: 8 ENGINE
 SG_ Speed : 7|16@0+ (0.25,0) [0|16383.75] "rpm" CLUSTER,Vector__XXX
 SG_ Page M : 16|2@1+ (1,0) [0|3] "" CLUSTER
 SG_ Coolant m1 : 24|8@1+ (1,-40) [-40|215] "degC" CLUSTER
CM_ SG_ 513 Speed "crankshaft";
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 513 20;
VAL_ 513 Page 1 "temperatures" 0 "none";
`))
	for _, d := range db.Diagnostics {
		t.Errorf("unexpected: %s", d)
	}
	if len(db.Messages) != 1 || len(db.Messages[0].Signals) != 3 || len(db.Nodes) != 2 {
		t.Fatalf("got %d messages, %d nodes", len(db.Messages), len(db.Nodes))
	}
	m := db.Messages[0]
	speed, page, coolant := m.Signals[0], m.Signals[1], m.Signals[2]
	if m.CycleTime != 20*time.Millisecond || speed.Comment != "crankshaft" || len(speed.Receivers) != 1 {
		t.Errorf("got cycle %v, comment %q, receivers %q", m.CycleTime, speed.Comment, speed.Receivers)
	}
	if !page.Multiplexer || coolant.Switch != page || coolant.Pages[0] != (MuxRange{1, 1}) {
		t.Errorf("got multiplexer %v, switch %v, pages %v", page.Multiplexer, coolant.Switch, coolant.Pages)
	}
	if len(page.Values) != 2 || page.Values[1] != (ValueText{1, "temperatures"}) {
		t.Errorf("got values %v", page.Values)
	}
}
