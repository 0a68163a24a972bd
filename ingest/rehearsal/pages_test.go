package rehearsal_test

import (
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
	"rimeline/ingest/hydro"
	"rimeline/ingest/rehearsal"
	"rimeline/ingest/source"
)

// pageSources are the sources that answer with a page.
var pageSources = []string{"usgs-iv", "nwps-gauge", "nwps-stageflow", "nws-alerts", "gauge-table", "telemetry-json"}

// The mappings of the programme file's inputs.
var (
	tableMapping = hydro.Mapping{Comment: "#", Time: []string{"date", "time"}, Layout: "YYYY-MM-DD HH:mm", Zone: "-07:00", GaugeColumn: "station", Missing: []string{"---"},
		Values: []hydro.ValueColumn{{Column: "storage_af", Quantity: hydro.ReservoirStorage, Unit: "acre-ft", FlagColumn: "flag", Codes: map[string]string{"P": "provisional", "E": "estimated"}}}}
	crewMapping = hydro.TelemetryMapping{Rows: "sites[*]", Site: "site", Time: "time", Layout: "rfc3339", LastContact: "last_contact", Units: "burner.units_left",
		Battery: hydro.Measured{Path: "battery.volts", Unit: "V"}, SolarA: hydro.Measured{Path: "battery.solar_amperes", Unit: "A"}, Temperature: hydro.Measured{Path: "air_temperature_degc", Unit: "degC"}, Faults: []string{"faults"}}
)

// content of a page, decoded.
type content struct {
	series   []hydro.Series
	gauge    hydro.Gauge
	warnings []hydro.Warning
	sites    []hydro.SiteReport
}

func readPage(name string, b []byte) (c content, err error) {
	switch name {
	case "usgs-iv":
		c.series, err = hydro.DecodeUSGS(name, b)
	case "nwps-gauge":
		c.gauge, err = hydro.DecodeNWPSGauge(name, b)
	case "nwps-stageflow":
		c.series, err = hydro.DecodeNWPSStageflow(name, "SLWX1", b)
	case "nws-alerts":
		c.warnings, err = hydro.DecodeAlerts(name, b)
	case "gauge-table":
		c.series, err = hydro.DecodeTable(name, b, tableMapping)
	case "telemetry-json":
		c.sites, err = hydro.DecodeTelemetry(name, b, crewMapping)
	}
	return c, err
}

// pages asks every page at a time, as a poller that has not asked before; false
// where the services do not answer.
func (f *follower) pages(now time.Time, names ...string) (map[string]content, bool) {
	f.t.Helper()
	f.set(now)
	all := map[string]content{}
	for _, name := range names {
		poller, err := source.NewPoller(f.client, f.needs[name])
		if err != nil {
			f.t.Fatal(err)
		}
		objects, err := poller.Poll(f.t.Context(), now)
		if err != nil {
			return nil, false
		}
		if len(objects) != 1 {
			f.t.Fatalf("%s at %v: %d objects", name, now, len(objects))
		}
		got, err := source.Fetch(f.t.Context(), f.client, objects[0], f.needs[name])
		if err != nil {
			f.t.Fatal(err)
		}
		if all[name], err = readPage(name, got.Files[0].Bytes); err != nil {
			f.t.Fatalf("%s at %v: %v", name, now, err)
		}
	}
	return all, true
}

const (
	metresPerFoot = .3048         // exact, by definition
	m3PerAcreFoot = 1233.48183755 // 43560 cubic feet
)

func seriesOf(t *testing.T, all []hydro.Series, quantity hydro.Quantity, observed bool) hydro.Series {
	t.Helper()
	for _, s := range all {
		if s.Quantity == quantity && s.Observed == observed {
			return s
		}
	}
	t.Fatalf("no series of %s", quantity)
	return hydro.Series{}
}

// Every answer, through the store, the network and the program's own decoders, says
// what the storm's formulas say, as old as the service would be.
func TestPagesGiveTheStorm(t *testing.T) {
	f := follow(t, pageSources...)
	s := f.scenario
	gauge, from, to := s.RiverGauge(), time.Time{}, time.Time{}
	from, to = s.Outage()
	minorAt, answered := 0, 0
	for now := s.Start().Add(3 * time.Minute); now.Before(s.End().Add(30 * time.Minute)); now = now.Add(7 * time.Minute) {
		all, ok := f.pages(now, pageSources...)
		if away := !now.Before(from) && now.Before(to); ok == away {
			t.Fatalf("at %v: answered %v, outage %v", now, ok, away)
		}
		if !ok {
			continue
		}
		answered++
		at := now.Sub(s.Start()).Round(time.Minute)

		// The gauge, as the one service has it: 12 hours of quarters, a gap among them.
		stage := seriesOf(t, all["usgs-iv"].series, hydro.RiverStage, true)
		flow := seriesOf(t, all["usgs-iv"].series, hydro.RiverDischarge, true)
		newest, _ := stage.Latest()
		if age := now.Sub(newest.Time); age < 7*time.Minute || age >= 22*time.Minute {
			t.Errorf("at %v: the newest stage is %v old", at, age)
		}
		if len(stage.Points) < 46 || len(stage.Points) > 48 || len(flow.Points) != len(stage.Points) || stage.Gauge != gauge.USGS {
			t.Errorf("at %v: %d stages and %d discharges of %s in 12 h", at, len(stage.Points), len(flow.Points), stage.Gauge)
		}
		missing := 0
		for k, p := range stage.Points {
			switch {
			case p.Flags.Has(hydro.Missing):
				missing++
				if !p.Flags.Has(hydro.EquipmentFail) || !p.Time.Before(s.Start()) {
					t.Errorf("at %v: missing at %v, flags %v", at, p.Time, p.Flags)
				}
			case p.Flags != hydro.Provisional || math.Abs(p.Value/metresPerFoot-s.StageFt(p.Time)) > .0251:
				t.Errorf("at %v: stage of %v: %.3f ft, %v; in truth %.3f ft", at, p.Time, p.Value/metresPerFoot, p.Flags, s.StageFt(p.Time))
			case k > 0 && p.Time.Sub(stage.Points[k-1].Time) != 15*time.Minute:
				t.Errorf("at %v: %v between stages", at, p.Time.Sub(stage.Points[k-1].Time))
			case !(flow.Points[k].Value > 0):
				t.Errorf("at %v: discharge %v", at, flow.Points[k].Value)
			}
		}
		if missing > 1 || missing == 0 && now.Before(s.Start().Add(6*time.Hour)) {
			t.Errorf("at %v: %d stages missing", at, missing)
		}

		// The same gauge at the other service. The category is that of the stage.
		g := all["nwps-gauge"].gauge
		if len(g.Notes) > 0 || !g.InService || g.ID != gauge.LID || g.USGSID != gauge.USGS || math.Abs(*g.Stage.Minor/metresPerFoot-gauge.MinorFt) > 1e-9 {
			t.Errorf("at %v: %+v", at, g)
		}
		want := 0
		for _, limit := range []*float64{g.Stage.Action, g.Stage.Minor, g.Stage.Moderate, g.Stage.Major} {
			if g.Observed.StageM >= *limit {
				want++
			}
		}
		if rank, known := g.Observed.Category.Rank(); !known || rank != want {
			t.Errorf("at %v: %.2f m is in category %s, want rank %d", at, g.Observed.StageM, g.Observed.Category, want)
		}
		if want >= 2 {
			minorAt++
		}
		if age := now.Sub(g.Observed.Valid); age < 10*time.Minute || age >= 25*time.Minute || !g.Forecast.Valid.After(now.Add(-time.Minute)) {
			t.Errorf("at %v: the state of the gauge is %v old, the forecast is for %v", at, age, g.Forecast.Valid)
		}
		observed, forecast := seriesOf(t, all["nwps-stageflow"].series, hydro.RiverStage, true), seriesOf(t, all["nwps-stageflow"].series, hydro.RiverStage, false)
		if p, ok := observed.At(g.Observed.Valid); !ok || math.Abs(p.Value-g.Observed.StageM) > 1e-9 || len(observed.Notes)+len(forecast.Notes) > 0 {
			t.Errorf("at %v: stage %v in the series, %v in the state of the gauge; notes %v %v", at, p.Value, g.Observed.StageM, observed.Notes, forecast.Notes)
		}
		if p, ok := stage.At(newest.Time.Add(-15 * time.Minute)); ok {
			if q, _ := observed.At(p.Time); !p.Flags.Has(hydro.Missing) && math.Abs(p.Value-q.Value) > 1e-9 {
				t.Errorf("at %v: the services differ: %v and %v m", at, p.Value, q.Value)
			}
		}
		// A forecast reaches a day ahead without gaps of more than six hours; its highest
		// is what the state of the gauge says.
		reached, highest := now, math.Inf(-1)
		for _, p := range forecast.Points {
			if p.Time.After(now) {
				highest = math.Max(highest, p.Value)
			}
			if p.Time.After(reached) && p.Time.Sub(reached) <= 6*time.Hour {
				reached = p.Time
			}
		}
		if reached.Sub(now) < 24*time.Hour || forecast.Issued.After(now) || math.Abs(highest-g.Forecast.StageM) > 1e-9 {
			t.Errorf("at %v: forecast of %v reaches %v, its highest is %.3f m, the gauge says %.3f m", at, forecast.Issued, reached, highest, g.Forecast.StageM)
		}

		// The reservoir is near its limit and never reaches it.
		storage := seriesOf(t, all["gauge-table"].series, hydro.ReservoirStorage, true)
		last, _ := storage.Latest()
		if age := now.Sub(last.Time); age < 20*time.Minute || age >= 80*time.Minute || len(storage.Points) != 49 || storage.Gauge != s.Reservoir().ID {
			t.Errorf("at %v: %d values of storage, the newest %v old", at, len(storage.Points), age)
		}
		for _, p := range storage.Points {
			if share := p.Value / m3PerAcreFoot / s.Reservoir().CapacityAcreFt; math.Abs(p.Value/m3PerAcreFoot-s.StorageAcreFt(p.Time)) > 3 || share > .945 || share < .92 {
				t.Errorf("at %v: storage %.0f acre-feet of %v", at, p.Value/m3PerAcreFoot, p.Time)
			}
		}
		for _, d := range slices.Concat(hydro.Suspect(stage, hydro.DefaultSuspectOptions(stage.Quantity, now)), hydro.Suspect(observed, hydro.DefaultSuspectOptions(stage.Quantity, now)), hydro.Suspect(storage, hydro.DefaultSuspectOptions(storage.Quantity, now))) {
			if d.Latest {
				t.Errorf("at %v: doubted: %s %s", at, d.Kind, d.Reason)
			}
		}

		// The sites, in the order of the programme.
		for k, site := range s.CrewSites() {
			if len(all["telemetry-json"].sites) != 6 {
				t.Fatalf("at %v: %d sites", at, len(all["telemetry-json"].sites))
			}
			r := all["telemetry-json"].sites[k]
			state := s.SiteAt(site, r.Time)
			silent := site.ID == "three-kilns" && at > 20*time.Minute && at < 71*time.Minute
			if age := now.Sub(r.LastContact); age < 0 || age > 6*time.Minute && !silent || age < at-20*time.Minute && silent {
				t.Errorf("at %v: %s was heard %v ago", at, r.Site, age)
			}
			if r.Site != site.ID || math.Abs(r.BatteryV-state.BatteryV) > 1e-9 || r.UnitsLeft != state.UnitsLeft || math.Abs(r.AirTemperatureK-state.AirTemperatureK) > .06 || len(r.Faults)+len(r.Notes) > 0 {
				t.Errorf("at %v: %+v, in truth %+v", at, r, state)
			}
		}
	}
	if minorAt < 11 || minorAt > 15 || answered < 60 {
		t.Errorf("minor flood in %d of %d answers, a flood of an hour and a half every 7 minutes was to be seen", minorAt, answered)
	}
}

// The river rises by the rain of the warm band, crests after it and falls again late;
// each time once.
func TestRiverRisesAndFalls(t *testing.T) {
	for _, seed := range []int64{1, 2, 77} {
		s := rehearsal.NewScenario(start, seed)
		g := s.RiverGauge()
		var crossings []string
		before := s.StageFt(s.Start())
		for at := s.Start(); !at.After(s.End()); at = at.Add(time.Minute) {
			stage := s.StageFt(at)
			for name, limit := range map[string]float64{"action": g.ActionFt, "minor": g.MinorFt, "moderate": g.ModerateFt} {
				if (stage >= limit) != (before >= limit) {
					crossings = append(crossings, fmt.Sprintf("%s %v", name, stage >= limit))
				}
			}
			before = stage
		}
		if got := strings.Join(crossings, ", "); got != "action true, minor true, minor false, action false" {
			t.Errorf("seed %d: %s", seed, got)
		}
		for _, e := range s.Episodes() {
			if e.Kind == rehearsal.EpisodeFlood && (e.From.Before(s.Start().Add(80*time.Minute)) || e.To.After(s.End().Add(-2*time.Hour))) {
				t.Errorf("flood from %v to %v", e.From, e.To)
			}
		}
	}
}

// Batteries fall; flares and hours are used up one by one and do not run out; one
// battery is below its limit from the second half of the third band on.
func TestSitesOverTheStorm(t *testing.T) {
	for _, seed := range []int64{1, 2, 77} {
		s := rehearsal.NewScenario(start, seed)
		for _, site := range s.CrewSites() {
			first, last := s.SiteAt(site, s.Start()), s.SiteAt(site, s.End())
			if fell := first.BatteryV - last.BatteryV; fell < .15 || fell > 1.1 || last.UnitsLeft < 1 || !(last.UnitsLeft < first.UnitsLeft) {
				t.Errorf("seed %d: %s from %+v to %+v", seed, site.ID, first, last)
			}
			before, low := first, time.Time{}
			for at := s.Start(); !at.After(s.End()); at = at.Add(5 * time.Minute) {
				now := s.SiteAt(site, at)
				if now.UnitsLeft > before.UnitsLeft || now.UnitsLeft < before.UnitsLeft-1 || now.BatteryV > before.BatteryV+.02 {
					t.Errorf("seed %d: %s at %v: %+v after %+v", seed, site.ID, at, now, before)
				}
				if now.BatteryV <= 11.6 && low.IsZero() {
					low = at
				}
				before = now
			}
			for _, e := range s.Episodes() {
				if e.Name != "third band" {
					continue
				}
				middle := e.From.Add(e.To.Sub(e.From) / 3)
				if weak := site.ID == "salt-lantern"; weak == low.IsZero() || weak && (low.Before(middle.Add(-30*time.Minute)) || low.After(e.To)) {
					t.Errorf("seed %d: %s is low from %v on, the third band lasts from %v to %v", seed, site.ID, low, e.From, e.To)
				}
			}
		}
	}
}

// ring gives the outer ring of a polygon of a warning.
func ring(t *testing.T, w hydro.Warning) []geom.Coord {
	t.Helper()
	if w.Infos[0].Areas[0].Polygons == nil {
		t.Fatalf("%s has no polygon", w.Infos[0].Headline)
	}
	return w.Infos[0].Areas[0].Polygons.Polygon(0).LinearRing(0).Coords()
}

// inside is the even-odd rule.
func inside(ring []geom.Coord, at geom.Coord) bool {
	in := false
	for k := 1; k < len(ring); k++ {
		a, b := ring[k-1], ring[k]
		if (a[1] > at[1]) != (b[1] > at[1]) && at[0] < a[0]+(at[1]-a[1])/(b[1]-a[1])*(b[0]-a[0]) {
			in = !in
		}
	}
	return in
}

// extent is the area of a ring in square degrees (Gauss's shoelace formula).
func extent(ring []geom.Coord) float64 {
	sum := 0.0
	for k := 1; k < len(ring); k++ {
		sum += ring[k-1][0]*ring[k][1] - ring[k][0]*ring[k-1][1]
	}
	return math.Abs(sum) / 2
}

// The targets of the programme file, to and fro.
var (
	upperVantry = []geom.Coord{{-112.723, 44.181}, {-112.256, 44.252}, {-112.302, 44.410}, {-112.449, 44.471}, {-112.786, 44.392}, {-112.723, 44.181}}
	sallowFork  = []geom.Coord{{-112.660, 43.970}, {-112.337, 44.001}, {-112.205, 44.076}, {-112.256, 44.252}, {-112.723, 44.181}, {-112.660, 43.970}}
)

// What stands at a moment, by package hydro, from all messages that were listed
// until then: one event begins, shrinks and is cancelled; others are noise.
func TestWarningsOfTheStorm(t *testing.T) {
	f := follow(t, "nws-alerts")
	s := f.scenario
	seen := map[string]hydro.Warning{}
	areas := map[string]float64{}
	for _, test := range []struct {
		minutes int
		listed  string
		stands  string // also of all messages seen until then
	}{
		{0, "Winter Weather Advisory Actual Alert", "Winter Weather Advisory"},
		{30, "Flash Flood Warning Test Alert, Winter Weather Advisory Actual Alert", "Winter Weather Advisory"},
		{56, "Flash Flood Warning Test Alert, Winter Weather Advisory Actual Alert", "Winter Weather Advisory"},
		{60, "Flash Flood Warning Actual Alert, Flash Flood Warning Test Alert, Winter Weather Advisory Actual Alert", "Flash Flood Warning, Winter Weather Advisory"},
		{95, "Flash Flood Warning Actual Update, Winter Weather Advisory Actual Alert", "Flash Flood Warning, Winter Weather Advisory"},
		{125, "Flash Flood Warning Actual Update, Winter Weather Advisory Actual Alert", "Flash Flood Warning, Winter Weather Advisory"},
		{130, "Flash Flood Warning Actual Cancel, Winter Weather Advisory Actual Alert", "Winter Weather Advisory"},
		{145, "Winter Weather Advisory Actual Alert", "Winter Weather Advisory"},
		{155, "Flood Warning Actual Alert, Winter Weather Advisory Actual Alert", "Flood Warning, Winter Weather Advisory"},
		{250, "Winter Weather Advisory Actual Update, Flood Warning Actual Alert", "Winter Weather Advisory, Flood Warning"},
		{470, "Winter Weather Advisory Actual Update, Flood Warning Actual Alert", "Winter Weather Advisory, Flood Warning"},
	} {
		now := s.Start().Add(time.Duration(test.minutes) * time.Minute)
		all, ok := f.pages(now, "nws-alerts")
		if !ok {
			t.Fatalf("no answer at %d min", test.minutes)
		}
		list := all["nws-alerts"].warnings
		var listed []string
		for _, w := range list {
			i := w.Infos[0]
			listed = append(listed, i.Event+" "+w.Status+" "+w.MsgType)
			if len(w.Doubts) > 0 || w.Sent.After(now) || len(i.VTEC) != 1 || !strings.Contains(i.Description, "INVENTED STORM") {
				t.Errorf("at %d min: %s: doubts %v, sent %v, %d VTEC", test.minutes, i.Headline, w.Doubts, w.Sent, len(i.VTEC))
			}
			if i.VTEC[0].Class == "T" != (w.Status == "Test") {
				t.Errorf("%s of class %s", w.Status, i.VTEC[0].Class)
			}
			seen[w.Identifier] = w
			if i.Event == "Flash Flood Warning" && w.Status == "Actual" {
				areas[w.MsgType] = extent(ring(t, w))
				checkFlashFlood(t, s, w)
			}
			if i.Event == "Flood Warning" {
				if km := grid.DistanceM(s.Middle(), place(ring(t, w)[0])) / 1000; km < 200 {
					t.Errorf("the far warning is %.0f km away", km)
				}
			}
			if w.Status == "Test" && !slices.ContainsFunc(ring(t, w), func(c geom.Coord) bool { return inside(upperVantry, c) }) {
				t.Error("the test does not lie over a target: it would not matter if it were taken in earnest")
			}
		}
		if got := strings.Join(listed, ", "); got != test.listed {
			t.Errorf("at %d min: listed %s\nwant %s", test.minutes, got, test.listed)
		}
		names := func(warnings []hydro.Warning) string {
			var standing []string
			for _, w := range hydro.Current(warnings, now) {
				standing = append(standing, w.Infos[0].Event)
			}
			slices.Sort(standing)
			return strings.Join(standing, ", ")
		}
		want := strings.Split(test.stands, ", ")
		slices.Sort(want)
		var union []hydro.Warning
		for _, w := range seen {
			union = append(union, w)
		}
		for of, got := range map[string]string{"listed": names(list), "seen so far": names(union)} {
			if got != strings.Join(want, ", ") {
				t.Errorf("at %d min, of those %s: stand %q, want %q", test.minutes, of, got, test.stands)
			}
		}
	}
	if len(seen) != 7 || areas["Update"] >= areas["Alert"]/1.5 || areas["Update"] == 0 {
		t.Errorf("%d messages, areas %v", len(seen), areas)
	}
}

func place(c geom.Coord) grid.LatLon { return grid.LatLon{LatitudeDeg: c[1], LongitudeDeg: c[0]} }

// The flash flood warning meets the Sallow Fork and keeps well away from the other
// target and from every site.
func checkFlashFlood(t *testing.T, s *rehearsal.Scenario, w hydro.Warning) {
	t.Helper()
	polygon := ring(t, w)
	if !slices.ContainsFunc(polygon, func(c geom.Coord) bool { return inside(sallowFork, c) }) {
		t.Error("the warning does not meet the Sallow Fork")
	}
	nearest := math.Inf(1)
	for k := 1; k < len(polygon); k++ {
		for share := 0.0; share < 1; share += .02 {
			at := geom.Coord{polygon[k-1][0] + share*(polygon[k][0]-polygon[k-1][0]), polygon[k-1][1] + share*(polygon[k][1]-polygon[k-1][1])}
			if inside(upperVantry, at) {
				t.Fatal("the warning meets the Upper Vantry basin")
			}
			for n := 1; n < len(upperVantry); n++ {
				for part := 0.0; part < 1; part += .02 {
					nearest = math.Min(nearest, grid.DistanceM(place(at), grid.LatLon{LatitudeDeg: upperVantry[n-1][1] + part*(upperVantry[n][1]-upperVantry[n-1][1]),
						LongitudeDeg: upperVantry[n-1][0] + part*(upperVantry[n][0]-upperVantry[n-1][0])}))
				}
			}
			for _, site := range s.CrewSites() {
				nearest = math.Min(nearest, grid.DistanceM(place(at), site.Place))
				if inside(polygon, geom.Coord{site.Place.LongitudeDeg, site.Place.LatitudeDeg}) {
					t.Fatalf("the warning covers %s", site.ID)
				}
			}
		}
	}
	if nearest < 5000 {
		t.Errorf("the warning comes within %.0f m of another target or a site", nearest)
	}
}

// By zone, by state, by status; validators; refusals.
func TestPagesAsServices(t *testing.T) {
	f := follow(t, pageSources...)
	now := start.Add(60 * time.Minute)
	f.set(now)
	urls := map[string]string{}
	for name, need := range f.needs {
		urls[name] = need.BaseURL
	}
	ask := func(method, url string, header ...string) (*http.Response, []byte) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, url, nil)
		if err != nil {
			t.Fatal(err)
		}
		for k := 0; k+1 < len(header); k += 2 {
			r.Header.Set(header[k], header[k+1])
		}
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		b, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer, b
	}
	for _, test := range []struct {
		query  string
		events int
	}{{"area=XV", 3}, {"area=QQ", 0}, {"", 3}, {"zone=XVZ901", 1}, {"zone=XVZ902,XVC901", 3}, {"zone=XVC955", 0}, {"area=XV&status=actual", 2}, {"message_type=update", 0}, {"zone=XVC901&status=test", 1}} {
		answer, b := ask("GET", urls["nws-alerts"]+"/alerts/active?"+test.query)
		warnings, err := hydro.DecodeAlerts("list", b)
		if err != nil || answer.StatusCode != 200 || len(warnings) != test.events || answer.Header.Get("Content-Type") != "application/geo+json" {
			t.Errorf("%s: %s, %d warnings, %v, want %d", test.query, answer.Status, len(warnings), err, test.events)
		}
	}
	for _, name := range []string{"nwps-gauge", "nwps-stageflow", "nws-alerts", "gauge-table", "telemetry-json"} {
		key := map[string]string{"nwps-gauge": "nwps/v1/gauges/SLWX1", "nwps-stageflow": "nwps/v1/gauges/SLWX1/stageflow", "nws-alerts": "alerts/active?area=XV",
			"gauge-table": "tallow.csv", "telemetry-json": "telemetry.json"}[name]
		f.set(now)
		first, b := ask("GET", urls[name]+"/"+key)
		etag := first.Header.Get("ETag")
		if modified, err := http.ParseTime(first.Header.Get("Last-Modified")); err != nil || modified.After(now) || etag == "" || len(b) == 0 || first.Header.Get("Date") != now.Format(http.TimeFormat) {
			t.Errorf("%s: %v", name, first.Header)
		}
		f.set(now.Add(2 * time.Second))
		if again, _ := ask("GET", urls[name]+"/"+key, "If-None-Match", etag); again.StatusCode != http.StatusNotModified {
			t.Errorf("%s asked again: %s", name, again.Status)
		}
		if head, nothing := ask("HEAD", urls[name]+"/"+key); head.StatusCode != 200 || len(nothing) != 0 || head.ContentLength != int64(len(b)) {
			t.Errorf("%s: HEAD %s of %d bytes", name, head.Status, head.ContentLength)
		}
		f.set(now.Add(3 * time.Hour))
		if later, _ := ask("GET", urls[name]+"/"+key, "If-None-Match", etag); later.StatusCode != 200 || later.Header.Get("ETag") == etag {
			t.Errorf("%s three hours later: %s", name, later.Status)
		}
	}
	f.set(now)
	for _, test := range []struct {
		source, key string
		status      int
	}{
		{"usgs-iv", "nwis/iv/?format=json&sites=00990100", 200},
		{"usgs-iv", "nwis/iv/?format=json&sites=13206000&period=PT2H", 200}, // no series
		{"usgs-iv", "nwis/iv/?format=rdb&sites=00990100", 400},
		{"usgs-iv", "nwis/iv/?format=json", 400},
		{"usgs-iv", "nwis/iv/?format=json&sites=00990100&period=yesterday", 400},
		{"usgs-iv", "nwis/iv/?format=json&sites=00990100&period=P31D", 400},
		{"usgs-iv", "nwis/iv/?format=json&sites=00990100&colour=red", 400},
		{"usgs-iv", "nwis/dv/?format=json&sites=00990100", 404},
		{"usgs-iv", "nwis/iv/?format=json&sites=%zz", 400},
		{"nwps-gauge", "nwps/v1/gauges/ACRT2", 404},
		{"nwps-gauge", "nwps/v1/gauges/SLWX1/ratings", 404},
		{"nws-alerts", "alerts/active?area=XV&zone=XVZ901", 400},
		{"nws-alerts", "alerts/active?colour=red", 400},
		{"nws-alerts", "alerts/types", 404},
		{"gauge-table", "other.csv", 404},
		{"telemetry-json", "", 404},
	} {
		if answer, b := ask("GET", urls[test.source]+"/"+test.key); answer.StatusCode != test.status || len(b) == 0 {
			t.Errorf("%s: %s %s, want %d", test.key, answer.Status, b, test.status)
		}
	}
	_, b := ask("GET", urls["usgs-iv"]+"/nwis/iv/?format=json&sites=13206000")
	if series, err := hydro.DecodeUSGS("other", b); err != nil || len(series) != 0 {
		t.Errorf("a gauge of nobody: %d series, %v", len(series), err)
	}
	_, b = ask("GET", urls["usgs-iv"]+"/nwis/iv/?format=json&sites=00990100&parameterCd=00065")
	if series, err := hydro.DecodeUSGS("newest", b); err != nil || len(series) != 1 || len(series[0].Points) != 1 {
		t.Errorf("without a period: %v, %v", series, err)
	}
}

// Whatever is asked, the answer is JSON, a table or a sentence, and never large.
func FuzzPages(f *testing.F) {
	for _, path := range []string{"waterservices.usgs.gov/nwis/iv/?format=json&sites=00990100&parameterCd=00060,00065&period=PT12H", "waterservices.usgs.gov/nwis/iv?format=json&sites=1,2&period=P30D",
		"waterservices.usgs.gov/nwis/iv/?format=json&sites=00990100&period=P1DT99999M", "api.water.noaa.gov/nwps/v1/gauges/SLWX1", "api.weather.gov/alerts/active?zone=XVZ901,XVC901&status=actual",
		"api.weather.gov/alerts/active?area=%00&area=XV", "records.vantry.invalid/tallow.csv?x=%zz", "sites.vantry.invalid/telemetry.json", "sites.vantry.invalid"} {
		f.Add(path, int64(3600))
	}
	scenario := rehearsal.NewScenario(start, 1)
	f.Fuzz(func(t *testing.T, path string, seconds int64) {
		store := pageStore(t, scenario, start.Add(time.Duration(seconds%(60*24*3600))*time.Second))
		r := httptest.NewRequest("GET", "http://stores.invalid/", nil)
		path, query, _ := strings.Cut(path, "?")
		r.URL.Path, r.URL.RawQuery = "/"+path, query
		w := httptest.NewRecorder()
		store.ServeHTTP(w, r)
		if w.Code != 200 && w.Code != 301 && (w.Code < 400 || w.Code > 503) || w.Body.Len() > 2<<20 {
			t.Fatalf("%s?%s: %d, %d bytes", path, query, w.Code, w.Body.Len())
		}
	})
}

// pageStore is a store at one moment; what is asked of it is made in memory.
func pageStore(t *testing.T, scenario *rehearsal.Scenario, now time.Time) *rehearsal.Store {
	t.Helper()
	once.Do(func() {
		shared, sharedErr = rehearsal.NewStore(rehearsal.StoreOptions{Scenario: scenario, Now: func() time.Time { return time.Unix(0, sharedNow.Load()) }, Points: 2, SpacingM: 20e3, RadiusM: 5e3})
	})
	if sharedErr != nil {
		t.Fatal(sharedErr)
	}
	sharedNow.Store(now.UnixNano())
	return shared
}

var (
	once      sync.Once
	shared    *rehearsal.Store
	sharedErr error
	sharedNow atomic.Int64
)
