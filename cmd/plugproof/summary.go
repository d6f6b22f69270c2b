package main

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/decode/capture"
)

// summary says on standard error what reading the captures met. Without
// --verbose it speaks only of captures about which there is something to say;
// with --quiet only of those that could not be read to their end.
func (a *app) summary(reports []capture.FileReport) {
	for i := range reports {
		r := &reports[i]
		remarks := remarksOf(r, a.verbose)
		switch {
		case a.quiet && r.Broken == "":
			continue
		case a.quiet:
			remarks = nil
		case len(remarks) == 0 && r.Broken == "" && !a.verbose:
			continue
		}
		fmt.Fprintf(a.stderr, "%s: %s, %s of %s records are frames\n",
			plain(r.Path), formatOf(r), grouped(r.Frames), grouped(r.Records))
		if r.Broken != "" {
			fmt.Fprintf(a.stderr, "  reading ended early: %s\n", plain(r.Broken))
		}
		for _, line := range remarks {
			fmt.Fprintf(a.stderr, "  %s\n", plain(line))
		}
	}
}

// remarksOf lists what is worth a line about one capture: damage, remarks,
// notes. Blank lines and comments belong to a text log and need all.
func remarksOf(r *capture.FileReport, all bool) []string {
	var lines []string
	for _, tallies := range []map[capture.Kind]capture.Tally{r.SetAside, r.Remarks} {
		for _, kind := range slices.Sorted(maps.Keys(tallies)) {
			if all || kind != capture.Blank && kind != capture.Comment {
				lines = append(lines, tallyLine(kind, tallies[kind], placeWord(r.Format)))
			}
		}
	}
	for _, note := range r.Notes {
		lines = append(lines, "note: "+note)
	}
	return lines
}

// tallyLine gives "cut record: 12, first at line 3, 17, 20".
func tallyLine(kind capture.Kind, t capture.Tally, word string) string {
	var places []string
	for _, p := range t.First {
		places = append(places, fmt.Sprint(p.Record))
	}
	at := "at"
	if t.Count > uint64(len(places)) {
		at = "first at"
	}
	return fmt.Sprintf("%s: %s, %s %s %s", kind, grouped(t.Count), at, word, strings.Join(places, ", "))
}

// placeWord says what the records of a format are called.
func placeWord(format string) string {
	if strings.HasPrefix(format, "candump") || format == capture.FormatDelimited {
		return "line"
	}
	return "record"
}

// formatOf gives "candump log" or "candump log in gzip".
func formatOf(r *capture.FileReport) string {
	if r.Compression == "" {
		return r.Format
	}
	return r.Format + " in " + r.Compression
}
