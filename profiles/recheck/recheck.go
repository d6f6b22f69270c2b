// Package recheck judges many captures again and says in which the verdict is
// another than the one on file: after a change of a profile, of the new unit's
// firmware, or of the tool. It judges nothing itself: package check does.
//
// Which captures there are and what each is judged by stands in recheck.yaml or
// follows from the folders they lie in (List). What was found stands beside each
// capture, in CAPTURE.verdict.yaml (Verdict).
package recheck

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// State says how a verdict stands to the one on file.
type State string

// The states.
const (
	Same    State = "same"
	Changed State = "changed"
	New     State = "new"  // no verdict is on file
	Gone    State = "gone" // a verdict is on file, and no capture
)

// Row is one recording: usually one capture.
type Row struct {
	Name     string // the path of its first capture from the folder, with slashes
	State    State
	Now      *Verdict // nil: the capture is gone
	Was      *Verdict // nil: none is on file
	Changes  []string // from Was to Now, one line each; empty unless State is Changed
	Captures []capture.FileReport
}

// Result of Run. Rows are sorted by name.
type Result struct {
	Dir  string
	Rows []Row
}

// Options of Run.
type Options struct {
	Dir     string
	Entries []Entry // see List
	Library *profiles.Library
	Workers int    // recordings judged at a time; 0: one for each processor
	Hash    bool   // the captures' SHA-256 are wanted
	Done    func() // called after each recording, from any goroutine; nil: nobody is
}

// Run judges the recordings. What is wrong with one of them is its verdict; the
// error is that the context ended, or that a verdict on file cannot be read.
func Run(ctx context.Context, opts Options) (*Result, error) {
	w := &work{Options: opts, others: check.Others(opts.Library), settings: map[string]func() (*profiles.Setting, error){}}
	for _, e := range opts.Entries {
		if w.settings[e.Profile] == nil {
			w.settings[e.Profile] = sync.OnceValues(func() (*profiles.Setting, error) { return w.load(e.Profile) })
		}
	}
	rows := make([]Row, len(opts.Entries))
	errs := make([]error, len(rows))
	next := make(chan int)
	var wg sync.WaitGroup
	workers := opts.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	for range workers {
		wg.Go(func() {
			for i := range next {
				rows[i], errs[i] = w.row(ctx, &opts.Entries[i])
				if opts.Done != nil {
					opts.Done()
				}
			}
		})
	}
	for i := range rows {
		if ctx.Err() == nil {
			next <- i
		}
	}
	close(next)
	wg.Wait()
	if err := errors.Join(ctx.Err(), errors.Join(errs...)); err != nil {
		return nil, err
	}
	gone, err := goneRows(opts.Dir, rows)
	rows = slices.Concat(rows, gone)
	slices.SortFunc(rows, func(a, b Row) int { return strings.Compare(a.Name, b.Name) })
	return &Result{Dir: opts.Dir, Rows: rows}, err
}

// work is what the recordings share.
type work struct {
	Options
	others   func() []*profiles.Setting
	settings map[string]func() (*profiles.Setting, error)
}

func (w *work) load(name string) (*profiles.Setting, error) {
	if name == "" {
		return nil, errors.New("no setting has the name of a folder that it lies in")
	}
	s, err := w.Library.Load(name)
	if err == nil && s.Part {
		err = fmt.Errorf("%s is a part of profiles, not a setting", name)
	}
	return s, err
}

// row judges one recording and sets it against its verdict on file.
func (w *work) row(ctx context.Context, e *Entry) (Row, error) {
	r := Row{Name: e.Name()}
	var err error
	if r.Was, err = readVerdict(w.Dir, r.Name); err != nil {
		return r, err
	}
	out, err := w.judge(ctx, e)
	if ctx.Err() != nil {
		return r, ctx.Err()
	}
	if err != nil {
		r.Now = unreadable(e.Profile, w.relative(e, err))
	} else {
		r.Now, r.Captures = newVerdict(out), out.Captures
		for i := range r.Captures {
			r.Captures[i].Path = e.Captures[i]
		}
	}
	switch r.Changes = changes(r.Was, r.Now); {
	case r.Was == nil:
		r.State = New
	case len(r.Changes) > 0:
		r.State = Changed
	default:
		r.State = Same
	}
	return r, nil
}

// judge has a recording checked.
func (w *work) judge(ctx context.Context, e *Entry) (*check.Output, error) {
	s, err := w.settings[e.Profile]()
	if err != nil {
		return nil, err
	}
	in := &check.Input{
		Setting: s, Library: w.Library, Others: w.others, Scope: e.Scope,
		Functions: e.Functions, Seen: rules.Observed{Lamps: e.Lamps, Dead: e.Dead},
	}
	if in.Capture, err = w.open(ctx, s, e.Captures, e.Buses); err != nil {
		return nil, err
	}
	defer in.Capture.Reader.Close()
	in.Capture.Stage = e.Stage
	if len(e.Baseline) > 0 {
		was, err := w.open(ctx, s, e.Baseline, e.Buses)
		if err != nil {
			return nil, fmt.Errorf("baseline: %w", err)
		}
		defer was.Reader.Close()
		in.Baseline = &was
	}
	return check.Run(ctx, in)
}

func (w *work) open(ctx context.Context, s *profiles.Setting, names []string, buses map[string]string) (rec check.Recording, err error) {
	paths := w.paths(names)
	if rec.Interfaces, err = check.MatchBuses(ctx, paths, nil, s, buses); err != nil {
		return rec, err
	}
	if rec.Marked, err = check.StagesBeside(paths); err != nil {
		return rec, err
	}
	rec.Reader, err = capture.Open(paths, capture.Options{Hash: w.Hash})
	return rec, err
}

func (w *work) paths(names []string) []string {
	paths := make([]string, len(names))
	for i, name := range names {
		paths[i] = filepath.Join(w.Dir, filepath.FromSlash(name))
	}
	return paths
}

// relative writes an error as it is wherever the folder lies: its first line, with
// the paths of the captures from the folder.
func (w *work) relative(e *Entry, err error) string {
	text, _, _ := strings.Cut(err.Error(), "\n")
	for _, name := range slices.Concat(e.Captures, e.Baseline) {
		text = strings.ReplaceAll(text, w.paths([]string{name})[0], name)
	}
	return text
}
