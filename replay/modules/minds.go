package modules

import (
	"math"
	"time"

	"plugproof/profiles"
)

// minds say how each unit reacts, a moment at a time.
func minds() map[string]func(*Car, *unit) {
	return map[string]func(*Car, *unit){
		"Cluster": cluster, "Gearbox": gearbox, "Stability": stability, "Body": body, "Climate": climate,
	}
}

const (
	relayPatience = time.Second     // the gateway passes on no older value
	limpAfter     = 2 * time.Second // without torque
)

// cluster shows, reports what it lost, and copies values to the other bus.
func cluster(c *Car, u *unit) {
	for ref, message := range map[profiles.SignalRef]string{
		"ClusterStatus.IsEngineSpeedMissing": "EngineSpeed",
		"ClusterStatus.IsCoolantMissing":     "EngineTemps",
		"ClusterStatus.IsEngineLampsMissing": "EngineLamps",
		"ClusterStatus.IsGearboxMissing":     "GearboxStatus",
		"ClusterStatus.IsStabilityMissing":   "VehicleSpeed",
	} {
		u.flag(ref, u.lost(c, message, 0))
	}
	show(c, u)
	for ref, from := range map[profiles.SignalRef]profiles.SignalRef{
		"EngineRelay.RelayEngineSpeedRpm":       "EngineSpeed.EngineSpeedRpm",
		"EngineRelay.RelayCoolantTemp":          "EngineTemps.CoolantTemp",
		"EngineRelay.RelayFanCommandPercent":    "EngineCooling.FanCommandPercent",
		"EngineRelay.RelayGeneratorLoadPercent": "EngineLamps.AlternatorLoadPercent",
		"SpeedRelay.RelaySpeedKph":              "VehicleSpeed.VehicleSpeedKph",
		"GearRelay.RelayLever":                  "GearboxStatus.LeverPosition",
		"GearRelay.RelayGear":                   "GearboxStatus.ActualGear",
	} {
		u.relay(c, ref, from)
	}
	for ref, from := range map[profiles.SignalRef]profiles.SignalRef{
		"EngineRelay.IsRelayEngineRunning": "EngineSpeed.IsEngineRunning",
		"EngineRelay.IsRelayAirconGranted": "EngineAircon.IsAirconGranted",
		"EngineRelay.IsRelayCompressorOn":  "EngineAircon.IsCompressorOn",
		"EngineRelay.RelayFuelUsed":        "EngineFuel.FuelUsed",
	} {
		u.say(ref, zero(u.value(c, from, relayPatience)))
	}
	key := float64(c.key)
	u.say("IgnitionRelay.KeyState", key)
	u.say("IgnitionRelay.TimeSinceKeyOn", math.Floor(max(0, c.now-c.keyAt).Seconds()))
	u.flag("IgnitionRelay.IsBulbCheck", !c.on(4*time.Second))
}

// relay copies a value: not available once its message is lost, and what the
// gateway came up with until it was heard for the first time.
func (u *unit) relay(c *Car, to, from profiles.SignalRef) {
	message, _ := from.Split()
	if u.hears(message) || u.lost(c, message, relayPatience) {
		u.say(to, u.value(c, from, relayPatience))
	}
}

// show is what the driver sees.
func show(c *Car, u *unit) {
	lamp := func(ref, from profiles.SignalRef, onWhenLost bool) {
		message, _ := from.Split()
		u.flag(ref, zero(u.value(c, from, 0)) == 1 || onWhenLost && u.lost(c, message, 0))
	}
	lamp("ClusterLamps.IsMilLit", "EngineLamps.IsMilOn", true)
	lamp("ClusterLamps.IsChargeLampLit", "EngineLamps.IsChargeLampOn", true)
	lamp("ClusterLamps.IsOilLampLit", "EngineLamps.IsOilLampOn", false)
	lamp("ClusterLamps.IsCruiseLampLit", "EngineSwitches.IsCruiseLampOn", false)
	lamp("ClusterLamps.IsGearboxLampLit", "GearboxStatus.IsGearboxLampOn", false)
	u.flag("ClusterLamps.IsStabilityLampLit", zero(u.value(c, "StabilityTorque.IsStabilityLampOn", 0)) == 1)
	u.say("ClusterLamps.TachometerShownRpm", math.Min(zero(u.value(c, "EngineSpeed.EngineSpeedRpm", 0)), 8000))
	u.say("ClusterLamps.CoolantNeedlePercent", needle(u.value(c, "EngineTemps.CoolantTemp", 0)))
	u.say("ClusterLamps.SpeedShownKph", math.Min(zero(u.value(c, "VehicleSpeed.VehicleSpeedKph", 0)), 254))
}

// needle is the coolant gauge: flat in the middle, at the cold stop without a value.
func needle(celsius float64) float64 {
	switch {
	case math.IsNaN(celsius) || celsius < 40:
		return 0
	case celsius < 75:
		return (celsius - 40) / 35 * 50
	case celsius < 115:
		return 50
	}
	return math.Min(100, 50+5*(celsius-115))
}

// gearbox goes into its emergency program when torque is missing for 2 s, when
// anything that it needs is lost, or when the engine is not the one it was made
// for. It stays there until the key was off.
func gearbox(c *Car, u *unit) {
	torque := u.lost(c, "EngineTorque", 0)
	switch {
	case !torque:
		u.missed = -1
	case u.missed < 0:
		u.missed = c.now
	}
	lost := u.lost(c, "EngineSpeed", 0) || u.lost(c, "EnginePedal", 0)
	code := u.value(c, "EngineConfig.EngineCode", 0)
	wrong := code == 1 // the 2.0; this one belongs to the turbo
	if lost || wrong || torque && c.now-u.missed > limpAfter-500*time.Millisecond {
		u.limp = true
	}
	u.flag("GearboxStatus.IsEngineMissed", torque || lost)
	u.flag("GearboxStatus.IsGearboxLimp", u.limp)
	u.flag("GearboxStatus.IsGearboxLampOn", u.limp || !c.on(2500*time.Millisecond))
	u.say("GearboxStatus.GearboxMode", 3*bit(u.limp))
	u.say("GearboxTemp.GearboxFaultState", 2*bit(u.limp))
	if torque || u.hears("EngineTorque") {
		u.say("GearboxStatus.EngineTorqueSeen", math.Max(-100, u.value(c, "EngineTorque.ActualTorque", 0)))
	}
	if rpm := u.value(c, "EngineSpeed.EngineSpeedRpm", 0); !math.IsNaN(rpm) {
		u.say("GearboxTorque.TurbineSpeedRpm", 0.97*rpm) // it has a sensor of its own for that
	}
}

// stability switches itself off without the engine, and says whether its frames
// are missing or not believed.
func stability(c *Car, u *unit) {
	absent, invalid := false, false
	for _, w := range u.ears {
		if w.facts.Sender == "Engine" && w.lost(c, 0) {
			absent = absent || w.rejected == 0
			invalid = invalid || w.rejected > 0
		}
	}
	u.flag("StabilityTorque.IsEngineDataAbsent", absent)
	u.flag("StabilityTorque.IsEngineDataInvalid", invalid)
	u.flag("StabilityTorque.IsStabilityOff", absent || invalid)
	u.flag("StabilityTorque.IsStabilityLampOn", absent || invalid || !c.on(3*time.Second))
	u.flag("StabilityTorque.IsAbsLampOn", !c.on(3*time.Second))
	lost := u.lost(c, "EngineSpeed", 0)
	u.flag("SteeringAngle.IsEngineSpeedAbsent", lost)
	u.flag("SteeringAngle.IsSteeringAssistOn", !lost && zero(u.value(c, "EngineSpeed.IsEngineRunning", 0)) == 1)
}

// body lets the fan run at full speed when nobody commands it.
func body(c *Car, u *unit) {
	command := u.value(c, "EngineRelay.RelayFanCommandPercent", 0)
	failSafe := c.on(2*time.Second) && math.IsNaN(command)
	u.flag("BodyPower.IsFanFailSafe", failSafe)
	if failSafe {
		command = 100
	}
	u.say("BodyPower.FanFeedbackPercent", zero(command))
	u.flag("BodyPower.IsCompressorRelayOn", zero(u.value(c, "EngineRelay.IsRelayCompressorOn", 0)) == 1)
	u.say("BodyIgnition.KeyState", float64(c.key))
}

// climate misses the engine when the gateway has no engine speed for it.
func climate(c *Car, u *unit) {
	rpm := u.value(c, "EngineRelay.RelayEngineSpeedRpm", 0)
	u.flag("ClimateRequest.IsEngineStateMissing", c.on(3*time.Second) && math.IsNaN(rpm))
}

// zero puts 0 for a value that is not there.
func zero(v float64) float64 {
	if math.IsNaN(v) {
		return 0
	}
	return v
}

// usual is what the units send besides, by unit: a car that stands in park with
// the engine idling.
func usual() map[string]map[profiles.SignalRef]float64 {
	const noRequest = 923.75 // Nm, raw FFF
	return map[string]map[profiles.SignalRef]float64{
		"Cluster": {
			"ClusterStatus.FuelLevelPercent": 62, "ClusterStatus.AmbientTemp": 20, "ClusterStatus.Odometer": 48213.4,
			"ClusterStatus.IsEngineSpeedMissing": 0, "ClusterStatus.IsCoolantMissing": 0,
			"ClusterStatus.IsEngineLampsMissing": 0, "ClusterStatus.IsGearboxMissing": 0, "ClusterStatus.IsStabilityMissing": 0,
			"ClusterLamps.IsMilLit": 0, "ClusterLamps.IsChargeLampLit": 0, "ClusterLamps.IsOilLampLit": 0,
			"ClusterLamps.IsCruiseLampLit": 0, "ClusterLamps.IsGearboxLampLit": 0, "ClusterLamps.IsStabilityLampLit": 0,
			"ClusterLamps.TachometerShownRpm": 0, "ClusterLamps.CoolantNeedlePercent": 0, "ClusterLamps.SpeedShownKph": 0,
			"EngineRelay.RelayEngineSpeedRpm": 0, "EngineRelay.RelayCoolantTemp": 20, "EngineRelay.RelayFanCommandPercent": 0,
			"EngineRelay.RelayGeneratorLoadPercent": 0, "EngineRelay.IsRelayEngineRunning": 0, "EngineRelay.IsRelayAirconGranted": 0,
			"EngineRelay.IsRelayCompressorOn": 0, "EngineRelay.RelayFuelUsed": 0,
			"SpeedRelay.RelaySpeedKph": 0, "GearRelay.RelayLever": 1, "GearRelay.RelayGear": 0,
			"IgnitionRelay.KeyState": On, "IgnitionRelay.TimeSinceKeyOn": 0, "IgnitionRelay.IsBulbCheck": 0,
			"IgnitionRelay.SupplyVoltage": 14.2,
			"BodyRelay.BodyBrakeSwitch":   0, "BodyRelay.BlowerPercent": 0, "BodyRelay.CruiseSwitch": 0, "BodyRelay.CabinTemp": 20,
			"BodyRelay.FanFeedbackPercent": 0,
			"VehicleConfigRelay.BodyStyle": 2, "VehicleConfigRelay.HasAircon": 1, "VehicleConfigRelay.HasCruise": 1,
			"VehicleConfigRelay.VehicleNumberTail": 0x4E31,
		},
		"Gearbox": {
			"GearboxTorque.RequestedTorque": noRequest, "GearboxTorque.TurbineSpeedRpm": 0, "GearboxTorque.OutputSpeedRpm": 0,
			"GearboxTorque.ConverterState": 0,
			"GearboxStatus.LeverPosition":  1, "GearboxStatus.ActualGear": 0, "GearboxStatus.TargetGear": 0,
			"GearboxStatus.GearboxMode": 0, "GearboxStatus.IsParkOrNeutral": 1, "GearboxStatus.EngineTorqueSeen": 0,
			"GearboxStatus.GearboxLoss": 6, "GearboxStatus.IsGearboxLimp": 0, "GearboxStatus.IsGearboxLampOn": 0,
			"GearboxStatus.IsEngineMissed": 0,
			"GearboxTemp.FluidTemp":        60, "GearboxTemp.LinePressurePercent": 25, "GearboxTemp.AdaptState": 0,
			"GearboxTemp.GearboxFaultState": 0, "GearboxTemp.GearboxVoltage": 14.1,
			"GearboxConfig.GearboxCalibration": 520052,
		},
		"Stability": {
			"StabilityTorque.StabilityRequestedTorque": noRequest, "StabilityTorque.IsEngineDataAbsent": 0,
			"StabilityTorque.IsEngineDataInvalid": 0, "StabilityTorque.IsStabilityOff": 0,
			"StabilityTorque.IsStabilityLampOn": 0, "StabilityTorque.IsAbsLampOn": 0, "StabilityTorque.YawRate": 0,
			"VehicleSpeed.VehicleSpeedKph": 0, "VehicleSpeed.BrakePressure": 0, "VehicleSpeed.SpeedQuality": 0,
			"WheelSpeeds.WheelFrontLeftKph": 0, "WheelSpeeds.WheelFrontRightKph": 0, "WheelSpeeds.WheelRearLeftKph": 0,
			"WheelSpeeds.WheelRearRightKph":      0,
			"SteeringAngle.SteeringAngleDegrees": 0, "SteeringAngle.SteeringRate": 0,
			"SteeringAngle.IsEngineSpeedAbsent": 0, "SteeringAngle.IsSteeringAssistOn": 1,
		},
		"Body": {
			"BodyIgnition.KeyState": On, "BodyIgnition.WakeReason": 3, "BodyIgnition.BodySupplyVoltage": 14.2, "BodyIgnition.KeyNumber": 1,
			"BodySwitches.BodyBrakeSwitch": 0, "BodySwitches.CruiseSwitch": 0, "BodySwitches.DimmerPercent": 70,
			"BodyPower.FanFeedbackPercent": 0, "BodyPower.FanCurrent": 0, "BodyPower.IsFanFailSafe": 0,
			"BodyPower.IsCompressorRelayOn": 0, "BodyPower.IsChargingSeen": 1, "BodyPower.BatteryVoltage": 14.2,
			"BodyPower.BatteryCurrent": 4,
			"VehicleConfig.BodyStyle":  2, "VehicleConfig.HasAircon": 1, "VehicleConfig.HasCruise": 1,
			"VehicleConfig.VehicleNumberTail": 0x4E31,
		},
		"Climate": {
			"ClimateRequest.IsAirconRequested": 0, "ClimateRequest.IsEngineStateMissing": 0, "ClimateRequest.BlowerPercent": 0,
			"ClimateRequest.EvaporatorTemp": 18, "ClimateRequest.CabinTemp": 20,
			"ClimateStatus.SetTemp": 21, "ClimateStatus.FlapPercent": 40,
		},
	}
}
