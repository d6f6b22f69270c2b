package main

import (
	"os"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"

	"plugproof/decode/capture"
)

// progressFrom is the size in bytes from which reading takes long enough to
// show how far it is: about half a second.
const progressFrom = 64 << 20

// isTerminal reports whether w is a terminal.
func isTerminal(w any) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// progress shows on standard error how far the reading of captures is, until
// stop is called. It shows nothing for what is read in a moment.
func (a *app) progress(r *capture.Reader) (stop func()) { return a.progressOf(r) }

// progressOf is progress for captures however they are read.
func (a *app) progressOf(r captures) (stop func()) {
	_, total := r.Progress()
	if total < progressFrom {
		return func() {}
	}
	return a.bar("reading", total, func() int64 { read, _ := r.Progress(); return read })
}

// bar shows on standard error how much of a total is done, until stop is called.
// It shows nothing with --quiet, and where standard error is no terminal.
func (a *app) bar(what string, total int64, done func() int64) (stop func()) {
	if a.quiet || total == 0 || !isTerminal(a.stderr) {
		return func() {}
	}
	p := mpb.New(mpb.WithOutput(a.stderr), mpb.WithWidth(40))
	bar := p.AddBar(total,
		mpb.PrependDecorators(decor.Name(what+" ")),
		mpb.AppendDecorators(decor.Percentage(), decor.Name(" "), decor.AverageETA(decor.ET_STYLE_GO), decor.Name(" left")))
	ended, finished := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(finished)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				bar.SetCurrent(min(done(), total-1)) // the bar itself would end at total
			case <-ended:
				return
			}
		}
	}()
	return func() {
		close(ended)
		<-finished
		bar.Abort(true)
		p.Wait()
	}
}
