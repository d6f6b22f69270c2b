package replay

import (
	"context"
	"fmt"
	"io"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/can"
)

// clocked gives n frames, one every gap.
type clocked struct {
	n, i int
	gap  time.Duration
}

func (c *clocked) Next(item *Item) error {
	if c.i == c.n {
		return io.EOF
	}
	item.Offset = time.Duration(c.i) * c.gap
	item.Frame.ID, item.Frame.Len, item.Frame.DLC = uint32(c.i&can.MaxStandardID), 8, 8
	c.i++
	return nil
}

// ring keeps the last frames, as a bus in memory would.
type ring struct {
	frames [1024]can.Frame
	n      int
}

func (r *ring) Send(_ context.Context, _ int, f *can.Frame) error {
	r.frames[r.n%len(r.frames)] = *f
	r.n++
	return nil
}

// pair sends through a pair of sockets that somebody else reads.
type pair struct {
	fds    [2]int
	packet [16]byte
}

func newPair(b *testing.B) *pair {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_DGRAM, 0)
	if err != nil {
		b.Fatal(err)
	}
	p := &pair{fds: fds}
	go func() {
		buf := make([]byte, 64)
		for {
			if n, err := unix.Read(fds[1], buf); n <= 0 || err != nil {
				return
			}
		}
	}()
	b.Cleanup(func() { _ = unix.Shutdown(fds[0], unix.SHUT_RDWR); unix.Close(fds[0]); unix.Close(fds[1]) })
	return p
}

func (p *pair) Send(_ context.Context, _ int, f *can.Frame) error {
	copy(p.packet[8:], f.Data[:8])
	_, err := unix.Write(p.fds[0], p.packet[:])
	return err
}

// BenchmarkLateness plays b.N frames at the densest rates of a bus: 4,500 frames
// a second fill 500 kbit/s, 9,000 fill 1 Mbit/s. Say how many: ten seconds are
//
//	go test ./replay -run '^$' -bench Lateness/memory/4500 -benchtime 45000x
func BenchmarkLateness(b *testing.B) {
	for _, sink := range []string{"memory", "socketpair"} {
		for _, rate := range []int{4500, 9000} {
			for _, ordinary := range []bool{false, true} {
				name := fmt.Sprintf("%s/%d/realtime", sink, rate)
				if ordinary {
					name = fmt.Sprintf("%s/%d/ordinary", sink, rate)
				}
				b.Run(name, func(b *testing.B) { benchLateness(b, sink, rate, ordinary) })
			}
		}
	}
}

func benchLateness(b *testing.B, kind string, rate int, ordinary bool) {
	var sink Sink = &ring{}
	if kind == "socketpair" {
		sink = newPair(b)
	}
	p := player{stream: &clocked{n: b.N, gap: time.Second / time.Duration(rate)}, sink: sink, ordinary: ordinary}
	if err := p.playPrecisely(b.Context()); err != nil {
		b.Fatal(err)
	}
	l := &p.summary.Lateness
	for name, v := range map[string]time.Duration{
		"p50": l.Quantile(0.5), "p99": l.Quantile(0.99), "p99.9": l.Quantile(0.999), "max": l.Max(), "last": p.summary.Last,
	} {
		b.ReportMetric(float64(v)/1e3, "µs-"+name)
	}
	if !ordinary && len(p.summary.Notes) > 0 {
		b.Log(p.summary.Notes)
	}
}
