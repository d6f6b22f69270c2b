package recheck

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// ManifestName is the file in a folder that lists its captures.
const ManifestName = "recheck.yaml"

// Entry is one recording and what it is judged by. Paths are those from the
// folder, with slashes.
type Entry struct {
	Captures  []string // at least one
	Profile   string   // "": none was found
	Baseline  []string
	Scope     rules.Scope
	Stage     string            // the whole is this stage; "": as marked, else recognised
	Buses     map[string]string // interface -> bus
	Functions []string          // judged alone; empty: those of the stages
	Lamps     []string          // what the technician saw
	Dead      []string
}

// Name is the path of the first capture.
func (e *Entry) Name() string { return e.Captures[0] }

// List finds the recordings of a folder. Where it has a recheck.yaml, these are
// those that it lists:
//
//	format: 1
//	profile: lowan-2-20t-a5             # of those that name none
//	captures:
//	  - {capture: after.log.zst}
//	  - {capture: [drive.log, body.log], profile: lowan-3-20-a8, baseline: before.log,
//	     scope: car, stage: idle, buses: {can1: body}, functions: [tachometer],
//	     dead: [tachometer], lamps: [MIL]}
//
// Else they are all captures in it, by the endings of their names (.log, .pcap,
// .pcapng, and these with .gz or .zst), each judged by the setting of the library that the nearest of its folders has the name of.
//
// The error is that of a manifest, with its position, or of reading the folder.
func List(dir string, lib *profiles.Library) ([]Entry, error) {
	name := filepath.Join(dir, ManifestName)
	src, err := check.ReadSmall(name)
	if errors.Is(err, fs.ErrNotExist) {
		return walk(dir, lib)
	}
	if err != nil {
		return nil, err
	}
	return parseManifest(name, src)
}

// manifest is recheck.yaml.
type manifest struct {
	Format   int             `yaml:"format"`
	Profile  string          `yaml:"profile,omitempty"`
	Captures []manifestEntry `yaml:"captures"`
}

type manifestEntry struct {
	Capture   placed[profiles.Files] `yaml:"capture"`
	Profile   string                 `yaml:"profile,omitempty"`
	Baseline  placed[profiles.Files] `yaml:"baseline,omitempty"`
	Scope     placed[string]         `yaml:"scope,omitempty"`
	Stage     placed[string]         `yaml:"stage,omitempty"`
	Buses     map[string]string      `yaml:"buses,omitempty"`
	Functions []string               `yaml:"functions,omitempty"`
	Lamps     []string               `yaml:"lamps,omitempty"`
	Dead      []string               `yaml:"dead,omitempty"`
}

// placed is a value and where it stands.
type placed[T any] struct {
	value T
	at    profiles.Place
}

// UnmarshalYAML reads the value.
func (p *placed[T]) UnmarshalYAML(node ast.Node) error {
	p.at = profiles.PlaceOf(node)
	return yaml.NodeToValue(node, &p.value, yaml.Strict())
}

func parseManifest(name string, src []byte) ([]Entry, error) {
	var m manifest
	doc, err := profiles.ReadDocument(name, "recheck", src, &m)
	if err != nil {
		return nil, err
	}
	entries := make([]Entry, 0, len(m.Captures))
	seen := map[string]bool{}
	for i := range m.Captures {
		e, err := m.entry(doc, &m.Captures[i])
		if err != nil {
			return nil, err
		}
		if seen[e.Name()] {
			return nil, doc.Problem(m.Captures[i].Capture.at, "twice", e.Name()+" is listed already", "its verdict has room for one setting")
		}
		seen[e.Name()] = true
		entries = append(entries, e)
	}
	return entries, nil
}

func (m *manifest) entry(doc *profiles.Document, from *manifestEntry) (Entry, error) {
	e := Entry{
		Profile: from.Profile, Scope: rules.Scope(from.Scope.value), Stage: from.Stage.value, Buses: from.Buses,
		Functions: from.Functions, Lamps: from.Lamps, Dead: from.Dead,
	}
	if e.Profile == "" {
		e.Profile = m.Profile
	}
	if e.Scope == "" {
		e.Scope = rules.Car
	}
	scopes := []rules.Scope{rules.Car, rules.ECUOnBench, rules.ListenerOnBench}
	switch at := from.Capture.at; {
	case len(from.Capture.value) == 0:
		return e, doc.Problem(at, "capture", "an entry names no capture", "capture: FILE")
	case e.Profile == "":
		return e, doc.Problem(at, "profile", from.Capture.value[0]+" is judged by no profile", "name one in the entry, or for all at the top")
	case !slices.Contains(scopes, e.Scope):
		return e, doc.Problem(from.Scope.at, "scope", fmt.Sprintf("scope %q is not known", e.Scope), "one of car, ecu-on-bench, listener-on-bench")
	case e.Stage != "" && !slices.Contains(profiles.StageNames(), e.Stage):
		return e, doc.Problem(from.Stage.at, "stage", fmt.Sprintf("stage %q is not known", e.Stage), "one of "+strings.Join(profiles.StageNames(), ", "))
	}
	var err error
	if e.Captures, err = inside(doc, &from.Capture); err != nil {
		return e, err
	}
	e.Baseline, err = inside(doc, &from.Baseline)
	return e, err
}

// inside cleans paths and refuses those that lead out of the folder.
func inside(doc *profiles.Document, files *placed[profiles.Files]) (list []string, err error) {
	for _, name := range files.value {
		if !filepath.IsLocal(filepath.FromSlash(name)) {
			return nil, doc.Problem(files.at, "path", fmt.Sprintf("%q leads out of the folder", name), "paths are those from "+ManifestName)
		}
		list = append(list, path.Clean(filepath.ToSlash(name)))
	}
	return list, nil
}

// walk finds all captures of a folder.
func walk(dir string, lib *profiles.Library) ([]Entry, error) {
	known := map[string]bool{}
	for _, name := range lib.Files() {
		known[name] = true
	}
	var entries []Entry
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		// A .txt may be a capture, and more often is a note.
		if _, err := capture.FormatFor(name); err == nil && !strings.Contains(path.Base(name), ".txt") {
			entries = append(entries, Entry{Captures: []string{name}, Profile: byFolder(dir, name, known), Scope: rules.Car})
		}
		return nil
	})
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		err = fmt.Errorf("%s: %w", dir, pe.Err)
	}
	return entries, err
}

// byFolder returns the setting that the nearest folder of a capture is named like.
func byFolder(dir, name string, known map[string]bool) string {
	for folder := path.Dir(name); folder != "."; folder = path.Dir(folder) {
		if known[path.Base(folder)] {
			return path.Base(folder)
		}
	}
	if abs, err := filepath.Abs(dir); err == nil && known[filepath.Base(abs)] {
		return filepath.Base(abs)
	}
	return ""
}
