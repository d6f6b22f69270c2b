package identify

import "plugproof/decode/dbc"

// field is a bit field of a payload.
type field struct {
	start, length int
	motorola      bool
}

func fieldOf(def *dbc.Signal) field {
	return field{def.Start, def.Length, def.Order == dbc.Motorola}
}

func (f field) mask() uint64 { return 1<<(f.length-1)<<1 - 1 }

// read returns the raw value; false when the payload is too short. Bits are
// numbered as in DBC files, a Motorola field starting with its highest.
func (f *field) read(p []byte) (v uint64, ok bool) {
	at := f.start
	for i := range f.length {
		if at/8 >= len(p) {
			return 0, false
		}
		bit := uint64(p[at/8] >> (at % 8) & 1)
		if !f.motorola {
			v |= bit << i
			at++
			continue
		}
		v = v<<1 | bit
		if at%8 == 0 {
			at += 15
		} else {
			at--
		}
	}
	return v, true
}
