package decode

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// definitions reads signals out of fuzzed bytes, 8 for each: start (2), length
// (2), flags (1), the signal whose pages it is on (1), from and to (1 each).
// Nothing about them need make sense.
func definitions(p []byte) []*dbc.Signal {
	var defs []*dbc.Signal
	for ; len(p) >= 8 && len(defs) < 40; p = p[8:] {
		s := &dbc.Signal{
			Name:   fmt.Sprintf("S%d", len(defs)),
			Start:  int(int16(binary.LittleEndian.Uint16(p))),
			Length: int(int16(binary.LittleEndian.Uint16(p[2:]))),
			Order:  dbc.ByteOrder(p[4] & 1),
			Type:   dbc.ValueType(p[4] >> 1 & 3),
			Factor: float64(int8(p[4])) / 4,
		}
		defs = append(defs, s)
		if p[4]&8 != 0 {
			s.Pages = []dbc.MuxRange{{From: uint64(p[6]), To: uint64(p[7])}, {From: 3, To: 5}}
			s.Switch = defs[int(p[5])%len(defs)] // itself, perhaps
			s.Switch.Multiplexer = true
		}
	}
	return defs
}

// FuzzDecode compiles whatever it is given, compares every decoded value with
// the bit-by-bit reader, and builds the frame again.
func FuzzDecode(f *testing.F) {
	if seeds, err := os.ReadDir("testdata/fuzz/FuzzDecode"); err != nil || len(seeds) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	f.Fuzz(func(t *testing.T, plan, data []byte, length uint8) {
		data = data[:min(len(data), can.MaxFDLen)]
		frame := payload(data...)
		m, diags := compile(&dbc.Message{ID: 1, Name: "M", Length: int(length), Signals: definitions(plan)})
		if len(diags)+len(m.Signals) != len(m.Def.Signals) {
			t.Errorf("%d signals: %d compiled, %d left out", len(m.Def.Signals), len(m.Signals), len(diags))
		}
		values, complete := m.Decode(frame, nil)
		missing := m.Missing(frame, nil)
		if complete != (len(missing) == 0) {
			t.Errorf("complete %v, missing %d", complete, len(missing))
		}
		for _, v := range values {
			def := v.Signal.Def
			if def.Length <= 64 && v.Raw != slowRaw(def, frame.Payload()) {
				t.Errorf("%+v in % X: raw %#x", *def, data, v.Raw)
			}
			if again, ok := v.Signal.Read(frame); !ok || again.Raw != v.Raw || !same(again.Phys, v.Phys) {
				t.Errorf("%+v: decoded %v, read %v", *def, v, again)
			}
			v.Signal.AppendBytes(frame, nil)
			v.Label()
		}
		var built can.Frame
		switch err := m.Fill(&built, values); {
		case errors.Is(err, ErrTooLong) && int(length) > can.MaxFDLen, errors.Is(err, ErrTooShort) && int(length) < len(frame.Payload()):
		case err != nil:
			t.Errorf("fill: %v", err)
		default:
			compareFilled(t, m, &built, values)
		}
	})
}

func compareFilled(t *testing.T, m *Message, built *can.Frame, values []Value) {
	if err := built.Valid(); err != nil {
		t.Error(err)
	}
	for _, v := range values {
		if back, ok := v.Signal.Read(built); !v.Signal.Wide() && (!ok || back.Raw != v.Raw) {
			t.Errorf("%s.%s: %#x became %#x (%v)", m.Def.Name, v.Signal.Def.Name, v.Raw, back.Raw, ok)
		}
	}
}
