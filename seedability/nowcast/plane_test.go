package nowcast

import (
	"math"
	"testing"

	"rimeline/grid"
)

// Azimuthal equidistant on the sphere, PROJ by pyproj: testdata/nowcast/make.py.
func TestPlaneAgreesWithPROJ(t *testing.T) {
	for _, row := range table(t, "planes.tsv") {
		p := Plane{Origin: grid.LatLon{LatitudeDeg: number(t, row["lat0"]), LongitudeDeg: number(t, row["lon0"])}}
		place := grid.LatLon{LatitudeDeg: number(t, row["lat"]), LongitudeDeg: number(t, row["lon"])}
		x, y := p.XY(place)
		if wantX, wantY := number(t, row["x_m"]), number(t, row["y_m"]); math.Hypot(x-wantX, y-wantY) > 0.002 {
			t.Errorf("%v: %.4f, %.4f m, want %.3f, %.3f (within 2 mm)", place, x, y, wantX, wantY)
		}
		if back := p.Place(x, y); grid.DistanceM(back, place) > 1e-3 {
			t.Errorf("%v comes back as %v", place, back)
		}
	}
}

func TestFromFieldTellsCodesApart(t *testing.T) {
	const n = 100
	f := &grid.Field{ValidTime: midnight, Grid: &grid.Grid{Projection: grid.LatLonProjection{}, NI: n, NJ: n,
		X: grid.Axis{First: -107, Step: 0.01}, Y: grid.Axis{First: 39.5, Step: -0.01}}, Values: make([]float32, n*n)}
	for k := range f.Values {
		switch row := k / n; {
		case row < 20:
			f.Values[k] = -999 // no coverage
		case row < 40:
			f.Values[k] = -99 // no echo
		default:
			f.Values[k] = 30
		}
	}
	codes := Codes{NotSeen: []float32{-999}, NoEcho: []float32{-99}, NoEchoDBZ: -10}
	for _, spacingM := range []float64{1000, 4000} {
		frame, err := FromField(f, somewhere, spacingM, int(160e3/spacingM)+1, codes)
		if err != nil {
			t.Fatal(err)
		}
		at := func(lat, lon float64) float32 {
			x, y := frame.XY(grid.LatLon{LatitudeDeg: lat, LongitudeDeg: lon})
			return frame.DBZ[int(math.Round((y-frame.SouthM)/spacingM))*frame.NI+int(math.Round((x-frame.WestM)/spacingM))]
		}
		for _, test := range []struct {
			what     string
			lat, lon float64
			want     float64
		}{
			{"no coverage", 39.4, -106.5, math.NaN()},
			{"no echo", 39.2, -106.5, -10},
			{"echo", 38.8, -106.5, 30},
			{"west of the field", 39, -107.2, math.NaN()},
		} {
			got := float64(at(test.lat, test.lon))
			if math.Abs(got-test.want) > 1e-4 || math.IsNaN(got) != math.IsNaN(test.want) {
				t.Errorf("%g m, %s: %g, want %g", spacingM, test.what, got, test.want)
			}
		}
	}
	// Mean of Z, not of dBZ: a cell half 30 dBZ and half nothing is 27 dBZ.
	for k := range f.Values {
		f.Values[k] = []float32{30, -99}[min(k/n/50, 1)]
	}
	halves := somewhere // on the row between the halves
	halves.LatitudeDeg = 39.5 - 0.495
	frame, err := FromField(f, halves, 11120, 3, codes)
	if err != nil {
		t.Fatal(err)
	}
	if got := frame.DBZ[4]; math.Abs(float64(got)-26.99) > 0.01 {
		t.Errorf("half 30 dBZ, half nothing: %g dBZ, want 30 - 10 log10 2 = 26.99", got)
	}
	// Seen by less than half, a cell is not seen, whatever the rest holds.
	for k := range f.Values {
		f.Values[k] = []float32{30, -999}[min(k/n/48, 1)] // two rows of ten short of half
	}
	if frame, err = FromField(f, halves, 11120, 3, codes); err != nil {
		t.Fatal(err)
	}
	if got := frame.DBZ[4]; got == got {
		t.Errorf("seen by three tenths: %g dBZ, want not seen", got)
	}
	for _, bad := range []*grid.Field{nil, {}, {Grid: &grid.Grid{}}} {
		if _, err := FromField(bad, somewhere, 1000, 10, codes); err == nil {
			t.Errorf("%+v: no error", bad)
		}
	}
	if _, err := FromField(f, somewhere, 1000, 1<<20, codes); err == nil {
		t.Error("2^40 cells: no error")
	}
}

func TestReflectivityFromRate(t *testing.T) {
	// Marshall and Palmer (1948), Z = 200 R^1.6: the rates that go with round
	// reflectivities in the NWS table of Z-R relations, 3 or 4 digits.
	for _, test := range []struct{ rateMMPerH, want float64 }{{0.648, 20}, {2.734, 30}, {11.53, 40}, {23.68, 45}} {
		if got := ReflectivityFromRateDBZ(test.rateMMPerH, 200, 1.6); math.Abs(got-test.want) > 0.006 {
			t.Errorf("%g mm/h: %.4f dBZ, want %g within 0.006", test.rateMMPerH, got, test.want)
		}
	}
	if got := ReflectivityFromRateDBZ(0, 200, 1.6); !math.IsInf(got, -1) {
		t.Errorf("no rain: %g", got)
	}
	if got := ReflectivityFromRateDBZ(-1, 200, 1.6); !math.IsNaN(got) {
		t.Errorf("negative rate: %g", got)
	}
}
