// Package bundle makes one archive of a job for the support of an ECU's maker:
// the captures cut to what lies around each finding, the profile, the findings,
// codes and lamps before and after. What tells whose car it is, and what an
// immobiliser exchanges, is masked; a manifest says what was masked and holds the
// hash of every file. The archive depends on nothing but the job and the profile:
// made again it has the same bytes.
package bundle

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/job"
)

// Schema of the manifest. Within a version only additions.
const Schema = "plugproof/job-bundle/1"

// Options of Write.
type Options struct {
	Version string              // of the tool
	Setting *profiles.Setting   // the network setting of the job; nil: none, and then no captures
	Library *profiles.Library   // that it came from
	Others  []*profiles.Setting // by which results were judged: their secrets are kept too
	Whole   []job.Moment        // captures that go in uncut
	Photos  bool                // go in as they are
}

// Manifest says what an archive holds and what was masked in it.
type Manifest struct {
	Schema   string       `json:"schema"`
	Version  string       `json:"tool_version"`
	Network  string       `json:"network_setting"`
	Loom     string       `json:"loom_setting"`
	Profile  []check.File `json:"profile_files"` // that the profile was composed of
	Captures []Capture    `json:"captures"`
	Masked   []Masked     `json:"masked_frames"`
	Pattern  string       `json:"mask_byte"`
	Texts    int          `json:"masked_texts"` // places in files of text
	LeftOut  []string     `json:"left_out"`
	Damage   []job.Damage `json:"damage"`
	Files    []check.File `json:"files"` // of the archive, but for this one
}

// Capture is a capture of the job and what of it is in the archive.
type Capture struct {
	Moment   job.Moment `json:"moment"`
	SHA256   string     `json:"sha256"` // of the capture in the job
	Cuts     []Cut      `json:"cuts"`
	Findings []Finding  `json:"findings"`
}

// Cut is one stretch of a capture. Times are stamps of the capture.
type Cut struct {
	File    string  `json:"file"`
	FromS   float64 `json:"from_s"` // from the first frame of the capture
	ToS     float64 `json:"to_s"`
	Frames  uint64  `json:"frames"`
	Masked  uint64  `json:"masked_frames"`
	Whole   bool    `json:"whole,omitempty"`
	stretch stretch
}

// Finding is a finding of a check or a row of a comparison, and where it is seen.
type Finding struct {
	Of      string `json:"of"`   // check or compare
	Rule    string `json:"rule"` // or aspect
	Verdict string `json:"verdict"`
	Message string `json:"message,omitempty"`
	Signal  string `json:"signal,omitempty"`
	Bus     string `json:"bus,omitempty"`
	Cut     string `json:"cut,omitempty"` // file; "": it has no place in the capture
	// Shows says whether a check of the cut alone finds it again; null where that
	// was not tried: of comparisons, and of captures that are in whole.
	Shows *bool `json:"shows_in_cut"`

	at    int64 // ns
	hasAt bool
}

// Masked counts the frames of one identifier that were masked for one reason.
type Masked struct {
	Capture job.Moment `json:"capture"`
	Bus     string     `json:"bus"`
	ID      string     `json:"id"`
	Why     string     `json:"why"`
	Frames  uint64     `json:"frames"`
}

// ErrNotInside says that a photo lies outside of the folder of the job.
var ErrNotInside = errors.New("it lies outside of the folder of the job")

// Write writes the archive to w. The error is that of reading the job, or of w.
func Write(ctx context.Context, w io.Writer, j *job.Job, opts Options) (*Manifest, error) {
	b := &builder{
		ctx: ctx, job: j, opts: opts, zip: zip.NewWriter(w), names: map[string]bool{},
		manifest: &Manifest{
			Schema: Schema, Version: opts.Version, Network: j.Card.Settings.Network, Loom: j.Card.Settings.Loom,
			Profile: []check.File{}, Captures: []Capture{}, Masked: []Masked{}, LeftOut: []string{}, Damage: []job.Damage{},
			Pattern: fmt.Sprintf("%02X", asterisk),
		},
	}
	b.hidden = newHidden(j, opts)
	for _, step := range []func() error{b.damage, b.captures, b.profile, b.records, b.photos, b.readme, b.list} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return b.manifest, b.zip.Close()
}

// builder puts an archive together.
type builder struct {
	ctx      context.Context //nolint:containedctx // of one call of Write
	job      *job.Job
	opts     Options
	zip      *zip.Writer
	names    map[string]bool
	hidden   *hidden
	manifest *Manifest
}

// epoch is the time of every file in the archive: the earliest that a zip file
// can hold. When something was filed is in journal.jsonl.
var epoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// create begins a file of the archive.
func (b *builder) create(name string) (io.Writer, error) {
	if b.names[name] {
		return nil, fmt.Errorf("internal error: two files %s in one archive", name)
	}
	b.names[name] = true
	return b.zip.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: epoch})
}

// stream writes a file of the archive from a reader, and lists it.
func (b *builder) stream(name string, from func(io.Writer) error) error {
	out, err := b.create(name)
	if err != nil {
		return err
	}
	n := &counter{}
	sum := sha256.New()
	if err := from(io.MultiWriter(out, sum, n)); err != nil {
		return err
	}
	b.manifest.Files = append(b.manifest.Files, check.File{File: name, Size: n.bytes, SHA256: hex.EncodeToString(sum.Sum(nil))})
	return nil
}

type counter struct{ bytes int64 }

func (c *counter) Write(p []byte) (int, error) {
	c.bytes += int64(len(p))
	return len(p), nil
}

func (b *builder) file(name string, content []byte) error {
	return b.stream(name, func(w io.Writer) error {
		_, err := w.Write(content)
		return err
	})
}

// text writes a file of text with what must not be shown masked.
func (b *builder) text(name string, content []byte) error {
	masked, n := b.hidden.text(content)
	b.manifest.Texts += n
	return b.file(name, masked)
}

func (b *builder) leaveOut(format string, args ...any) {
	masked, _ := b.hidden.text(fmt.Appendf(nil, format, args...))
	b.manifest.LeftOut = append(b.manifest.LeftOut, string(masked))
}

// damage notes what is not as it was filed.
func (b *builder) damage() error {
	for _, d := range b.job.Verify() {
		name, _ := b.hidden.text([]byte(d.File))
		b.manifest.Damage = append(b.manifest.Damage, job.Damage{File: string(name), What: d.What})
	}
	return nil
}

// profile writes the profile as composed, with the place of each line, and the
// DBC files that it names: check takes it as it is.
func (b *builder) profile() error {
	s := b.opts.Setting
	if s == nil {
		b.leaveOut("no profile: the job names no network setting")
		return nil
	}
	var err error
	if b.manifest.Profile, err = check.SettingFiles(b.opts.Library, s); err != nil {
		return err
	}
	c, err := b.opts.Library.Compose(s.Name)
	if err != nil {
		return err
	}
	var lines strings.Builder
	parts := false
	for _, l := range c.Lines() {
		// What it builds on is in it already, and is not in the archive.
		if parts = strings.HasPrefix(l.Text, "builds_on:") || parts && strings.HasPrefix(l.Text, " "); parts {
			lines.WriteString("# ")
		}
		lines.WriteString(l.Text)
		if l.From != "" {
			lines.WriteString("  # " + l.From)
		}
		lines.WriteByte('\n')
	}
	if err := b.text(profileFile(s.Name), []byte(lines.String())); err != nil {
		return err
	}
	for _, bus := range s.Buses {
		for _, name := range s.Profile.Buses[bus.Name].DBC {
			if b.names["profile/"+name] {
				continue
			}
			src, _, err := b.opts.Library.ReadFile(name)
			if err != nil {
				return err
			}
			if err := b.text("profile/"+name, src); err != nil {
				return err
			}
		}
	}
	return nil
}

func profileFile(name string) string { return "profile/" + path.Base(name) + profiles.Extension }

// records writes what people know of the car, the journal, the newest results and
// lists of codes.
func (b *builder) records() error {
	card := *b.job.Card
	card.Customer, card.Photos = "", nil
	card.Car.VIN = job.Mask(card.Car.VIN)
	src, err := card.YAML()
	if err != nil {
		return err
	}
	if err := b.text("job.yaml", src); err != nil {
		return err
	}
	var journal []byte
	for _, e := range b.job.Journal {
		line, err := json.Marshal(e)
		if err != nil {
			return err
		}
		journal = append(append(journal, line...), '\n')
	}
	if err := b.text("journal.jsonl", journal); err != nil {
		return err
	}
	for _, e := range b.newest() {
		src, err := readResult(b.job.Path(e.File))
		if err != nil {
			b.leaveOut("%s: %v", e.File, err)
			continue
		}
		if strings.HasSuffix(e.File, ".json") {
			var n int
			src, n = b.hidden.json(src)
			b.manifest.Texts += n
		}
		if err := b.text(b.hidden.name(e.File), src); err != nil {
			return err
		}
	}
	return nil
}

// newest lists the newest results of each kind, and the newest lists of codes.
func (b *builder) newest() (list []job.Entry) {
	seen := map[string]bool{}
	for _, e := range slices.Backward(b.job.Journal) {
		key := string(e.Kind) + " " + e.Command + " " + string(e.Moment)
		if e.Kind != job.Result && e.Kind != job.CodeList || seen[key] || b.names[b.hidden.name(e.File)] {
			continue
		}
		seen[key] = true
		list = append(list, e)
	}
	return list
}

// photos writes them as they are, where they are asked for.
func (b *builder) photos() error {
	list := b.job.Card.Photos
	if !b.opts.Photos {
		if len(list) > 0 {
			b.leaveOut("%d photos: nothing in a picture can be masked", len(list))
		}
		return nil
	}
	for i, name := range list {
		if !filepath.IsLocal(filepath.FromSlash(name)) {
			return fmt.Errorf("photo %s: %w", name, ErrNotInside)
		}
		f, err := os.Open(b.job.Path(name))
		if err != nil {
			b.leaveOut("photo %d: %v", i+1, bare(err))
			continue
		}
		defer f.Close()
		to := fmt.Sprintf("photos/%d%s", i+1, strings.ToLower(path.Ext(name)))
		err = b.stream(to, func(w io.Writer) error {
			_, err := io.Copy(w, f)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// list writes the manifest.
func (b *builder) list() error {
	out, err := b.create("manifest.json")
	if err != nil {
		return err
	}
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(b.manifest)
}

// bare takes the path out of a system's error.
func bare(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}
