// Package guard knows how messages protect themselves: rolling counters and
// checksums. It verifies a frame, and fills in a frame about to be sent.
package guard
