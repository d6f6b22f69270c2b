package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// variantRules ask whether the new ECU, the setting and the car are of one kind.
func variantRules() []Rule {
	return append([]Rule{
		{"variant/region", "only the stability or anti-lock lamp", judgeRegion},
		{"variant/constants", "stability or gearbox lamp, all gauges fine", judgeConfig},
		{"variant/car-number", "\"not programmed\", or no odometer", judgeCarNumber},
	}, kindRules()...)
}

// odd is a configuration constant that is not the setting's.
type odd struct {
	signal string
	value  int64 // as most frames have it
	want   int64
	means  string
	frames uint64
}

func (o *odd) String() string {
	if o.means != "" {
		return fmt.Sprintf("%s is %d instead of %d (%s)", o.signal, o.value, o.want, o.means)
	}
	return fmt.Sprintf("%s is %d instead of %d", o.signal, o.value, o.want)
}

// configs calls judge for every message of configuration that came, with those of
// its constants that are not the setting's.
func (c *Case) configs(r *Results, judge func(m *profiles.MessageFacts, odds []odd)) {
	if unjudgeable(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		if !m.Own.Config || r.blocked(m.Name) || c.Evidence.Messages[m.Name].Seen() == 0 {
			continue
		}
		if odds := c.oddConstants(m); len(odds) > 0 {
			judge(m, odds)
		}
	}
}

// oddConstants lists the constants of a message that differ from the setting's,
// and those that differ from another unit's own copy of which the setting says
// nothing.
func (c *Case) oddConstants(m *profiles.MessageFacts) (odds []odd) {
	for _, signal := range slices.Sorted(maps.Keys(m.Own.Constants)) {
		constant := m.Own.Constants[signal]
		value, frames := standsAt(c.Evidence.Messages[m.Name].Signals[signal], constant.Value)
		if frames == 0 {
			continue
		}
		if value != constant.Value {
			odds = append(odds, odd{signal, value, constant.Value, constant.Means, frames})
			continue
		}
		if stored, ok := c.storedCopy(constant.Stored); ok && stored != value {
			odds = append(odds, odd{signal, value, stored, "as " + string(constant.Stored) + " has it", frames})
		}
	}
	return odds
}

// standsAt returns the raw value that most frames have, the wanted one where it
// is as frequent as any; frames is 0 when the capture does not tell.
func standsAt(s *evidence.Signal, want int64) (value int64, frames uint64) {
	if s == nil || s.Frames < 3 || s.MoreValues {
		return 0, 0
	}
	value, frames = want, s.Values[uint64(want)]
	for _, raw := range slices.Sorted(maps.Keys(s.Values)) {
		if n := s.Values[raw]; n > frames {
			value, frames = int64(raw), n
		}
	}
	return value, frames
}

// storedCopy returns what another unit has stored; ok is false where there is
// nothing, or where the setting states it: then it is judged by itself.
func (c *Case) storedCopy(ref profiles.SignalRef) (int64, bool) {
	message, signal := ref.Split()
	ev := c.Evidence.Messages[message]
	if ev == nil || ev.Facts.Own.Constants[signal] != nil {
		return 0, false
	}
	s := ev.Signals[signal]
	if s == nil || s.Available < 3 {
		return 0, false
	}
	value, frames := standsAt(s, int64(s.Last))
	return value, frames > 0
}

// judgeRegion finds constants that are those of another market.
func judgeRegion(c *Case, r *Results) {
	c.configs(r, func(m *profiles.MessageFacts, odds []odd) {
		region := c.regionOf(m, odds)
		if region == "" {
			return
		}
		f := c.oddConfig("variant/region", m, odds)
		f.Text = fmt.Sprintf("%s has the constants of region %s: %s", m.Name, region, listOdds(odds))
		f.NextStep = "choose the region of this car in the new ECU: units compare it with their own"
		if !c.Own(m) {
			f.NextStep = "the car's own unit has that region: choose the setting of it"
		}
		r.Add(f)
	})
}

// regionOf returns the region whose constants a message has, "" when what is odd
// is not, or not only, the region.
func (c *Case) regionOf(m *profiles.MessageFacts, odds []odd) string {
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Regions)) {
		region := c.Setting.Regions[name]
		if !slices.ContainsFunc(odds, func(o odd) bool {
			value, ok := region[profiles.SignalRef(m.Name+"."+o.signal)]
			return !ok || value != o.value
		}) {
			return name
		}
	}
	return ""
}

// judgeConfig finds configuration of another engine, gearbox or series.
func judgeConfig(c *Case, r *Results) {
	c.configs(r, func(m *profiles.MessageFacts, odds []odd) {
		if r.Has("variant/region", m.Name) {
			return
		}
		f := c.oddConfig("variant/constants", m, odds)
		f.Text = fmt.Sprintf("%s is not of this setting: %s", m.Name, listOdds(odds))
		f.NextStep = "choose the setting of this engine and gearbox, or let the units learn each other again: they compare these constants"
		if !c.Own(m) {
			f.NextStep = "the car's own unit says so: choose the setting that has these constants"
		}
		if names := c.withConstants(m, odds); len(names) > 0 {
			f.Text += "; so it is in " + strings.Join(names, ", ")
		}
		r.Add(f)
	})
}

// oddConfig starts a finding about configuration.
func (c *Case) oddConfig(rule string, m *profiles.MessageFacts, odds []odd) Finding {
	f := About(rule, Fail, m)
	f.Signal, f.Listener = odds[0].signal, firstListener(m)
	stream := c.Evidence.Messages[m.Name].Stream
	f.Count, f.Example = odds[0].frames, c.example(&stream.FirstFrame)
	f.FirstTime, f.HasTime = stream.First, true
	from := c.Setting.Origin("$.messages." + m.Name + ".constants." + f.Signal).String()
	return f.measured(float64(odds[0].value), float64(odds[0].want), "raw", from)
}

func listOdds(odds []odd) string {
	parts := make([]string, len(odds))
	for i := range odds {
		parts[i] = odds[i].String()
	}
	return strings.Join(parts, ", ")
}

// mostNamed is how many settings a finding names.
const mostNamed = 4

// withConstants names the settings on file in which a message has these
// constants.
func (c *Case) withConstants(m *profiles.MessageFacts, odds []odd) (names []string) {
	for _, s := range c.others() {
		other := s.Message(m.Name)
		if other == nil || !other.Expected || !other.Own.Config {
			continue
		}
		if !slices.ContainsFunc(odds, func(o odd) bool {
			constant := other.Own.Constants[o.signal]
			return constant == nil || constant.Value != o.value
		}) {
			names = append(names, s.Name)
		}
	}
	if len(names) > mostNamed {
		names = append(names[:mostNamed], fmt.Sprintf("%d more", len(names)-mostNamed))
	}
	return names
}

// others returns the other settings on file, by name.
func (c *Case) others() []*profiles.Setting {
	if c.Settings == nil {
		return nil
	}
	list := slices.DeleteFunc(slices.Clone(c.Settings()), func(s *profiles.Setting) bool { return s.Name == c.Setting.Name })
	slices.SortFunc(list, func(a, b *profiles.Setting) int { return cmp.Compare(a.Name, b.Name) })
	return list
}
