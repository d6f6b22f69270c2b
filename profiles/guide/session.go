package guide

import (
	"sync"

	"plugproof/decode/can"
	"plugproof/profiles/stages"
)

// Session lets a recording and a person share a guide: frames come from one
// goroutine, the time and answers from others.
type Session struct {
	mu      sync.Mutex
	guide   *Guide
	started bool
	done    chan struct{}
}

// NewSession makes a session around a new guide, which begins with the first
// frame or the first Tick.
func NewSession(o Options, say func(Line)) (*Session, error) {
	g, err := New(o, say)
	if err != nil {
		return nil, err
	}
	return &Session{guide: g, done: make(chan struct{})}, nil
}

// Finished is closed when the script is over.
func (s *Session) Finished() <-chan struct{} { return s.done }

// with calls f under the lock, and closes Finished when the script is over.
func (s *Session) with(f func(*Guide)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	was := s.guide.Finished()
	f(s.guide)
	if !was && s.guide.Finished() {
		close(s.done)
	}
}

// Write takes frames in the order of their time. It never fails.
func (s *Session) Write(frames []can.Frame) error {
	if len(frames) > 0 {
		s.with(func(g *Guide) {
			s.start(frames[0].Time)
			g.Frames(frames)
		})
	}
	return nil
}

// Tick says what time it is, in ns on the clock of the frames.
func (s *Session) Tick(now int64) {
	s.with(func(g *Guide) {
		s.start(now)
		g.Tick(now)
	})
}

func (s *Session) start(now int64) {
	if !s.started {
		s.started = true
		s.guide.Start(now)
	}
}

// Answer takes what the person typed.
func (s *Session) Answer(text string) { s.with(func(g *Guide) { g.Answer(text) }) }

// Missing lists what the present step must still show.
func (s *Session) Missing() (list []string) {
	s.with(func(g *Guide) { list = g.Missing() })
	return list
}

// Spans are the stages that were done so far.
func (s *Session) Spans() (list stages.Spans) {
	s.with(func(g *Guide) { list = append(list, g.Spans()...) })
	return list
}
