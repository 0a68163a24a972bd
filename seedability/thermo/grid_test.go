package thermo

import (
	"math"
	"testing"

	"rimeline/grid"
)

// Package grid keeps a saturation formula of its own, since it may import
// nothing of ours: both must be the same.
func TestGridSaturatesAlike(t *testing.T) {
	for airTemperatureK := 220.0; airTemperatureK <= 310; airTemperatureK += 7.5 {
		for _, humidity := range []float64{.1, .5, .95, 1} {
			want := DewPointK(humidity * SaturationVapourPressureWaterPa(airTemperatureK))
			if got := grid.DewPointK(airTemperatureK, humidity); math.Abs(got-want) > 1e-4 {
				t.Errorf("%.1f K, %.0f %%: dew point %.5f K in grid, %.5f K here", airTemperatureK, 100*humidity, got, want)
			}
		}
	}
}
