package capture

import (
	"cmp"
	"fmt"
	"slices"
)

// Kind names a reason why a record gave no frame, or a remark about the order
// and the clock of records that did.
type Kind string

// Records set aside. Blank lines and comments belong to the format; the others
// are damage or things that plugproof does not decode.
const (
	Blank     Kind = "blank line"
	Comment   Kind = "comment"
	Cut       Kind = "cut record"          // ends before it is complete
	Glued     Kind = "glued record"        // two records run together
	Foreign   Kind = "foreign text"        // a prompt, a terminal header, anything that is no frame
	Malformed Kind = "malformed record"    // a frame's shape with impossible content
	XL        Kind = "CAN XL frame"        // recognised, not decoded
	Lost      Kind = "note of lost frames" // the recorder says that it lost frames here
	OtherLink Kind = "not CAN"             // a packet of another link type, or a block without packets
	Oversize  Kind = "oversized record"    // longer than any record may be
	Garbage   Kind = "unreadable bytes"    // skipped until the next block was found
)

// Remarks about records that were read.
const (
	Backward  Kind = "backward time step"
	Jump      Kind = "clock jump"       // more than 60 s without any frame on any bus
	Duplicate Kind = "duplicate record" // the same stamp, bus, identifier and payload as the one before
	Clumped   Kind = "clumped stamps"   // frames of one bus closer than any bus could carry them
)

// Place is where a record stands.
type Place struct {
	Offset int64  `json:"offset"` // byte offset in the decompressed capture
	Record uint32 `json:"record"` // 1-based; for text the line number
}

// Tally counts records of one kind and keeps the first three places.
type Tally struct {
	Count uint64  `json:"count"`
	First []Place `json:"first"` // at most three, in file order
}

// places is how many places a Tally keeps.
const places = 3

// Clock says what the stamps of a capture count from.
type Clock uint8

// The clocks.
const (
	ClockNone     Clock = iota // no stamps: every Time is 0
	ClockRelative              // from the start of the capture, or of something unknown
	ClockAbsolute              // from the Unix epoch
)

// String gives "none", "relative" or "absolute".
func (c Clock) String() string {
	return [...]string{"none", "relative", "absolute"}[c]
}

// MarshalText writes the clock as String names it.
func (c Clock) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// FileReport says what one capture held and what became of every record in it:
// Records == Frames + the counts of SetAside, always.
type FileReport struct {
	Path        string         `json:"file"`
	Format      string         `json:"format"`                // "candump log", "candump console", "pcap", "pcapng"
	Compression string         `json:"compression,omitempty"` // "gzip", "zstd"
	Size        int64          `json:"size_bytes"`            // bytes as they lie on disk; -1 while unknown
	SHA256      string         `json:"sha256,omitempty"`      // of those bytes, when asked for
	Clock       Clock          `json:"clock"`
	Records     uint64         `json:"records"`
	Frames      uint64         `json:"frames"`
	SetAside    map[Kind]Tally `json:"set_aside"`
	Remarks     map[Kind]Tally `json:"remarks"`
	Notes       []string       `json:"notes,omitempty"`  // what was assumed: "link type 227 with little-endian identifiers"
	Broken      string         `json:"broken,omitempty"` // why reading ended before the capture did; "": it did not
	FirstTime   int64          `json:"-"`                // stamps of the earliest and latest frame, ns
	LastTime    int64          `json:"-"`
}

// newTallies returns a report that counts can be added to.
func newTallies() FileReport {
	return FileReport{SetAside: map[Kind]Tally{}, Remarks: map[Kind]Tally{}}
}

// merge adds the counts of a following stretch of the capture.
func (r *FileReport) merge(next *FileReport) {
	r.Records += next.Records
	r.Frames += next.Frames
	for kind, more := range next.SetAside {
		t := r.SetAside[kind]
		t.merge(more)
		r.SetAside[kind] = t
	}
	for _, text := range next.Notes {
		r.note(text)
	}
}

// add counts one record.
func (t *Tally) add(at Place) {
	t.Count++
	if len(t.First) < places {
		t.First = append(t.First, at)
	}
}

// merge adds the count of a following stretch of the capture.
func (t *Tally) merge(next Tally) {
	t.Count += next.Count
	t.First = append(t.First, next.First[:min(len(next.First), places-len(t.First))]...)
}

// insert counts a record that was found after others that stand behind it.
func (t *Tally) insert(at Place) {
	t.Count++
	t.First = append(t.First, at)
	slices.SortFunc(t.First, func(a, b Place) int { return cmp.Compare(a.Offset, b.Offset) })
	t.First = t.First[:min(len(t.First), places)]
}

// setAside counts a record that gave no frame.
func (r *FileReport) setAside(k Kind, at Place) {
	r.Records++
	t := r.SetAside[k]
	t.add(at)
	r.SetAside[k] = t
}

// maxNotes bounds what a hostile capture can make a report grow to.
const maxNotes = 16

// note adds what was assumed while reading, once.
func (r *FileReport) note(text string) {
	if len(r.Notes) < maxNotes && !slices.Contains(r.Notes, text) {
		r.Notes = append(r.Notes, text)
	}
}

// Error is a capture that cannot be read on: which file, where, and why.
type Error struct {
	Path   string
	Offset int64  // byte offset in the decompressed capture; -1: not about a place
	Record uint32 // 1-based; 0: not about a record
	Err    error
}

// Error gives "path:record: reason"; for text the record is the line.
func (e *Error) Error() string {
	if e.Record > 0 {
		return fmt.Sprintf("%s:%d: %v", e.Path, e.Record, e.Err)
	}
	return fmt.Sprintf("%s: %v", e.Path, e.Err)
}

// Unwrap returns the reason.
func (e *Error) Unwrap() error { return e.Err }
