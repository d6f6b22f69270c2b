package job

import (
	"slices"
	"strings"
)

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

// blanks are the words that a person fills in, and what with.
var blanks = []struct{ Word, Means string }{
	{"INTERFACE", "a CAN interface of this computer: plugproof interfaces lists them. For each further bus --on again; --bus INTERFACE=BUS where it is asked for"},
	{"CAPTURE", "a file that another program recorded"},
	{"LIST", "a text file with what the scan tool shows, one code a line; or with the line: no codes"},
	{"SYMPTOM", "what does not work, in quotes: plugproof diagnose --list shows how it is called"},
	{"REASON", "why it cannot be done, in quotes: it goes into the report"},
	{"SETTING", "what the new ECU is told now, once it was told so"},
	{"WHAT", "what lies on the bench, in quotes. On the bench the interface may be active: it acknowledges what the ECU sends"},
}

// Whole reports whether nothing is to be filled in.
func (c Command) Whole() bool { return len(Blanks(c)) == 0 }

// Blanks says what the words in capitals of command lines stand for, one line each.
func Blanks(commands ...Command) []string {
	var list []string
	for _, b := range blanks {
		stands := func(w string) bool { return w == b.Word || strings.HasSuffix(w, "="+b.Word) }
		if slices.ContainsFunc(commands, func(c Command) bool { return slices.ContainsFunc(c, stands) }) {
			list = append(list, b.Word+": "+b.Means)
		}
	}
	return list
}

// take records the whole script, or files a capture of it.
func take(m Moment) func(*Job) []Command {
	return do("record --script --job DIR --moment "+string(m)+" --on INTERFACE", "job add DIR CAPTURE --moment "+string(m))
}

// takeBaseline records it. One that lies there and was not judged is judged, which
// needs to know by which setting.
func (j *Job) takeBaseline() []Command {
	e := j.CaptureOf(Baseline)
	switch {
	case e == nil || j.ofCapture(e).Verdict != "" && !j.otherSetting(j.ofCapture(e)):
		return take(Baseline)(j)
	case j.Card.Settings.Network == "":
		return do("identify --job DIR --moment baseline", "job intake DIR --ask=false --set network=SETTING")(j)
	}
	return do("check --job DIR --moment baseline")(j)
}

// identify asks the car, and where the ECU was told otherwise notes what it is
// told now.
func (j *Job) identify() []Command {
	e := j.ResultOf("identify", "")
	switch {
	case e == nil:
		return do("identify --job DIR")(j)
	case e.Setting == "":
		return do("identify --job DIR --explain", "job leave DIR identify --why REASON")(j)
	}
	return do("job intake DIR --ask=false --set network=SETTING")(j)
}

// checkBench records the new ECU alone, or judges what was recorded.
func (j *Job) checkBench() []Command {
	e := j.CaptureOf(Bench)
	if e != nil && !j.isJudged(e) {
		return do("check --job DIR --moment bench")(j)
	}
	return do(
		"record --script --stages key-on --bench WHAT --job DIR --moment bench --on INTERFACE",
		"job add DIR CAPTURE --moment bench", "job leave DIR bench --why REASON",
	)(j)
}

// checkAfter judges the car with the new ECU. What fails is searched for, mended
// and recorded again.
func (j *Job) checkAfter() []Command {
	e := j.CaptureOf(After)
	if e == nil || !j.isJudged(e) {
		return do("check --job DIR --moment after")(j)
	}
	return append(do("diagnose --job DIR --symptom SYMPTOM")(j), take(After)(j)...)
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
		return !(r == '/' || r == '.' || r == '-' || r == '_' || r == '=' || r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z')
	}) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
