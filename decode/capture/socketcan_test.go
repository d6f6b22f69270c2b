package capture

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

// unhex turns "00 01.. " into bytes.
func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

const zeros8 = "0000000000000000"

// The rules are those of tcpdump.org/linktypes/LINKTYPE_CAN_SOCKETCAN.html; rows
// from elsewhere say so.
var socketcanRows = []struct {
	name string
	link uint32
	text string
	orig int // 0: nothing was cut
	want can.Frame
	kind Kind
}{
	// scapy test/scapy/layers/can.uts
	{"scapy, link type 227", linkCAN, "00000733 01 000000 00", 0, frame(0, 0x733, 0, 1, 0), good},
	{
		"scapy, link type 113", linkSLL, "0001 0118 0000 0000000000000000 000c df070000 03 000000 02010d0000000000", 0,
		frame(0, 0x7DF, can.Rx, 3, 2, 1, 0x0D), good,
	},
	{
		"scapy, link type 113, extended", linkSLL, "0001 0118 0000 0000000000000000 000c f133db98 03 000000 02010d0000000000", 0,
		frame(0, 0x18DB33F1, can.Rx|can.Extended, 3, 2, 1, 0x0D), good,
	},

	{"no payload, no padding", linkCAN, "00000123 00 000000", 0, frame(0, 0x123, 0, 0), good},
	{"padding is not payload", linkCAN, "00000123 02 000000 1122334455667788", 0, frame(0, 0x123, 0, 2, 0x11, 0x22), good},
	{"padding cut", linkCAN, "00000123 02 000000 1122", 16, frame(0, 0x123, 0, 2, 0x11, 0x22), good},
	{"payload cut", linkCAN, "00000123 03 000000 1122", 16, can.Frame{}, Cut},
	{"payload never there", linkCAN, "00000123 03 000000 1122", 0, can.Frame{}, Malformed},
	{"extended", linkCAN, "80000001 01 000000 AA", 0, frame(0, 1, can.Extended, 1, 0xAA), good},
	{"remote keeps its length", linkCAN, "40000123 07 000000" + zeros8, 0, frame(0, 0x123, can.Remote, 7), good},
	{"remote without padding", linkCAN, "40000123 07 000000", 0, frame(0, 0x123, can.Remote, 7), good},
	{"remote, raw DLC", linkCAN, "40000123 08 000009", 0, frame(0, 0x123, can.Remote, 9), good},
	{"raw DLC", linkCAN, "00000123 08 00000E 0102030405060708", 0, frame(0, 0x123, 0, 14, 1, 2, 3, 4, 5, 6, 7, 8), good},
	{"raw DLC with fewer bytes", linkCAN, "00000123 07 00000E 0102030405060708", 0, frame(0, 0x123, 0, 7, 1, 2, 3, 4, 5, 6, 7), good},
	{"raw DLC out of range", linkCAN, "00000123 08 000010 0102030405060708", 0, frame(0, 0x123, 0, 8, 1, 2, 3, 4, 5, 6, 7, 8), good},
	{"error frame", linkCAN, "20000004 08 000000 0004000000000000", 0, frame(0, 4, can.Error, 8, 0, 4), good},
	{"FD by its flag", linkCAN, "00000123 02 040000 1122", 0, frame(0, 0x123, can.FD, 2, 0x11, 0x22), good},
	{
		"FD by its length", linkCAN, "00000123 0C 010000 000102030405060708090A0B" + strings.Repeat("00", 52), 0,
		frame(0, 0x123, can.FD|can.BRS, 9, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11), good,
	},
	{
		"FD by its length, cut behind the payload", linkCAN, "00000123 01 030000 11", 72,
		frame(0, 0x123, can.FD|can.BRS|can.ESI, 1, 0x11), good,
	},
	{
		"FD, 64 bytes", linkCAN, "80000123 40 070000" + strings.Repeat("5A", 64), 0,
		frame(0, 0x123, can.FD|can.BRS|can.ESI|can.Extended, 15, []byte(strings.Repeat("Z", 64))...), good,
	},
	{"length alone does not make FD", linkCAN, "00000123 0C 000000 000102030405060708090A0B", 0, can.Frame{}, Malformed},
	{"FD with a length that no DLC has", linkCAN, "00000123 09 040000 000102030405060708", 0, can.Frame{}, Malformed},
	{"FD over 64 bytes", linkCAN, "00000123 41 040000" + strings.Repeat("5A", 64), 0, can.Frame{}, Malformed},
	{"FD remote", linkCAN, "40000123 02 040000 1122", 0, can.Frame{}, Malformed},
	{"FD error frame", linkCAN, "20000004 08 040000" + zeros8, 0, can.Frame{}, Malformed},
	{"remote error frame", linkCAN, "60000004 08 000000" + zeros8, 0, can.Frame{}, Malformed},
	{"classic over 8 bytes", linkCAN, "00000123 09 000000" + zeros8, 0, can.Frame{}, Malformed},
	{"classic longer than its structure", linkCAN, "00000123 08 000000" + zeros8 + "00", 0, can.Frame{}, Malformed},
	{"long identifier without its flag", linkCAN, "00000800 00 000000", 0, can.Frame{}, Malformed},
	{"XL", linkCAN, "00000123 80 00 0100 00000000 11", 0, can.Frame{}, XL},
	{"XL, cut", linkCAN, "00000123 81 00 0008", 2060, can.Frame{}, XL},
	{"XL without payload", linkCAN, "00000123 80 00 0000 00000000", 0, can.Frame{}, Malformed},
	{"too short", linkCAN, "00000123 00 0000", 0, can.Frame{}, Malformed},
	{"cut in the identifier", linkCAN, "000001", 16, can.Frame{}, Cut},
	{"nothing captured", linkCAN, "", 16, can.Frame{}, Cut},

	// LINKTYPE_LINUX_SLL.html, LINKTYPE_LINUX_SLL2.html
	{"cooked, sent by us", linkSLL, "0004 0118 0000" + zeros8 + "000c 23010000 01 000000 AA", 0, frame(0, 0x123, can.Tx, 1, 0xAA), good},
	{"cooked, packet type of the future", linkSLL, "0007 0118 0000" + zeros8 + "000c 23010000 01 000000 AA", 0, frame(0, 0x123, 0, 1, 0xAA), good},
	{"cooked FD", linkSLL, "0000 0118 0000" + zeros8 + "000d 23010000 01 000000 AA", 0, frame(0, 0x123, can.FD|can.Rx, 1, 0xAA), good},
	{"cooked classic with a stray FD flag", linkSLL, "0000 0118 0000" + zeros8 + "000c 23010000 01 040000 AA", 0, frame(0, 0x123, can.Rx, 1, 0xAA), good},
	{"cooked XL", linkSLL, "0000 0118 0000" + zeros8 + "000e 23010000 80 000100 00000000 AA", 0, can.Frame{}, XL},
	{"cooked IP", linkSLL, "0000 0001 0006" + zeros8 + "0800 4500", 0, can.Frame{}, OtherLink},
	{"cooked netlink, its family is no protocol", linkSLL, "0004 0338 0000" + zeros8 + "000c 23010000 01 000000 AA", 0, can.Frame{}, OtherLink},
	{"cooked, header cut", linkSLL, "0004 0118 0000", 32, can.Frame{}, Cut},
	{"cooked, shorter than its header", linkSLL, "0004 0118 0000", 0, can.Frame{}, Malformed},
	{"cooked, nothing behind the header", linkSLL, "0004 0118 0000" + zeros8 + "000c", 0, can.Frame{}, Malformed},
	{"second version", linkSLL2, "000c 0000 00000003 0118 01 00" + zeros8 + "23010000 01 000000 AA", 0, frame(0, 0x123, can.Rx, 1, 0xAA), good},
	{
		"second version, sent by us, FD", linkSLL2, "000d 0000 00000003 0118 04 00" + zeros8 + "23010080 01 010000 AA", 0,
		frame(0, 0x123, can.Tx|can.FD|can.BRS|can.Extended, 1, 0xAA), good,
	},
	{"second version, IP", linkSLL2, "0800 0000 00000003 0001 04 06" + zeros8 + "4500", 0, can.Frame{}, OtherLink},
	{"second version, header cut", linkSLL2, "000c 0000 00000003 0118 01 00 000000", 36, can.Frame{}, Cut},
}

func TestSocketCAN(t *testing.T) {
	for _, row := range socketcanRows {
		t.Run(row.name, func(t *testing.T) {
			data := unhex(t, row.text)
			orig := max(row.orig, len(data))
			var got can.Frame
			ifindex, kind := newLink(row.link, false).decode(&got, data, orig)
			if kind != row.kind {
				t.Fatalf("kind %q, want %q", kind, row.kind)
			}
			if kind != good {
				return
			}
			if d := cmp.Diff(row.want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			if err := got.Valid(); err != nil {
				t.Error(err)
			}
			if row.link == linkSLL2 && ifindex != 3 {
				t.Errorf("interface %d, want 3", ifindex)
			}
		})
	}
}

// A cooked capture of a big-endian machine has big-endian identifiers.
func TestCookedBigEndian(t *testing.T) {
	data := unhex(t, "0001 0118 0000"+zeros8+"000c 98DB33F1 01 000000 AA")
	var f can.Frame
	if _, kind := newLink(linkSLL, true).decode(&f, data, len(data)); kind != good || f.ID != 0x18DB33F1 {
		t.Errorf("%q, identifier %#x", kind, f.ID)
	}
}

func TestIDOrder(t *testing.T) {
	for _, row := range []struct {
		name     string
		words    []uint32 // as they read in big endian
		standard bool     // big endian is the standard
		big      bool
	}{
		{"nothing seen", nil, true, true},
		{"nothing seen, little-endian file", nil, false, false},
		{"standard", []uint32{0x733, 0x123}, true, true},
		{"reads both ways", []uint32{0, 0x80000000}, true, true},
		{"11 bits, swapped", []uint32{0x33070000, 0x23010000}, true, false},
		{"29 bits, swapped", []uint32{0xF133DB98}, true, false},
		{"swapped error frame", []uint32{0x04000020}, true, false},
		{"one speaks for the standard", []uint32{0x33070000, 0x33070000, 0x123}, true, true},
		{"cooked, swapped", []uint32{0x123}, false, true},
		{"cooked, standard", []uint32{0x23010000}, false, false},
	} {
		var order idOrder
		for _, word := range row.words {
			p := unhex(t, "00000000 00 000000")
			p[0], p[1], p[2], p[3] = byte(word>>24), byte(word>>16), byte(word>>8), byte(word)
			order.add(p)
		}
		if got := order.decide(row.standard); got != row.big {
			t.Errorf("%s: big endian %v, want %v", row.name, got, row.big)
		}
	}
}

// Whatever the bytes, what is called a frame is one that can have been on a bus,
// and its payload is followed by zeros.
func TestSocketCANAnyBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOfN(rapid.Byte(), 0, packetHead).Draw(t, "data")
		orig := len(data) + rapid.IntRange(0, 80).Draw(t, "cut")
		l := newLink(rapid.SampledFrom([]uint32{linkCAN, linkSLL, linkSLL2}).Draw(t, "link"), rapid.Bool().Draw(t, "big"))
		if rapid.Bool().Draw(t, "tame") && len(data) >= canHead { // random bytes are hardly ever a frame
			data[1] &= 7
			data[4] %= 65
			data[5] &= 7
			data[0] &= 0xE0
		}
		var f can.Frame
		if _, kind := l.decode(&f, data, orig); kind != good {
			return
		}
		if err := f.Valid(); err != nil {
			t.Fatalf("%+v: %v", f, err)
		}
		for _, b := range f.Data[len(f.Payload()):] {
			if b != 0 {
				t.Fatalf("bytes behind the payload: %+v", f)
			}
		}
	})
}
