package recheck

import (
	"encoding/xml"
	"io"
	"strings"
)

// The JUnit XML that test reporters read: testsuites, testsuite, testcase, and in
// it failure or skipped. There is no schema that all agree on; these elements and
// attributes are in every one of them.
type (
	junitSuites struct {
		XMLName xml.Name `xml:"testsuites"`
		Name    string   `xml:"name,attr"`
		junitCounts
		Suites []*junitSuite `xml:"testsuite"`
	}
	junitSuite struct {
		Name string `xml:"name,attr"`
		junitCounts
		Cases []junitCase `xml:"testcase"`
	}
	junitCounts struct {
		Tests    int `xml:"tests,attr"`
		Failures int `xml:"failures,attr"`
		Errors   int `xml:"errors,attr"`
		Skipped  int `xml:"skipped,attr"`
	}
	junitCase struct {
		Class   string        `xml:"classname,attr"`
		Name    string        `xml:"name,attr"`
		Failure *junitFailure `xml:"failure"`
		Skipped *junitSkipped `xml:"skipped"`
	}
	junitFailure struct {
		Message string `xml:"message,attr"`
		Type    string `xml:"type,attr"`
		Text    string `xml:",chardata"`
	}
	junitSkipped struct {
		Message string `xml:"message,attr"`
	}
)

// JUnit writes the result as JUnit XML: a suite for each setting, a case for each
// recording. A changed verdict is a failure, as is a new capture that cannot be
// judged at all and a verdict whose capture is gone; a capture without a verdict on
// file is skipped.
func JUnit(w io.Writer, r *Result) error {
	doc := junitSuites{Name: "plugproof recheck"}
	suites := map[string]*junitSuite{}
	for i := range r.Rows {
		row := &r.Rows[i]
		name := row.Profile()
		if suites[name] == nil {
			suites[name] = &junitSuite{Name: name}
			doc.Suites = append(doc.Suites, suites[name])
		}
		c := row.junit(name)
		suites[name].Cases = append(suites[name].Cases, c)
		for _, n := range []*junitCounts{&doc.junitCounts, &suites[name].junitCounts} {
			n.Tests++
			if c.Failure != nil {
				n.Failures++
			}
			if c.Skipped != nil {
				n.Skipped++
			}
		}
	}
	if _, err := io.WriteString(w, xml.Header); err != nil {
		return err
	}
	enc := xml.NewEncoder(w)
	enc.Indent("", "  ")
	if err := enc.Encode(&doc); err != nil {
		return err
	}
	_, err := io.WriteString(w, "\n")
	return err
}

func (r *Row) junit(class string) junitCase {
	c := junitCase{Class: class, Name: r.Name}
	lost := r.State == New && r.Now.Verdict == Unreadable
	switch {
	case r.State == New && !lost:
		c.Skipped = &junitSkipped{Message: r.Brief()}
	case r.State != Same:
		kind := string(r.State)
		if lost {
			kind = Unreadable
		}
		c.Failure = &junitFailure{Message: r.Brief(), Type: kind, Text: strings.Join(r.Lines(), "\n")}
	}
	return c
}
