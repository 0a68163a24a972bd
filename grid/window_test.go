package grid

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func TestCropKeepsPlaces(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	for name, g := range grids(t) {
		for range 60 {
			w := Window{NI: 1 + random.IntN(g.NI), NJ: 1 + random.IntN(g.NJ)}
			w.J0 = random.IntN(g.NJ - w.NJ + 1)
			w.I0 = random.IntN(g.NI - w.NI + 1)
			if g.Cyclic {
				w.I0 = random.IntN(g.NI)
			}
			cropped, err := g.Crop(w)
			if err != nil {
				t.Fatalf("%s %+v: %v", name, w, err)
			}
			if cropped.NI != w.NI || cropped.NJ != w.NJ || cropped.Cyclic != (g.Cyclic && w.NI == g.NI) {
				t.Errorf("%s %+v: %d x %d, cyclic %v", name, w, cropped.NI, cropped.NJ, cropped.Cyclic)
			}
			for j := range w.NJ {
				for i := range w.NI {
					want, _ := g.LatLonAt(float64((w.I0+i)%g.NI), float64(w.J0+j))
					got, ok := cropped.LatLonAt(float64(i), float64(j))
					if !ok || DistanceM(got, want) > 1e-3 {
						t.Fatalf("%s %+v: (%d, %d) is at %v, want %v", name, w, i, j, got, want)
					}
				}
			}
		}
	}
}

func TestCropRefuses(t *testing.T) {
	all := grids(t)
	for _, test := range []struct {
		grid string
		w    Window
	}{
		{"regional", Window{0, 0, 31, 1}}, {"regional", Window{29, 0, 2, 1}}, {"regional", Window{-1, 0, 2, 1}}, {"regional", Window{0, 0, 0, 1}},
		{"regional", Window{0, 19, 1, 2}}, {"regional", Window{0, 0, 1, -1}}, {"regional", Window{math.MaxInt, 0, math.MaxInt, 1}},
		{"regional", Window{1, math.MaxInt, 1, 1}}, {"global, northward", Window{36, 0, 1, 1}}, {"global, northward", Window{0, 0, 37, 1}},
	} {
		if _, err := all[test.grid].Crop(test.w); err == nil {
			t.Errorf("%s: %+v was cropped", test.grid, test.w)
		}
		if _, err := ramp(all[test.grid]).Crop(test.w); err == nil {
			t.Errorf("%s: a field was cropped to %+v", test.grid, test.w)
		}
	}
}

func (w Window) holds(g *Grid, i, j int) bool {
	di := i - w.I0
	if g.Cyclic && di < 0 {
		di += g.NI
	}
	return di >= 0 && di < w.NI && j >= w.J0 && j < w.J0+w.NJ
}

// Every grid point inside of the circle around a place must be in the window,
// and so must the four points from which the place is interpolated.
func TestWindowOfHoldsTheCircles(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	for name, g := range grids(t) {
		for range 60 {
			var places []LatLon
			for range 1 + random.IntN(3) {
				if p, ok := g.LatLonAt(random.Float64()*float64(g.NI-1), random.Float64()*float64(g.NJ-1)); ok {
					places = append(places, p)
				}
			}
			marginM := random.Float64() * 600e3
			if random.IntN(4) == 0 {
				marginM = 0
			}
			w, ok := g.WindowOf(places, marginM)
			if !ok {
				t.Fatalf("%s: no window for %v", name, places)
			}
			if _, err := g.Crop(w); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, p := range places {
				fi, fj, _ := g.Locate(p)
				i0, j0, i1, j1, s, u := quad(fi, fj, g.NI, g.NJ, g.Cyclic)
				for _, corner := range [][3]float64{{float64(i0), float64(j0), (1 - s) * (1 - u)}, {float64(i1), float64(j0), s * (1 - u)}, {float64(i0), float64(j1), (1 - s) * u}, {float64(i1), float64(j1), s * u}} {
					if corner[2] > 1e-5 && !w.holds(g, int(corner[0]), int(corner[1])) {
						t.Fatalf("%s: window %+v of %v misses corner %v of %v, %v", name, w, places, corner, fi, fj)
					}
				}
				for j := range g.NJ {
					for i := range g.NI {
						at, _ := g.LatLonAt(float64(i), float64(j))
						if DistanceM(at, p) < marginM-1 && !w.holds(g, i, j) {
							t.Fatalf("%s: window %+v of %v with %.0f m misses (%d, %d), %.0f m away", name, w, places, marginM, i, j, DistanceM(at, p))
						}
					}
				}
			}
		}
	}
}

func TestWindowOfIsSmall(t *testing.T) {
	all := grids(t)
	lambertPoint, _ := all["lambert"].LatLonAt(11, 13)
	for _, test := range []struct {
		grid    string
		places  []LatLon
		marginM float64
		want    Window
		ok      bool
	}{
		{"regional", []LatLon{{41.2, -120.3}}, 0, Window{9, 7, 2, 2}, true},
		{"regional", []LatLon{{41, -120.5}}, 0, Window{9, 8, 1, 1}, true}, // a grid point needs no other
		{"lambert", []LatLon{lambertPoint}, 0, Window{11, 13, 1, 1}, true},
		{"regional", []LatLon{{41.2, -120.3}, {40.2, -119.3}}, 0, Window{9, 7, 4, 4}, true},
		// 60 km are 0.5396 degrees of latitude and 0.717 of longitude at 41.2 N.
		{"regional", []LatLon{{41.2, -120.3}}, 60e3, Window{7, 6, 5, 4}, true},
		{"regional", []LatLon{{41.2, -120.3}, {0, 0}}, 0, Window{9, 7, 2, 2}, false},
		{"regional", []LatLon{{0, 0}}, 0, Window{}, false},
		{"regional", nil, 0, Window{}, false},
		{"regional", []LatLon{{41.2, -120.3}}, math.NaN(), Window{9, 7, 2, 2}, true},
		{"regional", []LatLon{{41.2, -120.3}}, 1e8, Window{0, 0, 30, 20}, true},
		// Across the seam: columns 350, 0 and 10 degrees.
		{"global, northward", []LatLon{{5, -5}, {5, 5}}, 0, Window{35, 9, 3, 2}, true},
		{"global, northward", []LatLon{{5, 170}, {5, -170}}, 0, Window{17, 9, 3, 2}, true},
		// With the pole in the circle, every column.
		{"global, northward", []LatLon{{88, 0}}, 300e3, Window{0, 17, 36, 2}, true},
		{"global, northward", []LatLon{{0, 0}, {0, 110}, {0, -120}}, 0, Window{24, 9, 24, 1}, true},
		{"across the date line", []LatLon{{-30.5, 179.5}, {-30.5, -179.5}}, 0, Window{9, 9, 3, 2}, true},
	} {
		got, ok := all[test.grid].WindowOf(test.places, test.marginM)
		if got != test.want || ok != test.ok {
			t.Errorf("%s, %v with %g m: %+v, %v, want %+v, %v", test.grid, test.places, test.marginM, got, ok, test.want, test.ok)
		}
	}
}

func ExampleGrid_WindowOf() {
	// Two sites and 50 km around them, out of a grid of the whole country.
	projection, err := NewLambertConformal(LambertConformal{
		Earth:                Sphere(6371229),
		StandardParallel1Deg: 38.5, StandardParallel2Deg: 38.5, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -97.5,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	x0, y0, _ := projection.Forward(LatLon{21.138123, -122.719528})
	country := &Grid{Projection: projection, NI: 1799, NJ: 1059, X: Axis{First: x0, Step: 3000}, Y: Axis{First: y0, Step: 3000}}
	w, ok := country.WindowOf([]LatLon{{39.2, -106.6}, {39.4, -106.4}}, 50e3)
	fmt.Println(w.NI, "x", w.NJ, ok)
	// Output: 42 x 42 true
}
