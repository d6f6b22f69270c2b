package check

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"plugproof/decode/capture"
	"plugproof/profiles"
)

// File identifies a file that a verdict rests on, besides the captures.
type File struct {
	File   string `json:"file"`
	Size   int64  `json:"size_bytes"`
	SHA256 string `json:"sha256"`
}

// NewFile identifies a file by its content.
func NewFile(path string, content []byte) File {
	sum := sha256.Sum256(content)
	return File{File: path, Size: int64(len(content)), SHA256: hex.EncodeToString(sum[:])}
}

// SettingFiles identifies the profile files and DBC files of a setting, in the
// order in which they were put together.
func SettingFiles(lib *profiles.Library, s *profiles.Setting) ([]File, error) {
	if lib == nil {
		return nil, nil // learned from the baseline, whose captures are named as such
	}
	var names []string
	for _, part := range s.Parts {
		names = append(names, part+profiles.Extension)
	}
	for _, bus := range s.Buses {
		names = append(names, s.Profile.Buses[bus.Name].DBC...)
	}
	var files []File
	for _, name := range names {
		src, place, err := lib.ReadFile(name)
		if err != nil {
			return nil, err
		}
		files = append(files, NewFile(place, src))
	}
	return files, nil
}

// OrderError says that captures that are read as one were not given in the order
// in which they were recorded.
type OrderError struct{ First, Second string } // as given

func (e *OrderError) Error() string {
	return fmt.Sprintf("%s was recorded before %s, which is given first", e.Second, e.First)
}

// inOrder refuses a capture that ends before the one given first begins. Those
// that overlap are of several buses at the same time.
func inOrder(reports []capture.FileReport) error {
	for i := 1; i < len(reports); i++ {
		first, second := &reports[i-1], &reports[i]
		if first.Frames > 0 && second.Frames > 0 && second.LastTime < first.FirstTime {
			return &OrderError{First: first.Path, Second: second.Path}
		}
	}
	return nil
}
