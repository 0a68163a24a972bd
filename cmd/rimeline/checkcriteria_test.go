package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rimeline/seedability/hold"
)

// The page of criteria, for people, programs and printers.
func TestCheckCriteria(t *testing.T) {
	file := write(t, "dale.yaml", []byte(daleProgramme))
	p, err := loadProgramme(file)
	if err != nil {
		t.Fatal(err)
	}
	got := rimeline(t, "check", "--criteria", file)
	expect(t, "text", got, statusFine, "SHA-256 "+p.SHA256, "1. Gale at the hut (gale) - wind", "at or above 20 m/s", "more than 200 g a local day", "Imogen Tarn", "WM-0000", "Signature ____", "Printed ")
	if !strings.HasPrefix(got.stdout, hold.Describe(p)) {
		t.Errorf("not the page of package hold:\n%s", got.stdout)
	}
	for line := range strings.Lines(got.stdout) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > 79 && !strings.HasPrefix(line, "Programme file ") {
			t.Errorf("a line of %d characters: %s", n, line)
		}
	}
	o := decoded[criteriaObject](t, rimeline(t, "check", "--criteria", "--json", file))
	if !o.Valid || o.SHA256 != p.SHA256 || len(o.Criteria) != 3 || o.Criteria[0].Criterion != "gale" || o.Manager != "Imogen Tarn" || o.PrintedAt.IsZero() {
		t.Errorf("%+v", o)
	}
	page := filepath.Join(t.TempDir(), "page.html")
	expect(t, "html", rimeline(t, "check", "--criteria", "--html", page, file), statusFine, "3 criteria of dale")
	if html := string(content(t, page)); !strings.Contains(html, p.SHA256) || !strings.Contains(html, "Gale at the hut") {
		t.Errorf("%.500s", html)
	}
	demo := rimeline(t, "check", "--criteria", demoProgramme)
	expect(t, "demo", demo, statusFine, "NOTHING SUSPENDS SEEDING", "Geometry upper-larkspur.geojson SHA-256 ")

	hostile := strings.NewReplacer("Gale at the hut", `<script>x</script>`, "source: invented}", `source: "\u202einvented"}`, "Imogen Tarn", `"\e[2JX"`).Replace(daleProgramme)
	file = write(t, "hostile.yaml", []byte(hostile))
	got = rimeline(t, "check", "--criteria", "--html", page, file)
	if got.status == statusFine {
		if html := string(content(t, page)); strings.Contains(html, "<script>x") {
			t.Errorf("markup of the file came through")
		}
	}
	expect(t, "hostile", rimeline(t, "check", "--criteria", file), got.status)
	for _, test := range []struct {
		arguments []string
		status    int
		says      string
	}{
		{[]string{"--html", page, file}, statusUsage, "--html goes with --criteria"},
		{[]string{"--criteria"}, statusUsage, "programme file"},
		{[]string{"--criteria", "--schema"}, statusUsage, "exclude each other"},
		{[]string{"--criteria", "no-such.yaml"}, statusFailed, "no-such.yaml: no such file"},
		{[]string{"--criteria", "--html", filepath.Join(t.TempDir(), "none", "page.html"), demoProgramme}, statusFailed, "no such file or directory"},
	} {
		expect(t, strings.Join(test.arguments, " "), rimeline(t, append([]string{"check"}, test.arguments...)...), test.status, test.says)
	}
	if _, err := os.Stat(page); err != nil {
		t.Error(err)
	}
}
