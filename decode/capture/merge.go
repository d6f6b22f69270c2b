package capture

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"plugproof/decode/can"
)

// Merger reads several captures of one drive at once, in the order of their
// stamps: those of adapters that each recorded one bus. Where two captures use
// one name for a bus, the later ones get the name of their file instead.
type Merger struct {
	sources []*merged
	buses   can.Buses
}

// merged is one capture of a Merger.
type merged struct {
	r      *Reader
	prefix string            // name of the file, for buses whose name is taken
	index  map[uint16]uint16 // of its buses in the merger's table
	frames []can.Frame
	at, n  int
	done   bool
	sample map[sight]seenAt // of its first frames
	count  int
}

// sight is a frame that two adapters may both have seen.
type sight struct {
	id    uint32
	flags can.Flags
	len   uint8
	data  [can.MaxClassicLen]byte
}

// seenAt is when a frame was seen, and how often.
type seenAt struct {
	time  int64
	times int
}

// mergeLook is how many frames of each capture are looked at for what others saw
// too.
const mergeLook = 50_000

// OpenMerge opens captures to be read side by side.
func OpenMerge(paths []string, opts Options) (*Merger, error) {
	m := &Merger{}
	for _, path := range paths {
		r, err := Open([]string{path}, opts)
		if err != nil {
			m.Close()
			return nil, err
		}
		name, _, _ := strings.Cut(filepath.Base(path), ".")
		m.sources = append(m.sources, &merged{
			r: r, prefix: name, index: map[uint16]uint16{}, frames: make([]can.Frame, 512), sample: map[sight]seenAt{},
		})
	}
	return m, nil
}

// Buses is the table that Frame.Bus points into.
func (m *Merger) Buses() *can.Buses { return &m.buses }

// Reports says what became of the records of each capture.
func (m *Merger) Reports() []FileReport {
	var list []FileReport
	for _, s := range m.sources {
		list = append(list, s.r.Reports()...)
	}
	return list
}

// Progress returns the bytes read so far and those there are.
func (m *Merger) Progress() (done, total int64) {
	for _, s := range m.sources {
		d, t := s.r.Progress()
		done, total = done+d, total+t
	}
	return done, total
}

// Close closes all captures.
func (m *Merger) Close() error {
	var first error
	for _, s := range m.sources {
		if err := s.r.Close(); first == nil {
			first = err
		}
	}
	return first
}

// Read fills in frames in the order of their stamps; where two are equal, in the
// order of the captures. A capture whose own stamps step back is read as it
// stands. At the end of all it returns io.EOF.
func (m *Merger) Read(ctx context.Context, dst []can.Frame) (int, error) {
	for n := range dst {
		var next *merged
		for i, s := range m.sources {
			if err := m.fill(ctx, i); err != nil {
				return n, err
			}
			if !s.done && (next == nil || s.frames[s.at].Time < next.frames[next.at].Time) {
				next = s
			}
		}
		if next == nil {
			if n > 0 {
				return n, nil
			}
			return 0, io.EOF
		}
		dst[n] = next.frames[next.at]
		dst[n].Bus = next.index[dst[n].Bus]
		next.at++
	}
	return len(dst), nil
}

// fill reads on where a capture's frames are used up.
func (m *Merger) fill(ctx context.Context, which int) error {
	s := m.sources[which]
	for s.at >= s.n && !s.done {
		n, err := s.r.Read(ctx, s.frames)
		s.at, s.n = 0, n
		for i := range s.frames[:n] {
			f := &s.frames[i]
			f.File = uint16(which)
			s.look(f)
			if _, ok := s.index[f.Bus]; !ok {
				at, err := m.name(which, f.Bus)
				if err != nil {
					return err
				}
				s.index[f.Bus] = at
			}
		}
		switch {
		case errors.Is(err, io.EOF):
			s.done = n == 0
			if n > 0 {
				return nil
			}
		case err != nil:
			return err
		}
	}
	return nil
}

// name gives a bus of a capture its place in the common table.
func (m *Merger) name(which int, bus uint16) (uint16, error) {
	s := m.sources[which]
	name := s.r.Buses().Name(bus)
	for i, other := range m.sources {
		if i == which {
			continue
		}
		for _, at := range other.index {
			if m.buses.Name(at) == name {
				name = s.prefix + "-" + name
				break
			}
		}
	}
	at, ok := m.buses.Intern([]byte(name))
	if !ok {
		return 0, errTooManyBuses
	}
	if all := s.r.Buses().All(); int(bus) < len(all) {
		m.buses.SetBitrates(at, all[bus].Bitrate, all[bus].DataBitrate)
	}
	return at, nil
}

// look keeps a frame of the beginning, to find out what others saw too.
func (s *merged) look(f *can.Frame) {
	if s.count >= mergeLook || f.Flags&(can.Error|can.Remote|can.FD) != 0 || f.Len == 0 {
		return
	}
	s.count++
	k := sight{id: f.ID, flags: f.Flags & can.Extended, len: f.Len}
	copy(k.data[:], f.Payload())
	was := s.sample[k]
	if was.times == 0 {
		was.time = f.Time
	}
	was.times++
	s.sample[k] = was
}

// Offset is by how much the clock of one capture differs from that of the first.
type Offset struct {
	Path   string
	Common int   // frames that both saw once
	Ahead  int64 // ns; the middle of them; positive: its stamps are later
	Spread int64 // ns, between the quarter and the three quarters of them
}

// Words says what an offset means; "" when the clocks agree, or when nothing was
// seen by both.
func (o *Offset) Words() string {
	const agree = 20e6 // ns: two adapters' own delays differ by less
	const enough = 10
	switch {
	case o.Common < enough || o.Ahead > -agree && o.Ahead < agree:
		return ""
	case o.Spread > agree:
		return fmt.Sprintf("%s: its clock wanders against the first capture's by %.3f s: the order of its frames is not reliable", o.Path, float64(o.Spread)/1e9)
	}
	return fmt.Sprintf("%s: its clock differs from the first capture's by %.3f s, as %d frames show that both saw", o.Path, float64(o.Ahead)/1e9, o.Common)
}

// Offsets holds the clocks against each other by frames that the first capture
// and another one both saw, once each. Call it after reading.
func (m *Merger) Offsets() []Offset {
	var list []Offset
	for _, s := range m.sources[1:] {
		var by []int64
		for k, mine := range s.sample {
			if first := m.sources[0].sample[k]; mine.times == 1 && first.times == 1 {
				by = append(by, mine.time-first.time)
			}
		}
		o := Offset{Path: s.r.Reports()[0].Path, Common: len(by)}
		if len(by) > 0 {
			slices.SortFunc(by, cmp.Compare[int64])
			o.Ahead, o.Spread = by[len(by)/2], by[len(by)*3/4]-by[len(by)/4]
		}
		list = append(list, o)
	}
	return list
}
