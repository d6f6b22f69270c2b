package export

import (
	"math"
	"strconv"
	"strings"

	"plugproof/decode"
	"plugproof/decode/can"
)

// CSV writes a row for each signal, fields quoted as in RFC 4180, lines ended
// by a line feed alone:
//
//	t,bus,id,message,signal,value,unit,label
//	1.25,can0,0x201,Name,Sig,12.5,rpm,text of its value table
//
// t is the time in seconds, exact to the nanosecond. A value is written in the
// fewest digits that give it again, NaN and the infinities as NaN, +Inf, -Inf, a
// signal wider than 64 bits as the hex of its bytes. The value is empty when
// the frame is too short for the signal. A frame without a message has one row
// with its payload in hex as the value; for a remote frame the label says how
// many bytes it asks for, for an error frame what it reports.
type CSV struct {
	messages map[*decode.Message]*csvNames
}

// csvNames holds what a message's rows have in common.
type csvNames struct {
	message []byte   // Name,
	signals [][]byte // Sig, by Signal.Index
	units   [][]byte // ,unit, by Signal.Index
}

// NewCSV returns an empty stream.
func NewCSV() *CSV { return &CSV{messages: make(map[*decode.Message]*csvNames)} }

// Head appends the row of names.
func (c *CSV) Head(dst []byte) []byte {
	return append(dst, "t,bus,id,message,signal,value,unit,label\n"...)
}

// Append appends the rows of a record.
func (c *CSV) Append(dst []byte, r *Record) []byte {
	f := r.Frame
	start := len(dst)
	dst = appendSeconds(dst, f.Time)
	dst = append(dst, ',')
	dst = appendField(dst, r.Bus)
	dst = append(dst, ",0x"...)
	dst = appendID(dst, f.ID, f.Flags&(can.Extended|can.Error) != 0)
	dst = append(dst, ',')
	if r.Message == nil {
		return appendUnknownRow(dst, f)
	}
	n := c.names(r.Message)
	dst = append(dst, n.message...)
	end := len(dst) // what stands from start to here begins each row
	for i := range r.Values {
		v := &r.Values[i]
		if i > 0 {
			dst = append(dst, dst[start:end]...)
		}
		dst = append(dst, n.signals[v.Signal.Index]...)
		dst = appendCSVValue(dst, f, v)
		dst = append(dst, n.units[v.Signal.Index]...)
		dst = appendField(dst, v.Label())
		dst = append(dst, '\n')
	}
	rows := len(r.Values)
	for _, s := range r.Missing {
		if rows > 0 {
			dst = append(dst, dst[start:end]...)
		}
		rows++
		dst = append(dst, n.signals[s.Index]...)
		dst = append(dst, n.units[s.Index]...)
		dst = append(dst, '\n')
	}
	if rows == 0 {
		return dst[:start]
	}
	return dst
}

func appendUnknownRow(dst []byte, f *can.Frame) []byte {
	dst = append(dst, ",,"...)
	dst = appendHex(dst, f.Payload())
	dst = append(dst, ",,"...)
	switch {
	case f.Flags&can.Remote != 0:
		dst = append(dst, "remote request of "...)
		dst = strconv.AppendUint(dst, uint64(f.Len), 10)
		dst = append(dst, " bytes"...)
	case f.Flags&can.Error != 0:
		dst = appendField(dst, f.ErrorText())
	}
	return append(dst, '\n')
}

func appendCSVValue(dst []byte, f *can.Frame, v *decode.Value) []byte {
	switch {
	case v.Signal.Wide():
		return appendWide(dst, f, v.Signal)
	case math.IsNaN(v.Phys) || math.IsInf(v.Phys, 0):
		return strconv.AppendFloat(dst, v.Phys, 'g', -1, 64)
	case beyondExact(v):
		return appendExact(dst, v)
	}
	return appendFloat(dst, v.Phys)
}

func (c *CSV) names(m *decode.Message) *csvNames {
	if n := c.messages[m]; n != nil {
		return n
	}
	n := &csvNames{message: append(appendField(nil, m.Def.Name), ',')}
	for i := range m.Signals {
		def := m.Signals[i].Def
		n.signals = append(n.signals, append(appendField(nil, def.Name), ','))
		n.units = append(n.units, append(appendField([]byte{','}, def.Unit), ','))
	}
	c.messages[m] = n
	return n
}

// appendField appends a field, quoted where it has to be.
func appendField(dst []byte, s string) []byte {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return append(dst, s...)
	}
	dst = append(dst, '"')
	for i := range len(s) {
		if s[i] == '"' {
			dst = append(dst, '"')
		}
		dst = append(dst, s[i])
	}
	return append(dst, '"')
}
