package job

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
)

// Journal entries are lines of JSON that are only ever added: two people may
// work in one folder, and what is on disk stays whatever happens next.
const journalName = "journal.jsonl"

// Entry is one line of the journal: a file that the job holds and what it is.
type Entry struct {
	Format int    `json:"format,omitempty"` // of the line; 0 is 1
	Time   string `json:"time"`             // of the machine, RFC 3339
	Kind   Kind   `json:"kind"`             // what the file is
	File   string `json:"file"`             // from the folder, with slashes
	SHA256 string `json:"sha256"`           // of the file when it was filed
	Size   int64  `json:"size_bytes"`
	Moment Moment `json:"moment,omitempty"` // of a capture or a list of codes

	// Of a capture.
	Buses map[string]string `json:"buses,omitempty"` // interface: bus of the setting
	Scope string            `json:"scope,omitempty"`

	// Of a capture that was judged on being filed, and of a result.
	Command  string   `json:"command,omitempty"` // check, identify, compare, report
	Of       []string `json:"of,omitempty"`      // files that it rests on
	Setting  string   `json:"setting,omitempty"` // profile that it was judged by, or that was identified
	Verdict  string   `json:"verdict,omitempty"`
	Findings []string `json:"findings,omitempty"` // of fail and review, in one line each
	Repeat   []string `json:"repeat,omitempty"`   // what to do again for the rest to be judged
	Next     string   `json:"next,omitempty"`     // what to do about the first finding
	Codes    *int     `json:"codes,omitempty"`    // how many a list of codes holds
}

// Kind says what a file of the job is.
type Kind string

// The kinds.
const (
	Capture   Kind = "capture"
	Result    Kind = "result"
	CodeList  Kind = "codes"
	ReportDoc Kind = "report"
	Source    Kind = "source" // what a capture was converted from
)

// Moment says when in the job a capture or a list of codes was taken.
type Moment string

// The moments.
const (
	Baseline  Moment = "baseline"  // factory ECU in the car
	Unplugged Moment = "unplugged" // no ECU
	Bench     Moment = "bench"     // new ECU, on the bench
	After     Moment = "after"     // new ECU in the car
)

// Moments lists them in the order of the job.
func Moments() []Moment { return []Moment{Baseline, Unplugged, Bench, After} }

// journalFormat is the newest format of a line that is read.
const journalFormat = 1

// NewerError says that a newer version wrote a line of the journal.
type NewerError struct {
	Place  string // file:line
	Format int
}

func (e *NewerError) Error() string {
	return fmt.Sprintf("%s: format %d is newer than this plugproof, which reads %d; nothing was changed: use the version that wrote it",
		e.Place, e.Format, journalFormat)
}

// readJournal reads the journal. A line of a newer version is a *NewerError. Lines
// that cannot be read, as one that was cut short when the machine went off, are set
// aside and numbered.
func readJournal(dir string) (entries []Entry, aside []int, err error) {
	src, err := os.ReadFile(filepath.Join(dir, journalName))
	if os.IsNotExist(err) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, err
	}
	n := 0
	for line := range bytes.Lines(src) {
		n++
		var e Entry
		err := json.Unmarshal(line, &e) // where it fails for a field of another type, it goes on with the rest
		switch {
		case len(bytes.TrimSpace(line)) == 0:
		case e.Format > journalFormat:
			return nil, nil, &NewerError{fmt.Sprintf("%s:%d", filepath.Join(dir, journalName), n), e.Format}
		case err != nil || e.Kind == "" || !filepath.IsLocal(filepath.FromSlash(e.File)):
			aside = append(aside, n)
		default:
			entries = append(entries, e)
		}
	}
	return entries, aside, nil
}

// appendEntry adds a line and puts it on the disk. One write of an open file
// that only appends is not mixed with those of others.
func appendEntry(dir string, e Entry) error {
	line, err := json.Marshal(e)
	if err != nil {
		return err
	}
	path := filepath.Join(dir, journalName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	// After a line that was cut short, the next begins anew.
	if info, err := f.Stat(); err == nil && info.Size() > 0 {
		var last [1]byte
		if _, err := f.ReadAt(last[:], info.Size()-1); err == nil && last[0] != '\n' {
			line = append([]byte{'\n'}, line...)
		}
	}
	if _, err := f.Write(append(line, '\n')); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	return f.Close()
}
