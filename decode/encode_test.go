package decode

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// engine is a message with start values, a multiplexer in a multiplexer, a
// float and a signed signal.
func engine(t testing.TB) *Message {
	speed := sig(t, "Speed", "7|16@0+")
	speed.Factor, speed.Unit = 0.25, "rpm"
	speed.Start0 = new(float64) // raw
	*speed.Start0 = 0xFFFF
	torque := sig(t, "Torque", "16|8@1-")
	torque.Factor, torque.Offset = -0.5, 10
	mux := sig(t, "Mux", "24|4@1+")
	mux.Start0 = new(float64)
	*mux.Start0 = 3
	inner := on(sig(t, "Inner", "28|4@1-"), mux, only(2))
	ratio := on(sig(t, "Ratio", "32|32@1-"), mux, only(0), only(3))
	ratio.Type = dbc.Float32
	return message(t, 8, speed, torque, mux, inner, ratio,
		on(sig(t, "Deep", "39|8@0+"), inner, only(15), only(5)),
		on(sig(t, "Other", "40|8@1+"), mux, only(2), only(7)),
		sig(t, "Shared", "56|8@1+"),
		on(sig(t, "OverShared", "56|4@1+"), mux, only(2)))
}

func TestEncode(t *testing.T) {
	m := engine(t)
	tests := []struct {
		name   string
		values map[string]float64
		want   string // payload, or the error's text
		is     error
	}{
		{"start values", nil, "FF FF 00 03 00 00 00 00", nil},
		{"factor and offset", map[string]float64{"Speed": 700, "Torque": 12.5}, "0A F0 FB 03 00 00 00 00", nil},
		{"nearest", map[string]float64{"Speed": 700.1, "Torque": 12.3}, "0A F0 FB 03 00 00 00 00", nil},
		{"lowest and highest", map[string]float64{"Speed": 16383.75, "Torque": -53.5}, "FF FF 7F 03 00 00 00 00", nil},
		{"page given", map[string]float64{"Speed": 0, "Mux": 0, "Ratio": 1.5}, "00 00 00 00 00 00 C0 3F", nil},
		{"page of the start value", map[string]float64{"Speed": 0, "Ratio": 1.5}, "00 00 00 03 00 00 C0 3F", nil},
		{"page chosen", map[string]float64{"Speed": 0, "Other": 9}, "00 00 00 02 00 09 00 00", nil},
		{"two pages chosen, the inner one signed", map[string]float64{"Speed": 0, "Deep": 9}, "00 00 00 52 09 00 00 00", nil},
		{"inner page given", map[string]float64{"Speed": 0, "Deep": 9, "Inner": -1}, "00 00 00 F2 09 00 00 00", nil},
		{"shared bits that agree", map[string]float64{"Speed": 0, "Shared": 0x15, "OverShared": 5}, "00 00 00 02 00 00 00 15", nil},

		{"too high", map[string]float64{"Speed": 16384}, "message Test: Speed: 16384 rpm does not fit: its bits hold 0 to 16383.75 rpm", nil},
		{"too low, factor negative", map[string]float64{"Torque": -54}, "message Test: Torque: -54 does not fit: its bits hold -53.5 to 74", nil},
		{"NaN", map[string]float64{"Speed": math.NaN()}, "message Test: Speed: NaN rpm does not fit: its bits hold 0 to 16383.75 rpm", nil},
		{"infinite", map[string]float64{"Speed": math.Inf(-1)}, "message Test: Speed: -Inf rpm does not fit: its bits hold 0 to 16383.75 rpm", nil},
		{"float too large", map[string]float64{"Ratio": 1e39}, "message Test: Ratio: 1e+39 does not fit: its bits hold -3.4028234663852886e+38 to 3.4028234663852886e+38", nil},
		{"unknown names", map[string]float64{"Speed": 1, "Zeta": 1, "Alpha": 1}, "message Test: Alpha, Zeta: not a signal of the message", ErrUnknownSignal},
		{"wrong page", map[string]float64{"Mux": 1, "Ratio": 1}, "message Test: Ratio: not on the page that the multiplexer selects: Mux is 1", ErrPage},
		{"no common page", map[string]float64{"Ratio": 1, "Other": 1}, "message Test: Other: not on the page that the multiplexer selects: no value of Mux has it and all others that are given", ErrPage},
		{"shared bits that differ", map[string]float64{"Shared": 0x15, "OverShared": 4}, "message Test: Shared: another value was written over its bits: wanted 0x15, the frame has 0x14", ErrOverlap},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := can.Frame{Time: 5, Bus: 3, Flags: can.Rx | can.Remote | can.Extended | can.FD | can.BRS, Len: 64}
			f.Data[60] = 1 // something else before
			err := m.Encode(&f, tt.values)
			if strings.HasPrefix(tt.want, "message") {
				if err == nil || err.Error() != tt.want {
					t.Fatalf("got error  %v\nwant       %s", err, tt.want)
				}
				var r *RangeError
				if !errors.Is(err, tt.is) && !errors.As(err, &r) {
					t.Errorf("%v is neither %v nor a RangeError", err, tt.is)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			want := *frameHex(t, tt.want)
			want.Time, want.Bus, want.Flags = 5, 3, can.Rx
			if diff := cmp.Diff(want, f); diff != "" {
				t.Error(diff)
			}
			values, _ := m.Decode(&f, nil)
			for _, v := range values {
				if x, given := tt.values[v.Signal.Def.Name]; given && math.Abs(x-v.Phys) > 0.25 {
					t.Errorf("%s: encoded %v, decoded %v", v.Signal.Def.Name, x, v.Phys)
				}
			}
		})
	}
}

func TestEncodeFrameKinds(t *testing.T) {
	tests := []struct {
		name string
		def  dbc.Message
		want can.Frame // without data
		err  error
	}{
		{"classic", dbc.Message{ID: 0x7FF, Length: 3}, can.Frame{ID: 0x7FF, Len: 3, DLC: 3}, nil},
		{"empty", dbc.Message{ID: 1}, can.Frame{ID: 1}, nil},
		{"29 bits", dbc.Message{ID: 1, Extended: true, Length: 8}, can.Frame{ID: 1, Flags: can.Extended, Len: 8, DLC: 8}, nil},
		{"FD", dbc.Message{ID: 1, FD: true, Length: 5}, can.Frame{ID: 1, Flags: can.FD, Len: 5, DLC: 5}, nil},
		{"FD, padded", dbc.Message{ID: 1, FD: true, Length: 13}, can.Frame{ID: 1, Flags: can.FD, Len: 16, DLC: 10}, nil},
		{"longer than classic", dbc.Message{ID: 1, Length: 64}, can.Frame{ID: 1, Flags: can.FD, Len: 64, DLC: 15}, nil},
		{"transport protocol", dbc.Message{ID: 1, J1939: true, Extended: true, Length: 39}, can.Frame{}, ErrTooLong},
		{"longer than FD", dbc.Message{ID: 1, Length: 65}, can.Frame{}, ErrTooLong},
	}
	for _, tt := range tests {
		m, _ := compile(&tt.def)
		var f can.Frame
		err := m.Encode(&f, nil)
		if !errors.Is(err, tt.err) || err == nil && (f != tt.want || f.Valid() != nil) {
			t.Errorf("%s: got %+v, %v; want %+v, %v", tt.name, f, err, tt.want, tt.err)
		}
	}
}

func TestPutErrors(t *testing.T) {
	m := message(t, 16, sig(t, "U", "4|8@1+"), sig(t, "S", "16|8@1-"), sig(t, "Wide", "32|68@1+"), sig(t, "WideM", "39|68@0+"))
	single := sig(t, "F", "0|32@1-")
	single.Type = dbc.Float32
	float := &message(t, 8, single).Signals[0]
	u, s, wide, wideM := m.Signal("U"), m.Signal("S"), m.Signal("Wide"), m.Signal("WideM")
	classic, fd := payload(1), payload(make([]byte, 16)...)
	nine := []byte{1, 2, 3, 4, 5, 6, 7, 8, 9}
	tests := []struct {
		name string
		err  error
		want string
	}{
		{"raw too high", u.Put(fd, 256), "U: raw 256 does not fit: its bits hold 0 to 255"},
		{"raw not sign-extended", s.Put(fd, 255), "S: raw 255 does not fit: its bits hold -128 to 127"},
		{"raw too low", s.Put(fd, 1<<64-129), "S: raw -129 does not fit: its bits hold -128 to 127"},
		{"raw fits", s.Put(fd, 1<<64-128), ""},
		{"more bits than a float", float.Put(fd, 1<<32), "F: raw 4.294967296e+09 does not fit: its bits hold 0 to 4.294967295e+09"},
		{"too short", u.Put(classic, 1), "U: the frame is too short: 1 bytes, it needs 2"},
		{"wide", wide.Put(fd, 1), "Wide: more than 64 bits have no number"},
		{"wide, too short", wide.PutBytes(classic, nine), "Wide: the frame is too short: 1 bytes, it needs 13"},
		{"wide, bytes missing", wide.PutBytes(fd, nine[:8]), "Wide: 8 bytes given, its 68 bits are 9 bytes"},
		{"wide, bits too many, Intel", wide.PutBytes(fd, []byte{1, 2, 3, 4, 5, 6, 7, 8, 16}), "Wide: 01 02 03 04 05 06 07 08 10 has more than its 68 bits"},
		{"wide, bits too many, Motorola", wideM.PutBytes(fd, []byte{16, 2, 3, 4, 5, 6, 7, 8, 9}), "WideM: 10 02 03 04 05 06 07 08 09 has more than its 68 bits"},
		{"wide fits, Intel", wide.PutBytes(fd, nine), ""},
		{"wide fits, Motorola", wideM.PutBytes(fd, nine), ""},
	}
	for _, tt := range tests {
		got := ""
		if tt.err != nil {
			got = tt.err.Error()
		}
		if got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
	if _, err := wide.FromPhys(1); !errors.Is(err, ErrWide) {
		t.Errorf("a wide signal takes a number: %v", err)
	}
	var f can.Frame
	other := message(t, 8, sig(t, "U", "4|8@1+"))
	if err := m.Fill(&f, []Value{{Signal: &other.Signals[0]}}); !errors.Is(err, ErrUnknownSignal) {
		t.Errorf("a signal of another message is taken: %v", err)
	}
	short := message(t, 1, sig(t, "Behind", "4|8@1+"))
	if err := short.Encode(&f, map[string]float64{"Behind": 1}); !errors.Is(err, ErrTooShort) {
		t.Errorf("a signal behind the end of its message is taken: %v", err)
	}
}

// TestFactorZero: such a signal has one physical value.
func TestFactorZero(t *testing.T) {
	def := sig(t, "S", "0|8@1+")
	def.Factor, def.Offset = 0, 5
	s := &message(t, 8, def).Signals[0]
	if v, _ := s.Read(payload(7)); v.Phys != 5 || v.Raw != 7 {
		t.Errorf("got %v", v)
	}
	if raw, err := s.FromPhys(5); raw != 0 || err != nil {
		t.Errorf("got %d, %v", raw, err)
	}
	if _, err := s.FromPhys(6); err == nil {
		t.Error("6 has no raw value")
	}
	def.Factor = math.NaN()
	if v, _ := (&message(t, 8, def).Signals[0]).Read(payload(7)); v.Phys == v.Phys {
		t.Errorf("got %v", v)
	}
}
