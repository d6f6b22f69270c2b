package check

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"plugproof/profiles/stages"
)

// StagesBeside reads the stages files that lie beside captures: CAPTURE.stages.yaml.
func StagesBeside(paths []string) ([]Marked, error) {
	var marked []Marked
	for _, path := range paths {
		if path == "-" {
			continue
		}
		name := path + ".stages.yaml"
		src, err := ReadSmall(name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		spans, err := stages.Parse(name, src)
		if err != nil {
			return nil, err
		}
		marked = append(marked, Marked{Capture: path, File: name, Spans: spans})
	}
	return marked, nil
}

// MaxSmall is the size in bytes over which a file is none that a person wrote.
const MaxSmall = 4 << 20

// ReadSmall reads a file that a person wrote.
func ReadSmall(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, named(path, err)
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, MaxSmall+1))
	switch {
	case err != nil:
		return nil, named(path, err)
	case len(src) > MaxSmall:
		return nil, fmt.Errorf("%s: too large: over %d bytes", path, MaxSmall)
	}
	return src, nil
}

// named names the file once.
func named(path string, err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		err = pe.Err
	}
	return fmt.Errorf("%s: %w", path, err)
}
