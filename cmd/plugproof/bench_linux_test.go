package main

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"plugproof/decode/witness"
)

// The session of README.md with a stand-in on the other end of a vxcan pair: one
// that is content and one that complains.
func testBench(t *testing.T) {
	sh(t, "ip link add vxcan0 type vxcan peer name vxcan1 && ip link set vxcan0 up && ip link set vxcan1 up")
	defer sh(t, "ip link del vxcan0")
	data := filepath.Join(witness.Root(t), "testdata")
	for _, tt := range []struct {
		script   string
		more     []string
		code     int
		verdict  string
		expected string
	}{
		// A cluster alone shows no stage by which the rules could judge functions: what
		// was expected of it holds, and nothing more is claimed.
		{"content.yaml", nil, exitOK, "not testable", "pass"},
		{"cluster.yaml", []string{"--drop", "EngineSpeed@1s"}, exitFail, "fail", "fail"},
	} {
		dir := inMemory(t)
		cluster := started(t, modest(t, dir, "standin", "Cluster", "-p", "lowan-2-20t-a5", "--on", "drive=vxcan1", "--max-late", "4s", "--script", filepath.Join(data, "bench", tt.script)))
		time.Sleep(500 * time.Millisecond)
		args := []string{
			"replay", filepath.Join(data, "captures", "lowan-key-on-idle.log"), "-p", "lowan-2-20t-a5", "--on", "drive=vxcan0",
			"--only", "EngineSpeed", "--only", "EngineTemps", "--only", "EngineLamps", "--max-late", "4s",
			"--judge-answers", "--expect", filepath.Join(data, "bench", "expect.yaml"), "--format", "json",
		}
		c := started(t, modest(t, dir, append(args, tt.more...)...))
		c.waitErr = c.Wait()
		if err := cluster.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		cluster.waitErr = cluster.Wait()
		if strings.Contains(cluster.said.String()+c.said.String(), "stood still") {
			t.Skipf("not on this system now: %s%s", &cluster.said, &c.said)
		}
		cluster.ended(t, exitInterrupted)
		docs, err := jsonDocuments(c.out.String())
		if err != nil || len(docs) != 1 {
			t.Fatalf("%v\n%s%s", err, &c.out, &c.said)
		}
		if ms, _ := strconv.ParseFloat(jsonAt(docs[0], "result.lateness_ms.max"), 64); ms > float64(stall/time.Millisecond) ||
			jsonAt(docs[0], "answers.expected.0.verdict") == "fail" {
			t.Skipf("not on this system now: it stood still for %.0f ms: %s", ms, jsonAt(docs[0], "answers.expected.0.text"))
		}
		c.ended(t, tt.code)
		for path, want := range map[string]string{
			"answers.verdict": tt.verdict, "answers.expected.0.verdict": "pass", "answers.expected.1.verdict": tt.expected,
		} {
			if got := jsonAt(docs[0], path); got != want {
				t.Errorf("%s: %s is %s, want %s:\n%s%s", tt.script, path, got, want, &c.out, &c.said)
			}
		}
	}
}
