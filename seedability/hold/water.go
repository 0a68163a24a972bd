package hold

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/programme"
)

// waterStep is the longest gap between the times of a forecast of rivers and
// reservoirs; common practice, no source.
const waterStep = 6 * time.Hour

// readings of one quantity of one gauge, in the unit, observed and forecast.
func (j *judge) readings(gauge, quantity, unit, datum string) (list []sample) {
	for i := range j.e.Readings {
		r := &j.e.Readings[i]
		if r.Gauge != gauge || r.Quantity != quantity {
			continue
		}
		s := usable(r.Value, r.Unit, r.Suspect)
		s.at, s.issued, s.forecast = r.Time, r.Issued, r.Forecast
		if s.trouble == "" && datum != "" && !strings.EqualFold(datum, r.Datum) {
			s.trouble, s.why = "datum", fmt.Sprintf("refers to the datum %q, limits to %s", r.Datum, datum)
		}
		list = append(list, s.in(unit))
	}
	return list
}

// observedAndForecast judges one series: its newest observation and, where the
// programme asks for it, its forecast. Both are then needed.
func (j *judge) observedAndForecast(h *programme.Hold, key, name string, samples []sample, l limits) verdict {
	observed, in, bad := j.newest(name, samples, hours(h.MaximumAgeHours))
	now := verdict{}
	if bad != nil {
		now = *bad
	} else {
		now = l.judgeAll(name, observed, in, j.last[key], j.e.At)
	}
	if isNaN(h.ForecastHours) {
		return now
	}
	name = "forecast of " + name
	coming, in, bad := j.ahead(name, samples, hours(h.ForecastHours), waterStep, hours(h.ForecastAgeHours))
	if bad != nil {
		return worst(now, *bad)
	}
	return worst(now, l.judgeAll(name, coming, in, j.last[key], j.e.At))
}

// gauges judges rivers and other gauges: numbers, rate of rise, flood categories.
func (j *judge) gauges(h *programme.Hold) verdict {
	var parts []verdict
	for _, gauge := range h.Gauges {
		name := h.Quantity + " of " + gauge
		l := limitsOf(h)
		var samples []sample
		if h.Quantity != "" {
			samples = j.readings(gauge, h.Quantity, h.Unit, h.Datum)
		}
		if l.any() {
			parts = append(parts, j.observedAndForecast(h, h.ID, name, samples, l))
		}
		if !isNaN(h.ReviewRisePerHour) || !isNaN(h.HoldRisePerHour) {
			parts = append(parts, j.rise(h, name, samples))
		}
		if h.ReviewCategory != "" || h.HoldCategory != "" {
			parts = append(parts, j.categories(h, gauge))
		}
	}
	return worst(parts...)
}

// rise judges how fast a gauge has risen over RiseHours: from the reading nearest
// to the beginning of that time to the newest, and from the lowest since then,
// whichever is faster over at least a third of it.
func (j *judge) rise(h *programme.Hold, name string, samples []sample) verdict {
	newest, in, bad := j.newest(name, samples, hours(h.MaximumAgeHours))
	name = "rise of " + name
	in.Name = name
	if bad != nil {
		return *bad
	}
	not := math.NaN()
	l := limits{unit: h.Unit + " per hour", reviewAbove: h.ReviewRisePerHour, holdAbove: h.HoldRisePerHour, reviewBelow: not, holdBelow: not}
	last := newest[0]
	for _, s := range newest {
		last.value = math.Max(last.value, s.value)
	}
	fastest, reaches := math.Inf(-1), false
	window := hours(h.RiseHours)
	for _, s := range samples {
		apart := last.at.Sub(s.at)
		// A third more, so that a reading just before the time still counts.
		if s.forecast || apart < window/3 || apart > window*4/3 {
			continue
		}
		if s.trouble != "" {
			in.State = s.trouble
			return unknown(in, name+" cannot be taken: an earlier reading "+s.why)
		}
		fastest = math.Max(fastest, (last.value-s.value)/apart.Hours())
		reaches = reaches || apart >= window*2/3
	}
	if !reaches {
		in.State = "incomplete"
		return unknown(in, fmt.Sprintf("%s cannot be taken: no readings over the last %g h", name, h.RiseHours))
	}
	return l.judgeAll(name, []sample{{value: fastest, given: fastest, unit: l.unit, at: last.at}}, in, "", j.e.At)
}

// categoryRank orders flood categories.
var categoryRank = map[string]int{"none": 0, "no_flooding": 0, "action": 1, "minor": 2, "moderate": 3, "major": 4}

func (j *judge) categories(h *programme.Hold, gauge string) verdict {
	var list []sample
	names := map[float64]string{}
	for i := range j.e.Categories {
		c := &j.e.Categories[i]
		if c.Gauge != gauge {
			continue
		}
		rank, known := categoryRank[strings.ToLower(c.Name)]
		s := usable(float64(rank), "", c.Suspect)
		if !known && s.trouble == "" {
			s.trouble, s.why = "missing", fmt.Sprintf("is %q, which is no category", c.Name)
		}
		if known {
			names[s.value] = c.Name
		}
		s.at, s.issued, s.forecast = c.Time, c.Issued, c.Forecast
		list = append(list, s)
	}
	level := func(name string) float64 {
		if rank, ok := categoryRank[name]; ok {
			return float64(rank)
		}
		return math.NaN()
	}
	say := func(name string, s sample) verdict {
		in := s.input(name, j.e.At.Sub(s.at), hours(h.MaximumAgeHours))
		in.Value = nil
		in.Unit = names[s.value]
		when := span(j.e.At.Sub(s.at)) + " ago"
		if s.forecast {
			when = "forecast for " + clock(s.at)
			in.Time, in.AgeMinutes, in.MaximumMinutes = s.issued.UTC(), minutes(j.e.At.Sub(s.issued)), minutes(hours(h.ForecastAgeHours))
		}
		sentence := fmt.Sprintf("%s is %s (%s)", name, names[s.value], when)
		switch {
		case s.value >= level(h.HoldCategory):
			return verdict{Held, sentence + ", which suspends from " + h.HoldCategory + " on", "a category below " + h.HoldCategory, []Input{in}}
		case s.value >= level(h.ReviewCategory):
			return verdict{Review, sentence + ", to be looked at from " + h.ReviewCategory + " on", "a category below " + h.ReviewCategory, []Input{in}}
		}
		limit := h.ReviewCategory
		if limit == "" {
			limit = h.HoldCategory
		}
		return verdict{Clear, sentence + ", below " + limit, "", []Input{in}}
	}
	name := "flood category of " + gauge
	var parts []verdict
	observed, _, bad := j.newest(name, list, hours(h.MaximumAgeHours))
	if bad != nil {
		parts = append(parts, *bad)
	}
	for _, s := range observed {
		parts = append(parts, say(name, s))
	}
	if !isNaN(h.ForecastHours) {
		parts = append(parts, j.categoryAhead(h, "forecast of "+name, list, say))
	}
	return worst(parts...)
}

// categoryAhead judges forecast categories. A service may give one category for a
// whole forecast, with the time of its crest. The river may reach the lower
// categories long before that, so it counts whenever the crest comes.
func (j *judge) categoryAhead(h *programme.Hold, name string, list []sample, say func(string, sample) verdict) verdict {
	maximum := hours(h.ForecastAgeHours)
	var run []sample
	for _, s := range list {
		switch {
		case !s.forecast:
		case len(run) == 0 || s.issued.After(run[0].issued):
			run = []sample{s}
		case s.issued.Equal(run[0].issued):
			run = append(run, s)
		}
	}
	if len(run) == 1 {
		s := run[0]
		in := s.input(name, j.e.At.Sub(s.issued), maximum)
		in.Value, in.Time = nil, s.issued.UTC()
		if state, why := j.timely(s.issued, maximum); state != "" {
			in.State = state
			return unknown(in, name+" "+why)
		}
		if s.trouble != "" {
			return unknown(in, name+" "+s.why)
		}
		return say(name, s)
	}
	coming, _, bad := j.ahead(name, list, hours(h.ForecastHours), waterStep, maximum)
	if bad != nil {
		return *bad
	}
	top := say(name, coming[0])
	for _, s := range coming[1:] {
		if v := say(name, s); v.outcome.rank() > top.outcome.rank() {
			top = v
		}
	}
	return top
}

// reservoirs judges storage or elevation against a number, the capacity or the
// rule curve.
func (j *judge) reservoirs(h *programme.Hold) verdict {
	var parts []verdict
	for _, gauge := range h.Gauges {
		name := h.Quantity + " of " + gauge
		samples := j.readings(gauge, h.Quantity, h.Unit, h.Datum)
		l := limitsOf(h)
		if isNaN(h.HoldPercent) && isNaN(h.ReviewPercent) {
			parts = append(parts, j.observedAndForecast(h, h.ID, name, samples, l))
			continue
		}
		what := "capacity"
		if h.RuleCurve != nil {
			what = "the rule curve"
		}
		not := math.NaN()
		l = limits{unit: "% of " + what, reviewAbove: h.ReviewPercent, holdAbove: h.HoldPercent, reviewBelow: not, holdBelow: not, hysteresis: h.Hysteresis}
		for k := range samples {
			full := h.Capacity
			if h.RuleCurve != nil {
				full = onDay(h.RuleCurve, samples[k].at.In(j.zone()), "curve")
			}
			samples[k].value = 100 * samples[k].value / full
			if !(full > 0) && samples[k].trouble == "" {
				samples[k].trouble, samples[k].why = "incomplete", "has a rule curve of zero on its day"
			}
		}
		parts = append(parts, j.observedAndForecast(h, h.ID, name, samples, l))
	}
	return worst(parts...)
}

func (j *judge) zone() *time.Location {
	if j.p.Location != nil {
		return j.p.Location
	}
	return time.UTC
}

// snow judges snow water equivalent as percent of normal against the ramp of the
// day. Every station counts; one above the ramp suspends.
func (j *judge) snow(h *programme.Hold) verdict {
	local := j.e.At.In(j.zone())
	limit := onDay(h.Ramp, local, h.RampBetween)
	not := math.NaN()
	of := "the normal of the day"
	if h.RampOf == "april-1" {
		of = "the normal of 1 April"
	}
	l := limits{unit: "%", reviewAbove: limit - h.ReviewPoints, holdAbove: limit, reviewBelow: not, holdBelow: not, hysteresis: h.Hysteresis,
		above: fmt.Sprintf(" of %s; the ramp is at %s %% on %s", of, plain(limit), local.Format("2 January"))}
	var parts []verdict
	for _, station := range h.Gauges {
		name := "snow water equivalent at " + station
		samples, in, bad := j.newest(name, j.snowPercent(h, station), hours(h.MaximumAgeHours))
		if bad != nil {
			parts = append(parts, *bad)
			continue
		}
		parts = append(parts, l.judgeAll(name, samples, in, j.last[h.ID], j.e.At))
	}
	return worst(parts...)
}

// snowPercent are the station's percentages, as the service gives them or as the
// quotient of the equivalent and its normal of the same day; of 1 April, of any
// day. Where a service gives both, both count.
func (j *judge) snowPercent(h *programme.Hold, station string) []sample {
	percent, normal := QuantitySWEPercent, QuantityNormalSWE
	if h.RampOf == "april-1" {
		percent, normal = QuantityApril1Percent, QuantityApril1SWE
	}
	list := j.readings(station, percent, "%", "")
	normals := j.readings(station, normal, "mm", "")
	for _, s := range j.readings(station, QuantitySWE, "mm", "") {
		var n *sample
		for k := range normals {
			day := normals[k].at.In(j.zone()).Format(time.DateOnly) == s.at.In(j.zone()).Format(time.DateOnly)
			if h.RampOf == "april-1" || day {
				n = &normals[k]
			}
		}
		switch {
		case s.trouble != "":
		case n == nil:
			if slices.ContainsFunc(list, func(p sample) bool { return !p.at.Before(s.at) }) {
				continue // the service's own percentage is as new
			}
			s.trouble, s.why = "incomplete", "has no normal to be compared with"
		case n.trouble != "":
			s.trouble, s.why = n.trouble, "has a normal that "+n.why
		case !(n.value > 0):
			s.trouble, s.why = "incomplete", "has a normal of zero"
		default:
			s.value = 100 * s.value / n.value
			s.given, s.unit = s.value, "%"
		}
		list = append(list, s)
	}
	for k := range list {
		if list[k].trouble == "" && list[k].value < 0 {
			list[k].trouble, list[k].why = "suspect", "is suspect: negative"
		}
	}
	return list
}

// avalanche judges the danger of every zone.
func (j *judge) avalanche(h *programme.Hold) verdict {
	words := []string{"no rating", "low", "moderate", "considerable", "high", "extreme"}
	var parts []verdict
	for _, zone := range h.Zones {
		name := "avalanche danger in " + zone
		var list []sample
		for i := range j.e.Dangers {
			d := &j.e.Dangers[i]
			if d.Zone != zone {
				continue
			}
			s := usable(float64(d.Level), "", nil)
			s.at = d.Issued
			switch {
			case d.Level < 1 || d.Level > 5:
				s.trouble, s.why = "missing", "has no rating"
			case !d.Expires.IsZero() && !d.Expires.After(j.e.At):
				s.trouble, s.why = "stale", "expired at "+clock(d.Expires)
			}
			list = append(list, s)
		}
		samples, in, bad := j.newest(name, list, hours(h.MaximumAgeHours))
		if bad != nil {
			parts = append(parts, *bad)
			continue
		}
		for _, s := range samples {
			level := int(s.value)
			sentence := fmt.Sprintf("%s is %d (%s), issued %s ago", name, level, words[level], span(j.e.At.Sub(s.at)))
			switch {
			case s.value >= h.HoldLevel:
				parts = append(parts, verdict{Held, fmt.Sprintf("%s, which suspends from %g on", sentence, h.HoldLevel), "a lower danger", []Input{in}})
			case s.value >= h.ReviewLevel:
				parts = append(parts, verdict{Review, fmt.Sprintf("%s, to be looked at from %g on", sentence, h.ReviewLevel), "a lower danger", []Input{in}})
			default:
				parts = append(parts, verdict{Clear, fmt.Sprintf("%s, below %g", sentence, least(h.ReviewLevel, h.HoldLevel)), "", []Input{in}})
			}
		}
	}
	return worst(parts...)
}
