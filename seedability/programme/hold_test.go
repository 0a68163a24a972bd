package programme

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// withHolds has a criterion of every kind, invented.
const withHolds = minimal + `manager: {name: Imogen Tarn, licence: WM-0000}
holds:
  - {id: rain, kind: precipitation, preset: heavy-precipitation}
  - {id: creek, kind: river, preset: flood-stage, gauges: [g1]}
  - {id: pond, kind: gauge, gauges: [g2], quantity: stage, unit: ft, hold_above: 7.5, hold_rise_per_hour: 1, source: invented}
  - {id: lake, kind: reservoir, preset: reservoir-nearly-full, gauges: [l1], unit: acre-ft, capacity: 10000}
  - {id: pack, kind: snow, preset: wyoming-2023, ramp_from: "12-01", gauges: [s1]}
  - {id: zero, kind: freezing_level, preset: colorado-freezing-level, unit: ft}
  - {id: melt, kind: rain_on_snow, preset: rain-on-snow, gauges: [s1], target_altitude_m: 2100}
  - {id: alarms, kind: warning, preset: public-warnings, info_events: [FF.W], feeds: [nws]}
  - id: scar
    kind: burn_scar
    preset: debris-flow
    burnt_date: 2025-08-31
    geometry: {type: Polygon, coordinates: [[[-114.55, 43.95], [-114.5, 43.95], [-114.5, 44.0], [-114.55, 43.95]]]}
  - {id: gale, kind: wind, hold_above: 20, sector_from_deg: 200, sector_to_deg: 300, source: invented, lift: automatic, clear_minutes: 45, may_lift: [Imogen Tarn]}
  - {id: winter, kind: season, from_date: 11-01, to_date: 04-15, source: invented}
  - {id: clock, kind: hours, from_time: 05:00, to_time: 22:30, source: invented}
  - {id: ready, kind: site_ready, battery_hold_below_v: 11.5, source: invented}
  - {id: amount, kind: agent_limit, daily_g: 200, source: invented}
  - {id: slide, kind: avalanche, preset: colorado-avalanche, zones: [north]}
  - {id: orders, kind: manual, source: invented}
`

func TestParseHolds(t *testing.T) {
	p, err := Parse("dale.yaml", []byte(withHolds), nil, components, sources)
	if err != nil {
		t.Fatal(err)
	}
	rain, zero, pack, alarms, winter, gale := p.Hold("rain"), p.Hold("zero"), p.Hold("pack"), p.Hold("alarms"), p.Hold("winter"), p.Hold("gale")
	if rain.HoldAbove != 12.7 || rain.ReviewAbove != 7.6 || rain.Unit != "mm/h" || rain.Lift != "person" || rain.ClearMinutes != 30 || rain.MayLift[0] != DefaultMayLift ||
		rain.MaximumAgeHours != .5 || !slices.Equal(rain.Inputs, []string{"radar"}) || rain.Enough != 1 || rain.Hysteresis != 1 || rain.Name != "rain" {
		t.Errorf("defaults and preset of precipitation: %+v", rain)
	}
	if !slices.Equal(rain.SiteIDs, []string{"hut"}) || !slices.Equal(rain.TargetIDs, []string{"basin"}) || !math.IsNaN(rain.ForecastHours) {
		t.Errorf("sites and targets: %+v", rain)
	}
	// A preset in metres, taken in feet: 8000 ft by the permit are 2438 m.
	if math.Abs(zero.HoldAbove-7998.7) > .05 || math.Abs(zero.Hysteresis-328.08) > .01 || zero.ForecastHours != 3 {
		t.Errorf("freezing level in feet: %v, hysteresis %v, %v h", zero.HoldAbove, zero.Hysteresis, zero.ForecastHours)
	}
	if fmt.Sprint(pack.Ramp) != "[{12-01 85} {04-01 140}]" || presetNamed("wyoming-2023").Hold.Ramp[0].Date != "" {
		t.Errorf("ramp %v, of the preset itself %v", pack.Ramp, presetNamed("wyoming-2023").Hold.Ramp)
	}
	if alarms.Events["FF.W"] != EventInforms || alarms.Events["FLASH FLOOD WARNING"] != EventHolds || alarms.Events["FF.A"] != EventHolds || alarms.Events["FA.A"] != EventReviews {
		t.Errorf("events %v", alarms.Events)
	}
	if winter.Lift != "automatic" || winter.ClearMinutes != 0 || gale.ClearMinutes != 45 || gale.MayLift[0] != "Imogen Tarn" {
		t.Errorf("lifting: %+v, %+v", winter, gale)
	}
	if area := p.Hold("scar").Area; area == nil || area.NumPolygons() != 1 {
		t.Error("no burnt area")
	}
	if p.Hold("nobody") != nil || p.Manager.Licence != "WM-0000" {
		t.Error("lookup")
	}
	if d := p.Describe(components); strings.Contains(strings.Join(d.Cautions, " "), "names none") || !strings.Contains(strings.Join(d.Cautions, " "), "16 of them") {
		t.Errorf("cautions %q", d.Cautions)
	}
}

// The published numbers of the presets, as their sources have them.
func TestPresetsUnchanged(t *testing.T) {
	for _, test := range []struct{ id, want, source string }{
		{"colorado-2ccr-401-1-17", "[{12-01 175} {01-01 175} {02-01 160} {03-01 150} {04-01 140}]", "2 CCR 401-1, rule 17"},
		{"colorado-wy86-2", "[{11-01 150} {12-01 150} {01-01 150} {02-01 140} {03-01 135}]", "Colorado permit WY86-2"},
		{"wyoming-2023", "[{ 85} {04-01 140}]", "Wyoming Water Development Office, 2023"},
	} {
		if got := fmt.Sprint(presetNamed(test.id).Hold.Ramp); got != test.want {
			t.Errorf("%s: %s, want %s (%s)", test.id, got, test.want, test.source)
		}
	}
	for _, rule := range Presets {
		if rule.Source == "" || holdKeys[rule.Hold.Kind] == nil {
			t.Errorf("preset %s: source %q, kind %q", rule.ID, rule.Source, rule.Hold.Kind)
		}
	}
}

// Every row breaks one criterion; the error names its line and helps.
func TestHoldsSayWhere(t *testing.T) {
	const line = 27 // the first criterion below
	for _, test := range []struct{ name, hold, path, says string }{
		{"no source", "{id: x, kind: wind, hold_above: 3}", "", "needs the key source"},
		{"kind", "{id: x, kind: windy, hold_above: 3, source: s}", ".kind", `did you mean "wind"?`},
		{"key of another kind", "{id: x, kind: wind, hold_above: 3, gauges: [a], source: s}", ".gauges", "does not belong to a criterion of the kind wind"},
		{"no preset", "{id: x, kind: river, preset: flood-stag, gauges: [a]}", ".preset", `did you mean "flood-stage"?`},
		{"preset of another kind", "{id: x, kind: river, preset: debris-flow, gauges: [a]}", ".preset", "is of the kind burn_scar"},
		{"no gauges", "{id: x, kind: river, preset: flood-stage}", "", "needs gauges"},
		{"no limit", "{id: x, kind: river, gauges: [a], source: s}", "", "needs a limit"},
		{"limit without unit", "{id: x, kind: river, gauges: [a], hold_above: 3, quantity: stage, source: s}", "", "quantity and unit"},
		{"unknown unit", "{id: x, kind: river, gauges: [a], hold_above: 3, quantity: stage, unit: cubit, source: s}", ".unit", "cubit"},
		{"unit of another dimension", "{id: x, kind: wind, hold_above: 3, unit: mm/h, source: s}", ".unit", "m/s"},
		{"order of limits", "{id: x, kind: wind, hold_above: 3, review_above: 4, source: s}", "", "review_above must not exceed hold_above"},
		{"category", "{id: x, kind: river, gauges: [a], hold_category: mayor, source: s}", ".hold_category", `did you mean "major"?`},
		{"site", "{id: x, kind: wind, hold_above: 3, sites: [hutt], source: s}", ".sites[0]", `did you mean "hut"?`},
		{"target twice", "{id: x, kind: wind, hold_above: 3, targets: [basin, basin], source: s}", ".targets[1]", "listed twice"},
		{"id of a target", "{id: basin, kind: wind, hold_above: 3, source: s}", ".id", "id of a target"},
		{"half a sector", "{id: x, kind: wind, sector_from_deg: 3, source: s}", "", "both sector_from_deg"},
		{"percent of what", "{id: x, kind: reservoir, gauges: [a], unit: m3, hold_percent: 95, source: s}", "", "either capacity or rule_curve"},
		{"ramp of a preset without a beginning", "{id: x, kind: snow, preset: wyoming-2023, gauges: [a]}", "", "ramp_from"},
		{"day that no year has", "{id: x, kind: season, from_date: 02-30, to_date: 04-01, source: s}", ".from_date", "no year has the day 02-30"},
		{"no day at all", "{id: x, kind: season, from_date: 2-3, to_date: 04-01, source: s}", ".from_date", "a month and day such as 11-01"},
		{"clock", "{id: x, kind: hours, from_time: 24:00, to_time: 05:00, source: s}", ".from_time", "a time of day"},
		{"no hours", "{id: x, kind: hours, from_time: 05:00, to_time: 05:00, source: s}", "", "no release would ever"},
		{"ramp back and forth", "{id: x, kind: snow, gauges: [a], source: s, ramp: [{date: 12-01, value: 1}, {date: 01-01, value: 1}, {date: 12-15, value: 1}, {date: 01-05, value: 1}]}", ".ramp[3]", "go forward"},
		{"burn without area", "{id: x, kind: burn_scar, hold_above: 24, source: s}", "", "needs a geometry"},
		{"rain without a date", "{id: x, kind: burn_scar, preset: debris-flow, geometry: {type: Polygon, coordinates: [[[-114.55, 43.95], [-114.5, 43.95], [-114.5, 44.0], [-114.55, 43.95]]]}}", "", "burnt_date"},
		{"open ring", "{id: x, kind: burn_scar, hold_above: 24, source: s, geometry: {type: Polygon, coordinates: [[[-114.55, 43.95], [-114.5, 43.95], [-114.5, 44.0], [-114.55, 43.9]]]}}", ".geometry", "not closed"},
		{"origin", "{id: x, kind: wind, hold_above: 3, inputs: [radar], source: s}", ".inputs[0]", "station, forecast"},
		{"more than there are", "{id: x, kind: wind, hold_above: 3, inputs: [station], enough: 2, source: s}", ".enough", "exceeds"},
		{"near", "{id: x, kind: warning, preset: public-warnings, near: [town]}", ".near[0]", "site, path, target"},
		{"season without its beginning", "{id: x, kind: agent_limit, season_g: 3, source: s}", "", "from_date"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := Parse("dale.yaml", []byte(minimal+"holds:\n  - "+test.hold+"\n"), nil, components, sources)
			problems, ok := err.(Problems)
			if !ok {
				t.Fatalf("no problem: %v", err)
			}
			for _, problem := range problems {
				if problem.Line == line && problem.Path == "holds[0]"+test.path && strings.Contains(problem.Message, test.says) {
					return
				}
			}
			t.Errorf("got\n%v\nwant line %d, holds[0]%s, %q", err, line, test.path, test.says)
		})
	}
	twice := "holds:\n  - {id: x, kind: wind, hold_above: 3, source: s}\n  - {id: x, kind: wind, hold_above: 3, source: s}\n"
	if _, err := Parse("dale.yaml", []byte(minimal+twice), nil, components, sources); err == nil || !strings.Contains(err.Error(), "is the id of holds[0] already") {
		t.Errorf("an id twice: %v", err)
	}
}

// NIST SP 811 (2008), appendix B.8: 1 ft = 0.3048 m, 1 ft3/s = 2.831685e-2 m3/s,
// 1 acre foot = 1.233489e3 m3 (US survey foot; the international one is 6 parts
// in a million less), 1 in = 25.4 mm, 1 kt = 0.5144444 m/s, 1 mi/h = 0.44704 m/s,
// 1 lb = 0.45359237 kg, t/°C = (t/°F - 32)/1.8.
func TestConvert(t *testing.T) {
	for _, test := range []struct {
		value     float64
		from, to  string
		want, tol float64
	}{
		{1, "ft", "m", .3048, 1e-12}, {1, "cfs", "m3/s", 2.831685e-2, 1e-8}, {1, "kcfs", "ft3/s", 1000, 1e-9}, {1, "acre-ft", "m3", 1233.489, .01},
		{1, "in", "mm", 25.4, 1e-12}, {1, "in/h", "mm/h", 25.4, 1e-12}, {1, "kt", "m/s", .5144444, 1e-7}, {1, "mph", "m/s", .44704, 1e-12},
		{1, "lb", "g", 453.59237, 1e-9}, {14, "degF", "degC", -10, 1e-12}, {0, "degC", "K", 273.15, 1e-12}, {12400, "mV", "V", 12.4, 1e-12},
		{1, "Feet", " M ", .3048, 1e-12}, {150, "percent", "%", 150, 0}, {1.5, "1", "%", 150, 1e-12}, {1, "TAF", "acre-feet", 1000, 1e-9},
	} {
		if got, ok := Convert(test.value, test.from, test.to); !ok || math.Abs(got-test.want) > test.tol {
			t.Errorf("%v %s is %v %s (%v), want %v, tolerance %v", test.value, test.from, got, test.to, ok, test.want, test.tol)
		}
	}
	for _, pair := range [][2]string{{"ft", "ft3/s"}, {"", "m"}, {"m", ""}, {"cubit", "m"}, {"%", "mm"}, {"mm/h", "m/s"}} {
		if _, ok := Convert(1, pair[0], pair[1]); ok {
			t.Errorf("%q was converted to %q", pair[0], pair[1])
		}
	}
}
