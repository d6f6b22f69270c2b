// Package moved finds the bits of a capture that moved with what a technician
// moved: the way to a first definition of a car that nobody has described.
//
// A capture is read once, in bounded memory. Per identifier it keeps how often
// each bit flipped and carried into its neighbour, frames to learn counters and
// checksums from, and a thinned course of payloads. Fields are grown over
// neighbouring bits in both byte orders, and each is held against what it should
// have done: so many strokes here, at rest there.
//
// What is claimed has a score, the share of the expectation that was met, and a
// chance, the number of fields that would do as well by accident. A capture that
// cannot tell says so, and what to record.
package moved

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// Span is a stretch of time on the capture's clock, in ns; the end is not part of it.
type Span struct{ Start, End int64 }

// Reading is what an instrument showed at a time in ns.
type Reading struct {
	Time  int64
	Value float64
}

// Options say what was moved, and when.
type Options struct {
	Captures []string
	Columns  *capture.Columns // of captures that are delimited text; nil: none is
	Moved    string           // one of Kinds
	Stages   stages.Spans     // as marked beside the captures; may be empty
	When     []Span           // when it was moved, in place of the stages; of a lamp: when it was lit
	Strokes  int              // how often it was moved there and back; 0: as the capture script has it
	Range    *[2]float64      // physical values at rest and at the far end; nil: that of the kind, if it has one
	Unit     string           // "": that of the kind
	Readings []Reading        // sorted by time

	Workers int                   // as capture.Options has it
	Opened  func(*capture.Reader) // called with the reader before it is read; nil: nobody asks
}

// Field says where bits stand, as a DBC file writes it.
type Field struct {
	Start, Length int
	Order         dbc.ByteOrder
	Signed        bool
}

// String writes the field as in an SG_ line.
func (f Field) String() string {
	sign := '+'
	if f.Signed {
		sign = '-'
	}
	return fmt.Sprintf("%d|%d@%d%c", f.Start, f.Length, f.Order, sign)
}

// OrderName says the byte order in the words of the trade.
func (f Field) OrderName() string {
	if f.Order == dbc.Motorola {
		return "motorola"
	}
	return "intel"
}

// Proposal is one field that may be what was moved.
type Proposal struct {
	Bus    string
	ID     profiles.ID
	Bytes  int // of its frames, at most
	Field  Field
	Moving int // bits of the field that moved; those above them are a guess

	Score  float64 // share of the expectation that was met, 0 to 1
	Chance float64 // fields of this capture that would do so by accident; small is good
	Why    []string

	Low, High float64 // least and greatest raw value where it moved
	Rest      float64 // raw value at rest
	Scale     Scale

	Tied   bool // its score is that of the first, as far as can be told
	CopyOf int  // the earlier proposal whose course this one repeats; -1: none

	course []float64 // on the common grid, to compare with others
	levels int       // different values in it
}

// Result is what was found.
type Result struct {
	Proposals []Proposal // best first; at most maxProposals
	Told      bool       // the first fits beyond accident, alone or tied with others
	Record    []string   // what to record so that more can be told
	Remarks   []string
	Reports   []capture.FileReport
	Fields    int // that were looked at
	Guarded   int // identifiers with counters or checksums, whose bits were left out
}

const (
	maxProposals = 64
	goodScore    = 0.7  // below it nothing is claimed
	goodFit      = 0.9  // the same where readings are all there is: much in a car goes along with much else
	goodState    = 0.97 // the same for what has two states: it is right or wrong, not nearly right
	goodChance   = 0.01 // above it nothing is claimed
	tieWidth     = 0.03 // scores closer than this are a tie
	leastShown   = 0.3
)

// ErrNothing is the reason when captures hold no frame.
var ErrNothing = errors.New("there is no frame to look at")

// FirstStamp returns the time of the first frame of captures, in ns. columns are as
// Options has them.
func FirstStamp(ctx context.Context, paths []string, columns *capture.Columns) (int64, error) {
	r, err := capture.Open(paths, capture.Options{Columns: columns})
	if err != nil {
		return 0, err
	}
	defer r.Close()
	var first [1]can.Frame
	n, err := r.Read(ctx, first[:])
	switch {
	case n > 0:
		return first[0].Time, nil
	case errors.Is(err, io.EOF):
		return 0, ErrNothing
	}
	return 0, err
}

// Find looks for what was moved. The error is a *UsageError where the options do
// not say enough.
func Find(ctx context.Context, opts Options) (*Result, error) {
	plan, err := newPlan(&opts)
	if err != nil {
		return nil, err
	}
	r, err := capture.Open(opts.Captures, capture.Options{Hash: true, Workers: opts.Workers, Columns: opts.Columns})
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if opts.Opened != nil {
		opts.Opened(r)
	}
	c, err := capture.Fold(ctx, r, func() *collector { return newCollector(plan) })
	if err != nil {
		return nil, err
	}
	if len(c.ids) == 0 {
		return nil, ErrNothing
	}
	res := &Result{Reports: r.Reports()}
	if c.left > 0 {
		res.Remarks = append(res.Remarks, fmt.Sprintf("%d frames of identifiers past the first %d were not looked at", c.left, len(c.ids)))
	}
	res.judge(plan, c.sorted(r.Buses()), &opts)
	return res, nil
}

// judge scores all fields and says what can be told.
func (res *Result) judge(plan *plan, list []*identifier, opts *Options) {
	res.Guarded = learnGuarded(list)
	plan.bound(list)
	for _, id := range list {
		if plan.shape == states { // lit all the while
			id.vary(nil)
		} else {
			id.vary(plan.stretches())
		}
	}
	if plan.moved == nil && len(plan.readings) == 0 && plan.shape != slow && plan.shape != states {
		res.search(plan, list)
	} else {
		for _, id := range list {
			res.add(plan, id)
		}
	}
	res.rank(plan, opts)
}

// add scores the fields of one identifier. Of fields that share bits in one byte
// order the best is kept: a part does what the whole does.
func (res *Result) add(plan *plan, id *identifier) {
	var own []Proposal
	for _, f := range plan.fields(id) {
		res.Fields++
		if p := plan.score(id, f); p.Score >= leastShown {
			own = append(own, p)
		}
	}
	res.Proposals = append(res.Proposals, plan.withoutParts(own)...)
}

// search looks for the pattern of strokes where nobody said when.
func (res *Result) search(plan *plan, list []*identifier) {
	for _, id := range list {
		var own []Proposal
		for _, f := range plan.fields(id) {
			res.Fields++
			if at, ok := plan.pattern(id, f); ok {
				sub := *plan
				sub.window(at)
				sub.found = true
				if p := sub.score(id, f); p.Score >= leastShown {
					p.Why = append(p.Why, fmt.Sprintf("the strokes lie at %s", plan.relative(at)))
					own = append(own, p)
				}
			}
		}
		res.Proposals = append(res.Proposals, plan.withoutParts(own)...)
	}
}

// withoutParts drops proposals that share bits with a better one.
// Codes are the shortest that tell all positions.
func (p *plan) withoutParts(own []Proposal) []Proposal {
	sign := 1
	if p.shape == codes {
		sign = -1
	}
	slices.SortStableFunc(own, func(a, b Proposal) int {
		return cmp.Or(rough(b.Score)-rough(a.Score), sign*cmp.Compare(b.Moving, a.Moving), cmp.Compare(a.Field.Length, b.Field.Length), cmp.Compare(b.Score, a.Score))
	})
	var kept []Proposal
	for _, p := range own {
		if !slices.ContainsFunc(kept, func(q Proposal) bool { return overlap(p.Field, q.Field) }) {
			kept = append(kept, p)
		}
	}
	return kept
}

// rough is a score in steps that mean something.
func rough(score float64) int { return int(score/tieWidth + 0.5) }

// overlap reports whether two fields share a bit.
func overlap(a, b Field) bool {
	bits := map[int]bool{}
	for _, bit := range a.bits() {
		bits[bit] = true
	}
	return slices.ContainsFunc(b.bits(), func(bit int) bool { return bits[bit] })
}

// rank sorts the proposals, finds copies and ties, and says what is told.
func (res *Result) rank(plan *plan, opts *Options) {
	sign := 1
	if !plan.graded { // a switch is a bit rather than a pressure
		sign = -1
	}
	slices.SortStableFunc(res.Proposals, func(a, b Proposal) int {
		return cmp.Or(rough(b.Score)-rough(a.Score), sign*cmp.Compare(b.Moving, a.Moving), cmp.Compare(b.Score, a.Score))
	})
	res.Proposals = res.Proposals[:min(len(res.Proposals), maxProposals)]
	lag := plan.lag()
	for i := range res.Proposals {
		p := &res.Proposals[i]
		p.Chance *= float64(res.Fields)
		p.Scale = plan.scale(p, opts)
		p.CopyOf = -1
		p.Tied = i > 0 && res.Proposals[0].Score-p.Score <= tieWidth
		for k := range i {
			if res.Proposals[k].CopyOf < 0 && alike(&res.Proposals[k], p, lag) {
				p.CopyOf = k
				break
			}
		}
	}
	if len(res.Proposals) > 1 && res.Proposals[1].Tied {
		res.Proposals[0].Tied = true
	}
	res.Told = len(res.Proposals) > 0 && res.Proposals[0].claimed(plan)
	res.Record = plan.advice(res)
}

// Tied reports whether others than copies fit as well as the first.
func (res *Result) Tied() bool {
	for i := 1; i < len(res.Proposals); i++ {
		if p := &res.Proposals[i]; p.Tied && p.CopyOf != 0 {
			return true
		}
	}
	return false
}

// claimed reports whether a proposal is beyond accident.
func (out *Proposal) claimed(p *plan) bool {
	return out.Score >= p.least() && out.Chance <= goodChance
}

// least is the score below which nothing is claimed.
func (p *plan) least() float64 {
	switch {
	case p.shape == readings:
		return goodFit
	case p.shape == states || p.shape == strokes && !p.graded:
		return goodState
	}
	return goodScore
}

// UsageError says what the options lack.
type UsageError struct{ Text, Try string }

func (e *UsageError) Error() string { return e.Text }
