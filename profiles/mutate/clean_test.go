package mutate

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// variety is a way in which a good capture may differ from another one.
type variety struct {
	name    string
	options func(o *demo.Options, s demo.Setting) // nil: the usual drive
	change  func(d *Drive, r *rand.Rand) spoiled  // nil: as recorded
	// review names the rules that may ask for a second look, each with its reason.
	review map[string]string
}

func varieties() []variety {
	return []variety{
		{name: "usual drive"},
		{name: "idle 250 rpm higher", options: func(o *demo.Options, _ demo.Setting) { o.Idle = 250 }},
		{name: "idle 80 rpm lower", options: func(o *demo.Options, _ demo.Setting) { o.Idle = -80 }},
		{name: "fan starts 6 °C later", options: func(o *demo.Options, _ demo.Setting) { o.FanOn = 6 }},
		{name: "cold day", options: func(o *demo.Options, _ demo.Setting) { o.Warmer = -25 }},
		{name: "hot day", options: func(o *demo.Options, _ demo.Setting) { o.Warmer = 15 }},
		{name: "clocks 0.3 % off", options: func(o *demo.Options, _ demo.Setting) { o.ClockError = 0.003 }},
		{name: "2 ms of scheduling jitter", options: func(o *demo.Options, _ demo.Setting) { o.Jitter = 2 * time.Millisecond }},
		{name: "clumped stamps", change: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Clump(10e6)) }, review: map[string]string{
			"capture/clumped-stamps": "the adapter delivers in bursts",
		}},
		{name: "9 s of key-on", change: func(d *Drive, _ *rand.Rand) spoiled { return part(d, "key-on", 9*second) }, options: longKeyOn},
		{name: "idle only", change: func(d *Drive, _ *rand.Rand) spoiled { return part(d, "idle", 6*second) }},
		{name: "road only", change: func(d *Drive, _ *rand.Rand) spoiled { return part(d, "road", 15*second) }},
		{name: "ECU alone on the bench", change: func(d *Drive, _ *rand.Rand) spoiled { return alone(d, "Engine", rules.ECUOnBench) }},
		{name: "cluster alone on the bench", change: func(d *Drive, _ *rand.Rand) spoiled { return alone(d, "Cluster", rules.ListenerOnBench) }},
		{name: "key-on marked 1.5 s early", change: func(d *Drive, _ *rand.Rand) spoiled {
			return spoiled{frames: d.Frames, stages: marked(d.Stages, -1500e6)}
		}},
		{name: "two drives in one capture", change: func(d *Drive, _ *rand.Rand) spoiled { return repeated(d, 2) }},
		{name: "from crank to road", change: func(d *Drive, _ *rand.Rand) spoiled {
			from, to := d.Stage("crank").Start, d.Stage("road").End
			return spoiled{frames: cut(d.Frames, from, to), stages: between(d.Stages, from, to)}
		}},
	}
}

func longKeyOn(o *demo.Options, s demo.Setting) {
	o.Script = demo.Script(0, s)
	for i := range o.Script {
		if o.Script[i].Name == "key-on" {
			o.Script[i].Length = 10 * time.Second
		}
	}
}

// part is the first stretch of a stage, by itself.
func part(d *Drive, stage string, length int64) spoiled {
	span := d.Stage(stage)
	to := min(span.End, span.Start+length)
	return spoiled{frames: cut(d.Frames, span.Start, to), stages: between(d.Stages, span.Start, to)}
}

// marked sets the end of asleep and the start of key-on as somebody who is late,
// or early.
func marked(spans stages.Spans, by int64) stages.Spans {
	out := slices.Clone(spans)
	for i := range out {
		switch out[i].Stage {
		case "asleep":
			out[i].End += by
		case "key-on":
			out[i].Start += by
		}
	}
	return out
}

// alone is what one unit sends, taken on the bench.
func alone(d *Drive, node string, scope rules.Scope) spoiled {
	own := d.Sender(node)
	frames, _ := d.Drop(func(f *can.Frame) bool { return !own(f) })
	return spoiled{frames: frames, change: func(c *rules.Case) { c.Scope = scope }}
}

// repeated is the drive a number of times, some seconds apart.
func repeated(d *Drive, times int) (s spoiled) {
	length := d.Frames[len(d.Frames)-1].Time - d.Frames[0].Time + 4*second
	for i := range int64(times) {
		for _, f := range d.Frames {
			f.Time += i * length
			s.frames = append(s.frames, f)
		}
		for _, span := range d.Stages {
			span.Start += i * length
			span.End += i * length
			s.stages = append(s.stages, span)
		}
	}
	return s
}

func between(spans stages.Spans, from, to int64) stages.Spans {
	var out stages.Spans
	for _, span := range spans {
		if span.Start, span.End = max(span.Start, from), min(span.End, to); span.Start < span.End {
			out = append(out, span)
		}
	}
	return out
}

// TestClean: no good capture has a fail, by itself or against a baseline, with
// the stages marked or recognised, and only the listed ones a review.
func TestClean(t *testing.T) {
	settings, count := demo.Settings(), seeds
	if testing.Short() {
		settings, count = settings[6:7], 1
	}
	for _, car := range settings {
		t.Run(car.String(), func(t *testing.T) {
			t.Parallel()
			_, setting := load(t, car.String())
			drive := func(opts demo.Options) *Drive {
				d, err := Record(t.Context(), car, setting, opts)
				if err != nil {
					t.Fatal(err)
				}
				return d
			}
			base := drive(demo.Options{Seed: 100, Start: demo.DefaultStart - int64(24*time.Hour)})
			good := baseline{gather(t, base, base.Frames), base.Stages}
			for seed := range uint64(count) {
				usual := drive(demo.Options{Seed: seed})
				for _, v := range varieties() {
					t.Run(fmt.Sprintf("%s/%d", v.name, seed), func(t *testing.T) {
						d := usual
						if v.options != nil {
							opts := demo.Options{Seed: seed}
							v.options(&opts, car)
							d = drive(opts)
						}
						v.judge(t, d, seed, &good)
					})
				}
			}
		})
	}
}

// baseline is a good capture of the same car from another day.
type baseline struct {
	evidence *evidence.Evidence
	stages   stages.Spans // as marked
}

// judge asks the rules about one good drive in all ways.
func (v *variety) judge(t *testing.T, d *Drive, seed uint64, base *baseline) {
	s := spoiled{frames: d.Frames, stages: d.Stages}
	if v.change != nil {
		s = v.change(d, rand.New(rand.NewPCG(seed, 0xC1EA)))
	}
	if s.stages == nil {
		s.stages = d.Stages
	}
	ev := gather(t, d, s.frames)
	for how, spans := range map[string]stages.Spans{"marked": s.stages, "recognised": stages.Recognise(ev)} {
		cs := caseOf(d, ev, spans)
		if s.change != nil {
			s.change(cs)
		}
		v.check(t, how, rules.Judge(cs, nil))
		cs.Baseline, cs.BaselineStages = base.evidence, base.stages
		if how == "recognised" {
			cs.BaselineStages = stages.Recognise(base.evidence)
		}
		v.check(t, how+", with baseline", rules.Judge(cs, nil))
	}
}

func (v *variety) check(t *testing.T, how string, res *rules.Result) {
	t.Helper()
	for _, f := range res.Findings {
		if f.Verdict == rules.Review && v.review[f.Rule] != "" {
			continue
		}
		t.Errorf("%s: %v %s %s.%s: %s", how, f.Verdict, f.Rule, f.Message, f.Signal, f.Text)
	}
	for _, f := range res.Functions {
		if f.Verdict == rules.Fail {
			t.Errorf("%s: function %s fails: %s", how, f.Name, f.Why)
		}
	}
}

// TestNothingChanges: a corruption works on a copy.
func TestNothingChanges(t *testing.T) {
	d := record(t, matrixSettings[0], demo.Options{Seed: 1})
	before := slices.Clone(d.Frames)
	for _, c := range corruptions() {
		if !c.in(d.Setting.Name) {
			continue
		}
		c.apply(d, rand.New(rand.NewPCG(1, 1)))
		if !slices.Equal(before, d.Frames) {
			t.Fatalf("%s changed the capture it was given", c.name)
		}
	}
}

// TestSameSeed: the same seed spoils in the same way.
func TestSameSeed(t *testing.T) {
	d := record(t, matrixSettings[0], demo.Options{Seed: 1})
	frames := func(c *corruption) []can.Frame { return c.apply(d, rand.New(rand.NewPCG(7, 1))).frames }
	for _, c := range corruptions() {
		if c.in(d.Setting.Name) && !slices.Equal(frames(&c), frames(&c)) {
			t.Errorf("%s: two runs differ", c.name)
		}
	}
}

// byList are the rules that no frame fires: they judge lists of codes and lamps,
// and profiles/rules fires them in TestNewCode and TestNewLamp.
var byList = []string{"listener/new-code", "listener/new-lamp"}

// TestEveryRuleFires: no rule is without a corruption that fires it. Rules about
// the listeners' own verdicts are fired by captures of cars that react.
func TestEveryRuleFires(t *testing.T) {
	fired := map[string]bool{}
	for _, name := range byList {
		fired[name] = true
	}
	for _, c := range corruptions() {
		fired[c.rule] = true
	}
	for _, rule := range rules.All() {
		if !fired[rule.Name] {
			t.Errorf("no corruption fires %s", rule.Name)
		}
		delete(fired, rule.Name)
	}
	for name := range fired {
		t.Errorf("a corruption asks for %s, which is no rule", name)
	}
}
