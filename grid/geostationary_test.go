package grid

import (
	"fmt"
	"math"
	"testing"
)

func goesEast() Projection {
	return must(NewGeostationary(Geostationary{
		Earth:                    Earth{6378137, 6356752.31414},
		PerspectivePointHeightM:  35786023,
		SubSatelliteLongitudeDeg: -75,
		SweepAxisX:               true,
	}))
}

func satellites() map[string]Projection {
	goes := Earth{6378137, 6356752.31414}
	return map[string]Projection{
		"goes-east":       goesEast(),
		"goes-west":       must(NewGeostationary(Geostationary{Earth: goes, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: -137, SweepAxisX: true})),
		"meteosat":        must(NewGeostationary(Geostationary{Earth: Earth{6378169, 6356583.8}, PerspectivePointHeightM: 35785831})),
		"himawari-sphere": must(NewGeostationary(Geostationary{Earth: Sphere(6371000), PerspectivePointHeightM: 35785863, SubSatelliteLongitudeDeg: 140.7, FalseEastingM: 1000, FalseNorthingM: -500})),
	}
}

// The worked example of the GOES-R Product Definition and Users' Guide, volume 3,
// 5.1.2.8.1 and 5.1.2.8.2 (volume 5, 4.2.8): GOES-East, y(558) and x(1539) of
// the 2 km grid over the United States.
func TestProductUserGuideExample(t *testing.T) {
	const heightM = 35786023
	goes := goesEast()
	p, ok := goes.Inverse(-0.024052*heightM, 0.095340*heightM)
	// The guide prints six decimals, of angles given with six.
	if !ok || math.Abs(p.LatitudeDeg-33.846162) > 5e-7 || math.Abs(p.LongitudeDeg-(-84.690932)) > 5e-7 {
		t.Errorf("place %.7f, %.7f, the guide 33.846162, -84.690932", p.LatitudeDeg, p.LongitudeDeg)
	}
	x, y, ok := goes.Forward(LatLon{33.846162, -84.690932})
	if !ok || math.Abs(x/heightM-(-0.024052)) > 5e-7 || math.Abs(y/heightM-0.095340) > 5e-7 {
		t.Errorf("angles %.8f, %.8f, the guide -0.024052, 0.095340", x/heightM, y/heightM)
	}
	// S_x, S_y, S_z on the way, metres from the satellite: 36937048.73, 892635.0779, 3532287.213.
	toward, east, north := goes.(*geostationary).surface(p)
	for _, test := range []struct{ got, want, tol float64 }{
		{42164160 - toward*6378137, 36937048.73, 0.005},
		{-east * 6378137, 892635.0779, 5e-5},
		{north * 6378137, 3532287.213, 5e-4},
	} {
		if math.Abs(test.got-test.want) > test.tol {
			t.Errorf("component %.6f m, the guide %.6f, tolerance %g", test.got, test.want, test.tol)
		}
	}
}

func TestGeostationaryAgainstPROJ(t *testing.T) {
	names, rows := readTable(t, "../testdata/proj/geostationary.tsv")
	unseen := 0
	for k, name := range names {
		projection, row := satellites()[name], rows[k]
		p := LatLon{row[0], row[1]}
		x, y, ok := projection.Forward(p)
		if math.IsInf(row[2], 0) {
			unseen++
			if ok || !math.IsNaN(x) || !math.IsNaN(y) {
				t.Errorf("%s: %v came to %v, %v, PROJ does not see it", name, p, x, y)
			}
			continue
		}
		if tol := 1e-6; !ok || math.Abs(x-row[2]) > tol || math.Abs(y-row[3]) > tol {
			t.Errorf("%s %v: x, y = %.7f, %.7f, PROJ %.7f, %.7f, tolerance %g m", name, p, x, y, row[2], row[3], tol)
		}
		// Towards the limb a millimetre of the plane is many of ground.
		back, ok := projection.Inverse(row[2], row[3])
		if !ok || math.Abs(back.LatitudeDeg-p.LatitudeDeg) > 1e-8 || turnDeg(back.LongitudeDeg, p.LongitudeDeg) > 1e-7 {
			t.Errorf("%s: inverse of %v is %v", name, p, back)
		}
	}
	if unseen < 50 || len(names)-unseen < 200 {
		t.Errorf("%d unseen of %d places", unseen, len(names))
	}
}

func TestGeostationaryEdges(t *testing.T) {
	goes := goesEast()
	for _, test := range []struct {
		x, y float64 // radians
		ok   bool
	}{
		{0, 0, true},
		// From 42164.16 km the equator's limb is asin(6378.137/42164.16) = 0.151855 rad
		// away, the poles' a little less: asin of the flattened disc.
		{0.15185, 0, true}, {0.15186, 0, false}, {0, 0.1513, true}, {0, 0.1514, false},
		{math.Pi, 0, false}, {math.NaN(), 0, false}, {math.Inf(1), 0, false}, {0, 3, false}, {3.14, 3.14, false},
	} {
		p, ok := goes.Inverse(test.x*35786023, test.y*35786023)
		if ok != test.ok || !ok && !math.IsNaN(p.LatitudeDeg) {
			t.Errorf("%v rad, %v rad: %v, %v", test.x, test.y, p, ok)
		}
	}
	for _, p := range []LatLon{{0, 105}, {0, 7}, {90, 0}, {-90, 0}, {math.NaN(), -75}, {91, -75}, {0, math.Inf(1)}} {
		if x, y, ok := goes.Forward(p); ok {
			t.Errorf("%v came to %v, %v", p, x, y)
		}
	}
	for _, c := range []Geostationary{
		{PerspectivePointHeightM: 35786023},
		{Earth: GRS80},
		{Earth: GRS80, PerspectivePointHeightM: math.NaN()},
		{Earth: GRS80, PerspectivePointHeightM: -35786023},
		{Earth: GRS80, PerspectivePointHeightM: math.Inf(1)},
		{Earth: GRS80, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: math.NaN()},
		{Earth: GRS80, PerspectivePointHeightM: 35786023, FalseEastingM: math.Inf(-1)},
	} {
		if p, err := NewGeostationary(c); err == nil {
			t.Errorf("%+v gave %v", c, p)
		}
	}
}

func TestGeostationaryFromCF(t *testing.T) {
	attributes := func(change string, value any) map[string]any {
		a := map[string]any{ // as in the files of the GOES-R series
			"grid_mapping_name": "geostationary", "perspective_point_height": 35786023.0, "semi_major_axis": 6378137.0,
			"semi_minor_axis": 6356752.31414, "inverse_flattening": 298.2572221, "latitude_of_projection_origin": 0.0,
			"longitude_of_projection_origin": -75.0, "sweep_angle_axis": "x",
		}
		if value == nil {
			delete(a, change)
		} else {
			a[change] = value
		}
		return a
	}
	got, err := ProjectionFromCF(attributes("long_name", "GOES-R ABI fixed grid projection"))
	if err != nil || !sameProjection(got, goesEast()) {
		t.Fatalf("%+v, %v", got, err)
	}
	if view, ok := SatelliteView(got); !ok || view.SubSatelliteLongitudeDeg != -75 || got.Name() != "geostationary" {
		t.Errorf("%+v, %v, %s", view, ok, got.Name())
	}
	if _, ok := SatelliteView(LatLonProjection{}); ok {
		t.Error("latitude and longitude are a satellite's view")
	}
	fixed := attributes("sweep_angle_axis", nil)
	fixed["fixed_angle_axis"] = "y"
	if got, err = ProjectionFromCF(fixed); err != nil || !sameProjection(got, goesEast()) {
		t.Errorf("fixed angle axis y: %+v, %v", got, err)
	}
	if got, err = ProjectionFromCF(attributes("sweep_angle_axis", "y")); err != nil || sameProjection(got, goesEast()) {
		t.Errorf("sweep about y: %+v, %v", got, err)
	}
	for _, test := range []struct {
		change string
		value  any
	}{
		{"sweep_angle_axis", nil}, {"sweep_angle_axis", "z"}, {"perspective_point_height", nil},
		{"perspective_point_height", 0.0}, {"longitude_of_projection_origin", nil}, {"latitude_of_projection_origin", 3.0},
	} {
		if p, err := ProjectionFromCF(attributes(test.change, test.value)); err == nil {
			t.Errorf("%s %v gave %+v", test.change, test.value, p)
		}
	}
	bare := attributes("semi_major_axis", nil)
	if p, err := ProjectionFromCF(bare); err == nil {
		t.Errorf("no axis gave %+v", p)
	}
}

func BenchmarkGeostationary(b *testing.B) {
	goes := goesEast()
	x, y, _ := goes.Forward(LatLon{41.3, -106.2})
	b.Run("forward", func(b *testing.B) {
		p := LatLon{41.3, -106.2}
		for b.Loop() {
			p.LongitudeDeg += 1e-7
			goes.Forward(p)
		}
	})
	b.Run("inverse", func(b *testing.B) {
		for b.Loop() {
			x += 0.01
			goes.Inverse(x, y)
		}
	})
	b.Run("parallax", func(b *testing.B) {
		parallax, err := NewParallax(goes)
		if err != nil {
			b.Fatal(err)
		}
		p := LatLon{41.3, -106.2}
		for b.Loop() {
			p.LongitudeDeg += 1e-7
			parallax.Correct(p, 9000)
		}
	})
}

func ExampleParallax_Correct() {
	goes, err := NewGeostationary(Geostationary{Earth: GRS80, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: -75, SweepAxisX: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	parallax, err := NewParallax(goes)
	if err != nil {
		fmt.Println(err)
		return
	}
	// A cloud top at 9 km over the northern Rocky Mountains appears more than
	// fifteen kilometres behind the ridge that it is above.
	apparent := LatLon{LatitudeDeg: 46, LongitudeDeg: -113}
	above, _ := parallax.Correct(apparent, 9000)
	fmt.Printf("%.3f %.3f, %.0f km off\n", above.LatitudeDeg, above.LongitudeDeg, DistanceM(apparent, above)/1000)
	// Output: 45.885 -112.821, 19 km off
}
