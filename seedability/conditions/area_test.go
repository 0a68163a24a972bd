package conditions

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

// shapes of the golden table, as in testdata/conditions/make.py.
var shapes = map[string]string{
	"square with a hole": "POLYGON ((-112.70 44.10, -112.50 44.10, -112.50 44.25, -112.70 44.25, -112.70 44.10), (-112.66 44.13, -112.66 44.20, -112.56 44.21, -112.55 44.14, -112.66 44.13))",
	"two parts":          "MULTIPOLYGON (((-112.40 44.00, -112.33 44.02, -112.35 44.07, -112.40 44.00)), ((-112.20 44.05, -112.10 43.98, -112.02 44.11, -112.15 44.16, -112.20 44.05), (-112.14 44.06, -112.12 44.10, -112.10 44.06, -112.14 44.06)))",
	"star":               "POLYGON ((10.00 46.500, 10.05 46.560, 10.20 46.570, 10.08 46.620, 10.12 46.720, 10.00 46.650, 9.88 46.720, 9.92 46.620, 9.80 46.570, 9.95 46.560, 10.00 46.500))",
	"comb":               "POLYGON ((-70.50 -33.00, -70.30 -33.00, -70.30 -33.20, -70.33 -33.02, -70.36 -33.20, -70.39 -33.02, -70.42 -33.20, -70.45 -33.02, -70.50 -33.20, -70.50 -33.00))",
	"sliver":             "POLYGON ((8.0001 47.0001, 8.0010 47.0001, 8.0010 47.0006, 8.0001 47.0001))",
	"high":               "POLYGON ((24.0 68.0, 25.2 68.1, 25.0 68.6, 23.8 68.5, 24.0 68.0))",
}

// Squares and what of them is inside agree with intersections by shapely 2.2.0.
func TestAreaAgainstShapely(t *testing.T) {
	areas := map[string]*Area{}
	for name, text := range shapes {
		areas[name] = areaOf(t, name, text)
	}
	compared := 0
	for _, row := range golden(t, "areas.tsv") {
		a := areas[row[0]]
		if a == nil {
			t.Fatalf("no shape %q", row[0])
		}
		if row[1] == "total" {
			if len(a.Cells) != int(number(t, row[2])) {
				t.Errorf("%s: %d squares, want %s", row[0], len(a.Cells), row[2])
			}
			near(t, row[0]+": area", a.AreaM2, number(t, row[3]), 1e-6*a.AreaM2+.01, "shapely")
			continue
		}
		place := grid.LatLon{LatitudeDeg: number(t, row[1]), LongitudeDeg: number(t, row[2])}
		found := false
		for _, c := range a.Cells {
			if grid.DistanceM(c.Place, place) < 1 {
				found = true
				near(t, fmt.Sprintf("%s: square at %v", row[0], place), c.AreaM2, number(t, row[3]), 1, "shapely")
			}
		}
		if !found {
			t.Errorf("%s: no square at %v", row[0], place)
		}
		compared++
	}
	if compared < 100 {
		t.Errorf("%d squares compared", compared)
	}
}

// The area of what is straight in longitude and latitude is known: that of a box
// between meridians and parallels is R² dlon (sin north - sin south).
func TestAreaOfABoxOnTheSphere(t *testing.T) {
	band := func(south, north, width float64) float64 {
		return grid.EarthRadiusM * grid.EarthRadiusM * width * radPerDeg * (math.Sin(north*radPerDeg) - math.Sin(south*radPerDeg))
	}
	a := areaOf(t, "box with a hole", basin)
	want := band(44.10, 44.30, .3) - band(44.16, 44.22, .08)
	near(t, "box with a hole", a.AreaM2, want, 1e-5*want, "area between parallels")
	a = areaOf(t, "tall", "POLYGON ((-110 40, -109.5 40, -109.5 42, -110 42, -110 40))")
	want = band(40, 42, .5)
	near(t, "tall", a.AreaM2, want, 1e-4*want, "area between parallels")
}

// Across the antimeridian, with longitudes beyond 180 degrees, and with rings
// turned the other way the area is the same.
func TestAreaHoweverWritten(t *testing.T) {
	want := areaOf(t, "plain", "POLYGON ((-0.1 51, 0.1 51, 0.1 51.2, -0.1 51.2, -0.1 51), (-0.05 51.05, 0.05 51.05, 0.05 51.15, -0.05 51.15, -0.05 51.05))")
	for name, text := range map[string]string{
		"antimeridian": "POLYGON ((179.9 51, -179.9 51, -179.9 51.2, 179.9 51.2, 179.9 51), (179.95 51.05, -179.95 51.05, -179.95 51.15, 179.95 51.15, 179.95 51.05))",
		"beyond 180":   "POLYGON ((179.9 51, 180.1 51, 180.1 51.2, 179.9 51.2, 179.9 51), (179.95 51.05, 180.05 51.05, 180.05 51.15, 179.95 51.15, 179.95 51.05))",
		"hole beyond":  "POLYGON ((179.9 51, 180.1 51, 180.1 51.2, 179.9 51.2, 179.9 51), (179.95 51.05, -179.95 51.05, -179.95 51.15, 179.95 51.15, 179.95 51.05))",
		"clockwise":    "POLYGON ((-0.1 51, -0.1 51.2, 0.1 51.2, 0.1 51, -0.1 51), (-0.05 51.05, -0.05 51.15, 0.05 51.15, 0.05 51.05, -0.05 51.05))",
		"not closed":   "",
	} {
		polygons := geom.NewMultiPolygonFlat(geom.XY, []float64{-.1, 51, .1, 51, .1, 51.2, -.1, 51.2, -.05, 51.05, .05, 51.05, .05, 51.15, -.05, 51.15}, [][]int{{8, 16}})
		if text != "" {
			polygons = polygonsOf(t, text)
		}
		a, err := NewArea(name, polygons)
		if err != nil {
			t.Fatal(err)
		}
		if len(a.Cells) != len(want.Cells) {
			t.Errorf("%s: %d squares, want %d", name, len(a.Cells), len(want.Cells))
		}
		near(t, name, a.AreaM2, want.AreaM2, 1e-9*want.AreaM2, "the same polygon elsewhere")
		for _, c := range a.Cells {
			if !(c.Place.LongitudeDeg >= -180 && c.Place.LongitudeDeg < 180) {
				t.Fatalf("%s: longitude %g", name, c.Place.LongitudeDeg)
			}
		}
	}
}

func TestLargeAreaHasLargerSquares(t *testing.T) {
	a := areaOf(t, "large", "POLYGON ((-112 40, -108 40, -108 44, -112 44, -112 40))")
	if a.SpacingM != 2000 || len(a.Cells) > maxCells {
		t.Errorf("%d squares of %g m", len(a.Cells), a.SpacingM)
	}
	whole := areaOf(t, "hemisphere", "POLYGON ((0 -80, 170 -80, 170 80, 0 80, 0 -80))")
	if len(whole.Cells) > maxCells {
		t.Errorf("%d squares", len(whole.Cells))
	}
}

func TestAreaRefuses(t *testing.T) {
	flat := func(ends [][]int, numbers ...float64) *geom.MultiPolygon {
		return geom.NewMultiPolygonFlat(geom.XY, numbers, ends)
	}
	nan, inf := math.NaN(), math.Inf(1)
	for name, polygons := range map[string]*geom.MultiPolygon{
		"none":          nil,
		"empty":         geom.NewMultiPolygon(geom.XY),
		"two positions": flat([][]int{{4}}, 1, 2, 3, 4),
		"no area":       flat([][]int{{8}}, 1, 2, 3, 4, 5, 6, 1, 2),
		"a point":       flat([][]int{{8}}, 1, 2, 1, 2, 1, 2, 1, 2),
		"NaN":           flat([][]int{{8}}, 1, 2, nan, 4, 5, 2, 1, 2),
		"infinite":      flat([][]int{{8}}, 1, 2, inf, 4, 5, 2, 1, 2),
		"pole":          flat([][]int{{8}}, 1, 90, 2, 85, 5, 85, 1, 90),
		"an empty ring": flat([][]int{{8, 8}}, 1, 2, 3, 2, 3, 4, 1, 2),
	} {
		if a, err := NewArea(name, polygons); err == nil {
			t.Errorf("%s: %d squares", name, len(a.Cells))
		} else if !strings.Contains(err.Error(), "area "+name) {
			t.Errorf("%s: %v does not name the area", name, err)
		}
	}
}

// Whatever the polygon, squares hold between nothing and all of themselves, and
// nothing is cut that takes long.
func FuzzArea(f *testing.F) {
	f.Add(0.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0, .3, .3)
	f.Add(-180.0, 40.0, 180.0, 40.0, 179.0, 41.0, -179.0, 41.5, 0.0, 0.0)
	f.Add(10.0, 89.0, 20.0, -89.0, 30.0, 89.9, 40.0, 10.0, 1.0, 2.0)
	f.Add(1e-12, 1e-12, 0.0, 0.0, 5.0, 5.0, 5.0, 5.0, 5.0, 5.0)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, h, i, j, k float64) {
		area, err := NewArea("fuzz", geom.NewMultiPolygonFlat(geom.XY, []float64{a, b, c, d, e, g, h, i, a, b, a, b, j, k, c, d, a, b}, [][]int{{10, 18}}))
		if err != nil {
			return
		}
		if len(area.Cells) > maxCells || !(area.AreaM2 > 0) {
			t.Fatalf("%d cells of %g m2", len(area.Cells), area.AreaM2)
		}
		for _, cell := range area.Cells {
			if !(cell.AreaM2 >= 0) || !(math.Abs(cell.Place.LatitudeDeg) <= 91) || math.IsNaN(cell.Place.LongitudeDeg) {
				t.Fatalf("%+v", cell)
			}
		}
	})
}

// A basin of 500 km2 with 2000 positions.
func BenchmarkArea(b *testing.B) {
	var flat []float64
	for k := range 2000 {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / 2000)
		r := .12 * (1 + .1*math.Sin(float64(k)/7))
		flat = append(flat, -112.5+1.4*r*cos, 44.2+r*sin)
	}
	polygons := geom.NewMultiPolygonFlat(geom.XY, append(flat, flat[0], flat[1]), [][]int{{4002}})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := NewArea("bench", polygons); err != nil {
			b.Fatal(err)
		}
	}
}
