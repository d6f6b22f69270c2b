// Package carnumber finds the frames of a capture that carry the number of the
// car (ISO 3779: 17 letters and digits), so that they can be kept from others:
//
//   - answers of modules, in segments of ISO 15765-2: service 09 02 (SAE J1979,
//     ISO 15031-5), data F190 of services 22 and 2E (ISO 14229-1), record 90 of
//     service 1A (ISO 14230-3); and what they exchange to unlock (services 27, 29);
//   - pieces of a number that is known;
//   - text that stands in the pages of a message and never changes.
//
// A Finder reads the capture once, and says which frames they are while it is
// read again.
package carnumber

import (
	"bytes"
	"maps"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/pattern"
)

// length of a number, in characters.
const length = 17

// Limits of what is looked for.
const (
	piece    = 4    // characters of a known number in a row
	distinct = 3    // of them: 0000 stands in many a frame
	suspect  = 6    // characters in a row that never change
	maxPages = 16   // of one identifier
	maxKeys  = 8192 // identifiers that are told apart
)

// character reports whether a number may hold a byte. The standard leaves out I,
// O and Q; not every number keeps to it.
func character(b byte) bool { return b >= '0' && b <= '9' || b >= 'A' && b <= 'Z' }

// names are what people call the number, in small letters.
var names = pattern.Late(`(vehicle|car|chassis)[ _-]?(ident[a-z]*[ _-]?)?(number|num|no\b|id\b)|vehicle[ _-]?ident`)

// abbreviated finds VIN as a word of its own: in VIN_1, EngineVIN, VinDigit2, and
// not in Diving.
var abbreviated = pattern.Late(`(^|[^A-Za-z])[Vv][Ii][Nn]([^a-z]|$)|[a-z]V(IN|in)([^a-z]|$)|(^|[^A-Za-z])Vin([A-Z]|$)`)

// Named reports whether the name of a message or a signal is that of the number.
func Named(name string) bool {
	lower := strings.ToLower(name)
	return mayName(lower) && names().MatchString(lower) || strings.Contains(lower, "vin") && abbreviated().MatchString(name)
}

// mayName is what names cannot do without; it is asked about every signal of a car.
func mayName(lower string) bool {
	has := func(part string) bool { return strings.Contains(lower, part) }
	return (has("vehicle") || has("car") || has("chassis")) && (has("num") || has("no") || has("id"))
}

// Looks reports whether a single frame looks as if it told a number: by its text, or
// as the first segment of an answer that does.
func Looks(f *can.Frame) bool {
	if f.Flags&(can.Error|can.Remote) != 0 {
		return false
	}
	why, _ := segments{}.take(f)
	return why != "" || len(Texts(f.Payload())) > 0
}

// Texts returns where in a payload six characters or more stand in a row, as
// pairs of begin and end.
func Texts(payload []byte) (spans [][2]int) {
	begin := 0
	for i := 0; i <= len(payload); i++ {
		if i < len(payload) && character(payload[i]) {
			continue
		}
		if i-begin >= suspect {
			spans = append(spans, [2]int{begin, i})
		}
		begin = i + 1
	}
	return spans
}

// Why says why a frame is not to be shown; "" is no reason.
type Why string

// The reasons.
const (
	Answered Why = "answer of a module that tells the vehicle number"
	Unlocked Why = "key exchange of a module"
	Piece    Why = "piece of the vehicle number"
	Text     Why = "text that may be the vehicle number"
)

// key is an identifier on a bus.
type key struct {
	id  uint32
	bus uint16
	ext bool
}

func keyOf(f *can.Frame) key { return key{f.ID, f.Bus, f.Flags&can.Extended != 0} }

// diagnostic reports whether an identifier is one on which modules are asked and
// answer: the upper eighth of 11 bits by practice, ISO 15765-4 for 29 bits.
func (k key) diagnostic() bool {
	if !k.ext {
		return k.id >= 0x700
	}
	kind := k.id >> 16 & 0xFF
	return kind == 0xDA || kind == 0xDB
}

// pages are the payloads of one identifier by their first byte.
type pages struct {
	byFirst map[byte][]byte // nil: that page changes
	many    bool            // more than maxPages
}

// Finder looks for numbers while a capture is read for the first time.
type Finder struct {
	known    []string
	pieces   map[string]bool
	starts   [256]bool // bytes with which a piece begins
	segments segments
	pages    map[key]*pages
}

// NewFinder looks for these numbers besides all others. What is too short to be
// told from other text is not looked for.
func NewFinder(known ...string) *Finder {
	f := &Finder{pieces: map[string]bool{}, segments: segments{}, pages: map[key]*pages{}}
	for _, n := range known {
		f.know(n)
	}
	return f
}

// know adds a number.
func (f *Finder) know(number string) {
	number = strings.ToUpper(strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, number))
	if len(number) < suspect || slices.Contains(f.known, number) {
		return
	}
	f.known = append(f.known, number)
	for i := 0; i+piece <= len(number); i++ {
		part := number[i : i+piece]
		seen := map[byte]bool{}
		for k := range piece {
			seen[part[k]] = true
		}
		if len(seen) >= distinct {
			f.pieces[part] = true
			f.starts[part[0]] = true
		}
	}
}

// Look takes the next frame of the first reading.
func (f *Finder) Look(fr *can.Frame) {
	if fr.Flags&(can.Error|can.Remote) != 0 {
		return
	}
	if why, content := f.segments.take(fr); why == Answered {
		if at := Texts(content); len(at) > 0 && at[0][1]-at[0][0] >= length {
			f.know(string(content[at[0][1]-length : at[0][1]]))
		}
	}
	f.keep(fr)
}

// keep notes the page that a frame shows.
func (f *Finder) keep(fr *can.Frame) {
	p := f.pages[keyOf(fr)]
	if p == nil {
		if len(f.pages) >= maxKeys {
			return
		}
		p = &pages{byFirst: map[byte][]byte{}}
		f.pages[keyOf(fr)] = p
	}
	if p.many || fr.Len == 0 {
		return
	}
	first := fr.Data[0]
	have, ok := p.byFirst[first]
	switch {
	case !ok && len(p.byFirst) >= maxPages:
		p.byFirst, p.many = nil, true
	case !ok:
		p.byFirst[first] = bytes.Clone(fr.Payload())
	case have != nil && !bytes.Equal(have, fr.Payload()):
		p.byFirst[first] = nil
	}
}

// text joins the pages of an identifier in the order of their first bytes.
func (p *pages) text() (joined []byte) {
	for _, first := range slices.Sorted(maps.Keys(p.byFirst)) {
		page := p.byFirst[first]
		if page == nil {
			return nil
		}
		if len(p.byFirst) > 1 || !character(page[0]) {
			page = page[1:]
		}
		joined = append(joined, page...)
	}
	return joined
}

// Numbers lists the numbers that are known: those given, those that modules told,
// those that stand as text in the pages of a message, sorted.
func (f *Finder) Numbers() []string {
	for _, p := range f.pages {
		joined := p.text()
		for _, at := range Texts(joined) {
			if text := joined[at[0]:at[1]]; len(text) == length && Mixed(text) {
				f.know(string(text))
			}
		}
	}
	slices.Sort(f.known)
	return f.known
}

// Mixed reports whether a text has letters and digits, as a number has.
func Mixed(text []byte) bool {
	letter := bytes.ContainsFunc(text, func(r rune) bool { return r >= 'A' })
	return letter && bytes.ContainsFunc(text, func(r rune) bool { return r <= '9' })
}

// holds reports whether a payload holds a piece of a known number.
func (f *Finder) holds(payload []byte) bool {
	for i := 0; i+piece <= len(payload); i++ {
		if f.starts[payload[i]] && f.pieces[string(payload[i:i+piece])] {
			return true
		}
	}
	return false
}

// Mask says which frames carry a number, while the same frames are read again in
// the same order. It is for one reading.
type Mask struct {
	finder   *Finder
	segments segments
	texts    map[key]bool // identifiers whose pages are a number, or look like one
}

// Mask returns a new one, for another reading.
func (f *Finder) Mask() *Mask {
	f.Numbers()
	m := &Mask{f, segments{}, map[key]bool{}}
	for k, p := range f.pages {
		for _, page := range p.byFirst {
			if page != nil && !k.diagnostic() && (f.holds(page) || len(Texts(page)) > 0) {
				m.texts[k] = true
			}
		}
	}
	return m
}

// Hides says why a frame is not to be shown, or that there is no reason.
func (m *Mask) Hides(fr *can.Frame) Why {
	if fr.Flags&(can.Error|can.Remote) != 0 {
		return ""
	}
	if why, _ := m.segments.take(fr); why != "" {
		return why
	}
	payload := fr.Payload()
	switch {
	case m.finder.holds(payload):
		return Piece
	case m.texts[keyOf(fr)] && textual(payload):
		return Text
	}
	return ""
}

// textual reports whether a payload is text behind its first byte, filled up or
// not. The last page of a number may hold one character of it.
func textual(payload []byte) bool {
	some := false
	for _, b := range payload[min(1, len(payload)):] {
		switch {
		case character(b):
			some = true
		case b != 0 && b != 0xFF && b != ' ' && b != 0xAA && b != 0x55:
			return false
		}
	}
	return some
}
