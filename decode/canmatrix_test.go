package decode

import (
	"bufio"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/witness"
)

// framesPerMessage is how many random frames both decoders get of each message.
const framesPerMessage = 200

// Requests and answers of testdata/witness/canmatrix_decode.py, which describes them.
type (
	witnessRequest struct {
		Path     string           `json:"path"`
		Messages []witnessMessage `json:"messages"`
	}
	witnessMessage struct {
		ID       uint32   `json:"id"`
		Extended bool     `json:"extended"`
		Frames   []string `json:"frames"`
	}
	witnessAnswer struct {
		Error    string
		Absent   [][3]any
		Messages []witnessMessageAnswer
	}
	witnessMessageAnswer struct {
		Skip    string
		Outside []string
		Frames  []map[string][2]string
	}
)

// witnessFaults lists what cannot be compared with the witness, and why. A
// message goes by "file message", all of a file by "file *". A fault that does
// not show is an error, too.
var witnessFaults = map[string]string{
	// It refuses identifiers over 11 bits without bit 31 and hangs the signals
	// of such a message onto the one before.
	"dbc/canmatrix/test.dbc *":              "absent",
	"dbc/cantools/issue_199.dbc *":          "absent",
	"dbc/cantools/issue_199_extended.dbc *": "absent",
	// It takes the identifier 0x7FFFFFFF, which no frame has, for 0x1FFFFFFF.
	"dbc/cantools/issue_199_extended.dbc DriverDoorStatus": "only there",
	// It keeps the message that holds signals of no message, under identifier 0.
	"dbc/cantools/issue_62.dbc VECTOR__INDEPENDENT_SIG_MSG": "only there",
	// It cannot decode messages of size 0.
	"dbc/canmatrix/aa.dbc SYNC":                  "size 0",
	"dbc/cantools/message-dlc-zero.dbc Message1": "size 0",
	"dbc/cantools/no_signals.dbc Message2":       "size 0",
	// It decodes extended multiplexing wrongly; TestPagesRanges and
	// TestPagesCascade hold published values instead. It also takes for extended
	// what SG_MUL_VAL_ only repeats.
	"dbc/cantools/bus_comment.dbc Message1":                                                              "extended multiplexing",
	"dbc/cantools/issue_184_extended_mux_cascaded.dbc ext_MUX_cascaded":                                  "extended multiplexing",
	"dbc/cantools/issue_184_extended_mux_cascaded_dumped.dbc ext_MUX_cascaded":                           "extended multiplexing",
	"dbc/cantools/issue_184_extended_mux_independent_multiplexors.dbc ext_MUX_indep_multiplexors":        "extended multiplexing",
	"dbc/cantools/issue_184_extended_mux_independent_multiplexors_dumped.dbc ext_MUX_indep_multiplexors": "extended multiplexing",
	"dbc/cantools/issue_184_extended_mux_multiple_values.dbc ext_MUX_multiple_values":                    "extended multiplexing",
	"dbc/cantools/issue_184_extended_mux_multiple_values_dumped.dbc ext_MUX_multiple_values":             "extended multiplexing",
	"dbc/cantools/multiplex.dbc Message1":                                                                "extended multiplexing",
	"dbc/cantools/multiplex_2.dbc Shared":                                                                "extended multiplexing",
	"dbc/cantools/multiplex_2.dbc Extended":                                                              "extended multiplexing",
	"dbc/cantools/multiplex_2.dbc ExtendedTypes":                                                         "extended multiplexing",
	"dbc/cantools/multiplex_2_dumped.dbc Shared":                                                         "extended multiplexing",
	"dbc/cantools/multiplex_2_dumped.dbc Normal":                                                         "extended multiplexing",
	"dbc/cantools/multiplex_2_dumped.dbc Extended":                                                       "extended multiplexing",
	"dbc/cantools/multiplex_2_dumped.dbc ExtendedTypes":                                                  "extended multiplexing",
	"dbc/cantools/multiplex_choices.dbc Message1":                                                        "extended multiplexing",
	"dbc/cantools/multiplex_choices.dbc Message2":                                                        "extended multiplexing",
	"dbc/cantools/multiplex_choices_dumped.dbc Message1":                                                 "extended multiplexing",
	"dbc/cantools/multiplex_choices_dumped.dbc Message2":                                                 "extended multiplexing",
	"dbc/cantools/multiplex_choices_dumped.dbc Message3":                                                 "extended multiplexing",
	"dbc/cantools/multiplex_dumped.dbc Message1":                                                         "extended multiplexing",
}

// pythonWitness is the one process that serves a whole test.
type pythonWitness struct {
	requests io.Writer
	answers  *bufio.Reader
}

func startCanmatrix(t *testing.T) *pythonWitness {
	python := witness.Program(t, "canmatrix", "/usr/bin/python3") // where Debian's packages are seen
	if out, err := exec.Command(python, "-c", "import canmatrix.formats.dbc").CombinedOutput(); err != nil {
		witness.Missing(t, "canmatrix", fmt.Sprintf("python3-canmatrix is not installed: %s", out))
	}
	cmd := exec.Command(python, filepath.Join(witness.Root(t), "testdata", "witness", "canmatrix_decode.py"))
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var complaints strings.Builder
	cmd.Stderr = &complaints
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close()
		if err := cmd.Wait(); err != nil {
			t.Errorf("canmatrix: %v\n%s", err, complaints.String())
		}
	})
	return &pythonWitness{in, bufio.NewReaderSize(out, 1<<20)}
}

func (w *pythonWitness) ask(t *testing.T, q witnessRequest) witnessAnswer {
	line, err := json.Marshal(q)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.requests.Write(append(line, '\n')); err != nil {
		t.Fatal(err)
	}
	line, err = w.answers.ReadBytes('\n')
	if err != nil {
		t.Fatal(err)
	}
	var a witnessAnswer
	if err := json.Unmarshal(line, &a); err != nil {
		t.Fatalf("%v in %.200s", err, line)
	}
	return a
}

// comparison gathers what the two decoders say.
type comparison struct {
	t        *testing.T
	rng      *rand.Rand
	messages int
	values   int
	faults   map[string]bool // keys of witnessFaults that showed
}

// TestAgainstCanmatrix decodes random frames of every message of the public DBC
// files with both decoders: the same signals, raw values exactly equal, physical
// values to 1e-9 relative. It takes about 10 s.
func TestAgainstCanmatrix(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	dir := witness.PublicData(t)
	files, err := filepath.Glob(filepath.Join(dir, "*", "*", "*.dbc")) // dbc/* and captures/*
	if err != nil {
		t.Fatal(err)
	}
	w := startCanmatrix(t)
	c := &comparison{t: t, rng: rand.New(rand.NewPCG(20, 26)), faults: make(map[string]bool)}
	for _, path := range files {
		name, err := filepath.Rel(dir, path)
		if err != nil {
			t.Fatal(err)
		}
		c.file(w, path, filepath.ToSlash(name))
	}
	for fault := range witnessFaults {
		if !c.faults[fault] {
			t.Errorf("%s: listed as a fault of the witness, but nothing is wrong with it", fault)
		}
	}
	t.Logf("%d files, %d messages, %d values compared", len(files), c.messages, c.values)
	if c.messages < 1750 || c.values < 2_300_000 {
		t.Errorf("only %d messages and %d values were compared", c.messages, c.values)
	}
}

// file compares all messages of a file.
func (c *comparison) file(w *pythonWitness, path, name string) {
	src, err := os.ReadFile(path)
	if err != nil {
		c.t.Fatal(err)
	}
	request := witnessRequest{Path: path, Messages: []witnessMessage{}}
	var messages []*Message
	var frames [][]can.Frame
	for _, def := range dbc.Parse(name, src).Messages {
		if def.Length > can.MaxFDLen {
			c.t.Errorf("%s %s: %d bytes are no frame", name, def.Name, def.Length)
			continue
		}
		m, _ := compile(def)
		random := c.randomFrames(def.Length)
		messages, frames = append(messages, m), append(frames, random)
		asked := witnessMessage{ID: def.ID, Extended: def.Extended}
		for i := range random {
			asked.Frames = append(asked.Frames, hex.EncodeToString(random[i].Payload()))
		}
		request.Messages = append(request.Messages, asked)
	}
	answer := w.ask(c.t, request)
	if answer.Error != "" {
		c.t.Errorf("%s: the witness cannot read it: %s", name, answer.Error)
	}
	for _, m := range answer.Absent {
		c.fault(name, fmt.Sprint(m[2]), "only there")
	}
	for i := range answer.Messages {
		c.message(name, messages[i], frames[i], &answer.Messages[i])
	}
}

func (c *comparison) randomFrames(length int) []can.Frame {
	frames := make([]can.Frame, framesPerMessage)
	for i := range frames {
		f := &frames[i]
		f.Len = uint8(length) // also lengths that no frame on a bus has
		for j := range length {
			f.Data[j] = byte(c.rng.Uint32())
		}
	}
	return frames
}

// fault takes note of something that is not compared, and complains when the
// list does not have it.
func (c *comparison) fault(file, message, what string) {
	for _, key := range [...]string{file + " " + message, file + " *"} {
		if witnessFaults[key] == what {
			c.faults[key] = true
			return
		}
	}
	c.t.Errorf("%s %s: not compared: %s", file, message, what)
}

func (c *comparison) message(file string, m *Message, frames []can.Frame, answer *witnessMessageAnswer) {
	if answer.Skip != "" {
		c.fault(file, m.Def.Name, answer.Skip)
		return
	}
	places := signalPlaces(m.Def)
	for s, place := range places {
		end := (firstBit(s) + s.Length + 7) / 8
		if slices.Contains(answer.Outside, place) != (end > m.Def.Length) {
			c.t.Errorf("%s %s %s: the witness sees it outside: %v", file, m.Def.Name, s.Name, answer.Outside)
		}
	}
	c.messages++
	for i := range frames {
		want := answer.Frames[i]
		values, complete := m.Decode(&frames[i], nil)
		if !complete || len(values) != len(want) {
			c.t.Errorf("%s %s, % X: %d values, complete %v; the witness has %d",
				file, m.Def.Name, frames[i].Payload(), len(values), complete, len(want))
			return
		}
		for j := range values {
			s := values[j].Signal
			theirs, ok := want[places[s.Def]]
			if ours := [2]string{rawText(&frames[i], &values[j]), fmt.Sprint(values[j].Phys)}; !ok || ours[0] != theirs[0] || !samePhys(s, ours, theirs) {
				c.t.Errorf("%s %s.%s, % X: %v, the witness says %v", file, m.Def.Name, s.Def.Name, frames[i].Payload(), ours, theirs)
				return
			}
			c.values++
		}
	}
}

// signalPlaces names signals as the witness does.
func signalPlaces(m *dbc.Message) map[*dbc.Signal]string {
	seen := make(map[string]int)
	names := make(map[*dbc.Signal]string)
	for _, s := range m.Signals {
		place := fmt.Sprintf("%d|%d@%d", s.Start, s.Length, s.Order)
		seen[place]++
		names[s] = fmt.Sprintf("%s %d", place, seen[place])
	}
	return names
}

// rawText writes a raw value as the witness does.
func rawText(f *can.Frame, v *Value) string {
	switch s := v.Signal; {
	case s.kind == single:
		return fmt.Sprintf("f%016x", math.Float64bits(float64(math.Float32frombits(uint32(v.Raw)))))
	case s.kind == double:
		return fmt.Sprintf("f%016x", v.Raw)
	case s.Wide():
		p := s.AppendBytes(f, nil)
		if !s.big {
			slices.Reverse(p)
		}
		return new(big.Int).SetBytes(p).String()
	case s.Signed():
		return strconv.FormatInt(int64(v.Raw), 10)
	}
	return strconv.FormatUint(v.Raw, 10)
}

// samePhys compares physical values to 1e-9, relative to the larger of the two
// terms they are the sum of: where those cancel out, nothing else has a meaning.
func samePhys(s *Signal, ours, theirs [2]string) bool {
	a, errA := strconv.ParseFloat(ours[1], 64)
	b, errB := strconv.ParseFloat(theirs[1], 64)
	if errA != nil || errB != nil {
		return false
	}
	scale := max(math.Abs(b-s.offset), math.Abs(s.offset))
	return same(a, b) || math.Abs(a-b) <= 1e-9*scale || s.Wide()
}
