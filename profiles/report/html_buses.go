package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plugproof/profiles/evidence"
	"plugproof/profiles/rules"
)

// busCard is one bus: how full it was.
type busCard struct {
	Title  string
	Facts  []fact
	Figure *drawing
}

func (b *checkBuilder) buses() []busCard {
	var cards []busCard
	for _, bus := range b.out.Evidence.Buses {
		card := busCard{Title: bus.Interface, Facts: b.busFacts(bus), Figure: b.loadFigure(bus)}
		if bus.Facts != nil && bus.Facts.Name != bus.Interface {
			card.Title = fmt.Sprintf("%s, on interface %s", bus.Facts.Name, bus.Interface)
		}
		cards = append(cards, card)
	}
	return cards
}

// rates are the bit rates of a bus, 0 where not known. Without one for the data
// phase, frames are taken to have none.
func rates(bus *evidence.Bus) (nominal, data float64) {
	if bus.Facts == nil {
		return 0, 0
	}
	nominal, data = float64(bus.Facts.Bitrate), float64(bus.Facts.DataBitrate)
	if data == 0 {
		data = nominal
	}
	return nominal, data
}

// share is the load of so many bits within so many ns, in percent; in kbit/s
// where the bit rate is not known.
func share(bus *evidence.Bus, nominalBits, dataBits uint64, ns float64) float64 {
	nominal, data := rates(bus)
	if nominal == 0 {
		return (float64(nominalBits) + float64(dataBits)) / ns * 1e6
	}
	return 100 * (float64(nominalBits)/nominal + float64(dataBits)/data) / (ns / 1e9)
}

func loadUnit(bus *evidence.Bus) string {
	if nominal, _ := rates(bus); nominal == 0 {
		return "kbit/s"
	}
	return "%"
}

func (b *checkBuilder) busFacts(bus *evidence.Bus) []fact {
	unit := loadUnit(bus)
	words := func(nominal, data uint64, ns float64) string {
		return fmt.Sprintf("%.1f %s", share(bus, nominal, data, ns), unit)
	}
	rate := "not known: load is in kbit/s"
	if nominal, _ := rates(bus); nominal > 0 {
		rate = number(nominal/1e3) + " kbit/s"
	}
	facts := []fact{{Name: "Bit rate", Texts: []string{rate}}, {Name: "Frames", Texts: []string{Grouped(bus.Frames)}}}
	add := func(name, text string) { facts = append(facts, fact{Name: name, Texts: []string{text}}) }
	if lasts := float64(bus.Last - bus.First); lasts > 0 {
		nominal, data := bus.Load.Total()
		add("Load", words(nominal, data, lasts))
	}
	tenth, second := bus.Load.Busiest()
	if second.Found {
		add("Worst second", words(second.Nominal, second.Data, 1e9)+", from "+b.words.seconds(max(b.out.Start, second.Start)))
	}
	if tenth.Found {
		add("Worst 100 ms", words(tenth.Nominal, tenth.Data, 1e8)+", from "+b.words.seconds(max(b.out.Start, tenth.Start)))
	}
	add("Error frames", errorWords(bus))
	return facts
}

func errorWords(bus *evidence.Bus) string {
	if bus.ErrorFrames.Count == 0 {
		return "none in the capture"
	}
	var classes []string
	for _, class := range slices.Sorted(maps.Keys(bus.ErrorClass)) {
		classes = append(classes, Grouped(bus.ErrorClass[class])+" "+class)
	}
	return Grouped(bus.ErrorFrames.Count) + ": " + strings.Join(classes, ", ")
}

// loadFigure draws how full a bus was over time; nil without a course.
func (b *checkBuilder) loadFigure(bus *evidence.Bus) *drawing {
	if bus.Course == nil || bus.Last == bus.First {
		return nil
	}
	f, unit := b.figures, loadUnit(bus)
	lo, hi := empty(), empty()
	width := bus.Course.Width()
	for i, s := range bus.Course.Sums() {
		from := bus.Course.Start() + int64(i)*width
		to := from + width
		// The first and the last step are seldom whole.
		lasts := min(to, bus.Last) - max(from, bus.First)
		if 2*lasts < width {
			continue
		}
		load := share(bus, s.Nominal, s.Data, float64(lasts))
		for at := f.column(max(from, bus.First)); at <= f.column(min(to, bus.Last)-1); at++ {
			join(lo, hi, at, load, load)
		}
	}
	if least, _ := rangeOf(lo, hi); math.IsNaN(least) {
		return nil
	}
	p := plot{Title: "Load of " + bus.Interface, Unit: unit, Zero: true, Lines: []line{{Name: "load", Min: lo, Max: hi}}}
	if unit == "%" {
		p.Limits = []limit{{At: rules.LoadReview, Label: "worth a look"}}
	}
	if bus.ErrorFrames.Count > 0 {
		p.Breaks = []breaks{{"error frames", f.hit(bus.Errors)}}
	}
	caption := fmt.Sprintf("Bits on the wire in steps of %s, in %s.", duration(width), unit)
	return f.add(p, caption, f.lineTable(&p))
}
