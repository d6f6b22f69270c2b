package main

import (
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"plugproof/replay/rig"
)

// faultRun is a run of the closed loop with faults made on purpose, each of
// another message, so that each is told by a flag of its own.
type faultRun struct {
	name   string
	units  []string // on the bench
	only   []string // messages that are replayed
	faults []string // flags of replay, one for each fault
	more   []string
	said   []string // flags of the units that the verdict must find, and no others
	missed []string // titles of the expectations that must fail, and no others
}

// faultRuns hold 17 faults. What they must lead to was found with the same units
// without a bus, as in replay/answers; when a unit complains stands in its DBC
// file: the cluster after 5 s without engine speed, temperatures or lamps, 3 s
// without the gearbox; the gearbox after 0.5 s without torque and 2 s without the
// pedal; stability control after 0.5 s, 1 s without the switches.
func faultRuns() []faultRun {
	cluster := []string{"EngineSpeed", "EngineTemps", "EngineLamps", "EngineCooling", "GearboxStatus", "VehicleSpeed"}
	gearbox := []string{"EngineSpeed", "EngineTorque", "EnginePedal", "EngineSwitches", "EngineTemps", "EngineConfig"}
	return []faultRun{
		{
			// Wheel speeds keep the replay going when all that the cluster waits for is away.
			name: "FaultsMissing", units: []string{"Cluster", "Body", "Climate"}, only: append([]string{"WheelSpeeds"}, cluster...),
			faults: []string{
				"--drop=EngineSpeed@1s", "--drop=EngineTemps@1s", "--drop=EngineLamps@1s", "--drop=EngineCooling@1s",
				"--drop=GearboxStatus@1s", "--drop=VehicleSpeed@1s",
			},
			said: []string{
				"IsCoolantMissing", "IsEngineLampsMissing", "IsEngineSpeedMissing", "IsEngineStateMissing", "IsFanFailSafe",
				"IsGearboxMissing", "IsStabilityMissing",
			},
			missed: []string{"engine speed is heard", "the malfunction lamp goes out"},
		},
		{
			name: "FaultsValues", units: []string{"Cluster", "Body"}, only: cluster,
			// Raw patterns of all ones, in the unit of the signal: lowan-drive.dbc.
			faults: []string{"--break=EngineSpeed@1s", "--set=CoolantTemp=143.25@2s", "--set=FanCommandPercent=102@2s"},
			said:   []string{"IsCoolantMissing", "IsEngineSpeedMissing", "IsFanFailSafe"},
			missed: []string{"engine speed is heard"},
		},
		{
			name: "FaultsFrozen", units: []string{"Cluster"}, only: append([]string{"BodyIgnition"}, cluster...),
			faults: []string{"--freeze=EngineSpeed@1s", "--set=IsMilOn=1@2s"},
			said:   []string{"IsEngineSpeedMissing"},
			missed: []string{"engine speed is heard", "the malfunction lamp goes out"},
		},
		{
			name: "FaultsGearbox", units: []string{"Gearbox", "Stability"}, only: gearbox, more: []string{"--to", "7.5"},
			faults: []string{"--drop=EngineSwitches@2500ms", "--break=EngineTorque@2500ms"},
			said:   []string{"IsEngineDataAbsent", "IsEngineDataInvalid", "IsEngineMissed", "IsGearboxLimp"},
			missed: []string{"no emergency program"},
		},
		{
			name: "FaultsStability", units: []string{"Gearbox", "Stability"}, only: gearbox, more: []string{"--to", "7.5"},
			faults: []string{"--freeze=EngineTorque@2500ms", "--drop=EnginePedal@2500ms"},
			said:   []string{"IsEngineDataAbsent", "IsEngineDataInvalid", "IsEngineMissed", "IsGearboxLimp"},
			missed: []string{"no emergency program"},
		},
		{ // torque that is away for 1.2 s is told, and no reason to limp: that the engine is another one is
			name: "FaultsEngine", units: []string{"Gearbox", "Stability"}, only: gearbox, more: []string{"--to", "7.5"},
			faults: []string{"--drop=EngineTorque@2500ms+1200ms", "--set=EngineCode=1@1s"},
			said:   []string{"IsEngineDataAbsent", "IsEngineMissed", "IsGearboxLimp"},
			missed: []string{"no emergency program"},
		},
	}
}

// faultChecks are the runs as checks of the rig.
func faultChecks() (list []rig.Check) {
	for _, r := range faultRuns() {
		list = append(list, rig.Check{Name: r.name, Run: r.test})
	}
	return list
}

const (
	clusterExpects = `
format: 1
expect:
  - {title: engine speed is heard, signal: ClusterStatus.IsEngineSpeedMissing, stays: 0, from: 2s}
  - {title: the malfunction lamp goes out, signal: ClusterLamps.IsMilLit, stays: 0, from: 6500ms}
`
	gearboxExpects = `
format: 1
expect:
  - {title: no emergency program, signal: GearboxStatus.IsGearboxLimp, stays: 0}
`
	// faultStall is how long a machine may stand still in a run with faults: no unit
	// complains for it, and that the rules find more than the fault does not matter.
	faultStall = 400 * time.Millisecond
)

// unitFlag is a flag as the findings name it.
var unitFlag = regexp.MustCompile(`\.(Is\w+)\)`)

// lampFlags go with others: they are not counted.
var lampFlags = []string{"IsGearboxLampLit", "IsStabilityLampLit", "IsGearboxLampOn", "IsStabilityLampOn", "IsStabilityOff"}

func (r faultRun) test(t *testing.T) {
	expect := clusterExpects
	if !slices.Contains(r.units, "Cluster") {
		expect = gearboxExpects
	}
	c := loop(t, exitFail, looped{
		units: r.units, only: r.only, expect: expect, most: faultStall, more: append(slices.Clone(r.more), r.faults...),
	})
	docs, err := jsonDocuments(c.out.String())
	if err != nil || len(docs) != 1 {
		t.Fatalf("%v\n%s%s", err, &c.out, &c.said)
	}
	if got := jsonAt(docs[0], "answers.check.verdict"); got != "fail" {
		t.Errorf("the verdict is %s", got)
	}
	var said []string
	for _, f := range listAt(docs[0], "answers.check.findings") {
		if rule := jsonAt(f, "rule"); rule != "listener/complains" && rule != "handshake/limp" {
			continue
		}
		for _, found := range unitFlag.FindAllStringSubmatch(jsonAt(f, "text"), -1) {
			if !slices.Contains(lampFlags, found[1]) {
				said = append(said, found[1])
			}
		}
	}
	slices.Sort(said)
	if said = slices.Compact(said); !slices.Equal(said, r.said) {
		t.Errorf("the units said %v, want %v:\n%s%s", said, r.said, &c.out, &c.said)
	}
	for _, f := range listAt(docs[0], "answers.expected") {
		title, _, _ := strings.Cut(jsonAt(f, "text"), ": ")
		if got, want := jsonAt(f, "verdict") == "fail", slices.Contains(r.missed, title); got != want {
			t.Errorf("%s: %s, want fail %v", jsonAt(f, "text"), jsonAt(f, "verdict"), want)
		}
	}
}
