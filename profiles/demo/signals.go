package demo

import (
	"errors"
	"fmt"
	"math"

	"plugproof/profiles"
	"plugproof/profiles/traffic"
)

// signal is where a signal gets its value from. NaN stands for one that the
// sender does not have.
type signal struct {
	ref   profiles.SignalRef
	value func() float64
}

// signals lists the signals of all settings.
func (c *car) signals() []signal {
	var list []signal
	for _, part := range [][]signal{
		c.engineSignals(), c.engineSlowSignals(), c.engineConfigSignals(), c.gearboxSignals(),
		c.stabilitySignals(), c.clusterSignals(), c.relaySignals(), c.bodySignals(), c.climateSignals(),
	} {
		list = append(list, part...)
	}
	return list
}

// bind connects the signals that this setting has.
func (c *car) bind() error {
	for _, s := range c.signals() {
		if err := c.source.Bind(s.ref, s.value); err != nil && !errors.Is(err, traffic.ErrNoSignal) {
			return fmt.Errorf("demo car: %w", err)
		}
	}
	return nil
}

// constant gives a signal that never changes its value.
func constant(v float64) func() float64 { return func() float64 { return v } }

// bit gives a signal of one bit.
func bit(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// roll wraps a count that grows for ever around at 16 bits of the given quantum.
func roll(x, quantum float64) float64 {
	return math.Mod(math.Floor(x/quantum), 1<<16) * quantum
}

// known returns v, or NaN when there is none.
func known(is bool, v float64) float64 {
	if is {
		return v
	}
	return math.NaN()
}

func (c *car) engineSignals() []signal {
	e := &c.engine
	return []signal{
		{"EngineSpeed.EngineSpeedRpm", func() float64 { return e.rpm }},
		{"EngineSpeed.EngineState", e.state},
		{"EngineSpeed.IsEngineRunning", func() float64 { return bit(e.running) }},
		{"EngineSpeed.IsSpeedSensorFault", constant(0)},
		{"EngineSpeed.IsFuelCut", func() float64 { return bit(e.cut()) }},
		{"EngineSpeed.IdleTargetRpm", func() float64 { return min(2500, e.idle) }},
		{"EngineSpeed.SpeedGradient", func() float64 { return min(15000, max(-15000, e.gradient)) }},

		{"EngineTorque.ReductionAnswer", func() float64 { return float64(e.answer) }},
		{"EngineTorque.IsReductionAllowed", constant(1)},
		{"EngineTorque.IsTorqueLimited", func() float64 { return bit(e.limited != 0) }},
		{"EngineTorque.ActualTorque", func() float64 { return e.torque }},
		{"EngineTorque.DriverDemandTorque", func() float64 { return e.demand }},
		{"EngineTorque.TorqueLoss", func() float64 { return e.loss }},
		{"EngineTorque.TorqueBeforeReduction", func() float64 { return e.before }},
		{"EngineTorque.TorqueLimitReason", func() float64 { return float64(e.limited) }},
		{"EngineTorque.IsTorqueFault", constant(0)},

		{"EnginePedal.PedalPercent", func() float64 { return c.in.pedal }},
		{"EnginePedal.PedalTrackOnePercent", func() float64 { return c.in.pedal }},
		{"EnginePedal.PedalTrackTwoPercent", func() float64 { return min(100, c.in.pedal+0.4) }},
		{"EnginePedal.IsKickdown", func() float64 { return bit(c.in.pedal > 97) }},
		{"EnginePedal.IsPedalFault", constant(0)},
		{"EnginePedal.ThrottlePercent", func() float64 { return e.throttle }},
		{"EnginePedal.ThrottleDemandPercent", func() float64 { return e.wanted }},
		{"EnginePedal.PedalRate", func() float64 { return min(350, max(-350, c.pedalRate)) }},

		{"EngineSwitches.BrakeSwitch", func() float64 { return bit(c.in.brake > 0.02) }},
		{"EngineSwitches.BrakeTestSwitch", func() float64 { return bit(c.in.brake > 0.04) }},
		{"EngineSwitches.ClutchSwitch", func() float64 { return bit(c.in.clutch && !c.setting.Automatic()) }},
		{"EngineSwitches.IsStartPermitted", func() float64 { return bit(c.startPermitted()) }},
		{"EngineSwitches.IsStarterOn", func() float64 { return bit(e.starter) }},
		{"EngineSwitches.CruiseState", func() float64 { return float64(c.cruise.state) }},
		{"EngineSwitches.IsCruiseLampOn", func() float64 { return bit(c.cruise.state != cruiseOff) }},
		{"EngineSwitches.GearInferred", func() float64 {
			if c.setting.Automatic() {
				return float64(c.gearbox.actual)
			}
			return c.inferred()
		}},
		{"EngineSwitches.IsEngineFault", constant(0)},

		{"EngineBoost.BoostPressure", c.boost},
		{"EngineBoost.BoostTarget", func() float64 { return 1013 + 900*max(0, e.demand/c.setting.peak()-0.4)/0.6 }},
		{"EngineBoost.WastegatePercent", func() float64 { return min(100, max(0, 90*e.before/c.setting.peak())) }},
		{"EngineBoost.ChargeAirTemp", func() float64 { return c.heat.intake + 25*max(0, e.before/c.setting.peak()) }},
	}
}

// boost is the pressure behind the throttle, hPa absolute.
func (c *car) boost() float64 {
	if !c.engine.running {
		return 1013
	}
	return 350 + 6.6*c.engine.throttle + 900*max(0, c.engine.before/c.setting.peak()-0.4)/0.6
}

func (c *car) engineSlowSignals() []signal {
	e, h, l := &c.engine, &c.heat, &c.lamps
	return []signal{
		{"EngineTemps.CoolantTemp", func() float64 { return h.coolant }},
		{"EngineTemps.OilTemp", func() float64 { return h.oil }},
		{"EngineTemps.IntakeTemp", func() float64 { return h.intake }},
		{"EngineTemps.AmbientPressure", constant(101.3)},
		{"EngineTemps.OilPressure", c.oilPressure},
		{"EngineTemps.IsOverheat", func() float64 { return bit(h.coolant > 122) }},
		{"EngineTemps.IsWarmedUp", func() float64 { return bit(h.coolant > 84) }},
		{"EngineTemps.HighIdlePercent", func() float64 { return min(100, max(0, 88-h.coolant)) }},
		{"EngineTemps.ExhaustTemp", func() float64 { return h.exhaust }},

		{"EngineLamps.IsMilOn", func() float64 { return bit(l.mil) }},
		{"EngineLamps.IsPowerLampOn", func() float64 { return bit(l.power) }},
		{"EngineLamps.IsChargeLampOn", func() float64 { return bit(l.charge) }},
		{"EngineLamps.IsOilLampOn", func() float64 { return bit(l.oil) }},
		{"EngineLamps.IsOverheatLampOn", func() float64 { return bit(l.overheat) }},
		{"EngineLamps.AlternatorLoadPercent", func() float64 { return c.electric.load }},
		{"EngineLamps.EngineSupplyVoltage", func() float64 { return c.electric.volts - 0.1 }},
		{"EngineLamps.GeneratorCommand", func() float64 { return 12.6 + 1.6*bit(e.running) }},

		{"EngineFuel.FuelUsed", func() float64 { return roll(e.fuelUsed, 0.01) }},
		{"EngineFuel.MixtureState", func() float64 {
			switch {
			case !e.running:
				return 0
			case e.cut():
				return 3
			case e.ran < 3 || h.coolant < 40:
				return 1
			}
			return 2
		}},
		{"EngineFuel.InjectionTime", func() float64 { return bit(e.running) * max(0, 0.6+0.045*(e.before+e.loss)) }},
		{"EngineFuel.FuelRate", func() float64 { return e.fuelRate }},

		{"EngineAircon.IsAirconGranted", func() float64 { return bit(c.climate.granted) }},
		{"EngineAircon.IsCompressorOn", func() float64 { return bit(c.climate.compressor) }},
		{"EngineAircon.AirconBlocker", func() float64 { return float64(c.climate.blocker) }},
		{"EngineAircon.AirconPressure", func() float64 { return c.climate.pressure }},
		{"EngineAircon.IdleRaiseRpm", c.climate.idleRaise},
		{"EngineAircon.CompressorTorque", c.climate.drag},

		{"EngineCooling.FanCommandPercent", func() float64 { return h.command }},
		{"EngineCooling.FanStage", func() float64 { return bit(h.command > 0) + bit(h.command > 80) }},
		{"EngineCooling.IsFanAfterRun", func() float64 { return bit(h.afterRun) }},
		{"EngineCooling.PumpPercent", func() float64 { return bit(e.running) * min(100, max(20, h.coolant)) }},

		{"EngineCruise.CruiseSetKph", func() float64 { return c.cruise.set }},
		{"EngineCruise.CruiseEvent", func() float64 { return float64(c.cruise.event) }},
		{"EngineCruise.CruiseInhibitor", func() float64 { return float64(c.cruise.inhibitor) }},
		{"EngineCruise.CruiseEventNumber", func() float64 { return float64(c.cruise.events % 256) }},

		{"EngineImmobiliser.AnswerKind", constant(1)},
		{"EngineImmobiliser.AnswerData", func() float64 { return c.immobiliser.answer }},
	}
}

func (c *car) engineConfigSignals() []signal {
	e, s := &c.engine, c.setting
	lambda := func() float64 {
		switch {
		case !e.running:
			return 1
		case e.cut():
			return 4
		}
		return 1 + 0.0012*e.wobble
	}
	return []signal{
		{"EngineReadiness.LambdaActual", lambda},
		{"EngineReadiness.LambdaTarget", constant(1)},
		{"EngineReadiness.KnockRetardDegrees", func() float64 { return min(0, 2-0.03*max(0, e.before)) }},
		{"EngineReadiness.MisfireCount", constant(0)},
		{"EngineReadiness.CatalystTemp", func() float64 { return 0.8 * c.heat.exhaust }},
		{"EngineReadiness.TrimShortPercent", func() float64 { return min(20, max(-20, 0.2*e.wobble)) }},
		{"EngineReadiness.TrimLongPercent", constant(1.5)},

		{"EngineConfig.EngineCode", constant(float64(s.Engine))},
		{"EngineConfig.ReferenceTorque", constant(s.peak())},
		{"EngineConfig.EngineMarket", constant(market)},
		{"EngineConfig.EngineAxleCode", constant(s.axleCode())},
		{"EngineConfig.GearboxExpected", constant(float64(s.Gearbox))},
		{"EngineConfig.SoftwareNumber", constant(float64(41_000_000 + 1000*s.electronics()))},
		{"EngineConfig.CalibrationNumber", constant(float64(700_000 + 100*int(s.Engine) + 10*int(s.Gearbox) + s.electronics()))},
		{"EngineConfig.EngineVehicleNumber", constant(vehicleNumber)},
		{"EngineConfig.EngineStarts", func() float64 { return float64(4120 + e.starts) }},
		{"EngineConfig.EngineRunTime", func() float64 { return 1873.2 + e.ran/3600 }},
	}
}

// Constants of the one Lowan that is driven here.
const (
	market        = 3
	vehicleNumber = 0x4C4F57414E31 // six letters
)

// axleCode as on the bus.
func (s Setting) axleCode() float64 {
	_, axle := s.ratios()
	return math.Round(10 * axle)
}
