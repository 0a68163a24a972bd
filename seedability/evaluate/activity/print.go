package activity

import (
	"bytes"
	_ "embed"
	"fmt"
	htmltemplate "html/template"
	"math"
	"strings"
	texttemplate "text/template"
	"time"
)

//go:embed report.html.tmpl
var reportText string

var reportPage = htmltemplate.Must(htmltemplate.New("report").Funcs(functions).Parse(reportText))

// functions of the page; templates of others have hours, grams, began, ended, minute
// and area of them.
var functions = map[string]any{
	"hours":  func(x float64) string { return fixed(2, x) },
	"grams":  func(x float64) string { return number(x, 3) },
	"area":   func(x float64) string { return number(x, 1) },
	"metres": func(x *float64) string { return number(*x, 0) },
	"height": func(x float64) string { return number(x, 1) },
	"began":  func(e Entry) string { return clockOf(e.Begin) + " " + offset(e.Begin) },
	"ended":  func(e Entry) string { return e.until() + " " + offset(e.End.Add(-time.Nanosecond)) },
	"minute": func(t time.Time) string { return t.Format("2006-01-02 15:04 ") + offset(t) },
	"degrees": func(x float64, positive, negative string) string {
		if math.Signbit(x) {
			return number(-x, 5) + "° " + negative
		}
		return number(x, 5) + "° " + positive
	},
}

func fixed(decimals int, x float64) string { return fmt.Sprintf("%.*f", min(max(decimals, 0), 9), x) }

// offset is MST, or UTC-03:00 for zones without letters.
func offset(t time.Time) string {
	name := t.Format("MST")
	if strings.ContainsAny(name, "+-0123456789") {
		return t.Format("UTC-07:00")
	}
	return name
}

// HTML gives the report as a page to be printed and signed. It is one file: it loads
// nothing, and runs nothing.
func (r *Report) HTML() ([]byte, error) {
	var b bytes.Buffer
	if err := reportPage.Execute(&b, r); err != nil {
		return nil, fmt.Errorf("activity report: %w", err)
	}
	return b.Bytes(), nil
}

// Bounds of a template and of what it writes.
const (
	MaxTemplateBytes = 1 << 20
	maxOutputBytes   = 64 << 20
)

// Execute fills in a template of package text/template, for authorities that want
// another form. Its data is a Report: {{.From}}, {{range .Log}}, {{.Total.Hours}} and
// so on, by the names of the fields in Go.
//
// Beside what text/template has there are
//
//	csv X         text as a cell of a CSV, in quotes and never a formula
//	fixed 2 X     a number with so many decimals
//	hours X       a number with two decimals
//	grams X       a number with at most three
//	area X        a number with at most one
//	began E       when a line of the log began: 18:05 MST
//	ended E       when it ended; 24:00 where the day ends
//	minute T      a time: 2026-01-14 11:00 MST
//	in T ZONE     the same time in an IANA zone, or UTC
//	missing X D   D where the text X is empty, else X
//
// What is of people (names, agents, purposes) is one line of printable characters,
// and not escaped: use csv, html or js for what they say.
func (r *Report) Execute(name, text string) ([]byte, error) {
	if len(text) > MaxTemplateBytes {
		return nil, fmt.Errorf("%s: has %d bytes, at most %d are read", name, len(text), MaxTemplateBytes)
	}
	t := texttemplate.New(name).Option("missingkey=error").Funcs(texttemplate.FuncMap{
		"csv": func(x any) string { return cell(fmt.Sprint(x)) }, "fixed": fixed,
		"hours": functions["hours"], "grams": functions["grams"], "area": functions["area"], "began": functions["began"], "ended": functions["ended"], "minute": functions["minute"],
		"in": func(t time.Time, zone string) (time.Time, error) {
			location, err := time.LoadLocation(zone)
			if err != nil || zone == "Local" {
				return t, fmt.Errorf("%q is not an IANA time zone", clean(zone, 60))
			}
			return t.In(location), nil
		},
		"missing": func(x, instead string) string {
			if x == "" {
				return instead
			}
			return x
		},
	})
	if _, err := t.Parse(text); err != nil {
		return nil, err
	}
	out := &bounded{name: name}
	if err := t.Execute(out, r); err != nil {
		return nil, err
	}
	return out.b.Bytes(), nil
}

// bounded stops a template that writes without end.
type bounded struct {
	name string
	b    bytes.Buffer
}

func (w *bounded) Write(p []byte) (int, error) {
	if w.b.Len()+len(p) > maxOutputBytes {
		return 0, fmt.Errorf("%s writes more than %d bytes", w.name, maxOutputBytes)
	}
	return w.b.Write(p)
}
