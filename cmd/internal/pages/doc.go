// Package pages makes the pages that people open from an alert, or leave open on
// a wall: all sites of a programme, the evidence of one site, criteria, alerts,
// and the form by which an alert is acknowledged.
//
// Everything here is a pure function of a Board: what was read of the bus, and
// the time of the clock. Nothing is fetched, and a page needs nothing beside
// itself: no script, no font, no picture from elsewhere.
//
// Pages fail closed, as the messages do. A score that is too old is shown as
// blind, criteria that were not judged of late as a hold, and what could not be
// read is named in the place where it would stand. A state is a word and a sign;
// colour only repeats it.
//
// Text from outside loses what is not printable (marks that turn the direction of
// writing among it), is cut to a length, and is escaped by html/template by the
// place where it stands. Lists and drawings are bounded.
package pages

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"html/template"
	"strings"

	"rimeline/seedability/alert"
)

//go:embed style.css
var style string

//go:embed renew.js
var renew string

// Icon is the sign of the program, an SVG.
//
//go:embed icon.svg
var Icon []byte

//go:embed templates
var templateFiles embed.FS

var templates = template.Must(template.New("").Funcs(template.FuncMap{
	"style": func() template.CSS { return template.CSS(style) },
	"renew": func() template.JS { return template.JS(renew) },
	"dict":  dict,
	// The same words go with every alert.
	"caution": func() string { return alert.Caution },
}).ParseFS(templateFiles, "templates/*.tmpl"))

// Policy is the Content-Security-Policy (W3C, level 3) of every page: its own
// style and script by their digests, its own icon, forms and reading again from
// where it came, and nothing else.
var Policy = "default-src 'none'; style-src " + digest(style) + "; script-src " + digest(renew) +
	"; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func digest(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// dict gives a template named arguments.
func dict(pairs ...any) map[string]any {
	arguments := map[string]any{}
	for k := 0; k+1 < len(pairs); k += 2 {
		if name, ok := pairs[k].(string); ok {
			arguments[name] = pairs[k+1]
		}
	}
	return arguments
}

// head is what every page has about it.
type head struct {
	Title string
	// Root is the way to the first page: empty, or some "../".
	Root string
	// Renew: the page is read again every half minute.
	Renew    bool
	Exercise bool
	// Now is the time of the program's clock; nil where a page has none.
	Now *instant
	// Programme and its pages; empty for none.
	Programme, ProgrammeName string
	// Alone: a file of its own, which leads nowhere.
	Alone bool
	// Here is the page of the programme that this is, for the links on top.
	Here string
}

// write fills a template.
func write(name string, view any) ([]byte, error) {
	var b bytes.Buffer
	if err := templates.ExecuteTemplate(&b, name, view); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// Root is the way from a path to the first page, so that pages work behind a
// proxy that puts them below a path of its own.
func Root(path string) string {
	return strings.Repeat("../", min(max(strings.Count(path, "/")-1, 0), 10))
}
