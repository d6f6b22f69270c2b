package profiles

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"plugproof/decode/dbc"
)

// PreparedFolder is where a folder that is Checked keeps its settings as Compose
// makes them: reading their YAML takes longer than judging a short capture by
// them. It is a copy and nothing else, and is used only while every file that a
// setting was made of is the same to the byte.
const PreparedFolder = "prepared"

// prepared is a composed profile as it is put away, as JSON, without what is zero.
type prepared struct {
	Parts   []preparedPart
	Profile Profile
}

// preparedPart is one of Composed.Parts.
type preparedPart struct{ Name, SHA256 string }

// sumOf returns the hash of a part's file.
func sumOf(src []byte) string {
	sum := sha256.Sum256(src)
	return hex.EncodeToString(sum[:])
}

// Prepare returns the files of PreparedFolder, by name, that hold a setting: the
// setting as JSON and where the pairs of each of its parts stand.
func (l *Library) Prepare(name string) (map[string][]byte, error) {
	c, err := l.Compose(name)
	if err != nil {
		return nil, err
	}
	files := map[string][]byte{}
	var parts []preparedPart
	for _, part := range c.Parts {
		f, err := l.file(part, false)
		if err != nil {
			return nil, err
		}
		parts = append(parts, preparedPart{part, sumOf(f.src)})
		files[placesFile(part)] = []byte(f.places())
	}
	files[name+".json"], err = json.MarshalIndent(map[string]any{"Parts": parts, "Profile": plain(reflect.ValueOf(c.Profile))}, "", " ")
	return files, err
}

// placesFile is where the places of a file's pairs are put away.
func placesFile(part string) string { return part + ".places" }

// places lists where the pairs of the file stand: path, line, column and offset,
// a pair a line.
func (f *file) places() string {
	var b strings.Builder
	ast.Walk(visitor(func(n ast.Node) bool {
		if kv, ok := n.(*ast.MappingValueNode); ok {
			at := kv.Key.GetToken().Position
			fmt.Fprintln(&b, kv.GetPath(), at.Line, at.Column, at.Offset)
		}
		return true
	}), f.tree)
	return b.String()
}

// plain returns a value for JSON without its fields that are zero. What a pointer
// points at is kept: zero is not the same as unsaid.
func plain(v reflect.Value) any {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return nil
		}
		return plain(v.Elem())
	case reflect.Struct:
		fields := map[string]any{}
		for field, value := range v.Fields() {
			switch {
			case value.IsZero():
			case field.Anonymous:
				maps.Copy(fields, plain(value).(map[string]any))
			default:
				fields[field.Name] = plain(value)
			}
		}
		return fields
	case reflect.Map:
		entries := map[string]any{}
		for key, value := range v.Seq2() {
			entries[key.String()] = plain(value)
		}
		return entries
	case reflect.Slice:
		list := make([]any, v.Len())
		for i := range list {
			list[i] = plain(v.Index(i))
		}
		return list
	}
	return v.Interface()
}

// composed is Compose without the lines of the profile, from what was prepared
// where that is of the files there are.
func (l *Library) composed(name string) (*Composed, error) {
	c, err := l.takePrepared(name)
	if err != nil || c == nil {
		return l.Compose(name)
	}
	return c, nil
}

// takePrepared returns nil when the setting was not prepared, or of other files.
func (l *Library) takePrepared(name string) (*Composed, error) {
	at := slices.IndexFunc(l.folders, func(f Folder) bool { return f.Checked })
	if at < 0 || !fs.ValidPath(name) {
		return nil, nil
	}
	folder := l.folders[at]
	src, err := fs.ReadFile(folder.FS, path.Join(PreparedFolder, name+".json"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var p prepared
	if err := json.Unmarshal(src, &p); err != nil {
		return nil, err
	}
	c := &Composed{Profile: p.Profile, origins: map[string]origin{}, lib: l}
	for i, part := range p.Parts {
		src, place, checked, err := l.read(part.Name + Extension)
		if err != nil || !checked || sumOf(src) != part.SHA256 {
			return nil, err
		}
		places, err := fs.ReadFile(folder.FS, path.Join(PreparedFolder, placesFile(part.Name)))
		if err != nil {
			return nil, err
		}
		c.Parts = append(c.Parts, part.Name)
		c.takePlaces(string(places), &file{place: place, src: src}, i == len(p.Parts)-1)
	}
	return c, nil
}

// takePlaces notes where the pairs of a file stand, as merge does.
func (c *Composed) takePlaces(places string, f *file, last bool) {
	for line := range strings.Lines(places) {
		rest, offset := cutNumber(strings.TrimSuffix(line, "\n"))
		rest, col := cutNumber(rest)
		key, row := cutNumber(rest)
		if !last && slices.Contains(ofOneFile, strings.TrimPrefix(key, "$.")) {
			continue
		}
		c.origins[key] = origin{file: f, order: len(c.Parts), pos: dbc.Position{File: f.place, Line: row, Col: col, Offset: offset}}
	}
}

// cutNumber cuts the number behind the last blank off a line that places wrote.
func cutNumber(line string) (rest string, n int) {
	cut := strings.LastIndexByte(line, ' ')
	n, _ = strconv.Atoi(line[cut+1:])
	return line[:max(0, cut)], n
}
