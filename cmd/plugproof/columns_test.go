package main

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/witness"
)

const demoColumns = `format: 1
delimiter: ";"
header: true
time: {column: when, unit: us, from: epoch}
id: {column: id}
bus: {column: bus}
length: {column: n}
data: {column: data}
`

// asText writes a capture of the demo car as delimited text.
func asText(t *testing.T, path string) []byte {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := capture.Fold(context.Background(), r, func() *kept { return &kept{} })
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	out.WriteString("when;bus;id;n;data\n")
	for i := range c.frames {
		f := &c.frames[i]
		fmt.Fprintf(&out, "%d;%s;%X;%d;% X\n", f.Time/1000, r.Buses().Name(f.Bus), f.ID, f.Len, f.Payload())
	}
	return out.Bytes()
}

type kept struct{ frames []can.Frame }

func (k *kept) Add(batch []can.Frame) { k.frames = append(k.frames, batch...) }
func (k *kept) Merge(next *kept)      { k.frames = append(k.frames, next.frames...) }

// A capture as delimited text is judged as the candump log that it was: only its
// name, its places and its format are others.
func TestDelimitedIsJudgedAlike(t *testing.T) {
	dir := t.TempDir()
	was := filepath.Join(witness.Root(t), "testdata", "captures", "lowan-dead-tachometer.log")
	log, text, layout := filepath.Join(dir, "drive.log"), filepath.Join(dir, "drive.csv"), filepath.Join(dir, "drive.yaml")
	content, err := os.ReadFile(was)
	if err != nil {
		t.Fatal(err)
	}
	for path, content := range map[string][]byte{log: content, text: asText(t, was), layout: []byte(demoColumns)} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range [][]string{
		{"check", "@", "-p", "lowan-2-20t-a5"},
		{"identify", "@", "--replaced-ecu", "new"},
		{"survey", "@", "-d", "demo:lowan"},
		{"job", "stages", "@", "-p", "lowan-2-20t-a5"},
		{"compare", "@", "@", "-p", "lowan-2-20t-a5"},
		{"diagnose", "@", "-p", "lowan-2-20t-a5", "--symptom", "tachometer dead"},
		{"replay", "@", "-p", "lowan-2-20t-a5", "--on", "vcan0", "--dry-run"},
	} {
		var outputs []string
		for _, path := range []string{log, text} {
			a, stdout, _ := testApp()
			line := slices.Clone(args)
			for i := range line {
				if line[i] == "@" {
					line[i] = path
				}
			}
			if path == text {
				line = append(line, "--columns", layout)
			}
			code := a.run(context.Background(), line)
			got := strings.ReplaceAll(stdout.String(), path+":", "FILE:")
			outputs = append(outputs, fmt.Sprintf("exit %d\n%s", code, withoutPlaces(strings.ReplaceAll(got, path, "FILE"))))
		}
		if outputs[0] != outputs[1] || len(outputs[0]) < 100 && args[0] != "replay" {
			t.Errorf("%v:\n%s\n%s", args, outputs[0], outputs[1])
		}
	}
}

// withoutPlaces takes out line numbers: the header of the text moves them by one.
func withoutPlaces(s string) string {
	var b strings.Builder
	for line := range strings.Lines(s) {
		if before, after, ok := strings.Cut(line, "FILE:"); ok {
			line = before + "FILE:" + strings.TrimLeft(after, "0123456789")
		}
		b.WriteString(line)
	}
	return b.String()
}

// Every command that reads captures takes --columns.
func TestEveryReaderTakesColumns(t *testing.T) {
	a, _, _ := testApp()
	readers := 0
	var walk func(cmd *cobra.Command)
	walk = func(cmd *cobra.Command) {
		for _, sub := range cmd.Commands() {
			walk(sub)
		}
		reads := strings.Contains(cmd.Use, "CAPTURE") || strings.Contains(cmd.Use, "BEFORE AFTER") || cmd.Flags().Lookup("baseline") != nil
		if reads && cmd.Flags().Lookup("columns") == nil && cmd.Name() != "columns" {
			t.Errorf("%s reads captures, and has no --columns", cmd.CommandPath())
		}
		if reads {
			readers++
		}
	}
	walk(newRoot(a))
	if readers < 11 {
		t.Errorf("only %d commands read captures", readers)
	}
}

// Delimited text and files of columns may hold anything: a command ends in order.
func TestHostileColumns(t *testing.T) {
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(8, 9))
	was := filepath.Join(witness.Root(t), "testdata", "captures", "lowan-dead-tachometer.log")
	whole := asText(t, was)[:40_000]
	text, layout, out := filepath.Join(dir, "in.csv"), filepath.Join(dir, "in.yaml"), filepath.Join(dir, "out.log")
	try := func(name string, content, columns []byte) {
		for path, b := range map[string][]byte{text: content, layout: columns} {
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		for _, args := range [][]string{{"survey", text}, {"convert", text, "-o", out}, {"decode", text, "-d", "demo:lowan"}} {
			a, _, stderr := testApp()
			code := a.run(context.Background(), append(args, "--columns", layout))
			if code != exitOK && code != exitInput {
				t.Errorf("%s: %s: exit code %d, stderr %s", name, args[0], code, stderr)
			}
			if code == exitInput && !strings.HasPrefix(stderr.String(), "plugproof: ") {
				t.Errorf("%s: %s: not a clear message: %q", name, args[0], stderr)
			}
		}
		os.Remove(out)
		if left, _ := filepath.Glob(filepath.Join(dir, ".plugproof-*")); len(left) > 0 {
			t.Errorf("%s: left behind: %v", name, left)
		}
	}
	for i := range 12 {
		cut := rng.IntN(len(whole))
		try(fmt.Sprintf("cut at %d", cut), whole[:cut], []byte(demoColumns))
		try(fmt.Sprintf("changed, variant %d", i), changed(rng, whole), []byte(demoColumns))
		try(fmt.Sprintf("columns changed, variant %d", i), whole, changed(rng, []byte(demoColumns)))
		try(fmt.Sprintf("columns cut, variant %d", i), whole, []byte(demoColumns)[:rng.IntN(len(demoColumns))])
	}
	try("noise", noise(rng, 100_000), []byte(demoColumns))
	try("columns of noise", whole, noise(rng, 1000))
	try("a long line", append(bytes.Repeat([]byte("a"), 1_000_000), whole...), []byte(demoColumns))
	try("an open quote", append([]byte("when;bus;id;n;data\n\""), whole...), []byte(demoColumns))
	try("UTF-16", []byte("\xFF\xFEw\x00h\x00"), []byte(demoColumns))
	try("60,000 columns", append(bytes.Repeat([]byte(";"), 60_000), whole...), []byte(demoColumns))
	try("bad layout", whole, []byte("format: 1\n"+strings.Repeat("a: {", 5000)))
}
