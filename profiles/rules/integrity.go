package rules

// integrityRules are the rules of the integrity group.
func integrityRules() []Rule { return nil }
