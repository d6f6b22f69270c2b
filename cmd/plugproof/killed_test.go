package main

import (
	"bytes"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plugproof/decode/witness"
	"plugproof/profiles/job"
)

// filing is a step of a job that writes into its folder. JOB stands for the folder.
type filing struct {
	name string
	args []string
	code int
}

// TestKilled kills every command that files something, at random and at chosen
// moments: what had been filed before is still there and as it was, what was told
// to be filed is, the folder can be read, and the step can be done again.
func TestKilled(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the program many times")
	}
	captures := filepath.Join(witness.Root(t), "testdata", "captures")
	list := filepath.Join(t.TempDir(), "codes.txt")
	if err := os.WriteFile(list, []byte("TCM U0100-87 lost engine\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	whole, good := filepath.Join(captures, "lowan-whole-script.log.gz"), filepath.Join(captures, "lowan-key-on-idle.log")
	states := t.TempDir()
	state := filepath.Join(states, "begun")
	if out, err := exec.Command(plugproof(t), "job", "new", state, "--ask=false", "--set", "network=lowan-2-20t-a5").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for _, step := range []filing{
		{"intake", []string{"job", "intake", "JOB", "--ask=false", "--set", "series=2", "--set", "odometer=84210 km"}, exitOK},
		{"codes", []string{"codes", "--import", list, "--job", "JOB", "--moment", "baseline"}, exitOK},
		{"add", []string{"job", "add", "JOB", good, "--moment", "baseline"}, exitOK},
		{"record", []string{"record", "--script", "--from", whole, "--quick", "--job", "JOB", "--moment", "after"}, exitOK},
		{"identify", []string{"identify", "--job", "JOB"}, exitOK},
		{"check", []string{"check", "--job", "JOB", "--moment", "after"}, exitFail},
		{"compare", []string{"compare", "--job", "JOB"}, exitFail},
		{"report", []string{"job", "report", "JOB"}, exitFail},
	} {
		t.Run(step.name, func(t *testing.T) {
			done := filepath.Join(states, step.name)
			step.killed(t, state, done)
			state = done
		})
	}
}

// killed kills the step on copies of a job. In done, a copy too, it is done.
func (f *filing) killed(t *testing.T, state, done string) {
	t.Helper()
	if err := os.CopyFS(done, os.DirFS(state)); err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	f.run(t, done, nil)
	took := time.Since(begun)
	const seed, random = 7, 3
	rng := rand.New(rand.NewPCG(seed, uint64(len(f.name))))
	moments := map[string]whenKilled{
		// Before and after what is written has its name, and after the journal knows it.
		"a temporary is there": appears(func(name string) bool { return strings.HasSuffix(name, ".tmp") }),
		"a new file is there": appears(func(name string) bool {
			return strings.HasSuffix(name, ".log") || strings.HasSuffix(name, ".json") || strings.HasSuffix(name, ".html") || strings.HasSuffix(name, ".txt")
		}),
		"stages are there": appears(func(name string) bool { return strings.HasSuffix(name, ".stages.yaml") }),
	}
	for range random {
		delay := time.Duration(rng.Float64() * 1.1 * float64(took))
		moments["after "+delay.String()] = func(string, <-chan struct{}) { time.Sleep(delay) }
	}
	for when, wait := range moments {
		dir := filepath.Join(t.TempDir(), "ute")
		if err := os.CopyFS(dir, os.DirFS(state)); err != nil {
			t.Fatal(err)
		}
		said := f.run(t, dir, wait)
		f.survived(t, when, state, dir, said)
		f.run(t, dir, nil)
		if j := readable(t, when, dir); len(j.Journal) == 0 && f.name != "intake" {
			t.Errorf("killed %s, %s again: nothing is filed", when, f.name)
		}
	}
}

// whenKilled waits until it has come, or until the process that it is about is over.
type whenKilled func(dir string, over <-chan struct{})

// run runs the step on a job and kills it at a moment; nil: it must end as it
// should.
func (f *filing) run(t *testing.T, dir string, when whenKilled) (said string) {
	t.Helper()
	var out bytes.Buffer
	args := append([]string(nil), f.args...)
	for i, a := range args {
		if a == "JOB" {
			args[i] = dir
		}
	}
	c := exec.Command(plugproof(t), args...)
	c.Stdout, c.Stderr = &out, &out
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	var killer sync.WaitGroup
	over := make(chan struct{})
	if when != nil {
		killer.Go(func() {
			when(dir, over)
			_ = c.Process.Kill() // it may be over
		})
	}
	_ = c.Wait() // the exit code tells
	close(over)
	killer.Wait()
	if got := c.ProcessState.ExitCode(); when == nil && got != f.code {
		t.Errorf("%s ended with exit code %d, want %d:\n%s", f.name, got, f.code, &out)
	}
	return out.String()
}

// appears waits until a new file comes whose name fits, or the step is over.
func appears(fits func(name string) bool) whenKilled {
	return func(dir string, over <-chan struct{}) {
		had := names(dir)
		tick := time.NewTicker(200 * time.Microsecond)
		defer tick.Stop()
		for {
			for name := range names(dir) {
				if !had[name] && fits(name) {
					return
				}
			}
			select {
			case <-over:
				return
			case <-tick.C:
			}
		}
	}
}

// names lists the files of a job.
func names(dir string) map[string]bool {
	all := map[string]bool{}
	for _, d := range []string{"", "captures", "results"} {
		entries, _ := os.ReadDir(filepath.Join(dir, d)) // a folder that is not there has no files
		for _, e := range entries {
			all[filepath.Join(d, e.Name())] = true
		}
	}
	return all
}

// survived holds a job after a kill to what it was before.
func (f *filing) survived(t *testing.T, when, before, dir, said string) {
	t.Helper()
	was, is := readable(t, when, before), readable(t, when, dir)
	if len(is.Journal) < len(was.Journal) || len(is.Journal) > len(was.Journal)+1 {
		t.Fatalf("killed %s: %d entries of %d", when, len(is.Journal), len(was.Journal))
	}
	for i, e := range was.Journal {
		if is.Journal[i].SHA256 != e.SHA256 || is.Journal[i].File != e.File {
			t.Errorf("killed %s: entry %d is another", when, i)
		}
	}
	if strings.Contains(said, "filed as ") && len(is.Journal) == len(was.Journal) {
		t.Errorf("killed %s: it was told to be filed and is not:\n%s", when, said)
	}
	for _, s := range is.Strays() {
		if !s.Leftover && !strings.HasPrefix(s.File, "captures/after") && !strings.HasPrefix(s.File, "captures/baseline") && !strings.HasPrefix(s.File, "results/") {
			t.Errorf("killed %s: left %s", when, s.File)
		}
	}
}

// readable opens a job as its commands do, which say what is not in order.
func readable(t *testing.T, when, dir string) *job.Job {
	t.Helper()
	j, err := job.Open(dir)
	if err != nil {
		t.Fatalf("killed %s: %v", when, err)
	}
	if damage := j.Verify(); len(damage) > 0 {
		t.Errorf("killed %s: %v", when, damage)
	}
	for _, args := range [][]string{{"job", "status", dir}, {"job", "verify", dir}} {
		a, out, said := testApp()
		root := newRoot(a)
		root.SetArgs(args)
		err := root.ExecuteContext(t.Context())
		if code := a.finish(t.Context(), err); code != exitOK && code != exitUntestable {
			t.Errorf("killed %s: %v ends with %d: %v\n%s%s", when, args, code, err, out, said)
		}
		for _, s := range j.Strays() {
			if (!s.Leftover || args[1] == "verify") && !strings.Contains(out.String(), s.File) {
				t.Errorf("killed %s: %v does not tell of %s:\n%s", when, args, s.File, out)
			}
		}
	}
	return j
}
