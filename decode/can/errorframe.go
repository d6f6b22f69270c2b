package can

// ErrorText says in words what a SocketCAN error frame reports: its classes and
// the details in its data bytes (linux/can/error.h).
func (f *Frame) ErrorText() string { panic("to be written") }
