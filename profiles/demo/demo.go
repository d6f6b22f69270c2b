// Package demo drives the Lowan, the demo car that does not exist, through the
// capture script of the trade and records what its buses would carry.
//
// A small physical model (driver, engine, gearbox, chassis, heat, electrics)
// gives the values, package traffic makes the frames of them. Everything is
// settled by the setting, the options and the seed: the same ones give the same
// frames. Every figure is invented.
package demo

import (
	"context"
	"fmt"
	"slices"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/traffic"
)

// Names of the buses, as interfaces of the captures.
const (
	DriveBus = "drive"
	BodyBus  = "body"
)

// Stage is a stretch of the capture script.
type Stage struct {
	Name   string // one of profiles.StageNames
	Length time.Duration
}

// Marker says where a stage lies in a capture.
type Marker struct {
	Name       string
	Start, End int64 // time stamps, ns; the end does not belong to it
}

// Options of New. The zero value is a warm day in the workshop: the short
// script, usual jitter, everything in order.
type Options struct {
	Seed   uint64
	Script []Stage // nil: Script(0) for the setting

	Warmer  float64  // outside temperature above 20 °C, in K
	Idle    float64  // idle speed above the usual, rpm
	FanOn   float64  // temperature at which the fan starts above the usual, in K
	Without []string // nodes or messages that are not sent; their listeners react
	Outages []Outage // messages that are not sent for a while; their listeners react

	Jitter     time.Duration // of each frame; 0: 300 µs, negative: none
	ClockError float64       // share by which each node's clock may be off; 0: 0.0001, negative: none
	Start      int64         // time stamp of the begin, ns; 0: DefaultStart
}

// Outage is a stretch of a stage in which a message is not sent.
type Outage struct {
	Message       string
	Stage         string
	After, Length time.Duration // from the stage's begin
}

// Usual values of options.
const (
	DefaultJitter     = 300 * time.Microsecond
	DefaultClockError = 0.0001
	DefaultStart      = 1_700_000_000_000_000_000 // some day in November 2023
)

// Drive is the car on its way through the script. Read gives its frames.
type Drive struct {
	source *traffic.Source
	car    *car
	script []Stage
	start  int64

	outages []Outage
}

// New puts a car of the setting at the begin of the script.
func New(setting Setting, opts Options) (*Drive, error) {
	if opts.Script == nil {
		opts.Script = Script(0, setting)
	}
	if opts.Start == 0 {
		opts.Start = DefaultStart
	}
	config, err := setting.traffic()
	if err != nil {
		return nil, err
	}
	config.Seed, config.Start = opts.Seed, opts.Start
	config.Without = append(config.Without, opts.Without...)
	config.Jitter = usual(opts.Jitter, DefaultJitter)
	config.ClockError = usual(opts.ClockError, DefaultClockError)
	d := &Drive{script: opts.Script, start: opts.Start, outages: opts.Outages}
	if d.source, err = traffic.New(config, d.step); err != nil {
		return nil, err
	}
	if d.car, err = newCar(setting, opts, d.source); err != nil {
		return nil, err
	}
	return d, nil
}

// usual returns v, the default for 0, and 0 for what is negative.
func usual[T time.Duration | float64](v, otherwise T) T {
	switch {
	case v == 0:
		return otherwise
	case v < 0:
		return 0
	}
	return v
}

// Read fills dst with the next frames and returns their number, io.EOF at the
// end of the script.
func (d *Drive) Read(ctx context.Context, dst []can.Frame) (int, error) {
	return d.source.Read(ctx, dst)
}

// Buses is the table that Frame.Bus points into.
func (d *Drive) Buses() *can.Buses { return d.source.Buses() }

// Markers says where the stages lie.
func (d *Drive) Markers() []Marker {
	var list []Marker
	at := d.start
	for _, s := range d.script {
		end := at + int64(s.Length)
		list = append(list, Marker{Name: s.Name, Start: at, End: end})
		at = end
	}
	return list
}

// step finds the stage of time t and lets the driver act and the car move.
func (d *Drive) step(t time.Duration) bool {
	for _, s := range d.script {
		if t < s.Length {
			d.interrupt(s.Name, t)
			d.car.move(s.Name, t.Seconds(), s.Length.Seconds())
			return true
		}
		t -= s.Length
	}
	return false
}

// interrupt begins and ends the outages.
func (d *Drive) interrupt(stage string, t time.Duration) {
	for _, o := range d.outages {
		off := stage == o.Stage && t >= o.After && t < o.After+o.Length
		d.source.Mute(o.Message, off)
		d.car.network.mute(o.Message, off)
	}
}

// Script returns the whole capture script for a setting, its full lengths
// multiplied by scale but no stage shorter than what its stimuli need: scale 1
// takes about 20 minutes, scale 0 about 90 seconds.
func Script(scale float64, setting Setting) []Stage {
	var script []Stage
	for _, name := range profiles.StageNames() {
		a := acts[name]
		if name == "in-gear" && !setting.Automatic() {
			continue
		}
		seconds := max(a.full*scale, a.short)
		script = append(script, Stage{Name: name, Length: time.Duration(seconds * float64(time.Second))})
	}
	return script
}

// Cut returns those stages of a script that are named, in its order. The error
// names one that the script does not have.
func Cut(script []Stage, names ...string) ([]Stage, error) {
	for _, name := range names {
		if !slices.ContainsFunc(script, func(s Stage) bool { return s.Name == name }) {
			return nil, fmt.Errorf("no stage %q in this script", name)
		}
	}
	return slices.DeleteFunc(slices.Clone(script), func(s Stage) bool { return !slices.Contains(names, s.Name) }), nil
}
