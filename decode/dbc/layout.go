package dbc

// overlapBudget bounds the steps that Lint spends on comparing signals, so that
// a file made to overlap everywhere costs a moment and some memory, not minutes.
const overlapBudget = 2_000_000

// layout reports signals that reach outside their frame and signals that share
// bits although one frame can hold both.
func (l *linter) layout(m *Message) {
	at := map[int][]placed{}
	for _, s := range m.Signals {
		if s.Bytes() > m.Length {
			l.add(Error, s.Pos,
				say("signal/outside-frame", "%q needs %d bytes, but %q has %d", s.Name, s.Bytes(), m.Name, m.Length).
					try("correct its start or length, or the message's length"))
		}
		if l.budget > 0 {
			l.overlap(m, at, s)
		}
	}
}

// placed is a signal's share of one byte.
type placed struct {
	signal *Signal
	bits   byte
}

// overlap compares a signal with those placed before it, and places it. at holds
// what lies in each byte of the message.
func (l *linter) overlap(m *Message, at map[int][]placed, s *Signal) {
	others := map[*Signal]bool{}
	var nearest *Signal
	first, last := s.span()
	for b := first; b <= min(last, m.Length-1) && l.budget > 0; b++ {
		bits := s.bitsIn(b)
		for _, other := range at[b] {
			l.budget--
			if other.bits&bits == 0 || others[other.signal] || !l.together(s, other.signal) {
				continue
			}
			others[other.signal] = true
			if nearest == nil {
				nearest = other.signal
			}
		}
		l.budget--
		at[b] = append(at[b], placed{s, bits})
	}
	switch n := len(others); {
	case n > 1:
		l.add(Warning, s.Pos,
			say("signal/overlap", "%q shares bits with %q (line %d) and %d more",
				s.Name, nearest.Name, nearest.Pos.Line, n-1))
	case n == 1:
		l.add(Warning, s.Pos,
			say("signal/overlap", "%q shares bits with %q (line %d)", s.Name, nearest.Name, nearest.Pos.Line))
	}
	if l.budget <= 0 {
		l.add(Warning, s.Pos, say("file/overlaps", "too many signals share bits: not compared from here on"))
	}
}

// together says whether one frame can hold both signals: no multiplexer that
// both depend on keeps them apart.
func (l *linter) together(a, b *Signal) bool {
	for x := a; x.Switch != nil; x = x.Switch {
		for y := b; y.Switch != nil; y = y.Switch {
			l.budget -= 1 + len(x.Pages) + len(y.Pages)
			if x.Switch == y.Switch && !meet(x.Pages, y.Pages) {
				return false
			}
		}
	}
	return true
}

// meet says whether two sorted lists of ranges have a value in common.
func meet(a, b []MuxRange) bool {
	for len(a) > 0 && len(b) > 0 {
		switch {
		case a[0].To < b[0].From:
			a = a[1:]
		case b[0].To < a[0].From:
			b = b[1:]
		default:
			return true
		}
	}
	return false
}

// span returns the first and the last byte that the signal has bits in.
func (s *Signal) span() (first, last int) { return s.Start / 8, s.Bytes() - 1 }

// bitsIn returns the bits that the signal has in one byte of its span.
func (s *Signal) bitsIn(b int) byte {
	// Count bits from the end of the byte where the signal starts: the least
	// significant for Intel, the most significant for Motorola.
	from, to := s.Start-8*b, s.Start-8*b+s.Length
	if s.Order == Motorola {
		from = (s.Start ^ 7) - 8*b
		to = from + s.Length
	}
	from, to = max(from, 0), min(to, 8)
	if from >= to {
		return 0
	}
	bits := byte(0xFF) << from & (0xFF >> (8 - to))
	if s.Order == Motorola {
		bits = byte(0xFF) >> from & (0xFF << (8 - to))
	}
	return bits
}

// Mask returns the bits that the signal has in the first eight bytes of a payload, byte 0 lowest.
func (s *Signal) Mask() (mask uint64) {
	for b := range 8 {
		mask |= uint64(s.bitsIn(b)) << (8 * b)
	}
	return mask
}
