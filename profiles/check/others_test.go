package check_test

import (
	"context"
	"strings"
	"testing"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// after adds a line to the end of a capture so many times.
func after(line string, times int) func([]byte) []byte {
	return func(src []byte) []byte { return append(src, strings.Repeat(line, times)...) }
}

// TestOthersOnlyWhenCalledFor: reading all settings on file takes longer than
// judging a short capture, so it is done only where the car sends something that
// its own setting does not expect.
func TestOthersOnlyWhenCalledFor(t *testing.T) {
	for _, row := range []struct {
		name, setting string
		change        func([]byte) []byte
		want          bool
	}{
		{"a message lacks", "lowan-2-20t-a5", replaced(), false},
		{"another length", "lowan-2-20t-a5", replaced(" body 21B#0400", " body 21B#04"), true},
		{"an identifier of nobody", "lowan-2-20t-a5", after("(1700000009.000000) drive 7A1#11\n", 10), true},
		{"too few to be sure of it", "lowan-2-20t-a5", after("(1700000009.000000) drive 7A1#11\n", 9), false},
		{"a gearbox in a manual car", "lowan-2-20-m5", replaced(), true},
	} {
		lib := lowan()
		setting, err := lib.Load(row.setting)
		if err != nil {
			t.Fatal(err)
		}
		r, err := capture.Open([]string{changed(t, row.change)}, capture.Options{})
		if err != nil {
			t.Fatal(err)
		}
		asked := false
		_, err = check.Run(context.Background(), &check.Input{
			Setting: setting, Library: lib, Capture: check.Recording{Reader: r}, Scope: rules.Car,
			Others: func() []*profiles.Setting { asked = true; return nil },
		})
		r.Close()
		if err != nil {
			t.Fatal(err)
		}
		if asked != row.want {
			t.Errorf("%s: the other settings were read: %v, want %v", row.name, asked, row.want)
		}
	}
}
