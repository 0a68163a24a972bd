package hold

import (
	"testing"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
	"rimeline/seedability/programme"
)

// An invented programme with a criterion of every kind; nothing here is real.
const invented = `id: dale
name: Dale winter programme (invented)
timezone: America/Denver
manager: {name: Imogen Tarn, licence: WM-0000}
sites:
  - id: hut
    name: Hut
    latitude_deg: 44
    longitude_deg: -114.8
    zones: [IDZ901, IDC901, "016901"]
    agent: {kind: flare, amount_g: 16, burn_minutes: 4, yield_table: slow}
  - id: barn
    name: Barn
    latitude_deg: 44.05
    longitude_deg: -114.85
    zones: [IDZ901]
    targets: [basin]
    agent: {kind: generator, rate_g_per_h: 20, yield_table: slow}
targets:
  - id: basin
    name: Basin
    zones: [IDZ902, IDC901, "016901"]
    geometry:
      type: Polygon
      coordinates:
        - [[-114.6, 43.9], [-114.4, 43.9], [-114.4, 44.1], [-114.6, 44.1], [-114.6, 43.9]]
  - id: ridge
    name: Ridge
    zones: [IDZ902, IDC901, "016901"]
    geometry:
      type: Polygon
      coordinates:
        - [[-114.4, 44.2], [-114.3, 44.2], [-114.3, 44.3], [-114.4, 44.3], [-114.4, 44.2]]
yield_tables:
  - id: slow
    source: invented
    points:
      - {temperature_degc: -6, crystals_per_g: 2.0e10}
      - {temperature_degc: -20, crystals_per_g: 3.0e15}
holds:
`

const everyKind = `
  - {id: rain, kind: precipitation, preset: heavy-precipitation, inputs: [radar, forecast], targets: [basin]}
  - {id: creek, kind: river, preset: flood-stage, gauges: [g1], quantity: stage, unit: m, hold_above: 2.4, review_above: 2.0, hysteresis: 0.2, hold_rise_per_hour: 0.5}
  - {id: stage-only, kind: gauge, gauges: [g2], quantity: stage, unit: ft, datum: NAVD88, hold_above: 7.5, source: invented}
  - {id: lake, kind: reservoir, preset: reservoir-nearly-full, gauges: [l1], unit: acre-ft, capacity: 10000}
  - {id: pack, kind: snow, preset: colorado-2ccr-401-1-17, gauges: [s1], review_points: 10}
  - {id: zero, kind: freezing_level, preset: colorado-freezing-level, inputs: [sounding], targets: [basin]}
  - {id: melt, kind: rain_on_snow, preset: rain-on-snow, gauges: [s1], target_altitude_m: 2100, inputs: [sounding], targets: [basin]}
  - {id: alarms, kind: warning, preset: public-warnings, sites: [hut]}
  - id: scar
    kind: burn_scar
    preset: debris-flow
    burnt_date: "2025-08-31"
    inputs: [radar]
    geometry: {type: Polygon, coordinates: [[[-114.55, 43.95], [-114.5, 43.95], [-114.5, 44.0], [-114.55, 44.0], [-114.55, 43.95]]]}
  - {id: gale, kind: wind, hold_above: 20, sector_from_deg: 200, sector_to_deg: 300, inputs: [station], sites: [hut], source: invented}
  - {id: winter, kind: season, from_date: "11-01", to_date: "04-15", source: invented}
  - {id: clock, kind: hours, from_time: "05:00", to_time: "22:30", source: invented}
  - {id: ready, kind: site_ready, sites: [hut], battery_hold_below_v: 11.5, battery_review_below_v: 12, units_minimum: 2, source: invented}
  - {id: amount, kind: agent_limit, sites: [hut], daily_g: 200, season_g: 3000, review_percent: 90, from_date: "11-01", source: invented}
  - {id: snowslide, kind: avalanche, preset: colorado-avalanche, zones: [north]}
`

// kinds of criteria that everyKind has, by the criterion.
var kindsThere = []string{"rain", "creek", "stage-only", "lake", "pack", "zero", "melt", "alarms", "scar", "gale", "winter", "clock", "ready", "amount", "snowslide"}

func parse(t testing.TB, holds string) *programme.Programme {
	t.Helper()
	p, err := programme.Parse("dale.yaml", []byte(invented+holds), nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// noon is Wednesday 14 January 2026, 12:00 in Denver.
var noon = time.Date(2026, 1, 14, 19, 0, 0, 0, time.UTC)

func ago(d time.Duration) time.Time { return noon.Add(-d) }
func volts(v float64) *float64      { return &v }

// quiet is evidence with which every criterion of everyKind is clear.
func quiet() Evidence {
	e := Evidence{At: noon, ManualAsOf: ago(time.Minute)}
	add := func(r Reading) { e.Readings = append(e.Readings, r) }
	for k := 0; k <= 4; k++ { // 15 min ago, and every hour before
		at := ago(15*time.Minute + time.Duration(k)*time.Hour)
		add(Reading{Gauge: "g1", Quantity: QuantityStage, Value: 1.2, Unit: "m", Time: at})
		add(Reading{Gauge: "g2", Quantity: QuantityStage, Value: 1.0, Unit: "m", Datum: "NAVD88", Time: at})
	}
	for h := 0; h <= 30; h += 6 {
		add(Reading{Gauge: "g1", Quantity: QuantityStage, Value: 1.3, Unit: "m", Forecast: true, Issued: ago(3 * time.Hour), Time: noon.Add(time.Duration(h) * time.Hour)})
	}
	add(Reading{Gauge: "l1", Quantity: QuantityStorage, Value: 8000, Unit: "acre-ft", Time: ago(8 * time.Hour)})
	add(Reading{Gauge: "s1", Quantity: QuantitySWE, Value: 400, Unit: "mm", Time: ago(7 * time.Hour)})
	add(Reading{Gauge: "s1", Quantity: QuantityNormalSWE, Value: 400, Unit: "mm", Time: ago(7 * time.Hour)})
	e.Categories = []Category{{Gauge: "g1", Name: "none", Time: ago(15 * time.Minute)}, {Gauge: "g1", Name: "none", Forecast: true, Issued: ago(3 * time.Hour), Time: noon.Add(10 * time.Hour)}}
	e.Precipitation = []Precipitation{
		{Place: "basin", From: "radar", MMPerH: 2, LiquidShare: 0, CoveredShare: 1, Time: ago(5 * time.Minute)},
		{Place: "scar", From: "radar", MMPerH: 2, LiquidShare: 0, CoveredShare: 1, Time: ago(5 * time.Minute)},
	}
	for h := -1; h <= 6; h++ {
		e.Precipitation = append(e.Precipitation, Precipitation{Place: "basin", From: "forecast", MMPerH: 3, LiquidShare: 0, CoveredShare: 1, Issued: ago(2 * time.Hour), Time: noon.Add(time.Duration(h) * time.Hour)})
	}
	e.FreezingLevels = []FreezingLevel{{Target: "basin", From: "sounding", AltitudeM: 1500, Time: ago(7 * time.Hour)}}
	e.Winds = []Wind{{Site: "hut", From: "station", SpeedMPerS: 8, GustMPerS: 12, FromDeg: 250, Time: ago(10 * time.Minute)}}
	e.Dangers = []Danger{{Zone: "north", Level: 3, Issued: ago(10 * time.Hour), Expires: noon.Add(14 * time.Hour)}}
	for k := 0; k < 12; k++ {
		e.SiteReports = append(e.SiteReports, SiteReport{Site: "hut", Time: ago(10*time.Minute + time.Duration(k)*30*time.Minute), BatteryV: volts(12.8 + .01*float64(k)), UnitsLeft: volts(20)})
	}
	e.Released = []Released{{Site: "hut", Day: "2026-01-14", DayG: 48, SeasonG: 900, AsOf: ago(time.Hour)}}
	e.Feeds = []Feed{{Name: "nws", AsOf: ago(2 * time.Minute)}}
	e.Paths = []Path{{Site: "hut", Time: ago(5 * time.Minute), Points: []PathPoint{
		{grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.8}, 0}, {grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, 1000}}}}
	return e
}

// of picks the one result of a criterion.
func of(t testing.TB, results []Result, criterion string) Result {
	t.Helper()
	var found []Result
	for _, r := range results {
		if r.Criterion == criterion {
			found = append(found, r)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d results of %s", len(found), criterion)
	}
	return found[0]
}

// square is a polygon about a place, and optionally holes in it.
func square(lon, lat, half float64, holes ...[3]float64) *geom.MultiPolygon {
	ring := func(lon, lat, half float64) []geom.Coord {
		return []geom.Coord{{lon - half, lat - half}, {lon + half, lat - half}, {lon + half, lat + half}, {lon - half, lat + half}, {lon - half, lat - half}}
	}
	rings := [][]geom.Coord{ring(lon, lat, half)}
	for _, h := range holes {
		rings = append(rings, ring(h[0], h[1], h[2]))
	}
	return geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{rings})
}

func TestQuietIsClear(t *testing.T) {
	p := parse(t, everyKind)
	results := Judge(p, quiet(), nil)
	for _, r := range results {
		if r.Outcome != Clear {
			t.Errorf("%s: %s: %s", r.Key, r.Outcome, r.Reason)
		}
		if r.WhoMayLift != "" || r.Source == "" || r.Reason == "" || r.Inputs == nil {
			t.Errorf("%s: %+v", r.Key, r)
		}
		t.Log(r.Key, "-", r.Reason)
	}
	for _, criterion := range append(kindsThere, "manual") {
		of(t, results, criterion)
	}
}
