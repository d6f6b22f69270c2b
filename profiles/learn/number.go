package learn

import (
	"plugproof/decode/carnumber"
	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// leaveNumber takes out of the bits that never changed what may be the number of
// the car: it is nobody's business, and no other car's. That is what a DBC file
// names so, text of six characters or more, and pages of text.
func (d *draft) leaveNumber(e *entry) {
	still := &e.message.Still
	out := stillText(still)
	if e.def != nil {
		out |= namedBits(e.def)
	}
	if d.tellsNumber(e) {
		out = ^uint64(0)
	}
	if out&still.Stood == 0 {
		return
	}
	still.Stood &^= out
	still.Ones &^= out
	if still.Stood == 0 {
		*still = profiles.Bits{}
	}
	e.about = append(e.about, "bits that may be the number of the car are left out")
}

// stillText returns the bits of the bytes that stand as text.
func stillText(still *profiles.Bits) (mask uint64) {
	var text [8]byte
	for i := range text {
		if still.Stood>>(8*i)&0xFF == 0xFF {
			text[i] = byte(still.Ones >> (8 * i))
		}
	}
	for _, at := range carnumber.Texts(text[:]) {
		for i := at[0]; i < at[1]; i++ {
			mask |= 0xFF << (8 * i)
		}
	}
	return mask
}

// namedBits returns the bits of the signals that are named as the number of the car.
func namedBits(def *dbc.Message) (mask uint64) {
	for _, sig := range def.Signals {
		switch {
		case !rules.NamesNumber(def.Name, sig):
		case sig.Length > 64:
			return ^uint64(0)
		default:
			mask |= sig.Mask()
		}
	}
	return mask
}

// tellsNumber reports whether pages of a message are text, or modules answer in it
// with the number.
func (d *draft) tellsNumber(e *entry) bool {
	sample := d.seen.samples[e.address]
	if sample == nil {
		return false
	}
	frames := sample.Frames()
	finder := carnumber.NewFinder()
	for i := range frames {
		finder.Look(&frames[i])
	}
	mask := finder.Mask()
	for i := range frames {
		switch mask.Hides(&frames[i]) {
		case carnumber.Answered, carnumber.Piece, carnumber.Text:
			return true
		}
	}
	return false
}
