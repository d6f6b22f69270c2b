package rules

// captureRules are the rules of the capture group.
func captureRules() []Rule { return nil }
