package main

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/confusion"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/stages"
)

// cluster1 writes a capture of a car of series 2 in which the cluster, and what
// else is named, is of series 1.
func cluster1(t *testing.T, path string, script []demo.Stage, more ...string) string {
	t.Helper()
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	var cars [2]demo.Setting
	for i, name := range []string{"lowan-2-20t-a5", "lowan-1-20t-a5"} {
		var err error
		if cars[i], err = demo.ParseSetting(name); err != nil {
			t.Fatal(err)
		}
	}
	c, err := confusion.Mix(lib, cars[0], cars[1], append([]string{"Cluster"}, more...), script)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w, err := capture.NewWriter(&b, c.Buses, capture.WriterOptions{})
	if err == nil {
		err = errors.Join(w.Write(c.Frames), w.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, path, b.String())
	d, err := demo.New(cars[0], demo.Options{Script: script})
	if err != nil {
		t.Fatal(err)
	}
	var spans stages.Spans
	for _, m := range d.Markers() {
		spans = append(spans, stages.Span{Stage: m.Name, Start: m.Start, End: m.End, Source: stages.Marked})
	}
	writeFile(t, path+".stages.yaml", string(stages.Format(filepath.Base(path), spans)))
	return path
}

func writeFile(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestConversion plays the job of a car that was put together of two: the body and
// loom of series 2, the cluster of series 1. No baseline can be recorded.
func TestConversion(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the program many times")
	}
	dir := t.TempDir()
	job := filepath.Join(dir, "ute")
	do := func(code int, args ...string) string {
		t.Helper()
		out, err := exec.Command(plugproof(t), args...).CombinedOutput()
		if exit, ok := errors.AsType[*exec.ExitError](err); err != nil && !ok || ok && exit.ExitCode() != code || !ok && code != 0 {
			t.Fatalf("%q: %v, want exit code %d\n%s", args, err, code, out)
		}
		return string(out)
	}
	says := func(text string, want ...string) {
		t.Helper()
		flat := strings.Join(strings.Fields(text), " ")
		for _, w := range want {
			if !strings.Contains(flat, w) {
				t.Errorf("no %q in\n%s", w, text)
			}
		}
	}
	args := []string{"job", "new", job, "--ask=false"}
	for _, s := range []string{
		"series=2", "built=2021-05", "engine=2.0 turbo", "gearbox=5-speed automatic", "odometer=84210 km", "loom=lowan-2-20t",
		"factory_serial=none came with it", "new_serial=N1", "new_firmware=1.0", "lamps_before=none", "battery_volt=12.6 meter 3",
		"factory_ecu_ohm=60 meter 3", "without_ecu_ohm=60 meter 3", "vin=LOWAN00000000042",
	} {
		args = append(args, "--set", s)
	}
	do(0, args...)
	card, err := os.ReadFile(filepath.Join(job, "job.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(job, "job.yaml"), strings.Replace(string(card), "car:\n", "car:\n  donors:\n    - module: Cluster\n      from: Lowan series 1\n", 1))
	for _, phase := range []string{"codes-before", "baseline", "compare"} {
		do(0, "job", "leave", job, phase, "--why", "the car never ran in this shape")
	}

	script := demo.Script(0, demo.Setting{Series: 2, Engine: demo.TwoLitreTurbo, Gearbox: demo.Auto5})
	keyOn, err := demo.Cut(script, "key-on")
	if err != nil {
		t.Fatal(err)
	}
	do(0, "job", "add", job, cluster1(t, filepath.Join(dir, "unplugged.log"), keyOn), "--moment", "unplugged")
	says(do(3, "job", "next", job), "none fits", "network lowan-1-20t-a5 as Cluster asks; no one setting satisfies Stability, Body, Climate", "Cluster series 1,", "--set network=SETTING")
	says(
		do(3, "job", "status", job),
		"missing: which network setting the new ECU is told; the car says lowan-1-20t-a5", "conversion: lowan-1-20t-a5",
		"Cluster asks for lowan-1-20-a5 or lowan-1-20t-a5", "Stability asks for lowan-2-20t-a5, and is not satisfied by that network",
	)
	says(do(0, "job", "intake", job, "--ask=false", "--set", "network=lowan-1-20t-a5"), "Next: check the new ECU on the bench.")
	do(0, "job", "leave", job, "bench", "--why", "no second unit to acknowledge its frames")

	// With the new ECU on the network of the cluster.
	do(0, "job", "add", job, cluster1(t, filepath.Join(dir, "after.log"), script, "Engine"), "--moment", "after")
	says(do(1, "job", "next", job), "variant/mixed-series", "stability control is not of this setting", "odometer, speedometer")
	do(0, "job", "intake", job, "--ask=false", "--set", "lamps_after=none", "--set", "dead_after=none")
	says(do(1, "job", "report", job), "Not fit to hand over yet")

	// Stability control, body and climate of the cluster's series go in as well.
	do(0, "job", "add", job, cluster1(t, filepath.Join(dir, "right.log"), script, "Engine", "Stability", "Body", "Climate"), "--moment", "after")
	says(do(0, "job", "next", job), "PASS", "Next: save the trouble codes again.")
	list := filepath.Join(dir, "codes.txt")
	writeFile(t, list, "no codes\n")
	do(0, "codes", "--import", list, "--job", job, "--moment", "after")
	says(do(0, "job", "next", job), "Nothing fails. Open it in a browser, print it, and have it signed.")
	says(do(0, "job", "status", job), "Nothing is open.")
	page, err := os.ReadFile(filepath.Join(job, "results", "handover-2.html"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"All that was exercised works", "Cluster from", "Lowan series 1", "lowan-1-20t-a5", "lowan-2-20t", "Stability asks for lowan-2-20t-a5",
		"The car never ran in this shape", "Signature",
	} {
		if !bytes.Contains(page, []byte(want)) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if bytes.Contains(page, []byte("LOWAN00000000042")) {
		t.Error("the report shows the vehicle number")
	}
}
