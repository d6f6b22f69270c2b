package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"plugproof/decode/witness"
)

// TestParquetIsCSV: of a demo capture, the long table and the CSV hold the same
// rows, and the tables by message the same values.
func TestParquetIsCSV(t *testing.T) {
	dir := t.TempDir()
	capture := filepath.Join(witness.Root(t), "testdata", "captures", "lowan-key-on-idle.log")
	run := func(out string, args ...string) string {
		path := filepath.Join(dir, out)
		cmd := exec.Command(plugproof(t), append([]string{"decode", capture, "-d", "demo:lowan", "-o", path}, args...)...)
		if text, err := cmd.CombinedOutput(); err != nil || len(text) > 0 {
			t.Fatalf("%v: %s", err, text)
		}
		return path
	}
	want := csvRows(t, run("all.csv", "-f", "csv"))
	type row struct {
		Ns      int64    `parquet:"t_ns"`
		Bus     string   `parquet:"bus"`
		ID      uint32   `parquet:"id"`
		Message string   `parquet:"message"`
		Signal  string   `parquet:"signal"`
		Value   *float64 `parquet:"value,optional"`
		Unit    string   `parquet:"unit"`
		Label   string   `parquet:"label"`
	}
	rows, err := parquet.ReadFile[row](run("long.parquet", "-f", "parquet"))
	if err != nil {
		t.Fatal(err)
	}
	var got [][]string
	values := map[string]int{} // by message and signal
	for _, r := range rows {
		value := strconv.FormatFloat(*r.Value, 'f', -1, 64)
		seconds := strings.TrimRight(fmt.Sprintf("%d.%09d", r.Ns/1e9, r.Ns%1e9), "0")
		got = append(got, []string{seconds, r.Bus, fmt.Sprintf("0x%03X", r.ID), r.Message, r.Signal, value, r.Unit, r.Label})
		values[r.Message+" "+r.Signal]++
	}
	if len(want) < 1000 {
		t.Fatalf("%d rows", len(want))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("CSV (-), Parquet (+):\n%s", diff)
	}
	if diff := cmp.Diff(values, denseValues(t, run("dense", "-f", "parquet", "--dense"))); diff != "" {
		t.Errorf("values of each signal, long (-), dense (+):\n%s", diff)
	}
}

// csvRows reads a CSV file without its head.
func csvRows(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

// denseValues counts the values in a folder of tables, by message and signal.
func denseValues(t *testing.T, dir string) map[string]int {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]int{}
	for _, path := range files {
		countValues(t, path, values)
	}
	return values
}

func countValues(t *testing.T, path string, values map[string]int) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := parquet.NewGenericReader[any](f)
	defer r.Close()
	columns := r.Schema().Columns()
	message := strings.TrimSuffix(filepath.Base(path), ".parquet")
	for buf := make([]parquet.Row, 100); ; {
		n, err := r.ReadRows(buf)
		for _, row := range buf[:n] {
			for _, v := range row[3:] { // after time, bus and identifier
				if name := columns[v.Column()][0]; !v.IsNull() && !strings.HasSuffix(name, "_label") {
					values[message+" "+name]++
				}
			}
		}
		if err == io.EOF {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
