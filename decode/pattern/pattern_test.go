package pattern

import "testing"

func TestLate(t *testing.T) {
	word := Late(`^[a-z]+$`)
	if !word().MatchString("abc") || word().MatchString("a1") || word() != word() {
		t.Error("not the expression, or compiled anew")
	}
	bad := Late(`(`) // costs nothing until it is asked for
	defer func() {
		if recover() == nil {
			t.Error("no panic for text that is no expression")
		}
	}()
	bad()
}
