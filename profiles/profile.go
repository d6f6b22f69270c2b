// Package profiles is the model of a vehicle setting: what is sent by whom on
// which bus, who listens, and what a listener does when it is starved. Profiles
// are YAML files put together from parts; where a DBC file already states a
// fact, a profile need not repeat it.
//
// Nothing here reads a capture: the packages below profiles do.
package profiles

import "slices"

// Profile is one network setting of one car, or a part of one.
type Profile struct {
	Format   int      `yaml:"format"`              // of the file; 1
	Name     string   `yaml:"name"`                // as users type it
	Title    string   `yaml:"title,omitempty"`     // one line for people
	Part     bool     `yaml:"part,omitempty"`      // only for builds_on; never offered as a setting
	BuildsOn []string `yaml:"builds_on,omitempty"` // parts; later ones override earlier ones by name

	Identity Identity `yaml:"identity,omitempty"`
	Settings Settings `yaml:"settings,omitempty"`

	Buses    map[string]*Bus     `yaml:"buses,omitempty"`
	Nodes    map[string]*Node    `yaml:"nodes,omitempty"`
	Replaced string              `yaml:"replaced,omitempty"` // the node that the new ECU stands in for
	Messages map[string]*Message `yaml:"messages,omitempty"` // by name; the DBC's name where it has the message

	Roles     map[Role]SignalRef   `yaml:"roles,omitempty"` // which signal means what
	Functions map[string]*Function `yaml:"functions,omitempty"`
	Stages    map[string]*Stage    `yaml:"stages,omitempty"` // how a stage is recognised

	Dialogues   map[string]*Dialogue           `yaml:"dialogues,omitempty"`
	Permits     map[string]*Permit             `yaml:"permits,omitempty"`      // start, air-con, cruise
	Bounds      map[string]*Bound              `yaml:"bounds,omitempty"`       // what values must be plausible with
	EngineTurns []Condition                    `yaml:"engine_turns,omitempty"` // any of these shows it, whatever the replaced unit says
	Wheels      []SignalRef                    `yaml:"wheels,omitempty"`       // speeds of the single wheels
	CarNumber   []SignalRef                    `yaml:"car_number,omitempty"`   // carriers of the vehicle's number, or of its end; never shown
	Automatic   string                         `yaml:"automatic,omitempty"`    // the node that is the gearbox controller, fitted or not
	Regions     map[string]map[SignalRef]int64 `yaml:"regions,omitempty"`      // raw values of the constants that change with the market

	NeverSent []IDRange   `yaml:"never_sent,omitempty"` // identifiers that nobody may be stood in for
	MaySend   []SignalRef `yaml:"may_send,omitempty"`   // messages that a reviewed profile lets a bench send
}

// Identity says which car it is, in free text.
type Identity struct {
	Model   string `yaml:"model,omitempty"`
	Series  string `yaml:"series,omitempty"`
	Engine  string `yaml:"engine,omitempty"`
	Gearbox string `yaml:"gearbox,omitempty"`
}

// Settings are the two things that a new ECU is told.
type Settings struct {
	Network string `yaml:"network,omitempty"` // which car's messages
	Loom    string `yaml:"loom,omitempty"`    // which pins carry what
}

// Bus is one CAN bus of the car.
type Bus struct {
	Bitrate     Rate  `yaml:"bitrate,omitempty"`
	DataBitrate Rate  `yaml:"data_bitrate,omitempty"` // CAN FD
	DBC         Files `yaml:"dbc,omitempty"`          // beside the profile; a message of a later file replaces one of an earlier
}

// Files is one file name or a list of them.
type Files []string

// Node is one control unit.
type Node struct {
	Title   string `yaml:"title,omitempty"`
	Fitted  *bool  `yaml:"fitted,omitempty"`   // nil: yes
	Option  bool   `yaml:"option,omitempty"`   // its absence proves nothing
	Bench   bool   `yaml:"bench,omitempty"`    // may be fed alone on a bench with what may_send lists
	HangsOn string `yaml:"hangs_on,omitempty"` // falls silent with this node (main relay, terminator)
	Several bool   `yaml:"several,omitempty"`  // stands for units that nobody has told apart

	Buses []string `yaml:"buses,omitempty"` // where it listens; empty: where it sends
	Flags []Flag   `yaml:"flags,omitempty"` // its own fault, limp and lamp bits: its verdict on the others

	Diagnosis *Diagnosis `yaml:"diagnosis,omitempty"` // where it is asked for trouble codes; nil: not known
}

// Diagnosis is the pair of identifiers by which a node is asked for its trouble
// codes and answers. They are never sent but for reading.
type Diagnosis struct {
	Bus     string `yaml:"bus,omitempty"` // that a tester is on; empty: any
	Request ID     `yaml:"request"`
	Answer  ID     `yaml:"answer"`
}

// IsFitted reports whether the car has the node.
func (n *Node) IsFitted() bool { return n.Fitted == nil || *n.Fitted }

// Flag is a signal with the raw values by which a node complains.
type Flag struct {
	Signal SignalRef `yaml:"signal"`
	Values []int64   `yaml:"values"`
	Says   string    `yaml:"says"`            // in words: "engine messages lost"
	About  SignalRef `yaml:"about,omitempty"` // the message or signal it complains about, where it names one
	Limp   bool      `yaml:"limp,omitempty"`  // the node has fallen back to an emergency program

	BulbCheck Time `yaml:"bulb_check,omitempty"` // a lamp: lit without meaning for so long after key-on
}

// Kind of a message, by what makes its sender send it.
type Kind string

// The kinds. The empty kind is cyclic where a cycle is known, else on-change.
const (
	Cyclic   Kind = "cyclic"
	OnChange Kind = "on-change"
	Mixed    Kind = "mixed"              // cyclic, with extra frames on change
	Variable Kind = "engine-synchronous" // its cycle follows the engine
)

// Message is one message of the car.
type Message struct {
	Bus       string `yaml:"bus,omitempty"`
	ID        *ID    `yaml:"id,omitempty"`
	Sender    string `yaml:"sender,omitempty"`
	Length    *int   `yaml:"length,omitempty"` // bytes
	Kind      Kind   `yaml:"kind,omitempty"`
	Cycle     Time   `yaml:"cycle,omitempty"`
	Tolerance Ratio  `yaml:"tolerance,omitempty"` // of the cycle; 0: the common 10 %
	Option    bool   `yaml:"option,omitempty"`    // its absence proves nothing
	Absent    bool   `yaml:"absent,omitempty"`    // not sent in this setting although the DBC has it
	Relayed   bool   `yaml:"relayed,omitempty"`   // a gateway's copy of the replaced node's values: no evidence of its own
	Config    bool   `yaml:"config,omitempty"`    // its constants are the configuration that units compare with their own

	Counter   *Counter             `yaml:"counter,omitempty"`
	Toggle    *Toggle              `yaml:"toggle,omitempty"`
	Parity    *Parity              `yaml:"parity,omitempty"`
	Checksum  *Checksum            `yaml:"checksum,omitempty"`
	EndToEnd  *EndToEnd            `yaml:"end_to_end,omitempty"` // instead of counter and checksum
	Signals   map[string]*Signal   `yaml:"signals,omitempty"`
	Constants map[string]*Constant `yaml:"constants,omitempty"` // by signal: configuration that listeners compare with their own
	Still     Bits                 `yaml:"still,omitempty"`     // bits of the first 8 bytes that stood in a good capture, their meaning unknown
	Pages     *Pages               `yaml:"pages,omitempty"`

	Listeners map[string]*Listener `yaml:"listeners,omitempty"` // by node
}

// Listener is a node that needs a message.
type Listener struct {
	Timeout    Time   `yaml:"timeout,omitempty"`    // without the message for so long, it reacts
	Grace      Time   `yaml:"grace,omitempty"`      // it does not judge for so long after key-on; 0: 2 s
	Substitute string `yaml:"substitute,omitempty"` // what it does then, in words: "needle to zero"
	Latched    bool   `yaml:"latched,omitempty"`    // and keeps doing until the next key cycle
	Needed     bool   `yaml:"needed,omitempty"`     // it does not work properly without, even where this car never sends it
}

// Field is where some bits lie: a signal of the message by name, or start,
// length and order as a DBC file gives them.
type Field struct {
	Signal string `yaml:"signal,omitempty"`
	Start  *int   `yaml:"start,omitempty"`
	Length int    `yaml:"length,omitempty"` // bits
	Order  string `yaml:"order,omitempty"`  // intel (the default) or motorola
}

// Counter is a rolling counter.
type Counter struct {
	Field    `yaml:",inline"`
	Step     int      `yaml:"step,omitempty"`     // 0: 1
	Modulo   int      `yaml:"modulo,omitempty"`   // 0: 2^length
	Reserved []uint64 `yaml:"reserved,omitempty"` // values it never takes
}

// Toggle is a bit that flips every so many frames.
type Toggle struct {
	Field `yaml:",inline"`
	Every int `yaml:"every,omitempty"` // frames; 0: 1
}

// Parity is a bit that makes the number of set bits even, or odd.
type Parity struct {
	Field `yaml:",inline"`
	Odd   bool   `yaml:"odd,omitempty"`
	Over  *Field `yaml:"over,omitempty"` // the bits counted with it; nil: all of the payload
}

// Checksum is a checksum and its law: a name that decode/guard knows, or one
// spelled out with kind.
type Checksum struct {
	Field    `yaml:",inline"`
	Law      string  `yaml:"law,omitempty"`  // crc-8/autosar, xor, sum, ...
	Kind     string  `yaml:"kind,omitempty"` // crc, sum, xor, nibble sum: a law without a name
	Width    int     `yaml:"width,omitempty"`
	Poly     uint64  `yaml:"poly,omitempty"`
	Init     uint64  `yaml:"init,omitempty"`
	XorOut   uint64  `yaml:"xor_out,omitempty"`
	Reflect  bool    `yaml:"reflect,omitempty"`
	Subtract bool    `yaml:"subtract,omitempty"`
	Over     []Cover `yaml:"over,omitempty"` // what goes into it, in order; empty: the data
}

// EndToEnd is one of the AUTOSAR end-to-end profiles, counter and checksum in one.
type EndToEnd struct {
	Profile string   `yaml:"profile"` // 1A, 1B, 1C, 1L, 2, 4, 5, 6, 7, 8, 11A, 11C, 22
	Offset  int      `yaml:"offset,omitempty"`
	DataID  uint32   `yaml:"data_id,omitempty"`
	DataIDs []uint64 `yaml:"data_ids,omitempty"` // profiles 2 and 22: one per counter value
}

// Signal is what a profile adds to a signal of the DBC.
type Signal struct {
	SNA      []uint64 `yaml:"sna,omitempty"`      // raw patterns that mean "not available"
	Start    *uint64  `yaml:"start,omitempty"`    // raw start value
	Accepted *Range   `yaml:"accepted,omitempty"` // physical band outside which a listener rejects it
	Slew     float64  `yaml:"slew,omitempty"`     // fastest plausible change per second, in its unit
	Default  *float64 `yaml:"default,omitempty"`  // the plausible value that a sender falls back to
	Neutral  *float64 `yaml:"neutral,omitempty"`  // physical value that a bench leaves a listener with at the end
	Counts   bool     `yaml:"counts,omitempty"`   // rolling: start irrelevant, monotone modulo its width

	Ranges map[string]*Range `yaml:"ranges,omitempty"` // by stage: least and greatest value in a good capture
}

// Range is an inclusive range of physical values, written as -40..215.
type Range struct{ From, To float64 }

// Constant is the value that a signal holds in this setting.
type Constant struct {
	Value  int64     `yaml:"value"` // raw
	Means  string    `yaml:"means,omitempty"`
	Stored SignalRef `yaml:"stored,omitempty"` // another unit's own copy, which must be equal
}

// Pages are the pages that a multiplexer goes through.
type Pages struct {
	Signal string   `yaml:"signal"`
	Values []uint64 `yaml:"values"`
}

// Function is something that the driver or another unit has from the network: a
// chain from the sender's signal to the unit that shows or does it.
type Function struct {
	Title    string      `yaml:"title,omitempty"`
	Chain    []SignalRef `yaml:"chain"`              // the sender's signal, then each gateway's copy of it
	Ends     string      `yaml:"ends"`               // node that shows or does it
	Lamp     *Lamp       `yaml:"lamp,omitempty"`     // where it is a lamp
	Gauge    *Gauge      `yaml:"gauge,omitempty"`    // where it is a needle or a figure
	Stages   []string    `yaml:"stages,omitempty"`   // any of these exercises it; empty: key-on does
	Moves    *Moves      `yaml:"moves,omitempty"`    // what the signal must do to have been exercised
	Against  *Against    `yaml:"against,omitempty"`  // another unit's signal that must agree with it
	Option   bool        `yaml:"option,omitempty"`   // not every car of this setting has it
	Symptoms []string    `yaml:"symptoms,omitempty"` // words that a technician would use
}

// Lamp says how a lamp is lit.
type Lamp struct {
	On         int64 `yaml:"on"`                     // raw value that lights it
	OnWhenLost bool  `yaml:"on_when_lost,omitempty"` // its owner lights it when the message is missing
	BulbCheck  Time  `yaml:"bulb_check,omitempty"`   // lit by the bit for so long at key-on; 0: not by the bit
}

// Gauge says what a needle or a figure shows of the signal.
type Gauge struct {
	Unit    string  `yaml:"unit"`              // of what is read off it
	Curve   []Mark  `yaml:"curve"`             // straight between the marks; level where a driver is to see no change
	Reads   float64 `yaml:"reads"`             // a person reads it as exactly as this
	Settles Time    `yaml:"settles,omitempty"` // how long it takes to come to rest; 0: 3 s
}

// Mark is one point of a gauge's curve.
type Mark struct {
	At    float64 `yaml:"at"`    // value of the signal
	Shows float64 `yaml:"shows"` // what is read then
}

// Moves is the least that a signal must do before a function can be judged.
type Moves struct {
	Span   float64 `yaml:"span,omitempty"`   // in its unit, between least and greatest
	Values int     `yaml:"values,omitempty"` // distinct values
}

// Against is a reference for a value: Signal*Ratio+Offset of another unit.
type Against struct {
	Signal SignalRef `yaml:"signal"`
	Ratio  float64   `yaml:"ratio,omitempty"` // 0: 1
	Offset float64   `yaml:"offset,omitempty"`
}

// Stage is how a stage of the capture script is recognised: all conditions hold
// for the least time.
type Stage struct {
	When      []Condition `yaml:"when"`                // on the frames of other units
	Otherwise []Condition `yaml:"otherwise,omitempty"` // where When cannot tell; may ask the replaced unit
	Lasting   Time        `yaml:"lasting,omitempty"`   // 0: 1 s
	Bridge    Time        `yaml:"bridge,omitempty"`    // stretches that are no further apart are one: repeats of a stimulus
}

// Condition is a comparison of one signal, or its movement.
type Condition struct {
	Signal SignalRef `yaml:"signal"`
	Is     []int64   `yaml:"is,omitempty"`    // raw values
	Above  *float64  `yaml:"above,omitempty"` // physical
	Below  *float64  `yaml:"below,omitempty"`
	Moves  bool      `yaml:"moves,omitempty"`  // changes at least twice
	Within Time      `yaml:"within,omitempty"` // of each other, to be moving; 0: 5 s
}

// Role says what a signal means to the rules.
type Role string

// The roles.
const (
	EngineSpeed   Role = "engine-speed"
	Coolant       Role = "coolant"
	VehicleSpeed  Role = "vehicle-speed"
	Pedal         Role = "pedal"
	Pedal2        Role = "pedal-second-track"
	Throttle      Role = "throttle"
	ThrottleAsked Role = "throttle-asked"
	Torque        Role = "torque"
	TorqueAsked   Role = "torque-driver"
	TorqueLoss    Role = "torque-loss"
	Ignition      Role = "ignition"
	EngineRuns    Role = "engine-running"
	Brake         Role = "brake"
	Brake2        Role = "brake-second-channel"
	Clutch        Role = "clutch"
	Lever         Role = "lever"
	Gear          Role = "gear"
	Distance      Role = "distance"
	FuelUsed      Role = "fuel-used"
	WheelSpeed    Role = "wheel-speed"
	InputSpeed    Role = "gearbox-input-speed"
	AirconAsked   Role = "air-con-asked"
	AirconGranted Role = "air-con-granted"
	FanAsked      Role = "fan-asked"
	FanRuns       Role = "fan-runs"
	Supply        Role = "supply-volts"
	TorqueCut     Role = "torque-cut-asked"
	TorqueCutDone Role = "torque-cut-done"
	CruiseSwitch  Role = "cruise-switch"
	CruiseState   Role = "cruise-state"
	GeneratorTo   Role = "generator-asked"
	MIL           Role = "malfunction-lamp"
	ChargeLamp    Role = "charge-lamp"
	OilLamp       Role = "oil-lamp"
)

// Roles lists every role, sorted.
func Roles() []Role {
	all := []Role{
		EngineSpeed, Coolant, VehicleSpeed, Pedal, Pedal2, Throttle, ThrottleAsked, Torque, TorqueAsked,
		TorqueLoss, Ignition, EngineRuns, Brake, Brake2, Clutch, Lever, Gear, Distance, FuelUsed,
		WheelSpeed, InputSpeed, AirconAsked, AirconGranted, FanAsked, FanRuns, Supply, TorqueCut,
		TorqueCutDone, CruiseSwitch, CruiseState, GeneratorTo, MIL, ChargeLamp, OilLamp,
	}
	slices.Sort(all)
	return all
}

// StageNames lists the stages of the capture script in its order.
func StageNames() []string {
	return []string{
		"asleep", "key-on", "pedal", "brake", "lever", "crank", "idle", "warm-up",
		"air-con", "cruise", "rev", "in-gear", "road", "key-off",
	}
}
