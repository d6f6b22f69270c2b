package main

import "errors"

// html is the format of a page.
const html = "html"

// pageHelp explains the format html in a command's help.
const pageHelp = `--format html --out FILE writes one page to read, print and hand over: it needs
no other file and loads nothing.`

// format checks the value of --format of a command that can also write a page.
// A page goes to a file or into a pipe: it is nothing to read in a terminal.
func (a *app) format(format, out string) error {
	if err := oneOf("--format", format, "text", "json", html); err != nil {
		return err
	}
	if format == html && (out == "" || out == "-") && isTerminal(a.stdout.w) {
		return hint(errors.New("--format html writes a page, which is nothing for a terminal"), "--out report.html")
	}
	return nil
}
