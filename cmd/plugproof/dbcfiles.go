package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"plugproof/decode"
	"plugproof/decode/dbc"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

// dbcHelp explains the values of --dbc in a command's help.
const dbcHelp = `--dbc FILE applies to every bus, --dbc BUS=FILE to one; of several for a bus the
first that defines an identifier wins. demo:lowan stands for both buses of the
demo car, demo:SETTING for those of another setting of it, and demo:NAME for one
of the DBC files inside the tool (demo: alone lists them all).`

// maxDBC is the size in bytes over which a file is taken for something else
// than a DBC file. The largest public ones have half a megabyte.
const maxDBC = 64 << 20

// dbcFiles is what the --dbc flags name.
type dbcFiles struct {
	mappings []decode.Mapping
	inputs   []inputFile
}

// loadDBC reads what the values of --dbc name.
func loadDBC(values []string) (*dbcFiles, error) {
	files := &dbcFiles{inputs: []inputFile{}}
	for _, value := range values {
		bus, path := splitMapping(value)
		add := func() error { return files.add(bus, path) }
		if setting, ok := demoSetting(path); ok && bus == "" {
			add = func() error { return files.addDemo(setting) }
		}
		if err := add(); err != nil {
			return nil, err
		}
	}
	return files, nil
}

// demoSetting returns the setting of the demo car that a path stands for.
func demoSetting(path string) (demo.Setting, bool) {
	name, ok := strings.CutPrefix(path, "demo:")
	if name == "lowan" {
		name = usualSetting
	}
	setting, err := demo.ParseSetting(name)
	return setting, ok && err == nil
}

// addDemo adds the DBC files of both buses of the demo car.
func (d *dbcFiles) addDemo(setting demo.Setting) error {
	for _, bus := range []string{demo.DriveBus, demo.BodyBus} {
		for _, name := range setting.DBC(bus) {
			if err := d.add(bus, "demo:"+strings.TrimSuffix(name, ".dbc")); err != nil {
				return err
			}
		}
	}
	return nil
}

// splitMapping takes "BUS=FILE" apart. What stands before the first = is a bus
// unless it is part of a path.
func splitMapping(value string) (bus, path string) {
	bus, path, ok := strings.Cut(value, "=")
	if !ok || strings.ContainsAny(bus, `/\`) {
		return "", value
	}
	return bus, path
}

func (d *dbcFiles) add(bus, path string) error {
	if path == "" {
		return hint(errors.New("--dbc names no file"), "--dbc FILE, or --dbc BUS=FILE")
	}
	src, err := readDBC(path)
	if err != nil {
		return err
	}
	db := dbc.Parse(path, src)
	if len(db.Messages) == 0 {
		return hint(fmt.Errorf("%s: not one message is defined in it", path), "is it a DBC file? plugproof lint %s says more", path)
	}
	d.mappings = append(d.mappings, decode.Mapping{Bus: bus, Database: db})
	d.inputs = append(d.inputs, newInputFile(path, src))
	return nil
}

// readDBC reads a DBC file, or one of those inside the tool.
func readDBC(path string) ([]byte, error) {
	if name, ok := strings.CutPrefix(path, "demo:"); ok {
		src, err := library.DBC(name + ".dbc")
		if err != nil {
			return nil, hint(fmt.Errorf("no DBC file %q inside the tool", name),
				"demo: and one of %s; --dbc also takes demo:lowan and demo:SETTING",
				strings.ReplaceAll(strings.Join(library.Names(), ", "), ".dbc", ""))
		}
		return src, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, bareError(err))
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, maxDBC+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s: %w", path, bareError(err))
	case len(src) > maxDBC:
		return nil, fmt.Errorf("%s: too large for a DBC file: over %d bytes", path, maxDBC)
	}
	return src, nil
}

// decoder compiles the databases and says on standard error what of them has
// no effect.
func (d *dbcFiles) decoder(a *app) *decode.Decoder {
	dec, dropped := decode.NewDecoder(d.mappings)
	said := make(map[string]bool)
	for _, m := range d.mappings {
		db := m.Database
		if said[db.File] {
			continue // for another bus
		}
		said[db.File] = true
		all := slices.Clone(db.Diagnostics)
		for _, diag := range dropped {
			if diag.Pos.File == db.File {
				all = append(all, diag)
			}
		}
		a.diagnosed(db.File, all)
	}
	return dec
}

// diagnosed sums up the diagnostics of a DBC file in a line when there are
// errors; --verbose lists them all.
func (a *app) diagnosed(file string, list []dbc.Diagnostic) {
	if a.quiet {
		return
	}
	errs := 0
	for _, d := range list {
		if d.Severity == dbc.Error {
			errs++
		}
		if a.verbose {
			fmt.Fprintln(a.stderr, plain(d.String()))
		}
	}
	if errs > 0 && !a.verbose {
		a.remark("%s: %s (plugproof lint says which), the rest is used", file, plural(errs, "fault"))
	}
}

// paths returns where the DBC files lie.
func (d *dbcFiles) paths() []string {
	var paths []string
	for _, in := range d.inputs {
		paths = append(paths, in.File)
	}
	return paths
}

// unusedBuses remarks on every --dbc that is for a bus the captures do not have.
func (d *dbcFiles) unusedBuses(a *app, names []string) {
	for _, m := range d.mappings {
		if m.Bus != "" && !slices.Contains(names, m.Bus) {
			a.remark("--dbc %s=%s was not used: the captures have %s", m.Bus, m.Database.File, strings.Join(names, ", "))
		}
	}
}
