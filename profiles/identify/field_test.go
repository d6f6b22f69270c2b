package identify

import "testing"

func TestField(t *testing.T) {
	p := []byte{0x12, 0x34, 0xAB}
	for _, row := range []struct {
		f    field
		want uint64
		ok   bool
	}{
		{field{0, 8, false}, 0x12, true},
		{field{4, 8, false}, 0x41, true},
		{field{7, 16, true}, 0x1234, true},
		{field{3, 8, true}, 0x23, true},
		{field{16, 9, false}, 0, false},
		{field{15, 24, true}, 0, false},
	} {
		if got, ok := row.f.read(p); got != row.want || ok != row.ok {
			t.Errorf("%+v reads %#x, %v; want %#x, %v", row.f, got, ok, row.want, row.ok)
		}
	}
}
