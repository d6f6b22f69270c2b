package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"plugproof/decode/witness"
)

// TestReadmeHatchback holds that README.md shows what a comparison of the real
// car says: the beginning of it.
func TestReadmeHatchback(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join(witness.Root(t), "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	shown := regexp.MustCompile("(?s)```text\n\\$ plugproof (compare [^\n]*)\n(.*?)```").FindSubmatch(readme)
	if shown == nil {
		t.Fatal("README.md shows no comparison of a real car")
	}
	t.Chdir(filepath.Join(witness.PublicData(t), "captures", "hatchback-2009"))
	a, stdout, stderr := testApp()
	if code := a.run(context.Background(), append(strings.Fields(string(shown[1])), "-q")); code != exitFail {
		t.Errorf("exit code %d, %s", code, stderr)
	}
	if len(shown[2]) < 500 || !strings.HasPrefix(stdout.String(), string(shown[2])) {
		t.Errorf("README.md shows\n%s\nbut it says\n%s", shown[2], stdout)
	}
}
