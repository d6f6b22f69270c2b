package survey

// courseBase is the smallest width of a Course's steps, in ns: that of Windows.
const courseBase = windowNS

// Course is the sum of two amounts over time, such as bits at the nominal and at
// the data rate, in a fixed number of steps. As in a Track, steps double in width
// when the time seen no longer fits, and stay aligned to whole multiples of it:
// what it holds does not depend on where the stretches of a capture were cut.
// Make one with NewCourse.
type Course struct {
	limit int
	width int64 // ns
	low   int64 // number of the first step: its start divided by width
	sums  []Sum
}

// Sum is what fell into one step.
type Sum struct{ Nominal, Data uint64 }

// NewCourse returns an empty course of at most limit steps, at least four.
func NewCourse(limit int) *Course { return &Course{limit: max(4, limit), width: courseBase} }

// Add counts amounts at a time in ns.
func (c *Course) Add(time int64, nominal, data uint64) {
	number := floorDiv(min(max(time, -farTime), farTime), c.width)
	if at := number - c.low; at < 0 || at >= int64(len(c.sums)) {
		number = c.seek(number)
	}
	s := &c.sums[number-c.low]
	s.Nominal += nominal
	s.Data += data
}

// seek makes a step exist and returns its number, which is another one where the
// steps had to become wider.
func (c *Course) seek(number int64) int64 {
	for !c.fits(number) {
		c.widen()
		number >>= 1
	}
	switch {
	case len(c.sums) == 0:
		c.low = number
		c.sums = append(c.sums, Sum{})
	case number < c.low:
		c.sums = append(make([]Sum, c.low-number), c.sums...)
		c.low = number
	default:
		for number-c.low >= int64(len(c.sums)) {
			c.sums = append(c.sums, Sum{})
		}
	}
	return number
}

// fits reports whether the step of that number can be added.
func (c *Course) fits(number int64) bool {
	if len(c.sums) == 0 {
		return true
	}
	low, high := min(number, c.low), max(number, c.low+int64(len(c.sums))-1)
	return uint64(high)-uint64(low) < uint64(c.limit)
}

// widen doubles the width and joins pairs of steps.
func (c *Course) widen() {
	low := c.low >> 1
	joined := c.sums[:0]
	for i, s := range c.sums {
		if at := int((c.low+int64(i))>>1 - low); at < len(joined) {
			joined[at].Nominal += s.Nominal
			joined[at].Data += s.Data
		} else {
			joined = append(joined, s)
		}
	}
	c.sums, c.low = joined, low
	c.width *= 2
}

// Merge adds the amounts of another stretch.
func (c *Course) Merge(next *Course) {
	for c.width < next.width {
		c.widen()
	}
	for i, s := range next.sums {
		c.Add((next.low+int64(i))*next.width, s.Nominal, s.Data)
	}
}

// Width returns the width of the steps in ns.
func (c *Course) Width() int64 { return c.width }

// Start returns the time, in ns, at which the first step begins.
func (c *Course) Start() int64 { return c.low * c.width }

// Sums returns the steps in order of time. The caller must not write to them.
func (c *Course) Sums() []Sum { return c.sums }
