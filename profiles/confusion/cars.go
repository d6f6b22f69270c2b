package confusion

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles/demo"
	"plugproof/profiles/identify"
)

// neighbours asks about cars that are near neighbours themselves.
func (w *work) neighbours(ctx context.Context, m *Matrix) error {
	var list []int
	for i, n := range neighbours {
		if w.has(n.base) {
			list = append(list, i)
		}
	}
	parts, err := each(ctx, len(list), func(i int) (part, error) { return w.neighbour(list[i]) })
	if err != nil {
		return err
	}
	m.add([]Table{{
		Title: "The car is a near neighbour",
		Note:  fmt.Sprintf("Key on for %.0f s, the engine computer unplugged. The fact in the second column is all that differs from the setting in the third.", keyOnLength.Seconds()),
		Head:  []string{"car", "what differs", "neighbour of", "with all 32 on file", "with the twelve on file"},
	}}, parts)
	return nil
}

func (w *work) has(car string) bool {
	return slices.ContainsFunc(w.cars, func(s demo.Setting) bool { return s.String() == car })
}

func (w *work) neighbour(i int) (p part, err error) {
	n := neighbours[i]
	c, err := recordNear(w.near, n.name, n.base, keyOnLength)
	if err != nil {
		return p, err
	}
	row := []string{n.name, strings.Split(n.name, "-")[1] + " of " + n.message, n.base}
	for _, q := range []question{{plan: w.nearPlan, car: n.name}, {plan: w.plan, car: n.name, off: true}} {
		res, err := c.Judge(q.plan, identify.Input{ECU: identify.Out})
		if err != nil {
			return p, err
		}
		text := cell(res)
		if fault := q.fault(res, int64(keyOnLength)); fault != "" {
			text += " WRONG"
			p.broken = append(p.broken, n.name+": "+fault)
		}
		row = append(row, text)
	}
	p.rows = [][]string{row}
	return p, nil
}

// pairs are the cars that conversions are put together of: into the first comes a
// module of the second.
var pairs = [][2]string{
	{"lowan-2-20t-a5", "lowan-1-20-a5"},
	{"lowan-3-20-a8", "lowan-2-20t-a5"},
	{"lowan-1-20t-a5", "lowan-3-20t-a8"},
	{"lowan-2-20-a5", "lowan-3-20t-a8"},
	{"lowan-3-20t-a8", "lowan-1-20t-a5"},
}

// moved are the modules that come from the other car.
var moved = []string{"Cluster", "Stability", "Gearbox", "Body"}

// conversions asks about cars put together of two.
func (w *work) conversions(ctx context.Context, m *Matrix) error {
	var list [][3]string
	for _, pair := range pairs {
		for _, module := range moved {
			if w.has(pair[0]) {
				list = append(list, [3]string{pair[0], module, pair[1]})
			}
		}
	}
	parts, err := each(ctx, len(list), func(i int) (part, error) { return w.conversion(list[i]) })
	if err != nil {
		return err
	}
	m.add([]Table{{
		Title: "Conversions",
		Note: fmt.Sprintf("Key on for %.0f s, the engine computer unplugged. Each module that is present names its own car's setting among those it asks for; "+
			"the network is the one that the cluster, then stability control, then the gearbox understand.", shortLength.Seconds()),
		Head: []string{"car", "with the", "of", "answer", "network", "not satisfied"},
	}}, parts)
	return nil
}

func (w *work) conversion(of [3]string) (p part, err error) {
	car, err := demo.ParseSetting(of[0])
	if err != nil {
		return p, err
	}
	other, err := demo.ParseSetting(of[2])
	if err != nil {
		return p, err
	}
	c, err := Mix(w.twelve, car, other, of[1:2], keyOn(shortLength))
	if err != nil {
		return p, err
	}
	res, err := c.Judge(w.plan, identify.Input{ECU: identify.Out})
	if err != nil {
		return p, err
	}
	answer := cell(res)
	for _, fault := range conversionFaults(res, of) {
		p.broken = append(p.broken, fmt.Sprintf("%s with the %s of %s: %s", of[0], of[1], of[2], fault))
		answer = string(res.Verdict) + " WRONG"
	}
	p.rows = [][]string{{of[0], of[1], of[2], answer, strings.Join(res.Network, " or "), strings.Join(res.Unserved, ", ")}}
	return p, nil
}

// conversionFaults lists what an answer about a conversion breaks: a car, the
// module moved, and where it is from.
func conversionFaults(res *identify.Result, of [3]string) (faults []string) {
	add := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	if res.Verdict == identify.Identified || res.Verdict == identify.Tie {
		add("%s %v", res.Verdict, res.Settings)
	}
	if !res.Conversion {
		add("not taken for a conversion")
	}
	for _, m := range res.Modules {
		truth := of[0]
		if m.Name == of[1] {
			truth = of[2]
		}
		if m.State != identify.Present || !slices.Contains(m.Settings, truth) {
			add("%s is of %s, not of %v (%s)", m.Name, truth, m.Settings, m.State)
		}
	}
	if len(res.Modules) == 0 || res.Modules[0].Name != "Cluster" {
		add("the cluster does not come first")
		return faults
	}
	if of[1] != "Cluster" && !slices.Contains(res.Unserved, of[1]) {
		add("%s is not told to be unsatisfied", of[1])
	}
	for _, network := range res.Network {
		if !slices.Contains(res.Modules[0].Settings, network) {
			add("the cluster does not understand network %s", network)
		}
	}
	return faults
}
