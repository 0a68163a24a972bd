package grid

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

// standardLevels are pressure levels of the U.S. Standard Atmosphere 1976: the
// altitude, temperature and pressure that its tables print.
var standardLevels = []struct{ altitudeM, temperatureK, pressurePa float64 }{
	{0, 288.150, 101325}, {1000, 281.650, 89874.6}, {2000, 275.150, 79495.2}, {3000, 268.650, 70108.5},
	{5000, 255.650, 54019.9}, {8000, 236.150, 35599.8}, {11000, 216.650, 22632.1},
}

// source makes fields of a test model.
type testModel struct {
	grid   *Grid
	fields []*Field
	run    time.Time
}

func (m *testModel) add(name, units string, level Level, at time.Time, value func(LatLon) float64) *Field {
	f := &Field{
		Number: len(m.fields) + 1, StandardName: name, Units: units, Level: level,
		ReferenceTime: m.run, ValidTime: at, Member: -1, Grid: m.grid,
	}
	for j := range m.grid.NJ {
		for i := range m.grid.NI {
			place, _ := m.grid.LatLonAt(float64(i), float64(j))
			f.Values = append(f.Values, float32(value(place)))
		}
	}
	m.fields = append(m.fields, f)
	return f
}

func constant(value float64) func(LatLon) float64 { return func(LatLon) float64 { return value } }

func isobaric(pa float64) Level {
	return Level{Type: "isobaric surface", Code: 100, Value: pa, Units: "Pa", SecondCode: 255, SecondValue: math.NaN()}
}

var groundLevel = Level{Type: "ground or water surface", Code: 1, Value: math.NaN(), SecondCode: 255, SecondValue: math.NaN()}

func aboveGround(m float64) Level {
	return Level{Type: "specified height level above ground", Code: 103, Value: m, Units: "m", SecondCode: 255, SecondValue: math.NaN()}
}

// standard is the standard atmosphere at rest in the vertical, wind 10 m/s from
// the west, relative humidity 40 %, over ground at 500 m.
func standard(g *Grid, times []time.Time, withHeights bool) *testModel {
	m := &testModel{grid: g, run: times[0]}
	for _, at := range times {
		for _, l := range standardLevels {
			m.add("air_temperature", "K", isobaric(l.pressurePa), at, constant(l.temperatureK))
			m.add("eastward_wind", "m s-1", isobaric(l.pressurePa), at, constant(10))
			m.add("northward_wind", "m s-1", isobaric(l.pressurePa), at, constant(0))
			m.add("relative_humidity", "%", isobaric(l.pressurePa), at, constant(40))
			if withHeights {
				m.add("geopotential_height", "gpm", isobaric(l.pressurePa), at, constant(l.altitudeM))
			}
		}
		// 500 m: 95460.8 Pa, the standard atmosphere's table.
		m.add("air_pressure", "Pa", groundLevel, at, constant(95460.8))
	}
	m.add("geopotential_height", "gpm", groundLevel, times[0], constant(500))
	return m
}

func without(fields []*Field, drop func(*Field) bool) []*Field {
	var kept []*Field
	for _, f := range fields {
		if !drop(f) {
			kept = append(kept, f)
		}
	}
	return kept
}

func near(t *testing.T, what string, got, want, tolerance float64, source string) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.7g, want %.7g ± %g (%s)", what, got, want, tolerance, source)
	}
}

func TestSaturationAgainstPublishedValues(t *testing.T) {
	for _, test := range []struct {
		formula          func(float64) float64
		kelvin, want, of float64
		source           string
	}{
		{saturationWaterPa, 293.15, 2338.8, 1.2, "CRC Handbook, 77th ed., vapour pressure of water at 20 °C, 0.05 %"},
		{saturationIcePa, 180, 0.0053975, 1e-7, "Murphy and Koop (2005), check value"},
		{saturationWaterPa, 180, 0.0112392, 1e-7, "Murphy and Koop (2005), check value"},
		{saturationIcePa, 210, 0.702023, 1e-6, "Murphy and Koop (2005), check value"},
		{saturationWaterPa, 210, 1.233542, 1e-6, "Murphy and Koop (2005), check value"},
		{saturationWaterPa, 240, 37.667, 0.001, "value from memory: Murphy and Koop (2005)"},
		{saturationIcePa, 240, 27.272, 0.001, "value from memory: Murphy and Koop (2005)"},
		{saturationTable.water, 240.1, saturationWaterPa(240.1), 0.004, "the formula that is tabulated, 1e-4"},
		{saturationTable.ice, 251.37, saturationIcePa(251.37), 0.008, "the formula that is tabulated, 1e-4"},
	} {
		near(t, "saturation", test.formula(test.kelvin), test.want, test.of, test.source)
	}
	for _, kelvin := range []float64{200, 233.15, 262.4, 273.15, 290} {
		near(t, "dew point", dewPointK(saturationWaterPa(kelvin)), kelvin, 1e-6, "round trip")
	}
	// AMS Glossary's approximation at 850 hPa, 0 °C and 700 hPa, -10 °C; worked
	// by hand with Bolton's saturation, which moves it by less than 0.5 %.
	near(t, "saturated lapse", saturatedLapseKPerM(273.15, 85000)*1000, 6.149, 0.03, "AMS Glossary, moist-adiabatic lapse rate")
	near(t, "saturated lapse", saturatedLapseKPerM(263.15, 70000)*1000, 7.022, 0.035, "AMS Glossary, moist-adiabatic lapse rate")
}

func TestColumnInterpolation(t *testing.T) {
	var c Column
	for _, l := range standardLevels {
		level := MissingLevel()
		level.PressurePa, level.AltitudeM, level.AirTemperatureK = l.pressurePa, l.altitudeM, l.temperatureK
		level.EastwardMPerS = 10 + l.altitudeM/1000
		c.Levels = append(c.Levels, level)
	}
	c.Levels[2].EastwardMPerS = math.NaN() // bridged by its neighbours
	at, ok := c.AtAltitude(2500)
	if !ok {
		t.Fatal("2500 m is inside")
	}
	near(t, "temperature at 2500 m", at.AirTemperatureK, 271.900, 0.001, "U.S. Standard Atmosphere 1976")
	near(t, "pressure at 2500 m", at.PressurePa, 74682.5, 30, "U.S. Standard Atmosphere 1976, p = 101325 (T/288.15)^5.25588; curvature of ln p over 1 km: 28 Pa")
	near(t, "wind at 2500 m", at.EastwardMPerS, 12.5, 1e-9, "linear by construction")
	if !math.IsNaN(at.DewPointK) {
		t.Errorf("dew point %g where none is given", at.DewPointK)
	}
	at, ok = c.AtPressure(70000)
	if !ok {
		t.Fatal("700 hPa is inside")
	}
	near(t, "altitude of 700 hPa", at.AltitudeM, 3012.2, 1.5, "U.S. Standard Atmosphere 1976")
	if _, ok := c.AtAltitude(11001); ok {
		t.Error("above the column")
	}
	if _, ok := c.AtPressure(101326); ok {
		t.Error("below the column")
	}
}

func TestHypsometric(t *testing.T) {
	near(t, "thickness 1000-500 hPa at 260 K", ThicknessM(260, 100000, 50000), 5275.2, 0.1, "hypsometric equation by hand")
	near(t, "thickness 850-700 hPa at 270 K", ThicknessM(270, 85000, 70000), 1534.4, 0.1, "hypsometric equation by hand")

	column := func(known ...int) Column {
		var c Column
		for k, l := range standardLevels {
			level := MissingLevel()
			level.PressurePa, level.AirTemperatureK = l.pressurePa, l.temperatureK
			for _, n := range known {
				if n == k {
					level.AltitudeM = l.altitudeM
				}
			}
			c.Levels = append(c.Levels, level)
		}
		return c
	}
	for name, test := range map[string]struct {
		c      Column
		ps, zs float64
		filled int
	}{
		"from the surface":     {column(), 101325, 0, 7},
		"from a level within":  {column(3), math.NaN(), math.NaN(), 6},
		"over a gap":           {column(0, 1, 4, 5, 6), math.NaN(), math.NaN(), 2},
		"level before surface": {column(0), 50000, 9000, 6},
	} {
		got, filled := test.c.FillAltitudes(test.ps, test.zs)
		if filled != test.filled {
			t.Errorf("%s: filled %d levels, want %d", name, filled, test.filled)
		}
		for k, l := range standardLevels {
			// Layers of up to 3 km with the mean of two temperatures: 0.1 %.
			near(t, name, got.Levels[k].AltitudeM, l.altitudeM, 1+l.altitudeM*1e-3, "U.S. Standard Atmosphere 1976")
		}
	}
	if _, filled := column().FillAltitudes(math.NaN(), 0); filled != 0 {
		t.Error("heights out of nothing")
	}
}

// TestBuildStandardAtmosphere: what goes in at pressure levels must come out at
// the altitudes of the standard atmosphere's table, with and without heights.
func TestBuildStandardAtmosphere(t *testing.T) {
	place := LatLon{40.1, -106.9}
	for _, withHeights := range []bool{true, false} {
		m := standard(testGrid(9, 7, 0.25), hours(2), withHeights)
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
		if err != nil {
			t.Fatal(err)
		}
		terrainM, ok := a.TerrainAltitudeM(place)
		if !ok || terrainM != 500 {
			t.Fatalf("terrain %g %v", terrainM, ok)
		}
		for _, test := range []struct{ altitudeM, temperatureK, pressurePa, tolerancePa float64 }{
			{1500, 278.400, 84555.9, 60}, // between the levels given
			{2000, 275.150, 79495.2, 30},
			{3000, 268.650, 70108.5, 30},
			{5000, 255.650, 54019.9, 75}, // levels 2 and 3 km apart: curvature of ln p
		} {
			s, ok := a.StateAt(Position{place, test.altitudeM}, hours(2)[0].Add(30*time.Minute))
			if !ok {
				t.Fatalf("nothing at %g m", test.altitudeM)
			}
			toleranceK := 0.02
			if !withHeights {
				toleranceK, test.tolerancePa = 0.05, test.tolerancePa+40 // 0.1 % of height
			}
			near(t, "temperature", s.AirTemperatureK, test.temperatureK, toleranceK, "U.S. Standard Atmosphere 1976")
			near(t, "pressure", s.PressurePa, test.pressurePa, test.tolerancePa, "U.S. Standard Atmosphere 1976")
			near(t, "wind", s.EastwardMPerS, 10, 1e-5, "given")
		}
		// 40 % goes in at the levels, so comes out at one.
		s, _ := a.StateAt(Position{place, 3000}, hours(2)[1])
		near(t, "relative humidity", s.RelativeHumidityWater(), 0.40, 0.012, "given; specific humidity and temperature are interpolated apart")
		near(t, "stability", s.StabilityPerS2, 9.80665/268.65*(0.00975-0.0065), 2e-6, "N² of the standard lapse rate by hand")
		derived := strings.Contains(strings.Join(a.Notes(), "; "), "hypsometric")
		if derived == withHeights {
			t.Errorf("with heights %v: notes %q", withHeights, a.Notes())
		}
		// The level at sea level lies 500 m below ground.
		if !strings.Contains(strings.Join(a.Notes(), "; "), "below the model's ground") {
			t.Errorf("notes do not say what is masked: %q", a.Notes())
		}
		column, ok := a.ColumnAt(place, hours(2)[0])
		if !ok || len(column.Levels) != len(DefaultHeightsM)-2 { // the source ends at 11 km, 10.5 above ground
			t.Fatalf("column of %d levels, %v", len(column.Levels), ok)
		}
		if math.IsNaN(column.Levels[0].DewPointK) || column.SurfaceAltitudeM != 500 {
			t.Errorf("column %+v", column.Levels[0])
		}
	}
}

// TestBelowGroundIsNeverUsed: absurd values on a level below ground change
// nothing.
func TestBelowGroundIsNeverUsed(t *testing.T) {
	m := standard(testGrid(5, 5, 0.25), hours(1), true)
	for _, f := range m.fields {
		if f.Level.Code == 100 && f.Level.Value > 95460.8 && f.StandardName != "geopotential_height" {
			for k := range f.Values {
				f.Values[k] = 200
			}
		}
	}
	a, err := BuildAtmosphere(m.fields, AtmosphereOptions{HoldFor: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	s, ok := a.StateAt(Position{LatLon{40, -107}, 510}, hours(1)[0])
	if !ok {
		t.Fatal("outside")
	}
	near(t, "wind near the ground", s.EastwardMPerS, 10, 1e-5, "the lowest level above ground")
	near(t, "temperature near the ground", s.AirTemperatureK, 284.835, 0.01, "U.S. Standard Atmosphere 1976 at 510 m")
}

func TestUnitsAndNames(t *testing.T) {
	m := standard(testGrid(5, 5, 0.25), hours(1), true)
	var other testModel
	other.grid = m.grid
	for _, f := range m.fields {
		g := *f
		g.Values = append([]float32(nil), f.Values...)
		scale := func(factor, offset float32) {
			for k := range g.Values {
				g.Values[k] = g.Values[k]*factor + offset
			}
		}
		switch {
		case f.StandardName == "air_temperature":
			g.Units = "degC"
			scale(1, -273.15)
		case f.StandardName == "geopotential_height" && f.Level.Code == 1:
			g.StandardName, g.Units, g.Level = "surface_altitude", "m", Level{Type: "surface", Code: -1, SecondCode: -1}
		case f.StandardName == "geopotential_height":
			g.StandardName, g.Units = "geopotential", "m2 s-2"
			scale(9.80665, 0)
		case f.StandardName == "air_pressure":
			g.StandardName, g.Units, g.Level = "surface_air_pressure", "hPa", Level{Type: "", Code: -1, SecondCode: -1}
			scale(0.01, 0)
		case f.StandardName == "eastward_wind":
			g.Units = "kt"
			scale(3600.0/1852, 0)
		case f.StandardName == "relative_humidity":
			g.StandardName, g.Units = "specific_humidity", "g/kg"
			for k := range g.Values {
				g.Values[k] = 2
			}
		}
		if g.Level.Code == 100 {
			g.Level = Level{Type: "air_pressure", Code: -1, Value: f.Level.Value / 100, Units: "hPa", SecondCode: -1, SecondValue: math.NaN()}
		}
		other.fields = append(other.fields, &g)
	}
	want, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	got, err := BuildAtmosphere(other.fields, AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p := Position{LatLon{40, -107}, 2345}
	a, _ := want.StateAt(p, hours(1)[0])
	b, _ := got.StateAt(p, hours(1)[0])
	near(t, "temperature", b.AirTemperatureK, a.AirTemperatureK, 1e-3, "the same in K")
	near(t, "pressure", b.PressurePa, a.PressurePa, 0.5, "the same in Pa and metres")
	near(t, "wind", b.EastwardMPerS, a.EastwardMPerS, 1e-5, "the same in m s-1")
	near(t, "specific humidity", b.SpecificHumidity, 0.002, 1e-8, "given in g/kg")
}

func TestIncompleteIsNamed(t *testing.T) {
	two := func() *testModel { return standard(testGrid(5, 5, 0.25), hours(2), true) }
	at700 := func(f *Field) bool { return f.Level.Value == 70108.5 && f.ValidTime.Equal(hours(2)[1]) }
	member, missing := 3, 9
	for name, test := range map[string]struct {
		fields  []*Field
		options AtmosphereOptions
		want    []string
		is      error
	}{
		"wind missing at a level and time": {
			without(two().fields, func(f *Field) bool { return at700(f) && f.StandardName == "eastward_wind" }), AtmosphereOptions{},
			[]string{"2030-01-10T01:00:00Z", "eastward_wind", "701.085 hPa"}, ErrIncomplete,
		},
		"optional quantity missing once": {
			without(two().fields, func(f *Field) bool { return at700(f) && f.StandardName == "relative_humidity" }), AtmosphereOptions{},
			[]string{"2030-01-10T01:00:00Z", "relative_humidity", "701.085 hPa"}, ErrIncomplete,
		},
		"no wind at all": {
			without(two().fields, func(f *Field) bool { return f.StandardName == "northward_wind" }), AtmosphereOptions{},
			[]string{"northward_wind"}, ErrIncomplete,
		},
		"no moisture": {
			without(two().fields, func(f *Field) bool { return f.StandardName == "relative_humidity" }), AtmosphereOptions{},
			[]string{"specific_humidity"}, ErrIncomplete,
		},
		"no terrain": {
			without(two().fields, func(f *Field) bool { return f.Level.Code == 1 }), AtmosphereOptions{},
			[]string{"terrain"}, ErrIncomplete,
		},
		"no heights": {
			without(two().fields, func(f *Field) bool {
				return f.StandardName == "air_pressure" || f.StandardName == "geopotential_height" && f.Level.Code == 100
			}), AtmosphereOptions{},
			[]string{"no heights"}, ErrIncomplete,
		},
		"nothing":       {nil, AtmosphereOptions{}, []string{"0 fields"}, ErrIncomplete},
		"domain":        {two().fields, AtmosphereOptions{Domain: []LatLon{{40, -107}, {45, 7}}}, []string{"45.0000, 7.0000"}, ErrOutside},
		"wanted member": {two().fields, AtmosphereOptions{Member: &missing}, []string{"member 9", "[-1]"}, ErrIncomplete},
		"unit": {append(two().fields, func() *Field {
			f := *two().fields[0]
			f.Units = "degF"
			return &f
		}()), AtmosphereOptions{}, []string{"degF", "air_temperature"}, nil},
		"another grid": {append(two().fields, standard(testGrid(5, 6, 0.25), hours(1), true).fields...), AtmosphereOptions{},
			[]string{"another grid", "5 x 6"}, nil},
		"mixed members": {append(two().fields, func() *Field {
			f := *two().fields[0]
			f.Member = member
			return &f
		}()), AtmosphereOptions{}, []string{"[-1 3]"}, nil},
	} {
		_, err := BuildAtmosphere(test.fields, test.options)
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		for _, word := range test.want {
			if !strings.Contains(err.Error(), word) {
				t.Errorf("%s: %q does not say %q", name, err, word)
			}
		}
		if test.is != nil && !errors.Is(err, test.is) {
			t.Errorf("%s: %v is not %v", name, err, test.is)
		}
	}
}

func TestNewestRunIsUsed(t *testing.T) {
	m := standard(testGrid(5, 5, 0.25), hours(2), true)
	var older []*Field
	for _, f := range m.fields {
		g := *f
		g.ReferenceTime = f.ReferenceTime.Add(-6 * time.Hour)
		if f.StandardName == "eastward_wind" {
			g.Values = make([]float32, len(f.Values))
		}
		older = append(older, &g)
	}
	a, err := BuildAtmosphere(append(older, m.fields...), AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}
	wind, _ := a.WindAt(Position{LatLon{40, -107}, 2000}, hours(2)[0])
	near(t, "wind", wind.EastwardMPerS, 10, 1e-5, "that of the newer run")
	if !a.ReferenceTime().Equal(hours(1)[0]) || !strings.Contains(a.Notes()[0], "2 model runs") {
		t.Errorf("reference time %s, notes %q", a.ReferenceTime(), a.Notes())
	}
}

// TestTimesAreCut keeps what is needed to interpolate over the range, no more.
func TestTimesAreCut(t *testing.T) {
	m := standard(testGrid(5, 5, 0.25), hours(6), true)
	start := hours(1)[0]
	a, err := BuildAtmosphere(m.fields, AtmosphereOptions{From: start.Add(90 * time.Minute), To: start.Add(3 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	first, last := a.TimeRange()
	if !first.Equal(start.Add(time.Hour)) || !last.Equal(start.Add(3*time.Hour)) || len(a.Times()) != 3 {
		t.Errorf("times %s", a.Times())
	}
}

// TestVerticalMotion: omega becomes w, the slope moves the air only where the
// source does not, and never both.
func TestVerticalMotion(t *testing.T) {
	g := testGrid(9, 9, 0.1)
	// A plane that rises 100 m per km towards the east.
	metresPerDeg := EarthRadiusM * math.Pi / 180
	slope := func(p LatLon) float64 {
		return 1000 + 0.1*(p.LongitudeDeg+107)*metresPerDeg*math.Cos(40*math.Pi/180)
	}
	build := func(omega, upward bool) *Atmosphere {
		m := standard(g, hours(1), true)
		m.fields = without(m.fields, func(f *Field) bool { return f.Level.Code == 1 })
		m.add("surface_altitude", "m", groundLevel, hours(1)[0], slope)
		for _, l := range standardLevels {
			if omega {
				m.add("lagrangian_tendency_of_air_pressure", "Pa s-1", isobaric(l.pressurePa), hours(1)[0], constant(-2))
			}
			if upward {
				m.add("upward_air_velocity", "m s-1", isobaric(l.pressurePa), hours(1)[0], constant(0.7))
			}
		}
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{HoldFor: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	middle := LatLon{40, -107}
	w := func(a *Atmosphere, altitudeM float64) float64 {
		wind, ok := a.WindAt(Position{middle, altitudeM}, hours(1)[0])
		if !ok {
			t.Fatalf("outside at %g m", altitudeM)
		}
		return wind.UpwardMPerS
	}
	// At 3000 m: rho = 0.9091 kg m-3, so w = 2/(0.9091 x 9.80665), a little
	// more for moist air.
	near(t, "w of omega", w(build(true, false), 3000), 0.2243, 0.0006, "hydrostatic, density of the U.S. Standard Atmosphere 1976")
	near(t, "w given", w(build(true, true), 3000), 0.7, 1e-4, "given, so omega is not used")
	// No motion given: U grad(h) exp(-z/H), H = 2000 m.
	a := build(false, false)
	near(t, "w of the slope", w(a, 1010), 1.0*math.Exp(-10.0/2000), 2e-3, "U.grad(h) = 10 m/s x 0.1")
	near(t, "w of the slope 2 km up", w(a, 3000), 1.0*math.Exp(-1), 2e-3, "decayed to 1/e")
	if notes := strings.Join(a.Notes(), "; "); !strings.Contains(notes, "no vertical motion given") {
		t.Errorf("notes %q", notes)
	}
	// With motion given, only the layer next to the ground follows the slope:
	// the lowest level above it is 2000 m, 1000 m up.
	near(t, "w half way to the lowest level", w(build(false, true), 1500), (1.0+0.7)/2, 0.01, "linear between slope and level")
}

// TestGridRelativeWinds: a wind from the west everywhere, given along the axes
// of a Lambert grid, comes back as a wind from the west far off the central
// meridian, and carries a particle along the parallel.
func TestGridRelativeWinds(t *testing.T) {
	projection, err := NewLambertConformal(LambertConformal{
		Earth: Sphere(6371229), StandardParallel1Deg: 38.5, StandardParallel2Deg: 38.5, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -97.5,
	})
	if err != nil {
		t.Fatal(err)
	}
	x0, y0, _ := projection.Forward(LatLon{40, -115})
	for _, stepY := range []float64{3000, -3000} {
		g := &Grid{
			Name: "lambert_conformal_conic", Projection: projection, NI: 41, NJ: 41, WindsGridRelative: true,
			X: Axis{First: x0 - 20*3000, Step: 3000}, Y: Axis{First: y0 - 20*stepY, Step: stepY},
		}
		m := standard(g, hours(1), true)
		for _, f := range m.fields {
			for j := range g.NJ {
				for i := range g.NI {
					place, _ := g.LatLonAt(float64(i), float64(j))
					angle, _ := g.EastAngleRad(place)
					switch f.StandardName {
					case "eastward_wind":
						f.Values[j*g.NI+i] = float32(10 * math.Cos(angle))
					case "northward_wind":
						f.Values[j*g.NI+i] = float32(-10 * math.Sin(angle))
					}
				}
			}
		}
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{HoldFor: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		p := Position{LatLon{40.1, -115.1}, 3000}
		wind, ok := a.WindAt(p, hours(1)[0])
		if !ok {
			t.Fatal("outside")
		}
		near(t, "eastward", wind.EastwardMPerS, 10, 1e-3, "given")
		near(t, "northward", wind.NorthwardMPerS, 0, 1e-3, "given")

		// A particle carried for 2000 s goes 20 km along the parallel: on the
		// sphere that is 20000/(R cos lat) of longitude, latitude unchanged.
		tracer := a.Tracer()
		x, y, _ := a.Plane(p.LatLon)
		for range 200 {
			u, v, _, ok := tracer.Velocity(x, y, 3000, 0)
			if !ok {
				t.Fatal("left the box")
			}
			x, y = x+10*u, y+10*v
		}
		end, _ := a.PlaceAt(x, y)
		near(t, "latitude", end.LatitudeDeg, 40.1, 2e-5, "along the parallel")
		near(t, "longitude", end.LongitudeDeg, -115.1+20000/(EarthRadiusM*math.Cos(40.1*math.Pi/180))*180/math.Pi, 2e-5, "20 km east")
	}
}

// TestCyclic: a box may lie across the seam of a grid of all longitudes, or
// hold the whole circle.
func TestCyclic(t *testing.T) {
	g := &Grid{
		Name: "latitude_longitude", Projection: LatLonProjection{}, NI: 144, NJ: 73, Cyclic: true,
		X: Axis{First: 0, Step: 2.5}, Y: Axis{First: 90, Step: -2.5},
	}
	m := standard(g, hours(1), true)
	for _, f := range m.fields {
		if f.StandardName == "air_temperature" {
			for j := range g.NJ {
				for i := range g.NI {
					place, _ := g.LatLonAt(float64(i), float64(j))
					f.Values[j*g.NI+i] += float32(place.LongitudeDeg)
				}
			}
		}
	}
	for name, options := range map[string]AtmosphereOptions{
		"across the seam": {Domain: []LatLon{{46, 1}}, MarginM: 500e3, HoldFor: time.Hour},
		"whole circle":    {HoldFor: time.Hour},
	} {
		a, err := BuildAtmosphere(m.fields, options)
		if err != nil {
			t.Fatal(name, err)
		}
		for _, longitude := range []float64{-2, -0.6, 0, 1.3} {
			s, ok := a.StateAt(Position{LatLon{46, longitude}, 3000}, hours(1)[0])
			if !ok {
				t.Fatalf("%s: nothing at %g", name, longitude)
			}
			near(t, name, s.AirTemperatureK, 268.65+longitude, 0.02, "linear in longitude by construction")
		}
		// A particle passes the seam.
		tracer := a.Tracer()
		x, y, _ := a.Plane(LatLon{46, -2})
		for range 400 {
			u, v, _, ok := tracer.Velocity(x, y, 3000, 0)
			if !ok {
				t.Fatalf("%s: left the box at %g", name, x)
			}
			x, y = x+60*u, y+60*v
		}
		end, ok := a.PlaceAt(x, y)
		if !ok {
			t.Fatal(name)
		}
		near(t, name, end.LongitudeDeg, -2+240000/(EarthRadiusM*math.Cos(46*math.Pi/180))*180/math.Pi, 0.003, "240 km along the parallel; steps per second are linear between rows 2.5° apart, 7e-4")
	}
}

// TestTracerReadsWhatStateAtReads: the fast way and the plain way agree.
func TestTracerReadsWhatStateAtReads(t *testing.T) {
	start := hours(1)[0]
	a, err := NewAtmosphere(Analytic{
		Grid: testGrid(12, 10, 0.05), Times: hours(3), HoldFor: 30 * time.Minute,
		HeightsM:         []float64{7, 20, 45, 100, 333, 800, 1600, 3000, 5000},
		TerrainAltitudeM: func(p LatLon) float64 { return 1500 + 400*math.Sin(30*p.LongitudeDeg)*math.Cos(25*p.LatitudeDeg) },
		StateAt: func(p Position, heightM float64, at time.Time) State {
			h := at.Sub(start).Hours()
			return State{
				Wind:            Wind{8 + heightM/500 + h, 3 * math.Sin(10*p.LatitudeDeg), 0.3 * math.Cos(8*p.LongitudeDeg)},
				AirTemperatureK: 280 - 0.006*p.AltitudeM - h, PressurePa: 101325 * math.Exp(-p.AltitudeM/8000),
				SpecificHumidity: 0.004 * math.Exp(-p.AltitudeM/2500), CloudLiquidKgPerKg: 1e-4 * math.Max(0, math.Sin(p.AltitudeM/500)),
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	tracer := a.Tracer()
	compared := 0
	for k := range 4000 {
		// A lattice that covers places, heights and times, edges too.
		p := LatLon{39.775 + 0.45*math.Mod(0.618*float64(k), 1), -107.275 + 0.55*math.Mod(0.414*float64(k), 1)}
		terrainM, _ := a.TerrainAltitudeM(p)
		altitudeM := terrainM - 50 + 5200*math.Mod(0.732*float64(k), 1)
		seconds := -2000 + 11000*math.Mod(0.236*float64(k), 1)
		s, ok := a.StateAt(Position{p, altitudeM}, start.Add(time.Duration(seconds*1e9)))
		x, y, _ := a.Plane(p)
		var air Air
		if got := tracer.Air(x, y, altitudeM, seconds, &air); got != ok {
			t.Fatalf("at %+v %g m %g s: inside %v, want %v", p, altitudeM, seconds, got, ok)
		}
		u, v, w, got := tracer.Velocity(x, y, altitudeM, seconds)
		if got != ok {
			t.Fatalf("velocity inside %v, want %v", got, ok)
		}
		if !ok {
			continue
		}
		compared++
		metric, _ := metricAt(a.grid, x, y)
		e, n := metric.Metres(u, v)
		for _, c := range []struct {
			what           string
			got, want, tol float64
		}{
			{"eastward", e, s.EastwardMPerS, 2e-4}, {"northward", n, s.NorthwardMPerS, 2e-4}, {"upward", w, s.UpwardMPerS, 1e-5},
			{"same velocity", air.XPerS, u, 1e-12}, {"same velocity", air.YPerS, v, 1e-12},
			{"temperature", air.AirTemperatureK, s.AirTemperatureK, 2e-4}, {"pressure", air.PressurePa, s.PressurePa, 30},
			{"humidity", air.SpecificHumidity, s.SpecificHumidity, 1e-8}, {"cloud", air.CloudLiquidKgPerKg, s.CloudLiquidKgPerKg, 1e-9},
			{"height", air.HeightAboveGroundM, s.HeightAboveGroundM, 1e-3},
			{"relative humidity", air.RelativeHumidityWater(), s.RelativeHumidityWater(), 1e-3},
			{"relative humidity over ice", air.RelativeHumidityIce(), s.RelativeHumidityIce(), 1e-3},
			{"density", air.DensityKgPerM3(), s.DensityKgPerM3(), 5e-4},
		} {
			if !(math.Abs(c.got-c.want) <= c.tol) {
				t.Fatalf("%s at %+v, %g m, %g s: %.8g, want %.8g", c.what, p, altitudeM, seconds, c.got, c.want)
			}
		}
	}
	if compared < 2500 {
		t.Errorf("only %d points inside", compared)
	}
}

// TestBlendIsTheSameInAssembly compares bits.
func TestBlendIsTheSameInAssembly(t *testing.T) {
	hot := make([]float32, 500)
	state := uint64(7)
	next := func() float32 { // any numbers will do
		state = state*6364136223846793005 + 1442695040888963407
		return float32(int32(state>>32)) / (1 << 20)
	}
	for k := range hot {
		hot[k] = next()
	}
	if !vectors {
		t.Skip("no assembly for this processor")
	}
	for range 200 {
		want := cell{x: next(), y: next(), later: next(), upper: next()}
		want.strides = [3]int{int(uint32(next())) % 50, int(uint32(next())) % 150, int(uint32(next())) % 250}
		all, half := want, want
		blendGeneric(hot, &want)
		blendAll(&hot[0], &all)
		blendMotion(&hot[0], &half)
		if all != want {
			t.Fatalf("got %+v, want %+v", all, want)
		}
		if [4]float32(half.between[:4]) != [4]float32(want.between[:4]) {
			t.Fatalf("got %v, want the first four of %v", half.between, want.between)
		}
	}
}

// TestTracerHasNoMemory: what is read at a moment does not depend on what was
// read before, not even where two intervals of time meet.
func TestTracerHasNoMemory(t *testing.T) {
	analytic := Analytic{
		Grid: testGrid(5, 5, 0.1), HoldFor: time.Minute,
		StateAt: func(p Position, _ float64, at time.Time) State {
			return State{Wind: Wind{EastwardMPerS: 10 + math.Sqrt(at.Sub(hours(1)[0]).Seconds())}, AirTemperatureK: 270, PressurePa: 8e4}
		},
	}
	for _, s := range []int{0, 41, 96, 190, 300} { // lengths whose inverse times themselves is not quite 1
		analytic.Times = append(analytic.Times, hours(1)[0].Add(time.Duration(s)*time.Second))
	}
	a, err := NewAtmosphere(analytic)
	if err != nil {
		t.Fatal(err)
	}
	moments := []float64{-60, -1, 0, 1, 41, 50, 96, 100, 190, 200, 300, 301, 360}
	for _, seconds := range moments {
		want, _, _, ok := a.Tracer().Velocity(2.2, 1.7, 500, seconds)
		if !ok {
			t.Fatalf("nothing at %g s", seconds)
		}
		for _, before := range moments {
			tracer := a.Tracer()
			tracer.Velocity(2.2, 1.7, 500, before)
			if got, _, _, ok := tracer.Velocity(2.2, 1.7, 500, seconds); !ok || got != want {
				t.Errorf("%v at %g s after %g s, want %v", got, seconds, before, want)
			}
		}
	}
	for _, seconds := range []float64{-61, 361, math.NaN()} {
		if _, _, _, ok := a.Tracer().Velocity(2.2, 1.7, 500, seconds); ok {
			t.Errorf("a value at %g s", seconds)
		}
	}
}

// TestBoxLimits: boxes that cannot be are refused before memory is asked for.
func TestBoxLimits(t *testing.T) {
	state := layered(Wind{}, 0.0065)
	for name, analytic := range map[string]Analytic{
		"one column":          {Grid: testGrid(1, 5, 0.1), Times: hours(1), StateAt: state},
		"no time":             {Grid: testGrid(5, 5, 0.1), StateAt: state},
		"heights fall":        {Grid: testGrid(5, 5, 0.1), Times: hours(1), StateAt: state, HeightsM: []float64{10, 5}},
		"heights not numbers": {Grid: testGrid(5, 5, 0.1), Times: hours(1), StateAt: state, HeightsM: []float64{math.NaN(), 5}},
		"too large":           {Grid: testGrid(20000, 20000, 0.001), Times: hours(5), StateAt: state},
		"no geometry":         {Grid: &Grid{NI: 5, NJ: 5}, Times: hours(1), StateAt: state},
		"a pole":              {Grid: &Grid{Projection: LatLonProjection{}, NI: 5, NJ: 5, X: Axis{Step: 1}, Y: Axis{First: 90, Step: -1}}, Times: hours(1), StateAt: state},
		"times fall":          {Grid: testGrid(5, 5, 0.1), Times: []time.Time{hours(2)[1], hours(2)[0]}, StateAt: state},
	} {
		if _, err := NewAtmosphere(analytic); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// TestMissingColumns: where the source has no values there is no answer.
func TestMissingColumns(t *testing.T) {
	m := standard(testGrid(9, 9, 0.1), hours(1), true)
	for _, f := range m.fields {
		if f.StandardName == "air_temperature" {
			f.Values[0] = float32(math.NaN())
		}
	}
	a, err := BuildAtmosphere(m.fields, AtmosphereOptions{HoldFor: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := a.WindAt(Position{LatLon{39.65, -107.35}, 3000}, hours(1)[0]); ok {
		t.Error("wind beside a missing column")
	}
	if _, ok := a.WindAt(Position{LatLon{40, -107}, 3000}, hours(1)[0]); !ok {
		t.Error("no wind far from it")
	}
	if !strings.Contains(strings.Join(a.Notes(), "; "), "1 of 81 columns") {
		t.Errorf("notes %q", a.Notes())
	}
}

// BenchmarkBuildAtmosphere: hourly pressure-level fields of five hours to a box
// of 121 x 121 columns.
func BenchmarkBuildAtmosphere(b *testing.B) {
	m := standard(testGrid(121, 121, 0.03), hours(5), true)
	b.ReportAllocs()
	for b.Loop() {
		a, err := BuildAtmosphere(m.fields, AtmosphereOptions{})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(a.MemoryBytes())/1e6, "MB-box")
	}
}

// TestNearGround: wind at 10 m and temperature at 2 m join the profile.
func TestNearGround(t *testing.T) {
	m := standard(testGrid(5, 5, 0.25), hours(1), true)
	m.add("eastward_wind", "m s-1", aboveGround(10), hours(1)[0], constant(4))
	m.add("northward_wind", "m s-1", aboveGround(10), hours(1)[0], constant(1))
	m.add("air_temperature", "K", aboveGround(2), hours(1)[0], constant(280))
	a, err := BuildAtmosphere(m.fields, AtmosphereOptions{HoldFor: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	at := func(heightM float64) State {
		s, ok := a.StateAt(Position{LatLon{40, -107}, 500 + heightM}, hours(1)[0])
		if !ok {
			t.Fatal("outside")
		}
		return s
	}
	s := at(10)
	near(t, "wind at 10 m", s.EastwardMPerS, 4, 1e-5, "given")
	near(t, "wind at 10 m", s.NorthwardMPerS, 1, 1e-5, "given")
	// The next level is 1000 m, 500 m above ground: linear between.
	near(t, "wind at 255 m", at(255).EastwardMPerS, 7, 1e-4, "half way between 10 m and 500 m")
	near(t, "temperature at 251 m", at(251).AirTemperatureK, (280+281.65)/2, 1e-3, "half way between 2 m and 500 m")
	near(t, "wind on the ground", at(-5).EastwardMPerS, 4, 1e-5, "the lowest level")
}
