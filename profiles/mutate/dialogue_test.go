package mutate

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
)

// judged spoils a drive in the way of that name and judges it.
func judged(t *testing.T, setting, corruption string) *rules.Result {
	t.Helper()
	for _, c := range corruptions() {
		if c.name != corruption || !c.in(setting) {
			continue
		}
		d := record(t, setting, demo.Options{Seed: 3})
		s := c.apply(d, rand.New(rand.NewPCG(3, 1)))
		spans := s.stages
		if spans == nil {
			spans = d.Stages
		}
		cs := caseOf(d, gather(t, d, s.frames), spans)
		if s.change != nil {
			s.change(cs)
		}
		return rules.Judge(cs, nil)
	}
	t.Fatalf("no corruption %q of %s", corruption, setting)
	return nil
}

// TestCausesAreNamed: a finding names the first inhibitor that holds, the failure
// that came first, and the settings that would fit.
func TestCausesAreNamed(t *testing.T) {
	const auto, manual = "lowan-2-20t-a5", "lowan-1-20-m5"
	for _, row := range []struct{ setting, corruption, rule, says string }{
		{auto, "lever of the gearbox missing, no start", "handshake/start-permit", "the lever of the gearbox is missing (GearboxStatus) (message/absent)"},
		{auto, "start never permitted", "handshake/start-permit", "none of the known reasons holds"},
		{auto, "air-con blocked by coolant, says the ECU", "handshake/air-con-blocked", "the coolant is too hot (EngineAircon.AirconBlocker)"},
		{auto, "brake switches disagree, no cruise control", "handshake/cruise-inhibited", "the two brake switches disagree"},
		{manual, "main switch of cruise control without result", "handshake/cruise-inhibited", "none of the known reasons holds"},
		{auto, "gearbox starved of torque for 3 s", "handshake/limp", "is the cause: EngineTorque was away for 3"},
		{auto, "gearbox starved of torque for 3 s", "handshake/limp", "the gear then stood at 3"},
		{auto, "fan command missing, fan flat out", "handshake/fan-fail-safe", "(message/absent)"},
		{auto, "generator never asked to charge", "handshake/generator-command", "the command to the generator stands at 10.6 V"},
		{manual, "switches of body and climate do not reach the engine", "handshake/ecu-starved", "no air-con, no cruise control"},
		{auto, "engine code of the sister engine", "variant/constants", "so it is in lowan-1-20-a5"},
		{auto, "market of another region", "variant/region", "region coast"},
		{manual, "gearbox frames in a car set as manual", "variant/gearbox-unexpected", "a gearbox controller sends 4 messages"},
		{auto, "two gauges under a neighbour's identifiers", "variant/neighbour-series", "(EngineSpeed, EngineTemps): the new ECU speaks the language of a neighbouring series; what it sends is that of lowan-3-20-a8"},
		{auto, "stability control of another series", "variant/mixed-series", "lowan-1-20-a5"},
		{auto, "no gearbox in a car set as automatic", "variant/no-gearbox", "no message of it came"},
	} {
		var texts []string
		for _, f := range judged(t, row.setting, row.corruption).Findings {
			if f.Rule == row.rule {
				texts = append(texts, f.Text)
			}
		}
		if len(texts) != 1 || !strings.Contains(texts[0], row.says) {
			t.Errorf("%s: %q; want one text with %q", row.corruption, texts, row.says)
		}
	}
}

// TestNumbersAreNotShown: neither the number of the car nor what the immobiliser
// exchanges stands anywhere in a result, whatever the findings are about.
func TestNumbersAreNotShown(t *testing.T) {
	const setting = "lowan-2-20t-a5"
	d := record(t, setting, demo.Options{Seed: 3})
	secrets := rules.SecretsOf(d.Setting)
	secret := map[string]bool{}
	shown := 0
	config := d.Message("EngineConfig")
	for i := range d.Frames {
		f := &d.Frames[i]
		if secrets.Hold(f) {
			secret[fmt.Sprintf("%X", f.Payload())] = true
		} else if config(f) {
			shown++ // its other pages are nobody's secret
		}
	}
	if len(secret) < 4 || shown == 0 {
		t.Fatalf("%d secret payloads, %d other pages of the configuration", len(secret), shown)
	}
	for _, corruption := range []string{
		"no number of the car", "engine code of the sister engine", "immobiliser's question not answered",
		"immobiliser's question answered after 150 ms", "multiplexer stands on one page", "sender dropped",
	} {
		text, err := json.Marshal(judged(t, setting, corruption))
		if err != nil {
			t.Fatal(err)
		}
		for payload := range secret {
			if strings.Contains(strings.ToUpper(string(text)), payload) {
				t.Errorf("%s: the result shows %s", corruption, payload)
			}
		}
	}
	// A finding whose example is such a frame says that it is not shown.
	d.Frames = slices.DeleteFunc(slices.Clone(d.Frames), func(f can.Frame) bool { return config(&f) && !secrets.Hold(&f) })
	found := false
	for _, f := range rules.Judge(caseOf(d, gather(t, d, d.Frames), d.Stages), nil).Findings {
		found = found || f.Message == "EngineConfig" && f.Example != nil && strings.HasSuffix(f.Example.Raw, "5E2#(not shown)")
	}
	if !found {
		t.Error("no finding with an example that is not shown")
	}
}

// TestNeverSent: a message that the new ECU needs and this car never sends is
// named, and one that it does send is not.
func TestNeverSent(t *testing.T) {
	own := fstest.MapFS{"own.yaml": {Data: []byte(`format: 1
name: own
builds_on: [lowan-1-20-m5]
messages:
  VehicleConfigRelay: {listeners: {Engine: {needed: true, substitute: cylinders are cut}}}
  StabilityConfig: {listeners: {Engine: {needed: true}}}
`)}}
	setting, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}, profiles.Folder{FS: own}).Load("own")
	if err != nil {
		t.Fatal(err)
	}
	d := record(t, "lowan-1-20-m5", demo.Options{Seed: 3})
	d.Setting = setting
	var texts []string
	for _, f := range rules.Judge(caseOf(d, gather(t, d, d.Frames), d.Stages), nil).Findings {
		texts = append(texts, f.Rule+" "+f.Text)
	}
	if len(texts) != 1 || !strings.HasPrefix(texts[0], "handshake/ecu-starved the engine controller needs VehicleConfigRelay, which this car never sends: cylinders are cut") {
		t.Errorf("findings %q", texts)
	}
}
