package recheck

// Tally counts rows.
type Tally struct {
	Recordings int `json:"recordings"` // rows that were judged
	Same       int `json:"same"`
	Changed    int `json:"changed"`
	New        int `json:"new"`
	Gone       int `json:"gone"`
	Unreadable int `json:"unreadable"` // among those judged, whatever their state
}

// Tally counts the rows.
func (r *Result) Tally() (t Tally) {
	for i := range r.Rows {
		row := &r.Rows[i]
		switch row.State {
		case Same:
			t.Same++
		case Changed:
			t.Changed++
		case New:
			t.New++
		case Gone:
			t.Gone++
		}
		if row.Now != nil {
			t.Recordings++
			if row.Now.Verdict == Unreadable {
				t.Unreadable++
			}
		}
	}
	return t
}

// Brief is what a row comes to in a few words: "pass -> fail".
func (r *Row) Brief() string {
	switch {
	case r.Now == nil:
		return "its capture is gone"
	case r.Was == nil:
		return r.Now.Verdict + ", none on file"
	case r.Was.Verdict != r.Now.Verdict:
		return r.Was.Verdict + " -> " + r.Now.Verdict
	case r.State == Changed:
		return r.Now.Verdict + " as before, for other reasons"
	}
	return r.Now.Verdict
}

// Lines tells what is to be looked at: what has changed, or why there is no verdict.
func (r *Row) Lines() []string {
	if r.Was == nil && r.Now != nil && r.Now.Reason != "" {
		return []string{r.Now.Reason}
	}
	return r.Changes
}

// Profile is the name of the setting, for sorting into groups.
func (r *Row) Profile() string {
	for _, v := range []*Verdict{r.Now, r.Was} {
		if v != nil && v.Profile != "" {
			return v.Profile
		}
	}
	return "no profile"
}
