package main

import (
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// walk calls f for root and every command below it.
func walk(root *cobra.Command, f func(*cobra.Command)) {
	f(root)
	for _, c := range root.Commands() {
		walk(c, f)
	}
}

func TestEveryCommandExplainsItself(t *testing.T) {
	a, _, _ := testApp()
	count := 0
	walk(newRoot(a), func(c *cobra.Command) {
		count++
		var help strings.Builder
		c.SetOut(&help)
		if err := c.Help(); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(help.String(), "Exit codes:") {
			t.Errorf("%s: the help does not list the exit codes", c.CommandPath())
		}
		if !strings.Contains(c.Example, "plugproof ") {
			t.Errorf("%s: no example", c.CommandPath())
		}
		if len(c.Long) < len(c.Short) || !strings.Contains(c.Long, ".") {
			t.Errorf("%s: the long text should be sentences: %q", c.CommandPath(), c.Long)
		}
		for line := range strings.Lines(help.String()) {
			if len(strings.TrimRight(line, "\n")) > 80 && !strings.Contains(line, "--") {
				t.Errorf("%s: line over 80 columns: %s", c.CommandPath(), line)
			}
		}
	})
	if count < 3 {
		t.Errorf("walked %d commands only", count)
	}
}

// Cobra panics on two flags of one name only when the command runs; this makes
// it merge the flags of all.
func TestFlagsAreUnique(t *testing.T) {
	a, _, _ := testApp()
	walk(newRoot(a), func(c *cobra.Command) {
		c.InitDefaultHelpFlag()
		c.LocalFlags()
		c.InheritedFlags()
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if f.Usage == "" {
				t.Errorf("%s: flag --%s has no text", c.CommandPath(), f.Name)
			}
		})
	})
}
