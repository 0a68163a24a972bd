package main

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"rimeline/ingest/testfiles"
	"rimeline/seedability/profile"
)

const profiledSounding = "../../testdata/demo/sounding.20260114.t08z.txt"

func isothermOf(t *testing.T, o profileObject, celsius float64) profile.Isotherm {
	t.Helper()
	if o.Profile == nil {
		t.Fatalf("no profile: %+v", o)
	}
	isotherm, ok := o.Profile.Isotherm(celsius + 273.15)
	if !ok {
		t.Fatalf("%g C is not derived", celsius)
	}
	return isotherm
}

func TestProfileOfSounding(t *testing.T) {
	o := rimeline(t, "profile", profiledSounding, "--crest-altitude", "2600", "--toward", "80", "--json")
	if o.status != statusFine || o.stderr != "" {
		t.Fatalf("status %d, %s", o.status, o.stderr)
	}
	found := decoded[[]profileObject](t, o)
	if len(found) != 1 || found[0].Kind != "sounding" || found[0].File != profiledSounding {
		t.Fatalf("%+v", found)
	}
	// The file's own levels: -5.4 C at 2100 m, -6.4 C at 2250 m.
	if got := float64(isothermOf(t, found[0], -6).LowestAltitudeM); math.Abs(got-2190) > 0.5 {
		t.Errorf("-6 C at %g m, the file has it at 2190 m", got)
	}
	flow := found[0].Profile.Barrier
	if flow == nil || float64(flow.CrestAltitudeM) != 2600 || float64(flow.ReleaseAltitudeM) != 1253 {
		t.Errorf("barrier %+v, want the crest asked for and the release at the file's station", flow)
	}

	text := rimeline(t, "profile", profiledSounding, "--crest-altitude", "2600", "--toward", "80")
	for _, want := range []string{"2190 m ", "-6 °C", "ground", "crest of the barrier", "m/s across the barrier", "A plume from the release: "} {
		if !strings.Contains(text.stdout, want) {
			t.Errorf("the page lacks %q:\n%s", want, text.stdout)
		}
	}
	if strings.Contains(text.stdout, "NaN") {
		t.Errorf("NaN on the page:\n%s", text.stdout)
	}
}

func TestProfileHeightsAreAboveGround(t *testing.T) {
	o := rimeline(t, "profile", profiledSounding, "--barrier-height", "1000", "--toward", "80", "--release-height", "50", "--json")
	flow := decoded[[]profileObject](t, o)[0].Profile.Barrier
	if float64(flow.CrestAltitudeM) != 2253 || float64(flow.ReleaseAltitudeM) != 1303 {
		t.Errorf("crest %g, release %g, want 1000 and 50 m above the station at 1253 m", float64(flow.CrestAltitudeM), float64(flow.ReleaseAltitudeM))
	}
}

func TestProfileOfModelColumn(t *testing.T) {
	files, err := filepath.Glob("../../testdata/demo/model.*.grib2")
	if err != nil || len(files) < 2 {
		t.Fatal("no model files", err)
	}
	all := decoded[[]profileObject](t, rimeline(t, append([]string{"profile", "--json", "--at", "44,-115"}, files...)...))
	if len(all) != len(files) || all[0].Kind != "model" || len(all[0].Files) != len(files) {
		t.Fatalf("%d profiles of %d files: %+v", len(all), len(files), all[0])
	}
	// Half-way in time an isotherm lies between those of the hours around it.
	o := decoded[[]profileObject](t, rimeline(t, append([]string{"profile", "--json", "--at", "44,-115", "--time", "2026-01-14T08:30:00Z"}, files...)...))
	if len(o) != 1 {
		t.Fatalf("%d profiles at one time", len(o))
	}
	before, between, after := isothermOf(t, all[2], -6).LowestAltitudeM, isothermOf(t, o[0], -6).LowestAltitudeM, isothermOf(t, all[3], -6).LowestAltitudeM
	if !(between < max(before, after) && between > min(before, after)) {
		t.Errorf("-6 C at %g, %g, %g m", float64(before), float64(between), float64(after))
	}

	for _, test := range []struct {
		arguments []string
		want      string
	}{
		{nil, "--at LAT,LON"},
		{[]string{"--at", "10,20"}, "no fields of an atmosphere around"},
		{[]string{"--at", "44,-115", "--time", "2026-02-01T00:00:00Z"}, "leaves out 2026-02-01"},
	} {
		o := rimeline(t, append(append([]string{"profile"}, test.arguments...), files...)...)
		if o.status != statusFailed || !strings.Contains(o.stderr, test.want) {
			t.Errorf("%v: status %d, %q, want %d and %q", test.arguments, o.status, o.stderr, statusFailed, test.want)
		}
	}
}

func TestProfileReadsOnAfterABadFile(t *testing.T) {
	o := rimeline(t, "profile", "--json", "nosuch.txt", profiledSounding)
	found := decoded[[]profileObject](t, o)
	if o.status != statusFailed || !strings.Contains(o.stderr, "nosuch.txt") || len(found) != 2 || found[0].Profile == nil || !strings.Contains(found[1].Error, "nosuch.txt") {
		t.Errorf("status %d, %q, %+v", o.status, o.stderr, found)
	}
}

func TestProfileUsage(t *testing.T) {
	for _, arguments := range [][]string{
		{profiledSounding, "--toward", "80"}, {profiledSounding, "--barrier-height", "1000"}, {profiledSounding, "--crest-altitude", "2000", "--toward", "400"},
		{profiledSounding, "--crest-altitude", "2000", "--barrier-height", "1000", "--toward", "40"}, {profiledSounding, "--crest-altitude", "20000", "--toward", "40"},
		{profiledSounding, "--at", "north"}, {profiledSounding, "--time", "noon"}, {profiledSounding, "--gap", "0"}, {profiledSounding, "--release-height=-1"}, {},
	} {
		if o := rimeline(t, append([]string{"profile"}, arguments...)...); o.status != statusUsage || o.stdout != "" || !strings.Contains(o.stderr, "--help") {
			t.Errorf("%q: status %d, %q %q, want %d and where help is", arguments, o.status, o.stdout, o.stderr, statusUsage)
		}
	}
}

func TestProfileOfRealFiles(t *testing.T) {
	// The same flight in three codings, by the same program on the same levels.
	var lowest []float64
	for _, name := range []string{"sounding/wyoming.BOI.2010120912.csv", "sounding/wyoming.BOI.2010120912.list.html", "sounding/iem.BOI.2010120912.json"} {
		found := decoded[[]profileObject](t, rimeline(t, "profile", "--json", testfiles.Path(t, name)))
		lowest = append(lowest, float64(isothermOf(t, found[0], -6).LowestAltitudeM))
	}
	// The listings have -4.6 C at 2743 m and -7.5 C at 3056 m; the JSON other
	// heights, by up to 5 m.
	for k, got := range lowest {
		if math.Abs(got-2894.1) > 6 {
			t.Errorf("coding %d: -6 C at %g m, the listing has it at 2894.1 m", k, got)
		}
	}

	// A forecast of many hours: a line each, or one in full.
	path := testfiles.Path(t, "bufkit/2017040100Z_nam_kmso.buf")
	lines := rimeline(t, "profile", path)
	if lines.status != statusFine || strings.Count(lines.stdout, "KMSO ") != 85 {
		t.Errorf("status %d, %d lines of 85", lines.status, strings.Count(lines.stdout, "KMSO "))
	}
	one := decoded[[]profileObject](t, rimeline(t, "profile", "--json", path, "--time", "2017-04-02T06:10:00Z"))
	if len(one) != 1 || one[0].Profile.Time.Format("2006-01-02T15:04Z") != "2017-04-02T06:00Z" {
		t.Errorf("%d profiles, want the one nearest to 06:10", len(one))
	}
	if o := rimeline(t, "profile", path, "--station", "72681"); o.status != statusFailed || !strings.Contains(o.stderr, "none of its 85 soundings") {
		t.Errorf("another station: status %d, %q", o.status, o.stderr)
	}

	// WRF output, above the middle of its domain.
	wrf := decoded[[]profileObject](t, rimeline(t, "profile", "--json", "--at", "30,87", testfiles.Path(t, "netcdf/wrfout.tibet.20050921.allvars.nc")))
	if len(wrf) != 4 {
		t.Fatalf("%d profiles of 4 times", len(wrf))
	}
	for _, o := range wrf {
		zero, cold := isothermOf(t, o, 0), isothermOf(t, o, -15)
		// 15 K over 1500 to 3500 m: between dry-adiabatic and very stable.
		if depth := cold.LowestAltitudeM - zero.HighestAltitudeM; !(depth > 1500 && depth < 3500) || !(o.Profile.SurfaceAltitudeM > 4000) {
			t.Errorf("ground %g m, 0 C at %g m, -15 C at %g m", float64(o.Profile.SurfaceAltitudeM), float64(zero.HighestAltitudeM), float64(cold.LowestAltitudeM))
		}
	}
}
