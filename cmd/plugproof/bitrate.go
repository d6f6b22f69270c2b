package main

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"plugproof/decode/can"
)

// bitrateHelp explains the values of --bitrate in a command's help.
const bitrateHelp = `--bitrate gives the bit rate of a bus, which a log does not hold: drive=500k, or
can0=500k/2M for CAN FD. Without a bus it is for all that have no other. Where
no rate is known the load is in bit/s instead of percent.`

// bitrate is one value of --bitrate.
type bitrate struct {
	bus           string // "": every bus without a rate of its own
	nominal, data int64  // bit/s; data 0: not given
}

// parseBitrates parses the forms of bitrateHelp.
func parseBitrates(values []string) ([]bitrate, error) {
	rates := make([]bitrate, 0, len(values))
	for _, value := range values {
		bus, text, ok := strings.Cut(value, "=")
		if !ok {
			bus, text = "", value
		}
		nominal, data, isFD := strings.Cut(text, "/")
		r := bitrate{bus: bus}
		r.nominal = parseRate(nominal)
		if isFD {
			r.data = parseRate(data)
		}
		if r.nominal == 0 || isFD && r.data == 0 || ok && bus == "" {
			return nil, hint(fmt.Errorf("not a bit rate: %q", value), "BUS=500k, or BUS=500k/2M for CAN FD")
		}
		rates = append(rates, r)
	}
	return rates, nil
}

// parseRate reads "500k", "83.333k", "2M" or "125000" as bit/s; 0 for what is no
// bit rate. CAN goes from 5 kbit/s to 8 Mbit/s, some FD transceivers beyond.
func parseRate(text string) int64 {
	factor := 1.0
	switch {
	case strings.HasSuffix(text, "k"):
		factor, text = 1e3, strings.TrimSuffix(text, "k")
	case strings.HasSuffix(text, "M"):
		factor, text = 1e6, strings.TrimSuffix(text, "M")
	}
	v, err := strconv.ParseFloat(text, 64)
	rate := math.Round(v * factor)
	if err != nil || !(rate >= 1000 && rate <= 20e6) {
		return 0
	}
	return int64(rate)
}

// setNamed sets the rates that name their bus, whether it is known yet or not.
func setNamed(buses *can.Buses, rates []bitrate) {
	for _, r := range rates {
		if r.bus == "" {
			continue
		}
		if i, ok := buses.Intern([]byte(r.bus)); ok {
			buses.SetBitrates(i, r.nominal, r.data)
		}
	}
}

// setMissing gives the buses that have no rate the first that is for them.
func setMissing(buses *can.Buses, rates []bitrate) {
	for _, r := range rates {
		for i, b := range buses.All() {
			if b.Bitrate == 0 && (r.bus == "" || r.bus == b.Name) {
				buses.SetBitrates(uint16(i), r.nominal, r.data)
			}
		}
	}
}

// stated returns the bit rates that the DBC files state for their buses.
func (d *dbcFiles) stated() []bitrate {
	var rates []bitrate
	for _, m := range d.mappings {
		if m.Database.Bitrate > 0 {
			rates = append(rates, bitrate{bus: m.Bus, nominal: m.Database.Bitrate})
		}
	}
	return rates
}

// unusedBitrates remarks on every --bitrate for a bus the captures do not have.
func unusedBitrates(a *app, rates []bitrate, names []string) {
	for _, r := range rates {
		if r.bus != "" && !slices.Contains(names, r.bus) {
			a.remark("--bitrate for %s was not used: the captures have %s", r.bus, strings.Join(names, ", "))
		}
	}
}
