package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"plugproof/decode/witness"
)

var update = flag.Bool("update", false, "rewrite the expected output in scripts and README.md")

// TestMain lets the test binary stand for plugproof in scripts.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"plugproof": main})
}

// TestScript runs testdata/script: every command, flag clash, exit code and
// message as a user meets it.
func TestScript(t *testing.T) {
	if testing.Short() {
		t.Skip("starts the program many times")
	}
	root := witness.Root(t)
	testscript.Run(t, testscript.Params{
		Dir:                 filepath.Join(root, "testdata", "script"),
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("CAPTURES", filepath.Join(root, "testdata", "captures"))
			env.Setenv("VERSION", toolVersion)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": scriptExits,
			"json":  scriptJSON,
		},
	})
}

// scriptExits is "exits CODE program args...": it runs the program, which must
// end with that exit code.
func scriptExits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE program args...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		exit, ok := errors.AsType[*exec.ExitError](err)
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("%s ended with exit code %d, want %d", args[1], got, want)
	}
}

// scriptJSON is "json stdout|FILE [path=value...]": the content must be JSON,
// one or more documents, and in the first one every dotted path must have the
// value, written as JSON (a string also without its quotes).
func scriptJSON(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: json stdout|FILE [path=value...]")
	}
	docs, err := jsonDocuments(ts.ReadFile(args[0]))
	if err != nil {
		ts.Fatalf("%s is not JSON: %v", args[0], err)
	}
	if len(docs) == 0 {
		ts.Fatalf("%s holds no JSON", args[0])
	}
	for _, arg := range args[1:] {
		path, want, ok := strings.Cut(arg, "=")
		if !ok {
			ts.Fatalf("json: %q is not path=value", arg)
		}
		if got := jsonAt(docs[0], path); got != want {
			ts.Fatalf("%s: %s is %s, want %s", args[0], path, got, want)
		}
	}
}

// jsonDocuments parses text as a sequence of JSON documents. Numbers keep their
// digits.
func jsonDocuments(text string) ([]any, error) {
	dec := json.NewDecoder(strings.NewReader(text))
	dec.UseNumber()
	var docs []any
	for {
		var doc any
		if err := dec.Decode(&doc); errors.Is(err, io.EOF) {
			return docs, nil
		} else if err != nil {
			return nil, err
		}
		docs = append(docs, doc)
	}
}

// jsonAt returns the value at a dotted path (list elements by number), as JSON
// text, strings without quotes; "absent" when there is none.
func jsonAt(doc any, path string) string {
	for key := range strings.SplitSeq(path, ".") {
		switch v := doc.(type) {
		case map[string]any:
			var ok bool
			if doc, ok = v[key]; !ok {
				return "absent"
			}
		case []any:
			i, err := strconv.Atoi(key)
			if err != nil || i < 0 || i >= len(v) {
				return "absent"
			}
			doc = v[i]
		default:
			return "absent"
		}
	}
	if s, ok := doc.(string); ok {
		return s
	}
	text, err := json.Marshal(doc)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// listAt returns the list at a path, as jsonAt finds it; nil when there is none.
func listAt(doc any, path string) []any {
	for key := range strings.SplitSeq(path, ".") {
		fields, ok := doc.(map[string]any)
		if !ok {
			return nil
		}
		doc = fields[key]
	}
	list, _ := doc.([]any)
	return list
}

// testApp returns an app that writes into buffers.
func testApp() (a *app, stdoutText, stderrText *bytes.Buffer) {
	stdoutText, stderrText = new(bytes.Buffer), new(bytes.Buffer)
	return &app{stdin: strings.NewReader(""), stdout: &stdout{w: stdoutText}, stderr: stderrText}, stdoutText, stderrText
}

// plugproof returns the path of the program, which TestMain put there.
func plugproof(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("plugproof")
	if err != nil {
		t.Fatal(err)
	}
	return path
}
