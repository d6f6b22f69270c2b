package mutate

import "plugproof/profiles/rules"

// unless returns a change that leaves one pattern alone: that of a value which is
// not there yet.
func unless(none uint64, change func(v uint64) uint64) func(int, uint64) uint64 {
	return func(_ int, v uint64) uint64 {
		if v == none {
			return v
		}
		return change(v)
	}
}

// variantRows are cars, settings and new ECUs that are not of one kind.
func variantRows() []corruption {
	return []corruption{
		{
			name: "engine code of the sister engine", rule: "variant/constants", verdict: rules.Fail, message: "EngineConfig", function: "engine-code", within: 1100e6,
			apply: raw("EngineConfig.EngineCode", unless(0xFF, func(v uint64) uint64 { return 3 - v })),
		},
		{
			name: "market of another region", rule: "variant/region", verdict: rules.Fail, message: "EngineConfig", within: 1100e6,
			apply: raw("EngineConfig.EngineMarket", unless(0xFF, func(uint64) uint64 { return 5 })),
		},
	}
}
