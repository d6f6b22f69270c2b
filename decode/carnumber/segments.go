package carnumber

import (
	"bytes"
	"encoding/binary"

	"plugproof/decode/can"
)

// link is one stream of segments: an identifier, and where in its frames the
// segments begin (1 behind an address byte, ISO 15765-2 extended addressing).
type link struct {
	key
	behind uint8
}

// segments follows what modules say over several frames, ISO 15765-2:
//
//	0L ....            single frame of L bytes; 00 LL in CAN FD
//	1L LL ....         first frame of LLL bytes; 10 00 LL LL LL LL in CAN FD
//	2N ....            consecutive frame number N, counted from 1
type segments map[link]*transfer

// transfer is a message that is not complete.
type transfer struct {
	content []byte
	left    int  // bytes that are to come
	next    byte // number of the frame that is to come
	why     Why
}

// maxContent is how much of a message is looked at: numbers stand at its begin.
const maxContent = 512

// take follows a frame. content is what is known of the message that it belongs to.
func (s segments) take(f *can.Frame) (why Why, content []byte) {
	for behind := range uint8(2) {
		if int(behind)+2 > int(f.Len) {
			break
		}
		if w, c := s.segment(link{keyOf(f), behind}, f.Data[behind:f.Len], f.Is(can.FD)); w != "" {
			return w, c
		}
	}
	return "", nil
}

func (s segments) segment(l link, p []byte, fd bool) (Why, []byte) {
	switch p[0] >> 4 {
	case 0:
		n, data := int(p[0]&0xF), p[1:]
		if n == 0 && fd {
			n, data = int(p[1]), p[2:]
		}
		delete(s, l)
		if n == 0 || n > len(data) || !l.diagnostic() && n < shortest {
			return "", nil
		}
		return reason(l.key, data[:n]), data[:n]
	case 1:
		n, data := int(p[0]&0xF)<<8|int(p[1]), p[2:]
		if n == 0 && fd && len(p) > 6 {
			n, data = int(min(binary.BigEndian.Uint32(p[2:6]), 1<<20)), p[6:]
		}
		if n <= len(data) || !mayTell(l.key, n, data) || len(s) >= maxKeys && s[l] == nil {
			delete(s, l)
			return "", nil
		}
		t := &transfer{content: bytes.Clone(data), left: n - len(data), next: 1}
		t.why = reason(l.key, t.content)
		s[l] = t
		return t.why, t.content
	case 2:
		return s.consecutive(l, p)
	}
	return "", nil
}

// shortest is how long a message is that tells a number, in bytes.
const shortest = length + 2

// mayTell reports whether a message of this length that begins so is worth following: on
// identifiers of any message only what looks like an answer is.
func mayTell(k key, n int, begin []byte) bool {
	if k.diagnostic() || len(begin) == 0 {
		return len(begin) > 0
	}
	return n >= shortest && (begin[0] == 0x62 || begin[0] == 0x2E || reason(k, begin) != "")
}

func (s segments) consecutive(l link, p []byte) (Why, []byte) {
	t := s[l]
	if t == nil || p[0]&0xF != t.next {
		delete(s, l)
		// The capture began in the middle, or lost the frame before.
		if l.diagnostic() && len(Texts(p[1:])) > 0 {
			return Answered, nil
		}
		return "", nil
	}
	data := p[1:]
	data = data[:min(len(data), t.left)]
	t.left -= len(data)
	t.next = (t.next + 1) & 0xF
	if len(t.content) < maxContent {
		t.content = append(t.content, data...)
	}
	if t.why == "" {
		t.why = reason(l.key, t.content)
	}
	if t.left == 0 {
		delete(s, l)
	}
	return t.why, t.content
}

// reason says why a message, or the begin of one, is not to be shown.
func reason(k key, message []byte) Why {
	if len(message) < 2 {
		return ""
	}
	number := []byte{0xF1, 0x90} // ISO 14229-1, annex C
	switch service := message[0]; {
	case service == 0x49 && message[1] == 0x02,
		service == 0x5A && message[1] == 0x90 && k.diagnostic(),
		(service == 0x62 || service == 0x2E) && bytes.Contains(message[1:], number) && len(message) > 3:
		return Answered
	case !k.diagnostic() || len(message) < 3: // a question without a key
		return ""
	case service == 0x27, service == 0x67, service == 0x29, service == 0x69:
		return Unlocked
	}
	return ""
}
