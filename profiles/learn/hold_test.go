package learn

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/profiles"
)

// fourMessages is a bus with four messages of 10 to 40 ms for 20 s.
func fourMessages() (frames []can.Frame) {
	for i, cycle := range []int64{10, 20, 20, 40} {
		frames = append(frames, cyclic(uint32(0x100*(i+1)), int64(2*i), cycle, int(20000/cycle), counting)...)
	}
	return frames
}

// What the recording did wrong must not be taken for the car.
func TestUnfitIsRefused(t *testing.T) {
	lost := fourMessages()
	kept := lost[:0]
	for i := range lost {
		if i*7919%20 != 0 { // one frame in twenty, of all messages alike
			kept = append(kept, lost[i])
		}
	}
	own := record(t, "own.log", fourMessages())
	log, err := os.ReadFile(own)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(own, bytes.ReplaceAll(log, []byte("\n"), []byte(" T\n")), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct{ name, path, want string }{
		{"good", record(t, "good.log", fourMessages()), ""},
		{"frames lost", record(t, "lost.log", kept), "capture/frames-lost"},
		{"own frames", own, "capture/own-frames"},
	} {
		_, err := Learn(t.Context(), Options{Captures: []string{row.path}})
		unfit, ok := errors.AsType[*Unfit](err)
		switch {
		case row.want == "" && err != nil, row.want != "" && !ok:
			t.Errorf("%s: %v", row.name, err)
		case ok && (len(unfit.Findings) != 1 || unfit.Findings[0].Rule != row.want):
			t.Errorf("%s: %v, want %s alone", row.name, err, row.want)
		}
	}
}

// Two captures read together are no jump of the clock.
func TestSeveralCaptures(t *testing.T) {
	later := fourMessages()
	for i := range later {
		later[i].Time += 3600e9
	}
	l := learnFrom(t, record(t, "one.log", fourMessages()), record(t, "two.log", later))
	if m := l.Profile.Messages["id_100"]; m.Cycle != profiles.Time(10*millisecond) || m.Option {
		t.Errorf("learned %+v", m)
	}
}

// The result is the same for any number of workers.
func TestWorkers(t *testing.T) {
	path := lowan(t, "good.log", theLowan, demoOptions)
	var first []byte
	for _, workers := range []int{1, 2, 5} {
		l, err := Learn(t.Context(), Options{Captures: []string{path}, Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = l.YAML
		}
		if !bytes.Equal(first, l.YAML) {
			t.Errorf("%d workers learn otherwise than one", workers)
		}
	}
}

// A setting learned in memory says that its facts are the baseline's.
func TestSetting(t *testing.T) {
	l, err := Setting(t.Context(), Options{Captures: []string{record(t, "good.log", fourMessages())}})
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range l.Setting.Messages {
		if m.Cycle.From != fromBaseline || m.Length.From != fromBaseline || m.Cycle.Value == 0 {
			t.Errorf("%s: cycle %+v, length %+v", m.Name, m.Cycle, m.Length)
		}
	}
}

// What stands in names and payloads is no syntax of the file.
func TestOddNames(t *testing.T) {
	frames := cyclic(0x100, 0, 10, 100, counting)
	odd := record(t, "a # b: {c}\".log", frames)
	dbc := DBC{File: "odd.dbc", Source: []byte("BO_ 256 NULL: 4 XXX\n SG_ yes : 0|4@1+ (1,0) [0|15] \"\" XXX\n")}
	l, err := Learn(t.Context(), Options{Name: "no", Captures: []string{odd}, DBC: []DBC{dbc}})
	if err != nil {
		t.Fatal(err)
	}
	sameProfile(t, l, dbc)
	if l.Profile.Messages["NULL"] == nil || !strings.Contains(string(l.YAML), `"NULL":`) {
		t.Errorf("%s", l.YAML)
	}
}

// FuzzLoad spoils a learned profile: the loader gives a setting or an error. The
// seeds are in testdata/fuzz.
func FuzzLoad(f *testing.F) {
	l := learnFrom(f, record(f, "good.log", fourMessages()))
	f.Fuzz(func(t *testing.T, at uint16, with string) {
		cut := int(at) % len(l.YAML)
		src := append(append(bytes.Clone(l.YAML[:cut]), with...), l.YAML[min(len(l.YAML), cut+len(with)):]...)
		s, err := profiles.NewLibrary(profiles.Folder{FS: folder{"car.yaml": src}}).Load("car")
		if (s == nil) == (err == nil) {
			t.Fatalf("setting %v with error %v", s, err)
		}
	})
}

// BenchmarkLearn learns the demo car's whole script, 87 s on two buses, without
// definitions; bytes are those of the log, which is read twice.
func BenchmarkLearn(b *testing.B) {
	path := lowan(b, "good.log", theLowan, demoOptions)
	b.ReportAllocs()
	var frames uint64
	for b.Loop() {
		l := learnFrom(b, path)
		frames += l.Evidence.Frames
		b.SetBytes(l.Captures[0].Size)
	}
	b.ReportMetric(float64(frames)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}
