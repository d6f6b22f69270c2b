package capture

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
)

// lookAhead is how far into a capture its format is looked for: a log may begin
// with a terminal's header, prompts, blank lines and comments.
const lookAhead = 64 << 10

// format is one kind of capture.
type format struct {
	name string
	// sniff reports whether head, the first bytes of a decompressed capture, is
	// of this format. While bytes still arrive it is asked again with more of
	// them, up to lookAhead.
	sniff func(head []byte) bool
	open  func(in *input) (decoder, error)
}

// formats returns every format that can be read. The first that accepts a
// capture reads it, so those with a magic number come before text. Delimited text
// is among them only where somebody says what its columns are.
func formats(columns *Columns) []format {
	list := []format{
		{"pcap", sniffPcap, openPcap},
		{"pcapng", sniffPcapng, openPcapng},
		{"candump log", sniffCandump, openCandump},
		{"candump console", sniffConsole, openConsole},
	}
	if columns != nil {
		list = slices.Insert(list, 2, delimitedFormat(columns))
	}
	return list
}

// sniff finds the format of what r reads, without taking anything from it. It
// asks for no more bytes than it needs, so that a live pipe is not held up.
func sniff(r *bufio.Reader, columns *Columns) (format, error) {
	all := formats(columns)
	for want := 1; ; want *= 2 {
		_, err := r.Peek(min(want, lookAhead))
		head, _ := r.Peek(r.Buffered())
		for _, f := range all {
			if f.sniff(head) {
				return f, nil
			}
		}
		switch {
		case err != nil && !errors.Is(err, io.EOF):
			return format{}, err
		case err != nil || want >= lookAhead:
			return format{}, refusal(head, columns)
		}
		want = max(want, len(head))
	}
}

// refusal says why nothing accepted head.
func refusal(head []byte, columns *Columns) error {
	if len(head) == 0 {
		return fmt.Errorf("%w: it is empty", ErrNotCapture)
	}
	if h, ok := parsePcapHeader(head); ok {
		return fmt.Errorf("%w: its packets are of link type %d; CAN is in 227, 113 and 276", ErrNotCapture, h.link.typ)
	}
	if isUTF16(head) {
		return fmt.Errorf("%w: it looks like text in UTF-16; save it as UTF-8 and try again", ErrNotCapture)
	}
	if columns != nil {
		return fmt.Errorf("%w: it is not as its columns were said to be: %w", ErrNotCapture, sniffDelimited(columns, head))
	}
	return fmt.Errorf("%w: it begins with %q", ErrNotCapture, head[:min(len(head), 40)])
}

// isUTF16 knows text of two bytes a character by its mark, or by two characters
// of ASCII.
func isUTF16(head []byte) bool {
	if bytes.HasPrefix(head, []byte("\xFF\xFE")) || bytes.HasPrefix(head, []byte("\xFE\xFF")) {
		return true
	}
	ascii := func(c byte) bool { return c >= ' ' && c < 0x7F }
	return len(head) >= 4 && (ascii(head[0]) && head[1] == 0 && ascii(head[2]) && head[3] == 0 ||
		head[0] == 0 && ascii(head[1]) && head[2] == 0 && ascii(head[3]))
}
