package capture

import (
	"errors"
	"fmt"
	"io"
	"strconv"

	"plugproof/decode/can"
)

// The classic pcap file: a 24-byte header, then records of a 16-byte header and
// a packet (draft-ietf-opsawg-pcap). All fields are in the byte order that the
// magic number shows.
//
//	file    magic 4 | version 2+2 | 0 4 | 0 4 | snaplen 4 | link type 4
//	record  seconds 4 | fraction 4 | captured length 4 | original length 4
//
// The records are read here and not by a library: gopacket's pcapgo cuts the
// link type to 8 bits (276 reads as 20), refuses a whole file for one record
// over the snaplen, allocates what a lying length says, and keeps no offsets.
const (
	pcapHead   = 24
	recordHead = 16

	magicMicro = 0xA1B2C3D4
	magicNano  = 0xA1B23C4D

	// linkTypeMask leaves out the upper bits of the link type field, which tell
	// of frame check sequences (draft-ietf-opsawg-pcap, section 4).
	linkTypeMask = 0x03FFFFFF
)

// unnamedBus is the name of the only bus of a capture that names none.
const unnamedBus = "if0"

// pcapHeader is what the file header says.
type pcapHeader struct {
	big  bool
	unit int64 // nanoseconds in one unit of a stamp's fraction
	link link
}

func parsePcapHeader(head []byte) (pcapHeader, bool) {
	if len(head) < pcapHead {
		return pcapHeader{}, false
	}
	for _, big := range []bool{false, true} {
		h := pcapHeader{big: big}
		switch readU32(head, big) {
		case magicMicro:
			h.unit = 1000
		case magicNano:
			h.unit = 1
		default:
			continue
		}
		h.link = newLink(readU32(head[20:], big)&linkTypeMask, big)
		return h, true
	}
	return pcapHeader{}, false
}

func sniffPcap(head []byte) bool {
	h, ok := parsePcapHeader(head)
	return ok && h.link.holdsCAN()
}

// openPcap takes nothing from the input yet.
func openPcap(in *input) (decoder, error) {
	head, err := in.r.Peek(pcapHead)
	if err != nil {
		return nil, err
	}
	h, ok := parsePcapHeader(head)
	if !ok {
		return nil, errors.New("internal error: no pcap header where one was found before")
	}
	return &pcapDecoder{
		pcapHeader: h, in: in, win: window{r: in.r},
		buses: numberedBuses{all: in.buses},
	}, nil
}

// pcapDecoder reads the records of a pcap file.
type pcapDecoder struct {
	pcapHeader
	in      *input
	win     window
	record  uint32
	bus     uint16 // of link types 227 and 113
	buses   numberedBuses
	started bool
	decided bool  // link.big was looked into
	lost    error // why the rest cannot be read, once that is so
}

func (d *pcapDecoder) read(dst []can.Frame) (int, error) {
	if !d.started {
		if err := d.start(); err != nil {
			return 0, err
		}
	}
	return readRecords(d, dst)
}

// start passes over the file header.
func (d *pcapDecoder) start() error {
	d.started = true
	if err := d.win.skip(pcapHead); err != nil {
		return err
	}
	if d.link.typ != linkSLL2 {
		var ok bool
		if d.bus, ok = d.in.buses.Intern([]byte(unnamedBus)); !ok {
			return errTooManyBuses
		}
	}
	return nil
}

// decideOrder settles the byte order of identifiers by the records that are
// buffered. It does not wait for more.
func (d *pcapDecoder) decideOrder() {
	d.decided = true
	var order idOrder
	for win := d.win.buffered(); len(win) >= recordHead && !order.settled(); {
		length, orig := readU32(win[8:], d.big), readU32(win[12:], d.big)
		if win = win[recordHead:]; int64(length) > int64(len(win)) {
			break
		}
		if c, k := d.link.strip(win[:length], int(orig)); k == good {
			order.add(c.body)
		}
		win = win[length:]
	}
	if d.link.follow(order) {
		d.in.rep.note(d.link.unusualNote())
	}
}

// next reads one record; see recordReader.
func (d *pcapDecoder) next(f *can.Frame, mayWait bool) (bool, error) {
	if d.lost != nil {
		return false, d.passLost()
	}
	if !mayWait && !d.win.has(recordHead) {
		return false, errWait
	}
	win, err := d.win.peek(recordHead)
	if len(win) < recordHead {
		return false, d.end(len(win), err)
	}
	length, orig := readU32(win[8:], d.big), readU32(win[12:], d.big)
	if length > d.link.maxLen() {
		d.lose(length)
		return false, nil
	}
	if !mayWait && !d.win.has(recordHead+int(length)) {
		return false, errWait
	}
	need := recordHead + int(min(length, packetHead))
	if len(win) < need {
		if win, err = d.win.peek(need); len(win) < need {
			return false, d.end(len(win), err)
		}
	}
	if !d.decided {
		d.decideOrder()
	}
	*f = can.Frame{
		Time:   int64(readU32(win, d.big))*1e9 + int64(readU32(win[4:], d.big))*d.unit,
		Offset: d.win.off, Record: d.record + 1, File: d.in.file, Bus: d.bus,
	}
	k := d.decode(f, win[recordHead:need], int(max(orig, length)))
	if k == Malformed && length > packetHead { // it would swallow the records that follow
		d.lose(length)
		return false, nil
	}
	if err = d.win.skip(recordHead + int64(length)); err != nil {
		k = Cut // a packet longer than those of CAN
	}
	return d.count(k, f), err
}

// count books a record and returns whether it gave a frame.
func (d *pcapDecoder) count(k Kind, f *can.Frame) bool {
	d.record++
	if k != good {
		d.in.rep.setAside(k, placeOf(f))
		return false
	}
	d.in.rep.Records++
	return true
}

func (d *pcapDecoder) decode(f *can.Frame, packet []byte, orig int) Kind {
	ifindex, k := d.link.decode(f, packet, orig)
	if k != good || d.link.typ != linkSLL2 {
		return k
	}
	bus, ok := d.buses.bus(ifindex)
	if !ok {
		d.in.rep.note(errTooManyBuses.Error())
		return Malformed
	}
	f.Bus = bus
	return good
}

// end is the end of the input, rest bytes into a record.
func (d *pcapDecoder) end(rest int, err error) error {
	if rest > 0 {
		d.in.rep.setAside(Cut, Place{d.win.off, d.record + 1})
		if err := d.win.skipLast(rest); err != nil {
			return err
		}
	}
	return err
}

// lose gives up at a record that cannot be as long as it says: nothing in a pcap
// file marks where the next one begins.
func (d *pcapDecoder) lose(length uint32) {
	d.in.rep.setAside(Garbage, Place{d.win.off, d.record + 1})
	d.lost = fmt.Errorf("record %d at byte %d claims %d bytes, which no CAN packet of link type %d has; "+
		"what follows it cannot be found", d.record+1, d.win.off, length, d.link.typ)
}

// passLost reads the rest, so that size and checks of the file cover all of it.
func (d *pcapDecoder) passLost() error {
	win, err := d.win.peek(1)
	if skipErr := d.win.skip(int64(len(win))); skipErr != nil {
		return skipErr
	}
	if errors.Is(err, io.EOF) {
		return d.lost
	}
	return err
}

var errTooManyBuses = fmt.Errorf("more than %d buses in the captures read together", can.MaxBuses)

// numberedBuses finds the bus of an interface that packets name by its number
// only: interface 3 is bus "if3".
type numberedBuses struct {
	all   *can.Buses
	known map[uint32]uint16
	last  uint32
	cur   uint16 // the bus of last
	any   bool   // last and cur are set
	full  bool   // no name fits into all any more
}

func (b *numberedBuses) bus(ifindex uint32) (uint16, bool) {
	if b.any && b.last == ifindex {
		return b.cur, true
	}
	bus, ok := b.known[ifindex]
	if !ok {
		if b.full {
			return 0, false
		}
		if bus, ok = b.all.Intern(strconv.AppendUint([]byte("if"), uint64(ifindex), 10)); !ok {
			b.full = true
			return 0, false
		}
		if b.known == nil {
			b.known = map[uint32]uint16{}
		}
		b.known[ifindex] = bus
	}
	b.last, b.cur, b.any = ifindex, bus, true
	return bus, true
}
