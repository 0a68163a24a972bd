package grid

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// ecef is a place at a height over an ellipsoid, by the plain formulas.
func ecef(e Earth, p LatLon, heightM float64) [3]float64 {
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos(p.LongitudeDeg * radPerDeg)
	e2 := 1 - e.SemiMinorM*e.SemiMinorM/(e.SemiMajorM*e.SemiMajorM)
	n := e.SemiMajorM / math.Sqrt(1-e2*sinLat*sinLat)
	return [3]float64{(n + heightM) * cosLat * cosLon, (n + heightM) * cosLat * sinLon, (n*(1-e2) + heightM) * sinLat}
}

// The satellite, the cloud top above the corrected place and the apparent place
// must lie on one line, in that order: vectors in the earth's frame, which the
// code under test does not use.
func TestParallaxIsOnTheLineOfSight(t *testing.T) {
	random := rand.New(rand.NewPCG(20, 26))
	for name, projection := range satellites() {
		parallax, err := NewParallax(projection)
		if err != nil {
			t.Fatal(err)
		}
		view, _ := SatelliteView(projection)
		satellite := ecef(view.Earth, LatLon{0, view.SubSatelliteLongitudeDeg}, view.PerspectivePointHeightM)
		checked := 0
		for range 3000 {
			apparent := LatLon{random.Float64()*160 - 80, NormalLongitudeDeg(view.SubSatelliteLongitudeDeg + random.Float64()*160 - 80)}
			heightM := random.Float64()*18500 - 500
			top, ok := parallax.Correct(apparent, heightM)
			if _, _, seen := projection.Forward(apparent); !seen {
				if ok {
					t.Fatalf("%s: unseen %v corrected to %v", name, apparent, top)
				}
				continue
			}
			if zenith, _ := parallax.ZenithAngleDeg(apparent); !ok && zenith < 85 {
				t.Fatalf("%s: %v at %v m not corrected", name, apparent, heightM)
			} else if !ok || zenith > 85 {
				continue
			}
			checked++
			a, c := ecef(view.Earth, apparent, 0), ecef(view.Earth, top, heightM)
			var toTop, toGround [3]float64
			for k := range 3 {
				toTop[k], toGround[k] = c[k]-satellite[k], a[k]-satellite[k]
			}
			cross := math.Sqrt(
				square(toTop[1]*toGround[2]-toTop[2]*toGround[1]) +
					square(toTop[2]*toGround[0]-toTop[0]*toGround[2]) +
					square(toTop[0]*toGround[1]-toTop[1]*toGround[0]))
			length := func(v [3]float64) float64 { return math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]) }
			if off := cross / length(toGround); off > 0.01 {
				t.Fatalf("%s: cloud top of %v at %v m, %v, is %v m off the line of sight", name, apparent, heightM, top, off)
			}
			if nearer := length(toTop) < length(toGround); nearer != (heightM > 0) {
				t.Fatalf("%s: cloud top at %v m, nearer %v", name, heightM, nearer)
			}
			back, ok := parallax.Apparent(top, heightM)
			if !ok || DistanceM(back, apparent) > 0.05 {
				t.Fatalf("%s: %v back to %v, %v", name, apparent, back, ok)
			}
		}
		if checked < 1500 {
			t.Errorf("%s: only %d places checked", name, checked)
		}
	}
}

func square(x float64) float64 { return x * x }

func TestParallaxMagnitudes(t *testing.T) {
	parallax, err := NewParallax(goesEast())
	if err != nil {
		t.Fatal(err)
	}
	// Below the satellite there is none, and on the equator it is along the equator.
	if p, ok := parallax.Correct(LatLon{0, -75}, 15000); !ok || DistanceM(p, LatLon{0, -75}) > 0.01 {
		t.Errorf("below the satellite: %v, %v", p, ok)
	}
	if p, ok := parallax.Correct(LatLon{0, -100}, 15000); !ok || math.Abs(p.LatitudeDeg) > 1e-9 || p.LongitudeDeg <= -100 {
		t.Errorf("on the equator: %v, %v", p, ok)
	}
	// Over flat ground the shift is height times the tangent of the zenith angle;
	// at 45 degrees on a sphere the sight is 10 km wide within 1 per cent.
	for _, latitudeDeg := range []float64{20, 30, 39.0, 45, 50} {
		for _, heightM := range []float64{1000, 5000, 10000} {
			apparent := LatLon{latitudeDeg, -105}
			zenith, ok := parallax.ZenithAngleDeg(apparent)
			top, ok2 := parallax.Correct(apparent, heightM)
			flat := heightM * math.Tan(zenith*radPerDeg)
			if got := DistanceM(apparent, top); !ok || !ok2 || math.Abs(got-flat) > 0.02*flat {
				t.Errorf("%v at %v m: %v m, flat earth %v m", apparent, heightM, got, flat)
			}
			if top.LatitudeDeg >= latitudeDeg || top.LongitudeDeg <= -105 {
				t.Errorf("%v moved away from the satellite, to %v", apparent, top)
			}
		}
	}
	// Zenith angle on a sphere, by plane trigonometry: 45 degrees of arc away,
	// tan z = sin 45 / (cos 45 - 1/6.6179) on the radius 6371 km from 42157 km.
	sphere := must(NewGeostationary(Geostationary{Earth: Sphere(6371000), PerspectivePointHeightM: 35786000, SubSatelliteLongitudeDeg: 0}))
	onSphere, err := NewParallax(sphere)
	if err != nil {
		t.Fatal(err)
	}
	want := math.Atan2(math.Sin(math.Pi/4), math.Cos(math.Pi/4)-6371.0/42157) / radPerDeg
	if got, ok := onSphere.ZenithAngleDeg(LatLon{45, 0}); !ok || math.Abs(got-want) > 1e-9 {
		t.Errorf("zenith angle %v, want %v", got, want)
	}
	if got, ok := onSphere.ZenithAngleDeg(LatLon{0, 90}); ok {
		t.Errorf("satellite below the horizon at %v degrees", got)
	}
}

func TestParallaxRefuses(t *testing.T) {
	if _, err := NewParallax(LatLonProjection{}); !errors.Is(err, ErrUnsupportedProjection) {
		t.Errorf("latitude and longitude gave %v", err)
	}
	parallax, err := NewParallax(goesEast())
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		p       LatLon
		heightM float64
	}{
		{LatLon{0, 105}, 1000}, {LatLon{math.NaN(), -75}, 1000}, {LatLon{40, -105}, math.NaN()}, {LatLon{40, -105}, -2000},
		{LatLon{40, -105}, 1e6}, {LatLon{40, -105}, math.Inf(1)}, {LatLon{90, 0}, 1000},
	} {
		if got, ok := parallax.Correct(test.p, test.heightM); ok || !math.IsNaN(got.LatitudeDeg) {
			t.Errorf("Correct(%v, %v) gave %v", test.p, test.heightM, got)
		}
		if got, ok := parallax.Apparent(test.p, test.heightM); ok || !math.IsNaN(got.LatitudeDeg) {
			t.Errorf("Apparent(%v, %v) gave %v", test.p, test.heightM, got)
		}
	}
}
