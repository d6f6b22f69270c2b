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
// stop is called. It shows nothing with --quiet, where standard error is no
// terminal, and for what is read in a moment.
func (a *app) progress(r *capture.Reader) (stop func()) {
	_, total := r.Progress()
	if a.quiet || total < progressFrom || !isTerminal(a.stderr) {
		return func() {}
	}
	p := mpb.New(mpb.WithOutput(a.stderr), mpb.WithWidth(40))
	bar := p.AddBar(total,
		mpb.PrependDecorators(decor.Name("reading ")),
		mpb.AppendDecorators(decor.Percentage(), decor.Name(" "), decor.AverageETA(decor.ET_STYLE_GO), decor.Name(" left")))
	done, finished := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(finished)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-tick.C:
				read, _ := r.Progress()
				bar.SetCurrent(min(read, total-1)) // the bar itself would end at total
			case <-done:
				return
			}
		}
	}()
	return func() {
		close(done)
		<-finished
		bar.Abort(true)
		p.Wait()
	}
}
