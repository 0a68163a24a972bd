package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"

	"rimeline/seedability/alert"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/evaluate/activity"
)

// reported runs the subcommand as the program does.
func reported(t testing.TB, arguments ...string) outcome {
	t.Helper()
	var line struct {
		JSON   bool
		Report reportCommand `cmd:""`
	}
	parser, err := kong.New(&line, kong.Exit(func(int) { panic("exit") }), kong.WithHyphenPrefixedParameters(true))
	if err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	env := &environment{Context: t.Context(), Stdout: &stdout, Stderr: &stderr}
	end := func(err error) outcome {
		status := statusFine
		var wrong usageError
		switch {
		case errors.As(err, &wrong):
			status = statusUsage
			env.warn("%v", err)
		case errors.Is(err, errReported):
			status = statusFailed
		case err != nil:
			status = statusFailed
			env.warn("%v", err)
		}
		return outcome{stdout: stdout.String(), stderr: stderr.String(), status: status}
	}
	parsed, err := parser.Parse(append([]string{"report", "activity"}, arguments...))
	if err != nil {
		return end(usageError(err.Error()))
	}
	env.JSON = line.JSON
	return end(parsed.Run(env))
}

// larkspurFiles are an invented programme, its operator and a template.
const larkspurFiles = "../../seedability/evaluate/activity/testdata/"

func larkspurRecords() []alert.Release {
	at := func(text string) time.Time {
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			panic(err)
		}
		return t
	}
	a := alert.Release{ID: "a", Who: "=Ada", Programme: "larkspur", Site: "barn", Unit: "generator 1", Start: at("2026-02-01T05:00:00Z"), End: at("2026-02-01T11:00:00Z"), At: at("2026-02-01T12:00:00Z"), Agent: "acetone", Grams: 60, Purpose: "seeding"}
	b := a
	b.ID, b.Corrects, b.Grams, b.At = "b", "a", 54, at("2026-03-05T12:00:00Z")
	return []alert.Release{a, b}
}

func recordsFile(t testing.TB, all []alert.Release) string {
	path := filepath.Join(t.TempDir(), "records.ndjson")
	var text []byte
	for _, r := range all {
		line, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		text = append(append(text, line...), '\n')
	}
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// From 22 MST of 31 January to 4 MST: 2 of 6 hours, 18 of 54 g in January.
func TestReportActivity(t *testing.T) {
	out := filepath.Join(t.TempDir(), "deep", "report")
	arguments := []string{"--programme", larkspurFiles + "larkspur.yaml", "--operator", larkspurFiles + "operator.yaml", "--releases", recordsFile(t, larkspurRecords()), "--template", larkspurFiles + "canton.txt.tmpl",
		"--from", "2026-01-01", "--to", "2026-03-31", "--out", out}
	got := reported(t, arguments...)
	t.Logf("\n%s", got.stdout)
	expect(t, "report", got, statusFine, "2026-01 1 2.00 18", "2026-02 1 4.00 36", "2026-03 0 0.00 0", "all 2 6.00 54", "1 item missing", "8 files", "The operator answers for this report, and it is no legal advice", "15 CFR Part 908", "read 2026-11-29")
	for _, name := range []string{"report.html", "daily-log.csv", "monthly.csv", "monthly-detail.csv", "fields.csv", "missing.csv", "corrections.csv", "canton.txt"} {
		b, err := os.ReadFile(filepath.Join(out, name))
		if err != nil || len(b) == 0 {
			t.Errorf("%s: %v", name, err)
		}
		if strings.HasSuffix(name, ".csv") {
			if rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll(); err != nil || name == "daily-log.csv" && (len(rows) != 3 || rows[1][18] != "'=Ada") {
				t.Errorf("%s: %v %q", name, err, rows)
			}
		}
	}
	// What may have been filed is not replaced unasked.
	expect(t, "again", reported(t, arguments...), statusFailed, "is there already: nothing was written")
	expect(t, "replaced", reported(t, append(arguments, "--replace")...), statusFine)
	r := decoded[activity.Report](t, reported(t, append(arguments, "--replace", "--json")...))
	if r.Total.Grams != 54 || len(r.Corrections) != 1 || r.ID != "larkspur" || len(r.SHA256) != 64 {
		t.Errorf("%+v", r.Total)
	}
	// A period without activity is reported too.
	expect(t, "nothing", reported(t, append(arguments, "--replace", "--from", "2025-01-01", "--to", "2025-02-28")...), statusFine, "No activity in this period; the report says so", "2025-02 0 0.00 0")
	// A correction of what is lost: the rest is written, and it is said.
	got = reported(t, append(arguments, "--replace", "--releases", recordsFile(t, larkspurRecords()[1:]))...)
	expect(t, "left out", got, statusFailed, "b corrects a, which is not there", "see section 5 of the report")
}

// The records of an archive, of the bus and of "release list --csv" make the same
// report.
func TestReportOfArchiveAndBus(t *testing.T) {
	dir, records := t.TempDir(), larkspurRecords()
	a, err := archive.Open(dir, archive.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for k, r := range records {
		event, err := bus.NewEvent(bus.Release, "larkspur", r.Site, r.At, r)
		if err != nil {
			t.Fatal(err)
		}
		event.ID = "release-larkspur-" + r.ID
		if err := a.Add(t.Context(), bus.Release.Name, uint64(k+1), r.At, event); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(a.Flush(t.Context()), a.Close()); err != nil {
		t.Fatal(err)
	}
	period := []string{"--programme", larkspurFiles + "larkspur.yaml", "--from", "2026-01-01", "--to", "2026-02-28", "--json", "--out"}
	of := decoded[activity.Report](t, reported(t, append(period, t.TempDir(), "--archive", dir)...))
	if of.Total.Grams != 54 || of.Total.Days != 2 || len(of.Log) != 2 || len(of.Corrections) != 1 || len(of.Missing) < 30 {
		t.Errorf("%+v", of)
	}
	other := strings.Replace(string(readTest(t, larkspurFiles+"larkspur.yaml")), "id: larkspur", "id: elsewhere", 1)
	path := filepath.Join(t.TempDir(), "p.yaml")
	if err := os.WriteFile(path, []byte(other), 0o600); err != nil {
		t.Fatal(err)
	}
	expect(t, "another programme", reported(t, append(period, t.TempDir(), "--archive", dir, "--programme", path)...), statusFailed, "has no day of the programme elsewhere; it has larkspur")
	expect(t, "no archive", reported(t, append(period, t.TempDir(), "--archive", t.TempDir())...), statusFailed, "no archive")

	// From the bus of a service on this computer, and from what it lists.
	s := releaseService(t)
	expect(t, "add", s.at(firstRelease...), statusFine)
	file := filepath.Join(t.TempDir(), "dale.yaml")
	if err := os.WriteFile(file, []byte(strings.Replace(other, "id: elsewhere", "id: "+s.programme.ID, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	period = []string{"--programme", file, "--from", "2026-01-01", "--to", "2026-01-31", "--json", "--out"}
	live := decoded[activity.Report](t, reported(t, append(period, t.TempDir(), "--data", s.data)...))
	list := filepath.Join(t.TempDir(), "list.csv")
	if err := os.WriteFile(list, []byte(s.at("release", "list", "--csv").stdout), 0o600); err != nil {
		t.Fatal(err)
	}
	listed := decoded[activity.Report](t, reported(t, append(period, t.TempDir(), "--releases", list)...))
	if live.Total.Grams != 16 || listed.Total.Grams != 16 || live.Log[0].Record != listed.Log[0].Record || live.Log[0].Unit != "rack 1, no. 4" || live.Log[0].Date != "2026-01-14" {
		t.Errorf("%+v\n%+v", live.Log, listed.Log)
	}
}

func readTest(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestReportRefuses(t *testing.T) {
	file := recordsFile(t, nil)
	right := []string{"--programme", larkspurFiles + "larkspur.yaml", "--from", "2026-01-01", "--to", "2026-03-31", "--out", t.TempDir(), "--releases", file}
	bad := filepath.Join(t.TempDir(), "operator.yaml")
	if err := os.WriteFile(bad, []byte("operator:\n  nam: x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	same := filepath.Join(t.TempDir(), "report.html.tmpl")
	if err := os.WriteFile(same, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		arguments []string
		status    int
		want      string
	}{
		{[]string{"--from", "soon"}, statusUsage, "--from: \"soon\" is no date"},
		{[]string{"--from", "2026-04-01"}, statusUsage, "--to lies before --from"},
		{[]string{"--from", "1990-04-01"}, statusUsage, "at most 3660"},
		{[]string{"--archive", "x"}, statusUsage, "exclude each other"},
		{[]string{"--data", "x"}, statusUsage, "are for records on the bus"},
		{[]string{"--releases", "records.txt"}, statusUsage, "ends in .csv or .ndjson"},
		{[]string{"--template", "x.txt"}, statusUsage, "ends in .tmpl"},
		{[]string{"--template", same}, statusUsage, "is a file of the report itself"},
		{[]string{"--kind", "weekly"}, statusUsage, "must be one of"},
		{[]string{"--operator", bad}, statusFailed, "operator.yaml:2:3: operator.nam: there is no such key"},
		{[]string{"--operator", "no.yaml"}, statusFailed, "no.yaml: no such file"},
		{[]string{"--releases", "no.csv"}, statusFailed, "no.csv: no such file"},
		{[]string{"--programme", "no.yaml"}, statusFailed, "no.yaml: no such file"},
		{[]string{"--template", "no.tmpl"}, statusFailed, "no.tmpl: no such file"},
	} {
		expect(t, strings.Join(test.arguments, " "), reported(t, append(append([]string{}, right...), test.arguments...)...), test.status, test.want)
	}
}
