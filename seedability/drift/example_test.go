package drift_test

import (
	"context"
	"fmt"
	"time"

	"rimeline/grid"
	"rimeline/seedability/drift"
)

// steady is cold cloud in a south-west wind of 14 m/s over ground at 2000 m.
type steady struct{}

func (steady) WindAt(grid.Position, time.Time) (grid.Wind, bool) {
	return grid.Wind{EastwardMPerS: 10, NorthwardMPerS: 10}, true
}

func (s steady) StateAt(p grid.Position, at time.Time) (grid.State, bool) {
	wind, _ := s.WindAt(p, at)
	return grid.State{
		Wind: wind, AirTemperatureK: 263, PressurePa: 75000, SpecificHumidity: 0.0022,
		CloudLiquidKgPerKg: 2e-4, StabilityPerS2: 5e-5,
	}, true
}

func (steady) TerrainAltitudeM(grid.LatLon) (float64, bool) { return 2000, true }

func ExampleRun() {
	// A flare burnt in cold cloud on the ground: all of its snow comes down, but
	// hardly any of it near the site.
	site := grid.LatLon{LatitudeDeg: 40, LongitudeDeg: -107}
	e, err := drift.Run(context.Background(), steady{}, drift.Release{
		Place: site, Start: time.Date(2030, 1, 10, 6, 0, 0, 0, time.UTC), Burn: 4 * time.Minute,
	}, drift.DefaultOptions())
	if err != nil {
		fmt.Println(err)
		return
	}
	nearby := e.TargetProbability(func(p grid.LatLon) bool { return grid.DistanceM(p, site) < 2000 })
	delays, _ := e.LandingDelays()
	fmt.Printf("%d of %d landed, %.0f %% within 2 km, half of them in under %.0f min\n",
		e.Count(drift.Landed), len(e.Members), 100*nearby.P, 10*float64(int(delays.Q50/600)+1))
	// Output: 256 of 256 landed, 1 % within 2 km, half of them in under 20 min
}
