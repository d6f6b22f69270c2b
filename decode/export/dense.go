package export

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/parquet-go/parquet-go"

	"plugproof/decode"
	"plugproof/decode/can"
)

// Dense writes a Parquet file for each message that occurs, with a row for each
// frame and a column for each signal:
//
//	t_ns    int64   time in ns
//	bus     string
//	id      uint32  as the frame has it: J1939 messages come with several
//	SIGNAL          double, the physical value; int64 or uint64 where that is the
//	                raw integer itself, so that 64 bits stay exact; the bytes in
//	                hex, as text, where the signal is wider than 64 bits
//	SIGNAL_label    text of the value table, where the signal has one
//
// What a frame does not carry (another multiplexer page, a frame too short, a
// signal not selected) is null. Frames without a message have no place here.
type Dense struct {
	create func(name string) (io.Writer, error)
	names  map[*decode.Message]string
	tables map[*decode.Message]*denseTable
	order  []*denseTable // as they were begun
}

// NewDense returns a writer of the decoder's messages. It calls create once for
// each message that occurs, with a file name: the message's, made safe and
// unique. Closing what create returned is the caller's.
func NewDense(d *decode.Decoder, create func(name string) (io.Writer, error)) *Dense {
	return &Dense{create: create, names: fileNames(d), tables: map[*decode.Message]*denseTable{}}
}

// Add writes the row of a record; one without a message is left out.
func (d *Dense) Add(r *Record) error {
	if r.Message == nil {
		return nil
	}
	t := d.tables[r.Message]
	if t == nil {
		w, err := d.create(d.names[r.Message])
		if err != nil {
			return err
		}
		t = newDenseTable(w, r.Message)
		d.tables[r.Message] = t
		d.order = append(d.order, t)
	}
	return t.add(r)
}

// Close writes what is left and the end of every file.
func (d *Dense) Close() error {
	for _, t := range d.order {
		if err := t.close(); err != nil {
			return err
		}
	}
	return nil
}

// fileNames gives each message a file name that no other has, also where upper
// and lower case are the same. They depend on the DBC files only.
func fileNames(d *decode.Decoder) map[*decode.Message]string {
	names := map[*decode.Message]string{}
	taken := map[string]bool{}
	for _, table := range d.Tables() {
		for _, m := range table.Messages() {
			if names[m] != "" {
				continue
			}
			names[m] = unique(taken, safeName(m.Def.Name)) + ".parquet"
		}
	}
	return names
}

// safeName puts a low line for what a file name may not hold everywhere.
func safeName(name string) string {
	safe := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r == '_' || r == '-' {
			return r
		}
		return '_'
	}, name)
	const longest = 100 // far below the limit of any file system
	return cmp.Or(safe[:min(len(safe), longest)], "_")
}

// unique returns the name, or the first of name-2, name-3, ... that is free.
func unique(taken map[string]bool, name string) string {
	free := name
	for n := 2; taken[strings.ToLower(free)]; n++ {
		free = fmt.Sprintf("%s-%d", name, n)
	}
	taken[strings.ToLower(free)] = true
	return free
}

// denseTable is the file of one message.
type denseTable struct {
	w       *parquet.GenericWriter[any]
	columns []*parquet.ColumnWriter
	values  [][]parquet.Value // by column, of the rows gathered
	value   []int             // column of a signal's value, by Signal.Index
	label   []int             // column of its label; 0: none
	rows    int               // gathered
	group   int               // rows in the row group
	text    map[string][]byte // of buses and labels
	hex     []byte            // of wide values gathered
}

// The first columns of a dense file.
const (
	denseTime = iota
	denseBus
	denseID
	denseFirst
)

func newDenseTable(w io.Writer, m *decode.Message) *denseTable {
	t := &denseTable{
		value: make([]int, len(m.Signals)), label: make([]int, len(m.Signals)),
		text: map[string][]byte{},
	}
	dictionary := func(n parquet.Node) parquet.Node { return parquet.Encoded(n, &parquet.RLEDictionary) }
	root := &columns{Group: parquet.Group{}}
	root.add("t_ns", parquet.Encoded(parquet.Int(64), &parquet.DeltaBinaryPacked))
	root.add("bus", dictionary(parquet.String()))
	root.add("id", dictionary(parquet.Uint(32)))
	for i := range m.Signals {
		s := &m.Signals[i]
		t.value[i] = root.add(s.Def.Name, parquet.Optional(valueNode(s)))
		if len(s.Def.Values) > 0 {
			t.label[i] = root.add(s.Def.Name+"_label", parquet.Optional(dictionary(parquet.String())))
		}
	}
	t.w = parquet.NewGenericWriter[any](w, append(parquetOptions(),
		parquet.NewSchema("frames", root), parquet.PageBufferSize(densePage))...)
	t.columns = t.w.ColumnWriters()
	t.values = make([][]parquet.Value, len(t.columns))
	return t
}

// valueNode is the type of a signal's column.
func valueNode(s *decode.Signal) parquet.Node {
	switch {
	case s.Wide():
		return parquet.String()
	case s.Exact() && s.Signed():
		return parquet.Int(64)
	case s.Exact():
		return parquet.Uint(64)
	}
	return parquet.Leaf(parquet.DoubleType)
}

// columns is a parquet.Group in the order in which columns were added: the
// library's own sorts them by name.
type columns struct {
	parquet.Group
	names []string
}

// add adds a column and returns its index. A name that is taken gets a number.
func (c *columns) add(name string, n parquet.Node) int {
	free := name
	for i := 2; c.Group[free] != nil; i++ {
		free = fmt.Sprintf("%s-%d", name, i)
	}
	c.Group[free] = n
	c.names = append(c.names, free)
	return len(c.names) - 1
}

// Fields implements parquet.Node.
func (c *columns) Fields() []parquet.Field {
	fields := c.Group.Fields()
	place := map[string]int{}
	for i, name := range c.names {
		place[name] = i
	}
	slices.SortFunc(fields, func(a, b parquet.Field) int { return place[a.Name()] - place[b.Name()] })
	return fields
}

func (t *denseTable) add(r *Record) error {
	f := r.Frame
	for i := denseFirst; i < len(t.values); i++ {
		t.values[i] = append(t.values[i], parquet.NullValue().Level(0, 0, i))
	}
	t.put(denseTime, parquet.Int64Value(f.Time))
	t.put(denseBus, parquet.ByteArrayValue(t.bytes(r.Bus)))
	t.put(denseID, parquet.Int32Value(int32(f.ID)))
	for i := range r.Values {
		v := &r.Values[i]
		column := t.value[v.Signal.Index]
		t.values[column][t.rows] = t.valueOf(f, v).Level(0, 1, column)
		if column = t.label[v.Signal.Index]; column > 0 {
			if text := v.Label(); text != "" {
				t.values[column][t.rows] = parquet.ByteArrayValue(t.bytes(text)).Level(0, 1, column)
			}
		}
	}
	if t.rows++; t.rows < denseFrames {
		return nil
	}
	return t.flush()
}

func (t *denseTable) put(column int, v parquet.Value) {
	t.values[column] = append(t.values[column], v.Level(0, 0, column))
}

func (t *denseTable) valueOf(f *can.Frame, v *decode.Value) parquet.Value {
	switch s := v.Signal; {
	case s.Wide():
		at := len(t.hex)
		t.hex = appendWide(t.hex, f, s)
		return parquet.ByteArrayValue(t.hex[at:])
	case s.Exact():
		return parquet.Int64Value(int64(v.Raw))
	}
	return parquet.DoubleValue(v.Phys)
}

// bytes returns a text that repeats as bytes that last.
func (t *denseTable) bytes(text string) []byte {
	b := t.text[text]
	if b == nil {
		b = []byte(text)
		t.text[text] = b
	}
	return b
}

// flush writes the gathered rows into the columns.
func (t *denseTable) flush() error {
	for i, c := range t.columns {
		if _, err := c.WriteRowValues(t.values[i]); err != nil {
			return err
		}
		t.values[i] = t.values[i][:0]
	}
	t.group += t.rows
	t.rows, t.hex = 0, t.hex[:0]
	if t.group < denseGroupRows {
		return nil
	}
	t.group = 0
	return t.w.Flush()
}

func (t *denseTable) close() error {
	if err := t.flush(); err != nil {
		return err
	}
	return t.w.Close()
}
