package confusion

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

// neighbours are settings that are one fact of one message apart from a real one:
// an identifier, a cycle, a constant, a law of protection. Invented.
var neighbours = []struct{ name, base, message string }{
	{"near-id-1", "lowan-2-20t-a5", "StabilityTorque"},
	{"near-id-2", "lowan-3-20t-a8", "ClusterStatus"},
	{"near-id-3", "lowan-1-20-a5", "GearboxTemp"},
	{"near-id-4", "lowan-3-20-m5", "BodyPower"},
	{"near-id-5", "lowan-1-20-m5", "ClimateRequest"},
	{"near-cycle-1", "lowan-2-20t-a5", "WheelSpeeds"},
	{"near-cycle-2", "lowan-3-20t-a8", "ClusterStatus"},
	{"near-cycle-3", "lowan-1-20t-a5", "BodyPower"},
	{"near-cycle-4", "lowan-2-20-a5", "SteeringAngle"},
	{"near-cycle-5", "lowan-3-20t-m5", "ClimateStatus"},
	{"near-constant-1", "lowan-2-20t-a5", "StabilityConfig"},
	{"near-constant-2", "lowan-2-20t-a8", "VehicleConfig"},
	{"near-constant-3", "lowan-1-20-a5", "GearboxConfig"},
	{"near-constant-4", "lowan-3-20-a8", "VehicleConfig"},
	{"near-constant-5", "lowan-3-20-m5", "StabilityConfig"},
	{"near-law-1", "lowan-2-20t-a5", "GearboxStatus"},
	{"near-law-2", "lowan-3-20t-a8", "VehicleSpeed"},
	{"near-law-3", "lowan-2-20-a5", "StabilityTorque"},
	{"near-law-4", "lowan-1-20t-m5", "BodyIgnition"},
	{"near-law-5", "lowan-3-20-m5", "SteeringAngle"},
}

//go:embed near/*.yaml
var nearFiles embed.FS

// Library returns the twelve settings of the demo car.
func Library() *profiles.Library { return profiles.NewLibrary(demoCar()) }

func demoCar() profiles.Folder { return profiles.Folder{Name: "library", FS: library.FS()} }

// Near returns the twelve settings and their twenty near neighbours, and those of
// more folders.
func Near(more ...profiles.Folder) *profiles.Library {
	files, err := fs.Sub(nearFiles, "near")
	if err != nil {
		panic("internal error: " + err.Error())
	}
	return profiles.NewLibrary(append([]profiles.Folder{demoCar(), {Name: "near", FS: files}}, more...)...)
}

// recordNear makes a capture of the car that a near neighbour describes, the
// engine computer unplugged: that of its base, with the frames of what differs
// made over.
func recordNear(lib *profiles.Library, near, base string, length time.Duration) (*Capture, error) {
	car, err := demo.ParseSetting(base)
	if err != nil {
		return nil, err
	}
	from, err := lib.Load(base)
	if err != nil {
		return nil, err
	}
	to, err := lib.Load(near)
	if err != nil {
		return nil, err
	}
	c, err := Record(car, keyOn(length), "Engine")
	if err != nil {
		return nil, err
	}
	changed := map[string]bool{}
	for _, d := range profiles.Differ(from, to) {
		changed[d.Message] = true
	}
	if len(changed) != 1 {
		return nil, fmt.Errorf("%s differs from %s in %d messages", near, base, len(changed))
	}
	for name := range changed {
		err = c.remake(from.Message(name), to.Message(name))
	}
	return c, err
}

// remake turns the frames of one message into those of another form of it.
func (c *Capture) remake(from, to *profiles.MessageFacts) error {
	protection, err := to.Protection()
	if err != nil {
		return err
	}
	g, err := protection.Compile()
	if err != nil {
		return err
	}
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{to.Def}}}})
	m := dec.Bus("").Message(to.Def.Name)
	var kept, own []can.Frame
	for _, f := range c.Frames {
		if f.ID == from.ID.Value && c.Buses.Name(f.Bus) == from.Bus {
			own = append(own, f)
		} else {
			kept = append(kept, f)
		}
	}
	own = pace(own, from.Cycle.Value, to.Cycle.Value)
	var last *can.Frame
	for i := range own {
		f := &own[i]
		f.ID = to.ID.Value
		for name, constant := range to.Own.Constants {
			if from.Own.Constants[name].Value != constant.Value {
				if err := m.Signal(name).Put(f, uint64(constant.Value)); err != nil {
					return err
				}
			}
		}
		if protects(protection) {
			if err := g.Fill(last, f); err != nil {
				return err
			}
		}
		last = f
	}
	c.Frames = append(kept, own...)
	slices.SortStableFunc(c.Frames, func(a, b can.Frame) int { return int(a.Time - b.Time) })
	return nil
}

func protects(p guard.Protection) bool { return len(p.Counters)+len(p.Checksums)+len(p.Toggles) > 0 }

// pace makes frames come with another cycle: a half or a fraction of it by leaving
// frames out, a multiple by repeating each in between.
func pace(frames []can.Frame, from, to time.Duration) (list []can.Frame) {
	for i, f := range frames {
		switch {
		case from == to:
			list = append(list, f)
		case to > from:
			if i%int(to/from) == 0 {
				list = append(list, f)
			}
		default:
			for n := range int(from / to) {
				f.Time += int64(to) * int64(min(n, 1))
				list = append(list, f)
			}
		}
	}
	return list
}
