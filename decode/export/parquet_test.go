package export

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// readBack is longRow as the library reads it.
type readBack = longRow

// long writes records as a long table and reads it again.
func long(t testing.TB, records []*Record) []readBack {
	t.Helper()
	var buf bytes.Buffer
	l := NewLong(&buf)
	for _, r := range records {
		if err := l.Add(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	rows, err := parquet.Read[readBack](bytes.NewReader(buf.Bytes()), int64(buf.Len()))
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// csvRow renders a row of the table as CSV has it, from what is in the file
// alone; signed tells which signals are.
func csvRow(r *readBack, signed func(signal string) int) []string {
	id := fmt.Sprintf("0x%03X", r.ID)
	if r.Extended || r.Message == "" && strings.HasPrefix(r.Label, "no ack") {
		id = fmt.Sprintf("0x%08X", r.ID)
	}
	value := r.Data
	if r.Value != nil {
		value = csvValue(*r.Raw, *r.Value, signed(r.Signal))
	}
	return []string{string(appendSeconds(nil, r.Time)), r.Bus, id, r.Message, r.Signal, value, r.Unit, r.Label}
}

// csvValue writes an integer past 2^53 by its bits, which are signed where
// signedBits is not 0.
func csvValue(raw uint64, value float64, signedBits int) string {
	switch {
	case math.IsNaN(value) || math.IsInf(value, 0):
		return strconv.FormatFloat(value, 'g', -1, 64)
	case math.Abs(value) < 1<<53:
		return string(appendFloat(nil, value))
	case signedBits > 0:
		return strconv.FormatInt(int64(raw<<(64-signedBits))>>(64-signedBits), 10)
	}
	return strconv.FormatUint(raw, 10)
}

// TestLongIsCSV: the table has the rows of the CSV of the same frames, one for
// one, 64-bit numbers, NaN and wide signals included.
func TestLongIsCSV(t *testing.T) {
	dec := decoder(t)
	var records []*Record
	c := NewCSV()
	text := c.Head(nil)
	for i, f := range sample() {
		r := record(dec, []string{"can0", "drive"}[i%2], f)
		records = append(records, r)
		text = c.Append(text, r)
	}
	want, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	signed := func(signal string) int {
		if signal == "Balance" {
			return 64
		}
		return 0
	}
	var got [][]string
	for _, r := range long(t, records) {
		got = append(got, csvRow(&r, signed))
	}
	if diff := cmp.Diff(want[1:], got); diff != "" {
		t.Errorf("CSV (-), Parquet (+):\n%s", diff)
	}
}

// TestLongRaw: raw holds the bits of the frame, not those of a sign.
func TestLongRaw(t *testing.T) {
	want := map[string]uint64{
		"Torque": 0xFD, "Counter": math.MaxUint64, "Balance": 1 << 63, "Ratio": 0xFFFFFFFF, "Level": 90,
	}
	dec := decoder(t)
	for _, r := range long(t, []*Record{record(dec, "", sample()[0]), record(dec, "", sample()[3]), record(dec, "", sample()[2])}) {
		bits, ok := want[r.Signal]
		if ok && (r.Raw == nil || *r.Raw != bits) {
			t.Errorf("%s: raw %v, want %#x", r.Signal, r.Raw, bits)
		}
		if r.Signal == "Serial" && (r.Raw != nil || r.Value != nil) {
			t.Errorf("a signal of 100 bits has raw %v and value %v", r.Raw, r.Value)
		}
		delete(want, r.Signal)
	}
	if len(want) > 0 {
		t.Errorf("not written: %v", want)
	}
}

// denseFiles collects what Dense writes.
type denseFiles map[string]*bytes.Buffer

func (d denseFiles) create(name string) (io.Writer, error) {
	if d[name] != nil {
		return nil, fmt.Errorf("%s is begun twice", name)
	}
	d[name] = new(bytes.Buffer)
	return d[name], nil
}

// rows reads a file: the names of its columns, and its rows by name. Integers
// keep their type.
func (d denseFiles) rows(t testing.TB, name string) (columns []string, rows []map[string]any) {
	t.Helper()
	if d[name] == nil {
		t.Fatalf("no %s among %v", name, reflect.ValueOf(d).MapKeys())
	}
	f, err := parquet.OpenFile(bytes.NewReader(d[name].Bytes()), int64(d[name].Len()))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range f.Root().Columns() {
		columns = append(columns, c.Name())
	}
	for _, group := range f.RowGroups() {
		r := group.Rows()
		for buf := make([]parquet.Row, 100); ; {
			n, err := r.ReadRows(buf)
			for _, row := range buf[:n] {
				rows = append(rows, rowByName(f.Root().Columns(), row))
			}
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		r.Close()
	}
	return columns, rows
}

func rowByName(columns []*parquet.Column, row parquet.Row) map[string]any {
	m := map[string]any{}
	for _, v := range row {
		if v.IsNull() {
			continue
		}
		c := columns[v.Column()]
		switch kind := c.Type().Kind(); {
		case kind == parquet.ByteArray:
			m[c.Name()] = string(v.ByteArray())
		case kind == parquet.Double:
			m[c.Name()] = v.Double()
		case kind == parquet.Int32:
			m[c.Name()] = v.Uint32()
		case c.Type().LogicalType().String() == parquet.Uint(64).Type().LogicalType().String():
			m[c.Name()] = v.Uint64()
		default:
			m[c.Name()] = v.Int64()
		}
	}
	return m
}

func TestDense(t *testing.T) {
	dec := decoder(t)
	files := denseFiles{}
	d := NewDense(dec, files.create)
	for _, f := range sample() {
		if err := d.Add(record(dec, "drive", f)); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if len(files) != 5 {
		t.Errorf("%d files for 5 messages", len(files))
	}
	columns, rows := files.rows(t, "Name.parquet")
	if want := []string{"t_ns", "bus", "id", "Sig", "State", "State_label", "Torque"}; !slices.Equal(columns, want) {
		t.Errorf("columns %v, want %v", columns, want)
	}
	want := []map[string]any{
		{"t_ns": int64(1_250_000_000), "bus": "drive", "id": uint32(513), "Sig": 12.5, "State": uint64(2), "State_label": "text of its value table", "Torque": -0.30000000000000004},
		{"t_ns": int64(1_250_000_100), "bus": "drive", "id": uint32(513), "Sig": 12.75, "State": uint64(1)},
		{"t_ns": int64(7_000_000_000), "bus": "drive", "id": uint32(513)},
	}
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Errorf("Name (-want +got):\n%s", diff)
	}
	_, rows = files.rows(t, "Large.parquet")
	want = []map[string]any{
		{
			"t_ns": int64(-1), "bus": "drive", "id": uint32(514), "Counter": uint64(math.MaxUint64), "Balance": int64(math.MinInt64),
			"Ratio": math.NaN(), "Precise": math.NaN(), "Serial": "FFFFFFFFFFFFFFFFFFFFFFFF0F", "Third": 85.0,
		},
		{
			"t_ns": int64(0), "bus": "drive", "id": uint32(514), "Counter": uint64(0), "Balance": int64(0),
			"Ratio": math.Inf(-1), "Precise": math.Inf(1), "Serial": "0102030405060708090A0B0C0D", "Third": 5.0,
		},
	}
	sameNaN := cmp.FilterValues(func(a, b float64) bool { return math.IsNaN(a) && math.IsNaN(b) }, cmp.Comparer(func(_, _ float64) bool { return true }))
	if diff := cmp.Diff(want, rows, sameNaN); diff != "" {
		t.Errorf("Large (-want +got):\n%s", diff)
	}
	if columns, rows = files.rows(t, "Bare.parquet"); len(columns) != 3 || len(rows) != 1 {
		t.Errorf("a message without signals: columns %v, %d rows", columns, len(rows))
	}
	if _, rows = files.rows(t, "Speeds.parquet"); len(rows) != 1 || rows[0]["id"] != uint32(0x18FEF100) {
		t.Errorf("a J1939 frame keeps its own identifier: %v", rows)
	}
}

// TestDenseManyRows: what is written over many pages and row groups comes back.
func TestDenseManyRows(t *testing.T) {
	const frames = denseGroupRows + 3*denseFrames/2
	dec := decoder(t)
	files := denseFiles{}
	d := NewDense(dec, files.create)
	for i := range frames {
		f := frame(int64(i), 513, 0, byte(i), byte(i>>8), 0, byte(i))
		if err := d.Add(record(dec, "drive", f)); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	_, rows := files.rows(t, "Name.parquet")
	if len(rows) != frames {
		t.Fatalf("%d rows, want %d", len(rows), frames)
	}
	for i, r := range rows {
		if r["t_ns"] != int64(i) || r["Sig"] != float64(i&0xFFFF)*0.25 {
			t.Fatalf("row %d: %v", i, r)
		}
	}
}

// TestFileNames: no two are the same, also where case does not count, and none
// leads out of the folder.
func TestFileNames(t *testing.T) {
	text := `VERSION ""
BO_ 1 Speed: 8 N
BO_ 2 SPEED: 8 N
BO_ 3 Speed: 8 N
`
	a, b := dbc.Parse("a.dbc", []byte(text)), dbc.Parse("b.dbc", []byte(text))
	dec, _ := decode.NewDecoder([]decode.Mapping{{Bus: "body", Database: a}, {Bus: "drive", Database: b}})
	taken := map[string]bool{}
	for _, name := range fileNames(dec) {
		if low := strings.ToLower(name); taken[low] {
			t.Errorf("%s is given twice", name)
		} else {
			taken[low] = true
		}
	}
	if len(taken) != 6 || !taken["speed.parquet"] {
		t.Errorf("names %v", taken)
	}
	for _, name := range []string{"../up", "", "a/b", "con:", "\u00e4", strings.Repeat("x", 500)} {
		if safe := safeName(name); safe == "" || strings.ContainsAny(safe, "/\\.:\u00e4") || len(safe) > 100 {
			t.Errorf("%q becomes %q", name, safe)
		}
	}
}

// failing fails after some bytes.
type failing struct{ left int }

func (f *failing) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, io.ErrShortWrite
	}
	return len(p), nil
}

// TestParquetErrors: a disk that is full is told.
func TestParquetErrors(t *testing.T) {
	dec := decoder(t)
	l := NewLong(&failing{100})
	d := NewDense(dec, func(string) (io.Writer, error) { return &failing{100}, nil })
	for _, f := range sample() {
		if err := l.Add(record(dec, "", f)); err != nil {
			t.Fatal(err) // all is gathered until Close
		}
		if err := d.Add(record(dec, "", f)); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.Close(); err == nil {
		t.Error("long: no error")
	}
	if err := d.Close(); err == nil {
		t.Error("dense: no error")
	}
	d = NewDense(dec, func(string) (io.Writer, error) { return nil, io.ErrClosedPipe })
	if err := d.Add(record(dec, "", sample()[0])); err != io.ErrClosedPipe {
		t.Errorf("a file that cannot be made: %v", err)
	}
}

// TestParquetNoAllocations: a frame costs none until its rows go into columns.
func TestParquetNoAllocations(t *testing.T) {
	dec := decoder(t)
	r := record(dec, "can0", sample()[0])
	l := NewLong(io.Discard)
	d := NewDense(dec, denseFiles{}.create)
	for range denseFrames {
		if err := d.Add(r); err != nil { // the columns have their size
			t.Fatal(err)
		}
	}
	for name, add := range map[string]func(*Record) error{"long": l.Add, "dense": d.Add} {
		allocs := testing.AllocsPerRun(denseFrames/2, func() {
			if err := add(r); err != nil {
				t.Fatal(err)
			}
		})
		if allocs != 0 {
			t.Errorf("%s: %v allocations", name, allocs)
		}
	}
}

// BenchmarkParquet decodes and writes frames with five signals each; bytes are
// those of classic frames as the kernel passes them.
func BenchmarkParquet(b *testing.B) {
	text := strings.Split(benchDBC, "\n")
	fewer := slices.DeleteFunc(text, func(line string) bool {
		return strings.Contains(line, "SG_ FuelCut") || strings.Contains(line, "SG_ MessageC")
	})
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("bench.dbc", []byte(strings.Join(fewer, "\n")))}})
	frames := make([]*can.Frame, 200_000)
	for i := range frames {
		wave := 2000 + 1500*math.Sin(float64(i)/300)
		speed := uint16(wave * 4)
		frames[i] = frame(int64(i)*10_001_000, 513, 0, byte(speed>>8), byte(speed), byte(60+i/4000), byte(wave/15), byte(i%7), byte(i), byte(i/500%3), 0)
	}
	n := float64(len(frames))
	type sink interface {
		Add(r *Record) error
		Close() error
	}
	for name, begin := range map[string]func(io.Writer) sink{
		"long":  func(w io.Writer) sink { return NewLong(w) },
		"dense": func(w io.Writer) sink { return NewDense(dec, func(string) (io.Writer, error) { return w, nil }) },
	} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(frames)) * 16)
			b.ReportAllocs()
			r := Record{Bus: "can0"}
			for b.Loop() {
				s := begin(io.Discard)
				for _, f := range frames {
					r.Frame, r.Message = f, dec.Bus("can0").Lookup(f)
					r.Values, _ = r.Message.Decode(f, r.Values[:0])
					if len(r.Values) != 5 {
						b.Fatal(r.Values)
					}
					if err := s.Add(&r); err != nil {
						b.Fatal(err)
					}
				}
				if err := s.Close(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
		})
	}
}
