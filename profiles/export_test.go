package profiles

import "plugproof/decode/dbc"

// TakePrepared is what Load tries first.
func TakePrepared(l *Library, name string) (*Composed, error) { return l.takePrepared(name) }

// Origins returns where every value of a composed profile was written, by path.
func Origins(c *Composed) map[string]dbc.Position {
	all := map[string]dbc.Position{}
	for path, o := range c.origins {
		all[path] = o.pos
	}
	return all
}
