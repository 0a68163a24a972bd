package rehearsal

import (
	"math"
	"time"

	"rimeline/grid"
)

// ascent is what a balloon measured on its way: it rises at a steady rate and
// drifts with the wind, so each level has its own time and place.
type ascent struct {
	station Station
	place   grid.LatLon
	nominal time.Time // the hour in the heading
	release time.Time
	levels  []ascentLevel
	// standard heights, by pressure, also of surfaces below the ground.
	standard []standardSurface
}

// ascentLevel is one level. Winds are geographic.
type ascentLevel struct {
	elapsedS               float64
	pressurePa             float64
	heightM                float64
	airTemperatureK        float64
	dewPointK              float64
	windFromDeg            float64
	windSpeedMPerS         float64
	latitudeDegAfter       float64 // from the launch
	longitudeDegAfter      float64
	surface, top, standard bool
}

type standardSurface struct {
	hPa     int
	heightM float64
	level   *ascentLevel // nil below the ground
}

const (
	ascentMPerS   = 5.0
	ascentStepS   = 10.0
	ascentTopPa   = 20000.0 // where this balloon bursts
	ascentMost    = 400
	ascentEarlier = 45 * time.Minute // release before the nominal hour
)

var standardHPa = []int{1000, 925, 850, 700, 500, 400, 300, 250, 200}

// newAscent lets a balloon go in front of its nominal hour.
func newAscent(w Weather, station Station, nominal time.Time) ascent {
	a := ascent{station: station, place: station.Place, nominal: nominal.UTC(), release: nominal.UTC().Add(-ascentEarlier)}
	plane := PlaneOf(w)
	start := a.release.Sub(w.StartTime()).Hours()
	x, y, altitudeM, elapsedS := station.XM, station.YM, w.TerrainM(station.XM, station.YM), 0.0
	measure := func() ascentLevel {
		air := w.At(x, y, altitudeM, start+elapsedS/3600)
		at := plane.Place(x, y)
		sin, cos := math.Sincos(plane.convergenceRad(at.LongitudeDeg))
		east, north := air.EastwardMPerS*cos+air.NorthwardMPerS*sin, air.NorthwardMPerS*cos-air.EastwardMPerS*sin
		return ascentLevel{
			elapsedS: elapsedS, pressurePa: air.PressurePa, heightM: altitudeM, airTemperatureK: air.AirTemperatureK,
			dewPointK:   math.Min(dewPointOf(air), air.AirTemperatureK),
			windFromDeg: math.Mod(math.Atan2(-east, -north)*180/math.Pi+360, 360), windSpeedMPerS: math.Hypot(east, north),
			latitudeDegAfter: at.LatitudeDeg - a.place.LatitudeDeg, longitudeDegAfter: at.LongitudeDeg - a.place.LongitudeDeg,
		}
	}
	rise := func(stepS float64) {
		air := w.At(x, y, altitudeM, start+elapsedS/3600)
		x, y = x+air.EastwardMPerS*stepS, y+air.NorthwardMPerS*stepS
		altitudeM, elapsedS = altitudeM+ascentMPerS*stepS, elapsedS+stepS
	}
	level := measure()
	level.surface = true
	a.levels = append(a.levels, level)
	next := 0
	for next < len(standardHPa) && float64(standardHPa[next])*100 >= level.pressurePa {
		next++
	}
	for len(a.levels) < ascentMost && a.levels[len(a.levels)-1].pressurePa > ascentTopPa {
		beforeX, beforeY, beforeM, beforeS := x, y, altitudeM, elapsedS
		below := a.levels[len(a.levels)-1]
		rise(ascentStepS)
		if level = measure(); next < len(standardHPa) && level.pressurePa <= float64(standardHPa[next])*100 {
			// Stop once on the standard surface: log pressure is straight over 50 m.
			share := math.Log(below.pressurePa/(float64(standardHPa[next])*100)) / math.Log(below.pressurePa/level.pressurePa)
			x, y, altitudeM, elapsedS = beforeX, beforeY, beforeM, beforeS
			rise(share * ascentStepS)
			level = measure()
			level.standard = true
			next++
		}
		a.levels = append(a.levels, level)
	}
	a.levels[len(a.levels)-1].top = true

	for _, hPa := range standardHPa {
		s := standardSurface{hPa: hPa}
		for k := range a.levels {
			if l := &a.levels[k]; l.standard && math.Abs(l.pressurePa-float64(hPa)*100) < 20 {
				s.level, s.heightM = l, l.heightM
			}
		}
		if s.level == nil && float64(hPa)*100 >= a.levels[0].pressurePa {
			s.heightM = w.AltitudeOfPressureM(station.XM, station.YM, float64(hPa)*100, start)
		} else if s.level == nil {
			break // not reached
		}
		a.standard = append(a.standard, s)
	}
	return a
}

// significant are the levels from which the others can be had by interpolation
// in log pressure to within 0.5 K of temperature and 1.5 K of dew point (WMO-No.
// 306, FM 35, 35.3.1.3 asks for 1 K and 15 % humidity below 300 hPa), always
// with both ends; or, for winds, to within 2 m/s of either component (5 m/s are
// asked for).
func (a ascent) significant(off func(level, below, above ascentLevel, share float64) float64) []ascentLevel {
	keep := map[int]bool{0: true, len(a.levels) - 1: true}
	var split func(from, to int)
	split = func(from, to int) {
		worst, at := 1.0, -1
		for k := from + 1; k < to; k++ {
			share := math.Log(a.levels[from].pressurePa/a.levels[k].pressurePa) / math.Log(a.levels[from].pressurePa/a.levels[to].pressurePa)
			if miss := off(a.levels[k], a.levels[from], a.levels[to], share); miss > worst {
				worst, at = miss, k
			}
		}
		if at > 0 {
			keep[at] = true
			split(from, at)
			split(at, to)
		}
	}
	split(0, len(a.levels)-1)
	var levels []ascentLevel
	for k, l := range a.levels {
		if keep[k] {
			levels = append(levels, l)
		}
	}
	return levels
}

func offTemperature(level, below, above ascentLevel, share float64) float64 {
	t := math.Abs(below.airTemperatureK+share*(above.airTemperatureK-below.airTemperatureK)-level.airTemperatureK) / .5
	d := math.Abs(below.dewPointK+share*(above.dewPointK-below.dewPointK)-level.dewPointK) / 1.5
	return math.Max(t, d)
}

func offWind(level, below, above ascentLevel, share float64) float64 {
	worst := 0.0
	for _, turn := range []float64{0, 90} {
		component := func(l ascentLevel) float64 {
			return l.windSpeedMPerS * math.Sin((l.windFromDeg+turn)*math.Pi/180)
		}
		worst = math.Max(worst, math.Abs(component(below)+share*(component(above)-component(below))-component(level))/2)
	}
	return worst
}
