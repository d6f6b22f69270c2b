package rules

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// carrier is one unit's copy of the car's number. The number itself is kept
// nowhere: only what is left of it after hashing is compared.
type carrier struct {
	ref    profiles.SignalRef
	sender string
	bits   int
	hashes map[int][sha256.Size]byte // of its lowest bits, by how many
	none   bool                      // it holds no number
}

// judgeCarNumber finds a car number that is missing, or is not the car's.
func judgeCarNumber(c *Case, r *Results) {
	if unjudgeable(r) || len(c.Setting.CarNumber) == 0 {
		return
	}
	now := c.carriers(c.Evidence, r)
	var was []carrier
	if c.Baseline != nil {
		was = c.carriers(c.Baseline, nil)
	}
	for i := range now {
		x := &now[i]
		switch {
		case x.none:
			c.carNumber(r, x, "holds no number: the unit was never told which car it is in")
		case c.Setting.Replaced != "" && x.sender != c.Setting.Replaced && c.oneOf(now, c.Setting.Replaced):
			// the replaced unit is judged against it
		default:
			if other := differs(x, now); other != "" {
				c.carNumber(r, x, "is not the number that "+other+" has (compared by hash)")
				continue
			}
			if before := slices.IndexFunc(was, func(w carrier) bool { return w.ref == x.ref }); before >= 0 && !same(x, &was[before]) {
				c.carNumber(r, x, "is not the number that it was in the baseline (compared by hash)")
			}
		}
	}
}

// carNumber files the finding about one carrier.
func (c *Case) carNumber(r *Results, x *carrier, what string) {
	message, signal := x.ref.Split()
	f := About("variant/car-number", Fail, c.Setting.Message(message))
	f.Signal, f.Listener = signal, firstListener(c.Setting.Message(message))
	f.Text = fmt.Sprintf("%s %s", x.ref, what)
	f.NextStep = "pair the new ECU with the car in the lawful way; the number is never shown here"
	if ref, ok := c.Setting.Roles[profiles.Distance]; ok { // an unpaired cluster shows no distance
		f.Functions = c.ofMessages(map[string]bool{string(ref): true})
	}
	stream := c.Evidence.Messages[message].Stream
	f.FirstTime, f.HasTime, f.Count = stream.First, true, stream.Frames
	r.Add(f)
}

// carriers reads the copies of the number that came. r is nil for a baseline.
func (c *Case) carriers(ev *evidence.Evidence, r *Results) (list []carrier) {
	widths := []int{}
	for _, ref := range c.Setting.CarNumber {
		if _, def := c.Setting.Signal(ref); def != nil {
			widths = append(widths, def.Length)
		}
	}
	for _, ref := range c.Setting.CarNumber {
		message, signal := ref.Split()
		m := ev.Messages[message]
		if m == nil || m.Seen() == 0 || r != nil && r.blocked(message) {
			continue
		}
		s := m.Signals[signal]
		if s == nil || s.Frames < 3 {
			continue
		}
		raw, ok := usual(s)
		if !ok {
			continue
		}
		all := ^uint64(0) >> (64 - min(64, s.Def.Length))
		x := carrier{ref: ref, sender: m.Facts.Sender, bits: s.Def.Length, hashes: map[int][sha256.Size]byte{}}
		x.none = raw&all == 0 || raw&all == all
		for _, width := range widths {
			if width <= s.Def.Length {
				x.hashes[width] = hashOf(raw & (^uint64(0) >> (64 - min(64, width))))
			}
		}
		list = append(list, x)
	}
	return list
}

// usual returns the raw value that most frames have; ok is false where there are
// too many values to tell.
func usual(s *evidence.Signal) (raw uint64, ok bool) {
	most := uint64(0)
	for _, value := range slices.Sorted(maps.Keys(s.Values)) {
		if n := s.Values[value]; n > most {
			raw, most = value, n
		}
	}
	return raw, most > 0 && !s.MoreValues
}

func hashOf(raw uint64) [sha256.Size]byte {
	return sha256.Sum256(binary.BigEndian.AppendUint64(nil, raw))
}

// same compares two copies by the bits that both have.
func same(a, b *carrier) bool {
	width := min(a.bits, b.bits)
	ha, ok1 := a.hashes[width]
	hb, ok2 := b.hashes[width]
	return !ok1 || !ok2 || ha == hb
}

// differs names another unit's copy that is not the same, "" when all are.
func differs(x *carrier, all []carrier) string {
	for i := range all {
		if other := &all[i]; other.sender != x.sender && !other.none && !same(x, other) {
			return string(other.ref)
		}
	}
	return ""
}

// oneOf reports whether a unit has a copy that holds a number.
func (c *Case) oneOf(list []carrier, sender string) bool {
	return slices.ContainsFunc(list, func(x carrier) bool { return x.sender == sender && !x.none })
}
