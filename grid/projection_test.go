package grid

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
)

// readTable reads a tab-separated golden table; the first column is text.
func readTable(t *testing.T, path string) (names []string, rows [][]float64) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = '\t'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, record := range records[1:] {
		row := make([]float64, len(record)-1)
		for k, text := range record[1:] {
			if row[k], err = strconv.ParseFloat(text, 64); err != nil {
				t.Fatal(err)
			}
		}
		names, rows = append(names, record[0]), append(rows, row)
	}
	return names, rows
}

func must(p Projection, err error) Projection {
	if err != nil {
		panic(err)
	}
	return p
}

// planes are the projections of testdata/proj/make.py by name.
func planes() map[string]Projection {
	bessel := Earth{6377397.155, 6356078.963}
	return map[string]Projection{
		"lambert-secant-sphere":  must(NewLambertConformal(LambertConformal{Earth: Sphere(6370000), StandardParallel1Deg: 33, StandardParallel2Deg: 45, OriginLatitudeDeg: 39, CentralMeridianDeg: -96})),
		"lambert-tangent-sphere": must(NewLambertConformal(LambertConformal{Earth: Sphere(6371229), StandardParallel1Deg: 38.5, StandardParallel2Deg: 38.5, OriginLatitudeDeg: 38.5, CentralMeridianDeg: 262.5})),
		"lambert-secant-wgs84":   must(NewLambertConformal(LambertConformal{Earth: WGS84, StandardParallel1Deg: 46, StandardParallel2Deg: 49, OriginLatitudeDeg: 47.5, CentralMeridianDeg: 13.3333333, FalseEastingM: 400000, FalseNorthingM: -300000})),
		"lambert-tangent-bessel": must(NewLambertConformal(LambertConformal{Earth: bessel, StandardParallel1Deg: 46.8, StandardParallel2Deg: 46.8, OriginLatitudeDeg: 46.8, CentralMeridianDeg: 2.3})),
		"lambert-south-sphere":   must(NewLambertConformal(LambertConformal{Earth: Sphere(6371229), StandardParallel1Deg: -25, StandardParallel2Deg: -50, OriginLatitudeDeg: -35, CentralMeridianDeg: 175})),
		"lambert-south-iau1965":  must(NewLambertConformal(LambertConformal{Earth: IAU1965, StandardParallel1Deg: -35, StandardParallel2Deg: -35, OriginLatitudeDeg: -40, CentralMeridianDeg: -65})),

		"stereographic-north-sphere": must(NewPolarStereographic(PolarStereographic{Earth: Sphere(6371229), North: true, TrueScaleLatitudeDeg: 60, CentralMeridianDeg: -105})),
		"stereographic-north-wgs84":  must(NewPolarStereographic(PolarStereographic{Earth: WGS84, North: true, TrueScaleLatitudeDeg: 70, CentralMeridianDeg: -45, FalseEastingM: 1000, FalseNorthingM: 2000})),
		"stereographic-north-scale":  must(NewPolarStereographic(PolarStereographic{Earth: GRS80, North: true, ScaleFactor: 0.994, CentralMeridianDeg: 10})),
		"stereographic-south-sphere": must(NewPolarStereographic(PolarStereographic{Earth: Sphere(6367470), TrueScaleLatitudeDeg: -60, CentralMeridianDeg: 140})),
		"stereographic-south-wgs84":  must(NewPolarStereographic(PolarStereographic{Earth: WGS84, TrueScaleLatitudeDeg: -71})),

		"mercator-sphere":     must(NewMercator(Mercator{Earth: Sphere(6371200), TrueScaleLatitudeDeg: 20, CentralMeridianDeg: -160})),
		"mercator-wgs84":      must(NewMercator(Mercator{Earth: WGS84, TrueScaleLatitudeDeg: -35, CentralMeridianDeg: 150, FalseEastingM: -2000, FalseNorthingM: 500})),
		"mercator-scale-airy": must(NewMercator(Mercator{Earth: Airy1830, ScaleFactor: 0.9996, CentralMeridianDeg: -2})),

		"albers-sphere":        must(NewAlbersEqualArea(AlbersEqualArea{Earth: Sphere(6371200), StandardParallel1Deg: 29.5, StandardParallel2Deg: 45.5, OriginLatitudeDeg: 23, CentralMeridianDeg: -96})),
		"albers-south-wgs84":   must(NewAlbersEqualArea(AlbersEqualArea{Earth: WGS84, StandardParallel1Deg: -18, StandardParallel2Deg: -36, OriginLatitudeDeg: -30, CentralMeridianDeg: 132, FalseEastingM: 100, FalseNorthingM: -200})),
		"azimuthal-grs80":      must(NewLambertAzimuthalEqualArea(LambertAzimuthalEqualArea{Earth: GRS80, OriginLatitudeDeg: 52, CentralMeridianDeg: 10, FalseEastingM: 4321000, FalseNorthingM: 3210000})),
		"azimuthal-sphere":     must(NewLambertAzimuthalEqualArea(LambertAzimuthalEqualArea{Earth: Sphere(6371229), OriginLatitudeDeg: -10, CentralMeridianDeg: 170})),
		"azimuthal-pole-wgs84": must(NewLambertAzimuthalEqualArea(LambertAzimuthalEqualArea{Earth: WGS84, OriginLatitudeDeg: -90, CentralMeridianDeg: 20})),
		"transverse-airy":      must(NewTransverseMercator(TransverseMercator{Earth: Airy1830, OriginLatitudeDeg: 49, CentralMeridianDeg: -2, ScaleFactor: 0.9996012717, FalseEastingM: 400000, FalseNorthingM: -100000})),
		"transverse-sphere":    must(NewTransverseMercator(TransverseMercator{Earth: Sphere(6371229), CentralMeridianDeg: 15, ScaleFactor: 1})),
	}
}

func rotatedGrids() map[string]Projection {
	return map[string]Projection{
		"rotated-europe":       must(NewRotatedLatLon(RotatedLatLon{-40, 10, 0})),
		"rotated-canada":       must(NewRotatedLatLon(RotatedLatLon{-36.08852, -114.694858, 0})),
		"rotated-with-angle":   must(NewRotatedLatLon(RotatedLatLon{-32.5, 150, 25})),
		"rotated-north-half":   must(NewRotatedLatLon(RotatedLatLon{20, -60, -70})),
		"rotated-not-at-all":   must(NewRotatedLatLon(RotatedLatLon{-90, 0, 0})),
		"rotated-europe-as-CF": must(NewRotatedLatLonCF(LatLon{40, -170}, 0)),
	}
}

// turnDeg is the difference of two angles, without whole turns.
func turnDeg(a, b float64) float64 { return math.Abs(math.Remainder(a-b, 360)) }

func TestPlanesAgainstPROJ(t *testing.T) {
	names, rows := readTable(t, "../testdata/proj/planes.tsv")
	seen := map[string]int{}
	for k, name := range names {
		projection, ok := planes()[name]
		if !ok {
			t.Fatalf("no projection for case %s", name)
		}
		seen[name]++
		row := rows[k]
		p := LatLon{row[0], row[1]}
		x, y, ok := projection.Forward(p)
		if tol := 1e-6; !ok || math.Abs(x-row[2]) > tol || math.Abs(y-row[3]) > tol {
			t.Errorf("%s %v: x, y = %.7f, %.7f, PROJ %.7f, %.7f, tolerance %g m", name, p, x, y, row[2], row[3], tol)
		}
		back, ok := projection.Inverse(row[2], row[3])
		tolDeg := 1e-10
		if _, cone := projection.(*albersEqualArea); cone && math.Abs(p.LatitudeDeg) == 90 {
			tolDeg = 1e-5 // parallels crowd at the pole of an equal-area cone: 0.1 um are 4e-6 degrees
		}
		if !ok || math.Abs(back.LatitudeDeg-p.LatitudeDeg) > tolDeg || math.Abs(p.LatitudeDeg) < 90 && turnDeg(back.LongitudeDeg, p.LongitudeDeg) > 1e-9 {
			t.Errorf("%s: inverse of %v is %v", name, p, back)
		}
		if back.LongitudeDeg < -180 || back.LongitudeDeg >= 180 {
			t.Errorf("%s: longitude %v not in [-180, 180)", name, back.LongitudeDeg)
		}
		if math.IsNaN(row[4]) {
			continue
		}
		// PROJ counts the convergence from true north, clockwise positive where the
		// meridian leans right, and differentiates numerically with about 1e-8.
		angle, ok := (&Grid{Projection: projection}).EastAngleRad(p)
		if !ok || turnDeg(angle/radPerDeg, -row[4]) > 1e-6 {
			t.Errorf("%s %v: east angle %.9f deg, PROJ's convergence with its sign turned %.9f", name, p, angle/radPerDeg, -row[4])
		}
	}
	for name := range planes() {
		if seen[name] < 20 {
			t.Errorf("%s: only %d rows in the table", name, seen[name])
		}
	}
}

func TestRotatedAgainstPROJ(t *testing.T) {
	names, rows := readTable(t, "../testdata/proj/rotated.tsv")
	for k, name := range names {
		projection := rotatedGrids()[name]
		row := rows[k]
		p := LatLon{row[0], row[1]}
		x, y, ok := projection.Forward(p)
		if !ok || math.Abs(y-row[3]) > 1e-8 || turnDeg(x, row[2])*math.Cos(y*radPerDeg) > 1e-8 {
			t.Errorf("%s %v: %.10f, %.10f, PROJ %.10f, %.10f", name, p, x, y, row[2], row[3])
		}
		back, ok := projection.Inverse(row[2], row[3])
		if !ok || math.Abs(back.LatitudeDeg-p.LatitudeDeg) > 1e-8 || turnDeg(back.LongitudeDeg, p.LongitudeDeg) > 1e-7 {
			t.Errorf("%s: inverse of %v is %v", name, p, back)
		}
		angle, ok := (&Grid{Projection: projection}).EastAngleRad(p)
		if !ok || turnDeg(angle/radPerDeg, -row[4]) > 1e-7 {
			t.Errorf("%s %v: east angle %.9f deg, bearing of the grid's pole with its sign turned %.9f", name, p, angle/radPerDeg, -row[4])
		}
		if name == "rotated-europe" {
			cfX, cfY, _ := rotatedGrids()["rotated-europe-as-CF"].Forward(p)
			if turnDeg(cfX, x) > 1e-9 || math.Abs(cfY-y) > 1e-9 {
				t.Errorf("CF's north pole %v: %v, %v, GRIB's south pole %v, %v", p, cfX, cfY, x, y)
			}
		}
	}
}

// opaque hides what a projection knows of its own directions.
type opaque struct{ Projection }

func TestEastAngleAgainstDifferences(t *testing.T) {
	all := planes()
	for name, projection := range rotatedGrids() {
		all[name] = projection
	}
	for name, projection := range all {
		for _, p := range []LatLon{{40, -100}, {-35, 170}, {55, 20}, {-5, -60}, {-80, 10}} {
			if _, _, ok := projection.Forward(p); !ok {
				continue
			}
			want, ok := (&Grid{Projection: opaque{projection}}).EastAngleRad(p)
			if _, angular := projection.(*rotatedLatLon); angular {
				// Degrees of longitude are shorter than of latitude: differentiate on
				// the sphere, by the earth bearing of a short step in rotated latitude.
				x, y, _ := projection.Forward(p)
				up, ok1 := projection.Inverse(x, y+1e-5)
				_, east, north := localAxes(p)
				v := unitVector(up)
				want, ok = -math.Atan2(v.dot(east), v.dot(north)), ok1
			}
			got, gotOK := (&Grid{Projection: projection}).EastAngleRad(p)
			if !ok || !gotOK || math.Abs(math.Remainder(got-want, 2*math.Pi)) > 1e-5 {
				t.Errorf("%s %v: %v, by differences %v", name, p, got, want)
			}
		}
	}
}

// Latitudes must survive the conformal latitude and back to rounding, on both
// hemispheres and beside the poles.
func TestLatitudeReturns(t *testing.T) {
	for _, earth := range []Earth{Sphere(6371229), WGS84, {6378137, 0.95 * 6378137}} {
		e := earth.eccentricity()
		for latitudeDeg := -89.9999; latitudeDeg < 90; latitudeDeg += 0.7301 {
			sin, cos := math.Sincos(latitudeDeg * radPerDeg)
			tangent := colatitudeTangent(sin, cos, e)
			got := latitudeRad(tangent, e) / radPerDeg
			if math.Abs(got-latitudeDeg) > 3e-14 {
				t.Errorf("eccentricity %v: latitude %v came back %v", e, latitudeDeg, got)
			}
			if mirrored := colatitudeTangent(-sin, cos, e); math.Abs(tangent*mirrored-1) > 1e-15 {
				t.Errorf("eccentricity %v, latitude %v: %v and its mirror image %v", e, latitudeDeg, tangent, mirrored)
			}
		}
	}
	if p, ok := (LatLonProjection{}).Inverse(10, 90.0003); !ok || p != (LatLon{90, 10}) {
		t.Errorf("rounded steps past the pole: %v, %v", p, ok)
	}
	if p, ok := (LatLonProjection{}).Inverse(10, 90.3); ok {
		t.Errorf("past the pole: %v", p)
	}
}

func TestEarthOfCodeTable32(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		code                   int
		radiusM, majorM, minor float64
		want                   Earth
		source                 string
	}{
		{0, nan, nan, nan, Earth{6367470, 6367470}, "WMO Manual on Codes, GRIB2 code table 3.2"},
		{1, 6371200, nan, nan, Earth{6371200, 6371200}, "radius by producer"},
		{2, nan, nan, nan, Earth{6378160, 6356775}, "code table 3.2"},
		{3, nan, 6377.397, 6356.079, Earth{6377397, 6356079}, "kilometres"},
		{3, nan, 6377397, 6356079, Earth{6377397, 6356079}, "metres against the table"},
		{4, nan, nan, nan, Earth{6378137, 6378137 * (1 - 1/298.257222101)}, "IAG-GRS80"},
		{5, nan, nan, nan, Earth{6378137, 6378137 * (1 - 1/298.257223563)}, "WGS 84"},
		{6, nan, nan, nan, Earth{6371229, 6371229}, "code table 3.2"},
		{7, nan, 6377397.16, 6356078.96, Earth{6377397.16, 6356078.96}, "axes by producer, no radius"},
		{8, nan, nan, nan, Earth{6371200, 6371200}, "code table 3.2"},
		{9, nan, nan, nan, Earth{6377563.396, 6356256.909}, "OSGB 1936"},
		{11, nan, nan, nan, Earth{695990000, 695990000}, "the sun"},
	} {
		got, err := EarthFromGRIB2(test.code, test.radiusM, test.majorM, test.minor)
		if err != nil || math.Abs(got.SemiMajorM-test.want.SemiMajorM) > 1e-4 || math.Abs(got.SemiMinorM-test.want.SemiMinorM) > 1e-4 {
			t.Errorf("code %d (%s): %v, %v, want %v", test.code, test.source, got, err, test.want)
		}
	}
	for _, test := range []struct {
		code                   int
		radiusM, majorM, minor float64
	}{{1, nan, 1, 1}, {1, -5, 1, 1}, {1, math.Inf(1), 1, 1}, {3, 1, nan, 1}, {7, 6371000, nan, nan}, {7, nan, 6356000, 6378000}, {7, nan, 6378000, 100}, {10, nan, nan, nan}, {12, nan, nan, nan}, {255, nan, nan, nan}, {-1, nan, nan, nan}} {
		if got, err := EarthFromGRIB2(test.code, test.radiusM, test.majorM, test.minor); err == nil {
			t.Errorf("code %d with %v, %v, %v gave %v", test.code, test.radiusM, test.majorM, test.minor, got)
		}
	}
}

func TestConstructorsRefuse(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	earth := Sphere(6371229)
	for k, make := range []func() (Projection, error){
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{StandardParallel1Deg: 40, StandardParallel2Deg: 40})
		},
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{Earth: earth, StandardParallel1Deg: 40, StandardParallel2Deg: -40})
		},
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{Earth: earth, StandardParallel1Deg: 90, StandardParallel2Deg: 90})
		},
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{Earth: earth, StandardParallel1Deg: nan, StandardParallel2Deg: 40})
		},
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{Earth: earth, StandardParallel1Deg: 40, StandardParallel2Deg: 40, OriginLatitudeDeg: -90})
		},
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{Earth: earth, StandardParallel1Deg: 40, StandardParallel2Deg: 40, CentralMeridianDeg: inf})
		},
		func() (Projection, error) {
			return NewLambertConformal(LambertConformal{Earth: Earth{nan, nan}, StandardParallel1Deg: 40, StandardParallel2Deg: 40})
		},
		func() (Projection, error) {
			return NewPolarStereographic(PolarStereographic{North: true, TrueScaleLatitudeDeg: 60})
		},
		func() (Projection, error) {
			return NewPolarStereographic(PolarStereographic{Earth: earth, TrueScaleLatitudeDeg: 91})
		},
		func() (Projection, error) {
			return NewPolarStereographic(PolarStereographic{Earth: earth, TrueScaleLatitudeDeg: nan})
		},
		func() (Projection, error) {
			return NewPolarStereographic(PolarStereographic{Earth: earth, ScaleFactor: -1})
		},
		func() (Projection, error) {
			return NewPolarStereographic(PolarStereographic{Earth: earth, FalseEastingM: inf})
		},
		func() (Projection, error) { return NewMercator(Mercator{}) },
		func() (Projection, error) { return NewMercator(Mercator{Earth: earth, TrueScaleLatitudeDeg: 90}) },
		func() (Projection, error) { return NewMercator(Mercator{Earth: earth, ScaleFactor: nan}) },
		func() (Projection, error) { return NewRotatedLatLon(RotatedLatLon{SouthPoleLatitudeDeg: 90.1}) },
		func() (Projection, error) { return NewRotatedLatLon(RotatedLatLon{RotationDeg: nan}) },
		func() (Projection, error) {
			return NewAlbersEqualArea(AlbersEqualArea{StandardParallel1Deg: 40, StandardParallel2Deg: 40})
		},
		func() (Projection, error) {
			return NewAlbersEqualArea(AlbersEqualArea{Earth: earth, StandardParallel1Deg: 40, StandardParallel2Deg: -40})
		},
		func() (Projection, error) {
			return NewAlbersEqualArea(AlbersEqualArea{Earth: earth, StandardParallel1Deg: 40, StandardParallel2Deg: 40, OriginLatitudeDeg: nan})
		},
		func() (Projection, error) {
			return NewLambertAzimuthalEqualArea(LambertAzimuthalEqualArea{OriginLatitudeDeg: 40})
		},
		func() (Projection, error) {
			return NewLambertAzimuthalEqualArea(LambertAzimuthalEqualArea{Earth: earth, OriginLatitudeDeg: 91})
		},
		func() (Projection, error) { return NewTransverseMercator(TransverseMercator{ScaleFactor: 1}) },
		func() (Projection, error) { return NewTransverseMercator(TransverseMercator{Earth: earth}) },
		func() (Projection, error) {
			return NewTransverseMercator(TransverseMercator{Earth: earth, ScaleFactor: 1, FalseEastingM: inf})
		},
		func() (Projection, error) { return NewRotatedLatLonCF(LatLon{nan, 0}, 0) },
	} {
		if p, err := make(); err == nil {
			t.Errorf("constructor %d accepted %+v", k, p)
		}
	}
}

// Nothing that a file or a user can ask for may panic or come back as a place.
func TestNonsenseHasNoImage(t *testing.T) {
	all := planes()
	for name, projection := range rotatedGrids() {
		all[name] = projection
	}
	all["plain"] = LatLonProjection{}
	bad := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 1e300, -1e300}
	for name, projection := range all {
		for _, v := range bad {
			for _, p := range []LatLon{{v, 0}, {v, v}} {
				if x, y, ok := projection.Forward(p); ok {
					t.Errorf("%s: %v came to %v, %v", name, p, x, y)
				}
			}
			for _, xy := range [][2]float64{{v, 0}, {0, v}, {v, v}} {
				if p, ok := projection.Inverse(xy[0], xy[1]); ok && !isPlace(p) {
					t.Errorf("%s: inverse of %v is %v", name, xy, p)
				}
			}
			(&Grid{Projection: projection, NI: 3, NJ: 3, X: Axis{Step: v}, Y: Axis{First: v}}).Nearest(LatLon{v, v})
		}
		if x, y, ok := projection.Forward(LatLon{90.5, 0}); ok {
			t.Errorf("%s: beyond the pole came to %v, %v", name, x, y)
		}
	}
}

// A cone has a sector without places, and one pole at infinity.
func TestLambertEdges(t *testing.T) {
	north := planes()["lambert-secant-sphere"]
	if _, _, ok := north.Forward(LatLon{-90, 0}); ok {
		t.Error("the south pole is on a northern cone")
	}
	x, y, ok := north.Forward(LatLon{90, 33})
	if p, back := north.Inverse(x, y); !ok || !back || p.LatitudeDeg != 90 {
		t.Errorf("north pole: %v, %v came back as %v", x, y, p)
	}
	// North of the apex, opposite of the central meridian.
	if p, ok := north.Inverse(x, y+1e6); ok {
		t.Errorf("%v lies in the open sector of the cone", p)
	}
	south := planes()["lambert-south-sphere"]
	if _, _, ok := south.Forward(LatLon{90, 0}); ok {
		t.Error("the north pole is on a southern cone")
	}
}

func TestAlbersTransverseAzimuthalEdges(t *testing.T) {
	all := planes()
	for _, test := range []struct {
		name string
		p    LatLon
	}{{"transverse-airy", LatLon{10, 60}}, {"transverse-sphere", LatLon{-10, -120}}, {"azimuthal-sphere", LatLon{10, -10}}} {
		if x, y, ok := all[test.name].Forward(test.p); ok {
			t.Errorf("%s: %v came to %v, %v", test.name, test.p, x, y)
		}
	}
	for _, test := range []struct {
		name string
		x, y float64
	}{{"transverse-sphere", 0, 1.2e7}, {"transverse-sphere", 1.4e7, 0}, {"azimuthal-grs80", 2e7, 0}, {"albers-sphere", 0, 2e7}, {"albers-sphere", 0, 6.5e6}} {
		if p, ok := all[test.name].Inverse(test.x, test.y); ok {
			t.Errorf("%s: %v, %v is %v", test.name, test.x, test.y, p)
		}
	}
}

func BenchmarkForward(b *testing.B) {
	benchmarkProjections(b, func(p Projection, at LatLon, _, _ float64) bool { _, _, ok := p.Forward(at); return ok })
}

func BenchmarkInverse(b *testing.B) {
	benchmarkProjections(b, func(p Projection, _ LatLon, x, y float64) bool { _, ok := p.Inverse(x, y); return ok })
}

func benchmarkProjections(b *testing.B, call func(p Projection, at LatLon, x, y float64) bool) {
	for _, c := range []struct {
		name       string
		projection Projection
	}{
		{"lambert-sphere", planes()["lambert-tangent-sphere"]},
		{"lambert-ellipsoid", planes()["lambert-secant-wgs84"]},
		{"stereographic-sphere", planes()["stereographic-north-sphere"]},
		{"stereographic-ellipsoid", planes()["stereographic-north-wgs84"]},
		{"mercator-sphere", planes()["mercator-sphere"]},
		{"mercator-ellipsoid", planes()["mercator-wgs84"]},
		{"rotated", rotatedGrids()["rotated-europe"]},
		{"albers-ellipsoid", must(NewAlbersEqualArea(AlbersEqualArea{Earth: GRS80, StandardParallel1Deg: 29.5, StandardParallel2Deg: 45.5, OriginLatitudeDeg: 23, CentralMeridianDeg: -96}))},
		{"azimuthal-ellipsoid", must(NewLambertAzimuthalEqualArea(LambertAzimuthalEqualArea{Earth: GRS80, OriginLatitudeDeg: 45, CentralMeridianDeg: -100}))},
		{"transverse-ellipsoid", must(NewTransverseMercator(TransverseMercator{Earth: GRS80, CentralMeridianDeg: -105, ScaleFactor: 0.9996}))},
	} {
		b.Run(c.name, func(b *testing.B) {
			p := LatLon{41.3, -106.2}
			x, y, _ := c.projection.Forward(p)
			for b.Loop() {
				p.LongitudeDeg += 1e-7
				x += 0.01
				if !call(c.projection, p, x, y) {
					b.Fatal("no image")
				}
			}
		})
	}
}

func ExampleNewLambertConformal() {
	projection, err := NewLambertConformal(LambertConformal{
		Earth:                Sphere(6371229),
		StandardParallel1Deg: 38.5, StandardParallel2Deg: 38.5, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -97.5,
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	// The grid of this projection leans away from north by more than five
	// degrees over the Rocky Mountains: winds must be turned by as much.
	g := &Grid{Projection: projection}
	angle, _ := g.EastAngleRad(LatLon{39.5, -106.5})
	fmt.Printf("%.1f degrees\n", angle*180/math.Pi)
	// Output: 5.6 degrees
}
