// Package traffic turns definitions and values into the frames that control
// units send: on cycle, on change and on demand, one multiplexer page after the
// other, start values after power-up, counters and checksums filled in.
//
// The definitions are DBC files, the values are functions that are called when a
// frame is made. A Source makes the frames one after the other and keeps nothing
// of the past, so that hours fit into bounded memory; frames of one bus never
// overlap in time and the lowest identifier goes first, as on a real bus. For
// the same Config and values the frames are the same, to the nanosecond.
package traffic

import (
	"errors"
	"time"

	"plugproof/decode/dbc"
	"plugproof/decode/guard"
)

// Bus is one bus and what is known of its messages.
type Bus struct {
	Name    string
	Bitrate int64 // bit/s; 0: that of the first database which states one
	// Databases define the messages. Of several definitions of one identifier,
	// or of one name, the first wins.
	Databases []*dbc.Database
}

// Node is how a control unit starts.
type Node struct {
	Boot time.Duration // from power to its first frame
	Init time.Duration // after that, how long it sends start values
}

// Config is all that decides about the traffic besides values.
type Config struct {
	Buses       []Bus
	Nodes       map[string]Node             // by name; one that is not listed starts at once
	Protections map[string]guard.Protection // by message; what it writes cannot be bound
	Without     []string                    // nodes and messages that are not sent
	Only        []string                    // nodes; nil: all of them

	Seed       uint64        // of phases, jitter and clocks
	Jitter     time.Duration // a frame is late by up to this; it does not add up
	ClockError float64       // each node's clock is off by up to this share, either way
	Start      int64         // time stamp of time 0, ns
	Step       time.Duration // between two calls of the script; 0: 10 ms
}

// DefaultStep is the time between two calls of a script.
const DefaultStep = 10 * time.Millisecond

// NotAvailable is the text by which a value table marks the raw value that
// stands for a value the sender does not have.
const NotAvailable = "NotAvailable"

// Reasons for errors.
var (
	ErrNoSignal = errors.New("no such signal in this traffic")
	ErrGuarded  = errors.New("the message's protection owns the signal")
	ErrNoSNA    = errors.New(`the value is not available, and no value of the signal is named "` + NotAvailable + `"`)
)

// Script moves the world on to time t. It is called every Config.Step, before
// the frames of that step are made, and may call Power and Send. The traffic
// ends when it returns false.
type Script func(t time.Duration) bool
