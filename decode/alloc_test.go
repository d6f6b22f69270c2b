package decode

import (
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// TestNoAllocations holds the paths that run once for each frame at zero.
func TestNoAllocations(t *testing.T) {
	def, _ := eightBytes()
	truck := j1939(0x0CF004FE, "Truck")
	truck.Signals = def.Signals
	tree := cascade(t).Def
	tree.Name = "Cascade"
	d, _ := NewDecoder([]Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{def, truck, tree}}}})
	buses := new(can.Buses)
	buses.Intern([]byte("can0"))
	finder := d.Finder(buses)
	frames := []*can.Frame{
		frameHex(t, "01 02 03 04 05 06 07 08"), frameHex(t, "01 02 03 04"),
		frameHex(t, "20 10 27 00 01 21 00 00"), frameHex(t, "01 02 03 04 05 06 07 08"),
	}
	frames[0].ID, frames[1].ID, frames[2].ID, frames[3].ID = def.ID, def.ID, tree.ID, 0x18F00400
	frames[3].Flags |= can.Extended
	values := make([]Value, 0, 16)
	missing := make([]*Signal, 0, 16)
	n := 0
	allocs := testing.AllocsPerRun(100, func() {
		for _, f := range frames {
			m := finder.Lookup(f)
			values, _ = m.Decode(f, values[:0])
			missing = m.Missing(f, missing[:0])
			n += len(values) + len(missing)
			for i := range values {
				n += len(values[i].Label())
			}
		}
	})
	if allocs != 0 || n == 0 {
		t.Errorf("%v allocations for %d values", allocs, n)
	}
}
