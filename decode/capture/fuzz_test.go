package capture

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// seed gives a fuzz target an input that it starts from, and keeps it as a file
// of testdata/fuzz when golden files are rewritten.
func seed(f *testing.F, name string, data []byte) {
	f.Helper()
	f.Add(data)
	if !*update {
		return
	}
	dir := filepath.Join("testdata", "fuzz", f.Name())
	text := fmt.Sprintf("go test fuzz v1\n[]byte(%q)\n", data)
	if err := errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644)); err != nil {
		f.Fatal(err)
	}
}

// seedTwo is seed for a fuzz target of two inputs.
func seedTwo(f *testing.F, name string, one, two []byte) {
	f.Helper()
	f.Add(one, two)
	if !*update {
		return
	}
	dir := filepath.Join("testdata", "fuzz", f.Name())
	text := fmt.Sprintf("go test fuzz v1\n[]byte(%q)\n[]byte(%q)\n", one, two)
	if err := errors.Join(os.MkdirAll(dir, 0o755), os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644)); err != nil {
		f.Fatal(err)
	}
}

// decoded is what a decoder made of some bytes.
type decoded struct {
	Frames []can.Frame
	Report FileReport
	Buses  []can.Bus
	Err    string
}

// decodeAll reads bytes to their end in batches and holds what every decoder of
// packets promises.
func decodeAll(t *testing.T, data []byte, batch int, open func(*input) (decoder, error)) decoded {
	t.Helper()
	rep := newTallies()
	buses := &can.Buses{}
	r := bufio.NewReaderSize(bytes.NewReader(data), bufferSize)
	dec, err := open(&input{r: r, buses: buses, rep: &rep})
	if err != nil {
		t.Fatal(err)
	}
	var all []can.Frame
	dst := make([]can.Frame, batch)
	for err == nil {
		var n int
		n, err = dec.read(dst)
		rep.Frames += uint64(n)
		all = append(all, dst[:n]...)
	}
	last := can.Frame{Offset: -1}
	for i := range all {
		f := &all[i]
		if f.Valid() != nil || f.Record <= last.Record || f.Offset <= last.Offset || f.Offset >= int64(len(data)) ||
			!bytes.Equal(f.Data[len(f.Payload()):], make([]byte, can.MaxFDLen-len(f.Payload()))) {
			t.Fatalf("after %+v: %+v: %v", last, f, f.Valid())
		}
		last = *f
	}
	checkAccount(t, rep)
	if rest, _ := io.Copy(io.Discard, r); rest > 0 {
		t.Fatalf("%d bytes were left unread: %v", rest, err)
	}
	if len(rep.Notes) > maxNotes {
		t.Fatalf("%d notes", len(rep.Notes))
	}
	return decoded{all, rep, buses.All(), err.Error()}
}

// checkDecoded reads twice: the size of the batch must not matter.
func checkDecoded(t *testing.T, data []byte, open func(*input) (decoder, error)) {
	t.Helper()
	one := decodeAll(t, data, 1, open)
	if d := cmp.Diff(one, decodeAll(t, data, 7, open)); d != "" {
		t.Fatalf("one by one and in batches (-one +seven):\n%s", d)
	}
}

func FuzzPcap(f *testing.F) {
	for _, linkType := range []int{linkCAN, linkSLL, linkSLL2} {
		data := write(f, WriterOptions{Format: Pcap, LinkType: linkType}, newBuses(f, "drive", "body"), sampleFrames()...)
		seed(f, fmt.Sprintf("written-%d", linkType), data)
	}
	body := unhex(f, "00000733 01 000000 00")
	bigEndian := newPcapFile(binary.BigEndian, magicMicro, linkCAN).packet(1, 2, body).packet(1, 3, canPacket)
	seed(f, "big-endian", bigEndian.bytes)
	swapped := newPcapFile(binary.LittleEndian, magicMicro, linkCAN).packet(1, 0, unhex(f, "33070000 01 000000 AA"))
	seed(f, "swapped-identifiers", swapped.bytes)
	lying := newPcapFile(binary.LittleEndian, magicNano, linkCAN).packet(1, 0, body).head(2, 0, 1<<32-1, 1<<32-1).packet(3, 0, body)
	seed(f, "lying-length", lying.bytes)
	xl := newPcapFile(binary.LittleEndian, magicMicro, linkCAN).packet(1, 0, unhex(f, "00000123 80 00 0100 00000000 11"))
	seed(f, "xl", xl.bytes)
	cut := newPcapFile(binary.LittleEndian, magicMicro, linkCAN).head(1, 0, 8, 16)
	seed(f, "cut-by-snaplen", append(cut.bytes, unhex(f, "00000123 08 000000")...))
	f.Fuzz(func(t *testing.T, data []byte) {
		if sniffPcap(data) {
			checkDecoded(t, data, openPcap)
		}
	})
}

func FuzzPcapng(f *testing.F) {
	for _, linkType := range []int{linkCAN, linkSLL, linkSLL2} {
		data := write(f, WriterOptions{Format: Pcapng, LinkType: linkType}, newBuses(f, "drive", "body"), sampleFrames()...)
		seed(f, fmt.Sprintf("written-%d", linkType), data)
	}
	n := newNgFile(binary.BigEndian)
	n.iface(linkCAN, option{optName, []byte("drive")}, option{optSpeed, n.u64(500000)}, option{optResol, []byte{0xA0}}, option{optOffset, n.u64(1)})
	n.block(blockSimple, append(n.u32(10), canPacket...)).packet(0, 7<<32, canPacket, option{optFlags, n.u32(2)})
	seed(f, "big-endian", n.section(binary.LittleEndian).iface(1).packet(0, 1, canPacket).block(blockStats, make([]byte, 12)).bytes)
	for i, row := range damages {
		n := newNgFile(binary.LittleEndian).iface(linkCAN).packet(0, 1, canPacket)
		start := len(n.bytes)
		n.packet(0, 2, canPacket)
		n.bytes = append(n.bytes[:start], row.spoil(bytes.Clone(n.bytes[start:]))...)
		if n.packet(0, 3, canPacket); len(n.bytes) < 1000 {
			seed(f, fmt.Sprintf("damage-%02d", i), n.bytes)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		if sniffPcapng(data) {
			checkDecoded(t, data, openPcapng)
		}
	})
}

// FuzzDecompress unpacks anything: bytes or a damageError, and an end.
func FuzzDecompress(f *testing.F) {
	for _, c := range []string{gzipName, zstdName} {
		whole := pack(f, c, []byte("(1.000000) can0 123#11\n"), []byte("(2.000000) can0 123#22\n"))
		seed(f, c+"-two-parts", whole)
		seed(f, c+"-cut", whole[:len(whole)/2+3])
	}
	seed(f, "zstd-skippable", append([]byte("\x51\x2a\x4d\x18\x03\x00\x00\x00abc"), pack(f, zstdName, []byte("x"))...))
	seed(f, "zstd-window", []byte{0x28, 0xB5, 0x2F, 0xFD, 0x00, 0xA0, 0x01, 0x00, 0x00})
	f.Fuzz(func(t *testing.T, data []byte) {
		c := compressionOf(data)
		if c == "" {
			return
		}
		r, err := decompress(bytes.NewReader(data), c)
		if err == nil {
			_, err = io.Copy(io.Discard, io.LimitReader(r, 4<<20))
			r.Close()
		}
		var damage *damageError
		if err != nil && !errors.As(err, &damage) {
			t.Fatalf("error %v is not a damageError", err)
		}
	})
}
