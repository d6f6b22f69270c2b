package export

import (
	"math"
	"strconv"
	"unicode/utf8"

	"plugproof/decode"
	"plugproof/decode/can"
)

// JSON writes one object for each frame, each on its own line:
//
//	{"t":1.25,"t_ns":"1250000000","bus":"can0","id":"0x201","extended":false,
//	 "message":"Name","signals":{"Sig":12.5},"labels":{"Sig":"text of its value table"}}
//
// t is the time in seconds, t_ns the same in nanoseconds. Signals come in the
// order of the DBC file. A number past 2^53 that is exact is a string, NaN and
// the infinities are null, a signal wider than 64 bits is the hex of its bytes
// (decode.Signal.AppendBytes). labels is left out when no value has one.
//
// Further members only where they say something: "missing" lists signals that
// the frame is too short for. A frame without a message has "data", its payload
// in hex, in place of the last three; a remote frame has "remote", the number
// of bytes it asks for, and an error frame "error", in words, before the data.
type JSON struct {
	messages map[*decode.Message]*jsonNames
}

// jsonNames holds the names of a message as they stand in its objects.
type jsonNames struct {
	head    []byte   // ,"message":"Name","signals":{
	signals [][]byte // "Sig": by Signal.Index
}

// NewJSON returns an empty stream.
func NewJSON() *JSON { return &JSON{messages: make(map[*decode.Message]*jsonNames)} }

// Head appends nothing.
func (j *JSON) Head(dst []byte) []byte { return dst }

// Append appends the object of a record and a line feed.
func (j *JSON) Append(dst []byte, r *Record) []byte {
	f := r.Frame
	dst = append(dst, `{"t":`...)
	dst = appendSeconds(dst, f.Time)
	dst = append(dst, `,"t_ns":"`...)
	dst = strconv.AppendInt(dst, f.Time, 10)
	dst = append(dst, `","bus":`...)
	dst = appendQuoted(dst, r.Bus)
	dst = append(dst, `,"id":"0x`...)
	if extended := f.Flags&can.Extended != 0; extended {
		dst = appendID(dst, f.ID, true)
		dst = append(dst, `","extended":true`...)
	} else {
		dst = appendID(dst, f.ID, f.Flags&can.Error != 0)
		dst = append(dst, `","extended":false`...)
	}
	if r.Message == nil {
		dst = appendUnknown(dst, f)
	} else {
		dst = j.appendSignals(dst, r)
	}
	return append(dst, "}\n"...)
}

func appendUnknown(dst []byte, f *can.Frame) []byte {
	switch {
	case f.Flags&can.Remote != 0:
		dst = append(dst, `,"remote":`...)
		dst = strconv.AppendUint(dst, uint64(f.Len), 10)
	case f.Flags&can.Error != 0:
		dst = append(dst, `,"error":`...)
		dst = appendQuoted(dst, f.ErrorText())
	}
	dst = append(dst, `,"data":"`...)
	dst = appendHex(dst, f.Payload())
	return append(dst, '"')
}

func (j *JSON) appendSignals(dst []byte, r *Record) []byte {
	n := j.names(r.Message)
	dst = append(dst, n.head...)
	labels := false
	for i := range r.Values {
		v := &r.Values[i]
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(dst, n.signals[v.Signal.Index]...)
		dst = appendJSONValue(dst, r.Frame, v)
		labels = labels || v.Label() != ""
	}
	dst = append(dst, '}')
	if labels {
		dst = appendLabels(dst, r, n)
	}
	if len(r.Missing) > 0 {
		dst = appendMissing(dst, r)
	}
	return dst
}

func appendJSONValue(dst []byte, f *can.Frame, v *decode.Value) []byte {
	switch {
	case v.Signal.Wide():
		dst = append(dst, '"')
		dst = appendWide(dst, f, v.Signal)
		return append(dst, '"')
	case math.IsNaN(v.Phys) || math.IsInf(v.Phys, 0):
		return append(dst, "null"...)
	case beyondExact(v):
		dst = append(dst, '"')
		dst = appendExact(dst, v)
		return append(dst, '"')
	}
	return appendFloat(dst, v.Phys)
}

func appendLabels(dst []byte, r *Record, n *jsonNames) []byte {
	dst = append(dst, `,"labels":{`...)
	first := true
	for i := range r.Values {
		v := &r.Values[i]
		text := v.Label()
		if text == "" {
			continue
		}
		if !first {
			dst = append(dst, ',')
		}
		first = false
		dst = append(dst, n.signals[v.Signal.Index]...)
		dst = appendQuoted(dst, text)
	}
	return append(dst, '}')
}

func appendMissing(dst []byte, r *Record) []byte {
	dst = append(dst, `,"missing":[`...)
	for i, s := range r.Missing {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = appendQuoted(dst, s.Def.Name)
	}
	return append(dst, ']')
}

func (j *JSON) names(m *decode.Message) *jsonNames {
	if n := j.messages[m]; n != nil {
		return n
	}
	n := &jsonNames{head: []byte(`,"message":`)}
	n.head = append(appendQuoted(n.head, m.Def.Name), `,"signals":{`...)
	for i := range m.Signals {
		n.signals = append(n.signals, append(appendQuoted(nil, m.Signals[i].Def.Name), ':'))
	}
	j.messages[m] = n
	return n
}

// appendQuoted appends a JSON string. What is not UTF-8 becomes U+FFFD.
func appendQuoted(dst []byte, s string) []byte {
	dst = append(dst, '"')
	from := 0 // start of what is not appended yet
	for i := 0; i < len(s); {
		c := s[i]
		if c >= ' ' && c < utf8.RuneSelf && c != '"' && c != '\\' {
			i++
			continue
		}
		r, size := utf8.DecodeRuneInString(s[i:])
		if r >= utf8.RuneSelf && (r != utf8.RuneError || size > 1) {
			i += size
			continue
		}
		dst = append(dst, s[from:i]...)
		dst = appendEscaped(dst, c)
		i += size
		from = i
	}
	dst = append(dst, s[from:]...)
	return append(dst, '"')
}

func appendEscaped(dst []byte, c byte) []byte {
	switch {
	case c == '"' || c == '\\':
		return append(dst, '\\', c)
	case c == '\n':
		return append(dst, `\n`...)
	case c < ' ':
		return append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
	}
	return append(dst, `\ufffd`...)
}
