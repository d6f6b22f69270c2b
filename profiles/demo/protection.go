package demo

import (
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/library"
)

// protections returns how the messages of a setting are protected, as its
// profile says.
func (s Setting) protections() (map[string]guard.Protection, error) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	setting, err := lib.Load(s.String())
	if err != nil {
		return nil, err
	}
	found := make(map[string]guard.Protection)
	for _, m := range setting.Messages {
		own := m.Own
		if !m.Expected || own.Counter == nil && own.Toggle == nil && own.Checksum == nil {
			continue
		}
		if found[m.Name], err = m.Protection(); err != nil {
			return nil, err
		}
	}
	return found, nil
}
