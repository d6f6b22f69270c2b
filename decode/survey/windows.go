package survey

const (
	windowNS  = 100_000_000 // one window
	perSecond = 10          // windows in a second
)

// Windows finds the busiest 100 ms and the busiest second of a stream of two
// kinds of amounts: bits at the nominal and at the data rate.
//
// Windows of 100 ms are aligned to whole multiples of 100 ms of the capture's
// clock; a second is ten windows in a row, so it moves in steps of 100 ms. A
// step back into an earlier window, and another capture, start afresh: such
// pieces are never added up. A window in which every stamp is 0 has no clock
// and is left out.
type Windows struct {
	Nominal, Data uint64 // weights by which amounts are compared; 0 counts as 1

	open    bool
	current window
	closed  int               // windows before the current one
	head    []window          // the first perSecond of them, for the seam
	tail    [2]uint64         // nominal and data bits of the others
	ring    [perSecond]window // the latest closed windows, the newest at (inRing-1) % perSecond
	inRing  int               // closed windows since the last fresh start
	busiest [2]Peak           // 100 ms, 1 s
}

// Peak is the busiest stretch of a given length.
type Peak struct {
	Start         int64  // ns
	Nominal, Data uint64 // bits in it
	Found         bool
}

type window struct {
	index         int64 // time / windowNS
	file          uint16
	timed         bool // any stamp other than 0
	nominal, data uint64
}

// Add counts an amount at a time, in ns, of the capture with the given index.
func (w *Windows) Add(time int64, file uint16, nominal, data uint64) {
	w.feed(window{index: floorDiv(time, windowNS), file: file, timed: time != 0, nominal: nominal, data: data})
}

func (w *Windows) feed(next window) {
	if w.open && next.index == w.current.index && next.file == w.current.file {
		w.current.nominal += next.nominal
		w.current.data += next.data
		w.current.timed = w.current.timed || next.timed
		return
	}
	if w.open {
		w.close()
	}
	w.open, w.current = true, next
}

// close takes the current window as complete.
func (w *Windows) close() {
	c := w.current
	if w.closed++; w.closed <= perSecond {
		w.head = append(w.head, c)
	} else if c.timed {
		w.tail[0] += c.nominal
		w.tail[1] += c.data
	}
	if newest := w.ring[(w.inRing+perSecond-1)%perSecond]; w.inRing > 0 &&
		(newest.file != c.file || newest.index >= c.index) {
		w.inRing = 0
	}
	w.ring[w.inRing%perSecond] = c
	w.inRing++
	if !c.timed {
		return
	}
	w.offer(0, Peak{Start: c.index * windowNS, Nominal: c.nominal, Data: c.data, Found: true})
	second := Peak{Start: (c.index - perSecond + 1) * windowNS, Found: true}
	for i := range min(w.inRing, perSecond) {
		if r := &w.ring[i]; r.index > c.index-perSecond && r.timed {
			second.Nominal += r.nominal
			second.Data += r.data
		}
	}
	w.offer(1, second)
}

// offer keeps the busier of two peaks, the earlier one of equals.
func (w *Windows) offer(which int, p Peak) {
	if best := &w.busiest[which]; p.Found && (!best.Found || w.weight(p) > w.weight(*best)) {
		*best = p
	}
}

func (w *Windows) weight(p Peak) uint64 {
	return p.Nominal*max(1, w.Nominal) + p.Data*max(1, w.Data)
}

// Merge takes over the windows of the following stretch.
func (w *Windows) Merge(next *Windows) {
	for _, win := range next.head {
		w.feed(win)
	}
	if next.closed <= perSecond {
		if next.open {
			w.feed(next.current)
		}
		return
	}
	// Windows past next's head lie further from the seam than a second: what
	// next made of them stands.
	w.close()
	w.closed += next.closed - perSecond
	w.tail[0] += next.tail[0]
	w.tail[1] += next.tail[1]
	w.ring, w.inRing = next.ring, next.inRing
	w.current = next.current
	for which, p := range next.busiest {
		w.offer(which, p)
	}
}

// Busiest returns the busiest 100 ms and the busiest second so far.
func (w *Windows) Busiest() (tenth, second Peak) {
	done := w.finished()
	return done.busiest[0], done.busiest[1]
}

// Total returns the amounts in all windows that have a clock.
func (w *Windows) Total() (nominal, data uint64) {
	done := w.finished()
	nominal, data = done.tail[0], done.tail[1]
	for _, win := range done.head {
		if win.timed {
			nominal += win.nominal
			data += win.data
		}
	}
	return nominal, data
}

// finished returns a copy in which the current window is closed.
func (w *Windows) finished() *Windows {
	done := *w
	done.head = append([]window(nil), w.head...)
	if done.open {
		done.close()
		done.open = false
	}
	return &done
}
