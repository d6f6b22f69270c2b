package replay

import (
	"context"
	"errors"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"plugproof/replay/gate"
	"plugproof/replay/rig/adapter"
	"plugproof/replay/socketcan"
)

// onAdapter is a job on a serial adapter, whose driver does not report echo: that
// alone is made up. The kernel confirms its frames when it takes them.
func onAdapter(t *testing.T, a *adapter.Adapter) Job {
	t.Helper()
	shell(t, "ip link set "+a.Name+" txqueuelen 77 type can bitrate 500000 && ip link set "+a.Name+" up")
	job := onBench(t, 20, a.Name, nil)
	job.facts = func(list []string) ([]gate.Interface, error) {
		facts, err := socketcan.Facts(list)
		for i := range facts {
			facts[i].Echo = true
		}
		return facts, err
	}
	return job
}

// settings is what ip says of an interface, without what changes by itself.
func settings(t *testing.T, name string) string {
	t.Helper()
	out, err := exec.Command("ip", "-details", "link", "show", name).CombinedOutput()
	if err != nil {
		return err.Error()
	}
	return string(out)
}

// words leaves of what an adapter was told the openings, in listen-only mode and
// not, and the first frame after each.
func words(told []string) (list []string) {
	for _, w := range told {
		if w = w[:1]; strings.Contains("OLt", w) && (len(list) == 0 || list[len(list)-1] != w) {
			list = append(list, w)
		}
	}
	return list
}

// The adapter is in listen-only mode while the gate listens, and as it was found
// before the first frame.
func testListenOnlyFirst(t *testing.T) {
	a := adapter.Insert(t)
	t.Parallel()
	job := onAdapter(t, a)
	found := settings(t, a.Name)
	during := map[gate.Phase]bool{} // listen-only
	began := map[gate.Phase]time.Duration{}
	start := time.Now()
	job.Note = func(p Progress) {
		if _, known := during[p.Phase]; !known && p.Since > 500*ms {
			during[p.Phase] = strings.Contains(settings(t, a.Name), "LISTEN-ONLY")
		}
		if _, known := began[p.Phase]; !known {
			began[p.Phase] = time.Since(start)
			if p.Phase == gate.Quiet {
				a.Hears("t2630") // the cluster
			}
		}
	}
	result, err := Run(t.Context(), job)
	if err != nil || result.Frames != 20 || result.First == 0 || len(result.Notes) > 0 {
		t.Fatalf("%+v, %v", result, err)
	}
	if !during[gate.Quiet] || during[gate.Listening] || during[gate.First] || during[gate.Again] || len(during) < 4 {
		t.Errorf("listen-only by phase: %v", during)
	}
	if quiet, listened := began[gate.Listening]-began[gate.Quiet], began[gate.First]-began[gate.Listening]; quiet < gate.ListenTime-ms*200 || listened < gate.FirstTime-ms*200 {
		t.Errorf("%v in listen-only mode, %v without it", quiet, listened)
	}
	if got := words(a.Told()); !slices.Equal(got, []string{"O", "L", "O", "t"}) {
		t.Errorf("the adapter was told %q", got)
	}
	if got := settings(t, a.Name); got != found {
		t.Errorf("left as\n%s, found as\n%s", got, found)
	}
	log := events(t, job.Log)
	if got := names(log); !slices.Equal(got, []string{"asked", "listening", "listening", "first identifier sent alone", "playing", "ended"}) {
		t.Fatalf("log: %q", got)
	}
	if !slices.Equal(log[1].ListenOnly, []string{a.Name}) || log[2].ListenOnly != nil {
		t.Errorf("log: %+v, %+v", log[1], log[2])
	}
}

// However listening ends, the interface is as it was found, and no frame left.
func testListenOnlyPutBack(t *testing.T) {
	var adapters []*adapter.Adapter
	for range 4 {
		adapters = append(adapters, adapter.Insert(t))
	}
	t.Parallel()
	interrupted := errors.New("interrupted")
	for i, tt := range []struct {
		name string
		do   func(a *adapter.Adapter, cancel context.CancelCauseFunc)
		ends func(error) bool
		left string // what stands in place of UP; "": all is as found
	}{
		{
			"Ctrl-C", func(_ *adapter.Adapter, cancel context.CancelCauseFunc) { cancel(interrupted) },
			func(err error) bool { return errors.Is(err, interrupted) }, "",
		},
		{
			"another unit", func(a *adapter.Adapter, _ context.CancelCauseFunc) { a.Hears("t0B30") },
			stopped("listen/other-sender"), "",
		},
		{
			"set down by somebody", func(a *adapter.Adapter, _ context.CancelCauseFunc) { shell(t, "ip link set "+a.Name+" down") },
			stopped("stop/interface"), "DOWN",
		},
		{
			"unplugged", func(a *adapter.Adapter, _ context.CancelCauseFunc) { a.Unplug() },
			stopped("stop/interface"), "exit status 1",
		},
	} {
		a := adapters[i]
		job := onAdapter(t, a)
		found := settings(t, a.Name)
		ctx, cancel := context.WithCancelCause(t.Context())
		done := false
		job.Note = func(p Progress) {
			if !done && p.Phase == gate.Quiet && p.Since > 200*ms {
				done = true
				if !strings.Contains(settings(t, a.Name), "LISTEN-ONLY") {
					t.Errorf("%s: not in listen-only mode", tt.name)
				}
				tt.do(a, cancel)
			}
		}
		result, err := Run(ctx, job)
		if !tt.ends(err) || strings.Contains(err.Error(), "set back") || result.First+result.Frames+result.Neutral > 0 {
			t.Errorf("%s: %+v, %v", tt.name, result, err)
		}
		left := settings(t, a.Name)
		switch {
		case tt.left == "" && left != found:
			t.Errorf("%s: left as\n%s, found as\n%s", tt.name, left, found)
		case !strings.Contains(left, tt.left) || strings.Contains(left, "LISTEN-ONLY"):
			t.Errorf("%s: left as\n%s", tt.name, left)
		}
		if slices.Contains(words(a.Told()), "t") {
			t.Errorf("%s: a frame left", tt.name)
		}
	}
}

// stopped reports whether the gate stopped it for a reason.
func stopped(rule string) func(error) bool {
	return func(err error) bool {
		r, ok := errors.AsType[*gate.Refusal](err)
		return ok && r.Rule == rule
	}
}
