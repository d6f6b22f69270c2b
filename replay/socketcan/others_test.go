//go:build !linux

package socketcan

import (
	"errors"
	"testing"
)

func TestNeedsLinux(t *testing.T) {
	if _, err := Open("can0", 0, nil); !errors.Is(err, ErrNeedsLinux) {
		t.Errorf("Open: %v", err)
	}
	if _, err := Interfaces(); !errors.Is(err, ErrNeedsLinux) {
		t.Errorf("Interfaces: %v", err)
	}
	if _, err := SetUp("can0", 500_000, ListenOnly); !errors.Is(err, ErrNeedsLinux) {
		t.Errorf("SetUp: %v", err)
	}
}
