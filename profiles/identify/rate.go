package identify

import (
	"fmt"
	"math"

	"plugproof/decode/can"
)

// oddsRate is as sure as a constant: a listener at another bit rate takes in not
// one frame.
var oddsRate = math.Log(0.999 / 0.001)

// rateItem is the bit rate of a bus as a piece of evidence. It belongs to no
// module.
type rateItem struct {
	bus   string
	shown int64 // bit/s; 0: not known
}

// against returns the ln of the odds against a setting.
func (r *rateItem) against(s *car) float64 {
	if want := s.rates[r.bus]; r.shown == 0 || want == 0 || want == r.shown {
		return 0
	}
	return oddsRate
}

// findRates lists the bit rates of the recorded buses, as the capture has them or the
// user gave them.
func (sc *scene) findRates(buses *can.Buses, interfaces []Interface) {
	known := map[string]int64{}
	for _, b := range buses.All() {
		known[b.Name] = b.Bitrate
	}
	for _, in := range interfaces {
		if in.Bus != "" {
			sc.rates = append(sc.rates, rateItem{in.Bus, known[in.Name]})
		}
	}
}

// unmeasured lists the recorded buses whose bit rate is not known and would tell
// two settings apart.
func (sc *scene) unmeasured(a, b int) (list []string) {
	for _, r := range sc.rates {
		x, y := sc.plan.settings[a].rates[r.bus], sc.plan.settings[b].rates[r.bus]
		if r.shown == 0 && x != 0 && y != 0 && x != y {
			list = append(list, r.bus)
		}
	}
	return list
}

// ratePieces lists the bit rates that tell settings apart, as they stand to one.
func (r *score) ratePieces(setting int) (list []Piece) {
	for i := range r.rates {
		rate := &r.rates[i]
		said := map[int64]bool{}
		p := Piece{Outcome: Supports, Bus: rate.bus, What: "bit rate", Odds: 1, Says: "not stated", Shown: rateText(rate.shown)}
		for _, s := range r.plan.settings {
			said[s.rates[rate.bus]] = true
			if rate.against(s) > 0 {
				p.Against++
			}
		}
		if want := r.plan.settings[setting].rates[rate.bus]; want != 0 {
			p.Says = rateText(want)
		}
		switch {
		case rate.shown == 0 && len(said) > 1:
			p.Outcome, p.Shown = NotTestable, "the bit rate is not known"
		case rate.against(r.plan.settings[setting]) > 0:
			p.Outcome, p.Odds = Contradicts, odds(oddsRate)
		case p.Against == 0:
			continue
		default:
			p.Odds = odds(oddsRate)
		}
		list = append(list, p)
	}
	return list
}

// rateText writes a bit rate in kbit/s.
func rateText(rate int64) string { return fmt.Sprintf("%g kbit/s", float64(rate)/1000) }
