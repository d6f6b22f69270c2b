package learn

import (
	"bytes"
	"fmt"
	"io/fs"
	"time"

	"plugproof/profiles"
)

// folderName is what positions in a learned profile show before its name.
const folderName = "learned"

// fromBaseline is where the facts of a setting learned in memory come from.
const fromBaseline = "baseline"

// load writes the draft as a file and reads it as any other: what the strict
// loader refuses is never handed out.
func (d *draft) load() (*Learned, error) {
	p := d.profile()
	text := d.write(p)
	if len(text) > profiles.MaxFileSize {
		return nil, fmt.Errorf("the profile would have %d kB, more than %d: too many messages", len(text)>>10, profiles.MaxFileSize>>10)
	}
	files := folder{d.opts.Name + profiles.Extension: text}
	for _, f := range d.defs.files {
		files[f.File] = f.Source
	}
	setting, err := profiles.NewLibrary(profiles.Folder{Name: folderName, FS: files}).Load(d.opts.Name)
	if err != nil {
		return nil, fmt.Errorf("the learned profile does not load: %w", err)
	}
	return &Learned{Profile: p, YAML: text, Setting: setting, Remarks: d.remarks}, nil
}

// profile puts the draft together.
func (d *draft) profile() *profiles.Profile {
	p := &profiles.Profile{
		Format: profiles.FormatVersion, Name: d.opts.Name, Replaced: d.replaced,
		Buses: map[string]*profiles.Bus{}, Messages: map[string]*profiles.Message{},
	}
	for i := range d.seen.buses {
		b := &d.seen.buses[i]
		bus := &profiles.Bus{DBC: d.defs.of(b.Name)}
		if b.Bitrate != nil {
			bus.Bitrate = profiles.Rate(*b.Bitrate)
		}
		if b.DataBitrate != nil {
			bus.DataBitrate = profiles.Rate(*b.DataBitrate)
		}
		for _, stated := range d.opts.Buses {
			if stated.Name == b.Name && stated.Bitrate > 0 {
				bus.Bitrate, bus.DataBitrate = profiles.Rate(stated.Bitrate), profiles.Rate(stated.DataBitrate)
			}
		}
		p.Buses[b.Name] = bus
	}
	if len(d.nodes) > 0 {
		p.Nodes = map[string]*profiles.Node{}
	}
	for name, n := range d.nodes {
		p.Nodes[name] = &n.Node
	}
	for _, e := range d.entries {
		p.Messages[e.name] = &e.message
	}
	for _, e := range d.unseen {
		p.Messages[e.name] = &e.message
	}
	return p
}

// folder is files in memory, by their path. It satisfies fs.FS.
type folder map[string][]byte

// Open returns a file of the folder.
func (f folder) Open(name string) (fs.File, error) {
	data, ok := f[name]
	if !ok {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return &file{Reader: bytes.NewReader(data), name: name}, nil
}

// file is an open file of a folder, and says what there is to say about it.
type file struct {
	*bytes.Reader
	name string
}

// Close does nothing.
func (f *file) Close() error { return nil }

// Stat returns the file itself, which satisfies fs.FileInfo.
func (f *file) Stat() (fs.FileInfo, error) { return f, nil }

// Name, Mode, ModTime, IsDir and Sys satisfy fs.FileInfo; Size is the Reader's.
func (f *file) Name() string       { return f.name }
func (f *file) Mode() fs.FileMode  { return 0o444 }
func (f *file) ModTime() time.Time { return time.Time{} }
func (f *file) IsDir() bool        { return false }
func (f *file) Sys() any           { return nil }
