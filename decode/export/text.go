package export

import (
	"math"
	"strconv"
	"unicode"
	"unicode/utf8"

	"plugproof/decode"
	"plugproof/decode/can"
)

// Text writes lines to read: time in seconds, bus, identifier, message, and its
// signals side by side, going on under the first one where the line is full.
//
//	12.340000  drive  201  EngineSpeed   Speed 812.5 rpm    Load 12 %
//	                                     Gear 2 "second"
//
// A value is rounded to the decimals that its factor and offset have; what its
// value table says stands after it in quotes. Signals that the frame is too
// short for are named at the end. A frame without a message, or one of a message
// without signals, shows its bytes.
//
// The columns at the left grow with what they hold, and stay as wide.
type Text struct {
	messages map[*decode.Message][]int // decimals by Signal.Index
	widths   [4]int                    // of time, bus, identifier, message
	line     int                       // where the present line starts in the buffer
	indent   int                       // column where signals start
	cell     []byte
}

// Widths, in columns.
const (
	lineWidth    = 100
	stopWidth    = 22 // signals start at multiples of it, counted from the first
	gap          = 2  // between columns
	maxNameWidth = 28 // a longer message name pushes its own signals to the right
)

// NewText returns an empty stream.
func NewText() *Text {
	return &Text{messages: make(map[*decode.Message][]int), widths: [4]int{10, 4, 3, 12}}
}

// Head appends nothing: the lines speak for themselves.
func (x *Text) Head(dst []byte) []byte { return dst }

// Append appends the lines of a record.
func (x *Text) Append(dst []byte, r *Record) []byte {
	dst = x.appendLeft(dst, r)
	f := r.Frame
	if r.Message == nil || len(r.Values)+len(r.Missing) == 0 {
		x.cell = appendBytes(x.cell[:0], f)
		return append(x.place(dst, 0), '\n')
	}
	decimals := x.decimals(r.Message)
	for i := range r.Values {
		v := &r.Values[i]
		x.cell = appendCell(x.cell[:0], f, v, decimals[v.Signal.Index])
		dst = x.place(dst, i)
	}
	if len(r.Missing) > 0 {
		x.cell = appendTooShort(x.cell[:0], r)
		dst = x.place(dst, len(r.Values))
	}
	return append(dst, '\n')
}

// appendLeft appends the columns up to where signals start.
func (x *Text) appendLeft(dst []byte, r *Record) []byte {
	f := r.Frame
	x.line = len(dst)
	x.cell = appendClock(x.cell[:0], f.Time)
	x.widths[0] = max(x.widths[0], len(x.cell))
	dst = appendBlanks(dst, x.widths[0]-len(x.cell))
	dst = append(dst, x.cell...)

	dst = x.column(dst, 1, appendPlain(x.cell[:0], r.Bus))
	dst = x.column(dst, 2, appendID(x.cell[:0], f.ID, f.Flags&(can.Extended|can.Error) != 0))
	name := "-"
	if r.Message != nil {
		name = r.Message.Def.Name
	}
	dst = x.column(dst, 3, appendPlain(x.cell[:0], name))
	dst = appendBlanks(dst, gap)
	x.indent = 0
	for _, w := range x.widths {
		x.indent += w + gap
	}
	return dst
}

// column appends one left-aligned column and the gap before it.
func (x *Text) column(dst []byte, i int, text []byte) []byte {
	x.cell = text
	width := utf8.RuneCount(text)
	if i < 3 || width <= maxNameWidth {
		x.widths[i] = max(x.widths[i], width)
	}
	dst = appendBlanks(dst, gap)
	dst = append(dst, text...)
	return appendBlanks(dst, x.widths[i]-width)
}

// place appends the i-th cell at the next stop of the line, or of a new line
// when it would not fit.
func (x *Text) place(dst []byte, i int) []byte {
	at := utf8.RuneCount(dst[x.line:])
	if i > 0 {
		at += gap
	}
	stop := x.indent + (max(at-x.indent, 0)+stopWidth-1)/stopWidth*stopWidth
	if i > 0 && stop+utf8.RuneCount(x.cell) > lineWidth {
		dst = append(dst, '\n')
		x.line = len(dst)
		stop = x.indent
	}
	dst = appendBlanks(dst, stop-utf8.RuneCount(dst[x.line:]))
	return append(dst, x.cell...)
}

func appendBlanks(dst []byte, n int) []byte {
	for range n {
		dst = append(dst, ' ')
	}
	return dst
}

// appendClock appends seconds with 6 decimals, or 9 where they are needed.
func appendClock(dst []byte, ns int64) []byte {
	abs := uint64(ns)
	if ns < 0 {
		dst = append(dst, '-')
		abs = -abs
	}
	dst = strconv.AppendUint(dst, abs/nano, 10)
	dst = append(dst, '.')
	rest, unit := abs%nano, uint64(nano/10)
	last := uint64(1)
	if rest%1000 == 0 {
		last = 1000
	}
	for ; unit >= last; unit /= 10 {
		dst = append(dst, byte('0'+rest/unit%10))
	}
	return dst
}

// appendCell appends name, value, unit and the text of the value table.
func appendCell(dst []byte, f *can.Frame, v *decode.Value, decimals int) []byte {
	def := v.Signal.Def
	dst = appendPlain(dst, def.Name)
	dst = append(dst, ' ')
	if v.Signal.Wide() {
		dst = appendWide(dst, f, v.Signal)
	} else {
		dst = appendRounded(dst, v, decimals)
	}
	if def.Unit != "" {
		dst = append(dst, ' ')
		dst = appendPlain(dst, def.Unit)
	}
	if text := v.Label(); text != "" {
		dst = append(dst, ' ', '"')
		dst = appendPlain(dst, text)
		dst = append(dst, '"')
	}
	return dst
}

func appendBytes(dst []byte, f *can.Frame) []byte {
	switch {
	case f.Flags&can.Remote != 0:
		dst = append(dst, "asks for "...)
	case f.Flags&can.Error != 0:
		return append(dst, f.ErrorText()...)
	}
	dst = strconv.AppendUint(dst, uint64(f.Len), 10)
	dst = append(dst, " byte"...)
	if f.Len != 1 {
		dst = append(dst, 's')
	}
	for i, b := range f.Payload() {
		if i == 0 {
			dst = append(dst, ' ')
		}
		dst = append(dst, ' ', hexDigits[b>>4], hexDigits[b&15])
	}
	return dst
}

func appendTooShort(dst []byte, r *Record) []byte {
	dst = append(dst, "(too short for"...)
	for i, s := range r.Missing {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, ' ')
		dst = appendPlain(dst, s.Def.Name)
	}
	return append(dst, ')')
}

// appendPlain appends text with a blank for every control character: what comes
// from a file must not move the cursor of a terminal.
func appendPlain(dst []byte, s string) []byte {
	for _, r := range s {
		if unicode.IsControl(r) {
			r = ' '
		}
		dst = utf8.AppendRune(dst, r)
	}
	return dst
}

// manyDecimals marks a signal whose values no fixed number of decimals suits.
const manyDecimals = -1

// appendRounded appends a value to read.
func appendRounded(dst []byte, v *decode.Value, decimals int) []byte {
	switch {
	case beyondExact(v):
		return appendExact(dst, v)
	case decimals == manyDecimals || math.Abs(v.Phys) >= 1e15 || v.Phys != v.Phys:
		return strconv.AppendFloat(dst, v.Phys, 'g', 7, 64)
	}
	scale := math.Pow10(decimals)
	return appendFloat(dst, math.Round(v.Phys*scale)/scale)
}

func (x *Text) decimals(m *decode.Message) []int {
	if list := x.messages[m]; list != nil {
		return list
	}
	list := make([]int, len(m.Signals))
	for i := range m.Signals {
		s := &m.Signals[i]
		list[i] = manyDecimals
		a, b := decimalsOf(s.Def.Factor), decimalsOf(s.Def.Offset)
		if !s.Float() && a >= 0 && b >= 0 {
			list[i] = max(a, b)
		}
	}
	x.messages[m] = list
	return list
}

// decimalsOf returns how many decimals a number is written with, manyDecimals
// for more than 9.
func decimalsOf(v float64) int {
	scale := 1.0
	for n := range 10 {
		if math.Round(v*scale)/scale == v {
			return n
		}
		scale *= 10
	}
	return manyDecimals
}
