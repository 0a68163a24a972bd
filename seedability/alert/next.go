package alert

import (
	"time"
)

// Next is the moment at which the passing of time alone may make an alert of a
// state, the first after its newest step; zero where there is none. A step is made
// then, or earlier where something is learnt. It may be too early (a step then does
// nothing), never too late: every comparison with the clock in decide, passTime and
// remind has its moment here.
func (e *Engine) Next(s State) time.Time {
	if s.Now.IsZero() {
		return time.Time{} // no step was made
	}
	// What the newest step told, or made readers forget, may make something else due at
	// once.
	soon, probe := s.Now.Add(time.Millisecond), s
	for range 2 {
		after, alerts := e.Step(probe, Input{}, soon)
		if len(alerts) > 0 {
			return soon
		}
		probe = after
	}
	n := next{now: s.Now}
	e.nextSilence(&n, &s)
	group := time.Duration(e.config.GroupSeconds * float64(time.Second))
	settle, storm := minutes(e.config.SettleMinutes), hours(e.config.StormGapHours)
	for _, c := range s.Conditions {
		switch c.Topic {
		case topicHold:
			n.at(c.Since.Add(minutes(e.config.LiftMinutes)))
		case topicStale:
			n.at(c.Since.Add(minutes(e.config.StaleMinutes)), c.Since.Add(group), c.Since.Add(settle))
		case topicBlind, topicFault:
			n.at(c.Since.Add(group), c.Since.Add(settle))
		case topicWindow:
			n.at(c.Since.Add(group), c.Since.Add(2*group), c.Since.Add(settle))
			n.at(c.End.Add(-minutes(e.config.ClosingMinutes)), c.End.Add(-minutes(e.config.ClosingMinutes)-together))
			for _, b := range c.Beliefs {
				n.after(b.At.Add(storm), b.End.Add(endKnownWithin))
				n.at(b.End.Add(-endKnownWithin))
			}
		case topicAhead:
			n.at(c.End, c.Since.Add(group), c.Since.Add(settle), c.Since.Add(minutes(e.config.WithdrawMinutes)), c.Changed.Add(group))
			n.at(c.Start.Add(-minutes(e.config.RemindMinutes)), c.Start.Add(-minutes(e.config.RemindMinutes)-together), c.Start.Add(-openedWithin))
			for i := range e.rules {
				n.at(c.Start.Add(-hours(min(e.rules[i].LeadHours, e.config.LeadHours))))
			}
			for _, b := range c.Beliefs {
				n.at(b.At.Add(settle))
			}
		}
	}
	for k := range s.Open {
		o := &s.Open[k]
		r := e.rule(o.Rule)
		if r == nil {
			continue
		}
		for level := o.Level; level < len(r.Escalation); level++ {
			n.at(o.Raised.Add(minutes(r.Escalation[level].AfterMinutes)))
		}
		if r.RepeatMinutes > 0 && o.Repeats < r.RepeatMost {
			n.at(o.Sent.Add(minutes(r.RepeatMinutes)))
		}
	}
	for i := range e.rules {
		n.at(e.rules[i].quietEnd(s.Now, e.zone))
	}
	return n.first
}

// nextSilence: when sites of which nothing is heard count as blind.
func (e *Engine) nextSilence(n *next, s *State) {
	for i := range e.programme.Sites {
		last := s.Started
		if site, seen := s.Sites[e.programme.Sites[i].ID]; seen {
			last = site.At
		}
		n.after(last.Add(e.silence()))
	}
}

// next keeps the first moment after now. Steps are of whole milliseconds.
type next struct{ now, first time.Time }

// at takes moments from which on something is so.
func (n *next) at(moments ...time.Time) {
	for _, moment := range moments {
		if whole := moment.Truncate(time.Millisecond); whole.Before(moment) {
			moment = whole.Add(time.Millisecond)
		}
		if moment.After(n.now) && (n.first.IsZero() || moment.Before(n.first)) {
			n.first = moment.UTC()
		}
	}
}

// after takes moments after which something is so.
func (n *next) after(moments ...time.Time) {
	for _, moment := range moments {
		n.at(moment.Truncate(time.Millisecond).Add(time.Millisecond))
	}
}

// quietEnd is when the quiet hours in which a moment lies end; zero where it lies in
// none. Minutes are tried one by one, since clocks may change meanwhile.
func (r *Rule) quietEnd(now time.Time, zone *time.Location) time.Time {
	if !r.sleep(now, zone) {
		return time.Time{}
	}
	moment := now.Truncate(time.Minute)
	for range 26 * 60 {
		if moment = moment.Add(time.Minute); !r.sleep(moment, zone) {
			return moment
		}
	}
	return time.Time{}
}
