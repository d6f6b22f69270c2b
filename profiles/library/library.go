// Package library is the one home of the files that plugproof ships: the
// profiles and DBC files of the Lowan, the demo car that does not exist.
//
// lowan-drive.dbc and lowan-body.dbc describe series 2 with the 5-speed
// automatic. The other files hold only the messages in which a series or a
// gearbox differs, and replace those: a decoder takes the first definition of an
// identifier and is given them first, a profile lets later files replace earlier
// ones and names them last.
package library

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"
)

//go:embed *.dbc *.yaml parts/*.yaml prepared
var files embed.FS

// FS returns the profiles and the DBC files that they name.
func FS() fs.FS { return files }

// Names returns the names of the DBC files, sorted.
func Names() []string {
	names, err := fs.Glob(files, "*.dbc")
	if err != nil {
		panic("internal error: " + err.Error()) // the pattern is a constant
	}
	slices.Sort(names)
	return names
}

// DBC returns the content of the named file. The error lists the names there are.
func DBC(name string) ([]byte, error) {
	data, err := files.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("no library file %q: there are %s", name, strings.Join(Names(), ", "))
	}
	return data, nil
}
