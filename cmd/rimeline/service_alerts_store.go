package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// keptAlerts is what an alert keeper goes on from, in the bus's store.
type keptAlerts struct {
	Version int       `json:"version"`
	At      time.Time `json:"at"`
	// State of the engine, and up to which message of each kind it has learnt.
	State     alert.State       `json:"state"`
	Positions map[string]uint64 `json:"positions"`
	// Outbox are alerts that may not have been brought yet.
	Outbox []outgoing `json:"outbox"`
}

// keptVersion is that of keptAlerts. What a newer program wrote is not guessed at.
const keptVersion = 1

// outgoing is an alert on its way.
type outgoing struct {
	Alert alert.Alert `json:"alert"`
	// Submitted: its routes have it. Published: the bus has it.
	Submitted bool `json:"submitted,omitempty"`
	Published bool `json:"published,omitempty"`
}

// Of the store, by the wall clock: whoever does not answer in time is tried again,
// and nobody waits for it meanwhile. Common practice, no source.
const (
	storeWithin = 3 * time.Second
	// mostOutgoing alerts wait for a bus that is away; the routes have had them.
	mostOutgoing = 500
	// forgetDeliveriesAfter: what was delivered is remembered for this long, so that
	// it is not sent again; longer than a stream remembers ids.
	forgetDeliveriesAfter = 24 * time.Hour
	forgetEvery           = time.Hour
)

func (k *alertKeeper) stateKey() string { return "alerts." + k.programme.ID }

// recall reads where a keeper before this one left off, and the newest of every
// site. It gives what is to be learnt first, and where following begins.
func (k *alertKeeper) recall(ctx context.Context) (first []alert.Input, from []bus.Since, err error) {
	k.kept = keptAlerts{Version: keptVersion, Positions: map[string]uint64{}}
	b, found, err := k.bus.GetState(ctx, k.stateKey())
	switch {
	case err != nil && !errors.Is(err, bus.ErrObjectDamaged):
		return nil, nil, fmt.Errorf("alerts of programme %s: %w", k.programme.ID, err)
	case found && err == nil:
		kept := keptAlerts{}
		if err = json.Unmarshal(b, &kept); err == nil && kept.Version != keptVersion {
			err = fmt.Errorf("version %d, %d is read", kept.Version, keptVersion)
		}
		if err == nil {
			k.kept = kept
			if k.kept.Positions == nil {
				k.kept.Positions = map[string]uint64{}
			}
		}
	}
	if err != nil {
		// Rather told twice than not at all.
		k.log.Error("what was told cannot be read; what is true now is told anew", "programme", k.programme.ID, "error", err)
	}
	k.trouble.told = k.kept.State.Failing(faultOfKeeper)
	now := k.clock.Now()
	for name, last := range k.kept.Positions {
		if taken := k.taken[name]; taken != nil {
			taken.Store(last)
		}
	}
	for _, kind := range alertFeed {
		from = append(from, k.since(kind))
	}
	first = k.recallNewest(ctx)
	if age := now.Sub(k.kept.At); !k.kept.At.IsZero() && age <= longestReplay && age > -time.Hour {
		first = nil // all of it was learnt, or follows
	}
	k.savedAt = now
	return first, from, nil
}

// recallNewest reads the newest criteria, and score, outlook and advice of every
// site: advice is made from them, and a first start learns them.
func (k *alertKeeper) recallNewest(ctx context.Context) []alert.Input {
	now := k.clock.Now()
	var inputs []alert.Input
	read := func(kind bus.Kind, site string) any {
		event, known, err := k.bus.Latest(ctx, kind, k.programme.ID, site)
		if err != nil || !known {
			return nil
		}
		data, err := message.Decode(event)
		if err != nil {
			k.log.Warn("alerts: the newest message cannot be read", "subject", event.Subject, "error", err)
			return nil
		}
		a := arrival{data: data}
		a.slim()
		return a.data
	}
	if holds, ok := read(bus.Hold, bus.Whole).(message.Holds); ok && now.Sub(holds.At) < oldestHolds {
		k.holds = holds
		inputs = append(inputs, alert.Input{Holds: k.holdsOf(&holds)})
	}
	for i := range k.programme.Sites {
		id := k.programme.Sites[i].ID
		if a, ok := read(bus.Score, id).(seedability.Assessment); ok && a.Programme == k.programme.ID {
			k.scores[id] = &a
			inputs = append(inputs, alert.Input{Assessment: &a})
		}
		if o, ok := read(bus.Outlook, id).(seedability.Outlook); ok && o.Programme == k.programme.ID {
			k.outlooks[id] = &o
			inputs = append(inputs, alert.Input{Outlook: &o})
		}
		if v, ok := read(bus.Advice, id).(alert.Advice); ok {
			k.given[id] = givenAdvice{v, now}
		}
	}
	return inputs
}

// save stores what the keeper goes on from.
func (k *alertKeeper) save(ctx context.Context, now time.Time) {
	if k.options.Lost != nil && k.options.Lost() {
		return // it is another's
	}
	k.kept.At = now
	b, err := json.Marshal(k.kept)
	if err == nil {
		within, end := context.WithTimeout(ctx, storeWithin)
		err = k.bus.PutState(within, k.stateKey(), b)
		end()
	}
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		k.store.pause() // routes do not wait for the same silence once more
	}
	k.savedAt = now
	k.dirty = err != nil // then again in a minute
	if k.trouble.set("what was told cannot be stored", err) && err != nil {
		k.log.Error("alerts: the state cannot be stored; alerts go out all the same", "programme", k.programme.ID, "error", err)
	}
}

// saveLast stores at the end, if there is something new.
func (k *alertKeeper) saveLast(ctx context.Context) {
	if !k.dirty {
		return
	}
	ending, end := context.WithTimeout(context.WithoutCancel(ctx), storeWithin)
	defer end()
	k.save(ending, k.clock.Now())
}

// bring hands alerts to their routes and publishes them. What does not succeed
// stays, and is tried again; routes do not wait for the bus.
func (k *alertKeeper) bring(ctx context.Context) {
	for i := range k.kept.Outbox {
		out := &k.kept.Outbox[i]
		if out.Submitted {
			continue
		}
		if k.deliverer != nil {
			if err := k.deliverer.Submit(ctx, out.Alert); err != nil {
				k.log.Error("alerts: an alert was not taken by its routes, it is tried again", "id", out.Alert.ID, "error", err)
				continue
			}
		}
		out.Submitted, k.dirty = true, true
	}
	for i := range k.kept.Outbox {
		out := &k.kept.Outbox[i]
		if out.Published {
			continue
		}
		if err := k.publishAlert(ctx, out.Alert); err != nil {
			if ctx.Err() == nil && k.trouble.set("alerts cannot be published", err) {
				k.log.Error("alerts: an alert cannot be published, it is tried again", "id", out.Alert.ID, "error", err)
			}
			break // in their order
		}
		k.trouble.set("alerts cannot be published", nil)
		out.Published, k.dirty = true, true
	}
	k.kept.Outbox = slices.DeleteFunc(k.kept.Outbox, func(out outgoing) bool { return out.Submitted && out.Published })
	if n := len(k.kept.Outbox) - mostOutgoing; n > 0 {
		k.log.Error("alerts: too many wait for the bus, the oldest are not published", "number", n)
		k.kept.Outbox = slices.Delete(k.kept.Outbox, 0, n)
	}
}

// publishAlert puts an alert on the bus, as JSON and as CAP. The same alert again is
// the same two messages, and dropped.
func (k *alertKeeper) publishAlert(ctx context.Context, a alert.Alert) error {
	ctx, end := context.WithTimeout(ctx, storeWithin)
	defer end()
	event, err := bus.NewEvent(bus.Alert, k.programme.ID, string(a.Kind), a.Raised, a)
	if err != nil {
		return err
	}
	stored, err := k.bus.Publish(ctx, event)
	if err != nil {
		return err
	}
	if !stored.Duplicate {
		k.counts.add("alerts_published", 1)
		k.log.Info("alert", "id", a.ID, "kind", a.Kind, "change", a.Change, "sites", len(a.Sites), "routes", strings.Join(a.Routes, ","))
	}
	xml, err := alert.CAP(a, k.of, k.config.Sender)
	if err == nil {
		if event, err = bus.NewContentEvent(bus.CAP, k.programme.ID, string(a.Kind), a.Raised, xml); err == nil {
			_, err = k.bus.Publish(ctx, event)
			if err != nil {
				return err
			}
		}
	}
	if err != nil { // it would fail again
		k.log.Error("alerts: an alert has no form as CAP", "id", a.ID, "error", err)
	}
	return nil
}

// newDeliverer brings alerts to routes, and takes up what was left.
func (k *alertKeeper) newDeliverer(ctx context.Context) (*alert.Deliverer, error) {
	return alert.NewDeliverer(ctx, alert.DelivererOptions{
		Routes: k.routes, Timeouts: k.timeouts, Store: k.store, Clock: k.clock, Zone: k.programme.Location, Log: k.log, Programme: k.of, Signer: k.signer,
		Publish: func(a alert.Alert) {
			if err := k.publishAlert(context.WithoutCancel(ctx), a); err != nil {
				k.log.Error("alerts: an alert about a route cannot be published", "id", a.ID, "error", err)
			}
		},
		Recorded: k.records.add,
	})
}

// recordQueue are records of deliveries on their way to the bus: nobody who delivers
// waits for it.
type recordQueue struct {
	mutex sync.Mutex
	list  []alert.Delivery
	lost  int
	wake  chan struct{}
}

const mostRecords = 2000

func (q *recordQueue) waker() chan struct{} {
	q.mutex.Lock()
	defer q.mutex.Unlock()
	if q.wake == nil {
		q.wake = make(chan struct{}, 1)
	}
	return q.wake
}

func (q *recordQueue) add(d alert.Delivery) {
	d.Alert = nil
	wake := q.waker()
	q.mutex.Lock()
	if q.list = append(q.list, d); len(q.list) > mostRecords {
		q.list, q.lost = q.list[1:], q.lost+1
	}
	q.mutex.Unlock()
	select {
	case wake <- struct{}{}:
	default:
	}
}

func (q *recordQueue) first() (d alert.Delivery, ok bool, lost int) {
	q.mutex.Lock()
	defer q.mutex.Unlock()
	lost, q.lost = q.lost, 0
	if len(q.list) == 0 {
		return d, false, lost
	}
	d, q.list = q.list[0], q.list[1:]
	return d, true, lost
}

// publishRecords puts the records of deliveries on the bus until ctx ends; those of
// the last moment too, if the bus takes them within its time.
func (k *alertKeeper) publishRecords(ctx context.Context) {
	wake := k.records.waker()
	for {
		d, ok, lost := k.records.first()
		if lost > 0 {
			k.log.Error("alerts: records of deliveries were lost, since the bus does not take them", "number", lost)
		}
		if !ok {
			select {
			case <-ctx.Done():
				if d, ok, _ = k.records.first(); !ok {
					return
				}
			case <-wake:
				continue
			}
		}
		within, end := context.WithTimeout(context.WithoutCancel(ctx), storeWithin)
		event, err := bus.NewEvent(bus.Delivery, k.programme.ID, d.Route, d.At, d)
		if err == nil {
			_, err = k.bus.Publish(within, event)
		}
		end()
		if k.trouble.set("records of deliveries cannot be published", err) && err != nil {
			k.log.Error("alerts: a record of a delivery cannot be published", "alert", d.AlertID, "route", d.Route, "outcome", d.Outcome, "error", err)
		}
		if err != nil && ctx.Err() != nil {
			return
		}
	}
}

// deliveryStore keeps deliveries in the bus's store: one key each. Where the bus
// does not take one, the delivery goes on all the same, and the key is written when
// it can be: a message that might be sent twice after a crash is better than one
// that is not sent.
type deliveryStore struct {
	bus       *bus.Bus
	programme string
	routes    map[string]alert.Route
	now       func() time.Time
	trouble   *keeperTrouble

	mutex     sync.Mutex
	unsaved   map[string][]byte    // by key of the store
	done      map[string]time.Time // of what is done, by key of the store
	downUntil time.Time            // of the wall: the bus is not asked before
	forgot    time.Time
}

// pauseStore is how long a bus that does not answer is left alone.
const pauseStore = 10 * time.Second

// mostUnsaved deliveries wait for the bus; of more, what is done is not stored.
const mostUnsaved = 5000

func (s *deliveryStore) prefix() string { return "delivery." + s.programme + "." }

func (s *deliveryStore) key(d *alert.Delivery) string {
	return s.prefix() + hexDigest([]byte(d.Key()))[:32]
}

// Load gives everything that is there.
func (s *deliveryStore) Load(ctx context.Context) ([]alert.Delivery, error) {
	keys, err := s.bus.ListState(ctx, s.prefix())
	if err != nil {
		return nil, err
	}
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.unsaved, s.done = map[string][]byte{}, map[string]time.Time{}
	var all []alert.Delivery
	for _, key := range keys {
		b, found, err := s.bus.GetState(ctx, key)
		if err != nil && !errors.Is(err, bus.ErrObjectDamaged) {
			return nil, err
		}
		var d alert.Delivery
		if !found || err != nil || json.Unmarshal(b, &d) != nil || s.key(&d) != key {
			continue // nothing that could be delivered
		}
		if d.Outcome.Done() || s.routes[d.Route] == nil { // nobody delivers by a route that is gone
			s.done[key] = d.At
		}
		all = append(all, d)
	}
	slices.SortFunc(all, func(a, b alert.Delivery) int { return strings.Compare(a.Key(), b.Key()) })
	return all, nil
}

// Save stores a delivery.
func (s *deliveryStore) Save(ctx context.Context, d alert.Delivery) error {
	b, err := json.Marshal(d)
	if err != nil {
		return err
	}
	key := s.key(&d)
	s.mutex.Lock()
	defer s.mutex.Unlock()
	if s.unsaved == nil {
		s.unsaved, s.done = map[string][]byte{}, map[string]time.Time{}
	}
	s.unsaved[key] = b
	if d.Outcome.Done() {
		s.done[key] = d.At
		if len(s.unsaved) > mostUnsaved {
			delete(s.unsaved, key)
		}
	}
	s.flush(ctx)
	return nil
}

// pause leaves the bus alone for a while.
func (s *deliveryStore) pause() {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.downUntil = time.Now().Add(pauseStore)
}

// flush writes what is not written yet.
func (s *deliveryStore) flush(ctx context.Context) {
	if time.Now().Before(s.downUntil) {
		return
	}
	for _, key := range sortedKeys(s.unsaved) {
		within, end := context.WithTimeout(ctx, storeWithin)
		err := s.bus.PutState(within, key, s.unsaved[key])
		end()
		if err != nil {
			s.downUntil = time.Now().Add(pauseStore)
			s.trouble.set("deliveries cannot be stored", err)
			return
		}
		delete(s.unsaved, key)
	}
	s.trouble.set("deliveries cannot be stored", nil)
}

// forget removes what was done long ago, and writes what could not be written.
func (s *deliveryStore) forget(ctx context.Context) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	if len(s.unsaved) > 0 {
		s.flush(ctx)
	}
	now := s.now()
	if since := now.Sub(s.forgot); since < forgetEvery && since >= 0 {
		return
	}
	s.forgot = now
	for _, key := range sortedKeys(s.done) {
		if now.Sub(s.done[key]) < forgetDeliveriesAfter {
			continue
		}
		if err := s.bus.DeleteState(ctx, key); err != nil {
			return // the next time
		}
		delete(s.done, key)
	}
}
