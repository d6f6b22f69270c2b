// Package job keeps the folder of one car's job, from intake to handover: what
// people know of it (job.yaml), the captures and lists of codes with their
// hashes, what was found, and where the job stands. Everything is plain files.
package job

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"plugproof/decode/atomicfile"
)

// CardName is the file that people write.
const CardName = "job.yaml"

// BundleName is where an archive for support goes by default.
const BundleName = resultsDir + "/bundle.zip"

// Folders of a job.
const (
	capturesDir = "captures"
	resultsDir  = "results"
)

// Job is an open folder.
type Job struct {
	Dir     string
	Card    *Card
	Journal []Entry
	Aside   []int  // lines of the journal that could not be read
	source  []byte // of job.yaml when it was read
}

// ErrNoJob says that a folder holds no job.
var ErrNoJob = errors.New("no job in this folder: it has no " + CardName)

// Open reads a job. The error wraps ErrNoJob, is profiles.Problems, a *NewerError,
// or that of reading.
func Open(dir string) (*Job, error) {
	place := filepath.Join(dir, CardName)
	src, err := os.ReadFile(place)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w", dir, ErrNoJob)
	}
	if err != nil {
		return nil, err
	}
	j := &Job{Dir: dir, source: src}
	if j.Card, err = parseCard(place, src); err != nil {
		return nil, err
	}
	j.Journal, j.Aside, err = readJournal(dir)
	return j, err
}

// Create makes the folder of a new job, or takes an empty one.
func Create(dir string, card *Card) (*Job, error) {
	if _, err := os.Stat(filepath.Join(dir, CardName)); err == nil {
		return nil, fmt.Errorf("%s holds a job already", dir)
	}
	if err := card.check(CardName); err != nil {
		return nil, err
	}
	for _, d := range []string{dir, filepath.Join(dir, capturesDir), filepath.Join(dir, resultsDir)} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			return nil, &atomicfile.Error{Path: d, Err: bare(err)}
		}
	}
	card.Format = 1
	j := &Job{Dir: dir, Card: card}
	return j, j.Save()
}

// ErrChanged says that somebody else wrote job.yaml since it was read.
var ErrChanged = errors.New(CardName + " was changed by somebody else in the meantime; it was left as it is now")

// ErrLocked says that another process has been writing job.yaml for seconds.
var ErrLocked = errors.New(CardName + " is being written by somebody else; nothing was changed: try again")

// Save writes the card. Comments that people put into it stay. It refuses with
// ErrChanged where the file is not the one that was read.
func (j *Job) Save() error {
	unlock, err := lock(j.Dir)
	if err != nil {
		return err
	}
	defer unlock()
	place := filepath.Join(j.Dir, CardName)
	now, err := os.ReadFile(place)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if !bytes.Equal(now, j.source) {
		return ErrChanged
	}
	src, err := j.Card.rewrite(j.source)
	if err != nil {
		return err
	}
	if err := atomicfile.WriteFile(place, src); err != nil {
		return err
	}
	j.source = src
	return nil
}

// Leave notes in the card that a phase cannot be done, and why.
func (j *Job) Leave(phase Phase, why string) error {
	was := j.Card.LeftOut
	j.Card.LeftOut = maps.Clone(was)
	if j.Card.LeftOut == nil {
		j.Card.LeftOut = map[Phase]string{}
	}
	j.Card.LeftOut[phase] = why
	if err := j.Card.check(CardName); err != nil {
		j.Card.LeftOut = was
		return err
	}
	return j.Save()
}

// FileCapture copies a capture into the folder, under a name that says when in
// the job it was taken, and notes it in the journal. A capture that lies in the
// folder already stays where it is. The stages file beside it comes along.
func (j *Job) FileCapture(source string, e Entry) (Entry, error) {
	e.Kind = Capture
	inside, err := j.inside(source)
	if err != nil {
		return e, err
	}
	if inside == "" {
		if inside, err = j.copyIn(source, string(e.Moment)); err != nil {
			return e, err
		}
		if _, err := os.Stat(source + stagesEnding); err == nil {
			if err := copyFile(source+stagesEnding, j.Path(inside)+stagesEnding); err != nil {
				return e, err
			}
		} else if err := os.Remove(j.Path(inside) + stagesEnding); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return e, err // left by a run that was ended: it is of another capture
		}
	}
	e.File = inside
	return j.Note(e)
}

// KeepSources copies what a filed capture was converted from beside it, and notes
// it in the journal: what was recorded before the swap cannot be recorded again.
func (j *Job) KeepSources(filed Entry, sources ...string) error {
	name, _, _ := strings.Cut(path.Base(filed.File), ".")
	for _, source := range sources {
		file, err := j.copyIn(source, name+"-source")
		if err != nil {
			return err
		}
		e := Entry{Kind: Source, Moment: filed.Moment, Time: filed.Time, Of: []string{filed.File}, File: file}
		if _, err := j.Note(e); err != nil {
			return err
		}
	}
	return nil
}

// copyIn copies a file among the captures, under a name that no other has.
func (j *Job) copyIn(source, name string) (file string, err error) {
	if file, err = j.reserve(capturesDir, name, extensions(source)); err != nil {
		return "", err
	}
	if err := copyFile(source, j.Path(file)); err != nil {
		j.release(file)
		return "", err
	}
	return file, nil
}

// FileReport writes a handover report into the folder and notes it in the journal.
func (j *Job) FileReport(content []byte, time string) (Entry, error) {
	e := Entry{Kind: ReportDoc, Command: "report", Time: time}
	return j.fileContent(content, "handover", ".html", e)
}

// Checks are the journal's results of check on the car with the new ECU, the
// newest last.
func (j *Job) Checks() []Entry {
	var list []Entry
	for _, e := range j.Journal {
		if e.Kind == Result && e.Command == "check" && e.Moment == After {
			list = append(list, e)
		}
	}
	return list
}

// FileResult writes a result into the folder and notes it in the journal.
// extension is that of its format, with the dot.
func (j *Job) FileResult(content []byte, extension string, e Entry) (Entry, error) {
	name := e.Command
	if e.Moment != "" {
		name += "-" + string(e.Moment)
	}
	return j.fileContent(content, name, extension, e)
}

// fileContent writes a file among the results and notes it in the journal.
func (j *Job) fileContent(content []byte, name, extension string, e Entry) (Entry, error) {
	var err error
	if e.File, err = j.reserve(resultsDir, name, extension); err != nil {
		return e, err
	}
	if err := atomicfile.WriteFile(j.Path(e.File), content); err != nil {
		j.release(e.File)
		return e, err
	}
	return j.Note(e)
}

// reserve takes a name that no file of the folder has by an empty file, so that two
// people who file at once never write over each other.
func (j *Job) reserve(dir, name, extension string) (string, error) {
	for {
		file := j.freeName(dir, name, extension)
		f, err := os.OpenFile(j.Path(file), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if errors.Is(err, fs.ErrExist) {
			continue // somebody else was faster
		}
		if err != nil {
			return "", &atomicfile.Error{Path: j.Path(file), Err: bare(err)}
		}
		return file, f.Close()
	}
}

// release gives a reserved name back, as far as nothing was written under it.
func (j *Job) release(file string) {
	if info, err := os.Stat(j.Path(file)); err == nil && info.Size() == 0 {
		os.Remove(j.Path(file))
	}
}

// NewCapture gives a name in the folder for a capture of a moment that is yet to
// be recorded; extension is that of its format, with the dot.
func (j *Job) NewCapture(m Moment, extension string) string {
	return j.freeName(capturesDir, string(m), extension)
}

// Note adds an entry for a file that lies in the folder, with its size and hash.
func (j *Job) Note(e Entry) (Entry, error) {
	var err error
	if e.Size, e.SHA256, err = hashFile(j.Path(e.File)); err != nil {
		return e, err
	}
	if err := appendEntry(j.Dir, e); err != nil {
		return e, &atomicfile.Error{Path: filepath.Join(j.Dir, journalName), Err: bare(err)}
	}
	j.Journal = append(j.Journal, e)
	return e, nil
}

// Path gives the place of a file of the journal.
func (j *Job) Path(file string) string { return filepath.Join(j.Dir, filepath.FromSlash(file)) }

// Last returns the newest entry that fits, nil when there is none.
func (j *Job) Last(fits func(*Entry) bool) *Entry {
	for i := range slices.Backward(j.Journal) {
		if fits(&j.Journal[i]) {
			return &j.Journal[i]
		}
	}
	return nil
}

// CaptureOf returns the newest capture of a moment, nil when there is none.
func (j *Job) CaptureOf(m Moment) *Entry {
	return j.Last(func(e *Entry) bool { return e.Kind == Capture && e.Moment == m })
}

// CodesOf returns the newest list of codes of a moment, nil when there is none.
func (j *Job) CodesOf(m Moment) *Entry {
	return j.Last(func(e *Entry) bool { return e.Kind == CodeList && e.Moment == m })
}

// ResultOf returns the newest result of a command that rests on a file, nil when
// there is none. An empty file is any.
func (j *Job) ResultOf(command, file string) *Entry {
	return j.Last(func(e *Entry) bool {
		return e.Kind == Result && e.Command == command && (file == "" || slices.Contains(e.Of, file))
	})
}

// Damage is a file of the journal that is gone or is not what was filed.
type Damage struct {
	File string
	What string
}

// Verify holds every file of the journal to its size and hash, as it was filed last.
func (j *Job) Verify() []Damage {
	var damage []Damage
	for i := range j.Journal {
		e := &j.Journal[i]
		if slices.ContainsFunc(j.Journal[i+1:], func(l Entry) bool { return l.File == e.File }) {
			continue
		}
		if what := j.damageOf(e); what != "" {
			damage = append(damage, Damage{e.File, what})
		}
	}
	return damage
}

func (j *Job) damageOf(e *Entry) string {
	size, sum, err := hashFile(j.Path(e.File))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "is gone"
	case err != nil:
		return bare(err).Error()
	case size != e.Size || sum != e.SHA256:
		return "is not what was filed: its content has changed"
	}
	return ""
}

// DamagedError says that a file of the journal is gone or is not what was filed.
type DamagedError struct {
	File, What string
}

func (e *DamagedError) Error() string { return e.File + " " + e.What }

// Intact holds the file of one entry to its size and hash. The error is a
// *DamagedError.
func (j *Job) Intact(e *Entry) error {
	if what := j.damageOf(e); what != "" {
		return &DamagedError{j.Path(e.File), what}
	}
	return nil
}

// inside gives the path of a file from the folder, "" when it lies elsewhere.
func (j *Job) inside(file string) (string, error) {
	dir, err := filepath.Abs(j.Dir)
	if err != nil {
		return "", err
	}
	if file, err = filepath.Abs(file); err != nil {
		return "", err
	}
	rel, err := filepath.Rel(dir, file)
	if err != nil || !filepath.IsLocal(rel) {
		return "", nil
	}
	return filepath.ToSlash(rel), nil
}

// freeName gives a name that no file of the folder has: NAME.ext, NAME-2.ext, ...
func (j *Job) freeName(dir, name, extension string) string {
	for n := 1; ; n++ {
		file := path.Join(dir, name+extension)
		if n > 1 {
			file = path.Join(dir, fmt.Sprintf("%s-%d%s", name, n, extension))
		}
		if _, err := os.Lstat(j.Path(file)); errors.Is(err, fs.ErrNotExist) {
			return file
		}
	}
}

// extensions gives what says the format of a capture: ".log", ".log.gz".
func extensions(file string) string {
	base := filepath.Base(file)
	ext := filepath.Ext(base)
	if ext == ".gz" || ext == ".zst" {
		ext = filepath.Ext(strings.TrimSuffix(base, ext)) + ext
	}
	return ext
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := atomicfile.Create(to)
	if err != nil {
		return err
	}
	defer out.Drop()
	if _, err := io.Copy(out, in); err != nil {
		return err
	}
	return out.Commit()
}

func hashFile(file string) (size int64, sum string, err error) {
	f, err := os.Open(file)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return size, hex.EncodeToString(h.Sum(nil)), err
}

// bare takes the path out of a system's error.
func bare(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}
