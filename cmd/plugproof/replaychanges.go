package main

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plugproof/replay"
	"plugproof/replay/gate"
)

// changesHelp explains the flags of changeOptions.
const changesHelp = `What is sent can be changed on the way; counters and checksums are filled in
again as the profile says. A signal is Message.Signal, or its name alone where
one message has it; a message is its name or its identifier.
  --set EngineSpeedRpm=3000           the signal has this value
  --ramp EngineSpeedRpm=800:6000:10s  it goes from 800 to 6000 within 10 s
  --drop EngineSpeed                  the message is not sent
  --delay EngineSpeed=50ms            it is sent later
  --freeze EngineSpeed                its counter stands (a fault on purpose)
  --break EngineSpeed                 its checksum is wrong (a fault on purpose)
Behind each may stand when: @5s, from 5 seconds on; @5s+600ms, for 600 ms.`

// changeOptions are the flags that change what is sent.
type changeOptions struct {
	set, ramp, drop, delay, freeze, wrong []string
}

func (o *changeOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringArrayVar(&o.set, "set", nil, "send `SIGNAL=VALUE`; may be repeated, as the others below")
	flags.StringArrayVar(&o.ramp, "ramp", nil, "send `SIGNAL=FROM:TO:TIME`")
	flags.StringArrayVar(&o.drop, "drop", nil, "do not send `MESSAGE`")
	flags.StringArrayVar(&o.delay, "delay", nil, "send `MESSAGE=TIME` later")
	flags.StringArrayVar(&o.freeze, "freeze", nil, "let the counter of `MESSAGE` stand")
	flags.StringArrayVar(&o.wrong, "break", nil, "spoil the checksum of `MESSAGE`")
}

// changes parses all of them for the messages of a car.
func (o *changeOptions) changes(car *replay.Car) ([]replay.Change, error) {
	var list []replay.Change
	for _, group := range []struct {
		flag   string
		values []string
		parse  func(*replay.Change, *replay.Car, string) error
	}{
		{"--set", o.set, parseSet},
		{"--ramp", o.ramp, parseRamp},
		{"--drop", o.drop, parseMessage(replay.Drop)},
		{"--delay", o.delay, parseDelay},
		{"--freeze", o.freeze, parseMessage(replay.Freeze)},
		{"--break", o.wrong, parseMessage(replay.Break)},
	} {
		for _, value := range group.values {
			var c replay.Change
			what, err := parseWhen(&c, value)
			if err == nil {
				err = group.parse(&c, car, what)
			}
			if err != nil {
				return nil, hint(fmt.Errorf("%s %s: %w", group.flag, value, err), "plugproof replay --help shows the forms")
			}
			list = append(list, c)
		}
	}
	return list, nil
}

// parseWhen takes @FROM+LENGTH off the end of a value.
func parseWhen(c *replay.Change, value string) (what string, err error) {
	what, when, found := strings.Cut(value, "@")
	if !found {
		return value, nil
	}
	begin, length, some := strings.Cut(when, "+")
	if c.Begin, err = parseDuration(begin); err != nil {
		return "", err
	}
	if !some {
		return what, nil
	}
	if c.Length, err = parseDuration(length); err == nil && c.Length == 0 {
		err = errors.New("it lasts for no time")
	}
	return what, err
}

// parseDuration parses 600ms, 5s, 1m30s, or seconds as a number.
func parseDuration(text string) (time.Duration, error) {
	if ns, err := parseSeconds(text); err == nil {
		return time.Duration(ns), nil
	}
	d, err := time.ParseDuration(text)
	if err != nil || d < 0 {
		return 0, fmt.Errorf("%q is no length of time: write 5s, 600ms or 1m30s", text)
	}
	return d, nil
}

func parseSet(c *replay.Change, car *replay.Car, text string) error {
	name, value, ok := strings.Cut(text, "=")
	if !ok {
		return errors.New("it has no value")
	}
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return fmt.Errorf("%q is no number", value)
	}
	c.Kind, c.From, c.To = replay.Set, v, v
	c.Message, c.Signal, err = car.Signal(name)
	return err
}

func parseRamp(c *replay.Change, car *replay.Car, text string) error {
	name, value, _ := strings.Cut(text, "=")
	parts := strings.Split(value, ":")
	if len(parts) != 3 {
		return errors.New("it is not FROM:TO:TIME")
	}
	var err error
	for i, v := range []*float64{&c.From, &c.To} {
		if *v, err = strconv.ParseFloat(parts[i], 64); err != nil {
			return fmt.Errorf("%q is no number", parts[i])
		}
	}
	if c.Over, err = parseDuration(parts[2]); err != nil {
		return err
	}
	c.Kind = replay.Set
	c.Message, c.Signal, err = car.Signal(name)
	return err
}

func parseDelay(c *replay.Change, car *replay.Car, text string) (err error) {
	name, by, _ := strings.Cut(text, "=")
	if c.Over, err = parseDuration(by); err != nil {
		return err
	}
	c.Kind = replay.Delay
	c.Message, err = findMessage(car, name)
	return err
}

func parseMessage(kind replay.ChangeKind) func(*replay.Change, *replay.Car, string) error {
	return func(c *replay.Change, car *replay.Car, text string) (err error) {
		c.Kind = kind
		c.Message, err = findMessage(car, text)
		return err
	}
}

// findMessage finds a message by its name or, where there is one bus, by its
// identifier.
func findMessage(car *replay.Car, text string) (replay.Message, error) {
	if !looksLikeID(text) {
		m, _, err := car.Message(text)
		return m, err
	}
	id, extended, err := parseID(text)
	if err != nil {
		return replay.Message{}, err
	}
	if len(car.Buses) > 1 {
		return replay.Message{}, errors.New("an identifier alone does not say on which bus: give the message's name")
	}
	return replay.Message{ID: gate.NewID(id, extended)}, nil
}
