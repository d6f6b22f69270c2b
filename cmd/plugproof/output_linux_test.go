package main

import (
	"errors"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// A full disk behind standard output ends every command with exit code 5.
func TestFullStandardOutput(t *testing.T) {
	log := t.TempDir() + "/in.log"
	if err := os.WriteFile(log, []byte(logLines), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"survey", log},
		{"survey", log, "-f", "json"},
		{"decode", log, "-d", "demo:lowan", "--unknown"},
		{"convert", log, "-o", "-", "--as", "log"},
		{"convert", log, "-o", "-", "--as", "pcapng.zst"},
		{"lint", "demo:lowan-drive", "-f", "json"},
		{"demo", "--out", t.TempDir()},
		{"version"},
		{"help"},
		{"completion", "zsh"},
	} {
		full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		var stderr strings.Builder
		cmd := exec.Command(plugproof(t), args...)
		cmd.Stdout, cmd.Stderr = full, &stderr
		err = cmd.Run()
		full.Close()
		exit, ok := errors.AsType[*exec.ExitError](err)
		want := "plugproof: cannot write standard output: no space left on device\n"
		if !ok || exit.ExitCode() != exitOutput || !strings.Contains(stderr.String(), want) {
			t.Errorf("%s: %v, stderr %q; want exit code 5 and %q", args, err, &stderr, want)
		}
	}
}
