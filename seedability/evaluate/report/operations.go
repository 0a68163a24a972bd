package report

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/archive"
	"rimeline/seedability/evaluate"
	"rimeline/seedability/hold"
)

// Cautions that go with operations.
const (
	CautionAdvice    = "A window is advice of the program, not a finding that seeding would have worked; a missed window may have been left for good reasons that no record has."
	CautionHoldTimes = "Holds are known as finely as scores and judgements were made. A release that began before a hold was judged counts as in it from then on."
	CautionRecords   = "Releases are what people recorded. A release that nobody recorded looks like a missed window. These tables do not replace the records that a permit asks for."
)

// told before a window by so much counts as its announcement; and a window told of that
// lies farther than near from any is one that did not come. Common practice, no source;
// near is that of outlooks that compare windows.
const (
	toldBefore = 72 * time.Hour
	near       = 3 * time.Hour
)

// judgedFor is how long a judgement of criteria says that a hold stands where no other
// follows; package hold takes older ones as unknown.
const judgedFor = 30 * time.Minute

// holdStretch is one criterion that suspended, with the sites it names (empty: all).
type holdStretch struct {
	key    string
	sites  []string
	reason string
	span   evaluate.Span
}

// operate makes the part on operations.
func (g *gathering) operate(ctx context.Context, from Archive) error {
	r := g.report
	p := &r.Operations
	*p = Operations{Sites: []evaluate.Operation{}, States: []StateMinutes{}, Windows: []WindowRecord{}, Releases: []ReleaseMark{}, AcksBy: []AcksOfKind{},
		Cautions: []string{CautionAdvice, CautionRecords, CautionHoldTimes}}
	p.Compared = fmt.Sprintf("Stretches in which a site stood at window in its scores (under a hold: in which its score was %.4g or more), with recorded releases and with holds. A state lasts until the next score; between scores more than %s apart nobody knows.", g.options.HeldScore, span(g.options.Gap))
	stretches, err := g.holds(ctx, from)
	if err != nil {
		return err
	}
	releases, err := g.releases(ctx, from)
	if err != nil {
		return err
	}
	period := evaluate.Span{Start: r.From, End: r.To}
	for site := range releases {
		g.track.site(site) // a site with releases and no score
	}
	opened := map[string][]evaluate.Span{}
	switch {
	case r.From.IsZero() || r.To.IsZero() || !r.From.Before(r.To):
		p.Why = "the archive has no day in the period"
	case len(g.track.sites) == 0:
		p.Why = "the archive has neither scores nor releases in the period"
	}
	if p.Why != "" {
		p.Total = evaluate.TotalOperation(nil)
	} else {
		for _, name := range g.track.names() {
			s := g.track.sites[name]
			if !s.last.IsZero() {
				s.shut(s.last)
			}
			if err := g.site(name, s, period, stretches, releases[name], opened); err != nil {
				return err
			}
		}
		p.Total = evaluate.TotalOperation(p.Sites)
	}
	return g.told(ctx, from, opened)
}

func (g *gathering) site(name string, s *siteTrack, period evaluate.Span, stretches []holdStretch, releases []alert.Release, opened map[string][]evaluate.Span) error {
	p := &g.report.Operations
	record := evaluate.SiteRecord{Site: name, Period: period, Windows: s.offered.spans, Holds: slices.Clone(s.held.spans)}
	for k := range stretches {
		if h := &stretches[k]; len(h.sites) == 0 || slices.Contains(h.sites, name) {
			record.Holds = append(record.Holds, h.span)
		}
	}
	for k := range releases {
		record.Releases = append(record.Releases, evaluate.Span{Start: releases[k].Start, End: releases[k].End})
	}
	o, err := evaluate.Operate(record)
	if err != nil {
		return err
	}
	p.Sites = append(p.Sites, o)
	p.States = append(p.States, StateMinutes{Site: name, Minutes: s.minutes, Unknown: s.unknown, Scores: s.scores})
	part := func(of evaluate.Span) (evaluate.Operation, bool, error) {
		if of.Start.Before(period.Start) {
			of.Start = period.Start
		}
		if of.End.After(period.End) {
			of.End = period.End
		}
		if !of.Start.Before(of.End) {
			return evaluate.Operation{}, false, nil
		}
		o, err := evaluate.Operate(evaluate.SiteRecord{Site: name, Period: of, Windows: touching(record.Windows, of), Holds: touching(record.Holds, of), Releases: touching(record.Releases, of)})
		return o, true, err
	}
	for _, w := range record.Windows {
		o, in, err := part(w)
		if err != nil {
			return err
		}
		if in {
			p.Windows = append(p.Windows, WindowRecord{Site: name, Start: o.Period.Start, End: o.Period.End, Minutes: o.OfferedMinutes, Held: o.HeldMinutes, Used: o.UsedMinutes, Missed: o.MissedMinutes})
		}
	}
	for _, w := range s.opened.spans {
		if w.Start.Before(period.End) && !w.Start.Before(period.Start) {
			opened[name] = append(opened[name], w)
		}
	}
	for k := range releases {
		release := &releases[k]
		o, in, err := part(evaluate.Span{Start: release.Start, End: release.End})
		if err != nil {
			return err
		}
		if !in {
			continue
		}
		// Of this release alone: others of the site may burn at the same time.
		mark := ReleaseMark{ID: release.ID, Site: name, Unit: release.Unit, Who: release.Who, Start: release.Start.UTC(), End: release.End.UTC(), Grams: release.Grams, Outside: o.OutsideMinutes, Held: o.HoldReleaseMinutes, Holds: []string{}}
		for i := range stretches {
			h := &stretches[i]
			if (len(h.sites) == 0 || slices.Contains(h.sites, name)) && h.span.Start.Before(release.End) && release.Start.Before(h.span.End) {
				mark.Holds = append(mark.Holds, h.key+": "+h.reason)
			}
		}
		if mark.Held > 0 && len(mark.Holds) == 0 {
			mark.Holds = append(mark.Holds, "the site stood at hold in its scores")
		}
		p.Releases = append(p.Releases, mark)
	}
	return nil
}

// touching are the spans that overlap one.
func touching(all []evaluate.Span, one evaluate.Span) (some []evaluate.Span) {
	for _, s := range all {
		if s.Start.Before(one.End) && one.Start.Before(s.End) {
			some = append(some, s)
		}
	}
	return some
}

// around widens the period for records that come before or after what they are about.
func (g *gathering) around(before, after time.Duration) archive.Query {
	q := archive.Query{Programme: g.options.Programme}
	if !g.options.From.IsZero() {
		q.From = g.options.From.Add(-before)
	}
	if !g.options.To.IsZero() {
		q.To = g.options.To.Add(after)
	}
	return q
}

// holds reads in which stretches criteria suspended. Those that name targets are left
// to the scores, which know for which targets a site releases.
func (g *gathering) holds(ctx context.Context, from Archive) ([]holdStretch, error) {
	type standing struct {
		start, last time.Time
		sites       []string
		reason      string
	}
	var stretches []holdStretch
	open := map[string]*standing{}
	shut := func(key string, at time.Time) {
		h := open[key]
		if end := h.last.Add(judgedFor); at.After(end) {
			at = end
		}
		stretches = append(stretches, holdStretch{key: key, sites: h.sites, reason: h.reason, span: evaluate.Span{Start: h.start, End: at}})
		delete(open, key)
	}
	seen := map[string]bool{}
	var at time.Time
	var sequence int64 = -1
	settle := func() { // the end of one message: what it does not hold is over
		for _, key := range sortedKeys(open) {
			if !seen[key] {
				shut(key, at)
			}
		}
		clear(seen)
	}
	for rows, err := range from.Table(ctx, archive.TableHolds, g.around(24*time.Hour, time.Hour), "time", "sequence", "key", "outcome", "reason", "data_json") {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			g.report.problem(err)
			continue
		}
		times, sequences := rows.Column("time").Ints, rows.Column("sequence").Ints
		keys, outcomes, reasons, data := rows.Column("key").Texts, rows.Column("outcome").Texts, rows.Column("reason").Texts, rows.Column("data_json").Texts
		for k := range rows.Len {
			if sequences[k] != sequence {
				if sequence >= 0 {
					settle()
				}
				sequence, at = sequences[k], archive.TimeOf(times[k])
			}
			if !hold.Outcome(outcomes[k]).Holds() {
				continue
			}
			h := open[keys[k]]
			if h != nil && at.Sub(h.last) > judgedFor {
				shut(keys[k], at)
				h = nil
			}
			if h == nil {
				var result hold.Result
				if err := json.Unmarshal([]byte(data[k]), &result); err != nil {
					g.report.problem(fmt.Errorf("hold %q of %s: %w", keys[k], clock(at), err))
					continue
				}
				if len(result.Targets) > 0 {
					continue
				}
				h = &standing{start: at, sites: result.Sites, reason: reasons[k]}
				open[keys[k]] = h
			}
			seen[keys[k]] = true
			h.last = at
			if len(stretches) > maxSpans {
				return nil, fmt.Errorf("evaluate: more than %d holds", maxSpans)
			}
		}
	}
	settle()
	for _, key := range sortedKeys(open) {
		shut(key, open[key].last.Add(judgedFor))
	}
	return stretches, nil
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for key := range m {
		keys = append(keys, key)
	}
	sort.Strings(keys)
	return keys
}

// releases reads the records that no other corrects, by site. A record may come long
// after the release, so the time of recording bounds nothing.
func (g *gathering) releases(ctx context.Context, from Archive) (map[string][]alert.Release, error) {
	var all []alert.Release
	err := g.each(ctx, from, archive.TableReleases, archive.Query{Programme: g.options.Programme}, func(data []byte) error {
		var release alert.Release
		if err := json.Unmarshal(data, &release); err != nil {
			return fmt.Errorf("release: %w", err)
		}
		all = append(all, release)
		return nil
	})
	if err != nil {
		return nil, err
	}
	bySite := map[string][]alert.Release{}
	for _, release := range alert.InForce(all) {
		if (g.report.To.IsZero() || release.Start.Before(g.report.To)) && release.End.After(g.report.From) {
			bySite[release.Site] = append(bySite[release.Site], release)
		}
	}
	return bySite, nil
}

// each calls f with the data of every row of a table.
func (g *gathering) each(ctx context.Context, from Archive, table string, q archive.Query, f func(data []byte) error) error {
	n := 0
	for rows, err := range from.Table(ctx, table, q, "time", "data_json") {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			g.report.problem(err)
			continue
		}
		if n += rows.Len; n > maxRecords {
			return fmt.Errorf("evaluate: more than %d rows of %s", maxRecords, table)
		}
		for _, data := range rows.Column("data_json").Texts {
			if err := f([]byte(data)); err != nil {
				g.report.problem(err)
			}
		}
	}
	return nil
}

// toldOf is one window that one alert named at one site.
type toldOf struct {
	raised     time.Time
	start, end time.Time
	first      bool // change new of a window ahead: an announcement that may not come true
}

// told makes lead and acknowledgement times.
func (g *gathering) told(ctx context.Context, from Archive, opened map[string][]evaluate.Span) error {
	p := &g.report.Operations
	told := map[string][]toldOf{}
	type asked struct {
		kind   alert.Kind
		raised time.Time
		acked  time.Time
	}
	asks := map[string]*asked{}
	first := map[string]string{} // of a repeat, what it repeats
	err := g.each(ctx, from, archive.TableAlerts, g.around(toldBefore, 24*time.Hour), func(data []byte) error {
		var a alert.Alert
		if err := json.Unmarshal(data, &a); err != nil {
			return fmt.Errorf("alert: %w", err)
		}
		if a.Exercise {
			p.Exercises++
		}
		if a.First != "" {
			first[a.ID] = a.First
		} else if a.NeedsAck && asks[a.ID] == nil && g.inPeriod(a.Raised) {
			asks[a.ID] = &asked{kind: a.Kind, raised: a.Raised}
		}
		if a.Kind != alert.WindowAhead && a.Kind != alert.WindowOpen {
			return nil
		}
		switch a.Change {
		case alert.ChangeNew, alert.ChangeLater, alert.ChangeSoon, alert.ChangeWorse:
		default:
			return nil
		}
		for _, site := range a.Sites {
			t := toldOf{raised: a.Raised, start: site.Start, end: site.End, first: a.Kind == alert.WindowAhead && a.Change == alert.ChangeNew}
			if t.start.IsZero() {
				t.start, t.end = a.Start, a.End
			}
			if t.end.Before(t.start) {
				t.end = t.start
			}
			if !t.start.IsZero() {
				told[site.ID] = append(told[site.ID], t)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	err = g.each(ctx, from, archive.TableAcks, g.around(toldBefore, 30*24*time.Hour), func(data []byte) error {
		var a struct {
			Alert string    `json:"alert"`
			At    time.Time `json:"at"`
		}
		if err := json.Unmarshal(data, &a); err != nil {
			return fmt.Errorf("acknowledgement: %w", err)
		}
		id := a.Alert
		if of, ok := first[id]; ok {
			id = of
		}
		if ask := asks[id]; ask != nil && !a.At.IsZero() && (ask.acked.IsZero() || a.At.Before(ask.acked)) {
			ask.acked = a.At
		}
		return nil
	})
	if err != nil {
		return err
	}

	var events []evaluate.Announced
	for _, site := range sortedKeys(opened) {
		slices.SortStableFunc(told[site], func(a, b toldOf) int { return a.raised.Compare(b.raised) })
		for _, w := range opened[site] {
			event := evaluate.Announced{Start: w.Start}
			for _, t := range told[site] {
				if meets(&t, w) && !t.raised.After(w.End) && t.raised.After(w.Start.Add(-toldBefore)) {
					event.Announced = t.raised
					break
				}
			}
			events = append(events, event)
		}
	}
	p.Lead = evaluate.LeadTimesOf(events)
	for _, site := range sortedKeys(told) {
		for _, t := range told[site] {
			if !t.first || !g.inPeriod(t.start) {
				continue
			}
			p.Announced++
			if !slices.ContainsFunc(opened[site], func(w evaluate.Span) bool { return meets(&t, w) }) {
				p.NotCome++
			}
		}
	}

	byKind := map[string][]evaluate.Raised{}
	var all []evaluate.Raised
	for _, id := range sortedKeys(asks) {
		a := asks[id]
		one := evaluate.Raised{Raised: a.raised, Acknowledged: a.acked}
		all = append(all, one)
		byKind[string(a.kind)] = append(byKind[string(a.kind)], one)
	}
	p.Acks = evaluate.AcknowledgementsOf(all)
	for _, kind := range sortedKeys(byKind) {
		p.AcksBy = append(p.AcksBy, AcksOfKind{Kind: kind, Acks: evaluate.AcknowledgementsOf(byKind[kind])})
	}
	return nil
}

func (g *gathering) inPeriod(t time.Time) bool {
	return !t.Before(g.report.From) && (g.report.To.IsZero() || t.Before(g.report.To))
}

// meets: what was told of overlaps a window, or lies no farther from it than near.
func meets(t *toldOf, w evaluate.Span) bool {
	return !t.start.After(w.End.Add(near)) && !t.end.Before(w.Start.Add(-near))
}

// flagged are releases with a part in a hold, or outside of windows.
func (p *Operations) flagged() []ReleaseMark {
	var some []ReleaseMark
	for _, r := range p.Releases {
		if r.Held > 0 || r.Outside > 0 {
			some = append(some, r)
		}
	}
	slices.SortStableFunc(some, func(a, b ReleaseMark) int {
		if (a.Held > 0) != (b.Held > 0) {
			if a.Held > 0 {
				return -1
			}
			return 1
		}
		return a.Start.Compare(b.Start)
	})
	return some
}

// stateNames in the order in which they are shown.
var stateNames = []seedability.State{seedability.StateQuiet, seedability.StateBuilding, seedability.StateWindow, seedability.StateHold, seedability.StateBlind}

func joined(texts []string) string { return strings.Join(texts, "; ") }
