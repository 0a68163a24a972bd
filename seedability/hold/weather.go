package hold

import (
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/programme"
)

// Common practice, no source.
const (
	// weatherStep is the longest gap between the hours of a weather forecast.
	weatherStep = 3 * time.Hour
	// leastCovered: rates over a place of which less was seen cannot be judged.
	leastCovered = .8
	// rainShare of liquid in precipitation from which it is rain; leastRain is the
	// rate from which it counts.
	rainShare       = .1
	leastRainMMPerH = .1
)

// rates are the samples of precipitation over a place.
func (j *judge) rates(place, origin, unit string) (list []sample) {
	for i := range j.e.Precipitation {
		p := &j.e.Precipitation[i]
		if p.Place != place || p.From != origin {
			continue
		}
		s := usable(p.MMPerH, "mm/h", p.Suspect)
		if s.trouble == "" && p.MMPerH < 0 {
			s.trouble, s.why = "suspect", "is suspect: a negative rate"
		}
		if s.trouble == "" && !(p.CoveredShare >= leastCovered) {
			s.trouble, s.why = "incomplete", fmt.Sprintf("covers %.0f %% of %s, at least %.0f %% are needed", 100*p.CoveredShare, place, 100*leastCovered)
		}
		s.at, s.issued, s.forecast = p.Time, p.Issued, origin == "forecast"
		list = append(list, s.in(unit))
	}
	return list
}

func (j *judge) precipitation(h *programme.Hold, target, key string) verdict {
	return j.origins(h, key, "precipitation over "+target, limitsOf(h), weatherStep, func(origin string) []sample { return j.rates(target, origin, h.Unit) })
}

// burnScar judges the rate over the burnt area, and rain on it while it is fresh.
func (j *judge) burnScar(h *programme.Hold) verdict {
	var parts []verdict
	if l := limitsOf(h); l.any() {
		parts = append(parts, j.origins(h, h.ID, "precipitation over burnt area "+h.ID, l, weatherStep, func(origin string) []sample { return j.rates(h.ID, origin, h.Unit) }))
	}
	if burnt, err := time.Parse("2006-01-02", h.BurntDate); !isNaN(h.RainYears) && err == nil {
		years := j.e.At.Sub(burnt).Hours() / 24 / 365.25
		if years < h.RainYears {
			parts = append(parts, j.rainOnBurn(h, years))
		} else {
			parts = append(parts, verdict{outcome: Clear, reason: fmt.Sprintf("burnt area %s is %.1f years old, rain alone counts up to %g", h.ID, years, h.RainYears)})
		}
	}
	return worst(parts...)
}

// rainOnBurn holds for any rain that is not snow. Where the liquid share is not
// known but the rate is, and counts, it cannot be judged.
func (j *judge) rainOnBurn(h *programme.Hold, years float64) verdict {
	l := limits{unit: "mm/h", reviewAbove: math.NaN(), holdAbove: leastRainMMPerH, reviewBelow: math.NaN(), holdBelow: math.NaN(),
		above: fmt.Sprintf(" for rain on an area that burnt %.1f years ago", years)}
	return j.origins(h, h.ID, "rain over burnt area "+h.ID, l, weatherStep, func(origin string) []sample {
		list := j.rates(h.ID, origin, "mm/h")
		k := 0
		for i := range j.e.Precipitation {
			p := &j.e.Precipitation[i]
			if p.Place != h.ID || p.From != origin {
				continue
			}
			s := &list[k]
			k++
			switch {
			case s.trouble != "" || s.value < leastRainMMPerH:
			case !(p.LiquidShare >= 0 && p.LiquidShare <= 1):
				s.trouble, s.why = "missing", "has no liquid share: rain or snow is not known"
			case p.LiquidShare < rainShare:
				s.value, s.given = 0, 0
			}
		}
		return list
	})
}

// levels are the samples of the freezing level over a target, in metres.
func (j *judge) levels(target, origin string) (list []sample) {
	for i := range j.e.FreezingLevels {
		f := &j.e.FreezingLevels[i]
		if f.Target != target || f.From != origin {
			continue
		}
		s := usable(f.AltitudeM, "m", f.Suspect)
		s.at, s.issued, s.forecast = f.Time, f.Issued, origin == "forecast"
		list = append(list, s)
	}
	return list
}

func (j *judge) freezingLevel(h *programme.Hold, target, key string) verdict {
	return j.origins(h, key, "freezing level over "+target, limitsOf(h), weatherStep, func(origin string) []sample {
		list := j.levels(target, origin)
		for k := range list {
			list[k] = list[k].in(h.Unit)
		}
		return list
	})
}

// rainOnSnow: enough snow on the ground, and the freezing level above the target.
// Where one of the two is known to be absent the other is not needed.
func (j *judge) rainOnSnow(h *programme.Hold, target, key string) verdict {
	not := math.NaN()
	does := Review
	if h.Action == "hold" {
		does = Held
	}
	var snow []verdict
	for _, station := range h.Gauges {
		name := "snow water equivalent at " + station
		samples, in, bad := j.newest(name, j.readings(station, QuantitySWE, "mm", ""), hours(h.MaximumAgeHours))
		if bad != nil {
			snow = append(snow, *bad)
			continue
		}
		l := limits{unit: "mm", reviewAbove: not, holdAbove: h.SWEAboveMM, reviewBelow: not, holdBelow: not}
		snow = append(snow, l.judgeAll(name, samples, in, "", j.e.At))
	}
	l := limits{unit: "m", reviewAbove: not, holdAbove: h.TargetAltitude, reviewBelow: not, holdBelow: not, hysteresis: h.Hysteresis, above: ", the mean altitude of the target"}
	last := j.last[key]
	if last == does {
		last = Held
	}
	inner := &judge{p: j.p, e: j.e, last: map[string]Outcome{key: last}}
	level := inner.origins(h, key, "freezing level over "+target, l, weatherStep, func(origin string) []sample { return inner.levels(target, origin) })
	ground := worst(snow...)
	both := verdict{inputs: append(ground.inputs, level.inputs...)}
	switch {
	case ground.outcome == Clear:
		both.outcome, both.reason = Clear, ground.reason
	case level.outcome == Clear:
		both.outcome, both.reason = Clear, level.reason
	case ground.outcome == Unknown || level.outcome == Unknown:
		both.outcome = Unknown
		both.reason, both.remedy = ground.reason+"; "+level.reason, "recent, sound inputs"
	default:
		both.outcome, both.reason = does, "rain on snow: "+ground.reason+"; "+level.reason
		both.remedy = level.remedy
	}
	return both
}

// wind judges the stronger of mean and gust, and the direction.
func (j *judge) wind(h *programme.Hold, site, key string) verdict {
	var parts []verdict
	each := func(of func(w *Wind) sample) func(string) []sample {
		return func(origin string) (list []sample) {
			for i := range j.e.Winds {
				if w := &j.e.Winds[i]; w.Site == site && w.From == origin {
					s := of(w)
					s.at, s.issued, s.forecast = w.Time, w.Issued, origin == "forecast"
					list = append(list, s)
				}
			}
			return list
		}
	}
	if l := limitsOf(h); l.any() {
		parts = append(parts, j.origins(h, key, "wind at "+site, l, weatherStep, each(func(w *Wind) sample {
			speed := greatest(w.SpeedMPerS, w.GustMPerS)
			s := usable(speed, "m/s", w.Suspect)
			if s.trouble == "" && speed < 0 {
				s.trouble, s.why = "suspect", "is suspect: a negative speed"
			}
			return s.in(h.Unit)
		})))
	}
	if !isNaN(h.SectorFromDeg) {
		// The distance outside the sector is what is judged: any is too much.
		not := math.NaN()
		l := limits{unit: "deg", reviewAbove: not, holdAbove: math.SmallestNonzeroFloat64, reviewBelow: not, holdBelow: not}
		parts = append(parts, j.sector(h, key, site, l, each))
	}
	return worst(parts...)
}

func (j *judge) sector(h *programme.Hold, key, site string, l limits, each func(func(w *Wind) sample) func(string) []sample) verdict {
	v := j.origins(h, key, "wind direction at "+site, l, weatherStep, each(func(w *Wind) sample {
		s := usable(outsideDeg(w.FromDeg, h.SectorFromDeg, h.SectorToDeg), "deg", w.Suspect)
		if s.trouble == "" && !(w.FromDeg >= 0 && w.FromDeg <= 360) {
			s.trouble, s.why = "suspect", fmt.Sprintf("is suspect: %g degrees", w.FromDeg)
		}
		s.given = w.FromDeg
		return s
	}))
	sector := fmt.Sprintf("the allowed sector %g to %g degrees", h.SectorFromDeg, h.SectorToDeg)
	switch v.outcome {
	case Held:
		v.reason, v.remedy = fmt.Sprintf("wind direction at %s is outside %s%s", site, sector, directions(v.inputs)), "wind from "+sector
	case Clear:
		v.reason = fmt.Sprintf("wind direction at %s is in %s%s", site, sector, directions(v.inputs))
	}
	return v
}

func directions(inputs []Input) string {
	text := ""
	for _, in := range inputs {
		if in.State == "used" && in.Value != nil {
			text += fmt.Sprintf(", from %.0f degrees", *in.Value)
		}
	}
	return text
}

// outsideDeg is by how many degrees a direction lies outside a sector that goes
// clockwise from one direction to the other; zero inside.
func outsideDeg(direction, from, to float64) float64 {
	wide := math.Mod(to-from+720, 360)
	if wide == 0 && to != from {
		wide = 360
	}
	off := math.Mod(math.Mod(direction-from, 360)+360, 360)
	if off <= wide || math.IsNaN(direction) {
		if math.IsNaN(direction) {
			return math.NaN()
		}
		return 0
	}
	return math.Min(math.Abs(grid.NormalLongitudeDeg(direction-from)), math.Abs(grid.NormalLongitudeDeg(direction-to)))
}
