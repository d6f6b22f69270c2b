package capture

import (
	"encoding/binary"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

// ngFile builds a pcapng file block by block.
type ngFile struct {
	bytes []byte
	order binary.AppendByteOrder
}

// option of a block.
type option struct {
	code  uint16
	value []byte
}

func (n *ngFile) block(kind uint32, body []byte) *ngFile {
	total := uint32(len(body)+3)&^3 + blockMin
	n.bytes = n.order.AppendUint32(n.bytes, kind)
	n.bytes = n.order.AppendUint32(n.bytes, total)
	n.bytes = append(n.bytes, body...)
	n.bytes = append(n.bytes, make([]byte, -len(body)&3)...)
	n.bytes = n.order.AppendUint32(n.bytes, total)
	return n
}

func (n *ngFile) section(order binary.AppendByteOrder) *ngFile {
	n.order = order
	body := order.AppendUint32(nil, orderMagic)
	body = order.AppendUint32(body, 0x00010000) // version 1.0 in big endian, 0.1 in little
	if order == binary.AppendByteOrder(binary.LittleEndian) {
		body = order.AppendUint32(body[:4], 1)
	}
	return n.block(blockSection, order.AppendUint64(body, math.MaxUint64))
}

func (n *ngFile) options(dst []byte, options []option) []byte {
	for _, o := range options {
		dst = n.order.AppendUint16(dst, o.code)
		dst = n.order.AppendUint16(dst, uint16(len(o.value)))
		dst = append(dst, o.value...)
		dst = append(dst, make([]byte, -len(o.value)&3)...)
	}
	return dst
}

func (n *ngFile) iface(linkType uint16, options ...option) *ngFile {
	body := n.order.AppendUint16(nil, linkType)
	body = n.order.AppendUint16(body, 0)
	body = n.order.AppendUint32(body, 0)
	return n.block(blockInterface, n.options(body, options))
}

func (n *ngFile) packet(iface uint32, stamp uint64, data []byte, options ...option) *ngFile {
	var body []byte
	for _, v := range []uint32{iface, uint32(stamp >> 32), uint32(stamp), uint32(len(data)), uint32(len(data))} {
		body = n.order.AppendUint32(body, v)
	}
	body = append(body, data...)
	body = append(body, make([]byte, -len(data)&3)...)
	return n.block(blockPacket, n.options(body, options))
}

func (n *ngFile) u64(v uint64) []byte { return n.order.AppendUint64(nil, v) }
func (n *ngFile) u32(v uint32) []byte { return n.order.AppendUint32(nil, v) }

func newNgFile(order binary.AppendByteOrder) *ngFile { return (&ngFile{}).section(order) }

var (
	bothOrders = []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian}
	// canPacket is identifier 0x123 with 11 22, as link type 227 has it.
	canPacket = []byte{0, 0, 1, 0x23, 2, 0, 0, 0, 0x11, 0x22}
)

// brief is a frame as far as these tests care.
type brief struct {
	Bus   string
	Time  int64
	ID    uint32
	Flags can.Flags
}

func briefs(frames []can.Frame, buses []can.Bus) []brief {
	var all []brief
	for _, f := range frames {
		all = append(all, brief{buses[f.Bus].Name, f.Time, f.ID, f.Flags})
	}
	return all
}

func checkFrames(t *testing.T, want []brief, got []can.Frame, buses []can.Bus) {
	t.Helper()
	if d := cmp.Diff(want, briefs(got, buses)); d != "" {
		t.Errorf("frames (-want +got):\n%s", d)
	}
}

// Names, bit rates, offsets, directions, in both byte orders.
func TestPcapngInterfaces(t *testing.T) {
	for _, order := range bothOrders {
		n := newNgFile(order)
		n.iface(linkCAN, option{optName, []byte("drive")}, option{optSpeed, n.u64(500000)}, option{optResol, []byte{9}})
		n.iface(1, option{optName, []byte("eth0")})
		n.iface(linkCAN, option{1, []byte("a comment")}, option{optOffset, n.u64(1_700_000_000)})
		n.iface(linkCAN, option{optName, []byte("two words\x00\x00")}, option{optSpeed, n.u64(2_000_000)})
		n.packet(0, 1_700_000_000_123_456_789, canPacket, option{optFlags, n.u32(0xFF00_0001)})
		n.packet(1, 5, canPacket)
		n.packet(2, 250, canPacket, option{1, []byte("note")}, option{optFlags, n.u32(2)}, option{0, nil})
		n.packet(3, 1, canPacket, option{optFlags, n.u32(3)})
		got, rep, buses := readAll(t, string(n.bytes), 2)
		checkFrames(t, []brief{
			{"drive", 1_700_000_000_123_456_789, 0x123, can.Rx},
			{"if2", 1_700_000_000_000_250_000, 0x123, can.Tx},
			{"two_words", 1000, 0x123, 0},
		}, got, buses)
		want := []can.Bus{{Name: "drive", Bitrate: 500000}, {Name: "if2"}, {Name: "two_words"}}
		if d := cmp.Diff(want, buses); d != "" {
			t.Errorf("buses (-want +got):\n%s", d)
		}
		if rep.SetAside[OtherLink].Count != 1 || rep.SetAside[OtherLink].First[0].Record != 2 || got[2].Record != 4 {
			t.Errorf("set aside %v, last record %d", rep.SetAside, got[2].Record)
		}
		if len(rep.Notes) != 1 || !strings.Contains(rep.Notes[0], "2000000 bit/s") {
			t.Errorf("notes %q", rep.Notes)
		}
	}
}

// Interface numbers restart with each section, which has its own byte order.
func TestPcapngSections(t *testing.T) {
	n := newNgFile(binary.LittleEndian)
	n.iface(linkCAN, option{optName, []byte("can0")}).packet(0, 1, canPacket)
	n.section(binary.BigEndian)
	n.packet(0, 2, canPacket) // no interface yet
	n.iface(linkCAN, option{optName, []byte("can1")}).packet(0, 3, canPacket).packet(1, 4, canPacket)
	n.section(binary.LittleEndian)
	n.iface(linkCAN, option{optName, []byte("can0")}).packet(0, 5, canPacket)
	got, rep, buses := readAll(t, string(n.bytes), 8)
	checkFrames(t, []brief{{"can0", 1000, 0x123, 0}, {"can1", 3000, 0x123, 0}, {"can0", 5000, 0x123, 0}}, got, buses)
	if rep.SetAside[Malformed].Count != 2 || len(rep.SetAside) != 1 {
		t.Errorf("set aside %v", rep.SetAside)
	}
}

// Simple packets have no stamp, obsolete ones have; other blocks are counted.
func TestPcapngOtherBlocks(t *testing.T) {
	for _, order := range bothOrders {
		n := newNgFile(order).iface(linkCAN)
		n.block(blockNames, make([]byte, 8))
		n.block(blockSimple, append(n.u32(10), canPacket...))
		old := order.AppendUint16(nil, 0)
		old = order.AppendUint16(old, 7) // packets dropped
		for _, v := range []uint32{0, 9, 10, 10} {
			old = order.AppendUint32(old, v)
		}
		n.block(blockOldPacket, append(old, canPacket...))
		n.block(blockStats, make([]byte, 100))
		n.block(0x8000_0001, nil) // for local use
		n.block(blockCustom, make([]byte, 200000))
		n.packet(0, 10, canPacket)
		got, rep, buses := readAll(t, string(n.bytes), 8)
		checkFrames(t, []brief{{"if0", 0, 0x123, 0}, {"if0", 9000, 0x123, 0}, {"if0", 10000, 0x123, 0}}, got, buses)
		if rep.SetAside[OtherLink].Count != 4 || len(rep.SetAside) != 1 || len(rep.Notes) != 1 {
			t.Errorf("set aside %v, notes %q", rep.SetAside, rep.Notes)
		}
	}
}

// A capture of simple packets only has no clock at all.
func TestPcapngNoClock(t *testing.T) {
	n := newNgFile(binary.LittleEndian).iface(linkCAN)
	n.block(blockSimple, append(n.u32(10), canPacket...))
	if _, rep, _ := readAll(t, string(n.bytes), 8); rep.Clock != ClockNone {
		t.Errorf("clock %d", rep.Clock)
	}
}

// The catch-all device "any" of link type 276 carries several buses; any other
// name stands for its bus.
func TestPcapngInterfaceNumbers(t *testing.T) {
	cooked := unhex(t, "000c 0000 00000005 0118 04 00"+zeros8+"23010000 00 000000")
	for name, want := range map[string]string{"any": "if5", "": "if5", "can3": "can3"} {
		n := newNgFile(binary.LittleEndian).iface(linkSLL2, option{optName, []byte(name)}).packet(0, 1, cooked)
		n.packet(0, 2, cooked, option{optFlags, n.u32(dirInbound)}) // flags of the block before those of the header
		got, _, buses := readAll(t, string(n.bytes), 8)
		checkFrames(t, []brief{{want, 1000, 0x123, can.Tx}, {want, 2000, 0x123, can.Rx}}, got, buses)
	}
}

func TestPcapngSwappedIdentifiers(t *testing.T) {
	n := newNgFile(binary.BigEndian).iface(linkCAN).iface(linkCAN)
	n.packet(0, 1, unhex(t, "33070000 00 000000")).packet(1, 2, unhex(t, "00000733 00 000000")).packet(0, 3, unhex(t, "80000000 00 000000"))
	got, rep, buses := readAll(t, string(n.bytes), 8)
	checkFrames(t, []brief{{"if0", 1000, 0x733, 0}, {"if1", 2000, 0x733, 0}, {"if0", 3000, 0x80, 0}}, got, buses)
	if len(rep.Notes) != 1 || !strings.Contains(rep.Notes[0], "227 with little-endian") {
		t.Errorf("notes %q", rep.Notes)
	}
}

// damages are ways to spoil the second of three packets.
var damages = []struct {
	name   string
	spoil  func(block []byte) []byte
	kind   Kind
	frames int
}{
	{"length 0", func(b []byte) []byte { clear(b[4:8]); return b }, Garbage, 2},
	{"length not of four", func(b []byte) []byte { b[4]++; return b }, Garbage, 2},
	{"length of the next block too", func(b []byte) []byte { b[4] *= 2; return b }, Garbage, 2},
	{"length beyond the end", func(b []byte) []byte { b[5] = 0x40; return b }, Garbage, 2},
	{"length of a mebibyte", func(b []byte) []byte { b[6] = 0x10; return b }, Garbage, 2},
	{"length of 4 GB", func(b []byte) []byte { b[7] = 0xFF; return b }, Garbage, 2},
	{"lengths differ", func(b []byte) []byte { b[len(b)-4]++; return b }, Garbage, 2},
	{"bytes lost", func(b []byte) []byte { return append(b[:20], b[25:]...) }, Garbage, 2},
	{"bytes put in", func(b []byte) []byte { return slices.Insert(b, 20, 1, 2, 3) }, Garbage, 2},
	{"start overwritten", func(b []byte) []byte { copy(b, "gone, all of it"); return b }, Garbage, 2},
	{"zeros", func(b []byte) []byte { clear(b); return b }, Garbage, 2},
	{"a lot of noise", func(b []byte) []byte { return append([]byte(strings.Repeat("\x06\x00\x00\x00\x30", 200000)), b...) }, Garbage, 3},
	{"no such interface", func(b []byte) []byte { b[8] = 9; return b }, Malformed, 2},
	{"packet longer than its block", func(b []byte) []byte { b[20] = 200; return b }, Malformed, 2},
	{"packet of 4 GB", func(b []byte) []byte { b[23] = 0xFF; return b }, Malformed, 2},
}

// Damage costs the block that it is in, no other, and is counted once.
func TestPcapngDamage(t *testing.T) {
	for _, row := range damages {
		t.Run(row.name, func(t *testing.T) {
			n := newNgFile(binary.LittleEndian).iface(linkCAN).packet(0, 1, canPacket)
			start := len(n.bytes)
			n.packet(0, 2, canPacket)
			spoilt := row.spoil(slices.Clone(n.bytes[start:]))
			n.bytes = append(n.bytes[:start], spoilt...)
			n.packet(0, 3, canPacket)
			got, rep, _ := readAll(t, string(n.bytes), 8)
			if len(got) != row.frames || got[0].Time != 1000 || got[len(got)-1].Time != 3000 {
				t.Errorf("frames %+v", got)
			}
			if tally := rep.SetAside[row.kind]; tally.Count != 1 || len(rep.SetAside) != 1 || tally.First[0].Offset != int64(start) {
				t.Errorf("set aside %v, want one %s at %d", rep.SetAside, row.kind, start)
			}
		})
	}
}

// A block too long to be seen whole is passed over; when its length lied,
// reading goes on behind it.
func TestPcapngLongBlocks(t *testing.T) {
	for _, row := range []struct {
		name   string
		spoil  func(block []byte) []byte
		kind   Kind
		frames int
	}{
		{"whole", func(b []byte) []byte { return b }, OtherLink, 2},
		{"lengths differ", func(b []byte) []byte { b[len(b)-1]++; return b }, Garbage, 2},
		{"cut", func(b []byte) []byte { return b[:len(b)-100] }, Cut, 1},
	} {
		n := newNgFile(binary.LittleEndian).iface(linkCAN).iface(1).packet(0, 1, canPacket)
		start := len(n.bytes)
		n.packet(1, 2, make([]byte, 250000))
		n.bytes = append(n.bytes[:start], row.spoil(n.bytes[start:])...)
		if row.kind != Cut {
			n.packet(0, 3, canPacket)
		}
		got, rep, _ := readAll(t, string(n.bytes), 8)
		if len(got) != row.frames || rep.SetAside[row.kind].Count != 1 || len(rep.SetAside) != 1 {
			t.Errorf("%s: %d frames, set aside %v", row.name, len(got), rep.SetAside)
		}
	}
}

// Options that lie about their length end the list; the packet before them is good.
func TestPcapngBadOptions(t *testing.T) {
	n := newNgFile(binary.LittleEndian)
	body := n.u32(linkCAN)
	body = append(body, n.u32(0)...)
	body = append(body, 2, 0, 0xFF, 0xFF, 'c', 'a', 'n', '0') // if_name of 65535 bytes
	n.block(blockInterface, body)
	n.packet(0, 1, canPacket, option{optFlags, n.u32(dirInbound)})
	n.bytes[len(n.bytes)-10] = 200 // epb_flags of 200 bytes
	got, _, buses := readAll(t, string(n.bytes), 8)
	checkFrames(t, []brief{{"if0", 1000, 0x123, 0}}, got, buses)
}

func TestPcapngManyInterfaces(t *testing.T) {
	n := newNgFile(binary.LittleEndian)
	for range maxInterfaces + 5 {
		n.iface(linkCAN)
	}
	n.packet(0, 1, canPacket).packet(maxInterfaces-1, 2, canPacket).packet(maxInterfaces, 3, canPacket)
	got, rep, buses := readAll(t, string(n.bytes), 8)
	// Interface 4095 has no room in the table of buses, 4096 was not taken in.
	if len(got) != 1 || rep.SetAside[Malformed].Count != 5+2 || len(buses) != can.MaxBuses {
		t.Errorf("%d frames, set aside %v, %d buses", len(got), rep.SetAside, len(buses))
	}
}

func TestResolution(t *testing.T) {
	for _, row := range []struct {
		tsresol byte
		offset  int64
		stamp   uint64
		want    int64
		ok      bool
	}{
		{6, 0, 1_416_492_002_232_595, 1_416_492_002_232_595_000, true},
		{9, 0, 1_416_492_002_232_595_001, 1_416_492_002_232_595_001, true},
		{0, 0, 1_416_492_002, 1_416_492_002e9, true},
		{3, 0, 5, 5e6, true},
		{12, 0, 1999, 1, true},               // picoseconds round down
		{19, 0, 1<<64 - 1, 1844674407, true}, // 10^10 units to the nanosecond
		{28, 0, 1<<64 - 1, 1, true},
		{29, 0, 1<<64 - 1, 0, true},
		{127, 0, 1<<64 - 1, 0, true},
		{0x80, 0, 3, 3e9, true}, // 2^0
		{0x81, 0, 3, 1.5e9, true},
		{0x80 | 32, 0, 1<<32 + 1<<31, 1.5e9, true},
		{0x80 | 63, 0, 1<<64 - 1, 1_999_999_999, true},
		{0x80 | 64, 0, 1 << 63, 5e8, true},
		{0xFF, 0, 1<<64 - 1, 0, true}, // 2^-127
		{9, 0, 1<<63 - 1, math.MaxInt64, true},
		{9, 0, 1 << 63, 0, false},
		{0, 0, 1 << 63, 0, false},
		{6, 0, 1<<64 - 1, 0, false},
		{0, -1_000_000_000_000, 1_000_000_000_001, 1e9, true}, // only the sum fits
		{9, -1, 0, -1e9, true},
		{9, 1, math.MaxInt64 - 1e9, math.MaxInt64, true},
		{9, 1, math.MaxInt64 - 1e9 + 1, 0, false},
		{9, math.MinInt64, 0, 0, false},
		{9, math.MaxInt64, 0, 0, false},
		{0, math.MinInt64, 1 << 63, 0, true},
	} {
		r := newResolution(row.tsresol, row.offset)
		got, ok := r.nanoseconds(row.stamp)
		if ok != row.ok || ok && got != row.want {
			t.Errorf("if_tsresol %#x, offset %d, stamp %d: %d, %v; want %d, %v",
				row.tsresol, row.offset, row.stamp, got, ok, row.want, row.ok)
		}
	}
}

// Every resolution against arithmetic without bounds.
func TestResolutionAgainstBigNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tsresol := rapid.Byte().Draw(t, "if_tsresol")
		offset := rapid.OneOf(rapid.Just[int64](0), rapid.Int64Range(-2e10, 2e10), rapid.Int64()).Draw(t, "offset")
		stamp := rapid.Uint64().Draw(t, "stamp")
		base := big.NewInt(10)
		if tsresol&0x80 != 0 {
			base = big.NewInt(2)
		}
		units := new(big.Int).Exp(base, big.NewInt(int64(tsresol&0x7F)), nil)
		want := new(big.Int).SetUint64(stamp)
		want.Mul(want, big.NewInt(1e9))
		want.Div(want, units)
		want.Add(want, new(big.Int).Mul(big.NewInt(offset), big.NewInt(1e9)))
		r := newResolution(tsresol, offset)
		got, ok := r.nanoseconds(stamp)
		if ok != want.IsInt64() || ok && got != want.Int64() {
			t.Fatalf("%d, %v; want %v", got, ok, want)
		}
	})
}

// Stamps out of range cost their frames, and the report says so.
func TestPcapngStampOutOfRange(t *testing.T) {
	n := newNgFile(binary.LittleEndian).iface(linkCAN, option{optResol, []byte{0}})
	n.packet(0, 1<<62, canPacket).packet(0, 1_700_000_000, canPacket)
	got, rep, _ := readAll(t, string(n.bytes), 8)
	if len(got) != 1 || rep.SetAside[Malformed].Count != 1 || len(rep.Notes) != 1 {
		t.Errorf("%d frames, set aside %v, notes %q", len(got), rep.SetAside, rep.Notes)
	}
}

func TestPlainName(t *testing.T) {
	long := strings.Repeat("ä", 40)
	for name, want := range map[string]string{
		"can0": "can0", "two words": "two_words", "a\tb\x1b[1m": "a_b_[1m", "(x)#1": "_x__1",
		"kö\xffr": "kö_r", long: long[:maxBusName], "": "",
	} {
		if got := string(plainName([]byte(name))); got != want {
			t.Errorf("plainName(%q) = %q, want %q", name, got, want)
		} else if got != "" && !busName([]byte(got)) {
			t.Errorf("%q cannot stand in a log", got)
		}
	}
}
