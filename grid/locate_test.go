package grid

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// grids are of every kind that the package computes, small enough to search
// point by point.
func grids(t testing.TB) map[string]*Grid {
	t.Helper()
	lambert := planes()["lambert-tangent-sphere"]
	x0, y0, _ := lambert.Forward(LatLon{36, -112})
	polar := planes()["stereographic-north-wgs84"]
	mercatorGrid := planes()["mercator-sphere"]
	mx, my, _ := mercatorGrid.Forward(LatLon{-5, 10}) // the grid passes x = +-180 of its meridian
	all := map[string]*Grid{
		"global, northward":    {Projection: LatLonProjection{}, NI: 36, NJ: 19, X: Axis{First: 0, Step: 10}, Y: Axis{First: -90, Step: 10}, Cyclic: true},
		"global, southward":    {Projection: LatLonProjection{}, NI: 40, NJ: 18, X: Axis{First: -180, Step: 9}, Y: Axis{First: 85, Step: -10}, Cyclic: true},
		"global, westward":     {Projection: LatLonProjection{}, NI: 24, NJ: 13, X: Axis{First: 350, Step: -15}, Y: Axis{First: 90, Step: -15}, Cyclic: true},
		"global, uneven step":  {Projection: LatLonProjection{}, NI: 48, NJ: 13, X: Axis{First: 0, Step: 7.4}, Y: Axis{First: 90, Step: -15}, Cyclic: true},
		"gaussian":             {Projection: LatLonProjection{}, NI: 32, NJ: 16, X: Axis{First: 0, Step: 11.25}, Y: Axis{At: GaussianLatitudesDeg(16)}, Cyclic: true},
		"listed columns":       {Projection: LatLonProjection{}, NI: 6, NJ: 4, X: Axis{At: []float64{170, 174, 179, 185, 190, 200}}, Y: Axis{At: []float64{-10, 0, 5, 20}}},
		"regional":             {Projection: LatLonProjection{}, NI: 30, NJ: 20, X: Axis{First: 235, Step: 0.5}, Y: Axis{First: 45, Step: -0.5}},
		"across the date line": {Projection: LatLonProjection{}, NI: 30, NJ: 20, X: Axis{First: 170, Step: 1}, Y: Axis{First: -40, Step: 1}},
		"by the north pole":    {Projection: LatLonProjection{}, NI: 13, NJ: 11, X: Axis{First: -30, Step: 5}, Y: Axis{First: 80, Step: 1}},
		"circle closed twice":  {Projection: LatLonProjection{}, NI: 37, NJ: 7, X: Axis{First: -180, Step: 10}, Y: Axis{First: -30, Step: 10}},
		"lambert":              {Projection: lambert, NI: 40, NJ: 30, X: Axis{First: x0, Step: 25000}, Y: Axis{First: y0, Step: 25000}},
		"lambert, southward":   {Projection: lambert, NI: 40, NJ: 30, X: Axis{First: x0, Step: 25000}, Y: Axis{First: y0 + 29*25000, Step: -25000}},
		"polar":                {Projection: polar, NI: 40, NJ: 40, X: Axis{First: -2e6, Step: 1e5}, Y: Axis{First: -2e6, Step: 1e5}},
		"mercator":             {Projection: mercatorGrid, NI: 25, NJ: 15, X: Axis{First: mx, Step: 1e5}, Y: Axis{First: my, Step: 1e5}},
		"rotated":              {Projection: rotatedGrids()["rotated-with-angle"], NI: 30, NJ: 25, X: Axis{First: -15, Step: 1}, Y: Axis{First: -12, Step: 1}},
		"rotated to its pole":  {Projection: rotatedGrids()["rotated-europe"], NI: 36, NJ: 19, X: Axis{First: -180, Step: 10}, Y: Axis{First: -90, Step: 10}, Cyclic: true},
		"large":                {Projection: lambert, NI: 130, NJ: 70, X: Axis{First: x0, Step: 9000}, Y: Axis{First: y0, Step: 9000}},
		"single column":        {Projection: LatLonProjection{}, NI: 1, NJ: 10, X: Axis{First: 250, Step: 1}, Y: Axis{First: 30, Step: 1}},
	}
	for _, name := range []string{"lambert", "polar", "rotated", "regional", "large", "gaussian"} {
		all[name+", listed"] = listed(t, all[name])
	}
	return all
}

// listed gives a grid's places one by one.
func listed(t testing.TB, g *Grid) *Grid {
	t.Helper()
	c := &Curvilinear{}
	for j := range g.NJ {
		for i := range g.NI {
			p, ok := g.LatLonAt(float64(i), float64(j))
			if !ok {
				t.Fatalf("no place at %d, %d", i, j)
			}
			c.LatitudeDeg, c.LongitudeDeg = append(c.LatitudeDeg, p.LatitudeDeg), append(c.LongitudeDeg, p.LongitudeDeg)
		}
	}
	return &Grid{NI: g.NI, NJ: g.NJ, Curvilinear: c, Cyclic: g.Cyclic, WindsGridRelative: g.WindsGridRelative}
}

func TestLocateReturnsWhatLatLonAtGave(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for name, g := range grids(t) {
		for range 500 {
			i := random.Float64() * float64(g.NI-1)
			if g.Cyclic {
				i = random.Float64() * float64(g.NI)
			}
			j := random.Float64() * float64(g.NJ-1)
			if name == "rotated to its pole" || name == "global, northward" {
				j = 0.5 + random.Float64()*float64(g.NJ-2) // columns meet at the poles
			}
			p, ok := g.LatLonAt(i, j)
			if !ok {
				t.Fatalf("%s: no place at %v, %v", name, i, j)
			}
			gotI, gotJ, ok := g.Locate(p)
			if !ok || math.Abs(gotI-i) > 1e-7 || math.Abs(gotJ-j) > 1e-7 {
				t.Fatalf("%s: place %v of %v, %v located at %v, %v, %v", name, p, i, j, gotI, gotJ, ok)
			}
		}
	}
}

func TestLatLonAtByHand(t *testing.T) {
	all := grids(t)
	for _, test := range []struct {
		grid string
		i, j float64
		want LatLon
	}{
		{"global, northward", 35.5, 9, LatLon{0, -5}}, // between the last and the first column
		{"global, westward", 23.5, 12, LatLon{-90, -2.5}},
		{"global, uneven step", 47.5, 6, LatLon{0, -6.1}}, // last column 347.8, gap 12.2
		{"gaussian", 0, 0, LatLon{81.65059075, 0}},        // numpy.polynomial.legendre.leggauss(16)
		{"listed columns", 2.5, 2.5, LatLon{12.5, -178}},
		{"across the date line", 15, 0, LatLon{-40, -175}},
		{"regional", -0.5, 0, LatLon{45, -125.25}}, // the outer edge of a cell
	} {
		got, ok := all[test.grid].LatLonAt(test.i, test.j)
		if !ok || math.Abs(got.LatitudeDeg-test.want.LatitudeDeg) > 1e-8 || math.Abs(got.LongitudeDeg-test.want.LongitudeDeg) > 1e-9 {
			t.Errorf("%s at %v, %v: %v, want %v", test.grid, test.i, test.j, got, test.want)
		}
	}
	for _, ij := range [][2]float64{{-0.6, 0}, {0, -0.6}, {29.6, 0}, {0, 19.6}, {math.NaN(), 0}, {0, math.NaN()}, {math.Inf(1), 0}} {
		if p, ok := all["regional"].LatLonAt(ij[0], ij[1]); ok {
			t.Errorf("regional grid has a place %v at %v", p, ij)
		}
		if p, ok := all["lambert, listed"].LatLonAt(ij[0]*2, ij[1]*2); ok {
			t.Errorf("listed grid has a place %v at %v", p, ij)
		}
	}
}

func TestLocateOutside(t *testing.T) {
	all := grids(t)
	for _, test := range []struct {
		grid string
		p    LatLon
		want bool
	}{
		{"regional", LatLon{45, -125}, true},
		{"regional", LatLon{45, 235}, true},
		{"regional", LatLon{45, 595}, true},            // a turn more
		{"regional", LatLon{45.0001, -125.0001}, true}, // printed with four decimals
		{"regional", LatLon{45.01, -125}, false},
		{"regional", LatLon{45, -125.01}, false},
		{"regional", LatLon{40, 55}, false},
		{"regional", LatLon{-45, -120}, false},
		{"regional", LatLon{math.NaN(), -120}, false},
		{"regional", LatLon{40, math.Inf(1)}, false},
		{"global, southward", LatLon{88, 0}, false}, // north of the last row
		{"global, southward", LatLon{84, -179.999}, true},
		{"circle closed twice", LatLon{0, 180}, true},
		{"circle closed twice", LatLon{0, 179.99}, true},
		{"lambert", LatLon{-90, 0}, false},
		{"lambert", LatLon{36, 70}, false},
		{"lambert, listed", LatLon{30, -112}, false},
		{"lambert, listed", LatLon{-36, 68}, false},
		{"lambert, listed", LatLon{-39, 74}, false}, // through the earth from its middle
		{"single column", LatLon{33.5, -110}, true},
		{"single column", LatLon{33.5, -109}, false},
	} {
		i, j, ok := all[test.grid].Locate(test.p)
		if ok != test.want {
			t.Errorf("%s: %v located at %v, %v, %v", test.grid, test.p, i, j, ok)
		}
		if ok && (i < 0 || j < 0 || j > float64(all[test.grid].NJ-1)) {
			t.Errorf("%s: %v located at %v, %v", test.grid, test.p, i, j)
		}
	}
}

func TestNearestAgainstEveryPoint(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for name, g := range grids(t) {
		found := 0
		for k := range 400 {
			onGrid := false
			p := LatLon{math.Asin(2*random.Float64()-1) / radPerDeg, 360*random.Float64() - 180}
			switch k % 4 {
			case 0: // beside a pole
				p.LatitudeDeg = math.Copysign(90-random.Float64(), p.LatitudeDeg)
			case 1, 2: // on the grid or just beside it
				i, j := random.Float64()*float64(g.NI)-0.5, random.Float64()*float64(g.NJ)-0.5
				if at, ok := g.LatLonAt(i, j); ok {
					p, onGrid = at, true
				}
			}
			best, place := math.Inf(1), LatLon{}
			for j := range g.NJ {
				for i := range g.NI {
					if at, _ := g.LatLonAt(float64(i), float64(j)); DistanceM(p, at) < best {
						best, place = DistanceM(p, at), at
					}
				}
			}
			i, j, distanceM, ok := g.Nearest(p)
			if _, _, inside := g.Locate(p); inside && !ok {
				t.Errorf("%s: %v is on the grid but has no nearest point", name, p)
			}
			if !ok {
				if onGrid {
					t.Errorf("%s: %v has no nearest point, %v is %.0f m away", name, p, place, best)
				}
				continue
			}
			found++
			at, _ := g.LatLonAt(float64(i), float64(j))
			if math.Abs(distanceM-DistanceM(p, at)) > 1e-3 || distanceM > best+1e-3 {
				t.Errorf("%s: nearest to %v is %v, %.0f m; %v is %.0f m away", name, p, at, distanceM, place, best)
			}
		}
		if found < 50 {
			t.Errorf("%s: only %d places tried", name, found)
		}
	}
}

func TestNearestLimits(t *testing.T) {
	all := grids(t)
	for _, test := range []struct {
		grid string
		p    LatLon
		want bool
	}{
		{"regional", LatLon{45.4, -120}, true}, // less than a step off
		{"regional", LatLon{46.1, -120}, false},
		{"regional", LatLon{40, -126.1}, false},
		{"lambert, listed", LatLon{35.8, -112}, true},
		{"lambert, listed", LatLon{34, -112}, false},
		{"by the north pole", LatLon{89.9, 150}, true}, // the pole is a grid point
		{"by the north pole", LatLon{85, 150}, false},
		{"global, southward", LatLon{90, 0}, true},
	} {
		if i, j, distanceM, ok := all[test.grid].Nearest(test.p); ok != test.want {
			t.Errorf("%s: nearest to %v is %d, %d, %.0f m, %v", test.grid, test.p, i, j, distanceM, ok)
		}
	}
	for name, g := range map[string]*Grid{"empty": {}, "unknown": {NI: 3, NJ: 3}, "short list": {NI: 3, NJ: 3, Curvilinear: &Curvilinear{LatitudeDeg: []float64{1}}}} {
		if _, _, _, ok := g.Nearest(LatLon{}); ok {
			t.Errorf("%s grid has a nearest point", name)
		}
		if _, _, ok := g.Locate(LatLon{}); ok {
			t.Errorf("%s grid locates", name)
		}
		if _, ok := g.LatLonAt(0, 0); ok {
			t.Errorf("%s grid has places", name)
		}
		if _, ok := g.EastAngleRad(LatLon{}); ok {
			t.Errorf("%s grid has directions", name)
		}
		if dx, dy := g.SpacingM(LatLon{}); dx == dx || dy == dy {
			t.Errorf("%s grid has a spacing", name)
		}
		g.WindowOf([]LatLon{{}}, 1000)
	}
}

func TestSpacing(t *testing.T) {
	all := grids(t)
	oneDegreeM := EarthRadiusM * radPerDeg
	for _, test := range []struct {
		grid     string
		p        LatLon
		dxM, dyM float64
		tol      float64
		source   string
	}{
		{"regional", LatLon{40, -120}, 0.5 * oneDegreeM * math.Cos(40*radPerDeg), 0.5 * oneDegreeM, 3, "arc of parallel and meridian"},
		{"global, uneven step", LatLon{0, -6}, 12.2 * oneDegreeM, 15 * oneDegreeM, 1, "the last gap of the circle"},
		// On the tangent parallel scale is true, on the projection's own sphere.
		{"lambert", LatLon{38.5, -108}, 25000 * EarthRadiusM / 6371229, 25000 * EarthRadiusM / 6371229, 2, "Snyder (1987): k = 1 at the standard parallel"},
		{"lambert, listed", LatLon{38.5, -108}, 25000 * EarthRadiusM / 6371229, 25000 * EarthRadiusM / 6371229, 5, "the same"},
		{"mercator", LatLon{0.1, 15}, 1e5 / math.Cos(20*radPerDeg) * EarthRadiusM / 6371200, 1e5 / math.Cos(20*radPerDeg) * EarthRadiusM / 6371200, 20, "Snyder (1987), eq. 7-3: scale cos(20)/cos(lat)"},
	} {
		dx, dy := all[test.grid].SpacingM(test.p)
		if math.Abs(dx-test.dxM) > test.tol || math.Abs(dy-test.dyM) > test.tol {
			t.Errorf("%s at %v: %.1f, %.1f m, want %.1f, %.1f within %g (%s)", test.grid, test.p, dx, dy, test.dxM, test.dyM, test.tol, test.source)
		}
	}
}

// The list of places of a grid must turn winds as the grid itself does.
func TestEastAngleOfListedPlaces(t *testing.T) {
	all := grids(t)
	for _, name := range []string{"lambert", "polar", "rotated", "regional"} {
		g, l := all[name], all[name+", listed"]
		for _, ij := range [][2]float64{{3, 4}, {10.5, 12.25}, {0, 0}, {20.75, 19}} {
			p, _ := g.LatLonAt(ij[0], ij[1])
			want, _ := g.EastAngleRad(p)
			got, ok := l.EastAngleRad(p)
			// Inside, the direction is the mean over one step, of second order; at
			// the rim over half a step, of first order.
			tol := 2e-3
			if ij[0] == 0 {
				tol = 0.02
			}
			if !ok || math.Abs(math.Remainder(got-want, 2*math.Pi)) > tol {
				t.Errorf("%s %v: %v, projection %v, tolerance %v rad", name, p, got, want, tol)
			}
		}
	}
}

// A model's own latitudes, longitudes and rotation angles: WRF computes on a
// sphere of 6370 km and has earth-relative u = u cosalpha - v sinalpha.
// testdata/proj/wrf-alpha.tsv: Lambert, parallels 30 and 35, meridian 87, 30 km.
func TestAgainstWRF(t *testing.T) {
	_, rows := readTable(t, "../testdata/proj/wrf-alpha.tsv")
	const ni, nj = 10, 8
	projection := must(NewLambertConformal(LambertConformal{Earth: Sphere(6370000), StandardParallel1Deg: 30, StandardParallel2Deg: 35, OriginLatitudeDeg: 30, CentralMeridianDeg: 87}))
	x0, y0, _ := projection.Forward(LatLon{rows[0][0], rows[0][1]})
	g := &Grid{Projection: projection, NI: ni, NJ: nj, X: Axis{First: x0, Step: 30000}, Y: Axis{First: y0, Step: 30000}}
	l := &Grid{NI: ni, NJ: nj, Curvilinear: &Curvilinear{}}
	for _, row := range rows {
		l.Curvilinear.LatitudeDeg, l.Curvilinear.LongitudeDeg = append(l.Curvilinear.LatitudeDeg, row[0]), append(l.Curvilinear.LongitudeDeg, row[1])
	}
	for k, row := range rows {
		p := LatLon{row[0], row[1]}
		want := math.Atan2(row[3], row[2])
		// The file has float32: 4e-6 degrees of longitude.
		if at, ok := g.LatLonAt(float64(k%ni), float64(k/ni)); !ok || math.Abs(at.LatitudeDeg-row[0]) > 2e-5 || math.Abs(at.LongitudeDeg-row[1]) > 2e-5 {
			t.Errorf("point %d is at %v, WRF %v", k, at, p)
		}
		// WRF differentiates its float32 latitudes; its angles scatter by 4e-5 rad.
		if angle, ok := g.EastAngleRad(p); !ok || math.Abs(angle-want) > 5e-5 {
			t.Errorf("point %d: angle %.7f, WRF %.7f", k, angle, want)
		}
		tol := 1e-4 // of float32 places as well
		if k%ni == 0 || k%ni == ni-1 {
			tol = 2e-3 // half a step aside at the rim
		}
		if angle, ok := l.EastAngleRad(p); !ok || math.Abs(angle-want) > tol {
			t.Errorf("point %d of the list: angle %.7f, WRF %.7f, tolerance %g", k, angle, want, tol)
		}
	}
}

func TestRotateToEarthByHand(t *testing.T) {
	// On a polar grid, 90 degrees east of its meridian: the plane's +x points
	// south there, so a wind along +x is a northerly.
	g := &Grid{Projection: must(NewPolarStereographic(PolarStereographic{Earth: Sphere(6371229), North: true, TrueScaleLatitudeDeg: 60})), WindsGridRelative: true}
	e, n, ok := g.RotateToEarth(10, 0, LatLon{60, 90})
	if !ok || math.Abs(e) > 1e-12 || math.Abs(n+10) > 1e-12 {
		t.Errorf("east, north = %v, %v", e, n)
	}
	g.WindsGridRelative = false
	if e, n, ok = g.RotateToEarth(10, 0, LatLon{60, 90}); !ok || e != 10 || n != 0 {
		t.Errorf("wind that was earth-relative became %v, %v", e, n)
	}
}

func TestSame(t *testing.T) {
	a, b := grids(t), grids(t)
	for name := range a {
		for other := range b {
			if got := a[name].Same(b[other]); got != (name == other) {
				t.Errorf("%s and %s: same is %v", name, other, got)
			}
		}
	}
}

func TestSameNeedsTheName(t *testing.T) {
	a, b := &Grid{Name: "GRIB2 template 3.101"}, &Grid{Name: "GRIB2 template 3.50"}
	if a.Same(b) || !a.Same(&Grid{Name: a.Name}) {
		t.Error("two unknown geometries are one")
	}
}

// One list of places may serve grids of different shapes.
func TestListReshaped(t *testing.T) {
	wide := grids(t)["regional, listed"]
	tall := &Grid{NI: wide.NJ, NJ: wide.NI, Curvilinear: wide.Curvilinear}
	k := 7*wide.NI + 5
	p := LatLon{wide.Curvilinear.LatitudeDeg[k], wide.Curvilinear.LongitudeDeg[k]}
	for _, g := range []*Grid{wide, tall} {
		if i, j, distanceM, ok := g.Nearest(p); !ok || j*g.NI+i != k || distanceM > 1e-3 {
			t.Errorf("%d x %d: point %d found at %d, %d, %v m", g.NI, g.NJ, k, i, j, distanceM)
		}
	}
}

func TestListWithGaps(t *testing.T) {
	g := grids(t)["regional, listed"]
	whole, _ := g.LatLonAt(10.4, 7.3)
	k := 7*g.NI + 10
	gap := LatLon{g.Curvilinear.LatitudeDeg[k], g.Curvilinear.LongitudeDeg[k]}
	g.Curvilinear.LatitudeDeg[k], g.Curvilinear.LongitudeDeg[k] = math.NaN(), math.NaN()
	if i, j, _, ok := g.Nearest(gap); !ok || i == 10 && j == 7 || max(i-10, 10-i) > 1 || max(j-7, 7-j) > 1 {
		t.Errorf("nearest to the gap: %d, %d, %v", i, j, ok)
	}
	if i, j, ok := g.Locate(whole); ok {
		t.Errorf("located at %v, %v in a mesh without a corner", i, j)
	}
	if p, ok := g.LatLonAt(10, 7); ok {
		t.Errorf("the gap is at %v", p)
	}
	for k := range g.Curvilinear.LatitudeDeg {
		g.Curvilinear.LatitudeDeg[k] = math.NaN()
	}
	empty := &Grid{NI: g.NI, NJ: g.NJ, Curvilinear: &Curvilinear{LatitudeDeg: g.Curvilinear.LatitudeDeg, LongitudeDeg: g.Curvilinear.LongitudeDeg}}
	if i, j, _, ok := empty.Nearest(whole); ok {
		t.Errorf("nearest of nothing: %d, %d", i, j)
	}
}

// Seen through the earth, a wide mesh holds its antipode.
func TestListedMeshBehind(t *testing.T) {
	g := &Grid{NI: 2, NJ: 2, Curvilinear: &Curvilinear{LatitudeDeg: []float64{-40, -40, 40, 40}, LongitudeDeg: []float64{-40, 40, -40, 40}}}
	if i, j, ok := g.Locate(LatLon{0, 0}); !ok || math.Abs(i-0.5) > 1e-12 || math.Abs(j-0.5) > 1e-12 {
		t.Errorf("middle at %v, %v, %v", i, j, ok)
	}
	if i, j, ok := g.Locate(LatLon{0, 180}); ok {
		t.Errorf("antipode at %v, %v", i, j)
	}
}

func BenchmarkLocate(b *testing.B) {
	all := grids(b)
	for _, name := range []string{"regional", "lambert", "rotated", "lambert, listed"} {
		b.Run(name, func(b *testing.B) {
			p, _ := all[name].LatLonAt(10.3, 11.4)
			for b.Loop() {
				if _, _, ok := all[name].Locate(p); !ok {
					b.Fatal("off the grid")
				}
			}
		})
	}
}

func BenchmarkNearestListed(b *testing.B) {
	const n = 1000
	lambert := planes()["lambert-tangent-sphere"]
	g := listed(b, &Grid{Projection: lambert, NI: n, NJ: n, X: Axis{First: -1.5e6, Step: 3000}, Y: Axis{First: -1.5e6, Step: 3000}})
	g.Nearest(LatLon{40, -100}) // builds the index
	random := rand.New(rand.NewPCG(5, 6))
	for b.Loop() {
		g.Nearest(LatLon{30 + 15*random.Float64(), -110 + 20*random.Float64()})
	}
}

func BenchmarkIndexListed(b *testing.B) {
	const n = 1000
	lambert := planes()["lambert-tangent-sphere"]
	g := listed(b, &Grid{Projection: lambert, NI: n, NJ: n, X: Axis{First: -1.5e6, Step: 3000}, Y: Axis{First: -1.5e6, Step: 3000}})
	for b.Loop() {
		g.Curvilinear.buildIndex(n, n)
	}
}

func ExampleGrid_Locate() {
	// A quarter-degree grid of the whole earth has no edge at the date line.
	g := &Grid{Projection: LatLonProjection{}, NI: 1440, NJ: 721, X: Axis{First: 0, Step: 0.25}, Y: Axis{First: 90, Step: -0.25}, Cyclic: true}
	i, j, ok := g.Locate(LatLon{LatitudeDeg: 39.1, LongitudeDeg: -0.05})
	fmt.Printf("%.1f %.1f %v\n", i, j, ok)
	// Output: 1439.8 203.6 true
}

func ExampleGrid_SpacingM() {
	// What is called a 2.5 degree grid: at 40 degrees north, cells that no
	// mountain range fills.
	g := &Grid{Projection: LatLonProjection{}, NI: 144, NJ: 73, X: Axis{First: 0, Step: 2.5}, Y: Axis{First: 90, Step: -2.5}, Cyclic: true}
	dx, dy := g.SpacingM(LatLon{40, -106})
	fmt.Printf("%.0f x %.0f km\n", dx/1000, dy/1000)
	// Output: 213 x 278 km
}
