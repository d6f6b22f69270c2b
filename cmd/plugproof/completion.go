package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
)

func newCompletion(a *app) *cobra.Command {
	shells := []string{"bash", "fish", "powershell", "zsh"}
	return &cobra.Command{
		Use:       "completion " + strings.Join(shells, "|"),
		Short:     "Print a script that completes commands and flags in a shell",
		Long:      "Print a script that completes plugproof's commands and flags in a shell.",
		Example:   "  plugproof completion bash > /etc/bash_completion.d/plugproof",
		ValidArgs: shells,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) != 1 {
				return hint(fmt.Errorf("completion needs one shell, got %d", len(args)),
					"one of %s", strings.Join(shells, ", "))
			}
			return writeCompletion(cmd.Root(), args[0], shells, a.stdout)
		},
	}
}

// writeCompletion writes the completion script of one shell.
func writeCompletion(root *cobra.Command, shell string, shells []string, w io.Writer) error {
	switch shell {
	case "bash":
		return root.GenBashCompletionV2(w, true)
	case "fish":
		return root.GenFishCompletion(w, true)
	case "powershell":
		return root.GenPowerShellCompletionWithDesc(w)
	case "zsh":
		return root.GenZshCompletion(w)
	}
	return hint(fmt.Errorf("no completion for shell %q", shell), "one of %s", strings.Join(shells, ", "))
}
