package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/rehearsal"
	"rimeline/ingest/testfiles"
	"rimeline/seedability/hindcast"
)

var hindcastStart = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)

// hindcastStorm writes two runs of the invented storm, the second six hours after the
// first, with four hours that both have: a folder a run. It gives the programme too,
// with one site in the storm and one far outside of the model's area.
func hindcastStorm(t testing.TB) (programme, models string) {
	t.Helper()
	dir := t.TempDir()
	models = filepath.Join(dir, "models")
	for run, hours := range map[int]int{0: 9, 6: 8} {
		storm := rehearsal.Storm{Start: hindcastStart.Add(time.Duration(run) * time.Hour), LatitudeDeg: 44, LongitudeDeg: -114.5}
		folder := filepath.Join(models, storm.Start.Format("2006010215"))
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		for hour := range hours + 1 {
			if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("f%02d.grib2", hour)), storm.ModelFile(15, 8000, hour*60), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := os.WriteFile(filepath.Join(models, "README"), []byte("files of an invented storm\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	programme = filepath.Join(dir, "programme.yaml")
	text := `
id: under
name: Invented sites in the invented storm
timezone: America/Boise
barrier: {crest_altitude_m: 2780, toward_deg: 80}
sites:
  - {id: one, name: "=One", latitude_deg: 43.98, longitude_deg: -114.78, agent: {kind: generator, rate_g_per_h: 80, yield_table: t}}
  - {id: far, name: Far, latitude_deg: 45.6, longitude_deg: -114.78, agent: {kind: generator, rate_g_per_h: 20, yield_table: t}}
targets:
  - {id: t, name: T, geometry: {type: Polygon, coordinates: [[[-114.6,43.6],[-114,43.6],[-114,44.4],[-114.6,44.4],[-114.6,43.6]]]}}
yield_tables:
  - {id: t, source: invented, points: [{temperature_degc: -6, crystals_per_g: 2.0e13}, {temperature_degc: -20, crystals_per_g: 9.0e13}]}
ensemble: {members: 30, longest_drift_minutes: 90}
inputs:
  - {id: r, kind: radar, paths: [unused], required: true, fresh_hours: 0.2, maximum_age_hours: 0.5}
`
	if err := os.WriteFile(programme, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return programme, models
}

// hindcasted runs the command and reads its hours, by site and release.
func hindcasted(t testing.TB, want int, out string, arguments ...string) (map[string]map[string]string, outcome) {
	t.Helper()
	ran := rimeline(t, append([]string{"hindcast", "--out", out}, arguments...)...)
	if ran.status != want {
		t.Fatalf("%q: exit status %d, want %d: %s", arguments, ran.status, want, ran.stderr)
	}
	b, err := os.ReadFile(filepath.Join(out, "hours.csv"))
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	hours := map[string]map[string]string{}
	for _, row := range rows[1:] {
		one := map[string]string{}
		for k, name := range rows[0] {
			one[name] = row[k]
		}
		hours[one["site"]+" "+one["release_time"][11:13]] = one
	}
	return hours, ran
}

func TestHindcast(t *testing.T) {
	programme, models := hindcastStorm(t)
	out := filepath.Join(t.TempDir(), "out")
	hours, ran := hindcasted(t, statusFine, out, "--programme", programme, "--models", models)
	// 06 to 20 UTC, 15 releases of two sites; behind the last state there is nothing.
	if len(hours) != 30 {
		t.Fatalf("%d hours", len(hours))
	}
	for _, want := range []string{"programme file requires radar", "Far", "outside of the model's area", "no evidence that seeding works", "1 file without fields"} {
		if !strings.Contains(strings.Join(strings.Fields(ran.stdout), " "), want) {
			t.Errorf("the output lacks %q:\n%s", want, ran.stdout)
		}
	}
	// Each hour is what assess finds from the files of the run with the shorter lead: the
	// second run from 12 UTC on. The model counts as old as its states' lead.
	judged := 0
	for hour := 6; hour <= 20; hour++ {
		h := hours[fmt.Sprintf("one %02d", hour)]
		if far := hours[fmt.Sprintf("far %02d", hour)]; hour < 20 && (far["outcome"] != string(hindcast.Missing) || far["why"] != whyOffGrid) {
			t.Errorf("%02d: far is %v", hour, far)
		}
		run := 6
		if hour >= 12 {
			run = 12
		}
		if h["outcome"] == string(hindcast.Missing) {
			if hour < 19 || h["why"] != whyEnds {
				t.Errorf("%02d: %v", hour, h)
			}
			continue
		}
		judged++
		if want := float64(hour - run); h["lead_hours"] != decimalOf(want) {
			t.Errorf("%02d: lead %s h, want %v", hour, h["lead_hours"], want)
		}
		release := hindcastStart.Add(time.Duration(hour-6) * time.Hour)
		files := filepath.Join(models, fmt.Sprintf("20260114%02d", run))
		if hour == 10 || hour == 11 {
			// These plumes go on in the second run.
			continue
		}
		a := assessed(t, "--programme", withoutInputs(t, programme), "--input", files, "--site", "one", "--release", release.Format(time.RFC3339), "--as-of", release.Format(time.RFC3339), "--releases", "1")[0]
		for name, want := range map[string]*float64{"score": a.Score.Value, "opportunity": a.Score.Opportunity, "target_probability": a.Score.TargetProbability, "confidence": &a.Confidence.Value} {
			got, err := strconv.ParseFloat(h[name], 64)
			if want == nil != (h[name] == "") || want != nil && (err != nil || math.Abs(got-*want) > .0501*math.Max(1, *want/100)) {
				t.Errorf("%02d: %s is %q, assess finds %v", hour, name, h[name], text(want))
			}
		}
		if got := h["outcome"] == string(hindcast.Seedable); got != (a.State == "window") || (h["outcome"] == "blind") != (a.State == "blind") {
			t.Errorf("%02d: %s, assess finds %s", hour, h["outcome"], a.State)
		}
	}
	if judged < 13 {
		t.Errorf("%d hours judged", judged)
	}
	var report hindcastReport
	ran = rimeline(t, "--json", "hindcast", "--programme", programme, "--models", models, "--out", out)
	report = decoded[hindcastReport](t, ran)
	if report.Assessed != 0 || report.Taken != 28 || len(report.Sites) != 2 || report.Sites[0].Site != "one" || report.Sites[0].Seedable == 0 {
		t.Errorf("the second run: %d assessed, %d taken over, sites %+v", report.Assessed, report.Taken, report.Sites)
	}
	b, err := os.ReadFile(filepath.Join(out, "months.csv"))
	if err != nil || !strings.Contains(string(b), ",'=One,") {
		t.Errorf("months.csv: %v\n%s", err, b)
	}
}

// withoutInputs is the programme without what it requires in service.
func withoutInputs(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text, _, _ := strings.Cut(string(b), "inputs:")
	return write(t, "p.yaml", []byte(text))
}

// A run that was stopped goes on where it was, and what comes out is the same as of
// one that was not; results do not depend on how releases are put into boxes.
func TestHindcastGoesOn(t *testing.T) {
	programme, models := hindcastStorm(t)
	folder := t.TempDir()
	read := func(out string) string {
		t.Helper()
		b, err := os.ReadFile(filepath.Join(out, "hours.csv"))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	arguments := []string{"--programme", programme, "--models", models, "--site", "one"}
	whole := filepath.Join(folder, "whole")
	hindcasted(t, statusFine, whole, arguments...)

	parts := filepath.Join(folder, "parts")
	hindcasted(t, statusFine, parts, append(arguments, "--to", "2026-01-14T11:00Z")...)
	_, ran := hindcasted(t, statusFine, parts, arguments...)
	if read(parts) != read(whole) || !strings.Contains(ran.stdout, "5 assessments taken over") {
		t.Errorf("in two parts:\n%s\nwhole:\n%s\n%s", read(parts), read(whole), ran.stdout)
	}

	// As if the program had died within a line.
	state := filepath.Join(parts, hindcastStateName)
	b, err := os.ReadFile(state)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(state, b[:len(b)*2/3], 0o644); err != nil {
		t.Fatal(err)
	}
	hindcasted(t, statusFine, parts, arguments...)
	again, err := os.ReadFile(state)
	if err != nil || read(parts) != read(whole) || len(again) != len(b) {
		t.Errorf("after a line without end: %d bytes, want %d, %v", len(again), len(b), err)
	}

	// A flipped byte is no result.
	again[len(again)/2] ^= 1
	if err := os.WriteFile(state, again, 0o644); err != nil {
		t.Fatal(err)
	}
	damaged := rimeline(t, append([]string{"hindcast", "--out", parts}, arguments...)...)
	if damaged.status != statusFailed || !strings.Contains(damaged.stderr, hindcastStateName) || !strings.Contains(damaged.stderr, "line") {
		t.Errorf("a flipped byte: %d: %s", damaged.status, damaged.stderr)
	}
	if err := os.Remove(state); err != nil {
		t.Fatal(err)
	}

	// A changed file, or another programme, is judged again.
	hindcasted(t, statusFine, parts, arguments...)
	later := time.Now().Add(time.Hour)
	if err := os.Chtimes(filepath.Join(models, "2026011412", "f02.grib2"), later, later); err != nil {
		t.Fatal(err)
	}
	r := decoded[hindcastReport](t, rimeline(t, append([]string{"--json", "hindcast", "--out", parts}, arguments...)...))
	if r.Taken == 0 || r.Assessed == 0 || r.Taken+r.Assessed != 14 {
		t.Errorf("one file changed: %d taken over, %d assessed", r.Taken, r.Assessed)
	}
	text, err := os.ReadFile(programme)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(programme, append(text, "thresholds: {window_score: 70}\n"...), 0o644); err != nil {
		t.Fatal(err)
	}
	if r := decoded[hindcastReport](t, rimeline(t, append([]string{"--json", "hindcast", "--out", parts}, arguments...)...)); r.Taken != 0 || r.WindowScore != 70 {
		t.Errorf("another limit: %d taken over, limit %v", r.Taken, r.WindowScore)
	}

	// Another process in the same folder.
	held, err := openHindcastState(state)
	if err != nil {
		t.Fatal(err)
	}
	defer held.close()
	if second := rimeline(t, append([]string{"hindcast", "--out", parts}, arguments...)...); second.status != statusFailed || !strings.Contains(second.stderr, "another hindcast") {
		t.Errorf("a second process: %s", second.stderr)
	}
}

// Files that cannot be read, and hours without states, are named and counted, and do
// not end the season.
func TestHindcastWithDamage(t *testing.T) {
	programme, models := hindcastStorm(t)
	harm := func(name string, f func([]byte) []byte) {
		t.Helper()
		path := filepath.Join(models, name)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, f(b), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	// A truncated file: the rest of its state is not enough. One that is lost. One of
	// the second run is damaged where the first run has the hour too.
	harm("2026011406/f02.grib2", func(b []byte) []byte { return b[:len(b)/3] })
	harm("2026011412/f05.grib2", func(b []byte) []byte { return b[:10] })
	harm("2026011412/f01.grib2", func(b []byte) []byte { return b[:len(b)/2] })
	hours, ran := hindcasted(t, statusFailed, filepath.Join(t.TempDir(), "out"), "--programme", programme, "--models", models, "--site", "one", "--gap", "1h")
	for _, want := range []string{"2026011406/f02.grib2", "2026011412/f05.grib2", "2026011412/f01.grib2", "could not be read; the rest was done"} {
		if !strings.Contains(ran.stderr, want) {
			t.Errorf("standard error lacks %q:\n%s", want, ran.stderr)
		}
	}
	for hour, want := range map[int]string{8: whyNoState, 17: whyNoState} {
		if h := hours[fmt.Sprintf("one %02d", hour)]; h["outcome"] != string(hindcast.Missing) || h["why"] != want {
			t.Errorf("%02d: %v", hour, h)
		}
	}
	// 13 UTC is of the first run now, seven hours after its beginning.
	if h := hours["one 13"]; h["lead_hours"] != "7" || h["outcome"] == string(hindcast.Missing) {
		t.Errorf("13: %v", h)
	}
	// Plumes that end before a gap count; those that would go on into it do not.
	for _, hour := range []int{6, 7, 15, 16} {
		if h := hours[fmt.Sprintf("one %02d", hour)]; h["outcome"] == string(hindcast.Missing) && h["why"] != whyEnds {
			t.Errorf("%02d: %v", hour, h)
		}
	}
	if !strings.Contains(ran.stdout, whyNoState) {
		t.Errorf("not named:\n%s", ran.stdout)
	}
}

// Cloud water over places of real WRF output against NumPy (testdata/README.md).
func TestHindcastLiquidOverSite(t *testing.T) {
	file := testfiles.Path(t, tibetFile)
	f, err := os.Open("../../testdata/hindcast/oversite.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var sites bytes.Buffer
	want := map[string][3]float64{} // by site and hour
	id := map[string]string{}
	for _, row := range rows[1:] {
		place := row[1] + " " + row[2]
		if id[place] == "" {
			id[place] = fmt.Sprintf("p%d", len(id))
			fmt.Fprintf(&sites, "  - {id: %s, name: P, latitude_deg: %s, longitude_deg: %s, agent: {kind: generator, rate_g_per_h: 20, yield_table: t}}\n", id[place], row[1], row[2])
		}
		var paths [3]float64
		for k := range paths {
			if paths[k], err = strconv.ParseFloat(row[3+k], 64); err != nil {
				t.Fatal(err)
			}
		}
		want[id[place]+" "+row[0][11:13]] = paths
	}
	programme := write(t, "programme.yaml", []byte(`
id: proof
name: Invented sites in real model output
barrier: {crest_altitude_m: 6000, toward_deg: 90}
sites:
`+sites.String()+`
targets:
  - {id: t, name: T, geometry: {type: Polygon, coordinates: [[[86,29.5],[87,29.5],[87,30],[86,30],[86,29.5]]]}}
yield_tables:
  - {id: t, source: invented, points: [{temperature_degc: -6, crystals_per_g: 1.8e11}, {temperature_degc: -20, crystals_per_g: 9.0e13}]}
ensemble: {members: 10, longest_drift_minutes: 60}
`))
	hours, _ := hindcasted(t, statusFine, filepath.Join(t.TempDir(), "out"), "--programme", programme, "--models", folderOf(t, file), "--every", "3h", "--as-analysis")
	compared, some, narrow := 0, 0, 0
	for name, paths := range want {
		h := hours[name]
		if h["outcome"] == string(hindcast.Missing) || h["liquid_over_site_mm"] == "" {
			continue
		}
		path, least, most := paths[0], paths[1], paths[2]
		got, err := strconv.ParseFloat(h["liquid_over_site_mm"], 64)
		// The box's levels lie elsewhere than the model's: a tenth of the path, half a
		// kelvin at the isotherms, and what rounds to the last digit.
		if err != nil || got < .9*least-2e-4 || got > 1.1*most+2e-4 {
			t.Errorf("%s: %s mm, NumPy %v, %v to %v", name, h["liquid_over_site_mm"], path, least, most)
		}
		compared++
		if path > .003 {
			some++
		}
		if path > .003 && most-least < .5*path {
			narrow++
		}
	}
	if compared < 90 || some < 10 || narrow < 5 {
		t.Errorf("%d hours compared, %d with liquid, %d of them known well", compared, some, narrow)
	}
}

// folderOf has a file alone in it.
func folderOf(t *testing.T, file string) string {
	t.Helper()
	dir := t.TempDir()
	path, err := filepath.Abs(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(path, filepath.Join(dir, filepath.Base(file))); err != nil {
		t.Fatal(err)
	}
	return dir
}

func TestHindcastRefusals(t *testing.T) {
	programme, models := hindcastStorm(t)
	empty := t.TempDir()
	for _, test := range []struct {
		status    int
		arguments []string
		want      string
	}{
		{statusUsage, []string{"--models", models, "--site", "nobody"}, "no site"},
		{statusUsage, []string{"--models", models, "--every", "1s"}, "--every"},
		{statusUsage, []string{"--models", models, "--gap", "48h"}, "--gap"},
		{statusUsage, []string{"--models", models, "--from", "2026-01-02", "--to", "2026-01-01"}, "before --to"},
		{statusUsage, []string{"--models", programme}, "is no folder"},
		{statusFailed, []string{"--models", filepath.Join(models, "nothing")}, "no such file"},
		{statusFailed, []string{"--models", empty}, "no model fields around the sites"},
		{statusFailed, []string{"--models", models, "--site", "far"}, "no model fields around the sites"},
		{statusFailed, []string{"--models", models, "--from", "2027-01-01", "--to", "2027-01-02"}, "no hour of any site could be judged"},
	} {
		r := rimeline(t, append([]string{"hindcast", "--programme", programme}, test.arguments...)...)
		if r.status != test.status || !strings.Contains(r.stderr, test.want) {
			t.Errorf("%q: exit status %d: %s", test.arguments, r.status, r.stderr)
		}
	}
}

// The lines of the state file: whatever stands there, no panic, and what is taken has
// its checksum.
func FuzzHindcastState(f *testing.F) {
	s := &hindcastState{path: "fuzz"}
	var b bytes.Buffer
	s.w = newStateWriter(&b)
	score := 61.5
	hours := []hindcast.Hour{{Site: "one", Time: hindcastStart, Outcome: hindcast.Seedable, Score: &score}}
	if err := errors.Join(s.add("d1", hours), s.add("d2", hours), s.w.Flush()); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Add(b.Bytes()[:b.Len()-5])
	f.Add([]byte("00000000 {}\n"))
	f.Add([]byte("\n\n"))
	f.Fuzz(func(t *testing.T, content []byte) {
		s := &hindcastState{path: "fuzz", known: map[string][]hindcast.Hour{}}
		good, err := s.read(bytes.NewReader(content))
		if good < 0 || good > int64(len(content)) || good > 0 && content[good-1] != '\n' {
			t.Fatalf("good up to %d of %d", good, len(content))
		}
		if err == nil && bytes.IndexByte(content[good:], '\n') >= 0 {
			t.Errorf("a whole line was passed over behind %d", good)
		}
		again := &hindcastState{path: "fuzz", known: map[string][]hindcast.Hour{}}
		if n, err := again.read(bytes.NewReader(content[:good])); err != nil || n != good || len(again.known) != len(s.known) {
			t.Errorf("read again: %d of %d, %v", n, good, err)
		}
	})
}

// A season is bounded by assessments: hours of two sites of the invented storm.
func BenchmarkHindcast(b *testing.B) {
	programme, models := hindcastStorm(b)
	n := 0
	for b.Loop() {
		r := decoded[hindcastReport](b, rimeline(b, "--json", "hindcast", "--programme", programme, "--models", models))
		n += r.Assessed
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "assessments/s")
}
