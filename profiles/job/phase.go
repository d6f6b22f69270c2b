package job

import (
	"fmt"
	"slices"
	"strings"
)

// Phase is one part of a job.
type Phase string

// The phases.
const (
	Intake        Phase = "intake"
	Electrical    Phase = "electrical"
	CodesBefore   Phase = "codes-before"
	BaselineTake  Phase = "baseline"
	UnpluggedTake Phase = "unplugged"
	Identify      Phase = "identify"
	BenchCheck    Phase = "bench"
	AfterTake     Phase = "after"
	AfterCheck    Phase = "check"
	Compare       Phase = "compare"
	CodesAfter    Phase = "codes-after"
	Handover      Phase = "handover"
)

// Phases lists them in the order of the job.
func Phases() []Phase {
	names := make([]Phase, len(phases))
	for i, p := range phases {
		names[i] = p.name
	}
	return names
}

// Step is where the job stands in one phase.
type Step struct {
	Phase   Phase     `json:"phase"`
	Title   string    `json:"title"`
	Why     string    `json:"why"` // it matters
	Done    bool      `json:"done"`
	LeftOut string    `json:"left_out,omitempty"` // why it cannot be done, as job.yaml says
	Missing []string  `json:"missing,omitempty"`  // what is not there yet
	Remarks []string  `json:"remarks,omitempty"`  // what is there and should be known
	Do      []Command `json:"do"`                 // what does it; any of them
}

// Command is a command line of the tool, word by word, without its name. Words
// in capitals are to be filled in.
type Command []string

// String gives it as it is typed.
func (c Command) String() string {
	words := []string{"plugproof"}
	for _, w := range c {
		words = append(words, quote(w))
	}
	return strings.Join(words, " ")
}

// MarshalText gives it as it is typed.
func (c Command) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// Whole reports whether nothing is to be filled in.
func (c Command) Whole() bool {
	return !slices.ContainsFunc(c, func(w string) bool { return w == "INTERFACE" || w == "CAPTURE" || w == "LIST" })
}

// Open reports whether something is to be done.
func (s *Step) Open() bool { return !s.Done && s.LeftOut == "" }

// phase is how one phase is looked at. It returns what is missing and what is
// worth a remark.
type phase struct {
	name       Phase
	title, why string
	look       func(*Job) (missing, remarks []string)
	do         func(*Job) []Command
}

var phases = []phase{
	{
		Intake, "write down the car", "a wrong loom or network is found here for nothing, and on the road for much",
		(*Job).lookIntake, do("job intake DIR"),
	},
	{
		Electrical, "measure the buses", "the factory ECU may hold a terminator: without it the bus changes",
		(*Job).lookElectrical, do("job intake DIR"),
	},
	{
		CodesBefore, "save the trouble codes of every module", "a code that was there before is not the new ECU's",
		func(j *Job) ([]string, []string) { return j.lookCodes(Baseline) },
		do("codes --import LIST --job DIR --moment baseline"),
	},
	{
		BaselineTake, "record the factory baseline", "once the factory ECU is out, what was not recorded is gone",
		func(j *Job) ([]string, []string) { return j.lookCapture(Baseline) },
		do("record --script --job DIR --moment baseline --on INTERFACE", "job add DIR CAPTURE --moment baseline"),
	},
	{
		UnpluggedTake, "record with the ECU unplugged", "what still talks is the rest of the car: it says which network setting it wants",
		func(j *Job) ([]string, []string) { return j.lookCapture(Unplugged) },
		do("record --script --job DIR --moment unplugged --on INTERFACE", "job add DIR CAPTURE --moment unplugged"),
	},
	{
		Identify, "confirm the network setting", "the other modules know the car; the new ECU only echoes what it was told",
		(*Job).lookIdentify, do("identify --job DIR"),
	},
	{
		BenchCheck, "check the new ECU on the bench", "a frame that is wrong there costs minutes, in the car a day",
		(*Job).lookBench, do("job add DIR CAPTURE --moment bench", "check --job DIR --moment bench"),
	},
	{
		AfterTake, "record the car with the new ECU", "the same script in the same order, so that both can be compared",
		func(j *Job) ([]string, []string) { return j.lookCapture(After) },
		do("record --script --job DIR --moment after --on INTERFACE", "job add DIR CAPTURE --moment after"),
	},
	{
		AfterCheck, "judge it", "an engine that runs says nothing about cluster, body and gearbox",
		(*Job).lookCheck, do("check --job DIR --moment after"),
	},
	{
		Compare, "hold after against before", "what changed is what the customer will notice",
		(*Job).lookCompare, do("compare --job DIR"),
	},
	{
		CodesAfter, "save the trouble codes again", "modules note what they miss before a lamp shows it",
		func(j *Job) ([]string, []string) { return j.lookCodes(After) },
		do("codes --import LIST --job DIR --moment after"),
	},
	{
		Handover, "write the handover report", "what was proved, what was not, and what the customer should know",
		(*Job).lookHandover, do("job report DIR"),
	},
}

// do gives command lines with the folder filled in.
func do(lines ...string) func(*Job) []Command {
	return func(j *Job) []Command {
		out := make([]Command, len(lines))
		for i, l := range lines {
			for w := range strings.FieldsSeq(l) {
				if w == "DIR" {
					w = j.Dir
				}
				out[i] = append(out[i], w)
			}
		}
		return out
	}
}

// quote makes one word of a command line.
func quote(s string) string {
	if s != "" && !strings.ContainsFunc(s, func(r rune) bool {
		return !(r == '/' || r == '.' || r == '-' || r == '_' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	}) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

// Status says where the job stands, phase by phase.
func (j *Job) Status() []Step {
	steps := make([]Step, len(phases))
	for i, p := range phases {
		s := Step{Phase: p.name, Title: p.title, Why: p.why, LeftOut: j.Card.LeftOut[p.name], Do: p.do(j)}
		s.Missing, s.Remarks = p.look(j)
		s.Done = len(s.Missing) == 0
		steps[i] = s
	}
	return steps
}

// Next is the first step that is open, nil when the job is done.
func Next(steps []Step) *Step {
	for i := range steps {
		if steps[i].Open() {
			return &steps[i]
		}
	}
	return nil
}

// MayUnplug reports whether nothing is lost when the factory ECU is taken out,
// else what would be.
func MayUnplug(steps []Step) (bool, []string) {
	var open []string
	for _, s := range steps {
		if s.Phase == UnpluggedTake {
			break
		}
		if s.Open() {
			open = append(open, s.Title)
		}
	}
	return len(open) == 0, open
}

// lookIntake asks for what both settings depend on.
func (j *Job) lookIntake() (missing, _ []string) { return j.unanswered(Intake), nil }

// unanswered lists what a phase must know and does not.
func (j *Job) unanswered(phase Phase) []string {
	var missing []string
	for _, q := range questions {
		if q.phase == phase && !q.optional && q.unknown(j.Card) {
			missing = append(missing, q.what)
		}
	}
	return missing
}

// lookElectrical asks for the measurements that cannot be made up for later.
func (j *Job) lookElectrical() (missing, remarks []string) {
	missing = j.unanswered(Electrical)
	with, without := j.Card.Measured(OhmsFactory), j.Card.Measured(OhmsWithout)
	const apart = 0.1 // of the reading: more than instruments differ
	if with != nil && without != nil && *without > *with*(1+apart) {
		remarks = append(remarks, fmt.Sprintf(
			"the factory ECU holds a terminator (%g ohm with it, %g without): the new one must too", *with, *without))
	}
	for _, m := range j.Card.Measurements {
		if m.Instrument == "" {
			remarks = append(remarks, fmt.Sprintf("%s: no instrument is noted", m.What))
		}
	}
	return missing, remarks
}

// lookCodes asks for a list of codes, and afterwards for what a person sees.
func (j *Job) lookCodes(m Moment) (missing, remarks []string) {
	if m == After {
		missing = j.unanswered(CodesAfter)
	}
	e := j.CodesOf(m)
	if e == nil {
		return append(missing, "no list of codes is filed"), nil
	}
	if e.Codes != nil && *e.Codes > 0 {
		remarks = append(remarks, fmt.Sprintf("%d codes in %s", *e.Codes, e.File))
	}
	return missing, remarks
}

// lookCapture asks for a capture in which everything could be judged.
func (j *Job) lookCapture(m Moment) (missing, remarks []string) {
	e := j.CaptureOf(m)
	if e == nil {
		return []string{"no capture is filed"}, nil
	}
	remarks = append(remarks, "filed: "+e.File)
	remarks = append(remarks, few(e.Findings)...)
	if m == Bench || m == Unplugged {
		return nil, remarks
	}
	for _, r := range e.Repeat {
		missing = append(missing, "repeat: "+r)
	}
	return missing, remarks
}

// few cuts a long list of findings short: the first are the most serious.
func few(findings []string) []string {
	const shown = 3
	if len(findings) <= shown+1 {
		return findings
	}
	return append(slices.Clip(findings[:shown]), fmt.Sprintf("and %d more", len(findings)-shown))
}

// lookIdentify asks for a verdict on the network setting, from a capture that
// the new ECU is not in.
func (j *Job) lookIdentify() (missing, remarks []string) {
	e := j.ResultOf("identify", "")
	if e == nil {
		return []string{"the setting is not confirmed"}, nil
	}
	remarks = append(remarks, fmt.Sprintf("%s: %s", e.Verdict, e.Setting))
	if chosen := j.Card.Settings.Network; chosen != "" && !slices.Contains(strings.Fields(e.Setting), chosen) {
		missing = append(missing, fmt.Sprintf("the ECU was told %s, the car says %s", chosen, e.Setting))
	}
	return missing, remarks
}

func (j *Job) lookBench() (missing, remarks []string) {
	e := j.CaptureOf(Bench)
	if e == nil {
		return []string{"no capture of the new ECU on the bench is filed"}, nil
	}
	return j.judged(e)
}

// judged asks for a result of check on a capture.
func (j *Job) judged(e *Entry) (missing, remarks []string) {
	result := j.ResultOf("check", e.File)
	if result == nil {
		return []string{e.File + " is not judged"}, nil
	}
	remarks = append([]string{fmt.Sprintf("%s: %s", e.File, result.Verdict)}, few(result.Findings)...)
	if result.Verdict == "fail" {
		missing = append(missing, "something fails: mend it, record again, and judge again")
	}
	return missing, remarks
}

func (j *Job) lookCheck() (missing, remarks []string) {
	e := j.CaptureOf(After)
	if e == nil {
		return []string{"no capture of the car with the new ECU is filed"}, nil
	}
	return j.judged(e)
}

func (j *Job) lookCompare() (missing, remarks []string) {
	after := j.CaptureOf(After)
	if j.CaptureOf(Baseline) == nil || after == nil {
		return []string{"it needs a capture of before and one of after"}, nil
	}
	result := j.ResultOf("compare", after.File)
	if result == nil {
		return []string{"the two are not compared"}, nil
	}
	return nil, append([]string{result.Verdict}, few(result.Findings)...)
}

// lookHandover asks for a report that is younger than everything it speaks of.
func (j *Job) lookHandover() (missing, _ []string) {
	for i, e := range slices.Backward(j.Journal) {
		if e.Kind != ReportDoc {
			continue
		}
		if i == len(j.Journal)-1 {
			return nil, nil
		}
		return []string{fmt.Sprintf("%s is older than %s", e.File, j.Journal[len(j.Journal)-1].File)}, nil
	}
	return []string{"there is none yet"}, nil
}
