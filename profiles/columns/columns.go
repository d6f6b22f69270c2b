// Package columns reads, writes and proposes the files that say how a capture of
// delimited text is laid out: which column is the time, which the identifier. No
// layout is built in.
package columns

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
)

// file is what a file holds.
type file struct {
	Format    int    `yaml:"format"`
	Delimiter string `yaml:"delimiter"`
	Skip      int    `yaml:"skip"`
	Header    bool   `yaml:"header"`
	Comment   string `yaml:"comment"`
	Decimal   string `yaml:"decimal"`

	Time   timeKeys   `yaml:"time"`
	ID     idKeys     `yaml:"id"`
	Bus    busKeys    `yaml:"bus"`
	Length lengthKeys `yaml:"length"`
	Data   dataKeys   `yaml:"data"`

	Extended *flagKeys `yaml:"extended"`
	Remote   *flagKeys `yaml:"remote"`
	Error    *flagKeys `yaml:"error"`
	FD       *flagKeys `yaml:"fd"`
	BRS      *flagKeys `yaml:"brs"`
	ESI      *flagKeys `yaml:"esi"`
	Rx       *flagKeys `yaml:"rx"`
	Tx       *flagKeys `yaml:"tx"`
	Only     *flagKeys `yaml:"only"`
}

type timeKeys struct {
	Column column `yaml:"column"`
	Unit   string `yaml:"unit"`
	Layout string `yaml:"layout"`
	From   string `yaml:"from"`
	Day    string `yaml:"day"`
	Zone   string `yaml:"zone"`
	Wraps  string `yaml:"wraps"`
	Add    string `yaml:"add"`
}

type idKeys struct {
	Column   column `yaml:"column"`
	Base     string `yaml:"base"`
	Extended string `yaml:"extended"`
	Suffix   string `yaml:"suffix"`
}

type busKeys struct {
	Column column          `yaml:"column"`
	Name   string          `yaml:"name"`
	Names  map[string]word `yaml:"names"`
}

type lengthKeys struct {
	Column column `yaml:"column"`
	Base   string `yaml:"base"`
	Counts string `yaml:"counts"`
}

type dataKeys struct {
	Column    column `yaml:"column"`
	Separator string `yaml:"separator"`
	From      column `yaml:"from"`
	To        column `yaml:"to"`
	Base      string `yaml:"base"`
}

type flagKeys struct {
	Column column `yaml:"column"`
	Words  []word `yaml:"words"`
	Mask   uint64 `yaml:"mask"`
}

// column is a number, or a name in the header.
type column capture.Column

// UnmarshalYAML reads 3 or Time.
func (c *column) UnmarshalYAML(node ast.Node) error {
	switch n := node.(type) {
	case *ast.IntegerNode:
		number, err := strconv.Atoi(n.Token.Value)
		if err != nil || number < 1 {
			break
		}
		c.Number = number
		return nil
	case *ast.StringNode:
		if n.Value == "" {
			break
		}
		c.Name = n.Value
		return nil
	}
	return &yaml.SyntaxError{Message: fmt.Sprintf("%q is no column: write its number from 1, or its name in the header", node.GetToken().Value), Token: node.GetToken()}
}

// word is text, though it may look like a number or a truth.
type word string

// UnmarshalYAML reads any scalar as it stands.
func (w *word) UnmarshalYAML(node ast.Node) error {
	if _, ok := node.(ast.ScalarNode); !ok {
		return &yaml.SyntaxError{Message: "a word is expected", Token: node.GetToken()}
	}
	*w = word(node.GetToken().Value)
	return nil
}

// Open reads the file at a path. The error is profiles.Problems, or that of reading.
func Open(path string) (*capture.Columns, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, bare(err))
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, profiles.MaxFileSize+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, bare(err))
	}
	return Read(path, src)
}

func bare(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}

// Read reads a file; place is shown in positions. The error is profiles.Problems.
func Read(place string, src []byte) (*capture.Columns, error) {
	var f file
	doc, err := profiles.ReadDocument(place, "columns", src, &f)
	if err != nil {
		return nil, err
	}
	r := reading{doc: doc}
	c := r.columns(&f)
	if r.err != nil {
		return nil, r.err
	}
	if fault, ok := errors.AsType[*capture.ColumnsFault](c.Check()); ok {
		return nil, doc.ProblemAt(fault.Key, "value", fault.Text, fault.Try)
	}
	return c, nil
}

// reading turns words into values. Its error is the first.
type reading struct {
	doc *profiles.Document
	err error
}

func (r *reading) fail(key, text, try string) {
	if r.err == nil {
		r.err = r.doc.ProblemAt(key, "value", text, try)
	}
}

// oneOf returns the value of a word; that of "" is the default.
func oneOf[T any](r *reading, key, text string, words map[string]T, try string) T {
	v, ok := words[text]
	if !ok {
		r.fail(key, fmt.Sprintf("%q is none of %s", text, try), "")
	}
	return v
}

func (r *reading) columns(f *file) *capture.Columns {
	c := &capture.Columns{
		Delimiter: r.character("delimiter", f.Delimiter, map[string]byte{"tab": '\t', "blanks": capture.Blanks, "comma": ',', "semicolon": ';'}),
		Skip:      f.Skip, Header: f.Header, Comment: f.Comment,
		DecimalComma: oneOf(r, "decimal", f.Decimal, map[string]bool{"": false, "point": false, "comma": true}, "point, comma"),
		Time:         r.time(&f.Time),
		Bus:          capture.BusColumn{Column: capture.Column(f.Bus.Column), Name: f.Bus.Name, Names: map[string]string{}},
		Length: capture.LengthColumn{
			Column: capture.Column(f.Length.Column), Base: r.base("length.base", f.Length.Base, capture.Decimal),
			Code: oneOf(r, "length.counts", f.Length.Counts, map[string]bool{"": false, "bytes": false, "code": true}, "bytes, code"),
		},
		Data: capture.DataColumns{
			Column: capture.Column(f.Data.Column), From: capture.Column(f.Data.From), To: capture.Column(f.Data.To),
			Base:      r.base("data.base", f.Data.Base, capture.Hex),
			Separator: r.character("data.separator", f.Data.Separator, map[string]byte{"": 0, "none": 0, "blank": 0}),
		},
	}
	for field, name := range f.Bus.Names {
		c.Bus.Names[field] = string(name)
	}
	c.ID = capture.IDColumn{
		Column: capture.Column(f.ID.Column), Base: r.base("id.base", f.ID.Base, capture.Hex), Suffix: f.ID.Suffix,
		Extended: oneOf(r, "id.extended", f.ID.Extended, map[string]capture.Extended{
			"": capture.ExtendedLarge, "large": capture.ExtendedLarge, "width": capture.ExtendedWidth, "suffix": capture.ExtendedSuffix,
			"bit31": capture.ExtendedBit31, "always": capture.ExtendedAlways, "never": capture.ExtendedNever,
		}, "large, width, suffix, bit31, always, never"),
	}
	for _, one := range []struct {
		flag can.Flags
		keys *flagKeys
	}{
		{can.Extended, f.Extended},
		{can.Remote, f.Remote},
		{can.Error, f.Error},
		{can.FD, f.FD},
		{can.BRS, f.BRS},
		{can.ESI, f.ESI},
		{can.Rx, f.Rx},
		{can.Tx, f.Tx},
	} {
		if one.keys != nil {
			c.Flags = append(c.Flags, one.keys.column(one.flag))
		}
	}
	if f.Only != nil {
		only := f.Only.column(0)
		c.Only = &only
	}
	return c
}

func (k *flagKeys) column(flag can.Flags) capture.FlagColumn {
	f := capture.FlagColumn{Flag: flag, Column: capture.Column(k.Column), Mask: k.Mask}
	for _, w := range k.Words {
		f.Words = append(f.Words, string(w))
	}
	return f
}

func (r *reading) time(k *timeKeys) capture.TimeColumn {
	t := capture.TimeColumn{
		Column: capture.Column(k.Column), Layout: k.Layout,
		From: oneOf(r, "time.from", k.From, map[string]capture.Origin{
			"": capture.FromStart, "start": capture.FromStart, "epoch": capture.FromEpoch, "record": capture.FromRecord,
		}, "start, epoch, record"),
	}
	if k.Unit != "" {
		unit := k.Unit
		if unit[0] < '0' || unit[0] > '9' {
			unit = "1" + unit
		}
		t.Unit = r.duration("time.unit", unit, k.Unit)
		if t.Unit <= 0 {
			r.fail("time.unit", fmt.Sprintf("%q is no unit of time", k.Unit), "s, ms, us, ns or a multiple as 10us")
		}
	}
	switch k.Wraps {
	case "":
	case "midnight":
		t.Wraps = 24 * int64(time.Hour)
	default:
		t.Wraps = r.duration("time.wraps", k.Wraps, k.Wraps)
	}
	if k.Add != "" {
		t.Add = r.duration("time.add", k.Add, k.Add)
	}
	if k.Day != "" {
		day, err := time.Parse(time.DateOnly, k.Day)
		if err != nil || day.Year() < 1970 || day.Year() > 2261 {
			r.fail("time.day", fmt.Sprintf("%q is no day", k.Day), "as in day: 2026-05-01")
		} else {
			t.Day = day.UnixNano()
		}
	}
	if k.Zone != "" && k.Zone != "Z" {
		zone, err := time.Parse("-07:00", k.Zone)
		if err != nil {
			r.fail("time.zone", fmt.Sprintf("%q is no time zone", k.Zone), `as in zone: "+10:00"`)
		}
		_, east := zone.Zone()
		t.East = int64(east) * 1e9
	}
	return t
}

func (r *reading) duration(key, text, shown string) int64 {
	d, err := time.ParseDuration(text)
	if err != nil {
		r.fail(key, fmt.Sprintf("%q is no time with its unit", shown), "as in 10ms or 2.5s")
	}
	return int64(d)
}

// base returns a base; "" is the usual one.
func (r *reading) base(key, text string, usual capture.Base) capture.Base {
	return oneOf(r, key, text, map[string]capture.Base{
		"": usual, "hex": capture.Hex, "decimal": capture.Decimal, "prefix": capture.Prefixed,
	}, "hex, decimal, prefix")
}

// character returns one character, or what a word stands for.
func (r *reading) character(key, text string, words map[string]byte) byte {
	if c, ok := words[text]; ok {
		return c
	}
	if len(text) != 1 {
		r.fail(key, fmt.Sprintf("%q is not one character", text), "")
		return 0
	}
	return text[0]
}
