package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles/demo"
	"plugproof/replay/socketcan"
)

// recorded runs one guided recording: the car plays its script from the first
// prompt on, and the person presses Enter a second after a stage that the guide
// still asks for. late is how long the car stood still at worst.
func (d *day) recorded(s demo.Setting, moment string, opts demo.Options, more ...string) (text string, late time.Duration) {
	d.Helper()
	drive, err := demo.New(s, opts)
	if err != nil {
		d.Fatal(err)
	}
	args := append([]string{
		"record", "--script", "--quick", "--job", d.dir, "--moment", moment, "--on", "vcan0", "--on", "vcan1",
		"--bus", "vcan0=" + demo.DriveBus, "--bus", "vcan1=" + demo.BodyBus,
	}, more...)
	c := exec.CommandContext(d.Context(), os.Getenv(toolVariable), args...)
	p := &person{prompted: make(chan struct{})}
	c.Stderr = &p.remarks
	keys, err := c.StdinPipe()
	if err != nil {
		d.Fatal(err)
	}
	p.keys = keys
	out, err := c.StdoutPipe()
	if err == nil {
		err = c.Start()
	}
	if err != nil {
		d.Fatal(err)
	}
	var reading sync.WaitGroup
	reading.Go(func() { p.read(out) })
	select {
	case <-p.prompted:
	case <-time.After(3 * time.Minute): // a program starts slowly on a busy machine
		d.Fatalf("%q asks for nothing:\n%s%s", args, p.said(), &p.remarks)
	}
	time.Sleep(1500 * time.Millisecond) // asleep: the guide wants to see silence first
	late = d.play(drive, p)
	reading.Wait()
	if err := c.Wait(); err != nil {
		d.Fatalf("%q: %v\n%s%s", args, err, p.said(), &p.remarks)
	}
	return p.said(), late
}

// person reads what the guide says, and answers.
type person struct {
	mu       sync.Mutex
	lines    []string
	prompts  int
	prompted chan struct{} // closed by the first prompt
	keys     io.Writer
	remarks  bytes.Buffer
}

// prompt is a line that says what to do: "12 Let it idle. Touch nothing."
var prompt = regexp.MustCompile(`^[ 0-9]\d \S`)

func (p *person) read(r io.Reader) {
	for lines := bufio.NewScanner(r); lines.Scan(); {
		p.mu.Lock()
		p.lines = append(p.lines, lines.Text())
		if prompt.MatchString(lines.Text()) {
			if p.prompts++; p.prompts == 1 {
				close(p.prompted)
			}
		}
		p.mu.Unlock()
	}
}

func (p *person) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Join(p.lines, "\n") + "\n"
}

// leave presses Enter where the guide still asks for the stage, counted from 0.
func (p *person) leave(stage int) {
	p.mu.Lock()
	waits := p.prompts == stage+1
	p.mu.Unlock()
	if waits {
		io.WriteString(p.keys, "\n")
	}
}

// standstill is what the simulated car catches up with; when the machine stands
// still for longer, the car does so too.
const standstill = 50 * time.Millisecond

// play puts a drive on the buses at its pace, no two frames closer than the wire
// allows. It returns the longest standstill.
func (d *day) play(drive *demo.Drive, p *person) (late time.Duration) {
	var buses [2]*socketcan.Sender
	rates := [2]time.Duration{}
	index := func(f *can.Frame) int {
		if drive.Buses().Name(f.Bus) == demo.DriveBus {
			return 0
		}
		return 1
	}
	for i, name := range []string{"vcan0", "vcan1"} {
		buses[i] = d.dial(name)
		defer buses[i].Close()
	}
	rates[0], rates[1] = 2*time.Microsecond, 8*time.Microsecond // a bit: 500 and 125 kbit/s
	marks := drive.Markers()
	start, stage := time.Now(), 0
	var free [2]time.Time
	frame := make([]can.Frame, 1)
	for {
		_, err := drive.Read(d.Context(), frame)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			d.Fatal(err)
		}
		f := &frame[0]
		for stage < len(marks) && f.Time >= marks[stage].End+int64(time.Second) {
			p.leave(stage)
			stage++
		}
		due, bus := start.Add(time.Duration(f.Time-marks[0].Start)), index(f)
		if due.Before(free[bus]) {
			due = free[bus]
		}
		if wait := time.Until(due); wait > 0 {
			time.Sleep(wait)
		}
		if over := time.Since(due); over > standstill {
			start, late = start.Add(over), max(late, over)
		}
		if gone := time.Since(d.begun); gone > patience+90*time.Second {
			d.Skipf("not on this system now: %v are gone, and it stood still for %v at most", gone.Round(time.Second), late)
		}
		bits, _ := f.WireBits()
		free[bus] = time.Now().Add(time.Duration(bits) * rates[bus])
		if err := buses[bus].Send(d.Context(), 0, f); err != nil {
			d.Fatal(err)
		}
	}
	for ; stage < len(marks)-1; stage++ {
		p.leave(stage)
	}
	// Key-off ends by itself when the buses are silent; any other step, and that one
	// where they do not seem to be, by hand.
	silent := time.Second
	if marks[stage].Name == "key-off" {
		silent = 10 * time.Second
	}
	go func() {
		time.Sleep(silent)
		p.leave(stage)
	}()
	return late
}

func (d *day) dial(name string) *socketcan.Sender {
	start := time.Now()
	c, err := socketcan.OpenVirtual(name, func() time.Duration { return time.Since(start) })
	if err != nil {
		d.Fatal(fmt.Errorf("%s: %w", name, err))
	}
	return c
}
