// Package pattern holds regular expressions back until they are needed: every
// start of the program would pay for all that are compiled with its variables.
package pattern

import (
	"regexp"
	"sync"
)

// Late returns an expression that is compiled when it is first asked for. Text that
// is none panics then.
func Late(text string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(text) })
}
