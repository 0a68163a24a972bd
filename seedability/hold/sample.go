package hold

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/seedability/programme"
)

// sample is one number that is judged, in the unit of its criterion.
type sample struct {
	value      float64
	at, issued time.Time
	forecast   bool
	trouble    string // state of Input where it cannot be judged; empty where it can
	why        string // trouble, for people
	given      float64
	unit       string // of given
}

// usable is a sample, with what is wrong with the number itself.
func usable(value float64, unit string, suspect []string) sample {
	s := sample{value: value, given: value, unit: unit}
	switch {
	case len(suspect) > 0:
		s.trouble, s.why = "suspect", "is suspect: "+strings.Join(suspect, ", ")
	case math.IsNaN(value) || math.IsInf(value, 0):
		s.trouble, s.why = "missing", "has no value"
	}
	return s
}

// in converts a sample.
func (s sample) in(unit string) sample {
	value, ok := programme.Convert(s.value, s.unit, unit)
	if !ok && s.trouble == "" {
		s.trouble, s.why = "unit", fmt.Sprintf("is in %q, which cannot be converted to %s", s.unit, unit)
	}
	s.value = value
	return s
}

func (s sample) input(name string, age, maximum time.Duration) Input {
	in := Input{Name: name, State: "used", Unit: s.unit, Time: s.at.UTC(), AgeMinutes: minutes(age), MaximumMinutes: minutes(maximum)}
	if given := s.given; !math.IsNaN(given) && !math.IsInf(given, 0) {
		in.Value = &given
	}
	if s.trouble != "" {
		in.State = s.trouble
	}
	return in
}

func minutes(d time.Duration) float64 { return math.Round(d.Minutes()*10) / 10 }

func hours(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }

// unknown is the verdict on an input that cannot be judged.
func unknown(in Input, sentence string) verdict {
	return verdict{Unknown, sentence, "a recent, sound " + in.Name, []Input{in}}
}

// timely says what is wrong with the time of an input: missing, future, stale, or
// nothing.
func (j *judge) timely(at time.Time, maximum time.Duration) (state, why string) {
	switch age := j.e.At.Sub(at); {
	case at.IsZero():
		return "missing", "has no time"
	case age < -skew:
		return "future", "lies " + span(-age) + " in the future"
	case age > maximum:
		return "stale", fmt.Sprintf("is %s old, at most %s are allowed", span(age), span(maximum))
	}
	return "", ""
}

// newest gives the newest of the observed samples (several, where they are of one
// moment), or the verdict where they cannot be judged. One of the future spoils
// all: the clock of the source is wrong.
func (j *judge) newest(name string, samples []sample, maximum time.Duration) ([]sample, Input, *verdict) {
	var last []sample
	for _, s := range samples {
		switch {
		case s.forecast:
		case len(last) == 0 || s.at.After(last[0].at):
			last = []sample{s}
		case s.at.Equal(last[0].at):
			last = append(last, s)
		}
	}
	if len(last) == 0 {
		in := Input{Name: name, State: "missing", MaximumMinutes: minutes(maximum)}
		v := unknown(in, name+" is missing")
		return nil, in, &v
	}
	age := j.e.At.Sub(last[0].at)
	in := last[0].input(name, age, maximum)
	if state, why := j.timely(last[0].at, maximum); state != "" {
		in.State = state
		v := unknown(in, name+" "+why)
		return nil, in, &v
	}
	for _, s := range last {
		if s.trouble != "" {
			in = s.input(name, age, maximum)
			v := unknown(in, name+" "+s.why)
			return nil, in, &v
		}
	}
	return last, in, nil
}

// ahead gives the forecast samples from now to the horizon, with those next to
// both ends: of the newest run that reaches it without a gap longer than step,
// and of runs after that one as far as they go. Or the verdict where there is
// none such.
func (j *judge) ahead(name string, samples []sample, horizon, step, maximum time.Duration) ([]sample, Input, *verdict) {
	runs := map[time.Time][]sample{}
	var issues []time.Time
	for _, s := range samples {
		if !s.forecast {
			continue
		}
		issued := s.issued.UTC()
		if runs[issued] == nil {
			issues = append(issues, issued)
		}
		runs[issued] = append(runs[issued], s)
	}
	in := Input{Name: name, State: "missing", MaximumMinutes: minutes(maximum)}
	fail := func(state, why string) ([]sample, Input, *verdict) {
		in.State = state
		v := unknown(in, name+" "+why)
		return nil, in, &v
	}
	if len(issues) == 0 {
		return fail("missing", "is missing")
	}
	slices.SortFunc(issues, func(a, b time.Time) int { return b.Compare(a) })
	var taken []sample
	for k, issued := range issues {
		in.Time, in.AgeMinutes = issued, minutes(j.e.At.Sub(issued))
		state, why := j.timely(issued, maximum)
		if state != "" && k > 0 && state == "stale" {
			break // only runs that do not reach far enough are newer
		}
		if state != "" {
			return fail(state, why)
		}
		run := runs[issued]
		slices.SortFunc(run, func(a, b sample) int { return a.at.Compare(b.at) })
		covered := time.Time{}
		for i, s := range run {
			if s.at.Before(j.e.At.Add(-step)) || s.at.After(j.e.At.Add(horizon)) && i > 0 && !run[i-1].at.Before(j.e.At.Add(horizon)) {
				continue
			}
			if s.trouble != "" {
				in = s.input(name, j.e.At.Sub(issued), maximum)
				return fail(s.trouble, s.why)
			}
			taken = append(taken, s)
			if covered.IsZero() && !s.at.After(j.e.At.Add(step)) || !covered.IsZero() && s.at.Sub(covered) <= step {
				covered = s.at
			}
		}
		if !covered.Before(j.e.At.Add(horizon)) {
			in.State = "used"
			return taken, in, nil
		}
	}
	return fail("incomplete", fmt.Sprintf("does not reach %s ahead without gaps", span(horizon)))
}

// roundOff, relative, of numbers that went through a conversion of units or a ratio.
const roundOff = 1e-9

// limits of a number, in one unit; NaN where there is none.
type limits struct {
	unit                                           string
	reviewAbove, holdAbove, reviewBelow, holdBelow float64
	hysteresis                                     float64
	above                                          string // what the limit is, where the number alone does not say it
}

func limitsOf(h *programme.Hold) limits {
	return limits{unit: h.Unit, reviewAbove: h.ReviewAbove, holdAbove: h.HoldAbove, reviewBelow: h.ReviewBelow, holdBelow: h.HoldBelow, hysteresis: h.Hysteresis}
}

// judge says on which side of the limits a value lies. Where the last known
// outcome was held (or review), it takes the step of hysteresis beyond the limit
// to be less.
func (l limits) judge(value float64, last Outcome) (outcome Outcome, sentence, remedy string) {
	stepHold, stepReview := 0.0, 0.0
	if last == Held {
		stepHold, stepReview = l.hysteresis, l.hysteresis
	} else if last == Review {
		stepReview = l.hysteresis
	}
	reached := func(outcome Outcome, limit, step float64, what string) (Outcome, string, string) {
		sentence := fmt.Sprintf("%s reaches the %slimit of %s", l.text(value), what, l.text(limit))
		if step > 0 && value < limit {
			sentence = fmt.Sprintf("%s is not %s below the %slimit of %s that it had reached", l.text(value), l.text(step), what, l.text(limit))
		}
		return outcome, sentence + l.above, "a value below " + l.text(limit-l.hysteresis)
	}
	fell := func(outcome Outcome, limit, step float64, what string) (Outcome, string, string) {
		sentence := fmt.Sprintf("%s is at or below the %slimit of %s", l.text(value), what, l.text(limit))
		if step > 0 && value > limit {
			sentence = fmt.Sprintf("%s is not %s above the %slimit of %s that it had reached", l.text(value), l.text(step), what, l.text(limit))
		}
		return outcome, sentence + l.above, "a value above " + l.text(limit+l.hysteresis)
	}
	// What is at a limit may lie a little beside it after a conversion of units.
	atLeast := func(limit float64) bool { return value >= limit-roundOff*math.Abs(limit) }
	atMost := func(limit float64) bool { return value <= limit+roundOff*math.Abs(limit) }
	switch {
	case atLeast(l.holdAbove - stepHold):
		return reached(Held, l.holdAbove, stepHold, "")
	case atMost(l.holdBelow + stepHold):
		return fell(Held, l.holdBelow, stepHold, "")
	case atLeast(l.reviewAbove - stepReview):
		return reached(Review, l.reviewAbove, stepReview, "review ")
	case atMost(l.reviewBelow + stepReview):
		return fell(Review, l.reviewBelow, stepReview, "review ")
	}
	var within []string
	for _, limit := range []struct {
		value float64
		side  string
	}{{least(l.reviewAbove, l.holdAbove), "below"}, {greatest(l.reviewBelow, l.holdBelow), "above"}} {
		if !math.IsNaN(limit.value) {
			within = append(within, limit.side+" "+l.text(limit.value))
		}
	}
	return Clear, l.text(value) + " is " + strings.Join(within, " and ") + l.above, ""
}

// any reports whether there is a limit at all.
func (l limits) any() bool {
	return !(math.IsNaN(l.reviewAbove) && math.IsNaN(l.holdAbove) && math.IsNaN(l.reviewBelow) && math.IsNaN(l.holdBelow))
}

func (l limits) text(value float64) string { return plain(value) + " " + l.unit }

// judgeAll judges samples of one input, and names the worst.
func (l limits) judgeAll(name string, samples []sample, in Input, last Outcome, at time.Time) verdict {
	var parts []verdict
	for _, s := range samples {
		outcome, sentence, remedy := l.judge(s.value, last)
		when := fmt.Sprintf("%s ago", span(at.Sub(s.at)))
		if s.forecast {
			when = "forecast for " + clock(s.at)
		}
		of := in
		given := s.given
		of.Value, of.Unit = &given, s.unit
		parts = append(parts, verdict{outcome, fmt.Sprintf("%s %s (%s)", name, sentence, when), remedy, []Input{of}})
	}
	top := parts[0]
	for _, part := range parts[1:] {
		if part.outcome.rank() > top.outcome.rank() {
			top = part
		}
	}
	if top.outcome == Clear { // the nearest to its limit says most
		extreme := 0
		for k, s := range samples {
			if !math.IsNaN(least(l.reviewAbove, l.holdAbove)) && s.value > samples[extreme].value ||
				math.IsNaN(least(l.reviewAbove, l.holdAbove)) && s.value < samples[extreme].value {
				extreme = k
			}
		}
		top = parts[extreme]
	}
	return top
}

// least and greatest leave NaN out.
func least(a, b float64) float64 {
	if math.IsNaN(a) || b < a {
		return b
	}
	return a
}

func greatest(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

// plain prints a number for people: four digits, more for large ones.
func plain(value float64) string {
	if math.Abs(value) >= 1000 {
		return strconv.FormatFloat(value, 'f', 0, 64)
	}
	return strconv.FormatFloat(value, 'g', 4, 64)
}

// span says how long, for people.
func span(d time.Duration) string {
	d = d.Abs()
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 240*time.Hour:
		return strconv.FormatFloat(math.Round(d.Hours()*10)/10, 'f', -1, 64) + " h"
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// origins judges a quantity by the inputs that the programme names, observed or
// forecast. As many as it asks for must be there; what any of them says counts,
// and a known cause to hold counts however many are missing.
func (j *judge) origins(h *programme.Hold, key, what string, l limits, step time.Duration, of func(origin string) []sample) verdict {
	var known, lost []verdict
	for _, origin := range h.Inputs {
		name := what + " by " + origin
		var samples []sample
		var in Input
		var bad *verdict
		if origin == "forecast" {
			samples, in, bad = j.ahead(name, of(origin), hours(h.ForecastHours), step, hours(h.ForecastAgeHours))
		} else {
			samples, in, bad = j.newest(name, of(origin), hours(h.MaximumAgeHours))
		}
		if bad != nil {
			lost = append(lost, *bad)
			continue
		}
		known = append(known, l.judgeAll(name, samples, in, j.last[key], j.e.At))
	}
	return enough(known, lost, int(h.Enough))
}

// enough joins what is known and what could not be judged.
func enough(known, lost []verdict, needed int) verdict {
	if len(known) >= max(needed, 1) {
		joined := worst(known...)
		for _, v := range lost {
			joined.inputs = append(joined.inputs, v.inputs...)
			joined.reason += "; " + v.reason
		}
		return joined
	}
	return worst(append(known, lost...)...)
}
