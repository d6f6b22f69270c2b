package service

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plugproof/decode/can"
)

var engine = Link{Tx: 0x7E0, Rx: 0x7E8}

// other is the link as the other party sees it.
func other(l Link) Link { l.Tx, l.Rx = l.Rx, l.Tx; return l }

func raw(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// from makes a frame that the other party sends, byte for byte.
func from(t testing.TB, l Link, data string) *can.Frame {
	t.Helper()
	f := &can.Frame{ID: l.Rx}
	if l.Extended {
		f.Flags |= can.Extended
	}
	p := raw(t, data)
	if l.FD || len(p) > can.MaxClassicLen {
		f.Flags |= can.FD
	}
	f.SetPayload(p)
	return f
}

func TestReceive(t *testing.T) {
	tests := []struct {
		name   string
		timing Timing
		frames string // separated by /
		want   string // messages, in hex, separated by /
		flow   int    // flow control frames sent
		err    string
	}{
		// OBD interpreter datasheet, worked example of service 09 PID 02.
		{
			"vehicle number",
			Timing{},
			"10 14 49 02 01 31 44 34/21 47 50 30 30 52 35 35/22 42 31 32 33 34 35 36",
			"49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36", 1, "",
		},
		{"single", Timing{}, "03 7F 0A 11 AA AA AA AA", "7F 0A 11", 0, ""},
		{"single unpadded", Timing{}, "02 41 00", "41 00", 0, ""},
		// python-can-isotp, protocol.py: what is ignored.
		{"single of nothing", Timing{}, "00 01 02 03 04 05 06 07", "", 0, ""},
		{"single too long for its frame", Timing{}, "05 01 02", "", 0, ""},
		{"single longer than 7", Timing{}, "08 01 02 03 04 05 06 07", "", 0, ""},
		{"first that one frame could carry", Timing{}, "10 07 01 02 03 04 05 06", "", 0, ""},
		{"first cut short", Timing{}, "10 14 49 02", "", 0, ""},
		{"long first for a short length", Timing{}, "10 00 00 00 0F FF 01 02", "", 0, ""},
		{"consecutive out of nowhere", Timing{}, "21 01 02 03 04 05 06 07", "", 0, ""},
		{"flow control", Timing{}, "30 00 00", "", 0, ""},
		{"reserved kind", Timing{}, "40 01 02 03", "", 0, ""},
		// python-OBD, test_protocol_can.py: a missing or repeated number drops the message.
		{"part missing", Timing{}, "10 14 49 02 01 31 44 34/22 47 50 30 30 52 35 35", "", 1, "part 2 came where part 1 was due"},
		{"part twice", Timing{}, "10 14 49 02 01 31 44 34/21 47 50 30 30 52 35 35/21 47 50 30 30 52 35 35", "", 1, "part 1 came where part 2"},
		{"short part in the middle", Timing{}, "10 14 49 02 01 31 44 34/21 47 50", "", 1, "a frame of 3 bytes in the middle"},
		{"single cuts in", Timing{}, "10 14 49 02 01 31 44 34/01 7E", "7E", 1, "a new message began when 6 of 20 bytes had come"},
		{"last part unpadded", Timing{}, "10 09 01 02 03 04 05 06/21 07 08 09", "01 02 03 04 05 06 07 08 09", 1, ""},
		{
			"blocks of one",
			Timing{Block: 1},
			"10 14 49 02 01 31 44 34/21 47 50 30 30 52 35 35/22 42 31 32 33 34 35 36",
			"49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36", 2, "",
		},
		{"more than is taken", Timing{}, "10 00 00 10 00 00 01 02", "", 1, "announces 1048576 bytes"},
		// ISO 15765-2:2016 escapes, from memory.
		{"single in FD", Timing{}, "00 0A 01 02 03 04 05 06 07 08 09 0A", "01 02 03 04 05 06 07 08 09 0A", 0, ""},
		{"single in FD too long", Timing{}, "00 0B 01 02 03 04 05 06 07 08 09 0A", "", 0, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := NewReceiver(engine, tt.timing)
			var got []string
			var errs []string
			flow := 0
			for i, s := range strings.Split(tt.frames, "/") {
				out, err := r.Add(from(t, engine, s), int64(i)*int64(time.Millisecond))
				if err != nil {
					errs = append(errs, err.Error())
				}
				if out.Message != nil {
					got = append(got, strings.ToUpper(hex.EncodeToString(out.Message)))
				}
				if out.Reply != nil {
					flow++
					if out.Reply.ID != engine.Tx || out.Reply.Data[0]>>4 != kindFlow || out.Reply.Len != 8 {
						t.Errorf("flow control is %X of %d bytes on 0x%X", out.Reply.Payload(), out.Reply.Len, out.Reply.ID)
					}
				}
			}
			if s := strings.Join(got, "/"); s != strings.ReplaceAll(tt.want, " ", "") {
				t.Errorf("messages %s, want %s", s, tt.want)
			}
			if flow != tt.flow {
				t.Errorf("%d flow control frames, want %d", flow, tt.flow)
			}
			if s := strings.Join(errs, "; "); (tt.err == "") != (s == "") || !strings.Contains(s, tt.err) {
				t.Errorf("error %q, want %q", s, tt.err)
			}
		})
	}
}

func TestReceiveHearsItsLinkOnly(t *testing.T) {
	frames := map[string]func(*can.Frame){
		"another identifier": func(f *can.Frame) { f.ID = 0x7E9 },
		"another bus":        func(f *can.Frame) { f.Bus = 1 },
		"29-bit":             func(f *can.Frame) { f.Flags |= can.Extended },
		"remote":             func(f *can.Frame) { f.Flags |= can.Remote },
		"error":              func(f *can.Frame) { f.Flags |= can.Error },
		"empty":              func(f *can.Frame) { f.SetPayload(nil) },
	}
	for name, change := range frames {
		f := from(t, engine, "01 7E")
		change(f)
		if out, err := NewReceiver(engine, Timing{}).Add(f, 0); out.Message != nil || err != nil {
			t.Errorf("%s: %v, %v", name, out, err)
		}
	}
}

func TestReceiveGivesUp(t *testing.T) {
	r := NewReceiver(engine, Timing{Consecutive: 150 * time.Millisecond})
	if _, err := r.Add(from(t, engine, "10 14 49 02 01 31 44 34"), 0); err != nil {
		t.Fatal(err)
	}
	deadline, busy := r.Deadline()
	if !busy || deadline != int64(150*time.Millisecond) {
		t.Fatalf("deadline %d, %v", deadline, busy)
	}
	if err := r.Expire(deadline - 1); err != nil {
		t.Errorf("before the deadline: %v", err)
	}
	if err := r.Expire(deadline); err == nil || !strings.Contains(err.Error(), "6 of 20 bytes came") {
		t.Errorf("at the deadline: %v", err)
	}
	if _, busy := r.Deadline(); busy {
		t.Error("still waiting after giving up")
	}
}

// TestReceiveLate adds frames at the deadline, without anybody having asked for
// what has expired: nothing of them belongs to the message that was lost.
func TestReceiveLate(t *testing.T) {
	begun := func() *Receiver {
		r := NewReceiver(engine, Timing{})
		if _, err := r.Add(from(t, engine, "10 14 49 02 01 31 44 34"), 0); err != nil {
			t.Fatal(err)
		}
		return r
	}
	deadline, _ := begun().Deadline()
	foreign := from(t, engine, "21 47 50 30 30 52 35 35")
	foreign.ID++
	tests := []struct {
		name    string
		frame   *can.Frame
		message bool // one is complete
		busy    bool // one is under way
	}{
		{"next part", from(t, engine, "21 47 50 30 30 52 35 35"), false, false},
		{"frame of another", foreign, false, false},
		{"single frame", from(t, engine, "01 7E"), true, false},
		{"new message", from(t, engine, "10 14 49 02 01 31 44 34"), false, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := begun()
			out, err := r.Add(tt.frame, deadline)
			if err == nil || !strings.Contains(err.Error(), "6 of 20 bytes came") {
				t.Errorf("error %v", err)
			}
			at, busy := r.Deadline()
			if (out.Message != nil) != tt.message || busy != tt.busy || busy && at <= deadline {
				t.Errorf("message %X, busy %v until %d", out.Message, busy, at)
			}
		})
	}
}

// STmin: linux/can/isotp.h for the two ranges; reserved values from memory.
func TestSeparation(t *testing.T) {
	for b, want := range map[byte]time.Duration{
		0x00: 0, 0x7F: 127 * time.Millisecond, 0x80: 127 * time.Millisecond, 0xF0: 127 * time.Millisecond,
		0xF1: 100 * time.Microsecond, 0xF9: 900 * time.Microsecond, 0xFA: 127 * time.Millisecond, 0xFF: 127 * time.Millisecond,
	} {
		if got := separation(b); got != want {
			t.Errorf("separation(%02X) = %v, want %v", b, got, want)
		}
	}
}

func TestSend(t *testing.T) {
	fourteen := "22 01 02 03 04 05 06 07 08 09 0A 0B 0C 0D"
	tests := []struct {
		name    string
		message string
		script  string // > frame due, < frame that comes, + wait in ms; one a line
		err     string
	}{
		{"single", "02 10 03", "> 03 02 10 03 CC CC CC CC", ""},
		{"seven", "01 02 03 04 05 06 07", "> 07 01 02 03 04 05 06 07", ""},
		{"all at once", fourteen, `> 10 0E 22 01 02 03 04 05
			< 30 00 00
			> 21 06 07 08 09 0A 0B 0C
			> 22 0D CC CC CC CC CC CC`, ""},
		{"separation", fourteen, `> 10 0E 22 01 02 03 04 05
			< 30 00 0A
			> 21 06 07 08 09 0A 0B 0C
			+ 9
			-
			+ 1
			> 22 0D CC CC CC CC CC CC`, ""},
		{"blocks", fourteen, `> 10 0E 22 01 02 03 04 05
			< 30 01 00
			> 21 06 07 08 09 0A 0B 0C
			-
			< 31 00 00
			-
			< 30 01 00
			> 22 0D CC CC CC CC CC CC`, ""},
		{"no flow control", fourteen, "> 10 0E 22 01 02 03 04 05\n+ 999\n-\n+ 1", "no flow control for 1s"},
		{"overflow", fourteen, "> 10 0E 22 01 02 03 04 05\n< 32 00 00", "takes no message of 14 bytes"},
		{"reserved flow", fourteen, "> 10 0E 22 01 02 03 04 05\n< 33 00 00", "unknown kind 3"},
		{"waits without end", fourteen, "> 10 0E 22 01 02 03 04 05\n" + strings.Repeat("< 31 00 00\n", 17), "wait 17 times"},
		{"flow control too short", fourteen, "> 10 0E 22 01 02 03 04 05\n< 30 00\n-", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := NewSender(engine, Timing{}, raw(t, tt.message))
			if err != nil {
				t.Fatal(err)
			}
			now := int64(0)
			for line := range strings.Lines(tt.script) {
				line = strings.TrimSpace(line)
				var f *can.Frame
				switch line[0] {
				case '+':
					ms, _ := time.ParseDuration(strings.TrimSpace(line[1:]) + "ms")
					now += int64(ms)
					continue
				case '<':
					err = s.Add(from(t, engine, line[1:]), now)
				default:
					f, err = s.Next(now)
				}
				if err != nil {
					break
				}
				if line[0] == '-' && f != nil {
					t.Fatalf("sent %X too early", f.Payload())
				}
				if line[0] == '>' && (f == nil || !bytes.Equal(f.Payload(), raw(t, line[1:]))) {
					t.Fatalf("sent %v, want %s", f, line)
				}
			}
			if err == nil {
				_, err = s.Next(now)
			}
			if tt.err == "" && err != nil || tt.err != "" && (err == nil || !strings.Contains(err.Error(), tt.err)) {
				t.Errorf("error %v, want %q", err, tt.err)
			}
		})
	}
	if _, err := NewSender(engine, Timing{}, nil); err == nil {
		t.Error("a message of nothing is taken")
	}
}

// TestRoundTrip sends any message to a receiver with any wishes, on any link.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		link := Link{
			Tx: 0x18DA10F1, Rx: 0x18DAF110, Extended: true,
			FD: rapid.Bool().Draw(t, "fd"), Bus: rapid.Uint16Range(0, 3).Draw(t, "bus"),
		}
		message := rapid.SliceOfN(rapid.Byte(), 1, 6000).Draw(t, "message")
		timing := Timing{Block: rapid.Byte().Draw(t, "block"), Separation: rapid.Byte().Draw(t, "separation")}
		s, err := NewSender(link, Timing{}, message)
		if err != nil {
			t.Fatal(err)
		}
		r := NewReceiver(other(link), timing)
		now, last := int64(0), int64(-1)
		for range 10_000 {
			f, err := s.Next(now)
			if err != nil {
				t.Fatal(err)
			}
			if f == nil {
				now = s.Due()
				continue
			}
			if f.Data[0]>>4 == kindConsecutive && f.Data[0]&0xF != 1 && last >= 0 && timing.Block == 0 && now-last < int64(separation(timing.Separation)) {
				t.Fatalf("frames %d ns apart, asked for %v", now-last, separation(timing.Separation))
			}
			last = now
			if err := f.Valid(); err != nil {
				t.Fatal(err)
			}
			got, err := r.Add(f, now)
			if err != nil {
				t.Fatal(err)
			}
			if got.Reply != nil {
				if err := s.Add(got.Reply, now); err != nil {
					t.Fatal(err)
				}
			}
			if got.Message != nil {
				if !bytes.Equal(got.Message, message) || !s.Done() {
					t.Fatalf("%d bytes arrived of %d", len(got.Message), len(message))
				}
				return
			}
		}
		t.Fatal("it never ends")
	})
}

// FuzzReceive gives a receiver any frames: it must not fail, hold more than it
// takes, or hand out a message longer than announced.
func FuzzReceive(f *testing.F) {
	f.Add([]byte("\x08\x10\x14\x49\x02\x01\x31\x44\x34\x08\x21\x47\x50\x30\x30\x52\x35\x35\x08\x22\x42\x31\x32\x33\x34\x35\x36"))
	f.Add([]byte("\x08\x10\x00\xFF\xFF\xFF\xFF\x01\x02\x03\x30\x00\x00"))
	f.Add([]byte("\x08\x10\x14\x49\x02\x01\x31\x44\x34" + strings.Repeat("\x00", 1000))) // 1 s of frames that say nothing
	f.Fuzz(func(t *testing.T, b []byte) {
		r := NewReceiver(engine, Timing{Block: 2})
		now := int64(0)
		for len(b) > 0 {
			n := min(int(b[0]%9), len(b)-1)
			frame := &can.Frame{ID: engine.Rx}
			frame.SetPayload(b[1 : 1+n])
			b = b[1+n:]
			now += int64(time.Millisecond)
			out, _ := r.Add(frame, now)
			if len(out.Message) > maxMessage || len(r.data) > r.want {
				t.Fatalf("message of %d bytes, %d held of %d", len(out.Message), len(r.data), r.want)
			}
			if deadline, busy := r.Deadline(); busy && deadline <= now {
				t.Fatal("waits for the past")
			}
		}
	})
}
