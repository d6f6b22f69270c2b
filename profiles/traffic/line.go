package traffic

import (
	"cmp"
	"hash/fnv"
	"slices"

	"plugproof/decode/can"
)

// Stamps are whole microseconds, because that is what a candump log can hold.
const tick = 1000

// line is one bus: it carries one frame at a time, the lowest identifier first.
type line struct {
	bitrate  int64      // bit/s
	messages []*message // sorted as they win arbitration
	due      []int64    // when each is due by its cycle, ns; never: not
	extra    []int64    // when each is due besides, ns; never: not
	free     int64      // when the bus is idle again
}

func (ln *line) index() uint16 { return ln.messages[0].empty.Bus }

// sort puts the messages into the order of arbitration.
func (ln *line) sort() {
	slices.SortStableFunc(ln.messages, func(a, b *message) int {
		return cmp.Compare(priority(&a.empty), priority(&b.empty))
	})
	ln.due = make([]int64, len(ln.messages))
	ln.extra = make([]int64, len(ln.messages))
	for i := range ln.due {
		ln.due[i], ln.extra[i] = never, never
	}
}

// priority is the identifier as arbitration sees it: the first 11 bits, then
// that it is a longer one, then the rest.
func priority(f *can.Frame) uint32 {
	if f.Is(can.Extended) {
		return f.ID>>18<<19 | 1<<18 | f.ID&(1<<18-1)
	}
	return f.ID << 19
}

// nextTime returns when the next frame of the bus starts.
func (ln *line) nextTime() int64 {
	at := int64(never)
	for i, t := range ln.due {
		at = min(at, t, ln.extra[i])
	}
	if at == never {
		return never
	}
	return max(at, ln.free)
}

// send makes the frame that wins the bus at the given time.
func (ln *line) send(at int64, f *can.Frame) error {
	for i, m := range ln.messages {
		if ln.due[i] > at && ln.extra[i] > at {
			continue
		}
		if ln.due[i] <= at {
			ln.due[i] = m.nextDue(at)
		}
		ln.extra[i] = never
		if err := m.build(f, at < m.unit.ready); err != nil {
			return err
		}
		m.sentAt = at
		nominal, data := f.WireBits()
		wire := int64(nominal+data) * 1e9 / ln.bitrate
		ln.free = at + (wire+tick)/tick*tick
		return nil
	}
	panic("internal error: no frame is due")
}

// power starts or stops the messages of a unit.
func (ln *line) power(u *unit) {
	for i, m := range ln.messages {
		if m.unit != u {
			continue
		}
		m.reset()
		ln.due[i], ln.extra[i] = never, never
		if u.on && m.cycle > 0 {
			m.first = u.alive + m.phase
			ln.due[i] = m.late(m.first)
		}
		if m.muted {
			ln.due[i] = never
		}
	}
}

// mute stops a message, or takes its cycle up again where it would be.
func (ln *line) mute(m *message, now int64) {
	i := slices.Index(ln.messages, m)
	ln.due[i], ln.extra[i] = never, never
	if !m.muted && m.unit.on && m.cycle > 0 {
		ln.due[i] = m.nextDue(max(now, m.unit.alive) + m.cycle) // none of those that were left out
	}
}

// request makes a message due besides its cycle.
func (ln *line) request(m *message, now int64) {
	if m.muted {
		return
	}
	i := slices.Index(ln.messages, m)
	ln.extra[i] = min(ln.extra[i], max(now, m.sentAt+m.delay))
}

// lookForChanges requests the messages of which a watched value has changed.
func (ln *line) lookForChanges(now int64) {
	for _, m := range ln.messages {
		if len(m.watch) > 0 && m.unit.on && now >= m.unit.ready && m.changed() {
			ln.request(m, now)
		}
	}
}

// setClock settles when the message is sent within its cycle, and how regularly.
func (t *message) setClock(c Config) {
	h := hash(c.Seed, t.msg.Def.Name)
	t.cycle = int64(float64(t.cycle) * t.unit.pace)
	t.phase = int64(h.unit(0)*float64(t.cycle)) / tick * tick
	t.jitter = h
	t.most = int64(c.Jitter)
}

// nextDue returns when the message is due after a frame at the given time. What
// the bus had no room for is left out, as a unit does that overwrites its mailbox.
func (t *message) nextDue(at int64) int64 {
	for {
		t.turn++
		if nominal := t.first + t.turn*t.cycle; nominal+t.cycle > at {
			return t.late(nominal)
		}
	}
}

// late adds the jitter of this turn, in whole ticks.
func (t *message) late(nominal int64) int64 {
	return (nominal + int64(t.jitter.unit(uint64(t.turn)+1)*float64(t.most))) / tick * tick
}

// noise is a stateless source of numbers: the same index gives the same number.
type noise uint64

// hash makes a source of numbers for a seed and a name.
func hash(seed uint64, name string) noise {
	h := fnv.New64a()
	h.Write([]byte(name))
	return noise(mix(h.Sum64() ^ mix(seed)))
}

// unit returns a number of at least 0 and below 1.
func (n noise) unit(i uint64) float64 {
	return float64(mix(uint64(n)+i*0x9E3779B97F4A7C15)>>11) / (1 << 53)
}

// mix is the finaliser of splitmix64 (Steele, Lea, Flood 2014).
func mix(z uint64) uint64 {
	z = (z ^ z>>30) * 0xBF58476D1CE4E5B9
	z = (z ^ z>>27) * 0x94D049BB133111EB
	return z ^ z>>31
}
