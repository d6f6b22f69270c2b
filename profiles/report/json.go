package report

import (
	"encoding/json"
	"io"
	"math"
	"strconv"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// Schema of the JSON form of a check. Within a version only additions.
const Schema = "plugproof/check/1"

// JSON writes the outcome of a check as one document.
func JSON(w io.Writer, out *check.Output, version string, inputs []check.File) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(newDocument(out, version, inputs))
}

type document struct {
	Schema      string        `json:"schema"`
	Version     string        `json:"tool_version"`
	Verdict     rules.Verdict `json:"verdict"`
	Setting     setting       `json:"setting"`
	Inputs      inputs        `json:"inputs"`
	Scope       rules.Scope   `json:"scope"`
	Interfaces  []iface       `json:"interfaces"`
	Frames      uint64        `json:"frames"`
	Start       *seconds      `json:"start_t"`
	StartNS     *nanos        `json:"start_t_ns"`
	End         *seconds      `json:"end_t"`
	EndNS       *nanos        `json:"end_t_ns"`
	Functions   []function    `json:"functions"`
	Findings    []finding     `json:"findings"`
	NotTestable []finding     `json:"not_testable"`
	Symptoms    []symptom     `json:"symptoms"`
	Since       sinceSwap     `json:"since_swap"`
	Stages      []stage       `json:"stages"`
	Missing     []string      `json:"missing_stages"`
}

// seconds is a time in ns, written as a number of seconds.
type seconds int64

// MarshalJSON writes up to nine digits behind the point, exactly.
func (s seconds) MarshalJSON() ([]byte, error) {
	sign, ns := "", uint64(s)
	if s < 0 {
		sign, ns = "-", uint64(-s)
	}
	fraction := strconv.FormatUint(1_000_000_000+ns%1_000_000_000, 10)[1:]
	return []byte(sign + strconv.FormatUint(ns/1_000_000_000, 10) + "." + fraction), nil
}

// nanos is a time in ns, written as a string: it may pass 2^53.
type nanos int64

// MarshalJSON implements json.Marshaler.
func (n nanos) MarshalJSON() ([]byte, error) {
	return []byte(`"` + strconv.FormatInt(int64(n), 10) + `"`), nil
}

type setting struct {
	Name  string   `json:"name"`
	Title string   `json:"title"`
	Parts []string `json:"parts"`
}

type inputs struct {
	Captures []capture.FileReport `json:"captures"`
	Baseline []capture.FileReport `json:"baseline"`
	Files    []check.File         `json:"files"`
}

type iface struct {
	Name string    `json:"name"`
	Bus  *string   `json:"bus"`
	How  check.How `json:"how"`
}

type function struct {
	Name     string        `json:"name"`
	Title    string        `json:"title"`
	Verdict  rules.Verdict `json:"verdict"`
	BrokenAt *string       `json:"broken_at"`
	Why      string        `json:"why"`
	Chain    []string      `json:"chain"`
	Asked    bool          `json:"asked"`
}

type finding struct {
	Rule      string         `json:"rule"`
	Verdict   rules.Verdict  `json:"verdict"`
	Text      string         `json:"text"`
	Function  *string        `json:"function"`
	Functions []string       `json:"functions"`
	Message   *string        `json:"message"`
	Signal    *string        `json:"signal"`
	ID        *string        `json:"id"`
	Bus       *string        `json:"bus"`
	Stage     *string        `json:"stage"`
	Sender    *string        `json:"sender"`
	Listener  *string        `json:"listener"`
	Listeners []listener     `json:"listeners"`
	FirstT    *seconds       `json:"first_t"`
	FirstNS   *nanos         `json:"first_t_ns"`
	Count     uint64         `json:"count"`
	Measured  *quantity      `json:"measured"`
	Limit     *quantity      `json:"limit"`
	LimitFrom *string        `json:"limit_from"`
	Example   *exampleRecord `json:"example"`
	NextStep  string         `json:"next_step"`
	Code      *code          `json:"code"` // of a trouble code; else null
}

// exampleRecord is a rules.Example with the line apart, which only text has.
type exampleRecord struct {
	File   string  `json:"file"`
	Offset int64   `json:"offset"`
	Record uint32  `json:"record"`
	Line   *uint32 `json:"line"`
	Raw    *string `json:"raw"`
}

// listener is one of those who wait for the message.
type listener struct {
	Node       string    `json:"node"`
	Timeout    *quantity `json:"timeout"`
	Substitute *string   `json:"substitute"`
	Latched    bool      `json:"latched"`
}

// symptom is a rules.Differential.
type symptom struct {
	Asked     string   `json:"asked"`
	Symptom   string   `json:"symptom"`
	Functions []string `json:"functions"`
	Steps     []step   `json:"steps"`
	Otherwise string   `json:"otherwise"`
}

type step struct {
	Question string      `json:"question"`
	Rules    []string    `json:"rules"`
	State    rules.State `json:"state"`
	Finding  *finding    `json:"finding"`
}

// quantity is a rules.Quantity; what is no number is null.
type quantity struct {
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`
}

type stage struct {
	Name    string        `json:"name"`
	StartT  seconds       `json:"start_t"`
	StartNS nanos         `json:"start_t_ns"`
	EndT    seconds       `json:"end_t"`
	EndNS   nanos         `json:"end_t_ns"`
	Source  stages.Source `json:"source"`
	RestsOn []string      `json:"rests_on"`
}

func newDocument(out *check.Output, version string, files []check.File) *document {
	d := &document{
		Schema: Schema, Version: version, Verdict: out.Verdict,
		Setting: setting{out.Setting.Name, out.Setting.Title, out.Setting.Parts},
		Inputs:  inputs{list(out.Captures), list(out.Baseline), list(files)},
		Scope:   out.Scope, Frames: out.Frames, Missing: list(out.Missing), Since: newSince(out.Since),
		Interfaces: []iface{}, Functions: []function{}, Findings: []finding{}, NotTestable: []finding{},
		Symptoms: []symptom{}, Stages: []stage{},
	}
	if out.Frames > 0 {
		start, end := out.Start, out.End
		d.Start, d.StartNS = (*seconds)(&start), (*nanos)(&start)
		d.End, d.EndNS = (*seconds)(&end), (*nanos)(&end)
	}
	for _, in := range out.Interfaces {
		d.Interfaces = append(d.Interfaces, iface{in.Name, text(in.Bus), in.How})
	}
	for i := range out.Functions {
		f := &out.Functions[i]
		d.Functions = append(d.Functions, function{f.Name, f.Title, f.Verdict, text(f.BrokenAt), f.Why, list(f.Chain), f.Asked})
	}
	r := renderer{out.Setting, textual(out)}
	for i := range out.Findings {
		d.Findings = append(d.Findings, r.finding(&out.Findings[i]))
	}
	for i := range out.NotTestable {
		d.NotTestable = append(d.NotTestable, r.finding(&out.NotTestable[i]))
	}
	for i := range out.Symptoms {
		d.Symptoms = append(d.Symptoms, r.symptom(&out.Symptoms[i]))
	}
	for _, s := range out.Stages {
		d.Stages = append(d.Stages, stage{
			s.Stage, seconds(s.Start), nanos(s.Start), seconds(s.End), nanos(s.End), s.Source, list(s.RestsOn),
		})
	}
	return d
}

// renderer renders findings of one setting and its captures.
type renderer struct {
	setting *profiles.Setting
	lines   map[string]bool // captures whose records are lines
}

func (r *renderer) symptom(d *rules.Differential) symptom {
	j := symptom{d.Asked, d.Symptom, list(d.Functions), []step{}, d.Otherwise}
	for i := range d.Steps {
		a := &d.Steps[i]
		st := step{Question: a.Question, Rules: list(a.Rules), State: a.State}
		if a.Finding != nil {
			f := r.finding(a.Finding)
			st.Finding = &f
		}
		j.Steps = append(j.Steps, st)
	}
	return j
}

// listeners lists who waits for a message.
func (r *renderer) listeners(message string) []listener {
	all := []listener{}
	m := r.setting.Message(message)
	if m == nil {
		return all
	}
	for _, l := range m.Listeners {
		j := listener{Node: l.Node, Substitute: text(l.Substitute), Latched: l.Latched}
		if l.Timeout.Value > 0 {
			j.Timeout = newQuantity(&rules.Quantity{Value: float64(l.Timeout.Value) / 1e6, Unit: "ms"})
		}
		all = append(all, j)
	}
	return all
}

func (r *renderer) finding(f *rules.Finding) finding {
	j := finding{
		Rule: f.Rule, Verdict: f.Verdict, Text: f.Text, Function: text(f.Function), Functions: list(f.Functions),
		Message: text(f.Message), Signal: text(f.Signal), Bus: text(f.Bus), Stage: text(f.Stage),
		Sender: text(f.Sender), Listener: text(f.Listener), Listeners: r.listeners(f.Message), Count: f.Count, LimitFrom: text(f.LimitFrom), NextStep: f.NextStep,
		Measured: newQuantity(f.Measured), Limit: newQuantity(f.Limit),
	}
	if f.HasID {
		j.ID = text(f.ID.String())
	}
	if f.HasTime {
		first := f.FirstTime
		j.FirstT, j.FirstNS = (*seconds)(&first), (*nanos)(&first)
	}
	j.Example, j.Code = newExample(f.Example, r.lines), newCode(f.Code)
	return j
}

// newExample puts the line apart; lines says which captures have lines.
func newExample(e *rules.Example, lines map[string]bool) *exampleRecord {
	if e == nil {
		return nil
	}
	j := &exampleRecord{File: e.File, Offset: e.Offset, Record: e.Record, Raw: text(e.Raw)}
	if record := e.Record; record > 0 && lines[e.File] {
		j.Line = &record
	}
	return j
}

// textual says of each capture whether its records are lines.
func textual(out *check.Output) map[string]bool {
	lines := map[string]bool{}
	for i := range out.Captures {
		lines[out.Captures[i].Path] = isText(out.Captures[i].Format)
	}
	return lines
}

func newQuantity(q *rules.Quantity) *quantity {
	if q == nil {
		return nil
	}
	j := &quantity{Unit: q.Unit}
	if !math.IsNaN(q.Value) && !math.IsInf(q.Value, 0) {
		j.Value = &q.Value
	}
	return j
}

// text is null for what is not known.
func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// list is never null.
func list[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}
