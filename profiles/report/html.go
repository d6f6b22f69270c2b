package report

import (
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"

	"plugproof/profiles/check"
)

// HTMLOptions is what a page shows besides the result.
type HTMLOptions struct {
	Version string       // of the tool
	Files   []check.File // profiles and DBC files that the verdict rests on
}

// HTML writes the outcome of a check as one page that needs no other file and no
// network. out.Evidence is where its plots come from: run the check with Series.
func HTML(w io.Writer, out *check.Output, opts HTMLOptions) error {
	return render(w, newCheckSheet(out, &opts))
}

// assets are the templates, the style and the scripts of a page. uPlot draws the
// plots; its licence stands beside it and in every page.
//
//go:embed assets
var assets embed.FS

// render writes a page. Styles and scripts stand in it, and the page itself
// forbids everything else: nothing is loaded, and text of a capture that passed
// for a script would not run.
func render(w io.Writer, s *sheet) error {
	style, err := joined("uPlot.min.css", "page.css")
	if err != nil {
		return err
	}
	script, err := joined("uPlot.iife.min.js", "page.js")
	if err != nil {
		return err
	}
	licence, err := joined("uPlot.LICENSE") // asks to go with every copy
	if err != nil {
		return err
	}
	script = "/*\n" + licence + "*/\n" + script
	s.Style, s.Script = template.CSS(style), template.JS(script)
	s.Policy = fmt.Sprintf("default-src 'none'; style-src '%s'; script-src '%s'; base-uri 'none'; form-action 'none'",
		fingerprint(style), fingerprint(script))
	t, err := template.New("").Funcs(template.FuncMap{"bytes": bytesOf}).ParseFS(assets, "assets/*.tmpl")
	if err != nil {
		return fmt.Errorf("internal error: %w", err)
	}
	return t.ExecuteTemplate(w, "page.tmpl", s)
}

// joined returns files of assets, one after the other.
func joined(names ...string) (string, error) {
	var all []byte
	for _, name := range names {
		src, err := assets.ReadFile("assets/" + name)
		if err != nil {
			return "", fmt.Errorf("internal error: %w", err)
		}
		all = append(append(all, src...), '\n')
	}
	return string(all), nil
}

// fingerprint names content as a content security policy does (W3C, CSP 3).
func fingerprint(content string) string {
	sum := sha256.Sum256([]byte(content))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}
