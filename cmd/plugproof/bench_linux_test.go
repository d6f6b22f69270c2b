package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"plugproof/decode/witness"
	"plugproof/replay/rig"
)

// The session of README.md with a stand-in on the other end of a vxcan pair: one
// that is content and one that complains. A cluster alone shows no stage by which
// the rules could judge functions: what was expected of it holds, and nothing more
// is claimed.
func testBench(t *testing.T) {
	c, doc := benched(t, "content.yaml", exitOK)
	judged(t, c, doc, contentVerdict(t, doc), "pass")
}

func testBenchComplains(t *testing.T) {
	c, doc := benched(t, "cluster.yaml", exitFail, "--drop", "EngineSpeed@1s")
	judged(t, c, doc, "fail", "fail")
}

// benched plays to a stand-in of the cluster with a value script.
func benched(t *testing.T, script string, code int, more ...string) (*command, any) {
	t.Helper()
	sh(t, "ip link add vxcan0 type vxcan peer name vxcan1 && ip link set vxcan0 up && ip link set vxcan1 up")
	defer sh(t, "ip link del vxcan0")
	data := filepath.Join(witness.Root(t), "testdata")
	dir := rig.InMemory(t)
	args := []string{
		"replay", filepath.Join(data, "captures", "lowan-key-on-idle.log"), "-p", "lowan-2-20t-a5", "--on", "drive=vxcan0",
		"--only", "EngineSpeed", "--only", "EngineTemps", "--only", "EngineLamps", "--max-late", "4s",
		"--judge-answers", "--expect", filepath.Join(data, "bench", "expect.yaml"), "--format", "json",
	}
	c := undisturbed(t, stall, func() (*command, time.Duration) {
		heard := following(t, "vxcan0")
		cluster := started(t, modest(t, dir, "standin", "Cluster", "-p", "lowan-2-20t-a5", "--on", "drive=vxcan1", "--max-late", "4s",
			"--script", filepath.Join(data, "bench", script), "--format", "json"))
		until(t, "the cluster is awake", func() bool { return heard() > 0 })
		c := started(t, modest(t, dir, append(args, more...)...))
		c.waitErr = c.Wait()
		if err := cluster.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		cluster.waitErr = cluster.Wait()
		late := max(cluster.stoodStill(), c.stoodStill())
		if late <= stall {
			cluster.ended(t, exitInterrupted)
		}
		return c, late
	})
	c.ended(t, code)
	docs, err := jsonDocuments(c.out.String())
	if err != nil || len(docs) != 1 {
		t.Fatalf("%v\n%s%s", err, &c.out, &c.said)
	}
	return c, docs[0]
}

// judged holds verdicts to what they should be: on all, and on "it hears engine
// speed".
func judged(t *testing.T, c *command, doc any, verdict, hears string) {
	t.Helper()
	for path, want := range map[string]string{
		"answers.verdict": verdict, "answers.expected.0.verdict": "pass", "answers.expected.1.verdict": hears,
	} {
		if got := jsonAt(doc, path); got != want {
			t.Errorf("%s is %s, want %s:\n%s%s", path, got, want, &c.out, &c.said)
		}
	}
}
