//go:build !linux

package socketcan

import (
	"context"
	"time"

	"plugproof/decode/can"
)

func (s *Sender) drain() error                              { return ErrNeedsLinux }
func (s *Sender) settle(int) error                          { return ErrNeedsLinux }
func (s *Sender) wait(context.Context, time.Duration) error { return ErrNeedsLinux }

func (c *Conn) send(context.Context, *can.Frame, func() error) error { return ErrNeedsLinux }

type lock int

func lockInterface(string) (lock, error) { return 0, ErrNeedsLinux }
func (l lock) release()                  {}
