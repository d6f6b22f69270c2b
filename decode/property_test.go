package decode

import (
	"bytes"
	"errors"
	"fmt"
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

// TestEncodeInverts: physical values that the bits can hold come back from the
// frame to half a step, and bits that belong to no signal are zero.
func TestEncodeInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.SampledFrom([]int{1, 2, 8, 8, 12, 64}).Draw(t, "size")
		used := make(map[int]bool)
		var defs []*dbc.Signal
		for i := range rapid.IntRange(1, 12).Draw(t, "signals") {
			s := drawSignal(t, fmt.Sprintf("S%d", i), size, 40)
			if places := bitPlaces(s); !slices.ContainsFunc(places, func(b int) bool { return used[b] }) {
				defs = append(defs, s)
				for _, b := range places {
					used[b] = true
				}
			}
		}
		m := compileOne(t, size, defs...)
		values := make(map[string]float64)
		for i := range m.Signals {
			s := &m.Signals[i]
			if rapid.Bool().Draw(t, "given") {
				lowest, highest := s.limits()
				a, b := s.Phys(lowest), s.Phys(highest)
				if s.Float() {
					a, b = -1e9, 1e9
				}
				values[s.Def.Name] = rapid.Float64Range(min(a, b), max(a, b)).Draw(t, "value")
			}
		}
		var f can.Frame
		if err := m.Encode(&f, values); err != nil {
			t.Fatal(err)
		}
		decoded, _ := m.Decode(&f, nil)
		for _, v := range decoded {
			want, given := values[v.Signal.Def.Name]
			step := math.Abs(v.Signal.Def.Factor) / 2
			if v.Signal.Float() {
				step = (math.Abs(want) + math.Abs(v.Signal.Def.Offset)) / (1 << 23) // 24 bits of what is in the frame
				step += 1e-37                                                       // and nothing below the smallest float32
			}
			slack := 1e-9 * (math.Abs(want) + math.Abs(v.Signal.Def.Offset))
			if given && !(math.Abs(v.Phys-want) <= step+slack) || !given && v.Raw != 0 {
				t.Fatalf("%+v: given %v %v, decoded %v", *v.Signal.Def, given, want, v)
			}
		}
		for b := range 8 * int(f.Len) {
			if f.Data[b/8]&(1<<(b%8)) != 0 && !used[b] {
				t.Fatalf("bit %d is set and belongs to no signal", b)
			}
		}
	})
}

// TestEncodeAnyTree: whatever depends on what, values are in the frame as given,
// or the error is one of those that Encode promises.
func TestEncodeAnyTree(t *testing.T) {
	promised := []error{ErrPage, ErrOverlap, ErrTooShort}
	rapid.Check(t, func(t *rapid.T) {
		m := compileOne(t, 8, drawTree(t, 8)...)
		values := make(map[string]float64)
		for i := range m.Signals {
			if rapid.IntRange(0, 3).Draw(t, "given") == 0 {
				values[m.Signals[i].Def.Name] = m.Signals[i].Phys(uint64(rapid.IntRange(0, 1).Draw(t, "raw")))
			}
		}
		var f can.Frame
		err := m.Encode(&f, values)
		var r *RangeError
		if err != nil {
			if !slices.ContainsFunc(promised, func(p error) bool { return errors.Is(err, p) }) && !errors.As(err, &r) {
				t.Fatalf("unexpected: %v", err)
			}
			return
		}
		for name, want := range values {
			s := m.Signal(name)
			if v, ok := s.Read(&f); !ok || !slowPresent(s.Def, f.Payload()) || !same(v.Phys, want) && !near(v.Phys, want) {
				t.Fatalf("%s: given %v, read %v, %v", name, want, v.Phys, ok)
			}
		}
	})
}
