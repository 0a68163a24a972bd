package alert

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"rimeline/seedability"
)

// TickEvery is how often a step without input should be made at least, so that what
// waits for time to pass (groups, repeats, ends of quiet hours, silence) is told.
// Who makes one whenever Next says so needs no others.
const TickEvery = 10 * time.Second

// Engine makes alerts of what it learns. It holds no state of its own.
type Engine struct {
	config    Config
	programme Programme
	// rules are those of the configuration, behind the one of the bus, which is told
	// everything and has no routes.
	rules []Rule
	zone  *time.Location
	sites map[string]*Site
}

// New makes the engine of a programme. The configuration must have been checked.
func New(c Config, p Programme) (*Engine, error) {
	var ids []string
	e := &Engine{config: c, programme: p, zone: p.Zone, sites: map[string]*Site{}}
	if e.zone == nil {
		e.zone = time.UTC
	}
	for i := range p.Sites {
		ids = append(ids, p.Sites[i].ID)
		e.sites[p.Sites[i].ID] = &p.Sites[i]
	}
	if problems := c.Check(ids); len(problems) > 0 {
		return nil, problems[0]
	}
	if p.ID == "" || len(p.Sites) == 0 {
		return nil, fmt.Errorf("alerts need the id and the sites of a programme")
	}
	e.rules = append([]Rule{{LeadHours: c.LeadHours}}, c.Rules...)
	return e, nil
}

// Step takes what was learnt at a moment, and gives the state after it and the
// alerts that follow, the most urgent first. It is pure: the same arguments give
// the same result, and s is not changed. A clock that was set back is taken as it
// is: nothing is told twice for it, and what waits for time to pass waits no longer.
func (e *Engine) Step(s State, in Input, now time.Time) (State, []Alert) {
	return e.Steps(s, []Input{in}, now)
}

// Steps is a Step for each of several inputs of one moment, one after another, at
// the cost of one copy of the state. The alerts are in the order of the inputs.
func (e *Engine) Steps(s State, inputs []Input, now time.Time) (State, []Alert) {
	now = now.UTC().Truncate(time.Millisecond)
	s = s.clone()
	var alerts []Alert
	for _, in := range inputs {
		alerts = append(alerts, e.step(&s, in, now)...)
	}
	return s, alerts
}

func (e *Engine) step(s *State, in Input, now time.Time) []Alert {
	if s.Started.IsZero() {
		s.Started = now
	}
	if back := s.Now.Sub(now); back > 0 {
		s.setBack(back)
	}
	s.Now = now
	var alerts []Alert
	switch {
	case in.Assessment != nil:
		e.learnAssessment(s, in.Assessment, now)
	case in.Outlook != nil:
		e.learnOutlook(s, in.Outlook, now)
	case in.Holds != nil:
		e.learnHolds(s, in.Holds, now)
	case in.Health != nil:
		e.learnHealth(s, in.Health, now)
	case in.Ack != nil:
		alerts = append(alerts, e.learnAck(s, in.Ack, now)...)
	case in.Release != nil:
		alerts = append(alerts, e.learnRelease(s, in.Release, now)...)
	}
	e.passTime(s, now)
	alerts = append(alerts, e.tell(s, now)...)
	alerts = append(alerts, e.remind(s, now)...)
	e.prune(s, now)
	slices.SortStableFunc(alerts, func(a, b Alert) int { return slices.Index(Kinds, a.Kind) - slices.Index(Kinds, b.Kind) })
	return alerts
}

// set changes the level of a condition, and its times.
func (c *Condition) set(level int, now time.Time) {
	if level > 0 && c.Level == 0 {
		c.Began = now
	}
	if level == 0 && c.Level > 0 {
		c.LastedS = now.Sub(c.Began).Seconds()
	}
	// Held and unknown are both a hold: between them it does not begin anew.
	if level != c.Level && (level < levelUnknown || c.Level < levelUnknown) || c.Since.IsZero() {
		c.Since = now
	}
	c.Level = level
}

// latest assessment that still says something of now.
func (e *Engine) silence() time.Duration { return minutes(e.config.SilentMinutes) }

// longestBack: an assessment of a moment before the newest by less than this is a
// late message; by more, a clock was set back. Common practice, no source.
const longestBack = 2 * time.Hour

// Moments that lie farther from now are a mistake, and would spoil what is kept: not
// every moment can be written as JSON.
const (
	farAhead = 24 * time.Hour           // of what was judged
	farOff   = 60 * 24 * time.Hour      // of a window
	longLost = 5 * 365 * 24 * time.Hour // of the newest input
)

// sane: the times of a window are near enough to be meant.
func sane(w *seedability.Window, now time.Time) bool {
	return w.Start.Sub(now).Abs() < farOff && w.End.Sub(now).Abs() < farOff
}

// late: what is behind what is known by some time came late. But where that is of the
// future, a clock was set back.
func late(behind time.Duration, known, now time.Time) bool {
	return behind > 0 && behind < longestBack && !known.After(now.Add(clocksDiffer))
}

func (e *Engine) learnAssessment(s *State, a *seedability.Assessment, now time.Time) {
	site, known := e.sites[a.Site.ID]
	before := s.Sites[a.Site.ID]
	switch behind := before.AsOf.Sub(a.AsOf); {
	case !known || a.Programme != e.programme.ID:
		return
	case late(behind, before.AsOf, now) || now.Sub(a.AsOf) > e.silence() || a.AsOf.Sub(now) > farAhead:
		return
	case a.Standing == nil && a.ReleaseTime.Sub(a.AsOf) > 15*time.Minute: // of a later release
		return
	}
	state, reason := a.State, a.StateReason
	if a.Standing != nil {
		state, reason = a.Standing.State, a.Standing.Reason
	}
	after := before
	after.At, after.AsOf, after.State, after.Reason = now, a.AsOf.UTC(), string(state), clean(reason, maxReason)
	s.Sites[site.ID] = after

	k := key(topicWindow, "", site.ID)
	c := s.Conditions[k]
	c.Topic, c.Site = topicWindow, site.ID
	level := 0
	if state == seedability.StateWindow {
		level = 1
	}
	c.set(level, now)
	c.Reason = after.Reason
	if level > 0 {
		c.Confidence, c.Score, c.Start, c.End = a.Confidence.Value, value(a.Score.Value), c.Began, time.Time{}
		c.Reason = clean(whyWindow(a, reason), maxReason)
		if a.Standing != nil && a.Standing.Ahead != nil {
			if w := a.Standing.Ahead; !w.Start.After(now) && !w.EndsAfter && !w.BeforeBlind && sane(w, now) {
				c.End = w.End.UTC().Truncate(time.Second)
			}
		}
		e.openAhead(s, site.ID, now)
	}
	s.Conditions[k] = c

	// A hold that only the assessment knows of is a hold. Where the criteria
	// themselves were heard of late, they speak: an assessment may be older than the
	// lifting of its hold.
	held := state == seedability.StateHold
	if held && s.Conditions[key(topicHold, holdOfAssessment, site.ID)].Level == levelClear {
		held = now.Sub(s.HoldsAt) > criteriaSpeak && !s.look().held[site.ID]
	}
	e.holdSite(s, site.ID, &Hold{Criterion: holdOfAssessment, Name: "suspension criterion", Outcome: outcomeOf(held), Reason: a.StateReason}, now)
}

// criteriaSpeak is how long after outcomes of criteria an assessment's own hold is
// taken to be older than they; common practice, no source.
const criteriaSpeak = 5 * time.Minute

// holdOfAssessment is the criterion of a hold that only assessments tell of.
const holdOfAssessment = "assessment"

func outcomeOf(held bool) Outcome {
	if held {
		return OutcomeHeld
	}
	return OutcomeClear
}

func value(x *float64) float64 {
	if x == nil {
		return 0
	}
	return *x
}

// learnHolds takes outcomes of criteria.
func (e *Engine) learnHolds(s *State, h *Holds, now time.Time) {
	s.HoldsAt = now
	named := map[string]bool{}
	for k := range h.Holds {
		hold := &h.Holds[k]
		var sites []string
		for _, id := range hold.Sites {
			if e.sites[id] != nil {
				sites = append(sites, id)
			}
		}
		if len(sites) == 0 { // all; also where none of its sites is known, to be safe
			for i := range e.programme.Sites {
				sites = append(sites, e.programme.Sites[i].ID)
			}
		}
		for _, site := range sites {
			named[key(topicHold, hold.Criterion, site)] = true
			named[key(topicHold, hold.Criterion, "")] = true
			e.holdSite(s, site, hold, now)
		}
	}
	for _, k := range slices.Sorted(maps.Keys(s.Conditions)) {
		c := s.Conditions[k]
		if c.Topic == topicHold && c.Level > 0 && !named[k] && (h.Complete || c.ID == holdOfAssessment) {
			c.set(levelClear, now)
			c.Reason = "no longer among the criteria of the programme"
			s.Conditions[k] = c
		}
	}
}

// holdSite takes the outcome of one criterion for one site. One that is clear and
// of which nobody was told needs no memory.
func (e *Engine) holdSite(s *State, site string, h *Hold, now time.Time) {
	k := key(topicHold, h.Criterion, site)
	c, known := s.Conditions[k]
	level := h.Outcome.level()
	if !known && level == levelClear {
		return
	}
	if !known && len(s.Conditions) >= maxConditions { // told of the whole programme instead
		site = ""
		k = key(topicHold, h.Criterion, "")
		c = s.Conditions[k]
		level = max(level, c.Level)
	}
	c.Topic, c.ID, c.Site, c.Name = topicHold, h.Criterion, site, clean(h.Name, maxName)
	if c.Name == "" {
		c.Name = clean(h.Criterion, maxName)
	}
	c.set(level, now)
	c.Reason, c.LiftedBy, c.Lifts = clean(h.Reason, maxReason), clean(h.LiftedBy, maxName), clean(h.Lifts, maxReason)
	c.Readiness, c.Evidence = h.Readiness, cleanLinks(h.Evidence)
	if level > 0 {
		c.Start = c.Began
	}
	s.Conditions[k] = c
}

func (e *Engine) learnHealth(s *State, h *Health, now time.Time) {
	worker := clean(h.Worker, maxName)
	k := key(topicFault, worker, "")
	if c, known := s.Conditions[k]; known || h.State == HealthFailing || h.State == HealthGone {
		level := 0
		if h.State == HealthFailing || h.State == HealthGone {
			level = 1
		}
		c.Topic, c.ID, c.Name = topicFault, worker, worker
		c.set(level, now)
		c.Start, c.Reason = c.Began, ""
		for _, reason := range cleanAll(h.Reasons, maxReason) {
			c.Reason = clean(join(c.Reason, reason), maxReason)
		}
		if h.State == HealthGone && c.Reason == "" {
			c.Reason = "it says nothing any more"
		}
		e.keep(s, k, c)
	}
	if h.Stale == nil {
		return
	}
	stale := map[string]bool{}
	for _, input := range h.Stale {
		id := clean(input.ID, maxName)
		k := key(topicStale, id, "")
		stale[k] = true
		c := s.Conditions[k]
		c.Topic, c.ID, c.Name = topicStale, id, id
		c.set(1, now)
		if c.Start = input.Newest.UTC(); now.Sub(c.Start).Abs() > longLost {
			c.Start = time.Time{}
		}
		c.Reason = clean(input.Reason, maxReason)
		e.keep(s, k, c)
	}
	for k, c := range s.Conditions {
		if c.Topic == topicStale && c.Level > 0 && !stale[k] {
			c.set(0, now)
			s.Conditions[k] = c
		}
	}
}

// keep stores a condition, unless the state is full.
func (e *Engine) keep(s *State, k string, c Condition) {
	if _, known := s.Conditions[k]; known || len(s.Conditions) < maxConditions {
		s.Conditions[k] = c
	}
}

func join(a, b string) string {
	if a == "" {
		return b
	}
	return a + "; " + b
}

// passTime judges what depends on the clock alone: whether the programme is
// blind, and windows ahead whose time is over.
func (e *Engine) passTime(s *State, now time.Time) {
	blind, held := 0, 0
	reasons := map[string]int{}
	for i := range e.programme.Sites {
		site, seen := s.Sites[e.programme.Sites[i].ID]
		last := site.At
		if !seen {
			last = s.Started
		}
		switch {
		case now.Sub(last) > e.silence():
			blind++
			reasons["no assessment since "+last.UTC().Format("15:04")+" UTC"]++
			e.shut(s, e.programme.Sites[i].ID, now)
		case !seen:
		case site.State == string(seedability.StateBlind):
			blind++
			reasons[site.Reason]++
		case site.State == string(seedability.StateHold):
			held++
		}
	}
	level := 0
	if blind > 0 && blind+held == len(e.programme.Sites) {
		level = 1
	}
	k := key(topicBlind, "", "")
	if c, known := s.Conditions[k]; known || level > 0 {
		c.Topic = topicBlind
		c.set(level, now)
		c.Start = c.Began
		if level > 0 {
			c.Reason, c.Name = "", fmt.Sprintf("%d of %d sites", blind, len(e.programme.Sites))
			most := 0
			for _, reason := range slices.Sorted(maps.Keys(reasons)) {
				if reasons[reason] > most {
					c.Reason, most = reason, reasons[reason]
				}
			}
		}
		s.Conditions[k] = c
	}
	for k, c := range s.Conditions {
		if c.Topic == topicAhead && c.Level > 0 && !c.End.After(now) {
			c.set(0, now)
			c.Reason = "it did not open"
			s.Conditions[k] = c
		}
		if (c.Topic == topicAhead || c.Topic == topicWindow) && c.Level > 0 && s.Thread != "" && now.After(s.Active) {
			s.Active = now
		}
	}
}

// shut closes the window of a site of which nothing is heard.
func (e *Engine) shut(s *State, site string, now time.Time) {
	k := key(topicWindow, "", site)
	if c, known := s.Conditions[k]; known && c.Level > 0 {
		c.set(0, now)
		c.Reason = "the site is no longer assessed"
		s.Conditions[k] = c
	}
	if state := s.Sites[site]; state.State != string(seedability.StateBlind) && !state.At.IsZero() {
		state.State, state.Reason = string(seedability.StateBlind), "no assessment since "+state.At.UTC().Format("15:04")+" UTC"
		s.Sites[site] = state
	}
}

// prune forgets what nobody believes and what is not so.
func (e *Engine) prune(s *State, now time.Time) {
	rules := map[string]bool{}
	for i := range e.rules {
		rules[e.rules[i].ID] = true
	}
	for k, c := range s.Conditions {
		believed := false
		for rule, belief := range c.Beliefs {
			if !rules[rule] {
				delete(c.Beliefs, rule)
			} else if belief.Level > 0 {
				believed = true
			}
		}
		unknownSite := c.Site != "" && e.sites[c.Site] == nil
		idle := c.Level == 0 && !believed && c.Topic != topicWindow && now.Sub(c.Since) > hours(1)
		opened := c.Opened && !c.End.After(now)
		goneFor := c.Topic == topicFault && now.Sub(c.Since) > 24*time.Hour
		if unknownSite || idle || opened || goneFor {
			delete(s.Conditions, k)
		}
	}
	for id := range s.Sites {
		if e.sites[id] == nil {
			delete(s.Sites, id)
		}
	}
	s.Open = slices.DeleteFunc(s.Open, func(o Open) bool { return !rules[o.Rule] })
	if n := len(s.Open) - maxOpen; n > 0 {
		s.Open = slices.Delete(s.Open, 0, n)
	}
	if n := len(s.Acked) - maxAcked; n > 0 {
		s.Acked = slices.Delete(s.Acked, 0, n)
	}
}
