package capture

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/witness"
)

// Programs from other hands: tshark reads what we write, text2pcap, editcap and
// mergecap write what we read. All come with Debian's tshark.

// run runs a program and returns what it printed.
func run(t testing.TB, stdin, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "TZ=UTC", "LC_ALL=C")
	cmd.Stdin = strings.NewReader(stdin)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s %s: %v\n%s", program, strings.Join(args, " "), err, errs.String())
	}
	return out.String()
}

// readFile reads a whole capture.
func readFile(t testing.TB, path string) ([]can.Frame, FileReport, []can.Bus) {
	t.Helper()
	r, err := Open([]string{path}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var all []can.Frame
	dst := make([]can.Frame, 64)
	for {
		n, err := r.Read(context.Background(), dst)
		all = append(all, dst[:n]...)
		if err == io.EOF {
			return all, r.Reports()[0], r.Buses().All()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// mixedFrames returns n frames of all kinds, always the same, on two buses.
func mixedFrames(n int) []can.Frame {
	rng := rand.New(rand.NewPCG(7, 227))
	frames := make([]can.Frame, n)
	for i := range frames {
		f := &frames[i]
		f.Time = 1_700_000_000e9 + int64(i)*1_000_003
		f.Bus = uint16(i % 2)
		f.Flags = []can.Flags{0, can.Rx, can.Tx}[rng.IntN(3)]
		f.ID = rng.Uint32N(can.MaxStandardID + 1)
		if rng.IntN(2) == 0 {
			f.Flags |= can.Extended
			f.ID = rng.Uint32N(can.MaxExtendedID + 1)
		}
		f.DLC = uint8(rng.UintN(16))
		switch i % 5 {
		case 0:
			f.Flags |= can.Remote
		case 1: // the classes and the length that the kernel's error frames have
			f.Flags = f.Flags&^can.Extended | can.Error
			f.ID = rng.Uint32N(0x200)
			f.DLC = 8
		case 2:
			f.Flags |= can.FD | []can.Flags{0, can.BRS, can.ESI, can.BRS | can.ESI}[rng.IntN(4)]
		}
		f.Len = can.DLCToLen(f.DLC, f.Is(can.FD))
		for j := range f.Payload() {
			f.Data[j] = byte(rng.UintN(256))
		}
	}
	return frames
}

// tsharkFields are what tshark is asked for; tsharkRow is what it must answer.
var tsharkFields = []string{
	"frame.number", "frame.time_epoch", "frame.interface_name", "frame.packet_flags_direction",
	"sll.pkttype", "sll.ifindex", "can.id", "can.flags.xtd", "can.flags.rtr", "can.flags.err", "can.len",
	"can.reserved", "canfd.flags.brs", "canfd.flags.esi", "data.data",
	"can.err.tx_timeout", "can.err.lostarb", "can.err.ctrl", "can.err.prot", "can.err.trx",
	"can.err.ack", "can.err.busoff", "can.err.buserror", "can.err.restarted",
}

// tsharkRow puts into tshark's terms what was written. It prints no identifier
// for error frames, but their classes; it shows the raw DLC as the third of
// three reserved bytes; and it takes the padding of a remote frame, which is
// zero, for data.
func tsharkRow(number int, f *can.Frame, bus string, opts WriterOptions) string {
	row := map[string]string{
		"frame.number": fmt.Sprint(number), "frame.time_epoch": fmt.Sprintf("%d.%09d", f.Time/1e9, f.Time%1e9),
		"can.len": fmt.Sprint(f.Len), "data.data": hex.EncodeToString(f.Data[:f.Len]),
	}
	if opts.Format == Pcapng {
		row["frame.interface_name"] = bus
		row["frame.packet_flags_direction"] = map[can.Flags]string{can.Rx: "0x00000001", can.Tx: "0x00000002"}[f.Flags&(can.Rx|can.Tx)]
	}
	if opts.LinkType != linkCAN {
		row["sll.pkttype"] = map[bool]string{true: "4", false: "1"}[f.Is(can.Tx)]
	}
	if opts.LinkType == linkSLL2 {
		row["sll.ifindex"] = fmt.Sprint(f.Bus + 1)
	}
	flag := func(set bool) string { return map[bool]string{true: "1", false: "0"}[set] }
	switch {
	case f.Is(can.Error):
		row["can.flags.err"], row["can.reserved"], row["data.data"] = "1", "000000", ""
		for bit, name := range tsharkFields[len(tsharkFields)-9:] {
			row[name] = flag(f.ID>>bit&1 == 1)
		}
		return tabbed(row)
	case f.Is(can.FD):
		row["canfd.flags.brs"], row["canfd.flags.esi"] = flag(f.Is(can.BRS)), flag(f.Is(can.ESI))
		row["can.reserved"] = "0000"
	default:
		row["can.flags.rtr"], row["can.flags.err"] = flag(f.Is(can.Remote)), "0"
		row["can.reserved"] = "000000"
		if f.DLC > 8 {
			row["can.reserved"] = fmt.Sprintf("0000%02x", f.DLC)
		}
	}
	row["can.id"], row["can.flags.xtd"] = fmt.Sprint(f.ID), flag(f.Is(can.Extended))
	return tabbed(row)
}

func tabbed(row map[string]string) string {
	var all []string
	for _, name := range tsharkFields {
		all = append(all, row[name])
	}
	return strings.Join(all, "\t")
}

func TestTsharkReadsWhatWeWrite(t *testing.T) {
	if testing.Short() {
		t.Skip("tshark takes a while to start, eight times")
	}
	tshark := witness.Program(t, "tshark", "tshark")
	frames, names := mixedFrames(200), []string{"drive", "körper"}
	for _, opts := range everyTarget() {
		if opts.Format == CandumpLog || opts.Compression != Plain && opts != (WriterOptions{Pcapng, opts.Compression, linkCAN}) {
			continue
		}
		t.Run(targetName(opts), func(t *testing.T) {
			t.Parallel()
			path := filepath.Join(t.TempDir(), "capture")
			if err := os.WriteFile(path, write(t, opts, newBuses(t, names...), frames...), 0o600); err != nil {
				t.Fatal(err)
			}
			args := []string{"-r", path, "-T", "fields"}
			for _, name := range tsharkFields {
				args = append(args, "-e", name)
			}
			got := strings.Split(strings.TrimSuffix(run(t, "", tshark, args...), "\n"), "\n")
			var want []string
			for i := range frames {
				want = append(want, tsharkRow(i+1, &frames[i], names[frames[i].Bus], opts))
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-written +tshark):\n%s", d)
			}
		})
	}
}

// The bit rate of a bus as capinfos, another program of that package, reads it.
func TestCapinfosReadsBitRates(t *testing.T) {
	capinfos := witness.Program(t, "tshark", "capinfos")
	buses := newBuses(t, "drive", "body")
	buses.SetBitrates(0, 500000, 0)
	buses.SetBitrates(1, 125000, 0)
	path := filepath.Join(t.TempDir(), "capture.pcapng")
	if err := os.WriteFile(path, write(t, WriterOptions{Format: Pcapng}, buses, mixedFrames(2)...), 0o600); err != nil {
		t.Fatal(err)
	}
	out := run(t, "", capinfos, path)
	for _, want := range []string{"Name = drive", "Speed = 500000", "Name = body", "Speed = 125000", "Time resolution = 0x09"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
}

// text2pcap wraps packets given as text: those of socketcanRows that are frames.
func TestReadWhatText2pcapWrites(t *testing.T) {
	text2pcap := witness.Program(t, "tshark", "text2pcap")
	for _, linkType := range []uint32{linkCAN, linkSLL, linkSLL2} {
		var dump strings.Builder
		var want []can.Frame
		for _, row := range socketcanRows {
			if row.link != linkType || row.kind != good || row.orig != 0 {
				continue
			}
			want = append(want, row.want)
			fmt.Fprintf(&dump, "O 2023-11-14 22:13:20.%09d\n000000 % x\n", len(want), unhex(t, row.text))
		}
		for _, format := range []string{"pcap", "nsecpcap", "pcapng"} {
			path := filepath.Join(t.TempDir(), "capture")
			run(t, dump.String(), text2pcap, "-q", "-D", "-t", "%Y-%m-%d %H:%M:%S.%f", "-N", "can7",
				"-l", fmt.Sprint(linkType), "-F", format, "-", path)
			got, rep, buses := readFile(t, path)
			if len(got) != len(want) || len(want) < 2 || len(rep.SetAside) > 0 || rep.Broken != "" {
				t.Fatalf("link type %d, %s: %d frames of %d: %+v", linkType, format, len(got), len(want), rep)
			}
			for i := range got {
				w := want[i]
				w.Time = 1_700_000_000_000_000_001 + int64(i)
				if format == "pcap" {
					w.Time -= w.Time % 1000
				}
				if format == "pcapng" {
					w.Flags = w.Flags&^can.Rx | can.Tx
					if name := buses[got[i].Bus].Name; name != "can7" {
						t.Errorf("bus %q", name)
					}
				}
				got[i].Offset, got[i].Record = 0, 0
				if d := cmp.Diff(w, got[i]); d != "" {
					t.Errorf("link type %d, %s, packet %d (-want +got):\n%s", linkType, format, i+1, d)
				}
			}
		}
	}
}

// What editcap makes of our captures reads back the same, as far as the format
// that it writes can hold it.
func TestReadWhatEditcapWrites(t *testing.T) {
	editcap := witness.Program(t, "tshark", "editcap")
	frames, names := mixedFrames(200), []string{"drive", "body"}
	for _, linkType := range []int{linkCAN, linkSLL, linkSLL2} {
		from := filepath.Join(t.TempDir(), "from")
		data := write(t, WriterOptions{Format: Pcapng, LinkType: linkType}, newBuses(t, names...), frames...)
		if err := os.WriteFile(from, data, 0o600); err != nil {
			t.Fatal(err)
		}
		for format, opts := range map[string]WriterOptions{
			"pcap":     {Format: Pcap, LinkType: linkType},
			"nsecpcap": {Format: Pcap, LinkType: linkType},
			"pcapng":   {Format: Pcapng, LinkType: linkType},
		} {
			to := filepath.Join(t.TempDir(), "to")
			run(t, "", editcap, "-F", format, from, to)
			got, rep, buses := readFile(t, to)
			if len(got) != len(frames) || len(rep.SetAside) > 0 || len(rep.Notes) > 0 {
				t.Fatalf("link type %d, %s: %d frames: %+v", linkType, format, len(got), rep)
			}
			for i := range got {
				want, bus := asRead(opts, frames[i], names[frames[i].Bus])
				if format == "pcap" {
					want.Time -= want.Time % 1000
				}
				if name := buses[got[i].Bus].Name; name != bus {
					t.Errorf("link type %d, %s, packet %d on bus %q, want %q", linkType, format, i+1, name, bus)
				}
				want.Bus, got[i].Offset, got[i].Record = got[i].Bus, 0, 0
				if d := cmp.Diff(want, got[i]); d != "" {
					t.Errorf("link type %d, %s, packet %d (-want +got):\n%s", linkType, format, i+1, d)
				}
			}
		}
	}
}

// mergecap gives several interfaces from several files, and a cut of editcap
// gives packets shorter than they were.
func TestReadWhatMergecapWrites(t *testing.T) {
	mergecap := witness.Program(t, "tshark", "mergecap")
	editcap := witness.Program(t, "tshark", "editcap")
	dir := t.TempDir()
	frames := mixedFrames(60)
	for i, name := range []string{"drive", "body"} {
		var own []can.Frame
		for _, f := range frames {
			if f.Bus == uint16(i) {
				own = append(own, onBus(0, f))
			}
		}
		data := write(t, WriterOptions{Format: Pcapng}, newBuses(t, name), own...)
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	merged := filepath.Join(dir, "merged")
	run(t, "", mergecap, "-I", "none", "-w", merged, filepath.Join(dir, "drive"), filepath.Join(dir, "body"))
	got, rep, buses := readFile(t, merged)
	if len(got) != len(frames) || len(rep.SetAside) > 0 {
		t.Fatalf("%d frames of %d: %+v", len(got), len(frames), rep)
	}
	for i := range got {
		got[i].Offset, got[i].Record = 0, 0
		if name := buses[got[i].Bus].Name; name != []string{"drive", "body"}[frames[i].Bus] {
			t.Errorf("packet %d on bus %s", i+1, name)
		}
		got[i].Bus = frames[i].Bus
	}
	if d := cmp.Diff(frames, got); d != "" {
		t.Errorf("(-written +read):\n%s", d)
	}

	short := filepath.Join(dir, "short")
	run(t, "", editcap, "-s", "11", merged, short) // three bytes of payload are left
	got, rep, _ = readFile(t, short)
	cut := uint64(0)
	for _, f := range frames {
		if len(f.Payload()) > 3 {
			cut++
		}
	}
	if rep.SetAside[Cut].Count != cut || len(got) != len(frames)-int(cut) || cut == 0 {
		t.Errorf("%d frames, set aside %v; want %d cut", len(got), rep.SetAside, cut)
	}
}
