package mutate

import (
	"slices"
	"testing"

	"plugproof/profiles/rules"
)

// faults lists those of the trade, in its words, and the rule that answers for each.
func faults() []struct{ fault, rule string } {
	return []struct{ fault, rule string }{
		{"clock jump, joined logs", "capture/clock-jump"},
		{"frames lost by the adapter", "capture/frames-lost"},
		{"recorder stands still", "capture/recording-paused"},
		{"state not exercised", "capture/stage-missing"},
		{"too short for presence", "message/absent"},
		{"too short for integrity", "integrity/not-testable"},
		{"error reporting off", "capture/errors-not-recorded"},
		{"own transmissions in the log", "capture/own-frames"},
		{"stamps in clumps", "capture/clumped-stamps"},

		{"everything dead, no frames", "wiring/no-frames"},
		{"only errors", "wiring/only-errors"},
		{"fine until the new ECU was plugged in", "wiring/wrong-bit-rate"},
		{"ECU unseen, rest fine", "wiring/ecu-wires"},
		{"one terminator gone", "wiring/terminator"},
		{"errors all over, nobody measured", "wiring/terminator"},
		{"one terminator too many", "wiring/terminator"},
		{"alone on the bus", "wiring/unacknowledged"},
		{"bus-off and restart of one node", "wiring/restart-loop"},
		{"brown-out at crank", "wiring/crank-dip"},
		{"supply outside of 10 to 16 V", "wiring/supply"},
		{"bus overload", "wiring/overload"},
		{"listener on another segment", "wiring/other-segment"},
		{"keeps talking after key-off", "wiring/keeps-talking"},

		{"message absent", "message/absent"},
		{"whole ECU set absent", "message/sender-silent"},
		{"network setting never chosen", "message/sender-silent"},
		{"right content, wrong identifier", "message/other-id"},
		{"sent on the wrong bus", "message/wrong-bus"},
		{"gateway does not forward", "message/not-forwarded"},
		{"the removed ECU was the gateway", "message/not-forwarded"},
		{"too slow", "message/too-slow"},
		{"too fast", "message/too-fast"},
		{"jitter, bursts", "message/uneven"},
		{"single long gap", "message/long-gap"},
		{"wrong length", "message/wrong-length"},
		{"11 against 29 bits", "message/wrong-format"},
		{"two senders", "message/two-senders"},
		{"starts too late", "message/late-start"},
		{"stops too early", "message/early-stop"},
		{"button does nothing", "message/no-reaction"},
		{"another car's capture", "message/no-match"},

		{"counter frozen", "integrity/counter-frozen"},
		{"counter of wrong step", "integrity/counter-step"},
		{"counter takes a reserved value", "integrity/counter-reserved"},
		{"toggle bit", "integrity/toggle"},
		{"checksum", "integrity/checksum"},
		{"parity", "integrity/parity"},
		{"replay seam", "integrity/loop-seam"},

		{"not available", "signal/not-available"},
		{"stuck at default", "signal/frozen"},
		{"scale", "signal/scale"},
		{"byte order", "signal/byte-order"},
		{"impossible rate of change", "signal/wild"},
		{"offset", "signal/offset"},
		{"signed, unsigned", "signal/sign"},
		{"bit start or width", "signal/wraps"},
		{"gauge jumps", "signal/jumps"},
		{"needle twitches", "signal/outliers"},
		{"needle lags", "signal/stale"},
		{"lamp on", "signal/lamp-lit"},
		{"no bulb check", "signal/no-bulb-check"},
		{"fuel counter", "signal/fuel-count"},
		{"multiplexer never switches", "signal/page-missing"},
		{"odometer does not count", "signal/distance-count"},
		{"speedometer dead", "signal/speed-missing"},
		{"engine-running state", "signal/engine-running"},
		{"full scale clipped", "signal/saturated"},
		{"constants of another variant", "signal/constant"},
		{"outside of the accepted band", "signal/out-of-band"},
		{"another range than in a good capture", "signal/range"},
		{"bits of unknown meaning", "signal/still-bits"},
		{"pedal learned short", "signal/pedal-range"},
		{"throttle range not learned", "signal/throttle-range"},

		{"torque request ignored", "handshake/torque-cut-ignored"},
		{"acknowledgement never follows", "handshake/no-acknowledge"},
		{"gearbox lost or does not believe the engine", "handshake/limp"},
		{"torque implausible", "handshake/torque-implausible"},
		{"reduction not allowed", "handshake/reduction-refused"},
		{"torque does not come back", "handshake/torque-stays-cut"},
		{"no cruise", "handshake/cruise-inhibited"},
		{"air-con never engages", "handshake/air-con-blocked"},
		{"fans flat out", "handshake/fan-fail-safe"},
		{"immobiliser exchange", "handshake/immobiliser"},
		{"no crank", "handshake/start-permit"},
		{"generator command lost", "handshake/generator-command"},
		{"ECU lacks data of others", "handshake/ecu-starved"},
		{"wheel speeds truly differ", "handshake/wheel-speeds"},

		{"constants of a sister engine", "variant/constants"},
		{"constants of another region", "variant/region"},
		{"car number absent or different", "variant/car-number"},
		{"mixed-series car", "variant/mixed-series"},
		{"automatic set, manual car", "variant/no-gearbox"},
		{"manual set, automatic car", "variant/gearbox-unexpected"},
		{"neighbouring series", "variant/neighbour-series"},
	}
}

// TestEveryFaultHasARule: each fault of the trade has a rule, and what fires it
// is in the matrix.
func TestEveryFaultHasARule(t *testing.T) {
	for _, f := range faults() {
		if !slices.ContainsFunc(rules.All(), func(r rules.Rule) bool { return r.Name == f.rule }) {
			t.Errorf("%s: no rule %s", f.fault, f.rule)
		}
		if !slices.ContainsFunc(corruptions(), func(c corruption) bool { return c.rule == f.rule }) {
			t.Errorf("%s: nothing in the matrix fires %s", f.fault, f.rule)
		}
	}
}

// TestCompanions: a corruption has at most three, each with its reason.
func TestCompanions(t *testing.T) {
	for _, c := range corruptions() {
		if len(c.companions) > 3 {
			t.Errorf("%s has %d companions", c.name, len(c.companions))
		}
		for _, k := range c.companions {
			if k.reason == "" || k.rule == c.rule {
				t.Errorf("%s: companion %s without reason, or the rule itself", c.name, k.rule)
			}
		}
	}
}
