package compare

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// Input of Run. Before and After are read to their ends, one after the other.
type Input struct {
	Before, After *capture.Reader

	Setting *profiles.Setting // what is known of the car; nil: see Definitions

	// BeforeBuses and AfterBuses say which bus an interface stands for: of the
	// setting (check.MatchBuses), else of the capture before (Match). Interfaces
	// that they do not name stand for a bus of their own name.
	BeforeBuses, AfterBuses map[string]string

	// Definitions are DBC files, for a car without a profile.
	Definitions []decode.Mapping

	// BeforeStages and AfterStages are the stages marked in the captures. With both
	// there is one more axis to match states by, which needs no frames to tell it.
	BeforeStages, AfterStages stages.Spans

	// Seen is what a person saw and read on the car after the swap and before it.
	Seen rules.Observed

	// Reading is called before a capture is read, and what it returns after; nil:
	// nobody watches.
	Reading func(*capture.Reader) (done func())
}

// ErrNothing is the reason when a capture holds no frame.
var ErrNothing = errors.New("there is no frame in it")

// OtherCarError says that two captures have hardly anything in common.
type OtherCarError struct{ Common, Before, After int }

func (e *OtherCarError) Error() string {
	return fmt.Sprintf("the captures have %d identifiers in common, of %d before and %d after: they are not of one car, or of other buses",
		e.Common, e.Before, e.After)
}

// Run reads both captures and sets them against each other. The error is that of
// reading, ErrNothing or an *OtherCarError.
func Run(ctx context.Context, in *Input) (*Result, error) {
	marked := len(in.BeforeStages) > 0 && len(in.AfterStages) > 0
	p, err := newPlan(in.Setting, in.Definitions, marked)
	if err != nil {
		return nil, err
	}
	spansBefore, spansAfter := in.BeforeStages, in.AfterStages
	if !marked {
		spansBefore, spansAfter = nil, nil
	}
	before, err := in.gather(ctx, in.Before, func() *collector {
		return p.newCollector(in.Before.Buses(), busNames(in.BeforeBuses), spansBefore, nil)
	})
	if err != nil {
		return nil, fmt.Errorf("before: %w", err)
	}
	want := before.expect()
	after, err := in.gather(ctx, in.After, func() *collector {
		return p.newCollector(in.After.Buses(), busNames(in.AfterBuses), spansAfter, want)
	})
	if err != nil {
		return nil, fmt.Errorf("after: %w", err)
	}
	if err := sameCar(before, after); err != nil {
		return nil, err
	}
	return (&judge{p: p, before: before, after: after, want: want, seen: in.Seen}).run(), nil
}

// gather reads one capture.
func (in *Input) gather(ctx context.Context, r *capture.Reader, fresh func() *collector) (*shot, error) {
	if in.Reading != nil {
		defer in.Reading(r)()
	}
	c, err := capture.Fold(ctx, r, fresh)
	if err != nil {
		return nil, err
	}
	if c.total == 0 {
		return nil, ErrNothing
	}
	return newShot(c, r.Reports()), nil
}

// busNames looks up which bus an interface stands for: as given, else its own name.
func busNames(given map[string]string) func(string) string {
	return func(name string) string {
		if bus := given[name]; bus != "" {
			return bus
		}
		return name
	}
}

// lookAt is how many frames are looked at to find out the interfaces of a capture.
const lookAt = 20_000

// Match pairs the interfaces of two captures that are named apart: where each has
// one, that is the same bus. What is read from a pipe must have the same names.
func Match(ctx context.Context, before, after []string, columns *capture.Columns) (afterBuses map[string]string, err error) {
	was, err := interfaces(ctx, before, columns)
	if err != nil {
		return nil, err
	}
	is, err := interfaces(ctx, after, columns)
	if err != nil || len(was) != 1 || len(is) != 1 {
		return nil, err
	}
	return map[string]string{is[0]: was[0]}, nil
}

// interfaces lists the interfaces of the first frames of captures; nil where they
// cannot be read twice.
func interfaces(ctx context.Context, paths []string, columns *capture.Columns) (names []string, err error) {
	for _, path := range paths {
		info, err := os.Stat(path)
		if path == "-" || err != nil || !info.Mode().IsRegular() {
			return nil, nil
		}
	}
	r, err := capture.Open(paths, capture.Options{Columns: columns})
	if err != nil {
		return nil, err
	}
	defer r.Close()
	batch := make([]can.Frame, 512)
	for left := lookAt; left > 0; {
		n, err := r.Read(ctx, batch)
		left -= n
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	for _, b := range r.Buses().All() {
		names = append(names, b.Name)
	}
	return names, nil
}

// sameCar refuses captures of which the one after is mostly of identifiers that
// the other does not have.
func sameCar(before, after *shot) error {
	common := 0
	for at := range after.streams {
		if before.streams[at] != nil {
			common++
		}
	}
	if 2*common <= len(after.streams) {
		return &OtherCarError{common, len(before.streams), len(after.streams)}
	}
	return nil
}
