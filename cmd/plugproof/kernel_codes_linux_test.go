package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/replay/service"
	"plugproof/replay/socketcan"
)

// unit answers requests on vcan0 for tests: by request in hex, an answer in hex.
type unit struct {
	link    service.Link // as the tester sees it
	answers map[string]string
}

// answer runs units on vcan0 until the test ends.
func answer(t *testing.T, units ...unit) {
	t.Helper()
	start := time.Now()
	clock := func() time.Duration { return time.Since(start) }
	for _, u := range units {
		conn, err := socketcan.Open("vcan0", 0, nil)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		out, err := socketcan.OpenVirtual("vcan0", clock)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { out.Close() })
		go u.run(t.Context(), conn, out, clock)
	}
}

func (u *unit) run(ctx context.Context, conn *socketcan.Conn, out *socketcan.Sender, clock func() time.Duration) {
	back := u.link
	back.Tx, back.Rx = u.link.Rx, u.link.Tx
	frames := make([]can.Frame, 16)
	var sender *service.Sender
	for {
		wait, cancel := context.WithTimeout(ctx, 2*time.Millisecond)
		n, err := conn.Read(wait, frames)
		cancel()
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			return
		}
		for _, f := range frames[:n] {
			if f.ID != 0x7DF && f.ID != u.link.Tx {
				continue
			}
			if f.Data[0] < 8 {
				if text := u.answers[fmt.Sprintf("%X", f.Data[1:1+f.Data[0]])]; text != "" {
					sender, _ = service.NewSender(back, service.Timing{}, unhex(text))
				}
			} else if sender != nil {
				_ = sender.Add(&f, int64(clock())) // a tester that refuses ends the test by what it lacks
			}
		}
		for sender != nil && !sender.Done() {
			f, err := sender.Next(int64(clock()))
			if f == nil || err != nil {
				break
			}
			if out.Send(ctx, 0, f) != nil {
				return
			}
		}
	}
}

func unhex(s string) []byte {
	var b []byte
	for i := 0; i+1 < len(s); i += 2 {
		var v byte
		fmt.Sscanf(s[i:i+2], "%02X", &v)
		b = append(b, v)
	}
	return b
}

// testCodes reads an engine, which answers the emission services and has a long
// list, and a cluster with an address of its own; the others stay silent.
func testCodes(t *testing.T) {
	long := "5902AF"
	for i := range 40 {
		long += fmt.Sprintf("01%02X0009", i+1)
	}
	answer(
		t,
		unit{service.Link{Tx: 0x7E0, Rx: 0x7E8}, map[string]string{
			"03": "43010135", "07": "4700", "0A": "7F0A11", "0902": "490201" + fmt.Sprintf("%X", "LOWAN000000000001"), "1902AF": long,
		}},
		unit{service.Link{Tx: 0x710, Rx: 0x718}, map[string]string{"1902AF": "5902AFC1008709"}},
	)
	c := run(t, 0, "codes", "--on", "vcan0", "--profile", "lowan-2-20t-a5")
	for _, want := range []string{
		"Engine (0x7E0, answers on 0x7E8)", "refuses 0A (permanent codes): it does not know this service",
		"Gearbox (0x7E1) does not answer", "P0135 Engine stored", "P0128-00 Engine failed now, confirmed",
		"U0100-87 Cluster failed now, confirmed", "Cluster misses the messages of the engine controller", "0x0D6 EngineSpeed on drive",
		"cover emission modules only",
	} {
		if !strings.Contains(c.out.String(), want) {
			t.Errorf("no %q in\n%s", want, &c.out)
		}
	}
	if !strings.Contains(c.said.String(), "other tester on the bus") {
		t.Errorf("no cautions in\n%s", &c.said)
	}
	if strings.Contains(c.out.String(), "LOWAN000000000001") {
		t.Errorf("the vehicle number is in\n%s", &c.out)
	}
	j := run(t, 0, "codes", "--on", "vcan0", "--profile", "lowan-2-20t-a5", "--format", "json")
	if !strings.Contains(j.out.String(), `"vin_sha256"`) || strings.Contains(j.out.String(), "LOWAN000000000001") {
		t.Errorf("the vehicle number in\n%s", &j.out)
	}
}

// testCodesOtherTester: another tester ends it.
func testCodesOtherTester(t *testing.T) {
	start := time.Now()
	out, err := socketcan.OpenVirtual("vcan0", func() time.Duration { return time.Since(start) })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { out.Close() })
	go func() {
		f := &can.Frame{ID: 0x7DF}
		f.SetPayload([]byte{0x02, 0x01, 0x0C})
		for t.Context().Err() == nil && out.Send(t.Context(), 0, f) == nil {
			time.Sleep(20 * time.Millisecond)
		}
	}()
	c := run(t, exitBus, "codes", "--on", "vcan0")
	if !strings.Contains(c.said.String(), "another tester asks on vcan0 by 0x7DF") {
		t.Errorf("said\n%s", &c.said)
	}
}
