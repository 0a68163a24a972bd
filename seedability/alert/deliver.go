package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// DeliveryOutcome is what has become of a delivery so far.
type DeliveryOutcome string

// The outcomes of a delivery.
const (
	DeliveryPending   DeliveryOutcome = "pending"   // not tried yet
	DeliveryRetrying  DeliveryOutcome = "retrying"  // failed, and is tried again
	DeliveryDelivered DeliveryOutcome = "delivered" // the other side has taken it
	DeliveryRefused   DeliveryOutcome = "refused"   // it will not take it, however often
	DeliveryExpired   DeliveryOutcome = "expired"   // it was no longer worth telling
)

// Done: nothing more will be tried.
func (o DeliveryOutcome) Done() bool {
	return o == DeliveryDelivered || o == DeliveryRefused || o == DeliveryExpired
}

// Delivery is the record of one alert on one route.
type Delivery struct {
	AlertID string `json:"alert_id"`
	Route   string `json:"route"`
	// Attempt counts those that were begun.
	Attempt int             `json:"attempt"`
	Outcome DeliveryOutcome `json:"outcome"`
	// At is when the outcome was known, Next when it is tried again.
	At    time.Time `json:"at"`
	Next  time.Time `json:"next,omitzero"`
	Error string    `json:"error,omitempty"`
	// Alert is kept until the delivery is done.
	Alert *Alert `json:"alert,omitempty"`
}

// Key names a delivery in a store.
func (d *Delivery) Key() string { return d.AlertID + "/" + d.Route }

// Store keeps deliveries through restarts. Save must not return before the record
// is safe. Load gives those that are not done; more does no harm.
type Store interface {
	Load(context.Context) ([]Delivery, error)
	Save(context.Context, Delivery) error
}

// Route brings an alert to people. An error that is ErrPermanent is not tried
// again. Send ends soon after ctx does.
type Route interface {
	Send(ctx context.Context, a Alert, m Message) error
}

// Clock is what delivery knows of time.
type Clock interface {
	Now() time.Time
	// Sleep ends when d has passed, when wake yields, or when ctx ends (then with
	// its error).
	Sleep(ctx context.Context, d time.Duration, wake <-chan struct{}) error
	// Go starts a goroutine that lives by this clock.
	Go(f func())
}

// DelivererOptions are what a Deliverer works with.
type DelivererOptions struct {
	Routes map[string]Route
	// Timeouts of an attempt, by route; 20 s where none is given. They are of the
	// wall clock: the other side lives by that.
	Timeouts map[string]time.Duration
	Store    Store
	Clock    Clock
	Zone     *time.Location
	Log      *slog.Logger
	// Programme, for alerts about routes that fail.
	Programme Programme
	// Publish puts an alert about a failing route on the bus; may be nil.
	Publish func(Alert)
	// Signer adds links of acknowledgement; may be nil.
	Signer *Signer
	// Recorded sees every record after it was saved; may be nil.
	Recorded func(Delivery)
}

// Deliverer brings alerts to routes, at least once: an alert is in the store before
// Submit returns, and leaves it when the other side has taken it. A process that
// dies between the two sends once more; Message-ID and Idempotency-Key are the same
// then. Every route has one attempt at a time, and waits for no other route.
type Deliverer struct {
	o     DelivererOptions
	mutex sync.Mutex
	queue map[string][]*Delivery // by route, not done
	known map[string]bool        // keys in the queue, or done of late
	done  []string               // keys of known that are done, oldest first
	wake  map[string]chan struct{}
	fault map[string]*routeFault
}

// routeFault is a route that fails.
type routeFault struct {
	since  time.Time
	failed int
	told   *Alert
}

// Of delivery; common practice, no source. The first retry after five seconds, then
// twice as long each time up to five minutes, so that a hold is not late by much
// when a server comes back.
const (
	firstRetry     = 5 * time.Second
	longestRetry   = 5 * time.Minute
	faultAfter     = 3 // attempts in a row
	maxRemembered  = 5000
	maxQueued      = 2000 // of a route
	defaultTimeout = 20 * time.Second
)

// Routes makes the routes of a configuration. attach gives the pictures of an alert
// for mail; nil for none.
func Routes(c Config, attach func(context.Context, Alert) []Attachment) (routes map[string]Route, timeouts map[string]time.Duration, err error) {
	routes, timeouts = map[string]Route{}, map[string]time.Duration{}
	for _, r := range c.Routes {
		timeouts[r.ID] = time.Duration(r.TimeoutSeconds * float64(time.Second))
		switch r.Kind {
		case "email":
			route, err := newEmail(r)
			if err != nil {
				return nil, nil, err
			}
			if r.Attach {
				route.attach = attach
			}
			routes[r.ID] = route
		case "webhook":
			route, err := newWebhook(r, c.Hosts)
			if err != nil {
				return nil, nil, err
			}
			routes[r.ID] = route
		case "command":
			routes[r.ID] = newCommand(r)
		default:
			return nil, nil, fmt.Errorf("route %s: kind %q is not email, webhook or command", r.ID, r.Kind)
		}
	}
	return routes, timeouts, nil
}

// NewDeliverer takes up what the store holds.
func NewDeliverer(ctx context.Context, o DelivererOptions) (*Deliverer, error) {
	d := &Deliverer{o: o, queue: map[string][]*Delivery{}, known: map[string]bool{}, wake: map[string]chan struct{}{}, fault: map[string]*routeFault{}}
	for id := range o.Routes {
		d.wake[id] = make(chan struct{}, 1)
	}
	if d.o.Log == nil {
		d.o.Log = slog.New(slog.DiscardHandler)
	}
	stored, err := o.Store.Load(ctx)
	if err != nil {
		return nil, fmt.Errorf("deliveries: %w", err)
	}
	for _, delivery := range stored {
		if delivery.Outcome.Done() || delivery.Alert == nil {
			d.remember(delivery.Key())
			continue
		}
		if d.o.Routes[delivery.Route] == nil || d.known[delivery.Key()] { // a route that the file no longer has
			continue
		}
		delivery.Next = time.Time{} // after a restart everything is tried at once
		d.known[delivery.Key()] = true
		d.queue[delivery.Route] = append(d.queue[delivery.Route], &delivery)
	}
	return d, nil
}

// Submit takes an alert for its routes. It returns when every delivery is in the
// store; then it will be delivered, whatever happens to the process. The same alert
// again is no new delivery. On an error submit it again.
func (d *Deliverer) Submit(ctx context.Context, a Alert) error {
	var failed error
	for _, route := range a.Routes {
		if d.o.Routes[route] == nil {
			d.o.Log.Warn("an alert names a route that is not there", "alert", clean(a.ID, 300), "route", clean(route, maxName))
			continue
		}
		delivery := Delivery{AlertID: a.ID, Route: route, Outcome: DeliveryPending, At: d.o.Clock.Now().UTC(), Alert: &a}
		d.mutex.Lock()
		known := d.known[delivery.Key()]
		d.known[delivery.Key()] = true
		d.mutex.Unlock()
		if known {
			continue
		}
		if err := d.save(ctx, delivery); err != nil {
			d.mutex.Lock()
			delete(d.known, delivery.Key())
			d.mutex.Unlock()
			failed = errors.Join(failed, err)
			continue
		}
		d.mutex.Lock()
		d.queue[route] = append(d.queue[route], &delivery)
		over := d.overflow(route)
		if over != nil {
			copied := *over
			over = &copied
		}
		d.mutex.Unlock()
		d.expire(ctx, over)
		d.nudge(route)
	}
	return failed
}

// overflow takes the least and oldest out of a queue that is too long.
func (d *Deliverer) overflow(route string) *Delivery {
	if len(d.queue[route]) <= maxQueued {
		return nil
	}
	last := slices.MaxFunc(d.queue[route], func(a, b *Delivery) int { return rank(a, b) })
	d.queue[route] = slices.DeleteFunc(d.queue[route], func(o *Delivery) bool { return o == last })
	return last
}

func (d *Deliverer) expire(ctx context.Context, over *Delivery) {
	if over == nil {
		return
	}
	record := *over // no longer in the queue
	record.Outcome, record.At, record.Alert, record.Error = DeliveryExpired, d.o.Clock.Now().UTC(), nil, join(record.Error, "too many alerts wait for this route")
	if err := d.save(ctx, record); err != nil {
		d.o.Log.Error("record of a delivery", "error", err)
	}
	d.mutex.Lock()
	d.remember(record.Key())
	d.mutex.Unlock()
}

func (d *Deliverer) nudge(route string) {
	select {
	case d.wake[route] <- struct{}{}:
	default:
	}
}

// remember keeps a key of what is done for a while, so that it is not sent again.
func (d *Deliverer) remember(key string) {
	d.known[key] = true
	d.done = append(d.done, key)
	if len(d.done) > maxRemembered {
		delete(d.known, d.done[0])
		d.done = d.done[1:]
	}
}

func (d *Deliverer) save(ctx context.Context, delivery Delivery) error {
	if err := d.o.Store.Save(ctx, delivery); err != nil {
		return fmt.Errorf("record of alert %s on route %s: %w", delivery.AlertID, delivery.Route, err)
	}
	if d.o.Recorded != nil {
		d.o.Recorded(delivery)
	}
	return nil
}

// Run delivers until ctx ends. What is not done stays in the store.
func (d *Deliverer) Run(ctx context.Context) error {
	var group sync.WaitGroup
	for id := range d.o.Routes {
		group.Add(1)
		d.o.Clock.Go(func() {
			defer group.Done()
			d.serve(ctx, id)
		})
	}
	<-ctx.Done()
	group.Wait()
	return ctx.Err()
}

// serve works through the queue of one route.
func (d *Deliverer) serve(ctx context.Context, route string) {
	for ctx.Err() == nil {
		delivery, wait := d.next(route)
		if delivery == nil {
			if d.o.Clock.Sleep(ctx, wait, d.wake[route]) != nil {
				return
			}
			continue
		}
		d.attempt(ctx, delivery)
	}
}

// next is the most urgent delivery that is due, or how long until one is.
func (d *Deliverer) next(route string) (*Delivery, time.Duration) {
	now := d.o.Clock.Now()
	d.mutex.Lock()
	defer d.mutex.Unlock()
	wait := time.Minute
	var best *Delivery
	for _, delivery := range d.queue[route] {
		if left := delivery.Next.Sub(now); left > 0 {
			wait = min(wait, left)
			continue
		}
		if best == nil || rank(delivery, best) < 0 {
			best = delivery
		}
	}
	return best, wait
}

// rank orders by urgency, and what is equally urgent by age.
func rank(a, b *Delivery) int {
	severity := map[Severity]int{Severe: 0, Moderate: 1, Minor: 2}
	return cmp.Or(severity[a.Alert.Severity]-severity[b.Alert.Severity], a.Alert.Raised.Compare(b.Alert.Raised), cmp.Compare(a.AlertID, b.AlertID))
}

// attempt sends one alert once, and records what came of it. It works on a copy:
// the one in the queue is changed under the lock.
func (d *Deliverer) attempt(ctx context.Context, queued *Delivery) {
	d.mutex.Lock()
	work := *queued
	d.mutex.Unlock()
	a := *work.Alert
	now := d.o.Clock.Now().UTC()
	// What was never tried is tried even if it is late: the route may be what is late.
	late := now.Sub(a.Expires)
	if !a.Expires.IsZero() && (work.Attempt > 0 && late > 0 || late > time.Hour) {
		work.Outcome = DeliveryExpired
	} else {
		work.Attempt++
		err := d.send(ctx, work.Route, a, now)
		if err != nil && ctx.Err() != nil {
			return // the service stops: the store has it, and it is tried after the restart
		}
		switch {
		case err == nil:
			work.Outcome, work.Error = DeliveryDelivered, ""
		case errors.Is(err, ErrPermanent):
			work.Outcome, work.Error = DeliveryRefused, clean(err.Error(), maxReason)
		default:
			work.Outcome, work.Error = DeliveryRetrying, clean(err.Error(), maxReason)
		}
	}
	now = d.o.Clock.Now().UTC()
	work.At, work.Next = now, time.Time{}
	if work.Outcome == DeliveryRetrying {
		work.Next = now.Add(min(firstRetry<<min(work.Attempt-1, 10), longestRetry))
	}
	record := work
	if record.Outcome.Done() {
		record.Alert = nil
	}
	saved := d.save(context.WithoutCancel(ctx), record)
	if saved != nil {
		d.o.Log.Error("record of a delivery", "error", saved)
	}
	d.mutex.Lock()
	switch {
	case record.Outcome.Done() && saved != nil && record.Outcome != DeliveryDelivered:
		// Not recorded: it stays in the queue, and is tried again.
		work.Outcome, work.Next = DeliveryRetrying, now.Add(firstRetry)
		*queued = work
	case record.Outcome.Done():
		d.queue[work.Route] = slices.DeleteFunc(d.queue[work.Route], func(o *Delivery) bool { return o == queued })
		d.remember(work.Key())
	default:
		*queued = work
	}
	d.mutex.Unlock()
	d.o.Log.Log(ctx, logLevel(record.Outcome), "alert", "id", clean(a.ID, 300), "kind", clean(string(a.Kind), 40), "route", work.Route, "attempt", work.Attempt, "outcome", record.Outcome, "error", record.Error)
	d.judgeRoute(ctx, work.Route, record, now)
}

func logLevel(o DeliveryOutcome) slog.Level {
	if o == DeliveryDelivered {
		return slog.LevelInfo
	}
	return slog.LevelWarn
}

// send puts an alert into words and sends it, within its time. A route that panics
// has failed.
func (d *Deliverer) send(ctx context.Context, route string, a Alert, now time.Time) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("route %s: %v", route, r)
		}
	}()
	m := Text(a, d.o.Zone)
	if d.o.Signer != nil && a.NeedsAck {
		m = m.WithAck(d.o.Signer.Link(cmp.Or(a.First, a.ID), route, now))
	}
	timeout := d.o.Timeouts[route]
	if timeout <= 0 {
		timeout = defaultTimeout
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	return d.o.Routes[route].Send(ctx, a, m)
}

// judgeRoute tells the other routes of one that fails, once, and of its recovery.
func (d *Deliverer) judgeRoute(ctx context.Context, route string, record Delivery, now time.Time) {
	d.mutex.Lock()
	fault := d.fault[route]
	var tell *Alert
	switch {
	case record.Outcome == DeliveryDelivered:
		if fault != nil && fault.told != nil {
			over := d.faultAlert(route, fault, record, now)
			over.Change, over.Severity, over.Reasons = ChangeOver, Minor, []string{}
			over.Supersedes = []Reference{{fault.told.ID, fault.told.Raised}}
			over.ID += ".over"
			tell = &over
		}
		delete(d.fault, route)
	default:
		if fault == nil {
			fault = &routeFault{since: now}
			d.fault[route] = fault
		}
		fault.failed++
		if fault.told == nil && (fault.failed >= faultAfter || record.Outcome != DeliveryRetrying) {
			a := d.faultAlert(route, fault, record, now)
			fault.told, tell = &a, &a
		}
	}
	d.mutex.Unlock()
	if tell == nil {
		return
	}
	if d.o.Publish != nil {
		d.o.Publish(*tell)
	}
	if err := d.Submit(context.WithoutCancel(ctx), *tell); err != nil {
		d.o.Log.Error("alert of a route that fails", "error", err)
	}
}

// faultAlert is the alert about a route, for all others.
func (d *Deliverer) faultAlert(route string, fault *routeFault, record Delivery, now time.Time) Alert {
	a := Alert{Kind: ServiceFault, Change: ChangeNew, Severity: Moderate, Exercise: d.o.Programme.Exercise, Programme: d.o.Programme.ID,
		ProgrammeName: clean(d.o.Programme.Name, maxName), Sites: []SiteRef{}, Raised: now, Expires: now.Add(12 * time.Hour), Start: fault.since,
		Subject: "route " + route, Reasons: []string{clean(fmt.Sprintf("alerts do not get through by the route %s: %s", route, cmp.Or(record.Error, string(record.Outcome))), maxReason)},
		Evidence: []Link{}, Caution: Caution, Rules: []string{}, Routes: []string{}, Thread: d.o.Programme.ID + "-routes"}
	for id := range d.o.Routes {
		if id != route {
			a.Routes = append(a.Routes, id)
		}
	}
	slices.Sort(a.Routes)
	a.ID = idOf(d.o.Programme.ID, ServiceFault, fault.since, "route", route)
	return a
}
