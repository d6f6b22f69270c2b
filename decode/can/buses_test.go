package can

import (
	"fmt"
	"slices"
	"sync"
	"testing"
)

func TestBuses(t *testing.T) {
	var b Buses
	if len(b.All()) != 0 || b.Name(0) != "bus 0" {
		t.Errorf("zero value: %v, %q", b.All(), b.Name(0))
	}
	first, ok1 := b.Intern([]byte("drive"))
	second, ok2 := b.Intern([]byte("body"))
	again, ok3 := b.Intern([]byte("drive"))
	if !ok1 || !ok2 || !ok3 || first != 0 || second != 1 || again != 0 {
		t.Errorf("indices %d %d %d", first, second, again)
	}
	before := b.All()
	b.SetBitrates(1, 125_000, 0)
	b.SetBitrates(1, 0, 2_000_000)
	b.SetBitrates(1, 0, 0)
	want := []Bus{{Name: "drive"}, {Name: "body", Bitrate: 125_000, DataBitrate: 2_000_000}}
	if !slices.Equal(b.All(), want) {
		t.Errorf("table %v, want %v", b.All(), want)
	}
	if before[1].Bitrate != 0 {
		t.Error("a table handed out earlier changed")
	}
	if b.Name(1) != "body" || b.Name(2) != "bus 2" {
		t.Errorf("names %q %q", b.Name(1), b.Name(2))
	}
}

func TestBusesFull(t *testing.T) {
	var b Buses
	for i := range MaxBuses {
		if n, ok := b.Intern(fmt.Append(nil, "can", i)); !ok || int(n) != i {
			t.Fatalf("bus %d: %d, %t", i, n, ok)
		}
	}
	if _, ok := b.Intern([]byte("one more")); ok {
		t.Error("the table took more than its limit")
	}
	if n, ok := b.Intern([]byte("can7")); !ok || n != 7 {
		t.Errorf("a known bus in a full table: %d, %t", n, ok)
	}
}

// For the race detector: all methods at once. Every name has one index in the end.
func TestBusesConcurrent(t *testing.T) {
	var b Buses
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for i := range 50 {
				name := fmt.Sprintf("can%d", (i+g)%20)
				n, ok := b.Intern([]byte(name))
				if !ok || b.Name(n) != name {
					t.Errorf("%s became %q", name, b.Name(n))
				}
				b.SetBitrates(n, int64(1+i), 0)
			}
		})
	}
	wg.Wait()
	if len(b.All()) != 20 {
		t.Errorf("%d buses, want 20", len(b.All()))
	}
}
