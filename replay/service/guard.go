package service

import (
	"fmt"
	"slices"

	"plugproof/decode/can"
)

// Permitted reports why a frame may not go out when codes are read, or nil. A
// reader sends requests of one frame for the reading services, and flow control;
// both only on identifiers of diagnosis: the standard ones and those of links.
func Permitted(f *can.Frame, links []Link) error {
	known := slices.ContainsFunc(links, func(l Link) bool {
		return l.Tx == f.ID && l.Extended == f.Is(can.Extended) && l.Bus == f.Bus
	})
	if !known && !TesterAsks(f.ID, f.Is(can.Extended)) {
		return fmt.Errorf("id 0x%X is no identifier of diagnosis of this car", f.ID)
	}
	p := f.Payload()
	if len(p) < 3 || f.Flags&(can.Remote|can.Error) != 0 {
		return fmt.Errorf("% X is no request that reads", p)
	}
	switch p[0] >> 4 {
	case kindFlow:
		return nil
	case kindSingle:
		if length := int(p[0]); length > 0 && length < len(p) && reads(p[1:1+length]) {
			return nil
		}
	}
	return fmt.Errorf("% X is no request that reads", p)
}

// reads reports whether a request only reads.
func reads(request []byte) bool {
	switch request[0] {
	case serviceStored, servicePending, servicePermanent:
		return len(request) == 1
	case serviceVehicle:
		return len(request) == 2 && request[1] == vehicleVIN
	case serviceCodes:
		return len(request) >= 2 && slices.Contains([]byte{codesByStatus, codesKnown}, request[1])
	case serviceData:
		return len(request) == 3
	}
	return false
}
