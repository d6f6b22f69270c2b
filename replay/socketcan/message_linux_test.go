package socketcan

import (
	"bytes"
	"encoding/binary"
	"testing"
)

// control appends a control message as the kernel lays it out: length 8, level 4,
// type 4, data, padding to 8 (cmsg(3), on a machine of 64 bits).
func control(to []byte, level, kind uint32, data []byte) []byte {
	ne := binary.NativeEndian
	to = ne.AppendUint64(to, uint64(16+len(data)))
	to = ne.AppendUint32(to, level)
	to = ne.AppendUint32(to, kind)
	to = append(to, data...)
	return append(to, make([]byte, -len(data)&7)...)
}

// stamps is struct scm_timestamping of linux/errqueue.h: software, a stamp that
// is no longer used, the adapter's own; seconds and nanoseconds each.
func stamps(software, adapter int64) []byte {
	var b []byte
	for _, ns := range []int64{software, 0, adapter} {
		b = binary.NativeEndian.AppendUint64(b, uint64(ns/1e9))
		b = binary.NativeEndian.AppendUint64(b, uint64(ns%1e9))
	}
	return b
}

// What an adapter with a clock would deliver, by made bytes: no adapter that has
// one can be had in a test.
func TestControlMessages(t *testing.T) {
	const level, timestamping, overflow = 1, 37, 40 // SOL_SOCKET, SO_TIMESTAMPING, SO_RXQ_OVFL of asm-generic/socket.h
	both, count := stamps(epoch, 77*ms), []byte{7, 0, 0, 0}
	if binary.NativeEndian.Uint16([]byte{1, 0}) != 1 {
		count = []byte{0, 0, 0, 7}
	}
	for _, tt := range []struct {
		name string
		made []byte
		want message
	}{
		{"none", nil, message{}},
		{"software only", control(nil, level, timestamping, stamps(epoch, 0)), message{time: epoch}},
		{"both", control(nil, level, timestamping, both), message{time: epoch, adapter: 77 * ms}},
		{
			"both and a drop count", control(control(nil, level, timestamping, both), level, overflow, count),
			message{time: epoch, adapter: 77 * ms, dropped: 7},
		},
		{
			"the drop count first", control(control(nil, level, overflow, count), level, timestamping, both),
			message{time: epoch, adapter: 77 * ms, dropped: 7},
		},
		{"another type", control(nil, level, 99, both), message{}},
		{"cut", control(nil, level, timestamping, both)[:40], message{}},
		{"stamps too short", control(nil, level, timestamping, both[:32]), message{}},
		{"a length that lies", append([]byte{255, 255, 255, 255, 255, 255, 255, 127}, make([]byte, 40)...), message{}},
		{"a length of nothing", make([]byte, 64), message{}},
	} {
		var in inbox
		copy(in.control[0][:], tt.made)
		in.heads[0].SetControllen(len(tt.made))
		in.heads[0].length = classicSize
		in.from[0].Ifindex = 4
		got := in.message(0)
		if got.time != tt.want.time || got.adapter != tt.want.adapter || got.dropped != tt.want.dropped {
			t.Errorf("%s: %+v, want %+v", tt.name, got, tt.want)
		}
		if got.index != 4 || !bytes.Equal(got.packet, make([]byte, classicSize)) {
			t.Errorf("%s: index %d, packet %x", tt.name, got.index, got.packet)
		}
	}
}

// Frames of an adapter with a clock keep its gaps; those of this machine, which
// have no such stamp, keep the kernel's.
func TestAdapterStamps(t *testing.T) {
	c := &Conn{conn: conn{clocks: map[int32]*adapterClock{}}}
	for i, tt := range []struct {
		m    message
		want int64
	}{
		{message{index: 1, time: epoch, adapter: 10 * ms}, epoch},
		{message{index: 1, time: epoch + 2*ms, adapter: 11 * ms}, epoch + ms + 200}, // 200 ns: drift allowed in 1 ms
		{message{index: 2, time: epoch + 3*ms, adapter: 500 * ms}, epoch + 3*ms},
		{message{index: 1, time: epoch + 4*ms}, epoch + 4*ms},
	} {
		if got := c.time(&tt.m); got != tt.want {
			t.Errorf("message %d: %d ns after the first, want %d", i, got-epoch, tt.want-epoch)
		}
	}
}
