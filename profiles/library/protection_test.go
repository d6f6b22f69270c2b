package library_test

import (
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/demo"
)

// The comments of the DBC files say in words how a message is protected. These
// are the sentences, and what each stands for.
var (
	saysCRC     = regexp.MustCompile(`CRC-8 polynomial (\w\w), init (\w\w), final xor (\w\w), over bytes (\d) to (\d)(?: and then the constant (\w\w))?, in byte (\d)`)
	saysSum     = regexp.MustCompile(`sum of (length, both identifier bytes and )?bytes (\d) to (\d), modulo 256, in byte (\d)`)
	saysXOR     = regexp.MustCompile(`exclusive or of bytes (\d) to (\d), in byte (\d)`)
	saysCounter = regexp.MustCompile(`counter 0 to (\d+)`)
	saysToggle  = regexp.MustCompile(`toggle bit flips (every second|with every) frame`)
	saysParity  = regexp.MustCompile(`parity bit makes bytes 0 to (\d) even`)
)

// TestProtection holds every profile to what the comments of its DBC files say,
// message by message, both ways.
func TestProtection(t *testing.T) {
	checked := map[string]int{}
	for _, car := range demo.Settings() {
		for _, m := range setting(t, car.String()).Messages {
			if !m.Expected {
				continue
			}
			got, err := m.Protection()
			if err != nil {
				t.Fatal(err)
			}
			want := inWords(t, m)
			if diff := cmp.Diff(want, usual(got)); diff != "" {
				t.Errorf("%s: %s: %q (-comment +profile):\n%s", car, m.Name, m.Def.Comment, diff)
			}
			for kind, n := range map[string]int{
				"checksums": len(want.Checksums), "counters": len(want.Counters),
				"toggle bits": len(want.Toggles), "parity bits": len(want.Parities),
			} {
				checked[kind] += n
			}
		}
	}
	t.Logf("%v", checked)
	// Of 12 settings, 7 have the network of series 2 or 3, 7 an automatic gearbox.
	if want := map[string]int{"checksums": 12*6 + 7*3 + 7*2, "counters": 12*4 + 7*4 + 7*2, "toggle bits": 24, "parity bits": 12}; !cmp.Equal(want, checked) {
		t.Errorf("checked %v, want %v", checked, want)
	}
}

// inWords builds the protection that a message's comment describes.
func inWords(t *testing.T, m *profiles.MessageFacts) (p guard.Protection) {
	t.Helper()
	text := m.Def.Comment
	at := func(suffix string) guard.Field {
		for _, s := range m.Def.Signals {
			if strings.HasSuffix(s.Name, suffix) {
				return guard.Field{Start: s.Start, Length: s.Length, Order: guard.Order(s.Order)}
			}
		}
		t.Fatalf("%s: no signal *%s for %q", m.Name, suffix, text)
		return guard.Field{}
	}
	if says := saysCounter.FindStringSubmatch(text); says != nil {
		p.Counters = []guard.Counter{{Field: at("Count"), Modulo: uint64(number(t, says[1], 10)) + 1, Step: 1}}
	}
	if says := saysToggle.FindStringSubmatch(text); says != nil {
		every := map[string]int{"every second": 2, "with every": 1}[says[1]]
		p.Toggles = []guard.Toggle{{Field: at("Toggle"), Every: every}}
	}
	if says := saysParity.FindStringSubmatch(text); says != nil {
		over := guard.Field{Length: 8 * (number(t, says[1], 10) + 1), Order: guard.Intel}
		p.Parities = []guard.Parity{{Field: at("Parity"), Over: []guard.Field{over}}}
	}
	if sum, byteOf, ok := checksumInWords(t, text); ok {
		if sum.Field = at("Check"); sum.Field.Start != 8*byteOf || sum.Field.Length != 8 {
			t.Errorf("%s: the checksum lies at %d|%d, not in byte %d", m.Name, sum.Field.Start, sum.Field.Length, byteOf)
		}
		p.Checksums = []guard.Checksum{sum}
	}
	return p
}

// checksumInWords returns the checksum that a comment describes, and its byte.
// That it covers all bytes but its own is checked here.
func checksumInWords(t *testing.T, text string) (sum guard.Checksum, byteOf int, ok bool) {
	t.Helper()
	hex := func(s string) byte { return byte(number(t, s, 16)) }
	var first, last string
	if says := saysCRC.FindStringSubmatch(text); says != nil {
		sum.Law = guard.CRC8(hex(says[1]), hex(says[2]), hex(says[3]))
		sum.Over = []guard.Part{guard.Data(0, 0)}
		if says[6] != "" {
			sum.Over = append(sum.Over, guard.Bytes(hex(says[6])))
		}
		first, last, byteOf = says[4], says[5], number(t, says[7], 10)
	} else if says := saysSum.FindStringSubmatch(text); says != nil {
		sum.Law = guard.Law{Kind: guard.Sum}
		if says[1] != "" {
			sum.Over = []guard.Part{guard.Length(), guard.ID()}
		}
		sum.Over = append(sum.Over, guard.Data(0, 0))
		first, last, byteOf = says[2], says[3], number(t, says[4], 10)
	} else if says := saysXOR.FindStringSubmatch(text); says != nil {
		sum.Law = guard.Law{Kind: guard.XOR}
		sum.Over = []guard.Part{guard.Data(0, 0)}
		first, last, byteOf = says[1], says[2], number(t, says[3], 10)
	} else {
		return sum, 0, false
	}
	if from, to := number(t, first, 10), number(t, last, 10); from != 0 && byteOf != 0 || from == 0 && byteOf != to+1 {
		t.Errorf("%q leaves a byte out", text)
	}
	return sum, byteOf, true
}

func number(t *testing.T, s string, base int) int {
	t.Helper()
	n, err := strconv.ParseUint(s, base, 16)
	if err != nil {
		t.Fatal(err)
	}
	return int(n)
}

// usual writes out what a protection leaves to its defaults.
func usual(p guard.Protection) guard.Protection {
	for i := range p.Counters {
		c := &p.Counters[i]
		c.Step = max(1, c.Step)
		if c.Modulo == 0 {
			c.Modulo = 1 << c.Field.Length
		}
	}
	for i := range p.Toggles {
		p.Toggles[i].Every = max(1, p.Toggles[i].Every)
	}
	return p
}
