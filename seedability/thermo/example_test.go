package thermo_test

import (
	"fmt"

	"rimeline/seedability/thermo"
)

// In a cloud of droplets the air is far above saturation for the first ice
// crystal in it, and the more so the colder.
func ExampleSaturationVapourPressureWaterPa() {
	for _, celsius := range []float64{-5, -10, -15} {
		t := celsius + thermo.MeltingPointK
		fmt.Printf("%.0f °C: %.0f %% over ice\n", celsius,
			100*thermo.SaturationVapourPressureWaterPa(t)/thermo.SaturationVapourPressureIcePa(t))
	}
	// Output:
	// -5 °C: 105 % over ice
	// -10 °C: 110 % over ice
	// -15 °C: 116 % over ice
}

// Valley air at 850 hPa, +2 °C and 70 % need not rise far: ice could form
// before droplets do.
func ExampleMoistAir_CondensationLevel() {
	air := thermo.Lifted{PressurePa: 85000, AirTemperatureK: 275.15, RelativeHumidityWater: 0.7}
	fmt.Printf("cloud base %.0f m up, ice saturation %.0f m up\n",
		air.LiftingCondensationLevel().HeightM, air.LiftingDepositionLevel().HeightM)
	// Output: cloud base 608 m up, ice saturation 553 m up
}
