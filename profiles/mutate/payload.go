package mutate

import (
	"maps"
	"math/bits"
	"math/rand/v2"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// Raw lets change rewrite the raw value of a signal in all frames of its message
// from a stamp on, and makes the checksum hold again. n counts the frames.
func (d *Drive) Raw(ref profiles.SignalRef, from int64, change func(n int, raw uint64) uint64) (frames []can.Frame, first int64) {
	message, name := ref.Split()
	sig := d.codec(message).Signal(name)
	g := d.protection(message, checks)
	first = -1
	frames, _ = d.Change(d.Message(message), func(n int, f *can.Frame) {
		v, ok := sig.Read(f)
		if !ok || f.Time < from {
			return
		}
		raw := change(n, pattern(sig, v.Raw))
		if raw == pattern(sig, v.Raw) {
			return
		}
		put(sig, f, raw)
		fill(g, f)
		if first < 0 {
			first = f.Time
		}
	})
	return frames, first
}

// pattern returns the bits of a raw value without its sign extension.
func pattern(sig *decode.Signal, raw uint64) uint64 { return raw & mask(sig) }

func mask(sig *decode.Signal) uint64 { return ^uint64(0) >> (64 - sig.Def.Length) }

func put(sig *decode.Signal, f *can.Frame, raw uint64) {
	if sig.Def.Type == dbc.Signed { // sign-extended, as Put takes it
		shift := 64 - sig.Def.Length
		raw = uint64(int64(raw<<shift) >> shift)
	}
	if err := sig.Put(f, raw); err != nil {
		panic("internal error: " + err.Error())
	}
}

// Phys is Raw on physical values; "not available" patterns stay as they are and
// what does not fit the field becomes its nearest end.
func (d *Drive) Phys(ref profiles.SignalRef, from int64, change func(n int, v float64) float64) (frames []can.Frame, first int64) {
	message, name := ref.Split()
	sig := d.codec(message).Signal(name)
	na := d.notAvailable(ref)
	return d.Raw(ref, from, func(n int, raw uint64) uint64 {
		if na[raw] {
			return raw
		}
		phys := sig.Phys(extend(sig, raw))
		return closest(sig, change(n, phys), na)
	})
}

func extend(sig *decode.Signal, raw uint64) uint64 {
	if sig.Def.Type != dbc.Signed {
		return raw
	}
	shift := 64 - sig.Def.Length
	return uint64(int64(raw<<shift) >> shift)
}

// closest returns the raw pattern for a physical value, held to the field.
func closest(sig *decode.Signal, phys float64, na map[uint64]bool) uint64 {
	low, high := uint64(0), mask(sig)
	if sig.Def.Type == dbc.Signed {
		low, high = 1<<(sig.Def.Length-1), mask(sig)>>1
	}
	raw, err := sig.FromPhys(phys)
	if err == nil && !na[pattern(sig, raw)] {
		return pattern(sig, raw)
	}
	if (phys > sig.Phys(extend(sig, low))) == (sig.Def.Factor > 0) {
		for na[high] { // what a sender clips is still a value
			high--
		}
		return high
	}
	return low
}

// notAvailable returns the patterns of a signal that are no values.
func (d *Drive) notAvailable(ref profiles.SignalRef) map[uint64]bool {
	m, def := d.Setting.Signal(ref)
	list := map[uint64]bool{}
	if own := m.Own.Signals[def.Name]; own != nil {
		for _, raw := range own.SNA {
			list[raw] = true
		}
	}
	for _, v := range def.Values {
		if v.Text == "NotAvailable" || v.Text == "NoRequest" { // as the demo car's files name them
			list[uint64(v.Value)&(^uint64(0)>>(64-def.Length))] = true
		}
	}
	return list
}

// SwapBytes returns a change that exchanges the two bytes of a 16-bit value.
func SwapBytes(_ int, raw uint64) uint64 { return uint64(bits.ReverseBytes16(uint16(raw))) }

// Freeze returns a change that keeps the first value that is picked by keep.
func Freeze(keep func(raw uint64) bool) func(int, uint64) uint64 {
	have, value := false, uint64(0)
	return func(_ int, raw uint64) uint64 {
		if !have && keep(raw) {
			have, value = true, raw
		}
		if !have {
			return raw
		}
		return value
	}
}

// Shorten cuts the last byte off the frames of a message, and fills in what is
// left of its protection.
func (d *Drive) Shorten(message string) (frames []can.Frame, first int64) {
	return d.Change(d.Message(message), func(_ int, f *can.Frame) {
		f.SetPayload(append([]byte(nil), f.Data[:f.Len-1]...))
	})
}

// SpoilChecks makes the checksum of a share of the frames wrong.
func (d *Drive) SpoilChecks(message string, share float64, r *rand.Rand) (frames []can.Frame, first int64) {
	p, err := d.Setting.Message(message).Protection()
	if err != nil || len(p.Checksums) == 0 {
		panic("internal error: " + message + " has no checksum")
	}
	at := p.Checksums[0].Field
	frames, _ = d.Change(d.Message(message), func(_ int, f *can.Frame) {
		if r.Float64() < share {
			f.Data[at.Start/8] ^= 1 << r.IntN(8)
			if first == 0 {
				first = f.Time
			}
		}
	})
	return frames, first
}

// FlipParity makes the parity bit of a message wrong, and its checksum right.
func (d *Drive) FlipParity(message string) (frames []can.Frame, first int64) {
	p, err := d.Setting.Message(message).Protection()
	if err != nil || len(p.Parities) == 0 {
		panic("internal error: " + message + " has no parity bit")
	}
	bit := p.Parities[0].Field.Start
	g := d.protection(message, func(p guard.Protection) guard.Protection { return guard.Protection{Checksums: p.Checksums} })
	return d.Change(d.Message(message), func(_ int, f *can.Frame) {
		f.Data[bit/8] ^= 1 << (bit % 8)
		fill(g, f)
	})
}

// Relay lets the gateways copy the values that their sources have now: the links
// of every function's chain. A copy of what is not available is all ones.
func (d *Drive) Relay() []can.Frame {
	frames := slices.Clone(d.Frames)
	done := map[profiles.SignalRef]bool{}
	for _, name := range slices.Sorted(maps.Keys(d.Setting.Functions)) {
		chain := d.Setting.Functions[name].Chain
		for i := 1; i < len(chain); i++ {
			if !done[chain[i]] {
				d.relay(frames, chain[i-1], chain[i])
			}
			done[chain[i]] = true
		}
	}
	return frames
}

func (d *Drive) relay(frames []can.Frame, source, copied profiles.SignalRef) {
	from, name := source.Split()
	to, copyName := copied.Split()
	in, out := d.codec(from).Signal(name), d.codec(to).Signal(copyName)
	na, naOut := d.notAvailable(source), d.notAvailable(copied)
	isSource, isCopy := d.Message(from), d.Message(to)
	g := d.protection(to, checks)
	value, have := uint64(0), false
	for i := range frames {
		switch f := &frames[i]; {
		case isSource(f):
			v, ok := in.Read(f)
			value, have = mask(out), true
			if ok && !na[pattern(in, v.Raw)] {
				value = closest(out, v.Phys, naOut)
			}
		case isCopy(f) && have:
			put(out, f, value)
			fill(g, f)
		}
	}
}
