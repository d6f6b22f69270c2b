package witness

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// Browse opens pages in Debian's chromium, driven by playwright-core, which lies in
// the node_modules folder that PLUGPROOF_NODE_MODULES names. It returns what
// profiles/report/testdata/browser.mjs tells of each page, as JSON.
func Browse(t testing.TB, pages ...string) [][]byte {
	t.Helper()
	modules := os.Getenv("PLUGPROOF_NODE_MODULES")
	if _, err := os.Stat(filepath.Join(modules, "playwright-core")); modules == "" || err != nil {
		Missing(t, "chromium", "no playwright-core: set PLUGPROOF_NODE_MODULES")
	}
	Program(t, "chromium", "chromium")
	node := Program(t, "chromium", "node")
	// Longer than the script's own patience with a browser that got stuck.
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(len(pages))*8*time.Minute)
	defer cancel()
	script := filepath.Join(Root(t), "profiles", "report", "testdata", "browser.mjs")
	var stderr bytes.Buffer
	cmd := exec.CommandContext(ctx, node, append([]string{script, modules}, pages...)...)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("browser.mjs: %v\n%s", err, stderr.String())
	}
	if stderr.Len() > 0 {
		t.Logf("browser.mjs: %s", stderr.String())
	}
	all := bytes.Split(bytes.TrimSpace(out), []byte("\n"))
	if len(all) != len(pages) {
		t.Fatalf("%d pages, %d answers", len(pages), len(all))
	}
	return all
}
