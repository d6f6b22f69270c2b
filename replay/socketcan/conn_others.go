//go:build !linux

package socketcan

import (
	"context"
	"sync/atomic"

	"plugproof/decode/can"
)

type conn struct{ confirmed atomic.Uint64 }

func (c *Conn) open(uint16, *Config) error                     { return ErrNeedsLinux }
func (c *Conn) route(int, uint16)                              {}
func (c *Conn) read(context.Context, []can.Frame) (int, error) { return 0, ErrNeedsLinux }
func (c *Conn) lost() uint64                                   { return 0 }
func (c *Conn) close() error                                   { return ErrNeedsLinux }
func (c *Conn) setListenOnly(bool) error                       { return ErrNeedsLinux }

func interfaces() ([]Interface, error)    { return nil, ErrNeedsLinux }
func setUp(*Interface, int64, Mode) error { return ErrNeedsLinux }
