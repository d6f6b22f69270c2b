package job

import (
	"os"
	"path"
	"path/filepath"
	"strings"

	"plugproof/decode/atomicfile"
)

// stagesEnding is that of the file beside a capture that says where its stages are.
const stagesEnding = ".stages.yaml"

// MomentOfCapture gives the moment of a capture of the folder by its name.
func MomentOfCapture(file string) (m Moment, ok bool) {
	dir, name := path.Split(file)
	end := strings.IndexAny(name, "-.")
	if dir != capturesDir+"/" || end < 0 {
		return "", false
	}
	m = Moment(name[:end])
	return m, m.Valid()
}

// Stray is a file that lies in the folder and that the journal does not know: a run
// was ended, or the machine went off, before it was filed.
type Stray struct {
	File     string // from the folder, with slashes
	Leftover bool   // of writing: nothing in it is of use
}

// Strays lists them, by name.
func (j *Job) Strays() []Stray {
	known := map[string]bool{}
	for _, e := range j.Journal {
		known[e.File] = true
	}
	var list []Stray
	for _, dir := range []string{"", capturesDir, resultsDir} {
		entries, err := os.ReadDir(filepath.Join(j.Dir, dir))
		if err != nil {
			continue // what cannot be read has nothing to tell
		}
		for _, e := range entries {
			file := path.Join(dir, e.Name())
			info, err := e.Info()
			switch {
			case err != nil || !info.Mode().IsRegular() || known[file]:
			case atomicfile.IsTemporary(e.Name()) || dir != "" && info.Size() == 0:
				list = append(list, Stray{file, true})
			case dir != "" && !strings.HasSuffix(file, stagesEnding):
				list = append(list, Stray{File: file})
			}
		}
	}
	return list
}
