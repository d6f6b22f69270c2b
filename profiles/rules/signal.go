package rules

// signalRules are the rules of the signal group.
func signalRules() []Rule { return nil }
