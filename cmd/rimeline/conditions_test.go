package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/rehearsal"
	stores "rimeline/ingest/source"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/radar"
)

// weatherCriteria are all that conditions are asked for, behind the programme of the
// invented storm.
const weatherCriteria = `
holds:
  - {id: heavy, kind: precipitation, source: invented, review_above: 7.6, hold_above: 12.7, unit: mm/h, inputs: [radar, forecast]}
  - {id: mapped, kind: precipitation, source: invented, hold_above: 12.7, unit: mm/h, inputs: [mosaic], targets: [sallow-fork]}
  - {id: warm-storm, kind: freezing_level, source: invented, hold_above: 2438, unit: m, inputs: [forecast, sounding]}
  - {id: on-snow, kind: rain_on_snow, source: invented, gauges: [X1], swe_above_mm: 50, target_altitude_m: 2300, targets: [upper-vantry]}
  - {id: gale, kind: wind, source: invented, hold_above: 20, unit: m/s, sites: [hobnail, salt-lantern]}
  - id: scar
    kind: burn_scar
    source: invented
    burnt_date: "2025-08-20"
    rain_years: 2
    hold_above: 24
    unit: mm/h
    inputs: [radar, forecast]
    forecast_hours: 1.5
    geometry:
      type: MultiPolygon
      coordinates:
        [[[[-112.60, 44.05], [-112.50, 44.05], [-112.50, 44.12], [-112.60, 44.12], [-112.60, 44.05]],
          [[-112.57, 44.07], [-112.57, 44.10], [-112.53, 44.10], [-112.53, 44.07], [-112.57, 44.07]]],
         [[[-112.46, 44.05], [-112.44, 44.05], [-112.44, 44.08], [-112.46, 44.05]]]]
  - {id: winter, kind: season, source: invented, from_date: "11-01", to_date: "04-15"}
`

// weatherProgramme is the invented programme with criteria behind it.
func weatherProgramme(tb testing.TB, criteria string) owning {
	tb.Helper()
	b := bundle{File: "vantry.yaml", YAML: string(rehearsal.ProgrammeYAML()) + criteria}
	p, err := b.parse()
	if err != nil {
		tb.Fatal(err)
	}
	return owning{p, b}
}

// sharpCriteria have limits about what the storm does then, so that every outcome
// is there; they go behind weatherCriteria.
const sharpCriteria = `
  - {id: radar-held, kind: precipitation, source: invented, review_above: 1, hold_above: 3, unit: mm/h, inputs: [radar]}
  - {id: radar-review, kind: precipitation, source: invented, review_above: 3, hold_above: 30, unit: mm/h, inputs: [radar]}
  - {id: both-held, kind: precipitation, source: invented, hold_above: 3, unit: mm/h, inputs: [radar, forecast]}
  - {id: forecast-held, kind: precipitation, source: invented, hold_above: 0.5, unit: mm/h, inputs: [forecast]}
  - {id: forecast-clear, kind: precipitation, source: invented, hold_above: 50, unit: mm/h, inputs: [forecast, radar]}
  - {id: mosaic-none, kind: precipitation, source: invented, hold_above: 5, unit: mm/h, inputs: [mosaic]}
  - {id: level-held, kind: freezing_level, source: invented, hold_above: 500, unit: m, inputs: [forecast, sounding]}
  - {id: level-review, kind: freezing_level, source: invented, review_above: 400, hold_above: 4000, unit: m, inputs: [sounding]}
  - {id: level-clear, kind: freezing_level, source: invented, hold_above: 3000, unit: m, inputs: [forecast]}
  - {id: gale-held, kind: wind, source: invented, hold_above: 3, unit: m/s}
  - {id: gale-clear, kind: wind, source: invented, hold_above: 50, unit: m/s}
  - {id: sector, kind: wind, source: invented, sector_from_deg: 0, sector_to_deg: 90}
`

func TestAskedOfCriteria(t *testing.T) {
	of := askedOf(weatherProgramme(t, weatherCriteria).programme)
	var got []string
	for _, p := range of.places {
		got = append(got, fmt.Sprintf("%s rates %v %s levels %v %s", p.id, p.rates, p.ratesAhead, p.levels, p.levelsAhead))
	}
	want := []string{
		"upper-vantry rates [radar forecast] 3h0m0s levels [forecast sounding] 3h0m0s",
		"sallow-fork rates [radar forecast mosaic] 3h0m0s levels [forecast sounding] 3h0m0s",
		"scar rates [radar forecast] 1h30m0s levels [] 0s",
	}
	if !slices.Equal(got, want) {
		t.Errorf("asked for\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if len(of.sites) != 2 || of.sites[0].ID != "hobnail" || of.sites[1].ID != "salt-lantern" || of.windAhead != 3*time.Hour || !of.any() {
		t.Errorf("winds at %d sites, %s ahead", len(of.sites), of.windAhead)
	}
	if of.ahead() != 3*time.Hour+judgedWithin {
		t.Errorf("%s ahead", of.ahead())
	}
	none := askedOf(weatherProgramme(t, "\nholds:\n  - {id: winter, kind: season, source: invented, from_date: \"11-01\", to_date: \"04-15\"}\n").programme)
	if none.any() || none.ahead() != 0 {
		t.Errorf("a season asks for %d places and %d sites", len(none.places), len(none.sites))
	}
	station := askedOf(weatherProgramme(t, "\nholds:\n  - {id: gale, kind: wind, source: invented, hold_above: 20, unit: m/s, inputs: [station]}\n").programme)
	if station.any() {
		t.Error("winds of stations are not ours")
	}
}

// weatherAt is a service at one moment of the invented storm with a programme of
// criteria, which has taken in what the stores have: models, radar, soundings and
// mosaics.
func weatherAt(tb testing.TB, o owning, at time.Duration) *load {
	tb.Helper()
	rare, err := newRareDecoder()
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { rare.Close() })
	env := &environment{Context: tb.Context(), Stdout: tb.Output(), Stderr: tb.Output(), Rare: rare}
	r, err := newRehearsal(env, rehearsalOptions{seed: 1, data: tb.TempDir(), log: slog.New(slog.DiscardHandler), at: at})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(r.Close)
	l := &load{rehearsalRun: r, moment: r.clock.Now(), programmes: []owning{o}}
	ref, err := r.service.publishProgramme(tb.Context(), o.programme, o.bundle)
	if err != nil {
		tb.Fatal(err)
	}
	l.refs, l.tables = append(l.refs, ref), append(l.tables, newInputTable(o.programme, r.service.needsOf(o.programme)))
	// Of the model the newest run that was there, up to five hours ahead.
	tasks := slices.DeleteFunc(l.objects(tb, 0), func(task ingestTask) bool {
		ahead := task.Object.ValidTime.Sub(l.moment)
		return task.Object.Kind == stores.KindSatellite || task.Object.Kind == stores.KindModel &&
			(!task.Object.ReferenceTime.Equal(l.moment.Add(-time.Hour).Truncate(time.Hour)) || ahead < -2*time.Hour || ahead > 5*time.Hour)
	})
	l.ingestAll(tb, tasks)
	l.know(tb)
	return l
}

// conditionsTask names all inputs of a table that a criterion may want.
func (l *load) conditionsTask(tb testing.TB, without ...string) assessTask {
	tb.Helper()
	inputs, _ := l.tables[0].pick(modeOutlook, l.moment)
	if !slices.ContainsFunc(inputs, func(ref inputRef) bool { return ref.Kind == stores.KindModel }) {
		inputs, _ = l.tables[0].pick(modeNow, l.moment)
	}
	inputs = slices.DeleteFunc(inputs, func(ref inputRef) bool { return slices.Contains(without, ref.Kind) })
	return assessTask{Programme: l.refs[0], Mode: modeConditions, Moment: l.moment, Inputs: inputs}
}

// conditionsOf does the job and reads back what was published.
func (l *load) conditionsOf(tb testing.TB, task assessTask) message.Conditions {
	tb.Helper()
	data, err := json.Marshal(task)
	if err != nil {
		tb.Fatal(err)
	}
	if err := l.service.conditions(tb.Context(), bus.Job{ID: "x", Data: data}, 1); err != nil {
		tb.Fatal(err)
	}
	event, known, err := l.service.bus.Latest(tb.Context(), bus.Conditions, task.Programme.ID, bus.Whole)
	if err != nil || !known {
		tb.Fatal("nothing was published: ", err)
	}
	c, err := message.As[message.Conditions](event)
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

func TestConditionsOfTheInventedStorm(t *testing.T) {
	l := weatherAt(t, weatherProgramme(t, weatherCriteria+sharpCriteria), 7*time.Hour+40*time.Minute)
	t.Run("published", func(t *testing.T) { conditionsArePublished(t, l) })
	t.Run("without an input", func(t *testing.T) { conditionsWithoutAnInputAreNoLessSevere(t, l) })
}

// judgedBy are the outcomes of the programme's criteria by what was found out alone.
func judgedBy(t *testing.T, l *load, f *foundConditions) map[string]hold.Outcome {
	t.Helper()
	// As it would come back from the bus.
	c := f.message(l.programmes[0].programme.ID, l.moment, nil)
	e := hold.Evidence{At: l.moment}
	e.Precipitation, e.FreezingLevels, e.Winds = c.Evidence()
	outcomes := map[string]hold.Outcome{}
	for _, r := range hold.Judge(l.programmes[0].programme, e, nil) {
		outcomes[r.Key] = r.Outcome
	}
	return outcomes
}

// found is what a task finds out, without publishing it.
func (l *load) found(tb testing.TB, task assessTask) (*foundConditions, *judgement) {
	tb.Helper()
	of, err := l.service.judgementOf(tb.Context(), l.programmes[0].programme, &task)
	if err != nil {
		tb.Fatal(err)
	}
	f, err := of.conditionsAt(task.Moment, l.service.cellMemory(tb.Context(), of, task.Programme.Digest))
	if err != nil {
		tb.Fatal(err)
	}
	return f, of
}

// What is found out under the shield of the invented storm is published, agrees
// with the storm's own formulas, and each criterion can be judged by it.
func conditionsArePublished(t *testing.T, l *load) {
	task := l.conditionsTask(t)
	c := l.conditionsOf(t, task)
	if c.Programme != "vantry" || !c.AsOf.Equal(l.moment) || len(c.Inputs) != len(task.Inputs) || c.Inputs[0] != task.Inputs[0].Object {
		t.Errorf("%s as of %s from %d inputs", c.Programme, c.AsOf, len(c.Inputs))
	}
	rates, levels, winds := c.Evidence()

	s := l.scenario
	plane := rehearsal.PlaneOf(s)
	truth := func(lat, lon, aboveM float64, at time.Time) (airK, speed float64) {
		x, y := plane.XY(grid.LatLon{LatitudeDeg: lat, LongitudeDeg: lon})
		air := s.At(x, y, s.TerrainM(x, y)+aboveM, at.Sub(s.Start()).Hours())
		return air.AirTemperatureK, math.Hypot(air.EastwardMPerS, air.NorthwardMPerS)
	}
	run := l.moment.Add(-time.Hour).Truncate(time.Hour)
	var seen []string
	for _, r := range rates {
		seen = append(seen, r.Place+" "+r.From)
		switch r.From {
		case "radar":
			// Snow of 36 dBZ and its ripples of 2 dB, less what falls off to the sides:
			// 3.9 to 8 mm/h; what of the basin lies behind the ridge is not seen.
			if !(r.MMPerH > 4 && r.MMPerH < 8) || !(r.CoveredShare > .9 && r.CoveredShare <= 1) || !(r.LiquidShare < .01) || !r.Issued.IsZero() {
				t.Errorf("%+v", r)
			}
			if age := l.moment.Sub(r.Time); age < 0 || age > 12*time.Minute {
				t.Errorf("%s of %s at %s", r.Place, r.Time, l.moment)
			}
		case "forecast":
			if !(r.MMPerH > .5 && r.MMPerH < 4) || r.CoveredShare != 1 || !(r.LiquidShare < .01) || !r.Issued.Equal(run) || r.Time.Before(l.moment) {
				t.Errorf("%+v", r)
			}
		default:
			t.Errorf("%+v", r)
		}
	}
	for _, want := range []string{"upper-vantry radar", "sallow-fork radar", "scar radar", "upper-vantry forecast", "sallow-fork forecast", "scar forecast"} {
		if !slices.Contains(seen, want) {
			t.Errorf("no %s", want)
		}
	}
	soundings := 0
	for _, f := range levels {
		// The storm's air falls by 6.5 K/km, so that the truth is had from any height.
		airK, _ := truth(44.30, -112.50, 500, f.Time)
		x, y := plane.XY(grid.LatLon{LatitudeDeg: 44.30, LongitudeDeg: -112.50})
		trueM := s.TerrainM(x, y) + 500 + (airK-273.15)/.0065
		tolerance := 60. // a forecast's error
		if f.From == "sounding" {
			tolerance, soundings = 120, soundings+1 // and an hour and a half old
		}
		if math.Abs(f.AltitudeM-trueM) > tolerance {
			t.Errorf("0 °C over %s by %s at %.0f m, the storm has %.0f", f.Target, f.From, f.AltitudeM, trueM)
		}
	}
	if soundings != 2 || len(levels) < 8 {
		t.Errorf("%d freezing levels, %d of soundings", len(levels), soundings)
	}
	for _, w := range winds {
		site := l.programmes[0].programme.Site(w.Site)
		_, speed := truth(site.LatitudeDeg, site.LongitudeDeg, 10, w.Time)
		if !(math.Abs(w.SpeedMPerS-speed) < 2.5) || !math.IsNaN(w.GustMPerS) || !(w.FromDeg > 200 && w.FromDeg < 300) || !w.Issued.Equal(run) {
			t.Errorf("%+v, the storm has %.1f m/s", w, speed)
		}
	}
	if len(winds) < 8 {
		t.Errorf("%d winds", len(winds))
	}
	if !slices.ContainsFunc(c.Notes, func(n string) bool { return strings.Contains(n, "No mosaic of the precipitation rate") }) ||
		!slices.ContainsFunc(c.Notes, func(n string) bool { return strings.Contains(n, "gives no rate of precipitation") }) {
		t.Errorf("notes %q", c.Notes)
	}
	want := map[string]hold.Outcome{
		"heavy/upper-vantry": hold.Clear, "heavy/sallow-fork": hold.Clear, "mapped/sallow-fork": hold.Unknown, "warm-storm/upper-vantry": hold.Clear,
		"warm-storm/sallow-fork": hold.Clear, "on-snow/upper-vantry": hold.Clear, "gale/hobnail": hold.Clear, "gale/salt-lantern": hold.Clear, "scar": hold.Clear, "winter": hold.Clear,
	}
	e := hold.Evidence{At: l.moment, Precipitation: rates, FreezingLevels: levels, Winds: winds}
	for _, r := range hold.Judge(l.programmes[0].programme, e, nil) {
		if outcome, ours := want[r.Key]; ours && r.Outcome != outcome {
			t.Errorf("%s is %s, want %s: %s", r.Key, r.Outcome, outcome, r.Reason)
		}
	}

	// The same job again, and one of an earlier moment, publish nothing.
	before, err := l.service.bus.LastSequence(t.Context(), bus.Conditions)
	if err != nil {
		t.Fatal(err)
	}
	l.conditionsOf(t, task)
	task.Moment = task.Moment.Add(-time.Minute)
	if again := l.conditionsOf(t, task); !again.AsOf.Equal(l.moment) {
		t.Errorf("the newest is of %s", again.AsOf)
	}
	if after, err := l.service.bus.LastSequence(t.Context(), bus.Conditions); err != nil || after != before {
		t.Errorf("%d messages more", after-before)
	}
}

// Whatever input is taken away, no outcome becomes less severe: what held still
// holds (as held, or as unknown, which counts as held), and what had to be looked at
// is not clear.
func conditionsWithoutAnInputAreNoLessSevere(t *testing.T, l *load) {
	all := l.conditionsTask(t)
	f, _ := l.found(t, all)
	whole := judgedBy(t, l, f)
	count := map[hold.Outcome]int{}
	for _, outcome := range whole {
		count[outcome]++
	}
	if count[hold.Held] < 5 || count[hold.Review] < 2 || count[hold.Clear] < 4 || count[hold.Unknown] < 1 {
		t.Fatalf("outcomes %v", whole)
	}
	severity := func(o hold.Outcome) int {
		switch {
		case o.Holds():
			return 2
		case o == hold.Review:
			return 1
		}
		return 0
	}
	check := func(what string, task assessTask) {
		t.Helper()
		f, _ := l.found(t, task)
		for key, outcome := range judgedBy(t, l, f) {
			if severity(outcome) < severity(whole[key]) {
				t.Errorf("without %s %s is %s, with it %s", what, key, outcome, whole[key])
			}
		}
		for _, r := range f.rates {
			if r.MMPerH == 0 {
				t.Errorf("without %s there is a rate of zero: %+v", what, r)
			}
		}
	}
	kinds := []string{stores.KindModel, stores.KindRadar, stores.KindSounding, stores.KindMosaic}
	for set := 1; set < 1<<len(kinds); set++ {
		var without []string
		for k, kind := range kinds {
			if set>>k&1 == 1 {
				without = append(without, kind)
			}
		}
		check(strings.Join(without, ", "), l.conditionsTask(t, without...))
	}
	// One by one: an older volume or an older run may stand in for what is gone. A hole
	// in the hours of a model is filled by interpolation, which may lower a peak; hours
	// are left out from the end.
	model := 0
	for _, ref := range all.Inputs {
		if ref.Kind == stores.KindModel {
			model++
		}
	}
	for k, ref := range all.Inputs {
		task := all
		if ref.Kind == stores.KindModel {
			task.Inputs = slices.DeleteFunc(slices.Clone(all.Inputs), func(r inputRef) bool {
				return r.Kind == stores.KindModel && slices.Index(all.Inputs, r) >= k
			})
		} else {
			task.Inputs = slices.Delete(slices.Clone(all.Inputs), k, k+1)
		}
		check(ref.Kind+" "+ref.Object, task)
	}
	if model < 4 {
		t.Errorf("%d hours of the model", model)
	}

	none, of := l.found(t, l.conditionsTask(t, kinds...))
	if len(none.rates)+len(none.levels)+len(none.winds) != 0 || of.lacks == "" {
		t.Errorf("of nothing: %d rates, %d levels, %d winds", len(none.rates), len(none.levels), len(none.winds))
	}
	for _, want := range []string{"No model", "No radar volume", "No sounding within", "No mosaic"} {
		if !slices.ContainsFunc(none.notes, func(n string) bool { return strings.Contains(n, want) }) {
			t.Errorf("no note says %q: %q", want, none.notes)
		}
	}
	// A sounding needs no model.
	alone, _ := l.found(t, l.conditionsTask(t, stores.KindModel))
	if len(alone.levels) == 0 || alone.levels[0].From != "sounding" || len(alone.rates) != 0 {
		t.Errorf("without a model: %+v, %+v", alone.levels, alone.rates)
	}
}

func TestConditionsRefusesOtherJobs(t *testing.T) {
	s := &service{}
	for _, data := range []string{"{", "[]", `{"mode":"now"}`, `{"mode":"outlook"}`, `{}`} {
		if err := s.conditions(t.Context(), bus.Job{ID: "x", Data: []byte(data)}, 1); fmt.Sprintf("%T", err) != fmt.Sprintf("%T", bus.Permanent(errors.New("x"))) {
			t.Errorf("%s: %v", data, err)
		}
	}
}

// volumeAt is a volume of one sweep that shows one reflectivity everywhere; of one
// that is still arriving only the north-east is there.
func volumeAt(name string, at time.Time, complete bool, dBZ float64) *grid.Volume {
	v := &grid.Volume{Radar: name, Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44.15, LongitudeDeg: -113.2}, AltitudeM: 1700}, BeamwidthDeg: 1, Time: at, Complete: complete}
	packing := &grid.Packing{WordBits: 8, Factor: .5, Addend: -33, RangeFolded: 1, Missing: grid.NoCode}
	s := &grid.Sweep{Number: 1, ElevationDeg: .5, TargetElevationDeg: .5, Start: at, End: at.Add(20 * time.Second), Complete: true}
	m := &grid.Moment{Name: grid.MomentReflectivity, FirstGateM: 500, GateSpacingM: 500, Gates: 300}
	for k := range 360 {
		if !complete && k >= 90 {
			continue
		}
		s.Radials = append(s.Radials, grid.Radial{AzimuthDeg: float32(k) + .5, ElevationDeg: .5, SpacingDeg: 1, Time: at})
		row := grid.GateRow{Raw: make([]byte, 300), Packing: packing}
		for g := range row.Raw {
			row.Raw[g] = byte(math.Round((dBZ + 33) * 2))
		}
		m.Rows = append(m.Rows, row)
	}
	s.Moments = []*grid.Moment{m}
	v.Sweeps = []*grid.Sweep{s}
	return v
}

// inventedJudgement is a programme over flat ground at 1500 m, in air of 13 °C at sea
// level, with what else is wanted.
func inventedJudgement(t *testing.T, criteria string, rate func(grid.LatLon, time.Time) float64) *judgement {
	t.Helper()
	times := []time.Time{noon.Add(-time.Hour), noon, noon.Add(time.Hour), noon.Add(2 * time.Hour)}
	g := &grid.Grid{Name: "invented", NI: 41, NJ: 31, Projection: grid.LatLonProjection{}, X: grid.Axis{First: -113.5, Step: .05}, Y: grid.Axis{First: 43.5, Step: .05}}
	air, err := grid.NewAtmosphere(grid.Analytic{Grid: g, Times: times, HeightsM: []float64{10, 200, 500, 1000, 2000, 4000}, TerrainAltitudeM: func(grid.LatLon) float64 { return 1500 },
		PrecipitationKgPerM2S: rate,
		StateAt: func(p grid.Position, _ float64, _ time.Time) grid.State {
			return grid.State{Wind: grid.Wind{EastwardMPerS: 6}, AirTemperatureK: 273.15 + 13 - .0065*p.AltitudeM, PressurePa: 101325 * math.Exp(-p.AltitudeM/8000), SpecificHumidity: .004}
		}})
	if err != nil {
		t.Fatal(err)
	}
	j := &judgement{programme: weatherProgramme(t, criteria).programme, weather: &weather{}}
	j.method = methodOf(j.programme)
	j.evidence.Atmosphere = air
	for k := range j.programme.Sites {
		j.sites = append(j.sites, &j.programme.Sites[k])
	}
	return j
}

// noMemory prepares a gridder each time.
func noMemory(_ *grid.Volume, prepare func() (*radar.Gridder, error)) (*radar.Gridder, error) {
	return prepare()
}

// A volume that is still arriving is filled in from the one before, whose time is
// then that of the whole; where the new one has come whole it alone counts.
func TestConditionsOfAnArrivingVolume(t *testing.T) {
	j := inventedJudgement(t, "\nholds:\n  - {id: heavy, kind: precipitation, source: invented, hold_above: 12, unit: mm/h, inputs: [radar]}\n", nil)
	minute := func(m int) time.Time { return noon.Add(time.Duration(m) * time.Minute) }
	for _, v := range []*grid.Volume{volumeAt("XAAA", minute(-7), true, 20), volumeAt("XAAA", minute(-2), false, 30)} {
		j.weather.volumes = append(j.weather.volumes, scanned{volume: v})
	}
	f, err := j.conditionsAt(noon, noMemory)
	if err != nil || len(f.rates) != 2 {
		t.Fatalf("%v, %+v", err, f)
	}
	// 0 °C at 2000 m, the beam below 2500 m: of rain and snow the greater, by hand.
	north, south := f.rates[0], f.rates[1]
	if north.Place != "upper-vantry" || math.Abs(north.MMPerH-2.734) > .01 || north.CoveredShare != 1 || !north.Time.Equal(minute(-2)) {
		t.Errorf("%+v, want 2.73 mm/h of the new volume (Marshall-Palmer, 30 dBZ)", north)
	}
	if south.Place != "sallow-fork" || math.Abs(south.MMPerH-2.734) > .01 || south.CoveredShare != 1 || !south.Time.Equal(minute(-7)) {
		t.Errorf("%+v, want both volumes, and the time of the older", south)
	}
	j.weather.volumes = j.weather.volumes[1:]
	f, err = j.conditionsAt(noon, noMemory)
	if err != nil || len(f.rates) != 2 {
		t.Fatalf("%v, %+v", err, f)
	}
	if south := f.rates[1]; !(south.CoveredShare > .1 && south.CoveredShare < .9) || !slices.ContainsFunc(f.notes, func(n string) bool { return strings.Contains(n, "no radial") }) {
		t.Errorf("half a volume: %+v, %q", south, f.notes)
	}
	// Without a beam width nothing is known of what ridges hide.
	bare := volumeAt("XAAA", minute(-2), true, 30)
	bare.BeamwidthDeg = math.NaN()
	j.weather.volumes = []scanned{{volume: bare}}
	f, err = j.conditionsAt(noon, noMemory)
	if err != nil || len(f.rates) != 0 || !slices.ContainsFunc(f.notes, func(n string) bool {
		return strings.Contains(n, "Radar XAAA cannot be used: the beam width of the radar is unknown.")
	}) {
		t.Errorf("without a beam width: %v, %+v, %q", err, f.rates, f.notes)
	}
}

// The model's own rate, as far as the run goes; a run that ends too soon is told.
func TestConditionsOfTheModelsRate(t *testing.T) {
	j := inventedJudgement(t, "\nholds:\n  - {id: heavy, kind: precipitation, source: invented, hold_above: 12, unit: mm/h, inputs: [forecast], forecast_hours: 1, targets: [upper-vantry]}\n",
		func(_ grid.LatLon, at time.Time) float64 { return (2 + at.Sub(noon).Hours()) / 3600 })
	f, err := j.conditionsAt(noon.Add(12*time.Minute), noMemory)
	if err != nil || len(f.rates) != 3 || len(f.notes) != 0 {
		t.Fatalf("%v, %+v", err, f)
	}
	for k, want := range []float64{2.2, 3, 4} {
		if r := f.rates[k]; math.Abs(r.MMPerH-want) > .001 || r.From != "forecast" || r.CoveredShare != 1 {
			t.Errorf("%+v, want %g mm/h (linear by construction)", r, want)
		}
	}
	f, err = j.conditionsAt(noon.Add(90*time.Minute), noMemory)
	if err != nil || len(f.rates) != 2 || len(f.notes) != 1 || f.notes[0] != "The model run ends at 2026-02-03 14:00 UTC; criteria ask for it until 2026-02-03 14:30 UTC." {
		t.Errorf("%v, %+v", err, f)
	}
}

// Of mosaics the newest of the precipitation rate is taken, with the newest quality
// near it; else reflectivity near the ground; composites never.
func TestConditionsOfMosaics(t *testing.T) {
	j := inventedJudgement(t, "\nholds:\n  - {id: heavy, kind: precipitation, source: invented, hold_above: 12, unit: mm/h, inputs: [mosaic], targets: [upper-vantry]}\n", nil)
	of := func(name string, minutes int, value float32) mosaicked {
		for _, p := range mosaic.Products() {
			if p.Name == name {
				g := &grid.Grid{Name: "invented", NI: 151, NJ: 81, Projection: grid.LatLonProjection{}, X: grid.Axis{First: -113.5, Step: .01}, Y: grid.Axis{First: 43.8, Step: .01}}
				field := &grid.Field{Grid: g, Values: slices.Repeat([]float32{value}, g.NI*g.NJ)}
				return mosaicked{Mosaic: &mosaic.Mosaic{Product: p, Time: noon.Add(time.Duration(minutes) * time.Minute), Field: field}}
			}
		}
		t.Fatalf("no product %s", name)
		return mosaicked{}
	}
	for _, test := range []struct {
		name    string
		mosaics []mosaicked
		want    float64 // NaN for none
		minutes int
		note    string
	}{
		{"rate", []mosaicked{of("PrecipRate", -4, 3), of("PrecipRate", -2, 4), of("PrecipRate", 9, 50), of("SeamlessHSR", -1, 45)}, 4, -2, ""},
		{"hybrid scan", []mosaicked{of("SeamlessHSR", -4, 30), of("MergedBaseReflectivityQC", -1, 45)}, 2.734, -4, "of rain or snow the greater"},
		{"base", []mosaicked{of("MergedBaseReflectivityQC", -1, 45)}, 27.86, -1, "of rain or snow the greater"},
		{"composite", []mosaicked{of("MergedReflectivityQCComposite", -1, 45)}, math.NaN(), 0, "No mosaic of the precipitation rate"},
		{"none", nil, math.NaN(), 0, "No mosaic of the precipitation rate"},
		{"poor", []mosaicked{of("PrecipRate", -2, 4), of("RadarQualityIndex", -2, 0)}, math.NaN(), 0, "100 % is not covered"},
		{"good", []mosaicked{of("PrecipRate", -2, 4), of("RadarQualityIndex", -2, 1)}, 4, -2, ""},
		{"old quality", []mosaicked{of("PrecipRate", -2, 4), of("RadarQualityIndex", -30, 0)}, 4, -2, ""},
	} {
		j.weather.mosaics = test.mosaics
		f, err := j.conditionsAt(noon, noMemory)
		if err != nil {
			t.Fatal(err)
		}
		if note := strings.Join(f.notes, " "); !strings.Contains(note, test.note) || test.note == "" && note != "" {
			t.Errorf("%s: notes %q", test.name, note)
		}
		if math.IsNaN(test.want) {
			if len(f.rates) != 0 {
				t.Errorf("%s: %+v", test.name, f.rates)
			}
			continue
		}
		if len(f.rates) != 1 || math.Abs(f.rates[0].MMPerH-test.want) > .01 || f.rates[0].From != "mosaic" || !f.rates[0].Time.Equal(noon.Add(time.Duration(test.minutes)*time.Minute)) {
			t.Errorf("%s: %+v, want %g", test.name, f.rates, test.want)
		}
	}
}

func TestNewestVolumes(t *testing.T) {
	minute := func(m int) time.Time { return noon.Add(time.Duration(m) * time.Minute) }
	j := &judgement{weather: &weather{}}
	for _, v := range []*grid.Volume{
		volumeAt("XAAA", minute(-12), true, 20), volumeAt("XAAA", minute(-2), false, 20), volumeAt("XAAA", minute(-7), true, 20),
		volumeAt("XBBB", minute(-10), true, 20), volumeAt("XBBB", minute(-5), true, 20),
		volumeAt("XCCC", minute(-20), true, 20), // much older than the others
		volumeAt("XDDD", minute(9), true, 20),   // its clock is wrong
	} {
		j.weather.volumes = append(j.weather.volumes, scanned{volume: v})
	}
	var got []string
	for _, row := range j.newestVolumes(noon) {
		for _, v := range row {
			got = append(got, fmt.Sprintf("%s %s", v.Radar, v.Time.Sub(noon)))
		}
	}
	if want := []string{"XAAA -2m0s", "XAAA -7m0s", "XBBB -5m0s"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// What a conditions job takes after a radar volume, with the judgement of an assess
// job of the same inputs, or with its own, where the box of the model is there alone.
// 20 sites and 4 targets of 1000 km2 each, one core.
func BenchmarkConditions(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	text := string(rehearsal.ProgrammeYAML())
	from, to := strings.Index(text, "\nsites:"), strings.Index(text, "\n# Invented examples of certificates")
	var list strings.Builder
	list.WriteString("\nsites:\n")
	for k := range 20 {
		fmt.Fprintf(&list, "  - {id: s%d, name: Site %d, latitude_deg: %.4f, longitude_deg: %.4f, release_height_m: 4, agent: {kind: generator, rate_g_per_h: 30, yield_table: swift}}\n",
			k, k+1, 44.06+.01*float64(k), -113.05+.012*float64(k))
	}
	list.WriteString("targets:\n")
	for k := range 4 {
		west, south := -112.95+.3*float64(k%2), 43.9+.36*float64(k/2)
		fmt.Fprintf(&list, "  - {id: t%d, name: Target %d, geometry: {type: Polygon, coordinates: [[[%.3f, %.3f], [%.3f, %.3f], [%.3f, %.3f], [%.3f, %.3f], [%.3f, %.3f]]]}}\n",
			k, k+1, west, south, west+.36, south, west+.36, south+.32, west, south+.32, west, south)
	}
	file := bundle{File: "bench.yaml", YAML: text[:from] + list.String() + text[to:] + `
holds:
  - {id: heavy, kind: precipitation, source: invented, hold_above: 12.7, unit: mm/h, inputs: [radar, forecast]}
  - {id: warm-storm, kind: freezing_level, source: invented, hold_above: 2438, unit: m, inputs: [forecast, sounding]}
  - {id: gale, kind: wind, source: invented, hold_above: 20, unit: m/s}
`}
	p, err := file.parse()
	if err != nil {
		b.Fatal(err)
	}
	l := weatherAt(b, owning{p, file}, 80*time.Minute) // the warm band: wet bulbs are asked for
	task := l.conditionsTask(b)
	l.found(b, task) // the gridders of the radar are there as well
	round := 0
	for name, shared := range map[string]bool{"shared": true, "alone": false} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				round++
				own := task
				if !shared {
					own.Moment = task.Moment.Add(time.Duration(round) * time.Millisecond)
				}
				f, _ := l.found(b, own)
				moment := task.Moment.Add(time.Duration(round) * time.Second)
				if err := l.service.publish(b.Context(), bus.Conditions, p.ID, bus.Whole, moment, f.message(p.ID, moment, nil)); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
