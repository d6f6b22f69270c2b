package identify

import (
	"fmt"
	"testing"
	"testing/fstest"

	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

// synthetic loads n settings: real ones, each with one identifier, cycle and
// constant of its own. Invented.
func synthetic(t testing.TB, n int) []*profiles.Setting {
	t.Helper()
	names := demo.Settings()
	files := fstest.MapFS{}
	for i := range n - len(names) {
		text := fmt.Sprintf("format: 1\nname: synthetic-%04d\nbuilds_on: [%s]\nmessages:\n  BodyPower: {id: 0x%03X}\n  WheelSpeeds: {cycle: %dms}\n"+
			"  StabilityConfig: {constants: {StabilityVariant: {value: %d}}}\n", i, names[i%len(names)], 0x600+i%400, 30+i%50, 40+i%200)
		files[fmt.Sprintf("synthetic-%04d.yaml", i)] = &fstest.MapFile{Data: []byte(text)}
	}
	list, bad := Library(profiles.NewLibrary(
		profiles.Folder{Name: "library", FS: library.FS()}, profiles.Folder{Name: "synthetic", FS: files}))
	for name, err := range bad {
		t.Fatalf("%s: %v", name, err)
	}
	return list
}

// BenchmarkThousand scores 1,000 settings over 1,000,000 frames; loading them is
// not counted.
func BenchmarkThousand(b *testing.B) {
	const million = 1_000_000
	p := newPlan(b, synthetic(b, 1000))
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
		res, err := p.Judge(c, Input{})
		if err != nil || len(res.Settings) == 0 {
			b.Fatal(res, err)
		}
	}
	b.ReportMetric(million*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}

// BenchmarkCollect is the loop over frames alone, with the twelve settings.
func BenchmarkCollect(b *testing.B) {
	p := newPlan(b, settings(b))
	s := demo.Settings()[6]
	frames, buses := record(b, s, demo.Script(0, s))
	b.SetBytes(int64(len(frames)) * 16) // a classic frame as the kernel passes it
	b.ReportAllocs()
	c := p.New(buses)
	for b.Loop() {
		c.Add(frames)
	}
}

// BenchmarkPlan compiles 1,000 settings that are loaded.
func BenchmarkPlan(b *testing.B) {
	list := synthetic(b, 1000)
	b.ReportAllocs()
	for b.Loop() {
		newPlan(b, list)
	}
}
