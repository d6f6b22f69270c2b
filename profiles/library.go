package profiles

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"sort"
	"strings"
	"sync"

	"plugproof/decode/dbc"
)

// MaxDBCSize is how large a DBC file beside a profile may be, in bytes. The
// largest public ones have half a megabyte.
const MaxDBCSize = 16 << 20

// maxKept bounds what a Library keeps parsed, in bytes of the files.
const maxKept = 16 << 20

// ErrNoProfile is the reason when no profile of a name is on file.
var ErrNoProfile = errors.New("no such profile")

// Library is the profiles on file: folders of profile files and the DBC files
// beside them. Paths inside it are slash-separated and never leave their folder.
//
// Parts and DBC files are parsed once: many settings share them. Several
// goroutines may use a Library at once.
type Library struct {
	folders []Folder

	mu    sync.Mutex // of what follows
	kept  int        // bytes of the files in files and dbcs
	files map[string]*file
	dbcs  map[string]*dbc.Database
}

// Folder is one place with profiles. Name is what positions and messages show
// before a path: "" for the current folder, "library" for the embedded one.
type Folder struct {
	Name    string
	FS      fs.FS
	Checked bool // each file was found good by CheckFile: what is composed of them is checked alone
}

// NewLibrary returns the library of the given folders. Where two hold a file of
// one name, the later folder wins.
func NewLibrary(folders ...Folder) *Library {
	return &Library{folders: folders, files: map[string]*file{}, dbcs: map[string]*dbc.Database{}}
}

// Files lists the names of all profile files, parts included, sorted, without
// their extension.
func (l *Library) Files() []string {
	var names []string
	for _, folder := range l.folders {
		// A folder that cannot be listed has no names to offer; reading one of
		// its files says why.
		_ = fs.WalkDir(folder.FS, ".", func(name string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() && path.Ext(name) == Extension {
				names = append(names, strings.TrimSuffix(name, Extension))
			}
			return nil
		})
	}
	sort.Strings(names)
	return slices.Compact(names)
}

// ReadFile returns a file of the library and the place it was found, as shown to users.
func (l *Library) ReadFile(name string) (data []byte, place string, err error) {
	data, place, _, err = l.read(name)
	return data, place, err
}

// read is ReadFile; checked is that of the folder.
func (l *Library) read(name string) (data []byte, place string, checked bool, err error) {
	if !fs.ValidPath(name) || strings.ContainsAny(name, `\:`) {
		return nil, name, false, fmt.Errorf("%q leaves the profile's folder: name a file in it or below it", name)
	}
	for _, folder := range slices.Backward(l.folders) {
		f, err := folder.FS.Open(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		place = path.Join(folder.Name, name)
		if err != nil {
			return nil, place, false, fmt.Errorf("cannot open %s: %w", place, err)
		}
		defer f.Close()
		limit, what := int64(MaxFileSize), "profile"
		if path.Ext(name) != Extension {
			limit, what = MaxDBCSize, "DBC file"
		}
		data, err = io.ReadAll(io.LimitReader(f, limit+1))
		if err == nil && int64(len(data)) > limit {
			return nil, place, false, fmt.Errorf("%s is larger than %d kB: no %s is", place, limit>>10, what)
		}
		return data, place, folder.Checked, err
	}
	return nil, name, false, fmt.Errorf("%s: %w", name, fs.ErrNotExist)
}

// file returns a profile file, parsed. One that others build on is kept.
func (l *Library) file(name string, shared bool) (*file, error) {
	l.mu.Lock()
	f := l.files[name]
	l.mu.Unlock()
	if f != nil {
		return f, nil
	}
	src, place, checked, err := l.read(name + Extension)
	if err != nil {
		return nil, err
	}
	f = &file{place: place, src: src}
	if err := f.parse(); err != nil {
		return nil, err
	}
	if !checked {
		if err := f.decode(new(Profile)); err != nil {
			return nil, err
		}
	}
	if shared {
		l.keep(len(src), func() { l.files[name] = f })
	}
	return f, nil
}

// database returns a DBC file, parsed. It is never to be written to.
func (l *Library) database(name string) (*dbc.Database, error) {
	l.mu.Lock()
	db := l.dbcs[name]
	l.mu.Unlock()
	if db != nil {
		return db, nil
	}
	src, place, err := l.ReadFile(name)
	if err != nil {
		return nil, err
	}
	db = dbc.Parse(place, src)
	l.keep(len(src), func() { l.dbcs[name] = db })
	return db, nil
}

// keep puts away what was made of a file of the given size, as long as there is room.
func (l *Library) keep(size int, put func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.kept+size <= maxKept {
		l.kept += size
		put()
	}
}
