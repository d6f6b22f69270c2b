package check_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
)

func lowan() *profiles.Library {
	return profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS(), Checked: true})
}

func BenchmarkLoad(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := lowan().Load("lowan-2-20t-a5"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSmall(b *testing.B) {
	path := filepath.Join(witness.Root(b), "testdata", "captures", "lowan-dead-tachometer.log")
	b.ReportAllocs()
	for b.Loop() {
		run(b, path, 1)
	}
}

func run(b testing.TB, path string, workers int) *check.Output {
	lib := lowan()
	s, err := lib.Load("lowan-2-20t-a5")
	if err != nil {
		b.Fatal(err)
	}
	r, err := capture.Open([]string{path}, capture.Options{Workers: workers})
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	interfaces, err := check.MatchBuses(context.Background(), []string{path}, nil, s, nil)
	if err != nil {
		b.Fatal(err)
	}
	out, err := check.Run(context.Background(), &check.Input{
		Setting: s, Library: lib, Capture: check.Recording{Reader: r, Interfaces: interfaces}, Scope: rules.Car,
	})
	if err != nil {
		b.Fatal(err)
	}
	return out
}

func BenchmarkCheck(b *testing.B) {
	dir := b.TempDir()
	written, err := demo.Write(context.Background(), dir, demo.WriteOptions{Scale: 1})
	if err != nil {
		b.Fatal(err)
	}
	info, err := os.Stat(written[0].Path)
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(info.Size())
	b.ReportAllocs()
	for b.Loop() {
		run(b, written[0].Path, 1)
	}
	b.ReportMetric(float64(written[0].Frames)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}
