package message

import (
	"context"
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/agent"
	"rimeline/seedability/bus"
	"rimeline/seedability/profile"
)

// slab is an invented atmosphere: ground at 3000 m, wind of 10 m/s to the east,
// 6.5 K/km, and a cloud of 0.2 g/m3 from 2500 to 4000 m for six hours.
func slab(t testing.TB) *grid.Atmosphere {
	t.Helper()
	air, err := grid.NewAtmosphere(grid.Analytic{
		Grid: &grid.Grid{Name: "latitude_longitude", Projection: grid.LatLonProjection{}, NI: 41, NJ: 21,
			X: grid.Axis{First: -115.5, Step: .05}, Y: grid.Axis{First: 43.5, Step: .05}},
		Times:            []time.Time{night, night.Add(6 * time.Hour)},
		TerrainAltitudeM: func(grid.LatLon) float64 { return 3000 },
		StateAt: func(p grid.Position, _ float64, _ time.Time) grid.State {
			s := grid.State{Wind: grid.Wind{EastwardMPerS: 10}}
			s.AirTemperatureK = 273.15 - .0065*(p.AltitudeM-1500)
			s.PressurePa = 84556 * math.Pow(s.AirTemperatureK/273.15, 9.80665/(287.05*.0065))
			s.SpecificHumidity = .002
			if p.AltitudeM >= 2500 && p.AltitudeM <= 4000 {
				s.CloudLiquidKgPerKg = .2e-3 / (s.PressurePa / (287.05 * s.AirTemperatureK))
			}
			return s
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return air
}

type everywhere struct{}

func (everywhere) TargetID() string          { return "east" }
func (everywhere) TargetName() string        { return "East" }
func (everywhere) Contains(grid.LatLon) bool { return true }
func (everywhere) Outline() []grid.LatLon {
	return []grid.LatLon{{LatitudeDeg: 43.6, LongitudeDeg: -115}, {LatitudeDeg: 44.4, LongitudeDeg: -115}, {LatitudeDeg: 44.4, LongitudeDeg: -114}}
}

// judged are real assessments of the slab: with a window, without liquid's
// knowledge of radar, blind by age, and of which nothing is known.
func judged(t testing.TB) []seedability.Assessment {
	t.Helper()
	site := seedability.Site{ID: "here", Name: "Here", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -115}, AltitudeM: math.NaN(), ReleaseHeightM: 10,
		Barrier: &profile.Barrier{CrestAltitudeM: 3300, TowardDeg: 90, ReleaseAltitudeM: math.NaN()},
		Agent:   seedability.Agent{RateGPerS: 20. / 3600, Yield: agent.ContactField(), NucleationTimeS: math.NaN()}, Targets: []seedability.Target{everywhere{}}}
	evidence := seedability.Evidence{Atmosphere: slab(t), ModelLabel: "slab", ModelFiles: []seedability.File{{Name: "slab.grib2", SHA256: digestA}}}
	var all []seedability.Assessment
	for _, release := range []time.Duration{0, 2 * time.Hour, 3 * time.Hour} {
		a, err := seedability.Assess(context.Background(), "larkspur", site, night.Add(release), night, evidence, seedability.DefaultMethod())
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, a)
	}
	old, err := seedability.Assess(context.Background(), "larkspur", site, night, night.Add(20*time.Hour), evidence, seedability.DefaultMethod())
	if err != nil {
		t.Fatal(err)
	}
	return append(all, old, seedability.Blind("larkspur", site, night, "no model run has come yet"))
}

// What the program really makes fits its schema and survives the way through an
// event.
func TestRealDataFitTheirSchema(t *testing.T) {
	assessments := judged(t)
	if assessments[0].State != seedability.StateWindow || assessments[3].State != seedability.StateBlind {
		t.Fatalf("the slab gives %s and %s, want window and blind", assessments[0].State, assessments[3].State)
	}
	outlook, err := seedability.NewOutlook(assessments[:3], nil, seedability.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	later, err := seedability.NewOutlook(assessments[:3], &outlook, seedability.DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	standing := seedability.Settle(nil, assessments[0], &outlook, seedability.DefaultLimits())
	settled := assessments[0]
	settled.Standing = &standing
	for _, m := range []struct {
		kind bus.Kind
		data any
	}{
		{bus.Score, assessments[0]}, {bus.Score, assessments[1]}, {bus.Score, assessments[3]}, {bus.Score, assessments[4]}, {bus.Score, settled},
		{bus.Outlook, outlook}, {bus.Outlook, later},
		{bus.Score, seedability.Assessment{State: seedability.StateBlind}}, // lists and maps are null
	} {
		e, err := bus.NewEvent(m.kind, "larkspur", "here", night, m.data)
		if err != nil {
			t.Fatal(err)
		}
		encoded, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		if site, ok := m.data.(seedability.Assessment); ok && site.Site.ID == "" {
			// Of the empty assessment only the kinds of values count, not its
			// zero temperatures.
			if err := dataSchema(t, e.DataSchema).Validate(parsed(t, e.Data)); err != nil {
				t.Error(err)
			}
		} else {
			validateEvent(t, encoded)
		}
		back, err := Decode(e)
		if err != nil {
			t.Fatal(err)
		}
		if a, ok := m.data.(seedability.Assessment); ok {
			a.Landings = nil // not published
			m.data = a
		}
		if got, want := pretty(t, back), pretty(t, m.data); string(got) != string(want) {
			t.Errorf("%s came back changed: %s", m.kind.Name, firstDifference(got, want))
		}
	}
}

// Every invented message is read back as it was, as its own type.
func TestRoundTrip(t *testing.T) {
	for name, data := range invented() {
		k := slices.IndexFunc(readers, func(r reader) bool { return r.kind.Name == name })
		back, err := Decode(inventedEvent(t, readers[k].kind))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(back, data) {
			t.Errorf("%s:\ngot  %+v\nwant %+v", name, back, data)
		}
	}
}

// The schemas must be able to refuse: each change of a good message is a fault
// that a reader should hear of.
func TestSchemasRefuse(t *testing.T) {
	for _, test := range []struct{ kind, old, with, fault string }{
		{"score", `"value":69.78`, `"value":169.78`, "a score above 100"},
		{"score", `"value":69.78`, `"value":"69.78"`, "a number as text"},
		{"score", `"state":"window"`, `"state":"open"`, "a state that does not exist"},
		{"score", `"as_of":"2026-01-14T05:40:00Z"`, `"as_of":"2026-01-14 05:40"`, "a time that is not RFC 3339"},
		{"score", `"as_of":"2026-01-14T05:40:00Z"`, `"as_of":"2026-01-14T06:40:00+01:00"`, "a time that is not UTC"},
		{"score", `"state_reason"`, `"why"`, "no reason"},
		{"score", `"latitude_deg":44.02`, `"latitude_deg":144.02`, "a latitude of 144"},
		{"score", `"latitude_deg":44.02`, `"lat":44.02`, "no latitude"},
		{"score", `"target_probability":0.6`, `"target_probability":60`, "a probability in per cent"},
		{"score", `"air_temperature_k":265.1`, `"air_temperature_k":-8.05`, "a temperature in degrees Celsius"},
		{"score", `"members":100`, `"members":99.5`, "half a member"},
		{"score", `"bearing_deg":74`, `"bearing_deg":-286`, "a negative bearing"},
		{"score", `"kind":"band"`, `"kind":"line"`, "an object that is neither band nor cell"},
		{"score", `"sha256":"0b9c`, `"sha256":"0B9C`, "a digest in capitals"},
		{"score", `"components":[`, `"components":[7,`, "a component that is a number"},
		{"outlook", `"state":"quiet"`, `"state":""`, "an empty state"},
		{"outlook", `"peak_score":78`, `"peak_score":null`, "a window without score"},
		{"outlook", `"best":`, `"top":`, "a window without best time"},
		{"input", `"bytes":98400000`, `"bytes":-1`, "a negative size"},
		{"input", `"url":"https://store.example`, `"url":"store .example`, "an address that is none"},
		{"input", `"fetched_time"`, `"fetched"`, "no time of arrival"},
		{"input", `"south_deg":43`, `"south_deg":"43 N"`, "a latitude as text"},
		{"health", `"state":"degraded"`, `"state":"poorly"`, "a state that does not exist"},
		{"health", `"behind_seconds":1320`, `"behind_seconds":-1320`, "a source ahead of itself"},
		{"health", `"waiting":12`, `"waiting":"12"`, "a number as text"},
		{"dead-letter", `"deliveries":5`, `"deliveries":"many"`, "a count in words"},
		{"dead-letter", `"job":{`, `"task":{`, "no job"},
		{"conditions", `"mm_per_h":6.4`, `"mm_per_h":-6.4`, "a negative rate"},
		{"conditions", `"liquid_share":0`, `"liquid_share":40`, "a share in per cent"},
		{"conditions", `"covered_share":0.97`, `"covered":0.97`, "no covered share"},
		{"conditions", `"altitude_m":1630`, `"altitude_m":"1630 m"`, "an altitude as text"},
		{"conditions", `"from_deg":255`, `"from_deg":-105`, "a negative direction"},
		{"hold", `"outcome":"held"`, `"outcome":"on"`, "an outcome that does not exist"},
		{"hold", `"condition":"held"`, `"condition":"ok"`, "a condition that does not exist"},
		{"hold", `"results":[`, `"results":[1,`, "a result that is a number"},
		{"hold", `"key":"season"`, `"name2":"season"`, "no key"},
		{"hold", `"at":"2026-01-14T05:40:00Z"`, `"at":"2026-01-14T05:40"`, "a time that is not RFC 3339"},
		{"order", `"action":"set"`, `"action":"fire"`, "an action that does not exist"},
		{"order", `"by":`, `"who":`, "nobody who decided"},
		{"order", `"sites":["saddlehorn"]`, `"sites":"saddlehorn"`, "a site that is no list"},
		{"alert", `"severity":"severe"`, `"severity":"bad"`, "a severity that does not exist"},
		{"alert", `"exercise":false`, `"exercise":"no"`, "an exercise in words"},
		{"alert", `"caution":`, `"hint":`, "no caution"},
		{"alert", `"latitude_deg":44.02`, `"latitude_deg":94.02`, "a latitude of 94"},
		{"alert", `"kind":"hold-raised"`, `"kind":""`, "no kind"},
		{"ack", `"by":`, `"from":`, "nobody who acknowledged"},
		{"delivery", `"outcome":"retrying"`, `"outcome":"gone"`, "an outcome that does not exist"},
		{"delivery", `"attempt":2`, `"attempt":-2`, "a negative count"},
		{"advice", `"withheld":false`, `"withheld":0`, "a number for no"},
		{"advice", `"grams_total":64`, `"grams_total":-64`, "a negative amount"},
		{"advice", `"caution":`, `"hint":`, "no caution"},
		{"release", `"grams":16`, `"grams":"16 g"`, "an amount as text"},
		{"release", `"site":`, `"place":`, "no site"},
	} {
		k := slices.IndexFunc(readers, func(r reader) bool { return r.kind.Name == test.kind })
		e := inventedEvent(t, readers[k].kind)
		schema := dataSchema(t, e.DataSchema)
		if err := schema.Validate(parsed(t, e.Data)); err != nil {
			t.Fatalf("%s: %v", test.kind, err)
		}
		if schema.Validate(parsed(t, replaced(t, e.Data, test.old, test.with))) == nil {
			t.Errorf("the schema of %s accepts %s (%s)", test.kind, test.fault, test.with)
		}
	}
}

// Fields that no schema names, at any depth, are no fault.
func TestUnknownFieldsAreTolerated(t *testing.T) {
	for _, r := range readers {
		if ofOthers[r.kind.Name] {
			continue
		}
		e := inventedEvent(t, r.kind)
		want, err := Decode(e)
		if err != nil {
			t.Fatal(err)
		}
		const unknown = `{"tomorrow_kelvins":[1,{"x":null}],"`
		more := strings.ReplaceAll(string(e.Data), `{"`, unknown)
		// Not into maps, whose names are data, and not into the job of a dead
		// letter, which is handed on as it is.
		for _, name := range []string{"fates", "isotherms_m", "counts", "job"} {
			more = strings.ReplaceAll(more, `"`+name+`":`+unknown, `"`+name+`":{"`)
		}
		if strings.Count(more, unknown) < 1 || r.kind == bus.Score && strings.Count(more, unknown) < 30 {
			t.Fatalf("%s: %d unknown fields", r.kind.Name, strings.Count(more, unknown))
		}
		e.Data = json.RawMessage(more)
		got, err := Decode(e)
		if err != nil {
			t.Errorf("%s: %v", r.kind.Name, err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: an unknown field changed what was read", r.kind.Name)
		}
		if err := dataSchema(t, e.DataSchema).Validate(parsed(t, e.Data)); err != nil {
			t.Errorf("%s: %v", r.kind.Name, err)
		}
	}
}
