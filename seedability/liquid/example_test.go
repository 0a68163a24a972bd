package liquid_test

import (
	"fmt"

	"rimeline/seedability/liquid"
)

// Liquid between 0 and -6 °C is supercooled too, but silver iodide does nothing
// there: only part of the path counts.
func ExampleIntegrate() {
	samples := []liquid.Sample{
		{AltitudeM: 2000, AirTemperatureK: 272.15, LiquidKgPerM3: 0},
		{AltitudeM: 2500, AirTemperatureK: 269.15, LiquidKgPerM3: 0.12e-3},
		{AltitudeM: 3000, AirTemperatureK: 266.15, LiquidKgPerM3: 0.20e-3},
		{AltitudeM: 3500, AirTemperatureK: 262.65, LiquidKgPerM3: 0.10e-3},
		{AltitudeM: 4000, AirTemperatureK: 259.15, LiquidKgPerM3: 0},
	}
	fmt.Printf("supercooled %.3f mm, of use to the agent %.3f mm\n",
		liquid.Integrate(samples, liquid.SupercooledWindow).KgPerM2,
		liquid.Integrate(samples, liquid.AgentWindow).KgPerM2)
	// Output: supercooled 0.210 mm, of use to the agent 0.131 mm
}
