// Package survey gathers timing, load, bit activity and signal ranges of a
// capture in one pass and bounded memory, whatever the capture's length.
package survey

import (
	"plugproof/decode"
	"plugproof/decode/can"
)

// Options of New.
type Options struct {
	Buses   *can.Buses      // names (and bit rates) of the buses the frames come from
	Decoder *decode.Decoder // nil: no names and no signal ranges
}

// Collector gathers a survey. It satisfies capture.Collector[*Collector].
type Collector struct{}

// New returns an empty collector.
func New(opts Options) *Collector { panic("to be written") }

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *Collector) Add(batch []can.Frame) { panic("to be written") }

// Merge takes over what the collector of the following stretch gathered; next
// is not to be used afterwards.
func (c *Collector) Merge(next *Collector) { panic("to be written") }

// Report is the finished survey: see the fields of its parts.
type Report struct{}

// Report computes the survey of everything added so far.
func (c *Collector) Report() *Report { panic("to be written") }
