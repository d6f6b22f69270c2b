package moved

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"plugproof/decode/dbc"
)

// Named is a proposal with the name that it is to have in a DBC file.
type Named struct {
	Proposal
	Signal string
}

// extendedMark is bit 31 of an identifier in a DBC file: it has 29 bits.
const extendedMark = 1 << 31

// SignalLine returns the SG_ line of a proposal.
func (n *Named) SignalLine() string {
	low, high := n.limits()
	return fmt.Sprintf(` SG_ %s : %s (%s,%s) [%s|%s] "%s" Vector__XXX`, n.Signal,
		n.Field, number(n.Scale.Factor), number(n.Scale.Offset),
		number(low), number(high), strings.NewReplacer(`"`, "", `\`, "").Replace(n.Scale.Unit))
}

// limits are the physical values that the bits can hold.
func (n *Named) limits() (low, high float64) {
	size := float64(uint64(1) << min(63, n.Field.Length))
	low, high = 0, size-1
	if n.Field.Signed {
		low, high = -size/2, size/2-1
	}
	low = float64(low*n.Scale.Factor) + n.Scale.Offset
	high = float64(high*n.Scale.Factor) + n.Scale.Offset
	return min(low, high), max(low, high)
}

func number(x float64) string { return strconv.FormatFloat(tidy(x), 'g', -1, 64) }

// number of the message in a DBC file.
func (n *Named) message() uint32 {
	if n.ID.Extended {
		return n.ID.Value | extendedMark
	}
	return n.ID.Value
}

// head returns the BO_ line of a proposal's message.
func (n *Named) head() string {
	return fmt.Sprintf("BO_ %d Id_%X: %d Vector__XXX", n.message(), n.ID.Value, n.Bytes)
}

// ErrNotMerged is the reason when a line cannot go into a DBC file.
var ErrNotMerged = errors.New("not written")

// WriteDBC returns a new DBC file with the proposals.
func WriteDBC(list []Named) []byte {
	src, _ := MergeDBC("", []byte("VERSION \"\"\n\nNS_ :\n\nBS_:\n\nBU_:\n"), list)
	return src
}

// MergeDBC adds the proposals to the DBC file src and changes nothing else in it.
// It refuses a signal whose name or bits another has, and a message that is too
// short there.
func MergeDBC(file string, src []byte, list []Named) ([]byte, error) {
	if bytes.HasPrefix(src, []byte{0xFF, 0xFE}) || bytes.HasPrefix(src, []byte{0xFE, 0xFF}) {
		return nil, fmt.Errorf("%w: %s is UTF-16; save it as UTF-8 first", ErrNotMerged, file)
	}
	for i := range list {
		var err error
		if src, err = merge(file, src, &list[i]); err != nil {
			return nil, err
		}
	}
	return src, nil
}

// merge adds one signal.
func merge(file string, src []byte, n *Named) ([]byte, error) {
	db := dbc.Parse(file, src)
	var m *dbc.Message
	for _, have := range db.Messages {
		if have.ID == n.ID.Value && have.Extended == n.ID.Extended {
			m = have
		}
	}
	line := encoded(src, n.SignalLine())
	if m == nil {
		return insert(src, lastLine(db), append(encoded(src, "\n"+n.head()+"\n"), line...)), nil
	}
	if n.Bytes < (lastBit(n.Field)/8)+1 || m.Length < (lastBit(n.Field)/8)+1 {
		return nil, fmt.Errorf("%w: %s has %d bytes in %s, too few for %s", ErrNotMerged, m.Name, m.Length, file, n.Field)
	}
	at := m.Pos.Line
	for _, s := range m.Signals {
		if s.Name == n.Signal {
			return nil, fmt.Errorf("%w: %s has a signal %s in %s", ErrNotMerged, m.Name, s.Name, file)
		}
		if overlap(Field{Start: s.Start, Length: s.Length, Order: s.Order}, n.Field) {
			return nil, fmt.Errorf("%w: bits %s of %s belong to %s in %s", ErrNotMerged, n.Field, m.Name, s.Name, file)
		}
		at = max(at, s.Pos.Line)
	}
	return insert(src, at, line), nil
}

// lastBit is the highest bit number of a field.
func lastBit(f Field) int { return slices.Max(f.bits()) }

// lastLine returns the line after which a message can stand: that of the last
// message's last signal, else of the nodes, else the last one of the file.
func lastLine(db *dbc.Database) int {
	at := 0
	for _, m := range db.Messages {
		at = max(at, m.Pos.Line)
		for _, s := range m.Signals {
			at = max(at, s.Pos.Line)
		}
	}
	if at == 0 {
		for i, use := range db.Lines {
			if use != dbc.Blank {
				at = i + 1
			}
		}
	}
	return at
}

// insert puts text after a line, with the line ends of the file.
func insert(src []byte, line int, text []byte) []byte {
	end := []byte("\n")
	if bytes.Contains(src, []byte("\r\n")) {
		end = []byte("\r\n")
	}
	text = bytes.ReplaceAll(text, []byte("\n"), end)
	at := 0
	for range line {
		next := bytes.IndexByte(src[at:], '\n')
		if next < 0 {
			src = append(slices.Clone(src), end...)
			at = len(src)
			break
		}
		at += next + 1
	}
	return slices.Concat(src[:at], text, end, src[at:])
}

// encoded writes text as the file is: UTF-8, or else cp1252.
func encoded(src []byte, text string) []byte {
	if utf8.Valid(src) {
		return []byte(text)
	}
	out, err := charmap.Windows1252.NewEncoder().Bytes([]byte(text))
	if err != nil {
		return []byte(strings.Map(func(r rune) rune {
			if r > 126 {
				return '?'
			}
			return r
		}, text))
	}
	return out
}
