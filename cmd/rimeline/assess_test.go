package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/testfiles"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/drift"
	"rimeline/seedability/profile"
)

const (
	tibetFile  = "netcdf/wrfout.tibet.20050921.allvars.nc"
	globalFile = "grib2/gfs.20110110.t12z.pgrbf120.2p5deg.grib2"
	ascentFile = "sounding/wyoming.BOI.2010120912.csv"
)

// inventedProgramme puts one invented site into real model output. Without
// spread of the wind the members differ by turbulence, agent and ice alone.
func inventedProgramme(t *testing.T, place grid.LatLon, spread float64, releaseHeightM float64) string {
	w, e, s, n := place.LongitudeDeg-.2, place.LongitudeDeg+1.6, place.LatitudeDeg-1, place.LatitudeDeg+1
	return write(t, "programme.yaml", fmt.Appendf(nil, `
id: proof
name: Invented site in real model output
barrier: {crest_altitude_m: 2600, toward_deg: 90}
sites:
  - id: one
    name: One
    latitude_deg: %g
    longitude_deg: %g
    release_height_m: %g
    agent: {kind: generator, rate_g_per_h: 20, yield_table: t}
targets:
  - id: t
    name: T
    geometry: {type: Polygon, coordinates: [[[%[4]g,%[6]g],[%[5]g,%[6]g],[%[5]g,%[7]g],[%[4]g,%[7]g],[%[4]g,%[6]g]]]}
yield_tables:
  - id: t
    source: invented
    points: [{temperature_degc: -6, crystals_per_g: 1.8e11}, {temperature_degc: -20, crystals_per_g: 9.0e13}]
inputs:
  - {id: m, kind: model, paths: [unused], fresh_hours: 130, maximum_age_hours: 240}
ensemble: {members: 200, direction_sd_deg: %[8]g, speed_sd_fraction: %[9]g, vertical_sd_fraction: %[9]g}
`, place.LatitudeDeg, place.LongitudeDeg, releaseHeightM, w, e, s, n, 10*spread, .15*spread))
}

// assessed runs the command and returns what the events carry.
func assessed(t *testing.T, arguments ...string) []seedability.Assessment {
	t.Helper()
	ran := rimeline(t, append([]string{"assess", "--json"}, arguments...)...)
	if ran.status != statusFine {
		t.Fatalf("exit status %d: %s", ran.status, ran.stderr)
	}
	var all []seedability.Assessment
	for _, event := range decoded[[]bus.Event](t, ran) {
		var a seedability.Assessment
		if err := json.Unmarshal(event.Data, &a); err != nil {
			t.Fatal(err)
		}
		if event.Type != "rimeline.score.v1" || event.Subject != "rimeline."+a.Programme+".score."+a.Site.ID {
			t.Errorf("event %s on %s", event.Type, event.Subject)
		}
		all = append(all, a)
	}
	return all
}

// sense checks what must hold of any assessment.
func sense(t *testing.T, a seedability.Assessment) {
	t.Helper()
	fates := 0
	for _, n := range a.Transport.Fates {
		fates += n
	}
	if fates != a.Transport.Members {
		t.Errorf("fates %v do not sum to %d members", a.Transport.Fates, a.Transport.Members)
	}
	for _, c := range a.Score.Components {
		if c.Value != nil && !(*c.Value >= 0 && *c.Value <= 1) || c.Reason == "" {
			t.Errorf("component %s: value %v, reason %q", c.Name, text(c.Value), c.Reason)
		}
	}
	if v := a.Score.Value; v != nil && !(*v >= 0 && *v <= 100) {
		t.Errorf("score %v", *v)
	}
	for _, step := range a.Path {
		if step.HeightM < -1 {
			t.Errorf("after %v min the path is %v m above ground", step.Minutes, step.HeightM)
		}
	}
}

// The first hour of a drift through real WRF output, without turbulence and
// wind errors, against a plain integration of the file's own winds (U, V at mass
// points, with their own heights and map rotation) at the altitudes that the
// particle had: ten-second steps forward, linear in height and time, no box and
// no particle code.
func TestRealWRFPathAgainstPlainIntegration(t *testing.T) {
	file := testfiles.Path(t, tibetFile)
	site := grid.LatLon{LatitudeDeg: 29.86, LongitudeDeg: 86.53}
	release := time.Date(2005, 9, 21, 4, 0, 0, 0, time.UTC)

	env := &environment{Context: t.Context()}
	weather, err := readWeather(env, []string{file}, wanted{places: []grid.LatLon{site}, marginM: 100e3})
	if err != nil || len(weather.errs) > 0 {
		t.Fatal(err, weather.errs)
	}
	air, err := grid.BuildAtmosphere(weather.fields, grid.AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	options := drift.DefaultOptions()
	options.Members, options.Turbulence.MountainFactor, options.Perturbation = 1, 0, drift.Perturbation{}
	ensemble, err := drift.Run(t.Context(), air, drift.Release{Place: site, AltitudeM: math.NaN(), HeightAboveGroundM: 150, Start: release}, options)
	if err != nil {
		t.Fatal(err)
	}
	if len(ensemble.Track) < 61 {
		t.Fatalf("the particle was aloft for %d minutes, want an hour: %v", len(ensemble.Track), ensemble.Counts())
	}
	wind := wrfWinds(t, file)
	walk := func(altitudeM func(minute int) float64) (end grid.LatLon, walkedM float64) {
		end = site
		for second := 0; second < 3600; second += 10 {
			u, v := wind(end, altitudeM(second/60), release.Add(time.Duration(second)*time.Second))
			walkedM += 10 * math.Hypot(u, v)
			end.LatitudeDeg += v * 10 / grid.EarthRadiusM * 180 / math.Pi
			end.LongitudeDeg += u * 10 / (grid.EarthRadiusM * math.Cos(end.LatitudeDeg*math.Pi/180)) * 180 / math.Pi
		}
		return end, walkedM
	}
	end, walkedM := walk(func(minute int) float64 { return ensemble.Track[minute].AltitudeM })
	if walkedM < 3000 {
		t.Fatalf("the plain integration moves only %.0f m: no test", walkedM)
	}
	// What is allowed is the box's vertical interpolation.
	apart := grid.DistanceM(end, ensemble.Track[60].Place)
	if apart > .03*walkedM {
		t.Errorf("after an hour the paths are %.0f m apart, having gone %.0f m", apart, walkedM)
	}
	t.Logf("after an hour %.0f m apart, having gone %.0f m", apart, walkedM)

	// The mean of 200 turbulent particles in sheared wind is not the path at
	// their mean altitude, but not far from it.
	a := assessed(t, "--programme", inventedProgramme(t, site, 0, 150), "--input", file, "--release", release.Format(time.RFC3339), "--releases", "1")[0]
	sense(t, a)
	if len(a.Path) < 61 {
		t.Fatalf("the plume's path has %d minutes, want an hour: %v", len(a.Path), a.Transport.Fates)
	}
	end, walkedM = walk(func(minute int) float64 { return a.Path[minute].AltitudeM })
	apart = grid.DistanceM(end, grid.LatLon{LatitudeDeg: a.Path[60].LatitudeDeg, LongitudeDeg: a.Path[60].LongitudeDeg})
	if apart > .2*walkedM {
		t.Errorf("after an hour the plume is %.0f m from where its mean altitude would take it, having gone %.0f m", apart, walkedM)
	}
}

// wrfWinds reads eastward and northward wind straight from the file's fields.
func wrfWinds(t *testing.T, path string) func(p grid.LatLon, altitudeM float64, at time.Time) (u, v float64) {
	t.Helper()
	file, err := cfgrid.OpenPath(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	fields, err := file.WRFFields(t.Context(), cfgrid.Options{})
	if err != nil {
		t.Fatal(err)
	}
	type key struct {
		name string
		at   time.Time
		k    int
	}
	by := map[key]*grid.Field{}
	var times []time.Time
	levels := 0
	for _, f := range fields {
		if f.Level.Type != "model_level_number" {
			continue
		}
		by[key{f.StandardName, f.ValidTime, int(f.Level.Value)}] = f
		levels = max(levels, int(f.Level.Value))
		if len(times) == 0 || f.ValidTime.After(times[len(times)-1]) {
			times = append(times, f.ValidTime)
		}
	}
	value := func(name string, at time.Time, k int, p grid.LatLon) float64 {
		f := by[key{name, at, k}]
		if f == nil {
			t.Fatalf("no %s at %s on level %d", name, at, k)
		}
		x, ok := f.Bilinear(p)
		if !ok {
			t.Fatalf("%v is off the grid", p)
		}
		return x
	}
	moment := func(at time.Time, p grid.LatLon, altitudeM float64) (u, v float64) {
		low := 1
		for low < levels-1 && value("geopotential_height", at, low+1, p) < altitudeM {
			low++
		}
		z0, z1 := value("geopotential_height", at, low, p), value("geopotential_height", at, low+1, p)
		f := math.Min(math.Max((altitudeM-z0)/(z1-z0), 0), 1)
		x := (1-f)*value("x_wind", at, low, p) + f*value("x_wind", at, low+1, p)
		y := (1-f)*value("y_wind", at, low, p) + f*value("y_wind", at, low+1, p)
		u, v, _ = by[key{"x_wind", at, low}].Grid.RotateToEarth(x, y, p)
		return u, v
	}
	return func(p grid.LatLon, altitudeM float64, at time.Time) (u, v float64) {
		n := 0
		for n < len(times)-2 && !times[n+1].After(at) {
			n++
		}
		f := at.Sub(times[n]).Seconds() / times[n+1].Sub(times[n]).Seconds()
		u0, v0 := moment(times[n], p, altitudeM)
		u1, v1 := moment(times[n+1], p, altitudeM)
		return (1-f)*u0 + f*u1, (1-f)*v0 + f*v1
	}
}

// Isotherms of a column of real WRF output against a table of the same column
// computed from the file by other means (p = P + PB, T = (T + 300) (p/1e5)^(2/7),
// height = (PH + PHB)/9.81 at mass points).
func TestRealWRFIsotherms(t *testing.T) {
	file := testfiles.Path(t, tibetFile)
	rows := columnTable(t, "reference/others/wrfout.tibet.20050921.allvars.nc.columns.tsv")
	checked := 0
	for _, place := range [][2]string{{"4", "5"}, {"2", "6"}} {
		var column []columnRow
		for _, row := range rows {
			if row.time == "2005-09-21_09:00:00" && row.j == place[0] && row.i == place[1] {
				column = append(column, row)
			}
		}
		at := fmt.Sprintf("%g,%g", column[0].latitudeDeg, column[0].longitudeDeg)
		profiles := decoded[[]profileObject](t, rimeline(t, "profile", "--json", file, "--at", at, "--time", "2005-09-21T09:00:00Z"))
		if len(profiles) != 1 || profiles[0].Profile == nil {
			t.Fatalf("profile at %s: %+v", at, profiles)
		}
		checked += compareIsotherms(t, at, *profiles[0].Profile, column, 60)
	}
	if checked < 6 {
		t.Errorf("only %d crossings compared", checked)
	}
}

// The same for the global model, whose levels are read one by one by sample.
func TestRealGlobalModelIsotherms(t *testing.T) {
	file := testfiles.Path(t, globalFile)
	byLevel := map[float64]*columnRow{}
	for _, s := range decoded[[]sampleObject](t, rimeline(t, "sample", file, "--at", "52,-120")) {
		if s.LevelType != "isobaric surface" || s.Bilinear == nil {
			continue
		}
		row := byLevel[*s.Level]
		if row == nil {
			row = &columnRow{heightM: math.NaN(), temperatureK: math.NaN()}
			byLevel[*s.Level] = row
		}
		switch s.Name {
		case "geopotential_height":
			row.heightM = *s.Bilinear
		case "air_temperature":
			row.temperatureK = *s.Bilinear
		}
	}
	var column []columnRow
	for pa := 100000.; pa >= 10000; pa -= 500 {
		// 1599 m is the model's ground at this place.
		if row := byLevel[pa]; row != nil && row.heightM > 1599 {
			column = append(column, *row)
		}
	}
	profiles := decoded[[]profileObject](t, rimeline(t, "profile", "--json", file, "--at", "52,-120"))
	if n := compareIsotherms(t, "52,-120", *profiles[0].Profile, column, 60); n < 3 {
		t.Errorf("only %d crossings compared", n)
	}
}

type columnRow struct {
	time, j, i                                       string
	latitudeDeg, longitudeDeg, temperatureK, heightM float64
}

func columnTable(t *testing.T, name string) []columnRow {
	t.Helper()
	reader := csv.NewReader(strings.NewReader(string(testfiles.Read(t, name))))
	reader.Comma = '\t'
	records, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for k, heading := range records[0] {
		at[heading] = k
	}
	var rows []columnRow
	for _, record := range records[1:] {
		number := func(heading string) float64 {
			x, err := strconv.ParseFloat(record[at[heading]], 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		rows = append(rows, columnRow{record[at["time"]], record[at["j"]], record[at["i"]], number("lat"), number("lon"), number("temperature_K"), number("height_m")})
	}
	return rows
}

// compareIsotherms compares the highest crossing of each isotherm that lies
// above the lowest row, and counts them. The box between the file's levels and
// the profile costs some tens of metres where the lapse rate bends.
func compareIsotherms(t *testing.T, where string, got profile.Derived, column []columnRow, toleranceM float64) int {
	t.Helper()
	compared := 0
	for _, isothermK := range profile.IsothermsK() {
		want := math.NaN()
		for k := 1; k < len(column); k++ {
			low, high := column[k-1], column[k]
			if low.temperatureK > isothermK && high.temperatureK <= isothermK {
				want = low.heightM + (high.heightM-low.heightM)*(low.temperatureK-isothermK)/(low.temperatureK-high.temperatureK)
			}
		}
		isotherm, ok := got.Isotherm(isothermK)
		if math.IsNaN(want) || !ok || !isotherm.HighestAltitudeM.Known() {
			continue
		}
		compared++
		if d := float64(isotherm.HighestAltitudeM) - want; math.Abs(d) > toleranceM {
			t.Errorf("%s: %.0f K at %.0f m, by the file's own levels at %.0f m", where, isothermK, float64(isotherm.HighestAltitudeM), want)
		}
	}
	return compared
}

// The global model with a real sounding, published to a server in this process
// and read back. The ascent is of another winter: it must be refused a say.
func TestRealGlobalModelPublished(t *testing.T) {
	file, ascent := testfiles.Path(t, globalFile), testfiles.Path(t, ascentFile)
	programme := inventedProgramme(t, grid.LatLon{LatitudeDeg: 52, LongitudeDeg: -120}, 1, 10)
	arguments := []string{"--programme", programme, "--input", file, "--input", ascent, "--release", "2011-01-15T12:00Z", "--releases", "2", "--steady", "4h"}
	all := assessed(t, arguments...)
	if len(all) != 2 {
		t.Fatalf("%d assessments, want 2", len(all))
	}
	for _, a := range all {
		sense(t, a)
		if len(a.Inputs) != 1 || a.Inputs[0].Kind != "model" || len(a.Inputs[0].Files) != 1 || len(a.Inputs[0].Files[0].SHA256) != 64 {
			t.Errorf("inputs %+v, want the model file with its digest alone", a.Inputs)
		}
		if !strings.Contains(strings.Join(a.Notes, "\n"), "none of the soundings given (1)") {
			t.Errorf("notes %q do not say that the sounding did not count", a.Notes)
		}
		// West wind of the ascent's altitude: the plume must go east.
		if end := a.Path[len(a.Path)-1]; end.LongitudeDeg <= -120 {
			t.Errorf("the plume ends at %.3f", end.LongitudeDeg)
		}
	}
	ran := rimeline(t, append([]string{"assess", "--publish", "embedded"}, arguments...)...)
	if ran.status != statusFine || strings.Count(ran.stdout, "rimeline.proof.score.one") != 2 {
		t.Errorf("published: status %d, %s\n%s", ran.status, ran.stdout, ran.stderr)
	}
}

// The committed example needs no real data: a storm whose band passes within
// the model's hours.
func TestAssessDemo(t *testing.T) {
	out := t.TempDir()
	all := assessed(t, "--programme", demoProgramme, "--input", "../../testdata/demo", "--release", "2026-01-14T07:00Z", "--releases", "4", "--every", "60m", "--out", out)
	if len(all) != 12 {
		t.Fatalf("%d assessments, want 3 sites x 4 releases", len(all))
	}
	states := map[string][]seedability.State{}
	for _, a := range all {
		sense(t, a)
		states[a.Site.ID] = append(states[a.Site.ID], a.State)
	}
	// The richest hour of the storm is built to be 08:42 UTC.
	if s := states["saddlehorn"]; s[1] != seedability.StateWindow && s[2] != seedability.StateWindow {
		t.Errorf("saddlehorn: %v, want a window while the band passes", s)
	}
	for _, ending := range []string{".section.png", ".map.png"} {
		f, err := os.Open(filepath.Join(out, "saddlehorn.20260114T0800Z"+ending))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := png.Decode(f); err != nil {
			t.Errorf("%s: %v", ending, err)
		}
		f.Close()
	}
	if b := content(t, filepath.Join(out, "saddlehorn.20260114T0800Z.path.geojson")); !json.Valid(b) {
		t.Error("the path is no JSON")
	}
}

func TestAssessWrongUse(t *testing.T) {
	for _, test := range []struct {
		name      string
		arguments []string
		status    int
		says      string
	}{
		{"no programme", []string{"assess"}, statusUsage, "--programme"},
		{"no such programme", []string{"assess", "--programme", "nowhere.yaml"}, statusFailed, "nowhere.yaml"},
		{"odd time", []string{"assess", "--programme", demoProgramme, "--release", "tomorrow"}, statusUsage, "2026-01-14T08:00Z"},
		{"unknown site", []string{"assess", "--programme", demoProgramme, "--site", "nobody"}, statusUsage, "no site"},
		{"release after the model", []string{"assess", "--programme", demoProgramme, "--input", "../../testdata/demo", "--release", "2026-01-20T00:00Z"}, statusFailed, "2026-01-14"},
		{"no model", []string{"assess", "--programme", demoProgramme, "--input", "../../testdata/demo/programme.yaml"}, statusFailed, "programme.yaml"},
		{"no server", []string{"assess", "--programme", demoProgramme, "--input", "../../testdata/demo", "--release", "2026-01-14T08:00Z", "--releases", "1", "--publish", "nats://127.0.0.1:1"}, statusFailed, "127.0.0.1:1"},
	} {
		ran := rimeline(t, test.arguments...)
		if ran.status != test.status || !strings.Contains(ran.stderr, test.says) {
			t.Errorf("%s: status %d, want %d; stderr %q, want %q in it", test.name, ran.status, test.status, ran.stderr, test.says)
		}
	}
}

func TestSpreadInputs(t *testing.T) {
	for _, test := range []struct{ given, want string }{
		{"assess --input a b --site c --input d", "assess --input=a --input=b --site c --input=d"},
		{"assess --input=a b", "assess --input=a b"},
		{"assess --input --json", "assess --input --json"},
		{"assess --input", "assess --input"},
		{"inspect a b", "inspect a b"},
		{"assess --input a -- b", "assess --input=a -- b"},
	} {
		if got := strings.Join(spreadInputs(strings.Fields(test.given)), " "); got != test.want {
			t.Errorf("%s: %s, want %s", test.given, got, test.want)
		}
	}
}
