package demo

import (
	"slices"
	"testing"
	"time"

	"plugproof/profiles"
)

func TestSettings(t *testing.T) {
	settings := Settings()
	if len(settings) != 12 {
		t.Fatalf("%d settings, 12 were built", len(settings))
	}
	names := map[string]bool{}
	for _, s := range settings {
		names[s.String()] = true
		if got, err := ParseSetting(s.String()); got != s || err != nil {
			t.Errorf("ParseSetting(%s) = %v, %v", s, got, err)
		}
	}
	if len(names) != 12 {
		t.Errorf("%d different names of 12 settings", len(names))
	}
	for _, name := range []string{"", "lowan", "lowan-1-20-a8", "lowan-2-20t-m5", "lowan-4-20-m5", "Lowan-1-20-m5"} {
		if s, err := ParseSetting(name); err == nil {
			t.Errorf("ParseSetting(%q) = %v, and it was never built", name, s)
		}
	}
}

func TestDBCNames(t *testing.T) {
	for _, row := range []struct {
		setting string
		drive   []string
		body    []string
	}{
		{"lowan-2-20t-a5", []string{"lowan-drive.dbc"}, []string{"lowan-body.dbc"}},
		{"lowan-2-20-m5", []string{"lowan-drive-series1.dbc", "lowan-drive.dbc"}, []string{"lowan-body-series1.dbc", "lowan-body.dbc"}},
		{
			"lowan-3-20t-a8",
			[]string{"lowan-drive-auto8.dbc", "lowan-drive-series3.dbc", "lowan-drive.dbc"},
			[]string{"lowan-body-series3.dbc", "lowan-body.dbc"},
		},
	} {
		s, err := ParseSetting(row.setting)
		if err != nil {
			t.Fatal(err)
		}
		if got := s.DBC(DriveBus); !slices.Equal(got, row.drive) {
			t.Errorf("%s, drive: %v, want %v", s, got, row.drive)
		}
		if got := s.DBC(BodyBus); !slices.Equal(got, row.body) {
			t.Errorf("%s, body: %v, want %v", s, got, row.body)
		}
	}
}

// The script holds every stage of the trade in its order, fits into 60 to 100
// seconds when short, and the markers lie end to end.
func TestScript(t *testing.T) {
	for _, s := range Settings() {
		for _, scale := range []float64{0, 0.5, 1} {
			script := Script(scale, s)
			var want []string
			for _, name := range profiles.StageNames() {
				if name != "in-gear" || s.Automatic() {
					want = append(want, name)
				}
			}
			var names []string
			var total time.Duration
			for _, stage := range script {
				names = append(names, stage.Name)
				total += stage.Length
			}
			if !slices.Equal(names, want) {
				t.Errorf("%s: stages %v, want %v", s, names, want)
			}
			if scale == 0 && (total < 60*time.Second || total > 100*time.Second) {
				t.Errorf("%s: the short script takes %v", s, total)
			}
			if scale == 1 && (total < 17*time.Minute || total > 25*time.Minute) {
				t.Errorf("%s: the full script takes %v", s, total)
			}
			at := int64(DefaultStart)
			for _, m := range newDrive(t, s, Options{Script: script}).Markers() {
				if m.Start != at || m.End <= m.Start {
					t.Errorf("%s: marker %+v does not begin at %d", s, m, at)
				}
				at = m.End
			}
			if at != DefaultStart+int64(total) {
				t.Errorf("%s: the markers end at %d", s, at)
			}
		}
	}
}
