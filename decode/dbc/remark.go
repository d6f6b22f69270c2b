package dbc

import "fmt"

// remark is a diagnostic before it is known where it goes.
type remark struct{ rule, text, hint string }

// say makes a remark. Texts of the file among the arguments are clipped: names
// can be as long as a hostile file wants them.
func say(rule, format string, args ...any) remark {
	for i, arg := range args {
		if s, ok := arg.(string); ok {
			args[i] = clip(s)
		}
	}
	return remark{rule: rule, text: fmt.Sprintf(format, args...)}
}

// try adds what the user can do about it.
func (r remark) try(hint string) remark {
	r.hint = hint
	return r
}

// at makes a diagnostic that covers one line.
func (r remark) at(pos Position, severity Severity) Diagnostic {
	return Diagnostic{
		Pos: pos, Severity: severity, Rule: r.rule, Text: r.text, Hint: r.hint,
		FirstLine: pos.Line, LastLine: pos.Line,
	}
}
