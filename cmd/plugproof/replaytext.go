package main

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"

	"plugproof/replay"
	"plugproof/replay/gate"
)

// dryRun shows the whole plan: frames, identifiers, rates, load, and what would
// be refused.
func (p *prepared) dryRun(out *output) error {
	refused := p.dryRunPart(out)
	if refused != nil && !errors.Is(refused, errRefusedShown) {
		return refused
	}
	return errors.Join(out.Commit(), refused)
}

// dryRunPart is dryRun for one of several plans.
func (p *prepared) dryRunPart(out *output) (err error) {
	if p.plan, p.refusals, err = p.job.Plan(); err != nil {
		return err
	}
	if p.format == "json" {
		err = writeJSON(out, p.document(""))
	} else {
		err = p.planText(out)
	}
	if err != nil {
		return err
	}
	if len(p.refusals) > 0 {
		return errRefusedShown
	}
	return nil
}

func (p *prepared) planText(w io.Writer) error {
	fmt.Fprintln(w, "Nothing is sent. This would be:") // Commit reports a failed write
	rows := []table.Row{{"interface", "bus", ">frames", ">busiest second", ">load", "kind"}}
	for i := range p.plan.Buses {
		b := &p.plan.Buses[i]
		load, kind := "not known", "virtual"
		if b.PeakLoad > 0 {
			load = decimal(100*b.PeakLoad, 1) + " %"
		}
		switch {
		case b.Interface.Missing:
			kind = "missing"
		case b.Interface.Physical() != "":
			kind = "physical"
		}
		rows = append(rows, table.Row{b.Interface.Name, p.busName(i), grouped(b.Frames), b.PeakRate, load, kind})
	}
	fmt.Fprintln(w, renderTable(rows))
	fmt.Fprintln(w)
	rows = []table.Row{{"interface", "identifier", "message", "from", ">frames", ">per s", "on a wire"}}
	for i := range p.plan.Messages {
		m := &p.plan.Messages[i]
		rows = append(rows, table.Row{
			p.job.Interfaces[m.Bus], m.ID, m.Name, m.Sender, grouped(m.Frames), decimal(framesPerSecond(m.Frames, p.plan.Length), 1), p.onWire(m),
		})
	}
	fmt.Fprintln(w, renderTable(rows))
	fmt.Fprintf(w, "\n%s in %s", plural(int(p.frames()), "frame"), p.plan.Length.Round(time.Millisecond))
	if p.plan.Endless {
		fmt.Fprint(w, ", and on until Ctrl-C")
	}
	fmt.Fprintln(w, ".")
	for _, warning := range p.warnings() {
		fmt.Fprintf(w, "Note: %s.\n", warning)
	}
	for i := range p.withheld {
		fmt.Fprintf(w, "Left out: %s.\n", p.withheld[i].Reason)
	}
	return p.refusalText(w)
}

func (p *prepared) refusalText(w io.Writer) error {
	if len(p.refusals) == 0 {
		_, err := fmt.Fprintln(w, "The gate would let it through.")
		return err
	}
	fmt.Fprintf(w, "The gate would refuse it, for %s:\n", plural(len(p.refusals), "reason"))
	for i := range p.refusals {
		r := &p.refusals[i]
		fmt.Fprintf(w, "  %s (%s)\n", r.Reason, r.Rule)
		if r.Try != "" {
			fmt.Fprintf(w, "    try: %s\n", r.Try)
		}
	}
	return nil
}

// onWire says in a word what a physical interface would do with a message.
func (p *prepared) onWire(m *gate.Message) string {
	unit := p.unit(p.job.Car.Setting)
	r := p.job.Car.Withheld(replay.Message{Bus: m.Bus, ID: m.ID}, unit)
	if r == nil {
		return "may be sent"
	}
	class, what, _ := strings.Cut(r.Rule, "/")
	if class == "never" {
		return "never: " + what
	}
	return map[string]string{
		"unknown": "no: meaning unknown", "not-listed": "no: not listed", "own": "no: its own",
		"not-listening": "no: not listened to", "remote": "no: remote request",
	}[what]
}

// busName is the setting's name of the bus on an interface.
func (p *prepared) busName(i int) string {
	if i < len(p.job.Car.Buses) {
		return p.job.Car.Buses[i]
	}
	return ""
}

func (p *prepared) frames() (n uint64) {
	for i := range p.plan.Buses {
		n += p.plan.Buses[i].Frames
	}
	return n
}

func framesPerSecond(frames uint64, length time.Duration) float64 {
	if length < time.Second {
		length = time.Second
	}
	return float64(frames) / length.Seconds()
}

// write prints how a replay went; ended is its error.
func (p *prepared) write(out *output, ended error, colour bool) error {
	how := "as planned"
	if ended != nil {
		how = ended.Error()
	}
	if p.format == "json" {
		d := p.document(how)
		if p.answers != nil {
			var err error
			if d.Answers, err = p.answersDocument(); err != nil {
				return err
			}
		}
		return writeJSON(out, d)
	}
	r := &p.result
	fmt.Fprintf(out, "%s frames in %.3f s on %s", grouped(r.Frames), r.Length.Seconds(), strings.Join(p.job.Interfaces, ", "))
	if r.First > 0 {
		fmt.Fprintf(out, ", after %s of the first identifier alone", grouped(r.First))
	}
	if r.Neutral > 0 {
		fmt.Fprintf(out, ", then %s with neutral values", grouped(r.Neutral))
	}
	fmt.Fprintln(out)
	l := &r.Lateness
	fmt.Fprintln(out, renderTable([]table.Row{
		{"lateness", ">half", ">99 %", ">99.9 %", ">greatest", ">last frame"},
		{"ms", millis(l.Quantile(0.5)), millis(l.Quantile(0.99)), millis(l.Quantile(0.999)), millis(l.Max()), millis(r.Last)},
	}))
	for _, note := range r.Notes {
		fmt.Fprintf(out, "Note: %s.\n", note)
	}
	if _, err := fmt.Fprintf(out, "Ended %s.\n", how); err != nil || p.answers == nil {
		return err
	}
	return writeAnswers(out, p.answers, colour)
}

func millis(d time.Duration) string { return decimal(d.Seconds()*1e3, 3) }

// writeRefused writes the document of a replay that the gate refused; as text
// its reasons go to standard error.
func (p *prepared) writeRefused(a *app, out *output) error {
	if p.format != "json" {
		a.sayRefusals(p.refusals)
		return nil
	}
	if err := writeJSON(out, p.document("refused")); err != nil {
		return err
	}
	return out.Commit()
}

// replayDocument is the output of replay --format json.
type replayDocument struct {
	Schema     string            `json:"schema"`
	Version    string            `json:"tool_version"`
	Inputs     []inputFile       `json:"inputs"`
	Profile    string            `json:"profile"`
	Interfaces []string          `json:"interfaces"`
	OnBench    string            `json:"on_bench"`
	Plan       *planJSON         `json:"plan,omitempty"`
	Refusals   []gateRefusalJSON `json:"refusals"`
	LeftOut    []gateRefusalJSON `json:"left_out"`
	Warnings   []string          `json:"warnings"`
	Result     *sentJSON         `json:"result,omitempty"`
	Ended      string            `json:"ended"`             // "": nothing was to be sent
	Answers    *answersJSON      `json:"answers,omitempty"` // with --judge-answers
}

type planJSON struct {
	Frames   uint64        `json:"frames"`
	Seconds  float64       `json:"length_s"`
	Endless  bool          `json:"endless"`
	Buses    []planBusJSON `json:"buses"`
	Messages []planMessage `json:"messages"`
}

type planBusJSON struct {
	Interface string   `json:"interface"`
	Bus       string   `json:"bus"`
	Physical  string   `json:"physical_because"` // "": virtual
	Frames    uint64   `json:"frames"`
	PeakRate  int      `json:"busiest_second_frames"`
	PeakLoad  *float64 `json:"busiest_second_load_percent"` // null: no bit rate known
}

type planMessage struct {
	Interface string  `json:"interface"`
	ID        string  `json:"id"`
	Name      string  `json:"message"`
	Sender    string  `json:"sender"`
	Frames    uint64  `json:"frames"`
	Rate      float64 `json:"rate_per_s"`
	OnWire    string  `json:"on_a_wire"`
}

type gateRefusalJSON struct {
	Rule      string `json:"rule"`
	Interface string `json:"interface"`
	ID        string `json:"id,omitempty"`
	Reason    string `json:"reason"`
	Try       string `json:"try"`
}

type sentJSON struct {
	Frames   uint64             `json:"frames"`
	First    uint64             `json:"frames_first_identifier"`
	Neutral  uint64             `json:"frames_neutral"`
	Seconds  float64            `json:"length_s"`
	Lateness map[string]float64 `json:"lateness_ms"`
	Notes    []string           `json:"notes"`
}

func (p *prepared) document(ended string) replayDocument {
	d := replayDocument{
		Schema: "plugproof/" + p.command + "/1", Version: toolVersion, Inputs: []inputFile{}, Profile: p.profile,
		Interfaces: p.job.Interfaces, OnBench: p.job.OnBench, Ended: ended,
		Refusals: refusalsJSON(p.refusals), LeftOut: refusalsJSON(p.withheld), Warnings: append([]string{}, p.warnings()...),
	}
	for i := range p.reports {
		d.Inputs = append(d.Inputs, inputFile{p.reports[i].Path, p.reports[i].Size, p.reports[i].SHA256})
	}
	if p.plan != nil {
		d.Plan = p.planDocument()
	}
	if r := &p.result; r.Frames > 0 {
		l := &r.Lateness
		d.Result = &sentJSON{
			Frames: r.Frames, First: r.First, Neutral: r.Neutral, Seconds: r.Length.Seconds(), Notes: append([]string{}, r.Notes...),
			Lateness: map[string]float64{
				"p50": l.Quantile(0.5).Seconds() * 1e3, "p99": l.Quantile(0.99).Seconds() * 1e3,
				"p99.9": l.Quantile(0.999).Seconds() * 1e3, "max": l.Max().Seconds() * 1e3, "last": r.Last.Seconds() * 1e3,
			},
		}
	}
	return d
}

func (p *prepared) planDocument() *planJSON {
	d := &planJSON{Frames: p.frames(), Seconds: p.plan.Length.Seconds(), Endless: p.plan.Endless}
	for i := range p.plan.Buses {
		b := &p.plan.Buses[i]
		bus := planBusJSON{
			Interface: b.Interface.Name, Bus: p.busName(i), Physical: b.Interface.Physical(), Frames: b.Frames, PeakRate: b.PeakRate,
		}
		if b.PeakLoad > 0 {
			bus.PeakLoad = new(100 * b.PeakLoad)
		}
		d.Buses = append(d.Buses, bus)
	}
	for i := range p.plan.Messages {
		m := &p.plan.Messages[i]
		d.Messages = append(d.Messages, planMessage{
			Interface: p.job.Interfaces[m.Bus], ID: m.ID.String(), Name: m.Name, Sender: m.Sender, Frames: m.Frames,
			Rate: framesPerSecond(m.Frames, p.plan.Length), OnWire: p.onWire(m),
		})
	}
	return d
}

func refusalsJSON(refusals []gate.Refusal) []gateRefusalJSON {
	list := []gateRefusalJSON{}
	for i := range refusals {
		r := &refusals[i]
		j := gateRefusalJSON{Rule: r.Rule, Interface: r.Bus, Reason: r.Reason, Try: r.Try}
		if r.HasID {
			j.ID = r.ID.String()
		}
		list = append(list, j)
	}
	return list
}
