package can

// WireBits returns the exact number of bits the frame occupies on the bus,
// stuff bits and the 3-bit intermission included: those at the arbitration bit
// rate and those at the FD data rate (0 without BRS). An error frame gives 0, 0:
// its length is not recorded in a capture.
func (f *Frame) WireBits() (nominal, data int) { panic("to be written") }
