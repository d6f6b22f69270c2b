package bundle_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/bundle"
	"plugproof/profiles/check"
	"plugproof/profiles/compare"
	"plugproof/profiles/job"
	"plugproof/profiles/library"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

const (
	setting = "lowan-1-20-a5"
	number  = "0AW77Z1R3BHKZ4XW9" // invented, in the form of ISO 3779
	other   = "0BX88Y2S4CJLY5VX8" // of a module from a donor car, which nobody wrote down
)

func lib() *profiles.Library {
	return profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS(), Checked: true})
}

// telling are frames in which modules tell a number in three segments (ISO
// 15765-2), one in the body of an answer to 22 F190, and exchange a key; the
// number stands in pages of a message besides. They are written by hand.
func telling(vin, at string) string {
	frame := func(id, head, text string) string {
		return fmt.Sprintf("(%s) drive %s#%s%X\n", at, id, head, text)
	}
	lines := frame("7E8", "1014490201", vin[:3]) + frame("7E8", "21", vin[3:10]) + frame("7E8", "22", vin[10:])
	lines += frame("7EA", "101462F190", vin[:3]) + frame("7EA", "21", vin[3:10]) + frame("7EA", "22", vin[10:])
	lines += frame("7E8", "066701", "KEY1")
	return lines + frame("5F0", "00", vin[:7]) + frame("5F0", "01", vin[7:14])
}

// spoilt reports whether a frame is missing in the capture after: those of the
// engine's speed for five seconds after the key was turned, those of its
// temperatures near the end. since is ns from the first frame.
func spoilt(f *can.Frame, since int64) bool {
	return f.ID == 0x0D6 && since > 4e9 && since < 9e9 || f.ID == 0x31C && since > 70e9
}

// captures writes a good capture and a spoilt one, both with what tells numbers at
// 5 s.
func captures(t *testing.T, dir string) (before, after string) {
	t.Helper()
	r, err := capture.Open([]string{filepath.Join(witness.Root(t), "testdata", "captures", "lowan-whole-script.log.gz")}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all, without bytes.Buffer
	frames := make([]can.Frame, 512)
	first, told := int64(0), false
	for {
		n, err := r.Read(t.Context(), frames)
		for i := range frames[:n] {
			f := &frames[i]
			if first == 0 {
				first = f.Time
			}
			if f.Time > first+5e9 && !told {
				told = true
				at := fmt.Sprintf("%d.%09d", f.Time/1e9, f.Time%1e9)
				all.WriteString(telling(number, at))
				without.WriteString(telling(number, at))
				without.WriteString(strings.ReplaceAll(telling(other, at), "7E8", "7EB"))
			}
			line := string(capture.AppendLogLine(nil, f, r.Buses().Name(f.Bus))) + "\n"
			all.WriteString(line)
			if !spoilt(f, f.Time-first) {
				without.WriteString(line)
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	write := func(name string, content []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	return write("before.log", all.Bytes()), write("after.log", without.Bytes())
}

func recording(t *testing.T, path string, s *profiles.Setting) check.Recording {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	rec := check.Recording{Reader: r}
	if rec.Interfaces, err = check.MatchBuses(t.Context(), []string{path}, nil, s, nil); err != nil {
		t.Fatal(err)
	}
	if rec.Marked, err = check.StagesBeside([]string{path}); err != nil {
		t.Fatal(err)
	}
	return rec
}

// newJob opens a copy of a job that was made once.
func newJob(t *testing.T) (*job.Job, bundle.Options) {
	t.Helper()
	library := lib()
	s, err := library.Load(setting)
	if err != nil {
		t.Fatal(err)
	}
	if made == "" {
		if made, err = os.MkdirTemp("", "bundle-test-"); err != nil { //nolint:usetesting // outlives the test that makes it
			t.Fatal(err)
		}
		makeJob(t, made)
	}
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join(made, "ute"))); err != nil {
		t.Fatal(err)
	}
	j, err := job.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return j, bundle.Options{Version: "test", Setting: s, Library: library}
}

// made is the folder of the job that tests copy; "": not made yet.
var made string

func TestMain(m *testing.M) {
	code := m.Run()
	os.RemoveAll(made)
	os.Exit(code)
}

// makeJob makes a job as the commands do: two captures, a check, a comparison,
// codes before and after.
func makeJob(t *testing.T, dir string) {
	t.Helper()
	before, after := captures(t, dir)
	library := lib()
	s, err := library.Load(setting)
	if err != nil {
		t.Fatal(err)
	}
	card := &job.Card{Customer: "Ash Ketteridge", Photos: []string{"plate.jpg"}}
	card.Car.VIN = strings.ToLower(number[:8]) + number[8:]
	card.Car.Donors = []job.Donor{{Module: "cluster", From: "a car with " + other}}
	card.Asked = "the car " + number + " with a new ECU"
	card.Settings.Network, card.Settings.Loom = setting, "loom 2"
	card.After.Lamps = []string{"MIL"}
	j, err := job.Create(filepath.Join(dir, "ute"), card)
	if err != nil {
		t.Fatal(err)
	}
	must := func(e job.Entry, err error) job.Entry {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	was := must(j.FileCapture(before, job.Entry{Moment: job.Baseline, Scope: "car"}))
	is := must(j.FileCapture(after, job.Entry{Moment: job.After, Scope: "car"}))
	for moment, list := range map[job.Moment]string{job.Baseline: "no codes\n", job.After: "TCM: U0100 lost, car " + number + "\n"} {
		must(j.FileResult([]byte(list), ".txt", job.Entry{Kind: job.CodeList, Command: "codes", Moment: moment}))
	}
	result, err := check.Run(t.Context(), &check.Input{
		Setting: s, Library: library, Capture: recording(t, j.Path(is.File), s), Scope: rules.Car,
		Seen: rules.Observed{Lamps: []string{"MIL"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	var doc bytes.Buffer
	if err := report.JSON(&doc, result, "test", nil); err != nil {
		t.Fatal(err)
	}
	must(j.FileResult(doc.Bytes(), ".json", job.Judged(job.Entry{
		Kind: job.Result, Command: "check", Moment: job.After, Of: []string{is.File},
	}, setting, result.Result)))
	compareInto(t, j, s, &was, &is)
	if err := os.WriteFile(j.Path("plate.jpg"), []byte("PHOTO-DATA"), 0o644); err != nil {
		t.Fatal(err)
	}
}

func compareInto(t *testing.T, j *job.Job, s *profiles.Setting, was, is *job.Entry) {
	t.Helper()
	res, err := compare.Run(t.Context(), &compare.Input{
		Setting: s, Before: recording(t, j.Path(was.File), s).Reader, After: recording(t, j.Path(is.File), s).Reader,
	})
	if err != nil {
		t.Fatal(err)
	}
	var doc bytes.Buffer
	if err := report.ComparisonJSON(&doc, res, "test", nil); err != nil {
		t.Fatal(err)
	}
	_, err = j.FileResult(doc.Bytes(), ".json", job.Entry{
		Kind: job.Result, Command: "compare", Moment: job.After, Of: []string{is.File, was.File}, Setting: setting,
	})
	if err != nil {
		t.Fatal(err)
	}
}

// written makes an archive and unpacks it.
func written(t *testing.T, j *job.Job, opts bundle.Options) (raw []byte, files map[string][]byte, m *bundle.Manifest) {
	t.Helper()
	var b bytes.Buffer
	m, err := bundle.Write(t.Context(), &b, j, opts)
	if err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(b.Bytes()), int64(b.Len()))
	if err != nil {
		t.Fatal(err)
	}
	files = map[string][]byte{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(in); err != nil {
			t.Fatal(err)
		}
		in.Close()
	}
	return b.Bytes(), files, m
}

func TestBundle(t *testing.T) {
	j, opts := newJob(t)
	raw, files, m := written(t, j, opts)

	t.Run("the same bytes again", func(t *testing.T) {
		if again, _, _ := written(t, j, opts); !bytes.Equal(raw, again) {
			t.Error("another archive of the same job differs")
		}
	})
	t.Run("the manifest", func(t *testing.T) { manifestHolds(t, files) })
	t.Run("no number", func(t *testing.T) { noNumber(t, files) })
	t.Run("nothing exchanged", func(t *testing.T) { nothingExchanged(t, files, opts.Setting) })
	t.Run("what it holds", func(t *testing.T) {
		for _, name := range []string{
			"README.txt", "manifest.json", "job.yaml", "journal.jsonl", "captures/after.log", "profile/" + setting + ".yaml",
			"profile/lowan-drive-series1.dbc", "results/check-after.json", "results/compare-after.json", "results/codes-after.txt", "results/codes-baseline.txt",
		} {
			if files[name] == nil && !(name == "captures/after.log" && files["captures/after-1.log"] != nil) {
				t.Errorf("no %s in %q", name, slices.Sorted(keys(files)))
			}
		}
		for _, hidden := range []string{"Ash", "Ketteridge", "PHOTO-DATA"} {
			for name, content := range files {
				if bytes.Contains(content, []byte(hidden)) {
					t.Errorf("%s shows %q", name, hidden)
				}
			}
		}
		if !strings.Contains(string(files["README.txt"]), "Lamps after      MIL") {
			t.Errorf("the readme does not tell the lamps:\n%s", files["README.txt"])
		}
	})
	t.Run("findings show", func(t *testing.T) { findingsShow(t, files, m) })
}

func keys(m map[string][]byte) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// manifestHolds: every file is listed with its size and hash, and nothing else.
func manifestHolds(t *testing.T, files map[string][]byte) {
	var m bundle.Manifest
	if err := json.Unmarshal(files["manifest.json"], &m); err != nil {
		t.Fatal(err)
	}
	if m.Schema != bundle.Schema || len(m.Files) != len(files)-1 {
		t.Errorf("schema %s, %d files of %d", m.Schema, len(m.Files), len(files)-1)
	}
	for _, f := range m.Files {
		sum := sha256.Sum256(files[f.File])
		if hex.EncodeToString(sum[:]) != f.SHA256 || f.Size != int64(len(files[f.File])) {
			t.Errorf("%s is not what the manifest says", f.File)
		}
	}
	why := map[string]uint64{}
	for _, x := range m.Masked {
		why[x.ID] += x.Frames
	}
	for _, id := range []string{"0x7E8", "0x7EA", "0x7EB", "0x5F0", "0x45B", "0x45C", "0x5E2"} {
		if why[id] == 0 {
			t.Errorf("the manifest does not say that frames of %s are masked: %v", id, m.Masked)
		}
	}
}

// noNumber: no piece of a number of more than the four characters that are shown
// stands anywhere, as text or as hexadecimal digits.
func noNumber(t *testing.T, files map[string][]byte) {
	for name, content := range files {
		content = bytes.ToUpper(content)
		for _, vin := range []string{number, other} {
			for i := 0; i+5 <= len(vin); i++ {
				part := vin[i : i+5]
				for _, form := range []string{part, fmt.Sprintf("%X", part), fmt.Sprintf("% X", part)} {
					if at := bytes.Index(content, []byte(form)); at >= 0 {
						t.Fatalf("%s shows %q of a number: ...%s...", name, part, content[max(0, at-80):min(len(content), at+80)])
					}
				}
			}
		}
	}
}

// nothingExchanged: every frame that the profile calls secret is masked, wherever
// it stands.
func nothingExchanged(t *testing.T, files map[string][]byte, s *profiles.Setting) {
	r, err := capture.Open([]string{filepath.Join(witness.Root(t), "testdata", "captures", "lowan-whole-script.log.gz")}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	secrets := rules.SecretsOf(s)
	payloads := map[string]bool{fmt.Sprintf("066701%X", "KEY1"): true}
	frames := make([]can.Frame, 512)
	for {
		n, err := r.Read(context.Background(), frames)
		for i := range frames[:n] {
			if f := &frames[i]; secrets.Hold(f) {
				payloads[fmt.Sprintf("%03X#%X", f.ID, f.Payload())] = true
			}
		}
		if err != nil {
			break
		}
	}
	if len(payloads) < 5 {
		t.Fatalf("%d payloads are secret", len(payloads))
	}
	for name, content := range files {
		for p := range payloads {
			if bytes.Contains(content, []byte(p)) {
				t.Errorf("%s shows %s", name, p)
			}
		}
	}
}

// findingsShow: a cut, judged again by the profile in the archive, shows each
// finding of the check, or the manifest says that it needs the whole.
func findingsShow(t *testing.T, files map[string][]byte, m *bundle.Manifest) {
	dir := t.TempDir()
	for name, content := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	own := profiles.NewLibrary(profiles.Folder{FS: os.DirFS(filepath.Join(dir, "profile"))})
	s, err := own.Load(setting)
	if err != nil {
		t.Fatal(err)
	}
	shown, needWhole := 0, 0
	for _, c := range m.Captures {
		for _, cut := range c.Cuts {
			if cut.ToS-cut.FromS > 65 {
				t.Errorf("%s is %.1f s long: nearly all", cut.File, cut.ToS-cut.FromS)
			}
			if c.Moment != job.After {
				continue
			}
			out, err := check.Run(t.Context(), &check.Input{
				Setting: s, Library: own, Scope: rules.Car, Capture: recording(t, filepath.Join(dir, filepath.FromSlash(cut.File)), s),
			})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range c.Findings {
				if f.Of != "check" || f.Cut != cut.File {
					continue
				}
				again := slices.ContainsFunc(out.Findings, func(g rules.Finding) bool {
					return g.Rule == f.Rule && g.Message == f.Message && g.Signal == f.Signal && g.Bus == f.Bus
				})
				if f.Shows == nil || *f.Shows != again {
					t.Errorf("%s %s: seen again %v, the manifest says %v", f.Rule, f.Message, again, f.Shows)
				}
				if again {
					shown++
				} else {
					needWhole++
				}
			}
			for _, g := range out.Findings { // a mask is no fault
				if g.Message == "EngineConfig" || strings.HasPrefix(g.Message, "VehicleConfig") {
					t.Errorf("%s: the mask gives %s %s: %s", cut.File, g.Rule, g.Message, g.Text)
				}
			}
		}
	}
	if shown < 2 {
		t.Errorf("%d findings are shown by the cuts, %d need the whole: %+v", shown, needWhole, m.Captures)
	}
}

// TestWhole: a capture that is asked for whole has all its frames.
func TestWhole(t *testing.T) {
	j, opts := newJob(t)
	opts.Whole, opts.Photos = []job.Moment{job.After}, true
	_, files, m := written(t, j, opts)
	noNumber(t, files)
	whole, err := os.ReadFile(j.Path("captures/after.log"))
	if err != nil {
		t.Fatal(err)
	}
	if got, want := bytes.Count(files["captures/after.log"], []byte("\n")), bytes.Count(whole, []byte("\n")); got != want {
		t.Errorf("%d frames of %d", got, want)
	}
	if string(files["photos/1.jpg"]) != "PHOTO-DATA" {
		t.Errorf("no photo: %v", m.LeftOut)
	}
	for _, c := range m.Captures {
		if c.Moment == job.After && (len(c.Cuts) != 1 || !c.Cuts[0].Whole) {
			t.Errorf("%+v", c.Cuts)
		}
	}
}

// TestWithoutSetting: nobody knows what is secret in captures then.
func TestWithoutSetting(t *testing.T) {
	j, opts := newJob(t)
	opts.Setting, opts.Library = nil, nil
	_, files, m := written(t, j, opts)
	for name := range files {
		if strings.HasPrefix(name, "captures/") || strings.HasPrefix(name, "profile/") {
			t.Errorf("%s is in it", name)
		}
	}
	if !slices.ContainsFunc(m.LeftOut, func(s string) bool { return strings.HasPrefix(s, "the captures: ") }) {
		t.Errorf("left out: %q", m.LeftOut)
	}
}

// TestDamage: what is gone is named, the rest goes in.
func TestDamage(t *testing.T) {
	j, opts := newJob(t)
	for _, name := range []string{"captures/after.log", "results/codes-after.txt"} {
		if err := os.Remove(j.Path(name)); err != nil {
			t.Fatal(err)
		}
	}
	_, files, m := written(t, j, opts)
	if len(m.Damage) != 2 || files["results/check-after.json"] == nil {
		t.Errorf("damage %v", m.Damage)
	}
	if text := strings.Join(m.LeftOut, "\n"); !strings.Contains(text, "the capture of after") || !strings.Contains(text, "codes-after.txt") {
		t.Errorf("left out: %s", text)
	}
}

// fullDisk takes a number of bytes.
type fullDisk struct{ left int }

var errFull = errors.New("no space left")

func (d *fullDisk) Write(p []byte) (int, error) {
	if len(p) > d.left {
		return 0, errFull
	}
	d.left -= len(p)
	return len(p), nil
}

func TestWriteFails(t *testing.T) {
	j, opts := newJob(t)
	raw, _, _ := written(t, j, opts)
	for _, size := range []int{0, 1000, len(raw) / 2, len(raw) - 1} {
		if _, err := bundle.Write(t.Context(), &fullDisk{size}, j, opts); !errors.Is(err, errFull) {
			t.Errorf("a disk of %d bytes: %v", size, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := bundle.Write(ctx, io.Discard, j, opts); !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %v", err)
	}
}

func TestPhotoOutside(t *testing.T) {
	j, opts := newJob(t)
	j.Card.Photos, opts.Photos = []string{"../../etc/passwd"}, true
	if _, err := bundle.Write(t.Context(), io.Discard, j, opts); !errors.Is(err, bundle.ErrNotInside) {
		t.Errorf("%v", err)
	}
}
