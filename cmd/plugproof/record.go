package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"plugproof/decode/can"
	"plugproof/replay/socketcan"
)

// recordOptions are the flags of record.
type recordOptions struct {
	on      list
	out     string
	bench   string
	seconds float64
	scriptOptions
}

func newRecord(a *app) *cobra.Command {
	var o recordOptions
	cmd := &cobra.Command{
		Use:   "record --on INTERFACE --out FILE",
		Short: "Record what is on the bus, without taking part in it",
		Long: `Record every frame and error frame of CAN interfaces into one new file, with the
kernel's time stamps, until Ctrl-C or the end of --seconds. Nothing is sent, and
an interface may go down or be unplugged and come back meanwhile. The file is
made safe every second. Frames that the kernel had to throw away are counted;
they end with exit code 4.

In a car the interface must be in listen-only mode: in active mode it would
acknowledge frames, and with a wrong bit rate stop the bus. --bench states what
is on the bench instead of a car and allows active mode. Virtual interfaces are
always allowed.

The file's name ends in .log, .pcapng or .pcap; it is not compressed.

` + scriptHelp,
		Example: `  plugproof record --on can0 --out idle.pcapng
  plugproof record --on can0 --on can1 --out drive.log --seconds 60
  plugproof record --on can0 --out bench.log --bench "cluster and power supply"
  plugproof record --script --on can0 --bus can0=drive -p lowan-2-20t-a5 --out before.log`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if cmd.Flags().Changed("seconds") && !(o.seconds > 0 && o.seconds <= 1e6) {
				return hint(fmt.Errorf("--seconds %g is out of range", o.seconds), "more than 0, and at most 1000000")
			}
			if cmd.Flags().Changed("bench") && o.bench == "" {
				return hint(errors.New("--bench is empty"), "say what is on the bench")
			}
			if err := o.check(&o); err != nil {
				return err
			}
			if o.script {
				return runScript(cmd.Context(), a, &o)
			}
			return runRecord(cmd.Context(), a, &o)
		},
	}
	flags := cmd.Flags()
	flags.Var(&o.on, "on", "record from this `INTERFACE`; may be repeated")
	flags.StringVarP(&o.out, "out", "o", "", "write to the new `FILE`")
	flags.StringVar(&o.bench, "bench", "", "state `WHAT` is on the bench: no car is connected, active mode is allowed")
	flags.Float64Var(&o.seconds, "seconds", 0, "end after so many `SECONDS`")
	o.addFlags(flags)
	return cmd
}

func runRecord(ctx context.Context, a *app, o *recordOptions) (err error) {
	if len(o.on) == 0 || o.out == "" {
		return hint(errors.New("record needs --on and --out"), "plugproof record --help shows an example")
	}
	if err := socketcan.Ready(o.on, o.bench != ""); err != nil { // before a file is made
		return err
	}
	slices.Sort(o.on)
	var buses can.Buses
	file, err := socketcan.Create(o.out, &buses)
	if err != nil {
		return err
	}
	if o.bench != "" {
		a.remark("active mode allowed: on the bench is %s", o.bench)
	}
	a.remark("recording %s into %s", o.on.String(), o.out)
	timed, cancel := ctx, context.CancelFunc(func() {})
	if o.seconds > 0 {
		timed, cancel = context.WithTimeout(ctx, time.Duration(o.seconds*float64(time.Second)))
	}
	defer cancel()
	done, err := socketcan.Record(timed, socketcan.Recording{
		Interfaces: slices.Compact(o.on), Buses: &buses, Bench: o.bench != "",
		Note: func(text string) { a.remark("%s", text) },
	}, file)
	if closing := file.Close(); err == nil {
		err = closing
	}
	a.remark("%s frames recorded, %s of them error frames", grouped(done.Frames), grouped(done.ErrorFrames))
	switch {
	case err != nil:
		return err
	case done.Lost > 0:
		return &socketcan.Error{Op: "record everything", Err: fmt.Errorf("%d frames were lost, this machine did not read them in time", done.Lost)}
	}
	return context.Cause(ctx)
}
