package capture

import (
	"bytes"

	"plugproof/decode/can"
)

// parse reads a line into frame. Its bus is found later: it may have to wait for
// chunks before this one.
func (d *delimited) parse(line []byte, number uint32) Kind {
	if number <= d.l.headLines {
		return Comment
	}
	d.fault = fieldFault{column: -1}
	kind := d.record(trimEnd(line))
	if kind != good {
		return d.classify(line, kind)
	}
	return good
}

// classify says what a line is that gave no frame, where its parser said kind.
func (d *delimited) classify(line []byte, kind Kind) Kind {
	trimmed := trimBlanks(line)
	switch {
	case len(trimmed) == 0, d.l.delimiter != Blanks && len(bytes.Trim(trimmed, d.l.empty)) == 0:
		return Blank // a spreadsheet's empty row is delimiters only
	case len(d.l.comment) > 0 && bytes.HasPrefix(trimmed, d.l.comment), d.l.header != nil && bytes.Equal(line, d.l.header):
		return Comment
	case bytes.IndexByte(line, 0) >= 0:
		return Garbage
	}
	return kind
}

// record reads a record.
func (d *delimited) record(line []byte) Kind {
	if kind := d.split(line); kind != good {
		return kind
	}
	if len(d.fields) < d.l.least {
		return d.failed(faultColumns, -1, nil)
	}
	l, f := d.l, &d.frame
	if d.clock.gaps { // the gap of a record that is no frame, or damaged, counts too
		if kind := d.stamp(); kind != good {
			return kind
		}
	}
	if l.only != nil && !l.only.set(d.field(l.only.column)) {
		return OtherLink
	}
	if f.Len > can.MaxClassicLen {
		clear(f.Data[can.MaxClassicLen:])
	}
	clear(f.Data[:can.MaxClassicLen])
	f.Flags, f.Len, f.DLC = 0, 0, 0
	for i := range l.flags {
		if l.flags[i].set(d.field(l.flags[i].column)) {
			f.Flags |= l.flags[i].flag
		}
	}
	if f.Flags&can.FD == 0 && f.Flags&(can.BRS|can.ESI) != 0 {
		if l.flagged&can.FD != 0 {
			return d.failed(faultKindOf, -1, nil)
		}
		f.Flags |= can.FD
	}
	if f.Flags&can.FD != 0 && f.Flags&(can.Remote|can.Error) != 0 || f.Is(can.Remote|can.Error) || f.Is(can.Rx|can.Tx) {
		return d.failed(faultKindOf, -1, nil)
	}
	if kind := d.identifier(); kind != good {
		return kind
	}
	if kind := d.payload(); kind != good {
		f.Len = can.MaxFDLen // any of Data may hold something: the next record clears it all
		return kind
	}
	if d.clock.gaps {
		return good
	}
	return d.stamp() // last: a clock that begins anew is told by whole records
}

// stamp reads the time.
func (d *delimited) stamp() Kind {
	l, field := d.l, d.field(d.l.at)
	var ns int64
	var ok bool
	if l.layout != nil {
		var zoned bool
		ns, zoned, ok = l.layout.parse(field, l.comma)
		if l.layout.date && !zoned {
			if ns -= l.time.East; l.time.East == 0 {
				d.once(&d.local, "dates name no time zone and were read as UTC")
			}
		}
	} else {
		ns, ok = parseDecimal(field, l.time.Unit, l.comma)
	}
	if ok && !d.apart() {
		ns, ok = d.clock.time(ns)
	}
	const latest = maxSeconds * 1e9
	if ok && l.time.Day != 0 {
		if ok = ns <= latest-l.time.Day; ok {
			ns += l.time.Day - l.time.East
		}
	}
	if ok && (l.time.Add <= 0 || ns <= latest-l.time.Add) {
		ns += l.time.Add
	} else {
		ok = false
	}
	if !ok || ns < 0 || ns > latest {
		return d.failed(faultTime, l.at, field)
	}
	d.frame.Time, d.timed = ns, true
	return good
}

// identifier reads the identifier of a frame, and how many bits it has. That of
// an error frame are its classes, where the capture has them.
func (d *delimited) identifier() Kind {
	l, f := d.l, &d.frame
	field := d.field(l.id)
	text, extended := field, l.ids.Extended == ExtendedAlways
	if n := len(text) - len(l.suffix); l.ids.Extended == ExtendedSuffix && n > 0 && bytes.EqualFold(text[n:], l.suffix) {
		text, extended = trimBlanks(text[:n]), true
	}
	id, width, ok := parseNumber(text, l.ids.Base)
	if f.Flags&can.Error != 0 {
		if f.Flags &^= can.Extended; !ok || id > can.MaxExtendedID {
			id = 0
		}
		f.ID = uint32(id)
		return good
	}
	const bit31 = 1 << 31
	switch {
	case !ok:
		return d.failed(faultID, l.id, field)
	case l.flagged&can.Extended != 0:
	case l.ids.Extended == ExtendedLarge:
		extended = id > can.MaxStandardID
	case l.ids.Extended == ExtendedWidth:
		extended = width > 3
	case l.ids.Extended == ExtendedBit31:
		extended = id&bit31 != 0
		id &^= bit31
	}
	if extended {
		f.Flags |= can.Extended
	}
	if id > can.MaxExtendedID || f.Flags&can.Extended == 0 && id > can.MaxStandardID {
		return d.failed(faultIDRange, l.id, field)
	}
	f.ID = uint32(id)
	return good
}

// payload reads length and data.
func (d *delimited) payload() Kind {
	l, f := d.l, &d.frame
	stated := l.length >= 0
	if f.Flags&can.Error != 0 {
		return d.errorPayload()
	}
	if stated {
		field := d.field(l.length)
		length, _, ok := parseNumber(field, l.lengths.Base)
		if !ok {
			return d.failed(faultLength, l.length, field)
		}
		if kind := d.setLength(length, l.lengths.Code, l.length, field); kind != good {
			return kind
		}
	}
	if f.Flags&can.Remote != 0 {
		return good
	}
	if l.data >= 0 {
		return d.oneColumn(stated)
	}
	return d.manyColumns(stated)
}

// setLength sets the length. A frame that is too long to be classic is FD where
// no column could say so.
func (d *delimited) setLength(n uint64, code bool, column int, field []byte) Kind {
	f := &d.frame
	if n > can.MaxClassicLen && !code && d.l.flagged&can.FD == 0 && f.Flags&can.Remote == 0 {
		f.Flags |= can.FD
		d.once(&d.fd, "frames of more than 8 bytes were taken for CAN FD: no column says so")
	}
	if !lengthOf(f, n, code) {
		return d.failed(faultLength, column, field)
	}
	return good
}

// oneColumn reads the payload from one field.
func (d *delimited) oneColumn(stated bool) Kind {
	l, f := d.l, &d.frame
	field := d.field(l.data)
	want := can.MaxFDLen
	if stated {
		want = int(f.Len)
	}
	n, kind := parseField(field, f.Data[:want], l.separator, l.base)
	switch {
	case kind == Malformed:
		return d.failed(faultData, l.data, field)
	case kind == Cut, stated && n < want:
		return d.failed(faultFewer, l.data, field)
	case n > want:
		return d.failed(faultMore, l.data, field)
	case stated:
		return good
	}
	return d.setLength(uint64(n), false, l.data, field)
}

// manyColumns reads a byte from each field: as many as the length says, else up
// to the first that is empty.
func (d *delimited) manyColumns(stated bool) Kind {
	l, f := d.l, &d.frame
	want := len(d.fields) - l.from
	if l.to >= 0 {
		want = min(want, l.to-l.from+1)
	}
	want = min(max(0, want), can.MaxFDLen)
	if stated && int(f.Len) > want {
		return d.failed(faultFewer, l.from, nil)
	}
	if stated {
		want = int(f.Len)
	}
	n := 0
	for ; n < want; n++ {
		field := d.fields[l.from+n]
		if len(field) == 0 {
			break
		}
		b, ok := parseByte(field, l.base)
		if !ok {
			return d.failed(faultData, l.from+n, field)
		}
		f.Data[n] = b
	}
	switch {
	case stated && n < want:
		return d.failed(faultFewer, l.from+n, nil)
	case stated:
		return good
	}
	return d.setLength(uint64(n), false, l.from, nil)
}

// errorPayload reads the details of an error frame, where the capture has them.
func (d *delimited) errorPayload() Kind {
	l, f := d.l, &d.frame
	f.Len, f.DLC = can.MaxClassicLen, can.MaxClassicLen
	n, kind := 0, good
	if l.data >= 0 {
		n, kind = parseField(d.field(l.data), f.Data[:can.MaxClassicLen], l.separator, l.base)
	}
	for ; l.data < 0 && n < can.MaxClassicLen && l.from+n < len(d.fields) && (l.to < 0 || l.from+n <= l.to); n++ {
		b, ok := parseByte(d.fields[l.from+n], l.base)
		if !ok {
			break
		}
		f.Data[n] = b
	}
	if kind != good || n > can.MaxClassicLen {
		clear(f.Data[:])
	}
	return good
}

// field is a field of the line; nothing where the line is shorter.
func (d *delimited) field(i int) []byte {
	if i >= len(d.fields) {
		return nil
	}
	return d.fields[i]
}

// split cuts a line into fields, without blanks around them, as far as any is
// looked at.
func (d *delimited) split(line []byte) Kind {
	d.fields, d.scratch = d.fields[:0], d.scratch[:0]
	delimiter := d.l.delimiter
	if delimiter == Blanks {
		return d.splitBlanks(line)
	}
	for len(d.fields) < d.l.most {
		line = skipBlanks(line, delimiter)
		var field []byte
		if len(line) > 0 && line[0] == '"' {
			quoted, rest, ok := d.unquote(line)
			rest = skipBlanks(rest, delimiter)
			if !ok || len(rest) > 0 && rest[0] != delimiter {
				return d.failed(faultQuote, len(d.fields), line)
			}
			field, line = trimBlanks(quoted), rest
		} else {
			end := 0
			for end < len(line) && line[end] != delimiter {
				end++
			}
			field, line = line[:end], line[end:]
			for len(field) > 0 && isBlank(field[len(field)-1]) {
				field = field[:len(field)-1]
			}
		}
		d.fields = append(d.fields, field)
		if len(line) == 0 {
			return good
		}
		line = line[1:]
	}
	return good
}

// skipBlanks passes over blanks that are no delimiters.
func skipBlanks(s []byte, delimiter byte) []byte {
	for len(s) > 0 && (s[0] == ' ' || s[0] == '\t' && delimiter != '\t') {
		s = s[1:]
	}
	return s
}

// splitBlanks is split for fields with blanks between them.
func (d *delimited) splitBlanks(line []byte) Kind {
	for len(d.fields) < d.l.most {
		for len(line) > 0 && isBlank(line[0]) {
			line = line[1:]
		}
		if len(line) == 0 {
			return good
		}
		if line[0] != '"' {
			var field []byte
			field, line = token(line)
			d.fields = append(d.fields, field)
			continue
		}
		field, rest, ok := d.unquote(line)
		if !ok || len(rest) > 0 && !isBlank(rest[0]) {
			return d.failed(faultQuote, len(d.fields), line)
		}
		d.fields = append(d.fields, trimBlanks(field))
		line = rest
	}
	return good
}

// unquote reads the quoted field that s starts with. Two quotes in it are one.
func (d *delimited) unquote(s []byte) (field, rest []byte, ok bool) {
	s = s[1:]
	end := bytes.IndexByte(s, '"')
	if end < 0 {
		return nil, nil, false
	}
	if end+1 == len(s) || s[end+1] != '"' {
		return s[:end], s[end+1:], true
	}
	start := len(d.scratch)
	for {
		d.scratch = append(d.scratch, s[:end]...)
		if end+1 == len(s) || s[end+1] != '"' {
			return d.scratch[start:len(d.scratch):len(d.scratch)], s[end+1:], true
		}
		d.scratch = append(d.scratch, '"')
		s = s[end+2:]
		if end = bytes.IndexByte(s, '"'); end < 0 {
			return nil, nil, false
		}
	}
}

// trimEnd removes the return of a CRLF.
func trimEnd(line []byte) []byte {
	if n := len(line); n > 0 && line[n-1] == '\r' {
		return line[:n-1]
	}
	return line
}
