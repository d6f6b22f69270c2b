package rig

import (
	"os/exec"
	"syscall"
	"time"
)

// ownGroup gives the rig a process group, so that ending it ends the processes
// that its kernel keeps for the programs in it, and nothing else.
func ownGroup(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = 5 * time.Second
}
