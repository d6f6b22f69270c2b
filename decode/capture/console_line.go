package capture

import (
	"bytes"
	"slices"

	"plugproof/decode/can"
)

// A line that candump prints to the console:
//
//	[stamp] interface [direction] identifier [length] data [remark]
//
//	 (1436509052.249713)  vcan0  1F334455   [8]  11 22 33 44 55 66 77 88   '."3DUfw.'
//	  can0  RX B -  123  [08]  11 22 33 44 55 66 77 88
//	  can0  123   [4]  remote request
//
// A length of one figure is a classic frame, {F} one of 8 bytes with a raw DLC,
// two figures an FD frame, four a CAN XL frame. The layout is that of the
// open-source tool's own output, written down from memory.

// consoleRecord is a parsed line: the frame but for its place and bus. Its time
// is the stamp as it stands there.
type consoleRecord struct {
	frame   can.Frame
	bus     []byte // name; aliases the line
	style   stampStyle
	stamped bool // style and frame.Time are good even when the rest is not
	noFlags bool // an FD frame whose flags the line does not give
}

// parse reads a line. It says Foreign when nothing in it looks like a record.
func (r *consoleRecord) parse(line []byte) Kind {
	*r = consoleRecord{}
	ns, style, rest, kind := consoleStamp(trimBlanks(line))
	if kind != good {
		return kind
	}
	r.frame.Time, r.style, r.stamped = ns, style, style != styleNone
	f := &r.frame
	rest, early := parseWay(rest, f)
	r.bus, rest = token(rest)
	rest, late := parseWay(rest, f)
	id, rest := token(rest)
	length, rest := token(rest)
	switch {
	case len(length) == 0 && (r.stamped || early || late):
		return Cut
	case !isHexID(id) || len(length) > 0 && length[0] != '[' && length[0] != '{':
		return Foreign
	case len(length) == 0 && !isBlank(line[0]): // prose that happens to fit
		return Foreign
	case len(length) == 0:
		return Cut
	case !setID(id, f) || !busName(r.bus):
		return Malformed
	}
	if kind := parseLength(length, f); kind != good {
		return kind
	}
	r.noFlags = f.Is(can.FD) && !early && !late
	return parseConsoleData(rest, f)
}

func isHexID(s []byte) bool {
	return (len(s) == 3 || len(s) == 8) && only(s, "0123456789ABCDEFabcdef")
}

// parseWay reads the direction columns, "RX - -" or "TX B E", if they are there.
func parseWay(s []byte, f *can.Frame) (rest []byte, found bool) {
	way, rest := token(s)
	brs, rest := token(rest)
	esi, rest := token(rest)
	var flags can.Flags
	switch string(way) {
	case "RX":
		flags = can.Rx
	case "TX":
		flags = can.Tx
	default:
		return s, false
	}
	switch string(brs) {
	case "B":
		flags |= can.BRS
	case "-":
	default:
		return s, false
	}
	switch string(esi) {
	case "E":
		flags |= can.ESI
	case "-":
	default:
		return s, false
	}
	f.Flags |= flags
	return rest, true
}

// parseLength reads the length field: "[8]", "{E}", "[64]", "[0064]".
func parseLength(s []byte, f *can.Frame) Kind {
	n := 0
	for n+1 < len(s) && isDigit(s[n+1]) {
		n++
	}
	closed := len(s) == n+2 && s[n+1] == ']'
	switch {
	case s[0] == '{' && len(s) == 3 && s[2] == '}' && hexDigit[s[1]] >= 10:
		f.Len, f.DLC = can.MaxClassicLen, hexDigit[s[1]]-1
		f.Flags &^= can.BRS | can.ESI
	case s[0] == '{' && len(s) < 3, s[0] == '[' && len(s) == n+1:
		return Cut
	case s[0] == '{', !closed:
		return Malformed
	case n == 4:
		return XL
	case n == 1 && s[1] <= '8':
		f.Len, f.DLC = s[1]-'0', s[1]-'0'
		f.Flags &^= can.BRS | can.ESI
	case n == 2 && f.Flags&can.Error == 0:
		f.Flags |= can.FD
		size := int(s[1]-'0')*10 + int(s[2]-'0')
		f.DLC = can.LenToDLC(size)
		if f.Len = can.DLCToLen(f.DLC, true); int(f.Len) != size {
			return Malformed
		}
	default:
		return Malformed
	}
	return good
}

// parseConsoleData reads what follows the length: bytes, or "remote request",
// then the text that may stand behind them.
func parseConsoleData(s []byte, f *can.Frame) Kind {
	if rest, found := bytes.CutPrefix(trimBlanks(s), []byte("remote request")); found {
		if f.Flags&(can.FD|can.Error) != 0 || len(rest) > 0 {
			return Malformed
		}
		f.Flags |= can.Remote
		return good
	}
	s, kind := parseBytes(s, f)
	if kind != good {
		return kind
	}
	return parseRemark(trimBlanks(s), f)
}

// parseBytes reads Len bytes: "11 22", in reverse order "22`11", or as bits
// "00010001 00100010", "00100010`00010001".
func parseBytes(s []byte, f *can.Frame) (rest []byte, kind Kind) {
	want := int(f.Len)
	data := f.Data[:want]
	s = trimBlanks(s)
	reversed := false
	for n := range want {
		if n > 0 && len(s) > 0 {
			if reversed = s[0] == '`'; !reversed && !isBlank(s[0]) {
				return s, Malformed
			}
			s = trimBlanks(s[1:])
		}
		size := 0
		for size < len(s) && isHex(s[size]) {
			size++
		}
		switch {
		case size == len(s) && size < 2, size == len(s) && n+1 < want && size != 2 && size != 8:
			return s, Cut
		case size == 2:
			data[n] = (hexDigit[s[0]]-1)<<4 | (hexDigit[s[1]] - 1)
		case size == 8 && only(s[:8], "01"):
			for _, c := range s[:8] {
				data[n] = data[n]<<1 | (c - '0')
			}
		default:
			return s, Malformed
		}
		s = s[size:]
	}
	if reversed {
		slices.Reverse(data)
	}
	return s, good
}

// parseRemark reads the payload as text, in quotes, or the mark of an error frame.
func parseRemark(s []byte, f *can.Frame) Kind {
	switch {
	case len(s) == 0:
		return good
	case string(s) == "ERRORFRAME" && f.Flags&can.Error != 0:
		return good
	case isHex(s[0]):
		return Malformed // more bytes than the length says
	case s[0] != '\'' && s[0] != '`':
		return Glued
	case len(s) < int(f.Len)+2:
		return Cut
	case len(s) > int(f.Len)+2 || s[len(s)-1] != s[0]:
		return Malformed
	}
	return good
}
