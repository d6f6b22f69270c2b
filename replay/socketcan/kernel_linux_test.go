package socketcan

import (
	"bytes"
	"context"
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plugproof/decode/witness"
	"plugproof/replay/rig"
)

// TestKernel runs everything that needs a kernel with CAN: here, when vcan0 and
// vcan1 are up or can be made, else by this package's test binary in the rig.
func TestKernel(t *testing.T) {
	if os.Getenv(rig.Inside) != "" || hostHasCAN() {
		for _, k := range kernelTests() {
			t.Run(k.name, k.run)
		}
		return
	}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	// Built anew because a binary with the race detector does not start there.
	binary := filepath.Join(t.TempDir(), "socketcan.test")
	if out, err := exec.CommandContext(ctx, "go", "test", "-c", "-o", binary, ".").CombinedOutput(); err != nil {
		t.Fatalf("go test -c: %v\n%s", err, out)
	}
	var out bytes.Buffer
	code, err := rig.Run(ctx, rig.Program{
		Args: []string{binary, "-test.run=^TestKernel$", "-test.v", "-test.timeout=150s"}, Dir: dir, Out: &out,
	})
	if errors.Is(err, rig.ErrAbsent) {
		witness.Missing(t, "socketcan", "this kernel has no CAN, and "+err.Error())
	}
	t.Logf("in the rig:\n%s", &out)
	if err != nil || code != 0 {
		t.Fatalf("in the rig: exit code %d, %v", code, err)
	}
	for _, k := range kernelTests() {
		if !strings.Contains(out.String(), "--- PASS: TestKernel/"+k.name+" ") {
			t.Errorf("%s did not run and pass in the rig", k.name)
		}
	}
}

// hostHasCAN reports whether this machine can run the tests itself.
func hostHasCAN() bool {
	for _, name := range []string{"vcan0", "vcan1"} {
		if _, err := net.InterfaceByName(name); err == nil {
			continue
		}
		if exec.Command("ip", "link", "add", name, "type", "vcan").Run() != nil {
			return false
		}
		if exec.Command("ip", "link", "set", name, "up").Run() != nil {
			return false
		}
	}
	c, err := Open("vcan0", 0, nil)
	if err != nil {
		return false
	}
	return c.Close() == nil
}

type kernelTest struct {
	name string
	run  func(*testing.T)
}

func kernelTests() []kernelTest {
	return []kernelTest{
		{"FilterTable", testFilterTable},
		{"FilterLimits", testFilterLimits},
		{"FrameKinds", testFrameKinds},
		{"ErrorFrames", testErrorFrames},
		{"OwnFrames", testOwnFrames},
		{"Loopback", testLoopback},
		{"ClassicOnly", testClassicOnly},
		{"SendErrors", testSendErrors},
		{"Stamps", testStamps},
		{"Overflow", testOverflow},
		{"QueueFull", testQueueFull},
		{"Deadline", testDeadline},
		{"DownAndUp", testDownAndUp},
		{"AllInterfaces", testAllInterfaces},
		{"Allocations", testAllocations},
		{"Interfaces", testInterfaces},
		{"Record", testRecord},
		{"RecordFullDisk", testRecordFullDisk},
		{"RecordReadableMeanwhile", testRecordReadableMeanwhile},
		{"RecordMissing", testRecordMissing},
		{"Listen", testListen},
		{"Controller", testController},
	}
}
