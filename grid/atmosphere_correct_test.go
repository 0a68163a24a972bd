package grid

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

const metresPerDegree = EarthRadiusM * math.Pi / 180

// flatBox is air of 10 m/s from the west and 2 from the south over a plane at
// 1000 m, six hours.
func flatBox(t testing.TB) *Atmosphere {
	t.Helper()
	a, err := NewAtmosphere(Analytic{
		Grid: testGrid(41, 61, 0.1), Times: hours(6),
		TerrainAltitudeM: func(LatLon) float64 { return 1000 },
		StateAt: func(p Position, heightM float64, at time.Time) State {
			s := layered(Wind{10, 2, 0.1}, 0.0065)(p, heightM, at)
			s.CloudLiquidKgPerKg = 0
			return s
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

var boxMiddle = LatLon{40, -107}

// offset is the box's own column and something more.
func offset(t testing.TB, a *Atmosphere, p LatLon, at time.Time, eastward, northward, kelvin float64) Observation {
	t.Helper()
	column, ok := a.ColumnAt(p, at)
	if !ok {
		t.Fatalf("no column at %v, %s", p, at)
	}
	for k := range column.Levels {
		column.Levels[k].EastwardMPerS += eastward
		column.Levels[k].NorthwardMPerS += northward
		column.Levels[k].AirTemperatureK += kelvin
	}
	column.Label = "KTST"
	return Observation{Column: column, Kind: "sounding"}
}

// increments at a place, altitude and time.
func increments(t testing.TB, before, after *Atmosphere, p LatLon, altitudeM float64, at time.Time) (eastward, northward, kelvin float64) {
	t.Helper()
	x, ok := before.StateAt(Position{p, altitudeM}, at)
	y, ok2 := after.StateAt(Position{p, altitudeM}, at)
	if !ok || !ok2 {
		t.Fatalf("nothing at %v %g m %s", p, altitudeM, at)
	}
	return y.EastwardMPerS - x.EastwardMPerS, y.NorthwardMPerS - x.NorthwardMPerS, y.AirTemperatureK - x.AirTemperatureK
}

func north(p LatLon, metres float64) LatLon {
	return LatLon{p.LatitudeDeg + metres/metresPerDegree, p.LongitudeDeg}
}

// TestCorrectedByNothing: what agrees changes no byte, and copies none.
func TestCorrectedByNothing(t *testing.T) {
	rough, err := NewAtmosphere(Analytic{
		Grid: testGrid(31, 21, 0.07), Times: hours(3),
		TerrainAltitudeM: func(p LatLon) float64 { return 1500 + 400*math.Sin(9*p.LongitudeDeg)*math.Cos(7*p.LatitudeDeg) },
		StateAt: func(p Position, heightM float64, at time.Time) State {
			s := layered(Wind{8 + heightM/500, 3 * math.Sin(10*p.LatitudeDeg), 0.3}, 0.006)(p, heightM, at)
			s.AirTemperatureK += math.Sin(3 * p.LongitudeDeg)
			return s
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	between := Observation{Column: Column{Place: LatLon{39.9, -106.8}, Time: hours(1)[0].Add(time.Hour)}}
	for altitudeM := 2100.0; altitudeM < 9000; altitudeM += 273 {
		s, _ := rough.StateAt(Position{between.Column.Place, altitudeM}, between.Column.Time)
		l := MissingLevel()
		l.AltitudeM, l.EastwardMPerS, l.NorthwardMPerS, l.AirTemperatureK = altitudeM, s.EastwardMPerS, s.NorthwardMPerS, s.AirTemperatureK
		between.Column.Levels = append(between.Column.Levels, l)
	}
	for name, observations := range map[string][]Observation{
		"none": nil,
		// Linear in height by construction, so equal at levels between as well.
		"between its levels": {between},
		"equal":              {offset(t, rough, LatLon{40.013, -107.22}, hours(1)[0].Add(17*time.Minute), 0, 0, 0), offset(t, rough, boxMiddle, hours(1)[0], 0, 0, 0)},
	} {
		box, c := rough.Corrected(observations, CorrectionOptions{})
		if &box.hot[0] != &rough.hot[0] || c.Changed() || len(c.Used) != len(observations) || len(c.Refused) != 0 {
			t.Errorf("%s: changed: %+v", name, c)
		}
	}
	// The nodes are copied where anything is to be changed; far from it they
	// keep their bytes, and those of the original do everywhere.
	kept := slices.Clone(rough.hot)
	o := CorrectionOptions{LengthM: 5000}
	box, c := rough.Corrected([]Observation{offset(t, rough, boxMiddle, hours(1)[0], 3, 0, 1)}, o)
	if !slices.Equal(kept, rough.hot) {
		t.Error("the original is changed")
	}
	differ := 0
	for column := range box.ni * box.nj {
		place, _ := box.grid.LatLonAt(float64(column%box.ni), float64(column/box.ni))
		from, to := box.node(0, column)*nodeSize, (box.node(0, column)+len(box.heightsM))*nodeSize
		same := slices.Equal(box.hot[from:to], rough.hot[from:to])
		if near := DistanceM(place, boxMiddle) < 15e3; near == same && DistanceM(place, boxMiddle) > 20e3 || near && same {
			t.Fatalf("%.0f km away: same %v", DistanceM(place, boxMiddle)/1000, same)
		}
		if !same {
			differ++
		}
	}
	if differ == 0 || c.ChangedNodes == 0 {
		t.Errorf("%d columns differ, %d nodes", differ, c.ChangedNodes)
	}
}

// TestCorrectedByOne: a single observation counts σ²/(σ²+σ_i²) exp(-d²/(2L²)) f(t),
// the formulas of Corrected.
func TestCorrectedByOne(t *testing.T) {
	a := flatBox(t)
	start := hours(1)[0]
	perfect := offset(t, a, boxMiddle, start, 5, -2, 1.5)
	perfect.WindErrorMPerS, perfect.TemperatureErrorK = 0.01, 0.01
	ordinary := offset(t, a, boxMiddle, start, 5, -2, 1.5)
	halved := offset(t, a, boxMiddle, start, 5, -2, 1.5)
	for range halved.Column.Levels {
		halved.Quality = append(halved.Quality, 0.5)
	}
	for _, test := range []struct {
		name               string
		observation        Observation
		wind, temperature  float64
		windTol, kelvinTol float64
	}{
		{"perfect", perfect, 1, 1, 1e-4, 1e-3},
		{"ordinary", ordinary, 9.0 / (9 + 4), 1 / (1 + 0.49), 1e-4, 1e-3},
		{"half quality", halved, 9.0 / (9 + 16), 1 / (1 + 4*0.49), 1e-4, 1e-3},
	} {
		box, c := a.Corrected([]Observation{test.observation}, CorrectionOptions{})
		for _, at := range []struct {
			northM, hour, factor float64
			source               string
		}{
			{0, 0, 1, "its own place and time"},
			{0, 1, 1, "in full for an hour"},
			{0, 2, 0.5, "half way from 1 to 3 h"},
			{0, 1.5, 0.75, "linear between states"},
			{0, 3, 0, "none after 3 h"},
			{60e3, 0, 0.60653, "exp(-1/2)"},
			{-120e3, 0, 0.13534, "exp(-2)"},
			{60e3, 2, 0.30327, "exp(-1/2)/2"},
			{240e3, 0, 0, "exp(-8) counts as nothing"},
		} {
			// Linear between rows 11 km apart: h²/(8L²) = 0.4 %.
			tolerance := 0.005 * math.Abs(at.northM) / 60e3
			when := start.Add(time.Duration(at.hour * float64(time.Hour)))
			for _, altitudeM := range []float64{1005, 1777, 5000, 12000} {
				e, n, k := increments(t, a, box, north(boxMiddle, at.northM), altitudeM, when)
				near(t, test.name+" eastward", e, 5*test.wind*at.factor, 5*(test.windTol+tolerance), at.source)
				near(t, test.name+" northward", n, -2*test.wind*at.factor, 5*(test.windTol+tolerance), at.source)
				near(t, test.name+" temperature", k, 1.5*test.temperature*at.factor, 1.5*(test.kelvinTol+tolerance), at.source)
			}
		}
		rms := math.Hypot(5, 2)
		near(t, "wind before", c.RMSWindBeforeMPerS, rms, 1e-6, "given")
		near(t, "wind after", c.RMSWindAfterMPerS, rms*(1-test.wind), 1e-3, "what the weight leaves")
		near(t, "temperature before", c.RMSTemperatureBeforeK, 1.5, 1e-6, "given")
		near(t, "temperature after", c.RMSTemperatureAfterK, 1.5*(1-test.temperature), 1e-3, "what the weight leaves")
		near(t, "largest increment", c.MaxWindIncrementMPerS, rms*test.wind, 1e-3, "at the observation")
		near(t, "largest difference", c.MaxWindDifferenceMPerS, rms, 1e-6, "given")
		if c.WindLevels != len(DefaultHeightsM) || c.TemperatureLevels != len(DefaultHeightsM) || c.LimitedNodes != 0 {
			t.Errorf("%s: %+v", test.name, c)
		}
		if notes := strings.Join(box.Notes(), "; "); !strings.Contains(notes, "sounding KTST of 2030-01-10T00:00Z: wind at") {
			t.Errorf("notes %q", notes)
		}
	}
}

// TestCorrectedBySeveral: weights by hand from the equations of Corrected, d = 4
// m/s each.
func TestCorrectedBySeveral(t *testing.T) {
	a := flatBox(t)
	start := hours(1)[0]
	at := func(northM float64, hour int, eastward float64) Observation {
		return offset(t, a, north(boxMiddle, northM), hours(6)[hour], eastward, 0, 0)
	}
	exact := at(0, 0, 4)
	exact.WindErrorMPerS = 0.01
	for _, test := range []struct {
		name         string
		observations []Observation
		hour         int
		want         float64
		source       string
	}{
		{"one", []Observation{at(0, 0, 4)}, 0, 2.7692, "4 x 9/13"},
		{"two alike", []Observation{at(0, 0, 4), at(0, 0, 4)}, 0, 3.2727, "4 x 18/22"},
		{"two exact ones", []Observation{exact, exact}, 0, 4, "never more than was observed"},
		{"two 60 km apart", []Observation{at(0, 0, 4), at(60e3, 0, 4)}, 0, 3.1332, "4 x 9 (1+0.60653)/(13+9 x 0.60653)"},
		{"two that contradict", []Observation{at(0, 0, 4), at(0, 0, -4)}, 0, 0, "symmetry"},
		// S = 13 (1-1/2)/(1/2) = 13, shared: [26 22; 22 26].
		{"two of two hours ago", []Observation{at(0, 0, 4), at(0, 0, 4)}, 2, 1.5, "4 x 18/48"},
		// One before, one after: [26 9; 9 26].
		{"two hours ago and ahead", []Observation{at(0, 0, 4), at(0, 4, 4)}, 2, 2.0571, "4 x 18/35"},
		// The fresh one rules: [13 9; 9 26] a = [4 -4], a = [4(26+9), -4(13+9)]/257.
		{"fresh and old", []Observation{at(0, 2, 4), at(0, 0, -4)}, 2, 9 * 4 * (35.0 - 22) / 257, "by hand"},
	} {
		box, c := a.Corrected(test.observations, CorrectionOptions{})
		if len(c.Used) != len(test.observations) {
			t.Errorf("%s: refused %q", test.name, c.Refused)
		}
		e, n, _ := increments(t, a, box, boxMiddle, 3000, hours(6)[test.hour])
		near(t, test.name, e, test.want, 2e-3, test.source)
		near(t, test.name, n, 0, 1e-4, "nothing northward")
	}
	// Only the newest of too many.
	var many []Observation
	for k := range 40 {
		many = append(many, at(0, 0, 4))
		many[k].Column.Time = start.Add(time.Duration(k) * time.Minute)
	}
	_, c := a.Corrected(many, CorrectionOptions{})
	if len(c.Used) != maxObservations || len(c.Refused) != 8 || !strings.Contains(c.Used[0], "00:39Z") || !strings.Contains(c.Refused[7], "00:00Z: 32 newer") {
		t.Errorf("%d used, first %q; %d refused, last %q", len(c.Used), c.Used[0], len(c.Refused), c.Refused[len(c.Refused)-1])
	}
}

// TestCorrectionInTheVertical: in full where levels are, faded beyond their
// ends, nothing in a gap.
func TestCorrectionInTheVertical(t *testing.T) {
	a := flatBox(t)
	start := hours(1)[0]
	level := func(altitudeM float64) ColumnLevel {
		l := MissingLevel()
		s, ok := a.StateAt(Position{boxMiddle, altitudeM}, start)
		if !ok {
			t.Fatal(altitudeM)
		}
		l.AltitudeM, l.EastwardMPerS, l.NorthwardMPerS = altitudeM, s.EastwardMPerS+4, s.NorthwardMPerS
		return l
	}
	observation := Observation{
		Kind: "vad", WindErrorMPerS: 0.01,
		Column: Column{Place: boxMiddle, Time: start, Levels: []ColumnLevel{ // in no order
			level(3000), level(2200), MissingLevel(), level(5000), level(4900), level(2000),
		}},
	}
	observation.Column.Levels = append(observation.Column.Levels, ColumnLevel{AltitudeM: 3500, EastwardMPerS: 10, NorthwardMPerS: math.NaN()})
	box, c := a.Corrected([]Observation{observation}, CorrectionOptions{})
	for _, test := range []struct {
		altitudeM, want, tolerance float64
		source                     string
	}{
		{2000, 4, 1e-3, "the lowest level"}, {2600, 4, 1e-3, "between levels 800 m apart"}, {3000, 4, 1e-3, "before the gap"},
		{1800, 2.4, 1e-3, "200 m below: 3/5"}, {1500, 0, 1e-3, "500 m below"}, {1005, 0, 1e-3, "far below"},
		// The box's levels are 200 m apart here and 500 m above 5000 m.
		{3200, 2.4, 1e-3, "200 m into the gap: 3/5"}, {4000, 0, 1e-3, "in the gap of 1900 m"},
		{4600, 1.6, 1e-3, "300 m below the next: 2/5"}, {5000, 4, 1e-3, "a level"}, {5500, 0, 1e-3, "500 m above"},
	} {
		e, _, k := increments(t, a, box, boxMiddle, test.altitudeM, start)
		near(t, fmt.Sprintf("at %g m", test.altitudeM), e, test.want, test.tolerance, test.source)
		near(t, "temperature", k, 0, 0, "none was observed")
	}
	if c.WindLevels != 5 || c.TemperatureLevels != 0 || !math.IsNaN(c.RMSTemperatureBeforeK) {
		t.Errorf("%+v", c)
	}
}

// TestByAltitude: what is measured over a plain applies at the same altitude
// over a mountain, not at the same height.
func TestByAltitude(t *testing.T) {
	a, err := NewAtmosphere(Analytic{
		Grid: testGrid(21, 41, 0.1), Times: hours(2),
		TerrainAltitudeM: func(p LatLon) float64 { return map[bool]float64{true: 2500, false: 500}[p.LatitudeDeg > 40.25] },
		StateAt:          layered(Wind{10, 0, 0}, 0.0065),
	})
	if err != nil {
		t.Fatal(err)
	}
	observation := offset(t, a, boxMiddle, hours(1)[0], 0, 0, 0)
	observation.WindErrorMPerS = 0.01
	for k := range observation.Column.Levels {
		l := &observation.Column.Levels[k]
		l.EastwardMPerS += l.AltitudeM / 1000
	}
	box, _ := a.Corrected([]Observation{observation}, CorrectionOptions{})
	e, _, _ := increments(t, a, box, north(boxMiddle, 60e3), 4000, hours(1)[0])
	near(t, "at 4000 m over the mountain", e, 4*0.60653, 0.02, "4 m/s at 4000 m, exp(-1/2)")
}

func TestRefusedObservations(t *testing.T) {
	a := flatBox(t)
	start := hours(1)[0]
	at := func(change func(*Observation)) Observation {
		o := offset(t, a, boxMiddle, start, 2, 0, 0.5)
		if change != nil {
			change(&o)
		}
		return o
	}
	levels := len(DefaultHeightsM)
	for _, test := range []struct {
		name        string
		observation Observation
		used        int
		refused     []string
	}{
		{"good", at(nil), 1, nil},
		{"wind of another place", offset(t, a, boxMiddle, start, 12, 12, 0), 1, []string{"wind is 17.0 m/s", "inconsistent"}},
		{"Celsius", at(func(o *Observation) {
			for k := range o.Column.Levels {
				o.Column.Levels[k].AirTemperatureK -= 273.15
			}
		}), 1, nil}, // impossible temperatures count as missing
		{"7 K off", offset(t, a, boxMiddle, start, 0, 0, -7), 1, []string{"temperature is 7.0 K", "inconsistent"}},
		{"both off", offset(t, a, boxMiddle, start, 20, 0, 7), 0, []string{"wind is 20.0", "temperature is 7.0"}},
		{"elsewhere", at(func(o *Observation) { o.Column.Place = LatLon{50, 7} }), 0, []string{"50.0000, 7.0000 is outside"}},
		{"nowhere", at(func(o *Observation) { o.Column.Place = LatLon{math.NaN(), -107} }), 0, []string{"outside"}},
		{"before the box", at(func(o *Observation) { o.Column.Time = start.Add(-14 * time.Minute) }), 1, nil},
		{"long before", at(func(o *Observation) { o.Column.Time = start.Add(-16 * time.Minute) }), 0, []string{"more than 15m0s from the times"}},
		{"no time", at(func(o *Observation) { o.Column.Time = time.Time{} }), 0, []string{"from the times"}},
		{"long after", at(func(o *Observation) { o.Column.Time = start.Add(7 * time.Hour) }), 0, []string{"from the times"}},
		{"empty", at(func(o *Observation) { o.Column.Levels = nil }), 0, []string{"no level has"}},
		{"no quality", at(func(o *Observation) { o.Quality = make([]float64, levels) }), 0, []string{"no level has"}},
		{"below ground", at(func(o *Observation) { o.Column.Levels = []ColumnLevel{{AltitudeM: 900, AirTemperatureK: 280}} }), 0,
			[]string{"wind: no level lies between", "temperature: no level lies between"}},
	} {
		box, c := a.Corrected([]Observation{test.observation}, CorrectionOptions{})
		if len(c.Used) != test.used || (len(c.Refused) == 0) != (test.refused == nil) {
			t.Errorf("%s: used %q, refused %q", test.name, c.Used, c.Refused)
		}
		all := strings.Join(c.Refused, "; ")
		for _, want := range test.refused {
			if !strings.Contains(all, want) || !strings.Contains(strings.Join(box.Notes(), "; "), want) {
				t.Errorf("%s: refused %q, notes %q: %q is missing", test.name, c.Refused, box.Notes(), want)
			}
		}
		if test.used == 0 && (&box.hot[0] != &a.hot[0] || c.Changed()) {
			t.Errorf("%s: changed", test.name)
		}
	}
	// One level in twenty is passed over, and bridged.
	one := at(nil)
	one.WindErrorMPerS = 0.01
	one.Column.Levels[10].EastwardMPerS += 60
	box, c := a.Corrected([]Observation{one}, CorrectionOptions{})
	if len(c.Used) != 1 || !strings.Contains(c.Used[0], fmt.Sprintf("without 1 of %d that are more than 15 m/s off", levels)) {
		t.Errorf("%q %q", c.Used, c.Refused)
	}
	e, _, _ := increments(t, a, box, boxMiddle, one.Column.Levels[10].AltitudeM, start)
	near(t, "at the level passed over", e, 2, 1e-3, "its neighbours")
	near(t, "largest difference", c.MaxWindDifferenceMPerS, 62, 1e-6, "what is passed over counts")
}

func TestCorrectionLimits(t *testing.T) {
	a := flatBox(t)
	start := hours(1)[0]
	observation := offset(t, a, boxMiddle, start, 9, -9, 5)
	observation.WindErrorMPerS, observation.TemperatureErrorK = 0.01, 0.01
	box, c := a.Corrected([]Observation{observation}, CorrectionOptions{})
	e, n, k := increments(t, a, box, boxMiddle, 3000, start)
	near(t, "eastward", e, 8/math.Sqrt2, 1e-4, "8 m/s in the direction observed")
	near(t, "northward", n, -8/math.Sqrt2, 1e-4, "8 m/s in the direction observed")
	near(t, "temperature", k, 3, 1e-4, "the limit")
	near(t, "largest increment", c.MaxWindIncrementMPerS, 8, 1e-9, "the limit")
	near(t, "largest increment", c.MaxTemperatureIncrementK, 3, 1e-9, "the limit")
	if c.LimitedNodes == 0 || !strings.Contains(c.Used[0], "no more than 8 m/s is corrected") || !strings.Contains(c.Used[0], "no more than 3 K is corrected") {
		t.Errorf("%d limited, %q", c.LimitedNodes, c.Used)
	}
	// 75 km away 12.7 x 0.458 = 5.8 m/s is within it.
	e, _, _ = increments(t, a, box, north(boxMiddle, 75e3), 3000, start)
	near(t, "75 km away", e, 9*0.45783, 0.05, "9 exp(-(75/60)²/2)")
}

// TestCorrectedFollowsTheGround: along a slope of 1 in 10, a change of wind of
// 5 m/s makes 0.5 m/s, in the layer next to the ground or throughout.
func TestCorrectedFollowsTheGround(t *testing.T) {
	slope := func(p LatLon) float64 {
		return 1000 + 0.1*(p.LongitudeDeg+107)*metresPerDegree*math.Cos(40*math.Pi/180)
	}
	for _, given := range []bool{true, false} {
		m := standard(testGrid(9, 9, 0.1), hours(1), true)
		m.fields = without(m.fields, func(f *Field) bool { return f.Level.Code == 1 })
		m.add("surface_altitude", "m", groundLevel, hours(1)[0], slope)
		for _, l := range standardLevels {
			if given {
				m.add("upward_air_velocity", "m s-1", isobaric(l.pressurePa), hours(1)[0], constant(0.7))
			}
		}
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{HoldFor: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		observation := offset(t, a, boxMiddle, hours(1)[0], 5, 0, 0)
		observation.WindErrorMPerS = 0.01
		box, _ := a.Corrected([]Observation{observation}, CorrectionOptions{})
		for _, test := range []struct{ heightM, given, derived float64 }{
			{5, 0.5 * (1 - 10.0/150), 0.5 * math.Exp(-10.0/2000)}, // the lowest level is 10 m
			{60, 0.5 * (1 - 60.0/150), 0.5 * math.Exp(-60.0/2000)},
			{1000, 0, 0.5 * math.Exp(-0.5)},
			{4000, 0, 0.5 * math.Exp(-2)},
		} {
			p := Position{boxMiddle, 1000 + test.heightM}
			before, _ := a.WindAt(p, hours(1)[0])
			after, ok := box.WindAt(p, hours(1)[0])
			if !ok {
				t.Fatal("outside")
			}
			want := test.derived
			if given {
				want = test.given
			}
			near(t, fmt.Sprintf("given %v, change of w at %g m", given, test.heightM), after.UpwardMPerS-before.UpwardMPerS, want, 2e-3,
				"5 m/s x 0.1, linear up to 150 m or exp(-z/2000 m)")
		}
		if given {
			continue
		}
		// As if it had been built of the corrected wind.
		s, _ := box.StateAt(Position{boxMiddle, 1010}, hours(1)[0])
		near(t, "w at the ground", s.UpwardMPerS, s.EastwardMPerS*0.1*math.Exp(-10.0/2000), 2e-3, "U . grad(h) of the new wind")
	}
}

// TestCorrectedMoistureAndStability: specific humidity stays, but for cooling
// to saturation and in cloud; stability is that of the new profile.
func TestCorrectedMoistureAndStability(t *testing.T) {
	for _, test := range []struct {
		name            string
		humidity, cloud float64 // cloud NaN for a source without
		kelvin, want    float64 // relative humidity after; 0 for constant specific humidity
	}{
		{"warmed", 0.7, 0, 2, 0},
		{"cooled, still dry", 0.5, 0, -2, 0},
		{"cooled to saturation", 0.95, 0, -2, 1},
		{"supersaturated, cooled", 1.02, 0, -2, 1.02},
		{"cloud warmed", 1, 2e-4, 2, 1},
		{"cloud cooled", 1, 2e-4, -2, 1},
		{"cloud a little dry, warmed", 0.97, 2e-4, 2, 0.97},
		{"humid, no cloud water in the source", 0.99, math.NaN(), 2, 0.99},
		{"drier, no cloud water in the source", 0.9, math.NaN(), 2, 0},
	} {
		a, err := NewAtmosphere(Analytic{
			Grid: testGrid(5, 5, 0.1), Times: hours(1), HoldFor: time.Hour,
			StateAt: func(p Position, heightM float64, at time.Time) State {
				s := layered(Wind{10, 0, 0}, 0.0065)(p, heightM, at)
				s.CloudLiquidKgPerKg = test.cloud
				s.SpecificHumidity = specificHumidityOf(test.humidity*saturationWaterPa(s.AirTemperatureK), s.PressurePa)
				return s
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		observation := offset(t, a, boxMiddle, hours(1)[0], 0, 0, test.kelvin)
		// 1 K/km more: the lapse rate changes too.
		for k := range observation.Column.Levels {
			l := &observation.Column.Levels[k]
			l.AirTemperatureK += (l.AltitudeM - 3000) / 1000 * 0.1
		}
		observation.TemperatureErrorK = 0.01
		box, _ := a.Corrected([]Observation{observation}, CorrectionOptions{MaxTemperatureIncrementK: 5})
		p := Position{boxMiddle, 3000}
		before, _ := a.StateAt(p, hours(1)[0])
		after, _ := box.StateAt(p, hours(1)[0])
		near(t, test.name+": temperature", after.AirTemperatureK-before.AirTemperatureK, test.kelvin, 1e-3, "observed")
		near(t, test.name+": pressure", after.PressurePa, before.PressurePa, 0, "stays")
		if test.want == 0 {
			near(t, test.name+": specific humidity", after.SpecificHumidity, before.SpecificHumidity, 0, "stays")
		} else {
			near(t, test.name+": relative humidity", after.RelativeHumidityWater(), test.want, 4e-4, "cap or cloud")
		}
		if test.cloud == 0 {
			near(t, test.name+": stability", after.StabilityPerS2, 9.80665/after.AirTemperatureK*(9.80665/1005.7-0.0065+0.0001), 2e-7, "N² by hand, 6.4 K/km")
		}
		if s := after.CloudLiquidKgPerKg; s != before.CloudLiquidKgPerKg && !math.IsNaN(s) {
			t.Errorf("%s: cloud %g, was %g", test.name, s, before.CloudLiquidKgPerKg)
		}
	}
}

// TestCorrectedMissingColumns: missing stays missing, and nothing else becomes so.
func TestCorrectedMissingColumns(t *testing.T) {
	m := standard(testGrid(9, 9, 0.1), hours(2), true)
	for _, f := range m.fields {
		if f.StandardName == "air_temperature" {
			f.Values[0] = float32(math.NaN())
		}
	}
	a, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	box, c := a.Corrected([]Observation{offset(t, a, boxMiddle, hours(1)[0], 4, 1, 1)}, CorrectionOptions{})
	if c.ChangedNodes == 0 {
		t.Error("nothing changed")
	}
	missing, changed := 0, 0
	for k := 0; k < len(a.hot); k += nodeSize {
		if a.hot[k] == a.hot[k] && !slices.Equal(a.hot[k:k+nodeSize], box.hot[k:k+nodeSize]) {
			changed++
		}
	}
	if changed != c.ChangedNodes {
		t.Errorf("%d nodes are said to be changed, %d are", c.ChangedNodes, changed)
	}
	for k := range a.hot {
		if was, is := a.hot[k] != a.hot[k], box.hot[k] != box.hot[k]; was != is {
			t.Fatalf("number %d of node %d: missing %v, was %v", k%nodeSize, k/nodeSize, is, was)
		} else if was {
			missing++
		}
	}
	if missing == 0 {
		t.Error("nothing is missing: the test tests nothing")
	}
	// Over the missing column nothing can be compared.
	corner, _ := a.grid.LatLonAt(0.5, 0.5)
	observation := offset(t, a, boxMiddle, hours(1)[0], 4, 1, 1)
	observation.Column.Place = corner
	if _, c := a.Corrected([]Observation{observation}, CorrectionOptions{}); len(c.Used) != 0 || len(c.Refused) != 2 {
		t.Errorf("used %q, refused %q", c.Used, c.Refused)
	}
}

// FuzzCorrected: whatever a profile holds, changes stay within the limits and
// what was a number stays one.
func FuzzCorrected(f *testing.F) {
	word := func(values ...float32) (b []byte) {
		for _, v := range values {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
		}
		return b
	}
	nan, inf := float32(math.NaN()), float32(math.Inf(1))
	f.Add(word(40, -107, 600, 2, 0.5, 2000, 12, 3, 270, 1, 3000, 14, 2, 262, 1))
	f.Add(word(40.1, -107.1, 600, 0.01, 0.01, 3000, 12, 3, 262, 1, 3000, 14, 2, 262, 0.001, nan, 1, 1, 1, 1, 2000, nan, 3, 270, nan))
	f.Add(word(39.9, -106.9, 7200, nan, inf, inf, inf, -inf, 1e30, -1, -1e30, 3e38, 3e38, 0, 1e-30, 2500, -20, 0, 300, 1))
	f.Add(word(0, 0, 1e9, 1e-38, 3e38))
	a, err := NewAtmosphere(Analytic{
		Grid: testGrid(5, 4, 0.2), Times: hours(3), HeightsM: []float64{0, 50, 400, 1500, 4000, 9000},
		TerrainAltitudeM: func(p LatLon) float64 { return 1500 + 900*math.Sin(7*p.LongitudeDeg) },
		StateAt:          layered(Wind{10, 3, 0.2}, 0.006),
	})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		next := func() float64 {
			if len(b) < 4 {
				b = nil
				return math.NaN()
			}
			v := math.Float32frombits(binary.LittleEndian.Uint32(b))
			b = b[4:]
			return float64(v)
		}
		var observations []Observation
		for len(b) > 0 && len(observations) < 50 {
			o := Observation{Column: Column{Place: LatLon{next(), next()}}}
			seconds := next()
			o.Column.Time = hours(1)[0].Add(time.Duration(seconds) * time.Second)
			o.WindErrorMPerS, o.TemperatureErrorK = next(), next()
			for k := 0; k < 12 && len(b) > 0; k++ {
				l := MissingLevel()
				l.AltitudeM, l.EastwardMPerS, l.NorthwardMPerS, l.AirTemperatureK = next(), next(), next(), next()
				o.Column.Levels = append(o.Column.Levels, l)
				o.Quality = append(o.Quality, next())
			}
			observations = append(observations, o)
		}
		box, c := a.Corrected(observations, CorrectionOptions{})
		if len(c.Used)+len(c.Refused) < len(observations) {
			t.Fatalf("%d observations, %d used, %d refused", len(observations), len(c.Used), len(c.Refused))
		}
		if !(c.MaxWindIncrementMPerS <= 8*(1+1e-9) && c.MaxTemperatureIncrementK <= 3) {
			t.Fatalf("%+v", c)
		}
		for column := range a.ni * a.nj {
			for n := range len(a.times) * len(a.heightsM) {
				at := (a.node(n/len(a.heightsM), column) + n%len(a.heightsM)) * nodeSize
				was, is := a.hot[at:at+nodeSize], box.hot[at:at+nodeSize]
				for q := range is {
					if is[q] != is[q] || math.IsInf(float64(is[q]), 0) {
						t.Fatalf("number %d is %g, was %g", q, is[q], was[q])
					}
				}
				e, n := a.metrics[column].Metres(float64(is[nodeX]-was[nodeX]), float64(is[nodeY]-was[nodeY]))
				if math.Hypot(e, n) > 8.001 || math.Abs(float64(is[nodeT]-was[nodeT])) > 3.001 || is[nodeQ] < 0 || is[nodeQ] > 0.1 ||
					is[nodeP] != was[nodeP] || is[nodeCloud] != was[nodeCloud] {
					t.Fatalf("node %v, was %v", is, was)
				}
			}
		}
	})
}

// BenchmarkCorrected: two wind profiles and a sounding on the box of 121 x 121
// columns, 25 levels and 5 hours.
func BenchmarkCorrected(b *testing.B) {
	a := benchmarkBox(b)
	wind := func(p LatLon, at time.Time) Observation {
		o := offset(b, a, p, at, 4, -2, math.NaN())
		o.Kind = "vad"
		return o
	}
	observations := []Observation{
		wind(LatLon{40.3, -106.6}, hours(1)[0].Add(70*time.Minute)),
		wind(LatLon{39.4, -107.5}, hours(1)[0].Add(65*time.Minute)),
		offset(b, a, LatLon{39.5, -108.5}, hours(1)[0], 3, 3, 1),
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, c := a.Corrected(observations, CorrectionOptions{}); len(c.Used) != 3 || c.ChangedNodes == 0 {
			b.Fatalf("%+v", c)
		}
	}
}
