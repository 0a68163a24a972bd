package seedability

import (
	"math"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/radar"
)

// What was not seen is never no echo.
func TestNaturalIceKeepsNotSeenApart(t *testing.T) {
	for _, test := range []struct {
		from  string
		layer radar.LayerMaximum
		want  float64
	}{
		{"", radar.LayerMaximum{Sight: grid.Echo, ReflectivityDBZ: 20}, math.NaN()},
		{"radar", radar.LayerMaximum{Sight: grid.Echo, ReflectivityDBZ: 24.5}, 24.5},
		{"radar", radar.LayerMaximum{Sight: grid.NoEcho}, silentDBZ},
		{"radar", radar.LayerMaximum{Sight: grid.Overshot}, math.NaN()},
		{"radar", radar.LayerMaximum{Sight: grid.Blocked}, math.NaN()},
		{"radar", radar.LayerMaximum{Sight: grid.OutsideRange}, math.NaN()},
	} {
		s := assessor{layer: test.layer, layerFrom: test.from}
		got := s.naturalIce()
		if got.Value != test.want && !(math.IsNaN(got.Value) && math.IsNaN(test.want)) || got.Reason == "" {
			t.Errorf("%q, %s: %v (%s), want %v", test.from, test.layer.Sight, got.Value, got.Reason, test.want)
		}
	}
}

// Ice on top may be cirrus: the model's deck stands. Droplets on top are the
// cloud that counts.
func TestCloudTopTrustsDropletsOnly(t *testing.T) {
	for _, test := range []struct {
		phase grid.CloudTopPhase
		good  bool
		want  float64
	}{
		{grid.SupercooledLiquid, true, -12}, {grid.MixedPhase, true, -12}, {grid.LiquidWater, true, -12},
		{grid.IcePhase, true, -18}, {grid.UnknownPhase, true, -18}, {grid.SupercooledLiquid, false, -18},
	} {
		s := assessor{topSeen: true, top: CloudTop{Phase: test.phase, Good: test.good, AirTemperatureK: 261.15, AltitudeM: 4000}}
		s.a.Satellite = &SatelliteView{}
		s.zone.Cloud.TopTemperatureK, s.zone.Cloud.DeckTopAltitudeM = 255.15, 5000
		if got := s.cloudTop().Value; math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%s, good %v: %v °C, want %v", test.phase, test.good, got, test.want)
		}
	}
}

func TestReached(t *testing.T) {
	// The normal distribution: half at the mean, 0.8413 one standard deviation on.
	timing := nowcast.Timing{Time: start, SD: 10 * time.Minute}
	for minutes, want := range map[float64]float64{0: .5, 10: .8413, -10: .1587, 40: 1} {
		if got := reached(start.Add(time.Duration(minutes*float64(time.Minute))), timing); math.Abs(got-want) > 1e-4 {
			t.Errorf("%v min after: %.4f, want %.4f", minutes, got, want)
		}
	}
}

// A wrong model wind is drawn towards a radar's profile, and the old box stays
// beside it for the comparison.
func TestEvidenceCorrected(t *testing.T) {
	wind := &radar.WindProfile{Radar: "XTST", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -115}, Time: start.Add(30 * time.Minute)}
	for altitudeM := 3100.0; altitudeM < 6000; altitudeM += 250 {
		wind.Levels = append(wind.Levels, radar.WindLevel{AltitudeM: altitudeM, EastwardMPerS: 14, Coverage: 1, Time: wind.Time})
	}
	evidence := Evidence{Atmosphere: slab(t, nil), Radars: []RadarScan{{Volume: &grid.Volume{Radar: "XTST", Time: wind.Time, Antenna: grid.Position{LatLon: wind.Place, AltitudeM: 3050}}, Wind: wind}}}
	corrected := evidence.Corrected(start.Add(35*time.Minute), Ageings)
	at := grid.Position{LatLon: wind.Place, AltitudeM: 4000}
	before, _ := corrected.Background.WindAt(at, wind.Time)
	after, _ := corrected.Atmosphere.WindAt(at, wind.Time)
	// Optimal interpolation at the place of one observation: 4 m/s times
	// 3²/(3²+2²) = 2.77 m/s, given to the state of the box half an hour before,
	// none to that of 6 h; linear between: 2.77 x 5.5/6 = 2.54.
	if math.Abs(before.EastwardMPerS-10) > .01 || math.Abs(after.EastwardMPerS-12.54) > .05 {
		t.Errorf("wind %.2f m/s before and %.2f after, want 10 and 12.54", before.EastwardMPerS, after.EastwardMPerS)
	}
	if late := evidence.Corrected(start.Add(3*time.Hour), Ageings); late.Background != nil {
		t.Error("a wind profile of two and a half hours ago corrects the model")
	}
}
