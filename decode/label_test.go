package decode

import (
	"math"
	"testing"

	"plugproof/decode/dbc"
)

func TestLabel(t *testing.T) {
	texts := func(pairs ...any) (list []dbc.ValueText) {
		for i := 0; i < len(pairs); i += 2 {
			list = append(list, dbc.ValueText{Value: int64(pairs[i].(int)), Text: pairs[i+1].(string)})
		}
		return list
	}
	type row struct {
		raw  uint64
		want string
	}
	minus := func(v int64) uint64 { return uint64(-v) }
	tests := []struct {
		name  string
		place string
		kind  dbc.ValueType
		texts []dbc.ValueText
		rows  []row
	}{
		{
			"dense", "0|8@1+", dbc.Unsigned, texts(0, "off", 1, "on", 3, "fault"),
			[]row{{0, "off"}, {1, "on"}, {2, ""}, {3, "fault"}, {4, ""}, {255, ""}},
		},
		{
			"far apart", "0|16@1+", dbc.Unsigned, texts(1, "one", 40000, "many", 65535, "not available"),
			[]row{{0, ""}, {1, "one"}, {40000, "many"}, {40001, ""}, {65535, "not available"}},
		},
		{
			"signed", "0|8@1-", dbc.Signed, texts(-2, "back", -1, "slow", 0, "stop", 1, "go"),
			[]row{{minus(2), "back"}, {minus(1), "slow"}, {0, "stop"}, {1, "go"}, {2, ""}},
		},
		{
			"signed, table unsigned", "0|8@1-", dbc.Signed, texts(1, "go", 255, "not available"),
			[]row{{minus(1), "not available"}, {1, "go"}},
		},
		{
			"signed, both", "0|8@1-", dbc.Signed, texts(-1, "minus one", 255, "not available"),
			[]row{{minus(1), "minus one"}},
		},
		{
			"unsigned, table signed", "0|8@1+", dbc.Unsigned, texts(-1, "not available", 256, "too large", -129, "too low"),
			[]row{{255, "not available"}, {0, ""}, {127, ""}},
		},
		{
			"64 bits", "0|64@1+", dbc.Unsigned, texts(-1, "all ones", 0, "none"),
			[]row{{math.MaxUint64, "all ones"}, {0, "none"}, {1, ""}},
		},
		{
			"float", "0|32@1-", dbc.Float32, texts(-1, "none", 2, "two"),
			[]row{
				{uint64(math.Float32bits(2)), "two"},
				{uint64(math.Float32bits(-1)), "none"},
				{2, ""},
				{uint64(math.Float32bits(2.5)), ""},
				{uint64(math.Float32bits(float32(math.NaN()))), ""},
			},
		},
		{
			"double", "0|64@1-", dbc.Float64, texts(2, "two"),
			[]row{{math.Float64bits(2), "two"}, {math.Float64bits(1e300), ""}, {math.Float64bits(math.Inf(1)), ""}},
		},
		{"wide", "0|65@1+", dbc.Unsigned, texts(0, "nothing"), []row{{0, ""}}},
		{"no table", "0|8@1+", dbc.Unsigned, nil, []row{{0, ""}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			def := sig(t, "S", tt.place)
			def.Type, def.Values = tt.kind, tt.texts
			v := Value{Signal: &message(t, 64, def).Signals[0]}
			for _, r := range tt.rows {
				v.Raw = r.raw
				if got := v.Label(); got != r.want {
					t.Errorf("%#x: got %q, want %q", r.raw, got, r.want)
				}
			}
		})
	}
}
