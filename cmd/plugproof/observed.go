package main

import (
	"fmt"
	"strconv"

	"github.com/spf13/pflag"

	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// observedHelp explains the flags of observedOptions in a command's help.
const observedHelp = `What the technician saw forbids a pass, and starts the search for its cause:
--dead tachometer, --lamp MIL, --codes with the list of a scan tool as text.
--ohms and --supply are what was measured.`

// observedOptions are the flags for what the technician saw and measured.
type observedOptions struct {
	lamps, dead list
	codes       string
	ohms        measure
	factory     measure
	supply      measure
}

func (o *observedOptions) addFlags(flags *pflag.FlagSet) {
	flags.Var(&o.dead, "dead", "a `FUNCTION` that does not work; may be repeated")
	flags.Var(&o.lamps, "lamp", "a `LAMP` that is lit; may be repeated")
	flags.StringVar(&o.codes, "codes", "", "trouble codes as a scan tool lists them, in the text `FILE`")
	flags.Var(&o.ohms, "ohms", "`OHM` between CAN-H and CAN-L, power off, new ECU plugged in")
	flags.Var(&o.factory, "ohms-factory", "`OHM` with the factory ECU plugged in")
	flags.Var(&o.supply, "supply", "`VOLT` of the supply while recording")
}

// observed returns what the flags say. It reads the list of codes.
func (o *observedOptions) observed() (rules.Observed, error) {
	seen := rules.Observed{
		Lamps: o.lamps, Dead: o.dead, Ohms: o.ohms.value, FactoryOhms: o.factory.value, Supply: o.supply.value,
	}
	var err error
	seen.Codes, err = readCodes(o.codes)
	return seen, err
}

// readCodes reads a list of trouble codes; "" is none.
func readCodes(path string) ([]rules.Code, error) {
	if path == "" {
		return nil, nil
	}
	src, err := check.ReadSmall(path)
	if err != nil {
		return nil, err
	}
	codes, err := rules.ParseCodes(path, src)
	return codes, hint(err, codesHint)
}

const codesHint = "one code a line, as in: TCM U0100 lost engine; or a line that says: no codes"

// measure is a figure that was measured; it need not be given. It satisfies
// pflag.Value.
type measure struct{ value *float64 }

func (m *measure) String() string {
	if m.value == nil {
		return ""
	}
	return strconv.FormatFloat(*m.value, 'g', -1, 64)
}

// Type names the value in messages.
func (m *measure) Type() string { return "number" }

// Set parses a figure of at least 0.
func (m *measure) Set(text string) error {
	const most = 1e6 // an open line reads less
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v >= 0 && v <= most) {
		return fmt.Errorf("not a figure from 0 to %g, without its unit", most)
	}
	m.value = &v
	return nil
}
