package rules

import (
	"cmp"
	"fmt"
	"strings"
	"unicode"

	"plugproof/decode/pattern"
)

// Code is a trouble code that a scan tool read.
type Code struct {
	Module string // as the scan tool names it; "" when it does not
	Code   string // P0123, U0100, with a failure type where there is one: U0100-87
	Text   string // as the scan tool gives it
	Line   int    // of the list; 0: not from a list
}

// DecodeCode gives a code of two bytes as service 03 reports it: bits 15 and 14
// are the letter (P, C, B, U), 13 and 12 the first digit, the rest three
// hexadecimal digits (SAE J2012). It returns "" for 0, which fills up a reply.
func DecodeCode(raw uint16) string {
	if raw == 0 {
		return ""
	}
	return fmt.Sprintf("%c%d%03X", "PCBU"[raw>>14], raw>>12&3, raw&0xFFF)
}

// DecodeLongCode gives a code of three bytes as service 19 reports it: the two
// of DecodeCode and the failure type (ISO 14229-1, SAE J2012).
func DecodeLongCode(raw uint32) string {
	if raw&0xFFFFFF == 0 {
		return ""
	}
	return fmt.Sprintf("%c%d%03X-%02X", "PCBU"[raw>>22&3], raw>>20&3, raw>>8&0xFFF, raw&0xFF)
}

// maxCodes is the most codes that a list is read for: no car has as many.
const maxCodes = 10_000

// codePattern finds a code and its failure type, which follows at once or after
// a mark: U0100, u0100-87, U010087, U0100:87.
var codePattern = pattern.Late(`(?i)\b([PCBU][0-3][0-9A-F]{3})(?:[-:/,;]?([0-9A-F]{2}))?\b`)

// noise are words of a line that name no module.
var noise = pattern.Late(`(?i)\b(d?tcs?|codes?|faults?|trouble|stored|pending|permanent|confirmed|current|active|history|historic|intermittent|sporadic|module|unit|system)\b`)

// ParseCodes reads the list of a scan tool as text. A line holds the module, the
// code and a text, or the code alone under a line with the module; other lines
// are left out. Where a heading or the line says whether codes are stored or active,
// that is added to the text. The error is that a text holds no code at all and does not say so.
func ParseCodes(file string, src []byte) ([]Code, error) {
	var list []Code
	heading, none := "", false
	var section CodeStatus // of the codes below a heading
	n := 0
	for line := range strings.Lines(string(src)) {
		n++
		line = strings.TrimSpace(strings.ToValidUTF8(line, "?"))
		found := codePattern().FindAllStringSubmatchIndex(line, -1)
		if len(found) == 0 {
			if saysNone(line) {
				none = true
				continue
			}
			name, status := moduleName(line), statusOf(line)
			if name != "" {
				heading = name
			}
			if name != "" || status != "" {
				section = status
			}
			continue
		}
		ahead := line[:found[0][0]]
		module := moduleName(ahead)
		if module == "" {
			module = heading
		}
		codes := codesOf(line, module, n, found)
		for i := range codes {
			codes[i].state(cmp.Or(statusOf(ahead), section))
		}
		if list = append(list, codes...); len(list) > maxCodes {
			return nil, fmt.Errorf("%s: more than %d codes: this is no list of a car", file, maxCodes)
		}
	}
	if len(list) == 0 && !none {
		return nil, fmt.Errorf("%s: there is no trouble code in it, nor does it say that there is none", file)
	}
	return list, nil
}

// state adds to the text what stood elsewhere of when the fault was there.
func (c *Code) state(status CodeStatus) {
	switch {
	case status == "" || c.Status() != "":
	case c.Text == "":
		c.Text = string(status)
	default:
		c.Text += " (" + string(status) + ")"
	}
}

// codesOf takes the codes out of one line; a text stands after the last.
func codesOf(line, module string, n int, found [][]int) []Code {
	var list []Code
	for i, at := range found {
		c := Code{Module: module, Code: strings.ToUpper(line[at[2]:at[3]]), Line: n}
		if at[4] >= 0 {
			c.Code += "-" + strings.ToUpper(line[at[4]:at[5]])
		}
		end := len(line)
		if i+1 < len(found) {
			end = found[i+1][0]
		}
		c.Text = strings.Trim(line[at[1]:end], " \t-:;,|\"")
		list = append(list, c)
	}
	return list
}

// saysNone reports whether a line says that there are no codes.
func saysNone(line string) bool {
	words := strings.Fields(strings.ToLower(line))
	for i, w := range words {
		if w = strings.Trim(w, ".:,;"); w == "none" || w == "no" && i+1 < len(words) && noise().MatchString(words[i+1]) {
			return true
		}
	}
	return false
}

// moduleName takes a module's name out of what stands before a code, or of a
// line without one: "3) TCM:" gives "TCM". It returns "" when no name is there.
func moduleName(s string) string {
	s = noise().ReplaceAllString(s, " ")
	s = strings.Join(strings.Fields(strings.Map(func(r rune) rune {
		if strings.ContainsRune("=[](){}|\";,:*#<>_", r) || unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)), " ")
	s = strings.TrimLeft(s, "0123456789.- ")
	s = strings.TrimRight(s, "- ")
	const longest = 40 // characters: anything longer is a sentence
	if len(s) > longest || !strings.ContainsFunc(s, unicode.IsLetter) {
		return ""
	}
	return s
}

// FormatCodes writes codes as a list that ParseCodes reads again.
func FormatCodes(codes []Code) string {
	if len(codes) == 0 {
		return "no codes\n"
	}
	var b strings.Builder
	for _, c := range codes {
		if c.Module != "" {
			b.WriteString(c.Module + ": ")
		}
		b.WriteString(strings.TrimSpace(c.Code+" "+c.Text) + "\n")
	}
	return b.String()
}
