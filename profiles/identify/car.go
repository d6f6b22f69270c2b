package identify

import (
	"slices"

	"plugproof/profiles"
)

// car is what a Plan keeps of a setting beside its messages: a thousand whole
// settings would take more than a gigabyte.
type car struct {
	Name     string
	Title    string
	Identity profiles.Identity
	Settings profiles.Settings

	titles map[string]string // of modules
	hangs  map[string]bool   // modules that fall silent with the replaced unit
	rates  map[string]int64  // bit/s of the buses; 0: not stated
	shows  []string          // modules that show the malfunction lamp
	wheels string            // module that measures the wheels
	lever  string            // module that has the lever
}

func newCar(s *profiles.Setting) *car {
	c := &car{
		Name: s.Name, Title: s.Title, Identity: s.Identity, Settings: s.Settings,
		titles: map[string]string{}, hangs: map[string]bool{}, rates: map[string]int64{},
	}
	for name, node := range s.Nodes {
		c.titles[name] = node.Title
		c.hangs[name] = node.HangsOn != "" && node.HangsOn == s.Replaced
	}
	for _, bus := range s.Buses {
		c.rates[bus.Name] = bus.Bitrate
	}
	for _, f := range s.Functions {
		if f.Lamp != nil && len(f.Chain) > 0 && f.Chain[0] == s.Roles[profiles.MIL] {
			c.shows = append(c.shows, f.Ends)
		}
	}
	slices.Sort(c.shows) // functions are in no order
	for role, module := range map[profiles.Role]*string{profiles.WheelSpeed: &c.wheels, profiles.Lever: &c.lever} {
		if m, _ := s.Signal(s.Roles[role]); m != nil {
			*module = m.Sender
		}
	}
	return c
}
