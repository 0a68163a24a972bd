package grid_test

import (
	"fmt"
	"math"
	"time"

	"rimeline/grid"
)

func ExampleAtmosphere_Corrected() {
	// The model has 10 m/s from the west at all heights and times.
	start := time.Date(2030, 1, 10, 6, 0, 0, 0, time.UTC)
	model, err := grid.NewAtmosphere(grid.Analytic{
		Grid: &grid.Grid{
			Name: "latitude_longitude", Projection: grid.LatLonProjection{}, NI: 41, NJ: 41,
			X: grid.Axis{First: -108, Step: 0.05}, Y: grid.Axis{First: 39, Step: 0.05},
		},
		Times: []time.Time{start, start.Add(time.Hour), start.Add(2 * time.Hour)},
		StateAt: func(p grid.Position, _ float64, _ time.Time) grid.State {
			return grid.State{
				Wind:            grid.Wind{EastwardMPerS: 10},
				AirTemperatureK: 280 - 0.0065*p.AltitudeM, PressurePa: 101325 * math.Exp(-p.AltitudeM/8000), SpecificHumidity: 0.002,
			}
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	// The radar sees 14 m/s from 2 to 4 km.
	radar := grid.LatLon{LatitudeDeg: 40, LongitudeDeg: -107}
	observed := grid.Observation{Kind: "vad", WindErrorMPerS: 1.5, Column: grid.Column{Label: "KINV", Place: radar, Time: start}}
	for altitudeM := 2000.0; altitudeM <= 4000; altitudeM += 500 {
		level := grid.MissingLevel()
		level.AltitudeM, level.EastwardMPerS, level.NorthwardMPerS = altitudeM, 14, 0
		observed.Column.Levels = append(observed.Column.Levels, level)
	}
	corrected, correction := model.Corrected([]grid.Observation{observed}, grid.CorrectionOptions{})
	fmt.Println(correction.Used[0])
	for _, hours := range []int{0, 1, 2} {
		wind, _ := corrected.WindAt(grid.Position{LatLon: radar, AltitudeM: 3000}, start.Add(time.Duration(hours)*time.Hour))
		fmt.Printf("%d h later %.1f m/s\n", hours, wind.EastwardMPerS)
	}
	// Output:
	// vad KINV of 2030-01-10T06:00Z: wind at 5 levels from 2000 to 4000 m, +4.0 m/s eastward and +0.0 northward of the model's in the mean, at most 4.0 m/s at 4000 m
	// 0 h later 13.2 m/s
	// 1 h later 13.2 m/s
	// 2 h later 11.6 m/s
}
