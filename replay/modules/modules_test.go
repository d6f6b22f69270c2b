package modules

import (
	"context"
	"io"
	"slices"
	"testing"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/replay"
)

const car = "lowan-2-20t-a5"

func lowan(t *testing.T) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load(car)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// engine returns what the engine sends while it idles, from power-up on.
func engine(t *testing.T, setting *profiles.Setting, length time.Duration) (items []replay.Item, buses *can.Buses) {
	t.Helper()
	kind, err := demo.ParseSetting(car)
	if err != nil {
		t.Fatal(err)
	}
	d, err := demo.New(kind, demo.Options{Script: []demo.Stage{{Name: "key-on", Length: 3 * time.Second}, {Name: "crank", Length: 2 * time.Second}, {Name: "idle", Length: length}}})
	if err != nil {
		t.Fatal(err)
	}
	senders := map[can.Frame]string{}
	for _, m := range setting.Messages {
		senders[can.Frame{ID: m.ID.Value}] = m.Sender
	}
	frames := make([]can.Frame, 256)
	for {
		n, err := d.Read(context.Background(), frames)
		for _, f := range frames[:n] {
			if d.Buses().Name(f.Bus) == demo.DriveBus && senders[can.Frame{ID: f.ID}] == "Engine" {
				items = append(items, replay.Item{Offset: time.Duration(f.Time - demo.DefaultStart), Bus: int(f.Bus), Frame: f})
			}
		}
		if err == io.EOF {
			return items, d.Buses()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// complaints runs the car on items and lists what its units complain about at
// any time from 4 s on: signals that are flags in the profile.
func complaints(t *testing.T, items []replay.Item, turn func(*Car, *can.Frame)) []string {
	t.Helper()
	setting := lowan(t)
	_, buses := engine(t, setting, time.Millisecond)
	c, err := New(setting, buses, "Cluster", "Gearbox", "Stability", "Body", "Climate")
	if err != nil {
		t.Fatal(err)
	}
	var maps []decode.Mapping
	for _, b := range setting.Buses {
		for _, db := range b.Databases {
			maps = append(maps, decode.Mapping{Bus: b.Name, Database: db})
		}
	}
	decoder, _ := decode.NewDecoder(maps)
	finder := decoder.Finder(buses)
	found := map[string]bool{}
	err = c.Bench(replay.Items(items), 16*time.Second, func(f *can.Frame) {
		if turn != nil {
			turn(c, f)
		}
		m := finder.Lookup(f)
		if m == nil || !f.Is(can.Rx) || f.Time < int64(4*time.Second) {
			return
		}
		for _, node := range setting.Nodes {
			for _, flag := range node.Flags {
				message, signal := flag.Signal.Split()
				if message != m.Def.Name {
					continue
				}
				if v, ok := m.Signal(signal).Read(f); ok && slices.Contains(flag.Values, int64(v.Raw)) {
					found[signal] = true
				}
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for name := range found {
		list = append(list, name)
	}
	slices.Sort(list)
	return list
}

// A good engine keeps everybody content.
func TestContent(t *testing.T) {
	items, _ := engine(t, lowan(t), 12*time.Second)
	if got := complaints(t, items, nil); len(got) > 0 {
		t.Errorf("complaints about a good engine: %v", got)
	}
}

// Each way of losing a message is noticed by who listens to it.
func TestComplaints(t *testing.T) {
	setting := lowan(t)
	good, _ := engine(t, setting, 12*time.Second)
	spoil := func(message string, change func(*replay.Item) bool) []replay.Item {
		id := setting.Message(message).ID.Value
		var list []replay.Item
		for _, i := range good {
			if i.Frame.ID != id || i.Offset < 5*time.Second || change(&i) {
				list = append(list, i)
			}
		}
		return list
	}
	none := func(*replay.Item) bool { return false }
	// lossy loses every third frame; in the others the bits stand still from the first on.
	lossy := func(frozen bool) func(*replay.Item) bool {
		n, first := 0, replay.Item{}
		return func(i *replay.Item) bool {
			if n++; n == 1 {
				first = *i
			}
			if frozen {
				i.Frame = first.Frame
			}
			return n%3 != 0
		}
	}
	for _, tt := range []struct {
		name  string
		items []replay.Item
		want  []string // at least
		not   []string
	}{
		{"engine speed missing", spoil("EngineSpeed", none), []string{"IsEngineSpeedMissing", "IsGearboxLimp", "IsEngineSpeedAbsent", "IsEngineStateMissing", "IsEngineDataAbsent"}, []string{"IsCoolantMissing", "IsFanFailSafe"}},
		{"coolant missing", spoil("EngineTemps", none), []string{"IsCoolantMissing"}, []string{"IsEngineSpeedMissing", "IsGearboxLimp"}},
		{"coolant not available", spoil("EngineTemps", func(i *replay.Item) bool { i.Frame.Data[0] = 0xFF; return true }), []string{"IsCoolantMissing"}, []string{"IsGearboxLimp"}},
		{"lamps missing", spoil("EngineLamps", none), []string{"IsEngineLampsMissing"}, []string{"IsGearboxLimp"}},
		{"fan command missing", spoil("EngineCooling", none), []string{"IsFanFailSafe"}, []string{"IsGearboxLimp"}},
		{"checksum", spoil("EngineSpeed", func(i *replay.Item) bool { i.Frame.Data[7] ^= 0x55; return true }), []string{"IsEngineSpeedMissing", "IsEngineDataInvalid"}, []string{"IsCoolantMissing"}},
		{"length", spoil("EngineSpeed", func(i *replay.Item) bool { i.Frame.SetPayload(i.Frame.Data[:7]); return true }), []string{"IsEngineSpeedMissing", "IsEngineDataInvalid"}, nil},
		{"toggle bit stuck, and every third frame lost", spoil("EngineSwitches", lossy(true)), []string{"IsEngineDataInvalid"}, []string{"IsEngineDataAbsent"}},
		{"every third frame with a toggle bit lost", spoil("EngineSwitches", lossy(false)), nil, []string{"IsEngineDataInvalid", "IsEngineDataAbsent"}},
		{"torque missing for 1.5 s", spoil("EngineTorque", func(i *replay.Item) bool { return i.Offset > 6500*time.Millisecond }), []string{"IsEngineMissed", "IsEngineDataAbsent"}, []string{"IsGearboxLimp"}},
		{"torque missing for 2.5 s", spoil("EngineTorque", func(i *replay.Item) bool { return i.Offset > 7500*time.Millisecond }), []string{"IsEngineMissed", "IsGearboxLimp"}, []string{"IsEngineSpeedMissing"}},
	} {
		got := complaints(t, tt.items, nil)
		for _, w := range tt.want {
			if !slices.Contains(got, w) {
				t.Errorf("%s: nobody complains with %s: %v", tt.name, w, got)
			}
		}
		for _, w := range tt.not {
			if slices.Contains(got, w) {
				t.Errorf("%s: %s is a complaint too many: %v", tt.name, w, got)
			}
		}
	}
}

// The emergency program stays until the key was off.
func TestLimpUntilKeyCycle(t *testing.T) {
	good, _ := engine(t, lowan(t), 12*time.Second)
	var gap []replay.Item
	for _, i := range good {
		if i.Frame.ID != 0x0C4 || i.Offset < 5*time.Second || i.Offset > 8*time.Second {
			gap = append(gap, i)
		}
	}
	limp := map[int]bool{}
	turned := false
	complaints(t, gap, func(c *Car, f *can.Frame) {
		at := time.Duration(f.Time)
		limp[int(at.Seconds())] = c.Limp()
		if at > 12*time.Second && !turned {
			turned = true
			c.Turn(Locked)
			c.Turn(On)
		}
	})
	for second, want := range map[int]bool{4: false, 7: true, 9: true, 11: true, 13: false, 15: false} {
		if limp[second] != want {
			t.Errorf("at %d s: limp %v, want %v", second, limp[second], want)
		}
	}
}
