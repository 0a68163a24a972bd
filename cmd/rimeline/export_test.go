package main

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"

	"rimeline/ingest/cfgrid"
	"rimeline/seedability/bus"
)

// A range of an archive in every format, each read by its own library.
func TestExport(t *testing.T) {
	from, dir := evaluatedArchive(t), t.TempDir() // scores of 12, 13, 14 and 15 UTC
	path := func(name string) string { return filepath.Join(dir, name) }
	export := func(want int, arguments ...string) outcome {
		t.Helper()
		r := rimeline(t, append([]string{"export", "--archive", from}, arguments...)...)
		if r.status != want {
			t.Fatalf("%q: exit status %d, want %d: %s", arguments, r.status, want, r.stderr)
		}
		return r
	}
	// 13:00 is included, 15:00 is not.
	span := []string{"--from", "2026-01-14T13:00Z", "--to", "2026-01-14T15:00Z", "--kind", "scores"}
	read := func(name string) []byte {
		t.Helper()
		b, err := os.ReadFile(path(name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	o := export(statusFine, append(span, "--format", "csv", "--out", path("x.csv"))...)
	if !strings.Contains(o.stdout, "x.csv: 2 rows of scores of foxglove") {
		t.Errorf("said %q", o.stdout)
	}
	records, err := csv.NewReader(strings.NewReader(string(read("x.csv")))).ReadAll()
	if err != nil || len(records) != 3 {
		t.Fatal(records, err)
	}
	score := slices.Index(records[0], "score")
	if records[1][score] != "20" || records[2][score] != "80" {
		t.Errorf("scores %s and %s, want 20 and 80", records[1][score], records[2][score])
	}

	export(statusFine, append(span, "--format", "geojson", "--out", path("x.geojson"))...)
	var collection struct{ Features []json.RawMessage }
	if err := json.Unmarshal(read("x.geojson"), &collection); err != nil || len(collection.Features) != 2 {
		t.Errorf("%d features, %v", len(collection.Features), err)
	}

	export(statusFine, append(span, "--format", "ndjson", "--out", path("x.ndjson"))...)
	for _, line := range strings.Split(strings.TrimSpace(string(read("x.ndjson"))), "\n") {
		var e bus.Event
		if err := json.Unmarshal([]byte(line), &e); err != nil || e.Type != bus.Score.Type {
			t.Errorf("%s: %v", line, err)
		}
	}

	export(statusFine, append(span, "--format", "parquet", "--out", path("x.parquet"))...)
	opened, err := os.Open(path("x.parquet"))
	if err != nil {
		t.Fatal(err)
	}
	defer opened.Close()
	info, err := opened.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if f, err := parquet.OpenFile(opened, info.Size()); err != nil || f.NumRows() != 2 {
		t.Errorf("Parquet: %v", err)
	}

	export(statusFine, append(span, "--format", "netcdf", "--out", path("x.nc"))...)
	file, err := cfgrid.OpenPath(path("x.nc"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if scores, err := file.Values(t.Context(), "score"); err != nil || !slices.Equal(scores, []float64{20, 80}) {
		t.Errorf("netCDF: scores %v, %v", scores, err)
	}

	// To standard output, and as a summary for programs.
	if o := export(statusFine, append(span, "--format", "csv", "--out", "-")...); o.stdout != string(read("x.csv")) {
		t.Errorf("standard output: %q", o.stdout)
	}
	r := rimeline(t, append([]string{"--json", "export", "--archive", from, "--format", "csv", "--out", path("x.csv")}, span...)...)
	if s := decoded[exportSummary](t, r); s.Rows != 2 || s.Kind != "scores" || s.Bytes != int64(len(read("x.csv"))) || len(s.Missing) != 0 {
		t.Errorf("summary %+v", s)
	}

	// Nothing in the range: the header alone, and a word.
	o = export(statusFine, "--from", "2027-01-01", "--kind", "scores", "--format", "csv", "--out", path("none.csv"))
	if !strings.Contains(o.stderr, "no scores in this range") || strings.Count(string(read("none.csv")), "\n") != 1 {
		t.Errorf("empty: %q, %q", o.stderr, read("none.csv"))
	}
	export(statusFine, "--from", "2027-01-01", "--kind", "scores", "--format", "netcdf", "--out", path("none.nc"))

	// A damaged day: nothing is written, and what was there stays; with --partial the
	// rest is.
	days, err := filepath.Glob(filepath.Join(from, "foxglove", "2026-01-14", "g*", "scores.parquet"))
	if err != nil || len(days) != 1 {
		t.Fatal(days, err)
	}
	b, err := os.ReadFile(days[0])
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	if err := os.WriteFile(days[0], b, 0o644); err != nil {
		t.Fatal(err)
	}
	for _, format := range []string{"csv", "parquet", "netcdf", "geojson"} {
		name := "x." + format
		if format == "netcdf" {
			name = "x.nc"
		}
		before := read(name)
		o = export(statusFailed, append(span, "--format", format, "--out", path(name))...)
		if !strings.Contains(o.stderr, "2026-01-14 of foxglove") || !strings.Contains(o.stderr, "--partial") || string(read(name)) != string(before) {
			t.Errorf("%s from damage: %s", format, o.stderr)
		}
		o = export(statusFailed, append(span, "--format", format, "--out", path(name), "--partial")...)
		if !strings.Contains(o.stderr, "what is missing in the file: foxglove 2026-01-14") || string(read(name)) == string(before) {
			t.Errorf("%s of the rest: %s", format, o.stderr)
		}
	}
	// Nothing unfinished lies about.
	left, err := os.ReadDir(dir)
	for _, entry := range left {
		if !slices.Contains([]string{"x.csv", "x.geojson", "x.ndjson", "x.parquet", "x.nc", "none.csv", "none.nc"}, entry.Name()) {
			t.Errorf("left: %s", entry.Name())
		}
	}
	if err != nil {
		t.Fatal(err)
	}
}

func TestExportRefusals(t *testing.T) {
	from, dir := evaluatedArchive(t), t.TempDir()
	for _, test := range []struct {
		arguments []string
		want      string
	}{
		{[]string{"--kind", "dreams", "--format", "csv"}, "there are scores"},
		{[]string{"--kind", "paths", "--format", "ndjson"}, "those of scores"},
		{[]string{"--kind", "alerts", "--format", "geojson"}, "no places"},
		{[]string{"--kind", "alerts", "--format", "netcdf"}, "scores and paths"},
		{[]string{"--kind", "cap", "--format", "csv"}, "ndjson"},
		{[]string{"--kind", "alerts", "--format", "csv", "--site", "hut"}, "no single site"},
		{[]string{"--kind", "scores", "--format", "csv", "--site", "hat"}, "it has hut"},
		{[]string{"--kind", "scores", "--format", "csv", "--programme", "x"}, "it has foxglove"},
		{[]string{"--kind", "scores", "--format", "csv", "--from", "yesterday"}, "--from"},
		{[]string{"--kind", "scores", "--format", "csv", "--from", "2026-01-02", "--to", "2026-01-02"}, "before --to"},
		{[]string{"--kind", "scores", "--format", "netcdf", "--out", "-"}, "standard output"},
		{[]string{"--kind", "scores", "--format", "csv", "--out", filepath.Join(from, "foxglove", "x.csv")}, "in the archive itself"},
		{[]string{"--kind", "scores", "--format", "csv", "--out", dir}, "no regular file"},
		{[]string{"--kind", "scores", "--format", "parquet", "--no-json"}, "--no-json"},
		{[]string{"--kind", "scores", "--format", "xml"}, "--format"},
	} {
		arguments := append([]string{"export", "--archive", from}, test.arguments...)
		if !slices.Contains(test.arguments, "--out") {
			arguments = append(arguments, "--out", filepath.Join(dir, "x"))
		}
		r := rimeline(t, arguments...)
		if r.status != statusUsage || !strings.Contains(r.stderr, test.want) {
			t.Errorf("%q: exit status %d: %s", test.arguments, r.status, r.stderr)
		}
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left: %v, %v", left, err)
	}
}

// Help of the commands that look back: examples, exit status, and lines that a
// terminal has.
func TestHelpOfExportAndHindcast(t *testing.T) {
	for _, command := range []string{"export", "hindcast"} {
		help := rimeline(t, command, "--help").stdout
		for _, words := range []string{"Examples:", "    rimeline " + command, "Exit status: 0", "--json", "no proof that seeding works"} {
			if command == "hindcast" && strings.HasPrefix(words, "no proof") {
				words = "no evidence that seeding works"
			}
			if !strings.Contains(strings.Join(strings.Fields(help), " "), strings.Join(strings.Fields(words), " ")) {
				t.Errorf("%s --help does not say %q:\n%s", command, words, help)
			}
		}
		for line := range strings.Lines(help) {
			if n := len([]rune(line)); n > 101 {
				t.Errorf("%s --help has a line of %d characters: %s", command, n, line)
			}
		}
	}
}
