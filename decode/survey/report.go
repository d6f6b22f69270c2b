package survey

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"

	"plugproof/decode/can"
)

// Report is the finished survey. Times are on the capture's clock. A pointer
// that is nil, null in JSON, means that the figure cannot be known: no clock,
// too few frames, no bit rate.
type Report struct {
	// Quantiles of gaps are within this share of the exact ones.
	GapQuantileErrorPercent float64 `json:"gap_quantile_error_percent"`
	Frames                  uint64  `json:"frames"` // error frames are not among them
	ErrorFrames             uint64  `json:"error_frames"`
	Timing
	Buses []Bus `json:"buses"` // by name
}

// Timing is what the stamps of a stretch of frames say. Two frames in a row
// that are more than 60 s apart are a jump of the clock, or joined captures: that
// time was not observed.
type Timing struct {
	First     *Instant `json:"first"` // the earliest and the latest stamp
	Last      *Instant `json:"last"`
	ObservedS *float64 `json:"observed_s"`     // steps from frame to frame in one capture, jumps left out
	Backward  uint64   `json:"backward_steps"` // frames with an earlier stamp than the one before
	Jumps     uint64   `json:"clock_jumps"`
}

// Bus is what one bus carried.
type Bus struct {
	Name        string `json:"bus"`
	Bitrate     *int64 `json:"bitrate_bit_per_s"`
	DataBitrate *int64 `json:"data_bitrate_bit_per_s"`
	Frames      uint64 `json:"frames"`
	Timing
	Load   Load        `json:"load"`
	Errors ErrorFrames `json:"errors"`
	IDs    []ID        `json:"ids"`    // by identifier, 11 bits before 29, data before remote
	Others *Others     `json:"others"` // nil: every identifier has its row

	NotSeen []NotSeen `json:"not_seen"` // by identifier; empty without a DBC
}

// Load is how much of a bus was in use, by the exact length of every frame on
// the wire, stuff bits and intermission included. Error frames count for
// nothing: a capture does not say how long they were. Windows of 100 ms are
// aligned to whole multiples of 100 ms of the capture's clock; the worst second
// is the worst of all stretches of ten windows in a row. The mean is over the
// observed time of the whole capture, all buses together.
type Load struct {
	NominalBits uint64 `json:"nominal_bits"` // at the arbitration bit rate
	DataBits    uint64 `json:"data_bits"`    // at the FD data bit rate
	Mean        *Rate  `json:"mean"`
	WorstSecond *Rate  `json:"worst_1s"`
	WorstTenth  *Rate  `json:"worst_100ms"`
}

// Rate is a load over some stretch of time.
type Rate struct {
	NominalBitPerS float64  `json:"nominal_bit_per_s"`
	DataBitPerS    float64  `json:"data_bit_per_s"`
	Percent        *float64 `json:"percent"`         // of the time; nil: bit rate not known
	Start          *Instant `json:"start,omitempty"` // of the stretch; nil for a mean
}

// ErrorFrames is what the error frames of a bus were. Their windows are those of Load.
type ErrorFrames struct {
	Frames      uint64       `json:"frames"`
	Classes     []ErrorClass `json:"classes"` // those that occurred; a frame may have several
	WorstSecond *ErrorRate   `json:"worst_1s"`
	WorstTenth  *ErrorRate   `json:"worst_100ms"`
	Course      []ErrorRate  `json:"course"`   // up to 64 stretches of equal width, empty ones left out
	CourseS     *float64     `json:"course_s"` // that width
}

// ErrorClass counts the error frames that report one class.
type ErrorClass struct {
	Class  can.ErrorClass `json:"-"`
	Text   string         `json:"class"`
	Frames uint64         `json:"frames"`
}

// ErrorRate is the number of error frames in a stretch of time.
type ErrorRate struct {
	Start  Instant `json:"start"`
	Frames uint64  `json:"frames"`
}

// Others adds up the frames of identifiers beyond MaxIDs and MaxRows.
type Others struct {
	Frames       uint64   `json:"frames"`
	SharePercent *float64 `json:"share_percent"`
	First        *Instant `json:"first"` // the earliest and the latest stamp
	Last         *Instant `json:"last"`
}

// ID is what was seen of one identifier and format on one bus.
type ID struct {
	ID         uint32    `json:"-"`
	Text       string    `json:"id"` // 0x201; eight digits for 29 bits
	Extended   bool      `json:"extended"`
	Remote     bool      `json:"remote"`
	Message    string    `json:"message"` // "": not in the DBC
	Senders    []string  `json:"senders"`
	Frames     uint64    `json:"frames"`
	FDFrames   uint64    `json:"fd_frames"`
	Lengths    []Length  `json:"lengths"`
	Kind       Kind      `json:"kind"`
	CycleNS    int64     `json:"-"`               // the T by which Kind is judged; 0: it has none
	Cycle      *float64  `json:"stated_cycle_ms"` // by the DBC
	Gaps       *GapTimes `json:"gaps"`
	RateHz     *float64  `json:"rate_hz"` // per observed time from its first frame to its last
	Backward   uint64    `json:"backward_steps"`
	Share      *float64  `json:"share_percent"` // of the bits of its bus
	First      *Instant  `json:"first"`         // the earliest and the latest stamp
	Last       *Instant  `json:"last"`
	Repeats    uint64    `json:"repeats"` // frames with the payload of the one before
	Bits       BitMap    `json:"bits"`
	ShortCount uint64    `json:"short_frames"` // too short for a signal that should be there
	Signals    []Signal  `json:"signals"`
}

// NotSeen is a message that the DBC files define for a bus and of which no frame
// came. Those that no frame can carry are left out.
type NotSeen struct {
	ID       uint32   `json:"-"`
	Text     string   `json:"id"`
	Extended bool     `json:"extended"`
	Message  string   `json:"message"`
	Senders  []string `json:"senders"`
	Cycle    *float64 `json:"stated_cycle_ms"` // nil: not stated
}

// Length counts the frames of one payload length (asked for, of a remote frame).
type Length struct {
	Bytes  int    `json:"bytes"`
	Frames uint64 `json:"frames"`
}

// GapTimes tells the gaps between frames of one identifier. A gap across two
// captures, or back in time, is none. Jitter is the mean difference between two
// gaps in a row, over those pairs of which the longer is at most one and a half
// times the shorter, so that lost frames and pauses do not pass for jitter.
type GapTimes struct {
	Count    uint64   `json:"count"`
	MinMS    float64  `json:"min_ms"`
	MeanMS   float64  `json:"mean_ms"`
	P50MS    float64  `json:"p50_ms"`
	P95MS    float64  `json:"p95_ms"`
	P99MS    float64  `json:"p99_ms"`
	MaxMS    float64  `json:"max_ms"`
	JitterMS *float64 `json:"jitter_ms"`
}

// Signal is what was seen of one signal. Values are physical ones, never clamped.
type Signal struct {
	Name      string   `json:"signal"`
	Unit      string   `json:"unit"`
	Frames    uint64   `json:"frames"` // that carry it
	Min       *float64 `json:"min"`
	Max       *float64 `json:"max"`
	Distinct  int      `json:"distinct"`   // different raw values, at most MaxDistinct or 256
	More      bool     `json:"more"`       // there are more than Distinct
	Outside   uint64   `json:"outside"`    // frames with a value outside the stated range
	NotFinite uint64   `json:"not_finite"` // frames with a value that is not a number or infinite
	StatedMin *float64 `json:"stated_min"`
	StatedMax *float64 `json:"stated_max"`
	Labels    []Label  `json:"labels"` // values seen that have a text, for tables of up to 64
}

// Label counts the frames with one value of a value table.
type Label struct {
	Raw    string `json:"raw"`
	Text   string `json:"text"`
	Frames uint64 `json:"frames"`
}

// Instant is a time in ns on the capture's clock.
type Instant int64

// MarshalJSON writes {"t": seconds, "t_ns": "nanoseconds"}: the number for
// people, the text because it is exact.
func (i Instant) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		T  float64 `json:"t"`
		NS string  `json:"t_ns"`
	}{float64(i) / 1e9, strconv.FormatInt(int64(i), 10)})
}

func idText(id uint32, extended bool) string {
	if extended {
		return fmt.Sprintf("0x%08X", id)
	}
	return fmt.Sprintf("0x%03X", id)
}

// finite returns nil for what JSON cannot hold.
func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// ratio returns a/b, nil when b is 0.
func ratio(a, b float64) *float64 {
	if b == 0 {
		return nil
	}
	return finite(a / b)
}
