package capture

import (
	"strconv"

	"plugproof/decode/can"
)

const upperHex = "0123456789ABCDEF"

// candumpEncoder writes one line per frame:
//
//	(seconds.fraction) bus identifier#payload direction
type candumpEncoder struct {
	buses *can.Buses
	names [][]byte // of the buses met, ready for the log; nil: not met
}

func (e *candumpEncoder) head(dst []byte) []byte { return dst }

func (e *candumpEncoder) frame(dst []byte, f *can.Frame) ([]byte, error) {
	if f.Time < 0 {
		return dst, errStamp(f, CandumpLog, "from 1970 on")
	}
	dst = appendStamp(dst, f.Time)
	dst = append(dst, e.name(f.Bus)...)
	dst = append(dst, ' ')
	dst = appendFrameText(dst, f)
	switch {
	case f.Flags&can.Tx != 0:
		dst = append(dst, " T"...)
	case f.Flags&can.Rx != 0:
		dst = append(dst, " R"...)
	}
	return append(dst, '\n'), nil
}

// AppendLogLine appends a frame as a line of a candump log, without the line
// end: how a frame is quoted to people, whatever capture it came from.
func AppendLogLine(dst []byte, f *can.Frame, bus string) []byte {
	dst = appendStamp(dst, max(0, f.Time))
	dst = append(dst, plainName([]byte(bus))...)
	return appendFrameText(append(dst, ' '), f)
}

// name returns a bus name without blanks.
func (e *candumpEncoder) name(bus uint16) []byte {
	for int(bus) >= len(e.names) {
		e.names = append(e.names, nil)
	}
	if e.names[bus] == nil {
		e.names[bus] = plainBusName(e.buses, bus)
	}
	return e.names[bus]
}

// plainBusName returns the name of a bus as it can stand in any format.
func plainBusName(buses *can.Buses, bus uint16) []byte {
	if name := plainName([]byte(buses.Name(bus))); len(name) > 0 {
		return name
	}
	return strconv.AppendUint([]byte("if"), uint64(bus), 10)
}

// appendStamp appends "(seconds.fraction) ": microseconds, as everybody reads
// them, or nanoseconds where there are some.
func appendStamp(dst []byte, ns int64) []byte {
	dst = append(dst, '(')
	dst = strconv.AppendInt(dst, ns/1e9, 10)
	dst = append(dst, '.')
	fraction, digits := ns%1e9, 9
	if fraction%1000 == 0 {
		fraction, digits = fraction/1000, 6
	}
	at := len(dst)
	dst = append(dst, "000000000"[:digits]...)
	for i := at + digits - 1; fraction > 0; i-- {
		dst[i] = byte('0' + fraction%10)
		fraction /= 10
	}
	return append(dst, ") "...)
}

// appendFrameText appends identifier and payload: 123#1122, 12345678#, 123#R4,
// 123##1 and the bytes of an FD frame, 20000004# and the details of an error
// frame, and _9 to _F for a raw DLC (the doc comment of the format's parser).
func appendFrameText(dst []byte, f *can.Frame) []byte {
	switch {
	case f.Flags&can.Error != 0:
		dst = appendHex(dst, f.ID|flagERR, 8)
	case f.Flags&can.Extended != 0:
		dst = appendHex(dst, f.ID, 8)
	default:
		dst = appendHex(dst, f.ID, 3)
	}
	dst = append(dst, '#')
	switch {
	case f.Flags&can.FD != 0:
		flags := 0
		if f.Flags&can.BRS != 0 {
			flags |= fdBRS
		}
		if f.Flags&can.ESI != 0 {
			flags |= fdESI
		}
		dst = append(dst, '#', upperHex[flags])
	case f.Flags&can.Remote != 0:
		dst = append(dst, 'R')
		if f.Len > 0 {
			dst = append(dst, '0'+f.Len)
		}
	}
	for _, b := range f.Payload() {
		dst = append(dst, upperHex[b>>4], upperHex[b&15])
	}
	if f.Flags&can.FD == 0 && f.DLC > can.MaxClassicLen {
		dst = append(dst, '_', upperHex[f.DLC&15])
	}
	return dst
}

func appendHex(dst []byte, v uint32, digits int) []byte {
	for shift := 4 * (digits - 1); shift >= 0; shift -= 4 {
		dst = append(dst, upperHex[v>>shift&15])
	}
	return dst
}
