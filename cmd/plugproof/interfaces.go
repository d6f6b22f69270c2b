package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"

	"plugproof/replay/socketcan"
)

// interfacesOptions are the flags of interfaces.
type interfacesOptions struct {
	seconds float64
	format  string
}

func newInterfaces(a *app) *cobra.Command {
	var o interfacesOptions
	cmd := &cobra.Command{
		Use:   "interfaces",
		Short: "List this machine's CAN interfaces and their faults",
		Long: `List the CAN interfaces of this machine with state, bit rate, error counters and
the load over a short listen. Nothing is sent. Below the table stands what is
wrong with an interface and what to try.

interfaces up sets the bit rate of an interface and brings it up.`,
		Example: `  plugproof interfaces
  plugproof interfaces --seconds 10 --format json
  sudo plugproof interfaces up can0 --bitrate 500k`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runInterfaces(cmd.Context(), a, &o) },
	}
	cmd.Flags().Float64Var(&o.seconds, "seconds", 1, "listen for so many `SECONDS`")
	cmd.Flags().StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text or json")
	cmd.AddCommand(newInterfacesUp(a))
	return cmd
}

func runInterfaces(ctx context.Context, a *app, o *interfacesOptions) error {
	if err := oneOf("--format", o.format, "text", "json"); err != nil {
		return err
	}
	if !(o.seconds > 0 && o.seconds <= 3600) {
		return hint(fmt.Errorf("--seconds %g is out of range", o.seconds), "more than 0, and at most 3600")
	}
	list, err := socketcan.Interfaces()
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return &socketcan.Error{Op: "list the interfaces", Err: errors.New("this machine has no CAN interface")}
	}
	loads, err := socketcan.Listen(ctx, list, time.Duration(o.seconds*float64(time.Second)))
	if err != nil {
		return err
	}
	out, err := a.output("")
	if err != nil {
		return err
	}
	if o.format == "json" {
		if err := writeInterfaces(out, list, loads); err != nil {
			return err
		}
		return out.Commit()
	}
	rows := []table.Row{{"interface", "kind", "link", "controller", "mode", ">bit/s", ">frames/s", ">load", ">TX/RX errors", ">error frames"}}
	for i := range list {
		rows = append(rows, interfaceRow(&list[i], &loads[i]))
	}
	fmt.Fprintln(out, renderTable(rows)) // Commit reports a failed write
	for i := range list {
		for _, h := range list[i].Hints() {
			fmt.Fprintf(out, "%s: %s\n", list[i].Name, h)
		}
	}
	return out.Commit()
}

func interfaceRow(i *socketcan.Interface, l *socketcan.Load) table.Row {
	link, rate, load := "down", "", decimal(l.BitRate(), 0)+" bit/s"
	if i.Up {
		link = "up"
	}
	if i.Bitrate > 0 {
		rate = grouped(uint64(i.Bitrate))
	}
	if percent, ok := l.Percent(); ok {
		load = decimal(percent, 1) + " %"
	}
	return table.Row{
		i.Name, i.Kind, link, i.State, modeOf(i), rate, decimal(float64(l.Frames)/l.Length.Seconds(), 0), load,
		fmt.Sprintf("%d/%d", i.TxErrors, i.RxErrors), l.ErrorFrames,
	}
}

// modeOf says whether an interface takes part in its bus.
func modeOf(i *socketcan.Interface) string {
	switch {
	case i.Virtual():
		return "virtual"
	case i.ListenOnly:
		return "listen-only"
	}
	return "active"
}
