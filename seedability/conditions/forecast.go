package conditions

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rimeline/grid"
	"rimeline/seedability/hold"
)

// Times are those at which a forecast is looked at: the moment, and the times of the
// atmosphere after it, up to the first that is not before the moment and so far
// ahead. Between them it is linear.
func Times(atmosphere *grid.Atmosphere, moment time.Time, ahead time.Duration) []time.Time {
	first, last := atmosphere.TimeRange()
	var times []time.Time
	if !moment.Before(first) && !moment.After(last) {
		times = append(times, moment.UTC())
	}
	end := moment.Add(ahead)
	for _, at := range append(atmosphere.Times(), last) {
		if at.After(moment) && !(len(times) > 0 && !times[len(times)-1].Before(end)) && !slices.ContainsFunc(times, at.Equal) {
			times = append(times, at.UTC())
		}
	}
	return times
}

// ForecastPrecipitation is the rate over an area at one time of a model: its own
// rate where it gives one; else, where it gives the mass of rain and snow, what
// falls of them 10 m above ground. The second lacks what the model's scheme of
// convection rains out. False where the model says neither.
func ForecastPrecipitation(a *Area, air *Air, at time.Time) (p hold.Precipitation, ok bool) {
	if air.atmosphere == nil {
		return p, false
	}
	t := newTally()
	for k := range a.Cells {
		cell := &a.Cells[k]
		if rate, known := air.atmosphere.PrecipitationRateAt(cell.Place, at); known {
			const mmPerHour = 3600 // of kg m-2 s-1
			t.add(cell.AreaM2, rate*mmPerHour, at, func() float64 { return air.liquidShareAt(cell.Place, at) })
			continue
		}
		mmPerH, rainShare, known := air.falling(cell.Place, at)
		if !known {
			t.notSeen(cell.AreaM2)
			continue
		}
		t.add(cell.AreaM2, mmPerH, at, func() float64 { return math.Max(rainShare, air.liquidShareAt(cell.Place, at)) })
	}
	if p, ok = t.precipitation(a.ID, "forecast"); ok {
		p.Issued = air.atmosphere.ReferenceTime()
	}
	return p, ok
}

// falling is what of the model's rain, snow and graupel falls near the ground.
func (a *Air) falling(place grid.LatLon, at time.Time) (mmPerH, rainShare float64, ok bool) {
	if !a.atmosphere.HasRainAndSnow() {
		return math.NaN(), math.NaN(), false
	}
	s, ok := a.atmosphere.StateAt(grid.Position{LatLon: place, AltitudeM: a.groundM(place) + a.lowestM()}, at)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	mmPerH, rainShare = fallingMMPerH(s.DensityKgPerM3(), s.RainKgPerKg, s.SnowKgPerKg, s.GraupelKgPerKg)
	return mmPerH, rainShare, !math.IsNaN(mmPerH)
}

// lowestM is the height of the lowest level above ground, or 10 m where it is lower.
func (a *Air) lowestM() float64 { return math.Max(a.atmosphere.Heights()[0], 10) }

// leastKnown share of an area: a freezing level over less of it may miss the
// highest (common practice, no source).
const leastKnown = .8

// ForecastFreezingLevel is the altitude of 0 °C over an area at one time of a model,
// the highest over its columns (FreezingLevelM). False where it is known over less
// than four fifths of the area.
func ForecastFreezingLevel(a *Area, air *Air, at time.Time) (f hold.FreezingLevel, ok bool) {
	if air.atmosphere == nil {
		return f, false
	}
	highest, known := math.Inf(-1), 0.0
	for k := range a.Cells {
		if levelM := air.freezingLevelM(a.Cells[k].Place, at); !math.IsNaN(levelM) {
			highest, known = math.Max(highest, levelM), known+a.Cells[k].AreaM2
		}
	}
	f = hold.FreezingLevel{Target: a.ID, From: "forecast", AltitudeM: highest, Time: at.UTC(), Issued: air.atmosphere.ReferenceTime()}
	return f, known > 0 && known >= leastKnown*a.AreaM2
}

// SoundingReachM is how far from an area an ascent may rise and still speak for it;
// within it 0 °C differs by some hundred metres but across a front (common practice,
// no source).
const SoundingReachM = 250e3

// Ascent is a sounding.
type Ascent struct {
	Label  string
	Column grid.Column
}

// SoundingFreezingLevel is the altitude of 0 °C in the newest ascent near an area, of
// several the nearest to its middle. False where there is none, or where it does
// not tell; the sentence says why.
func SoundingFreezingLevel(a *Area, ascents []Ascent, moment time.Time) (f hold.FreezingLevel, note string, ok bool) {
	middle := a.middle()
	var best *Ascent
	for k := range ascents {
		c := &ascents[k]
		// A NaN place is nowhere near; the clock of a station may be five minutes off.
		if c.Column.Time.IsZero() || c.Column.Time.After(moment.Add(5*time.Minute)) || !(grid.DistanceM(middle, c.Column.Place) <= SoundingReachM) {
			continue
		}
		if best == nil || c.Column.Time.After(best.Column.Time) ||
			c.Column.Time.Equal(best.Column.Time) && grid.DistanceM(middle, c.Column.Place) < grid.DistanceM(middle, best.Column.Place) {
			best = c
		}
	}
	if best == nil {
		return f, fmt.Sprintf("No sounding within %.0f km of %s.", SoundingReachM/1000, a.ID), false
	}
	levelM := FreezingLevelM(best.Column)
	if math.IsNaN(levelM) {
		return f, fmt.Sprintf("The sounding of %s does not tell the altitude of 0 °C.", best.Label), false
	}
	return hold.FreezingLevel{Target: a.ID, From: "sounding", AltitudeM: levelM, Time: best.Column.Time.UTC()}, "", true
}

// middle of the area's squares.
func (a *Area) middle() grid.LatLon {
	first := a.Cells[0].Place
	var lat, lon float64
	for _, c := range a.Cells {
		lat += c.AreaM2 * c.Place.LatitudeDeg
		lon += c.AreaM2 * grid.NormalLongitudeDeg(c.Place.LongitudeDeg-first.LongitudeDeg)
	}
	return grid.LatLon{LatitudeDeg: lat / a.AreaM2, LongitudeDeg: grid.NormalLongitudeDeg(first.LongitudeDeg + lon/a.AreaM2)}
}

// anemometerM above ground is where winds are measured and forecast (WMO-No. 8).
const anemometerM = 10

// Site is where the wind is asked for. AltitudeM is NaN where it is not known.
type Site struct {
	ID        string
	Place     grid.LatLon
	AltitudeM float64
}

// ForecastWind is the wind at a site at one time of a model, 10 m above its ground.
// A site may stand on a ridge that the model's terrain does not have: where its
// altitude is above that terrain the wind 10 m above the site is asked too, and the
// stronger of the two is given. There is no gust. False outside the model.
func ForecastWind(s Site, air *Air, at time.Time) (w hold.Wind, ok bool) {
	if air.atmosphere == nil {
		return w, false
	}
	groundM := air.groundM(s.Place)
	w = hold.Wind{Site: s.ID, From: "forecast", SpeedMPerS: math.NaN(), GustMPerS: math.NaN(), FromDeg: math.NaN(), Time: at.UTC(), Issued: air.atmosphere.ReferenceTime()}
	for _, altitudeM := range []float64{groundM, s.AltitudeM} {
		if !(altitudeM >= groundM) {
			continue
		}
		wind, known := air.atmosphere.WindAt(grid.Position{LatLon: s.Place, AltitudeM: altitudeM + anemometerM}, at)
		speed := math.Hypot(wind.EastwardMPerS, wind.NorthwardMPerS)
		if !known || speed <= w.SpeedMPerS {
			continue
		}
		ok = true
		w.SpeedMPerS, w.FromDeg = speed, math.NaN()
		if speed > 0 { // a calm has no direction
			w.FromDeg = math.Mod(math.Atan2(-wind.EastwardMPerS, -wind.NorthwardMPerS)/radPerDeg+360, 360)
		}
	}
	return w, ok
}
