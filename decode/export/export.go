// Package export renders decoded frames: JSON lines, CSV in long form, lines to
// read, and Parquet, as one long table (Long) or a dense one for each message
// (Dense). A Format appends to the caller's buffer, which it reuses, so that a
// frame costs no allocation:
//
//	format := export.NewJSON()
//	buf = format.Head(buf)
//	for each frame {
//		buf = format.Append(buf, &export.Record{Frame: f, Bus: "can0", Message: m, Values: values})
//		if len(buf) > 1<<16 { write it, then buf = buf[:0] }
//	}
package export

import (
	"plugproof/decode"
	"plugproof/decode/can"
)

// Record is one frame and what is known of it.
type Record struct {
	Frame   *can.Frame
	Bus     string           // name of the frame's bus
	Message *decode.Message  // nil: the frame is shown as it is
	Values  []decode.Value   // those to show
	Missing []*decode.Signal // those the frame is too short for
}

// Format renders records one after another. It keeps what it has worked out
// about messages, and the readable one its column widths: each stream needs its
// own, and it serves one goroutine.
type Format interface {
	// Head appends what comes before the first record.
	Head(dst []byte) []byte
	// Append appends a record.
	Append(dst []byte, r *Record) []byte
}
