package mutate

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

var update = flag.Bool("update", false, "write the matrix into DEVELOPERS.md anew")

// The settings of the matrix: all series, both engines, three gearboxes.
var matrixSettings = []string{"lowan-2-20t-a5", "lowan-1-20-m5", "lowan-3-20t-a8"}

const seeds = 5

func load(t testing.TB, name string) (demo.Setting, *profiles.Setting) {
	t.Helper()
	car, err := demo.ParseSetting(name)
	if err != nil {
		t.Fatal(err)
	}
	setting, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return car, setting
}

func record(t testing.TB, name string, opts demo.Options) *Drive {
	t.Helper()
	car, setting := load(t, name)
	d, err := Record(context.Background(), car, setting, opts)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// gather collects the evidence of frames of a drive.
func gather(t testing.TB, d *Drive, frames []can.Frame) *evidence.Evidence {
	t.Helper()
	plan, err := evidence.NewPlan(evidence.Options{Setting: d.Setting, Buses: d.Buses})
	if err != nil {
		t.Fatal(err)
	}
	c := plan.New()
	c.Add(frames)
	return c.Evidence()
}

// caseOf is a case in the car, judged with what the stages of the drive say.
func caseOf(d *Drive, ev *evidence.Evidence, spans stages.Spans) *rules.Case {
	return &rules.Case{
		Setting: d.Setting, Evidence: ev, Stages: spans, Scope: rules.Car, ErrorsRecorded: true,
		Files: []string{"drive.log"}, Buses: d.Buses.Name, Settings: onFile,
	}
}

// onFile loads the settings of the library once.
var onFile = sync.OnceValue(func() (list []*profiles.Setting) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	for _, car := range demo.Settings() {
		if s, err := lib.Load(car.String()); err == nil {
			list = append(list, s)
		}
	}
	return list
})

// tally is one row of the matrix as it came out.
type tally struct {
	cases, fired int
	companions   map[string]int // "rule message" -> cases
	off          int64          // greatest distance of the first bad frame, ns
	placed       bool
}

type matrix struct {
	mutex sync.Mutex
	rows  map[string]*tally
}

func (m *matrix) row(name string, note func(*tally)) {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	if m.rows[name] == nil {
		m.rows[name] = &tally{companions: map[string]int{}}
	}
	note(m.rows[name])
}

// TestMatrix spoils good captures in every way of the list and asks for the rule
// that must fire, for its companions and for nothing else.
func TestMatrix(t *testing.T) {
	settings, count := slices.Concat(matrixSettings, automatics, manuals), seeds
	slices.Sort(settings)
	settings = slices.Compact(settings)
	if testing.Short() {
		settings, count = matrixSettings[:1], 1
	}
	m := &matrix{rows: map[string]*tally{}}
	t.Run("cases", func(t *testing.T) {
		for _, name := range settings {
			for seed := range count {
				t.Run(fmt.Sprintf("%s/%d", name, seed), func(t *testing.T) {
					t.Parallel()
					one := record(t, name, demo.Options{Seed: uint64(seed)})
					base := record(t, name, demo.Options{Seed: uint64(seed) + 100, Start: demo.DefaultStart - int64(24*time.Hour)})
					baseline := gather(t, base, base.Frames)
					for i := range corruptions() {
						c := corruptions()[i]
						if !c.in(name) {
							continue
						}
						t.Run(c.name, func(t *testing.T) { m.spoil(t, &c, one, base.Stages, baseline, seed) })
					}
				})
			}
		}
	})
	if testing.Short() || t.Failed() && !*update || len(m.rows) < len(corruptions()) { // or only some were asked for
		return
	}
	m.looseCompanions(t)
	got := m.table()
	ahead, want, behind := committed(t)
	if *update {
		if err := os.WriteFile(matrixFile, []byte(ahead+got+behind), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := gocmp.Diff(strings.Split(want, "\n"), strings.Split(got, "\n")); diff != "" {
		t.Errorf("the matrix changed: read it, then run with -update (-committed +now):\n%s", diff)
	}
}

// The matrix stands in DEVELOPERS.md, between two marks.
const (
	matrixFile  = "../../DEVELOPERS.md"
	matrixBegin = "<!-- mutation matrix: written by go test ./profiles/mutate -run Matrix -update -->\n"
	matrixEnd   = "<!-- end of the mutation matrix -->\n"
)

// committed returns the matrix on file, and what stands before and behind it.
func committed(t *testing.T) (ahead, table, behind string) {
	t.Helper()
	src, err := os.ReadFile(matrixFile)
	if err != nil {
		t.Fatal(err)
	}
	ahead, rest, found := strings.Cut(string(src), matrixBegin)
	table, behind, closed := strings.Cut(rest, matrixEnd)
	if !found || !closed {
		t.Fatalf("%s does not hold the lines\n%s%s", matrixFile, matrixBegin, matrixEnd)
	}
	return ahead + matrixBegin, table, matrixEnd + behind
}

// TestMatrixOnFile holds that the table on file has a row for each corruption, in
// their order, without spoiling anything: a new one is not forgotten there.
func TestMatrixOnFile(t *testing.T) {
	_, table, _ := committed(t)
	rows := strings.Split(strings.TrimSpace(table), "\n")
	var got, want []string
	for _, row := range rows[min(2, len(rows)):] {
		cells := strings.Split(row, " | ")
		got = append(got, strings.TrimPrefix(cells[0], "| ")+": "+cells[min(1, len(cells)-1)])
	}
	for _, c := range corruptions() {
		want = append(want, c.name+": "+c.ruleCell())
	}
	if diff := gocmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// spoil judges one corruption of one drive, by itself and against a baseline.
func (m *matrix) spoil(t *testing.T, c *corruption, d *Drive, baseStages stages.Spans, baseline *evidence.Evidence, seed int) {
	r := rand.New(rand.NewPCG(uint64(seed), 0x5011))
	s := c.apply(d, r)
	if s.skip {
		return
	}
	if s.setting != nil {
		copied := *d
		copied.Setting, d = s.setting, &copied
	}
	spans := s.stages
	if spans == nil {
		spans = d.Stages
	}
	number(s.frames)
	ev := gather(t, d, s.frames)
	for _, with := range []bool{false, true} {
		cs := caseOf(d, ev, spans)
		what := "without baseline"
		if with {
			cs.Baseline, cs.BaselineStages, what = baseline, baseStages, "with baseline"
		}
		if s.change != nil {
			s.change(cs)
		}
		res := rules.Judge(cs, nil)
		main := c.check(t, what, res, s.first, cycleOf(d, c.message), with || !c.baseline)
		m.row(c.name, func(row *tally) {
			if !with && c.baseline {
				return
			}
			row.cases++
			if main != nil {
				row.fired++
				if c.within >= 0 && s.first != 0 {
					row.placed = true
					row.off = max(row.off, main.FirstTime-s.first, s.first-main.FirstTime)
				}
			}
			seen := map[string]bool{}
			for i := range res.Findings {
				f := &res.Findings[i]
				if main != nil && f.Rule == c.rule {
					continue
				}
				seen[strings.TrimSpace(f.Rule+" "+f.Message)] = true
			}
			for key := range seen {
				row.companions[key]++
			}
		})
	}
}

func cycleOf(d *Drive, message string) int64 {
	if m := d.Setting.Message(message); m != nil {
		return int64(m.Cycle.Value)
	}
	return 0
}

// check holds a result against the row; it returns the finding that the row asks for.
func (c *corruption) check(t *testing.T, what string, res *rules.Result, first, cycle int64, must bool) *rules.Finding {
	t.Helper()
	all := slices.Concat(res.Findings, res.NotTestable)
	var main *rules.Finding
	for i := range all {
		f := &all[i]
		if f.Rule == c.rule && f.Verdict >= c.verdict && (c.message == "" || f.Message == c.message) && (c.sender == "" || f.Sender == c.sender) {
			main = f
			break
		}
	}
	for i := range res.Findings {
		if f := &res.Findings[i]; !c.allows(f) {
			t.Errorf("%s: also fired: %v %s %s.%s: %s", what, f.Verdict, f.Rule, f.Message, f.Signal, f.Text)
		}
	}
	switch {
	case main == nil && !must:
		return nil
	case main == nil:
		t.Errorf("%s: %s on %q did not fire", what, c.rule, cmp.Or(c.message, c.sender))
		return nil
	}
	if c.verdict == rules.Review && main.Verdict != rules.Review {
		t.Errorf("%s: %s is %v; want review: %s", what, main.Rule, main.Verdict, main.Text)
	}
	if !strings.Contains(main.Text, c.says) {
		t.Errorf("%s: %s says %q; want %q in it", what, main.Rule, main.Text, c.says)
	}
	if c.function != "" && !slices.Contains(main.Functions, c.function) {
		t.Errorf("%s: %s hurts %v; want %s among them", what, main.Rule, main.Functions, c.function)
	}
	if main.Verdict == rules.Fail && c.function != "" && functionVerdict(res, c.function) != rules.Fail {
		t.Errorf("%s: function %s is %v; want fail", what, c.function, functionVerdict(res, c.function))
	}
	if main.NextStep == "" || main.Text == "" {
		t.Errorf("%s: %s without words or next step", what, main.Rule)
	}
	if c.within < 0 || first == 0 {
		return main
	}
	off := main.FirstTime - first
	limit := cmp.Or(c.within, cycle+cycle/4)
	if !main.HasTime || max(off, -off) > limit {
		t.Errorf("%s: %s places the first bad frame %.1f ms off; at most %.1f", what, main.Rule, float64(off)/1e6, float64(limit)/1e6)
	}
	return main
}

func functionVerdict(res *rules.Result, name string) rules.Verdict {
	for _, f := range res.Functions {
		if f.Name == name {
			return f.Verdict
		}
	}
	return rules.Pass
}

// allows reports whether a finding is the row's own or a companion of it.
func (c *corruption) allows(f *rules.Finding) bool {
	if f.Rule == c.rule && (c.message == "" || f.Message == c.message) && (c.sender == "" || f.Sender == c.sender) {
		return true
	}
	return slices.ContainsFunc(c.companions, func(k companion) bool {
		return k.rule == f.Rule && (k.message == "" || k.message == f.Message)
	})
}

// table prints the matrix as Markdown.
func (m *matrix) table() string {
	var b strings.Builder
	fmt.Fprintf(&b, "| corruption | rule that must fire | fired | first bad frame at most off | companions seen, and why |\n|---|---|---|---|---|\n")
	for _, c := range corruptions() {
		row := m.rows[c.name]
		off := "-"
		if row.placed {
			off = fmt.Sprintf("%.0f ms", float64(row.off)/1e6)
		}
		var with []string
		for _, key := range slices.Sorted(maps.Keys(row.companions)) {
			with = append(with, fmt.Sprintf("%s (%d): %s", key, row.companions[key], c.reason(key)))
		}
		fmt.Fprintf(&b, "| %s | %s | %d of %d | %s | %s |\n", c.name, c.ruleCell(), row.fired, row.cases, off, cmp.Or(strings.Join(with, "; "), "-"))
	}
	return b.String()
}

// ruleCell names the rule that must fire, and says when it needs a baseline.
func (c *corruption) ruleCell() string {
	if c.baseline {
		return c.rule + " (with a baseline)"
	}
	return c.rule
}

// looseCompanions finds companions that never come: a list that is too long hides
// false alarms.
func (m *matrix) looseCompanions(t *testing.T) {
	t.Helper()
	for _, c := range corruptions() {
		for _, k := range c.companions {
			seen := false
			for key := range m.rows[c.name].companions {
				rule, message, _ := strings.Cut(key, " ")
				seen = seen || rule == k.rule && (k.message == "" || k.message == message)
			}
			if !seen {
				t.Errorf("%s: its companion %s never came: take it off the list", c.name, k.rule)
			}
		}
	}
}

// reason returns why a companion comes.
func (c *corruption) reason(key string) string {
	rule, message, _ := strings.Cut(key, " ")
	for _, k := range c.companions {
		if k.rule == rule && (k.message == "" || k.message == message) {
			return k.reason
		}
	}
	return "NOT LISTED"
}
