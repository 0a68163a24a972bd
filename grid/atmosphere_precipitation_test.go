package grid

import (
	"math"
	"testing"
	"time"
)

// ratesModel is the standard atmosphere of two times with 3.6 mm/h and, an hour
// later, 7.2 mm/h of precipitation, growing eastward.
func ratesModel(t *testing.T, units string, factor float64) (*testModel, LatLon) {
	t.Helper()
	start := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	m := standard(testGrid(6, 5, 0.25), []time.Time{start, start.Add(time.Hour)}, true)
	middle, _ := m.grid.LatLonAt(2, 2)
	for n := range 2 {
		at := start.Add(time.Duration(n) * time.Hour)
		m.add("precipitation_flux", units, groundLevel, at, func(p LatLon) float64 {
			x, _, _ := m.grid.Locate(p)
			return factor * .001 * float64(n+1) * (1 + (x-2)/10)
		})
	}
	return m, middle
}

func TestPrecipitationRate(t *testing.T) {
	for _, test := range []struct {
		units  string
		factor float64 // of kg m-2 s-1
	}{{"kg m-2 s-1", 1}, {"kg m**-2 s**-1", 1}, {"mm h-1", 3600}, {"mm/h", 3600}} {
		m, middle := ratesModel(t, test.units, test.factor)
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
		if err != nil {
			t.Fatal(err)
		}
		start := m.run
		east, _ := m.grid.LatLonAt(2.5, 2)
		for _, of := range []struct {
			place LatLon
			after time.Duration
			want  float64
		}{{middle, 0, .001}, {middle, time.Hour, .002}, {middle, 15 * time.Minute, .00125}, {east, 0, .00105}} {
			got, ok := a.PrecipitationRateAt(of.place, start.Add(of.after))
			if !ok || math.Abs(got-of.want) > 1e-9 {
				t.Errorf("%s: %v after %s: %g, %v; want %g (linear by construction)", test.units, of.place, of.after, got, ok, of.want)
			}
		}
		if _, ok := a.PrecipitationRateAt(LatLon{-80, 0}, start); ok {
			t.Error("a rate outside the box")
		}
		if _, ok := a.PrecipitationRateAt(middle, start.Add(2*time.Hour)); ok {
			t.Error("a rate after the last time")
		}
		if !a.HasPrecipitationRate() {
			t.Error("the source gave a rate")
		}
		// A correction of the wind leaves it as it is.
		sounding := Column{Label: "XMPL", Place: middle, Time: start}
		for k := range 8 {
			level := MissingLevel()
			level.AltitudeM, level.EastwardMPerS, level.NorthwardMPerS = 600+300*float64(k), 14, 1
			sounding.Levels = append(sounding.Levels, level)
		}
		corrected, c := a.Corrected([]Observation{{Column: sounding, Kind: "sounding"}}, DefaultCorrectionOptions())
		if rate, ok := corrected.PrecipitationRateAt(middle, start); !c.Changed() || !ok || math.Abs(rate-.001) > 1e-9 {
			t.Errorf("after a correction (%v): %g, %v", c.Changed(), rate, ok)
		}
	}
}

// What is missing is not zero, and one time without a rate spoils no other.
func TestPrecipitationRateMissing(t *testing.T) {
	m, middle := ratesModel(t, "kg m-2 s-1", 1)
	start := m.run
	later := func(f *Field) bool { return f.StandardName == "precipitation_flux" && f.ValidTime.After(start) }
	none := func(f *Field) bool { return f.StandardName == "precipitation_flux" }
	a, err := BuildAtmosphere(without(m.fields, later), AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got, ok := a.PrecipitationRateAt(middle, start); !ok || math.Abs(got-.001) > 1e-9 {
		t.Errorf("at the time that has one: %g, %v", got, ok)
	}
	for _, after := range []time.Duration{time.Minute, time.Hour} {
		if got, ok := a.PrecipitationRateAt(middle, start.Add(after)); ok {
			t.Errorf("%s after the only time that has a rate: %g", after, got)
		}
	}
	if a, err = BuildAtmosphere(without(m.fields, none), AtmosphereOptions{}); err != nil {
		t.Fatal(err)
	}
	if got, ok := a.PrecipitationRateAt(middle, start); ok || a.HasPrecipitationRate() {
		t.Errorf("a source without rates: %g", got)
	}

	// Means over a time, other levels, odd units and other grids are no rate, and no
	// reason to refuse the rest.
	m, middle = ratesModel(t, "kg m-2 s-1", 1)
	other := testGrid(6, 5, 0.25)
	other.NI--
	for k, f := range m.fields {
		if f.StandardName != "precipitation_flux" {
			continue
		}
		switch k % 2 {
		case 0:
			f.Units = "furlongs"
		default:
			f.Grid, f.Values = other, f.Values[:other.NI*other.NJ]
		}
	}
	mean := m.add("precipitation_flux", "kg m-2 s-1", groundLevel, start, constant(5))
	mean.IntervalStart, mean.CellMethod = start.Add(-time.Hour), "mean"
	m.add("precipitation_flux", "kg m-2 s-1", aboveGround(10), start, constant(5))
	if a, err = BuildAtmosphere(m.fields, AtmosphereOptions{}); err != nil {
		t.Fatal(err)
	}
	if got, ok := a.PrecipitationRateAt(middle, start); ok {
		t.Errorf("a rate of %g out of none that can be used", got)
	}
	if !ServesAtmosphere(&Field{StandardName: "precipitation_flux", Level: groundLevel, ValidTime: start}) {
		t.Error("the rate would not be kept of a model's file")
	}
	if ServesAtmosphere(mean) {
		t.Error("a mean would be kept of a model's file")
	}
}

// What packing makes negative is nothing; a hole in the field stays one.
func TestPrecipitationRateValues(t *testing.T) {
	m, middle := ratesModel(t, "kg m-2 s-1", 1)
	for _, f := range m.fields {
		if f.StandardName == "precipitation_flux" {
			for k := range f.Values {
				f.Values[k] = -1e-7
			}
			f.Values[0] = float32(math.NaN())
		}
	}
	a, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got, ok := a.PrecipitationRateAt(middle, m.run); !ok || got != 0 {
		t.Errorf("%g, %v; want 0", got, ok)
	}
	corner, _ := m.grid.LatLonAt(.5, .5)
	if got, ok := a.PrecipitationRateAt(corner, m.run); ok {
		t.Errorf("%g beside a hole of the field", got)
	}
}

func TestHasRainAndSnow(t *testing.T) {
	start := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		names []string
		want  bool
	}{{nil, false}, {[]string{"cloud_ice_mixing_ratio"}, false}, {[]string{"snow_mixing_ratio"}, false}, {[]string{"rain_mixing_ratio", "snow_mixing_ratio"}, true}} {
		m := standard(testGrid(6, 5, 0.25), []time.Time{start}, true)
		for _, name := range test.names {
			for _, l := range standardLevels {
				m.add(name, "kg kg-1", isobaric(l.pressurePa), start, constant(1e-4))
			}
		}
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if got := a.HasRainAndSnow(); got != test.want {
			t.Errorf("%v: %v", test.names, got)
		}
	}
}
