package main

import (
	"errors"
	"fmt"
	"syscall"

	"github.com/spf13/cobra"

	"plugproof/replay/socketcan"
)

// upOptions are the flags of interfaces up.
type upOptions struct {
	bitrate string
	bench   string
}

func newInterfacesUp(a *app) *cobra.Command {
	var o upOptions
	cmd := &cobra.Command{
		Use:   "up INTERFACE --bitrate RATE",
		Short: "Set the bit rate of a CAN interface and bring it up",
		Long: `Set the bit rate of a CAN interface and bring it up in listen-only mode, in
which it never acknowledges and cannot disturb the bus. One that is up with
other settings is taken down first. It takes the rights to do so (root).

--bench states what is on the bench instead of a car and brings the interface up
in active mode, which sending needs. In active mode a wrong bit rate stops the
bus: find it first with the car's documents, or by listening.

CAN FD's second bit rate is not set here.`,
		Example: `  sudo plugproof interfaces up can0 --bitrate 500k
  sudo plugproof interfaces up can0 --bitrate 500k --bench "cluster and power supply"`,
		Args: exactly(1, "one interface"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("bench") && o.bench == "" {
				return hint(errors.New("--bench is empty"), "say what is on the bench")
			}
			return runInterfacesUp(a, &o, args[0])
		},
	}
	cmd.Flags().StringVar(&o.bitrate, "bitrate", "", "the bus's bit `RATE`: 500k, 83.333k, 1M")
	cmd.Flags().StringVar(&o.bench, "bench", "", "state `WHAT` is on the bench: no car is connected, active mode is set")
	return cmd
}

func runInterfacesUp(a *app, o *upOptions, name string) error {
	const most = 1_000_000 // bit/s: classic CAN
	if o.bitrate == "" {
		return hint(errors.New("interfaces up needs --bitrate"), "--bitrate 500k")
	}
	rate := parseRate(o.bitrate)
	if rate == 0 || rate > most {
		return hint(fmt.Errorf("not a bit rate: %q", o.bitrate), "500k, 83.333k or 125000; at most 1M")
	}
	mode := socketcan.ListenOnly
	if o.bench != "" {
		mode = socketcan.Active
	}
	got, err := socketcan.SetUp(name, rate, mode)
	switch {
	case errors.Is(err, syscall.EPERM):
		return hint(err, "run it with sudo")
	case errors.Is(err, syscall.EINVAL):
		return hint(err, "the adapter may not have %s: common ones are 125k, 250k, 500k and 1M", o.bitrate)
	case errors.Is(err, socketcan.ErrNoController):
		return hint(err, "ip link set %s up", name)
	case errors.Is(err, socketcan.ErrNoListenOnly):
		return hint(err, "with no car connected, state the bench with --bench; on a car use another adapter")
	case err != nil:
		return err
	}
	a.remark("%s is up at %s bit/s, %s", name, grouped(uint64(got.Bitrate)), modeOf(&got))
	if o.bench != "" {
		a.remark("it acknowledges every frame now: on the bench is %s", o.bench)
	}
	return nil
}
