package confusion

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/identify"
)

// Capture is what a car's buses carried.
type Capture struct {
	Frames []can.Frame
	Buses  *can.Buses
	Stages []demo.Marker
}

// seed of every capture here.
const seed = 7

// keyOn is a script of key-on alone.
func keyOn(length time.Duration) []demo.Stage { return []demo.Stage{{Name: "key-on", Length: length}} }

// Record drives the demo car through a script, some modules left out.
func Record(s demo.Setting, script []demo.Stage, without ...string) (*Capture, error) {
	d, err := demo.New(s, demo.Options{Seed: seed, Script: script, Without: without})
	if err != nil {
		return nil, err
	}
	c := &Capture{Buses: d.Buses(), Stages: d.Markers()}
	batch := make([]can.Frame, 512)
	for {
		n, err := d.Read(context.Background(), batch)
		c.Frames = append(c.Frames, batch[:n]...)
		if errors.Is(err, io.EOF) {
			return c, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// Mix returns the capture of a car in which some modules are those of another.
func Mix(lib *profiles.Library, car, other demo.Setting, modules []string, script []demo.Stage) (*Capture, error) {
	var without []string
	if !slices.Contains(modules, "Engine") {
		without = []string{"Engine"}
	}
	mixed := &Capture{}
	for _, from := range []struct {
		demo.Setting
		swapped bool
	}{{car, false}, {other, true}} {
		s, err := lib.Load(from.String())
		if err != nil {
			return nil, err
		}
		c, err := Record(from.Setting, script, without...)
		if err != nil {
			return nil, err
		}
		for _, f := range c.Frames {
			m := messageOf(s, c.Buses.Name(f.Bus), f.ID)
			if m == nil {
				return nil, fmt.Errorf("%s has no message %X", s.Name, f.ID)
			}
			if slices.Contains(modules, m.Sender) == from.swapped {
				mixed.Frames = append(mixed.Frames, f)
			}
		}
		mixed.Buses = c.Buses // the same in every demo car
	}
	slices.SortStableFunc(mixed.Frames, func(a, b can.Frame) int { return int(a.Time - b.Time) })
	return mixed, nil
}

// messageOf returns the message that a setting sends with an identifier.
func messageOf(s *profiles.Setting, bus string, id uint32) *profiles.MessageFacts {
	for _, m := range s.Messages {
		if m.Bus == bus && m.ID.Value == id && m.Expected {
			return m
		}
	}
	return nil
}

// Judge has a plan identify the whole capture.
func (c *Capture) Judge(p *identify.Plan, in identify.Input) (*identify.Result, error) {
	collector := p.New(c.Buses)
	collector.Add(c.Frames)
	return p.Judge(collector, in)
}
