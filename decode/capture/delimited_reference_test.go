package capture

import (
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

// A second reader of delimited text, slow and short: fields by encoding/csv,
// numbers by strconv and math/big. It knows the columns that drawColumns draws.

// slowRead gives the frames of well-formed text, each as short writes it.
func slowRead(t *rapid.T, c *Columns, text string) (lines []string) {
	r := csv.NewReader(strings.NewReader(text))
	r.Comma = rune(c.Delimiter)
	r.FieldsPerRecord = -1
	for number := 1; ; number++ {
		row, err := r.Read()
		if row == nil {
			return lines
		}
		if err != nil {
			t.Fatal(err)
		}
		if number == 1 && c.Header {
			continue
		}
		f := can.Frame{}
		if slowRecord(c, row, &f) {
			lines = append(lines, short(&f))
		}
	}
}

func slowRecord(c *Columns, row []string, f *can.Frame) bool {
	get := func(col Column) string {
		if col.Number == 0 || col.Number > len(row) {
			return ""
		}
		return strings.Trim(row[col.Number-1], " \t")
	}
	for _, col := range []Column{c.Time.Column, c.ID.Column, c.Length.Column} {
		if col.Number > len(row) {
			return false
		}
	}
	for _, flag := range c.Flags {
		for _, w := range flag.Words {
			field := get(flag.Column)
			words := append(strings.FieldsFunc(field, func(r rune) bool { return strings.ContainsRune(" |,/+;", r) }), field)
			if slices.ContainsFunc(words, func(word string) bool { return strings.EqualFold(word, w) }) {
				f.Flags |= flag.Flag
			}
		}
	}
	return slowTime(c, get(c.Time.Column), f) && slowID(c, get(c.ID.Column), f) && slowData(c, row, get, f)
}

func slowTime(c *Columns, text string, f *can.Frame) bool {
	if c.DecimalComma {
		if strings.Contains(text, ".") {
			return false
		}
		text = strings.ReplaceAll(text, ",", ".")
	}
	if strings.ContainsAny(text, "/_xXpPbBoO") { // big.Rat takes more than decimals
		return false
	}
	v, ok := new(big.Rat).SetString(text)
	if !ok || v.Sign() < 0 {
		return false
	}
	v.Mul(v, new(big.Rat).SetInt64(c.Time.Unit))
	v.Add(v, big.NewRat(1, 2))
	ns := new(big.Int).Div(v.Num(), v.Denom())
	f.Time = ns.Int64()
	return ns.IsInt64() && f.Time <= maxSeconds*1e9
}

func slowNumber(text string, base Base) (uint64, bool) {
	b, low := 16, strings.ToLower(text)
	switch {
	case base == Decimal || base == Prefixed && !strings.HasPrefix(low, "0x"):
		b = 10
	case strings.HasPrefix(low, "0x"):
		low = low[2:]
	case len(low) > 1:
		low = strings.TrimSuffix(low, "h")
	}
	v, err := strconv.ParseUint(low, b, 64)
	return v, err == nil
}

func slowID(c *Columns, text string, f *can.Frame) bool {
	if c.ID.Extended == ExtendedSuffix && len(text) > 1 && strings.HasSuffix(strings.ToLower(text), c.ID.Suffix) {
		text = text[:len(text)-1]
		f.Flags |= can.Extended
	}
	v, ok := slowNumber(text, c.ID.Base)
	if c.ID.Extended == ExtendedLarge && !c.flagged(can.Extended) && v > 0x7FF {
		f.Flags |= can.Extended
	}
	f.ID = uint32(v)
	return ok && v <= 0x1FFFFFFF && (f.Flags&can.Extended != 0 || v <= 0x7FF)
}

func slowData(c *Columns, row []string, get func(Column) string, f *can.Frame) bool {
	stated := c.Length.Column.Number > 0
	length, ok := slowNumber(get(c.Length.Column), c.Length.Base)
	if stated && !ok {
		return false
	}
	var data []byte
	if c.Data.Column.Number > 0 {
		data, ok = slowBytes(get(c.Data.Column), c.Data.Separator, c.Data.Base)
	} else {
		ok = true
		for i := c.Data.From.Number - 1; i < len(row) && (!stated || len(data) < int(length)) && strings.TrimSpace(row[i]) != "" && ok; i++ {
			v, fine := slowNumber(strings.TrimSpace(row[i]), c.Data.Base)
			ok = fine && v <= 255
			data = append(data, byte(v))
		}
	}
	remote := f.Flags&can.Remote != 0
	if !stated {
		length = uint64(len(data))
	}
	if remote {
		data, ok = make([]byte, min(length, 64)), true
		if !stated {
			data, length = nil, 0
		}
	}
	if !ok || uint64(len(data)) != length || length > 64 || remote && length > 8 {
		return false
	}
	if length > 8 {
		f.Flags |= can.FD
	}
	f.DLC = can.LenToDLC(int(length))
	f.Len = can.DLCToLen(f.DLC, f.Flags&can.FD != 0)
	copy(f.Data[:], data)
	return uint64(f.Len) == length
}

func slowBytes(text string, separator byte, base Base) (data []byte, ok bool) {
	for _, group := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == '\t' || r == rune(separator) }) {
		if low := strings.ToLower(group); base == Hex && len(group) > 2 && !(len(group) == 3 && low[2] == 'h') {
			more, err := hex.DecodeString(strings.TrimPrefix(low, "0x"))
			if low == "0x"+strings.TrimPrefix(low, "0x") && len(low) == 3 {
				more, err = hex.DecodeString("0" + low[2:])
			}
			if err != nil {
				return nil, false
			}
			data = append(data, more...)
			continue
		}
		v, fine := slowNumber(group, base)
		if !fine || v > 255 {
			return nil, false
		}
		data = append(data, byte(v))
	}
	return data, true
}

// drawColumns draws columns, in any order and with others between them.
func drawColumns(t *rapid.T) (c *Columns, width int) {
	places := rapid.Permutation([]int{1, 2, 3, 4, 5, 6}).Draw(t, "places")
	c = &Columns{
		Delimiter:    rapid.SampledFrom([]byte{',', ';', '\t', '|'}).Draw(t, "delimiter"),
		Header:       rapid.Bool().Draw(t, "header"),
		DecimalComma: rapid.Bool().Draw(t, "decimal comma"),
		Time:         TimeColumn{Column: number(places[0]), Unit: rapid.SampledFrom([]int64{1e9, 1e6, 1e3, 1, 1e4}).Draw(t, "unit")},
		ID:           IDColumn{Column: number(places[1]), Base: rapid.SampledFrom([]Base{Hex, Decimal, Prefixed}).Draw(t, "base")},
		Flags:        []FlagColumn{{Flag: can.Remote, Column: number(places[2]), Words: []string{"R", "remote"}}},
	}
	switch rapid.IntRange(0, 2).Draw(t, "extended") {
	case 1:
		c.ID.Extended, c.ID.Suffix = ExtendedSuffix, "x"
	case 2:
		c.Flags = append(c.Flags, FlagColumn{Flag: can.Extended, Column: number(places[4]), Words: []string{"1"}})
	}
	if rapid.Bool().Draw(t, "length") {
		c.Length = LengthColumn{Column: number(places[3]), Base: Decimal}
	}
	c.Data.Base = rapid.SampledFrom([]Base{Hex, Decimal}).Draw(t, "data base")
	if rapid.Bool().Draw(t, "one column") {
		c.Data.Column = number(places[5])
		c.Data.Separator = rapid.SampledFrom([]byte{0, '-', ':'}).Draw(t, "separator")
	} else {
		c.Data.From = number(7)
	}
	return c, 6
}

// drawFields writes a frame by the columns, and now and then nonsense for a field.
func drawFields(t *rapid.T, c *Columns, width int, f *can.Frame) []string {
	row := make([]string, width)
	for i := range row {
		row[i] = rapid.SampledFrom([]string{"", "note", `a "word"`, "1,5"}).Draw(t, "other")
	}
	at := new(big.Rat).SetFrac64(f.Time, c.Time.Unit).FloatString(9)
	if c.DecimalComma {
		at = strings.Replace(at, ".", ",", 1)
	}
	row[c.Time.Column.Number-1] = at
	form := map[Base]string{Hex: "%X", Decimal: "%d", Prefixed: "0x%X"}
	id := fmt.Sprintf(form[c.ID.Base], f.ID)
	if c.ID.Suffix != "" && f.Is(can.Extended) {
		id += "x"
	}
	row[c.ID.Column.Number-1] = id
	for _, flag := range c.Flags {
		row[flag.Column.Number-1] = map[bool]string{true: flag.Words[0], false: "-"}[f.Is(flag.Flag)]
	}
	if c.Length.Column.Number > 0 {
		row[c.Length.Column.Number-1] = fmt.Sprint(f.Len)
	}
	var data []string
	for _, b := range f.Payload() {
		data = append(data, fmt.Sprintf(map[Base]string{Hex: "%02X", Decimal: "%d"}[c.Data.Base], b))
	}
	if c.Data.Column.Number == 0 {
		return slices.Concat(row, data)
	}
	row[c.Data.Column.Number-1] = strings.Join(data, string(rune(max(c.Data.Separator, ' '))))
	return row
}

var oddFields = []string{
	"", "0x", "1e3", "1E-2", "ZZ", "-1", "1.5", "1,5", "0x1FF", "FF", "7h", "99999999999999999999", "18446744073709551616", "  12 ", `a"b`,
	"1.00000000000000000000001", "0.00000000049999999999999999999", "0,5", "1e99", "+7", ".5", "5.", "0x1234", "123", "12 34", "R",
}

func anyColumnFrame(t *rapid.T, c *Columns) can.Frame {
	f := can.Frame{Time: rapid.Int64Range(0, 4e18).Draw(t, "ns"), ID: rapid.Uint32Range(0, can.MaxStandardID).Draw(t, "id")}
	if rapid.Bool().Draw(t, "29 bits") {
		f.Flags |= can.Extended
		f.ID = rapid.Uint32Range(0x800, can.MaxExtendedID).Draw(t, "long id")
	}
	sizes := []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 8, 12, 64}
	n := rapid.SampledFrom(sizes).Draw(t, "size")
	if n > 8 {
		f.Flags |= can.FD
	} else if rapid.IntRange(0, 9).Draw(t, "remote") == 0 {
		f.Flags |= can.Remote
		if c.Length.Column.Number == 0 {
			n = 0
		}
	}
	f.DLC, f.Len = can.LenToDLC(n), uint8(n)
	if f.Flags&can.Remote == 0 {
		copy(f.Data[:n], rapid.SliceOfN(rapid.Byte(), n, n).Draw(t, "data"))
	}
	return f
}

// What encoding/csv wrote is read as it was, and as the slow reader reads it, also
// where fields hold nonsense.
func TestDelimitedEqualsReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, width := drawColumns(t)
		if err := c.Check(); err != nil {
			t.Fatal(err)
		}
		var text strings.Builder
		w := csv.NewWriter(&text)
		w.Comma = rune(c.Delimiter)
		w.UseCRLF = rapid.Bool().Draw(t, "crlf")
		if c.Header {
			w.Write([]string{"a", "b", "c"})
		}
		first := can.Frame{Time: 1, ID: 1}
		w.Write(drawFields(t, c, width, &first))
		want, spoiled := []string{short(&first)}, false
		for range rapid.IntRange(0, 12).Draw(t, "frames") {
			f := anyColumnFrame(t, c)
			row := drawFields(t, c, width, &f)
			if rapid.IntRange(0, 3).Draw(t, "spoil") == 0 {
				spoiled = true
				row[rapid.IntRange(0, len(row)-1).Draw(t, "field")] = rapid.SampledFrom(oddFields).Draw(t, "odd")
			}
			want = append(want, short(&f))
			w.Write(row)
		}
		w.Flush()
		reader, err := Open([]string{"-"}, Options{Stdin: strings.NewReader(text.String()), Columns: c})
		if err != nil {
			t.Fatal(err)
		}
		defer reader.Close()
		k, err := Fold(t.Context(), reader, func() *keep { return &keep{} })
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for i := range k.frames {
			got = append(got, short(&k.frames[i]))
		}
		if !spoiled {
			if d := cmp.Diff(want, got); d != "" {
				t.Fatalf("written and read (-want +got):\n%s\n%s", d, text.String())
			}
		}
		if d := cmp.Diff(slowRead(t, c, text.String()), got); d != "" {
			t.Fatalf("slow and quick (-slow +quick):\n%s\n%s", d, text.String())
		}
	})
}

// Numbers are exact, whatever their length.
func TestParseDecimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[0-9]{0,25}(\.[0-9]{0,30})?(e[+-]?[0-9]{1,2})?`).Draw(t, "text")
		unit := rapid.SampledFrom([]int64{1, 1e3, 1e6, 1e9, 1e4}).Draw(t, "unit")
		got, ok := parseDecimal([]byte(text), unit, false)
		mantissa, _, _ := strings.Cut(text, "e")
		v, valid := new(big.Rat).SetString(text)
		if strings.Trim(mantissa, ".") == "" || !valid {
			if ok {
				t.Fatalf("%q is %d, but it is no number", text, got)
			}
			return
		}
		v.Mul(v, new(big.Rat).SetInt64(unit))
		v.Add(v, big.NewRat(1, 2))
		want := new(big.Int).Div(v.Num(), v.Denom())
		whole, _, _ := strings.Cut(mantissa, ".")
		switch {
		case len(whole) > 18 && !ok: // more figures than any stamp has
		case ok && len(mantissa) > 20 && max(got-want.Int64(), want.Int64()-got) == 1: // only 19 of them count
		case !want.IsInt64() && ok, want.IsInt64() && !ok && len(mantissa) < 20 && want.BitLen() < 60, ok && want.Int64() != got:
			t.Fatalf("%q in units of %d: %d, %v, want %v", text, unit, got, ok, want)
		}
	})
}
