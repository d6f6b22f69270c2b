package profiles

import "testing"

// asked is a message of a unit that is not replaced.
const asked = "format: 1\nbuilds_on: [base]\nmessages:\n  Ask: {bus: drive, id: 0x100, sender: Cluster}\n"

// TestDialogueProblems: each fault of a dialogue, permit or bound is found where
// it stands.
func TestDialogueProblems(t *testing.T) {
	for _, row := range []struct{ name, file, rule, text string }{
		{"no request", asked + "dialogues:\n  ^^cut: {answer: {signal: Speed.Ack, is: [1]}}\n", "profile/dialogue", "needs a request"},
		{"request without value", asked + "dialogues:\n  cut: {^^asked: {signal: Ask.Want}, answer: {signal: Speed.Ack, is: [1]}}\n", "profile/dialogue", "by which raw values"},
		{"request of the replaced", asked + "dialogues:\n  cut: {^^asked: {signal: Speed.Want, is: [1]}, answer: {signal: Speed.Ack, is: [1]}}\n", "profile/circular", "replaced Engine"},
		{"no answer", asked + "dialogues:\n  ^^cut: {asked: {signal: Ask.Want, is: [1]}}\n", "profile/dialogue", "nothing answers"},
		{"answer of no message", asked + "dialogues:\n  cut: {asked: {signal: Ask.Want, is: [1]}, ^^answer: {signal: Sped}}\n", "profile/unknown-name", "did you mean Speed"},
		{"answer without value", asked + "dialogues:\n  cut: {asked: {signal: Ask.Want, is: [1]}, ^^answer: {signal: Speed.Ack}}\n", "profile/dialogue", "by which raw values"},
		{"half a step", asked + "dialogues:\n  ^^cut: {asked: {signal: Ask.Want, is: [1]}, given: Speed.Torque}\n", "profile/dialogue", "go together"},
		{"function of a dialogue", asked + "dialogues:\n  cut: {^^function: tach, asked: {signal: Ask.Want, is: [1]}, answer: {signal: Speed}}\n", "profile/unknown-name", "no function"},
		{"permit's name", asked + "permits:\n  ^^windows: {asked: [{signal: Ask.Up, is: [1]}], changes: Speed.Up, within: 1s}\n", "profile/permit", "one of start, air-con, cruise, cruise-set"},
		{"permit without time", asked + "permits:\n  ^^cruise: {asked: [{signal: Ask.Set, is: [1]}], changes: Speed.State}\n", "profile/permit", "within what time"},
		{"permit of the replaced", asked + "permits:\n  cruise: {^^asked: [{signal: Speed.Set, is: [1]}], changes: Speed.State, within: 1s}\n", "profile/circular", "replaced Engine"},
		{"inhibitor without condition", asked + "permits:\n  cruise:\n    asked: [{signal: Ask.Set, is: [1]}]\n    changes: Speed.State\n    within: 1s\n    ^^inhibitors: [{says: it rains}]\n", "profile/inhibitor", "words and a condition"},
		{"bound without limit", asked + "bounds:\n  ^^torque: {signal: Speed.Torque, says: always}\n", "profile/bound", "one limit"},
		{"bound by the replaced", asked + "bounds:\n  torque: {signal: Speed.Torque, ^^when: [{signal: Speed.Rpm, above: 1}], within: 0..1, says: then}\n", "profile/circular", "replaced Engine"},
		{"engine turns by itself", asked + "^^engine_turns: [{signal: Speed.Rpm, above: 1}]\n", "profile/circular", "replaced Engine"},
		{"automatic", asked + "^^automatic: Gearbx\n", "profile/unknown-name", "no node"},
		{"region of no constant", asked + "regions:\n  ^^plains: {Speed.Market: 3}\n", "profile/region", "no constant"},
	} {
		t.Run(row.name, func(t *testing.T) { oneProblem(t, row.file, row.rule, row.text) })
	}
}

// TestNeeds: what the replaced unit must hear is what the profile says it listens to.
func TestNeeds(t *testing.T) {
	s, err := lib("base.yaml", base, "car.yaml", asked+`  Level: {bus: drive, id: 0x101, sender: Cluster, absent: true, listeners: {Engine: {needed: true}}}
  Lamp: {bus: drive, id: 0x102, sender: Cluster, listeners: {Engine: {}}}
  Way: {bus: drive, id: 0x103, sender: Cluster, listeners: {Engine: {substitute: it stands}}}
nodes: {Engine: {buses: [drive]}}
`).Load("car")
	if err != nil {
		t.Fatal(err)
	}
	needs := s.Needs()
	if len(needs) != 2 || needs[0].Message.Name != "Level" || needs[1].Message.Name != "Way" {
		t.Errorf("needs %+v, want Level and Way", needs)
	}
}
