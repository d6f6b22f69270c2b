package library_test

import (
	"fmt"
	"testing"
	"testing/fstest"

	"plugproof/profiles"
	"plugproof/profiles/library"
)

// BenchmarkLoad loads one setting with nothing parsed before, as a command does.
func BenchmarkLoad(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS(), Checked: true}).Load("lowan-2-20t-a5"); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLoadThousand loads 1,000 settings that build on those of the library.
func BenchmarkLoadThousand(b *testing.B) {
	const settings = 1000
	files := fstest.MapFS{}
	for i := range settings {
		text := fmt.Sprintf("format: 1\nname: car-%d\nbuilds_on: [%s]\nmessages:\n  WheelSpeeds: {cycle: %dms}\n", i, names[i%len(names)], 30+i%50)
		files[fmt.Sprintf("car-%d.yaml", i)] = &fstest.MapFile{Data: []byte(text)}
	}
	b.ReportAllocs()
	for b.Loop() {
		lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS(), Checked: true}, profiles.Folder{Name: "cars", FS: files})
		for i := range settings {
			if _, err := lib.Load(fmt.Sprintf("car-%d", i)); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e3/settings/float64(b.N), "ms/setting")
}

var names = []string{"lowan-1-20-m5", "lowan-2-20t-a5", "lowan-2-20t-a8", "lowan-3-20-a8"}
