package sounding

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Bounds of what is physically plausible. They are wide on purpose: common
// practice for gross-error checks (WMO-No. 488, Guide to the Global Observing
// System, gives limits a level; these are its outer hull rounded outwards, from
// memory). A value outside is marked and noted, never dropped from the report.
const (
	leastPressurePa, mostPressurePa       = 10, 110000
	leastTemperatureK, mostTemperatureK   = zeroCelsiusK - 120, zeroCelsiusK + 60
	leastDewPointK, mostDewPointK         = zeroCelsiusK - 150, zeroCelsiusK + 45
	mostWindMPerS                         = 150
	leastHeightM, mostHeightM             = -500, 70000
	mostDewPointAboveTemperatureK         = 1 // rounding and supersaturation
	heightToleranceM, heightToleranceOfZ0 = 1500, 0.1
)

// Validate says in words what is physically doubtful in the report; nil where
// nothing is. Decoders have already put the same words into Notes.
func (r Report) Validate() []string {
	copied := r
	copied.Levels = append([]Level(nil), r.Levels...)
	return copied.mark()
}

// doubt marks doubtful values and notes them. Every decoder ends with it.
func (r *Report) doubt() { r.Notes = append(r.Notes, r.mark()...) }

// mark sets the Suspect bits and returns one sentence for each kind of doubt.
func (r *Report) mark() []string {
	var notes []string
	tally := func(bit Suspect, what string, is func(*Level) bool) {
		count, first := 0, -1
		for i := range r.Levels {
			if is(&r.Levels[i]) {
				if count++; first < 0 {
					first = i
				}
				r.Levels[i].Suspect |= bit
			}
		}
		if count > 0 {
			notes = append(notes, fmt.Sprintf("%s on %d of %d levels, first at level %d (%.1f hPa)",
				what, count, len(r.Levels), first+1, r.Levels[first].PressurePa/100))
		}
	}
	// Comparisons with NaN are false, so missing values pass.
	tally(SuspectPressure, "pressure outside 0.1 to 1100 hPa", func(l *Level) bool {
		return l.PressurePa < leastPressurePa || l.PressurePa > mostPressurePa
	})
	tally(SuspectTemperature, "temperature outside -120 to 60 C", func(l *Level) bool {
		return l.AirTemperatureK < leastTemperatureK || l.AirTemperatureK > mostTemperatureK
	})
	tally(SuspectDewPoint, "dew point outside -150 to 45 C or more than 1 K above the temperature", func(l *Level) bool {
		return l.DewPointK < leastDewPointK || l.DewPointK > mostDewPointK ||
			l.DewPointK > l.AirTemperatureK+mostDewPointAboveTemperatureK
	})
	tally(SuspectWind, "wind direction outside 0 to 360 degrees or speed outside 0 to 150 m/s", func(l *Level) bool {
		return l.WindFromDeg < 0 || l.WindFromDeg > 360 || l.WindSpeedMPerS < 0 || l.WindSpeedMPerS >= mostWindMPerS
	})
	tally(SuspectHeight, "height outside -500 to 70000 m or far from the standard atmosphere", func(l *Level) bool {
		if l.GeopotentialHeightM < leastHeightM || l.GeopotentialHeightM > mostHeightM {
			return true
		}
		z0 := standardHeightM(l.PressurePa)
		return math.Abs(l.GeopotentialHeightM-z0) > heightToleranceM+heightToleranceOfZ0*math.Abs(z0)
	})

	// Order: an ascent has falling pressure and rising height. Levels out of
	// order are noted only; Column sorts them.
	lowest, rises := math.Inf(1), 0
	for i := range r.Levels {
		l := &r.Levels[i]
		if l.Suspect&SuspectPressure != 0 || l.Significance&Extrapolated != 0 || math.IsNaN(l.PressurePa) {
			continue
		}
		if l.PressurePa > lowest {
			rises++
		}
		lowest = math.Min(lowest, l.PressurePa)
	}
	if rises > 0 {
		notes = append(notes, fmt.Sprintf("pressure rises on %d of %d levels", rises, len(r.Levels)))
	}
	if n, at := r.heightsOutOfOrder(); n > 0 {
		notes = append(notes, fmt.Sprintf("height falls while pressure falls on %d levels, first at %.1f hPa", n, at/100))
	}
	return notes
}

func (r *Report) heightsOutOfOrder() (count int, firstPa float64) {
	// The file's own order is mostly that of falling pressure already.
	points, inOrder := 0, true
	last := math.Inf(1)
	for i := range r.Levels {
		if l := &r.Levels[i]; l.measuredPoint() {
			points++
			inOrder = inOrder && l.PressurePa <= last
			last = l.PressurePa
		}
	}
	order := make([]int, 0, points)
	for i := range r.Levels {
		if r.Levels[i].measuredPoint() {
			order = append(order, i)
		}
	}
	if !inOrder {
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(r.Levels[b].PressurePa, r.Levels[a].PressurePa) })
	}
	for k := 1; k < len(order); k++ {
		below, above := &r.Levels[order[k-1]], &r.Levels[order[k]]
		if above.PressurePa < below.PressurePa && above.GeopotentialHeightM < below.GeopotentialHeightM {
			if count == 0 {
				firstPa = above.PressurePa
			}
			count++
		}
	}
	return count, firstPa
}

// measuredPoint tells whether pressure and height are both there and neither
// doubted nor extrapolated.
func (l *Level) measuredPoint() bool {
	return l.PressurePa > 0 && !math.IsNaN(l.GeopotentialHeightM) &&
		l.Suspect&(SuspectPressure|SuspectHeight) == 0 && l.Significance&Extrapolated == 0
}

// markBelowGround marks the heights of standard surfaces that lie below the
// station: levels at the start of an observed ascent that give nothing but
// pressure and height, under a level that was measured. It then marks the
// surface level, if the format has not: the lowest measured level, where such
// extrapolated levels stand before it or where its height is the station's
// within 10 m.
func (r *Report) markBelowGround() {
	first := -1
	for i, l := range r.Levels {
		if !math.IsNaN(l.AirTemperatureK) || !math.IsNaN(l.WindSpeedMPerS) {
			first = i
			break
		}
	}
	if first < 0 {
		return
	}
	below := false
	for i := 0; i < first; i++ {
		l := &r.Levels[i]
		if l.PressurePa > r.Levels[first].PressurePa && l.Significance&Surface == 0 {
			l.Significance |= Extrapolated | Standard
			below = true
		}
	}
	for _, l := range r.Levels {
		if l.Significance&Surface != 0 {
			return
		}
	}
	if below || math.Abs(r.Levels[first].GeopotentialHeightM-r.Station.AltitudeM) <= 10 {
		r.Levels[first].Significance |= Surface
	}
}

// standardHeightM is the geopotential height of a pressure in the International
// Standard Atmosphere (ISO 2533:1975, the same as the U.S. Standard Atmosphere
// 1976 here), layers to 47 km, the last continued above. NaN for a pressure
// that is not positive.
func standardHeightM(pressurePa float64) float64 {
	const hydrostatic = 9.80665 / 287.05287 // g0/R, K/m
	layers := [...]struct{ baseM, baseK, lapseKPerM, basePa float64 }{
		{0, 288.15, -0.0065, 101325},
		{11000, 216.65, 0, 22632.04},
		{20000, 216.65, 0.001, 5474.877},
		{32000, 228.65, 0.0028, 868.0158},
	}
	if !(pressurePa > 0) {
		return math.NaN()
	}
	k := 0
	for k+1 < len(layers) && pressurePa <= layers[k+1].basePa {
		k++
	}
	b := layers[k]
	if b.lapseKPerM == 0 {
		return b.baseM + math.Log(b.basePa/pressurePa)*b.baseK/hydrostatic
	}
	return b.baseM + b.baseK/b.lapseKPerM*(math.Pow(pressurePa/b.basePa, -b.lapseKPerM/hydrostatic)-1)
}
