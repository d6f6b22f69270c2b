package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// toolVersion is the version in every JSON document.
const toolVersion = "0.1.0"

func newVersion(a *app) *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Print the version",
		Long:    "Print the version, the commit it was built from where that is known, and the Go\nversion.",
		Example: `  plugproof version`,
		Args:    noArgs,
		RunE: func(*cobra.Command, []string) error {
			_, err := fmt.Fprintln(a.stdout, versionText())
			return err
		},
	}
}

func versionText() string {
	return fmt.Sprintf("plugproof %s%s (%s, %s/%s)",
		toolVersion, commit(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
}

// commit returns " commit <short hash>", or nothing where the build does not know it.
func commit() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	hash, changed := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 12:
			hash = " commit " + s.Value[:12]
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = " with changes"
		}
	}
	return hash + changed
}
