package alert

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
)

// matchWithin: windows of two outlooks whose best times lie farther apart, and that
// do not overlap, are two windows. Common practice, no source.
const matchWithin = 3 * time.Hour

// openedWithin: a window that opens this long before it was expected is the one
// that was expected. Common practice, no source.
const openedWithin = time.Hour

// learnOutlook takes the windows ahead of a site.
func (e *Engine) learnOutlook(s *State, o *seedability.Outlook, now time.Time) {
	site, known := e.sites[o.Site.ID]
	if !known || o.Programme != e.programme.ID || now.Sub(o.IssuedAt) > 12*time.Hour || o.IssuedAt.Sub(now) > farAhead {
		return
	}
	state := s.Sites[site.ID]
	if late(state.OutlookAt.Sub(o.IssuedAt), state.OutlookAt, now) {
		return
	}
	state.OutlookAt = o.IssuedAt.UTC()
	s.Sites[site.ID] = state

	var keys []string
	for k, c := range s.Conditions {
		if c.Topic == topicAhead && c.Site == site.ID {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	taken := map[string]bool{}
	for k := range o.Windows {
		w := &o.Windows[k]
		if !w.End.After(now) || !sane(w, now) {
			continue
		}
		e.refineEnd(s, site.ID, w, now)
		at := ""
		for _, k := range keys {
			c := s.Conditions[k]
			overlap := w.Start.Before(c.End) && c.Start.Before(w.End)
			if !taken[k] && (overlap || w.Best.Sub(c.Best).Abs() <= matchWithin) && (at == "" || overlap) {
				at = k
				if overlap {
					break
				}
			}
		}
		if at == "" {
			if !w.Start.After(now) || w.StartsBefore || len(keys)+1 > maxWindowsAhead {
				continue // it is there already, and told when it is open
			}
			at = key(topicAhead, w.Start.UTC().Format("20060102T150405"), site.ID)
			keys = append(keys, at)
		}
		taken[at] = true
		c := s.Conditions[at]
		if c.Opened {
			continue
		}
		c.Topic, c.Site = topicAhead, site.ID
		if c.ID == "" {
			c.ID = w.Start.UTC().Format("20060102T150405")
		}
		c.set(1, now)
		if !c.Start.Equal(w.Start) {
			c.Changed = now
		}
		c.Start, c.Best, c.End = w.Start.UTC(), w.Best.UTC(), w.End.UTC()
		if w.Best.Before(w.Start) || w.Best.After(w.End) {
			c.Best = c.Start
		}
		c.Confidence, c.Score = w.Confidence, w.PeakScore
		c.Reason = clean(whyAhead(w, o), maxReason)
		e.keep(s, at, c)
	}
	for _, k := range keys {
		c := s.Conditions[k]
		// Beyond the outlook, or before it, it says nothing of the window.
		if taken[k] || c.Level == 0 || c.Opened || c.Start.Before(o.From) || c.Start.After(o.To) {
			continue
		}
		c.set(0, now)
		c.Reason = whyGone(o, &c)
		s.Conditions[k] = c
	}
}

// refineEnd takes the end of an open window from a newer outlook.
func (e *Engine) refineEnd(s *State, site string, w *seedability.Window, now time.Time) {
	k := key(topicWindow, "", site)
	if c, known := s.Conditions[k]; known && c.Level > 0 && !w.Start.After(now) && w.End.After(now) {
		c.End = w.End.UTC().Truncate(time.Second)
		if w.EndsAfter || w.BeforeBlind {
			c.End = time.Time{}
		}
		s.Conditions[k] = c
	}
}

// openAhead marks the windows ahead that an open window fulfils.
func (e *Engine) openAhead(s *State, site string, now time.Time) {
	for _, k := range slices.Sorted(maps.Keys(s.Conditions)) {
		c := s.Conditions[k]
		if c.Topic == topicAhead && c.Site == site && !c.Opened && c.End.After(now) && c.Start.Sub(now) <= openedWithin {
			c.Opened = true
			s.Conditions[k] = c
		}
	}
}

// whyWindow says in a line why a window is open.
func whyWindow(a *seedability.Assessment, reason string) string {
	parts := []string{}
	if a.Liquid.UsedKgPerM2 != nil {
		parts = append(parts, fmt.Sprintf("%.2f mm of supercooled water on the way", *a.Liquid.UsedKgPerM2))
	}
	best := -1
	for k := range a.Transport.Targets {
		if best < 0 || a.Transport.Targets[k].Probability > a.Transport.Targets[best].Probability {
			best = k
		}
	}
	if best >= 0 {
		parts = append(parts, fmt.Sprintf("%.0f %% of it lands in %s", 100*a.Transport.Targets[best].Probability, clean(a.Transport.Targets[best].Name, 40)))
	}
	if q := a.Transport.ActivationMinutes.Q50; q != nil {
		parts = append(parts, fmt.Sprintf("acts %.0f min after release", *q))
	}
	return strings.Join(append(parts, reason), "; ")
}

// whyAhead says in a line what the outlook expects of a window.
func whyAhead(w *seedability.Window, o *seedability.Outlook) string {
	parts := []string{fmt.Sprintf("score %.0f at best", w.PeakScore)}
	best := -1
	for k := range w.Targets {
		if best < 0 || w.Targets[k].Probability > w.Targets[best].Probability {
			best = k
		}
	}
	if best >= 0 {
		parts = append(parts, fmt.Sprintf("%.0f %% would land in %s", 100*w.Targets[best].Probability, clean(w.Targets[best].Name, 40)))
	}
	if !o.ModelReferenceTime.IsZero() {
		parts = append(parts, "by the model run of "+o.ModelReferenceTime.UTC().Format("2 Jan 15:04")+" UTC")
	}
	if w.EndsAfter || w.BeforeBlind {
		parts = append(parts, "its end is not seen yet")
	}
	return strings.Join(parts, "; ")
}

// whyGone says why a window that was ahead is no longer in the outlook.
func whyGone(o *seedability.Outlook, c *Condition) string {
	for _, r := range o.Releases {
		if r.ReleaseTime.Before(c.Start.Add(-time.Hour)) || r.ReleaseTime.After(c.End.Add(time.Hour)) {
			continue
		}
		switch r.State {
		case seedability.StateBlind:
			return clean("it can no longer be judged: "+r.Reason, maxReason)
		case seedability.StateHold:
			return clean("it lies under a hold: "+r.Reason, maxReason)
		}
	}
	return "newer forecasts do not show it"
}
