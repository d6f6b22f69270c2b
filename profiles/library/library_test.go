package library

import (
	"strings"
	"testing"

	ours "plugproof/decode/dbc"

	"go.einride.tech/can/pkg/dbc"
	"go.einride.tech/can/pkg/dbc/analysis"
	"go.einride.tech/can/pkg/dbc/analysis/passes/boolprefix"
	"go.einride.tech/can/pkg/dbc/analysis/passes/definitiontypeorder"
	"go.einride.tech/can/pkg/dbc/analysis/passes/intervals"
	"go.einride.tech/can/pkg/dbc/analysis/passes/lineendings"
	"go.einride.tech/can/pkg/dbc/analysis/passes/messagenames"
	"go.einride.tech/can/pkg/dbc/analysis/passes/multiplexedsignals"
	"go.einride.tech/can/pkg/dbc/analysis/passes/newsymbols"
	"go.einride.tech/can/pkg/dbc/analysis/passes/nodereferences"
	"go.einride.tech/can/pkg/dbc/analysis/passes/noreservedsignals"
	"go.einride.tech/can/pkg/dbc/analysis/passes/requireddefinitions"
	"go.einride.tech/can/pkg/dbc/analysis/passes/signalbounds"
	"go.einride.tech/can/pkg/dbc/analysis/passes/signalnames"
	"go.einride.tech/can/pkg/dbc/analysis/passes/singletondefinitions"
	"go.einride.tech/can/pkg/dbc/analysis/passes/siunits"
	"go.einride.tech/can/pkg/dbc/analysis/passes/uniquemessageids"
	"go.einride.tech/can/pkg/dbc/analysis/passes/uniquenodenames"
	"go.einride.tech/can/pkg/dbc/analysis/passes/uniquesignalnames"
	"go.einride.tech/can/pkg/dbc/analysis/passes/unitsuffixes"
	"go.einride.tech/can/pkg/dbc/analysis/passes/valuedescriptions"
	"go.einride.tech/can/pkg/dbc/analysis/passes/version"
)

func TestDBC(t *testing.T) {
	want := []string{
		"lowan-body-series1.dbc", "lowan-body-series3.dbc", "lowan-body.dbc",
		"lowan-drive-auto8.dbc", "lowan-drive-series1.dbc", "lowan-drive-series3.dbc", "lowan-drive.dbc",
	}
	if got := Names(); strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("Names() = %q, want %q", got, want)
	}
	for _, name := range want {
		data, err := DBC(name)
		if err != nil || !strings.HasPrefix(string(data), "VERSION") {
			t.Errorf("DBC(%q): %.20q, %v", name, data, err)
		}
		if !strings.Contains(string(data), "a vehicle that does not exist") {
			t.Errorf("%s does not say that it is invented", name)
		}
	}
	if _, err := DBC("other.dbc"); err == nil || !strings.Contains(err.Error(), `"other.dbc"`) {
		t.Errorf("DBC of an unknown name: %v", err)
	}
}

// Our own reader has nothing to say about any of the files.
func TestDiagnostics(t *testing.T) {
	for _, name := range Names() {
		data, err := DBC(name)
		if err != nil {
			t.Fatal(err)
		}
		db := ours.Parse(name, data)
		for _, d := range db.Diagnostics {
			t.Error(d)
		}
		if len(db.Messages) == 0 || db.Bitrate == 0 {
			t.Errorf("%s: %d messages, bit rate %d", name, len(db.Messages), db.Bitrate)
		}
	}
}

// The second opinion: every file passes the strict parser and all of the
// analysis passes of go.einride.tech/can.
func TestEinride(t *testing.T) {
	passes := []*analysis.Analyzer{
		boolprefix.Analyzer(), definitiontypeorder.Analyzer(), intervals.Analyzer(), lineendings.Analyzer(),
		messagenames.Analyzer(), multiplexedsignals.Analyzer(), newsymbols.Analyzer(), nodereferences.Analyzer(),
		noreservedsignals.Analyzer(), requireddefinitions.Analyzer(), signalbounds.Analyzer(),
		signalnames.Analyzer(), singletondefinitions.Analyzer(), siunits.Analyzer(), uniquemessageids.Analyzer(),
		uniquenodenames.Analyzer(), uniquesignalnames.Analyzer(), unitsuffixes.Analyzer(),
		valuedescriptions.Analyzer(), version.Analyzer(),
	}
	for _, name := range Names() {
		file := parse(t, name)
		for _, a := range passes {
			pass := &analysis.Pass{Analyzer: a, File: file}
			if err := a.Run(pass); err != nil {
				t.Fatalf("%s: %s: %v", name, a.Name, err)
			}
			for _, d := range pass.Diagnostics {
				t.Errorf("%s: %s: %s", d.Pos, a.Name, d.Message)
			}
		}
	}
}

// The main files have the size and the variety that the project promises.
func TestContent(t *testing.T) {
	var messages, signals, motorola, signed, multiplexed int
	senders := map[dbc.Identifier]bool{}
	for _, name := range []string{"lowan-drive.dbc", "lowan-body.dbc"} {
		for _, d := range parse(t, name).Defs {
			m, ok := d.(*dbc.MessageDef)
			if !ok {
				continue
			}
			messages++
			senders[m.Transmitter] = true
			for _, s := range m.Signals {
				signals++
				motorola += count(s.IsBigEndian)
				signed += count(s.IsSigned)
				multiplexed += count(s.IsMultiplexed)
			}
		}
	}
	t.Logf("%d messages, %d signals: %d Motorola, %d signed, %d multiplexed", messages, signals, motorola, signed, multiplexed)
	if messages < 30 || signals < 150 || len(senders) != 6 {
		t.Errorf("%d messages, %d signals, %d senders; want 30, 150, 6", messages, signals, len(senders))
	}
	if motorola < 10 || signed < 8 || multiplexed < 10 {
		t.Errorf("%d Motorola, %d signed, %d multiplexed signals; want 10, 8, 10", motorola, signed, multiplexed)
	}
}

func parse(t *testing.T, name string) *dbc.File {
	t.Helper()
	data, err := DBC(name)
	if err != nil {
		t.Fatal(err)
	}
	p := dbc.NewParser(name, data)
	if err := p.Parse(); err != nil {
		t.Fatal(err)
	}
	return p.File()
}

func count(b bool) int {
	if b {
		return 1
	}
	return 0
}
