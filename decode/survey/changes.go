package survey

// Step is a value and the time, in ns, from which it stood.
type Step struct {
	Time int64
	Raw  uint64
}

// Changes lists when a value changed: the first value and the changes after it,
// as many as the limit allows, and how many there were in all. Make one with
// NewChanges.
type Changes struct {
	limit int
	steps []Step
	count uint64
	last  uint64
}

// NewChanges returns an empty list of at most limit steps, at least one.
func NewChanges(limit int) *Changes { return &Changes{limit: max(1, limit)} }

// Add takes the value that was seen at a time in ns.
func (c *Changes) Add(time int64, raw uint64) {
	if len(c.steps) > 0 {
		if raw == c.last {
			return
		}
		c.count++
	}
	c.last = raw
	if len(c.steps) < c.limit {
		c.steps = append(c.steps, Step{time, raw})
	}
}

// Merge adds the changes of the following stretch, which must have the same limit.
func (c *Changes) Merge(next *Changes) {
	if len(next.steps) == 0 {
		return
	}
	c.Add(next.steps[0].Time, next.steps[0].Raw)
	more := next.steps[1:]
	c.steps = append(c.steps, more[:min(len(more), c.limit-len(c.steps))]...)
	c.count += next.count
	c.last = next.last
}

// Count returns how often the value changed.
func (c *Changes) Count() uint64 { return c.count }

// Steps returns the first value and the changes after it, in the order they
// were added; Count tells whether some did not fit. The caller must not write to it.
func (c *Changes) Steps() []Step { return c.steps }
