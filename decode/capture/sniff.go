package capture

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
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
// capture reads it, so those with a magic number come before text.
func formats() []format {
	return []format{
		{"pcap", sniffPcap, openPcap},
		{"pcapng", sniffPcapng, openPcapng},
		{"candump log", sniffCandump, openCandump},
		{"candump console", sniffConsole, openConsole},
	}
}

// sniff finds the format of what r reads, without taking anything from it. It
// asks for no more bytes than it needs, so that a live pipe is not held up.
func sniff(r *bufio.Reader) (format, error) {
	all := formats()
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
			return format{}, refusal(head)
		}
		want = max(want, len(head))
	}
}

// refusal says why nothing accepted head.
func refusal(head []byte) error {
	if len(head) == 0 {
		return fmt.Errorf("%w: it is empty", ErrNotCapture)
	}
	if h, ok := parsePcapHeader(head); ok {
		return fmt.Errorf("%w: its packets are of link type %d; CAN is in 227, 113 and 276", ErrNotCapture, h.link.typ)
	}
	if bytes.HasPrefix(head, []byte("\xFF\xFE")) || bytes.HasPrefix(head, []byte("\xFE\xFF")) {
		return fmt.Errorf("%w: it looks like text in UTF-16; save it as UTF-8 and try again", ErrNotCapture)
	}
	return fmt.Errorf("%w: it begins with %q", ErrNotCapture, head[:min(len(head), 40)])
}
