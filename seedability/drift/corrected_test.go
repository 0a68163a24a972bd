package drift

import (
	"testing"

	"rimeline/grid"
)

// TestCorrectedWindMovesTheLanding: the case of TestByHand, 2320.8 s from
// release to landing, in a wind of 10 m/s that a profile 5 m/s faster corrects.
//
//	at the site   10 + 5 = 15 m/s
//	at a way d    10 + 5 exp(-d²/(2 L²)), L = 60 km
//
// With d/dt = 15 - 2.5 (d/L)² to second order, d = 15 t - 2.5 x 15² t³/(3 L²):
// 34.812 km less 0.651 km, 34.161 km after 2320.8 s; the next term, of d⁴, is
// 0.02 km. The model's own wind carries it 23.208 km.
func TestCorrectedWindMovesTheLanding(t *testing.T) {
	box := simple{
		wind: grid.Wind{EastwardMPerS: 10, UpwardMPerS: 0.5}, temperature: lapse(273.15-5+0.0065*1510, 0.0065),
		cloud: everywhere(3e-4), terrain: func(grid.LatLon) float64 { return 1500 },
	}.box(t)
	column, ok := box.ColumnAt(site, noon)
	if !ok {
		t.Fatal("no column")
	}
	for k := range column.Levels {
		column.Levels[k].EastwardMPerS += 5
	}
	corrected, correction := box.Corrected([]grid.Observation{{Column: column, Kind: "vad", WindErrorMPerS: 0.01}}, grid.CorrectionOptions{})
	if len(correction.Used) != 1 {
		t.Fatalf("%+v", correction)
	}
	const source = "by hand, see above"
	way := func(flow Flow) float64 {
		e := run(t, flow, Release{HeightAboveGroundM: 10}, certain())
		for _, m := range e.Members {
			if m.Fate != Landed {
				t.Fatalf("%v", m.Fate)
			}
			near(t, "landing time", m.End.Time.Sub(noon).Seconds(), 2320.8, 1.5, "vertical motion, temperature and cloud stay")
			near(t, "landing latitude", m.End.Place.LatitudeDeg, 40, 1e-4, "carried along the parallel")
		}
		return grid.DistanceM(site, e.Members[0].End.Place)
	}
	near(t, "uncorrected", way(box), 23208, 20, source)
	near(t, "corrected", way(corrected), 34161, 60, source)
	near(t, "corrected, any flow", way(plain{corrected}), 34161, 60, source)
}
