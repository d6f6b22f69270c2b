package job

import (
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles/rules"
)

// lookIntake asks for what both settings depend on.
func (j *Job) lookIntake() (missing, _ []string) { return j.unanswered(Intake), nil }

// unanswered lists what a phase must know and does not.
func (j *Job) unanswered(phase Phase) []string {
	var missing []string
	for _, q := range questions {
		if q.phase == phase && !q.optional && !q.later && q.unknown(j.Card) {
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
	judged := j.ofCapture(e)
	remarks = append(remarks, "filed: "+e.File)
	remarks = append(remarks, few(judged.Findings)...)
	switch {
	case m == Bench || m == Unplugged:
		return nil, remarks
	case m == Baseline && judged.Verdict == "":
		return []string{"it was not judged, so nobody knows whether it shows everything"}, remarks
	case m == Baseline && j.otherSetting(judged):
		return []string{"it was judged by " + judged.Setting + ", which is not the setting any more"}, remarks
	}
	for _, r := range judged.Repeat {
		missing = append(missing, "repeat: "+r)
	}
	switch {
	case m == After && judged.Verdict == rules.Fail.String():
		return nil, append(remarks, missing...) // mend first: the fault may be why, and the capture after it shows all anew
	case len(missing) > 0:
		remarks = append(remarks, "one capture must show all of it: record the whole script again")
	}
	return missing, remarks
}

// otherSetting reports whether something was judged by another network setting
// than the one that is chosen now. A setting that is a file has no name to compare.
func (j *Job) otherSetting(e *Entry) bool {
	now := j.Card.Settings.Network
	return e.Setting != "" && now != "" && !strings.ContainsAny(now, `/\.`) && e.Setting != now
}

// ofCapture is what is known of a capture: what it was judged to be later, else
// when it was filed.
func (j *Job) ofCapture(e *Entry) *Entry {
	if result := j.ResultOf("check", e.File); result != nil {
		return result
	}
	return e
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
	remarks = append(remarks, strings.TrimSuffix(e.Verdict+": "+e.Setting, ": "))
	remarks = append(remarks, e.Findings...) // of a conversion: what each module asks for
	chosen, told := j.Card.Settings.Network, strings.Join(strings.Fields(e.Setting), " or ")
	switch {
	case told == "":
		missing = append(missing, "no setting on file fits this car")
	case chosen == "":
		missing = append(missing, "which network setting the new ECU is told; the car says "+told)
	case !slices.Contains(strings.Fields(e.Setting), chosen):
		missing = append(missing, fmt.Sprintf("the ECU was told %s, the car says %s", chosen, told))
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
	switch {
	case result == nil:
		return []string{e.File + " is not judged"}, nil
	case j.otherSetting(result):
		return []string{e.File + " was judged by " + result.Setting + ", which is not the setting any more"}, nil
	}
	remarks = append([]string{fmt.Sprintf("%s: %s", e.File, result.Verdict)}, few(result.Findings)...)
	if result.Verdict == rules.Fail.String() {
		missing = append(missing, "something fails: mend it, record again, and judge again")
		if result.Next != "" {
			remarks = append(remarks, "to do: "+result.Next)
		}
	}
	return missing, remarks
}

// isJudged reports whether a capture was judged by the setting that is chosen now.
func (j *Job) isJudged(e *Entry) bool {
	result := j.ResultOf("check", e.File)
	return result != nil && !j.otherSetting(result)
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
