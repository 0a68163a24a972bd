package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// shortestRest: what holds leave of a true window is worth telling from so long on.
const shortestRest = 10 * time.Minute

// heldInTruth lists when the storm itself suspends a site.
func (r *rehearsalRun) heldInTruth(site string) []rehearsal.HeldStretch {
	var all []rehearsal.HeldStretch
	for _, h := range r.scenario.Holds() {
		served := r.programme.Site(site).TargetIDs
		concerns := slices.Contains(h.Sites, site) && slices.ContainsFunc(h.Targets, func(id string) bool { return slices.Contains(served, id) })
		if concerns && r.programme.Hold(h.Criterion) != nil {
			all = append(all, h)
		}
	}
	return all
}

// allowedOf is what is left of a true window when the storm's own holds are taken
// out of it, each with the time that it must be clear before it lifts.
func (r *rehearsalRun) allowedOf(site string, w truthWindow) []stretch {
	left := []stretch{{w.open, w.close}}
	for _, h := range r.heldInTruth(site) {
		to := h.To.Add(h.ClearAfter)
		if !h.To.Before(r.scenario.End()) {
			to = h.To
		}
		var next []stretch
		for _, s := range left {
			if !h.From.After(s.from) && !to.Before(s.to) {
				continue
			}
			if h.From.After(s.from) && h.From.Before(s.to) {
				next = append(next, stretch{s.from, h.From})
			}
			if to.After(s.from) && to.Before(s.to) {
				next = append(next, stretch{to, s.to})
			}
			if !h.From.Before(s.to) || !to.After(s.from) {
				next = append(next, s)
			}
		}
		left = next
	}
	return slices.DeleteFunc(left, func(s stretch) bool { return s.to.Sub(s.from) < shortestRest })
}

// publishedHolds lists when each criterion of the programme suspended something,
// as it was published.
func (r *rehearsalRun) publishedHolds(ctx context.Context) (map[string][]stretch, error) {
	found := map[string][]stretch{}
	open := map[string]time.Time{}
	for stored, err := range r.service.bus.ReadBack(ctx, bus.Hold) {
		if err != nil {
			return nil, err
		}
		holds, err := message.As[message.Holds](stored.Event)
		if err != nil {
			return nil, err
		}
		held := map[string]bool{}
		for _, result := range holds.Results {
			held[result.Criterion] = held[result.Criterion] || result.Outcome.Holds()
		}
		for criterion, is := range held {
			from, was := open[criterion]
			switch {
			case is && !was:
				open[criterion] = holds.At
			case !is && was:
				found[criterion] = append(found[criterion], stretch{from, holds.At})
				delete(open, criterion)
			}
		}
	}
	for criterion, from := range open {
		found[criterion] = append(found[criterion], stretch{from, r.clock.Now()})
	}
	return found, nil
}

// trueHolds lists when each criterion suspends something in truth; stretches of one
// criterion that touch are one.
func (r *rehearsalRun) trueHolds() map[string][]stretch {
	found := map[string][]stretch{}
	for _, h := range r.scenario.Holds() {
		if r.programme.Hold(h.Criterion) == nil {
			continue
		}
		list := found[h.Criterion]
		if n := len(list); n > 0 && !h.From.After(list[n-1].to.Add(h.ClearAfter)) {
			list[n-1].to = later(list[n-1].to, h.To)
		} else {
			list = append(list, stretch{h.From, h.To})
		}
		found[h.Criterion] = list
	}
	return found
}

// summariseHolds compares the holds of the storm with those that were published, and
// counts the alerts.
func (r *rehearsalRun) summariseHolds(ctx context.Context, p *page, end time.Time) error {
	published, err := r.publishedHolds(ctx)
	if err != nil {
		return err
	}
	rows := [][]string{{"SUSPENDED BY", "IN TRUTH", "PUBLISHED", "RAISED", "LIFTED"}}
	truth := r.trueHolds()
	for k := range r.programme.Holds {
		h := &r.programme.Holds[k]
		used := make([]bool, len(published[h.ID]))
		for _, true_ := range truth[h.ID] {
			if true_.from.After(end) {
				continue
			}
			row := []string{h.Name, span(true_), "none", "missed", ""}
			for n, s := range published[h.ID] {
				if !used[n] && s.overlapWith(true_) > 0 {
					row[2], row[3], row[4] = span(s), lateness(s.from.Sub(true_.from)), lateness(s.to.Sub(true_.to))
					if !true_.to.Before(end) || !s.to.Before(end) {
						row[4] = "stands"
					}
					used[n] = true
					break
				}
			}
			rows = append(rows, row)
		}
		for n, s := range published[h.ID] {
			if !used[n] {
				rows = append(rows, []string{h.Name, "none", span(s), "", ""})
			}
		}
	}
	if len(rows) > 1 {
		p.printf("\n")
		p.table("", rows)
	}
	counts, total := map[string]int{}, 0
	for stored, err := range r.service.bus.ReadBack(ctx, bus.Alert) {
		if err != nil {
			return err
		}
		parts := strings.Split(stored.Subject, ".")
		counts[parts[len(parts)-1]]++
		total++
	}
	var parts []string
	for _, kind := range sortedKeys(counts) {
		parts = append(parts, fmt.Sprintf("%d %s", counts[kind], kind))
	}
	if total > 0 {
		p.printf("\n  %s: %s.\n", count(total, "alert"), strings.Join(parts, ", "))
	}
	return nil
}

// lateness of what was published against the truth.
func lateness(d time.Duration) string {
	switch m := d.Round(time.Minute).Minutes(); {
	case m > 0:
		return fmt.Sprintf("%.0f min late", m)
	case m < 0:
		return fmt.Sprintf("%.0f min early", -m)
	}
	return "on time"
}

// heldText says which criteria hold a site in a stretch of time.
func (r *rehearsalRun) heldText(site string, within stretch) string {
	var names []string
	for _, h := range r.heldInTruth(site) {
		if within.overlapWith(stretch{h.From, h.To.Add(h.ClearAfter)}) > 0 && !slices.Contains(names, r.programme.Hold(h.Criterion).Name) {
			names = append(names, r.programme.Hold(h.Criterion).Name)
		}
	}
	return strings.Join(names, ", ")
}
