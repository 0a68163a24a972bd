package agent_test

import (
	"fmt"

	"rimeline/seedability/agent"
)

// The same generator, 10 km upwind in 10 m/s of wind: at -12 °C it makes a dose,
// at -8 °C it makes none.
func ExamplePlume_CrystalsPerLitre() {
	plume := agent.Plume{ReleaseRateGPerS: 20.0 / 3600, NucleatedFraction: 1, WindSpeedMPerS: 10, WidthM: 2633, DepthM: 600}
	for _, airTemperatureK := range []float64{261.15, 265.15} {
		plume.CrystalsPerG = agent.AcetoneGenerator().CrystalsPerG(airTemperatureK)
		fmt.Println(agent.JudgeDose(plume.CrystalsPerLitre()).Reason)
	}
	// Output:
	// 35.2 crystals per litre, within 10 to 100
	// 0.12 crystals per litre, below 1: too few to matter
}
