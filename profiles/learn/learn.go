// Package learn writes the profile of a car that nobody has described yet, from a
// capture in which all is well, and as far as there are any from its DBC files:
// who is on the bus, how often, how its messages are guarded, what never changes.
// With a capture of the same car without its engine computer it also tells which
// messages are the computer's own: public DBC files name no sender.
//
// A capture is read twice: once to learn, once to hold what was learned against
// every frame of it. Memory is bounded whatever its length. The result depends on
// nothing but the inputs, and every figure in it says what it rests on.
//
// What is learned is what was seen, not what is right: a learned profile may send
// nothing until somebody who knows the car lists the messages.
package learn

import (
	"cmp"
	"context"
	"errors"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// Options say what to learn from. Captures must not be empty; the rest may be.
type Options struct {
	Name      string   // of the profile; "": learned
	Captures  []string // good ones, read one after the other; not standard input
	Unplugged []string // of the same car, key on, engine computer unplugged
	DBC       []DBC    // of several for a bus the first that defines an identifier wins
	Buses     []can.Bus
	Stages    stages.Spans // where the stages lie in the captures, as far as known

	// WithoutTiming learns from captures whose clock jumps or that lost frames,
	// too: everything but kinds, cycles and counters.
	WithoutTiming bool

	Columns *capture.Columns      // of captures that are delimited text; nil: none is
	Workers int                   // as capture.Options has it
	Opened  func(*capture.Reader) // called with every reader before it is read; nil: nobody asks
}

// DBC is a DBC file that applies to one bus, or with Bus "" to the one that it
// fits. File is its name as the profile is to give it: beside or below the
// profile's own folder.
type DBC struct {
	Bus    string
	File   string
	Source []byte
}

// Learned is a profile and what it rests on.
type Learned struct {
	Profile  *profiles.Profile
	YAML     []byte             // the profile as a file
	Setting  *profiles.Setting  // as the strict loader reads that file
	Evidence *evidence.Evidence // of the captures, by the setting
	Captures []capture.FileReport
	Remarks  []string // what was not learned, and why
}

// Limits of what is taken for a car.
const (
	maxMessages = 2048 // on all buses; a profile file holds no more
	minGaps     = 10   // for a cycle (trade practice)
	firmGaps    = 50   // for a cycle to be called firm (trade practice)
)

// ErrNothing is the reason when the captures hold no frame to learn from.
var ErrNothing = errors.New("there is no frame to learn from")

// Learn learns a profile. The error is an *Unfit where the capture rules do not
// allow it.
func Learn(ctx context.Context, opts Options) (*Learned, error) {
	opts.Name = cmp.Or(opts.Name, "learned")
	if slices.Contains(append(slices.Clone(opts.Captures), opts.Unplugged...), "-") {
		return nil, errors.New("cannot learn from standard input: captures are read twice")
	}
	defs, err := newDefinitions(opts.DBC)
	if err != nil {
		return nil, err
	}
	seen, err := read(ctx, &opts, opts.Captures, defs, true)
	if err != nil {
		return nil, err
	}
	d, err := newDraft(&opts, defs, seen)
	if err != nil {
		return nil, err
	}
	if len(opts.Unplugged) == 0 {
		d.nameUnits()
	} else {
		without, err := read(ctx, &opts, opts.Unplugged, defs, false)
		if err != nil {
			return nil, err
		}
		if err := d.unplug(without); err != nil {
			return nil, err
		}
	}
	d.addUnseenUnits()
	d.learnProtection(seen.samples)
	return d.prove(ctx)
}

// Setting learns in memory the setting of a baseline: what check goes by where no
// profile of the car is on file. Its facts say that they come from the baseline.
func Setting(ctx context.Context, opts Options) (*Learned, error) {
	l, err := Learn(ctx, opts)
	if err != nil {
		return nil, err
	}
	l.Setting.Title = "what was seen in the baseline, and no more"
	for _, m := range l.Setting.Messages {
		if m.Own.Cycle > 0 {
			m.Cycle.From = fromBaseline
		}
		if m.Own.Length != nil {
			m.Length.From = fromBaseline
		}
	}
	return l, nil
}
