package sounding

import (
	"math"
	"strings"
	"testing"

	"rimeline/ingest/testfiles"
)

func level(hPa, heightM, celsius, dewPointC, fromDeg, mPerS float64) Level {
	l := MissingLevel()
	l.PressurePa, l.GeopotentialHeightM = hPa*100, heightM
	l.AirTemperatureK, l.DewPointK = celsius+zeroCelsiusK, dewPointC+zeroCelsiusK
	l.WindFromDeg, l.WindSpeedMPerS = fromDeg, mPerS
	return l
}

func TestWindComponents(t *testing.T) {
	for _, test := range []struct{ fromDeg, mPerS, eastward, northward float64 }{
		{270, 10, 10, 0}, {180, 10, 0, 10}, {90, 4, -4, 0}, {0, 3, 0, -3},
		{225, 20, 14.142136, 14.142136}, {10, 30, -5.209445, -29.544233}, // MetPy 1.7.1 wind_components
	} {
		l := level(500, 5500, -20, -25, test.fromDeg, test.mPerS)
		if e, n := l.WindComponentsMPerS(); !near(e, test.eastward, 1e-6) || !near(n, test.northward, 1e-6) {
			t.Errorf("%g from %g: %g, %g, want %g, %g", test.mPerS, test.fromDeg, e, n, test.eastward, test.northward)
		}
	}
	calm := level(500, 5500, -20, -25, math.NaN(), 0)
	if e, n := calm.WindComponentsMPerS(); e != 0 || n != 0 {
		t.Errorf("calm: %g, %g", e, n)
	}
}

func TestStandardHeight(t *testing.T) {
	for _, test := range []struct{ hPa, heightM, toleranceM float64 }{
		// ISO 2533:1975, table of geopotential altitude against pressure.
		{1013.25, 0, 0.1}, {850, 1457.3, 0.5}, {700, 3012.2, 0.5}, {500, 5574.4, 0.5}, {300, 9163.9, 0.5},
		{226.321, 11000, 0.5}, {100, 16179.7, 1}, {54.7489, 20000, 0.5}, {10, 31054, 2},
	} {
		if got := standardHeightM(test.hPa * 100); !near(got, test.heightM, test.toleranceM) {
			t.Errorf("%g hPa: %g m, want %g", test.hPa, got, test.heightM)
		}
	}
	if !math.IsNaN(standardHeightM(0)) || !math.IsNaN(standardHeightM(math.NaN())) {
		t.Error("no pressure has a height")
	}
}

// Thicknesses of MetPy 1.7.1, thickness_hydrostatic with the mixing ratio of the
// dew point; it integrates by the trapezoidal rule as we do.
func TestColumnHydrostaticHeights(t *testing.T) {
	nan := math.NaN()
	r := Report{Station: unknownStation(), Levels: []Level{
		level(850, 1460, 0, -2, nan, nan), level(700, nan, -8, -10, nan, nan), level(500, nan, -25, -35, nan, nan),
	}}
	c := r.Column()
	for i, want := range []float64{1460, 1460 + 1532.594, 1460 + 1532.594 + 2530.002} {
		if !near(c.Levels[i].AltitudeM, want, 1) {
			t.Errorf("level %d at %g m, want %g (MetPy)", i, c.Levels[i].AltitudeM, want)
		}
	}
	// Downwards too, and stretched to meet two known heights.
	r.Levels[0].GeopotentialHeightM, r.Levels[2].GeopotentialHeightM = nan, 1460+1532.594+2530.002
	if c := r.Column(); !near(c.Levels[0].AltitudeM, 1460, 1) {
		t.Errorf("downwards: %g m, want 1460", c.Levels[0].AltitudeM)
	}
	r.Levels[0].GeopotentialHeightM, r.Levels[2].GeopotentialHeightM = 1460, 1460+1.02*(1532.594+2530.002)
	if c := r.Column(); !near(c.Levels[1].AltitudeM, 1460+1.02*1532.594, 1) {
		t.Errorf("stretched: %g m, want %g", c.Levels[1].AltitudeM, 1460+1.02*1532.594)
	}
}

// Heights that a real listing gives are found again from those at the standard
// surfaces alone, within 5 m and the rounding of the pressure: half of 0.1 hPa is
// 0.05/p of a scale height of 7 km.
func TestColumnHeightsOfRealListing(t *testing.T) {
	reports, err := Decode("boi", testfiles.Read(t, "sounding/wyoming.BOI.2010120912.list.html"))
	if err != nil {
		t.Fatal(err)
	}
	r := reports[0]
	thinned := r
	thinned.Levels = append([]Level(nil), r.Levels...)
	removed := 0
	for i := range thinned.Levels {
		l := &thinned.Levels[i]
		standard := false
		for _, s := range append(append([]standardLevel{}, standardA...), standardC...) {
			standard = standard || math.Abs(s.pa-l.PressurePa) < 0.5
		}
		if !standard && l.Significance&Surface == 0 {
			l.GeopotentialHeightM = math.NaN()
			removed++
		}
	}
	full, filled := r.Column(), thinned.Column()
	if len(full.Levels) != len(filled.Levels) || removed < 100 {
		t.Fatalf("%d and %d levels, %d heights removed", len(full.Levels), len(filled.Levels), removed)
	}
	worst, at := 0.0, 0.0
	for i := range full.Levels {
		if full.Levels[i].PressurePa < 1000 {
			break // above the highest standard surface: 0.1 hPa is 70 m
		}
		hPa := full.Levels[i].PressurePa / 100
		d := math.Abs(full.Levels[i].AltitudeM - filled.Levels[i].AltitudeM)
		if d > 5+0.05/hPa*7000 {
			t.Errorf("height differs by %g m at %g hPa", d, hPa)
		}
		if d > worst && hPa > 300 {
			worst, at = d, hPa
		}
	}
	t.Logf("largest difference below 300 hPa %.1f m at %g hPa, %d heights removed", worst, at, removed)
}

// Omega to upward velocity: MetPy 1.7.1, vertical_velocity.
func TestColumnUpwardVelocity(t *testing.T) {
	for _, test := range []struct{ omega, hPa, celsius, dewPointC, upward float64 }{
		{-0.5, 700, -5, -6, 0.05618238}, {1.2, 500, -20, -35, -0.17787937},
	} {
		l := level(test.hPa, 3000, test.celsius, test.dewPointC, 0, 0)
		l.OmegaPaPerS = test.omega
		c := Report{Station: unknownStation(), Levels: []Level{l}}.Column()
		if !near(c.Levels[0].UpwardMPerS, test.upward, 2e-4*math.Abs(test.upward)) {
			t.Errorf("omega %g Pa/s: %g m/s, want %g", test.omega, c.Levels[0].UpwardMPerS, test.upward)
		}
	}
}

// Sorting, merging, below ground, doubtful values.
func TestColumnMerges(t *testing.T) {
	nan := math.NaN()
	below := level(925, 772, nan, nan, nan, nan)
	below.Significance = Extrapolated
	hot := level(600, 4179, 99, 98, 245, 21)
	wind := level(nan, 2254.5, nan, nan, 215, 11)
	r := Report{Station: unknownStation(), Levels: []Level{
		below, level(700, 2999, -8.7, -9.1, nan, nan), level(832, 1640, -1.1, -1.5, 180, 3), hot,
		level(700, nan, nan, nan, 235, 17.5), level(770, 2254, -4.7, -5, nan, nan), wind,
		level(nan, nan, -3, -4, nan, nan), level(nan, 9000, nan, nan, 250, 50), level(nan, 9000.5, nan, nan, 250, 50),
	}}
	notes := r.Validate()
	if len(notes) != 3 || !strings.Contains(notes[0], "temperature") || !strings.Contains(notes[1], "dew point") || !strings.Contains(notes[2], "pressure rises") {
		t.Errorf("%q", notes)
	}
	if r.Levels[3].Suspect != 0 {
		t.Error("Validate changes the report")
	}
	r.doubt()
	if r.Levels[3].Suspect != SuspectTemperature|SuspectDewPoint || r.Levels[3].AirTemperatureK != 99+273.15 {
		t.Errorf("%+v", r.Levels[3])
	}
	c := r.Column()
	if len(c.Levels) != 5 {
		t.Fatalf("%d levels, want 5 (832, 770, 700, 600 hPa and 9000 m): %+v", len(c.Levels), c.Levels)
	}
	for i, want := range []struct{ hPa, m float64 }{{832, 1640}, {770, 2254}, {700, 2999}, {600, 4179}, {nan, 9000.5}} {
		if !near(c.Levels[i].PressurePa, want.hPa*100, 1e-6) || !near(c.Levels[i].AltitudeM, want.m, 1e-6) {
			t.Errorf("level %d: %+v, want %v", i, c.Levels[i], want)
		}
	}
	if l := c.Levels[1]; math.IsNaN(l.AirTemperatureK) || math.IsNaN(l.EastwardMPerS) {
		t.Errorf("wind by height did not join 770 hPa: %+v", l)
	}
	if l := c.Levels[2]; math.IsNaN(l.AirTemperatureK) || math.IsNaN(l.EastwardMPerS) {
		t.Errorf("700 hPa not merged: %+v", l)
	}
	if l := c.Levels[3]; !math.IsNaN(l.AirTemperatureK) || !math.IsNaN(l.DewPointK) || math.IsNaN(l.EastwardMPerS) {
		t.Errorf("doubtful temperature kept, or wind lost: %+v", l)
	}
}

func TestValidateEachKind(t *testing.T) {
	for _, test := range []struct {
		level Level
		want  Suspect
	}{
		{level(700, 2999, -8.7, -9.1, 235, 17.5), 0},
		{level(1101, -600, 20, 10, 180, 5), SuspectPressure | SuspectHeight},
		{level(0.05, 70001, -20, -80, 180, 5), SuspectPressure | SuspectHeight},
		{level(700, 2999, -121, -122, 180, 5), SuspectTemperature},
		{level(700, 2999, 61, 30, 180, 5), SuspectTemperature},
		{level(700, 2999, -8, -6.5, 180, 5), SuspectDewPoint},
		{level(700, 2999, -8, -8.3, 361, 5), SuspectWind},
		{level(700, 2999, -8, -8.3, 180, 150), SuspectWind},
		{level(700, 2999, -8, -8.3, 180, -1), SuspectWind},
		{level(700, 29990, -8, -8.3, 180, 1), SuspectHeight},
		{level(700, 13000, -8, -8.3, 180, 1), SuspectHeight}, // a figure of ten thousands too much
		{MissingLevel(), 0},
	} {
		r := Report{Station: unknownStation(), Levels: []Level{test.level}}
		notes := r.mark()
		if r.Levels[0].Suspect != test.want || (len(notes) == 0) != (test.want == 0) {
			t.Errorf("%+v: suspect %b, want %b, notes %q", test.level, r.Levels[0].Suspect, test.want, notes)
		}
	}
	if notes := (Report{Levels: []Level{level(700, 3100, -8, -9, 180, 1), level(690, 3000, -9, -10, 180, 1)}}).Validate(); len(notes) != 1 || !strings.Contains(notes[0], "height falls") {
		t.Errorf("%q", notes)
	}
	// Real ascents are clean but for what they are.
	for _, name := range []string{"sounding/wyoming.BOI.2010120912.list.html", "sounding/igra2.USM00070026-data.txt.zip", "bufkit/2017040106Z_gfs3_kmso.buf", "sounding/spc.BNA.2014072800.txt"} {
		reports, _ := Decode(name, testfiles.Read(t, name))
		for _, r := range reports {
			for _, l := range r.Levels {
				if l.Suspect != 0 {
					t.Errorf("%s: %+v", name, l)
				}
			}
		}
	}
}
