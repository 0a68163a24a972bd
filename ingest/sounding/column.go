package sounding

import (
	"cmp"
	"math"
	"slices"

	"rimeline/grid"
)

const (
	gravityMPerS2        = 9.80665 // standard, exact
	dryGasJPerKgK        = 287.05  // gas constant of dry air
	epsilon              = 0.62198 // ratio of the gas constants of dry air and water vapour
	sameLevelPa          = 0.5     // pressures closer than this are one level
	sameLevelM           = 1.0     // heights closer than this are one level
	unknownVirtualK      = 250.0   // where no temperature is known, for ratios only
	columnLabelIfUnknown = "sounding"
)

// Column is the report as a column of air: levels sorted by altitude, one level
// a pressure, winds as components, missing values NaN.
//
//   - Levels below the ground (Extrapolated) and values marked Suspect are left
//     out; the report still has them.
//   - Levels of equal pressure (within 0.5 Pa), or of equal height where one has
//     no pressure, become one level; what the first lacks comes from the second.
//   - Where the report gives pressure without height (significant levels of a
//     TEMP) the height is integrated hydrostatically with the virtual
//     temperature, stretched linearly so that it meets the reported heights
//     above and below. Where it gives height without pressure (winds at fixed
//     heights) the pressure is interpolated, linear in height and logarithm.
//   - Omega of a model becomes upward air velocity, w = -omega Rd Tv / (p g)
//     (hydrostatic, pressure tendency and advection neglected: Holton and Hakim,
//     An Introduction to Dynamic Meteorology, 5th ed., section 3.5).
//   - Temperature, dew point and wind are never interpolated.
func (r Report) Column() grid.Column {
	column := grid.Column{
		Label: r.Station.Identifier, Place: r.Station.Place,
		SurfaceAltitudeM: r.Station.AltitudeM, Time: r.Time,
	}
	if column.Label == "" {
		column.Label = columnLabelIfUnknown
	}
	if !r.ReleaseTime.IsZero() {
		column.Time = r.ReleaseTime
	}

	var byPressure, byHeight []Level
	for _, l := range r.Levels {
		l.dropSuspect()
		if l.Significance&Extrapolated != 0 {
			continue
		}
		if l.Significance&Surface != 0 {
			if math.IsNaN(l.GeopotentialHeightM) {
				l.GeopotentialHeightM = r.Station.AltitudeM
			}
			if math.IsNaN(column.SurfaceAltitudeM) {
				column.SurfaceAltitudeM = l.GeopotentialHeightM
			}
		}
		switch {
		case l.PressurePa > 0:
			byPressure = append(byPressure, l)
		case !math.IsNaN(l.GeopotentialHeightM):
			byHeight = append(byHeight, l)
		}
	}
	byPressure = mergeByPressure(byPressure)
	fillHeights(byPressure)
	if len(byPressure) > 0 && math.IsNaN(column.SurfaceAltitudeM) && byPressure[0].Significance&Surface != 0 {
		column.SurfaceAltitudeM = byPressure[0].GeopotentialHeightM
	}
	levels := insertByHeight(byPressure, byHeight)
	slices.SortStableFunc(levels, func(a, b Level) int {
		if math.IsNaN(a.GeopotentialHeightM) || math.IsNaN(b.GeopotentialHeightM) {
			return cmp.Compare(b.PressurePa, a.PressurePa)
		}
		return cmp.Compare(a.GeopotentialHeightM, b.GeopotentialHeightM)
	})

	nan := math.NaN()
	column.Levels = make([]grid.ColumnLevel, 0, len(levels))
	for i := range levels {
		l := &levels[i]
		eastward, northward := l.WindComponentsMPerS()
		upward := l.UpwardMPerS
		if math.IsNaN(upward) {
			upward = -l.OmegaPaPerS * dryGasJPerKgK * l.virtualTemperatureK() / (l.PressurePa * gravityMPerS2)
		}
		column.Levels = append(column.Levels, grid.ColumnLevel{
			PressurePa: l.PressurePa, AltitudeM: l.GeopotentialHeightM,
			AirTemperatureK: l.AirTemperatureK, DewPointK: l.DewPointK,
			EastwardMPerS: eastward, NorthwardMPerS: northward, UpwardMPerS: upward,
			CloudLiquidKgPerKg: nan, CloudIceKgPerKg: nan, RainKgPerKg: nan, SnowKgPerKg: nan, GraupelKgPerKg: nan,
		})
	}
	return column
}

// WindComponentsMPerS are eastward and northward wind; calm needs no direction.
func (l Level) WindComponentsMPerS() (eastward, northward float64) {
	if l.WindSpeedMPerS == 0 {
		return 0, 0
	}
	sin, cos := math.Sincos(l.WindFromDeg * math.Pi / 180)
	return -l.WindSpeedMPerS * sin, -l.WindSpeedMPerS * cos
}

func (l *Level) dropSuspect() {
	nan := math.NaN()
	if l.Suspect&SuspectPressure != 0 {
		l.PressurePa = nan
	}
	if l.Suspect&SuspectHeight != 0 {
		l.GeopotentialHeightM = nan
	}
	if l.Suspect&SuspectTemperature != 0 {
		l.AirTemperatureK, l.DewPointK = nan, nan
	}
	if l.Suspect&SuspectDewPoint != 0 {
		l.DewPointK = nan
	}
	if l.Suspect&SuspectWind != 0 {
		l.WindFromDeg, l.WindSpeedMPerS = nan, nan
	}
}

// virtualTemperatureK takes dry air where the dew point is missing. Vapour
// pressure over water: WMO-No. 8 (2018), annex 4.B, e = 6.112 exp[17.62 t/(243.12 + t)] hPa.
func (l *Level) virtualTemperatureK() float64 {
	if math.IsNaN(l.DewPointK) {
		return l.AirTemperatureK
	}
	t := l.DewPointK - zeroCelsiusK
	vapourPa := 611.2 * math.Exp(17.62*t/(243.12+t))
	if !(vapourPa < l.PressurePa/2) {
		return l.AirTemperatureK
	}
	mixingRatio := epsilon * vapourPa / (l.PressurePa - vapourPa)
	return l.AirTemperatureK * (1 + mixingRatio/epsilon) / (1 + mixingRatio)
}

// fillFrom takes from other what l lacks.
func (l *Level) fillFrom(other *Level) {
	fill := func(mine *float64, theirs float64) {
		if math.IsNaN(*mine) {
			*mine = theirs
		}
	}
	fill(&l.PressurePa, other.PressurePa)
	fill(&l.GeopotentialHeightM, other.GeopotentialHeightM)
	if math.IsNaN(l.AirTemperatureK) {
		l.AirTemperatureK, l.DewPointK = other.AirTemperatureK, other.DewPointK
	} else if l.AirTemperatureK == other.AirTemperatureK {
		fill(&l.DewPointK, other.DewPointK)
	}
	fill(&l.RelativeHumidity, other.RelativeHumidity)
	if math.IsNaN(l.WindSpeedMPerS) {
		l.WindFromDeg, l.WindSpeedMPerS = other.WindFromDeg, other.WindSpeedMPerS
	}
	fill(&l.UpwardMPerS, other.UpwardMPerS)
	fill(&l.OmegaPaPerS, other.OmegaPaPerS)
	fill(&l.CloudFraction, other.CloudFraction)
	fill(&l.ElapsedS, other.ElapsedS)
	fill(&l.LatitudeDisplacementDeg, other.LatitudeDisplacementDeg)
	fill(&l.LongitudeDisplacementDeg, other.LongitudeDisplacementDeg)
	l.Significance |= other.Significance
	l.Suspect |= other.Suspect
}

// mergeByPressure sorts by falling pressure and joins levels of one pressure.
// An extrapolated level is never joined with a measured one.
func mergeByPressure(levels []Level) []Level {
	slices.SortStableFunc(levels, func(a, b Level) int { return cmp.Compare(b.PressurePa, a.PressurePa) })
	merged := levels[:0]
	for _, l := range levels {
		joined := false
		for k := len(merged) - 1; k >= 0 && merged[k].PressurePa-l.PressurePa < sameLevelPa; k-- {
			if (merged[k].Significance^l.Significance)&Extrapolated == 0 {
				merged[k].fillFrom(&l)
				joined = true
				break
			}
		}
		if !joined {
			merged = append(merged, l)
		}
	}
	return merged
}

// fillHeights gives every level a height, if any level has one. The levels are
// sorted by falling pressure.
func fillHeights(levels []Level) {
	n := len(levels)
	if n == 0 {
		return
	}
	virtualK := make([]float64, n)
	for i := range levels {
		virtualK[i] = levels[i].virtualTemperatureK()
	}
	fillGaps(virtualK, func(i int) float64 { return math.Log(levels[i].PressurePa) })
	// thickness[i] is the hydrostatic height of level i above level 0:
	// dz = (Rd Tv/g) ln(p1/p2) with the mean virtual temperature of the layer.
	thicknessM := make([]float64, n)
	for i := 1; i < n; i++ {
		meanK := (virtualK[i-1] + virtualK[i]) / 2
		if math.IsNaN(meanK) {
			meanK = unknownVirtualK
		}
		thicknessM[i] = thicknessM[i-1] + dryGasJPerKgK*meanK/gravityMPerS2*math.Log(levels[i-1].PressurePa/levels[i].PressurePa)
	}
	hasTemperature := !math.IsNaN(virtualK[0])
	previous := -1
	for i := 0; i < n; i++ {
		if math.IsNaN(levels[i].GeopotentialHeightM) {
			continue
		}
		for k := previous + 1; k < i; k++ {
			if previous < 0 {
				if hasTemperature {
					levels[k].GeopotentialHeightM = levels[i].GeopotentialHeightM - (thicknessM[i] - thicknessM[k])
				}
				continue
			}
			part := (thicknessM[k] - thicknessM[previous]) / (thicknessM[i] - thicknessM[previous])
			levels[k].GeopotentialHeightM = levels[previous].GeopotentialHeightM +
				part*(levels[i].GeopotentialHeightM-levels[previous].GeopotentialHeightM)
		}
		previous = i
	}
	if previous >= 0 && hasTemperature {
		for k := previous + 1; k < n; k++ {
			levels[k].GeopotentialHeightM = levels[previous].GeopotentialHeightM + thicknessM[k] - thicknessM[previous]
		}
	}
}

// fillGaps interpolates missing values linearly in the given coordinate and
// keeps the outermost value beyond the ends; all NaN stays all NaN.
func fillGaps(v []float64, coordinate func(int) float64) {
	previous := -1
	for i := range v {
		if math.IsNaN(v[i]) {
			continue
		}
		for k := previous + 1; k < i; k++ {
			if previous < 0 {
				v[k] = v[i]
				continue
			}
			part := (coordinate(k) - coordinate(previous)) / (coordinate(i) - coordinate(previous))
			v[k] = v[previous] + part*(v[i]-v[previous])
		}
		previous = i
	}
	if previous >= 0 {
		for k := previous + 1; k < len(v); k++ {
			v[k] = v[previous]
		}
	}
}

// insertByHeight joins levels known by height alone to levels with pressure.
func insertByHeight(byPressure, byHeight []Level) []Level {
	var alone []Level
	for _, l := range byHeight {
		// The heights of the levels with pressure rise but in damaged reports; a
		// search over all of them needs no order.
		below, above, same := -1, -1, -1
		for i := range byPressure {
			z := byPressure[i].GeopotentialHeightM
			switch {
			case math.Abs(z-l.GeopotentialHeightM) <= sameLevelM:
				same = i
			case z < l.GeopotentialHeightM && (below < 0 || z > byPressure[below].GeopotentialHeightM):
				below = i
			case z > l.GeopotentialHeightM && (above < 0 || z < byPressure[above].GeopotentialHeightM):
				above = i
			}
		}
		if same >= 0 {
			byPressure[same].fillFrom(&l)
			continue
		}
		if below >= 0 && above >= 0 {
			a, b := &byPressure[below], &byPressure[above]
			part := (l.GeopotentialHeightM - a.GeopotentialHeightM) / (b.GeopotentialHeightM - a.GeopotentialHeightM)
			l.PressurePa = a.PressurePa * math.Pow(b.PressurePa/a.PressurePa, part)
		}
		alone = append(alone, l)
	}
	slices.SortStableFunc(alone, func(a, b Level) int { return cmp.Compare(a.GeopotentialHeightM, b.GeopotentialHeightM) })
	for i := range alone {
		if i > 0 && alone[i].GeopotentialHeightM-alone[i-1].GeopotentialHeightM <= sameLevelM {
			alone[i].fillFrom(&alone[i-1])
			byPressure[len(byPressure)-1] = alone[i]
			continue
		}
		byPressure = append(byPressure, alone[i])
	}
	return byPressure
}
