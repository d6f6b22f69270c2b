package moved

import "fmt"

// advice says what to record where the capture cannot tell.
func (p *plan) advice(res *Result) (list []string) {
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	if len(res.Proposals) == 0 || res.Proposals[0].Score < p.least() {
		add("nothing moved as it should (%s): check the times, and that it is on this bus", p.Title)
		if p.shape == readings {
			add("read more often, while the value changes slowly: a reading that is late fits nothing")
		}
		if p.shape == strokes {
			add("record again: 5 s still, then %d times slowly to the end, hold for 2 s, and back, then 5 s still", max(3, p.n))
		}
		return list
	}
	if res.Proposals[0].Chance > goodChance {
		switch p.shape {
		case slow:
			add("a rise that comes once may be any slow thing: read a gauge or scan tool, and give at least %d times --at TIME=VALUE", leastReadings)
		case states:
			add("all lamps light together with the key: switch this one by itself two or three times, and give --when for each")
		case readings:
			add("too few readings, or too much alike: spread them over the whole range")
		case strokes, codes, revs:
			if p.share() > 0.3 {
				add("it moved during %.0f %% of the capture: leave it still for longer, before and after", 100*p.share())
			}
			if p.n > 2 && p.shape != revs {
				break
			}
			add("it moved too seldom to rule out accident: move it at least three times, still before and after")
		}
	}
	if res.Tied() {
		add("several fields fit as well: give readings (--at TIME=VALUE), or record where only this one moves")
	}
	return list
}
