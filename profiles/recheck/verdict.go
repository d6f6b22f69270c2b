package recheck

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"plugproof/decode/atomicfile"
	"plugproof/decode/pattern"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// Ending of the file beside a capture that holds its verdict.
const Ending = ".verdict.yaml"

// Unreadable is the verdict on a capture that cannot be judged at all.
const Unreadable = "unreadable"

// Verdict is what is kept of a check: what a person would call another outcome,
// and no measured figures.
type Verdict struct {
	Format    int               `yaml:"format"`
	Profile   string            `yaml:"profile"`
	Verdict   string            `yaml:"verdict"`             // as rules.Verdict in words, or Unreadable
	Reason    string            `yaml:"reason,omitempty"`    // why it is unreadable
	Functions map[string]string `yaml:"functions,omitempty"` // name -> verdict
	Findings  []string          `yaml:"findings,omitempty"`  // "fail message/absent EngineSpeed", sorted
}

func newVerdict(out *check.Output) *Verdict {
	v := &Verdict{
		Format: profiles.FormatVersion, Profile: out.Setting.Name, Verdict: out.Verdict.String(), Functions: map[string]string{},
	}
	for i := range out.Functions {
		v.Functions[out.Functions[i].Name] = out.Functions[i].Verdict.String()
	}
	for i := range out.Findings {
		v.Findings = append(v.Findings, findingLine(&out.Findings[i]))
	}
	slices.Sort(v.Findings)
	v.Findings = slices.Compact(v.Findings)
	return v
}

// findingLine names a finding by what does not change with a figure.
func findingLine(f *rules.Finding) string {
	subject := f.Message
	switch {
	case f.Signal != "":
		subject += "." + f.Signal
	case f.Message != "":
	case f.HasID:
		subject = f.ID.String()
	case f.Sender != "":
		subject = f.Sender
	case f.Listener != "":
		subject = f.Listener
	default:
		subject = f.Bus
	}
	return strings.TrimSpace(f.Verdict.String() + " " + f.Rule + " " + subject)
}

func unreadable(profile, reason string) *Verdict {
	return &Verdict{Format: profiles.FormatVersion, Profile: profile, Verdict: Unreadable, Reason: reason}
}

// readVerdict reads the verdict on file of a capture; nil when there is none.
func readVerdict(dir, name string) (*Verdict, error) {
	path := filepath.Join(dir, filepath.FromSlash(name)) + Ending
	src, err := check.ReadSmall(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return parseVerdict(path, src)
}

func parseVerdict(path string, src []byte) (*Verdict, error) {
	v := &Verdict{}
	return v, profiles.Decode(path, "verdict", src, v)
}

// Accept puts the verdict of a row on file.
func (r *Row) Accept(dir string) error {
	return atomicfile.WriteFile(filepath.Join(dir, filepath.FromSlash(r.Name))+Ending, r.Now.text())
}

// text is the verdict as a file, to be read by people and compared line by line.
func (v *Verdict) text() []byte {
	var b bytes.Buffer
	b.WriteString("# Written by plugproof recheck --update.\n")
	fmt.Fprintf(&b, "format: %d\nprofile: %s\nverdict: %s\n", v.Format, quoted(v.Profile), quoted(v.Verdict))
	if v.Reason != "" {
		fmt.Fprintf(&b, "reason: %s\n", quoted(v.Reason))
	}
	if len(v.Functions) > 0 {
		b.WriteString("functions:\n")
	}
	for _, name := range slices.Sorted(maps.Keys(v.Functions)) {
		fmt.Fprintf(&b, "  %s: %s\n", quoted(name), quoted(v.Functions[name]))
	}
	if len(v.Findings) > 0 {
		b.WriteString("findings:\n")
	}
	for _, line := range v.Findings {
		fmt.Fprintf(&b, "  - %s\n", quoted(line))
	}
	return b.Bytes()
}

// plainText is what YAML takes for a text without quotes: words, and what rules,
// messages and profiles are called.
var plainText = pattern.Late(`^[A-Za-z][A-Za-z0-9_./-]*( [A-Za-z0-9_./-]+)*$`)

// quoted writes a text for YAML, in quotes (with the escapes of Go, which YAML has too)
// unless it is plain and no word that YAML takes for something else.
func quoted(text string) string {
	switch strings.ToLower(text) {
	case "true", "false", "yes", "no", "on", "off", "y", "n", "null", "nan", "inf":
	default:
		if plainText().MatchString(text) {
			return text
		}
	}
	return strconv.Quote(text)
}

// changes lists how a verdict differs from the one before, one line each.
func changes(was, now *Verdict) (lines []string) {
	if was == nil || now == nil {
		return nil
	}
	add := func(what, a, b string) {
		switch {
		case a == b:
		case a == "":
			lines = append(lines, fmt.Sprintf("%s: now %s", what, b))
		case b == "":
			lines = append(lines, fmt.Sprintf("%s: no longer %s", what, a))
		default:
			lines = append(lines, fmt.Sprintf("%s: %s -> %s", what, a, b))
		}
	}
	add("profile", was.Profile, now.Profile)
	add("verdict", was.Verdict, now.Verdict)
	add("reason", was.Reason, now.Reason)
	names := slices.Collect(maps.Keys(was.Functions))
	names = slices.AppendSeq(names, maps.Keys(now.Functions))
	slices.Sort(names)
	for _, name := range slices.Compact(names) {
		add(name, was.Functions[name], now.Functions[name])
	}
	for _, line := range was.Findings {
		if !slices.Contains(now.Findings, line) {
			lines = append(lines, "- "+line)
		}
	}
	for _, line := range now.Findings {
		if !slices.Contains(was.Findings, line) {
			lines = append(lines, "+ "+line)
		}
	}
	return lines
}

// goneRows finds the verdicts on file whose capture is in none of the rows.
func goneRows(dir string, rows []Row) (gone []Row, err error) {
	have := map[string]bool{}
	for i := range rows {
		have[rows[i].Name] = true
	}
	err = fs.WalkDir(os.DirFS(dir), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, found := strings.CutSuffix(name, Ending)
		if !found || have[name] {
			return nil
		}
		was, err := readVerdict(dir, name)
		gone = append(gone, Row{Name: name, State: Gone, Was: was})
		return err
	})
	return gone, err
}
