package survey

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

func TestNotSeen(t *testing.T) {
	ms := func(x float64) *float64 { return &x }
	db := &dbc.Database{Messages: []*dbc.Message{
		{ID: 0x300, Name: "Late", Length: 8, Senders: []string{"Gearbox"}},
		{ID: 0x200, Extended: true, Name: "Wide", Length: 8},
		{ID: 0x200, Name: "Dead", Length: 8, Senders: []string{"Engine"}, CycleTime: 20 * time.Millisecond},
		{ID: 0x100, Name: "Seen", Length: 8},
		{ID: 0x101, Name: "Transported", Length: 100}, // no frame can carry it
	}}
	dec, _ := decode.NewDecoder([]decode.Mapping{{Bus: "drive", Database: db}})
	remote := frame(30, 0x300)
	remote.Flags = can.Remote // asks for the message, and is not it
	other := frame(40, 0x200)
	other.Bus = 1 // "fast", to which the DBC does not apply
	report := surveyOf(Options{Buses: twoBuses(), Decoder: dec}, []can.Frame{frame(10, 0x100), frame(20, 0x100), remote, other})
	want := map[string][]NotSeen{
		"drive": {
			{ID: 0x200, Text: "0x200", Message: "Dead", Senders: []string{"Engine"}, Cycle: ms(20)},
			{ID: 0x200, Text: "0x00000200", Extended: true, Message: "Wide", Senders: []string{}},
			{ID: 0x300, Text: "0x300", Message: "Late", Senders: []string{"Gearbox"}},
		},
		"fast": {},
	}
	got := map[string][]NotSeen{}
	for _, b := range report.Buses {
		got[b.Name] = b.NotSeen
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("not seen (-want +got):\n%s", diff)
	}
}
