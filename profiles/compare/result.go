// Package compare sets a capture of a car as it is now against one of the same
// car before its engine computer was replaced: who still sends what, how often,
// how it is guarded, and what its values do in the same state of the car. It
// works with a profile, with DBC files alone, and with neither, bit by bit.
//
// Captures are matched by state (engine speed, coolant, lever, ...), never by
// time. A state is told by other units' frames where there are any, because no
// signal may be judged in states that its own sender tells.
package compare

import (
	"slices"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// Mode says how much is known of what the frames mean.
type Mode string

// The modes.
const (
	ByProfile Mode = "profile" // senders, listeners, functions, definitions
	ByDBC     Mode = "dbc"     // definitions, and senders where the files name them
	ByBits    Mode = "bits"    // nothing: payloads are looked at byte by byte
)

// Aspect is what a Row compares: one row of the before/after table.
type Aspect string

// The aspects, those that outrank the others first.
const (
	TroubleCode Aspect = "trouble-code" // a code that a scan tool read after the swap only, or before it only
	Lamp        Aspect = "lamp"         // a lamp that a person saw lit after the swap only, or before it only
	Complaint   Aspect = "complaint"    // a fault, limp or lamp bit of another unit
	Presence    Aspect = "presence"     // identifiers added or removed
	Cycle       Aspect = "cycle"        // median gap, and the longest gap
	Length      Aspect = "length"       // payload bytes, 11 or 29 bits
	Constant    Aspect = "constants"    // bits that never changed before
	Protected   Aspect = "protection"   // counter, toggle bit, parity, checksum
	Range       Aspect = "range"        // values in the same state
	Response    Aspect = "response"     // to a stimulus: whether, which way, how late
	Wake        Aspect = "wake-up"      // first frame, counted from when the bus woke
	Valid       Aspect = "first-valid"  // first frame without a "not available" pattern
	PostRun     Aspect = "post-run"     // last frame, counted from when the key was turned off
)

// Rank orders aspects: the lower, the more they say.
func (a Aspect) Rank() int {
	return slices.Index([]Aspect{
		TroubleCode, Lamp, Complaint, Presence, Cycle, Length, Constant, Protected, Range, Response, Wake, Valid, PostRun,
	}, a)
}

// Result is a whole comparison. Times are ns on each capture's own clock; all
// lists are in a fixed order that does not depend on the number of workers.
type Result struct {
	Verdict  rules.Verdict // the worst of all rows; NotTestable where too little could be judged
	Mode     Mode
	Setting  string // name of the profile; "": none
	Replaced string // the unit that was replaced, as the profile names it; "": not known

	Before, After Side

	// Complaints are what the other units say themselves: trouble codes, lamps and
	// their own bits. They outrank every other row and come first. Only new ones are
	// listed, and those that ceased (as a pass).
	Complaints []Row

	Seen  rules.Observed  // as it was given
	Since rules.SinceSwap // what became of codes and lamps, those that stayed too

	// Functions are what the driver or another unit has from the network, by
	// name; empty without a profile.
	Functions []Function

	// Messages are all identifiers of either capture, sorted by bus and identifier.
	Messages []Message

	// Axes span the states, States are those that occurred in either capture.
	// Without a signal to tell states by there is one state without bins.
	Axes   []Axis
	States []State

	// Series are the values of signals by state, in the order of Messages and of
	// the definition: what a before/after overlay is drawn from.
	Series []Series

	// Notes say in plain sentences what the comparison rests on and what it
	// could not look at, as "only the engine computer itself gives coolant".
	Notes []string
}

// Side is one of the two recordings.
type Side struct {
	Captures   []capture.FileReport
	Frames     uint64 // error frames left out
	Start, End int64  // ns, stamps of the earliest and the latest frame
}

// Function is the verdict on one function: that of the worst of its rows.
type Function struct {
	Name, Title string
	Verdict     rules.Verdict
	Reason      string // one sentence: the worst row, or why it is not testable
	Option      bool   // not every car of the setting has it
	Exercised   bool   // by the capture before: then a Verdict of NotTestable is one that was asked for
	Rows        []Place
}

// Place is where a Row stands: Messages[Message].Rows[Row].
type Place struct{ Message, Row int }

// Unjudged lists the functions that the capture before exercises and that could
// not be judged. Options are not asked for.
func (r *Result) Unjudged() (titles []string) {
	for i := range r.Functions {
		if f := &r.Functions[i]; f.Verdict == rules.NotTestable && f.Exercised && !f.Option {
			titles = append(titles, f.Title)
		}
	}
	return titles
}

// Message is one identifier on one bus and all its rows.
type Message struct {
	Bus     string // of the profile where it has one, else the interface
	ID      profiles.ID
	Name    string // "": no definition
	Sender  string // "": not known
	Own     bool   // sent by the replaced unit, or a gateway's copy of what it sends
	Verdict rules.Verdict
	Before  Facts
	After   Facts
	Rows    []Row // in the order of the aspects; rows with nothing to say are a Pass
}

// Facts are the figures of one identifier in one capture. Times in ns.
type Facts struct {
	Frames      uint64 // 0: the rest means nothing
	Length      int    // payload bytes of most frames
	MedianGap   int64  // 0: fewer than two frames
	P95Gap      int64
	LongestGap  int64
	First, Last int64  // stamps
	Varying     []byte // bits of the payload that were seen both 0 and 1; byte 0 first
}

// Row is the verdict on one aspect of one identifier or signal.
type Row struct {
	Aspect    Aspect
	Verdict   rules.Verdict
	Text      string // one plain sentence with the figures
	Bus       string
	ID        profiles.ID
	Message   string
	Signal    string           // "": the whole message
	Sender    string           // of the message
	Listener  string           // who is hurt, or who complains
	Functions []string         // that lean on it
	Code      *rules.Explained // of a TroubleCode; nil: none
	State     int              // index in Result.States of the worst state; -1: not by state

	Before    *rules.Quantity // the figure before; nil: none
	Measured  *rules.Quantity // the figure after
	Limit     *rules.Quantity
	LimitFrom string // "baseline", "common practice", or the profile with file:line

	Count         uint64         // frames or events that show it
	BeforeExample *rules.Example // a frame of the capture before; nil: none
	Example       *rules.Example // a frame of the capture after, the first bad one; nil where it is an absence
	NextStep      string         // "" for a pass
}

// Axis is one coordinate of a state.
type Axis struct {
	Title   string // "engine speed"
	Unit    string
	Signal  profiles.SignalRef // "": told by stages marked beside the captures
	Sender  string             // "": not known
	Circled bool               // of the replaced unit itself, or of nobody knows whom: its own signals are judged in these bins for a review at most
	Bins    []Bin
}

// Name says what an axis is told by: "engine speed (EngineSpeed.EngineSpeedRpm)".
func (a *Axis) Name() string {
	if a.Signal == "" {
		return a.Title + " as marked"
	}
	return a.Title + " (" + string(a.Signal) + ")"
}

// Bin is one stretch of an Axis. Values lie in [From, To); the ends of the outer
// bins are infinite. A bin of a list of states has From = To = its raw value.
type Bin struct {
	Label    string // "1000 to 1500 rpm", "drive"
	From, To float64
}

// State is one combination of bins.
type State struct {
	Bins          []int  // by Axis; -1: not known
	Label         string // "engine speed 1000 to 1500 rpm, lever drive"
	Before, After uint64 // frames of all messages
}

// Series is one signal by state.
type Series struct {
	Message int // index in Result.Messages
	Signal  string
	Unit    string
	Points  []Point // sorted by State; states in which it came in neither capture are left out
}

// Point is a signal in one state.
type Point struct {
	State         int // index in Result.States
	Before, After Values
}

// Values are the values of a signal in one state, in its unit; "not available"
// patterns are left out.
type Values struct {
	N              uint64 // 0: the rest means nothing
	Min, Max, Mean float64
}

// Include adds the values of another state.
func (v *Values) Include(w Values) {
	switch {
	case w.N == 0:
		return
	case v.N == 0:
		*v = w
		return
	}
	n := float64(v.N) + float64(w.N)
	v.Mean = v.Mean*(float64(v.N)/n) + w.Mean*(float64(w.N)/n)
	v.N += w.N
	v.Min, v.Max = min(v.Min, w.Min), max(v.Max, w.Max)
}

// AlongAxis returns the values of a series in each bin of one axis, all other
// coordinates taken together; the last element is the states in which that
// coordinate is not known. State of the points is the bin.
func (r *Result) AlongAxis(s *Series, axis int) []Point {
	points := make([]Point, len(r.Axes[axis].Bins)+1)
	for i := range points {
		points[i].State = i
	}
	for i := range s.Points {
		bin := r.States[s.Points[i].State].Bins[axis]
		if bin < 0 {
			bin = len(points) - 1
		}
		points[bin].Before.Include(s.Points[i].Before)
		points[bin].After.Include(s.Points[i].After)
	}
	return points
}
