package job

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
		do("codes --import LIST --job DIR --moment baseline", "codes --on INTERFACE --stationary --engine off --job DIR --moment baseline"),
	},
	{
		BaselineTake, "record the factory baseline", "once the factory ECU is out, what was not recorded is gone",
		func(j *Job) ([]string, []string) { return j.lookCapture(Baseline) }, (*Job).takeBaseline,
	},
	{
		UnpluggedTake, "record with the ECU unplugged", "what still talks is the rest of the car: it says which network setting it wants",
		func(j *Job) ([]string, []string) { return j.lookCapture(Unplugged) },
		do("record --script --stages key-on,brake,lever,key-off --job DIR --moment unplugged --on INTERFACE", "job add DIR CAPTURE --moment unplugged"),
	},
	{
		Identify, "confirm the network setting", "the other modules know the car; the new ECU only echoes what it was told",
		(*Job).lookIdentify, (*Job).identify,
	},
	{
		BenchCheck, "check the new ECU on the bench", "a frame that is wrong there costs minutes, in the car a day",
		(*Job).lookBench, (*Job).checkBench,
	},
	{
		AfterTake, "record the car with the new ECU", "the same script in the same order, so that both can be compared",
		func(j *Job) ([]string, []string) { return j.lookCapture(After) }, take(After),
	},
	{
		AfterCheck, "judge it", "an engine that runs says nothing about cluster, body and gearbox",
		(*Job).lookCheck, (*Job).checkAfter,
	},
	{
		Compare, "hold after against before", "what changed is what the customer will notice",
		(*Job).lookCompare, do("compare --job DIR"),
	},
	{
		CodesAfter, "save the trouble codes again", "modules note what they miss before a lamp shows it",
		func(j *Job) ([]string, []string) { return j.lookCodes(After) },
		do("codes --import LIST --job DIR --moment after", "codes --on INTERFACE --stationary --engine off --job DIR --moment after"),
	},
	{
		Handover, "write the handover report", "what was proved, what was not, and what the customer should know",
		(*Job).lookHandover, do("job report DIR"),
	},
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
