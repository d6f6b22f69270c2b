package replay

import (
	"context"
	"slices"
	"sync"

	"plugproof/decode/can"
)

// Memory is a bus that exists only in this process: a Sink for tests and trials.
// Frame.Bus of what it keeps is the bus it was sent on, Frame.Time the
// nanoseconds from its creation to when it was sent. Several goroutines may use it.
type Memory struct {
	mu     sync.Mutex
	clock  *timerClock
	frames []can.Frame
	onSend []func(f can.Frame)
}

// NewMemory returns an empty bus with room for so many frames; more make it grow.
func NewMemory(room int) *Memory {
	return &Memory{clock: newTimerClock(), frames: make([]can.Frame, 0, room)}
}

// Listen has a function told of every frame from now on, one after the other. A
// listener may send: that frame is told to all once this one was.
func (m *Memory) Listen(f func(can.Frame)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.onSend = append(m.onSend, f)
}

// Send keeps a frame and tells the listeners. It never fails but for an invalid frame.
func (m *Memory) Send(_ context.Context, bus int, f *can.Frame) error {
	if err := f.Valid(); err != nil {
		return err
	}
	m.mu.Lock()
	m.frames = append(m.frames, *f)
	kept := &m.frames[len(m.frames)-1]
	kept.Bus, kept.Time = uint16(bus), int64(m.clock.now())
	if len(m.onSend) == 0 {
		m.mu.Unlock()
		return nil
	}
	sent, listeners := *kept, m.onSend
	m.mu.Unlock()
	for _, tell := range listeners {
		tell(sent)
	}
	return nil
}

// Frames returns a copy of what was sent so far, in order.
func (m *Memory) Frames() []can.Frame {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.frames)
}
