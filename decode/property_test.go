package decode

import (
	"bytes"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// drawSignal draws a signal that lies within size bytes, of up to maxLength bits.
func drawSignal(t *rapid.T, name string, size, maxLength int) *dbc.Signal {
	s := &dbc.Signal{
		Name:   name,
		Order:  rapid.SampledFrom([]dbc.ByteOrder{dbc.Intel, dbc.Motorola}).Draw(t, "order"),
		Type:   rapid.SampledFrom([]dbc.ValueType{dbc.Unsigned, dbc.Signed, dbc.Float32, dbc.Float64}).Draw(t, "type"),
		Factor: rapid.SampledFrom([]float64{1, 1, 0.1, -0.25, 3, 1e-3, 1 / 3.0}).Draw(t, "factor"),
		Offset: rapid.SampledFrom([]float64{0, 0, -40, 1e6, 0.1}).Draw(t, "offset"),
	}
	s.Length = rapid.IntRange(1, min(maxLength, 8*size)).Draw(t, "length")
	switch {
	case s.Type == dbc.Float32 && 8*size >= 32:
		s.Length = 32
	case s.Type == dbc.Float64 && 8*size >= 64:
		s.Length = 64
	case s.Type == dbc.Float32 || s.Type == dbc.Float64:
		s.Type = dbc.Signed
	}
	first := rapid.IntRange(0, 8*size-s.Length).Draw(t, "first")
	s.Start = first
	if s.Order == dbc.Motorola { // first counts from the top of each byte
		s.Start = 8*(first/8) + 7 - first%8
	}
	return s
}

// drawPayload draws the bytes of a frame, classic or FD.
func drawPayload(t *rapid.T) []byte {
	n := rapid.SampledFrom([]int{1, 2, 3, 5, 8, 8, 8, 12, 16, 32, 64}).Draw(t, "size")
	return rapid.SliceOfN(rapid.Byte(), n, n).Draw(t, "data")
}

func compileOne(t *rapid.T, size int, signals ...*dbc.Signal) *Message {
	m, diags := compile(&dbc.Message{Name: "Drawn", ID: 1, Length: size, Signals: signals})
	if len(diags) > 0 {
		t.Fatalf("left out: %v", diags)
	}
	return m
}

// TestDecodeAgainstReference compares with the bit-by-bit reader.
func TestDecodeAgainstReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPayload(t)
		var defs []*dbc.Signal
		for range rapid.IntRange(1, 6).Draw(t, "signals") {
			defs = append(defs, drawSignal(t, "S", len(p), 64))
		}
		values, complete := compileOne(t, len(p), defs...).Decode(payload(p...), nil)
		if !complete || len(values) != len(defs) {
			t.Fatalf("got %d of %d values, complete %v", len(values), len(defs), complete)
		}
		for i, v := range values {
			raw := slowRaw(defs[i], p)
			if v.Raw != raw {
				t.Errorf("%+v: got raw %#x, want %#x", *defs[i], v.Raw, raw)
			}
			if want := slowPhys(defs[i], raw); !same(v.Phys, want) {
				t.Errorf("%+v: raw %#x: got %v, want %v", *defs[i], raw, v.Phys, want)
			}
		}
	})
}

func slowPhys(s *dbc.Signal, raw uint64) float64 {
	var x float64
	switch s.Type {
	case dbc.Signed:
		x = float64(int64(raw))
	case dbc.Float32:
		x = float64(math.Float32frombits(uint32(raw)))
	case dbc.Float64:
		x = math.Float64frombits(raw)
	default:
		x = float64(raw)
	}
	x = float64(x * s.Factor)
	return x + s.Offset
}

// same compares so that NaN is itself.
func same(a, b float64) bool { return a == b || a != a && b != b }

// TestPutAgainstReference writes one signal among random bits with both writers.
func TestPutAgainstReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPayload(t)
		def := drawSignal(t, "S", len(p), 64)
		s := &compileOne(t, len(p), def).Signals[0]
		raw := rapid.Uint64().Draw(t, "raw") & s.mask
		raw = (raw ^ s.sign) - s.sign

		f := payload(p...)
		if err := s.Put(f, raw); err != nil {
			t.Fatal(err)
		}
		want := slices.Clone(p)
		slowPut(def, want, raw)
		if !bytes.Equal(f.Payload(), want) {
			t.Fatalf("%+v, raw %#x: got % X, want % X", *def, raw, f.Payload(), want)
		}
		if v, ok := s.Read(f); !ok || v.Raw != raw {
			t.Fatalf("%+v: put %#x, read %#x", *def, raw, v.Raw)
		}
	})
}

// TestWideSignals compares the bytes of signals of any length, 1 to 512 bits,
// with the reference, and writes them back.
func TestWideSignals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPayload(t)
		def := drawSignal(t, "S", len(p), 512)
		s := &compileOne(t, len(p), def).Signals[0]
		f := payload(p...)
		got := s.AppendBytes(f, []byte("before"))[len("before"):]

		var want []byte // least significant byte first
		for i, b := range bitPlaces(def) {
			if i%8 == 0 {
				want = append(want, 0)
			}
			want[i/8] |= p[b/8] >> (b % 8) & 1 << (i % 8)
		}
		if def.Order == dbc.Motorola {
			slices.Reverse(want)
		}
		if !bytes.Equal(got, want) {
			t.Fatalf("%+v: got % X, want % X", *def, got, want)
		}
		if v, ok := s.Read(f); s.Wide() && (!ok || v.Raw != 0 || v.Phys == v.Phys) {
			t.Fatalf("a wide signal has the number %v", v)
		}

		q := rapid.SliceOfN(rapid.Byte(), len(p), len(p)).Draw(t, "background")
		g := payload(q...)
		if err := s.PutBytes(g, got); err != nil {
			t.Fatal(err)
		}
		inside := bitPlaces(def)
		for b := range 8 * len(q) {
			if !slices.Contains(inside, b) && (g.Data[b/8]^q[b/8])&(1<<(b%8)) != 0 {
				t.Fatalf("%+v: bit %d is not the signal's and has changed", *def, b)
			}
		}
		if back := s.AppendBytes(g, nil); !bytes.Equal(back, want) {
			t.Fatalf("%+v: put % X, read % X", *def, want, back)
		}
	})
}

// TestFromPhysInverts: every raw value comes back from its physical value, or,
// where float64 cannot tell neighbours apart, one with the same physical value.
func TestFromPhysInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		def := drawSignal(t, "S", 8, 64)
		s := &compileOne(t, 8, def).Signals[0]
		raw := rapid.Uint64().Draw(t, "raw") & s.mask
		raw = (raw ^ s.sign) - s.sign
		phys := s.Phys(raw)
		if s.kind == double && (def.Factor != 1 || def.Offset != 0) || math.IsNaN(phys) || math.IsInf(phys, 0) {
			t.Skip("a scaled double is not exact; a NaN has many bit patterns")
		}
		back, err := s.FromPhys(phys)
		if err != nil {
			t.Fatalf("%+v: raw %#x is %v: %v", *def, raw, phys, err)
		}
		if s.Phys(back) != phys || back != raw && def.Length <= 32 && !s.Float() {
			t.Fatalf("%+v: raw %#x is %v, which gives raw %#x = %v", *def, raw, phys, back, s.Phys(back))
		}
	})
}

// TestFillInverts: a frame built from what was decoded has the same bits
// wherever a signal is, and zeros elsewhere.
func TestFillInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPayload(t)
		var defs []*dbc.Signal
		for range rapid.IntRange(1, 6).Draw(t, "signals") {
			defs = append(defs, drawSignal(t, "S", len(p), 64))
		}
		m := compileOne(t, len(p), defs...)
		values, _ := m.Decode(payload(p...), nil)
		var f can.Frame
		if err := m.Fill(&f, values); err != nil {
			t.Fatal(err)
		}
		want := make([]byte, len(p))
		for _, d := range defs {
			for _, b := range bitPlaces(d) {
				want[b/8] |= p[b/8] & (1 << (b % 8))
			}
		}
		if !bytes.Equal(f.Payload(), want) || f.Valid() != nil {
			t.Fatalf("got % X (%v), want % X", f.Payload(), f.Valid(), want)
		}
	})
}
