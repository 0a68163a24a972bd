package cfgrid

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
)

// The invented files are written by netCDF4-python (testdata/netcdf/invented.py);
// every value is a formula of its indices.

func field(t *testing.T, f *File, number int, o Options) *grid.Field {
	t.Helper()
	got, err := f.Field(t.Context(), number, o)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// Dimensions lon, lat, time; packed shorts; the three classic formats.
func TestTransposedPacked(t *testing.T) {
	for _, name := range []string{"transposed.cdf1.nc", "transposed.cdf2.nc", "transposed.cdf5.nc"} {
		f := openInvented(t, name)
		if f.Len() != 3 { // t twice, b once; label is text
			t.Fatalf("%s: %d fields", name, f.Len())
		}
		for k := range 2 {
			got := field(t, f, k+1, Options{})
			g := got.Grid
			if g.NI != 12 || g.NJ != 4 || !g.Cyclic || g.X.At != nil || g.X.First != 0 || g.X.Step != 30 {
				t.Fatalf("%s: grid %+v", name, g)
			}
			if !slices.Equal(g.Y.At, []float64{60, 50, 35, 10}) || g.Name != "latitude_longitude" {
				t.Errorf("%s: rows at %v", name, g.Y.At)
			}
			for j := range 4 {
				for i := range 12 {
					// CF 8.1: stored times scale_factor plus add_offset. scale_factor
					// is a float32 there.
					want := float32(float64(100*i+10*j+k)*float64(float32(0.01)) + 250)
					missing := k == 1 && (i == 5 || i == 6) && j == 2
					if v := got.Values[j*12+i]; missing != math.IsNaN(float64(v)) || !missing && v != want {
						t.Errorf("%s: (%d, %d) at time %d: %g, want %g, missing %v", name, i, j, k, v, want, missing)
					}
				}
			}
			// 2026-01-14 00:00 in a zone 7 hours behind UTC, three hours each.
			start := time.Date(2026, 1, 14, 7+3*k, 0, 0, 0, time.UTC)
			if !got.IntervalStart.Equal(start) || !got.ValidTime.Equal(start.Add(3*time.Hour)) || got.CellMethod != "maximum" {
				t.Errorf("%s: %v to %v %s", name, got.IntervalStart, got.ValidTime, got.CellMethod)
			}
			if got.StandardName != "air_temperature" || !strings.HasSuffix(got.Packing, " short packed") || got.Level.Type != "" || !math.IsNaN(got.Level.Value) {
				t.Errorf("%s: %+v", name, got)
			}
		}
		b := field(t, f, 3, Options{})
		for n, v := range b.Values {
			if want := float64((n*5 + 20) % 256); want == 255 != math.IsNaN(float64(v)) || want != 255 && float64(v) != want {
				t.Errorf("%s: unsigned byte %d is %g, want %g", name, n, v, want)
			}
		}
	}
}

// A window of a transposed variable, also one that passes the last column.
func TestWindow(t *testing.T) {
	f := openInvented(t, "transposed.cdf1.nc")
	whole := field(t, f, 1, Options{})
	for _, w := range []grid.Window{{I0: 2, J0: 1, NI: 3, NJ: 2}, {I0: 10, J0: 0, NI: 5, NJ: 4}, {NI: 12, NJ: 4}, {I0: 11, J0: 3, NI: 1, NJ: 1}} {
		got := field(t, f, 1, Options{Window: &w})
		if got.Grid.NI != w.NI || got.Grid.NJ != w.NJ || len(got.Values) != w.NI*w.NJ {
			t.Fatalf("%+v: %d values on %d x %d", w, len(got.Values), got.Grid.NI, got.Grid.NJ)
		}
		for j := range w.NJ {
			for i := range w.NI {
				if want := whole.Values[(w.J0+j)*12+(w.I0+i)%12]; got.Values[j*w.NI+i] != want {
					t.Errorf("%+v: (%d, %d) is %g, want %g", w, i, j, got.Values[j*w.NI+i], want)
				}
			}
		}
	}
	for _, w := range []grid.Window{{I0: 0, J0: 3, NI: 1, NJ: 2}, {I0: -1, NI: 2, NJ: 1}, {NI: 13, NJ: 1}, {}} {
		if _, err := f.Field(t.Context(), 1, Options{Window: &w}); err == nil {
			t.Errorf("%+v was taken", w)
		}
	}
	for _, n := range []int{0, -1, 4} {
		if _, err := f.Field(t.Context(), n, Options{}); err == nil {
			t.Errorf("field %d was given", n)
		}
	}
}

func TestEnsembleInGroup(t *testing.T) {
	f := openInvented(t, "ensemble.nc4")
	var t3, t2, wind, soil []grid.Field
	for _, h := range f.Headers() {
		switch h.Parameter {
		case "model/t":
			t3 = append(t3, h)
		case "model/t2":
			t2 = append(t2, h)
		case "model/soil":
			soil = append(soil, h)
		case "wind":
			wind = append(wind, h)
		}
	}
	if len(t3) != 12 || len(t2) != 2 || len(wind) != 1 || len(soil) != 1 {
		t.Fatalf("%d, %d, %d, %d fields", len(t3), len(t2), len(wind), len(soil))
	}
	run := time.Date(2026, 1, 14, 0, 0, 0, 0, time.UTC)
	lambert, err := grid.NewLambertConformal(grid.LambertConformal{Earth: grid.Sphere(6371229), StandardParallel1Deg: 38.5,
		StandardParallel2Deg: 38.5, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -106})
	if err != nil {
		t.Fatal(err)
	}
	for k, h := range t3 { // member, then time, then level
		m, n, l := k/6, k/3%2, k%3
		g := h.Grid
		if h.Member != []int{7, 9}[m] || !h.ValidTime.Equal(run.Add(time.Duration(6+3*n)*time.Hour)) || !h.ReferenceTime.Equal(run) ||
			h.Level.Value != []float64{850, 700, 500}[l] || h.Level.Units != "hPa" || h.Level.Type != "plev" {
			t.Errorf("field %d: member %d, %v, %v, %+v", k, h.Member, h.ReferenceTime, h.ValidTime, h.Level)
		}
		if h.StandardName != "air_temperature" || h.ShortName != "t" || h.Packing != "netCDF-4 float, deflate 4" {
			t.Errorf("%+v", h)
		}
		if !slices.Equal(g.X.At, []float64{0, 3000, 7000, 9000}) || g.Y.First != -6000 || g.Y.Step != 3000 || g.Y.At != nil || g.Name != "lambert_conformal_conic" {
			t.Fatalf("axes %+v %+v of %s", g.X, g.Y, g.Name)
		}
		want, _ := lambert.Inverse(7000, 3000)
		if got, ok := g.LatLonAt(2, 3); !ok || math.Abs(got.LatitudeDeg-want.LatitudeDeg) > 1e-9 || math.Abs(got.LongitudeDeg-want.LongitudeDeg) > 1e-9 {
			t.Errorf("place %v, want %v", got, want)
		}
		got := field(t, f, h.Number, Options{})
		for j := range 5 {
			for i := range 4 {
				value := float64(got.Values[j*4+i])
				if m == 1 && n == 1 && l == 2 && j == 4 && i == 3 {
					if !math.IsNaN(value) {
						t.Errorf("fill value is %g", value)
					}
				} else if want := float64(10000*m + 1000*n + 100*l + 10*j + i); value != want {
					t.Errorf("field %d (%d, %d): %g, want %g", k, i, j, value, want)
				}
			}
		}
	}
	if h := t2[1]; h.Level.Type != "height" || h.Level.Value != 2 || h.Level.Units != "m" || h.Member != -1 || !h.ValidTime.Equal(run.Add(9*time.Hour)) {
		t.Errorf("%+v", h)
	}
	// uint16 without _FillValue: 65535 is the default fill value of the type.
	for _, v := range field(t, f, soil[0].Number, Options{}).Values {
		if !math.IsNaN(float64(v)) {
			t.Errorf("default fill value is %g", v)
		}
	}
	c := wind[0].Grid.Curvilinear
	if c == nil || wind[0].Grid.Projection != nil || c.LatitudeDeg[7] != 38.03 || math.Abs(c.LongitudeDeg[7]+105.88) > 1e-12 {
		t.Errorf("curvilinear grid %+v", wind[0].Grid)
	}
	words, err := f.Strings(t.Context(), "words")
	if err != nil || !slices.Equal(words, []string{"one", "two", "three", "four", "five"}) {
		t.Errorf("%q, %v", words, err)
	}
	labels, err := openInvented(t, "transposed.cdf1.nc").Strings(t.Context(), "label")
	if err != nil || !slices.Equal(labels, []string{strings.Repeat("a", 12), strings.Repeat("a", 12), strings.Repeat("a", 12), strings.Repeat("a", 12)}) {
		t.Errorf("%q, %v", labels, err)
	}
	notes := map[string]string{}
	types := map[string]string{}
	for _, v := range f.Variables() {
		notes[v.Name], types[v.Name] = strings.Join(v.Notes, "; "), v.Type
	}
	if notes["nothing"] != "no values" || types["pairs"] != "user-defined type" || types["words"] != "string" {
		t.Errorf("notes %v, types %v", notes, types)
	}
}

// Contiguous ragged profiles, km and degrees Celsius.
func TestRaggedColumns(t *testing.T) {
	columns, err := openInvented(t, "ragged.nc").Columns(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(columns) != 2 {
		t.Fatalf("%d columns", len(columns))
	}
	for n, want := range []struct {
		place     grid.LatLon
		hour      int
		altitudeM []float64
		airK      []float64
	}{
		{grid.LatLon{LatitudeDeg: 40, LongitudeDeg: -105}, 1, []float64{1000, 2000}, []float64{283.15, 278.15}},
		{grid.LatLon{LatitudeDeg: 41, LongitudeDeg: -110}, 2, []float64{1000, 2000, 3000}, []float64{281.15, 277.15, 273.15}},
	} {
		c := columns[n]
		if c.Place != want.place || !c.Time.Equal(time.Date(2026, 1, 14, want.hour, 0, 0, 0, time.UTC)) || len(c.Levels) != len(want.altitudeM) {
			t.Fatalf("%+v", c)
		}
		for k, level := range c.Levels {
			if level.AltitudeM != want.altitudeM[k] || math.Abs(level.AirTemperatureK-want.airK[k]) > 1e-9 || !math.IsNaN(level.PressurePa) {
				t.Errorf("column %d level %d: %+v", n, k, level)
			}
		}
	}
}

func TestEvenOrListed(t *testing.T) {
	for _, test := range []struct {
		values     []float64
		resolution float64
		ok, even   bool
	}{
		{[]float64{0, 1, 2, 3}, 0, true, true},
		{[]float64{3, 2, 1}, 0, true, true},
		{[]float64{0, 1, 2.001, 3}, 0, true, false},
		{[]float64{0, 1, 2.001, 3}, 0.01, true, true},
		{[]float64{5}, 0, true, false},
		{nil, 0, false, false},
		{[]float64{0, 1, 1}, 0, false, false},
		{[]float64{0, 1, 0}, 0, false, false},
		{[]float64{0, math.NaN(), 2}, 0, false, false},
		{[]float64{math.NaN()}, 0, false, false},
	} {
		axis, ok := evenOrListed(test.values, test.resolution)
		if ok != test.ok || ok && (axis.At == nil) != test.even {
			t.Errorf("%v: %+v, %v", test.values, axis, ok)
		}
	}
	longitudes := []float64{170, 175, -180, -175}
	if unwrap(longitudes); !slices.Equal(longitudes, []float64{170, 175, 180, 185}) {
		t.Errorf("%v", longitudes)
	}
}
