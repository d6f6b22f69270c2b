package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plugproof/decode/can"
)

// spanHelp explains the values of --from and --to in a command's help.
const spanHelp = `--from and --to cut a stretch out: the frames at or after --from and before --to.
  12.5                    seconds after the first frame of the (first) capture
  @1257894000.25          a stamp as the capture writes it, in seconds
  2009-11-10T23:00:00Z    a date and time with its zone (RFC 3339)`

// span is the stretch of a capture that --from and --to ask for.
type span struct {
	from, to moment
	first    int64 // stamp of the first frame, ns; valid when started
	started  bool
}

// addFlags adds --from and --to.
func (s *span) addFlags(flags *pflag.FlagSet) {
	flags.Var(&s.from, "from", "leave out the frames before `TIME`")
	flags.Var(&s.to, "to", "leave out the frames at and after `TIME`")
}

// check refuses a stretch that cannot hold a frame.
func (s *span) check() error {
	if s.from.set && s.to.set && s.from.absolute == s.to.absolute && s.to.ns <= s.from.ns {
		return hint(fmt.Errorf("--to %s is not after --from %s", &s.to, &s.from), "exchange them")
	}
	return nil
}

// holds reports whether the frame lies in the stretch. The first frame it is
// ever given is the one that seconds count from.
func (s *span) holds(f *can.Frame) bool {
	if !s.started {
		s.first, s.started = f.Time, true
	}
	return (!s.from.set || f.Time >= s.from.at(s.first)) && (!s.to.set || f.Time < s.to.at(s.first))
}

// moment is a point in time as a flag gives it. It satisfies pflag.Value.
type moment struct {
	text     string
	ns       int64
	absolute bool // since the Unix epoch, or whatever the capture counts from
	set      bool
}

// at returns the moment on the clock of a capture whose first stamp is first.
func (m *moment) at(first int64) int64 {
	switch {
	case m.absolute:
		return m.ns
	case first > math.MaxInt64-m.ns:
		return math.MaxInt64
	}
	return first + m.ns
}

func (m *moment) String() string { return m.text }

// Type names the value in messages.
func (m *moment) Type() string { return "time" }

// Set parses the forms of spanHelp.
func (m *moment) Set(text string) error {
	stamp, absolute := strings.CutPrefix(text, "@")
	ns, err := parseSeconds(stamp)
	if err != nil && !absolute {
		var t time.Time
		if t, err = time.Parse(time.RFC3339Nano, text); err == nil {
			ns, absolute = t.UnixNano(), true
		}
	}
	if err != nil {
		return errors.New("not a time: write seconds (12.5), a stamp (@1257894000.25) or a date with zone (2009-11-10T23:00:00Z)")
	}
	*m = moment{text: text, ns: ns, absolute: absolute, set: true}
	return nil
}

var errSeconds = errors.New("not a number of seconds")

// maxSeconds is the largest whole number of seconds that still fits in int64
// nanoseconds with any fraction.
const maxSeconds = math.MaxInt64/1_000_000_000 - 1

// parseSeconds reads a non-negative decimal number of seconds with at most nine
// digits after the point, exactly, and returns nanoseconds.
func parseSeconds(text string) (int64, error) {
	whole, frac, _ := strings.Cut(text, ".")
	if whole == "" || len(frac) > 9 {
		return 0, errSeconds
	}
	s, err := strconv.ParseUint(whole, 10, 63)
	if err != nil || s > maxSeconds {
		return 0, errSeconds
	}
	ns, err := strconv.ParseUint(frac+"000000000"[len(frac):], 10, 63)
	if err != nil {
		return 0, errSeconds
	}
	return int64(s*1e9 + ns), nil
}
