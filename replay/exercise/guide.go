package exercise

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"plugproof/profiles/rules"
)

// Talk is the technician at the bench.
type Talk struct {
	Tell func(text string)
	// Ask puts a question and returns the answer, io.EOF when nobody answers any
	// more.
	Ask func(ctx context.Context, question string) (string, error)
}

// Step is one thing that was tried, and what was seen.
type Step struct {
	What     string        // "steady value", "not available", "stopped", "back again", "factory frame"
	Sent     float64       // of the signal; NaN: none
	Expected string        // what should be seen; "": nothing is known of it
	Seen     string        // the answer
	Verdict  rules.Verdict // Review where nothing is known of it
}

// Outcome is what came of an exercise.
type Outcome struct {
	Function string
	Title    string
	Verdict  rules.Verdict
	Text     string // what it means, in one sentence
	NextStep string
	Steps    []Step
	Seed     uint64
}

// Questions that are asked with values nobody sees.
const hiddenSteps = 4

// Guide leads through the exercise while Stream is played, and ends it.
func (x *Exercise) Guide(ctx context.Context, talk Talk) (Outcome, error) {
	defer x.End()
	g := &guide{x: x, talk: talk, random: rand.New(rand.NewPCG(x.config.Seed, 1))}
	g.out = Outcome{Function: x.config.Function, Title: x.Title(), Seed: x.config.Seed}
	err := g.lead(ctx)
	if errors.Is(err, io.EOF) { // nobody answers any more: what is open stays open
		err = nil
	}
	g.conclude()
	return g.out, err
}

// guide is a dialogue under way.
type guide struct {
	x      *Exercise
	talk   Talk
	random *rand.Rand
	out    Outcome
	pairs  [][2]float64 // expected and seen, of a gauge
}

// lead goes through the steps.
func (g *guide) lead(ctx context.Context) error {
	if err := g.start(ctx); err != nil {
		return err
	}
	if g.x.config.Control != nil {
		if err := g.factory(ctx); err != nil {
			return err
		}
	}
	if err := g.sweep(ctx); err != nil {
		return err
	}
	for _, v := range g.hidden() {
		if err := g.steady(ctx, "steady value", v); err != nil {
			return err
		}
	}
	if err := g.unavailable(ctx); err != nil {
		return err
	}
	return g.stopAndReturn(ctx)
}

// startTime is how long a listener takes to believe a unit that was powered.
const startTime = 2 * time.Second

func (g *guide) start(ctx context.Context) error {
	g.talk.Tell(fmt.Sprintf("%s: watch it. You are asked what it shows and not told what to expect; answer ? when you cannot tell.", g.out.Title))
	if err := g.x.set(g.x.rest()); err != nil {
		return err
	}
	return sleep(ctx, startTime)
}

// factory plays the factory unit's own frames: what they show is known.
func (g *guide) factory(ctx context.Context) error {
	g.x.control.Store(true)
	defer g.x.control.Store(false)
	if err := sleep(ctx, g.settles()); err != nil {
		return err
	}
	return g.ask(ctx, Step{What: "factory frame", Sent: g.x.config.Shown}, g.x.config.Shown)
}

// sweep moves a needle over its range and back; nothing is asked.
func (g *guide) sweep(ctx context.Context) error {
	if g.x.function.Gauge == nil {
		return nil
	}
	g.talk.Tell("it goes over its range now and back; nothing is asked")
	least, most := g.x.function.Gauge.Range()
	for _, percent := range []float64{0, 25, 50, 75, 100, 75, 50, 25, 0} {
		if err := g.x.set(least + (most-least)*percent/100); err != nil {
			return err
		}
		if err := sleep(ctx, g.settles()); err != nil {
			return err
		}
	}
	return nil
}

// hidden returns values that nobody sees: on a gauge well apart, and none where
// its needle does not move; of a lamp both states, in no order.
func (g *guide) hidden() []float64 {
	gauge := g.x.function.Gauge
	if gauge == nil {
		values := []float64{g.x.lampOn(), 1 - g.x.lampOn(), g.x.lampOn(), 1 - g.x.lampOn()}
		g.random.Shuffle(len(values), func(i, j int) { values[i], values[j] = values[j], values[i] })
		return values
	}
	least, most := gauge.Range()
	var values []float64
	for range 1000 { // a curve that is level nearly everywhere has fewer
		v := math.Round(least + (most-least)*(0.05+0.9*g.random.Float64()))
		if gauge.Level(v) || !apart(values, v, func(a, b float64) bool { return math.Abs(gauge.Shows(a)-gauge.Shows(b)) >= 3*gauge.Reads }) {
			continue
		}
		if values = append(values, v); len(values) == hiddenSteps {
			break
		}
	}
	return values
}

func apart(values []float64, v float64, far func(a, b float64) bool) bool {
	for _, have := range values {
		if !far(have, v) {
			return false
		}
	}
	return true
}

// steady sends a value and asks what is seen.
func (g *guide) steady(ctx context.Context, what string, v float64) error {
	if err := g.x.set(v); err != nil {
		return err
	}
	if err := sleep(ctx, g.settles()); err != nil {
		return err
	}
	return g.ask(ctx, Step{What: what, Sent: v}, v)
}

// unavailable sends the pattern of a value that the sender does not have.
func (g *guide) unavailable(ctx context.Context) error {
	if err := g.x.set(math.NaN()); err != nil {
		return nil //nolint:nilerr // the signal has no such pattern: the step is left out
	}
	if err := sleep(ctx, g.patience()); err != nil {
		return err
	}
	return g.ask(ctx, Step{What: "not available", Sent: math.NaN()}, g.starved())
}

// stopAndReturn stops the message for longer than the listener waits, and sends
// it again.
func (g *guide) stopAndReturn(ctx context.Context) error {
	values := g.hidden()
	if len(values) == 0 {
		return nil
	}
	if err := g.x.set(values[0]); err != nil {
		return err
	}
	if err := sleep(ctx, g.settles()); err != nil {
		return err
	}
	g.x.muted.Store(true)
	defer g.x.muted.Store(false)
	if err := sleep(ctx, g.patience()); err != nil {
		return err
	}
	if err := g.ask(ctx, Step{What: "stopped", Sent: math.NaN()}, g.starved()); err != nil {
		return err
	}
	g.x.muted.Store(false)
	return g.steady(ctx, "back again", values[len(values)-1])
}

// starved is the value whose reading is expected of a listener without one; NaN
// where nothing is known.
func (g *guide) starved() float64 {
	if lamp := g.x.function.Lamp; lamp != nil {
		if lamp.OnWhenLost {
			return g.x.lampOn()
		}
		return math.NaN()
	}
	if g.x.listener.Substitute == "" {
		return math.NaN()
	}
	least, _ := g.x.function.Gauge.Range()
	return least // needles fall to their rest; the substitute in words is shown beside it
}

// settles is how long a needle or a lamp takes.
func (g *guide) settles() time.Duration {
	const usual = 3 * time.Second // common practice
	if gauge := g.x.function.Gauge; gauge != nil {
		return cmp.Or(time.Duration(gauge.Settles), usual)
	}
	return time.Second
}

// patience is longer than the listener's timeout.
func (g *guide) patience() time.Duration {
	const usual, margin = 5 * time.Second, time.Second // a cluster's, where nobody states it: common practice
	return cmp.Or(g.x.listener.Timeout.Value, usual) + margin + g.settles()
}

// ask puts the question of the function, and judges the answer by the value that
// should be seen; NaN: nothing is known of it.
func (g *guide) ask(ctx context.Context, s Step, value float64) error {
	var err error
	for {
		if s.Seen, err = g.talk.Ask(ctx, g.question()); err != nil {
			return err
		}
		s.Seen = strings.TrimSpace(strings.ToLower(s.Seen))
		if s.Seen == "?" {
			s.Verdict = rules.NotTestable
			break
		}
		if g.judge(&s, value) {
			break
		}
		g.talk.Tell(g.help())
	}
	g.out.Steps = append(g.out.Steps, s)
	return nil
}

func (g *guide) question() string {
	if gauge := g.x.function.Gauge; gauge != nil {
		return fmt.Sprintf("what does it read (%s)?", gauge.Unit)
	}
	return "is it lit or dark?"
}

func (g *guide) help() string {
	if g.x.function.Gauge != nil {
		return "a number as you read it, or ? when you cannot tell"
	}
	return "lit, dark, or ? when you cannot tell"
}

// judge compares an answer; false when it is none.
func (g *guide) judge(s *Step, value float64) bool {
	gauge := g.x.function.Gauge
	if gauge == nil {
		return g.judgeLamp(s, value)
	}
	seen, err := strconv.ParseFloat(strings.ReplaceAll(s.Seen, ",", "."), 64)
	if err != nil || math.IsNaN(seen) || math.IsInf(seen, 0) {
		return false
	}
	if math.IsNaN(value) {
		s.Verdict = rules.Review
		return true
	}
	want := gauge.Shows(value)
	s.Expected = strconv.FormatFloat(math.Round(want), 'f', -1, 64)
	if math.Abs(seen-want) > gauge.Reads {
		s.Verdict = rules.Fail
	}
	if s.What == "steady value" {
		g.pairs = append(g.pairs, [2]float64{want, seen})
	}
	return true
}

func (g *guide) judgeLamp(s *Step, value float64) bool {
	if s.Seen != "lit" && s.Seen != "dark" {
		return false
	}
	if math.IsNaN(value) {
		s.Verdict = rules.Review
		return true
	}
	s.Expected = "dark"
	if value == g.x.lampOn() {
		s.Expected = "lit"
	}
	if s.Seen != s.Expected {
		s.Verdict = rules.Fail
	}
	return true
}

// sleep waits, or returns the cause of ctx.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-t.C:
		return nil
	}
}
