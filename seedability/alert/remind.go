package alert

import (
	"fmt"
	"slices"
	"time"
)

// open notes that the readers of some rules must acknowledge an alert. What they
// were told of the same conditions before needs no answer any more: this replaces
// it.
func (e *Engine) open(s *State, a Alert, keys []string, rules []int, now time.Time) {
	for _, rule := range rules {
		r := &e.rules[rule]
		if r.ID == "" {
			continue
		}
		ends := a.Change == ChangeOver || a.Change == ChangeLowered || a.Kind == WindowClosing
		if ends || a.NeedsAck {
			e.answered(s, r.ID, keys)
		}
		if a.NeedsAck && r.acknowledges(a.Kind) {
			s.Open = append(s.Open, Open{First: a.ID, Rule: r.ID, Alert: a, Keys: slices.Clone(keys), Raised: now, Sent: now, Newest: Reference{a.ID, now}})
		}
	}
}

// answered takes conditions out of what waits for an acknowledgement.
func (e *Engine) answered(s *State, rule string, keys []string) {
	kept := s.Open[:0]
	for _, o := range s.Open {
		if o.Rule == rule {
			o.Keys = slices.DeleteFunc(slices.Clone(o.Keys), func(k string) bool { return slices.Contains(keys, k) })
			if len(o.Keys) == 0 {
				continue
			}
		}
		kept = append(kept, o)
	}
	s.Open = kept
}

// learnAck takes an acknowledgement. It is good for every rule that was told the
// alert. What has become worse since is another alert, and waits for its own. Those
// who were called in by escalation are told that somebody takes care.
func (e *Engine) learnAck(s *State, ack *Ack, now time.Time) []Alert {
	var alerts []Alert
	by := clean(ack.By, maxName)
	if by == "" {
		by = "somebody"
	}
	kept := s.Open[:0]
	found := ""
	for _, o := range s.Open {
		if !o.is(ack.Alert) {
			kept = append(kept, o)
			continue
		}
		found = o.First
		r := e.rule(o.Rule)
		if r == nil || o.Level == 0 {
			continue
		}
		a := o.Alert
		a.ID, a.Change, a.First, a.AckBy, a.NeedsAck = fmt.Sprintf("%s.%s.ack", o.First, o.Rule), ChangeAcknowledged, o.First, by, false
		a.Severity, a.Raised, a.Escalation, a.Rules = Minor, now, o.Level, []string{o.Rule}
		a.Expires, a.Supersedes = now.Add(12*time.Hour), []Reference{o.Newest}
		a.Routes = r.escalated(o.Level)
		alerts = append(alerts, a)
	}
	s.Open = kept
	if found != "" {
		s.Acked = append(s.Acked, Ack{Alert: found, By: by, At: now})
	}
	return alerts
}

func (e *Engine) rule(id string) *Rule {
	for i := range e.rules {
		if e.rules[i].ID == id {
			return &e.rules[i]
		}
	}
	return nil
}

// escalated are the routes of a rule after some steps of escalation.
func (r *Rule) escalated(level int) []string {
	routes := slices.Clone(r.Routes)
	for _, step := range r.Escalation[:min(level, len(r.Escalation))] {
		for _, route := range step.Routes {
			if !slices.Contains(routes, route) {
				routes = append(routes, route)
			}
		}
	}
	return routes
}

// remind repeats and escalates what nobody has acknowledged. After a pause of the
// service the highest step that is due is taken at once.
func (e *Engine) remind(s *State, now time.Time) []Alert {
	var alerts []Alert
	kept := s.Open[:0]
	for _, o := range s.Open {
		r := e.rule(o.Rule)
		var keys []string
		for _, k := range o.Keys {
			if s.Conditions[k].Beliefs[o.Rule].Level > 0 {
				keys = append(keys, k)
			}
		}
		if r == nil || len(keys) == 0 {
			continue // it is over
		}
		o.Keys = keys
		if !r.quiet(o.Alert.Kind, now, e.zone) {
			if a, ok := e.again(s, &o, r, now); ok {
				alerts = append(alerts, a)
			}
		}
		kept = append(kept, o)
	}
	s.Open = kept
	return alerts
}

// again makes the next alert of one that waits, where one is due.
func (e *Engine) again(s *State, o *Open, r *Rule, now time.Time) (Alert, bool) {
	level := o.Level
	for level < len(r.Escalation) && now.Sub(o.Raised) >= minutes(r.Escalation[level].AfterMinutes) {
		level++
	}
	change := ChangeEscalated
	if level == o.Level {
		if r.RepeatMinutes <= 0 || o.Repeats >= r.RepeatMost || now.Sub(o.Sent) < minutes(r.RepeatMinutes) {
			return Alert{}, false
		}
		change = ChangeRepeat
	}
	index := 0
	for i := range e.rules {
		if e.rules[i].ID == r.ID {
			index = i
		}
	}
	a := e.build(s, o.Keys, []int{index}, o.Alert.Kind, change, now)
	o.Repeats++
	o.Level, o.Sent = level, now
	a.ID = fmt.Sprintf("%s.%s.r%d", o.First, o.Rule, o.Repeats)
	a.First, a.NeedsAck, a.Escalation, a.UnansweredS = o.First, true, level, int(now.Sub(o.Raised)/time.Second)
	a.Routes, a.Supersedes = r.escalated(level), []Reference{o.Newest}
	a.Severity = severityOf(a.Kind, o.Alert.Change)
	o.Newest = Reference{a.ID, now}
	if s.Thread == a.Thread && now.After(s.Active) {
		s.Active = now
	}
	return a, true
}
