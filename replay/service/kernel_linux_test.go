package service

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/can"
	"plugproof/decode/witness"
	"plugproof/replay/rig"
	"plugproof/replay/socketcan"
)

// TestKernelISOTP holds the transport to the Linux kernel's own, both ways, in a
// virtual machine with an ordinary kernel.
func TestKernelISOTP(t *testing.T) {
	if os.Getenv(rig.Inside) != "" {
		kernelISOTP(t)
		return
	}
	if testing.Short() {
		t.Skip("boots a virtual machine")
	}
	ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute)
	defer cancel()
	binary := filepath.Join(t.TempDir(), "service.test")
	build := exec.CommandContext(ctx, "go", "test", "-c", "-o", binary, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("go test -c: %v\n%s", err, out)
	}
	var out bytes.Buffer
	code, err := rig.RunVirtual(ctx, rig.Program{
		Args: []string{binary, "-test.run=^TestKernelISOTP$", "-test.v", "-test.timeout=150s"}, Out: &out,
	})
	if errors.Is(err, rig.ErrNoVirtual) {
		witness.Missing(t, "isotp", err.Error())
	}
	t.Logf("in the virtual machine:\n%s", &out)
	if err != nil || code != 0 {
		t.Fatalf("in the virtual machine: exit code %d, %v", code, err)
	}
	for _, name := range []string{"classic", "29-bit", "FD"} {
		for _, way := range []string{"sent", "received"} {
			if !strings.Contains(out.String(), "--- PASS: TestKernelISOTP/"+name+"/"+way+" ") {
				t.Errorf("%s/%s did not run and pass", name, way)
			}
		}
	}
}

// kernelISOTP runs where the kernel has ISO-TP.
func kernelISOTP(t *testing.T) {
	links := map[string]Link{
		"classic": {Tx: 0x7E0, Rx: 0x7E8},
		"29-bit":  {Tx: 0x18DA42F1, Rx: 0x18DAF142, Extended: true},
		"FD":      {Tx: 0x7E0, Rx: 0x7E8, FD: true},
	}
	// Around the limits of one frame, of 12 bits, and the kernel's own of 8200.
	sizes := []int{1, 7, 8, 13, 62, 63, 64, 100, 4095, 4096, 8200}
	wishes := []Timing{{}, {Block: 1}, {Block: 8, Separation: 0xF3}, {Block: 15, Separation: 1}}
	for name, link := range links {
		t.Run(name, func(t *testing.T) {
			if link.FD {
				if err := exec.Command("/bin/busybox", "ip", "link", "set", "vcan0", "down").Run(); err != nil {
					t.Fatal(err)
				}
				if err := exec.Command("/bin/busybox", "ip", "link", "set", "vcan0", "mtu", "72", "up").Run(); err != nil {
					t.Fatal(err)
				}
			}
			for way, pass := range map[string]func(*testing.T, Link, Timing, []byte){"sent": toKernel, "received": fromKernel} {
				t.Run(way, func(t *testing.T) {
					for _, size := range sizes {
						for _, wish := range wishes {
							if size > 100 && (wish.Separation == 1 || wish.Block == 1) {
								continue // seconds each
							}
							pass(t, link, wish, anyBytes(size))
							if t.Failed() {
								t.Fatalf("%d bytes, %+v", size, wish)
							}
						}
					}
				})
			}
		})
	}
}

// anyBytes gives a message, the same every time.
func anyBytes(n int) []byte {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// sender sends on vcan0.
func sender(t *testing.T) *socketcan.Sender {
	start := time.Now()
	out, err := socketcan.OpenVirtual("vcan0", func() time.Duration { return time.Since(start) })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { out.Close() })
	return out
}

// toKernel sends a message that the kernel receives and asks for as wished.
func toKernel(t *testing.T, link Link, wish Timing, message []byte) {
	fd := kernelSocket(t, other(link), wish)
	type result struct {
		data []byte
		err  error
	}
	got := make(chan result, 1)
	go func() {
		b := make([]byte, 10_000)
		n, err := unix.Read(fd, b)
		got <- result{b[:max(n, 0)], err}
	}()
	conn, out := open(t), sender(t)
	s, err := NewSender(link, Timing{}, message)
	if err != nil {
		t.Fatal(err)
	}
	frames := make([]can.Frame, 16)
	start := time.Now()
	for !s.Done() {
		f, err := s.Next(int64(time.Since(start)))
		if err != nil {
			t.Fatal(err)
		}
		if f != nil {
			if err := out.Send(t.Context(), 0, f); err != nil {
				t.Fatal(err)
			}
			continue
		}
		for i := range read(t, conn, frames, time.Duration(s.Due())-time.Since(start)) {
			if err := s.Add(&frames[i], int64(time.Since(start))); err != nil {
				t.Fatal(err)
			}
		}
	}
	if g := <-got; g.err != nil || !bytes.Equal(g.data, message) {
		t.Errorf("the kernel received %d bytes of %d, %v", len(g.data), len(message), g.err)
	}
}

// fromKernel receives a message that the kernel sends as it is asked to.
func fromKernel(t *testing.T, link Link, wish Timing, message []byte) {
	conn, out := open(t), sender(t)
	fd := kernelSocket(t, other(link), Timing{})
	sent := make(chan error, 1)
	go func() {
		n, err := unix.Write(fd, message)
		if err == nil && n != len(message) {
			err = fmt.Errorf("wrote %d bytes", n)
		}
		sent <- err
	}()
	r := NewReceiver(link, wish)
	frames := make([]can.Frame, 16)
	start := time.Now()
	for time.Since(start) < 10*time.Second {
		for i := range read(t, conn, frames, time.Second) {
			got, err := r.Add(&frames[i], int64(time.Since(start)))
			if err != nil {
				t.Fatal(err)
			}
			if got.Reply != nil {
				if err := out.Send(t.Context(), 0, got.Reply); err != nil {
					t.Fatal(err)
				}
			}
			if got.Message != nil {
				if !bytes.Equal(got.Message, message) {
					t.Errorf("received %d bytes, not the %d sent", len(got.Message), len(message))
				}
				if err := <-sent; err != nil {
					t.Errorf("the kernel sent: %v", err)
				}
				return
			}
		}
	}
	t.Error("no message came within 10 s")
}

// open opens vcan0 with room for the longest message in one block: the kernel
// sends that faster than any bus would.
func open(t *testing.T) *socketcan.Conn {
	t.Helper()
	conn, err := socketcan.Open("vcan0", 0, &socketcan.Config{Buffer: 4 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// read waits for frames, and gives how many came.
func read(t *testing.T, conn *socketcan.Conn, frames []can.Frame, wait time.Duration) int {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), max(wait, 0))
	defer cancel()
	n, err := conn.Read(ctx, frames)
	if err != nil && !errors.Is(err, context.DeadlineExceeded) {
		t.Fatal(err)
	}
	return n
}

// Options of linux/can/isotp.h.
const (
	solISOTP   = 106
	optRecvFC  = 2 // block size, separation time, waits
	optLinkLay = 5 // frame size, payload bytes, flags
)

// kernelSocket opens the kernel's end of a link.
func kernelSocket(t *testing.T, link Link, wish Timing) int {
	t.Helper()
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_DGRAM, unix.CAN_ISOTP)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	set := func(opt int, b ...byte) {
		if err := unix.SetsockoptString(fd, solISOTP, opt, string(b)); err != nil {
			t.Fatal(err)
		}
	}
	set(optRecvFC, wish.Block, wish.Separation, 0)
	if link.FD {
		const fdFrame = 72 // bytes of struct canfd_frame
		set(optLinkLay, fdFrame, can.MaxFDLen, 1)
	}
	if err := unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &unix.Timeval{Sec: 10}); err != nil {
		t.Fatal(err)
	}
	device, err := net.InterfaceByName("vcan0")
	if err != nil {
		t.Fatal(err)
	}
	addr := &unix.SockaddrCAN{Ifindex: device.Index, RxID: link.Rx, TxID: link.Tx}
	if link.Extended {
		addr.RxID |= unix.CAN_EFF_FLAG
		addr.TxID |= unix.CAN_EFF_FLAG
	}
	if err := unix.Bind(fd, addr); err != nil {
		t.Fatal(err)
	}
	return fd
}
