package dbc_test

import (
	"fmt"

	"plugproof/decode/dbc"
)

func ExampleParse() {
	db := dbc.Parse("drive.dbc", []byte(`BO_ 513 Engine: 8 ENGINE
 SG_ Speed : 7|16@0+ (0.25,0) [0|16383.75] "rpm" CLUSTER
 SG_ Coolant : 16|8@1 (1,-40) [-40|215] "degC" CLUSTER
VAL_ 513 Speed 65535 "not available";
`))
	for _, m := range db.Messages {
		for _, s := range m.Signals {
			fmt.Printf("%#x %s.%s in %s, %d named values\n", m.ID, m.Name, s.Name, s.Unit, len(s.Values))
		}
	}
	for _, d := range db.Diagnostics {
		fmt.Println(d)
	}
	fmt.Printf("%+v\n", db.Account())
	// Output:
	// 0x201 Engine.Speed in rpm, 1 named values
	// drive.dbc:3:23: error: expected the sign, + or -, found "(1,-40) [-40|215] \"degC\" CLUSTER" (SG_ name : start|length@order sign (factor,offset) [min|max] "unit" receiver)
	// {Blank:0 Understood:3 SetAside:1}
}

func ExampleLint() {
	db := dbc.Parse("drive.dbc", []byte(`BS_:
BU_: ENGINE CLUSTER
BO_ 513 Engine: 3 ENGINE
 SG_ Speed : 7|16@0+ (0.25,0) [0|16383.75] "rpm" CLUSTER
 SG_ Gear : 12|4@1+ (1,0) [0|15] "" CLUSTER
 SG_ Coolant : 20|8@1+ (1,-40) [-40|215] "degC" CLUSTER
`))
	for _, d := range dbc.Lint(db) {
		fmt.Println(d)
	}
	// Output:
	// drive.dbc:5:2: warning: "Gear" shares bits with "Speed" (line 4)
	// drive.dbc:6:2: error: "Coolant" needs 4 bytes, but "Engine" has 3 (correct its start or length, or the message's length)
}
