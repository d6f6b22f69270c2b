package identify

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

// neighbours are settings that are one fact apart from a real one. Invented.
var neighbours = []struct{ name, base, change string }{
	{"near-id-1", "lowan-2-20t-a5", "StabilityTorque: {id: 0x0EB}"},
	{"near-id-2", "lowan-3-20t-a8", "ClusterStatus: {id: 0x371}"},
	{"near-id-3", "lowan-1-20-a5", "GearboxTemp: {id: 0x3A6}"},
	{"near-id-4", "lowan-3-20-m5", "BodyPower: {id: 0x2B7}"},
	{"near-id-5", "lowan-1-20-m5", "ClimateRequest: {id: 0x29E}"},
	{"near-cycle-1", "lowan-2-20t-a5", "WheelSpeeds: {cycle: 10ms}"},
	{"near-cycle-2", "lowan-3-20t-a8", "ClusterStatus: {cycle: 200ms}"},
	{"near-cycle-3", "lowan-1-20t-a5", "BodyPower: {cycle: 100ms}"},
	{"near-cycle-4", "lowan-2-20-a5", "SteeringAngle: {cycle: 10ms}"},
	{"near-cycle-5", "lowan-3-20t-m5", "ClimateStatus: {cycle: 1s}"},
	{"near-constant-1", "lowan-2-20t-a5", "StabilityConfig: {constants: {StabilityVariant: {value: 22}}}"},
	{"near-constant-2", "lowan-2-20t-a8", "VehicleConfig: {constants: {EngineOrdered: {value: 3}}}"},
	{"near-constant-3", "lowan-1-20-a5", "GearboxConfig: {constants: {GearboxType: {value: 6}}}"},
	{"near-constant-4", "lowan-3-20-a8", "VehicleConfig: {constants: {SeriesCode: {value: 4}}}"},
	{"near-constant-5", "lowan-3-20-m5", "StabilityConfig: {constants: {StabilityEngineCode: {value: 5}}}"},
	{"near-law-1", "lowan-2-20t-a5", "GearboxStatus: {counter: {signal: GearboxStatusCount, modulo: 15}}"},
	{"near-law-2", "lowan-3-20t-a8", "VehicleSpeed: {checksum: {signal: VehicleSpeedCheck, law: crc-8/autosar, over: [data, bytes 39]}}"},
	{"near-law-3", "lowan-2-20-a5", "StabilityTorque: {checksum: {signal: StabilityTorqueCheck, law: xor}}"},
	{"near-law-4", "lowan-1-20t-m5", "BodyIgnition: {counter: {signal: BodyIgnitionCount, modulo: 15}}"},
	{"near-law-5", "lowan-3-20-m5", "SteeringAngle: {checksum: {signal: SteeringAngleCheck, law: sum}}"},
}

// withNeighbours loads the twelve settings and their twenty near neighbours.
func withNeighbours(t testing.TB) []*profiles.Setting {
	t.Helper()
	files := fstest.MapFS{}
	for _, n := range neighbours {
		text := fmt.Sprintf("format: 1\nname: %s\ntitle: one fact apart from %s\nbuilds_on: [%s]\nmessages:\n  %s\n", n.name, n.base, n.base, n.change)
		files[n.name+".yaml"] = &fstest.MapFile{Data: []byte(text)}
	}
	list := load(t, profiles.NewLibrary(
		profiles.Folder{Name: "library", FS: library.FS()}, profiles.Folder{Name: "near", FS: files}))
	if len(list) != 12+len(neighbours) {
		t.Fatalf("%d settings", len(list))
	}
	return list
}

// TestConfusion is the honesty figure: every setting, captures from 2 s of key-on
// to the whole short script, the engine computer unplugged and fitted, against
// the library, the library with near neighbours, and the library without the
// right answer. A wrong setting is never "identified".
func TestConfusion(t *testing.T) {
	all := settings(t)
	libraries := []struct {
		title string
		list  []*profiles.Setting
	}{{"Against the twelve settings", all}, {"Against the twelve and twenty near neighbours", withNeighbours(t)}}
	var out bytes.Buffer
	out.WriteString("# What identify answers\n\nComputed by `go test ./profiles/identify -run Confusion -update` from the demo car, which is invented.\n" +
		"Rows are the car, columns how long the capture is. Each cell: without / with the engine computer.\n" +
		"`tie n` names no winner among n settings, the right one among them. A wrong answer would stand as WRONG.\n")
	for _, lib := range libraries {
		p := newPlan(t, lib.list)
		table(&out, lib.title, func(s demo.Setting, e extent, without []string) string {
			frames, buses := record(t, s, e.script(s), without...)
			res := judge(t, p, frames, buses, Input{})
			if (res.Verdict == Identified || res.Verdict == Likely) && !slices.Equal(res.Settings, []string{s.String()}) || !slices.Contains(res.Settings, s.String()) {
				t.Errorf("%s, %s of %s without %v: %s %v", lib.title, e.name, s, without, res.Verdict, res.Settings)
			}
			if len(lib.list) == len(all) && e.name != extents[0].name && res.Verdict != Identified && !res.SameOnBus {
				t.Errorf("%s of %s tells no more than %s %v", e.name, s, res.Verdict, res.Settings)
			}
			return cell(res, s)
		})
	}
	table(&out, "Against eleven: the right setting is not on file", func(s demo.Setting, e extent, without []string) string {
		p := newPlan(t, slices.DeleteFunc(slices.Clone(all), func(x *profiles.Setting) bool { return x.Name == s.String() }))
		frames, buses := record(t, s, e.script(s), without...)
		res := judge(t, p, frames, buses, Input{})
		if res.Verdict == Identified {
			t.Errorf("%s of %s, which is not on file: %s %v", e.name, s, res.Verdict, res.Settings)
		}
		return string(res.Verdict)
	})
	golden(t, "confusion.md", out.Bytes())
}

func cell(res *Result, s demo.Setting) string {
	switch {
	case !slices.Contains(res.Settings, s.String()):
		return "WRONG " + strings.Join(res.Settings, " ")
	case res.Verdict == Tie:
		return fmt.Sprintf("tie %d", len(res.Settings))
	}
	return string(res.Verdict)
}

func table(out *bytes.Buffer, title string, cell func(demo.Setting, extent, []string) string) {
	fmt.Fprintf(out, "\n## %s\n\n| car |", title)
	for _, e := range extents {
		fmt.Fprintf(out, " %s |", e.name)
	}
	out.WriteString("\n|-|" + strings.Repeat("-|", len(extents)) + "\n")
	for _, s := range demo.Settings() {
		fmt.Fprintf(out, "| %s |", s)
		for _, e := range extents {
			fmt.Fprintf(out, " %s / %s |", cell(s, e, []string{"Engine"}), cell(s, e, nil))
		}
		out.WriteString("\n")
	}
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s differs (go test -update rewrites it):\n%s", name, diff)
	}
}

// mix returns a capture of car a in which some modules are those of car b.
func mix(t testing.TB, a, b demo.Setting, modules []string, script []demo.Stage) ([]can.Frame, *can.Buses) {
	t.Helper()
	var without []string
	if !slices.Contains(modules, "Engine") {
		without = []string{"Engine"}
	}
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	var all []can.Frame
	var buses *can.Buses
	for _, car := range []struct {
		demo.Setting
		swapped bool
	}{{a, false}, {b, true}} {
		s, err := lib.Load(car.String())
		if err != nil {
			t.Fatal(err)
		}
		var frames []can.Frame
		frames, buses = record(t, car.Setting, script, without...)
		for _, f := range frames {
			m := messageOf(s, buses.Name(f.Bus), f.ID)
			if m == nil {
				t.Fatalf("%s: no message %X", s.Name, f.ID)
			}
			if slices.Contains(modules, m.Sender) == car.swapped {
				all = append(all, f)
			}
		}
	}
	slices.SortStableFunc(all, func(x, y can.Frame) int { return int(x.Time - y.Time) })
	return all, buses
}

func messageOf(s *profiles.Setting, bus string, id uint32) *profiles.MessageFacts {
	for _, m := range s.Messages {
		if m.Bus == bus && m.ID.Value == id && m.Expected {
			return m
		}
	}
	return nil
}

// TestConversions: cars put together of two settings. Each module is given to its
// own setting, no setting is identified, and the network recommended is the one
// that the first listener in order of consequence asks for.
func TestConversions(t *testing.T) {
	p := newPlan(t, settings(t))
	pairs := [][2]string{
		{"lowan-2-20t-a5", "lowan-1-20-a5"},
		{"lowan-3-20-a8", "lowan-2-20t-a5"},
		{"lowan-1-20t-a5", "lowan-3-20t-a8"},
		{"lowan-2-20-a5", "lowan-3-20t-a8"},
		{"lowan-3-20t-a8", "lowan-1-20t-a5"},
	}
	n := 0
	for _, pair := range pairs {
		a, _ := demo.ParseSetting(pair[0])
		b, _ := demo.ParseSetting(pair[1])
		for _, swapped := range []string{"Cluster", "Stability", "Gearbox", "Body"} {
			n++
			name := fmt.Sprintf("%s with the %s of %s", a, swapped, b)
			frames, buses := mix(t, a, b, []string{swapped}, extents[1].script(a))
			res := judge(t, p, frames, buses, Input{ECU: Out})
			if res.Verdict == Identified || res.Verdict == Tie {
				t.Errorf("%s: %s %v", name, res.Verdict, res.Settings)
			}
			for _, m := range res.Modules {
				truth := a.String()
				if m.Name == swapped {
					truth = b.String()
				}
				if !slices.Contains(m.Settings, truth) || m.State != Present {
					t.Errorf("%s: %s is of %s, not of %v (%s)", name, m.Name, truth, m.Settings, m.State)
				}
			}
			cluster := a.String()
			if swapped == "Cluster" {
				cluster = b.String()
			}
			first := res.Modules[0]
			if first.Name != "Cluster" || !slices.Contains(first.Settings, cluster) {
				t.Errorf("%s: the cluster comes first: %+v", name, first)
			}
			if !res.Conversion || !slices.Contains(res.Unserved, swapped) && swapped != "Cluster" {
				t.Errorf("%s: conversion %v, not served %v, network %v", name, res.Conversion, res.Unserved, res.Network)
			}
			for _, network := range res.Network {
				if !slices.Contains(first.Settings, network) {
					t.Errorf("%s: network %s is none the cluster understands: %v", name, network, first.Settings)
				}
			}
		}
	}
	if n != 20 {
		t.Errorf("%d conversions", n)
	}
}

// TestGearboxRemoved: an automatic made a manual car by leaving its gearbox
// controller out says so.
func TestGearboxRemoved(t *testing.T) {
	p := newPlan(t, settings(t))
	s := demo.Settings()[5]
	frames, buses := record(t, s, extents[1].script(s), "Engine", "Gearbox")
	res := judge(t, p, frames, buses, Input{ECU: Out})
	at := slices.IndexFunc(res.Modules, func(m Module) bool { return m.Name == "Gearbox" })
	if at < 0 || res.Modules[at].State != Absent || res.Modules[at].Says != "absent" || res.Verdict == Identified {
		t.Errorf("%s %v, modules %+v", res.Verdict, res.Settings, res.Modules)
	}
}

// TestNeighbour: a car that is the near neighbour itself is never taken for the
// setting that it is one fact apart from.
func TestNeighbour(t *testing.T) {
	p := newPlan(t, withNeighbours(t))
	for _, row := range []struct {
		name   string
		change func(f *can.Frame)
	}{
		{"near-id-1", func(f *can.Frame) {
			if f.ID == 0x0E9 {
				f.ID = 0x0EB
			}
		}},
		{"near-constant-1", func(f *can.Frame) {
			if f.ID == 0x5E9 && f.Data[0] == 21 {
				f.Data[0] = 22
			}
		}},
	} {
		s, _ := demo.ParseSetting("lowan-2-20t-a5")
		frames, buses := record(t, s, extents[1].script(s), "Engine")
		for i := range frames {
			row.change(&frames[i])
		}
		res := judge(t, p, frames, buses, Input{ECU: Out})
		if !slices.Equal(res.Settings, []string{row.name}) || res.Verdict != Identified && res.Verdict != Likely {
			t.Errorf("%s: %s %v, odds %g to %s", row.name, res.Verdict, res.Settings, res.Odds, res.Next)
		}
	}
}

// TestLostFrames: an adapter that loses a twentieth of the frames does not make
// one car of another.
func TestLostFrames(t *testing.T) {
	p := newPlan(t, settings(t))
	for _, s := range demo.Settings() {
		frames, buses := record(t, s, extents[1].script(s), "Engine")
		seed := uint32(1)
		frames = slices.DeleteFunc(frames, func(can.Frame) bool {
			seed = seed*1664525 + 1013904223 // Numerical Recipes' generator, from memory
			return seed>>16%20 == 0
		})
		res := judge(t, p, frames, buses, Input{ECU: Out})
		if !slices.Contains(res.Settings, s.String()) || res.Verdict == NoneFits || len(res.Settings) > 3 {
			t.Errorf("%s: %s %v, odds %g to %s", s, res.Verdict, res.Settings, res.Odds, res.Next)
		}
	}
}
