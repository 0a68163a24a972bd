package grid

import (
	"math"
	"sort"
)

// quantities lists the interpolated values of a level, all but pressure and
// altitude.
func (l *ColumnLevel) quantities() [10]*float64 {
	return [...]*float64{
		&l.AirTemperatureK, &l.DewPointK, &l.EastwardMPerS, &l.NorthwardMPerS, &l.UpwardMPerS,
		&l.CloudLiquidKgPerKg, &l.CloudIceKgPerKg, &l.RainKgPerKg, &l.SnowKgPerKg, &l.GraupelKgPerKg,
	}
}

// MissingLevel is a level of which nothing is known yet: all NaN.
func MissingLevel() ColumnLevel {
	nan := math.NaN()
	return ColumnLevel{nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan}
}

// AtAltitude interpolates to an altitude (metres above the geoid): pressure
// linearly in its logarithm, every other quantity linearly in height, each
// between the nearest levels that have it. A quantity without a level on both
// sides is NaN; false where the altitude is outside the column.
func (c Column) AtAltitude(altitudeM float64) (ColumnLevel, bool) {
	level, ok := c.interpolate(altitudeM, func(l *ColumnLevel) float64 { return l.AltitudeM })
	if !ok {
		return level, false
	}
	level.AltitudeM = altitudeM
	level.PressurePa = math.Exp(c.between(altitudeM,
		func(l *ColumnLevel) float64 { return l.AltitudeM },
		func(l *ColumnLevel) float64 { return math.Log(l.PressurePa) }))
	return level, true
}

// AtPressure interpolates to a pressure (Pa), linearly in its logarithm;
// otherwise as AtAltitude.
func (c Column) AtPressure(pressurePa float64) (ColumnLevel, bool) {
	rank := func(l *ColumnLevel) float64 { return -math.Log(l.PressurePa) }
	level, ok := c.interpolate(-math.Log(pressurePa), rank)
	if !ok {
		return level, false
	}
	level.PressurePa = pressurePa
	level.AltitudeM = c.between(-math.Log(pressurePa), rank, func(l *ColumnLevel) float64 { return l.AltitudeM })
	return level, true
}

// interpolate finds every quantity at one value of a coordinate that increases
// upwards.
func (c Column) interpolate(at float64, coordinate func(*ColumnLevel) float64) (ColumnLevel, bool) {
	level := MissingLevel()
	lowest, highest := math.Inf(1), math.Inf(-1)
	for k := range c.Levels {
		if x := coordinate(&c.Levels[k]); !math.IsNaN(x) {
			lowest, highest = math.Min(lowest, x), math.Max(highest, x)
		}
	}
	if !(at >= lowest && at <= highest) {
		return level, false
	}
	for q, value := range level.quantities() {
		*value = c.between(at, coordinate, func(l *ColumnLevel) float64 { return *l.quantities()[q] })
	}
	return level, true
}

// between interpolates one quantity linearly in a coordinate between the
// nearest levels that have both.
func (c Column) between(at float64, coordinate, quantity func(*ColumnLevel) float64) float64 {
	below, above := math.Inf(-1), math.Inf(1)
	valueBelow, valueAbove := math.NaN(), math.NaN()
	for k := range c.Levels {
		x, value := coordinate(&c.Levels[k]), quantity(&c.Levels[k])
		if math.IsNaN(x) || math.IsNaN(value) {
			continue
		}
		if x <= at && x >= below {
			below, valueBelow = x, value
		}
		if x >= at && x < above {
			above, valueAbove = x, value
		}
	}
	if below == above {
		return valueBelow
	}
	return valueBelow + (valueAbove-valueBelow)*(at-below)/(above-below)
}

// virtualTemperatureK of a level; dry where no dew point is given.
func (l *ColumnLevel) virtualTemperatureK() float64 {
	if math.IsNaN(l.DewPointK) || math.IsNaN(l.PressurePa) {
		return l.AirTemperatureK
	}
	return virtualTemperatureK(l.AirTemperatureK, specificHumidityOf(saturationWaterPa(l.DewPointK), l.PressurePa))
}

// ThicknessM is the hypsometric equation: the height difference between two
// pressures for a layer-mean virtual temperature, positive where the upper
// pressure is the lower one. Source: AMS Glossary, "hypsometric equation".
func ThicknessM(meanVirtualTemperatureK, lowerPressurePa, upperPressurePa float64) float64 {
	return gasDryJPerKgK * meanVirtualTemperatureK / gravityMPerS2 * math.Log(lowerPressurePa/upperPressurePa)
}

// FillAltitudes returns the column with missing altitudes filled by the
// hypsometric equation with the mean virtual temperature of each layer, and
// how many it filled. It integrates from the nearest level whose altitude is
// known, or else from the surface given here (NaN where unknown). Levels
// without pressure or temperature keep what they have.
func (c Column) FillAltitudes(surfacePressurePa, surfaceAltitudeM float64) (Column, int) {
	levels := append([]ColumnLevel(nil), c.Levels...)
	order := make([]int, 0, len(levels))
	for k := range levels {
		if !math.IsNaN(levels[k].PressurePa) && !math.IsNaN(levels[k].AirTemperatureK) {
			order = append(order, k)
		}
	}
	sort.SliceStable(order, func(a, b int) bool { return levels[order[a]].PressurePa > levels[order[b]].PressurePa })

	profile := make([]hypsometricLevel, len(order))
	for n, k := range order {
		profile[n] = hypsometricLevel{levels[k].PressurePa, levels[k].virtualTemperatureK(), levels[k].AltitudeM}
	}
	filled := fillAltitudes(profile, surfacePressurePa, surfaceAltitudeM)
	for n, k := range order {
		levels[k].AltitudeM = profile[n].altitudeM
	}
	c.Levels = levels
	return c, filled
}

type hypsometricLevel struct{ pressurePa, virtualTemperatureK, altitudeM float64 }

// fillAltitudes works on levels sorted by decreasing pressure.
func fillAltitudes(profile []hypsometricLevel, surfacePressurePa, surfaceAltitudeM float64) (filled int) {
	anchored := false
	for k := range profile {
		anchored = anchored || !math.IsNaN(profile[k].altitudeM)
	}
	if len(profile) == 0 || !anchored && !(surfacePressurePa > 0 && !math.IsNaN(surfaceAltitudeM)) {
		return 0
	}
	if !anchored {
		// Start at the level next above the surface; the thin layer between has
		// the temperature of that level.
		k := sort.Search(len(profile), func(k int) bool { return profile[k].pressurePa <= surfacePressurePa })
		k = min(k, len(profile)-1)
		profile[k].altitudeM = surfaceAltitudeM +
			ThicknessM(profile[k].virtualTemperatureK, surfacePressurePa, profile[k].pressurePa)
		filled++
	}
	step := func(from, to hypsometricLevel) float64 {
		return from.altitudeM + ThicknessM((from.virtualTemperatureK+to.virtualTemperatureK)/2, from.pressurePa, to.pressurePa)
	}
	for k := 1; k < len(profile); k++ { // upwards
		if math.IsNaN(profile[k].altitudeM) && !math.IsNaN(profile[k-1].altitudeM) {
			profile[k].altitudeM = step(profile[k-1], profile[k])
			filled++
		}
	}
	for k := len(profile) - 2; k >= 0; k-- { // and down from the first known one
		if math.IsNaN(profile[k].altitudeM) && !math.IsNaN(profile[k+1].altitudeM) {
			profile[k].altitudeM = step(profile[k+1], profile[k])
			filled++
		}
	}
	return filled
}
