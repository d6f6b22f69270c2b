// Package confusion works out what identify answers for cars that are known: the
// figure by which its honesty is measured. The cars are the demo car's settings,
// near neighbours of them, and conversions put together of two; the captures reach
// from 2 s of key-on to the whole script.
package confusion

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/identify"
)

// Matrix is what identify answers.
type Matrix struct {
	Tables []Table
	Broken []string // answers that break what identify promises; none is right
}

// Table is a part of the matrix.
type Table struct {
	Title string
	Note  string
	Head  []string
	Rows  [][]string
}

// keyOnLength is the key-on that captures begin with, shortLength from when on all
// that key-on can tell must be told.
const (
	keyOnLength = 12 * time.Second
	shortLength = 10 * time.Second
)

// moments are the lengths of key-on at which an answer is asked for; then follows
// one at the end of each stage.
var moments = []time.Duration{2 * time.Second, 5 * time.Second, 10 * time.Second}

// Compute works the matrix out for some cars; nil for all twelve. The tables of
// neighbours and conversions hold those that are made of these cars.
func Compute(ctx context.Context, cars []demo.Setting) (*Matrix, error) {
	if cars == nil {
		cars = demo.Settings()
	}
	w := &work{cars: cars, twelve: Library(), near: Near()}
	var err error
	if w.plan, err = identify.Load(w.twelve); err != nil {
		return nil, err
	}
	if w.nearPlan, err = identify.Load(w.near); err != nil {
		return nil, err
	}
	m := &Matrix{}
	for _, part := range []func(context.Context, *Matrix) error{w.stages, w.neighbours, w.conversions} {
		if err := part(ctx, m); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// work is what the parts share.
type work struct {
	cars           []demo.Setting
	twelve, near   *profiles.Library
	plan, nearPlan *identify.Plan
}

// part is a row of some tables, and what was wrong with it.
type part struct {
	rows   [][]string
	broken []string
}

// each works n parts out side by side and returns them in order.
func each(ctx context.Context, n int, do func(i int) (part, error)) ([]part, error) {
	parts, errs := make([]part, n), make([]error, n)
	next := make(chan int)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				parts[i], errs[i] = do(i)
			}
		})
	}
	for i := range n {
		if ctx.Err() == nil {
			next <- i
		}
	}
	close(next)
	wg.Wait()
	return parts, errors.Join(errors.Join(errs...), ctx.Err())
}

// add adds a table for each row that the parts have.
func (m *Matrix) add(tables []Table, parts []part) {
	for _, p := range parts {
		for i, row := range p.rows {
			tables[i].Rows = append(tables[i].Rows, row)
		}
		m.Broken = append(m.Broken, p.broken...)
	}
	m.Tables = append(m.Tables, tables...)
}

// stages asks about each car along the script, with the engine computer out and
// fitted, with three libraries.
func (w *work) stages(ctx context.Context, m *Matrix) error {
	head := []string{"car"}
	for _, length := range moments {
		head = append(head, fmt.Sprintf("%.0f s", length.Seconds()))
	}
	script := script(demo.Settings()[1]) // an automatic has all stages
	for _, stage := range script {
		head = append(head, stage.Name)
	}
	parts, err := each(ctx, len(w.cars), func(i int) (part, error) { return w.car(w.cars[i], script) })
	if err != nil {
		return err
	}
	m.add([]Table{
		{Title: "The twelve settings are on file", Head: head},
		{Title: "The twelve and their twenty near neighbours are on file", Head: head},
		{Title: "All but the right one are on file", Head: head},
	}, parts)
	return nil
}

// script is the short script with a key-on that is long enough for the moments. A
// capture begins with key-on here: a car asleep says nothing.
func script(s demo.Setting) []demo.Stage {
	list := demo.Script(0, s)
	list = list[slices.IndexFunc(list, func(stage demo.Stage) bool { return stage.Name == "key-on" }):]
	list[0].Length = keyOnLength
	return list
}

// car works out the rows of one car.
func (w *work) car(s demo.Setting, stages []demo.Stage) (p part, err error) {
	others, err := without(w.twelve, s.String())
	if err != nil {
		return p, err
	}
	questions := []question{{plan: w.plan, car: s.String(), all: true}, {plan: w.nearPlan, car: s.String()}, {plan: others, car: s.String(), off: true}}
	p.rows = make([][]string, len(questions))
	var answers [2][][]string // by engine computer out and in, then question
	for fitted, modules := range [][]string{{"Engine"}, nil} {
		c, err := Record(s, script(s), modules...)
		if err != nil {
			return p, err
		}
		for i := range questions {
			row, broken, err := questions[i].ask(c, stages)
			if err != nil {
				return p, err
			}
			answers[fitted] = append(answers[fitted], row)
			p.broken = append(p.broken, broken...)
		}
	}
	for i := range p.rows {
		p.rows[i] = []string{s.String()}
		for n, out := range answers[0][i] {
			if in := answers[1][i][n]; in != out {
				out += " / " + in
			}
			p.rows[i] = append(p.rows[i], out)
		}
	}
	return p, nil
}

// without compiles the twelve without one.
func without(lib *profiles.Library, name string) (*identify.Plan, error) {
	var list []*profiles.Setting
	for _, car := range demo.Settings() {
		if car.String() == name {
			continue
		}
		s, err := lib.Load(car.String())
		if err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	return identify.NewPlan(list)
}

// question is one that is asked along a capture.
type question struct {
	plan *identify.Plan
	car  string // whose capture it is
	off  bool   // that setting is not on file
	all  bool   // nothing but the twelve is on file: what key-on can tell must be told
}

// ask answers at each moment and at the end of each stage; a stage that the car
// does not have stays empty.
func (q *question) ask(c *Capture, stages []demo.Stage) (row, broken []string, err error) {
	collector := q.plan.New(c.Buses)
	done := 0
	until := func(t int64) (*identify.Result, error) {
		n := done
		for n < len(c.Frames) && c.Frames[n].Time < t {
			n++
		}
		collector.Add(c.Frames[done:n])
		done = n
		return q.plan.Judge(collector, identify.Input{})
	}
	answer := func(t int64, name string) error {
		res, err := until(t)
		if err != nil {
			return err
		}
		row = append(row, cell(res))
		if fault := q.fault(res, t-c.Stages[0].Start); fault != "" {
			broken = append(broken, fmt.Sprintf("%s at %s: %s", q.car, name, fault))
			row[len(row)-1] += " WRONG"
		}
		return nil
	}
	for _, length := range moments {
		if err := answer(c.Stages[0].Start+int64(length), length.String()); err != nil {
			return nil, nil, err
		}
	}
	for _, stage := range stages {
		n := slices.IndexFunc(c.Stages, func(m demo.Marker) bool { return m.Name == stage.Name })
		if n < 0 {
			row = append(row, "-")
			continue
		}
		if err := answer(c.Stages[n].End, stage.Name); err != nil {
			return nil, nil, err
		}
	}
	return row, broken, nil
}

// fault says what an answer breaks of what identify promises; "" for nothing.
func (q *question) fault(res *identify.Result, length int64) string {
	sure := res.Verdict == identify.Identified
	switch {
	case q.off && sure:
		return fmt.Sprintf("identified as %v, and it is not on file", res.Settings)
	case q.off:
		return ""
	case !slices.Contains(res.Settings, q.car):
		return fmt.Sprintf("%s %v, and the right one is not among them", res.Verdict, res.Settings)
	case res.Verdict == identify.NoneFits:
		return "none fits, and it is on file"
	case q.all && length >= int64(shortLength) && !sure && !res.SameOnBus:
		return fmt.Sprintf("%s %v after %d s of key-on, though the bus tells them apart", res.Verdict, res.Settings, length/1e9)
	}
	return ""
}

// cell writes an answer in one or two words.
func cell(res *identify.Result) string {
	if res.Verdict == identify.Tie {
		return fmt.Sprintf("tie %d", len(res.Settings))
	}
	return string(res.Verdict)
}

// Markdown writes the matrix as a document.
func (m *Matrix) Markdown() string {
	var b strings.Builder
	b.WriteString(`# What identify answers

Computed by ` + "`go run ./cmd/confusion`" + ` from the demo car, which is invented, and kept by a
test. A capture begins with key-on; the columns are how long it is: 2, 5 and 10 s
of key-on, then to the end of each stage of the capture script. A cell with two
answers has that without the engine computer first, then that with it.
"tie n" names no winner among n settings, the right one among them. An answer that
breaks a promise would stand as WRONG. The promises: the right setting is always
among those named where it is on file, and no other is ever "identified"; 10 s of
key-on identify whatever the bus can tell, and what it cannot is a tie of all that
are the same on the bus.
`)
	for _, t := range m.Tables {
		fmt.Fprintf(&b, "\n## %s\n\n", t.Title)
		if t.Note != "" {
			fmt.Fprintf(&b, "%s\n\n", t.Note)
		}
		fmt.Fprintf(&b, "| %s |\n|%s\n", strings.Join(t.Head, " | "), strings.Repeat("-|", len(t.Head)))
		for _, row := range t.Rows {
			fmt.Fprintf(&b, "| %s |\n", strings.Join(row, " | "))
		}
	}
	return b.String()
}
