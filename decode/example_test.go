package decode_test

import (
	"fmt"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

const exampleDBC = `VERSION ""
BO_ 513 EngineData: 8 ENGINE
 SG_ EngineSpeed : 7|16@0+ (0.25,0) [0|0] "rpm" CLUSTER
 SG_ Gear : 16|4@1+ (1,0) [0|0] "" CLUSTER
VAL_ 513 Gear 0 "neutral" 1 "first" ;
`

func Example() {
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("example.dbc", []byte(exampleDBC))}})
	frame := can.Frame{ID: 513}
	frame.SetPayload([]byte{0x0C, 0xB2, 0x01, 0, 0, 0, 0, 0})

	message := dec.Bus("can0").Lookup(&frame)
	values, _ := message.Decode(&frame, nil)
	for _, v := range values {
		fmt.Printf("%s %v %s %q\n", v.Signal.Def.Name, v.Phys, v.Signal.Def.Unit, v.Label())
	}
	// Output:
	// EngineSpeed 812.5 rpm ""
	// Gear 1  "first"
}

func ExampleMessage_Encode() {
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("example.dbc", []byte(exampleDBC))}})
	message := dec.Bus("can0").Message("EngineData")

	var frame can.Frame
	err := message.Encode(&frame, map[string]float64{"EngineSpeed": 812.5, "Gear": 1})
	fmt.Printf("%03X % X %v\n", frame.ID, frame.Payload(), err)

	err = message.Encode(&frame, map[string]float64{"Gear": 16})
	fmt.Println(err)
	// Output:
	// 201 0C B2 01 00 00 00 00 00 <nil>
	// message EngineData: Gear: 16 does not fit: its bits hold 0 to 15
}
