package main

import (
	"errors"
	"slices"
	"strings"
)

// list is the value of a flag that may be repeated and takes several values
// with commas between them. An empty one is refused: it is most likely a
// variable that a script forgot to set, and must not mean everything. It
// satisfies pflag.Value.
type list []string

func (l *list) String() string { return strings.Join(*l, ",") }

// Type names the value in messages.
func (l *list) Type() string { return "list" }

// Set appends values.
func (l *list) Set(text string) error {
	values := strings.Split(text, ",")
	if slices.Contains(values, "") {
		return errors.New("a value is empty")
	}
	*l = append(*l, values...)
	return nil
}
