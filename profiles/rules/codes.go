package rules

// Code is a trouble code that a scan tool read.
type Code struct {
	Module string // as the scan tool names it; "" when it does not
	Code   string // P0123, U0100, with a failure type where there is one: U0100-87
	Text   string // as the scan tool gives it
}
