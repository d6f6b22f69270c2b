package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles"
	"plugproof/profiles/report"
)

// profilesOptions are the flags of the commands below profiles.
type profilesOptions struct {
	resultOptions
	profileFolders
}

func (o *profilesOptions) addFlags(flags *pflag.FlagSet) {
	o.profileFolders.addFlags(flags)
	o.resultOptions.addFlags(flags)
}

func newProfiles(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "profiles COMMAND",
		Short: "List, show, compare and learn settings; name signals",
		Long: `A profile describes one setting of a car: who sends what, who listens, and what
a listener does when it is starved. Profiles are put together from parts.

The tool has those of the Lowan, the demo car, inside. The folders of --profiles
and of the variable ` + profilesVariable + ` are looked through too.`,
		Example: "  plugproof profiles list",
		Args:    cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return hint(fmt.Errorf("profiles has no command %q", args[0]), "list, show, sheet, differ, learn or name")
			}
			return cmd.Help()
		},
	}
	cmd.AddCommand(newProfilesList(a), newProfilesShow(a), newProfilesDiffer(a), newProfilesSheet(a), newProfilesLearn(a), newProfilesName(a))
	return cmd
}

func newProfilesList(a *app) *cobra.Command {
	var o profilesOptions
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the settings on file",
		Long: `List the settings on file: the name to give to --profile, what it is, the parts
that it is made of, and where it lies. Parts themselves are not listed.`,
		Example: `  plugproof profiles list
  plugproof profiles list --profiles mine --format json`,
		Args: noArgs,
		RunE: func(*cobra.Command, []string) error { return runProfilesList(a, &o) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func newProfilesShow(a *app) *cobra.Command {
	var o profilesOptions
	cmd := &cobra.Command{
		Use:   "show NAME",
		Short: "Print a profile with all its parts put together",
		Long: `Print a profile with all its parts put together, each line with the file and
line that it came from. The output is a profile itself. A part can be shown too.`,
		Example: `  plugproof profiles show lowan-2-20t-a5
  plugproof profiles show parts/automatic`,
		Args: exactly(1, "the name of a profile"),
		RunE: func(_ *cobra.Command, args []string) error { return runProfilesShow(a, &o, args[0]) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func newProfilesDiffer(a *app) *cobra.Command {
	var o profilesOptions
	cmd := &cobra.Command{
		Use:   "differ A B",
		Short: "Say what tells two settings apart on the bus",
		Long: `Say what tells two settings apart on the bus, and in which stage of the capture
script it shows. An echo is what the replaced unit sends, or a gateway copies of
it: after a swap it shows the setting that was chosen, not the car. What follows
the table does not show by itself: how dialogues must go, what permits rest on,
which values are plausible, what the replaced unit must hear.`,
		Example: "  plugproof profiles differ lowan-2-20-a5 lowan-2-20t-a5",
		Args:    exactly(2, "the names of two settings"),
		RunE:    func(_ *cobra.Command, args []string) error { return runProfilesDiffer(a, &o, args[0], args[1]) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

// exactly asks for n positional arguments, called what in messages.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == n {
			return nil
		}
		return hint(fmt.Errorf("%s needs %s, got %s", cmd.Name(), what, plural(len(args), "argument")),
			"%s --help shows an example", cmd.CommandPath())
	}
}

// profilesDocument heads the JSON documents of profiles.
type profilesDocument struct {
	Schema  string `json:"schema"`
	Version string `json:"tool_version"`
}

// write writes the answer of a command: doc as JSON, or what text writes.
func (o *profilesOptions) write(a *app, doc any, text func(w io.Writer) error) error {
	out, err := a.output(o.out)
	if err != nil {
		return err
	}
	defer out.Drop()
	if o.format == "json" {
		err = writeJSON(out, doc)
	} else {
		err = text(out)
	}
	if err != nil {
		return err
	}
	return out.Commit()
}

type profileRow struct {
	Name    string   `json:"name"`
	Title   string   `json:"title"`
	Network string   `json:"network"`
	Loom    string   `json:"loom"`
	Parts   []string `json:"parts"`
	File    string   `json:"file"`
}

func runProfilesList(a *app, o *profilesOptions) error {
	if err := o.known(); err != nil {
		return err
	}
	lib, err := o.library()
	if err != nil {
		return err
	}
	doc := struct {
		profilesDocument
		Profiles []profileRow `json:"profiles"`
	}{profilesDocument{"plugproof/profiles-list/1", toolVersion}, []profileRow{}}
	rows := []table.Row{{"setting", "what it is", "parts", "file"}}
	for _, name := range lib.Files() {
		c, err := lib.Compose(name)
		if err != nil {
			a.remark("%s cannot be used; plugproof profiles show %s says why", name, name)
			continue
		}
		if c.Part {
			continue
		}
		_, file, err := lib.ReadFile(name + profiles.Extension)
		if err != nil {
			return err
		}
		parts := c.Parts[:len(c.Parts)-1]
		doc.Profiles = append(doc.Profiles, profileRow{name, c.Title, c.Settings.Network, c.Settings.Loom, parts, file})
		rows = append(rows, table.Row{name, c.Title, strings.Join(parts, " "), file})
	}
	return o.write(a, doc, func(w io.Writer) error {
		_, err := fmt.Fprintln(w, renderTable(rows))
		return err
	})
}

type profileLine struct {
	Text string `json:"text"`
	From string `json:"from,omitempty"`
}

func runProfilesShow(a *app, o *profilesOptions, name string) error {
	if err := o.known(); err != nil {
		return err
	}
	lib, name, err := o.find(name)
	if err != nil {
		return err
	}
	c, err := lib.Compose(name)
	if err != nil {
		return unknownProfile(err)
	}
	doc := struct {
		profilesDocument
		Name  string        `json:"name"`
		Title string        `json:"title"`
		Parts []string      `json:"parts"`
		Lines []profileLine `json:"lines"`
	}{profilesDocument{"plugproof/profiles-show/1", toolVersion}, name, c.Title, c.Parts, []profileLine{}}
	for _, line := range c.Lines() {
		doc.Lines = append(doc.Lines, profileLine(line))
	}
	return o.write(a, doc, func(w io.Writer) error { return writeLines(w, doc.Lines) })
}

// writeLines writes the lines of a profile with their places in a column.
func writeLines(w io.Writer, lines []profileLine) error {
	const most = 76 // columns; a longer line pushes its place to the right
	width := 0
	for _, line := range lines {
		if n := len([]rune(line.Text)); n <= most {
			width = max(width, n)
		}
	}
	for _, line := range lines {
		text := plain(line.Text)
		if line.From != "" {
			text = fmt.Sprintf("%-*s  # %s", width, text, plain(line.From))
		}
		if _, err := fmt.Fprintln(w, text); err != nil {
			return err
		}
	}
	return nil
}

type profileDifference struct {
	Bus     string `json:"bus"`
	ID      string `json:"id,omitempty"`
	Message string `json:"message,omitempty"`
	Sender  string `json:"sender,omitempty"`
	What    string `json:"what"`
	A       string `json:"a"`
	B       string `json:"b"`
	Stage   string `json:"stage"`
	Echo    bool   `json:"echo"`
}

type profileDemand struct {
	What string `json:"what"`
	A    string `json:"a"`
	B    string `json:"b"`
}

func runProfilesDiffer(a *app, o *profilesOptions, first, second string) error {
	if err := o.known(); err != nil {
		return err
	}
	var settings [2]*profiles.Setting
	for i, name := range []string{first, second} {
		s, _, err := o.setting(name)
		if err != nil {
			return err
		}
		settings[i] = s
	}
	if settings[0].Name == settings[1].Name {
		return hint(errors.New("a setting does not differ from itself"), "plugproof profiles list names the others")
	}
	doc := struct {
		profilesDocument
		A           string              `json:"a"`
		B           string              `json:"b"`
		Differences []profileDifference `json:"differences"`
		Demands     []profileDemand     `json:"demands"`
	}{profilesDocument{"plugproof/profiles-differ/1", toolVersion}, settings[0].Name, settings[1].Name, []profileDifference{}, []profileDemand{}}
	for _, d := range profiles.Differ(settings[0], settings[1]) {
		row := profileDifference{d.Bus, "", d.Message, d.Sender, d.What, d.A, d.B, d.Stage, d.Echo}
		if d.HasID {
			row.ID = d.ID.String()
		}
		doc.Differences = append(doc.Differences, row)
	}
	for _, d := range profiles.Demands(settings[0], settings[1]) {
		doc.Demands = append(doc.Demands, profileDemand(d))
	}
	return o.write(a, doc, func(w io.Writer) error {
		if err := writeDifferences(w, doc.A, doc.B, doc.Differences); err != nil {
			return err
		}
		return writeDemands(w, doc.A, doc.B, doc.Demands)
	})
}

// writeDemands writes what two settings ask of the units differently.
func writeDemands(w io.Writer, a, b string, list []profileDemand) error {
	if len(list) == 0 {
		return nil
	}
	if _, err := fmt.Fprintf(w, "\nWhat they ask of the units, where that differs:\n"); err != nil {
		return err
	}
	for _, d := range list {
		side := func(name, asks string) string {
			return strings.Join(report.Wrap(plain(name)+": "+plain(asks), 70), "\n      ")
		}
		if _, err := fmt.Fprintf(w, "  %s\n    %s\n    %s\n", d.What, side(a, d.A), side(b, d.B)); err != nil {
			return err
		}
	}
	return nil
}

// writeDifferences writes a sentence that sums up, and a table.
func writeDifferences(w io.Writer, a, b string, list []profileDifference) error {
	rows := []table.Row{{"what", "bus", "id", "message", "sender", plain(a), plain(b), "shows in", ""}}
	echoes := 0
	for _, d := range list {
		mark := ""
		if d.Echo {
			mark = "echo"
			echoes++
		}
		rows = append(rows, table.Row{d.What, d.Bus, d.ID, d.Message, d.Sender, d.A, d.B, d.Stage, mark})
	}
	sentence := plural(len(list), "difference")
	switch {
	case len(list) == 0:
		sentence = "nothing on the bus tells them apart: go by the build plate"
	case echoes == len(list):
		sentence += ", only echoes: the car itself does not tell them apart, go by the build plate"
	case echoes > 0:
		sentence += fmt.Sprintf(", %d of the car itself", len(list)-echoes)
	}
	if _, err := fmt.Fprintf(w, "%s and %s: %s\n", plain(a), plain(b), sentence); err != nil || len(list) == 0 {
		return err
	}
	_, err := fmt.Fprintf(w, "\n%s\n", renderTable(rows))
	return err
}
