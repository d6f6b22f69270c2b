package learn

import (
	"bytes"
	"fmt"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// definitions are the DBC files to name messages by.
type definitions struct {
	files   []DBC
	dbs     []*dbc.Database // of files
	decoder *decode.Decoder
	file    map[*dbc.Message]int
}

func newDefinitions(files []DBC) (*definitions, error) {
	d := &definitions{files: slices.Clone(files), file: map[*dbc.Message]int{}}
	var mappings []decode.Mapping
	for i, f := range files {
		db := dbc.Parse(f.File, f.Source)
		if len(db.Messages) == 0 {
			return nil, fmt.Errorf("%s: not one message is defined in it", f.File)
		}
		for k := range files[:i] {
			if files[k].File == f.File && !bytes.Equal(files[k].Source, f.Source) {
				return nil, fmt.Errorf("two DBC files are named %s: a profile cannot tell them apart", f.File)
			}
		}
		for _, def := range db.Messages {
			d.file[def] = i
		}
		d.dbs = append(d.dbs, db)
		mappings = append(mappings, decode.Mapping{Bus: f.Bus, Database: db})
	}
	d.decoder, _ = decode.NewDecoder(mappings)
	return d, nil
}

// lookup returns the definition of an identifier on a bus, nil when there is none.
func (d *definitions) lookup(bus string, id profiles.ID) *dbc.Message {
	f := can.Frame{ID: id.Value}
	if id.Extended {
		f.Flags = can.Extended
	}
	table := d.decoder.Bus(bus)
	if table == nil {
		return nil
	}
	if m := table.Lookup(&f); m != nil {
		return m.Def
	}
	return nil
}

// settle gives every file without a bus the one on which most identifiers are in
// it, and returns remarks about what fits nowhere, or in two places: a message
// has one bus in a profile.
func (d *definitions) settle(buses []survey.Bus) (remarks []string) {
	for i := range d.files {
		f := &d.files[i]
		if f.Bus != "" {
			continue
		}
		var fits []string
		best := 0
		for _, b := range buses {
			n := 0
			for _, id := range b.IDs {
				if def := d.lookup(b.Name, profiles.ID{Value: id.ID, Extended: id.Extended}); def != nil && d.file[def] == i {
					n++
				}
			}
			if n > 0 {
				fits = append(fits, b.Name)
			}
			if n > best {
				best, f.Bus = n, b.Name
			}
		}
		switch {
		case len(fits) == 0:
			remarks = append(remarks, fmt.Sprintf("%s defines nothing that came: it is left out", f.File))
		case len(fits) > 1:
			remarks = append(remarks, fmt.Sprintf("%s fits to %d buses: it is taken for that of %s; say --dbc BUS=FILE to choose", f.File, len(fits), f.Bus))
		}
	}
	return remarks
}

// applies reports whether a definition is one of a bus after settle.
func (d *definitions) applies(def *dbc.Message, bus string) bool {
	return def != nil && d.files[d.file[def]].Bus == bus
}

// of returns the files of a bus in the order in which a profile names them:
// there, later files replace earlier ones.
func (d *definitions) of(bus string) profiles.Files {
	var names profiles.Files
	for _, f := range d.files {
		if f.Bus == bus {
			names = append(names, f.File)
		}
	}
	slices.Reverse(names)
	return names
}

// named returns the definitions of a bus by name, as a setting takes them over.
func (d *definitions) named(bus string) map[string]*dbc.Message {
	names := map[string]*dbc.Message{}
	for i, v := range slices.Backward(d.files) {
		if v.Bus != bus {
			continue
		}
		for _, def := range d.dbs[i].Messages {
			for name, have := range names {
				if d.file[have] != i && have.ID == def.ID && have.Extended == def.Extended {
					delete(names, name)
				}
			}
			names[def.Name] = def
		}
	}
	return names
}

// j1939 reports whether a bus is one by SAE J1939, where the low byte of an
// identifier is the address of its sender: its definitions say so.
func (d *definitions) j1939(bus survey.Bus) bool {
	return slices.ContainsFunc(bus.IDs, func(id survey.ID) bool {
		def := d.lookup(bus.Name, profiles.ID{Value: id.ID, Extended: id.Extended})
		return d.applies(def, bus.Name) && def.J1939
	})
}
