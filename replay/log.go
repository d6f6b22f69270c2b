package replay

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"plugproof/decode/atomicfile"
	"plugproof/replay/gate"
)

// Log is the record of what was sent: lines of JSON, only ever added, each safe
// on the disk before what it speaks of happens.
type Log struct {
	path string
	file *os.File
	now  func() time.Time
	who  Entry
}

// Entry is one line of the log.
type Entry struct {
	Schema    string   `json:"schema"`
	Time      string   `json:"time"` // RFC 3339
	Run       string   `json:"run"`  // the same in all lines of one replay
	Event     string   `json:"event"`
	User      string   `json:"user,omitempty"`
	Host      string   `json:"host,omitempty"`
	Command   []string `json:"command,omitempty"`
	Statement string   `json:"on_bench,omitempty"` // what the operator stated
	DeadMan   bool     `json:"dead_man,omitempty"`

	Files      []string     `json:"files,omitempty"` // what is replayed: SHA-256 and path of each
	Interfaces []string     `json:"interfaces,omitempty"`
	Physical   bool         `json:"physical,omitempty"`
	Profile    string       `json:"profile,omitempty"`
	Messages   []string     `json:"messages,omitempty"` // identifiers and names
	Planned    uint64       `json:"frames_planned,omitempty"`
	Refusals   []LogRefusal `json:"refusals,omitempty"`
	ListenOnly []string     `json:"listen_only,omitempty"` // interfaces that are in that mode while it listens
	Notes      []string     `json:"notes,omitempty"`       // what was not as it should be
	Sent       *uint64      `json:"frames_sent,omitempty"`
	Neutral    *uint64      `json:"frames_neutral,omitempty"` // sent after the end, with neutral values
	How        string       `json:"how,omitempty"`            // it ended
}

// LogRefusal is one reason of the gate.
type LogRefusal struct {
	Rule      string `json:"rule"`
	Interface string `json:"interface,omitempty"`
	ID        string `json:"id,omitempty"`
	Reason    string `json:"reason"`
}

// logSchema names the form of an entry.
const logSchema = "plugproof/sent/1"

// OpenLog opens a log, and makes it where there is none. who is taken into every
// first line; now gives the time. Its errors are *atomicfile.Error.
func OpenLog(path string, now func() time.Time, who Entry) (*Log, error) {
	l := &Log{path: path, now: now, who: who}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, l.fail(err)
	}
	var err error
	if l.file, err = os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600); err != nil {
		return nil, l.fail(err)
	}
	l.who.Run = fmt.Sprintf("%s-%d", now().UTC().Format("20060102T150405.000000"), os.Getpid())
	return l, nil
}

// Path returns where the log is.
func (l *Log) Path() string { return l.path }

// add writes a line and waits until it is on the disk. A nil log takes nothing.
func (l *Log) add(e Entry) error {
	if l == nil {
		return nil
	}
	e.Schema, e.Run = logSchema, l.who.Run
	e.Time = l.now().UTC().Format(time.RFC3339Nano)
	line, err := json.Marshal(e)
	if err != nil {
		return l.fail(err)
	}
	if _, err := l.file.Write(append(line, '\n')); err != nil {
		return l.fail(err)
	}
	return l.fail(l.file.Sync())
}

// Close closes the log.
func (l *Log) Close() error {
	if l == nil {
		return nil
	}
	return l.fail(l.file.Close())
}

func (l *Log) fail(err error) error {
	if err == nil {
		return nil
	}
	if path, ok := errors.AsType[*fs.PathError](err); ok {
		err = path.Err
	}
	return &atomicfile.Error{Path: l.path, Err: err}
}

// asked is the line for a plan that was put to the gate.
func (l *Log) asked(plan *gate.Plan, policy *gate.Policy) Entry {
	if l == nil {
		return Entry{}
	}
	e := l.who
	e.Event, e.Statement, e.DeadMan, e.Profile = "asked", policy.OnBench, policy.DeadMan, plan.Profile
	for i := range plan.Buses {
		b := &plan.Buses[i]
		e.Interfaces = append(e.Interfaces, b.Interface.Name)
		e.Physical = e.Physical || b.Interface.Physical() != ""
		e.Planned += b.Frames
	}
	for i := range plan.Messages {
		m := &plan.Messages[i]
		text := m.ID.String()
		if m.Name != "" {
			text += " " + m.Name
		}
		e.Messages = append(e.Messages, text)
	}
	return e
}

func logRefusals(refusals []gate.Refusal) (list []LogRefusal) {
	for i := range refusals {
		r := &refusals[i]
		entry := LogRefusal{Rule: r.Rule, Interface: r.Bus, Reason: r.Reason}
		if r.HasID {
			entry.ID = r.ID.String()
		}
		list = append(list, entry)
	}
	return list
}
