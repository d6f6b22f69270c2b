package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/gopacket/pcapgo"

	"plugproof/decode/can"
)

// pcapFile builds a pcap file byte by byte.
type pcapFile struct {
	bytes []byte
	order binary.AppendByteOrder
}

func newPcapFile(order binary.AppendByteOrder, magic, linkType uint32) *pcapFile {
	p := &pcapFile{order: order}
	p.bytes = order.AppendUint32(p.bytes, magic)
	p.bytes = order.AppendUint16(p.bytes, 2)
	p.bytes = order.AppendUint16(p.bytes, 4)
	p.bytes = order.AppendUint64(p.bytes, 0)
	p.bytes = order.AppendUint32(p.bytes, 65535)
	p.bytes = order.AppendUint32(p.bytes, linkType)
	return p
}

// head adds a record header, whatever follows.
func (p *pcapFile) head(sec, frac, length, orig uint32) *pcapFile {
	for _, v := range []uint32{sec, frac, length, orig} {
		p.bytes = p.order.AppendUint32(p.bytes, v)
	}
	return p
}

// packet adds a whole record.
func (p *pcapFile) packet(sec, frac uint32, data []byte) *pcapFile {
	p.head(sec, frac, uint32(len(data)), uint32(len(data)))
	p.bytes = append(p.bytes, data...)
	return p
}

// The head and a record of the sample in scapy's test/scapy/layers/can.uts. The
// record is the second of it; its stamp was read by another program.
func TestPcapPublishedSample(t *testing.T) {
	data := unhex(t, "d4c3b2a1 0200 0400 00000000 00000000 00000400 e3000000"+
		"e2f36d54 938c0300 09000000 09000000 00000733 01 000000 00")
	got, rep, buses := readAll(t, string(data), 8)
	at := time.Date(2014, 11, 20, 14, 0, 2, 232595000, time.UTC)
	want := frame(at.UnixNano(), 0x733, 0, 1, 0)
	want.Offset, want.Record = 24, 1
	if d := cmp.Diff([]can.Frame{want}, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if rep.Format != "pcap" || rep.Clock != ClockAbsolute || buses[0].Name != "if0" {
		t.Errorf("report %+v, buses %v", rep, buses)
	}
}

// Both byte orders of the file, both units of the stamps.
func TestPcapByteOrders(t *testing.T) {
	body := unhex(t, "00000123 02 000000 1122")
	for _, row := range []struct {
		name  string
		order binary.AppendByteOrder
		magic uint32
		ns    int64
	}{
		{"little endian, microseconds", binary.LittleEndian, magicMicro, 4_294_967_295_123_456_000},
		{"little endian, nanoseconds", binary.LittleEndian, magicNano, 4_294_967_295_000_123_456},
		{"big endian, microseconds", binary.BigEndian, magicMicro, 4_294_967_295_123_456_000},
		{"big endian, nanoseconds", binary.BigEndian, magicNano, 4_294_967_295_000_123_456},
	} {
		// Bits 28 to 31 of the link type field tell of a frame check sequence.
		file := newPcapFile(row.order, row.magic, 0x10000000|linkCAN).packet(1<<32-1, 123456, body)
		got, _, _ := readAll(t, string(file.bytes), 8)
		want := frame(row.ns, 0x123, 0, 2, 0x11, 0x22)
		want.Offset, want.Record = 24, 1
		if d := cmp.Diff([]can.Frame{want}, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, d)
		}
	}
}

// Some writers put the identifiers of link type 227 in little endian.
func TestPcapSwappedIdentifiers(t *testing.T) {
	file := newPcapFile(binary.LittleEndian, magicMicro, linkCAN).
		packet(1, 0, unhex(t, "80000000 00 000000")). // identifier 0x80; extended 0 in the other order
		packet(1, 1, unhex(t, "33070000 01 000000 AA")).
		packet(1, 2, unhex(t, "F133DB98 01 000000 BB"))
	got, rep, _ := readAll(t, string(file.bytes), 8)
	var ids []uint32
	for _, f := range got {
		ids = append(ids, f.ID)
	}
	if d := cmp.Diff([]uint32{0x80, 0x733, 0x18DB33F1}, ids); d != "" {
		t.Errorf("identifiers (-want +got):\n%s", d)
	}
	if len(rep.Notes) != 1 || !strings.Contains(rep.Notes[0], "227 with little-endian") {
		t.Errorf("notes %q", rep.Notes)
	}
}

// Buses of link type 276 are told apart by the interface's number.
func TestPcapInterfaceNumbers(t *testing.T) {
	cooked := "000c 0000 0000000%d 0118 01 00" + zeros8 + "23010000 00 000000"
	file := newPcapFile(binary.LittleEndian, magicMicro, linkSLL2)
	for i, n := range []string{"7", "2", "7", "7", "2"} {
		file.packet(uint32(i), 0, unhex(t, strings.Replace(cooked, "%d", n, 1)))
	}
	got, _, buses := readAll(t, string(file.bytes), 8)
	var names []string
	for _, f := range got {
		names = append(names, buses[f.Bus].Name)
	}
	if d := cmp.Diff([]string{"if7", "if2", "if7", "if7", "if2"}, names); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// A hostile capture can name any number of interfaces; the table is bounded.
func TestPcapTooManyInterfaces(t *testing.T) {
	file := newPcapFile(binary.LittleEndian, magicMicro, linkSLL2)
	body := unhex(t, "000c 0000 00000000 0118 01 00"+zeros8+"23010000 00 000000")
	const more = 10
	for i := range can.MaxBuses + more {
		binary.BigEndian.PutUint32(body[4:], uint32(i))
		file.packet(uint32(i), 0, body)
	}
	got, rep, _ := readAll(t, string(file.bytes), 512)
	if len(got) != can.MaxBuses || rep.SetAside[Malformed].Count != more || len(rep.Notes) != 1 {
		t.Errorf("%d frames, set aside %v, notes %q", len(got), rep.SetAside, rep.Notes)
	}
}

// What is not a frame is counted by kind, with its place, and reading goes on.
func TestPcapSetAside(t *testing.T) {
	file := newPcapFile(binary.LittleEndian, magicMicro, linkSLL)
	can1 := unhex(t, "0001 0118 0000"+zeros8+"000c 23010000 00 000000")
	file.packet(1, 0, can1)
	file.packet(2, 0, unhex(t, "0000 0001 0006"+zeros8+"0800 4500"))                                              // IP
	file.packet(3, 0, append(unhex(t, "0000 0001 0006"+zeros8+"0800"), make([]byte, 60000)...))                   // more than is looked at
	file.packet(4, 0, append(unhex(t, "0001 0118 0000"+zeros8+"000e 23010000 80 000008"), make([]byte, 2052)...)) // XL
	file.head(5, 0, 20, 32).bytes = append(file.bytes, can1[:20]...)                                              // cut by the snaplen
	file.packet(6, 0, unhex(t, "0001 0118 0000"+zeros8+"000c 23010000 09 000000 000000000000000000"))
	file.packet(7, 0, can1)
	got, rep, _ := readAll(t, string(file.bytes), 8)
	if len(got) != 2 || got[1].Time != 7e9 || got[1].Record != 7 {
		t.Errorf("frames %+v", got)
	}
	at := func(record uint32, offset int64) Tally { return Tally{1, []Place{{offset, record}}} }
	other := Tally{2, []Place{{64, 2}, {98, 3}}}
	want := map[Kind]Tally{OtherLink: other, XL: at(4, 60130), Cut: at(5, 62222), Malformed: at(6, 62258)}
	if d := cmp.Diff(want, rep.SetAside); d != "" {
		t.Errorf("set aside (-want +got):\n%s", d)
	}
}

// A length that cannot be ends a pcap file; nothing is allocated for it.
func TestPcapLyingLength(t *testing.T) {
	body := unhex(t, "00000123 02 000000 1122")
	for _, length := range []uint32{packetHead + 1, 1000, xlMTU, xlMTU + 1, maxPacket, maxPacket + 1, 1<<31 - 1, 1 << 31, 1<<32 - 1} {
		file := newPcapFile(binary.LittleEndian, magicMicro, linkCAN).packet(1, 0, body)
		file.head(2, 0, length, length).packet(3, 0, body)
		file.bytes = append(file.bytes, make([]byte, 600000)...) // more than is buffered at once
		got, rep, _ := readAll(t, string(file.bytes), 8)
		if len(got) != 1 || rep.SetAside[Garbage].Count != 1 {
			t.Errorf("length %d: %d frames, set aside %v", length, len(got), rep.SetAside)
		}
		if !strings.Contains(rep.Broken, "record 2 at byte 50 ") {
			t.Errorf("length %d: broken %q", length, rep.Broken)
		}
	}
}

func TestPcapRefused(t *testing.T) {
	for _, row := range []struct{ name, text, want string }{
		{"no CAN", string(newPcapFile(binary.LittleEndian, magicMicro, 1).bytes), "link type 1;"},
		{"no CAN, big endian", string(newPcapFile(binary.BigEndian, magicNano, 195).bytes), "link type 195;"},
		{"header cut", string(newPcapFile(binary.LittleEndian, magicMicro, linkCAN).bytes[:23]), "not a CAN capture"},
	} {
		_, err := Open([]string{"-"}, Options{Stdin: strings.NewReader(row.text)})
		if !errors.Is(err, ErrNotCapture) || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v", row.name, err)
		}
	}
	if _, rep, _ := readAll(t, string(newPcapFile(binary.LittleEndian, magicMicro, linkCAN).bytes), 1); rep.Records != 0 {
		t.Errorf("header only: %+v", rep)
	}
}

// samples are captures of several kinds of frame, by format.
func samples(t testing.TB) map[string][]byte {
	buses := newBuses(t, "drive", "body")
	all := map[string][]byte{}
	for _, opts := range everyTarget() {
		if opts.Format != CandumpLog && opts.Compression == Plain {
			all[targetName(opts)] = write(t, opts, buses, sampleFrames()...)
		}
	}
	return all
}

func sampleFrames() []can.Frame {
	frames := []can.Frame{
		frame(1.7e18, 0x123, can.Rx, 8, 1, 2, 3, 4, 5, 6, 7, 8),
		frame(1.7e18+1000, 0x18DB33F1, can.Extended, 3, 2, 1, 13),
		frame(1.7e18+2001, 0x7DF, can.Remote, 4),
		frame(1.7e18+3000, 0x123, can.FD|can.BRS|can.Tx, 9, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12),
		frame(1.7e18+4000, 0x004, can.Error|can.Rx, 8, 0, 4),
		frame(1.7e18+5000, 0x7FF, can.Tx, 15, 1, 2, 3, 4, 5, 6, 7, 8),
	}
	for i := range frames {
		frames[i].Bus = uint16(i % 2)
	}
	return frames
}

// Cut at every byte: the frames that are whole come out, one record at most is
// set aside as cut, and a cut between records is no damage.
func TestCutAtEveryByte(t *testing.T) {
	for name, data := range samples(t) {
		whole, _, _ := readAll(t, string(data), 8)
		start := whole[0].Offset
		for n := int(start); n < len(data); n++ {
			got, rep, _ := readAll(t, string(data[:n]), 4)
			if d := cmp.Diff(whole[:len(got)], got, cmpopts.EquateEmpty()); d != "" {
				t.Fatalf("%s cut at %d (-whole +cut):\n%s", name, n, d)
			}
			next := len(data)
			if len(got) < len(whole) {
				next = int(whole[len(got)].Offset)
			}
			cut := rep.SetAside[Cut].Count
			if n > next && cut != 1 || n == next && cut != 0 || len(rep.SetAside) > int(cut) {
				t.Fatalf("%s cut at %d of %d, record at %d: %d frames, set aside %v", name, n, len(data), next, len(got), rep.SetAside)
			}
		}
	}
}

// Cut compressed captures keep the frames before the cut, and say that it is there.
func TestCutCompressed(t *testing.T) {
	frames := make([]can.Frame, 5000)
	for i := range frames {
		frames[i] = frame(1.7e18+int64(i)*1e6, uint32(i)&can.MaxStandardID, 0, 8, byte(i), byte(i>>8), byte(i*7), 4, 5, 6, 7, byte(i*31))
	}
	for _, opts := range everyTarget() {
		if opts.Compression == Plain {
			continue
		}
		data := write(t, opts, newBuses(t, "can0"), frames...)
		got, rep, _ := readAll(t, string(data[:len(data)*9/10]), 512)
		if len(got) < len(frames)/2 || len(got) == len(frames) || !strings.Contains(rep.Broken, "cut") {
			t.Errorf("%s: %d frames of %d, broken %q", targetName(opts), len(got), len(frames), rep.Broken)
		}
		if n := rep.SetAside[Cut].Count; n > 1 || len(rep.SetAside) > int(n) {
			t.Errorf("%s: set aside %v", targetName(opts), rep.SetAside)
		}
	}
}

// slowReader gives some bytes, then waits until it is closed.
type slowReader struct {
	first []byte
	rest  chan struct{}
}

func (s *slowReader) Read(p []byte) (int, error) {
	if len(s.first) > 0 {
		n := copy(p, s.first)
		s.first = s.first[n:]
		return n, nil
	}
	<-s.rest
	return 0, io.EOF
}

// Frames of a live pipe are not held back until a batch is full.
func TestPacketsOfALivePipe(t *testing.T) {
	for name, data := range samples(t) {
		src := &slowReader{first: data[:len(data)-3], rest: make(chan struct{})}
		r, err := Open([]string{"-"}, Options{Stdin: src})
		if err != nil {
			t.Fatal(err)
		}
		dst := make([]can.Frame, 100)
		n, err := r.Read(t.Context(), dst)
		if want := len(sampleFrames()) - 1; n != want || err != nil {
			t.Errorf("%s: %d frames, %v; want %d at once", name, n, err, want)
		}
		close(src.rest)
		if n, err := r.Read(t.Context(), dst); n != 0 || !errors.Is(err, io.EOF) {
			t.Errorf("%s: %d frames, %v at the end", name, n, err)
		}
		checkAccount(t, r.Reports()[0])
		r.Close()
	}
}

// Another library reads what we write, where its 8 bits of link type suffice.
func TestPcapAnotherLibrary(t *testing.T) {
	for _, linkType := range []int{linkCAN, linkSLL} {
		data := write(t, WriterOptions{Format: Pcap, LinkType: linkType}, newBuses(t, "drive", "body"), sampleFrames()...)
		r, err := pcapgo.NewReader(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		if int(r.LinkType()) != linkType {
			t.Errorf("link type %d, want %d", r.LinkType(), linkType)
		}
		for i, f := range sampleFrames() {
			packet, info, err := r.ReadPacketData()
			if err != nil {
				t.Fatal(err)
			}
			want := newLink(uint32(linkType), false).appendPacket(nil, &f)
			if info.Timestamp.UnixNano() != f.Time || !bytes.Equal(packet, want) {
				t.Errorf("link type %d, packet %d: %v %x, want %x", linkType, i+1, info, packet, want)
			}
		}
		if _, _, err := r.ReadPacketData(); err != io.EOF {
			t.Errorf("at the end: %v", err)
		}
	}
}
