package main

import (
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
)

// The band of the invented storm crosses the barrier at 13 m/s toward 80 degrees,
// a little turned, and is at the crest at 08:42 UTC (package rehearsal). When it
// is over a place follows by hand from that; the program has only the two radar
// volumes before 08:00 to tell it by.
func TestAssessFollowsTheInventedBand(t *testing.T) {
	all := assessed(t, "--programme", demoProgramme, "--input", "../../testdata/demo", "--release", "2026-01-14T08:00Z", "--releases", "1")
	middle := grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}
	for _, a := range all {
		sense(t, a)
		if a.Radar == nil || a.Radar.Radar != "XLRK" || len(a.Bands) != 1 || a.Bands[0].Kind != "band" {
			t.Fatalf("%s: radar %+v, bands %+v; want one band seen by XLRK", a.Site.ID, a.Radar, a.Bands)
		}
		zone := grid.LatLon{LatitudeDeg: a.Transport.Activation.LatitudeDeg, LongitudeDeg: a.Transport.Activation.LongitudeDeg}
		distanceM, bearing := grid.DistanceM(middle, zone), grid.AzimuthDeg(middle, zone)*math.Pi/180
		x, y := distanceM*math.Sin(bearing), distanceM*math.Cos(bearing)
		sin, cos := math.Sincos(80 * math.Pi / 180)
		along, across := x*sin+y*cos, -x*cos+y*sin
		atCrest := time.Date(2026, 1, 14, 8, 42, 0, 0, time.UTC) // 2.7 h after 06:00
		want := atCrest.Add(time.Duration((along - .18*across) / 13 * float64(time.Second)))
		if off := a.Bands[0].Peak.Time.Sub(want); off.Abs() > 6*time.Minute {
			t.Errorf("%s: the band's peak is seen at %s, by hand at %s", a.Site.ID, a.Bands[0].Peak.Time.Format("15:04"), want.Format("15:04"))
		}
		if a.Bands[0].PeakDBZ < 22 || a.Bands[0].PeakDBZ > 32 {
			t.Errorf("%s: the band has %.0f dBZ, want about 27", a.Site.ID, a.Bands[0].PeakDBZ)
		}
		// The radar's wind profile comes from the same formulas as the model's.
		if d := a.Radar.WindDifferenceMPerS; d == nil || *d > 1 {
			t.Errorf("%s: radar wind and model differ by %v m/s, want less than 1", a.Site.ID, text(d))
		}
		for _, component := range a.Score.Components {
			if component.Name == seedability.ComponentNaturalIce && (component.Input == nil || !strings.Contains(component.Reason, "sweep")) {
				t.Errorf("%s: natural ice %v, %q; want a reflectivity with its sweep", a.Site.ID, text(component.Input), component.Reason)
			}
		}
	}
}

// Half an hour later the same volumes are worth nothing: the radar must not
// speak, and must not be taken for silence.
func TestOldRadarDoesNotCount(t *testing.T) {
	for _, a := range assessed(t, "--programme", demoProgramme, "--input", "../../testdata/demo", "--release", "2026-01-14T08:35Z", "--releases", "1") {
		if a.Radar != nil || len(a.Bands) != 0 {
			t.Errorf("%s: a radar volume of 39 min ago is used", a.Site.ID)
		}
		for _, component := range a.Score.Components {
			if (component.Name == seedability.ComponentNaturalIce || component.Name == seedability.ComponentBand) && component.Input != nil {
				t.Errorf("%s: %s is %v from an old volume", a.Site.ID, component.Name, *component.Input)
			}
		}
	}
}
