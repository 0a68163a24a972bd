package alert

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
)

// due is one thing that the readers of one rule should be told.
type due struct {
	key    string // of the condition
	rule   int
	kind   Kind
	change Change
	level  int
	// group: what is told together, beside kind, change and level.
	group string
	// ripe is until when it waits for others to be told with it.
	ripe time.Time
}

// endKnownWithin: a window that ended this close to the time that was told needs
// no second alert. Common practice, no source.
const endKnownWithin = 10 * time.Minute

// together: begins and ends of windows that come this soon after the first of them
// are told with it. Common practice, no source.
const together = 15 * time.Minute

// tell compares truth and belief, and makes the alerts that bring belief up to the
// truth.
func (e *Engine) tell(s *State, now time.Time) []Alert {
	type groupKey struct {
		kind   Kind
		change Change
		level  int
		group  string
	}
	groups := map[groupKey][]due{}
	look := s.look()
	for _, k := range slices.Sorted(maps.Keys(s.Conditions)) {
		for rule := range e.rules {
			c := s.Conditions[k]
			if d, ok := e.decide(s, look, k, &c, rule, now); ok {
				g := groupKey{d.kind, d.change, d.level, d.group}
				groups[g] = append(groups[g], d)
			}
		}
	}
	keys := slices.SortedFunc(maps.Keys(groups), func(a, b groupKey) int {
		return cmp.Or(slices.Index(Kinds, a.kind)-slices.Index(Kinds, b.kind), cmp.Compare(b.level, a.level), cmp.Compare(a.change, b.change), cmp.Compare(a.group, b.group))
	})
	var alerts []Alert
	for _, g := range keys {
		if slices.ContainsFunc(groups[g], func(d due) bool { return !d.ripe.After(now) }) {
			alerts = append(alerts, e.tellGroup(s, groups[g], now)...)
		}
	}
	return alerts
}

// tellGroup makes one alert for every set of sites that some rules share.
func (e *Engine) tellGroup(s *State, group []due, now time.Time) []Alert {
	byRule := map[int][]string{}
	for _, d := range group {
		byRule[d.rule] = append(byRule[d.rule], d.key)
	}
	rulesOf, order := map[string][]int{}, []string{}
	for _, rule := range slices.Sorted(maps.Keys(byRule)) {
		set := strings.Join(byRule[rule], "\n")
		if rulesOf[set] == nil {
			order = append(order, set)
		}
		rulesOf[set] = append(rulesOf[set], rule)
	}
	var alerts []Alert
	for _, set := range order {
		a := e.build(s, strings.Split(set, "\n"), rulesOf[set], group[0].kind, group[0].change, now)
		alerts = append(alerts, a)
		e.believe(s, a, strings.Split(set, "\n"), rulesOf[set], now)
	}
	return alerts
}

// decide says what the readers of a rule should be told of a condition. Beliefs
// that correct themselves, since something else was told, are changed in place.
func (e *Engine) decide(s *State, look *lookup, k string, c *Condition, rule int, now time.Time) (due, bool) {
	r := &e.rules[rule]
	if c.Site != "" && !r.wantsSite(c.Site) {
		return due{}, false
	}
	b, told := c.Beliefs[r.ID]
	d := due{key: k, rule: rule, ripe: now}
	yes := func(kind Kind, change Change, ripe time.Time) (due, bool) {
		d.kind, d.change, d.ripe = kind, change, ripe
		return d, r.wants(kind)
	}
	group := time.Duration(e.config.GroupSeconds * float64(time.Second))
	lasts := func(m float64) bool { return now.Sub(c.Since) >= minutes(m) }
	switch c.Topic {
	case topicHold:
		return e.decideHold(s, look, c, r, b, d, now)
	case topicWindow:
		return e.decideWindow(s, look, c, r, b, d, now)
	case topicAhead:
		return e.decideAhead(s, c, r, b, told, d, now)
	case topicStale:
		switch {
		case c.Level > 0 && b.Level == 0 && lasts(e.config.StaleMinutes) && !r.quiet(InputsStale, now, e.zone):
			return yes(InputsStale, ChangeNew, c.Since.Add(group))
		case c.Level == 0 && b.Level > 0 && lasts(e.config.SettleMinutes) && !r.quiet(InputsStale, now, e.zone):
			return yes(InputsStale, ChangeOver, now)
		}
	case topicBlind:
		switch {
		case c.Level > 0 && b.Level == 0 && !r.quiet(ProgrammeBlind, now, e.zone):
			return yes(ProgrammeBlind, ChangeNew, c.Since.Add(group))
		case c.Level == 0 && b.Level > 0 && lasts(e.config.SettleMinutes) && !r.quiet(ProgrammeBlind, now, e.zone):
			return yes(ProgrammeBlind, ChangeOver, now)
		}
	case topicFault:
		d.group = c.ID
		switch {
		case c.Level > 0 && b.Level == 0 && !r.quiet(ServiceFault, now, e.zone):
			return yes(ServiceFault, ChangeNew, now)
		case c.Level == 0 && b.Level > 0 && lasts(e.config.SettleMinutes) && !r.quiet(ServiceFault, now, e.zone):
			return yes(ServiceFault, ChangeOver, now)
		}
	}
	return due{}, false
}

// decideHold: what is worse than was told is told at once. A hold never waits, not
// for others, not for the morning; a review may wait for the morning where no
// window is near.
func (e *Engine) decideHold(s *State, look *lookup, c *Condition, r *Rule, b Belief, d due, now time.Time) (due, bool) {
	// A criterion that is judged for each site is told of all of them together; and
	// criteria that cannot be judged are, since most often one source is down for all.
	d.group, d.level = c.Name, c.Level
	if c.Level == levelUnknown || c.Level == levelClear && b.Level == levelUnknown {
		d.group = ""
	}
	lasts := now.Sub(c.Since) >= minutes(e.config.LiftMinutes)
	switch {
	case c.Level > b.Level && c.Level >= levelUnknown:
		d.kind, d.change = HoldRaised, ChangeNew
		if b.Level > 0 {
			d.change = ChangeWorse
		}
		return d, r.wants(HoldRaised)
	case c.Level > b.Level: // a review
		if r.quiet(HoldLifted, now, e.zone) && !look.near[c.Site] && (c.Site != "" || len(look.near) == 0) {
			return due{}, false
		}
		d.kind, d.change = HoldRaised, ChangeNew
		return d, r.wants(HoldRaised)
	case b.Level > 0 && c.Level == levelClear && lasts && !r.quiet(HoldLifted, now, e.zone):
		d.kind, d.change, d.level = HoldLifted, ChangeOver, b.Level
		return d, e.wantsOrForgets(s, r, HoldLifted, d.key)
	case b.Level >= levelUnknown && c.Level == levelReview && lasts && !r.quiet(HoldLifted, now, e.zone):
		d.kind, d.change = HoldLifted, ChangeLowered
		return d, e.wantsOrForgets(s, r, HoldLifted, d.key)
	}
	return due{}, false
}

// wantsOrForgets: readers who do not want to hear of an end are not told, and what
// they believe is forgotten, so that they hear of the next beginning.
func (e *Engine) wantsOrForgets(s *State, r *Rule, kind Kind, k string) bool {
	if r.wants(kind) {
		return true
	}
	c := s.Conditions[k]
	if c.Beliefs != nil {
		b := c.Beliefs[r.ID]
		b.Level = min(c.Level, levelReview)
		c.Beliefs[r.ID] = b
	}
	return false
}

func (e *Engine) decideWindow(s *State, look *lookup, c *Condition, r *Rule, b Belief, d due, now time.Time) (due, bool) {
	group := time.Duration(e.config.GroupSeconds * float64(time.Second))
	// One that comes back soon after it was over, or after one that did not last, must
	// last to be told; after a true window and a pause it is another, told at once.
	settle := minutes(e.config.SettleMinutes)
	another := c.LastedS >= settle.Seconds() && c.Since.Sub(b.At) >= settle
	settled := b.At.IsZero() || another || now.Sub(c.Since) >= settle || now.Sub(b.At) > hours(e.config.StormGapHours)
	// Who is told of the hold, in this very step or before, knows of the window too.
	suspended := look.held[c.Site] || look.held[""]
	held := suspended && r.wants(HoldRaised) || look.believedHeld[[2]string{c.Site, r.ID}] || look.believedHeld[[2]string{"", r.ID}]
	open := c.Level > 0 && !suspended
	blind := s.Conditions[key(topicBlind, "", "")].Beliefs[r.ID].Level > 0
	forget := func() (due, bool) {
		b.Level, b.At, b.End = 0, now, time.Time{}
		c.Beliefs[r.ID] = b
		return due{}, false
	}
	switch {
	case b.Level > 0 && (held || blind && !open): // they know better already
		return forget()
	case b.Level > 0 && !open && !suspended && !b.End.IsZero() && now.Sub(b.End).Abs() <= endKnownWithin:
		return forget() // as it was told
	case b.Level > 0 && suspended: // by a hold that this rule is not told of: its readers must stop all the same
		d.kind, d.change = WindowClosing, ChangeOver
		return d, true
	case b.Level > 0 && !open && !r.wants(WindowClosing):
		return forget()
	case b.Level > 0 && !open:
		d.kind, d.change, d.ripe = WindowClosing, ChangeOver, c.Since.Add(group)
		switch s.Sites[c.Site].State { // perhaps all are blind; perhaps the criterion is heard of in a moment
		case string(seedability.StateBlind), string(seedability.StateHold):
			d.ripe = c.Since.Add(2 * group)
		}
		return d, !r.quiet(WindowClosing, now, e.zone)
	case open && b.Level == 0:
		d.kind, d.change, d.ripe = WindowOpen, ChangeNew, c.Since.Add(group)
		return d, settled && !held && !blind && c.Confidence >= r.ConfidenceMinimum && r.wants(WindowOpen) && !r.quiet(WindowOpen, now, e.zone)
	case open && !b.End.IsZero() && (c.End.IsZero() && now.After(b.End) || c.End.Sub(b.End) > minutes(e.config.ClosingMinutes)):
		// It goes on: its end is told anew when it comes. An end that is not foreseen for
		// a while is no news before the one that was told.
		b.End = time.Time{}
		c.Beliefs[r.ID] = b
	case open && b.Level > 0 && !c.End.IsZero() && c.End.Sub(now) <= minutes(e.config.ClosingMinutes)+together &&
		(b.End.IsZero() || b.End.Sub(c.End) > endKnownWithin):
		d.kind, d.change, d.ripe = WindowClosing, ChangeNew, c.End.Add(-minutes(e.config.ClosingMinutes))
		if !b.End.IsZero() {
			d.change = ChangeWorse
		}
		return d, r.wants(WindowClosing) && !r.quiet(WindowClosing, now, e.zone)
	}
	return due{}, false
}

func (e *Engine) decideAhead(s *State, c *Condition, r *Rule, b Belief, told bool, d due, now time.Time) (due, bool) {
	group := time.Duration(e.config.GroupSeconds * float64(time.Second))
	lead := c.Start.Sub(now)
	shift := minutes(e.config.ShiftMinutes)
	d.kind = WindowAhead
	window := s.Conditions[key(topicWindow, "", c.Site)]
	if c.Opened || window.Level > 0 && !c.Start.After(now.Add(openedWithin)) ||
		b.Level > 0 && c.Level == 0 && window.Began.After(c.Start.Add(-openedWithin)) && window.Began.Before(c.End) {
		return due{}, false // it has come
	}
	allowed := r.wants(WindowAhead) && !r.quiet(WindowAhead, now, e.zone)
	switch {
	case b.Level > 0 && c.Level == 0:
		d.change = ChangeOver
		return d, allowed && now.Sub(c.Since) >= minutes(e.config.WithdrawMinutes)
	case c.Level == 0:
	case b.Level == 0:
		d.change, d.ripe = ChangeNew, c.Since.Add(group)
		settled := !told || now.Sub(c.Since) >= minutes(e.config.SettleMinutes)
		return d, allowed && settled && c.Confidence >= r.ConfidenceMinimum && lead > 0 &&
			lead <= hours(min(r.LeadHours, e.config.LeadHours)) && lead >= minutes(r.LeadMinimumMinutes)
	case b.Start.Sub(c.Start) > shift:
		d.change, d.ripe = ChangeWorse, c.Changed.Add(group) // there is less time than was told
		return d, allowed && lead > 0
	case c.Start.Sub(b.Start) > shift:
		d.change, d.ripe = ChangeLater, c.Changed.Add(group)
		return d, allowed && now.Sub(b.At) >= minutes(e.config.SettleMinutes)
	case !b.Reminded && lead > 0 && lead <= minutes(e.config.RemindMinutes)+together:
		if b.Start.Sub(b.At) <= minutes(e.config.RemindMinutes)+30*time.Minute { // it was told late: once is enough
			b.Reminded = true
			c.Beliefs[r.ID] = b
			return due{}, false
		}
		d.change, d.ripe = ChangeSoon, c.Start.Add(-minutes(e.config.RemindMinutes))
		return d, allowed
	}
	return due{}, false
}

// lookup is what decisions about one condition need of others.
type lookup struct {
	held         map[string]bool    // sites that a criterion suspends; "" for all
	near         map[string]bool    // sites with a window open or ahead
	believedHeld map[[2]string]bool // site and rule whose readers were told of a hold, and not yet of its end
}

func (s *State) look() *lookup {
	l := &lookup{map[string]bool{}, map[string]bool{}, map[[2]string]bool{}}
	for _, c := range s.Conditions {
		switch c.Topic {
		case topicHold:
			if c.Level >= levelUnknown {
				l.held[c.Site] = true
			}
			for rule, b := range c.Beliefs {
				if b.Level >= levelUnknown {
					l.believedHeld[[2]string{c.Site, rule}] = true
				}
			}
		case topicWindow, topicAhead:
			if c.Level > 0 {
				l.near[c.Site] = true
			}
		}
	}
	return l
}

// keysOf are the keys of all conditions of a topic, in order.
func (s *State) keysOf(topic Topic) []string {
	var keys []string
	for k, c := range s.Conditions {
		if c.Topic == topic {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	return keys
}

// believe notes what the readers of some rules have been told.
func (e *Engine) believe(s *State, a Alert, keys []string, rules []int, now time.Time) {
	for _, k := range keys {
		c := s.Conditions[k]
		if c.Beliefs == nil {
			c.Beliefs = map[string]Belief{}
		}
		for _, rule := range rules {
			id := e.rules[rule].ID
			b := c.Beliefs[id]
			b.At, b.Alert = now, a.ID
			switch {
			case a.Change == ChangeOver:
				b.Level, b.Start, b.End, b.Reminded = 0, time.Time{}, time.Time{}, false
			case a.Change == ChangeLowered:
				b.Level = levelReview
			case a.Kind == WindowClosing:
				b.End = c.End
			case a.Kind == WindowAhead:
				b.Level, b.Start = 1, c.Start
				b.Reminded = b.Reminded && a.Change != ChangeLater || a.Change == ChangeSoon
			default:
				b.Level, b.Start, b.End = c.Level, c.Start, time.Time{}
			}
			c.Beliefs[id] = b
		}
		s.Conditions[k] = c
		if a.Kind == HoldRaised && c.ID != holdOfAssessment { // the criterion itself now speaks
			delete(s.Conditions, key(topicHold, holdOfAssessment, c.Site))
		}
	}
	if s.Thread == a.Thread && now.After(s.Active) {
		s.Active = now
	}
	e.open(s, a, keys, rules, now)
}

// thread gives the storm that runs, or begins one.
func (e *Engine) thread(s *State, now time.Time) string {
	if s.Thread == "" || now.Sub(s.Active) > hours(e.config.StormGapHours) {
		s.Thread, s.Active = e.programme.ID+"-"+now.Format("20060102T1504Z"), now
	}
	return s.Thread
}

// idOf makes the id of an alert of everything that sets it apart from others of
// the same moment.
func idOf(programme string, kind Kind, now time.Time, parts ...string) string {
	sum := sha256.Sum256([]byte(strings.Join(append([]string{programme, string(kind), now.Format(time.RFC3339Nano)}, parts...), "\x00")))
	return fmt.Sprintf("%s-%s-%s-%s", programme, now.Format("20060102T150405Z"), kind, hex.EncodeToString(sum[:6]))
}

// build makes the alert of some conditions of one topic, for the readers of some
// rules.
func (e *Engine) build(s *State, keys []string, rules []int, kind Kind, change Change, now time.Time) Alert {
	a := Alert{Kind: kind, Change: change, Severity: severityOf(kind, change), Exercise: e.programme.Exercise, Programme: e.programme.ID,
		ProgrammeName: clean(e.programme.Name, maxName), Sites: []SiteRef{}, Raised: now, Reasons: []string{}, Evidence: []Link{}, Caution: Caution,
		Rules: []string{}, Routes: []string{}, Contact: clean(e.config.Contact, 200), Thread: e.thread(s, now)}
	first := s.Conditions[keys[0]]
	if first.Topic == topicHold {
		a.Level = levelNames[first.Level]
		switch {
		case change == ChangeOver:
			a.Level = levelNames[levelClear]
		case kind == HoldRaised && first.Level == levelClear: // repeated, and not lifted for long enough
			a.Level = levelNames[first.Beliefs[e.rules[rules[0]].ID].Level]
		}
		a.criteria(s, keys)
		if first.Level == levelReview && kind == HoldRaised {
			a.Severity = Minor
		}
	} else if first.Topic == topicStale || first.Topic == topicBlind || first.Topic == topicFault {
		a.Subject = first.Name
	}
	for _, rule := range rules {
		r := &e.rules[rule]
		if r.ID == "" {
			continue
		}
		a.Rules = append(a.Rules, r.ID)
		for _, route := range r.Routes {
			if !slices.Contains(a.Routes, route) {
				a.Routes = append(a.Routes, route)
			}
		}
		if r.acknowledges(kind) && a.Level != levelNames[levelReview] && (change == ChangeNew || change == ChangeWorse) {
			a.NeedsAck = true
		}
	}
	e.gather(s, &a, keys, rules)
	e.certainty(s, &a)
	a.Expires = e.expiry(&a, now)
	a.ID = idOf(e.programme.ID, kind, now, append([]string{string(change), a.Level, strings.Join(a.Rules, ",")}, keys...)...)
	return a
}

// criteria takes names, and who or what lifts them, from the holds of an alert.
func (a *Alert) criteria(s *State, keys []string) {
	var names, by, lifts []string
	add := func(list *[]string, text string) {
		if text != "" && !slices.Contains(*list, text) {
			*list = append(*list, text)
		}
	}
	for _, k := range keys {
		c := s.Conditions[k]
		// A hold is told even if nobody gave it a name.
		add(&names, cmp.Or(c.Name, "a criterion without a name"))
		add(&by, c.LiftedBy)
		add(&lifts, c.Lifts)
	}
	if a.Subject = names[0]; len(names) > 1 {
		a.Subject = fmt.Sprintf("%s and %d more", cut(names[0], 40), len(names)-1)
	}
	a.LiftedBy, a.Lifts = clean(strings.Join(by, "; "), maxName), clean(strings.Join(lifts, "; "), maxReason)
}

// gather takes sites, times, reasons and references from the conditions.
func (e *Engine) gather(s *State, a *Alert, keys []string, rules []int) {
	seen := map[string]bool{}
	refer := func(b Belief) {
		if b.Alert != "" && b.Level > 0 && !seen[b.Alert] && len(a.Supersedes) < maxList {
			seen[b.Alert] = true
			a.Supersedes = append(a.Supersedes, Reference{b.Alert, b.At})
		}
	}
	programmeWide, listed := false, map[string]bool{}
	holds, aheads := s.keysOf(topicHold), s.keysOf(topicAhead)
	for _, k := range keys {
		c := s.Conditions[k]
		for _, rule := range rules {
			refer(c.Beliefs[e.rules[rule].ID])
			if a.Kind == WindowOpen {
				for _, ahead := range aheads {
					if other := s.Conditions[ahead]; other.Site == c.Site && other.Opened {
						refer(other.Beliefs[e.rules[rule].ID])
					}
				}
			}
			if a.Kind == HoldRaised {
				refer(s.Conditions[key(topicHold, holdOfAssessment, c.Site)].Beliefs[e.rules[rule].ID])
			}
		}
		if c.Site == "" {
			programmeWide = true
		} else if site := e.sites[c.Site]; site != nil && !listed[c.Site] {
			listed[c.Site] = true
			ref := SiteRef{ID: site.ID, Name: clean(site.Name, maxName), LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg}
			if c.Topic == topicWindow || c.Topic == topicAhead {
				ref.Start, ref.End = c.Start, c.End
				a.window(&c)
			}
			ref.NotReady, ref.Held = s.obstacles(site.ID, a, holds, keys)
			a.Sites = append(a.Sites, ref)
			for _, link := range e.links(site.ID) {
				a.link(link)
			}
		}
		if c.Topic != topicWindow && c.Topic != topicAhead && !c.Start.IsZero() && (a.Start.IsZero() || c.Start.Before(a.Start)) {
			a.Start = c.Start
		}
		reason := c.Reason
		if a.Kind == WindowClosing && a.Change == ChangeOver {
			if names := s.suspending(c.Site, holds); names != "" {
				reason = clean("seeding is suspended: "+names, maxReason)
			}
		}
		if a.Kind == WindowClosing && a.Change != ChangeOver {
			reason = "its end is foreseen by the outlook" // c.Reason says why it is open
		}
		if a.Change == ChangeOver && (c.Topic == topicBlind || c.Topic == topicFault || c.Topic == topicStale) {
			reason = "" // of what is over
		}
		if c.Topic == topicStale && len(keys) > 1 || c.Topic == topicHold && c.Name != a.Subject {
			reason = join(c.Name, reason)
		}
		if reason != "" && !slices.Contains(a.Reasons, reason) && len(a.Reasons) < 5 {
			a.Reasons = append(a.Reasons, reason)
		}
		for _, link := range c.Evidence {
			a.link(link)
		}
	}
	if programmeWide {
		for i := range e.programme.Sites {
			site := &e.programme.Sites[i]
			a.Sites = append(a.Sites, SiteRef{ID: site.ID, Name: clean(site.Name, maxName), LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg})
		}
	}
	if first := s.Conditions[keys[0]]; first.Topic == topicStale && len(keys) > 1 {
		a.Subject = fmt.Sprintf("%s and %d more", first.Name, len(keys)-1)
	}
	slices.SortStableFunc(a.Sites, func(x, y SiteRef) int { return cmp.Or(x.Start.Compare(y.Start), cmp.Compare(x.ID, y.ID)) })
}

// window joins the times of a window to those of the others.
func (a *Alert) window(c *Condition) {
	if a.Start.IsZero() || c.Start.Before(a.Start) {
		a.Start = c.Start
	}
	if c.End.After(a.End) {
		a.End = c.End
	}
	if confidence := c.Confidence; a.Confidence == nil || confidence < *a.Confidence {
		a.Confidence = &confidence
	}
	if score := c.Score; a.Score == nil || score > *a.Score {
		a.Score, a.Best = &score, c.Best
	}
}

func (a *Alert) link(link Link) {
	if len(a.Evidence) < 10 && !slices.Contains(a.Evidence, link) {
		a.Evidence = append(a.Evidence, link)
	}
}

// obstacles says what stands in the way of a site: its own readiness, and the
// criteria that suspend it.
func (s *State) obstacles(site string, a *Alert, holds, own []string) (notReady, held string) {
	for _, k := range holds {
		c := s.Conditions[k]
		if c.Level == 0 || c.Site != site && c.Site != "" {
			continue
		}
		switch {
		case c.Readiness:
			notReady = join(notReady, clean(c.Name+": "+c.Reason, 120))
		case c.Level >= levelUnknown:
			if a.Kind != HoldRaised || !slices.Contains(own, k) {
				held = join(held, c.Name)
			}
		default:
			stopper := clean("review needed: "+c.Name+": "+c.Reason, 200)
			if a.Kind != HoldLifted && a.Kind != HoldRaised && !slices.Contains(a.Stoppers, stopper) && len(a.Stoppers) < 5 {
				a.Stoppers = append(a.Stoppers, stopper)
			}
		}
	}
	return clean(notReady, 200), clean(held, 200)
}

// suspending names the criteria that suspend a site.
func (s *State) suspending(site string, holds []string) string {
	names := ""
	for _, k := range holds {
		if c := s.Conditions[k]; c.Level >= levelUnknown && (c.Site == site || c.Site == "") && len(names) < maxReason {
			names = join(names, c.Name)
		}
	}
	return names
}

// certainty says how sure a window is, and what could stop it.
func (e *Engine) certainty(s *State, a *Alert) {
	if a.Kind == WindowAhead && a.Change != ChangeOver {
		e.drive(a)
	}
	switch a.Kind {
	case WindowAhead, WindowOpen:
		if a.Confidence != nil && a.Change != ChangeOver {
			word := "low"
			switch {
			case *a.Confidence >= .7:
				word = "high"
			case *a.Confidence >= .5:
				word = "fair"
			}
			a.Certainty = fmt.Sprintf("confidence %s (%.2f)", word, *a.Confidence)
			if a.Score != nil {
				a.Certainty += fmt.Sprintf(", score %.0f of 100", *a.Score)
			}
		}
		for _, k := range s.keysOf(topicStale) {
			if c := s.Conditions[k]; c.Level > 0 && len(a.Stoppers) < 5 {
				a.Stoppers = append(a.Stoppers, "too old: "+c.Name)
			}
		}
	case HoldRaised:
		a.Certainty = "the criterion is met"
		switch a.Level {
		case "unknown":
			a.Certainty = "the criterion cannot be judged, and counts as met"
		case "review":
			a.Certainty = "a person must judge it"
		}
	}
}

// drive says whether there is time left to go to sites that are not ready.
func (e *Engine) drive(a *Alert) {
	for _, site := range a.Sites {
		if site.NotReady == "" || len(a.Stoppers) >= 5 {
			continue
		}
		left, needed := site.Start.Sub(a.Raised), minutes(e.config.DriveMinutes)
		text := fmt.Sprintf("%s is not ready: a crew needs %s, leave within %s", site.Name, duration(needed), duration(left-needed))
		if left <= needed {
			text = fmt.Sprintf("%s is not ready, and a crew needs %s: too late for the begin of the window", site.Name, duration(needed))
		}
		a.Stoppers = append(a.Stoppers, text)
	}
}

func (e *Engine) expiry(a *Alert, now time.Time) time.Time {
	switch {
	case a.Kind == HoldRaised || a.Kind == HoldLifted:
		return now.Add(24 * time.Hour)
	case a.Change == ChangeOver || !a.End.After(now):
		return now.Add(12 * time.Hour)
	}
	return a.End
}

func severityOf(kind Kind, change Change) Severity {
	switch {
	case change == ChangeOver && kind != WindowClosing || kind == HoldLifted:
		return Minor
	case kind == HoldRaised || kind == ProgrammeBlind:
		return Severe
	case kind == WindowOpen || kind == ServiceFault || kind == WindowClosing:
		return Moderate
	}
	return Minor
}
