package radar

import (
	"cmp"
	"math"
	"slices"
	"testing"

	"rimeline/grid"
)

// The mean over a square of 1 km on the lowest beam of real volumes is that of the
// gates in it, as Py-ART 2.3.0 places them. Its square lies across the radials,
// here it is gates along the beam and the radials on both sides of the middle: what
// differs is the texture of the echo within a kilometre.
func TestNearGroundAgainstPyART(t *testing.T) {
	volumes := realVolumes{}
	var differences []float64
	for _, row := range goldenRows(t, "nearground.tsv")[1:] {
		v := volumes.get(t, row[0])
		place := grid.LatLon{LatitudeDeg: number(t, row[1]), LongitudeDeg: number(t, row[2])}
		n := nearGroundOf(t, v, []grid.LatLon{place}, skylineAt(t, v, flat(-400)), always(20e3))[0]
		away := grid.DistanceM(v.Antenna.LatLon, place)
		slant, _ := grid.BeamSlantRangeM(away, number(t, row[3]))
		// The elevation of a radial is within a tenth of a degree of the sweep's.
		if lowM := grid.BeamAltitudeM(v.Antenna.AltitudeM, slant, number(t, row[3])); n.Sight == grid.Echo && math.Abs(n.AltitudeM-lowM) > away*.1*math.Pi/180 {
			// Passed over for its correlation: the reference does not ask for it.
			if n.AltitudeM < lowM {
				t.Errorf("%s, %v: beam at %.0f m, the lowest is at %.0f", row[0], place, n.AltitudeM, lowM)
			}
			continue
		}
		if n.Sight == NotMeteorological {
			continue
		}
		if n.Sight != grid.Echo {
			t.Errorf("%s, %v: %v, Py-ART has %s dBZ", row[0], place, n.Sight, row[5])
			continue
		}
		differences = append(differences, n.ReflectivityDBZ-number(t, row[5]))
	}
	if len(differences) < 100 {
		t.Fatalf("%d places compared", len(differences))
	}
	slices.SortFunc(differences, func(a, b float64) int { return cmp.Compare(math.Abs(a), math.Abs(b)) })
	mean := 0.0
	for _, d := range differences {
		mean += d / float64(len(differences))
	}
	half, most := math.Abs(differences[len(differences)/2]), math.Abs(differences[len(differences)*9/10])
	t.Logf("%d places: mean difference %.2f dB, half within %.2f, nine of ten within %.2f dB", len(differences), mean, half, most)
	if math.Abs(mean) > .2 || half > .5 || most > 1.8 {
		t.Errorf("mean difference %.2f dB, half of them within %.2f, nine of ten within %.2f; want 0.2, 0.5 and 1.8", mean, half, most)
	}
}

func skylineAt(t *testing.T, v *grid.Volume, terrain grid.Terrain) *Skyline {
	t.Helper()
	s, err := NewSkyline(v.Antenna, v.BeamwidthDeg, 150e3, terrain)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
