//go:build !linux

package rig

func hostHasCAN() bool { return false }
