package evidence

import (
	"reflect"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

// everything compares evidence to the last field.
func everything() cmp.Option {
	return cmp.Options{
		cmp.Exporter(func(reflect.Type) bool { return true }),
		cmpopts.IgnoreFields(Evidence{}, "Setting"), cmpopts.IgnoreFields(Message{}, "Facts"),
		cmpopts.IgnoreFields(Bus{}, "Facts"), cmpopts.IgnoreFields(Signal{}, "Def", "Own"),
		cmpopts.IgnoreFields(Stream{}, "payloads"), // which of too many are kept is chance; how many is not
	}
}

// spoiled is a drive in which bytes stand still for a while, change at random,
// frames come late, early or short.
func spoiled(t *rapid.T) []can.Frame {
	frames := drive(rapid.IntRange(1, 60).Draw(t, "cycles"))
	held := map[uint32][]byte{}
	pace := rapid.SampledFrom([]int64{1, 20}).Draw(t, "pace") // 20: many frames to a bucket
	for i := range frames {
		f := &frames[i]
		f.Time /= pace
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0:
			f.Data[rapid.IntRange(0, int(f.Len)-1).Draw(t, "byte")] = rapid.SampledFrom([]byte{0, 1, 130, 254, 255}).Draw(t, "value")
		case 1:
			f.Time += rapid.Int64Range(-30e6, 300e6).Draw(t, "shift")
		case 2:
			f.SetPayload(f.Data[:rapid.IntRange(0, 8).Draw(t, "length")])
		case 3:
			delete(held, f.ID)
		default:
			if h := held[f.ID]; h != nil {
				f.SetPayload(h)
			}
		}
		held[f.ID] = append([]byte(nil), f.Payload()...)
	}
	return frames
}

// TestCalmWay: what is left alone until it changes is counted as if each frame
// had been looked at in full, wherever the capture is cut.
func TestCalmWay(t *testing.T) {
	quick, full := testPlan(t, testBuses()), testPlan(t, testBuses())
	calm := 0
	for i, m := range full.messages {
		if quick.messages[i].calm != nil {
			calm++
		}
		m.calm = nil
	}
	if calm != 2 {
		t.Fatalf("%d messages take the calm way, want those two that have no pages", calm)
	}
	rapid.Check(t, func(rt *rapid.T) {
		frames := spoiled(rt)
		cut := rapid.IntRange(0, len(frames)).Draw(rt, "cut")
		want, got := gather(full, frames[:cut], frames[cut:]), gather(quick, frames[:cut], frames[cut:])
		if diff := cmp.Diff(want, got, everything()); diff != "" {
			rt.Fatalf("(-in full +calm):\n%s", diff)
		}
	})
}

// TestCalmWayOfTalks: dialogues hear every frame of a calm message.
func TestCalmWayOfTalks(t *testing.T) {
	quick, full := talkPlan(t), talkPlan(t)
	for _, m := range full.messages {
		m.calm = nil
	}
	frames := append(shift(1000, 60, 1), shift(1600, 110, 2)...)
	for i := range frames {
		frames[i].Time = 1000*ms + (frames[i].Time-1000*ms)/8 // many to a bucket
	}
	c := quick.New()
	c.Add(frames)
	calm := c.buses[0].standard[0x101].msg.calm.frames
	want, got := gather(full, frames), c.Evidence()
	if len(want.Talks) != 2 || want.Talks[0].Asked != 2 || calm == 0 {
		t.Fatalf("talks %+v, %d frames in the calm way", want.Talks, calm)
	}
	// NaN stands for nothing said.
	if diff := cmp.Diff(want, got, everything(), cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("(-in full +calm):\n%s", diff)
	}
}

// TestCalmWayIsTaken: of a message that changes in two signals the others are
// left alone.
func TestCalmWayIsTaken(t *testing.T) {
	c := testPlan(t, testBuses()).New()
	for i := range 100 {
		f := can.Frame{ID: 0x201, Time: int64(i) * ms / 8}
		f.SetPayload([]byte{0, 12, 130, 0, 0, 0, byte(i % 16), byte(12 ^ 130 ^ i%16)})
		c.Add([]can.Frame{f})
	}
	m := c.buses[0].standard[0x201].msg
	heat := &m.signals[m.plan.decoder.Signal("Heat").Index]
	if m.calm.frames < 90 || heat.repeats != 0 || heat.Frames > 5 {
		t.Errorf("%d frames in the calm way, %d and %d counted of a signal that stands still", m.calm.frames, heat.Frames, heat.repeats)
	}
	if got := c.Evidence().Messages["Speed"].Signals["Heat"]; got.Frames != 100 || got.Values[130] != 100 || got.Steps != 99 {
		t.Errorf("%d frames, %d steps, values %v", got.Frames, got.Steps, got.Values)
	}
}
