package capture

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// Pairs of records on one bus, with the shortest time between them that is
// believed: the bits of standards' frame formats without stuffing (kernel
// can/length.h) at 1 Mbit/s, less one microsecond for stamps cut to it.
func TestRemarksOnClumpedStamps(t *testing.T) {
	fd64 := strings.Repeat("00", 64)
	for _, row := range []struct {
		name, first, second string
		least               int // us
	}{
		{"11-bit, empty", "123#", "123#", 46},
		{"11-bit, 8 bytes", "123#0011223344556677", "124#0011223344556677", 110},
		{"29-bit, 8 bytes", "00000123#0011223344556677", "00000124#0011223344556677", 130},
		{"the shorter counts", "00000123#0011223344556677", "123#", 46},
		{"the shorter counts, other order", "123#", "00000123#0011223344556677", 46},
		{"remote carries nothing", "123#R8", "124#R8", 46},
		{"FD, no bit rate switch", "123##0" + fd64, "124##0" + fd64, 572},
		{"FD, data phase at 8 Mbit/s", "123##1" + fd64, "124##1" + fd64, 95},
	} {
		t.Run(row.name, func(t *testing.T) {
			for gap, want := range map[int]uint64{row.least - 1: 1, row.least: 0, 0: 1} {
				text := fmt.Sprintf("(1700000000.000000) can0 %s\n(1700000000.%06d) can0 %s\n", row.first, gap, row.second)
				_, rep, _ := readAll(t, text, 8)
				got := rep.Remarks[Clumped].Count + rep.Remarks[Duplicate].Count
				if got != want {
					t.Errorf("%d us apart: %v", gap, rep.Remarks)
				}
			}
		})
	}
}

func TestRemarks(t *testing.T) {
	const a, b = "(1700000000.000000) can0 123#11\n", "(1700000000.000100) can0 123#11\n"
	for _, row := range []struct {
		name, text string
		want       map[Kind]uint64
	}{
		{"in order", a + b, nil},
		{"doubled", a + a, map[Kind]uint64{Duplicate: 1}},
		{"doubled, once sent and once received", "(1.5) can0 123#11 T\n(1.5) can0 123#11 R\n", map[Kind]uint64{Duplicate: 1}},
		{"same stamp, other payload", a + "(1700000000.000000) can0 123#12\n", map[Kind]uint64{Clumped: 1}},
		{"same stamp, other DLC", "(1.5) can0 123#1122334455667788\n(1.5) can0 123#1122334455667788_9\n", map[Kind]uint64{Clumped: 1}},
		{"same stamp, other bus", a + "(1700000000.000000) can1 123#11\n", nil},
		{"no stamps", "(0.0) can0 123#11\n(0.0) can0 123#11\n(0.0) can0 124#11\n", nil},
		{"error frames have no length", "(1.5) can0 20000080#\n(1.5) can0 20000040#\n(1.5) can0 123#11\n", nil},
		{"back", b + a, map[Kind]uint64{Backward: 1}},
		{"60 s pause", "(1.0) can0 123#11\n(61.0) can0 123#11\n", nil},
		{"more than 60 s", "(1.0) can0 123#11\n(61.000001) can1 124#11\n", map[Kind]uint64{Jump: 1}},
		{"60 s on one bus only", "(1.0) can0 123#11\n(40.0) can1 123#11\n(80.0) can0 123#11\n", nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, rep, _ := readAll(t, row.text, 8)
			got := map[Kind]uint64{}
			for kind, tally := range rep.Remarks {
				got[kind] = tally.Count
			}
			if row.want == nil {
				row.want = map[Kind]uint64{}
			}
			if diff := cmp.Diff(row.want, got); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

// Earliest and latest stamp, whatever the order; and what the clock counts from.
func TestClock(t *testing.T) {
	for _, row := range []struct {
		stamps      string
		first, last int64
		clock       Clock
	}{
		{"0.0 0.0", 0, 0, ClockNone},
		{"0.0 0.5", 0, 500e6, ClockRelative},
		{"5.0 3.0 4.0", 3e9, 5e9, ClockRelative},
		{"1700000005.0 1700000003.0", 1700000003e9, 1700000005e9, ClockAbsolute},
		{"5.0 1700000003.0", 5e9, 1700000003e9, ClockRelative},
		{"504921600.0", 504921600e9, 504921600e9, ClockAbsolute}, // 1 January 1986
		{"504921599.0", 504921599e9, 504921599e9, ClockRelative},
	} {
		var text strings.Builder
		for stamp := range strings.FieldsSeq(row.stamps) {
			fmt.Fprintf(&text, "(%s) can0 123#11\n", stamp)
		}
		_, rep, _ := readAll(t, text.String(), 8)
		if rep.FirstTime != row.first || rep.LastTime != row.last || rep.Clock != row.clock {
			t.Errorf("%s: %d to %d, %s", row.stamps, rep.FirstTime, rep.LastTime, rep.Clock)
		}
	}
}

// The memory of the remarks does not grow with the capture.
func TestRemarksAllocateNothing(t *testing.T) {
	r := newRemarks()
	batch := make([]can.Frame, 512)
	for i := range batch {
		batch[i] = can.Frame{Time: int64(1+i%7) * 30e9, Bus: uint16(i % 3)}
	}
	r.Add(batch)
	if got := testing.AllocsPerRun(100, func() { r.Add(batch) }); got != 0 {
		t.Errorf("%v allocations per batch", got)
	}
}
