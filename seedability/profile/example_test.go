package profile_test

import (
	"fmt"

	"rimeline/grid"
	"rimeline/seedability/profile"
	"rimeline/seedability/thermo"
)

// A valley under an inversion: there is liquid colder than -6 °C over the ridge,
// but smoke from the valley floor does not get there.
func ExampleDerive() {
	column := grid.Column{Label: "invented", SurfaceAltitudeM: 1000}
	for _, row := range []struct{ altitudeM, celsius, dewPointCelsius, eastwardMPerS float64 }{
		{1000, -2, -2.5, 0.5}, {1300, 2, 1, 4}, {1800, 0, -1, 8}, {2300, -3.5, -3.6, 12},
		{2800, -7, -7.1, 15}, {3300, -10.5, -10.8, 18}, {3800, -13, -18, 20}, {4800, -20, -30, 25},
	} {
		level := grid.MissingLevel()
		level.AltitudeM, level.PressurePa = row.altitudeM, thermo.StandardPressurePa(row.altitudeM)
		level.AirTemperatureK, level.DewPointK = row.celsius+273.15, row.dewPointCelsius+273.15
		level.EastwardMPerS, level.NorthwardMPerS = row.eastwardMPerS, 0
		column.Levels = append(column.Levels, level)
	}
	options := profile.DefaultOptions()
	options.Barrier = &profile.Barrier{CrestAltitudeM: 2600, TowardDeg: 90, ReleaseAltitudeM: 1000}
	derived := profile.Derive(column, options)

	fmt.Printf("freezing level %.0f m, agent acts from %.0f m\n", derived.FreezingLevelAltitudeM, derived.Activation.AltitudeM)
	likely := derived.Liquid.Likely[0]
	fmt.Printf("supercooled liquid likely from %.0f to %.0f m\n", likely.BaseAltitudeM, likely.TopAltitudeM)
	fmt.Printf("%s: %s\n", derived.Barrier.Trapping.Verdict, derived.Barrier.Trapping.Reasons[0].Text)
	// Output:
	// freezing level 1800 m, agent acts from 2657 m
	// supercooled liquid likely from 1962 to 3342 m
	// trapped: an inversion 300 m deep (4.0 K) lies between release and crest, from 1000 m
}
