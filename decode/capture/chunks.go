package capture

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"runtime"
	"slices"
	"sync"

	"plugproof/decode/can"
)

// chunkSize is how much of a log one collector sees, in bytes: about 23,000
// frames. Results depend on it, so it is the same everywhere.
const chunkSize = 1 << 20

// mostWorkers bounds the memory on machines with many cores: each takes 10 MB of
// its own in a check, with what the garbage collector leaves lying.
const mostWorkers = 4

// firstBuffers is how many chunks are read at once before the first was merged; each
// merge allows one more. A collector can take more room as long as nothing is known
// of the capture, and there may be as many as there are workers.
const firstBuffers = 3

// chunk is a piece of a log that holds whole lines.
type chunk struct {
	index int
	data  []byte
	at    Place // of its first line
	err   error // what ends data: io.EOF, or why the input broke off in its last line
}

// cutter cuts what is left of a log into chunks.
type cutter struct {
	r     *bufio.Reader
	rest  []byte // start of a line that the last chunk did not hold
	at    Place  // of rest
	index int
	err   error // why r gives no more
}

// firstRoom is how much a buffer holds at first, in bytes: most logs are small.
const firstRoom = 256 << 10

// next makes a chunk of size bytes, or of what is left, in buf, which grows up to
// that. It returns false when there is none: at the end of the log, or when ctx
// is done.
func (c *cutter) next(ctx context.Context, buf []byte, size int) (chunk, bool) {
	if c.err != nil && len(c.rest) == 0 {
		return chunk{}, false
	}
	buf = grown(buf, min(size, max(firstRoom, len(c.rest))))
	n := copy(buf, c.rest)
	for n < size && c.err == nil && ctx.Err() == nil {
		if n == len(buf) {
			buf = grown(buf, min(size, 4*n))
		}
		var m int
		m, c.err = c.r.Read(buf[n:])
		n += m
	}
	if n == 0 || ctx.Err() != nil {
		return chunk{}, false
	}
	next := chunk{index: c.index, data: buf[:n], at: c.at, err: io.EOF}
	c.index++
	end := bytes.LastIndexByte(next.data, '\n') + 1
	switch {
	case c.err != nil:
		next.err, end = c.err, n
	case end == 0: // one oversized line: its start is enough to tell
		next.data, end = next.data[:maxLine+1], n
		c.at.Offset += c.skipLine(ctx)
		c.at.Record++
	default:
		next.data = next.data[:end]
	}
	c.rest = append(c.rest[:0], buf[end:n]...)
	c.at.Offset += int64(end)
	c.at.Record += uint32(bytes.Count(next.data, []byte("\n")))
	return next, true
}

// grown returns buf with at least the given length, what it holds at its start.
func grown(buf []byte, length int) []byte {
	if length <= len(buf) {
		return buf
	}
	return append(make([]byte, 0, length), buf...)[:length]
}

// skipLine drops everything up to the next line end and returns its length.
func (c *cutter) skipLine(ctx context.Context) (size int64) {
	for ctx.Err() == nil {
		var s []byte
		s, c.err = c.r.ReadSlice('\n')
		size += int64(len(s))
		if !errors.Is(c.err, bufio.ErrBufferFull) {
			break
		}
	}
	return size
}

// gate lets the readers of chunks add bus names in the order of the capture, so
// that the table, and what is refused when it is full, is always the same.
type gate struct {
	buses *can.Buses
	mu    sync.Mutex
	moved sync.Cond
	ended map[int]bool
	next  int // all chunks before it have ended
}

func newGate(buses *can.Buses) *gate {
	g := &gate{buses: buses, ended: map[int]bool{}}
	g.moved.L = &g.mu
	return g
}

// intern returns the index of a name met in the given chunk. A new one has to
// wait until all chunks before it have ended, or the table is full.
func (g *gate) intern(index int, name []byte) (uint16, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for !g.has(name) && g.next != index {
		g.moved.Wait()
	}
	return g.buses.Intern(name)
}

// has reports whether Intern would leave the table as it is.
func (g *gate) has(name []byte) bool {
	all := g.buses.All()
	return len(all) >= can.MaxBuses || slices.ContainsFunc(all, func(b can.Bus) bool { return b.Name == string(name) })
}

// end says that a chunk has been read.
func (g *gate) end(index int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.ended[index] = true
	for g.ended[g.next] {
		delete(g.ended, g.next)
		g.next++
	}
	g.moved.Broadcast()
}

// chunkDecoder reads lines that may be cut into chunks.
type chunkDecoder interface {
	decoder
	apart() bool   // lines can be read without those before them
	place() *lines // where it stands
	// twin returns another one for the same capture, which begins every chunk anew.
	twin(names busNames) chunkDecoder
	begin(in *input, text lines, intern func(name []byte) (uint16, bool))
}

// part is what came of one chunk.
type part[C Collector[C]] struct {
	chunk chunk
	c     C
	seen  *remarks
	rep   FileReport
	whole bool // false: interrupted
}

// chunkFold is the machinery that reads a log in chunks: one goroutine cuts, several
// read, the caller merges. Its channels never block a sender, because there are
// no more chunks than buffers.
type chunkFold[C Collector[C]] struct {
	*folding[C]
	file uint16
	dec  chunkDecoder // its twins read
	gate *gate
	free chan []byte
	late int // buffers not handed out yet
	cut  chan chunk
	read chan part[C]
	one  sync.Mutex // held while fresh is called
}

// chunks reads the rest of a capture in chunks and adds their collectors, in
// order. Memory: a chunk for each worker and two more, and a collector for each
// chunk that is being read or waits for one before it.
func (f *folding[C]) chunks(dec chunkDecoder) error {
	workers := f.r.opts.Workers
	if workers <= 0 {
		workers = min(runtime.GOMAXPROCS(0), mostWorkers)
	}
	buffers := workers + 2
	p := chunkFold[C]{
		folding: f, file: uint16(f.r.next - 1), dec: dec, gate: newGate(&f.r.buses),
		free: make(chan []byte, buffers), cut: make(chan chunk, buffers), read: make(chan part[C], buffers),
	}
	first := min(buffers, firstBuffers)
	for range first {
		p.free <- nil // made when it is needed
	}
	p.late = buffers - first
	cutter := dec.place().cutter()
	var running sync.WaitGroup
	running.Go(func() { p.cutAll(cutter) })
	for range workers {
		running.Go(p.readAll)
	}
	go func() { running.Wait(); close(p.read) }()
	p.mergeAll()
	if f.r.err = f.ctx.Err(); f.r.err == nil {
		f.r.err = f.r.finish(f.ctx, cutter.err)
	}
	return f.r.err
}

// cutter continues where a decoder stands.
func (t *lines) cutter() *cutter {
	t.take()
	at := t.at()
	at.Record--
	return &cutter{r: t.r, at: at, err: t.err}
}

func (p *chunkFold[C]) cutAll(c *cutter) {
	defer close(p.cut)
	for {
		var buf []byte
		select {
		case buf = <-p.free:
		case <-p.ctx.Done():
			return
		}
		next, ok := c.next(p.ctx, buf, p.r.chunkSize)
		if !ok {
			return
		}
		p.cut <- next
	}
}

// readAll reads chunks through their collectors. Bus names once found hold for
// all chunks.
func (p *chunkFold[C]) readAll() {
	batch := make([]can.Frame, foldBatch)
	dec := p.dec.twin(newBusNames(p.gate.buses))
	for cut := range p.cut {
		next := p.begin(cut)
		index := cut.index
		dec.begin(&input{file: p.file, rep: &next.rep}, cut.lines(),
			func(name []byte) (uint16, bool) { return p.gate.intern(index, name) })
		next.whole = p.pass(dec, &next, batch)
		p.gate.end(index)
		p.read <- next
		runtime.Gosched() // merged now, it tells the collector of the next chunk more
	}
}

// begin makes what the frames of a chunk are gathered in.
func (p *chunkFold[C]) begin(cut chunk) part[C] {
	p.one.Lock()
	defer p.one.Unlock()
	return part[C]{chunk: cut, c: p.fresh(), seen: newRemarks(), rep: newTallies()}
}

// pass gives all frames of a chunk to its collectors. It returns false when it
// was interrupted.
func (p *chunkFold[C]) pass(dec decoder, to *part[C], batch []can.Frame) bool {
	for p.ctx.Err() == nil {
		n, err := dec.read(batch)
		to.rep.Frames += uint64(n)
		to.seen.Add(batch[:n])
		to.c.Add(batch[:n])
		if err != nil {
			return true
		}
	}
	return false
}

func (c *chunk) lines() lines {
	return lines{win: c.data, base: c.at.Offset, record: c.at.Record, err: c.err}
}

// mergeAll merges parts in the order of the capture, up to the first that was
// interrupted, and hands their buffers back.
func (p *chunkFold[C]) mergeAll() {
	early := map[int]part[C]{}
	next := 0
	for got := range p.read {
		early[got.chunk.index] = got
		for {
			part, ok := early[next]
			if !ok || !part.whole {
				break
			}
			delete(early, next)
			next++
			p.r.reports[p.r.next-1].merge(&part.rep)
			p.r.seen.Merge(part.seen)
			p.total.Merge(part.c)
			p.free <- part.chunk.data[:cap(part.chunk.data)]
			if p.late > 0 {
				p.late--
				p.free <- nil
			}
		}
	}
}
