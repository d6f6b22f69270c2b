//go:build unix

package main

import (
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

const logLines = "(1.000000) can0 123#1122\n(1.010000) can0 123#1122\n"

// A command that waits for standard input ends with the signal's exit code and
// leaves neither its file nor a temporary behind.
func TestSignalEndsInOrder(t *testing.T) {
	tests := []struct {
		name    string
		sig     os.Signal
		args    []string
		code    int
		message string
	}{
		{"interrupt", os.Interrupt, []string{"convert", "-", "--out", "out.pcap"}, 130, "plugproof: interrupted\n"},
		{"terminate", syscall.SIGTERM, []string{"convert", "-", "--out", "out.pcap"}, 143, "plugproof: terminated\n"},
		{"one table", os.Interrupt, []string{"decode", "-", "-d", "demo:lowan", "-f", "parquet", "-o", "out"}, 130, "plugproof: interrupted\n"},
		{"folder of tables", os.Interrupt, []string{"decode", "-", "-d", "demo:lowan", "-f", "parquet", "--dense", "-o", "out"}, 130, "plugproof: interrupted\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			cmd, stderr := startWaiting(t, dir, tt.args)
			if err := cmd.Process.Signal(tt.sig); err != nil {
				t.Fatal(err)
			}
			err := cmd.Wait()
			exit, ok := errors.AsType[*exec.ExitError](err)
			if !ok || exit.ExitCode() != tt.code {
				t.Errorf("ended with %v, want exit code %d", err, tt.code)
			}
			if stderr.String() != tt.message {
				t.Errorf("stderr %q, want %q", stderr, tt.message)
			}
			if left, _ := os.ReadDir(dir); len(left) != 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

// startWaiting starts plugproof in dir with a standard input that gives a few
// lines and then stays silent, and returns once its output file was begun.
func startWaiting(t *testing.T, dir string, args []string) (*exec.Cmd, *strings.Builder) {
	t.Helper()
	cmd := exec.Command(plugproof(t), args...)
	cmd.Dir = dir
	stderr := new(strings.Builder)
	cmd.Stderr = stderr
	stdin, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		stdin.Close()
		cmd.Process.Kill()
		cmd.Wait()
	})
	if _, err := io.WriteString(stdin, logLines); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); time.Sleep(5 * time.Millisecond) {
		if begun, _ := filepath.Glob(filepath.Join(dir, ".plugproof-*.tmp")); len(begun) > 0 {
			return cmd, stderr
		}
	}
	t.Fatalf("no output begun within 20 s; stderr %q", stderr)
	return nil, nil
}

// A reader that goes away (| head) ends a run quietly, and without an error.
func TestClosedPipeEndsQuietly(t *testing.T) {
	for _, args := range [][]string{
		{"decode", "-", "-d", "demo:lowan", "--unknown"},
		{"convert", "-", "-o", "-", "--as", "log"},
		{"convert", "-", "-o", "-", "--as", "pcapng.gz"},
	} {
		cmd := exec.Command(plugproof(t), args...)
		var stderr strings.Builder
		cmd.Stdin, cmd.Stderr = endless(logLines), &stderr
		stdout, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(stdout, make([]byte, 10)); err != nil {
			t.Errorf("%s: no output: %v", args, err)
		}
		stdout.Close()
		// Wait reports that the endless input could not be delivered; the exit code counts.
		cmd.Wait()
		if code := cmd.ProcessState.ExitCode(); code != exitOK || stderr.Len() > 0 {
			t.Errorf("%s: exit code %d, stderr %q; want 0 and nothing", args, code, &stderr)
		}
	}
}

// endless reads as its text over and over.
type endless string

func (e endless) Read(p []byte) (int, error) {
	n := 0
	for n+len(e) <= len(p) {
		n += copy(p[n:], e)
	}
	return n, nil
}
