package socketcan

import (
	"testing"
	"time"

	"plugproof/replay/rig"
)

// TestKernel runs everything that needs a kernel with CAN.
func TestKernel(t *testing.T) {
	rig.RunChecks(t, 3*time.Minute, []rig.Check{
		{Name: "FilterTable", Run: testFilterTable},
		{Name: "FilterLimits", Run: testFilterLimits},
		{Name: "FrameKinds", Run: testFrameKinds},
		{Name: "ErrorFrames", Run: testErrorFrames},
		{Name: "OwnFrames", Run: testOwnFrames},
		{Name: "Loopback", Run: testLoopback},
		{Name: "ClassicOnly", Run: testClassicOnly},
		{Name: "SendErrors", Run: testSendErrors},
		{Name: "Stamps", Run: testStamps},
		{Name: "Overflow", Run: testOverflow},
		{Name: "QueueFull", Run: testQueueFull},
		{Name: "Deadline", Run: testDeadline},
		{Name: "DownAndUp", Run: testDownAndUp},
		{Name: "AllInterfaces", Run: testAllInterfaces},
		{Name: "Allocations", Run: testAllocations},
		{Name: "Interfaces", Run: testInterfaces},
		{Name: "Record", Run: testRecord},
		{Name: "RecordFullDisk", Run: testRecordFullDisk},
		{Name: "RecordReadableMeanwhile", Run: testRecordReadableMeanwhile},
		{Name: "RecordMissing", Run: testRecordMissing},
		{Name: "Listen", Run: testListen},
		{Name: "Controller", Run: testController},
		{Name: "SetUp", Run: testSetUp},
		{Name: "SetListenOnly", Run: testSetListenOnly},
		{Name: "Vanished", Run: testVanished},
		{Name: "LongFrames", Run: testLongFrames},
		{Name: "FiltersReadBack", Run: testFiltersReadBack},
		{Name: "Sender", Run: testSender},
		{Name: "SenderStops", Run: testSenderStops},
		{Name: "SenderPhysical", Run: testSenderPhysical},
		{Name: "SenderQueueFull", Run: testSenderQueueFull},
		{Name: "SenderLock", Run: testSenderLock},
		{Name: "SenderAllocations", Run: testSenderAllocations},
		{Name: "WaysOff", Run: testWaysOff},
	})
}
