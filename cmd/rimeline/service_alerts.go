package main

import (
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// alertKeeper is the one who alerts for a programme. It follows what is published of
// it, lets the engine decide, and brings what follows to people.
//
// Nothing is lost and nothing is told twice over a restart: after a step that has
// alerts, state, place in the streams and the alerts themselves are stored together,
// and only then are they published and handed to the routes. A process that dies
// before has learnt nothing, and what it read is read again; one that dies after
// finds the alerts in the store, under the same ids, and whoever has one of them
// already (stream, route, reader) drops the repeat. What changes nobody's mind is
// stored once a minute: read again, it does no harm.
//
// It must run where the files of secrets are that the programme file names.
type alertKeeper struct {
	*service
	programme *programme.Programme
	options   alertKeeperOptions
	config    alert.Config // with paths and addresses as they are here
	of        alert.Programme
	engine    *alert.Engine
	signer    *alert.Signer
	routes    map[string]alert.Route
	timeouts  map[string]time.Duration
	deliverer *alert.Deliverer // nil where nothing goes out

	mutex   sync.Mutex
	arrived []arrival
	room    chan struct{} // is closed and made anew when arrived was taken
	wake    chan struct{}
	taken   map[string]*atomic.Uint64 // by name of the kind; the map does not change
	trouble keeperTrouble
	records recordQueue
	store   *deliveryStore

	// Of the loop alone.
	pending  []arrival
	kept     keptAlerts
	dirty    bool
	savedAt  time.Time
	stepped  time.Time
	next     time.Time // when the engine has something due
	scores   map[string]*seedability.Assessment
	outlooks map[string]*seedability.Outlook
	holds    message.Holds
	released []alert.Release
	given    map[string]givenAdvice
}

// alertKeeperOptions are what an alert keeper works with.
type alertKeeperOptions struct {
	// Exercise marks everything as a rehearsal.
	Exercise bool
	// PagesURL is where the service serves its pages, without a slash at the end: the
	// base of links to evidence and to the page of acknowledgement, where the
	// programme file names none. Empty for none.
	PagesURL string
	// Routes: alerts go out by the routes of the programme file. Otherwise they are on
	// the bus alone.
	Routes bool
	// Pictures of an alert for mail; left out: maps of the drift.
	Pictures func(context.Context, alert.Alert) []alert.Attachment
	// Lost says that another may have taken over: then nothing is stored any more.
	Lost func() bool
	// Owned gets the keeper while it runs; may be nil.
	Owned *alertKeepers
}

// Of the rhythm; common practice, no source.
const (
	// settleAlerts: what comes within this time is learnt together, holds first.
	settleAlerts = 200 * time.Millisecond
	// tickAlerts is how often the engine is stepped at least; a rehearsal relies on
	// Engine.Next, since each step of its clock costs time.
	tickAlerts          = 15 * time.Second
	tickAlertsRehearsed = 5 * time.Minute
	// saveAlertsEvery: what changed nobody's mind is stored this often.
	saveAlertsEvery = time.Minute
	// beginBefore: the first start learns what was said this long before, a later one
	// at most what was said in longestReplay.
	beginBefore   = 10 * time.Minute
	longestReplay = 6 * time.Hour
	// recordOfReleases: what was released before does not count for any season.
	recordOfReleases = 400 * 24 * time.Hour
	// mostPending bounds what is waited for.
	mostPending = 2000
)

// alertConfigOf is the section alerts of a programme as seen from this process.
func alertConfigOf(p *programme.Programme, pagesURL string) alert.Config {
	c := p.AlertConfig().Beside(filepath.Dir(p.File))
	if c.Link == "" {
		c.Link = pagesURL
	}
	return c
}

// alertSigner makes and checks the links of acknowledgement of a programme; nil
// where it has none.
func alertSigner(p *programme.Programme, pagesURL string) (*alert.Signer, error) {
	c := alertConfigOf(p, pagesURL)
	if c.Acknowledge == nil {
		return nil, nil
	}
	a := *c.Acknowledge
	if a.URL == "" && pagesURL != "" {
		a.URL = pagesURL + "/ack"
	}
	return alert.NewSigner(&a)
}

// newAlertKeeper reads the secrets and makes a keeper. It touches nothing else, so
// that it also serves to find out at the start whether alerts could be sent.
func (s *service) newAlertKeeper(p *programme.Programme, o alertKeeperOptions) (*alertKeeper, error) {
	k := &alertKeeper{service: s, programme: p, options: o, config: alertConfigOf(p, o.PagesURL), of: alertProgramme(p, o.Exercise),
		room: make(chan struct{}), wake: make(chan struct{}, 1), taken: map[string]*atomic.Uint64{},
		scores: map[string]*seedability.Assessment{}, outlooks: map[string]*seedability.Outlook{}, given: map[string]givenAdvice{}}
	for _, kind := range alertFeed {
		k.taken[kind.Name] = &atomic.Uint64{}
	}
	k.store = &deliveryStore{bus: s.bus, programme: p.ID, now: s.clock.Now, trouble: &k.trouble}
	var err error
	if k.engine, err = alert.New(k.config, k.of); err != nil {
		return nil, fmt.Errorf("%s: alerts: %w", p.File, err)
	}
	if !o.Routes {
		return k, nil
	}
	pictures := o.Pictures
	if pictures == nil {
		pictures = k.pictures
	}
	if k.routes, k.timeouts, err = alert.Routes(k.config, pictures); err != nil {
		return nil, fmt.Errorf("%s: alerts: %w", p.File, err)
	}
	k.store.routes = k.routes
	if k.signer, err = alertSigner(p, o.PagesURL); err != nil {
		return nil, fmt.Errorf("%s: alerts: %w", p.File, err)
	}
	return k, nil
}

// alertProgramme is what alerts need to know of a programme.
func alertProgramme(p *programme.Programme, exercise bool) alert.Programme {
	of := alert.Programme{ID: p.ID, Name: p.Name, Zone: p.Location, Exercise: exercise, ProgramVersion: version()}
	for i := range p.Sites {
		site := &p.Sites[i]
		of.Sites = append(of.Sites, alert.Site{ID: site.ID, Name: site.Name, LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg})
	}
	for i := range p.Targets {
		target := alert.Target{ID: p.Targets[i].ID, Name: p.Targets[i].Name}
		for _, rings := range (servedTarget{&p.Targets[i]}).rings() {
			var outline [][2]float64
			for _, place := range rings[0] {
				outline = append(outline, [2]float64{place.LongitudeDeg, place.LatitudeDeg})
			}
			target.Outlines = append(target.Outlines, outline)
		}
		of.Targets = append(of.Targets, target)
	}
	return of
}

// alertKeepers are the keepers that run in this process.
type alertKeepers struct {
	mutex sync.Mutex
	of    map[string]*alertKeeper // by programme
}

func (o *alertKeepers) set(id string, k *alertKeeper) {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	if o.of == nil {
		o.of = map[string]*alertKeeper{}
	}
	if k == nil {
		delete(o.of, id)
		return
	}
	o.of[id] = k
}

func (o *alertKeepers) all() []*alertKeeper {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	var all []*alertKeeper
	for _, id := range sortedKeys(o.of) {
		all = append(all, o.of[id])
	}
	return all
}

// ownAlerts alerts for a programme whenever no other process does, until ctx ends.
func (s *service) ownAlerts(ctx context.Context, p *programme.Programme, o alertKeeperOptions) error {
	return s.whileAlone(ctx, tenure{"alerts." + p.ID, "alerts", []any{"programme", p.ID}, func(ctx context.Context, lease *bus.Lease) error {
		o.Lost = func() bool {
			select {
			case <-lease.Lost():
				return true
			default:
				return false
			}
		}
		k, err := s.newAlertKeeper(p, o)
		if err != nil {
			return err
		}
		done := make(chan error, 1)
		s.clock.Go(func() { done <- k.run(ctx) })
		return <-done
	}})
}

// run alerts until ctx ends. It lives by the service's clock.
func (k *alertKeeper) run(ctx context.Context) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	first, from, err := k.recall(ctx)
	if err != nil {
		return err
	}
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	if len(k.routes) > 0 {
		if k.deliverer, err = k.newDeliverer(ctx); err != nil {
			return err
		}
		delivering, delivered := context.WithCancel(context.WithoutCancel(ctx))
		group.Go(func() {
			defer delivered()
			_ = k.deliverer.Run(ctx) // ends with ctx
		})
		group.Go(func() { k.publishRecords(delivering) })
	}
	defer k.saveLast(ctx)
	k.bring(ctx) // what a process before this one had still to bring
	k.step(ctx, append(first, alert.Input{}), k.clock.Now())
	k.follow(ctx, from, &group)
	if k.options.Owned != nil {
		k.options.Owned.set(k.programme.ID, k)
		defer k.options.Owned.set(k.programme.ID, nil)
	}
	beat := func() {}
	if k.heartbeats != nil {
		heart := k.heartbeats.Register("alerts of "+k.programme.ID, 4*longestSleep)
		defer heart.Stop()
		beat = heart.Beat
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		beat()
		k.take()
		now := k.clock.Now()
		switch {
		case k.due(now):
			k.learn(ctx, now)
			k.take()
		case !k.next.IsZero() && !k.next.After(now), now.Sub(k.stepped) >= k.tick(), now.Before(k.stepped):
			k.step(ctx, []alert.Input{{}}, now)
		}
		k.keep(ctx, now)
		if err := k.clock.Sleep(ctx, max(k.wait(now), time.Millisecond), k.wake); err != nil {
			return err
		}
	}
}

func (k *alertKeeper) tick() time.Duration {
	if k.rehearsed {
		return tickAlertsRehearsed
	}
	return tickAlerts
}

// wait is how long nothing is to be done.
func (k *alertKeeper) wait(now time.Time) time.Duration {
	left := k.stepped.Add(k.tick()).Sub(now)
	if !k.next.IsZero() {
		left = min(left, k.next.Sub(now))
	}
	if len(k.pending) > 0 {
		left = min(left, k.pending[0].taken.Add(settleAlerts).Sub(now))
	}
	if k.dirty {
		left = min(left, k.savedAt.Add(saveAlertsEvery).Sub(now))
	}
	return left
}

// due: what has come is learnt now.
func (k *alertKeeper) due(now time.Time) bool {
	if len(k.pending) == 0 {
		return false
	}
	first := k.pending[0].taken
	return len(k.pending) >= mostPending || now.Sub(first) >= settleAlerts || now.Before(first)
}

// learn takes what came before this moment, in an order that does not depend on
// which came first, and steps the engine. What comes in this very moment waits for
// the next time, so that a rehearsal says the same on every machine.
func (k *alertKeeper) learn(ctx context.Context, now time.Time) {
	var batch, rest []arrival
	for _, a := range k.pending {
		if a.taken.Equal(now) && len(k.pending) < mostPending {
			rest = append(rest, a)
		} else {
			batch = append(batch, a)
		}
	}
	k.pending = rest
	slices.SortStableFunc(batch, compareArrivals)
	touched := map[string]bool{}
	// Criteria and what persons say first, and what follows from them is brought before
	// many scores are looked at.
	urgent := slices.IndexFunc(batch, func(a arrival) bool { return a.kind >= urgentKinds })
	if urgent < 0 {
		urgent = len(batch)
	}
	for _, part := range [][]arrival{batch[:urgent], batch[urgent:]} {
		var inputs []alert.Input
		for i := range part {
			inputs = append(inputs, k.inputsOf(&part[i], now, touched)...)
		}
		for name, last := range lastOf(part) {
			k.kept.Positions[name] = last
			k.dirty = true
		}
		if len(inputs) > 0 {
			k.step(ctx, inputs, now)
		}
	}
	k.adviseOn(ctx, touched, now)
}

// step lets the engine decide, and brings what follows to people.
func (k *alertKeeper) step(ctx context.Context, inputs []alert.Input, now time.Time) {
	if fault := k.trouble.input(now); fault != nil {
		inputs = append(inputs, *fault)
	}
	before := k.kept.State
	state, alerts := k.engine.Steps(before, inputs, now)
	k.kept.State, k.stepped, k.dirty = state, now, true
	k.next = k.engine.Next(state)
	if len(alerts) == 0 {
		if otherTruth(&before, &state) {
			k.save(ctx, now)
		}
		return
	}
	for i := range alerts {
		k.adviseIn(&alerts[i], now)
		k.kept.Outbox = append(k.kept.Outbox, outgoing{Alert: alerts[i]})
	}
	k.save(ctx, now)
	k.bring(ctx)
}

// otherTruth: something has become so, or is no longer so. Whoever goes on from the
// state must know since when, or what has waited for some minutes would wait anew.
func otherTruth(before, after *alert.State) bool {
	if len(before.Conditions) != len(after.Conditions) || len(before.Open) != len(after.Open) {
		return true
	}
	for key, c := range after.Conditions {
		old, known := before.Conditions[key]
		if !known || old.Level != c.Level || !old.Since.Equal(c.Since) || !old.Changed.Equal(c.Changed) {
			return true
		}
	}
	return false
}

// keep stores what has changed once in a while, and brings what could not be brought.
func (k *alertKeeper) keep(ctx context.Context, now time.Time) {
	if len(k.kept.Outbox) > 0 {
		k.bring(ctx)
	}
	if k.dirty && (now.Sub(k.savedAt) >= saveAlertsEvery || now.Before(k.savedAt)) {
		k.save(ctx, now)
		k.store.forget(ctx)
	}
}

// seen is up to which number of each kind of message the keeper has taken note; what
// it does with them it does before its clock goes on.
func (k *alertKeeper) seen() map[string]uint64 {
	seen := map[string]uint64{}
	for name, last := range k.taken {
		seen[name] = last.Load()
	}
	return seen
}

// quiet says that the keeper has taken note of everything that was published.
func (k *alertKeeper) quiet(ctx context.Context) bool {
	seen := k.seen()
	for _, kind := range alertFeed {
		last, err := k.bus.LastSequence(ctx, kind)
		if err != nil || seen[kind.Name] < last {
			return false
		}
	}
	return true
}

// troubles says in a sentence each what keeps the keeper from its work, for the
// health of the worker.
func (k *alertKeeper) troubles() []string {
	var reasons []string
	for _, reason := range k.trouble.reasons() {
		reasons = append(reasons, "alerts of programme "+k.programme.ID+": "+reason)
	}
	return reasons
}

// heldAt lists what suspends a site, and what asks for a look, by the newest
// outcomes.
func (k *alertKeeper) heldAt(site *programme.Site, now time.Time) (held, review []string) {
	if len(k.programme.Holds) > 0 && (k.holds.At.IsZero() || now.Sub(k.holds.At) > oldestHolds) {
		held = append(held, "the criteria of the programme have not been judged of late")
	}
	_, _, by := hold.ForSite(k.holds.Results, site.ID, site.TargetIDs)
	for _, r := range by {
		switch {
		case r.Outcome.Holds():
			held = append(held, r.Name+": "+r.Reason)
		case r.Outcome == hold.Review:
			review = append(review, r.Name+": "+r.Reason)
		}
	}
	return held, review
}

// oldestHolds: outcomes of criteria that are older say nothing of now; as in package
// hold.
const oldestHolds = 30 * time.Minute

// keeperTrouble remembers what fails, by what it is.
type keeperTrouble struct {
	mutex sync.Mutex
	of    map[string]string
	since time.Time
	told  bool
}

// set notes a failure, or with nil that it is over.
func (t *keeperTrouble) set(what string, err error) (changed bool) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	_, failing := t.of[what]
	if err == nil {
		delete(t.of, what)
		return failing
	}
	if t.of == nil {
		t.of = map[string]string{}
	}
	t.of[what] = err.Error()
	return !failing
}

func (t *keeperTrouble) reasons() []string {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	var reasons []string
	for _, what := range slices.Sorted(maps.Keys(t.of)) {
		reasons = append(reasons, what+": "+t.of[what])
	}
	return reasons
}

// faultOfKeeper is the part of the service that the keeper's own failures are told as.
const faultOfKeeper = "keeper of alerts"

// tellTroubleAfter: failures that pass by themselves are not told. Common practice,
// no source.
const tellTroubleAfter = time.Minute

// input is what the engine is to learn of the keeper itself: that it fails since a
// while, or no longer; nil for nothing new.
func (t *keeperTrouble) input(now time.Time) *alert.Input {
	reasons := t.reasons()
	t.mutex.Lock()
	defer t.mutex.Unlock()
	switch {
	case len(reasons) == 0 && t.told:
		t.told, t.since = false, time.Time{}
		return &alert.Input{Health: &alert.Health{Worker: faultOfKeeper, At: now, State: alert.HealthOK}}
	case len(reasons) == 0:
		t.since = time.Time{}
	case t.since.IsZero():
		t.since = now
	case !t.told && now.Sub(t.since) >= tellTroubleAfter:
		t.told = true
		return &alert.Input{Health: &alert.Health{Worker: faultOfKeeper, At: now, State: alert.HealthFailing,
			Reasons: append([]string{"alerts cannot be stored or published: after a restart some would be missing or told again"}, reasons...)}}
	}
	return nil
}
