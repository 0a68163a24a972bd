package hold

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"rimeline/seedability/programme"
)

// Of the foresight of batteries; common practice, no source.
const (
	// fitHours of reports go into the fit, at least fitLeast of them over fitShortest.
	fitHours    = 12 * time.Hour
	fitShortest = time.Hour
	fitLeast    = 4
	// fitQuantile: the voltage is below the foreseen lower bound one time in ten.
	fitQuantile = .9
	// farthest is how far a straight line is drawn out.
	farthest = 72 * time.Hour
)

// siteReady judges what a site says of itself.
func (j *judge) siteReady(h *programme.Hold, site, key string) verdict {
	name := "report of " + site
	maximum := hours(h.MaximumAgeHours)
	var reports []*SiteReport
	var times []sample
	for i := range j.e.SiteReports {
		if r := &j.e.SiteReports[i]; r.Site == site {
			s := usable(0, "", r.Suspect)
			s.at = r.Time
			reports, times = append(reports, r), append(times, s)
		}
	}
	newest, in, bad := j.newest(name, times, maximum)
	in.Value = nil
	if bad != nil {
		return *bad
	}
	slices.SortFunc(reports, func(a, b *SiteReport) int { return a.Time.Compare(b.Time) })
	var parts []verdict
	for k := range newest {
		parts = append(parts, j.reportOf(h, reports[len(reports)-1-k], in))
	}
	if !isNaN(h.BatteryHoldBelowV) || !isNaN(h.BatteryReviewBelowV) {
		parts = append(parts, j.battery(h, site, key, reports))
	}
	return worst(parts...)
}

// reportOf judges contact, units and faults.
func (j *judge) reportOf(h *programme.Hold, r *SiteReport, in Input) verdict {
	used := []Input{in}
	contact := r.LastContact
	if contact.IsZero() {
		contact = r.Time
	}
	parts := []verdict{}
	silent := j.e.At.Sub(contact)
	limit := time.Duration(h.ContactMinutes * float64(time.Minute))
	switch {
	case silent < -skew:
		parts = append(parts, verdict{Unknown, fmt.Sprintf("last contact with %s lies %s in the future", r.Site, span(silent)), "a clock that is right", used})
	case silent > limit:
		parts = append(parts, verdict{Held, fmt.Sprintf("no contact with %s for %s, at most %s are allowed", r.Site, span(silent), span(limit)), "contact", used})
	default:
		parts = append(parts, verdict{Clear, fmt.Sprintf("contact with %s %s ago", r.Site, span(silent)), "", used})
	}
	if h.UnitsMinimum > 0 {
		switch units := r.UnitsLeft; {
		case units == nil || !(*units >= 0):
			parts = append(parts, verdict{Unknown, "units left at " + r.Site + " are not reported", "a report of the units left", nil})
		case *units < h.UnitsMinimum:
			parts = append(parts, verdict{Held, fmt.Sprintf("%s units left at %s, at least %s are needed", plain(*units), r.Site, plain(h.UnitsMinimum)), "new units", nil})
		default:
			parts = append(parts, verdict{Clear, fmt.Sprintf("%s units left at %s", plain(*units), r.Site), "", nil})
		}
	}
	var faults []string
	for _, fault := range r.Faults {
		if !slices.ContainsFunc(h.IgnoreFaults, func(ignored string) bool { return strings.EqualFold(ignored, fault) }) {
			faults = append(faults, fault)
		}
	}
	if len(faults) > 0 {
		parts = append(parts, verdict{Held, fmt.Sprintf("fault at %s: %s", r.Site, strings.Join(faults, ", ")), "the fault is put right", nil})
	}
	return worst(parts...)
}

// battery judges the voltage now, and the one foreseen for the end of the storm.
func (j *judge) battery(h *programme.Hold, site, key string, reports []*SiteReport) verdict {
	not := math.NaN()
	l := limits{unit: "V", reviewAbove: not, holdAbove: not, reviewBelow: h.BatteryReviewBelowV, holdBelow: h.BatteryHoldBelowV, hysteresis: h.Hysteresis}
	name := "battery of " + site
	var list []sample
	for _, r := range reports {
		if r.BatteryV == nil {
			continue
		}
		s := usable(*r.BatteryV, "V", r.Suspect)
		s.at = r.Time
		list = append(list, s)
	}
	newest, in, bad := j.newest(name, list, hours(h.MaximumAgeHours))
	if bad != nil {
		return *bad
	}
	now := l.judgeAll(name, newest, in, j.last[key], j.e.At)
	if h.BatteryHoursAhead == 0 {
		return now
	}
	until := j.e.At.Add(hours(h.BatteryHoursAhead))
	for _, end := range j.e.StormEnds {
		if end.Site == site && !end.Time.IsZero() {
			until = end.Time
		}
	}
	if until.Before(j.e.At) {
		until = j.e.At
	}
	if limit := j.e.At.Add(farthest); until.After(limit) {
		until = limit
	}
	var times, volts []float64
	last := newest[0].at
	for _, s := range list {
		if s.trouble == "" && last.Sub(s.at) <= fitHours {
			times, volts = append(times, s.at.Sub(last).Hours()), append(volts, s.value)
		}
	}
	foreseen, ok := Discharge(times, volts, until.Sub(last).Hours())
	in.Name = "forecast of " + name
	if !ok {
		in.State = "incomplete"
		return worst(now, unknown(in, fmt.Sprintf("%s cannot be foreseen: fewer than %d reports over %s", name, fitLeast, span(fitShortest))))
	}
	later := l.judgeAll("lower bound of the "+in.Name, []sample{{value: foreseen.LowerV, given: foreseen.LowerV, unit: "V", at: until, forecast: true}}, in, j.last[key], j.e.At)
	later.reason += fmt.Sprintf(", foreseen %.2f V, %+.3f V an hour, 90 %% above %.2f V", foreseen.V, foreseen.SlopeVPerH, foreseen.LowerV)
	return worst(now, later)
}

// Foreseen is a voltage drawn out by a straight line.
type Foreseen struct {
	// V is the line's value, LowerV the bound above which it lies nine times in ten.
	V, LowerV float64
	// SlopeVPerH is never positive: charging is not drawn out, it ends with the light.
	SlopeVPerH float64
}

// Discharge fits a straight line to voltages by least squares, and draws it out to
// a time; times are in hours. The lower bound is the one-sided prediction limit of
// the linear model for a new observation, V - t s sqrt(1 + 1/n + (x - mean)^2/Sxx)
// with Student's t of n-2 degrees of freedom (Draper and Smith, Applied Regression
// Analysis, 3rd ed., 1998, section 3.1, value from memory). It supposes that the
// voltage falls on a straight line and that errors are independent; near its end
// a lead battery falls faster. False for fewer than four voltages, or less than
// an hour of them.
func Discharge(timesH, volts []float64, atH float64) (Foreseen, bool) {
	n := float64(len(volts))
	if len(volts) < fitLeast || len(timesH) != len(volts) {
		return Foreseen{}, false
	}
	var meanT, meanV float64
	first, last := timesH[0], timesH[0]
	for k := range volts {
		meanT, meanV = meanT+timesH[k]/n, meanV+volts[k]/n
		first, last = math.Min(first, timesH[k]), math.Max(last, timesH[k])
	}
	if !(last-first >= fitShortest.Hours()) {
		return Foreseen{}, false
	}
	var sxx, sxy float64
	for k := range volts {
		sxx += (timesH[k] - meanT) * (timesH[k] - meanT)
		sxy += (timesH[k] - meanT) * (volts[k] - meanV)
	}
	slope := sxy / sxx
	squares := 0.0
	for k := range volts {
		rest := volts[k] - meanV - slope*(timesH[k]-meanT)
		squares += rest * rest
	}
	s := math.Sqrt(squares / (n - 2))
	error := s * math.Sqrt(1+1/n+(atH-meanT)*(atH-meanT)/sxx)
	f := Foreseen{V: meanV + slope*(atH-meanT), SlopeVPerH: slope}
	if slope > 0 {
		f.SlopeVPerH = 0
		f.V = meanV + slope*(last-meanT)
		newest := volts[0]
		for k := range volts {
			if timesH[k] == last {
				newest = volts[k]
			}
		}
		f.V = math.Min(f.V, newest)
	}
	f.LowerV = f.V - distuv.StudentsT{Sigma: 1, Nu: n - 2}.Quantile(fitQuantile)*error
	return f, !math.IsNaN(f.LowerV)
}

// agentLimit judges what has been released and would be with one release more: a
// flare, or an hour of a generator.
func (j *judge) agentLimit(h *programme.Hold, sites []string) verdict {
	today := j.e.At.In(j.zone()).Format(time.DateOnly)
	var day, season, next float64
	var inputs []Input
	for _, id := range sites {
		name := "agent released at " + id
		var newest *Released
		for i := range j.e.Released {
			if r := &j.e.Released[i]; r.Site == id && (newest == nil || r.AsOf.After(newest.AsOf)) {
				newest = r
			}
		}
		in := Input{Name: name, State: "missing", Unit: "g", MaximumMinutes: h.MaximumAgeHours * 60}
		if newest == nil {
			return unknown(in, name+" is missing")
		}
		in.Time, in.AgeMinutes = newest.AsOf.UTC(), minutes(j.e.At.Sub(newest.AsOf))
		if state, why := j.timely(newest.AsOf, hours(h.MaximumAgeHours)); state != "" {
			in.State = state
			return unknown(in, "the record of "+name+" "+why)
		}
		switch {
		case !isNaN(h.DailyG) && newest.Day != today:
			in.State = "stale"
			return unknown(in, fmt.Sprintf("the record of %s is of %q, not of today, %s", name, newest.Day, today))
		case !isNaN(h.DailyG) && !(newest.DayG >= 0) || !isNaN(h.SeasonG) && !(newest.SeasonG >= 0):
			return unknown(in, name+" has no amount")
		}
		in.State = "used"
		inputs = append(inputs, in)
		day, season = day+newest.DayG, season+newest.SeasonG
		if site := j.p.Site(id); site != nil {
			if amount := site.Agent.AmountG; site.Agent.Kind == "flare" {
				next = math.Max(next, amount)
			} else {
				next = math.Max(next, site.Agent.RateGPerH)
			}
		}
	}
	where := strings.Join(sites, ", ")
	judge := func(what string, sum, limit float64, remedy string) verdict {
		text := fmt.Sprintf("%s g released at %s %s, %s g with the next release, limit %s g", plain(sum), where, what, plain(sum+next), plain(limit))
		switch {
		case sum+next > limit:
			return verdict{Held, text, remedy, inputs}
		case sum+next >= limit*h.ReviewPercent/100:
			return verdict{Review, text + fmt.Sprintf(", to be looked at from %g %% on", h.ReviewPercent), remedy, inputs}
		}
		return verdict{Clear, text, "", inputs}
	}
	var parts []verdict
	if !isNaN(h.DailyG) {
		parts = append(parts, judge("today", day, h.DailyG, "the next local day"))
	}
	if !isNaN(h.SeasonG) {
		parts = append(parts, judge("this season", season, h.SeasonG, "the next season, "+h.FromDate))
	}
	return worst(parts...)
}
