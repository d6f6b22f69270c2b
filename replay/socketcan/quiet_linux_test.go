package socketcan

import (
	"errors"
	"testing"

	"golang.org/x/sys/unix"
)

// What a person is told of an interface that is not in listen-only mode.
func TestWhyNot(t *testing.T) {
	for _, tt := range []struct {
		err  error
		want string
	}{
		{nil, ""},
		{errors.Join(ErrNoListenOnly), "the adapter of can0 has no listen-only mode"},
		{ErrNoController, "can0 has no controller"},
		{unix.EPERM, "setting it needs root's rights"},
		{unix.EBUSY, unix.EBUSY.Error()},
	} {
		if got := whyNot("can0", tt.err); got != tt.want {
			t.Errorf("%v: %q, want %q", tt.err, got, tt.want)
		}
	}
}
