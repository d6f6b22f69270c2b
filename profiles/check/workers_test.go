package check_test

import (
	"bytes"
	"path/filepath"
	"testing"

	"plugproof/decode/witness"
	"plugproof/profiles/report"
)

// TestWorkersDoNotShow: whatever the number of workers, the same bytes come out.
// The capture has 2.1 MB, three chunks.
func TestWorkersDoNotShow(t *testing.T) {
	path := filepath.Join(witness.Root(t), "testdata", "captures", "lowan-whole-script.log.gz")
	printed := func(workers int) []byte {
		var b bytes.Buffer
		out := run(t, path, workers)
		if err := report.JSON(&b, out, "test", nil); err != nil {
			t.Fatal(err)
		}
		if err := report.Text(&b, out, report.Options{}); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	want := printed(1)
	if len(want) < 5000 {
		t.Fatalf("only %d bytes are compared", len(want))
	}
	for _, workers := range []int{1, 2, 3, 8} {
		if got := printed(workers); !bytes.Equal(want, got) {
			t.Errorf("%d workers give something else than one", workers)
		}
	}
}
