package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/capture"
)

// batchSize is the number of frames read at a time: 512 of 96 bytes stay in a
// second-level cache.
const batchSize = 512

// captures are read one after the other (capture.Reader) or side by side
// (capture.Merger).
type captures interface {
	Read(ctx context.Context, dst []can.Frame) (int, error)
	Buses() *can.Buses
	Reports() []capture.FileReport
	Progress() (done, total int64)
	Close() error
}

// eachBatch reads the captures to their end and hands on every batch, of which
// something goes to what --out names. The slice is used again for the next one.
func (a *app) eachBatch(ctx context.Context, r captures, out string, do func([]can.Frame) error) error {
	if out != "" && out != "-" || !isTerminal(a.stdout.w) { // else lines and progress would mix
		defer a.progressOf(r)()
	}
	batch := make([]can.Frame, batchSize)
	for {
		n, err := r.Read(ctx, batch)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
		if err := do(batch[:n]); err != nil {
			return err
		}
	}
}

// describe says what the captures hold: "can0, can1 from 0.000000 to 12.345678 s".
func describe(r captures) string {
	first, last, found := int64(math.MaxInt64), int64(math.MinInt64), false
	for _, rep := range r.Reports() {
		if rep.Frames > 0 {
			first, last, found = min(first, rep.FirstTime), max(last, rep.LastTime), true
		}
	}
	if !found {
		return "captures without frames"
	}
	return fmt.Sprintf("%s, stamps %s to %s", strings.Join(busNames(r.Buses()), ", "), stamp(first), stamp(last))
}

// busNames returns the names of buses, sorted.
func busNames(buses *can.Buses) []string {
	var names []string
	for _, b := range buses.All() {
		names = append(names, b.Name)
	}
	slices.Sort(names)
	return names
}

// stamp writes nanoseconds as seconds with six digits, as a candump log does.
func stamp(ns int64) string {
	sign := ""
	if ns < 0 {
		sign, ns = "-", -ns
	}
	return fmt.Sprintf("%s%d.%06d", sign, ns/1e9, ns%1e9/1e3)
}
