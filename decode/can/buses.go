package can

import (
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
)

// MaxBuses bounds the bus names that one Buses table takes. A car has fewer
// than ten; a damaged or hostile capture may invent one per line.
const MaxBuses = 1024

// Bus is one CAN bus of a capture or of the machine.
type Bus struct {
	Name        string // interface name as the capture gives it: can0, drive
	Bitrate     int64  // bit/s of the arbitration phase; 0: not known
	DataBitrate int64  // bit/s of the FD data phase; 0: not known
}

// Buses is the table that Frame.Bus points into. It only grows. Several
// goroutines may use it at once; the order of its entries is then not
// deterministic, so results are sorted by name, never by index.
type Buses struct {
	mu   sync.Mutex
	list atomic.Pointer[[]Bus]
}

// Intern returns the index of the named bus and adds it when it is new. It
// returns false when the table is full.
func (b *Buses) Intern(name []byte) (uint16, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := b.All()
	for i := range list {
		if list[i].Name == string(name) {
			return uint16(i), true
		}
	}
	if len(list) >= MaxBuses {
		return 0, false
	}
	b.store(append(slices.Clip(list), Bus{Name: string(name)}))
	return uint16(len(list)), true
}

// SetBitrates records the bit rates of a bus, in bit/s; 0 leaves a rate as it is.
func (b *Buses) SetBitrates(bus uint16, nominal, data int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := append([]Bus(nil), b.All()...)
	if nominal > 0 {
		list[bus].Bitrate = nominal
	}
	if data > 0 {
		list[bus].DataBitrate = data
	}
	b.store(list)
}

// All returns the table as it is now; the caller must not write to it.
func (b *Buses) All() []Bus {
	if p := b.list.Load(); p != nil {
		return *p
	}
	return nil
}

// Name returns the name of bus i, or "bus <i>" for one that is not in the table.
func (b *Buses) Name(i uint16) string {
	if list := b.All(); int(i) < len(list) {
		return list[i].Name
	}
	return fmt.Sprintf("bus %d", i)
}

func (b *Buses) store(list []Bus) { b.list.Store(&list) }
