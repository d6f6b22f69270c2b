//go:build !linux

package rig

import "os/exec"

// ownGroup does nothing: the rig is never installed here.
func ownGroup(*exec.Cmd) {}
