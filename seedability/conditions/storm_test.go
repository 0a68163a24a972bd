package conditions

import (
	"math"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/rehearsal"
	"rimeline/seedability/radar"
)

// stormAir is the invented storm's air as a fine model would have it.
func stormAir(t testing.TB, s *rehearsal.Scenario, at time.Time) *grid.Atmosphere {
	t.Helper()
	plane := rehearsal.PlaneOf(s)
	hours := at.Sub(s.Start()).Hours()
	a, err := grid.NewAtmosphere(grid.Analytic{Grid: latLonGrid(43.7, -113.4, 61, 41, .025), Times: []time.Time{at}, HeightsM: []float64{10, 100, 250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 6000},
		TerrainAltitudeM: func(p grid.LatLon) float64 { x, y := plane.XY(p); return s.TerrainM(x, y) },
		StateAt: func(p grid.Position, _ float64, _ time.Time) grid.State {
			x, y := plane.XY(p.LatLon)
			air := s.At(x, y, p.AltitudeM, hours)
			return grid.State{Wind: grid.Wind{EastwardMPerS: air.EastwardMPerS, NorthwardMPerS: air.NorthwardMPerS, UpwardMPerS: air.UpwardMPerS},
				AirTemperatureK: air.AirTemperatureK, PressurePa: air.PressurePa, SpecificHumidity: air.SpecificHumidity, SnowKgPerKg: air.SnowKgPerKg}
		}})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// The invented storm's echo is given by formulas: what is found over a basin is
// their highest, at the altitude of the beam, by the relation for the phase that the
// storm's own air gives there. Warm band with melting snow, cold band, shield.
func TestPrecipitationOfTheInventedStorm(t *testing.T) {
	s := rehearsal.NewScenario(noon, 1)
	plane, volumes := rehearsal.PlaneOf(s), s.RadarVolumes()
	a := areaOf(t, "upper-vantry", "POLYGON ((-112.723 44.181, -112.256 44.252, -112.302 44.410, -112.449 44.471, -112.786 44.392, -112.723 44.181))")
	var places []grid.LatLon
	for _, c := range a.Cells {
		places = append(places, c.Place)
	}
	for _, test := range []struct {
		name    string
		minutes int
		liquid  [2]float64 // bounds of the share of rain
		// covered at least: a spur hides a few squares
		covered float64
	}{{"warm band", 80, [2]float64{.9, 1}, .9}, {"cold band", 240, [2]float64{0, .1}, .9}, {"shield", 460, [2]float64{0, .01}, .9}} {
		start := noon.Add(time.Duration(test.minutes) * time.Minute)
		v := volumes(start)
		atmosphere := stormAir(t, s, start)
		air := NewAir(atmosphere)
		skyline, err := radar.NewSkyline(v.Antenna, v.BeamwidthDeg, 120e3, atmosphere.TerrainAltitudeM)
		if err != nil {
			t.Fatal(err)
		}
		cells, err := radar.NewCellGridder(v.Antenna, places, a.SpacingM, skyline)
		if err != nil {
			t.Fatal(err)
		}
		look, err := cells.NearGround(v, Ceilings(a, air))
		if err != nil {
			t.Fatal(err)
		}
		p, note, ok := RadarPrecipitation(a, []Look{{v.Radar, look}}, air, start)
		if !ok || p.CoveredShare < test.covered || p.Time.Before(start) || p.Time.After(start.Add(5*time.Minute)) {
			t.Fatalf("%s: %+v, %q", test.name, p, note)
		}
		// The truth, square by square, where the beam was.
		highest, freezing := 0.0, 0.0
		for k, n := range look {
			x, y := plane.XY(places[k])
			groundM := s.TerrainM(x, y)
			if !n.Sight.Seen() {
				continue
			}
			if n.AltitudeM < groundM || n.AltitudeM > groundM+MaxBeamHeightM+50 {
				t.Errorf("%s: a beam %.0f m above the storm's ground", test.name, n.AltitudeM-groundM)
			}
			hours := n.Time.Sub(noon).Hours()
			dBZ := s.ReflectivityDBZ(x, y, n.AltitudeM, hours)
			if math.IsNaN(dBZ) {
				continue
			}
			// The storm's 0 °C over the square, by halving.
			low, high := -3000.0, 6000.0
			for high-low > 1 {
				if mid := (low + high) / 2; s.At(x, y, mid, start.Sub(noon).Hours()).AirTemperatureK > 273.15 {
					low = mid
				} else {
					high = mid
				}
			}
			freezing = math.Max(freezing, low)
			rate := radar.DrySnow.RateMMPerH(dBZ)
			if n.AltitudeM-n.HalfWidthM < low {
				rate = math.Max(rate, math.Max(radar.MarshallPalmer.RateMMPerH(dBZ), radar.SummerConvective.RateMMPerH(dBZ)))
			}
			highest = math.Max(highest, rate)
		}
		t.Logf("%s: %.2f mm/h, truth %.2f, covered %.2f, share of rain %.2f, 0 °C at %.0f m; %s", test.name, p.MMPerH, highest, p.CoveredShare, p.LiquidShare, freezing, note)
		// Means over a square take something off ripples of 3 km, and a word of the volume
		// is half a dB, 6 % of the rate.
		if !(p.MMPerH > .9*highest && p.MMPerH < 1.1*highest) || highest < .3 {
			t.Errorf("%s: %.2f mm/h, the storm has %.2f", test.name, p.MMPerH, highest)
		}
		if p.LiquidShare < test.liquid[0] || p.LiquidShare > test.liquid[1] {
			t.Errorf("%s: share of rain %.2f", test.name, p.LiquidShare)
		}
		f, ok := ForecastFreezingLevel(a, air, start)
		if !ok || freezing > 0 && math.Abs(f.AltitudeM-freezing) > 25 {
			t.Errorf("%s: 0 °C at %.0f m, the storm has %.0f", test.name, f.AltitudeM, freezing)
		}
	}
}
