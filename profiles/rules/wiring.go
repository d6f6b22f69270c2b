package rules

// wiringRules are the rules of the wiring group.
func wiringRules() []Rule { return nil }
