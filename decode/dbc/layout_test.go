package dbc

import "testing"

func TestMask(t *testing.T) {
	for _, tt := range []struct {
		signal Signal
		want   uint64
	}{
		{Signal{Start: 0, Length: 1, Order: Intel}, 1},
		{Signal{Start: 12, Length: 12, Order: Intel}, 0xFFF000},
		{Signal{Start: 12, Length: 12, Order: Intel, Type: Signed}, 0xFFF000},
		{Signal{Start: 7, Length: 16, Order: Motorola}, 0xFFFF},
		{Signal{Start: 3, Length: 12, Order: Motorola}, 0xFF0F},
		{Signal{Start: 1, Length: 4, Order: Motorola, Type: Signed}, 0xC003},
		{Signal{Start: 0, Length: 64, Order: Intel}, ^uint64(0)},
		{Signal{Start: 60, Length: 16, Order: Intel}, 0xF << 60}, // the rest is behind the eighth byte
		{Signal{Start: 56, Length: 9, Order: Motorola}, 1 << 56},
		{Signal{Start: 64, Length: 8, Order: Intel}, 0},
	} {
		if got := tt.signal.Mask(); got != tt.want {
			t.Errorf("%d|%d@%d: %#x, want %#x", tt.signal.Start, tt.signal.Length, tt.signal.Order, got, tt.want)
		}
	}
}
