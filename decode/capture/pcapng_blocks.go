package capture

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"plugproof/decode/can"
)

// Options, and the fields of blocks, that matter here.
const (
	optName     = 2  // if_name, UTF-8, not zero ended
	optSpeed    = 8  // if_speed, bit/s
	optResol    = 9  // if_tsresol
	optOffset   = 14 // if_tsoffset, s
	optFlags    = 2  // epb_flags; pack_flags of the obsolete block
	dirMask     = 3  // of the flags: 1 inbound, 2 outbound
	dirInbound  = 1
	dirOutbound = 2

	interfaceMin  = 20
	packetMin     = 32 // the obsolete block too
	simpleMin     = 16
	packetStart   = 28 // where the packet begins
	simpleStart   = 12
	microResol    = 6 // the resolution of an interface that states none
	maxBusName    = 64
	maxCANBitrate = 1_000_000 // arbitration phase, ISO 11898-1

	// maxInterfaces bounds what a section of nothing but interfaces can cost.
	maxInterfaces = 4096
)

// ngInterface is an interface of a section.
type ngInterface struct {
	link     link
	decided  bool // link.big was looked into
	numbered bool // the packets say which interface it was
	full     bool // no room for its bus
	bus      uint16
	snaplen  uint32 // 0: none
	clock    resolution
}

// addInterface takes in an interface block. An interface of link type 276 that
// has no name, or that of the catch-all device "any", tells its buses apart by
// the number in its packets: "if3" is interface 3 of the machine that captured.
// Any other interface is one bus; without a name, interface 3 of its section is "if3".
func (d *pcapngDecoder) addInterface(block []byte) {
	if len(d.interfaces) >= maxInterfaces || len(block) < interfaceMin {
		d.in.rep.setAside(Malformed, Place{d.win.off, d.record})
		if len(d.interfaces) < maxInterfaces { // those after it keep their numbers
			d.interfaces = append(d.interfaces, ngInterface{})
		}
		return
	}
	ifc := ngInterface{
		link:    newLink(uint32(readU16(block[8:], d.big)), d.big),
		snaplen: d.u32(block[12:]),
		clock:   newResolution(microResol, 0),
	}
	var name []byte
	var speed uint64
	resol, offset := byte(microResol), int64(0)
	code, value, rest := d.option(block[16 : len(block)-4])
	for ; code != 0; code, value, rest = d.option(rest) {
		switch {
		case code == optName:
			name = bytes.TrimRight(value, "\x00")
		case code == optSpeed && len(value) == 8:
			speed = d.u64(value)
		case code == optResol && len(value) == 1:
			resol = value[0]
		case code == optOffset && len(value) == 8:
			offset = int64(d.u64(value))
		}
	}
	ifc.clock = newResolution(resol, offset)
	if ifc.link.holdsCAN() {
		ifc.numbered = ifc.link.typ == linkSLL2 && (len(name) == 0 || string(name) == "any")
		if !ifc.numbered {
			d.nameBus(&ifc, name, speed)
		}
	}
	d.interfaces = append(d.interfaces, ifc)
}

func (d *pcapngDecoder) nameBus(ifc *ngInterface, name []byte, speed uint64) {
	if len(name) == 0 {
		name = strconv.AppendInt([]byte("if"), int64(len(d.interfaces)), 10)
	}
	bus, ok := d.in.buses.Intern(plainName(name))
	if ifc.bus, ifc.full = bus, !ok; !ok {
		return
	}
	switch {
	case speed > 0 && speed <= maxCANBitrate:
		d.in.buses.SetBitrates(bus, int64(speed), 0)
	case speed > maxCANBitrate:
		d.in.rep.note(fmt.Sprintf("%s: its bit rate of %d bit/s is none of CAN and was not taken over",
			d.in.buses.Name(bus), speed))
	}
}

// plainName makes a bus name that can stand in a text log, as busName demands:
// no blanks, no control characters, none of "()#", at most maxBusName bytes.
func plainName(name []byte) []byte {
	plain := make([]byte, 0, min(len(name), maxBusName))
	for len(name) > 0 {
		r, size := utf8.DecodeRune(name)
		if r == utf8.RuneError || !strconv.IsPrint(r) || strings.ContainsRune(" ()#", r) {
			r = '_'
		}
		if len(plain)+utf8.RuneLen(r) > maxBusName {
			break
		}
		plain = utf8.AppendRune(plain, r)
		name = name[size:]
	}
	return plain
}

// ngPacket is what all kinds of packet blocks say.
type ngPacket struct {
	iface   uint32
	length  uint32 // captured
	orig    uint32
	stamped bool
	stamp   uint64 // in units of the interface's clock
	rest    []byte // packet, padding, options
}

// fits reports whether the block is as long as the packet in it says.
func (p *ngPacket) fits() bool { return int64(p.length) <= int64(len(p.rest)) }

func (p *ngPacket) data() []byte { return p.rest[:p.length] }

// options returns what follows the packet and its padding.
func (p *ngPacket) options() []byte {
	if at := (int64(p.length) + 3) &^ 3; at < int64(len(p.rest)) {
		return p.rest[at:]
	}
	return nil
}

// parsePacket takes a packet block apart; false: it is a block of another type.
// One too short for its fields gives a packet that does not fit.
func (d *pcapngDecoder) parsePacket(b []byte) (ngPacket, bool) {
	tooShort := ngPacket{iface: math.MaxUint32, length: math.MaxUint32}
	body := b[:len(b)-4]
	switch d.u32(b) {
	case blockPacket, blockOldPacket:
		if len(b) < packetMin {
			return tooShort, true
		}
		p := ngPacket{
			iface: d.u32(b[8:]), stamped: true,
			stamp:  uint64(d.u32(b[12:]))<<32 | uint64(d.u32(b[16:])),
			length: d.u32(b[20:]), orig: d.u32(b[24:]),
			rest: body[packetStart:],
		}
		if d.u32(b) == blockOldPacket { // the upper half counts dropped packets
			p.iface = uint32(readU16(b[8:], d.big))
		}
		return p, true
	case blockSimple:
		if len(b) < simpleMin {
			return tooShort, true
		}
		p := ngPacket{orig: d.u32(b[8:]), rest: body[simpleStart:]}
		p.length = min(p.orig, uint32(len(p.rest)))
		if len(d.interfaces) > 0 && d.interfaces[0].snaplen > 0 {
			p.length = min(p.length, d.interfaces[0].snaplen)
		}
		return p, true
	}
	return ngPacket{}, false
}

// packet makes a frame of a packet block. It returns false when there is none.
func (d *pcapngDecoder) packet(f *can.Frame, p *ngPacket) bool {
	d.record++
	*f = can.Frame{Offset: d.win.off, Record: d.record, File: d.in.file}
	if k := d.decode(f, p); k != good {
		d.in.rep.setAside(k, placeOf(f))
		return false
	}
	d.in.rep.Records++
	return true
}

func (d *pcapngDecoder) decode(f *can.Frame, p *ngPacket) Kind {
	if int64(p.iface) >= int64(len(d.interfaces)) {
		return Malformed
	}
	ifc := &d.interfaces[p.iface]
	if !ifc.link.holdsCAN() {
		return OtherLink
	}
	if !p.fits() {
		return Malformed
	}
	if !ifc.decided {
		d.decideOrder(p.iface)
	}
	ifindex, k := ifc.link.decode(f, p.data(), int(max(p.orig, p.length)))
	if k != good {
		return k
	}
	ok := !ifc.full
	if f.Bus = ifc.bus; ifc.numbered {
		f.Bus, ok = d.buses.bus(ifindex)
	}
	if !ok {
		d.in.rep.note(errTooManyBuses.Error())
		return Malformed
	}
	if !p.stamped {
		d.in.rep.note("packets without a time stamp: their time reads as 0")
		return good
	}
	if f.Time, ok = ifc.clock.nanoseconds(p.stamp); !ok {
		d.in.rep.note("time stamps outside of the years 1678 to 2262: those frames were set aside")
		return Malformed
	}
	d.direction(f, p.options())
	return good
}

// direction takes over what the flags of a packet say, if they do.
func (d *pcapngDecoder) direction(f *can.Frame, options []byte) {
	code, value, rest := d.option(options)
	for ; code != 0; code, value, rest = d.option(rest) {
		if code != optFlags || len(value) != 4 {
			continue
		}
		switch d.u32(value) & dirMask {
		case dirInbound:
			f.Flags = f.Flags&^can.Tx | can.Rx
		case dirOutbound:
			f.Flags = f.Flags&^can.Rx | can.Tx
		}
	}
}

// option returns the first option of a list and those after it. Code 0 is the
// end of the list, or damage that ends it.
func (d *pcapngDecoder) option(b []byte) (code uint16, value, rest []byte) {
	if len(b) < 4 {
		return 0, nil, nil
	}
	code, length := readU16(b, d.big), int(readU16(b[2:], d.big))
	if b = b[4:]; length > len(b) {
		return 0, nil, nil
	}
	return code, b[:length], b[min((length+3)&^3, len(b)):]
}

func (d *pcapngDecoder) u64(p []byte) uint64 {
	if d.big {
		return uint64(readU32(p, true))<<32 | uint64(readU32(p[4:], true))
	}
	return uint64(readU32(p[4:], false))<<32 | uint64(readU32(p, false))
}
