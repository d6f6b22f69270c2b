package library_test

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

// TestPrepared holds what is put away beside the profiles to the profiles:
// go test ./profiles/library -update writes it anew.
func TestPrepared(t *testing.T) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS(), Checked: true})
	want := map[string]string{}
	for _, car := range demo.Settings() {
		files, err := lib.Prepare(car.String())
		if err != nil {
			t.Fatal(err)
		}
		for name, data := range files {
			want[name] = string(data)
		}
	}
	if *update {
		for name, data := range want {
			file := filepath.Join(profiles.PreparedFolder, name)
			if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(file, []byte(data), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	got := map[string]string{}
	for _, pattern := range []string{"*", "parts/*"} {
		names, err := filepath.Glob(filepath.Join(profiles.PreparedFolder, pattern))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range names {
			name, err := filepath.Rel(profiles.PreparedFolder, file)
			if err != nil || name == "parts" {
				continue
			}
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got[filepath.ToSlash(name)] = string(data)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(want)) {
		if got[name] != want[name] {
			t.Errorf("%s is out of date: go test ./profiles/library -update", name)
		}
		delete(got, name)
	}
	if len(got) > 0 {
		t.Errorf("files of nothing: %v", slices.Sorted(maps.Keys(got)))
	}
}
