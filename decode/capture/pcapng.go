package capture

import (
	"fmt"

	"plugproof/decode/can"
)

// pcapng (draft-ietf-opsawg-pcapng): blocks one behind the other, each with its
// length in front and at its end, a multiple of four:
//
//	type 4 | total length 4 | body | total length 4
//
// A section header starts a section, sets the byte order of all fields in it and
// forgets the interfaces before it. Interface blocks describe interfaces 0, 1,
// ...; packet blocks refer to them by number.
//
// Only packets count as records, so that a frame's Record is the number other
// tools give the packet. Blocks without packets, other than section headers and
// interfaces, are set aside as OtherLink with the number of the packet before.
const (
	blockSection   = 0x0A0D0D0A // the same in both byte orders
	blockInterface = 1
	blockOldPacket = 2 // obsolete
	blockSimple    = 3
	blockNames     = 4
	blockStats     = 5
	blockPacket    = 6 // enhanced packet
	blockSecrets   = 10
	blockCustom    = 0x00000BAD
	blockCustom2   = 0x40000BAD // not to be copied

	orderMagic = 0x1A2B3C4D

	blockMin   = 12 // type and both lengths
	sectionMin = 28
	// maxBlock is the longest block that is believed, as in libpcap.
	maxBlock = 16 << 20
	// resyncBlock is the longest block at which reading is taken up again after
	// damage. Those that matter, CAN packets and interfaces, are far shorter.
	resyncBlock = 4096
	// orderBlocks is how many blocks are looked at for the order of identifiers.
	orderBlocks = 64
)

// sectionOrder returns the byte order of the section that starts with head.
func sectionOrder(head []byte) (big, ok bool) {
	if len(head) < blockMin || readU32(head, false) != blockSection {
		return false, false
	}
	big = readU32(head[8:], true) == orderMagic
	return big, big || readU32(head[8:], false) == orderMagic
}

func sniffPcapng(head []byte) bool {
	_, ok := sectionOrder(head)
	return ok
}

func openPcapng(in *input) (decoder, error) {
	return &pcapngDecoder{
		in: in, win: window{r: in.r}, whole: uint32(in.r.Size() / 4),
		buses: numberedBuses{all: in.buses},
	}, nil
}

// pcapngDecoder reads the blocks of a pcapng file.
type pcapngDecoder struct {
	in     *input
	win    window
	whole  uint32 // blocks up to this length are checked before any of it is taken
	record uint32
	damage int64 // bytes passed over
	lost   bool  // in damage, until the next block is found
	buses  numberedBuses

	// Of the section.
	big        bool
	interfaces []ngInterface
}

func (d *pcapngDecoder) read(dst []can.Frame) (int, error) {
	n, err := readRecords(d, dst)
	if err != nil {
		d.finish()
	}
	return n, err
}

// finish says how much of the capture was damaged.
func (d *pcapngDecoder) finish() {
	if d.damage > 0 {
		d.in.rep.note(fmt.Sprintf("%d bytes of damaged blocks passed over", d.damage))
	}
}

func (d *pcapngDecoder) u32(p []byte) uint32 { return readU32(p, d.big) }

// next reads one block; see recordReader.
func (d *pcapngDecoder) next(f *can.Frame, mayWait bool) (bool, error) {
	if d.lost {
		if !mayWait && !d.win.has(resyncBlock) {
			return false, errWait
		}
		return false, d.search()
	}
	if !mayWait && !d.win.has(blockMin) {
		return false, errWait
	}
	win, err := d.win.peek(blockMin)
	if len(win) < blockMin {
		return false, d.tail(win, err)
	}
	if big, ok := sectionOrder(win); ok {
		d.big = big
	}
	total := d.u32(win[4:])
	switch {
	case !d.believable(win, total):
		return false, d.lose()
	case len(win) < int(total) && !mayWait:
		return false, errWait
	case total > d.whole:
		return false, d.passLong(win, total)
	case len(win) < int(total):
		if win, err = d.win.peek(int(total)); len(win) < int(total) {
			return false, d.tail(win, err)
		}
	}
	if d.u32(win[total-4:]) != total {
		return false, d.lose()
	}
	return d.block(f, win[:total])
}

// block takes in a whole block. It returns whether that gave a frame.
func (d *pcapngDecoder) block(f *can.Frame, b []byte) (bool, error) {
	p, ok := d.parsePacket(b)
	if ok {
		ok = d.packet(f, &p)
	} else {
		d.structure(b)
	}
	return ok, d.win.skip(int64(len(b)))
}

// believable reports whether a block that starts with head can be total bytes
// long. The whole of a section header, an interface or a CAN packet must fit in
// what can be checked, or else one lying length would swallow what follows it.
func (d *pcapngDecoder) believable(head []byte, total uint32) bool {
	if total < blockMin || total > maxBlock || total%4 != 0 {
		return false
	}
	switch d.u32(head) {
	case blockSection:
		_, ok := sectionOrder(head)
		return ok && total >= sectionMin && total <= d.whole
	case blockInterface:
		return total <= d.whole
	case blockPacket:
		return total <= d.whole || d.otherLink(d.u32(head[8:]))
	case blockOldPacket:
		return total <= d.whole || d.otherLink(uint32(readU16(head[8:], d.big)))
	case blockSimple:
		return total <= d.whole || d.otherLink(0)
	}
	return true
}

// otherLink reports whether an interface is known not to carry CAN.
func (d *pcapngDecoder) otherLink(iface uint32) bool {
	return int64(iface) < int64(len(d.interfaces)) && !d.interfaces[iface].link.holdsCAN()
}

// passLong passes over a block that is too long to be checked before it is
// taken. It holds no CAN packet.
func (d *pcapngDecoder) passLong(head []byte, total uint32) error {
	at := Place{d.win.off, d.record}
	switch d.u32(head) {
	case blockPacket, blockOldPacket, blockSimple:
		at.Record++
	}
	err := d.win.skip(int64(total) - 4)
	if err == nil {
		var end []byte
		if end, err = d.win.peek(4); err == nil && d.u32(end) != total {
			d.damage += int64(total) - 4
			d.in.rep.setAside(Garbage, at)
			d.lost = true
			return nil
		}
	}
	if err != nil {
		d.in.rep.setAside(Cut, at)
		return err
	}
	d.record = at.Record
	d.in.rep.setAside(OtherLink, at)
	return d.win.skip(4)
}

// structure takes in a block that is no packet.
func (d *pcapngDecoder) structure(block []byte) {
	switch d.u32(block) {
	case blockSection:
		d.interfaces = d.interfaces[:0]
		if major := readU16(block[12:], d.big); major != 1 {
			d.in.rep.note(fmt.Sprintf("pcapng version %d: read as version 1", major))
		}
	case blockInterface:
		d.addInterface(block)
	default:
		d.in.rep.setAside(OtherLink, Place{d.win.off, d.record})
	}
}

// decideOrder settles the byte order of an interface's identifiers by its
// packets that are buffered. It does not wait for more.
func (d *pcapngDecoder) decideOrder(number uint32) {
	ifc := &d.interfaces[number]
	ifc.decided = true
	var order idOrder
	win := d.win.buffered()
	for n := 0; n < orderBlocks && len(win) >= blockMin && !order.settled(); n++ {
		total := d.u32(win[4:])
		if total < blockMin || int64(total) > int64(len(win)) || d.u32(win) == blockSection {
			break
		}
		if p, ok := d.parsePacket(win[:total]); ok && p.iface == number && p.fits() {
			if c, k := ifc.link.strip(p.data(), int(p.orig)); k == good {
				order.add(c.body)
			}
		}
		win = win[total:]
	}
	if ifc.link.follow(order) {
		d.in.rep.note(ifc.link.unusualNote())
	}
}

// tail is reached when the input ends within a block; win is all that is left.
// It may be that only the block's length lies: what can be read behind it is.
func (d *pcapngDecoder) tail(win []byte, err error) error {
	if len(win) == 0 {
		return err
	}
	if d.findBlock(win[1:], len(win)) >= 0 {
		return d.lose()
	}
	d.in.rep.setAside(Cut, Place{d.win.off, d.record + 1})
	if skipErr := d.win.skipLast(len(win)); skipErr != nil {
		return skipErr
	}
	return err
}

// lose gives up the block that is next, as damaged.
func (d *pcapngDecoder) lose() error {
	d.in.rep.setAside(Garbage, Place{d.win.off, d.record})
	d.lost = true
	d.damage++
	return d.win.skip(1)
}

// search passes over damage, as far as is buffered, up to the next block that
// can be believed.
func (d *pcapngDecoder) search() error {
	win, err := d.win.peek(resyncBlock)
	starts := len(win) // how many places can be judged: at the end, all
	if err == nil {
		starts -= resyncBlock - 1
	}
	at := d.findBlock(win, starts)
	if at >= 0 {
		d.lost = false
		starts, err = at, nil
	}
	d.damage += int64(starts)
	if skipErr := d.win.skipLast(starts); skipErr != nil {
		return skipErr
	}
	return err
}

// findBlock returns where, among the first starts bytes of win, a whole block of
// a known type begins, or -1.
func (d *pcapngDecoder) findBlock(win []byte, starts int) int {
	for at := 0; at < starts && at+blockMin <= len(win); at++ {
		head := win[at:]
		big, isSection := sectionOrder(head)
		if !isSection {
			big = d.big
			switch readU32(head, big) {
			case blockInterface, blockOldPacket, blockSimple, blockNames, blockStats, blockPacket,
				blockSecrets, blockCustom, blockCustom2:
			default:
				continue
			}
		}
		total := int64(readU32(head[4:], big))
		if total >= blockMin && total <= resyncBlock && total%4 == 0 && total <= int64(len(head)) &&
			int64(readU32(head[total-4:], big)) == total {
			return at
		}
	}
	return -1
}
