// Package thinned holds a thinned radar volume to the whole one, through the
// parts of the program that look at it: what ingest left out, seedability does
// not miss.
package thinned

import (
	"context"
	"fmt"
	"math"
	"testing"

	"rimeline/grid"
	"rimeline/ingest/crop"
	"rimeline/ingest/level2"
	"rimeline/ingest/testfiles"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/radar"
)

// The wind profile, the picture around the places at every surface, and the
// columns above them are the same to the bit.
func TestNothingIsMissed(t *testing.T) {
	for _, name := range []string{"level2/KLBB20160601_150025_V06", "level2/KDMX20260101_154351_V06"} {
		v, err := level2.Decode(context.Background(), name, testfiles.Read(t, name), level2.Options{})
		if v == nil {
			t.Fatal(err)
		}
		const marginM = 40e3
		place := grid.Destination(v.Antenna.LatLon, 300, 90e3)
		thin := crop.Thin(v, crop.ThinOptions{Places: []grid.LatLon{place}, MarginM: marginM})
		encoded, err := crop.Encode(&crop.Crop{Volume: thin})
		if err != nil {
			t.Fatal(err)
		}
		kept, err := crop.Decode(name, encoded)
		if err != nil {
			t.Fatal(err)
		}

		want, err := radar.VAD(v, radar.VADOptions{})
		if err != nil {
			t.Fatal(err)
		}
		got, err := radar.VAD(kept.Volume, radar.VADOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(want.Levels) == 0 || fmt.Sprint(got.Levels) != fmt.Sprint(want.Levels) {
			t.Errorf("%s: wind profile of %d levels, want %d, the same ones", name, len(got.Levels), len(want.Levels))
		}

		// A square of 54 km inside of the circle.
		plane := nowcast.CentredPlane(place, 1000, 54)
		for number, surface := range []radar.Surface{radar.LowestBeam(), radar.Composite(), radar.ConstantAltitude(4000)} {
			whole, err := radar.GridVolume(v, grid.MomentReflectivity, surface, plane, nil)
			if err != nil {
				t.Fatal(err)
			}
			part, err := radar.GridVolume(kept.Volume, grid.MomentReflectivity, surface, plane, nil)
			if err != nil {
				t.Fatal(err)
			}
			seen := 0
			for k := range whole.Values {
				if whole.Sight[k].Seen() {
					seen++
				}
				if part.Sight[k] != whole.Sight[k] || part.Sweep[k] != whole.Sweep[k] || math.Float32bits(part.Values[k]) != math.Float32bits(whole.Values[k]) {
					t.Fatalf("%s, surface %d: cell %d: %v %v of sweep %d, want %v %v of sweep %d", name, number, k, part.Sight[k], part.Values[k], part.Sweep[k], whole.Sight[k], whole.Values[k], whole.Sweep[k])
				}
			}
			if seen < len(whole.Values)/2 {
				t.Errorf("%s: %d of %d cells are seen at all", name, seen, len(whole.Values))
			}
		}
	}
}
