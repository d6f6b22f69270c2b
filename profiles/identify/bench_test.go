package identify_test

import (
	"fmt"
	"testing"
	"testing/fstest"

	"plugproof/profiles"
	"plugproof/profiles/confusion"
	"plugproof/profiles/demo"
	"plugproof/profiles/identify"
	"plugproof/profiles/library"
)

// synthetic is a library of n settings: real ones, each with one identifier, cycle
// and constant of its own. Invented.
func synthetic(n int) *profiles.Library {
	names := demo.Settings()
	files := fstest.MapFS{}
	for i := range n - len(names) {
		text := fmt.Sprintf("format: 1\nname: synthetic-%04d\nbuilds_on: [%s]\nmessages:\n  BodyPower: {id: 0x%03X}\n  WheelSpeeds: {cycle: %dms}\n"+
			"  StabilityConfig: {constants: {StabilityVariant: {value: %d}}}\n", i, names[i%len(names)], 0x600+i%400, 30+i%50, 40+i%200)
		files[fmt.Sprintf("synthetic-%04d.yaml", i)] = &fstest.MapFile{Data: []byte(text)}
	}
	return profiles.NewLibrary(
		profiles.Folder{Name: "library", FS: library.FS()}, profiles.Folder{Name: "synthetic", FS: files})
}

func loaded(b *testing.B, lib *profiles.Library) *identify.Plan {
	b.Helper()
	p, err := identify.Load(lib)
	if err != nil {
		b.Fatal(err)
	}
	return p
}

// BenchmarkThousand scores 1,000 settings over 1,000,000 frames; loading them is
// not counted.
func BenchmarkThousand(b *testing.B) {
	const million = 1_000_000
	p := loaded(b, synthetic(1000))
	s := demo.Settings()[6]
	frames, buses := record(b, s, demo.Script(0, s))
	b.ReportAllocs()
	for b.Loop() {
		c := p.New(buses)
		for left := million; left > 0; {
			n := min(left, len(frames))
			c.Add(frames[:n])
			left -= n
		}
		res, err := p.Judge(c, identify.Input{})
		if err != nil || len(res.Settings) == 0 {
			b.Fatal(res, err)
		}
	}
	b.ReportMetric(million*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

// BenchmarkCollect is the loop over frames alone, with the twelve settings.
func BenchmarkCollect(b *testing.B) {
	p := plan(b, confusion.Library())
	s := demo.Settings()[6]
	frames, buses := record(b, s, demo.Script(0, s))
	b.SetBytes(int64(len(frames)) * 16) // a classic frame as the kernel passes it
	b.ReportAllocs()
	c := p.New(buses)
	for b.Loop() {
		c.Add(frames)
	}
}

// BenchmarkLoad loads and compiles 100 settings, and reports what they hold.
func BenchmarkLoad(b *testing.B) {
	lib := synthetic(100)
	b.ReportAllocs()
	for b.Loop() {
		loaded(b, lib)
	}
}
