package service

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// car is a bus with modules that answer, for tests only. Its frames take no
// time; its modules take as long as their answers say.
type car struct {
	t       *testing.T
	modules []*module
	heard   chan can.Frame // by the tester
	sent    []string       // what the tester sent
	links   []Link
	running sync.WaitGroup
}

// module answers requests, by their bytes in hex. "" is silence; an answer may
// hold several messages separated by /, and "+100" waits 100 ms.
type module struct {
	link    Link // as the tester sees it
	answers map[string]string
	frames  chan can.Frame
	mangle  func(n int, f *can.Frame) bool // changes the nth frame sent; false: drops it
}

func newCar(t *testing.T, modules ...*module) *car {
	c := &car{t: t, modules: modules, heard: make(chan can.Frame, 4096)}
	for _, m := range modules {
		c.links = append(c.links, m.link)
		m.frames = make(chan can.Frame, 4096)
	}
	return c
}

// run starts the modules; they end with ctx.
func (c *car) run(ctx context.Context) {
	for _, m := range c.modules {
		c.running.Go(func() { m.run(ctx, c) })
	}
}

func (c *car) Send(_ context.Context, f *can.Frame) error {
	if err := Permitted(f, c.links); err != nil {
		c.t.Error(err)
	}
	c.sent = append(c.sent, fmt.Sprintf("%X %X", f.ID, f.Payload()))
	for _, m := range c.modules {
		if f.ID == m.link.Tx || TesterAsks(f.ID, m.link.Extended) && (f.ID == everyone || f.ID == everyoneExtended) {
			m.frames <- *f
		}
	}
	return nil
}

func (c *car) Read(ctx context.Context, frames []can.Frame) (int, error) {
	select {
	case frames[0] = <-c.heard:
		return 1, nil
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

// run answers one request after another. It hears the tester's functional and
// physical requests, both as single frames.
func (m *module) run(ctx context.Context, c *car) {
	for {
		select {
		case <-ctx.Done():
			return
		case f := <-m.frames:
			if f.Data[0]>>4 != kindSingle {
				continue
			}
			request := fmt.Sprintf("%X", f.Data[1:1+f.Data[0]])
			for answer := range strings.SplitSeq(m.answers[request], "/") {
				m.answer(ctx, c, answer)
			}
		}
	}
}

func (m *module) answer(ctx context.Context, c *car, answer string) {
	switch {
	case answer == "":
		return
	case answer[0] == '+':
		wait, _ := time.ParseDuration(answer[1:] + "ms")
		time.Sleep(wait)
		return
	}
	start := time.Now()
	s, err := NewSender(other(m.link), Timing{}, raw(c.t, answer))
	if err != nil {
		c.t.Error(err)
		return
	}
	for n := 0; !s.Done(); {
		now := int64(time.Since(start))
		f, err := s.Next(now)
		if err != nil {
			return // the tester does not go on
		}
		if f != nil {
			if m.mangle == nil || m.mangle(n, f) {
				c.heard <- *f
			}
			n++
			continue
		}
		select {
		case <-ctx.Done():
			return
		case f := <-m.frames:
			f.ID = m.link.Tx
			if s.Add(&f, now) != nil {
				return
			}
		case <-time.After(time.Duration(s.Due() - now)):
		}
	}
}

// play runs what a tester does against a car.
func play(t *testing.T, c *car, do func(context.Context, *Client)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		c.heard = make(chan can.Frame, 4096)
		for _, m := range c.modules {
			m.frames = make(chan can.Frame, 4096)
		}
		c.run(ctx)
		start := time.Now()
		do(ctx, &Client{Bus: c, Now: func() time.Duration { return time.Since(start) }})
		cancel()
		c.running.Wait()
	})
}

func TestAsk(t *testing.T) {
	vin := "49020131443447503030523535423132333435 36"
	gearbox := Link{Tx: 0x7E1, Rx: 0x7E9}
	tests := []struct {
		name    string
		modules []*module
		request string
		want    []string // rx, data or error
		took    time.Duration
	}{
		{"nobody", nil, "03", nil, answerWait},
		{"two interleaved", []*module{
			{link: engine, answers: map[string]string{"0902": vin}},
			{link: gearbox, answers: map[string]string{"0902": vin}},
		}, "0902", []string{
			"7E8 4902013144344750303052353542313233343536", "7E9 4902013144344750303052353542313233343536",
		}, 0},
		{"late but in time", []*module{{link: engine, answers: map[string]string{"03": "+150/4300"}}}, "03", []string{"7E8 4300"}, 0},
		{"too late", []*module{{link: engine, answers: map[string]string{"03": "+300/4300"}}}, "03", nil, answerWait},
		{
			"pending",
			[]*module{{link: engine, answers: map[string]string{"03": "7F0378/+3000/7F0378/+3000/4300"}}},
			"03",
			[]string{"7E8 4300"},
			6 * time.Second,
		},
		{
			"pending for ever",
			[]*module{{link: engine, answers: map[string]string{"03": "7F0378"}}},
			"03",
			[]string{"7E8 id 0x7E8: asked for more time and then did not answer"},
			moreWait,
		},
		{
			"refused",
			[]*module{{link: engine, answers: map[string]string{"0A": "7F0A11"}}},
			"0A",
			[]string{"7E8 service 0x0A refused: it does not know this service (0x11)"},
			0,
		},
		{
			"answer to something else first",
			[]*module{{link: engine, answers: map[string]string{"03": "4100/7F0111/4300"}}},
			"03",
			[]string{"7E8 4300"},
			0,
		},
		{"part lost", []*module{{
			link: engine, answers: map[string]string{"0902": vin},
			mangle: func(n int, _ *can.Frame) bool { return n != 1 },
		}}, "0902", []string{"7E8 id 0x7E8: part 2 came where part 1 was due: a frame is missing or came twice"}, 0},
		{"end lost", []*module{{
			link: engine, answers: map[string]string{"0902": vin},
			mangle: func(n int, _ *can.Frame) bool { return n != 2 },
		}}, "0902", []string{"7E8 id 0x7E8: no further frame for 1s: 13 of 20 bytes came"}, time.Second},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			play(t, newCar(t, tt.modules...), func(ctx context.Context, c *Client) {
				from := Standard(false)
				answers, err := c.Ask(ctx, Everyone(false), from, raw(t, tt.request))
				if err != nil {
					t.Fatal(err)
				}
				var got []string
				for _, a := range answers {
					s := fmt.Sprintf("%X %X", a.Link.Rx, a.Data)
					if a.Err != nil {
						s = fmt.Sprintf("%X %v", a.Link.Rx, a.Err)
					}
					got = append(got, s)
				}
				if d := cmp.Diff(tt.want, got); d != "" {
					t.Error(d)
				}
				if took := c.Now(); took < tt.took {
					t.Errorf("over after %v, want at least %v", took, tt.took)
				}
			})
		})
	}
}

func TestAskEnds(t *testing.T) {
	play(t, newCar(t), func(ctx context.Context, c *Client) {
		ctx, cancel := context.WithTimeout(ctx, 50*time.Millisecond)
		defer cancel()
		if _, err := c.Ask(ctx, Everyone(false), Standard(false), []byte{serviceStored}); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("error %v", err)
		}
		if took := c.Now(); took != 50*time.Millisecond {
			t.Errorf("over after %v", took)
		}
	})
}

// TestRead reads an invented car: an engine module of the emission services that
// also takes the newer requests, a gearbox that takes only the older, a cluster
// with identifiers of its own, and a module that is not there.
func TestRead(t *testing.T) {
	cluster := Link{Tx: 0x720, Rx: 0x728}
	body := Link{Tx: 0x740, Rx: 0x748}
	car := newCar(
		t,
		&module{link: engine, answers: map[string]string{
			"03": "430101 35", "07": "4700", "0A": "7F0A11", "0902": "490201" + "4C4F57414E303030303030303030303031",
			"1902AF": "5902AF0135002FC1000050", "22F190": "62F1904C4F57414E303030303030303030303031",
			"22F187": "62F18731322D33", "22F189": "7F2231", "22F197": "62F187",
		}},
		&module{link: Link{Tx: 0x7E1, Rx: 0x7E9}, answers: map[string]string{
			"03": "4301C100", "1902AF": "7F1911", "190A": "7F1911",
		}},
		&module{link: cluster, answers: map[string]string{
			"1902AF": "7F1912", "190A": "590AFFC100870FC1400050",
		}},
	)
	car.links = append(car.links, body)
	var report *Report
	play(t, car, func(ctx context.Context, c *Client) {
		var err error
		report, err = Read(ctx, c, Plan{Targets: []Target{{"cluster", cluster}, {"body", body}, {"engine", engine}}}, nil)
		if err != nil {
			t.Fatal(err)
		}
	})
	want := &Report{
		Modules: []Module{
			{
				Target:   Target{"cluster", cluster},
				Codes:    []Code{{"U0100-87", Listed, 0x0F, true}},
				Answered: []string{"19 0A (all codes it knows)"},
				Refused:  []string{"19 02 (codes by status): it does not know this kind of request"},
			},
			{
				Target:         Target{"engine", engine},
				Codes:          []Code{{"P0135", Stored, 0, false}, {"P0135-00", Listed, 0x2F, true}},
				VIN:            "LOWAN000000000001",
				Identification: []Field{{dataPartNumber, "spare part number", "12-3"}},
				Answered: []string{
					"03 (stored codes)", "07 (pending codes)", "09 02 (vehicle number)", "19 02 (codes by status)",
					"22 F190 (vehicle number)", "22 F187 (spare part number)",
				},
				Refused: []string{
					"0A (permanent codes): it does not know this service", "22 F189 (software version): it has nothing of that number",
				},
				Problems: []string{"22 F197 (system name): it answers with number F187"},
			},
			{
				Target:   Target{"", Link{Tx: 0x7E1, Rx: 0x7E9}},
				Codes:    []Code{{"U0100", Stored, 0, false}},
				Answered: []string{"03 (stored codes)"},
				Refused: []string{
					"19 02 (codes by status): it does not know this service", "19 0A (all codes it knows): it does not know this service",
				},
			},
		},
		Silent: []Target{{"body", body}},
	}
	if d := cmp.Diff(want, report); d != "" {
		t.Error(d)
	}
}

// TestReadExtended asks by 29-bit identifiers.
func TestReadExtended(t *testing.T) {
	link := Link{Tx: 0x18DA42F1, Rx: 0x18DAF142, Extended: true}
	car := newCar(t, &module{link: link, answers: map[string]string{"03": "43020102 0113"}})
	play(t, car, func(ctx context.Context, c *Client) {
		report, err := Read(ctx, c, Plan{Extended: true}, nil)
		if err != nil {
			t.Fatal(err)
		}
		if len(report.Modules) != 1 || len(report.Modules[0].Codes) != 2 || report.Modules[0].Link != link {
			t.Errorf("%+v", report)
		}
	})
	if want := "18DB33F1 0103CCCCCCCCCCCC"; len(car.sent) == 0 || car.sent[0] != want {
		t.Errorf("sent %v, want %s first", car.sent, want)
	}
}
