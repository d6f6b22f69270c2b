package learn

import (
	"cmp"
	"context"
	"maps"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// seen is what the first reading of captures shows.
type seen struct {
	buses   []survey.Bus // sorted by name
	samples map[address]*guard.Sample
	reports []capture.FileReport
	frames  uint64
}

// address is an identifier on a bus.
type address struct {
	bus string
	id  profiles.ID
}

// read reads captures for the first time.
func read(ctx context.Context, opts *Options, paths []string, defs *definitions, sampled bool) (*seen, error) {
	r, err := capture.Open(paths, capture.Options{Hash: true, Workers: opts.Workers, Columns: opts.Columns})
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if opts.Opened != nil {
		opts.Opened(r)
	}
	c, err := capture.Fold(ctx, r, func() *collector {
		return newCollector(survey.Options{Buses: r.Buses(), Decoder: defs.decoder}, sampled)
	})
	if err != nil {
		return nil, err
	}
	report := c.survey.Report()
	s := &seen{buses: report.Buses, samples: map[address]*guard.Sample{}, reports: r.Reports(), frames: report.Frames}
	for key, sample := range c.samples {
		id := profiles.ID{Value: key.id & can.MaxExtendedID, Extended: key.id&extendedBit != 0}
		s.samples[address{r.Buses().Name(key.bus), id}] = sample
	}
	if s.frames == 0 {
		return nil, ErrNothing
	}
	return s, nil
}

// collector gathers a survey, and samples of all identifiers. It satisfies
// capture.Collector.
type collector struct {
	buses   *can.Buses
	survey  *survey.Collector
	samples map[sampleKey]*guard.Sample // nil: none wanted
	kept    int                         // frames in all samples
}

// maxSamples caps the frames that are kept to learn protection from: 50 MB.
const maxSamples = 1 << 19

// sampleKey is an identifier on a bus, by can.Frame.Bus.
type sampleKey struct {
	id  uint32 // with extendedBit
	bus uint16
}

const extendedBit = 1 << 31

func newCollector(opts survey.Options, sampled bool) *collector {
	c := &collector{buses: opts.Buses, survey: survey.New(opts)}
	if sampled {
		c.samples = map[sampleKey]*guard.Sample{}
	}
	return c
}

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *collector) Add(batch []can.Frame) {
	c.survey.Add(batch)
	if c.samples == nil {
		return
	}
	for i := range batch {
		c.sample(&batch[i])
	}
}

func (c *collector) sample(f *can.Frame) {
	if f.Flags&(can.Error|can.Remote) != 0 {
		return
	}
	key := sampleKey{id: f.ID, bus: f.Bus}
	if f.Flags&can.Extended != 0 {
		key.id |= extendedBit
	}
	s := c.samples[key]
	if s == nil {
		if len(c.samples) >= maxMessages {
			return
		}
		s = &guard.Sample{}
		c.samples[key] = s
	}
	if c.kept < maxSamples {
		c.kept += s.Add(f)
	}
}

// Merge takes over what the collector of the following stretch gathered; next is
// not to be used afterwards.
func (c *collector) Merge(next *collector) {
	c.survey.Merge(next.survey)
	for _, key := range c.inOrder(next.samples) {
		s, have := next.samples[key], c.samples[key]
		switch {
		case have != nil && c.kept < maxSamples:
			c.kept += have.Merge(s)
		case have == nil && c.kept < maxSamples && len(c.samples) < maxMessages:
			c.samples[key] = s
			c.kept += len(s.Frames())
		}
	}
}

// inOrder returns the keys of samples sorted: which of them a full collector still
// takes must not fall on chance. Buses are sorted by name, as their indices are
// given by whichever worker comes first.
func (c *collector) inOrder(samples map[sampleKey]*guard.Sample) []sampleKey {
	return slices.SortedFunc(maps.Keys(samples), func(a, b sampleKey) int {
		return cmp.Or(cmp.Compare(c.buses.Name(a.bus), c.buses.Name(b.bus)), cmp.Compare(a.id, b.id))
	})
}

func addressOf(bus *survey.Bus, id *survey.ID) address {
	return address{bus.Name, profiles.ID{Value: id.ID, Extended: id.Extended}}
}
