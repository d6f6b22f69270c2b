package rules

import "plugproof/profiles"

// Symptom is something that a technician sees, and the questions that find its
// cause, the likeliest first.
type Symptom struct {
	Name      string
	Words     []string        // phrases that mean it; all words of one must be there
	Roles     []profiles.Role // what it is about; empty: anything
	Steps     []Step
	Otherwise string // where to look when nothing fires
}

// Step is one question and the rules that answer it.
type Step struct {
	Question string
	Rules    []string
}

// The questions of the index.
var (
	isThere      = Step{"does the message come at all", []string{"message/absent", "message/wrong-bus", "message/sender-silent"}}
	isSilent     = Step{"is the engine controller silent as a whole", []string{"message/sender-silent"}}
	isDisguised  = Step{"does it come under another identifier", []string{"message/other-id"}}
	isShaped     = Step{"has it the right length and format", []string{"message/wrong-length", "message/wrong-format"}}
	isForwarded  = Step{"does the gateway pass it on", []string{"message/not-forwarded"}}
	isElsewhere  = Step{"does the listener sit on another bus", []string{"message/not-forwarded", "wiring/other-segment"}}
	isPaced      = Step{"does it come often enough", []string{"message/too-slow"}}
	isEven       = Step{"does it come evenly", []string{"message/uneven"}}
	isUnbroken   = Step{"was it away for long once", []string{"message/long-gap"}}
	isAlone      = Step{"do two units send it", []string{"message/two-senders"}}
	isEarly      = Step{"does it come early enough after key-on", []string{"message/late-start"}}
	isProtected  = Step{"do counter and checksum hold", []string{"integrity/counter-frozen", "integrity/counter-step", "integrity/counter-reserved", "integrity/toggle", "integrity/checksum", "integrity/parity", "integrity/loop-seam"}}
	hasValue     = Step{"has it a value", []string{"signal/not-available"}}
	hasScale     = Step{"has it the right scale", []string{"signal/scale"}}
	hasOffset    = Step{"has it the right offset", []string{"signal/offset"}}
	hasBits      = Step{"does it lie where the definition says", []string{"signal/wraps", "signal/byte-order", "signal/sign"}}
	hasPages     = Step{"does it go through all its pages", []string{"signal/page-missing"}}
	isSteady     = Step{"does the value jump", []string{"signal/jumps", "signal/wild", "signal/outliers"}}
	isRunning    = Step{"does the engine-running state follow the engine", []string{"signal/engine-running"}}
	lampIsAsked  = Step{"is the lamp asked for, or lit because its message is missing or rejected", []string{"signal/lamp-lit"}}
	fuelCounts   = Step{"does the fuel counter count", []string{"signal/fuel-count"}}
	wayCounts    = Step{"does the distance count", []string{"signal/distance-count"}}
	speedIsThere = Step{"does the speed follow the wheels", []string{"signal/speed-missing"}}

	busIsAlive  = Step{"is there anything on the bus", []string{"wiring/no-frames", "wiring/only-errors"}}
	wiresAreOne = Step{"are the wires of the new ECU right", []string{"wiring/ecu-wires"}}
	staysUp     = Step{"does a unit restart again and again", []string{"wiring/restart-loop"}}
	survives    = Step{"does it keep sending while the starter turns", []string{"wiring/crank-dip"}}
	terminated  = Step{"are the terminators right", []string{"wiring/terminator"}}
	hasRoom     = Step{"is there room on the bus", []string{"wiring/overload"}}
	rightRate   = Step{"does a unit spoil the bus with the wrong bit rate", []string{"wiring/wrong-bit-rate"}}

	cutIsDone      = Step{"does torque follow the gearbox's request", []string{"handshake/torque-cut-ignored"}}
	cutIsConfirmed = Step{"is the request acknowledged", []string{"handshake/no-acknowledge"}}
	torqueIsTrue   = Step{"is the torque plausible", []string{"handshake/torque-implausible"}}
	cutIsAllowed   = Step{"does the engine say that it cannot reduce torque", []string{"handshake/reduction-refused"}}
	cruiseIsFree   = Step{"does anything inhibit cruise control", []string{"handshake/cruise-inhibited"}}
	airconIsFree   = Step{"is the request for air-con answered", []string{"handshake/air-con-blocked"}}
	fanIsAsked     = Step{"is the fan in fail-safe", []string{"handshake/fan-fail-safe"}}
	keyIsKnown     = Step{"does the immobiliser exchange run", []string{"handshake/immobiliser"}}
	startIsFree    = Step{"is the start permitted", []string{"handshake/start-permit"}}
	generatorIsOn  = Step{"is the generator commanded", []string{"handshake/generator-command"}}
	isFed          = Step{"does the engine controller hear what it needs", []string{"handshake/ecu-starved"}}
	limpHasCause   = Step{"what failed before the emergency program", []string{"handshake/limp"}}
	cutComesBack   = Step{"does torque come back after a shift", []string{"handshake/torque-stays-cut"}}
	wheelsAgree    = Step{"do the wheels agree", []string{"handshake/wheel-speeds"}}

	constantsFit = Step{"do the configuration constants fit", []string{"variant/constants", "signal/constant"}}
	carIsKnown   = Step{"is it the car that the units know", []string{"variant/car-number"}}
	seriesIsOne  = Step{"are all units of one series", []string{"variant/mixed-series"}}
	noGearbox    = Step{"is an automatic set where there is none", []string{"variant/no-gearbox"}}
	gearboxIsSet = Step{"is a manual set where there is an automatic", []string{"variant/gearbox-unexpected"}}
	otherSeries  = Step{"does a neighbouring series fit better", []string{"variant/neighbour-series"}}
	otherRegion  = Step{"does another region fit better", []string{"variant/region"}}
)

// Symptoms lists the index, in the order in which it is shown. The last two are
// for lamps and functions that have none of their own.
func Symptoms() []Symptom {
	return []Symptom{
		{
			"tachometer dead, other gauges live",
			[]string{"tachometer dead", "tachometer", "tach", "rev counter"},
			[]profiles.Role{profiles.EngineSpeed},
			[]Step{isThere, isShaped, hasValue, isProtected, isElsewhere, isDisguised, otherSeries},
			"nothing on this bus explains it: prove the gauge on the bench with a known good frame",
		},
		{
			"all engine gauges dead",
			[]string{"gauges dead", "all gauges", "everything dead"},
			nil,
			[]Step{busIsAlive, wiresAreOne, isSilent, staysUp, isElsewhere, isDisguised},
			"check supply and fuse of the cluster, and on which bus it sits",
		},
		{
			"temperature gauge jumps",
			[]string{"temperature jumps", "temp jumps", "coolant jumps", "coolant gauge jumps"},
			[]profiles.Role{profiles.Coolant},
			[]Step{isAlone, hasPages, hasValue, isSteady, isEven},
			"check physics first: an air lock, or the sensor and its connector",
		},
		{
			"temperature gauge at its hot or cold stop",
			[]string{"temperature gauge", "temperature hot", "temperature cold", "coolant gauge", "coolant hot", "coolant cold", "temp gauge", "overheating"},
			[]profiles.Role{profiles.Coolant},
			[]Step{isThere, hasValue, hasOffset, otherSeries, isPaced, isUnbroken},
			"the engine may really be hot, or its fail-safe cooling be asked for: read its own codes",
		},
		{
			"engine lamp on",
			[]string{"mil", "engine lamp", "check lamp", "malfunction lamp", "epc", "wrench"},
			[]profiles.Role{profiles.MIL},
			[]Step{lampIsAsked, noGearbox, cutIsAllowed},
			"read the new ECU's own codes",
		},
		{
			"gearbox stuck in one gear",
			[]string{"stuck gear", "one gear", "limp", "emergency program", "stuck in 3rd", "stuck in third", "gearbox", "transmission"},
			[]profiles.Role{profiles.Torque, profiles.TorqueAsked, profiles.Pedal, profiles.EngineSpeed},
			[]Step{survives, isThere, isPaced, isUnbroken, isProtected, hasValue, limpHasCause, torqueIsTrue, cutIsConfirmed, cutIsDone, gearboxIsSet, constantsFit},
			"judge the gearbox with the engine running in gear; a true hydraulic fault is not on the bus",
		},
		{
			"harsh shifts, no lamp",
			[]string{"harsh shifts", "shifts harsh", "hard shifts", "flaring shifts"},
			[]profiles.Role{profiles.Torque, profiles.TorqueAsked, profiles.TorqueLoss},
			[]Step{cutIsDone, cutIsConfirmed, torqueIsTrue, isPaced, hasScale, cutComesBack},
			"capture the stage in-gear with at least 5 shifts: a parked capture never proves it",
		},
		{
			"no cruise control",
			[]string{"cruise"},
			[]profiles.Role{profiles.CruiseState, profiles.CruiseSwitch, profiles.Brake, profiles.Brake2, profiles.Clutch},
			[]Step{cruiseIsFree, noGearbox, lampIsAsked, cutIsAllowed},
			"cruise control is off wherever a brake or clutch switch, the speed or stability control objects",
		},
		{
			"brake or stability lamp on",
			[]string{"abs", "esc lamp", "stability lamp", "stability control", "traction", "brake lamp"},
			[]profiles.Role{profiles.Torque, profiles.TorqueAsked, profiles.Pedal},
			[]Step{isThere, isUnbroken, isPaced, isProtected, hasValue, cutIsAllowed, constantsFit, otherRegion, wheelsAgree},
			"a latched lamp needs a key cycle: clear, and capture again",
		},
		{
			"engine derates or misfires since the swap",
			[]string{"derates", "misfires", "cuts out", "no power", "loses power"},
			nil,
			[]Step{isFed, otherSeries},
			"read the new ECU's own codes; fuel and spark come next",
		},
		{
			"steering heavy",
			[]string{"steering"},
			[]profiles.Role{profiles.EngineRuns, profiles.EngineSpeed, profiles.VehicleSpeed},
			[]Step{isRunning, isThere, isUnbroken, constantsFit},
			"perhaps not the bus: check the connector and the torque sensor of the steering",
		},
		{
			"air-con never engages",
			[]string{"air con", "aircon", "a c", "ac never", "no ac", "compressor"},
			[]profiles.Role{profiles.AirconAsked, profiles.AirconGranted},
			[]Step{airconIsFree, isRunning, isForwarded, isThere},
			"check pressure and gas",
		},
		{
			"fans always on",
			[]string{"fan on", "fans on", "fan always", "fans flat out", "cooling fan"},
			[]profiles.Role{profiles.FanAsked},
			[]Step{fanIsAsked, isThere, isForwarded},
			"fans run at full whenever the fan command is missing: do not mend it with a relay",
		},
		{
			"cranks and does not start, or starts and dies",
			[]string{"no start", "does not start", "starts and dies", "starts dies", "dies", "stalls", "security lamp"},
			nil,
			[]Step{keyIsKnown, survives, isEarly},
			"fuel, spark, and the lawful matching of keys and ECU",
		},
		{
			"does not crank",
			[]string{"no crank", "does not crank", "not crank", "start permit"},
			nil,
			[]Step{startIsFree, noGearbox},
			"check the permit line, the lever and the clutch switch",
		},
		{
			"a gauge reads half or double",
			[]string{"reads half", "reads double", "half", "double", "wrong scale"},
			nil,
			[]Step{isAlone, hasScale, hasBits},
			"the cluster may be coded for another engine",
		},
		{
			"odometer or trip does not count",
			[]string{"odometer", "trip", "distance"},
			[]profiles.Role{profiles.Distance},
			[]Step{wayCounts, isThere, isProtected, carIsKnown},
			"find which unit owns the distance; the reading itself is never to be altered",
		},
		{
			"speedometer dead, wheels on the bus",
			[]string{"speedometer", "speedo"},
			[]profiles.Role{profiles.VehicleSpeed, profiles.WheelSpeed},
			[]Step{speedIsThere, isThere, isForwarded, seriesIsOne},
			"some cars have the engine controller relay the speed: look for it in the setting",
		},
		{
			"charge lamp on",
			[]string{"charge lamp", "battery lamp", "charging"},
			[]profiles.Role{profiles.ChargeLamp, profiles.EngineRuns},
			[]Step{generatorIsOn, lampIsAsked, isThere, isRunning},
			"measure the voltage with the engine at 1200 rpm",
		},
		{
			"gear display blank or flashing",
			[]string{"gear display", "gear indicator", "lever display"},
			[]profiles.Role{profiles.Lever, profiles.Gear},
			[]Step{noGearbox, gearboxIsSet, isThere, hasValue, isForwarded},
			"check the supply of the gearbox controller",
		},
		{
			"fuel consumption is nonsense",
			[]string{"fuel consumption", "fuel economy", "consumption", "mileage"},
			[]profiles.Role{profiles.FuelUsed},
			[]Step{fuelCounts, isThere, hasScale, isProtected},
			"compare the injector scaling with the fuel that was filled in",
		},
		{
			"random lamps, changing",
			[]string{"random lamps", "lamps changing", "lamps everywhere", "changing lamps"},
			nil,
			[]Step{terminated, isAlone, hasRoom, rightRate},
			"look for a loose ground, and shake the loom while recording",
		},
		{
			"another lamp on",
			nil,
			nil,
			[]Step{lampIsAsked, isThere, isShaped, isUnbroken, isProtected, constantsFit},
			"some lamps are wired, not on the bus",
		},
		{
			"another function does not work",
			nil,
			nil,
			[]Step{isThere, isShaped, isPaced, isUnbroken, isProtected, hasValue, hasScale, isElsewhere, isDisguised},
			"nothing on this bus explains it",
		},
	}
}
