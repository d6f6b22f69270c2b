package learn

import (
	"testing"

	"plugproof/decode/can"
)

// A counter is no wider than it counts: bits above it that stood at zero may be
// something else that was off.
func TestCounterIsNarrow(t *testing.T) {
	frames := cyclic(0x100, 0, 10, 400, func(i int) []byte {
		return []byte{byte(i * i >> 3), 0, byte(i % 16), byte(i * 7)}
	})
	l := learnFrom(t, record(t, "good.log", frames))
	c := l.Profile.Messages["id_100"].Counter
	if c == nil || c.Length != 4 || *c.Start/8 != 2 {
		t.Fatalf("learned %+v, want 4 bits of byte 2", c)
	}
	m := l.Setting.Message("id_100")
	p, err := m.Protection()
	if err != nil {
		t.Fatal(err)
	}
	g, err := p.Compile()
	if err != nil {
		t.Fatal(err)
	}
	var last *can.Frame
	for i := range 40 { // the bits above are set, the counter goes on
		f := &can.Frame{ID: 0x100}
		f.SetPayload([]byte{9, 0x80, byte(0x40 | i%16), 1})
		if faults := g.Verify(last, f, 1); faults != 0 {
			t.Fatalf("frame %d: %v", i, faults)
		}
		last = f
	}
}
