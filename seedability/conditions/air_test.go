package conditions

import (
	"math"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability/profile"
	"rimeline/seedability/thermo"
)

// columnOf has temperatures in degrees Celsius at altitudes, above ground at the
// first one.
func columnOf(pairs ...float64) grid.Column {
	c := grid.Column{Label: "XTST", SurfaceAltitudeM: pairs[0], Time: noon}
	for k := 0; k < len(pairs); k += 2 {
		level := grid.MissingLevel()
		level.AltitudeM, level.AirTemperatureK = pairs[k], 273.15+pairs[k+1]
		level.PressurePa = 101325 * math.Exp(-pairs[k]/8000)
		c.Levels = append(c.Levels, level)
	}
	return c
}

func TestFreezingLevel(t *testing.T) {
	nan := math.NaN()
	gone := columnOf(1500, 2, 2000, -1, 2500, 1, 3000, -3)
	gone.Levels[2].AirTemperatureK = nan
	high := columnOf(1500, -2, 2500, -6)
	high.SurfaceAltitudeM = 1300
	unknownGround := columnOf(1500, -2, 2500, -6)
	unknownGround.SurfaceAltitudeM = nan
	for name, test := range map[string]struct {
		c    grid.Column
		want float64
	}{
		// By hand, linear in altitude.
		"three crossings":         {columnOf(1500, 2, 2000, -1, 2500, 1, 3000, -3, 4000, -9.5), 2625},
		"one":                     {columnOf(0, 13, 1400, 3.9, 2800, -5.2), 2000},
		"exactly a level":         {columnOf(0, 10, 1500, 0, 3000, -10), 1500},
		"cold ground, warm above": {columnOf(1200, -4, 1800, 2, 2600, -2), 2200},
		"colder from the ground":  {columnOf(1500, -6.5, 2500, -13), 500},
		"just below the ground":   {columnOf(1500, -.65, 2500, -8), 1400},
		"not below sea level":     {columnOf(500, -20, 2500, -30), 0},
		"ground below sea level":  {columnOf(-80, -1, 1500, -10), -80},
		"a level without value":   {gone, 1500 + 500*2.0/3},
		"warm to the top":         {columnOf(0, 20, 3000, 3), nan},
		"crossing in a gap":       {columnOf(0, 10, 1000, 4, 3000, -8), nan},
		"lowest level too high":   {high, nan},
		"unknown ground":          {unknownGround, 1500 - 2/.0065},
		"empty":                   {grid.Column{}, nan},
		"top exactly 0":           {columnOf(0, 10, 2000, 0), 2000},
	} {
		if got := FreezingLevelM(test.c); !(math.Abs(got-test.want) < .5 || math.IsNaN(got) && math.IsNaN(test.want)) {
			t.Errorf("%s: %.1f m, want %.1f", name, got, test.want)
		}
	}
}

// Where 0 °C lies above the ground it is the highest crossing that profiles are
// described with.
func TestFreezingLevelIsTheHighestIsotherm(t *testing.T) {
	for _, c := range []grid.Column{
		columnOf(1500, 2, 2000, -1, 2500, 1, 3000, -3, 4000, -9.5), columnOf(0, 13, 1400, 4, 2700, -3, 4000, -13), columnOf(1200, -4, 1800, 2, 2600, -2),
	} {
		isotherm, ok := profile.Derive(c, profile.DefaultOptions()).Isotherm(thermo.MeltingPointK)
		if !ok || !isotherm.HighestAltitudeM.Known() {
			t.Fatalf("%+v", isotherm)
		}
		near(t, "freezing level", FreezingLevelM(c), float64(isotherm.HighestAltitudeM), 1e-6, "package profile")
	}
}

func TestAirReadsColumns(t *testing.T) {
	// 0 °C at 2000 m, over ground at 1500 m: 3.2 °C there, saturated.
	air := NewAir(invented{airK: linear(273.15 + 13)}.atmosphere(t))
	place := grid.LatLon{LatitudeDeg: 44.2, LongitudeDeg: -112.5}
	near(t, "freezing level", air.freezingLevelM(place, noon), 2000, 2, "13 K at 6.5 K/km")
	near(t, "ground", air.groundM(place), 1500, .01, "by construction")
	// The lowest level is 10 m above ground: 3.185 °C.
	near(t, "share of rain", air.liquidShareAt(place, noon), LiquidShare(273.15+3.185), .002, "saturated air has its own temperature for wet bulb")

	outside := grid.LatLon{LatitudeDeg: 50, LongitudeDeg: -112.5}
	for what, got := range map[string]float64{
		"ground outside": air.groundM(outside), "0 °C outside": air.freezingLevelM(outside, noon), "rain outside": air.liquidShareAt(outside, noon),
		"0 °C after the end": air.freezingLevelM(place, noon.Add(9*time.Hour)), "rain after the end": air.liquidShareAt(place, noon.Add(9*time.Hour)),
		"ground of nothing": NewAir(nil).groundM(place), "0 °C of nothing": NewAir(nil).freezingLevelM(place, noon), "rain of nothing": NewAir(nil).liquidShareAt(place, noon),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s: %g", what, got)
		}
	}

	// Dry air cools what falls through it: 3.2 °C at 30 % is about -3 °C of wet bulb.
	dry := NewAir(invented{airK: linear(273.15 + 13), relative: .3}.atmosphere(t))
	if share := dry.liquidShareAt(place, noon); !(share < .02) {
		t.Errorf("share of rain in dry air %.3f", share)
	}
}

// Above a cold pool snow melts in the warm layer: what arrives is not snow.
func TestRainThroughAColdPool(t *testing.T) {
	pool := func(p grid.Position, _ time.Time) float64 {
		switch {
		case p.AltitudeM < 1800:
			return 273.15 - 5
		case p.AltitudeM < 2400:
			return 273.15 + 3
		}
		return 273.15 + 3 - .0065*(p.AltitudeM-2400)
	}
	place := grid.LatLon{LatitudeDeg: 44.2, LongitudeDeg: -112.5}
	air := NewAir(invented{airK: pool}.atmosphere(t))
	if share := air.liquidShareAt(place, noon); !(share > .97) {
		t.Errorf("share of rain %.3f below a layer of 3 °C", share)
	}
	cold := NewAir(invented{airK: func(p grid.Position, _ time.Time) float64 { return 273.15 - 5 - .003*(p.AltitudeM-1500) }}.atmosphere(t))
	if share := cold.liquidShareAt(place, noon); !(share < .01) {
		t.Errorf("share of rain %.3f in cold air", share)
	}
}
