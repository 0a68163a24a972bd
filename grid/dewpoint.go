package grid

import "math"

// DewPointK is the dew point over (supercooled) water of air with a relative
// humidity over water, 1 at saturation: Murphy and Koop (2005, Q. J. R.
// Meteorol. Soc. 131, 1539, eq. 10), 123 to 332 K. NaN for humidities that are
// not above 0.
func DewPointK(airTemperatureK, relativeHumidity float64) float64 {
	if !(relativeHumidity > 0) || !(airTemperatureK > 123 && airTemperatureK < 332) {
		return math.NaN()
	}
	return dewPointK(relativeHumidity * saturationWaterPa(airTemperatureK))
}
