package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
)

// newRoot builds the whole command line around a.
func newRoot(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:   "plugproof COMMAND",
		Short: "Prove from the CAN bus that a car is content with its plug-in engine computer",
		Long: `plugproof reads captures of a car's CAN buses and the DBC files that describe
them, and says in named values, timing and load what is on the bus.

A CAPTURE is a candump log, candump's console output, a pcap or a pcapng file,
plain or compressed with gzip or zstd; what it is follows from its content.
Delimited text of any other program is read by --columns FILE, which says what
its columns are (plugproof columns proposes it).
Several are read one after the other; - is standard input.`,
		Example: `  plugproof survey drive.log
  plugproof decode drive.log --dbc drive.dbc --changes
  plugproof help survey`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return unknownCommand(cmd, args[0])
			}
			return cmd.Help()
		},
		SilenceErrors:              true,
		SilenceUsage:               true,
		SuggestionsMinimumDistance: 2,
	}
	global := root.PersistentFlags()
	global.BoolVarP(&a.quiet, "quiet", "q", false, "no remarks and no progress on standard error")
	global.BoolVarP(&a.verbose, "verbose", "v", false, "say more about what was read")
	root.Version = versionText()
	root.SetVersionTemplate("{{.Version}}\n")
	root.PersistentPreRunE = func(*cobra.Command, []string) error {
		if a.quiet && a.verbose {
			return hint(errors.New("--quiet and --verbose contradict each other"), "leave one out")
		}
		return nil
	}
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		if !cmd.HasParent() && cmd.Flags().NArg() > 0 {
			return unknownCommand(cmd, cmd.Flags().Arg(0)) // its flags are not the fault
		}
		return hint(err, "%s --help lists the flags", cmd.CommandPath())
	})
	root.SetUsageTemplate(usageTemplate)
	root.CompletionOptions.DisableDefaultCmd = true
	root.SetHelpCommand(newHelp())
	root.AddCommand(
		newCheck(a),
		newCompare(a),
		newIdentify(a),
		newDiagnose(a),
		newSurvey(a),
		newDecode(a),
		newConvert(a),
		newColumns(a),
		newInterfaces(a),
		newRecord(a),
		newCodes(a),
		newReplay(a),
		newStandin(a),
		newExercise(a),
		newJob(a),
		newRecheck(a),
		newDemo(a),
		newProfiles(a),
		newLint(a),
		newVersion(a),
		newCompletion(a),
	)
	return root
}

// usageTemplate is what follows a command's long text in its help.
const usageTemplate = `Usage:
  {{if .HasParent}}{{.Parent.CommandPath}} {{end}}{{.Use}}
{{- if .HasAvailableSubCommands}}

Commands:
{{- range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}}  {{.Short}}{{end}}{{end}}{{end}}
{{- if .HasExample}}

Example:
{{.Example}}{{end}}
{{- if .HasAvailableLocalFlags}}

Flags:
{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}{{end}}
{{- if .HasAvailableInheritedFlags}}

Flags of every command:
{{.InheritedFlags.FlagUsages | trimTrailingWhitespaces}}{{end}}

` + exitHelp

// newHelp is the help command, which refuses what it does not know.
func newHelp() *cobra.Command {
	return &cobra.Command{
		Use:     "help [COMMAND]",
		Short:   "Print the help of a command",
		Long:    "Print the help of a command: what it does, an example, its flags, the exit codes.",
		Example: "  plugproof help survey",
		RunE: func(cmd *cobra.Command, args []string) error {
			topic, rest, err := cmd.Root().Find(args)
			if err != nil {
				return err
			}
			if len(rest) > 0 {
				return unknownCommand(cmd.Root(), rest[0])
			}
			topic.InitDefaultHelpFlag()
			return topic.Help()
		},
	}
}

// unknownCommand refuses a word that is no command and names the nearest ones.
func unknownCommand(root *cobra.Command, word string) error {
	err := fmt.Errorf("no command %q", word)
	if near := root.SuggestionsFor(word); len(near) > 0 {
		return hint(err, "perhaps %s", strings.Join(near, " or "))
	}
	return hint(err, "plugproof --help lists the commands")
}

// atLeastOne asks for at least one positional argument, called what in messages.
func atLeastOne(what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		example := fmt.Sprintf("%s --help shows an example", cmd.CommandPath())
		if len(args) == 0 {
			return hint(fmt.Errorf("%s needs at least one %s", cmd.Name(), what), "%s", example)
		}
		if slices.Contains(args, "") {
			return hint(fmt.Errorf("%s: the name of a %s is empty", cmd.Name(), what), "%s", example)
		}
		return nil
	}
}

// noArgs refuses positional arguments.
func noArgs(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	return hint(fmt.Errorf("%s takes no argument, got %q", cmd.Name(), args[0]),
		"%s --help shows an example", cmd.CommandPath())
}
