package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Board is all that pages are made from.
type Board struct {
	// Now is the time of the program's clock.
	Now time.Time
	// Exercise: a rehearsal, nothing of it is real.
	Exercise   bool
	Programmes []*Programme
}

// Programme is what was read of one programme. Messages are nil where there are
// none, or where they could not be read; then Problems says so.
type Programme struct {
	File *programme.Programme
	// Sites in the order of the file.
	Sites      []*Site
	Holds      *message.Holds
	Conditions *message.Conditions
	// Alerts, the newest first.
	Alerts []Alert
	// AlertsRead: the record of alerts could be read.
	AlertsRead bool
	// Problems say what could not be read, one sentence each.
	Problems []string
	// SilentFor is how long a site may go without an assessment before it counts as
	// blind; SilentFor if zero.
	SilentFor time.Duration
}

// Site is what was read of one site.
type Site struct {
	ID       string
	Score    *seedability.Assessment
	Outlook  *seedability.Outlook
	Advice   *alert.Advice
	AdviceAt time.Time
	// Problem says that its newest messages could not be read; empty where they could.
	Problem string
}

// Alert is one alert with what became of it.
type Alert struct {
	Alert      alert.Alert
	Acks       []message.Ack
	Deliveries []alert.Delivery // the last of each route
}

// Of ages; common practice, no source. What is dated farther ahead than clocks
// differ comes from a clock that is wrong.
const (
	// SilentFor is the default of silent_minutes of a programme's alerts.
	SilentFor = 45 * time.Minute
	// judgementStands is how long a judgement of criteria stands (package hold has
	// the same in Apply; a test holds both equal).
	judgementStands = 30 * time.Minute
	clocksDiffer    = 5 * time.Minute
)

// site finds what was read of a site.
func (p *Programme) site(id string) *Site {
	for _, s := range p.Sites {
		if s.ID == id {
			return s
		}
	}
	return nil
}

// resultsAt are the outcomes of the criteria as they count now: what was judged
// too long ago and does not hold cannot be judged any more, and a criterion of the
// file without an outcome is unknown. Manual holds without a record are no entry.
func (p *Programme) resultsAt(now time.Time) []hold.Result {
	var results []hold.Result
	known := map[string]bool{}
	if p.Holds != nil {
		for _, r := range p.Holds.Results[:min(len(p.Holds.Results), longTable)] {
			known[r.Criterion] = true
			age := now.Sub(r.At)
			switch {
			case r.Outcome.Holds():
			case age > judgementStands:
				r.Reason = fmt.Sprintf("judged %s ago, and not since: %s", span(age), r.Reason)
				r.Outcome, r.WhatWouldLift = hold.Unknown, "a new judgement"
			case age < -clocksDiffer:
				r.Reason = fmt.Sprintf("judged %s ahead of this clock: %s", span(age), r.Reason)
				r.Outcome, r.WhatWouldLift = hold.Unknown, "a clock that is right"
			}
			results = append(results, r)
		}
	}
	for i := range p.File.Holds {
		h := &p.File.Holds[i]
		if known[h.ID] || h.Kind == hold.KindManual {
			continue
		}
		results = append(results, hold.Result{Key: h.ID, Criterion: h.ID, Name: h.Name, Kind: h.Kind, Outcome: hold.Unknown, Condition: hold.Unknown,
			Sites: h.SiteIDs, Targets: h.TargetIDs, Reason: "no judgement of this criterion has come", WhoMayLift: strings.Join(h.MayLift, ", "),
			WhatWouldLift: "a judgement", Source: h.Source})
	}
	return results
}

// outcomeRank orders outcomes, the worst first. A word that is none of the four is
// as bad as unknown.
func outcomeRank(o hold.Outcome) int {
	switch o {
	case hold.Held:
		return 0
	case hold.Review:
		return 2
	case hold.Clear:
		return 3
	}
	return 1
}

// worstFirst keeps the order of the file among equals.
func worstFirst(results []hold.Result) []hold.Result {
	sorted := slices.Clone(results)
	slices.SortStableFunc(sorted, func(a, b hold.Result) int { return cmp.Compare(outcomeRank(a.Outcome), outcomeRank(b.Outcome)) })
	return sorted
}

// verdict is what people are told of a site.
type verdict struct {
	State  seedability.State
	Reason string
	// Why says what takes most from the score; empty where that is no question.
	Why   string
	Since time.Time
	// Old says that the assessment does not count any more; empty where it does.
	Old string
	// Results of criteria that concern the site, the worst first.
	Results []hold.Result
	// Held and Review of them.
	Held, Review []hold.Result
}

// verdictOf puts the newest assessment and the newest judgement of criteria
// together. Whatever is worse counts: criteria may have been judged after the
// assessment, or the assessment may be too old.
func (p *Programme) verdictOf(s *Site, results []hold.Result, now time.Time) verdict {
	v := verdict{State: seedability.StateBlind, Reason: "no assessment of this site has come"}
	if s.Problem != "" {
		v.Reason = s.Problem
	}
	if a := s.Score; a != nil {
		state, reason := a.State, a.StateReason
		if a.Standing != nil && a.Standing.State != "" {
			state, reason, v.Since = a.Standing.State, a.Standing.Reason, a.Standing.Since
		}
		switch why := message.Why(*a); state {
		case seedability.StateBlind, seedability.StateHold:
			reason = why
		default:
			v.Why = why
		}
		silent := cmp.Or(p.SilentFor, SilentFor)
		switch age := now.Sub(a.AsOf); {
		case age > silent:
			v.Old = fmt.Sprintf("the newest assessment is of %s ago and counts for nothing", span(age))
		case age < -clocksDiffer:
			v.Old = fmt.Sprintf("the newest assessment is dated %s ahead of this clock, so one of the two is wrong", span(age))
		case state == seedability.StateQuiet, state == seedability.StateBuilding, state == seedability.StateWindow, state == seedability.StateHold, state == seedability.StateBlind:
			v.State, v.Reason = state, reason
		default:
			v.Reason = "the newest assessment has a state that is not known here: " + string(state)
		}
		if v.Old != "" {
			v.Reason, v.Why, v.Since = v.Old, "", time.Time{}
		}
	}
	var targets []string
	if site := p.File.Site(s.ID); site != nil {
		for _, t := range p.File.TargetsOf(site) {
			targets = append(targets, t.ID)
		}
	}
	held, _, by := hold.ForSite(results, s.ID, targets)
	v.Results = by
	for _, r := range by {
		switch {
		case r.Outcome.Holds():
			v.Held = append(v.Held, r)
		case r.Outcome == hold.Review:
			v.Review = append(v.Review, r)
		}
	}
	if held && v.State != seedability.StateHold {
		v.State, v.Why, v.Since = seedability.StateHold, "", v.Held[0].Since
		v.Reason = holdReason(v.Held)
		if v.Old != "" {
			v.Reason += "; besides, " + v.Old
		}
	}
	return v
}

// holdReason says what suspends.
func holdReason(held []hold.Result) string {
	r := held[0]
	reason := firstName(r.Name, r.Criterion) + ": " + r.Reason
	if r.Outcome != hold.Held {
		reason = firstName(r.Name, r.Criterion) + " cannot be judged: " + r.Reason
	}
	if n := len(held); n > 1 {
		reason += fmt.Sprintf("; and %d more", n-1)
	}
	return reason
}

// windowOf is the next window of a site that is not over, by its outlook, or by its
// standing where there is none. An outlook as old as a model run that counts for
// nothing has none.
func windowOf(s *Site, now time.Time) *seedability.Window {
	if o := s.Outlook; o != nil && now.Sub(o.IssuedAt).Abs() < seedability.Ageings["model"].UselessAfter {
		for k := range o.Windows {
			if o.Windows[k].End.After(now) {
				return &o.Windows[k]
			}
		}
		return nil
	}
	if a := s.Score; a != nil && s.Outlook == nil && a.Standing != nil && a.Standing.Ahead != nil && a.Standing.Ahead.End.After(now) && now.Sub(a.AsOf) < SilentFor {
		return a.Standing.Ahead
	}
	return nil
}

// sign of a state or an outcome: the shape that stands beside the word.
type sign struct {
	Name string // of the shape and of its colours
	Word string
}

func signOf(state seedability.State) sign {
	switch state {
	case seedability.StateQuiet, seedability.StateBuilding, seedability.StateWindow, seedability.StateHold:
		return sign{string(state), string(state)}
	}
	return sign{"blind", "blind"}
}

func signOfOutcome(o hold.Outcome) sign {
	switch o {
	case hold.Clear:
		return sign{"clear", "clear"}
	case hold.Review:
		return sign{"review", "review"}
	case hold.Held:
		return sign{"hold", "held"}
	}
	return sign{"unknown", "cannot be judged"}
}

// ageing is how old an input may be, by the programme file where it says so of the
// kind.
func (p *Programme) ageing(kind string) (seedability.Ageing, bool) {
	var found seedability.Ageing
	for _, input := range p.File.Inputs {
		if input.Kind == kind && input.MaximumAgeHours > 0 {
			a := seedability.Ageing{FreshFor: hours(input.FreshHours), UselessAfter: hours(input.MaximumAgeHours)}
			if a.UselessAfter > found.UselessAfter {
				found = a
			}
		}
	}
	if found.UselessAfter > 0 {
		return found, true
	}
	standard, ok := seedability.Ageings[kind]
	return standard, ok
}

func hours(x float64) time.Duration { return time.Duration(x * float64(time.Hour)) }

// freshness in a word.
func (p *Programme) freshness(kind string, age time.Duration) (word string, good bool) {
	a, ok := p.ageing(kind)
	if !ok {
		return "", true
	}
	switch f := a.Freshness(age); {
	case age < -clocksDiffer:
		return "dated ahead", false
	case f >= 1:
		return "fresh", true
	case f > 0:
		return "ageing", true
	}
	return "too old", false
}
