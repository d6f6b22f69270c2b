package learn

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// draft is a profile in the making.
type draft struct {
	opts    *Options
	defs    *definitions
	seen    *seen
	without *seen // nil: no capture without the engine computer

	replaced string
	nodes    map[string]*node
	entries  []*entry // those that were seen, sorted by bus and identifier
	unseen   []*entry // those that only a DBC file has, sorted by bus and name
	remarks  []string
	clumped  bool // the stamps come in bursts
}

// node is a node of the profile, with what speaks for it.
type node struct {
	profiles.Node
	why string
}

// entry is one message of the profile.
type entry struct {
	address
	name    string
	def     *dbc.Message // nil: no DBC file has it
	seen    *survey.ID   // nil: it did not come
	message profiles.Message
	unit    string // its sender by the DBC file or by its J1939 address; "": not known
	lesson  guard.Lesson
	notes   map[string]string // by key of the message: what the value rests on
	about   []string          // on the message as a whole
}

func (e *entry) note(key, format string, args ...any) { e.notes[key] = fmt.Sprintf(format, args...) }

// newDraft starts a profile from what was seen.
func newDraft(opts *Options, defs *definitions, seen *seen) (*draft, error) {
	d := &draft{opts: opts, defs: defs, seen: seen, nodes: map[string]*node{}}
	d.remarks = defs.settle(seen.buses)
	for i := range seen.buses {
		bus := &seen.buses[i]
		if bus.Others != nil {
			return nil, tooMany(bus.Others.Frames)
		}
		d.addBus(bus)
	}
	switch {
	case len(d.entries)+len(d.unseen) > maxMessages:
		return nil, tooMany(seen.frames)
	case len(d.entries) == 0:
		return nil, ErrNothing
	}
	d.tellApart()
	for _, e := range d.entries {
		d.describe(e)
	}
	return d, nil
}

func tooMany(frames uint64) error {
	return fmt.Errorf("%d frames of more than %d different messages: no car has so many; is the capture damaged?", frames, maxMessages)
}

// addBus makes the entries of one bus.
func (d *draft) addBus(bus *survey.Bus) {
	named := d.defs.named(bus.Name)
	j1939 := d.defs.j1939(*bus)
	taken := map[*dbc.Message]bool{}
	var list []*entry
	for i := range bus.IDs {
		id := &bus.IDs[i]
		if id.Remote {
			d.remarks = append(d.remarks, fmt.Sprintf("%s on %s: %d remote frames are left out", id.Text, bus.Name, id.Frames))
			continue
		}
		e := &entry{
			address: address{bus.Name, profiles.ID{Value: id.ID, Extended: id.Extended}},
			seen:    id, notes: map[string]string{},
		}
		if def := d.defs.lookup(e.bus, e.id); d.defs.applies(def, e.bus) {
			e.def = def
		}
		e.unit = unitOf(e, j1939)
		list = append(list, e)
	}
	slices.SortFunc(list, func(a, b *entry) int { return a.id.Compare(b.id) })
	// A definition is that of its own identifier, else of the first that it fits.
	for _, exact := range []bool{true, false} {
		for _, e := range list {
			if def := e.def; def != nil && !taken[def] && named[def.Name] == def && e.isOf(def) == exact {
				e.name, taken[def] = def.Name, true
			}
		}
	}
	for _, e := range list {
		if e.name == "" {
			e.name = idName(e.id)
			if e.def != nil {
				e.about = append(e.about, fmt.Sprintf("laid out as %s of %s", e.def.Name, e.def.Pos.File))
				e.def = nil
			}
		}
	}
	d.entries = append(d.entries, list...)
	for _, name := range slices.Sorted(maps.Keys(named)) {
		if def := named[name]; !taken[def] {
			d.unseen = append(d.unseen, unseenEntry(bus, def))
		}
	}
}

func (e *entry) isOf(def *dbc.Message) bool {
	return def.ID == e.id.Value && def.Extended == e.id.Extended
}

// idName names a message that no DBC file has.
func idName(id profiles.ID) string {
	if id.Extended {
		return fmt.Sprintf("id_%08Xx", id.Value)
	}
	return fmt.Sprintf("id_%03X", id.Value)
}

// unitOf returns who sends a message, as far as the definitions tell.
func unitOf(e *entry, j1939 bool) string {
	switch {
	case j1939 && e.id.Extended:
		return fmt.Sprintf("Address%02X", e.id.Value&0xFF)
	case e.def != nil && len(e.def.Senders) > 0 && e.def.Senders[0] != "XXX":
		return e.def.Senders[0]
	}
	return ""
}

// unseenEntry is a message of the DBC file that did not come. What is sent at a
// pace and did not come in three cycles, at least 2 s, is not sent in this car; of
// the others nobody can tell.
func unseenEntry(bus *survey.Bus, def *dbc.Message) *entry {
	e := &entry{
		address: address{bus.Name, profiles.ID{Value: def.ID, Extended: def.Extended}},
		name:    def.Name, def: def, notes: map[string]string{},
	}
	if length := observed(bus); def.CycleTime > 0 && length >= enough(def.CycleTime) {
		e.message.Absent = true
		e.note("absent", "stated every %v, not seen in %s", def.CycleTime, seconds(length))
	} else {
		e.message.Option = true
		e.note("option", "not seen, which proves nothing")
	}
	return e
}

// observed returns for how long a bus was recorded.
func observed(bus *survey.Bus) time.Duration {
	if bus.ObservedS == nil {
		return 0
	}
	return time.Duration(*bus.ObservedS * 1e9)
}

// enough is how long a bus must be recorded to prove that a message of this cycle
// is not on it (trade practice: three cycles, at least 2 s).
func enough(cycle time.Duration) time.Duration { return max(3*cycle, 2*time.Second) }

// tellApart renames messages of one name on several buses.
func (d *draft) tellApart() {
	count := map[string]int{}
	for _, e := range append(slices.Clone(d.entries), d.unseen...) {
		count[e.name]++
	}
	for _, e := range d.entries {
		if e.def == nil && count[e.name] > 1 {
			e.name += "_" + strings.Map(wordOnly, e.bus)
		}
	}
}

func wordOnly(r rune) rune {
	if r == '_' || r == '-' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
		return r
	}
	return '_'
}

// describe fills in what was seen of a message.
func (d *draft) describe(e *entry) {
	id, m := e.seen, &e.message
	m.Bus, m.ID = e.bus, &profiles.ID{Value: e.id.Value, Extended: e.id.Extended}
	e.about = append(e.about, d.when(e))
	d.describeLength(e)
	d.describePace(e)
	if id.Frames >= minGaps && m.Length != nil {
		m.Still = stillBits(id.Bits)
		d.leaveNumber(e)
	}
}

// when says how many frames there were, from when to when.
func (d *draft) when(e *entry) string {
	text := fmt.Sprintf("%d frames", e.seen.Frames)
	if e.seen.Frames == 1 {
		text = "1 frame"
	}
	bus := d.busOf(e)
	if e.seen.First == nil || bus.First == nil {
		return text
	}
	from, to := int64(*e.seen.First-*bus.First), int64(*e.seen.Last-*bus.First)
	length := int64(*bus.Last - *bus.First)
	return fmt.Sprintf("%s, %s to %s of %s", text, seconds(from), seconds(to), seconds(length))
}

func (d *draft) busOf(e *entry) *survey.Bus {
	i := slices.IndexFunc(d.seen.buses, func(b survey.Bus) bool { return b.Name == e.bus })
	return &d.seen.buses[i]
}

// describeLength takes over a length that all frames had.
func (d *draft) describeLength(e *entry) {
	if len(e.seen.Lengths) == 1 {
		n := e.seen.Lengths[0].Bytes
		e.message.Length = &n
		if e.def != nil && e.def.Length != n {
			e.note("length", "%s has %d", e.def.Pos.File, e.def.Length)
		}
		return
	}
	var parts []string
	for _, l := range e.seen.Lengths {
		parts = append(parts, fmt.Sprintf("%d of %d bytes", l.Frames, l.Bytes))
	}
	e.about = append(e.about, "its length varies: "+strings.Join(parts, ", "))
}

var kinds = map[survey.Kind]profiles.Kind{
	survey.Cyclic: profiles.Cyclic, survey.Mixed: profiles.Mixed,
	survey.OnChange: profiles.OnChange, survey.Variable: profiles.Variable,
}

// describePace says when a message is sent.
func (d *draft) describePace(e *entry) {
	id := e.seen
	gaps := uint64(0)
	if id.Gaps != nil {
		gaps = id.Gaps.Count
	}
	kind, known := kinds[id.Kind]
	switch {
	case d.opts.WithoutTiming:
		return
	case gaps < minGaps:
		e.about = append(e.about, fmt.Sprintf("%d gaps are too few to tell its pace (%d are needed)", gaps, minGaps))
		return
	case !known:
		e.about = append(e.about, fmt.Sprintf("it comes at no pace that could be told: half of its %d gaps up to %s, 95 %% up to %s",
			gaps, ms(id.Gaps.P50MS), ms(id.Gaps.P95MS)))
		return
	}
	e.message.Kind = kind
	if id.CycleNS > 0 {
		d.describeCycle(e)
		d.describePart(e)
	}
}

// mostOfIt is the share of its frames that a message must have shown for its
// absence to mean something (trade practice).
const mostOfIt = 0.9

// describePart marks a message that was sent for a part of the time only: nobody
// knows what it waits for, so its absence proves nothing.
func (d *draft) describePart(e *entry) {
	awake := d.awake(d.busOf(e))
	share := float64(e.seen.Frames) * float64(e.seen.CycleNS) / float64(max(1, awake))
	if awake == 0 || share >= mostOfIt {
		return
	}
	e.message.Option = true
	e.note("option", "it came %.0f %% of the time while most messages of the bus did: its absence proves nothing", 100*share)
	bus := d.busOf(e)
	d.remarks = append(d.remarks, fmt.Sprintf("%s on %s was sent for a part of the time only, from %s to %s",
		e.id, e.bus, seconds(int64(*e.seen.First-*bus.First)), seconds(int64(*e.seen.Last-*bus.First))))
}

// awake returns for how long most messages of a bus came, ns: from the median of
// their first frames to that of their last. The units of a car do not wake and
// fall asleep at once.
func (d *draft) awake(bus *survey.Bus) int64 {
	if len(d.opts.Captures) > 1 {
		return int64(observed(bus)) // times of different captures do not compare
	}
	var first, last []int64
	for i := range bus.IDs {
		if id := &bus.IDs[i]; id.CycleNS > 0 && id.First != nil {
			first, last = append(first, int64(*id.First)), append(last, int64(*id.Last))
		}
	}
	if len(first) == 0 {
		return 0
	}
	slices.Sort(first)
	slices.Sort(last)
	return max(0, last[len(last)/2]-first[len(first)/2])
}

// describeCycle takes over the cycle, where the DBC file does not state the same.
func (d *draft) describeCycle(e *entry) {
	g, measured := e.seen.Gaps, time.Duration(e.seen.CycleNS)
	text := fmt.Sprintf("median of %d gaps %s, 95 %% up to %s, longest %s",
		g.Count, ms(float64(e.seen.CycleNS)/1e6), ms(g.P95MS), ms(g.MaxMS))
	if g.Count < firmGaps {
		text += "; not firm, that takes " + fmt.Sprint(firmGaps)
	}
	stated := time.Duration(0)
	if e.def != nil {
		stated = e.def.CycleTime
	}
	if off := measured - stated; stated > 0 && max(off, -off)*10 <= stated {
		e.note("kind", "every %v as %s states; %s", stated, e.def.Pos.File, text)
		return
	}
	e.message.Cycle = profiles.Time(rounded(measured))
	if stated > 0 {
		text += fmt.Sprintf("; %s states %v", e.def.Pos.File, stated)
	}
	e.note("cycle", "%s", text)
}

// rounded returns the figure with the fewest digits within the error of a
// quantile.
func rounded(d time.Duration) time.Duration {
	for unit := time.Duration(1e12); unit > 1; unit /= 10 {
		r := d.Round(unit)
		if off := float64(r - d); r > 0 && max(off, -off) <= survey.GapErrorPercent/100*float64(d) {
			return r
		}
	}
	return d
}

// stillBits returns the bits of the first 8 bytes that never changed.
func stillBits(m survey.BitMap) profiles.Bits {
	b := profiles.Bits{Bytes: min(len(m), 8)}
	for i := range 8 * b.Bytes {
		bit := uint64(1) << (i/8*8 + 7 - i%8)
		switch survey.BitUse(m[i/8][i%8]) {
		case survey.BitAlways1:
			b.Ones |= bit
			fallthrough
		case survey.BitAlways0:
			b.Stood |= bit
		}
	}
	if b.Stood == 0 {
		return profiles.Bits{}
	}
	return b
}
