package decode_test

import (
	"math/rand/v2"
	"testing"

	einride "go.einride.tech/can"
	"go.einride.tech/can/pkg/descriptor"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles/library"
)

// descriptors are the signals of a message for the witness. It knows one page
// of a multiplexer for each signal, so the ranges are kept beside it.
type descriptors struct {
	signals []*descriptor.Signal
	mux     []*descriptor.Signal // what each depends on; nil: always there
	pages   [][]dbc.MuxRange
}

func describe(def *dbc.Message) *descriptors {
	d := &descriptors{}
	made := make(map[*dbc.Signal]*descriptor.Signal)
	for _, s := range def.Signals {
		made[s] = &descriptor.Signal{
			Name: s.Name, Start: uint8(s.Start), Length: uint8(s.Length), Scale: s.Factor, Offset: s.Offset,
			IsSigned: s.Type == dbc.Signed, IsBigEndian: s.Order == dbc.Motorola,
		}
	}
	for _, s := range def.Signals {
		d.signals = append(d.signals, made[s])
		d.mux = append(d.mux, made[s.Switch])
		d.pages = append(d.pages, s.Pages)
	}
	return d
}

// decode returns the sum and the number of the values, as the benchmark wants them.
func (d *descriptors) decode(data einride.Data) (sum float64, n int) {
	for i, s := range d.signals {
		if mux := d.mux[i]; mux != nil && !onPage(mux.UnmarshalUnsigned(data), d.pages[i]) {
			continue
		}
		sum += s.UnmarshalPhysical(data)
		n++
	}
	return sum, n
}

func onPage(v uint64, pages []dbc.MuxRange) bool {
	for _, r := range pages {
		if r.From <= v && v <= r.To {
			return true
		}
	}
	return false
}

// BenchmarkDecodeDemo decodes all signals of the demo car's classic messages,
// random bytes in them, the messages taking turns. Only our side looks the
// message up; the witness does not read floats as such.
func BenchmarkDecodeDemo(b *testing.B) {
	var maps []decode.Mapping
	for _, name := range []string{"lowan-drive.dbc", "lowan-body.dbc"} {
		src, err := library.DBC(name)
		if err != nil {
			b.Fatal(err)
		}
		maps = append(maps, decode.Mapping{Database: dbc.Parse(name, src)})
	}
	dec, _ := decode.NewDecoder(maps)
	table := dec.Bus("")
	var frames []can.Frame
	var theirs []*descriptors
	rng := rand.New(rand.NewPCG(1, 2))
	for i := 0; len(frames) < 1024; i++ {
		m := table.Messages()[i%len(table.Messages())]
		if m.Def.Length > can.MaxClassicLen {
			continue
		}
		f := can.Frame{ID: m.Def.ID}
		if m.Def.Extended {
			f.Flags = can.Extended
		}
		p := make([]byte, m.Def.Length)
		for j := range p {
			p[j] = byte(rng.Uint32())
		}
		f.SetPayload(p)
		frames = append(frames, f)
		theirs = append(theirs, describe(m.Def))
	}
	var values []decode.Value
	ours, others := 0, 0
	for i := range frames {
		values, _ = table.Lookup(&frames[i]).Decode(&frames[i], values[:0])
		_, n := theirs[i].decode(einride.Data(frames[i].Data[:8]))
		ours, others = ours+len(values), others+n
	}
	if ours != others || ours == 0 {
		b.Fatalf("we decode %d values, the witness %d", ours, others)
	}
	sum := 0.0
	b.Run("plugproof", func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			f := &frames[i%len(frames)]
			values, _ = table.Lookup(f).Decode(f, values[:0])
			for j := range values {
				sum += values[j].Phys
			}
		}
		b.ReportMetric(float64(ours)/float64(len(frames)), "signals/frame")
	})
	b.Run("einride", func(b *testing.B) {
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			k := i % len(frames)
			s, _ := theirs[k].decode(einride.Data(frames[k].Data[:8]))
			sum += s
		}
	})
}
