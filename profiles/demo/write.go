package demo

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"plugproof/decode/atomicfile"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles/library"
	"plugproof/profiles/stages"
)

// WriteOptions of Write. The zero value writes the short script of the series 2
// turbo with the 5-speed automatic as plain candump logs.
type WriteOptions struct {
	Settings []Setting // nil: lowan-2-20t-a5
	Scale    float64   // of the script, as for Script; only where Options.Script is nil
	Format   capture.WriterOptions
	Options
}

// Written is a file that Write wrote.
type Written struct {
	Path    string
	What    string // one line for people
	Frames  uint64 // 0: not a capture
	Length  time.Duration
	Setting Setting
}

// Write writes the captures of each setting to a folder, which is made when it
// is not there: the car as it left the works, the same with a replacement engine
// controller that sends no engine speed and with one that is in order, that one
// alone on the bench, and with the engine controller unplugged. Beside each
// capture lies CAPTURE.stages.yaml, which says where its stages are, and beside
// all of them the DBC files to read them by. Files are whole or not there; the
// error is an *atomicfile.Error where one cannot be written.
func Write(ctx context.Context, dir string, opts WriteOptions) ([]Written, error) {
	if len(opts.Settings) == 0 {
		opts.Settings = []Setting{{2, TwoLitreTurbo, Auto5}}
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, &atomicfile.Error{Path: dir, Err: reason(err)}
	}
	var list []Written
	for _, setting := range opts.Settings {
		for _, s := range scenes(setting, opts) {
			path := filepath.Join(dir, setting.String()+s.suffix+extension(opts.Format))
			w, err := writeCapture(ctx, path, setting, s.options, opts.Format)
			if err != nil {
				return list, err
			}
			w.What = s.what
			list = append(list, w)
		}
	}
	names, err := writeDefinitions(dir, opts.Settings)
	return append(list, names...), err
}

// scene is one capture of a setting.
type scene struct {
	suffix, what string
	options      Options
}

func scenes(setting Setting, opts WriteOptions) []scene {
	whole := opts.Options
	if whole.Script == nil {
		whole.Script = Script(opts.Scale, setting)
	}
	if whole.Start == 0 {
		whole.Start = DefaultStart
	}
	// Other days, other phases: nothing but the car is the same.
	dead, unplugged, bench, mended := whole, whole, whole, whole
	dead.Seed, dead.Start = whole.Seed+1, whole.Start+int64(26*time.Hour)
	unplugged.Seed, unplugged.Start = whole.Seed+2, whole.Start+int64(time.Hour)
	bench.Seed, bench.Start = whole.Seed+3, whole.Start+int64(20*time.Hour)
	mended.Seed, mended.Start = whole.Seed+4, whole.Start+int64(30*time.Hour)
	dead.Without = append([]string{"EngineSpeed"}, whole.Without...)
	bench.Without = append([]string{"Body", "Climate", "Cluster", "Stability"}, whole.Without...)
	if setting.Automatic() {
		bench.Without = append(bench.Without, "Gearbox")
	}
	unplugged.Without = append([]string{"Engine"}, whole.Without...)
	unplugged.Script, bench.Script = nil, nil
	for _, s := range whole.Script {
		switch s.Name {
		case "asleep", "key-on", "pedal", "brake", "lever", "key-off":
			unplugged.Script = append(unplugged.Script, s)
		}
		if s.Name == "key-on" {
			bench.Script = append(bench.Script, s)
		}
	}
	list := []scene{{"", "factory engine controller, everything in order", whole}}
	if len(unplugged.Script) > 0 {
		list = append(list, scene{"-unplugged", "engine controller unplugged", unplugged})
	}
	if len(bench.Script) > 0 {
		list = append(list, scene{"-bench", "the new controller alone on the bench, key on", bench})
	}
	return append(
		list,
		scene{"-dead-tachometer", "after the swap: the new controller sends no engine speed", dead},
		scene{"-mended", "after that was mended: everything in order", mended},
	)
}

// extension is the end of the file name that goes with a format.
func extension(opts capture.WriterOptions) string {
	ext := map[capture.WriteFormat]string{capture.CandumpLog: ".log", capture.Pcap: ".pcap", capture.Pcapng: ".pcapng"}[opts.Format]
	return ext + map[capture.Compression]string{capture.Gzip: ".gz", capture.Zstd: ".zst"}[opts.Compression]
}

// writeCapture writes one capture and its stages.
func writeCapture(ctx context.Context, path string, setting Setting, opts Options, format capture.WriterOptions) (Written, error) {
	w := Written{Path: path, Setting: setting}
	d, err := New(setting, opts)
	if err != nil {
		return w, err
	}
	for _, s := range d.script {
		w.Length += s.Length
	}
	f, err := atomicfile.Create(path)
	if err != nil {
		return w, err
	}
	defer f.Drop()
	if w.Frames, err = d.record(ctx, f, format); err != nil {
		return w, err
	}
	if err := f.Commit(); err != nil {
		return w, err
	}
	return w, atomicfile.WriteFile(path+".stages.yaml", stages.Format(filepath.Base(path), spans(d.Markers())))
}

// spans are markers as stages.
func spans(markers []Marker) stages.Spans {
	list := make(stages.Spans, len(markers))
	for i, m := range markers {
		list[i] = stages.Span{Stage: m.Name, Start: m.Start, End: m.End}
	}
	return list
}

// record writes what is left of the drive and returns the number of frames.
func (d *Drive) record(ctx context.Context, to io.Writer, format capture.WriterOptions) (frames uint64, err error) {
	w, err := capture.NewWriter(to, d.Buses(), format)
	if err != nil {
		return 0, err
	}
	batch := make([]can.Frame, 512)
	for {
		n, err := d.Read(ctx, batch)
		if werr := w.Write(batch[:n]); werr != nil {
			return frames, werr
		}
		frames += uint64(n)
		if err == io.EOF {
			return frames, w.Close()
		}
		if err != nil {
			return frames, err
		}
	}
}

// writeDefinitions writes the DBC files that the settings need.
func writeDefinitions(dir string, settings []Setting) ([]Written, error) {
	var list []Written
	for _, name := range library.Names() {
		needed := false
		for _, s := range settings {
			needed = needed || slices.Contains(s.DBC(DriveBus), name) || slices.Contains(s.DBC(BodyBus), name)
		}
		if !needed {
			continue
		}
		src, err := library.DBC(name)
		if err != nil {
			return list, err
		}
		path := filepath.Join(dir, name)
		if err := atomicfile.WriteFile(path, src); err != nil {
			return list, err
		}
		list = append(list, Written{Path: path, What: "definitions of the messages"})
	}
	return list, nil
}

// reason takes the path out of an os error.
func reason(err error) error {
	if pe, ok := errors.AsType[*os.PathError](err); ok {
		return pe.Err
	}
	return err
}
