package service

// Identifiers of diagnosis. 11-bit: ISO 15765-4; 29-bit: ISO 15765-2 fixed
// addressing, whose lowest byte is the sender (F1: the tester).
const (
	everyone         = 0x7DF
	firstModule      = 0x7E0
	lastModule       = 0x7E7
	answerOffset     = 8
	everyoneExtended = 0x18DB33F1
	moduleExtended   = 0x18DA00F1 // | module << 8
	answerExtended   = 0x18DAF100 // | module
)

// Everyone is the link of requests that every module of the emission services
// hears.
func Everyone(extended bool) Link {
	if extended {
		return Link{Tx: everyoneExtended, Extended: true}
	}
	return Link{Tx: everyone}
}

// Standard gives the links of the modules that may answer a request to Everyone:
// the eight of 11-bit identifiers, or the 256 of 29-bit ones but the tester.
func Standard(extended bool) []Link {
	var links []Link
	if extended {
		for module := range uint32(0x100) {
			if module != 0xF1 {
				links = append(links, Link{Tx: moduleExtended | module<<8, Rx: answerExtended | module, Extended: true})
			}
		}
		return links
	}
	for id := uint32(firstModule); id <= lastModule; id++ {
		links = append(links, Link{Tx: id, Rx: id + answerOffset})
	}
	return links
}

// TesterAsks reports whether an identifier is one on which a tester asks, so
// that a frame of it from elsewhere means that another tester is on the bus.
func TesterAsks(id uint32, extended bool) bool {
	if extended {
		// 18DA: to one module, 18DB: to a group; testers have the addresses F0 to FD
		// (from memory: SAE J2178-1, ISO 15765-4 gives F1).
		return (id>>16 == 0x18DA || id>>16 == 0x18DB) && id&0xFF >= 0xF0 && id&0xFF <= 0xFD
	}
	return id == everyone || id >= firstModule && id <= lastModule
}
