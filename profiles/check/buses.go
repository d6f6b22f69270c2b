package check

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// How says why an interface of a capture stands for a bus of the setting.
type How string

// The ways in which an interface comes to its bus.
const (
	Given   How = "given"        // the user says so
	Same    How = "same name"    // the bus has its name
	Fitting How = "identifiers"  // most of its identifiers are that bus's
	Nowhere How = "fits nowhere" // it stands for no bus: what it carries is not judged
)

// Interface is one interface of a capture and the bus that it stands for.
type Interface struct {
	Name string
	Bus  string // "": none
	How  How
}

// lookAt is how many frames of each capture are looked at to find out which bus
// an interface stands for.
const lookAt = 20_000

// fits is the share of its frames whose identifiers a bus must have to be taken
// for the one an interface stands for.
const fits = 0.5

// MatchBuses finds out which bus of the setting each interface of the captures
// stands for: as given, else the bus of its name, else the one that has most of
// its identifiers. Only the first frames of captures that can be read twice are
// looked at; what a pipe carries must have the names of buses, or be given. columns
// are those of captures that are delimited text.
func MatchBuses(ctx context.Context, paths []string, columns *capture.Columns, s *profiles.Setting, given map[string]string) ([]Interface, error) {
	for _, name := range slices.Sorted(maps.Keys(given)) {
		if !hasBus(s, given[name]) {
			return nil, fmt.Errorf("%s has no bus %q: there are %s", s.Name, given[name], strings.Join(busNames(s), ", "))
		}
	}
	seen := map[string]*sample{}
	for _, path := range paths {
		if info, err := os.Stat(path); path == "-" || err != nil || !info.Mode().IsRegular() {
			continue
		}
		if err := look(ctx, path, columns, s, seen); err != nil {
			return nil, err
		}
	}
	return match(s, given, seen), nil
}

// NameBuses is MatchBuses for interfaces that are yet to be listened to: each must
// be given, or have the name of its bus.
func NameBuses(names []string, s *profiles.Setting, given map[string]string) ([]Interface, error) {
	var list []Interface
	for _, name := range names {
		i := Interface{Name: name, Bus: given[name], How: Given}
		if i.Bus == "" {
			i.Bus, i.How = name, Same
		}
		if !hasBus(s, i.Bus) {
			return nil, &NoBusError{Interface: name, Buses: busNames(s)}
		}
		list = append(list, i)
	}
	return list, nil
}

// sample is what the first frames of an interface are.
type sample struct {
	frames int
	hits   map[string]int // of them with an identifier that the bus has
}

// look counts the first frames of a capture by interface.
func look(ctx context.Context, path string, columns *capture.Columns, s *profiles.Setting, seen map[string]*sample) error {
	r, err := capture.Open([]string{path}, capture.Options{Columns: columns})
	if err != nil {
		return err
	}
	defer r.Close()
	owners := owners(s)
	batch := make([]can.Frame, 512)
	for left := lookAt; left > 0; {
		n, err := r.Read(ctx, batch)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		for i := range batch[:n] {
			count(&batch[i], r.Buses(), owners, seen)
		}
		left -= n
	}
	return nil
}

func count(f *can.Frame, buses *can.Buses, owners map[profiles.ID][]string, seen map[string]*sample) {
	name := buses.Name(f.Bus)
	sm := seen[name]
	if sm == nil {
		sm = &sample{hits: map[string]int{}}
		seen[name] = sm
	}
	if f.Flags&can.Error != 0 {
		return
	}
	sm.frames++
	for _, bus := range owners[profiles.ID{Value: f.ID, Extended: f.Flags&can.Extended != 0}] {
		sm.hits[bus]++
	}
}

// owners lists the buses that have an identifier.
func owners(s *profiles.Setting) map[profiles.ID][]string {
	list := map[profiles.ID][]string{}
	for _, m := range s.Messages {
		if !slices.Contains(list[m.ID], m.Bus) {
			list[m.ID] = append(list[m.ID], m.Bus)
		}
	}
	return list
}

// match gives each interface its bus; one bus is given to one interface only
// unless the user says otherwise.
func match(s *profiles.Setting, given map[string]string, seen map[string]*sample) []Interface {
	taken := map[string]bool{}
	found := map[string]Interface{}
	for name, bus := range given {
		found[name] = Interface{name, bus, Given}
		taken[bus] = true
	}
	for name := range seen {
		if _, ok := found[name]; !ok && hasBus(s, name) {
			found[name] = Interface{name, name, Same}
			taken[name] = true
		}
	}
	for _, name := range slices.Sorted(maps.Keys(seen)) {
		if _, ok := found[name]; ok {
			continue
		}
		found[name] = Interface{Name: name, How: Nowhere}
		if bus := seen[name].best(s, taken); bus != "" {
			found[name] = Interface{name, bus, Fitting}
			taken[bus] = true
		}
	}
	return slices.SortedFunc(maps.Values(found), func(a, b Interface) int { return cmp.Compare(a.Name, b.Name) })
}

// best returns the free bus that has most of the frames; "" when none has enough.
// A setting with one bus has nothing to choose from.
func (sm *sample) best(s *profiles.Setting, taken map[string]bool) string {
	best := ""
	for _, b := range s.Buses {
		if !taken[b.Name] && (best == "" || sm.hits[b.Name] > sm.hits[best]) {
			best = b.Name
		}
	}
	if len(s.Buses) > 1 && float64(sm.hits[best]) < fits*float64(sm.frames) || sm.frames == 0 {
		return ""
	}
	return best
}

// busMap is the form that evidence wants.
func busMap(list []Interface) map[string]string {
	m := map[string]string{}
	for _, in := range list {
		m[in.Name] = in.Bus
	}
	return m
}

// heard returns all interfaces of the captures as they turned out, also those
// that appeared later than MatchBuses looked. It is an error when none of them
// stands for a bus and nobody could look first.
func (rec *Recording) heard(s *profiles.Setting, ev *evidence.Evidence) ([]Interface, error) {
	list := slices.Clone(rec.Interfaces)
	for _, b := range ev.Buses {
		if slices.ContainsFunc(list, func(in Interface) bool { return in.Name == b.Interface }) {
			continue
		}
		in := Interface{Name: b.Interface, How: Nowhere}
		if b.Facts != nil {
			in.Bus, in.How = b.Facts.Name, Same
		}
		list = append(list, in)
	}
	slices.SortFunc(list, func(a, b Interface) int { return cmp.Compare(a.Name, b.Name) })
	if len(rec.Interfaces) > 0 || len(ev.Buses) == 0 {
		return list, nil
	}
	if slices.ContainsFunc(list, func(in Interface) bool { return in.Bus != "" }) {
		return list, nil
	}
	return nil, &NoBusError{Interface: list[0].Name, Buses: busNames(s)}
}

// NoBusError says that nobody knows which bus an interface of a pipe stands for.
type NoBusError struct {
	Interface string
	Buses     []string // of the setting
}

func (e *NoBusError) Error() string {
	return fmt.Sprintf("nobody says which bus the interface %s stands for: %s", e.Interface, strings.Join(e.Buses, " or "))
}

func hasBus(s *profiles.Setting, name string) bool { return slices.Contains(busNames(s), name) }

func busNames(s *profiles.Setting) []string {
	var names []string
	for _, b := range s.Buses {
		names = append(names, b.Name)
	}
	return names
}

func functionNames(s *profiles.Setting) []string { return slices.Sorted(maps.Keys(s.Functions)) }
