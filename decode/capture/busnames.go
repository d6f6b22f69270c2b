package capture

import "plugproof/decode/can"

// busNames finds the index of an interface name without asking the shared table
// for every line.
type busNames struct {
	buses  *can.Buses
	intern func(name []byte) (uint16, bool) // adds a name to buses
	known  map[string]uint16
	full   bool         // buses takes no more names, and known holds all of them
	usual  [8]usualName // short names, for the candump log's short way
	count  int          // of usual
	last   int          // the one found last
}

func newBusNames(buses *can.Buses) busNames {
	return busNames{buses: buses, intern: buses.Intern, known: map[string]uint16{}}
}

// usualName is an interface name that fits a word together with the blank after
// it, as word loads it.
type usualName struct {
	text, mask uint64
	size       int // characters, with the blank
	bus        uint16
}

// find returns the index of a name. A record is Malformed when it names one more
// interface than the table takes: no car has that many.
func (b *busNames) find(name []byte) (uint16, Kind) {
	bus, ok := b.known[string(name)]
	switch {
	case ok:
		return bus, good
	case b.full:
		return 0, Malformed
	}
	if bus, ok = b.intern(name); !ok {
		b.full = true
		for i, bus := range b.buses.All() {
			b.known[bus.Name] = uint16(i)
		}
		return 0, Malformed
	}
	b.known[string(name)] = bus
	if len(name) < 8 && b.count < len(b.usual) {
		var text [8]byte
		copy(text[:], name)
		text[len(name)] = ' '
		b.usual[b.count] = usualName{word(text[:]), 1<<(8*len(name)+8) - 1, len(name) + 1, bus}
		b.count++
	}
	return bus, good
}

// quick returns the name that w begins with, or nil when it is none of the usual.
func (b *busNames) quick(w uint64) *usualName {
	u := &b.usual[b.last]
	if w&u.mask == u.text && u.size > 0 {
		return u
	}
	return b.search(w)
}

func (b *busNames) search(w uint64) *usualName {
	for i := range b.usual[:b.count] {
		if u := &b.usual[i]; w&u.mask == u.text {
			b.last = i
			return u
		}
	}
	return nil
}
