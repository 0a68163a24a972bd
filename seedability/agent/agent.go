// Package agent holds what silver iodide does in cloud: how many ice crystals a
// gram makes at a temperature, how long that takes, how many crystals a litre
// of cloud then holds, and what nature supplies by itself.
//
// Published yields differ a hundredfold between agents, devices and
// laboratories, so the table is the user's data (Yield); the three tables here
// show the spread, each with its evidence. Concentrations are per litre of air
// throughout, as all published thresholds are.
//
// A crystal forms at or above water saturation (Marcolli et al. 2016, Atmos.
// Chem. Phys. 16, 8915): time spent below cloud does not count as nucleation
// time. Arguments that are NaN or outside the stated range give NaN.
package agent

import "math"

const meltingPointK = 273.15

var nan = math.NaN()

// OnsetMembership is how far a temperature is inside the range where silver
// iodide works: 0 at -5 degrees Celsius (effective when colder: Dennis 1980), 0.3
// at -6, 0.8 at -8 (substantial numbers from there on: summary of the Wyoming
// pilot programme, 2014), 1 from -10 down; the values between are common
// practice, no source. Single particles have been seen to act at -4 (1 micron)
// and only at -8 (0.01 micron; Vonnegut 1947).
func OnsetMembership(airTemperatureK float64) float64 {
	knots := [...][2]float64{{263.15, 1}, {265.15, 0.8}, {267.15, 0.3}, {268.15, 0}}
	switch {
	case math.IsNaN(airTemperatureK):
		return nan
	case airTemperatureK <= knots[0][0]:
		return 1
	}
	for k := 1; k < len(knots); k++ {
		if cold, warm := knots[k-1], knots[k]; airTemperatureK <= warm[0] {
			return cold[1] + (warm[1]-cold[1])*(airTemperatureK-cold[0])/(warm[0]-cold[0])
		}
	}
	return 0
}
