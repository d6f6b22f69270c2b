package rules

// messageRules are the rules of the message group.
func messageRules() []Rule { return nil }
