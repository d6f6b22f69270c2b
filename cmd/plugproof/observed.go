package main

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// observedHelp explains the flags of observedOptions in a command's help.
const observedHelp = `What the technician saw forbids a pass, and starts the search for its cause:
--dead tachometer, --lamp MIL, --codes with the list of a scan tool as text.
--ohms and --supply are what was measured.

` + sinceHelp

// sinceHelp explains what --codes-before and --lamp-before do.
const sinceHelp = `What was read and seen before the swap tells what is new: a new code or lamp
comes first and outranks a rule that passes. It fails, unless the scan tool does
not call the code active and the time without an engine computer explains it, or
it is listed as stored or pending: then it is for review. --lamp none and
--lamp-before none say that there was none.`

// observedOptions are the flags for what the technician saw and measured.
type observedOptions struct {
	lamps, dead list
	codes       string
	lampsBefore list
	codesBefore string
	ohms        measure
	factory     measure
	supply      measure
}

func (o *observedOptions) addFlags(flags *pflag.FlagSet) {
	flags.Var(&o.dead, "dead", "a `FUNCTION` that does not work; may be repeated")
	flags.Var(&o.lamps, "lamp", "a `LAMP` that is lit; may be repeated")
	flags.StringVar(&o.codes, "codes", "", "trouble codes as a scan tool lists them, in the text `FILE`")
	flags.Var(&o.lampsBefore, "lamp-before", "a `LAMP` that was lit before the swap; may be repeated")
	flags.StringVar(&o.codesBefore, "codes-before", "", "trouble codes from before the swap, in the text `FILE`")
	flags.Var(&o.ohms, "ohms", "`OHM` between CAN-H and CAN-L, power off, new ECU plugged in")
	flags.Var(&o.factory, "ohms-factory", "`OHM` with the factory ECU plugged in")
	flags.Var(&o.supply, "supply", "`VOLT` of the supply while recording")
}

// observed returns what the flags say. It reads the list of codes.
func (o *observedOptions) observed() (rules.Observed, error) {
	seen := rules.Observed{Dead: o.dead, Ohms: o.ohms.value, FactoryOhms: o.factory.value, Supply: o.supply.value}
	err := sinceSwap(&seen, [2]string{o.codesBefore, o.codes}, [2]list{o.lampsBefore, o.lamps}, "--lamp")
	return seen, err
}

// sinceSwap takes down codes and lamps from before the swap and after it. It reads
// the lists of codes.
func sinceSwap(seen *rules.Observed, codes [2]string, lamps [2]list, lampFlag string) (err error) {
	if seen.Before.Codes, err = readCodes(codes[0]); err != nil {
		return err
	}
	if seen.Codes, err = readCodes(codes[1]); err != nil {
		return err
	}
	if seen.Before.Lamps, err = lamps[0].noted("--lamp-before"); err != nil {
		return err
	}
	seen.Lamps, err = lamps[1].noted(lampFlag)
	return err
}

// none says that there is nothing of what is asked for.
const none = "none"

// noted returns what was seen: nil where nobody looked, empty for none.
func (l list) noted(flag string) ([]string, error) {
	isNone := func(s string) bool { return strings.EqualFold(s, none) }
	switch {
	case l == nil:
		return nil, nil
	case len(l) == 1 && isNone(l[0]):
		return []string{}, nil
	case slices.ContainsFunc(l, isNone):
		return nil, hint(errors.New(flag+" names a lamp, and says that there is none"), "leave one out")
	}
	return l, nil
}

// note adds what was taken down elsewhere: nil, nothing; empty, that there is none.
func (l *list) note(seen []string) {
	*l = append(*l, seen...)
	if seen != nil && len(*l) == 0 {
		*l = list{none}
	}
}

// codeFiles identifies lists of codes by their content; "" is none.
func codeFiles(paths ...string) (files []check.File, err error) {
	for _, path := range paths {
		if path == "" {
			continue
		}
		src, err := check.ReadSmall(path)
		if err != nil {
			return nil, err
		}
		files = append(files, check.NewFile(path, src))
	}
	return files, nil
}

// readCodes reads a list of trouble codes; it returns nil for "" only.
func readCodes(path string) ([]rules.Code, error) {
	if path == "" {
		return nil, nil
	}
	src, err := check.ReadSmall(path)
	if err != nil {
		return nil, err
	}
	codes, err := rules.ParseCodes(path, src)
	if codes == nil {
		codes = []rules.Code{}
	}
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
