package recheck

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/parquet-go/parquet-go"

	"plugproof/decode/capture"
	"plugproof/profiles/check"
)

// Schema of the JSON form. Within a version only additions.
const Schema = "plugproof/recheck/1"

// Text writes what changed, and the figures at the end. strong marks a line to
// stand out.
func Text(w io.Writer, r *Result, strong func(string) string) error {
	var b strings.Builder
	for i := range r.Rows {
		row := &r.Rows[i]
		if row.State == Same {
			continue
		}
		fmt.Fprintf(&b, "%s\n    %s\n", strong(fmt.Sprintf("%-8s%s", row.State, row.Name)), row.heading())
		for _, line := range row.Lines() {
			fmt.Fprintf(&b, "      %s\n", line)
		}
	}
	t := r.Tally()
	if b.Len() > 0 {
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "captures judged: %d; %d as on file, %d changed, %d new, %d gone; %d cannot be judged\n",
		t.Recordings, t.Same, t.Changed, t.New, t.Gone, t.Unreadable)
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *Row) heading() string { return r.Profile() + ": " + r.Brief() }

// document is the JSON form.
type document struct {
	Schema  string       `json:"schema"`
	Version string       `json:"tool_version"`
	Files   []check.File `json:"files"` // of the settings
	Tally
	Rows []rowDocument `json:"captures"`
}

type rowDocument struct {
	Name      string               `json:"capture"`
	Profile   string               `json:"profile"`
	State     State                `json:"state"`
	Verdict   *string              `json:"verdict"`
	OnFile    *string              `json:"verdict_on_file"`
	Reason    *string              `json:"reason"`
	Functions map[string]string    `json:"functions"`
	Findings  []string             `json:"findings"`
	Changes   []string             `json:"changes"`
	Inputs    []capture.FileReport `json:"inputs"`
}

// JSON writes the result as one document; files are those of the settings.
func JSON(w io.Writer, r *Result, version string, files []check.File) error {
	doc := document{Schema: Schema, Version: version, Files: append([]check.File{}, files...), Tally: r.Tally(), Rows: []rowDocument{}}
	for i := range r.Rows {
		row := &r.Rows[i]
		d := rowDocument{
			Name: row.Name, Profile: row.Profile(), State: row.State, Functions: map[string]string{}, Findings: []string{},
			Changes: append([]string{}, row.Changes...), Inputs: append([]capture.FileReport{}, row.Captures...),
		}
		if row.Was != nil {
			d.OnFile = &row.Was.Verdict
		}
		if now := row.Now; now != nil {
			d.Verdict, d.Findings = &now.Verdict, append(d.Findings, now.Findings...)
			maps.Copy(d.Functions, now.Functions)
			if now.Reason != "" {
				d.Reason = &now.Reason
			}
		}
		doc.Rows = append(doc.Rows, d)
	}
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(&doc)
}

// ParquetRow is a row of the table of verdicts: that on a capture as a whole, or
// that on one function in it.
type ParquetRow struct {
	Capture  string  `parquet:"capture,dict"`
	Profile  string  `parquet:"profile,dict"`
	State    string  `parquet:"state,dict"`
	Function string  `parquet:"function,dict"` // "": the capture as a whole
	Verdict  *string `parquet:"verdict,optional,dict"`
	OnFile   *string `parquet:"verdict_on_file,optional,dict"`
	Changed  bool    `parquet:"changed"` // both are there and differ
}

// Parquet writes the verdicts as a table.
func Parquet(w io.Writer, r *Result) error {
	p := parquet.NewGenericWriter[ParquetRow](w, parquet.NewSchema("verdicts", parquet.SchemaOf(ParquetRow{})),
		parquet.Compression(&parquet.Snappy), parquet.KeyValueMetadata("schema", Schema))
	for i := range r.Rows {
		if _, err := p.Write(r.Rows[i].table()); err != nil {
			return err
		}
	}
	return p.Close()
}

// table returns the rows about one recording, that on the whole first.
func (r *Row) table() (rows []ParquetRow) {
	add := func(function string, now, was *string) {
		rows = append(rows, ParquetRow{
			Capture: r.Name, Profile: r.Profile(), State: string(r.State), Function: function, Verdict: now, OnFile: was,
			Changed: now != nil && was != nil && *now != *was,
		})
	}
	whole := func(v *Verdict) *string {
		if v == nil {
			return nil
		}
		return &v.Verdict
	}
	of := func(v *Verdict, function string) *string {
		if v == nil {
			return nil
		}
		if verdict, ok := v.Functions[function]; ok {
			return &verdict
		}
		return nil
	}
	add("", whole(r.Now), whole(r.Was))
	var names []string
	for _, v := range []*Verdict{r.Now, r.Was} {
		if v != nil {
			names = slices.AppendSeq(names, maps.Keys(v.Functions))
		}
	}
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		add(name, of(r.Now, name), of(r.Was, name))
	}
	return rows
}
