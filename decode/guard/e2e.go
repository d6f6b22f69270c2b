package guard

import "fmt"

// DataIDMode is which bytes of its 16-bit data identifier a message of profile 1
// or 11 takes into the checksum.
type DataIDMode uint8

// The modes.
const (
	BothBytes   DataIDMode = iota // low byte, high byte; the variant 1A
	Alternating                   // low byte with even counters, high byte with odd ones; 1B
	LowByte                       // low byte alone
	LowNibble                     // low byte and 0; bits 8 to 11 are sent beside the counter; 1C
)

// EndToEnd describes a message guarded by one of the AUTOSAR end-to-end
// profiles 1, 2, 4, 5, 6, 7, 8, 11 and 22.
type EndToEnd struct {
	Profile int
	Offset  int        // payload byte where the header starts
	Length  int        // payload bytes; profiles 4, 6, 7 and 8 send it
	DataID  uint32     // 16 bits for profiles 1, 5, 6 and 11
	Mode    DataIDMode // profiles 1 and 11
	DataIDs []byte     // profiles 2 and 22: one for each of the 16 counter values
}

// Protection spells the profile out in counters, constants and checksums.
// Layouts after the tests of zariiii9003/autosar-e2e and handohun/autosar-e2e.
func (e EndToEnd) Protection() (Protection, error) {
	if err := e.check(); err != nil {
		return Protection{}, err
	}
	low, high, o := byte(e.DataID), byte(e.DataID>>8), e.Offset
	switch e.Profile {
	case 1, 11:
		return e.profile1(low, high), nil
	case 2, 22:
		counter := Nibble(o+1, 0)
		return Protection{
			Counters:  []Counter{{Field: counter}},
			Checksums: []Checksum{{Byte(o), CRC8(0x2F, 0xFF, 0xFF), []Part{Data(0, 0), Listed(counter, e.DataIDs...)}}},
		}, nil
	case 5:
		return Protection{
			Counters:  []Counter{{Field: Byte(o + 2)}},
			Checksums: []Checksum{{Field{8 * o, 16, Intel}, CRC16(0x1021, 0xFFFF, 0), []Part{Data(0, 0), Bytes(low, high)}}},
		}, nil
	case 6:
		return Protection{
			Counters:  []Counter{{Field: Byte(o + 4)}},
			Constants: []Constant{{bigEndian(o+2, 2), uint64(e.Length)}},
			Checksums: []Checksum{{bigEndian(o, 2), CRC16(0x1021, 0xFFFF, 0), []Part{Data(0, 0), Bytes(high, low)}}},
		}, nil
	case 4: // length, counter, data identifier, CRC
		return e.wide(bigEndian(o+8, 4), "crc-32/autosar", bigEndian(o, 2), bigEndian(o+2, 2), o+4), nil
	case 7: // CRC, length, counter, data identifier
		return e.wide(bigEndian(o, 8), "crc-64/xz", bigEndian(o+8, 4), bigEndian(o+12, 4), o+16), nil
	}
	// 8: as 7 with a CRC of 32 bits
	return e.wide(bigEndian(o, 4), "crc-32/autosar", bigEndian(o+4, 4), bigEndian(o+8, 4), o+12), nil
}

func (e EndToEnd) check() error {
	switch e.Profile {
	case 1, 5, 6, 11:
		if e.DataID > 0xFFFF || e.Mode == LowNibble && e.DataID > 0xFFF {
			return fmt.Errorf("end-to-end profile %d: data identifier %#x is too wide", e.Profile, e.DataID)
		}
	case 2, 22:
		if len(e.DataIDs) != 16 {
			return fmt.Errorf("end-to-end profile %d: %d data identifiers, one for each of 16 counter values is needed",
				e.Profile, len(e.DataIDs))
		}
	case 4, 7, 8:
	default:
		return fmt.Errorf("end-to-end profile %d is not known: 1, 2, 4, 5, 6, 7, 8, 11 and 22 are", e.Profile)
	}
	switch {
	case e.Mode > LowNibble:
		return fmt.Errorf("end-to-end profile %d: data identifier mode %d is not known", e.Profile, e.Mode)
	case e.Offset < 0 || e.Length < 0:
		return fmt.Errorf("end-to-end profile %d: offset %d and length %d cannot be negative", e.Profile, e.Offset, e.Length)
	}
	return nil
}

// profile1 is that of 1 and 11: they differ in how a receiver counts only.
func (e EndToEnd) profile1(low, high byte) Protection {
	counter := Nibble(e.Offset+1, 0)
	var id Part
	switch e.Mode {
	case BothBytes:
		id = Bytes(low, high)
	case Alternating:
		id = Listed(Field{counter.Start, 1, Intel}, low, high)
	case LowByte:
		id = Bytes(low)
	case LowNibble:
		id = Bytes(low, 0)
	}
	p := Protection{
		Counters:  []Counter{{Field: counter, Modulo: 15}},
		Checksums: []Checksum{{Byte(e.Offset), CRC8(0x1D, 0, 0), []Part{id, Data(0, 0)}}},
	}
	if e.Mode == LowNibble {
		p.Constants = []Constant{{Nibble(e.Offset+1, 1), uint64(high)}}
	}
	return p
}

// wide builds the profiles whose header holds length, counter and data
// identifier, and whose CRC covers all but itself.
func (e EndToEnd) wide(crc Field, law string, length, counter Field, id int) Protection {
	l, _ := Named(law)
	return Protection{
		Counters:  []Counter{{Field: counter}},
		Constants: []Constant{{length, uint64(e.Length)}, {bigEndian(id, 4), uint64(e.DataID)}},
		Checksums: []Checksum{{crc, l, []Part{Data(0, 0)}}},
	}
}

// bigEndian returns the field of whole bytes, the highest first.
func bigEndian(n, bytes int) Field { return Field{Start: 8*n + 7, Length: 8 * bytes, Order: Motorola} }
