package main

import (
	"context"
	"errors"
	"os"
	"slices"

	"golang.org/x/term"
)

const ctrlC = 3 // what a terminal sends for it when it does not interrupt by itself

// deadManKey turns the keys of the terminal into ticks: a held key repeats. The
// terminal interrupts no more, so Ctrl-C ends the returned context. stop gives
// the terminal back. typed takes what else is typed meanwhile, blanks left out; nil:
// nobody does.
func deadManKey(ctx context.Context, typed *typedKeys) (keys <-chan struct{}, keyed context.Context, stop func(), err error) {
	fd := int(os.Stdin.Fd())
	switch {
	case !term.IsTerminal(fd):
		return nil, nil, nil, hint(errors.New("--dead-man needs a keyboard, and standard input is none"), "run it in a terminal")
	case os.Getenv("SSH_CONNECTION") != "":
		return nil, nil, nil, hint(errors.New("--dead-man needs this machine's own keyboard, and this is a remote session"),
			"sit beside the bench")
	}
	state, err := term.MakeRaw(fd)
	if err != nil {
		return nil, nil, nil, err
	}
	keyed, cancel := context.WithCancelCause(ctx)
	ticks := make(chan struct{})
	go readKeys(keyed, ticks, typed, cancel)
	stop = func() {
		cancel(nil)
		_ = term.Restore(fd, state) // nothing to be done about it
	}
	return ticks, keyed, stop, nil
}

// readKeys ends with the process: a read from a terminal cannot be broken off.
func readKeys(ctx context.Context, ticks chan<- struct{}, typed *typedKeys, cancel context.CancelCauseFunc) {
	buf := make([]byte, 64)
	for ctx.Err() == nil {
		n, err := os.Stdin.Read(buf)
		if err != nil {
			return
		}
		if slices.Contains(buf[:n], ctrlC) {
			cancel(interrupted{os.Interrupt})
			return
		}
		typed.add(buf[:n])
		select {
		case ticks <- struct{}{}:
		case <-ctx.Done():
		}
	}
}

// typedKeys is what is typed while a dead-man key is held, as a reader of lines.
type typedKeys struct{ keys chan byte }

func newTypedKeys() *typedKeys {
	const room = 256 // more than an answer
	return &typedKeys{make(chan byte, room)}
}

// add takes keys: the held one is the space bar, Enter ends a line. It never
// waits: the keys after it are what keeps the bench alive.
func (t *typedKeys) add(keys []byte) {
	if t == nil {
		return
	}
	for _, k := range keys {
		if k == ' ' {
			continue
		}
		if k == '\r' {
			k = '\n'
		}
		select {
		case t.keys <- k:
		default:
		}
	}
}

// Read waits for the next key.
func (t *typedKeys) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	p[0] = <-t.keys
	return 1, nil
}
