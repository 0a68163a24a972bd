package grid

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// ramp is a field that is linear in the indices.
func ramp(g *Grid) *Field {
	f := &Field{Grid: g, Values: make([]float32, g.NI*g.NJ)}
	for j := range g.NJ {
		for i := range g.NI {
			f.Values[j*g.NI+i] = float32(2*i - 3*j + 1)
		}
	}
	return f
}

func TestBilinearOfLinearIsExact(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	for name, g := range grids(t) {
		f := ramp(g)
		for range 200 {
			// Away from the poles, where columns meet.
			i, j := random.Float64()*float64(g.NI-1), 0.5+random.Float64()*max(float64(g.NJ-2), 0)
			p, _ := g.LatLonAt(i, j)
			got, ok := f.Bilinear(p)
			if want := 2*i - 3*j + 1; !ok || math.Abs(got-want) > 1e-6 {
				t.Fatalf("%s at %v, %v: %v, want %v", name, i, j, got, want)
			}
		}
		if g.Cyclic {
			p, _ := g.LatLonAt(float64(g.NI)-0.25, 2)
			want := 0.25*float64(f.At(g.NI-1, 2)) + 0.75*float64(f.At(0, 2))
			if got, ok := f.Bilinear(p); !ok || math.Abs(got-want) > 1e-9 {
				t.Errorf("%s across the seam: %v, want %v", name, got, want)
			}
		}
	}
}

func TestBilinearByHand(t *testing.T) {
	nan := float32(math.NaN())
	g := &Grid{Projection: LatLonProjection{}, NI: 3, NJ: 3, X: Axis{First: 10, Step: 1}, Y: Axis{First: 50, Step: -1}}
	f := &Field{Grid: g, Values: []float32{
		1, 2, 4,
		3, 8, nan,
		5, 6, 7,
	}}
	for _, test := range []struct {
		p    LatLon
		want float64 // NaN for missing
		ok   bool
	}{
		{LatLon{49.75, 10.5}, 0.75*1.5 + 0.25*5.5, true},
		{LatLon{50, 10}, 1, true},
		{LatLon{48, 12}, 7, true}, // the corner, though its neighbour is missing
		{LatLon{49, 11}, 8, true}, // the point beside the missing one
		{LatLon{49, 12}, math.NaN(), true},
		{LatLon{49, 11.001}, math.NaN(), true},
		{LatLon{48, 11.5}, 6.5, true},             // along the row below
		{LatLon{49.999999, 12}, math.NaN(), true}, // a millionth of a weight is a weight
		{LatLon{50.2, 11}, math.NaN(), false},
		{LatLon{math.NaN(), 11}, math.NaN(), false},
	} {
		got, ok := f.Bilinear(test.p)
		if ok != test.ok || math.IsNaN(got) != math.IsNaN(test.want) || math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%v: %v, %v, want %v, %v", test.p, got, ok, test.want, test.ok)
		}
	}
	sample, ok := f.Nearest(LatLon{48.9, 11.9})
	if !ok || sample.I != 2 || sample.J != 1 || !math.IsNaN(sample.Value) || sample.Place != (LatLon{49, 12}) || math.Abs(sample.DistanceM-13298) > 30 {
		t.Errorf("nearest: %+v, %v", sample, ok)
	}
	for _, ij := range [][2]int{{-1, 0}, {0, -1}, {3, 0}, {0, 3}, {math.MaxInt, math.MaxInt}} {
		if v := f.At(ij[0], ij[1]); v == v {
			t.Errorf("value %v at %v", v, ij)
		}
	}
	f.Values = f.Values[:4] // a field shorter than its grid must not panic
	if v, _ := f.Bilinear(LatLon{48, 12}); v == v {
		t.Errorf("value %v past the end", v)
	}
}

// On a grid point all others may be missing, whatever the rounding of the
// projection.
func TestBilinearOnPoints(t *testing.T) {
	for name, g := range grids(t) {
		f := &Field{Grid: g, Values: make([]float32, g.NI*g.NJ)}
		for k := range f.Values {
			f.Values[k] = float32(math.NaN())
		}
		for j := range g.NJ {
			for i := range g.NI {
				p, _ := g.LatLonAt(float64(i), float64(j))
				if math.Abs(p.LatitudeDeg) > 89.999 || name == "rotated to its pole" && (j == 0 || j == g.NJ-1) || name == "circle closed twice" && i == g.NI-1 {
					continue // one place, many columns
				}
				k := j*g.NI + i
				f.Values[k] = 5
				if got, ok := f.Bilinear(p); !ok || got != 5 {
					fi, fj, _ := g.Locate(p)
					t.Fatalf("%s: value at (%d, %d) is %v, located at %v, %v", name, i, j, got, fi, fj)
				}
				f.Values[k] = float32(math.NaN())
			}
		}
	}
}

func TestStatistics(t *testing.T) {
	nan := float32(math.NaN())
	big := make([]float32, 1_000_000)
	for k := range big {
		big[k] = 16777216 // 2^24: sums in float32 stop growing
	}
	big[0], big[len(big)-1] = 1, nan
	cancelling := make([]float32, 3*1024)
	for k := range 1024 {
		cancelling[k], cancelling[1024+k], cancelling[2048+k] = 1e30, 1, -1e30
	}
	for _, test := range []struct {
		name   string
		values []float32
		want   Statistics
	}{
		{"by hand", []float32{3, nan, -1, 10}, Statistics{-1, 10, 4, 1, 3}},
		{"all missing", []float32{nan, nan}, Statistics{math.NaN(), math.NaN(), math.NaN(), 2, 0}},
		{"none", nil, Statistics{math.NaN(), math.NaN(), math.NaN(), 0, 0}},
		{"long", big, Statistics{1, 16777216, (999998*16777216.0 + 1) / 999999, 1, 999999}},
		{"cancelling", cancelling, Statistics{float64(float32(-1e30)), float64(float32(1e30)), 1.0 / 3, 0, 3 * 1024}},
		{"infinite", []float32{1, float32(math.Inf(1))}, Statistics{1, math.Inf(1), math.Inf(1), 0, 2}},
	} {
		got := (&Field{Grid: &Grid{}, Values: test.values}).Statistics()
		if fmt.Sprint(got) != fmt.Sprint(test.want) {
			t.Errorf("%s: %+v, want %+v", test.name, got, test.want)
		}
	}
}

func TestFieldCropKeepsValues(t *testing.T) {
	random := rand.New(rand.NewPCG(13, 14))
	for name, g := range grids(t) {
		f := ramp(g)
		f.ShortName = "TMP"
		for range 30 {
			w := Window{NI: 1 + random.IntN(g.NI), NJ: 1 + random.IntN(g.NJ)}
			w.J0, w.I0 = random.IntN(g.NJ-w.NJ+1), random.IntN(g.NI-w.NI+1)
			if g.Cyclic {
				w.I0 = random.IntN(g.NI)
			}
			cropped, err := f.Crop(w)
			if err != nil || len(cropped.Values) != w.NI*w.NJ || cropped.ShortName != "TMP" {
				t.Fatalf("%s %+v: %v", name, w, err)
			}
			for j := range w.NJ {
				for i := range w.NI {
					if got, want := cropped.At(i, j), f.At((w.I0+i)%g.NI, w.J0+j); got != want {
						t.Fatalf("%s %+v: (%d, %d) is %v, want %v", name, w, i, j, got, want)
					}
				}
			}
			cropped.Values[0]++ // the copy is a copy
			if f.Values[w.J0*g.NI+w.I0] == cropped.Values[0] {
				t.Fatalf("%s: cropping shares values", name)
			}
		}
	}
	if _, err := (&Field{Grid: &Grid{}, Values: []float32{1}}).Crop(Window{0, 0, 1, 1}); err == nil {
		t.Error("a field without rows was cropped")
	}
}

func TestRotateFields(t *testing.T) {
	for name, g := range grids(t) {
		g.WindsGridRelative = true
		u, v := ramp(g), ramp(g)
		for k := range v.Values {
			u.Values[k], v.Values[k] = 3, 4
		}
		v.Values[0] = float32(math.NaN())
		u.StandardName, v.StandardName = "x_wind", "y_wind"
		east, north, err := RotateToEarth(u, v)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if east.StandardName != "eastward_wind" || north.StandardName != "northward_wind" || east.Grid.WindsGridRelative || !u.Grid.WindsGridRelative {
			t.Errorf("%s: %s, %s, %v", name, east.StandardName, north.StandardName, east.Grid.WindsGridRelative)
		}
		if e := east.Values[0]; e == e && name != "single column" {
			t.Errorf("%s: missing component gave %v", name, e)
		}
		for _, ij := range [][2]int{{g.NI - 1, g.NJ - 1}, {g.NI / 2, g.NJ / 2}, {g.NI / 3, 1}} {
			p, _ := g.LatLonAt(float64(ij[0]), float64(ij[1]))
			if math.Abs(p.LatitudeDeg) > 89.999 {
				continue
			}
			wantE, wantN, ok := g.RotateToEarth(3, 4, p)
			e, n := east.At(ij[0], ij[1]), north.At(ij[0], ij[1])
			if !ok || math.Abs(float64(e)-wantE) > 2e-6 || math.Abs(float64(n)-wantN) > 2e-6 {
				t.Errorf("%s %v: %v, %v, one by one %v, %v, %v", name, ij, e, n, wantE, wantN, ok)
			}
			if speed := math.Hypot(float64(e), float64(n)); math.Abs(speed-5) > 1e-5 {
				t.Errorf("%s %v: speed 5 became %v", name, ij, speed)
			}
		}
		g.WindsGridRelative = false
		if e, n, err := RotateToEarth(u, v); err != nil || e != u || n != v {
			t.Errorf("%s: winds that were earth-relative changed, %v", name, err)
		}
	}
	all := grids(t)
	if _, _, err := RotateToEarth(ramp(all["lambert"]), ramp(all["lambert, southward"])); err == nil {
		t.Error("components of two grids were combined")
	}
	earthRelative := *all["lambert"]
	all["lambert"].WindsGridRelative = true
	if _, _, err := RotateToEarth(ramp(all["lambert"]), ramp(&earthRelative)); err == nil {
		t.Error("a component along x and a northward one were combined")
	}
	unknown := &Grid{NI: 2, NJ: 2, WindsGridRelative: true}
	if _, _, err := RotateToEarth(ramp(unknown), ramp(unknown)); err == nil {
		t.Error("winds on an unknown grid were turned")
	}
}

func BenchmarkBilinear(b *testing.B) {
	all := grids(b)
	for _, name := range []string{"regional", "lambert"} {
		b.Run(name, func(b *testing.B) {
			f := ramp(all[name])
			p, _ := all[name].LatLonAt(10.3, 11.4)
			for b.Loop() {
				if _, ok := f.Bilinear(p); !ok {
					b.Fatal("off the grid")
				}
			}
		})
	}
}

func BenchmarkStatistics(b *testing.B) {
	f := &Field{Grid: &Grid{}, Values: make([]float32, 1799*1059)}
	b.SetBytes(int64(4 * len(f.Values)))
	for b.Loop() {
		f.Statistics()
	}
}

func BenchmarkRotateToEarth(b *testing.B) {
	g := grids(b)["lambert"]
	g.NI, g.NJ, g.WindsGridRelative = 600, 400, true
	g.X.Step, g.Y.Step = 3000, 3000
	u, v := ramp(g), ramp(g)
	b.SetBytes(int64(8 * len(u.Values)))
	for b.Loop() {
		if _, _, err := RotateToEarth(u, v); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleField_Bilinear() {
	// Temperature on the corners of one cell; the site lies in its middle.
	f := &Field{
		Grid:   &Grid{Projection: LatLonProjection{}, NI: 2, NJ: 2, X: Axis{First: -107, Step: 1}, Y: Axis{First: 39, Step: 1}},
		Values: []float32{265, 267, 262, 266},
	}
	value, ok := f.Bilinear(LatLon{39.5, -106.5})
	nearest, _ := f.Nearest(LatLon{39.5, -106.6})
	fmt.Printf("%.1f K %v, nearest grid point %.0f K, %.0f km away\n", value, ok, nearest.Value, nearest.DistanceM/1000)
	// Output: 265.0 K true, nearest grid point 262 K, 65 km away
}

// Directions read off the plane must be those of the places.
func TestEastDirectionOfPlanes(t *testing.T) {
	for name, projection := range planes() {
		if _, ok := projection.(planeOrienting); !ok {
			continue // equal-area and transverse: by differences
		}
		for _, p := range []LatLon{{40, -100}, {-35, 170}, {55, 20}, {-5, -60}, {-80, 10}, {60, 179}} {
			x, y, _ := projection.Forward(p)
			angle, _ := projection.(orienting).eastAngleRad(p)
			cos, sin, ok := projection.(planeOrienting).eastDirection(x, y)
			if !ok || math.Abs(cos-math.Cos(angle)) > 1e-9 || math.Abs(sin-math.Sin(angle)) > 1e-9 {
				t.Errorf("%s %v: %v, %v, %v, angle %v", name, p, cos, sin, ok, angle)
			}
		}
		if cos, sin, ok := projection.(planeOrienting).eastDirection(math.NaN(), 0); ok {
			t.Errorf("%s: direction %v, %v nowhere", name, cos, sin)
		}
	}
	north := planes()["lambert-secant-sphere"]
	x, y, _ := north.Forward(LatLon{90, 0})
	if _, _, ok := north.(planeOrienting).eastDirection(x, y+1e6); ok {
		t.Error("direction in the open sector of the cone")
	}
}

// Whatever a file claims of its grid, sampling it must not panic.
func FuzzGrid(f *testing.F) {
	f.Add(uint8(0), 3, 2, 250.0, 1.0, 40.0, -1.0, true, 39.5, -109.5, 50e3)
	f.Add(uint8(2), 40, 30, -1e6, 25e3, -1e6, 25e3, false, 41.0, -100.0, 1e9)
	f.Add(uint8(9), 1, 1, 0.0, 0.0, 0.0, 0.0, true, 0.0, 0.0, 0.0)
	f.Add(uint8(17), 5, 5, -180.0, 72.0, 90.0, -45.0, true, 89.9, 180.0, 1e6)
	f.Add(uint8(30), 1<<40, 1<<40, 0.0, 1e-300, 0.0, math.Inf(1), true, 1.0, 1.0, math.NaN())
	var projections []Projection
	for _, name := range []string{"lambert-secant-sphere", "lambert-south-iau1965", "stereographic-north-wgs84", "stereographic-south-sphere", "mercator-wgs84", "albers-south-wgs84", "azimuthal-grs80", "transverse-airy"} {
		projections = append(projections, planes()[name])
	}
	projections = append(projections, LatLonProjection{}, rotatedGrids()["rotated-with-angle"], nil, goesEast())
	f.Fuzz(func(t *testing.T, kind uint8, ni, nj int, x0, dx, y0, dy float64, cyclic bool, latitudeDeg, longitudeDeg, marginM float64) {
		g := &Grid{Projection: projections[int(kind)%len(projections)], NI: ni, NJ: nj, X: Axis{First: x0, Step: dx}, Y: Axis{First: y0, Step: dy}, Cyclic: cyclic, WindsGridRelative: true}
		if n := min(max(ni, 0), 20); kind&0x40 != 0 && n > 0 {
			g.NI, g.X.At = n, make([]float64, n)
			for k := range g.X.At {
				g.X.At[k] = x0 + float64(k)*dx
			}
		}
		if kind&0x80 != 0 && ni > 0 && nj > 0 && ni < 30 && nj < 30 {
			c := &Curvilinear{}
			for k := range ni * nj {
				c.LatitudeDeg = append(c.LatitudeDeg, y0+float64(k/ni)*dy)
				c.LongitudeDeg = append(c.LongitudeDeg, x0+float64(k%ni)*dx)
			}
			g.Projection, g.Curvilinear = nil, c
		}
		p := LatLon{latitudeDeg, longitudeDeg}
		i, j, ok := g.Locate(p)
		if ok && (!(i >= 0 && j >= 0 && j <= float64(g.NJ-1)) || !(i <= float64(g.NI-1) || g.Cyclic && i < float64(g.NI))) {
			t.Fatalf("located at %v, %v on %d x %d", i, j, g.NI, g.NJ)
		}
		if p, ok := g.LatLonAt(i, j); ok && !isPlace(p) {
			t.Fatalf("no place: %v", p)
		}
		g.SpacingM(p)
		g.EastAngleRad(p)
		w, ok := g.WindowOf([]LatLon{p, {-latitudeDeg, longitudeDeg}}, marginM)
		if ok && (w.NI < 1 || w.NI > g.NI || w.NJ < 1 || w.NJ > g.NJ || w.I0 < 0 || w.J0 < 0 || w.J0 > g.NJ-w.NJ || w.I0 >= g.NI) {
			t.Fatalf("window %+v of %d x %d", w, g.NI, g.NJ)
		}
		if g.NI > 1000 || g.NJ > 1000 {
			return
		}
		if i, j, distanceM, ok := g.Nearest(p); ok && (i < 0 || i >= g.NI || j < 0 || j >= g.NJ || !(distanceM >= 0)) {
			t.Fatalf("nearest %d, %d, %v on %d x %d", i, j, distanceM, g.NI, g.NJ)
		}
		field := &Field{Grid: g}
		if g.NI > 0 && g.NJ > 0 {
			field.Values = make([]float32, g.NI*g.NJ)
		}
		field.Bilinear(p)
		if cropped, err := field.Crop(w); err == nil && len(cropped.Values) != w.NI*w.NJ {
			t.Fatalf("%d values in %+v", len(cropped.Values), w)
		}
		RotateToEarth(field, field)
	})
}
