package report

import (
	"encoding/json"
	"io"
	"math"

	"plugproof/decode/capture"
	"plugproof/profiles/check"
	"plugproof/profiles/compare"
	"plugproof/profiles/rules"
)

// CompareSchema of the JSON form of a comparison. Within a version only additions.
const CompareSchema = "plugproof/compare/1"

// ComparisonJSON writes the outcome of a comparison as one document. files are
// what it rests on besides the captures.
func ComparisonJSON(w io.Writer, res *compare.Result, version string, files []check.File) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(newComparison(res, version, files))
}

type compareDocument struct {
	Schema     string            `json:"schema"`
	Version    string            `json:"tool_version"`
	Verdict    rules.Verdict     `json:"verdict"`
	Mode       compare.Mode      `json:"mode"`
	Setting    *string           `json:"setting"`
	Replaced   *string           `json:"replaced_unit"`
	Inputs     compareInputs     `json:"inputs"`
	Before     compareSide       `json:"before"`
	After      compareSide       `json:"after"`
	Notes      []string          `json:"notes"`
	Complaints []compareRow      `json:"complaints"`
	Since      sinceSwap         `json:"since_swap"`
	Functions  []compareFunction `json:"functions"`
	Messages   []compareMessage  `json:"messages"`
	Axes       []compareAxis     `json:"axes"`
	States     []compareState    `json:"states"`
	Series     []compareSeries   `json:"series"`
}

type compareInputs struct {
	Before []capture.FileReport `json:"before"`
	After  []capture.FileReport `json:"after"`
	Files  []check.File         `json:"files"`
}

type compareSide struct {
	Frames  uint64  `json:"frames"`
	Start   seconds `json:"start_t"`
	StartNS nanos   `json:"start_t_ns"`
	End     seconds `json:"end_t"`
	EndNS   nanos   `json:"end_t_ns"`
}

type compareFunction struct {
	Name      string        `json:"name"`
	Title     string        `json:"title"`
	Verdict   rules.Verdict `json:"verdict"`
	Reason    *string       `json:"reason"`
	Option    bool          `json:"option"`
	Exercised bool          `json:"exercised_before"`
	Rows      []compareRow  `json:"rows"`
}

type compareMessage struct {
	Bus     string        `json:"bus"`
	ID      string        `json:"id"`
	Name    *string       `json:"message"`
	Sender  *string       `json:"sender"`
	Own     bool          `json:"of_replaced_unit"`
	Verdict rules.Verdict `json:"verdict"`
	Before  *compareFacts `json:"before"` // null: it did not come
	After   *compareFacts `json:"after"`
	Rows    []compareRow  `json:"rows"`
}

type compareFacts struct {
	Frames    uint64  `json:"frames"`
	Length    int     `json:"length_bytes"`
	P50MS     float64 `json:"gap_p50_ms"`
	P95MS     float64 `json:"gap_p95_ms"`
	LongestMS float64 `json:"gap_max_ms"`
	First     seconds `json:"first_t"`
	FirstNS   nanos   `json:"first_t_ns"`
	Last      seconds `json:"last_t"`
	LastNS    nanos   `json:"last_t_ns"`
}

type compareRow struct {
	Aspect    compare.Aspect `json:"aspect"`
	Verdict   rules.Verdict  `json:"verdict"`
	Text      string         `json:"text"`
	Bus       string         `json:"bus"`
	ID        string         `json:"id"` // "" for a code or lamp that is about no message
	Message   *string        `json:"message"`
	Signal    *string        `json:"signal"`
	Sender    *string        `json:"sender"`
	Listener  *string        `json:"listener"`
	Functions []string       `json:"functions"`
	State     *int           `json:"state"` // index in states
	Before    *quantity      `json:"before"`
	Measured  *quantity      `json:"measured"`
	Limit     *quantity      `json:"limit"`
	LimitFrom *string        `json:"limit_from"`
	Count     uint64         `json:"count"`
	Was       *exampleRecord `json:"example_before"`
	Example   *exampleRecord `json:"example"`
	NextStep  string         `json:"next_step"`
	Code      *code          `json:"code"` // of a trouble code; else null
}

type compareAxis struct {
	Title   string       `json:"title"`
	Unit    string       `json:"unit"`
	Signal  string       `json:"signal"`
	Sender  *string      `json:"sender"`
	Circled bool         `json:"circular"`
	Bins    []compareBin `json:"bins"`
}

type compareBin struct {
	Label string   `json:"label"`
	From  *float64 `json:"from"` // null: no end
	To    *float64 `json:"to"`
}

type compareState struct {
	Label  string `json:"label"`
	Bins   []int  `json:"bins"` // by axis; -1: not known
	Before uint64 `json:"frames_before"`
	After  uint64 `json:"frames_after"`
}

type compareSeries struct {
	Bus     string         `json:"bus"`
	ID      string         `json:"id"`
	Message *string        `json:"message"`
	Signal  string         `json:"signal"`
	Unit    string         `json:"unit"`
	Points  []comparePoint `json:"points"`
}

type comparePoint struct {
	State  int            `json:"state"`
	Before *compareValues `json:"before"` // null: none in this state
	After  *compareValues `json:"after"`
}

type compareValues struct {
	N    uint64   `json:"frames"`
	Min  *float64 `json:"min"`
	Max  *float64 `json:"max"`
	Mean *float64 `json:"mean"`
}

func newComparison(res *compare.Result, version string, files []check.File) *compareDocument {
	r := rowRenderer{comparedLines(res)}
	d := &compareDocument{
		Schema: CompareSchema, Version: version, Verdict: res.Verdict, Mode: res.Mode,
		Setting: text(res.Setting), Replaced: text(res.Replaced), Notes: list(res.Notes),
		Inputs: compareInputs{list(res.Before.Captures), list(res.After.Captures), list(files)},
		Before: newSide(&res.Before), After: newSide(&res.After), Complaints: r.rows(res.Complaints), Since: newSince(res.Since),
		Functions: []compareFunction{}, Messages: []compareMessage{}, Axes: []compareAxis{},
		States: []compareState{}, Series: []compareSeries{},
	}
	for i := range res.Functions {
		d.Functions = append(d.Functions, r.function(res, &res.Functions[i]))
	}
	for i := range res.Messages {
		m := &res.Messages[i]
		d.Messages = append(d.Messages, compareMessage{
			m.Bus, m.ID.String(), text(m.Name), text(m.Sender), m.Own, m.Verdict,
			newFacts(&m.Before), newFacts(&m.After), r.rows(m.Rows),
		})
	}
	for i := range res.Axes {
		d.Axes = append(d.Axes, newAxis(&res.Axes[i]))
	}
	for i := range res.States {
		s := &res.States[i]
		d.States = append(d.States, compareState{s.Label, list(s.Bins), s.Before, s.After})
	}
	for i := range res.Series {
		d.Series = append(d.Series, newSeries(res, &res.Series[i]))
	}
	return d
}

func newSide(s *compare.Side) compareSide {
	return compareSide{s.Frames, seconds(s.Start), nanos(s.Start), seconds(s.End), nanos(s.End)}
}

func newFacts(f *compare.Facts) *compareFacts {
	if f.Frames == 0 {
		return nil
	}
	inMS := func(ns int64) float64 { return float64(ns) / 1e6 }
	return &compareFacts{
		f.Frames, f.Length, inMS(f.MedianGap), inMS(f.P95Gap), inMS(f.LongestGap),
		seconds(f.First), nanos(f.First), seconds(f.Last), nanos(f.Last),
	}
}

func newAxis(a *compare.Axis) compareAxis {
	out := compareAxis{a.Title, a.Unit, string(a.Signal), text(a.Sender), a.Circled, []compareBin{}}
	for _, b := range a.Bins {
		out.Bins = append(out.Bins, compareBin{b.Label, finite(b.From), finite(b.To)})
	}
	return out
}

func newSeries(res *compare.Result, s *compare.Series) compareSeries {
	m := &res.Messages[s.Message]
	out := compareSeries{m.Bus, m.ID.String(), text(m.Name), s.Signal, s.Unit, []comparePoint{}}
	for i := range s.Points {
		p := &s.Points[i]
		out.Points = append(out.Points, comparePoint{p.State, newValues(&p.Before), newValues(&p.After)})
	}
	return out
}

func newValues(v *compare.Values) *compareValues {
	if v.N == 0 {
		return nil
	}
	return &compareValues{v.N, finite(v.Min), finite(v.Max), finite(v.Mean)}
}

// finite is null for what JSON cannot hold.
func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// rowRenderer renders rows; lines says which captures have lines.
type rowRenderer struct{ lines map[string]bool }

func (c rowRenderer) function(res *compare.Result, f *compare.Function) compareFunction {
	out := compareFunction{f.Name, f.Title, f.Verdict, text(f.Reason), f.Option, f.Exercised, []compareRow{}}
	for _, at := range f.Rows {
		out.Rows = append(out.Rows, c.row(&res.Messages[at.Message].Rows[at.Row]))
	}
	return out
}

func (c rowRenderer) rows(rows []compare.Row) []compareRow {
	out := []compareRow{}
	for i := range rows {
		out = append(out, c.row(&rows[i]))
	}
	return out
}

func (c rowRenderer) row(r *compare.Row) compareRow {
	out := compareRow{
		Aspect: r.Aspect, Verdict: r.Verdict, Text: r.Text, Bus: r.Bus, ID: r.ID.String(),
		Message: text(r.Message), Signal: text(r.Signal), Sender: text(r.Sender), Listener: text(r.Listener),
		Functions: list(r.Functions), Before: newQuantity(r.Before), Measured: newQuantity(r.Measured),
		Limit: newQuantity(r.Limit), LimitFrom: text(r.LimitFrom), Count: r.Count,
		Was: newExample(r.BeforeExample, c.lines), Example: newExample(r.Example, c.lines), NextStep: r.NextStep,
		Code: newCode(r.Code),
	}
	if r.Message == "" && told(r) {
		out.ID = ""
	}
	if r.State >= 0 {
		out.State = &r.State
	}
	return out
}
