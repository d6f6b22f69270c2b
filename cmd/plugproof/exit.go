package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"syscall"

	"plugproof/decode/atomicfile"
	"plugproof/decode/capture"
	"plugproof/replay"
	"plugproof/replay/gate"
	"plugproof/replay/socketcan"
)

// The exit codes, the same for every command.
const (
	exitOK          = 0
	exitFail        = 1   // at least one fail
	exitInput       = 2   // bad input or usage
	exitUntestable  = 3   // something asked for could not be judged
	exitBus         = 4   // the gate refused, or the bus or the adapter failed
	exitOutput      = 5   // the output could not be written
	exitInterrupted = 130 // SIGINT
	exitTerminated  = 143 // SIGTERM
)

// exitHelp ends the help of every command.
const exitHelp = `Exit codes:
  0    nothing failed (also when the reader of a pipe closes it early)
  1    at least one fail
  2    bad input or usage
  3    nothing failed, but something asked for could not be judged
  4    sending was refused, or the bus or the adapter failed
  5    the output could not be written; no half-written file is left
  130  interrupted (143 when terminated)
`

// errFailed ends a command whose findings are already printed.
var errFailed = errors.New("at least one fail")

// errUntestable ends a command that could not judge all that it was asked for;
// what is missing is already printed.
var errUntestable = errors.New("something asked for could not be judged")

// errRefusedShown ends a command whose plan the gate would refuse; why is
// already printed.
var errRefusedShown = errors.New("the gate refuses it")

// hinted is an error with a line on what to try.
type hinted struct {
	error
	hint string
}

func (h hinted) Unwrap() error { return h.error }

// hint adds to an error what to try; nil stays nil.
func hint(err error, format string, args ...any) error {
	if err == nil {
		return nil
	}
	return hinted{err, fmt.Sprintf(format, args...)}
}

// finish tells the user how a command ended, in the one place that does, and
// returns the exit code.
func (a *app) finish(ctx context.Context, err error) int {
	if err == nil || closedPipe(err) {
		return exitOK
	}
	if sig, ok := errors.AsType[interrupted](context.Cause(ctx)); ok && !ownFault(err) {
		a.say(sig, "")
		return sig.code()
	}
	if errors.Is(err, errFailed) {
		return exitFail
	}
	if errors.Is(err, errUntestable) {
		return exitUntestable
	}
	if errors.Is(err, errRefusedShown) {
		return exitBus
	}
	a.say(err, hintFor(err))
	if _, ok := errors.AsType[*atomicfile.Error](err); ok {
		return exitOutput
	}
	if _, ok := errors.AsType[*socketcan.Error](err); ok {
		return exitBus
	}
	if _, ok := errors.AsType[*replay.RefusedError](err); ok {
		return exitBus
	}
	return exitInput
}

// ownFault reports whether an error under an interruption is not its consequence:
// a recording that lost frames, or whose end did not fit on the disk.
func ownFault(err error) bool {
	if _, ok := errors.AsType[interrupted](err); ok {
		return false
	}
	_, bus := errors.AsType[*socketcan.Error](err)
	_, disk := errors.AsType[*atomicfile.Error](err)
	return bus || disk
}

// hintFor says what to try after the errors of packages, which do not know
// which flags there are.
func hintFor(err error) string {
	if h, ok := errors.AsType[hinted](err); ok {
		return h.hint
	}
	if r, ok := errors.AsType[*gate.Refusal](err); ok && r.Try != "" {
		return r.Try
	}
	if r, ok := errors.AsType[*replay.RefusedError](err); ok && len(r.Refusals) == 1 {
		return r.Refusals[0].Try
	}
	switch {
	case errors.Is(err, socketcan.ErrBusy):
		return "end the other one first: two would fight over one bus"
	case errors.Is(err, syscall.EPERM), errors.Is(err, syscall.EACCES):
		if _, bus := errors.AsType[*socketcan.Error](err); bus {
			return "run it as root, or once: sudo setcap cap_net_raw,cap_net_admin,cap_sys_nice,cap_ipc_lock+ep plugproof"
		}
		return ""
	case errors.Is(err, capture.ErrNotCapture):
		return "candump logs, candump console output, pcap and pcapng are read, plain or as gzip or zstd; delimited text by --columns FILE (plugproof columns proposes it)"
	case errors.Is(err, socketcan.ErrActive):
		return "set it down and up again with listen-only on; or, with no car connected, state the bench with --bench"
	case errors.Is(err, fs.ErrExist):
		return "choose another name: a recording is not replaced"
	case errors.Is(err, syscall.ENODEV):
		return "plugproof interfaces lists what there is"
	case errors.Is(err, syscall.EAFNOSUPPORT):
		return "this kernel has no CAN: modprobe can-raw"
	case errors.Is(err, fs.ErrNotExist):
		return "check the path"
	}
	return ""
}

// closedPipe reports whether the reader of standard output went away (| head):
// nobody is left to tell, so it is not an error.
func closedPipe(err error) bool {
	out, ok := errors.AsType[*atomicfile.Error](err)
	if !ok || out.Path != stdoutName {
		return false
	}
	const windowsNoData = syscall.Errno(232) // ERROR_NO_DATA, winerror.h: the pipe is being closed
	return errors.Is(err, syscall.EPIPE) || runtime.GOOS == "windows" && errors.Is(err, windowsNoData)
}
