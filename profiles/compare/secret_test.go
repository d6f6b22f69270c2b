package compare

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/carnumber"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/mutate"
	"plugproof/profiles/rules"
)

// TestNumbersAreNotShown: neither the number of the car nor what the immobiliser
// exchanges stands in a comparison, by profile, by DBC files or by bits, however
// the two captures differ.
func TestNumbersAreNotShown(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	before := record(t, car, demo.Options{Seed: 3})
	setting := load(t, car)
	secrets := rules.SecretsOf(setting)
	next := func(_ int, raw uint64) uint64 { return raw + 1 }
	after := before
	for _, ref := range setting.CarNumber { // another car's
		frames, n := after.Raw(ref, 0, next)
		if n == 0 {
			t.Fatalf("no frame has %s", ref)
		}
		after = after.With(frames)
	}
	config := after.Message("EngineConfig")
	half := 0
	after = after.With(slices.DeleteFunc(slices.Clone(after.Frames), func(f can.Frame) bool {
		half++
		return config(&f) && half%2 == 0
	}))
	for name, ref := range map[string]*reference{
		"profile": refer(t, before, setting, nil), "dbc": refer(t, before, nil, definitions(t, car)),
	} {
		t.Run(name, func(t *testing.T) {
			res := ref.set(after)
			text := said(res)
			payloads := 0
			for _, d := range []*mutate.Drive{before, after} {
				for i := range d.Frames {
					f := &d.Frames[i]
					if !secrets.Hold(f) || name == "dbc" && strings.Contains("45B 45C", fmt.Sprintf("%X", f.ID)) {
						continue // a DBC file does not say that a dialogue is secret
					}
					payloads++
					if line := fmt.Sprintf("%03X#%X", f.ID, f.Payload()); strings.Contains(text, line) {
						t.Fatalf("the result shows %s", line)
					}
				}
			}
			if payloads < 10 || !strings.Contains(text, "(not shown)") {
				t.Errorf("%d payloads are secret, and none is left out", payloads)
			}
			for i := range res.Series {
				s := &res.Series[i]
				if ref := profiles.SignalRef(res.Messages[s.Message].Name + "." + s.Signal); slices.Contains(setting.CarNumber, ref) {
					t.Errorf("the values of %s by state", ref)
				}
			}
			eachRow(res, func(r *Row) {
				if carnumber.Named(r.Signal) && (r.Before != nil || r.Measured != nil) {
					t.Errorf("figures of %s: %s", r.Signal, r.Text)
				}
			})
		})
	}
}

func eachRow(res *Result, look func(*Row)) {
	for i := range res.Complaints {
		look(&res.Complaints[i])
	}
	for i := range res.Messages {
		for k := range res.Messages[i].Rows {
			look(&res.Messages[i].Rows[k])
		}
	}
}

// said is all that the rows of a comparison say.
func said(res *Result) string {
	var b strings.Builder
	eachRow(res, func(r *Row) {
		for _, e := range []*rules.Example{r.BeforeExample, r.Example} {
			if e != nil {
				b.WriteString(e.Raw + "\n")
			}
		}
		fmt.Fprintf(&b, "%+v\n", *r)
	})
	return b.String()
}

// TestOtherNumberIsSaid: that the number is another one is told, without it.
func TestOtherNumberIsSaid(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	before := record(t, car, demo.Options{Seed: 3})
	frames, _ := before.Raw("VehicleConfigRelay.VehicleNumberTail", 0, func(_ int, raw uint64) uint64 { return raw ^ 0xFF })
	res := refer(t, before, load(t, car), nil).set(before.With(frames))
	var texts []string
	eachRow(res, func(r *Row) {
		if r.Message == "VehicleConfigRelay" && r.Verdict == rules.Review {
			texts = append(texts, r.Text)
		}
	})
	if len(texts) != 1 || !strings.Contains(texts[0], "VehicleNumberTail stand at another value") {
		t.Errorf("%q", texts)
	}
}

// TestUnknownNumberIsNotShown: frames that nobody defines are left out where they
// look like a number.
func TestUnknownNumberIsNotShown(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-1-20-m5")
	d := record(t, car, demo.Options{Seed: 3})
	const vin = "0AW77Z1R3BHKZ4XW9"
	with := func(every int, cut int) *mutate.Drive {
		var frames []can.Frame
		for i := range d.Frames {
			frames = append(frames, d.Frames[i])
			if i%every != 0 {
				continue
			}
			f := can.Frame{ID: 0x6A0, Time: d.Frames[i].Time, Bus: d.Frames[i].Bus}
			f.SetPayload([]byte(vin[:cut]))
			frames = append(frames, f)
		}
		return d.With(frames)
	}
	text := said(refer(t, with(400, 8), nil, nil).set(with(900, 7)))
	if line := fmt.Sprintf("6A0#%X", vin[:4]); strings.Contains(text, line) {
		t.Errorf("the result shows %s", line)
	}
	if !strings.Contains(text, "6A0#(not shown)") {
		t.Error("no example is left out")
	}
}
