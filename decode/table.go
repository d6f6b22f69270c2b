package decode

import (
	"math/bits"

	"plugproof/decode/can"
)

// Table holds the messages of one bus.
type Table struct {
	standard [can.MaxStandardID + 1]*Message
	extended idMap
	j1939    idMap // by identifier without priority, anyAddress as a wildcard
	messages []*Message
}

func newTable() *Table { return new(Table) }

// Messages returns the messages in the order of their definition. The caller
// must not write to the slice.
func (t *Table) Messages() []*Message { return t.messages }

// Message returns the first message of that name, nil when there is none.
func (t *Table) Message(name string) *Message {
	for _, m := range t.messages {
		if m.Def.Name == name {
			return m
		}
	}
	return nil
}

// Lookup returns the message of a frame, nil when the frame is not known, or is
// a remote or error frame. A nil Table knows no frame.
//
// An 11-bit and a 29-bit identifier of the same value are different messages. A
// 29-bit one is looked up as it is first. When no definition has it, those
// marked as J1939 are asked (SAE J1939-21): the priority (bits 26 to 28) is not
// compared, a definition with source address 0xFE stands for any source, and
// one of the destination-specific kind (PDU1: bits 16 to 23 below 240) with
// destination 0xFE or 0xFF for any destination. The closest match wins.
func (t *Table) Lookup(f *can.Frame) *Message {
	if t == nil || f.Flags&(can.Remote|can.Error) != 0 {
		return nil
	}
	if f.Flags&can.Extended == 0 {
		if f.ID > can.MaxStandardID {
			return nil
		}
		return t.standard[f.ID]
	}
	if m := t.extended.get(f.ID); m != nil || t.j1939.used == 0 {
		return m
	}
	return t.lookupJ1939(f.ID)
}

// add enters a message; it returns the message that has the identifier already,
// and then changes nothing. The identifier must be in range.
func (t *Table) add(m *Message) (first *Message) {
	def := m.Def
	switch {
	case !def.Extended:
		slot := &t.standard[def.ID]
		if *slot != nil {
			return *slot
		}
		*slot = m
	default:
		if first := t.extended.put(def.ID, m); first != nil {
			return first
		}
		if def.J1939 {
			t.addJ1939(m)
		}
	}
	t.messages = append(t.messages, m)
	return nil
}

// Parts of a J1939 identifier: priority 3 bits, extended data page and data
// page 1 each, PDU format 8, PDU specific 8 (the destination when the format is
// below 240), source address 8.
const (
	sourceMask      = 0x000000FF
	destinationMask = 0x0000FF00
	noPriority      = 0x03FFFFFF
	anySource       = 0x000000FE
	anyDestination  = 0x0000FE00
	global          = 0x0000FF00
	pdu2Format      = 240
)

func isPDU1(id uint32) bool { return id>>16&0xFF < pdu2Format }

func (t *Table) addJ1939(m *Message) {
	key := m.Def.ID & noPriority
	if isPDU1(key) && key&destinationMask == global {
		// A frame to everybody is the plainest example of the message, not a
		// promise that it is never sent to one node.
		t.j1939.put(key&^destinationMask|anyDestination, m)
	}
	t.j1939.put(key, m)
}

func (t *Table) lookupJ1939(id uint32) *Message {
	key := id & noPriority
	if m := t.j1939.get(key); m != nil {
		return m
	}
	if m := t.j1939.get(key&^sourceMask | anySource); m != nil {
		return m
	}
	if !isPDU1(key) {
		return nil
	}
	key = key&^destinationMask | anyDestination
	if m := t.j1939.get(key); m != nil {
		return m
	}
	return t.j1939.get(key&^sourceMask | anySource)
}

// idMap maps identifiers to messages: open addressing with linear probing, at
// most half full, which is several times faster than the built-in map.
type idMap struct {
	slots []idSlot // length a power of two
	shift uint8    // 32 - log2(len(slots))
	used  int
}

type idSlot struct {
	id  uint32
	msg *Message // nil: free
}

// 2^32 divided by the golden ratio spreads runs of neighbouring identifiers.
const hashFactor = 0x9E3779B1

func (h *idMap) get(id uint32) *Message {
	if h.used == 0 {
		return nil
	}
	mask := uint32(len(h.slots) - 1)
	for i := id * hashFactor >> h.shift; ; i++ {
		slot := &h.slots[i&mask]
		if slot.id == id || slot.msg == nil {
			return slot.msg
		}
	}
}

// put enters a message unless the identifier is taken; then it returns the
// message that has it.
func (h *idMap) put(id uint32, m *Message) (first *Message) {
	if first := h.get(id); first != nil {
		return first
	}
	if 2*(h.used+1) > len(h.slots) {
		h.grow()
	}
	mask := uint32(len(h.slots) - 1)
	i := id * hashFactor >> h.shift
	for h.slots[i&mask].msg != nil {
		i++
	}
	h.slots[i&mask] = idSlot{id, m}
	h.used++
	return nil
}

func (h *idMap) grow() {
	old := h.slots
	size := max(16, 2*len(old))
	*h = idMap{slots: make([]idSlot, size), shift: uint8(32 - bits.TrailingZeros(uint(size)))}
	for _, s := range old {
		if s.msg != nil {
			h.put(s.id, s.msg)
		}
	}
}
