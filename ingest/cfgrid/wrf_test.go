package cfgrid

import (
	"bufio"
	"bytes"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

const (
	wrfLambert  = "netcdf/wrfout.tibet.20050921.allvars.nc"
	wrfMercator = "netcdf/wrfout.wrf-python-ci.20050828.mercator.nc"
)

// wrfKey names one slice.
type wrfKey struct {
	name      string
	time      time.Time
	levelType string
	level     float64
}

func wrfSlices(t testing.TB, f *File, o Options) map[wrfKey]*grid.Field {
	t.Helper()
	fields, err := f.WRFFields(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	slices := map[wrfKey]*grid.Field{}
	for n, field := range fields {
		key := wrfKey{field.StandardName, field.ValidTime, field.Level.Type, field.Level.Value}
		if math.IsNaN(key.level) {
			key.level = 0
		}
		if field.Number != n+1 || slices[key] != nil {
			t.Fatalf("field %d is number %d, %+v", n+1, field.Number, key)
		}
		slices[key] = field
	}
	return slices
}

// Columns computed by netCDF4-python from the same files, all rows and columns.
// Tolerances are half the last digit printed and the rounding of float32.
func TestWRFColumns(t *testing.T) {
	for _, name := range []string{wrfLambert, wrfMercator} {
		slices := wrfSlices(t, openReal(t, name), Options{})
		reference := testfiles.Read(t, "reference/others/"+strings.TrimPrefix(name, "netcdf/")+".columns.tsv")
		lines := bufio.NewScanner(bytes.NewReader(reference))
		lines.Scan()
		rows := 0
		for lines.Scan() {
			cells := strings.Split(lines.Text(), "\t")
			number := func(k int) float64 {
				x, err := strconv.ParseFloat(cells[k], 64)
				if err != nil {
					t.Fatal(err)
				}
				return x
			}
			when := wrfTime(cells[1])
			j, i, level := int(number(2)), int(number(3)), number(4)
			get := func(name, levelType string, level float64) (float64, *grid.Grid) {
				field := slices[wrfKey{name, when, levelType, level}]
				if field == nil {
					t.Fatalf("no %s on %s %g at %v", name, levelType, level, when)
				}
				return float64(field.Values[j*field.Grid.NI+i]), field.Grid
			}
			for _, c := range []struct {
				column       int
				name         string
				digit, float float64 // half the last digit; relative precision
			}{
				{8, "air_pressure", 0.005, 1e-7}, {9, "air_temperature", 5e-5, 1e-7}, {10, "geopotential_height", 0.005, 1e-7},
				{11, "x_wind", 5e-5, 1e-6}, {12, "y_wind", 5e-5, 1e-6}, {13, "upward_air_velocity", 5e-6, 1e-6},
				{14, "humidity_mixing_ratio", 0, 6e-7}, {15, "cloud_liquid_water_mixing_ratio", 0, 6e-7},
			} {
				got, _ := get(c.name, wrfLevelType, level+1)
				if want := number(c.column); math.Abs(got-want) > c.digit+c.float*math.Abs(want)*1.01 {
					t.Errorf("%s %s (%d, %d) level %g: %s %.9g, want %g", name, cells[1], i, j, level, c.name, got, want)
				}
			}
			terrain, g := get("surface_altitude", "surface", 0)
			if math.Abs(terrain-number(7)) > 0.0051 {
				t.Errorf("terrain %g, want %g", terrain, number(7))
			}
			place, ok := g.LatLonAt(float64(i), float64(j))
			if !ok || math.Abs(place.LatitudeDeg-number(5)) > 1e-4 || math.Abs(place.LongitudeDeg-number(6)) > 1e-4 {
				t.Errorf("place %v, want %g %g", place, number(5), number(6))
			}
			rows++
		}
		if rows < 100 {
			t.Errorf("%s: %d rows", name, rows)
		}
	}
}

// Every mass point, and those of the staggered winds, against XLAT, XLONG and
// their staggered forms.
func TestWRFPlaces(t *testing.T) {
	for _, name := range []string{wrfLambert, wrfMercator} {
		f := openReal(t, name)
		worst := 0.0
		for _, suffix := range []struct{ places, variable string }{{"", "T"}, {"_U", "U"}, {"_V", "V"}} {
			lat, err := f.Values(t.Context(), "XLAT"+suffix.places)
			if err != nil {
				t.Fatal(err)
			}
			lon, err := f.Values(t.Context(), "XLONG"+suffix.places)
			if err != nil {
				t.Fatal(err)
			}
			grids := map[*grid.Grid]bool{}
			for _, h := range f.Headers() {
				if h.Parameter != suffix.variable {
					continue
				}
				g := h.Grid
				if g.Projection == nil || !g.WindsGridRelative {
					t.Fatalf("%s %s: %+v", name, suffix.variable, g)
				}
				grids[g] = true
				first := 0 // of this time, where XLAT has times
				for n, when := range f.wrf.times.instants {
					if len(lat) > g.NI*g.NJ && when.Equal(h.ValidTime) {
						first = n * g.NI * g.NJ
					}
				}
				for k := range g.NI * g.NJ {
					p, ok := g.LatLonAt(float64(k%g.NI), float64(k/g.NI))
					if !ok {
						t.Fatalf("no place for point %d", k)
					}
					worst = math.Max(worst, math.Abs(p.LatitudeDeg-lat[first+k]))
					worst = math.Max(worst, math.Abs(grid.NormalLongitudeDeg(p.LongitudeDeg-lon[first+k])))
				}
			}
			// The Mercator nest follows a hurricane: another place each time.
			if want := map[string]int{wrfLambert: 1, wrfMercator: 4}[name]; len(grids) != want {
				t.Errorf("%s %s is on %d grids, want %d", name, suffix.variable, len(grids), want)
			}
		}
		t.Logf("%s: at most %.1e degrees off", name, worst)
		if worst > 1e-4 {
			t.Errorf("%s: %.1e degrees off", name, worst)
		}
	}
}

// Winds turned to the earth by the projection, against the file's own COSALPHA
// and SINALPHA: u_earth = u cos - v sin, v_earth = v cos + u sin (WRF
// post-processing practice; the angle is that of the grid's y from north).
func TestWRFWindRotation(t *testing.T) {
	f := openReal(t, wrfLambert)
	cos, err := f.Values(t.Context(), "COSALPHA")
	if err != nil {
		t.Fatal(err)
	}
	sin, err := f.Values(t.Context(), "SINALPHA")
	if err != nil {
		t.Fatal(err)
	}
	turned := 0.0
	for key, x := range wrfSlices(t, f, Options{}) {
		if key.name != "x_wind" {
			continue
		}
		g := x.Grid
		for k, u := range x.Values {
			v := 3 - float64(u)/2 // any other component does
			p, _ := g.LatLonAt(float64(k%g.NI), float64(k/g.NI))
			east, north, ok := g.RotateToEarth(float64(u), v, p)
			wantEast, wantNorth := float64(u)*cos[k]-v*sin[k], v*cos[k]+float64(u)*sin[k]
			// The model takes its angle from float32 differences of neighbours: up to
			// 4.7e-5 of the largest 0.0133 radians off the map's own.
			tolerance := 6e-5 * math.Hypot(float64(u), v)
			if !ok || math.Abs(east-wantEast) > tolerance || math.Abs(north-wantNorth) > tolerance {
				t.Fatalf("point %d: %g %g, want %g %g", k, east, north, wantEast, wantNorth)
			}
			turned = math.Max(turned, math.Abs(east-float64(u)))
		}
	}
	if turned < 0.01 {
		t.Errorf("winds are turned by %g m/s at most: the test shows nothing", turned)
	}
}

// Mass fractions of rain, snow and graupel give back the mixing ratios of the
// file: w = q_x (1 + sum of w).
func TestWRFWater(t *testing.T) {
	f := openReal(t, wrfLambert)
	slices := wrfSlices(t, f, Options{})
	sources := []string{"QVAPOR", "QCLOUD", "QICE", "QRAIN", "QSNOW", "QGRAUP"}
	raw := map[string][]float64{}
	for _, name := range sources {
		values, err := f.Values(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		raw[name] = values
	}
	seen := 0
	when := wrfTime("2005-09-21_03:00:00")
	for source, name := range map[string]string{"QRAIN": "mass_fraction_of_rain_in_air", "QSNOW": "mass_fraction_of_snow_in_air", "QGRAUP": "mass_fraction_of_graupel_in_air"} {
		for level := range 27 {
			field := slices[wrfKey{name, when, wrfLevelType, float64(level + 1)}]
			for k, q := range field.Values {
				at := (1*27+level)*80 + k // second time
				sum := 1.0
				for _, s := range sources {
					sum += raw[s][at]
				}
				if got, want := float64(q)*sum, raw[source][at]; math.Abs(got-want) > 1e-7*want {
					t.Fatalf("%s level %d point %d: %g, want %g", name, level, k, got, want)
				}
				if q > 0 {
					seen++
				}
			}
		}
	}
	if seen == 0 {
		t.Error("no precipitation at all: the test shows nothing")
	}
}

func TestWRFWindow(t *testing.T) {
	f := openReal(t, wrfMercator)
	whole := wrfSlices(t, f, Options{})
	w := grid.Window{I0: 7, J0: 40, NI: 5, NJ: 8}
	for key, part := range wrfSlices(t, f, Options{Window: &w}) {
		for j := range w.NJ {
			for i := range w.NI {
				if got, want := part.Values[j*w.NI+i], whole[key].Values[(w.J0+j)*48+w.I0+i]; got != want {
					t.Fatalf("%+v (%d, %d): %g, want %g", key, i, j, got, want)
				}
			}
		}
		a, _ := part.Grid.LatLonAt(0, 0)
		b, _ := whole[key].Grid.LatLonAt(7, 40) // the domain moves with time
		if grid.DistanceM(a, b) > 0.01 {
			t.Fatalf("window begins at %v, not %v", a, b)
		}
	}
	if _, err := f.WRFFields(t.Context(), Options{Window: &grid.Window{I0: 44, NI: 5, NJ: 1}}); err == nil {
		t.Error("a window off the grid was taken")
	}
}

func TestWRFTimesAndRun(t *testing.T) {
	for name, want := range map[string][2]string{
		wrfLambert:  {"2005-09-20_12:00:00", "2005-09-21_09:00:00"}, // SIMULATION_START_DATE; last of Times
		wrfMercator: {"2005-08-28_00:00:00", "2005-08-28_21:00:00"},
	} {
		fields, err := openReal(t, name).WRFFields(t.Context(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		last := fields[len(fields)-1]
		if !last.ReferenceTime.Equal(wrfTime(want[0])) || !last.ValidTime.Equal(wrfTime(want[1])) {
			t.Errorf("%s: run %v, time %v", name, last.ReferenceTime, last.ValidTime)
		}
	}
	_, err := openInvented(t, "ensemble.nc4").WRFFields(t.Context(), Options{})
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || !errors.Is(err, ingest.ErrUnsupported) {
		t.Error(err)
	}
}
