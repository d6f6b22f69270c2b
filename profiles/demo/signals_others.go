package demo

import (
	"math"
	"slices"
)

func (c *car) gearboxSignals() []signal {
	g := &c.gearbox
	pressure := func(gears ...uint8) func() float64 {
		return func() float64 {
			if slices.Contains(gears, g.actual) {
				return 9 + 0.03*max(0, c.engine.torque)
			}
			return 0.2
		}
	}
	return []signal{
		{"GearboxTorque.RequestedTorque", func() float64 { return g.request }},
		{"GearboxTorque.IsRequestActive", func() float64 { return bit(g.request < noRequest) }},
		{"GearboxTorque.IsShiftActive", func() float64 { return bit(g.shift >= 0) }},
		{"GearboxTorque.IsIdleRaiseRequested", func() float64 { return bit(g.fluid < 0) }},
		{"GearboxTorque.TurbineSpeedRpm", func() float64 { return g.turbine }},
		{"GearboxTorque.OutputSpeedRpm", func() float64 {
			_, axle := c.setting.ratios()
			return c.chassis.speed / wheelRadius * axle * rpmPerRad
		}},
		{"GearboxTorque.ConverterState", func() float64 {
			switch {
			case g.actual == gearNeutral:
				return 0
			case g.bridge > 0.9:
				return 2
			}
			return 1
		}},

		{"GearboxStatus.LeverPosition", func() float64 { return float64(c.in.lever) }},
		{"GearboxStatus.ActualGear", func() float64 { return float64(g.actual) }},
		{"GearboxStatus.TargetGear", func() float64 { return float64(g.target) }},
		{"GearboxStatus.GearboxMode", func() float64 { return 3 * bit(g.limp) }},
		{"GearboxStatus.IsParkOrNeutral", func() float64 { return bit(c.in.lever == park || c.in.lever == neutral) }},
		{"GearboxStatus.EngineTorqueSeen", func() float64 { return max(-100, c.seen.torque) }},
		{"GearboxStatus.GearboxLoss", func() float64 { return 4 + 0.002*g.turbine }},
		{"GearboxStatus.IsGearboxLimp", func() float64 { return bit(g.limp) }},
		{"GearboxStatus.IsGearboxLampOn", func() float64 { return bit(g.limp || c.keyTime() < 2.5) }},
		{"GearboxStatus.IsEngineMissed", func() float64 { return bit(c.seen.missed) }},
		{"GearboxStatus.ShiftProgressPercent", func() float64 { return 100 * max(0, g.shift) / shiftTime }},
		{"GearboxStatus.SelectorButton", constant(0)},

		{"GearboxTemp.FluidTemp", func() float64 { return g.fluid }},
		{"GearboxTemp.LinePressurePercent", func() float64 {
			if g.limp {
				return 100
			}
			return 25 + 70*min(1, math.Abs(c.engine.torque)/c.setting.peak())
		}},
		{"GearboxTemp.AdaptState", func() float64 { return bit(g.limp || c.seen.missed) }},
		{"GearboxTemp.GearboxFaultState", func() float64 { return 2 * bit(g.limp) }},
		{"GearboxTemp.GearboxVoltage", func() float64 { return c.electric.volts - 0.1 }},

		{"GearboxConfig.GearboxType", constant(float64(c.setting.Gearbox))},
		{"GearboxConfig.GearboxEngineCode", constant(float64(c.setting.Engine))},
		{"GearboxConfig.GearboxCalibration", constant(float64(520_000 + 10*int(c.setting.Gearbox) + int(c.setting.Engine)))},

		{"GearboxClutches.ClutchAPressure", pressure(1, 2, 3, 4, 5)},
		{"GearboxClutches.ClutchBPressure", pressure(4, 5, 6, 7, 8)},
		{"GearboxClutches.ClutchCPressure", pressure(1, 3, 7, gearReverse)},
		{"GearboxClutches.ClutchDPressure", pressure(2, 8, gearReverse)},
		{"GearboxClutches.ClutchEPressure", pressure(1, 2, 6, gearReverse)},
	}
}

func (c *car) stabilitySignals() []signal {
	h := &c.chassis
	wheel := func(i int) func() float64 { return func() float64 { return 3.6 * h.wheels[i] } }
	check := func() bool { return c.keyTime() < 3 }
	return []signal{
		{"StabilityTorque.StabilityRequestedTorque", constant(noRequest)},
		{"StabilityTorque.IsStabilityRequestActive", constant(0)},
		{"StabilityTorque.IsStabilityOff", func() float64 { return bit(c.seen.absent) }},
		{"StabilityTorque.IsAbsLampOn", func() float64 { return bit(check()) }},
		{"StabilityTorque.IsStabilityLampOn", func() float64 { return bit(check() || c.seen.absent) }},
		{"StabilityTorque.IsAbsActive", constant(0)},
		{"StabilityTorque.IsEngineDataInvalid", constant(0)},
		{"StabilityTorque.IsEngineDataAbsent", func() float64 { return bit(c.seen.absent) }},
		{"StabilityTorque.YawRate", func() float64 { return h.yaw }},
		{"StabilityTorque.LateralAcceleration", func() float64 { return h.lateral }},

		{"VehicleSpeed.VehicleSpeedKph", func() float64 { return 3.6 * h.speed }},
		{"VehicleSpeed.DistancePulse", func() float64 { return roll(h.distance, 0.05) }},
		{"VehicleSpeed.BrakePressure", func() float64 { return h.pressure }},
		{"VehicleSpeed.IsBrakePressed", func() float64 { return bit(h.pressure > 2) }},
		{"VehicleSpeed.IsVehicleMoving", func() float64 { return bit(h.speed > 0.3) }},
		{"VehicleSpeed.SpeedQuality", constant(0)},

		{"WheelSpeeds.WheelFrontLeftKph", wheel(0)},
		{"WheelSpeeds.WheelFrontRightKph", wheel(1)},
		{"WheelSpeeds.WheelRearLeftKph", wheel(2)},
		{"WheelSpeeds.WheelRearRightKph", wheel(3)},

		{"SteeringAngle.SteeringAngleDegrees", func() float64 { return c.in.steering }},
		{"SteeringAngle.SteeringRate", func() float64 { return c.steeringRate }},
		{"SteeringAngle.IsSteeringAssistOn", func() float64 { return bit(c.seen.steering) }},
		{"SteeringAngle.IsEngineSpeedAbsent", func() float64 { return bit(c.lost(linkSpeed, patience)) }},

		{"StabilityConfig.StabilityVariant", constant(float64(10*c.setting.electronics()) + bit(c.setting.Automatic()))},
		{"StabilityConfig.StabilityEngineCode", constant(float64(c.setting.Engine))},
		{"StabilityConfig.StabilityMarket", constant(market)},
		{"StabilityConfig.StabilityAxleCode", constant(c.setting.axleCode())},
		{"StabilityConfig.TyreCircumference", constant(2140)},
	}
}

func (c *car) clusterSignals() []signal {
	missing := func(l link) func() float64 { return func() float64 { return bit(c.lost(l, lostAfter)) } }
	return []signal{
		{"ClusterStatus.FuelLevelPercent", constant(62)},
		{"ClusterStatus.AmbientTemp", func() float64 { return c.heat.ambient }},
		{"ClusterStatus.Odometer", func() float64 { return 48213.4 + c.chassis.distance/1000 }},
		{"ClusterStatus.IsEngineSpeedMissing", missing(linkSpeed)},
		{"ClusterStatus.IsCoolantMissing", missing(linkTemps)},
		{"ClusterStatus.IsEngineLampsMissing", missing(linkLamps)},
		{"ClusterStatus.IsGearboxMissing", func() float64 {
			return bit(c.setting.Automatic() && c.lost(linkLever, lostAfter))
		}},
		{"ClusterStatus.IsStabilityMissing", missing(linkMoving)},
		{"ClusterStatus.IsFuelLow", constant(0)},
		{"ClusterStatus.ClusterVariant", constant(float64(c.setting.electronics()))},

		{"ClusterImmobiliser.ChallengeKind", func() float64 { return float64(c.immobiliser.kind) }},
		{"ClusterImmobiliser.ChallengeData", func() float64 { return c.immobiliser.question }},

		{"ClusterClock.ClockHours", constant(10)},
		{"ClusterClock.ClockMinutes", func() float64 { return math.Mod(math.Floor(c.time/60), 60) }},
		{"ClusterClock.ClockSeconds", func() float64 { return math.Mod(math.Floor(c.time), 60) }},
		{"ClusterClock.IsClockSet", constant(1)},

		{"ClusterLamps.IsMilLit", func() float64 { return bit(c.lit(linkLamps, c.lamps.mil)) }},
		{"ClusterLamps.IsChargeLampLit", func() float64 { return bit(c.lit(linkLamps, c.lamps.charge)) }},
		{"ClusterLamps.IsOilLampLit", func() float64 { return bit(c.heard(linkLamps) && c.lamps.oil) }},
		{"ClusterLamps.IsStabilityLampLit", func() float64 {
			return bit(c.in.key >= keyOn && (c.keyTime() < 3 || c.seen.absent || c.lost(linkMoving, lostAfter)))
		}},
		{"ClusterLamps.IsGearboxLampLit", func() float64 { return bit(c.heard(linkLever) && (c.gearbox.limp || c.keyTime() < 2.5)) }},
		{"ClusterLamps.IsCruiseLampLit", func() float64 { return bit(c.heard(linkSwitches) && c.cruise.state != cruiseOff) }},
		{"ClusterLamps.TachometerShownRpm", func() float64 { return c.seen.tacho * bit(c.in.key >= keyOn) }},
		{"ClusterLamps.CoolantNeedlePercent", c.coolantNeedle},
		{"ClusterLamps.SpeedShownKph", func() float64 { return c.seen.speed * bit(c.in.key >= keyOn) }},
	}
}

// lit reports whether the cluster lights a lamp: because the bit says so, or
// because it has not heard of it for too long.
func (c *car) lit(l link, on bool) bool {
	return c.heard(l) && on && c.in.key >= keyOn || c.lost(l, lostAfter)
}

// coolantNeedle is flat in the middle, as drivers like it, %.
func (c *car) coolantNeedle() float64 {
	if c.in.key < keyOn {
		return 0
	}
	t := c.seen.coolant
	switch {
	case t < 40:
		return 0
	case t < 75:
		return (t - 40) / 35 * 50
	case t < 115:
		return 50
	}
	return min(100, 50+5*(t-115))
}

// relaySignals are the gateway's copies. A value that does not come in is not
// available, and so is its copy.
func (c *car) relaySignals() []signal {
	switches := func() bool { return c.up(bodyBody) }
	return []signal{
		{"IgnitionRelay.KeyState", func() float64 { return float64(c.in.key) }},
		{"IgnitionRelay.IsStartRequested", func() float64 { return bit(c.in.key == keyStart) }},
		{"IgnitionRelay.IsBulbCheck", func() float64 { return bit(c.in.key >= keyOn && c.keyTime() < 4) }},
		{"IgnitionRelay.SupplyVoltage", func() float64 { return c.electric.volts }},
		{"IgnitionRelay.TimeSinceKeyOn", func() float64 { return math.Floor(c.keyTime()) }},

		{"BodyRelay.IsAirconRequested", func() float64 { return bit(c.in.aircon && c.in.blower > 0) }},
		{"BodyRelay.IsHandbrakeOn", func() float64 { return bit(c.in.handbrake) }},
		{"BodyRelay.IsDoorOpen", func() float64 { return bit(c.in.door) }},
		{"BodyRelay.IsReverseLampOn", func() float64 { return bit(c.in.lever == reverse) }},
		{"BodyRelay.BodyBrakeSwitch", func() float64 { return known(switches(), bit(c.in.brake > 0.02)) }},
		{"BodyRelay.IsHeatedLoadOn", func() float64 { return bit(c.in.heated) }},
		{"BodyRelay.BlowerPercent", func() float64 { return known(switches(), c.in.blower) }},
		{"BodyRelay.CruiseSwitch", func() float64 { return known(switches(), float64(c.in.cruise)) }},
		{"BodyRelay.CabinTemp", func() float64 { return known(switches(), c.climate.cabin) }},
		{"BodyRelay.FanFeedbackPercent", func() float64 { return known(switches(), c.heat.feedback) }},

		{"VehicleConfigRelay.SeriesCode", constant(float64(c.setting.electronics()))},
		{"VehicleConfigRelay.BodyStyle", constant(2)},
		{"VehicleConfigRelay.EngineOrdered", constant(float64(c.setting.Engine))},
		{"VehicleConfigRelay.GearboxOrdered", constant(float64(c.setting.Gearbox))},
		{"VehicleConfigRelay.HasAircon", constant(1)},
		{"VehicleConfigRelay.HasCruise", constant(1)},
		{"VehicleConfigRelay.HasTowBar", constant(0)},
		{"VehicleConfigRelay.MarketOrdered", constant(market)},
		{"VehicleConfigRelay.VehicleNumberTail", constant(0x4E31)},

		{"EngineRelay.RelayEngineSpeedRpm", func() float64 { return known(c.heard(linkSpeed), c.engine.rpm) }},
		{"EngineRelay.RelayCoolantTemp", func() float64 { return known(c.heard(linkTemps), c.heat.coolant) }},
		{"EngineRelay.IsRelayEngineRunning", func() float64 { return bit(c.heard(linkSpeed) && c.engine.running) }},
		{"EngineRelay.IsRelayAirconGranted", func() float64 { return bit(c.heard(linkAircon) && c.climate.granted) }},
		{"EngineRelay.IsRelayCompressorOn", func() float64 { return bit(c.heard(linkAircon) && c.climate.compressor) }},
		{"EngineRelay.RelayFanCommandPercent", func() float64 { return known(c.heard(linkCooling), c.heat.command) }},
		{"EngineRelay.RelayGeneratorLoadPercent", func() float64 { return known(c.heard(linkLamps), c.electric.load) }},
		{"EngineRelay.RelayFuelUsed", func() float64 { return roll(c.engine.fuelUsed*bit(c.network.sent[linkFuel]), 0.01) }},

		{"SpeedRelay.RelaySpeedKph", func() float64 { return known(c.heard(linkMoving), 3.6*c.chassis.speed) }},
		{"SpeedRelay.IsRelayMoving", func() float64 { return bit(c.heard(linkMoving) && c.chassis.speed > 0.3) }},
		{"SpeedRelay.RelayDistance", func() float64 { return roll(c.chassis.distance*bit(c.network.sent[linkMoving]), 0.05) }},

		{"GearRelay.RelayLever", func() float64 { return known(c.heard(linkLever), float64(c.in.lever)) }},
		{"GearRelay.RelayGear", func() float64 { return known(c.heard(linkLever), float64(c.gearbox.actual)) }},
		{"GearRelay.IsRelayReverse", func() float64 { return bit(c.heard(linkLever) && c.in.lever == reverse) }},
	}
}

func (c *car) bodySignals() []signal {
	return []signal{
		{"BodyIgnition.KeyState", func() float64 { return float64(c.in.key) }},
		{"BodyIgnition.IsStartRequested", func() float64 { return bit(c.in.key == keyStart) }},
		{"BodyIgnition.WakeReason", func() float64 { return 2 + bit(c.in.key >= keyAccessory) }},
		{"BodyIgnition.BodySupplyVoltage", func() float64 { return c.electric.volts }},
		{"BodyIgnition.KeyNumber", constant(1)},

		{"BodySwitches.BodyBrakeSwitch", func() float64 { return bit(c.in.brake > 0.02) }},
		{"BodySwitches.IsHandbrakeOn", func() float64 { return bit(c.in.handbrake) }},
		{"BodySwitches.IsReverseLampOn", func() float64 { return bit(c.in.lever == reverse) }},
		{"BodySwitches.CruiseSwitch", func() float64 { return float64(c.in.cruise) }},
		{"BodySwitches.IsHeatedScreenOn", func() float64 { return bit(c.in.heated) }},
		{"BodySwitches.LightSwitch", constant(0)},
		{"BodySwitches.WiperState", constant(0)},
		{"BodySwitches.DimmerPercent", constant(70)},

		{"BodyPower.FanFeedbackPercent", func() float64 { return c.heat.feedback }},
		{"BodyPower.FanCurrent", func() float64 { return 0.28 * c.heat.feedback }},
		{"BodyPower.IsFanFailSafe", func() float64 { return bit(c.heat.failSafe) }},
		{"BodyPower.IsCompressorRelayOn", func() float64 { return bit(c.heard(linkAircon) && c.climate.compressor) }},
		{"BodyPower.IsChargingSeen", func() float64 { return bit(c.electric.volts > 13.2) }},
		{"BodyPower.BatteryVoltage", func() float64 { return c.electric.volts }},
		{"BodyPower.BatteryCurrent", func() float64 { return c.electric.current }},

		{"BodyDoors.IsDriverDoorOpen", func() float64 { return bit(c.in.door) }},
		{"BodyDoors.IsPassengerDoorOpen", constant(0)},
		{"BodyDoors.LockState", func() float64 { return 2 - bit(c.in.unlocked) }},
		{"BodyDoors.IsBonnetOpen", constant(0)},
		{"BodyDoors.DoorEventNumber", func() float64 { return float64(c.doorEvents % 256) }},

		{"VehicleConfig.SeriesCode", constant(float64(c.setting.electronics()))},
		{"VehicleConfig.BodyStyle", constant(2)},
		{"VehicleConfig.EngineOrdered", constant(float64(c.setting.Engine))},
		{"VehicleConfig.GearboxOrdered", constant(float64(c.setting.Gearbox))},
		{"VehicleConfig.HasAircon", constant(1)},
		{"VehicleConfig.HasCruise", constant(1)},
		{"VehicleConfig.HasTowBar", constant(0)},
		{"VehicleConfig.MarketOrdered", constant(market)},
		{"VehicleConfig.VehicleNumberTail", constant(0x4E31)},
	}
}

func (c *car) climateSignals() []signal {
	return []signal{
		{"ClimateRequest.IsAirconRequested", func() float64 { return bit(c.in.aircon && c.in.blower > 0) }},
		{"ClimateRequest.IsDefrostOn", constant(0)},
		{"ClimateRequest.IsEngineStateMissing", func() float64 { return bit(c.lost(linkSpeed, patience)) }},
		{"ClimateRequest.BlowerPercent", func() float64 { return c.in.blower }},
		{"ClimateRequest.EvaporatorTemp", func() float64 { return c.climate.evaporator }},
		{"ClimateRequest.CabinTemp", func() float64 { return c.climate.cabin }},

		{"ClimateStatus.SetTemp", constant(21)},
		{"ClimateStatus.FlapPercent", constant(40)},
		{"ClimateStatus.AirconRefusals", func() float64 { return float64(c.climate.refusals % 256) }},
		{"ClimateStatus.ClimateVariant", constant(float64(c.setting.electronics()))},
	}
}
