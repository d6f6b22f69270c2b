package profiles_test

import (
	"io/fs"
	"maps"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

// What was prepared is what the YAML says, to the place of every value.
func TestPreparedIsComposed(t *testing.T) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS(), Checked: true})
	for _, car := range demo.Settings() {
		fast, err := profiles.TakePrepared(lib, car.String())
		if err != nil || fast == nil {
			t.Fatalf("%s is not prepared: %v", car, err)
		}
		slow, err := lib.Compose(car.String())
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(slow.Profile, fast.Profile); diff != "" {
			t.Errorf("%s (-YAML +prepared):\n%s", car, diff)
		}
		if diff := cmp.Diff(slow.Parts, fast.Parts); diff != "" {
			t.Errorf("%s is made of (-YAML +prepared):\n%s", car, diff)
		}
		if diff := cmp.Diff(profiles.Origins(slow), profiles.Origins(fast)); diff != "" {
			t.Errorf("%s: places (-YAML +prepared):\n%s", car, diff)
		}
	}
}

// What was prepared of other files, or is damaged, is not used, and nobody notices.
func TestPreparedOfOtherFiles(t *testing.T) {
	const car, part = "lowan-2-20t-a5", "parts/base.yaml"
	files := fstest.MapFS{}
	err := fs.WalkDir(library.FS(), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := fs.ReadFile(library.FS(), name)
		files[name] = &fstest.MapFile{Data: data}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	ours := profiles.Folder{Name: "library", FS: files, Checked: true}
	changed := &fstest.MapFile{Data: append([]byte("# changed\n"), files[part].Data...)}
	with := func(name string, f *fstest.MapFile) profiles.Folder {
		other := maps.Clone(files)
		if other[name] = f; f == nil {
			delete(other, name)
		}
		return profiles.Folder{Name: "library", FS: other, Checked: true}
	}
	const prepared = profiles.PreparedFolder + "/" + car + ".json"
	for name, folders := range map[string][]profiles.Folder{
		"a part was changed":               {with(part, changed)},
		"another folder has a part":        {ours, {Name: "mine", FS: fstest.MapFS{part: changed}}},
		"another folder has the same part": {ours, {Name: "mine", FS: fstest.MapFS{part: files[part]}}},
		"another folder has the setting":   {ours, {Name: "mine", FS: fstest.MapFS{car + ".yaml": files[car+".yaml"]}}},
		"nothing was prepared":             {with(prepared, nil)},
		"no places were prepared":          {with(profiles.PreparedFolder+"/parts/base.places", nil)},
		"damaged":                          {with(prepared, &fstest.MapFile{Data: files[prepared].Data[:1000]})},
		"a folder that nobody checked":     {{Name: "library", FS: files}},
	} {
		t.Run(name, func(t *testing.T) {
			lib := profiles.NewLibrary(folders...)
			if c, _ := profiles.TakePrepared(lib, car); c != nil {
				t.Error("it is used")
			}
			s, err := lib.Load(car)
			if err != nil {
				t.Fatal(err)
			}
			if from := s.Origin("$.messages.EngineSpeed.listeners.Cluster.timeout").String(); strings.HasPrefix(name, "another folder has the same") && !strings.HasPrefix(from, "mine/") {
				t.Errorf("its timeout is from %s", from)
			}
		})
	}
	if c, err := profiles.TakePrepared(profiles.NewLibrary(ours), car); c == nil {
		t.Errorf("unchanged, it is not used: %v", err)
	}
}
