package hold

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/programme"
)

// Common practice, no source.
const (
	// skew is how far clocks may be apart: what is later than this after the
	// moment of judgement is of the future.
	skew = 5 * time.Minute
	// longestGap: from one judgement to the next, longer is not "without
	// interruption".
	longestGap = 30 * time.Minute
)

// verdict is what the inputs of a criterion say, for one site or target or all.
type verdict struct {
	outcome Outcome
	reason  string
	remedy  string // what would make it clear
	inputs  []Input
}

// subject is what one result of a criterion is about.
type subject struct {
	key            string
	sites, targets []string
	verdict
}

// judge is one judgement under way.
type judge struct {
	p *programme.Programme
	e Evidence
	// last gives the last known condition of a key, for hysteresis.
	last map[string]Outcome
	// active are the warnings that count, by the criterion.
	active map[string][]active
	// targets in their planes.
	targets map[string]*targetShape
}

// Judge judges every criterion of the programme, and the manual holds, at
// e.At. previous is what Judge gave last, nil for nothing. A criterion without
// its inputs is unknown. The results come in the order of the programme file,
// manual holds last.
func Judge(p *programme.Programme, e Evidence, previous []Result) []Result {
	e.At = e.At.UTC()
	before := map[string]*Result{}
	j := &judge{p: p, e: e, last: map[string]Outcome{}}
	for i := range previous {
		before[previous[i].Key] = &previous[i]
		j.last[previous[i].Key] = previous[i].LastKnown
	}
	var results []Result
	for i := range p.Holds {
		h := &p.Holds[i]
		if h.Kind == "manual" {
			continue // says who may lift them; judged below
		}
		for _, s := range j.subjects(h) {
			now := j.result(h, s)
			if old := before[now.Key]; old != nil && old.Kind == now.Kind {
				j.latch(h, old, &now)
			}
			results = append(results, now)
		}
	}
	return append(results, j.manual(before)...)
}

// subjects judges one criterion for each of what it is judged for.
func (j *judge) subjects(h *programme.Hold) []subject {
	all := func(v verdict) []subject { return []subject{{h.ID, h.SiteIDs, h.TargetIDs, v}} }
	bySite := func(judge func(site *programme.Site, key string) verdict) (list []subject) {
		for _, id := range h.SiteIDs {
			key := h.ID + "/" + id
			list = append(list, subject{key, []string{id}, h.TargetIDs, judge(j.p.Site(id), key)})
		}
		return list
	}
	byTarget := func(judge func(target, key string) verdict) (list []subject) {
		for _, id := range h.TargetIDs {
			key := h.ID + "/" + id
			list = append(list, subject{key, h.SiteIDs, []string{id}, judge(id, key)})
		}
		return list
	}
	if j.e.At.IsZero() {
		return all(verdict{outcome: Unknown, reason: "the moment of judgement is not known", remedy: "a clock"})
	}
	switch h.Kind {
	case "precipitation":
		return byTarget(func(target, key string) verdict { return j.precipitation(h, target, key) })
	case "freezing_level":
		return byTarget(func(target, key string) verdict { return j.freezingLevel(h, target, key) })
	case "rain_on_snow":
		return byTarget(func(target, key string) verdict { return j.rainOnSnow(h, target, key) })
	case "wind":
		return bySite(func(site *programme.Site, key string) verdict { return j.wind(h, site.ID, key) })
	case "site_ready":
		return bySite(func(site *programme.Site, key string) verdict { return j.siteReady(h, site.ID, key) })
	case "warning":
		return bySite(func(site *programme.Site, key string) verdict { return j.warnings(h, site) })
	case "agent_limit":
		if h.Per == "site" {
			return bySite(func(site *programme.Site, key string) verdict { return j.agentLimit(h, []string{site.ID}) })
		}
		return all(j.agentLimit(h, h.SiteIDs))
	case "river", "gauge":
		return all(j.gauges(h))
	case "reservoir":
		return all(j.reservoirs(h))
	case "snow":
		return all(j.snow(h))
	case "burn_scar":
		return all(j.burnScar(h))
	case "avalanche":
		return all(j.avalanche(h))
	case "season":
		return all(j.season(h))
	case "hours":
		return all(j.hours(h))
	}
	return all(verdict{outcome: Unknown, reason: "no rule for criteria of the kind " + h.Kind, remedy: "a version of the program that knows it"})
}

// result is a judgement without memory.
func (j *judge) result(h *programme.Hold, s subject) Result {
	r := Result{
		Key: s.key, Criterion: h.ID, Name: h.Name, Kind: h.Kind, Outcome: s.outcome, Condition: s.outcome,
		Sites: append([]string{}, s.sites...), Targets: append([]string{}, s.targets...), Since: j.e.At, At: j.e.At, Reason: s.reason, Source: sourceOf(h),
		ReviewOnly: reviewOnly(h), Readiness: h.Kind == "site_ready", Inputs: s.inputs, LastKnown: s.outcome,
	}
	if r.Inputs == nil {
		r.Inputs = []Input{}
	}
	if s.outcome == Unknown {
		r.LastKnown = ""
	}
	if s.outcome != Clear {
		r.WhoMayLift, r.WhatWouldLift = whoMayLift(h), s.remedy+afterwards(h, s.outcome)
	}
	return r
}

func sourceOf(h *programme.Hold) string {
	if h.PresetSource == "" {
		return h.Source
	}
	if h.Source == "" {
		return h.PresetSource
	}
	return h.Source + "; " + h.PresetSource
}

func whoMayLift(h *programme.Hold) string {
	who := strings.Join(h.MayLift, ", ")
	if h.Lift == "automatic" {
		who += " (lifts by itself)"
	}
	return who
}

// afterwards says what must follow when the cause is gone.
func afterwards(h *programme.Hold, outcome Outcome) string {
	switch {
	case h.Lift == "automatic" || outcome != Held:
		if h.ClearMinutes == 0 {
			return ""
		}
		return fmt.Sprintf(", for %g min without interruption", h.ClearMinutes)
	}
	return "; then a person lifts it"
}

// latch lets now be no less than what was before until that may be lifted:
//
//   - up, and between unknown and what it counts as, at once;
//   - held goes down when a person who may has lifted it after the cause was
//     gone, or, where the programme allows it, after ClearMinutes;
//   - review and unknown go down after ClearMinutes: nobody found a cause that a
//     person would have to think about.
func (j *judge) latch(h *programme.Hold, old *Result, now *Result) {
	at := j.e.At
	if now.Condition == Unknown {
		now.LastKnown = old.LastKnown
	}
	if now.Condition.rank() >= old.Outcome.rank() {
		if now.Outcome == old.Outcome && !old.Since.After(at) {
			now.Since = old.Since
		}
		return
	}
	now.EasedSince = at
	step := at.Sub(old.At)
	if !old.EasedSince.IsZero() && step >= 0 && step <= longestGap {
		now.EasedSince = old.EasedSince
	}
	wait := time.Duration(h.ClearMinutes * float64(time.Minute))
	byPerson := old.Outcome == Held && h.Lift != "automatic"
	if now.Condition == Unknown { // under a hold: the cause is not known to be gone
		now.EasedSince = time.Time{}
	} else if lift := j.lift(h, now, now.EasedSince); lift != nil {
		now.LiftedBy = lift.By
		now.EasedSince = time.Time{}
		return
	} else if !byPerson && at.Sub(now.EasedSince) >= wait {
		now.EasedSince = time.Time{}
		return
	}
	present := now.Reason
	now.Outcome = old.Outcome
	if now.Since = old.Since; now.Since.After(at) {
		now.Since = at
	}
	now.WhoMayLift = whoMayLift(h)
	switch {
	case now.Condition == Unknown:
		now.Reason = "held since " + clock(now.Since) + ", and cannot be judged now: " + present
	case byPerson:
		now.Reason = fmt.Sprintf("held since %s and not lifted; the cause is gone since %s: %s", clock(now.Since), clock(now.EasedSince), present)
		now.WhatWouldLift = "rimeline hold lift by " + strings.Join(h.MayLift, " or ")
	default:
		now.LiftsAt = now.EasedSince.Add(wait)
		now.Reason = fmt.Sprintf("%s since %s; the cause is gone since %s: %s", now.Outcome, clock(now.Since), clock(now.EasedSince), present)
		now.WhatWouldLift = "the cause stays away until " + clock(now.LiftsAt)
	}
}

// lift finds a person's lift of a result that counts: made after the cause was
// gone, by one who may.
func (j *judge) lift(h *programme.Hold, r *Result, since time.Time) *Lift {
	for i := range j.e.Lifts {
		l := &j.e.Lifts[i]
		may := slices.ContainsFunc(h.MayLift, func(who string) bool { return sameName(who, l.By) || sameName(who, l.Role) })
		if (l.Criterion == r.Criterion || l.Criterion == r.Key) && may && !l.At.Before(since) && !l.At.After(j.e.At.Add(skew)) {
			return l
		}
	}
	return nil
}

func sameName(a, b string) bool {
	a, b = strings.TrimSpace(a), strings.TrimSpace(b)
	return a != "" && strings.EqualFold(a, b)
}

func clock(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// worst joins verdicts on parts of one criterion: the worst outcome, with the
// reasons of all parts that have it.
func worst(parts ...verdict) verdict {
	joined := verdict{outcome: Clear}
	for _, part := range parts {
		joined.inputs = append(joined.inputs, part.inputs...)
		if part.outcome.rank() > joined.outcome.rank() {
			joined.outcome = part.outcome
		}
	}
	var reasons, remedies []string
	for _, part := range parts {
		if part.outcome == joined.outcome {
			reasons = append(reasons, part.reason)
			if part.remedy != "" && !slices.Contains(remedies, part.remedy) {
				remedies = append(remedies, part.remedy)
			}
		}
	}
	if len(parts) == 0 {
		return verdict{outcome: Unknown, reason: "nothing was judged", remedy: "inputs"}
	}
	const most = 3
	if n := len(reasons); n > most {
		reasons = append(reasons[:most:most], fmt.Sprintf("and %d more", n-most))
	}
	joined.reason, joined.remedy = strings.Join(reasons, "; "), strings.Join(remedies, ", ")
	return joined
}

// reviewOnly: the criterion has no limit that suspends.
func reviewOnly(h *programme.Hold) bool {
	switch h.Kind {
	case "precipitation", "river", "gauge", "reservoir", "freezing_level", "avalanche", "burn_scar":
		return isNaN(h.HoldAbove) && isNaN(h.HoldBelow) && isNaN(h.HoldRisePerHour) && h.HoldCategory == "" && isNaN(h.HoldPercent) && isNaN(h.HoldLevel) && isNaN(h.RainYears)
	case "wind":
		return isNaN(h.HoldAbove) && isNaN(h.SectorFromDeg)
	case "rain_on_snow":
		return h.Action != "hold"
	case "warning":
		for _, does := range h.Events {
			if does == programme.EventHolds {
				return false
			}
		}
		return true
	}
	return false
}

func isNaN(x float64) bool { return x != x }
