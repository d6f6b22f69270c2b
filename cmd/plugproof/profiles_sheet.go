package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"plugproof/profiles"
)

func newProfilesSheet(a *app) *cobra.Command {
	var o profilesOptions
	cmd := &cobra.Command{
		Use:   "sheet NAME",
		Short: "Print what the new ECU must send for this car",
		Long: `Print what the new ECU must send in a setting, message by message: identifier,
cycle, length, where each signal stands in the bytes, counter and checksum,
constants that others compare with their own, and who waits for it how long.
The page to hold beside the ECU's own configuration.`,
		Example: `  plugproof profiles sheet lowan-2-20t-a5
  plugproof profiles sheet ./mine.yaml --format json`,
		Args: exactly(1, "the name of a profile"),
		RunE: func(_ *cobra.Command, args []string) error { return runProfilesSheet(a, &o, args[0]) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

type sheetDocument struct {
	profilesDocument
	Name     string          `json:"name"`
	Title    string          `json:"title"`
	Replaced string          `json:"replaced"`
	Duties   []profiles.Duty `json:"messages"`
}

func runProfilesSheet(a *app, o *profilesOptions, name string) error {
	if err := o.known(); err != nil {
		return err
	}
	s, _, err := o.setting(name)
	if err != nil {
		return err
	}
	doc := sheetDocument{
		profilesDocument{"plugproof/profiles-sheet/1", toolVersion}, s.Name, s.Title, s.Replaced, s.Duties(),
	}
	return o.write(a, doc, func(w io.Writer) error {
		writeSheet(w, &doc)
		return nil
	})
}

func writeSheet(w io.Writer, doc *sheetDocument) {
	fmt.Fprintf(w, "%s: %s must send %s\n", plain(doc.Name), plain(doc.Replaced), plural(len(doc.Duties), "message"))
	for _, d := range doc.Duties {
		head := fmt.Sprintf("%s %s on %s", d.ID, d.Message, d.Bus)
		if d.CycleMS > 0 {
			head += fmt.Sprintf(", every %g ms", d.CycleMS)
		} else {
			head += ", on demand"
		}
		if d.Length > 0 {
			head += fmt.Sprintf(", %d bytes", d.Length)
		}
		if d.Option {
			head += ", where the car has it"
		}
		fmt.Fprintf(w, "\n%s\n", plain(head))
		for _, p := range d.Protections {
			writeLine(w, "  guarded by "+p, 4)
		}
		for _, c := range d.Constants {
			writeLine(w, "  "+strings.TrimSpace(fmt.Sprintf("constant %s is %d %s", c.Signal, c.Raw, c.Means)), 4)
		}
		for _, l := range d.Listeners {
			writeLine(w, "  "+dutyListener(l), 4)
		}
		if len(d.Functions) > 0 {
			writeLine(w, "  serves "+strings.Join(d.Functions, ", "), 4)
		}
		for _, s := range d.Signals {
			sign := "unsigned"
			if s.Signed {
				sign = "signed"
			}
			writeLine(w, fmt.Sprintf("    %s: %s from bit %d, %s, %s, times %g plus %g %s",
				s.Name, plural(s.Length, "bit"), s.Start, s.Order, sign, s.Factor, s.Offset, s.Unit), 6)
		}
	}
}

// dutyListener says who waits for a message, how long, and what it does then.
func dutyListener(l profiles.DutyListener) string {
	s := "heard by " + l.Node
	if l.TimeoutMS > 0 {
		s += fmt.Sprintf(", which misses it after %g ms", l.TimeoutMS)
	}
	if l.Substitute != "" {
		s += ": then " + l.Substitute
	}
	return s
}
