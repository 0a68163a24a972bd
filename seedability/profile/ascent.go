package profile

import (
	"fmt"
	"math"
	"sort"

	"rimeline/grid"
	"rimeline/seedability/thermo"
)

// level is a level of the column, checked; missing values are NaN.
type level struct {
	altitudeM, pressurePa, temperatureK, dewPointK, eastwardMPerS, northwardMPerS float64
	liquidKgPerKg, iceKgPerKg                                                     float64
	// Derived once: relative humidities (1 at saturation) and theta.
	humidityWater, humidityIce, thetaK float64
}

func (l *level) air() thermo.MoistAir {
	return thermo.MoistAir{PressurePa: l.pressurePa, AirTemperatureK: l.temperatureK, DewPointK: l.dewPointK}
}

// ascent is a column made fit for use: levels rise strictly in altitude, and
// pressures fall strictly.
type ascent struct {
	levels             []level
	surfaceM, releaseM float64
	options            Options
	notes              []string

	temperature, eastward, northward, humidity series
}

// Values outside these ranges are taken as missing: no radiosonde or model of
// the lower atmosphere has them.
var plausible = struct{ pressurePa, altitudeM, temperatureK, dewPointK, windMPerS, condensateKgPerKg [2]float64 }{
	pressurePa:        [2]float64{100, 120000},
	altitudeM:         [2]float64{-500, 60000},
	temperatureK:      [2]float64{160, 330},
	dewPointK:         [2]float64{123, 330},
	windMPerS:         [2]float64{-150, 150},
	condensateKgPerKg: [2]float64{0, 0.1},
}

func within(value float64, limits [2]float64) bool { return value >= limits[0] && value <= limits[1] }

// mergeM: levels closer than this are one level given twice.
const mergeM = 0.5

func newAscent(column grid.Column, options Options) *ascent {
	a := &ascent{options: options, surfaceM: column.SurfaceAltitudeM}
	if !within(a.surfaceM, plausible.altitudeM) {
		a.surfaceM = nan
	}
	column.Levels = a.checked(column.Levels)
	column = a.withAltitudes(column)
	a.order(column.Levels)
	if math.IsNaN(a.surfaceM) && len(a.levels) > 0 {
		a.surfaceM = a.levels[0].altitudeM
		a.note("the altitude of the ground is not given: the lowest level is taken as the surface")
	}
	a.releaseM = a.surfaceM
	switch barrier := options.Barrier; {
	case barrier != nil && within(barrier.ReleaseAltitudeM, plausible.altitudeM):
		a.releaseM = barrier.ReleaseAltitudeM
	case within(options.ReleaseAltitudeM, plausible.altitudeM):
		a.releaseM = options.ReleaseAltitudeM
	}
	for k := range a.levels {
		l := &a.levels[k]
		l.humidityWater, l.humidityIce = l.air().RelativeHumidityWater(), l.air().RelativeHumidityIce()
		l.thetaK = thermo.PotentialTemperatureK(l.pressurePa, l.temperatureK)
	}
	a.temperature = a.series(func(l *level) float64 { return l.temperatureK })
	a.eastward = a.series(func(l *level) float64 { return l.eastwardMPerS })
	a.northward = a.series(func(l *level) float64 { return l.northwardMPerS })
	a.humidity = a.series(func(l *level) float64 { return l.humidityWater })
	return a
}

func (a *ascent) note(format string, arguments ...any) {
	a.notes = append(a.notes, fmt.Sprintf(format, arguments...))
}

// checked copies the levels without implausible values.
func (a *ascent) checked(levels []grid.ColumnLevel) []grid.ColumnLevel {
	removed := 0
	keep := func(value *float64, limits [2]float64) {
		if !within(*value, limits) {
			if !math.IsNaN(*value) {
				removed++
			}
			*value = nan
		}
	}
	kept := make([]grid.ColumnLevel, 0, len(levels))
	for _, l := range levels {
		keep(&l.PressurePa, plausible.pressurePa)
		keep(&l.AltitudeM, plausible.altitudeM)
		keep(&l.AirTemperatureK, plausible.temperatureK)
		keep(&l.DewPointK, plausible.dewPointK)
		keep(&l.EastwardMPerS, plausible.windMPerS)
		keep(&l.NorthwardMPerS, plausible.windMPerS)
		keep(&l.CloudLiquidKgPerKg, plausible.condensateKgPerKg)
		keep(&l.CloudIceKgPerKg, plausible.condensateKgPerKg)
		if math.IsNaN(l.PressurePa) || math.IsNaN(l.AltitudeM) {
			// Its place has to be found from its neighbours: worth it only if it
			// says something.
			says := false
			for _, value := range [...]float64{l.AirTemperatureK, l.DewPointK, l.EastwardMPerS, l.NorthwardMPerS, l.CloudLiquidKgPerKg, l.CloudIceKgPerKg} {
				says = says || !math.IsNaN(value)
			}
			if !says || math.IsNaN(l.PressurePa) && math.IsNaN(l.AltitudeM) {
				continue
			}
		}
		kept = append(kept, l)
	}
	if removed > 0 {
		a.note("%d values outside any plausible range were left out", removed)
	}
	return kept
}

// withAltitudes gives every level an altitude, by the hypsometric equation or,
// for levels without temperature, between its neighbours.
func (a *ascent) withAltitudes(column grid.Column) grid.Column {
	lowestPa, anchored := nan, false
	for _, l := range column.Levels {
		if !(l.PressurePa <= lowestPa) && !math.IsNaN(l.PressurePa) && !math.IsNaN(l.AirTemperatureK) {
			lowestPa = l.PressurePa
		}
		anchored = anchored || !math.IsNaN(l.AltitudeM)
	}
	surfaceM := a.surfaceM
	if !anchored && math.IsNaN(surfaceM) {
		if surfaceM = thermo.StandardAltitudeM(lowestPa); !math.IsNaN(surfaceM) {
			a.note("no altitude is given: the lowest level is put where the standard atmosphere has its pressure")
		}
	}
	column, filled := column.FillAltitudes(lowestPa, surfaceM)
	if filled > 0 {
		a.note("%d altitudes computed by the hypsometric equation", filled)
	}

	// Levels that lack altitude or pressure, between those that have both.
	type pair struct{ logPa, altitudeM float64 }
	var both []pair
	for _, l := range column.Levels {
		if !math.IsNaN(l.PressurePa) && !math.IsNaN(l.AltitudeM) {
			both = append(both, pair{math.Log(l.PressurePa), l.AltitudeM})
		}
	}
	sort.Slice(both, func(i, j int) bool { return both[i].altitudeM < both[j].altitudeM })
	for k := range column.Levels {
		l := &column.Levels[k]
		if math.IsNaN(l.PressurePa) == math.IsNaN(l.AltitudeM) {
			continue
		}
		logPa := math.Log(l.PressurePa)
		for n := 1; n < len(both); n++ {
			low, high := both[n-1], both[n]
			if high.altitudeM-low.altitudeM > a.options.MaximumGapM {
				continue
			}
			if math.IsNaN(l.AltitudeM) && logPa <= low.logPa && logPa >= high.logPa && high.logPa < low.logPa {
				l.AltitudeM = low.altitudeM + (logPa-low.logPa)/(high.logPa-low.logPa)*(high.altitudeM-low.altitudeM)
			} else if math.IsNaN(l.PressurePa) && l.AltitudeM >= low.altitudeM && l.AltitudeM <= high.altitudeM && high.altitudeM > low.altitudeM {
				l.PressurePa = math.Exp(low.logPa + (l.AltitudeM-low.altitudeM)/(high.altitudeM-low.altitudeM)*(high.logPa-low.logPa))
			}
		}
	}
	return column
}

// order sorts by altitude, leaves out what is below ground, merges duplicates
// and drops levels at which the pressure does not fall.
func (a *ascent) order(levels []grid.ColumnLevel) {
	sorted := make([]grid.ColumnLevel, 0, len(levels))
	belowGround := 0
	for _, l := range levels {
		switch {
		case !within(l.AltitudeM, plausible.altitudeM): // NaN, or computed from nonsense
		case l.AltitudeM < a.surfaceM-mergeM:
			belowGround++
		default:
			sorted = append(sorted, l)
		}
	}
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].AltitudeM < sorted[j].AltitudeM })
	merged, rising := 0, 0
	lastPressure := math.Inf(1)
	for _, l := range sorted {
		next := level{
			altitudeM: l.AltitudeM, pressurePa: l.PressurePa, temperatureK: l.AirTemperatureK, dewPointK: l.DewPointK,
			eastwardMPerS: l.EastwardMPerS, northwardMPerS: l.NorthwardMPerS,
			liquidKgPerKg: l.CloudLiquidKgPerKg, iceKgPerKg: l.CloudIceKgPerKg,
		}
		if n := len(a.levels); n > 0 && next.altitudeM-a.levels[n-1].altitudeM < mergeM {
			a.levels[n-1].fill(next)
			merged++
			continue
		}
		if next.pressurePa >= lastPressure {
			rising++
			continue
		}
		if !math.IsNaN(next.pressurePa) {
			lastPressure = next.pressurePa
		}
		a.levels = append(a.levels, next)
	}
	if belowGround > 0 {
		a.note("%d levels below the ground were left out", belowGround)
	}
	if merged > 0 {
		a.note("%d levels given twice were merged", merged)
	}
	if rising > 0 {
		a.note("%d levels at which the pressure does not fall with height were left out", rising)
	}
}

// fill takes from another level what this one lacks.
func (l *level) fill(from level) {
	for _, pair := range [][2]*float64{
		{&l.pressurePa, &from.pressurePa}, {&l.temperatureK, &from.temperatureK}, {&l.dewPointK, &from.dewPointK},
		{&l.eastwardMPerS, &from.eastwardMPerS}, {&l.northwardMPerS, &from.northwardMPerS},
		{&l.liquidKgPerKg, &from.liquidKgPerKg}, {&l.iceKgPerKg, &from.iceKgPerKg},
	} {
		if math.IsNaN(*pair[0]) {
			*pair[0] = *pair[1]
		}
	}
}

// series is one quantity by altitude, without missing values, linear between
// altitudes no further apart than the gap.
type series struct {
	altitudesM, values []float64
	gapM               float64
}

func (a *ascent) series(value func(*level) float64) series {
	s := series{gapM: a.options.MaximumGapM}
	for k := range a.levels {
		if v := value(&a.levels[k]); !math.IsNaN(v) {
			s.altitudesM = append(s.altitudesM, a.levels[k].altitudeM)
			s.values = append(s.values, v)
		}
	}
	return s
}

// at is the value at an altitude; NaN outside the levels and inside a gap.
func (s series) at(altitudeM float64) float64 {
	k := sort.SearchFloat64s(s.altitudesM, altitudeM)
	switch {
	case k == len(s.altitudesM):
		return nan
	case s.altitudesM[k] == altitudeM:
		return s.values[k]
	case k == 0 || s.altitudesM[k]-s.altitudesM[k-1] > s.gapM:
		return nan
	}
	f := (altitudeM - s.altitudesM[k-1]) / (s.altitudesM[k] - s.altitudesM[k-1])
	return s.values[k-1] + f*(s.values[k]-s.values[k-1])
}

// mean is the mean over a layer by height, and the depth that was covered.
func (s series) mean(baseM, topM float64) (mean, coveredM float64) {
	sum := 0.0
	for k := 1; k < len(s.altitudesM); k++ {
		low, high := s.altitudesM[k-1], s.altitudesM[k]
		from, to := max(low, baseM), min(high, topM)
		if high-low > s.gapM || !(to > from) {
			continue
		}
		slope := (s.values[k] - s.values[k-1]) / (high - low)
		sum += (s.values[k-1] + slope*((from+to)/2-low)) * (to - from)
		coveredM += to - from
	}
	if coveredM == 0 {
		return nan, 0
	}
	return sum / coveredM, coveredM
}

// interpolated is the state at an altitude.
func (a *ascent) interpolated(altitudeM float64) level {
	l := level{
		altitudeM: altitudeM, temperatureK: a.temperature.at(altitudeM),
		pressurePa:    math.Exp(a.series(func(l *level) float64 { return math.Log(l.pressurePa) }).at(altitudeM)),
		dewPointK:     a.series(func(l *level) float64 { return l.dewPointK }).at(altitudeM),
		eastwardMPerS: a.eastward.at(altitudeM), northwardMPerS: a.northward.at(altitudeM),
	}
	l.thetaK = thermo.PotentialTemperatureK(l.pressurePa, l.temperatureK)
	return l
}

// minus is the series with a number taken off every value.
func (s series) minus(number float64) []float64 {
	shifted := make([]float64, len(s.values))
	for k, v := range s.values {
		shifted[k] = v - number
	}
	return shifted
}
