package service

import (
	"encoding/binary"
	"fmt"
	"strings"

	"plugproof/profiles/rules"
)

// The services that are asked for (SAE J1979 and ISO 15031-5; ISO 14229-1 for 19
// and 22). None of them writes, clears, unlocks or moves anything.
const (
	serviceStored    = 0x03
	servicePending   = 0x07
	serviceVehicle   = 0x09
	servicePermanent = 0x0A
	serviceCodes     = 0x19
	serviceData      = 0x22
)

// What of them is asked for.
const (
	vehicleVIN     = 0x02
	codesCount     = 0x01
	codesByStatus  = 0x02
	codesKnown     = 0x0A
	dataVIN        = 0xF190
	dataPartNumber = 0xF187
	dataSoftware   = 0xF189
	dataSystem     = 0xF197
)

const (
	bytesPerCode     = 2
	bytesPerLongCode = 4 // three and the status
)

// Kind says which list of a module a code is from.
type Kind string

// The lists.
const (
	Stored    Kind = "stored"
	Pending   Kind = "pending"
	Permanent Kind = "permanent" // cannot be cleared by a tester
	Listed    Kind = "listed"    // by its status, ISO 14229-1
)

// Code is a trouble code as a module reports it.
type Code struct {
	Code      string `json:"code"` // P0123, U0100-87
	Kind      Kind   `json:"kind"`
	Status    Status `json:"status"`
	HasStatus bool   `json:"has_status"`
}

// Status is the status byte of a code (ISO 14229-1).
type Status byte

// statusWords are the bits from the lowest up.
var statusWords = [8]string{
	"failed now", "failed this drive", "pending", "confirmed",
	"not tested since clearing", "failed since clearing", "not tested this drive", "asks for the lamp",
}

// String lists the bits that are set, in words.
func (s Status) String() string {
	var words []string
	for i, w := range statusWords {
		if s>>i&1 != 0 {
			words = append(words, w)
		}
	}
	return strings.Join(words, ", ")
}

// Present reports whether the code says something about the car: a code of which
// the module only says that its test has not run is none.
func (s Status) Present() bool { return s&present != 0 }

// present are all bits but "not tested since clearing" and "not tested this drive".
const present = 0xAF

// ParseEmissionCodes reads the answer to service 03, 07 or 0A. On CAN a count
// comes before the codes; older replies have none.
func ParseEmissionCodes(answer []byte) ([]Code, error) {
	kinds := map[byte]Kind{
		serviceStored + positive: Stored, servicePending + positive: Pending, servicePermanent + positive: Permanent,
	}
	if len(answer) == 0 || kinds[answer[0]] == "" {
		return nil, fmt.Errorf("% X is no answer to the services 03, 07 and 0A", answer)
	}
	kind, list := kinds[answer[0]], answer[1:]
	if len(list)%bytesPerCode == 1 {
		count := int(list[0])
		if list = list[1:]; count*bytesPerCode != len(list) {
			return nil, fmt.Errorf("it announces %d codes and sends %d", count, len(list)/bytesPerCode)
		}
	}
	var codes []Code
	for ; len(list) > 0; list = list[bytesPerCode:] {
		if code := rules.DecodeCode(binary.BigEndian.Uint16(list)); code != "" {
			codes = append(codes, Code{Code: code, Kind: kind})
		}
	}
	return codes, nil
}

// ParseCodes reads the answer to service 19 02 or 19 0A: the status bits that
// the module keeps, and its codes. A status cut off at the end is left out.
func ParseCodes(answer []byte) (available Status, codes []Code, err error) {
	const head = 3
	if len(answer) < head || answer[0] != serviceCodes+positive || answer[1] != codesByStatus && answer[1] != codesKnown {
		return 0, nil, fmt.Errorf("% X is no answer to service 19 02 or 0A", answer)
	}
	for list := answer[head:]; len(list) > 0; list = list[min(bytesPerLongCode, len(list)):] {
		if len(list) < bytesPerLongCode-1 {
			return 0, nil, fmt.Errorf("%d bytes too many behind the last code", len(list))
		}
		c := Code{Kind: Listed, Code: rules.DecodeLongCode(uint32(list[0])<<16 | uint32(list[1])<<8 | uint32(list[2]))}
		if len(list) >= bytesPerLongCode {
			c.Status, c.HasStatus = Status(list[3]), true
		}
		if c.Code != "" {
			codes = append(codes, c)
		}
	}
	return Status(answer[2]), codes, nil
}

// ParseCount reads the answer to service 19 01: how many codes match.
func ParseCount(answer []byte) (int, error) {
	const length = 6
	if len(answer) != length || answer[0] != serviceCodes+positive || answer[1] != codesCount {
		return 0, fmt.Errorf("% X is no answer to service 19 01", answer)
	}
	return int(binary.BigEndian.Uint16(answer[4:])), nil
}

// ParseVIN reads the answer to service 09 02. What is no letter or digit, as the
// zeros that fill up a short one, is left out.
func ParseVIN(answer []byte) (string, error) {
	const head = 3 // service, what, number of items
	if len(answer) < head || answer[0] != serviceVehicle+positive || answer[1] != vehicleVIN {
		return "", fmt.Errorf("% X is no answer to service 09 02", answer)
	}
	return text(answer[head:]), nil
}

// ParseData reads the answer to service 22 for one number.
func ParseData(answer []byte) (id uint16, data []byte, err error) {
	const head = 3
	if len(answer) < head || answer[0] != serviceData+positive {
		return 0, nil, fmt.Errorf("% X is no answer to service 22", answer)
	}
	return binary.BigEndian.Uint16(answer[1:]), answer[head:], nil
}

// text keeps what prints in ASCII.
func text(b []byte) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return -1
		}
		return r
	}, string(b)))
}
