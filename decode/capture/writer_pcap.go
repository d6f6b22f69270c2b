package capture

import (
	"encoding/binary"
	"math"

	"plugproof/decode/can"
)

// pcapEncoder writes the classic format, little endian, with nanoseconds. It is
// our own for the same reasons as the reader: pcapgo has no link type over 255.
type pcapEncoder struct{ link link }

func (e pcapEncoder) head(dst []byte) []byte {
	le := binary.LittleEndian
	dst = le.AppendUint32(dst, magicNano)
	dst = le.AppendUint16(dst, 2) // version 2.4
	dst = le.AppendUint16(dst, 4)
	dst = le.AppendUint64(dst, 0)
	dst = le.AppendUint32(dst, maxPacket)
	return le.AppendUint32(dst, e.link.typ)
}

func (e pcapEncoder) frame(dst []byte, f *can.Frame) ([]byte, error) {
	seconds := f.Time / 1e9
	if f.Time < 0 || seconds > math.MaxUint32 {
		return dst, errStamp(f, Pcap, "1970 to 2106")
	}
	le := binary.LittleEndian
	length := uint32(e.link.size(f))
	dst = le.AppendUint32(dst, uint32(seconds))
	dst = le.AppendUint32(dst, uint32(f.Time%1e9))
	dst = le.AppendUint32(dst, length)
	dst = le.AppendUint32(dst, length)
	return e.link.appendPacket(dst, f), nil
}
