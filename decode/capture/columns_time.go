package capture

import (
	"errors"
	"fmt"
	"time"
)

// timeLayout is a layout of dates and times of day, compiled.
type timeLayout struct {
	steps []layoutStep
	date  bool // it has a year, month and day
	half  bool // it says am or pm
}

// layoutStep is a number, "AP", or a character that stands there as it is.
type layoutStep struct {
	part   byte // 'Y', 'M', 'D', 'h', 'm', 's', 'A'; 0: literal
	digits int  // most of them
	text   byte
}

// compileLayout reads a layout: YYYY or YY, MM, DD, hh, mm, ss and AP (AM or PM)
// stand for what they say, anything else for itself. Months to seconds may be
// written with one figure or two; a fraction may follow the seconds, and a time
// zone ("Z", "+02:00") the whole.
func compileLayout(text string) (*timeLayout, error) {
	l := &timeLayout{}
	seen := map[byte]bool{}
	for i := 0; i < len(text); {
		c := text[i]
		run := 1
		for i+run < len(text) && text[i+run] == c {
			run++
		}
		step := layoutStep{part: c, digits: run}
		switch {
		case c == 'Y' && (run == 4 || run == 2), (c == 'M' || c == 'D' || c == 'h' || c == 'm' || c == 's') && run == 2:
		case c == 'A' && i+1 < len(text) && text[i+1] == 'P':
			step, run = layoutStep{part: 'A'}, 2
			l.half = true
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z' && c != 'T':
			return nil, fmt.Errorf("%q is none of YYYY, MM, DD, hh, mm, ss, AP", text[i:i+run])
		default:
			step, run = layoutStep{text: c}, 1
		}
		if step.part != 0 && seen[step.part] {
			return nil, fmt.Errorf("%q is there twice", text[i:i+run])
		}
		if step.part != 0 {
			seen[step.part] = true
		}
		l.steps = append(l.steps, step)
		i += run
	}
	l.date = seen['D'] || seen['M'] || seen['Y']
	switch {
	case l.date && !(seen['D'] && seen['M'] && seen['Y']):
		return nil, errors.New("a date has a year, a month and a day")
	case !seen['h'] || !seen['m'] || !seen['s']:
		return nil, errors.New("a time of day has hours, minutes and seconds")
	}
	return l, nil
}

// clockParts is what a layout finds.
type clockParts struct {
	year, month, day int
	hour, min, sec   int
	ns               int64
	half             byte // 'a', 'p'; 0: none
	east             int64
	zoned            bool
}

// parse reads a stamp and returns ns: from the Unix epoch for a date, from
// midnight for a time of day.
func (l *timeLayout) parse(s []byte, comma bool) (ns int64, zoned, ok bool) {
	p := clockParts{month: 1, day: 1, year: 1970}
	for _, step := range l.steps {
		if s, ok = p.step(step, s, comma); !ok {
			return 0, false, false
		}
	}
	if !p.zone(s) || l.half && !p.afternoon() {
		return 0, false, false
	}
	if p.hour > 23 || p.min > 59 || p.sec > 59 || p.month < 1 || p.month > 12 {
		return 0, false, false
	}
	ns = int64(p.hour*3600+p.min*60+p.sec)*1e9 + p.ns
	if !l.date {
		return ns, p.zoned, true
	}
	at := time.Date(p.year, time.Month(p.month), p.day, 0, 0, 0, 0, time.UTC)
	if at.Day() != p.day || at.Unix() < 0 || at.Unix() > maxSeconds-86400 {
		return 0, false, false // time.Date carries a 32nd day over
	}
	return at.Unix()*1e9 + ns - p.east, p.zoned, true
}

// step reads what one step of the layout stands for.
func (p *clockParts) step(step layoutStep, s []byte, comma bool) (rest []byte, ok bool) {
	switch step.part {
	case 0:
		if len(s) == 0 || s[0] != step.text {
			return s, false
		}
		for s = s[1:]; step.text == ' ' && len(s) > 0 && s[0] == ' '; {
			s = s[1:]
		}
		return s, true
	case 'A':
		if len(s) < 2 || s[1]|0x20 != 'm' || s[0]|0x20 != 'a' && s[0]|0x20 != 'p' {
			return s, false
		}
		p.half = s[0] | 0x20
		return s[2:], true
	}
	n, size := 0, 0
	for size < len(s) && size < step.digits && isDigit(s[size]) {
		n = n*10 + int(s[size]-'0')
		size++
	}
	if size == 0 || step.part == 'Y' && size != step.digits {
		return s, false
	}
	s = s[size:]
	switch step.part {
	case 'Y':
		if p.year = n; step.digits == 2 {
			p.year += 2000
		}
	case 'M':
		p.month = n
	case 'D':
		p.day = n
	case 'h':
		p.hour = n
	case 'm':
		p.min = n
	case 's':
		p.sec = n
		return p.fraction(s, comma)
	}
	return s, true
}

// fraction reads what may follow the seconds.
func (p *clockParts) fraction(s []byte, comma bool) (rest []byte, ok bool) {
	if len(s) == 0 || s[0] != '.' && !(comma && s[0] == ',') {
		return s, true
	}
	ns, end := fractionNanos(s)
	p.ns = ns
	return s[end:], end > 1
}

// zone reads what may follow the whole: nothing, Z, +02:00, +0200 or +02.
func (p *clockParts) zone(s []byte) bool {
	s = trimBlanks(s)
	if len(s) == 0 {
		return true
	}
	p.zoned = true
	if len(s) == 1 {
		return s[0] == 'Z' || s[0] == 'z'
	}
	east, ok := parseZone(s)
	p.east = east
	return ok
}

// parseZone reads "+02:00", "+0200" or "+02" in ns ahead of UTC.
func parseZone(s []byte) (east int64, ok bool) {
	if len(s) < 3 || s[0] != '+' && s[0] != '-' {
		return 0, false
	}
	sign := int64(1)
	if s[0] == '-' {
		sign = -1
	}
	s = s[1:]
	if len(s) == 5 && s[2] == ':' {
		s = append(append(make([]byte, 0, 4), s[:2]...), s[3:]...)
	}
	if len(s) == 2 {
		s = append(append(make([]byte, 0, 4), s...), '0', '0')
	}
	v, _, ok := parseDigits(s)
	if !ok || len(s) != 4 || v/100 > 14 || v%100 > 59 {
		return 0, false
	}
	return sign * int64(v/100*3600+v%100*60) * 1e9, true
}

// afternoon turns hours of half a day into those of a whole.
func (p *clockParts) afternoon() bool {
	if p.hour < 1 || p.hour > 12 {
		return false
	}
	if p.hour %= 12; p.half == 'p' {
		p.hour += 12
	}
	return true
}

// runningClock makes times of stamps that hang on those before them.
type runningClock struct {
	wraps int64 // 0: does not begin anew
	gaps  bool  // stamps are gaps

	begun bool
	last  int64 // stamp before
	turns int64
	most  int64 // turns at the latest
	now   int64 // sum of the gaps
}

// time returns the time of a stamp. A clock that steps back by more than an eighth
// of what it counts to has begun anew; less is a step back. After it began anew, a
// step forward by all but an eighth is a record from before that.
func (c *runningClock) time(stamp int64) (int64, bool) {
	if c.gaps {
		if stamp < 0 || c.now+stamp < 0 {
			return 0, false
		}
		c.now += stamp
		return c.now, true
	}
	if stamp < 0 || stamp >= c.wraps {
		return 0, false
	}
	if c.begun {
		switch step := stamp - c.last; {
		case step < -c.wraps/8:
			c.turns++
			c.most = max(c.most, c.turns)
		case step > c.wraps-c.wraps/8 && c.turns > 0:
			c.turns--
		}
	}
	c.begun, c.last = true, stamp
	if c.turns > (maxSeconds*1e9-stamp)/c.wraps {
		return 0, false
	}
	return c.turns*c.wraps + stamp, true
}
