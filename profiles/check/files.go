package check

import (
	"crypto/sha256"
	"encoding/hex"

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
