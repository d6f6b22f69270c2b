package learn

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/witness"
	"plugproof/profiles"
)

// hatchback returns the folder of a 2009 hatchback's captures (github
// ElDominio/CANBUSlogs), with its ECU fitted, unplugged, and cycling the air-con.
func hatchback(t testing.TB) string {
	return filepath.Join(witness.PublicData(t), "captures", "hatchback-2009")
}

func dbcFile(t testing.TB, path string) DBC {
	t.Helper()
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return DBC{File: filepath.Base(path), Source: src}
}

// learnHatchback learns the hatchback from its pair of captures and the DBC file
// of a sister car.
func learnHatchback(t testing.TB) *Learned {
	t.Helper()
	dir := hatchback(t)
	l, err := Learn(t.Context(), Options{
		Name: "hatchback", Captures: []string{filepath.Join(dir, "ecu-fitted-key-on.log")},
		Unplugged: []string{filepath.Join(dir, "ecu-unplugged-key-on.log")},
		DBC:       []DBC{dbcFile(t, filepath.Join(dir, "drive.dbc"))},
	})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestHatchback(t *testing.T) {
	l := learnHatchback(t)
	sameProfile(t, l, dbcFile(t, filepath.Join(hatchback(t), "drive.dbc")))
	var own []string
	checksums := map[string]string{}
	for _, m := range l.Setting.Messages {
		if m.Own.Sender == l.Profile.Replaced {
			own = append(own, m.ID.String())
		}
		if c := m.Own.Checksum; c != nil {
			checksums[m.ID.String()] = checksumPairs(c).String()
		}
	}
	// The identifiers in the one log and not in the other, by sort and uniq.
	if diff := cmp.Diff([]string{"0x2C1", "0x2C4", "0x38A", "0x398", "0x399", "0x3B3", "0x3B4", "0x4C1"}, own); diff != "" {
		t.Errorf("the ECU's own (-want +learned):\n%s", diff)
	}
	// Length, identifier and data added up, in the last byte: what commaai/opendbc
	// computes for cars of this make.
	law := "{start: 56, length: 8, law: sum, over: [length, id, data]}"
	if diff := cmp.Diff(map[string]string{"0x260": law, "0x2C1": law, "0x2C4": law}, checksums); diff != "" {
		t.Errorf("checksums (-want +learned):\n%s", diff)
	}
}

// The same car in another state passes: what is found is true, and no fail.
func TestHatchbackOtherCaptures(t *testing.T) {
	l := learnHatchback(t)
	for _, row := range []struct{ capture, want string }{
		{"ecu-fitted-key-on.log", // its own baseline
			"review capture/clumped-stamps"}, // true: 8 bytes within 25 us, by a USB adapter
		{"air-con-on-off.log", "review capture/clumped-stamps\n" +
			// Byte 7 of 0x3A0 is 0x29 in the baseline, 0x2A and 0x2B here: bit 1 stands at
			// 1 instead of 0. A slow value: 0x2C in the third capture.
			"review signal/still-bits Car STEER2_MAYBE\n" +
			// Byte 2 of 0x3B4 is 0x48 to 0x4F in the baseline, 0x50 to 0x5F here:
			// a value that rises while the engine warms up.
			"review signal/still-bits ECU id_3B4"},
		{
			"ecu-unplugged-key-on.log",
			// One finding for all of the ECU's messages, and no other sender is blamed.
			"fail message/sender-silent ECU\n" +
				"review capture/clumped-stamps\n" +
				"review signal/still-bits Car STEER2_MAYBE\n" + // as above
				"review signal/still-bits Car DOORS",
		}, // a door is open in this capture
	} {
		res := judge(t, l.Setting, l.Evidence, filepath.Join(hatchback(t), row.capture))
		if diff := cmp.Diff(row.want, lines(res.Findings)); diff != "" {
			t.Errorf("%s (-want +found):\n%s", row.capture, diff)
		}
	}
}

// Functions that hang on the ECU fail without it, those of other units do not.
// They stand in a profile of the user's own that builds on the learned one.
func TestHatchbackFunctions(t *testing.T) {
	l := learnHatchback(t)
	dir := hatchback(t)
	setting, err := profiles.NewLibrary(profiles.Folder{FS: folder{
		"hatchback.yaml": l.YAML, "drive.dbc": dbcFile(t, filepath.Join(dir, "drive.dbc")).Source,
		"mine.yaml": []byte(`format: 1
builds_on: [hatchback]
functions:
  tachometer: {chain: [LOW_RES_INDICATORS.LOW_RES_RPM], ends: Car}
  door lamp: {chain: [DOORS.DOOR_LEFT], ends: Car}
`),
	}}).Load("mine")
	if err != nil {
		t.Fatal(err)
	}
	verdicts := func(capture string) map[string]string {
		got := map[string]string{}
		for _, f := range judge(t, setting, nil, filepath.Join(dir, capture)).Functions {
			got[f.Name] = f.Verdict.String()
		}
		return got
	}
	if diff := cmp.Diff(map[string]string{"tachometer": "fail", "door lamp": "review"}, verdicts("ecu-unplugged-key-on.log")); diff != "" {
		t.Errorf("unplugged (-want +judged):\n%s", diff)
	}
	if diff := cmp.Diff(map[string]string{"tachometer": "pass", "door lamp": "pass"}, verdicts("air-con-on-off.log")); diff != "" {
		t.Errorf("fitted (-want +judged):\n%s", diff)
	}
}
