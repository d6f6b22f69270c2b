package decode

import (
	"math/rand/v2"
	"testing"

	einride "go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// eightBytes is a message of 8 byte-aligned signals, half of them signed and
// half Motorola, and the same signals for the witness.
func eightBytes() (*dbc.Message, []*descriptor.Signal) {
	def := &dbc.Message{ID: 0x123, Name: "Eight", Length: 8}
	var witness []*descriptor.Signal
	for i := range 8 {
		s := &dbc.Signal{Name: string(rune('A' + i)), Start: 8 * i, Length: 8, Order: dbc.Intel, Factor: 0.5, Offset: -40}
		if i%2 == 1 {
			s.Type = dbc.Signed
		}
		if i >= 4 {
			s.Order, s.Start = dbc.Motorola, 8*i+7
		}
		def.Signals = append(def.Signals, s)
		witness = append(witness, &descriptor.Signal{
			Name: s.Name, Start: uint8(s.Start), Length: 8, Scale: 0.5, Offset: -40,
			IsSigned: s.Type == dbc.Signed, IsBigEndian: s.Order == dbc.Motorola,
		})
	}
	return def, witness
}

// BenchmarkDecode runs both decoders over the same frames: 8 byte-aligned
// signals to physical values. The witness has no minimum and maximum, so that
// it need not clamp.
func BenchmarkDecode(b *testing.B) {
	def, witness := eightBytes()
	frames := make([]can.Frame, 1024)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range frames {
		f := &frames[i]
		f.ID, f.Len, f.DLC = def.ID, 8, 8
		for j := range 8 {
			f.Data[j] = byte(rng.Uint32())
		}
	}
	sum := 0.0
	b.Run("plugproof", func(b *testing.B) {
		d, _ := NewDecoder([]Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{def}}}})
		t := d.Bus("can0")
		values := make([]Value, 0, 8)
		b.SetBytes(8)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			f := &frames[i%len(frames)]
			values, _ = t.Lookup(f).Decode(f, values[:0])
			for j := range values {
				sum += values[j].Phys
			}
		}
	})
	b.Run("einride", func(b *testing.B) {
		b.SetBytes(8)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			data := einride.Data(frames[i%len(frames)].Data[:8])
			for _, s := range witness {
				sum += s.UnmarshalPhysical(data)
			}
		}
	})
	if sum == 0 {
		b.Log("all values are zero")
	}
}

// BenchmarkEncode builds the frame of BenchmarkDecode from physical values by name.
func BenchmarkEncode(b *testing.B) {
	def, _ := eightBytes()
	m, _ := compile(def)
	values := make(map[string]float64)
	for i, s := range def.Signals {
		values[s.Name] = float64(i) - 40
	}
	var f can.Frame
	b.ReportAllocs()
	for b.Loop() {
		if err := m.Encode(&f, values); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLookup finds messages among 1000 of 29 bits; half of the frames are
// known by their PGN only.
func BenchmarkLookup(b *testing.B) {
	t := newTable()
	frames := make([]can.Frame, 1000)
	for i := range frames {
		id := 0x18F000FE + uint32(i)<<8
		t.add(&Message{Def: &dbc.Message{ID: id, Extended: true, J1939: true}})
		frames[i] = can.Frame{ID: id, Flags: can.Extended}
		if i%2 == 1 {
			frames[i].ID ^= 0xFE ^ 0x03
		}
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		if t.Lookup(&frames[i%len(frames)]) == nil {
			b.Fatal("not found")
		}
	}
}
