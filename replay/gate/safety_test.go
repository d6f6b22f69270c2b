package gate

import (
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// TestSafetyTable holds SAFETY.md to the code: every reason to refuse or to stop
// has a row there and a test, and every test that a row names exists.
func TestSafetyTable(t *testing.T) {
	table, err := os.ReadFile("SAFETY.md")
	if err != nil {
		t.Fatal(err)
	}
	const groups = `(?:plan|bus|bench|permission|never|listen|stop|read)/[a-z-]+`
	inCode, inTests, tests, checks := map[string]bool{}, map[string]bool{}, map[string]bool{}, map[string]bool{}
	quoted := regexp.MustCompile(`"(` + groups + `)"`)
	test, check := regexp.MustCompile(`(?m)^func (Test\w+)\(`), regexp.MustCompile(`Name: "(\w+)", Run:`)
	gather := func(into map[string]bool, re *regexp.Regexp, text []byte) {
		for _, found := range re.FindAllSubmatch(text, -1) {
			into[string(found[1])] = true
		}
	}
	for _, root := range []string{"..", "../../cmd/plugproof"} {
		err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || filepath.Ext(path) != ".go" || filepath.Base(path) == "safety_test.go" {
				return err
			}
			text, err := os.ReadFile(path)
			if !strings.HasSuffix(path, "_test.go") {
				gather(inCode, quoted, text)
				return err
			}
			gather(inTests, quoted, text)
			gather(tests, test, text)
			gather(checks, check, text)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	inTable := map[string]bool{}
	gather(inTable, regexp.MustCompile("`("+groups+")`"), table)
	if len(inCode) < 40 {
		t.Fatalf("only %d reasons are found in the code", len(inCode))
	}
	for _, rule := range slices.Sorted(maps.Keys(inCode)) {
		if !inTable[rule] {
			t.Errorf("%s has no row in SAFETY.md", rule)
		}
		if !inTests[rule] {
			t.Errorf("%s is in no test", rule)
		}
	}
	for _, rule := range slices.Sorted(maps.Keys(inTable)) {
		if !inCode[rule] {
			t.Errorf("SAFETY.md has %s, which no code gives", rule)
		}
	}
	named := map[string]bool{}
	gather(named, regexp.MustCompile("`(Test\\w+)`"), table)
	delete(named, "TestSafetyTable")
	for _, name := range slices.Sorted(maps.Keys(named)) {
		if !tests[name] {
			t.Errorf("SAFETY.md names %s, which does not exist", name)
		}
	}
	rigged := map[string]bool{}
	gather(rigged, regexp.MustCompile("rig `(\\w+)`"), table)
	for _, name := range slices.Sorted(maps.Keys(rigged)) {
		if !checks[name] {
			t.Errorf("SAFETY.md names the rig's %s, which does not exist", name)
		}
	}
}
