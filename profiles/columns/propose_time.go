package columns

import (
	"regexp"
	"slices"
	"strings"
)

// findTime finds the stamps: a column that is named so, else one that climbs.
func (p *Proposal) findTime(t table) {
	best, score := -1, 0
	for i := range t {
		c, s := &t[i], 0
		up, counts := c.climbs()
		switch {
		case c.all(dayTime()):
			s = 3
		case c.all(fraction()) && up:
			s = 3
		case c.all(whole()) && up && !counts:
			s = 1
		case c.named("time", "timestamp", "stamp") && (up || c.all(fraction())):
			s = 1
		}
		if s > 0 && c.named("time", "timestamp", "stamp", "seconds", "sec", "ms", "us", "abs", "rel") {
			s += 3
		}
		if s > score {
			best, score = i, s
		}
	}
	if p.Time = best; best < 0 {
		p.doubt("time", "no column looks like stamps")
		return
	}
	c := &t[best]
	p.Comma = p.Delimiter != "," && c.some(func(v string) bool { return strings.Contains(v, ",") })
	if c.all(dayTime()) {
		p.layout(c)
		return
	}
	p.unit(c)
}

// units by the words that name them and what they are of a second.
var units = []struct {
	unit   string
	words  []string
	second float64
}{
	{"s", []string{"s", "sec", "secs", "second", "seconds"}, 1},
	{"ms", []string{"ms", "msec", "millis", "milliseconds"}, 1e3},
	{"us", []string{"us", "usec", "micros", "microseconds"}, 1e6},
	{"ns", []string{"ns", "nsec", "nanos", "nanoseconds"}, 1e9},
}

// unit says what one of the stamps' numbers is.
func (p *Proposal) unit(c *tableColumn) {
	up, _ := c.climbs()
	if !up {
		p.From = "record"
		p.doubt("time.from", "the stamps fall as often as they climb, so they look like gaps between records")
	}
	first, _ := number(c.values[0])
	last, _ := number(c.values[len(c.values)-1])
	for _, u := range units {
		if v := first / u.second; up && v > 1e9 && v < 4e9 { // 2001 to 2096 in seconds
			p.Unit, p.From = u.unit, "epoch"
			return
		}
	}
	for _, u := range units {
		if c.named(u.words...) {
			p.Unit = u.unit
			return
		}
	}
	p.Unit = "s"
	if gap := (last - first) / float64(max(1, len(c.values)-1)); !c.all(fraction()) {
		for _, u := range units {
			p.Unit = u.unit
			if gap/u.second < 0.05 { // a car's bus carries 20 frames a second at least
				break
			}
		}
	}
	p.doubt("time.unit", "no name says the unit: compare the length of the capture with what survey says")
}

// layout says how dates and times of day are written.
func (p *Proposal) layout(c *tableColumn) {
	at := slices.IndexFunc(c.values, dayTime().MatchString)
	m := dayTime().FindStringSubmatch(c.values[at])
	p.Layout = "hh:mm:ss"
	if strings.TrimSpace(m[4]) != "" {
		p.Layout += strings.Repeat(" ", len(m[4])-2) + "AP"
	}
	if m[1] == "" {
		p.doubt("time.layout", "times of day have no date: day: says which it was; wraps: midnight where the capture goes on over midnight")
		return
	}
	parts := regexp.MustCompile(`\d+|[^\d]+`).FindAllString(m[1], -1)
	order := []string{"DD", "MM", "YYYY"}
	switch {
	case len(parts) < 5:
		order = nil
	case len(parts[0]) == 4:
		order = []string{"YYYY", "MM", "DD"}
	case len(parts[4]) == 2:
		order[2] = "YY"
	}
	words := func(r rune) bool { return r != 'T' && (r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z') }
	if order == nil || len(parts) > 6 || strings.ContainsFunc(m[1], words) {
		p.doubt("time.layout", "the date is not understood: write YYYY, MM, DD, hh, mm, ss for its parts")
		return
	}
	if order[0] == "DD" {
		if second := parts[2]; second > "12" && len(second) == 2 {
			order[0], order[1] = "MM", "DD"
		} else if first := parts[0]; !(first > "12" && len(first) == 2) {
			p.doubt("time.layout", "it cannot be told whether the day or the month comes first")
		}
	}
	var text strings.Builder
	for i, part := range parts {
		if i%2 == 0 && i/2 < len(order) {
			part = order[i/2]
		}
		text.WriteString(part)
	}
	p.Layout = text.String() + p.Layout
}
