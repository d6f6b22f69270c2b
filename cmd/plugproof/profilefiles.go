package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"plugproof/profiles"
	"plugproof/profiles/library"
)

// profilesVariable is the environment variable with folders of profiles.
const profilesVariable = "PLUGPROOF_PROFILES"

// profileHelp explains where profiles are looked for in a command's help.
const profileHelp = `--profile NAME is a setting inside the tool, or in a folder that --profiles or the
variable ` + profilesVariable + ` names; --profile FILE.yaml is a file, with its
parts and DBC files beside it.`

// profileFolders is the value of --profiles.
type profileFolders struct{ dirs []string }

func (p *profileFolders) addFlags(flags *pflag.FlagSet) {
	flags.StringArrayVar(&p.dirs, "profiles", nil, "look for profiles in the folder `DIR` too; may be repeated")
}

// library returns the profiles on file: the tool's own, those of the
// environment variable, those of --profiles. Later ones win.
func (p *profileFolders) library() (*profiles.Library, error) {
	folders := []profiles.Folder{{Name: "library", FS: library.FS(), Checked: true}}
	dirs := append(filepath.SplitList(os.Getenv(profilesVariable)), p.dirs...)
	for _, dir := range dirs {
		if dir == "" {
			return nil, hint(errors.New("the name of a folder of profiles is empty"), "--profiles DIR, or %s=DIR", profilesVariable)
		}
		info, err := os.Stat(dir)
		switch {
		case err != nil:
			return nil, fmt.Errorf("folder of profiles %s: %w", dir, bareError(err))
		case !info.IsDir():
			return nil, hint(fmt.Errorf("%s is no folder of profiles", dir), "--profile FILE.yaml takes a single file")
		}
		root, err := os.OpenRoot(dir) // no link leads out of it; open as long as the tool runs
		if err != nil {
			return nil, fmt.Errorf("folder of profiles %s: %w", dir, bareError(err))
		}
		folders = append(folders, profiles.Folder{Name: filepath.ToSlash(dir), FS: root.FS()})
	}
	return profiles.NewLibrary(folders...), nil
}

// find returns the library that a profile is in, and its name there; name is one
// on file, or a file that ends in .yaml.
func (p *profileFolders) find(name string) (*profiles.Library, string, error) {
	folders := *p
	if filepath.Ext(name) == profiles.Extension {
		if _, err := os.Stat(name); err != nil {
			return nil, "", fmt.Errorf("profile %s: %w", name, bareError(err))
		}
		folders.dirs = append(slices.Clip(folders.dirs), filepath.Dir(name))
		name = strings.TrimSuffix(filepath.Base(name), profiles.Extension)
	}
	lib, err := folders.library()
	return lib, name, err
}

// setting loads the setting that a value of --profile names, and returns the
// library that it came from.
func (p *profileFolders) setting(name string) (*profiles.Setting, *profiles.Library, error) {
	lib, name, err := p.find(name)
	if err != nil {
		return nil, nil, err
	}
	s, err := lib.Load(name)
	if err != nil || s.Part {
		// A part alone lacks what it is put together with: that is not its fault.
		if c, composing := lib.Compose(name); composing == nil && c.Part {
			return nil, nil, hint(fmt.Errorf("%s is a part of profiles, not a setting", name), "name a profile that builds on it")
		}
		return nil, nil, unknownProfile(err)
	}
	return s, lib, nil
}

// unknownProfile adds to the error of a name that is not on file where else
// profiles are looked for.
func unknownProfile(err error) error {
	if errors.Is(err, profiles.ErrNoProfile) || errors.Is(err, fs.ErrInvalid) {
		return hint(err, "--profiles DIR names a folder with more; a name that ends in .yaml is a file")
	}
	return err
}
