package programme

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/twpayne/go-geom"
	"github.com/twpayne/go-geom/xy"

	"rimeline/grid"
)

func target(t testing.TB, geoJSON string) *Target {
	t.Helper()
	area, err := readGeometry([]byte(geoJSON))
	if err != nil {
		t.Fatal(err)
	}
	var made Target
	made.setArea(area)
	return &made
}

const squareWithHole = `{"type":"Polygon","coordinates":[
	[[-115,44],[-114,44],[-114,45],[-115,45],[-115,44]],
	[[-114.75,44.25],[-114.25,44.25],[-114.25,44.75],[-114.75,44.75],[-114.75,44.25]]]}`

func TestContains(t *testing.T) {
	square := target(t, squareWithHole)
	twoParts := target(t, `{"type":"MultiPolygon","coordinates":[
		[[[10,46],[11,46],[11,47],[10,47],[10,46]]],
		[[[12,46],[13,46],[12.5,47],[12,46]]]]}`)
	for _, test := range []struct {
		name     string
		target   *Target
		lat, lon float64
		want     bool
	}{
		{"between hole and rim", square, 44.1, -114.9, true},
		{"in the hole", square, 44.5, -114.5, false},
		{"outside", square, 45.1, -114.5, false},
		{"west of it at the height of a corner", square, 44.25, -115.1, false},
		{"inside at the height of a corner of the hole", square, 44.25, -114.9, true},
		{"another turn of longitude", square, 44.1, 245.1, true},
		{"first part", twoParts, 46.5, 10.5, true},
		{"second part", twoParts, 46.2, 12.5, true},
		{"between the parts", twoParts, 46.5, 11.5, false},
		{"no place", square, math.NaN(), -114.5, false},
	} {
		if got := test.target.Contains(grid.LatLon{LatitudeDeg: test.lat, LongitudeDeg: test.lon}); got != test.want {
			t.Errorf("%s: got %v, want %v", test.name, got, test.want)
		}
	}
}

// Against the ring test of the geometry library, which sees one ring at a time:
// inside is in the outer ring and in no hole.
func TestContainsAgainstLibrary(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	outer, hole := star(random, 80, .5, .4), star(random, 40, .15, .1)
	polygon := geom.NewPolygon(geom.XY).MustSetCoords([][]geom.Coord{outer, hole})
	area := geom.NewMultiPolygon(geom.XY)
	if err := pushXY(area, polygon); err != nil {
		t.Fatal(err)
	}
	if err := checkArea(area); err != nil {
		t.Fatal(err)
	}
	var made Target
	made.setArea(area)
	flatOuter, flatHole := area.Polygon(0).LinearRing(0).FlatCoords(), area.Polygon(0).LinearRing(1).FlatCoords()
	inside := 0
	for range 20_000 {
		c := geom.Coord{-114.5 + 1.2*(random.Float64()-.5), 44 + 1.2*(random.Float64()-.5)}
		want := xy.IsPointInRing(geom.XY, c, flatOuter) && !xy.IsPointInRing(geom.XY, c, flatHole)
		if got := made.Contains(grid.LatLon{LatitudeDeg: c[1], LongitudeDeg: c[0]}); got != want {
			t.Fatalf("%v: got %v, the library says %v", c, got, want)
		}
		if want {
			inside++
		}
	}
	if inside < 5000 || inside > 15_000 {
		t.Errorf("%d of 20000 inside: the test does not try both sides", inside)
	}
}

// star is a ring around -114.5 E 44 N that does not cross itself.
func star(random *rand.Rand, n int, high, low float64) []geom.Coord {
	ring := make([]geom.Coord, 0, n+1)
	for k := range n {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / float64(n))
		r := low + (high-low)*random.Float64()
		ring = append(ring, geom.Coord{-114.5 + r*cos, 44 + r*sin})
	}
	return append(ring, ring[0])
}

func TestAreaAndCentroid(t *testing.T) {
	// A cell of the graticule has R^2 dlon (sin lat2 - sin lat1); the hole is one too.
	const rad = math.Pi / 180
	r2 := grid.EarthRadiusM * grid.EarthRadiusM
	want := r2*rad*(math.Sin(45*rad)-math.Sin(44*rad)) - r2*.5*rad*(math.Sin(44.75*rad)-math.Sin(44.25*rad))
	square := target(t, squareWithHole)
	if got := square.AreaM2(); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("area %v, want %v (spherical zone)", got, want)
	}
	// The same area on the WGS 84 ellipsoid, densified along parallels: pyproj
	// 3.7.2, Geod(ellps="WGS84").polygon_area_perimeter of the rings with 2000
	// points an edge: 8837.370 km2 for the outer ring, 2209.364 for the hole. The
	// sphere differs by up to 0.6 %.
	if got := square.AreaM2() / 1e6; math.Abs(got/6628.006-1) > .006 {
		t.Errorf("area %.2f km2, on the ellipsoid %.2f", got, 6628.006)
	}
	// Slanting edges, straight in longitude and latitude, on the sphere of 6371
	// km: pyproj 3.7.2, Geod(a=6371000, b=6371000).polygon_area_perimeter of the
	// triangle with 20000 points an edge.
	if got, want := target(t, `{"type":"Polygon","coordinates":[[[10,46],[14,46.3],[10.3,49.2],[10,46]]]}`).AreaM2()/1e6, 53416.54426; math.Abs(got/want-1) > 1e-8 {
		t.Errorf("triangle: %.5f km2, want %.5f", got, want)
	}
	centre := square.Centroid()
	if math.Abs(centre.LatitudeDeg-44.5) > 1e-9 || math.Abs(centre.LongitudeDeg+114.5) > 1e-9 {
		t.Errorf("centroid %+v, want 44.5 N 114.5 W (symmetry)", centre)
	}
	// A triangle's centre of area is the mean of its corners.
	centre = target(t, `{"type":"Polygon","coordinates":[[[10,46],[11.5,46.3],[10.3,47.2],[10,46]]]}`).Centroid()
	if math.Abs(centre.LongitudeDeg-31.8/3) > 1e-9 || math.Abs(centre.LatitudeDeg-139.5/3) > 1e-9 {
		t.Errorf("centroid of a triangle %+v", centre)
	}
	// A hole off the middle pushes it away: 4 parts less a half, by the lever rule.
	centre = target(t, `{"type":"Polygon","coordinates":[[[0,0],[2,0],[2,2],[0,2],[0,0]],[[1,0.5],[1.5,0.5],[1.5,1.5],[1,1.5],[1,0.5]]]}`).Centroid()
	if math.Abs(centre.LongitudeDeg-(4*1-.5*1.25)/3.5) > 1e-9 || math.Abs(centre.LatitudeDeg-1) > 1e-9 {
		t.Errorf("centroid with hole %+v, want 0.9643 E 1 N", centre)
	}
}

func TestDistance(t *testing.T) {
	square := target(t, squareWithHole)
	const degreeM = grid.EarthRadiusM * math.Pi / 180
	for _, test := range []struct {
		name           string
		lat, lon, want float64
	}{
		{"inside", 44.1, -114.5, 0},
		{"due south", 43.5, -114.5, .5 * degreeM},
		{"in the hole, nearest to its south edge", 44.3, -114.5, .05 * degreeM},
		{"beyond a corner", 43.9, -115.1, grid.DistanceM(grid.LatLon{LatitudeDeg: 43.9, LongitudeDeg: -115.1}, grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -115})},
	} {
		got := square.DistanceM(grid.LatLon{LatitudeDeg: test.lat, LongitudeDeg: test.lon})
		if math.Abs(got-test.want) > .001*test.want+1e-6 {
			t.Errorf("%s: got %.1f m, want %.1f m", test.name, got, test.want)
		}
	}
	// Against a search along the edges in small steps, from places far and near.
	for _, place := range []grid.LatLon{{LatitudeDeg: 42, LongitudeDeg: -118}, {LatitudeDeg: 47, LongitudeDeg: -113}, {LatitudeDeg: 44.6, LongitudeDeg: -115.02}} {
		want := math.Inf(1)
		for _, ring := range square.rings {
			for k := 1; k < len(ring); k++ {
				for step := range 20_001 {
					f := float64(step) / 20_000
					want = math.Min(want, grid.DistanceM(place, grid.LatLon{
						LatitudeDeg:  ring[k-1][1] + f*(ring[k][1]-ring[k-1][1]),
						LongitudeDeg: ring[k-1][0] + f*(ring[k][0]-ring[k-1][0]),
					}))
				}
			}
		}
		if got := square.DistanceM(place); math.Abs(got/want-1) > .01 {
			t.Errorf("%+v: got %.0f m, by search %.0f m", place, got, want)
		}
	}
}

func TestInitialBearing(t *testing.T) {
	// pyproj 3.7.2: Geod(a=6371000, b=6371000).inv(lon1, lat1, lon2, lat2)[0].
	for _, test := range []struct{ lat1, lon1, lat2, lon2, want float64 }{
		{44, -114.8, 44, -114.5, 89.89580},
		{43.93, -114.76, 43.985, -114.46, 75.60753},
		{44, -114.5, 43, -115.5, 216.30140},
	} {
		got := initialBearingDeg(grid.LatLon{LatitudeDeg: test.lat1, LongitudeDeg: test.lon1}, grid.LatLon{LatitudeDeg: test.lat2, LongitudeDeg: test.lon2})
		if math.Abs(got-test.want) > 1e-4 {
			t.Errorf("%+v: got %.5f, want %.5f", test, got, test.want)
		}
	}
}

// Geometry that has no clear inside is refused with the place of the fault; what
// OGC 06-103r4 allows is accepted.
func TestCheckArea(t *testing.T) {
	for _, test := range []struct {
		name, geoJSON string
		refused       bool
	}{
		{"bow tie", `{"type":"Polygon","coordinates":[[[0,0],[1,1],[1,0],[0,1],[0,0]]]}`, true},
		{"spike", `{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[1,2],[1,1],[0,1],[0,0]]]}`, true},
		{"ring touches itself at a vertex", `{"type":"Polygon","coordinates":[[[0,0],[2,0],[1,1],[2,2],[0,2],[1,1],[0,0]]]}`, true},
		{"repeated position", `{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,0],[1,1],[0,0]]]}`, true},
		{"hole crosses the rim", `{"type":"Polygon","coordinates":[[[0,0],[2,0],[2,2],[0,2],[0,0]],[[1,1],[3,1],[3,1.5],[1,1.5],[1,1]]]}`, true},
		{"hole outside", `{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,1],[0,0]],[[2,2],[3,2],[3,3],[2,2]]]}`, true},
		{"hole shares part of the rim", `{"type":"Polygon","coordinates":[[[0,0],[2,0],[2,2],[0,2],[0,0]],[[0,0.5],[0,1],[1,1],[0,0.5]]]}`, true},
		{"parts overlap", `{"type":"MultiPolygon","coordinates":[[[[0,0],[2,0],[2,2],[0,2],[0,0]]],[[[1,1],[3,1],[3,3],[1,3],[1,1]]]]}`, true},
		{"hole touches the rim in a point", `{"type":"Polygon","coordinates":[[[0,0],[2,0],[2,2],[0,2],[0,0]],[[0,1],[1,0.5],[1,1.5],[0,1]]]}`, false},
		{"clockwise outer ring", `{"type":"Polygon","coordinates":[[[0,0],[0,1],[1,1],[1,0],[0,0]]]}`, false},
		{"vertices in a row on one line", `{"type":"Polygon","coordinates":[[[0,0],[1,0],[2,0],[2,2],[0,2],[0,0]]]}`, false},
	} {
		_, err := readGeometry([]byte(test.geoJSON))
		if (err != nil) != test.refused {
			t.Errorf("%s: refused %v, want %v (%v)", test.name, err != nil, test.refused, err)
		}
	}
	area, err := readGeometry([]byte(`{"type":"Polygon","coordinates":[[[0,0],[0,1],[1,1],[1,0],[0,0]]]}`))
	if err != nil {
		t.Fatal(err)
	}
	// The library's signed area of a counter-clockwise ring is negative.
	if xy.SignedArea(geom.XY, area.Polygon(0).LinearRing(0).FlatCoords()) >= 0 {
		t.Error("the outer ring was not turned counter-clockwise")
	}
}

// A crossing between any two edges of a large ring is found, however far apart
// they stand in the list.
func TestCheckCrossingsLargeRing(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	ring := star(random, 5000, .5, .4999)
	area := geom.NewMultiPolygon(geom.XY)
	if err := pushXY(area, geom.NewPolygon(geom.XY).MustSetCoords([][]geom.Coord{ring})); err != nil {
		t.Fatal(err)
	}
	if err := checkArea(area); err != nil {
		t.Fatal(err)
	}
	ring[1000] = geom.Coord{ring[3000][0] - .1, ring[3000][1] - .1} // a thorn through the other side
	area = geom.NewMultiPolygon(geom.XY)
	if err := pushXY(area, geom.NewPolygon(geom.XY).MustSetCoords([][]geom.Coord{ring})); err != nil {
		t.Fatal(err)
	}
	if err := checkArea(area); err == nil {
		t.Error("a ring with a thorn through its other side is accepted")
	}
}

func BenchmarkContains(b *testing.B) {
	random := rand.New(rand.NewPCG(5, 6))
	area := geom.NewMultiPolygon(geom.XY)
	if err := pushXY(area, geom.NewPolygon(geom.XY).MustSetCoords([][]geom.Coord{star(random, 200, .5, .4)})); err != nil {
		b.Fatal(err)
	}
	var made Target
	made.setArea(area)
	place := grid.LatLon{LatitudeDeg: 44.1, LongitudeDeg: -114.45}
	for b.Loop() {
		if !made.Contains(place) {
			b.Fatal("outside")
		}
	}
}
