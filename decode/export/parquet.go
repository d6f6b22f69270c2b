package export

import (
	"io"
	"strconv"

	"github.com/parquet-go/parquet-go"

	"plugproof/decode"
	"plugproof/decode/can"
)

// Sizes of Parquet output. A row group is what a reader skips or takes at a
// time, and its dictionaries and index are what a writer holds.
const (
	parquetSchema  = "plugproof/decode/1"
	longRows       = 4096    // rows gathered before they go into columns
	rowsPerGroup   = 1 << 19 //
	columnPage     = 256 << 10
	denseFrames    = 256 // frames of a message gathered before they go into columns
	densePage      = 32 << 10
	denseGroupRows = 1 << 17
)

// longRow is a row of a long table. A nil is written as null; texts are never
// null, which would cost a third of the speed.
type longRow struct {
	Time     int64    `parquet:"t_ns,delta"`
	Bus      string   `parquet:"bus,dict"`
	ID       uint32   `parquet:"id,dict"`
	Extended bool     `parquet:"extended"`
	Message  string   `parquet:"message,dict"`
	Signal   string   `parquet:"signal,dict"`
	Raw      *uint64  `parquet:"raw,optional"`
	Value    *float64 `parquet:"value,optional"`
	Unit     string   `parquet:"unit,dict"`
	Label    string   `parquet:"label,dict"`
	Data     string   `parquet:"data"`
}

// Long writes a Parquet file with a row for each signal, as CSV has them:
//
//	t_ns      int64   time in ns
//	bus       string
//	id        uint32  extended (bool) tells 29-bit identifiers from 11-bit ones
//	message   string
//	signal    string
//	raw       uint64  the signal's bits as they stand in the frame
//	value     double  the physical value; NaN and infinities are kept
//	unit      string
//	label     string  text of the value table
//	data      string  bytes in hex: of a signal wider than 64 bits, or of a
//	                  frame without a message
//
// What does not apply is empty or, of raw and value, null. So is the value of a
// signal that the frame is too short for. Above 2^53 raw is exact where value is
// rounded.
type Long struct {
	w      *parquet.GenericWriter[longRow]
	rows   []longRow
	raws   []uint64 // what the rows point to, by row
	values []float64
	hex    []byte
}

// NewLong begins a table on w. The caller ends with Close.
func NewLong(w io.Writer) *Long {
	options := append(parquetOptions(), parquet.NewSchema("rows", parquet.SchemaOf(longRow{})),
		parquet.PageBufferSize(columnPage), parquet.MaxRowsPerRowGroup(rowsPerGroup))
	for _, text := range []string{"bus", "message", "signal", "unit", "label", "data"} {
		// They are not sorted: bounds of a page would help no reader.
		options = append(options, parquet.SkipPageBounds(text))
	}
	return &Long{
		w:      parquet.NewGenericWriter[longRow](w, options...),
		rows:   make([]longRow, 0, longRows),
		raws:   make([]uint64, longRows),
		values: make([]float64, longRows),
	}
}

// parquetOptions are those of every file.
func parquetOptions() []parquet.WriterOption {
	return []parquet.WriterOption{
		parquet.Compression(&parquet.Snappy), // a third of the cost of zstd, and every reader has it
		parquet.KeyValueMetadata("schema", parquetSchema),
	}
}

// Add writes the rows of a record.
func (l *Long) Add(r *Record) error {
	f := r.Frame
	row := longRow{Time: f.Time, Bus: r.Bus, ID: f.ID, Extended: f.Flags&can.Extended != 0}
	if r.Message == nil {
		row.Data, row.Label = l.hexOf(f.Payload()), specialFrame(f)
		return l.add(&row)
	}
	row.Message = r.Message.Def.Name
	for i := range r.Values {
		v := &r.Values[i]
		row.Signal, row.Unit, row.Label = v.Signal.Def.Name, v.Signal.Def.Unit, v.Label()
		row.Raw, row.Value, row.Data = nil, nil, ""
		if v.Signal.Wide() {
			l.hex = appendWide(l.hex[:0], f, v.Signal)
			row.Data = string(l.hex)
		} else {
			n := len(l.rows)
			l.raws[n], l.values[n] = rawBits(v), v.Phys
			row.Raw, row.Value = &l.raws[n], &l.values[n]
		}
		if err := l.add(&row); err != nil {
			return err
		}
	}
	row.Raw, row.Value, row.Label, row.Data = nil, nil, "", ""
	for _, s := range r.Missing {
		row.Signal, row.Unit = s.Def.Name, s.Def.Unit
		if err := l.add(&row); err != nil {
			return err
		}
	}
	return nil
}

func (l *Long) add(row *longRow) error {
	l.rows = append(l.rows, *row)
	if len(l.rows) < longRows {
		return nil
	}
	return l.flush()
}

func (l *Long) flush() error {
	_, err := l.w.Write(l.rows)
	l.rows = l.rows[:0]
	return err
}

// Close writes what is left and the end of the file. It does not close the
// io.Writer.
func (l *Long) Close() error {
	if err := l.flush(); err != nil {
		return err
	}
	return l.w.Close()
}

func (l *Long) hexOf(p []byte) string {
	l.hex = appendHex(l.hex[:0], p)
	return string(l.hex)
}

// specialFrame says what a frame is that carries no data.
func specialFrame(f *can.Frame) string {
	switch {
	case f.Flags&can.Remote != 0:
		return "remote request of " + strconv.Itoa(int(f.Len)) + " bytes"
	case f.Flags&can.Error != 0:
		return f.ErrorText()
	}
	return ""
}

// rawBits returns the bits of a value without the extension of its sign.
func rawBits(v *decode.Value) uint64 {
	if n := v.Signal.Def.Length; n < 64 {
		return v.Raw & (1<<n - 1)
	}
	return v.Raw
}
