package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// interrupted is the cause of a context that a signal cancelled.
type interrupted struct{ sig os.Signal }

func (i interrupted) Error() string {
	if i.sig == syscall.SIGTERM {
		return "terminated"
	}
	return "interrupted"
}

// code is 128 plus the signal's number, as a shell reports it.
func (i interrupted) code() int {
	if i.sig == syscall.SIGTERM {
		return exitTerminated
	}
	return exitInterrupted
}

// withSignals returns a context that the first SIGINT or SIGTERM cancels. A
// second one ends the process at once.
func withSignals(parent context.Context) (ctx context.Context, stop func()) {
	ctx, cancel := context.WithCancelCause(parent)
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	go func() {
		select {
		case sig := <-signals:
			signal.Stop(signals)
			cancel(interrupted{sig})
		case <-ctx.Done():
			signal.Stop(signals)
		}
	}()
	return ctx, func() { cancel(nil) }
}

// lazyStdin starts to read standard input with the first Read, and gives up
// when its context ends: a read from a silent terminal or pipe cannot be
// interrupted by itself.
type lazyStdin struct {
	ctx context.Context
	in  io.Reader
	out *io.PipeReader // nil before the first Read
}

func stdinOf(ctx context.Context, in io.Reader) io.Reader {
	return &lazyStdin{ctx: ctx, in: in}
}

func (s *lazyStdin) Read(p []byte) (int, error) {
	if s.out == nil {
		out, w := io.Pipe()
		s.out = out
		context.AfterFunc(s.ctx, func() { w.CloseWithError(context.Cause(s.ctx)) })
		go func() {
			_, err := io.Copy(w, s.in)
			w.CloseWithError(err)
		}()
	}
	return s.out.Read(p)
}
