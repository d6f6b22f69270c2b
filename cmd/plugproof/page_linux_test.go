package main

import (
	"os"
	"testing"
)

// TestNoPageInATerminal: a page goes to a file or a pipe. The master side of a
// pseudo terminal is a terminal, too.
func TestNoPageInATerminal(t *testing.T) {
	tty, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skipf("not on this system: %v", err)
	}
	defer tty.Close()
	a := &app{stdout: &stdout{w: tty}}
	if err := a.format(html, ""); err == nil {
		t.Error("a page was let into a terminal")
	}
	for _, ok := range [][2]string{{html, "report.html"}, {"text", ""}, {"json", "-"}} {
		if err := a.format(ok[0], ok[1]); err != nil {
			t.Errorf("--format %s --out %q: %v", ok[0], ok[1], err)
		}
	}
}
