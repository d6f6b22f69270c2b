package decode_test

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/decode/witness"
)

// publicDecoder compiles a DBC file of the public data.
func publicDecoder(t *testing.T, file string) *decode.Decoder {
	t.Helper()
	src, err := os.ReadFile(filepath.Join(witness.PublicData(t), filepath.FromSlash(file)))
	if err != nil {
		t.Fatal(err)
	}
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse(file, src)}})
	return dec
}

// TestPublishedValues decodes frames by the DBC files they were published with:
// tests/test_database.py and tests/files/dbc of github cantools/cantools at
// c1dcd396. Signals come in the order of the file. The values are built into a
// frame again, which must be the same where signals are.
func TestPublishedValues(t *testing.T) {
	tests := []struct{ file, message, data, want string }{
		{"motohawk", "ExampleMessage", "C006E00000000000", "Temperature=250.55 AverageRadius=3.2 Enable=1"},
		{"motohawk", "ExampleMessage", "0100200000000000", "Temperature=229.53 AverageRadius=0 Enable=0"},
		{"padding_bit_order", "MSG0", "82C9000002C90000", "A=713 B=1 C=713 D=0"},
		{"padding_bit_order", "MSG1", "9305000092050000", "E=1 F=713 G=0 H=713"},
		{"padding_bit_order", "MSG2", "2103000000000000", "I=1 J=2 K=3"},
		{"padding_bit_order", "MSG3", "0123456789ABCDEF", "L=0x0123456789ABCDEF"},
		{"padding_bit_order", "MSG4", "EFCDAB8967452301", "M=0x0123456789ABCDEF"},
		{"signed", "Message378910", "B0B44A55870181F7", "s3big=-4 s3=1 s10big=-253 s8big=90 s7big=-9 s9=165 s8=-43 s7=-40"},
		{"signed", "Message33big", "FFFFFFFD80000000", "s33big=-5"},
		{"signed", "Message33", "FBFFFFFF01000000", "s33=-5"},
		{"foobar", "Fum", "0950000000", "Fum=9 Fam=5"},
		{"floating_point", "Message1", "75931804562E60C0", "Signal1=-129.448"},
		{"floating_point", "Message2", "0080014324B29649", "Signal2=1234500.5 Signal1=129.5"},
		{"socialledge", "SENSOR_SONARS", "100014E001282003", "SENSOR_SONARS_mux=0 SENSOR_SONARS_err_count=1 " +
			"SENSOR_SONARS_left=2 SENSOR_SONARS_middle=3 SENSOR_SONARS_right=4 SENSOR_SONARS_rear=5"},
		{"socialledge", "SENSOR_SONARS", "21001E800232C003", "SENSOR_SONARS_mux=1 SENSOR_SONARS_err_count=2 " +
			"SENSOR_SONARS_no_filt_left=3 SENSOR_SONARS_no_filt_middle=4 SENSOR_SONARS_no_filt_right=5 SENSOR_SONARS_no_filt_rear=6"},
		{"multiplex_2", "Extended", "2010270001210000", "S7=33 S6=1 S4=10000 S1=2 S0=0"},
		{"multiplex_2", "Extended", "0064881302160000", "S8=22 S6=2 S3=5000 S2=100 S1=0 S0=0"},
		{"multiplex_2", "Extended", "3100000001040300", "S7=772 S6=1 S5=3 S0=1"},
		// Which signals are there is published, the bytes are computed.
		{"multiplex_2", "Shared", "1100000000000000", "S1=1 S0=1"},
		{"multiplex_2", "Shared", "0207000000000000", "S2=7 S0=2"},
		{"multiplex_2", "Shared", "1307000000000000", "S2=7 S1=1 S0=3"},
		{"multiplex_2", "Shared", "0407000000000000", "S2=7 S0=4"},
		{"multiplex_2", "Shared", "0507000000000000", "S2=7 S0=5"},
		{"issue_184_extended_mux_multiple_values", "ext_MUX_multiple_values", "0009000000000000", "muxed_0_3_4_5=9 MUX=0"},
		{"issue_184_extended_mux_multiple_values", "ext_MUX_multiple_values", "0109000000000000", "muxed_1=9 MUX=1"},
		{"issue_184_extended_mux_multiple_values", "ext_MUX_multiple_values", "0309000000000000", "muxed_0_3_4_5=9 MUX=3"},
		{"issue_184_extended_mux_multiple_values", "ext_MUX_multiple_values", "0509000000000000", "muxed_0_3_4_5=9 MUX=5"},
		{"issue_184_extended_mux_independent_multiplexors", "ext_MUX_indep_multiplexors", "0109020800000000", "muxed_B_2=8 MUX_B=2 muxed_A_1=9 MUX_A=1"},
		{"issue_184_extended_mux_cascaded", "ext_MUX_cascaded", "0201000300000000", "muxed_B_1=3 muxed_A_2_MUX_B=1 MUX_A=2"},
	}
	for _, tt := range tests {
		m := publicDecoder(t, "dbc/cantools/"+tt.file+".dbc").Bus("").Message(tt.message)
		if m == nil {
			t.Errorf("%s has no message %s", tt.file, tt.message)
			continue
		}
		p, err := hex.DecodeString(tt.data)
		if err != nil {
			t.Fatal(err)
		}
		f := can.Frame{ID: m.Def.ID}
		f.SetPayload(p)
		values, complete := m.Decode(&f, nil)
		if got := published(values); got != tt.want || !complete {
			t.Errorf("%s %s %s:\ngot  %s\nwant %s", tt.file, tt.message, tt.data, got, tt.want)
		}
		var back can.Frame
		if err := m.Fill(&back, values); err != nil {
			t.Errorf("%s %s %s: %v", tt.file, tt.message, tt.data, err)
		}
		if again, _ := m.Decode(&back, nil); published(again) != tt.want {
			t.Errorf("%s %s %s: built again as % X", tt.file, tt.message, tt.data, back.Payload())
		}
	}
}

// published writes values as the tests above do: 12 digits at most, or all bits.
func published(values []decode.Value) string {
	var b strings.Builder
	for i := range values {
		v := &values[i]
		if v.Signal.Def.Length == 64 && v.Signal.Def.Type == dbc.Unsigned {
			fmt.Fprintf(&b, " %s=0x%016X", v.Signal.Def.Name, v.Raw)
			continue
		}
		fmt.Fprintf(&b, " %s=%.12g", v.Signal.Def.Name, v.Phys)
	}
	return strings.TrimSpace(b.String())
}

// spread is what a signal did in a capture.
type spread struct {
	n        int
	min, max float64
}

// spreads decodes a whole public capture. Keys are "message.signal", for 29-bit
// identifiers with "@" and the source address.
func spreads(t *testing.T, dbcFile, captureFile string) map[string]*spread {
	t.Helper()
	dec := publicDecoder(t, dbcFile)
	r, err := capture.Open([]string{filepath.Join(witness.PublicData(t), filepath.FromSlash(captureFile))}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	finder := dec.Finder(r.Buses())
	out := make(map[string]*spread)
	frames := make([]can.Frame, 512)
	var values []decode.Value
	for {
		n, err := r.Read(context.Background(), frames)
		for i := range frames[:n] {
			f := &frames[i]
			m := finder.Lookup(f)
			if m == nil {
				continue
			}
			values, _ = m.Decode(f, values[:0])
			for _, v := range values {
				name := m.Def.Name + "." + v.Signal.Def.Name
				if f.Is(can.Extended) {
					name += fmt.Sprintf("@%02X", f.ID&0xFF)
				}
				s := out[name]
				if s == nil {
					s = &spread{min: math.Inf(1), max: math.Inf(-1)}
					out[name] = s
				}
				s.n++
				s.min, s.max = min(s.min, v.Phys), max(s.max, v.Phys)
			}
		}
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// plausible is what a signal may do, and why.
type plausible struct {
	signal string
	least  int     // values
	lo, hi float64 // bounds that the capture must stay in
	why    string
}

func checkPlausible(t *testing.T, got map[string]*spread, rows []plausible) {
	t.Helper()
	for _, row := range rows {
		s := got[row.signal]
		if s == nil || s.n < row.least || s.min < row.lo || s.max > row.hi {
			t.Errorf("%s: got %+v, want at least %d values in %v..%v: %s", row.signal, s, row.least, row.lo, row.hi, row.why)
		}
	}
}

// TestTruckIsPlausible: the DBC states no source address, so every value below
// also shows that messages are found by PGN.
func TestTruckIsPlausible(t *testing.T) {
	got := spreads(t, "captures/truck-j1939/remora.dbc", "captures/truck-j1939/mixed.log")
	checkPlausible(t, got, []plausible{
		{"EEC1.EngSpeed@00", 2600, 0, 610, "a heavy truck's diesel idles at 600 rpm, and is switched off at the end"},
		{"EEC1.ActualEngPercentTorque@00", 2600, 0, 10, "idling takes a few percent of the torque"},
		{"EEC2.EngPercentLoadAtCurrentSpeed@00", 2600, 0, 20, "idling without load"},
		{"LFE.EngFuelRate@00", 500, 0, 3, "a large diesel burns two to three litres an hour at idle"},
		{"CCVS.WheelBasedVehicleSpeed@00", 500, 0, 0, "the truck stands"},
		{"CCVS.WheelBasedVehicleSpeed@21", 5000, 255.99, 256, "this source has no speed: all bits set, SAE J1939-71 not available"},
		{"AT1IG2.Aftertreatment1ExhaustGasTemp1@00", 100, 60, 200, "exhaust gas of an idling diesel"},
	})
	if top := got["EEC1.EngSpeed@00"]; top != nil && top.max < 590 {
		t.Errorf("the engine never ran: at most %v rpm", top.max)
	}
}

// TestHatchbackIsPlausible: the DBC is a sister car's, so only what both share
// is held. The three captures are of one car that stands.
func TestHatchbackIsPlausible(t *testing.T) {
	const dbcFile = "captures/hatchback-2009/drive.dbc"
	fitted := spreads(t, dbcFile, "captures/hatchback-2009/ecu-fitted-key-on.log")
	unplugged := spreads(t, dbcFile, "captures/hatchback-2009/ecu-unplugged-key-on.log")
	airCon := spreads(t, dbcFile, "captures/hatchback-2009/air-con-on-off.log")
	for name, got := range map[string]map[string]*spread{"fitted": fitted, "unplugged": unplugged, "air-con": airCon} {
		distance := got["TOTAL_DIST.TOTAL_DISTANCE"]
		if distance == nil || distance.min != distance.max || fitted["TOTAL_DIST.TOTAL_DISTANCE"] == nil ||
			distance.min != fitted["TOTAL_DIST.TOTAL_DISTANCE"].min {
			t.Errorf("%s: the odometer is %+v, and must be the same in all three captures", name, distance)
		}
		checkPlausible(t, got, []plausible{{"CONTAINS_LRES_SPEED.SPEED_LOWRES", 15, 0, 0, "the car stands"}})
	}
	checkPlausible(t, fitted, []plausible{{"LOW_RES_INDICATORS.LOW_RES_RPM", 20, 0, 4000, "from standstill to running, never driven"}})
	checkPlausible(t, airCon, []plausible{{"LOW_RES_INDICATORS.LOW_RES_RPM", 40, 500, 4000, "the engine runs all the time"}})
	if s := unplugged["LOW_RES_INDICATORS.LOW_RES_RPM"]; s != nil {
		t.Errorf("without its ECU the car still says an engine speed: %+v", s)
	}
}
