package decode

// direction of copyBits.
type direction bool

const (
	toBytes direction = false
	toData  direction = true
)

// copyBits copies the signal's bits, one by one, between a frame's data and
// whole bytes as AppendBytes describes them.
func (s *Signal) copyBits(whole, data []byte, dir direction) {
	length := s.Def.Length
	first := firstBit(s.Def)
	pad := 0 // unused bits before the first one in whole
	if s.big {
		pad = 8*len(whole) - length
	}
	for i := range length {
		if dir == toData {
			setBit(data, s.big, first+i, bit(whole, s.big, pad+i))
		} else {
			setBit(whole, s.big, pad+i, bit(data, s.big, first+i))
		}
	}
}

// bit returns bit i of p, counted from the least significant bit of each byte,
// or from the most significant when big.
func bit(p []byte, big bool, i int) byte {
	if big {
		i ^= 7
	}
	return p[i/8] >> (i % 8) & 1
}

func setBit(p []byte, big bool, i int, v byte) {
	if big {
		i ^= 7
	}
	p[i/8] = p[i/8]&^(1<<(i%8)) | v<<(i%8)
}
