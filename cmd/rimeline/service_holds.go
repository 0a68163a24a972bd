package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"rimeline/grid"
	"rimeline/ingest/crop"
	stores "rimeline/ingest/source"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Of the suspension criteria; common practice, no source.
const (
	// holdsEvery: without anything new the criteria are judged again after so long,
	// because inputs grow old, hours end and holds lift by themselves.
	holdsEvery = time.Minute
	// holdsSaidEvery: without a change they are published again after so long.
	holdsSaidEvery = 5 * time.Minute
	// holdsFirstWait: at the very first start nothing has been fetched yet, and
	// everything would be unknown; so long the first word is waited for. Sites are
	// held meanwhile.
	holdsFirstWait = time.Minute
	// reportsFor is how long reports of gauges and sites are kept: rates of rise are
	// taken over hours, batteries are foreseen from a night. Of those older than an
	// hour one a quarter of an hour is kept.
	reportsFor    = keepInputsFor
	reportsThinIn = 15 * time.Minute
	// conditionsLeast is the shortest time from one look at the weather over sites
	// and targets to the next.
	conditionsLeast = 5 * time.Second
	// stormWithin: windows of the outlook that begin within this time of each other
	// are one storm, to the end of which a site should be able to work.
	stormWithin = 12 * time.Hour
)

// holdBook is all that the owner of a schedule knows for the suspension criteria
// of its programme, and what they said last.
type holdBook struct {
	orders   []message.Order
	releases []alert.Release
	// unread says why the record of orders or releases cannot be read to its end;
	// empty where it can.
	unread     map[string]string
	reports    map[string]keptReport // by input and object
	conditions message.Conditions

	results []hold.Result
	said    string    // the outcomes that were published last
	saidAt  time.Time // and when
	began   time.Time
	due     time.Time
	trigger string
	ordered bool // a person waits for an answer

	conditionsAsked  time.Time
	conditionsDue    time.Time // since inputs have come; zero where none have
	conditionsPicked []inputRef
}

// keptReport is one answer of a gauge, a list of warnings, or a site.
type keptReport struct {
	input  *programme.Input
	group  string // reports of one gauge, list or site
	asOf   time.Time
	report *report
}

// listened are the kinds of message, beside input records, that the owner of a
// schedule lives by.
var listened = []bus.Kind{bus.Order, bus.Release, bus.Telemetry, bus.Conditions}

// seenOf counts what of each kind was taken note of.
type seenOf map[string]*atomic.Uint64

func newSeenOf(kinds ...bus.Kind) seenOf {
	seen := seenOf{}
	for _, kind := range kinds {
		seen[kind.Name] = &atomic.Uint64{}
	}
	return seen
}

// recallHolds reads what persons have decided and what was judged last, and goes
// on listening.
func (c *schedule) recallHolds(ctx context.Context) error {
	b := &c.book
	b.reports, b.unread = map[string]keptReport{}, map[string]string{}
	b.began = c.clock.Now()
	var holds message.Holds
	known, err := c.latest(ctx, bus.Hold, c.programme.ID, bus.Whole, &holds)
	if err != nil {
		return err
	}
	if known && !holds.At.After(b.began.Add(soonest)) {
		b.results, b.said, b.saidAt = holds.Results, outcomesOf(holds.Results), holds.At
	}
	for _, kind := range listened {
		last, err := c.bus.LastSequence(ctx, kind)
		if err != nil {
			return err
		}
		since := bus.FromSequence(last + 1)
		switch kind.Name {
		case bus.Order.Name, bus.Release.Name:
			// A hold that a person set years ago still holds: the whole record counts.
			for stored, err := range c.bus.ReadBack(ctx, kind) {
				if err != nil && stored.Subject == "" {
					return err
				}
				if strings.HasPrefix(stored.Subject, "rimeline."+c.programme.ID+".") {
					c.hear(heardMessage{kind, stored, err})
				}
			}
		case bus.Telemetry.Name:
			since = bus.FromTime(b.began.Add(-reportsFor))
		case bus.Conditions.Name:
			if _, err := c.latest(ctx, kind, c.programme.ID, bus.Whole, &b.conditions); err != nil {
				return err
			}
		}
		c.listenedTo[kind.Name].Store(last)
		go c.listen(ctx, kind, since)
	}
	c.takeHeard()
	b.due = b.began
	return nil
}

// heardMessage is one that has come and was not looked at yet; err where it is no
// event.
type heardMessage struct {
	kind   bus.Kind
	stored bus.Stored
	err    error
}

func (c *schedule) hear(m heardMessage) {
	c.mutex.Lock()
	c.heardMessages = append(c.heardMessages, m)
	c.mutex.Unlock()
	select {
	case c.wake <- struct{}{}:
	default:
	}
}

func (c *schedule) listen(ctx context.Context, kind bus.Kind, since bus.Since) {
	for stored, err := range c.bus.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{kind}, Programme: c.programme.ID, Since: since}) {
		if err != nil && stored.Sequence == 0 {
			if ctx.Err() == nil {
				c.log.Error("the record cannot be followed", "programme", c.programme.ID, "kind", kind.Name, "error", err)
			}
			c.hear(heardMessage{kind: kind, err: err})
			continue
		}
		c.hear(heardMessage{kind, stored, err})
	}
	if ctx.Err() == nil {
		c.hear(heardMessage{kind: kind, err: fmt.Errorf("nothing of the kind %s can be read any more", kind.Name)})
	}
}

// takeHeard looks at the messages that have come.
func (c *schedule) takeHeard() {
	c.mutex.Lock()
	heard := c.heardMessages
	c.heardMessages = nil
	c.mutex.Unlock()
	if len(heard) == 0 {
		return
	}
	now := c.clock.Now()
	for _, m := range heard {
		c.takeOne(m, now)
	}
	for _, m := range heard {
		if m.stored.Sequence > 0 {
			c.listenedTo[m.kind.Name].Store(m.stored.Sequence)
		}
	}
}

func (c *schedule) takeOne(m heardMessage, now time.Time) {
	b := &c.book
	wanted := func(trigger string) { c.wantHolds(now, trigger) }
	if m.err != nil && m.stored.Sequence == 0 {
		b.unread[m.kind.Name] = m.err.Error()
		wanted("the record of " + m.kind.Name + "s")
		return
	}
	switch m.kind.Name {
	case bus.Order.Name:
		order, err := message.As[message.Order](m.stored.Event)
		if err == nil && order.Programme != c.programme.ID {
			err = fmt.Errorf("it names the programme %q", order.Programme)
		}
		if m.err != nil || err != nil {
			// Somebody wanted something. Until a person has looked, nothing is released.
			order = unreadableOrder(c.programme.ID, m.stored.Sequence, m.stored.Time)
			c.log.Error("an order about holds cannot be read; it counts as a hold", "id", order.ID, "error", errors.Join(m.err, err))
		}
		b.orders = append(b.orders, order)
		b.ordered = true
		wanted("order " + order.ID)
	case bus.Release.Name:
		release, err := message.As[alert.Release](m.stored.Event)
		if m.err == nil && err == nil {
			_, err = alert.CheckRelease(b.releases, release, c.programme.ID, c.siteIDs(), later(now, m.stored.Time))
		}
		if err := errors.Join(m.err, err); err != nil {
			c.log.Error("a release record was not accepted", "programme", c.programme.ID, "sequence", m.stored.Sequence, "error", err)
			return
		}
		b.releases = append(b.releases, release)
		wanted("release at " + release.Site)
	case bus.Telemetry.Name:
		if m.err != nil {
			c.log.Warn("a message of a site cannot be read", "subject", m.stored.Subject, "error", m.err)
			return
		}
		c.takeTelemetry(m.stored, now)
	case bus.Conditions.Name:
		conditions, err := message.As[message.Conditions](m.stored.Event)
		if err := errors.Join(m.err, err); err != nil {
			c.log.Warn("conditions cannot be read", "programme", c.programme.ID, "error", err)
			return
		}
		if conditions.Programme == c.programme.ID && !conditions.AsOf.Before(b.conditions.AsOf) {
			b.conditions = conditions
			wanted("conditions of " + conditions.AsOf.Format("15:04:05"))
		}
	}
}

// takeTelemetry reads what a site says of itself by message, as the first input
// says that can.
func (c *schedule) takeTelemetry(stored bus.Stored, now time.Time) {
	var firstErr error
	for k := range c.programme.Inputs {
		input := &c.programme.Inputs[k]
		if input.Kind != stores.KindTelemetry || input.Source != programme.SourceBus {
			continue
		}
		read, err := decodeReport(c.programme, input, []crop.RawFile{{Name: stored.Subject, Bytes: stored.Event.Data}}, stored.Time)
		if err != nil {
			if firstErr == nil {
				firstErr = err
			}
			continue
		}
		c.book.reports[fmt.Sprintf("%s %d", input.ID, stored.Sequence)] = keptReport{input, stored.Subject, stored.Event.Time, read}
		c.wantHolds(now, "report of "+stored.Subject)
		return
	}
	if firstErr != nil {
		c.log.Warn("a message of a site does not fit its mapping", "subject", stored.Subject, "error", firstErr)
	}
}

// takeReport keeps what an input record of a gauge, a list of warnings or a site
// points to.
func (c *schedule) takeReport(ctx context.Context, record message.Input, now time.Time) {
	k := slices.IndexFunc(c.programme.Inputs, func(input programme.Input) bool { return input.ID == record.InputID })
	// ValidTime is up to when the answer holds: when it was asked for, or when the
	// file was written.
	if k < 0 || record.Crop == nil || record.Error != "" || now.Sub(record.ValidTime) > reportsFor {
		return
	}
	input := &c.programme.Inputs[k]
	d, err := c.crop(ctx, inputRef{record.Kind, record.Crop.Object})
	if err != nil {
		if ctx.Err() == nil {
			c.log.Error("a report is lost", "programme", c.programme.ID, "object", record.ObjectID, "error", err)
		}
		return
	}
	read, err := decodeReport(c.programme, input, d.Raw, record.ValidTime)
	if err != nil {
		c.log.Error("a report cannot be read", "programme", c.programme.ID, "object", record.ObjectID, "error", err)
		return
	}
	group := input.ID + " " + record.Station + " " + record.Product
	c.book.reports[inputKey(record.Source, record.ObjectID)] = keptReport{input, group, record.ValidTime, read}
	c.wantHolds(now, record.Kind+" "+record.ObjectID)
}

// wantHolds asks for a judgement, once what comes with this has come too.
func (c *schedule) wantHolds(now time.Time, trigger string) {
	if at := now.Add(settleFor); c.book.due.IsZero() || at.Before(c.book.due) {
		c.book.due = at
	}
	// Of several that come together the first by name is told, whichever came last.
	if c.book.trigger == "" || trigger < c.book.trigger {
		c.book.trigger = trigger
	}
}

func (c *schedule) siteIDs() []string { return sitesWithin(c.programme, -90, -180, 90, 180) }

// holdEvidence is all that is known at a moment.
func (c *schedule) holdEvidence(ctx context.Context, now time.Time) (hold.Evidence, error) {
	b, p := &c.book, c.programme
	e := hold.Evidence{At: now}
	c.thinReports(now)
	for _, key := range reportsInOrder(b.reports) {
		kept := b.reports[key]
		kept.report.addTo(&e, p, kept.input, now)
	}
	mergeEvidence(&e)
	e.Precipitation, e.FreezingLevels, e.Winds = b.conditions.Evidence()
	e.Manual, e.Lifts = ordersToEvidence(b.orders)
	if b.unread[bus.Order.Name] == "" {
		e.ManualAsOf = now
	}
	if b.unread[bus.Release.Name] == "" {
		e.Released = c.released(now)
	}
	return e, c.siteEvidence(ctx, &e)
}

// reportsInOrder lists the keys of reports, the oldest first.
func reportsInOrder(reports map[string]keptReport) []string {
	keys := sortedKeys(reports)
	slices.SortStableFunc(keys, func(a, b string) int { return reports[a].asOf.Compare(reports[b].asOf) })
	return keys
}

// thinReports forgets what has been replaced and what is old.
func (c *schedule) thinReports(now time.Time) {
	reports := c.book.reports
	kept := map[string]time.Time{} // of each group, the one kept last
	for _, key := range slices.Backward(reportsInOrder(reports)) {
		r := reports[key]
		last, newer := kept[r.group]
		whole := r.input.Kind == stores.KindWarnings || r.input.Kind == stores.KindAvalanche
		age := now.Sub(r.asOf)
		switch {
		case newer && whole, age > reportsFor, newer && age > time.Hour && last.Sub(r.asOf) < reportsThinIn:
			delete(reports, key)
		default:
			kept[r.group] = r.asOf
		}
	}
}

// released sums the record of releases for each site.
func (c *schedule) released(now time.Time) []hold.Released {
	p := c.programme
	month, day := time.January, 1
	for k := range p.Holds {
		if at, err := time.Parse("01-02", p.Holds[k].FromDate); err == nil && p.Holds[k].Kind == "agent_limit" {
			month, day = at.Month(), at.Day()
			break
		}
	}
	totals := alert.TotalsAt(c.book.releases, now, p.Location, month, day)
	var list []hold.Released
	for _, id := range c.siteIDs() {
		list = append(list, hold.Released{Site: id, Day: now.In(p.Location).Format("2006-01-02"), DayG: totals.SiteDayG[id], SeasonG: totals.SiteSeasonG[id], AsOf: now})
	}
	return list
}

// siteEvidence adds the mean path of a release of now, and until when the storm
// lasts, where a criterion asks for them.
func (c *schedule) siteEvidence(ctx context.Context, e *hold.Evidence) error {
	p := c.programme
	paths, ends := false, false
	for k := range p.Holds {
		h := &p.Holds[k]
		paths = paths || h.Kind == "warning" && slices.Contains(h.Near, "path")
		ends = ends || h.Kind == "site_ready" && h.BatteryHoursAhead != 0
	}
	for _, id := range c.siteIDs() {
		if paths {
			var a struct {
				AsOf time.Time              `json:"as_of"`
				Path []seedability.PathStep `json:"path"`
			}
			known, err := c.latest(ctx, bus.Score, p.ID, id, &a)
			if err != nil {
				return err
			}
			if known && len(a.Path) > 0 {
				path := hold.Path{Site: id, Time: a.AsOf}
				for _, step := range a.Path {
					path.Points = append(path.Points, hold.PathPoint{Place: grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}, SpreadM: step.SpreadM})
				}
				e.Paths = append(e.Paths, path)
			}
		}
		if ends {
			var o struct {
				Windows []seedability.Window `json:"windows"`
			}
			known, err := c.latest(ctx, bus.Outlook, p.ID, id, &o)
			if err != nil {
				return err
			}
			if end := stormEnd(o.Windows, e.At); known && !end.IsZero() {
				e.StormEnds = append(e.StormEnds, hold.StormEnd{Site: id, Time: end})
			}
		}
	}
	return nil
}

// stormEnd is when the last window ends of those that follow each other without a
// long gap; zero where none is ahead.
func stormEnd(windows []seedability.Window, now time.Time) time.Time {
	end := now
	for _, w := range windows {
		if w.End.After(end) && w.Start.Sub(end) <= stormWithin {
			end = w.End
		}
	}
	if end.Equal(now) {
		return time.Time{}
	}
	return end
}

// judgeHolds judges the criteria where that is due, publishes what has changed, and
// says when it is due again.
func (c *schedule) judgeHolds(ctx context.Context, now time.Time) (next time.Time, err error) {
	b := &c.book
	if b.due.After(now) {
		return b.due, nil
	}
	evidence, err := c.holdEvidence(ctx, now)
	if err != nil {
		return now, err
	}
	results := hold.Judge(c.programme, evidence, b.results)
	b.due = now.Add(holdsEvery)
	for k := range results {
		if at := results[k].LiftsAt; at.After(now) && at.Before(b.due) {
			b.due = at
		}
	}
	if b.results == nil && now.Before(b.began.Add(holdsFirstWait)) && slices.ContainsFunc(results, func(r hold.Result) bool { return r.Outcome == hold.Unknown }) {
		b.due = now.Add(5 * time.Second)
		return b.due, nil
	}
	before := b.results
	outcomes := outcomesOf(results)
	changed := outcomes != b.said
	trigger := cmp.Or(b.trigger, "time")
	b.trigger = ""
	holds := message.Holds{Programme: c.programme.ID, At: now, Results: results, Trigger: trigger, UnitsLeft: unitsLeft(evidence.SiteReports)}
	event, err := bus.NewEvent(bus.Hold, c.programme.ID, bus.Whole, now, holds)
	if err != nil {
		return now, err
	}
	// Workers read the newest: it comes first, so that what is published after a
	// change was judged under it.
	if err := c.bus.PutLatest(ctx, event); err != nil {
		return now, err
	}
	// A person who gave an order waits for an answer, also where it changes nothing.
	if changed || b.ordered || now.Sub(b.saidAt) >= holdsSaidEvery {
		if _, err := c.bus.Publish(ctx, event); err != nil {
			return now, err
		}
		b.said, b.saidAt, b.ordered = outcomes, now, false
		c.counts.add("holds_published", 1)
	}
	b.results = results
	if changed {
		c.log.Info("holds", "programme", c.programme.ID, "trigger", trigger, "outcomes", summaryOf(results))
		c.rejudge(before, results, now)
	}
	return b.due, nil
}

// unitsLeft is what each site has left by its newest report that says so.
func unitsLeft(reports []hold.SiteReport) (left []message.SiteUnits) {
	newest := map[string]message.SiteUnits{}
	for k := range reports {
		r := &reports[k]
		if units := r.UnitsLeft; units != nil && *units >= 0 && !math.IsInf(*units, 0) && !r.Time.Before(newest[r.Site].At) {
			newest[r.Site] = message.SiteUnits{Site: r.Site, UnitsLeft: *units, At: r.Time}
		}
	}
	for _, site := range sortedKeys(newest) {
		left = append(left, newest[site])
	}
	return left
}

// outcomesOf is what of results is worth telling when it changes.
func outcomesOf(results []hold.Result) string {
	var text strings.Builder
	for _, r := range results {
		fmt.Fprintf(&text, "%s %s %v %v\n", r.Key, r.Outcome, r.Sites, r.Targets)
	}
	return text.String()
}

func summaryOf(results []hold.Result) string {
	counts := map[hold.Outcome]int{}
	for _, r := range results {
		counts[r.Outcome]++
	}
	var parts []string
	for _, outcome := range []hold.Outcome{hold.Held, hold.Unknown, hold.Review, hold.Clear} {
		if counts[outcome] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", counts[outcome], outcome))
		}
	}
	return strings.Join(parts, ", ")
}

// rejudge asks for new assessments, at once, of the sites for which it has changed
// whether they are held.
func (c *schedule) rejudge(before, after []hold.Result, now time.Time) {
	for k := range c.programme.Sites {
		site := &c.programme.Sites[k]
		was, _, _ := hold.ForSite(before, site.ID, site.TargetIDs)
		is, _, _ := hold.ForSite(after, site.ID, site.TargetIDs)
		if was == is {
			continue
		}
		c.dirty[site.ID] = true
		c.urgent, c.trigger = true, "holds"
	}
}

// holdsFor are the newest results for assessments made at a moment. A criterion of
// the programme of which nothing was said counts as unknown.
func (s *service) holdsFor(ctx context.Context, p *programme.Programme, moment time.Time) ([]hold.Result, error) {
	var holds message.Holds
	known, err := s.latest(ctx, bus.Hold, p.ID, bus.Whole, &holds)
	if err != nil {
		return nil, err
	}
	if known && holds.At.After(s.clock.Now().Add(soonest)) {
		known, holds = false, message.Holds{} // of a clock that was set back
	}
	results := holds.Results
	if len(p.Holds) == 0 {
		// Without criteria only manual holds count; that there are none is no word
		// about criteria.
		return slices.DeleteFunc(results, func(r hold.Result) bool { return r.Key == hold.KindManual && r.Outcome == hold.Clear }), nil
	}
	for _, r := range hold.Judge(p, hold.Evidence{At: moment}, nil) {
		if !slices.ContainsFunc(results, func(have hold.Result) bool { return have.Key == r.Key }) {
			r.Reason = "not judged yet: " + r.Reason
			results = append(results, r)
		}
	}
	return results, nil
}

// wantConditions asks for a look at the weather, once what comes with its cause has
// come too.
func (c *schedule) wantConditions(now time.Time) {
	if c.book.conditionsDue.IsZero() {
		c.book.conditionsDue = now.Add(settleFor)
	}
}

// seenFromBelow are the inputs without pictures of cloud tops, which tell nothing of
// what criteria ask for.
func seenFromBelow(inputs []inputRef) (some []inputRef) {
	for _, input := range inputs {
		if input.Kind != stores.KindSatellite {
			some = append(some, input)
		}
	}
	return some
}

// askConditions submits the look at the weather over sites and targets, where its
// inputs have changed or time has passed, and says when it is due.
func (c *schedule) askConditions(ctx context.Context, now time.Time) (next time.Time, err error) {
	b := &c.book
	if wanted := askedOf(c.programme); !wanted.any() {
		return now.Add(longestSleep), nil
	}
	due := b.conditionsAsked.Add(time.Duration(c.programme.Watch.NowMinutes * float64(time.Minute)))
	if b.conditionsAsked.IsZero() {
		due = now
	}
	if !b.conditionsDue.IsZero() {
		if at := later(b.conditionsDue, b.conditionsAsked.Add(conditionsLeast)); at.Before(due) {
			due = at
		}
	}
	if due.After(now) {
		return due, nil
	}
	timeIsUp := b.conditionsDue.IsZero()
	b.conditionsDue = time.Time{}
	inputs, _ := c.table.pick(modeConditions, now)
	if !timeIsUp && slices.Equal(seenFromBelow(inputs), seenFromBelow(b.conditionsPicked)) {
		return c.askConditions(ctx, now)
	}
	if len(inputs) == 0 {
		b.conditionsAsked = now
		return now.Add(conditionsLeast), nil
	}
	data, err := json.Marshal(assessTask{Programme: c.ref, Mode: modeConditions, Moment: now, Inputs: inputs, Trigger: c.trigger, LastByte: c.lastByte})
	if err != nil {
		return now, err
	}
	id := fmt.Sprintf("%s.%s.%s.%s", c.programme.ID, modeConditions, now.UTC().Format("20060102T150405.000Z"), c.ref.Digest[:8])
	if err := c.submit(ctx, bus.Job{ID: id, Queue: bus.QueueConditions, Programme: c.programme.ID, Created: now, Data: data}); err != nil {
		return now, err
	}
	b.conditionsAsked, b.conditionsPicked = now, inputs
	return now.Add(time.Duration(c.programme.Watch.NowMinutes * float64(time.Minute))), nil
}
