package conditions

import (
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
)

var dayHours = []float64{-1, 0, 1, 2, 3, 4, 5, 6}

func TestTimes(t *testing.T) {
	a := invented{airK: cold, hours: dayHours}.atmosphere(t)
	at := func(minutes ...int) (times []time.Time) {
		for _, m := range minutes {
			times = append(times, noon.Add(time.Duration(m)*time.Minute))
		}
		return times
	}
	for _, test := range []struct {
		minute int
		ahead  time.Duration
		want   []time.Time
	}{
		{10, 3 * time.Hour, at(10, 60, 120, 180, 240)},
		{0, 3 * time.Hour, at(0, 60, 120, 180)},
		{10, 30 * time.Minute, at(10, 60)},
		{0, 0, at(0)},
		{10, 48 * time.Hour, at(10, 60, 120, 180, 240, 300, 360)},
		{-60, 2 * time.Hour, at(-60, 0, 60)},
		{-90, 2 * time.Hour, at(-60, 0, 60)}, // the model begins later
		{370, 3 * time.Hour, nil},            // and has ended
	} {
		got := Times(a, noon.Add(time.Duration(test.minute)*time.Minute), test.ahead)
		if len(got) != len(test.want) {
			t.Errorf("minute %d, %s ahead: %v", test.minute, test.ahead, got)
			continue
		}
		for k := range got {
			if !got[k].Equal(test.want[k]) {
				t.Errorf("minute %d, %s ahead: %v, want %v", test.minute, test.ahead, got, test.want)
				break
			}
		}
	}
}

// The model's own rate, where it has one: the highest over the squares, linear
// between columns and hours, liquid equivalent by the wet bulb.
func TestForecastPrecipitationOfTheModelsRate(t *testing.T) {
	peak := grid.LatLon{LatitudeDeg: 44.20, LongitudeDeg: -112.45} // a column of the model
	rate := func(p grid.LatLon, at time.Time) float64 {
		if grid.DistanceM(p, peak) < 100 {
			return 7.2 / 3600 * (1 + at.Sub(noon).Hours())
		}
		return .9 / 3600
	}
	a := areaOf(t, "basin", basin)
	air := NewAir(invented{airK: warm, rate: rate, hours: dayHours}.atmosphere(t))
	for _, test := range []struct{ hours, want float64 }{{0, 7.2}, {1, 14.4}, {1.5, 18}} {
		at := noon.Add(time.Duration(test.hours * float64(time.Hour)))
		p, ok := ForecastPrecipitation(a, air, at)
		if !ok || p.From != "forecast" || p.Place != "basin" || !p.Time.Equal(at) || p.CoveredShare != 1 || !(p.LiquidShare > .99) {
			t.Fatalf("%+v, %v", p, ok)
		}
		// Linear from the column: the middle of the nearest square is at most 0.7 km from
		// it, of a cell of 4.0 by 5.6 km.
		if top := test.want; p.MMPerH > top+.001 || p.MMPerH < .9+(top-.9)*.7 {
			t.Errorf("after %g h: %.2f mm/h, want nearly %g", test.hours, p.MMPerH, test.want)
		}
	}
	// A rate that is not known over a part is not zero there.
	part := func(p grid.LatLon, at time.Time) float64 {
		if p.LongitudeDeg < -112.62 {
			return nan
		}
		return rate(p, at)
	}
	p, ok := ForecastPrecipitation(a, NewAir(invented{airK: warm, rate: part, hours: dayHours}.atmosphere(t)), noon)
	if !ok || !(p.CoveredShare > .6 && p.CoveredShare < .8) {
		t.Errorf("%+v", p)
	}
}

// Without a rate: what falls of the model's rain and snow.
func TestForecastPrecipitationOfMasses(t *testing.T) {
	a := areaOf(t, "basin", basin)
	with := func(rain, snow float64) func(*grid.State, grid.Position, time.Time) {
		return func(s *grid.State, p grid.Position, _ time.Time) { s.RainKgPerKg, s.SnowKgPerKg = rain, snow }
	}
	snowing := NewAir(invented{airK: cold, state: with(0, 3e-4)}.atmosphere(t))
	p, ok := ForecastPrecipitation(a, snowing, noon)
	if !ok || p.CoveredShare != 1 || !(p.LiquidShare < .05) {
		t.Errorf("%+v, %v", p, ok)
	}
	// 1510 m: 101325 exp(-1510/8000) Pa, 5 - 9.8 °C: 1.088 kg m-3; vapour takes off 0.1 %.
	near(t, "snow", p.MMPerH, 3e-4*1.088*3600, .003, "rho q at 1 m/s, by hand")

	// Rain that the model carries in air of a wet bulb below 0 °C is freezing rain.
	p, ok = ForecastPrecipitation(a, NewAir(invented{airK: cold, state: with(3e-4, 1e-4)}.atmosphere(t)), noon)
	if !ok || !(p.LiquidShare > .8) {
		t.Errorf("freezing rain: %+v", p)
	}
	for name, air := range map[string]*Air{
		"no masses, no rate": NewAir(invented{airK: cold}.atmosphere(t)), "no air": NewAir(nil),
	} {
		if p, ok := ForecastPrecipitation(a, air, noon); ok {
			t.Errorf("%s: %+v", name, p)
		}
	}
	if p, ok := ForecastPrecipitation(a, snowing, noon.Add(9*time.Hour)); ok {
		t.Errorf("after the model's end: %+v", p)
	}
	far := areaOf(t, "far", "POLYGON ((-100 44, -99.9 44, -99.9 44.1, -100 44.1, -100 44))")
	if p, ok := ForecastPrecipitation(far, snowing, noon); ok {
		t.Errorf("outside of the model: %+v", p)
	}
}

func TestForecastFreezingLevel(t *testing.T) {
	a := areaOf(t, "basin", basin)
	// 0 °C rises by 100 m each 0.1 degree to the east: highest at the eastern edge.
	tilted := func(p grid.Position, _ time.Time) float64 {
		return 273.15 + .0065*(2500+1000*(p.LongitudeDeg+112.40)-p.AltitudeM)
	}
	air := NewAir(invented{airK: tilted}.atmosphere(t))
	f, ok := ForecastFreezingLevel(a, air, noon)
	if !ok || f.Target != "basin" || f.From != "forecast" || !f.Time.Equal(noon) {
		t.Fatalf("%+v, %v", f, ok)
	}
	near(t, "highest over the basin", f.AltitudeM, 2500, 55, "linear; columns of the model 0.05 degrees apart")
	// Frozen ground: below it.
	f, ok = ForecastFreezingLevel(a, NewAir(invented{airK: cold}.atmosphere(t)), noon)
	if !ok {
		t.Fatal("frozen ground has a freezing level below it")
	}
	near(t, "below the ground", f.AltitudeM, 5/.0065, 2, "5 K at 6.5 K/km")
	for name, of := range map[string]struct {
		text string
		air  *Air
		at   time.Time
	}{
		"outside":         {"POLYGON ((-100 44, -99.9 44, -99.9 44.1, -100 44.1, -100 44))", air, noon},
		"half outside":    {"POLYGON ((-113.9 44, -113.2 44, -113.2 44.1, -113.9 44.1, -113.9 44))", air, noon},
		"after the end":   {basin, air, noon.Add(9 * time.Hour)},
		"without air":     {basin, NewAir(nil), noon},
		"warm to the top": {basin, NewAir(invented{airK: func(grid.Position, time.Time) float64 { return 280 }}.atmosphere(t)), noon},
	} {
		if f, ok := ForecastFreezingLevel(areaOf(t, "x", of.text), of.air, of.at); ok {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

func TestSoundingFreezingLevel(t *testing.T) {
	a := areaOf(t, "basin", basin)
	ascent := func(label string, hours, lat, lon float64, pairs ...float64) Ascent {
		c := columnOf(pairs...)
		c.Time, c.Place = noon.Add(time.Duration(hours*float64(time.Hour))), grid.LatLon{LatitudeDeg: lat, LongitudeDeg: lon}
		return Ascent{label, c}
	}
	old := ascent("old", -12, 44.2, -112.5, 1500, 10, 2500, 2, 3500, -6)
	newer := ascent("new", -1, 43.6, -113.2, 900, 8, 2000, 0.5, 3000, -6)
	beside := ascent("beside", -1, 44.9, -115, 900, 2, 2000, -5, 3000, -12)
	far := ascent("far", 0, 39.8, -104.9, 1600, 10, 2600, -4)
	dumb := ascent("dumb", 0, 44.2, -112.4, 2900, -4, 3500, -8)
	dumb.Column.SurfaceAltitudeM = 1400
	ahead := ascent("ahead", 1, 44.2, -112.5, 1500, 10, 2500, -2)
	nowhere := ascent("nowhere", -.5, nan, nan, 1500, 10, 2500, -2)
	timeless := ascent("timeless", 0, 44.2, -112.5, 1500, 10, 2500, -2)
	timeless.Column.Time = time.Time{}

	f, note, ok := SoundingFreezingLevel(a, []Ascent{old, far, newer, beside, ahead, nowhere, timeless}, noon)
	if !ok || f.From != "sounding" || f.Target != "basin" || !f.Time.Equal(newer.Column.Time) || note != "" || !f.Issued.IsZero() {
		t.Errorf("%+v, %q, %v", f, note, ok)
	}
	near(t, "the nearer of the newest", f.AltitudeM, 2000+.5/6.5*1000, .5, "linear, by hand")
	for _, test := range []struct {
		ascents []Ascent
		note    string
	}{{nil, "No sounding within 250 km of basin."}, {[]Ascent{far, ahead}, "No sounding within 250 km of basin."}, {[]Ascent{dumb, old}, "The sounding of dumb does not tell"}} {
		if f, note, ok := SoundingFreezingLevel(a, test.ascents, noon); ok || !strings.Contains(note, test.note) {
			t.Errorf("%+v, %q", f, note)
		}
	}
}

func TestForecastWind(t *testing.T) {
	// From the south-west at 5 m/s, and 2 m/s more each 100 m.
	sheared := func(s *grid.State, p grid.Position, _ time.Time) {
		speed := 5 + .02*(p.AltitudeM-1510)
		s.EastwardMPerS, s.NorthwardMPerS = speed*math.Sqrt(.5), speed*math.Sqrt(.5)
	}
	air := NewAir(invented{airK: cold, state: sheared}.atmosphere(t))
	place := grid.LatLon{LatitudeDeg: 44.1, LongitudeDeg: -112.9}
	for _, test := range []struct {
		name            string
		altitudeM, want float64
	}{{"on the model's ground", 1500, 5}, {"in a valley that it does not have", 1350, 5}, {"altitude unknown", nan, 5}, {"on a ridge that it does not have", 1800, 11}} {
		w, ok := ForecastWind(Site{"s", place, test.altitudeM}, air, noon)
		if !ok || w.Site != "s" || w.From != "forecast" || !math.IsNaN(w.GustMPerS) || !w.Time.Equal(noon) {
			t.Fatalf("%s: %+v, %v", test.name, w, ok)
		}
		near(t, test.name, w.SpeedMPerS, test.want, .01, "linear by construction")
		near(t, test.name, w.FromDeg, 225, .1, "from the south-west")
	}
	for deg := 0.0; deg < 360; deg += 30 {
		from := func(s *grid.State, p grid.Position, _ time.Time) {
			sin, cos := math.Sincos(deg * math.Pi / 180)
			s.EastwardMPerS, s.NorthwardMPerS = -8*sin, -8*cos
		}
		w, ok := ForecastWind(Site{"s", place, 1500}, NewAir(invented{airK: cold, state: from, hours: []float64{0, 1}}.atmosphere(t)), noon)
		if off := math.Abs(math.Remainder(w.FromDeg-deg, 360)); !ok || off > .1 || w.FromDeg < 0 || w.FromDeg >= 360 {
			t.Errorf("from %g degrees: %g", deg, w.FromDeg)
		}
	}
	calm, ok := ForecastWind(Site{"s", place, 1500}, NewAir(invented{airK: cold}.atmosphere(t)), noon)
	if !ok || calm.SpeedMPerS != 0 || !math.IsNaN(calm.FromDeg) {
		t.Errorf("calm: %+v", calm)
	}
	for name, of := range map[string]struct {
		air   *Air
		place grid.LatLon
		at    time.Time
	}{"without air": {NewAir(nil), place, noon}, "outside": {air, grid.LatLon{LatitudeDeg: 50, LongitudeDeg: -112}, noon}, "after the end": {air, place, noon.Add(9 * time.Hour)}} {
		if w, ok := ForecastWind(Site{"s", of.place, 1500}, of.air, of.at); ok {
			t.Errorf("%s: %+v", name, w)
		}
	}
}
