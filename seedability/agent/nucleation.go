package agent

import "math"

// ContactFraction is the share of scavenged AgI-AgCl particles that nucleate ice
// by contact freezing, from the saturation ratio over ice (1.10 in a droplet
// cloud at -10 degrees Celsius): a polynomial of sixth degree in S_i - 1 (Meyers
// et al. 1995, J. Appl. Meteor. 34, 834, and Xue et al. 2013, J. Appl. Meteor.
// Climatol. 52, 1433; coefficients as they stand in model code). None when
// warmer than 269.2 K or below S_i = 1.058; the result is held within 0 to 1.
func ContactFraction(airTemperatureK, iceSaturationRatio float64) float64 {
	if math.IsNaN(airTemperatureK) || math.IsNaN(iceSaturationRatio) {
		return nan
	}
	if airTemperatureK >= 269.2 || iceSaturationRatio <= 1.058 {
		return 0
	}
	coefficients := [...]float64{0.0878, -3.7947, 52.3167, -255.4484, 568.3257, -460.4234, -63.1248}
	x, sum := iceSaturationRatio-1, 0.0
	for k := len(coefficients) - 1; k >= 0; k-- {
		sum = sum*x + coefficients[k]
	}
	return min(max(sum, 0), 1)
}

// SlowContactNucleationTimeS is the e-folding time of slow contact freezing,
// 20 minutes of a range of 10 to 40 (value from memory).
const SlowContactNucleationTimeS = 20 * 60.0

// NucleationTimeS is the e-folding time of ice formation in droplet cloud:
// 3.6 min exp(0.135 (t + 8.5)) with t in degrees Celsius, through the measured
// 3.6 min at -8.5 and 1.4 min at -15.5 (J. Appl. Meteor. 3, 788, 1964). Outside
// -5 to -20 degrees Celsius the nearer end is taken.
func NucleationTimeS(airTemperatureK float64) float64 {
	if math.IsNaN(airTemperatureK) {
		return nan
	}
	celsius := min(max(airTemperatureK-meltingPointK, -20), -5)
	return 3.6 * 60 * math.Exp(0.135*(celsius+8.5))
}

// NucleatedFraction is the share of the crystals of the yield table that have
// formed after a time in cloud: 1 - exp(-t/tau). A tau of 0 is instantaneous.
func NucleatedFraction(inCloudS, nucleationTimeS float64) float64 {
	switch {
	case math.IsNaN(inCloudS) || !(nucleationTimeS >= 0):
		return nan
	case inCloudS <= 0:
		return 0
	case nucleationTimeS == 0:
		return 1
	}
	return -math.Expm1(-inCloudS / nucleationTimeS)
}

// AgeingFraction is the share of the agent that is still active after a time in
// air: exp(-t/age). Smokes of the 1950s lost a factor of ten in 8 to 50 minutes,
// an age of 210 to 1300 s. An age of 0 means no ageing, which is the default.
func AgeingFraction(sinceReleaseS, ageS float64) float64 {
	switch {
	case math.IsNaN(sinceReleaseS) || !(ageS >= 0):
		return nan
	case ageS == 0 || sinceReleaseS <= 0:
		return 1
	}
	return math.Exp(-sinceReleaseS / ageS)
}
