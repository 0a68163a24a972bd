package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// alertFeed is what an alert keeper follows, in the order in which it learns what
// came together: criteria before the sites that they suspend.
var alertFeed = []bus.Kind{bus.Hold, bus.Release, bus.Ack, bus.Score, bus.Outlook, bus.Health}

// urgentKinds are the first of alertFeed: what suspends, and what persons say.
const urgentKinds = 3

// arrival is one message that has come.
type arrival struct {
	kind     int // place in alertFeed
	sequence uint64
	at       time.Time // when it happened
	subject  string
	id       string
	data     any       // as message.Decode gives it; nil where it cannot be read
	taken    time.Time // when the loop took note of it
}

// compareArrivals orders what came together, by what it is and not by what came
// first: workers that share the work finish in any order. What persons and the one
// judge of criteria say keeps the order of its stream.
func compareArrivals(a, b arrival) int {
	if a.kind != b.kind {
		return a.kind - b.kind
	}
	switch alertFeed[a.kind].Name {
	case bus.Hold.Name, bus.Release.Name, bus.Ack.Name:
		return cmp.Compare(a.sequence, b.sequence)
	}
	return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.subject, b.subject), cmp.Compare(a.id, b.id), cmp.Compare(a.sequence, b.sequence))
}

// lastOf gives the newest number of each kind.
func lastOf(batch []arrival) map[string]uint64 {
	last := map[string]uint64{}
	for i := range batch {
		// The greatest: what is sorted is not in the order of the stream.
		name := alertFeed[batch[i].kind].Name
		last[name] = max(last[name], batch[i].sequence)
	}
	return last
}

// follow starts to listen to everything from where the keeper left off.
func (k *alertKeeper) follow(ctx context.Context, from []bus.Since, group *sync.WaitGroup) {
	for i, since := range from {
		group.Go(func() {
			for ctx.Err() == nil {
				last := k.followKind(ctx, i, since)
				if last > 0 {
					since = bus.FromSequence(last + 1)
				}
				select {
				case <-ctx.Done():
				case <-time.After(time.Second):
				}
			}
		})
	}
}

// since is where following a kind begins.
func (k *alertKeeper) since(kind bus.Kind) bus.Since {
	now := k.clock.Now()
	last, known := k.kept.Positions[kind.Name]
	recent := !k.kept.At.IsZero() && now.Sub(k.kept.At) <= longestReplay && now.Sub(k.kept.At) > -time.Hour
	switch {
	case kind.Name == bus.Release.Name && k.rehearsed:
		return bus.FromAll
	case kind.Name == bus.Release.Name: // the whole record is needed
		return bus.FromTime(now.Add(-recordOfReleases))
	case known && (recent || kind.Name == bus.Ack.Name):
		return bus.FromSequence(last + 1)
	case k.rehearsed: // the server's clock is not the storm's
		return bus.FromAll
	case recent:
		return bus.FromTime(k.kept.At.Add(-beginBefore))
	case !k.kept.At.IsZero():
		return bus.FromTime(now.Add(-longestReplay))
	}
	return bus.FromTime(now.Add(-beginBefore))
}

// followKind listens until ctx or the following ends, and gives the number of the
// last message.
func (k *alertKeeper) followKind(ctx context.Context, i int, since bus.Since) (last uint64) {
	kind := alertFeed[i]
	for stored, err := range k.bus.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{kind}, Programme: k.programme.ID, Since: since}) {
		if err != nil && stored.Sequence == 0 {
			if ctx.Err() == nil && k.trouble.set("following "+kind.Name, err) {
				k.log.Error("alerts: a stream cannot be followed", "programme", k.programme.ID, "kind", kind.Name, "error", err)
			}
			continue
		}
		k.trouble.set("following "+kind.Name, nil)
		a := arrival{kind: i, sequence: stored.Sequence, at: stored.Event.Time, subject: stored.Subject, id: stored.Event.ID}
		if err == nil {
			a.data, err = message.Decode(stored.Event)
		}
		if err != nil {
			k.log.Warn("alerts: a message cannot be read", "subject", stored.Subject, "number", stored.Sequence, "error", err)
			a.data = nil
		}
		a.slim()
		if !k.arrive(ctx, a) {
			return last
		}
		last = stored.Sequence
	}
	return last
}

// slim drops what alerts do not need, since a replay can be long.
func (a *arrival) slim() {
	switch data := a.data.(type) {
	case seedability.Assessment:
		data.Path, data.Inputs, data.Bands, data.Notes, data.Cautions, data.Holds = nil, nil, nil, nil, nil, nil
		data.Radar, data.TargetRate, data.Satellite = nil, nil, nil
		a.data = data
	case seedability.Outlook:
		data.Inputs, data.Notes, data.Cautions, data.Gone = nil, nil, nil, nil
		a.data = data
	}
}

// arrive hands a message to the loop, and waits where that is behind.
func (k *alertKeeper) arrive(ctx context.Context, a arrival) bool {
	for {
		k.mutex.Lock()
		room := k.room
		if len(k.arrived) < mostPending {
			k.arrived = append(k.arrived, a)
			k.mutex.Unlock()
			select {
			case k.wake <- struct{}{}:
			default:
			}
			return true
		}
		k.mutex.Unlock()
		select {
		case <-room:
		case <-ctx.Done():
			return false
		}
	}
}

// take notes what has come.
func (k *alertKeeper) take() {
	if len(k.pending) >= mostPending {
		return
	}
	k.mutex.Lock()
	arrived := k.arrived
	k.arrived = nil
	close(k.room)
	k.room = make(chan struct{})
	k.mutex.Unlock()
	now := k.clock.Now()
	for i := range arrived {
		arrived[i].taken = now
	}
	k.pending = append(k.pending, arrived...)
	for i := range arrived {
		k.taken[alertFeed[arrived[i].kind].Name].Store(arrived[i].sequence)
	}
}

// inputsOf turns a message into what the engine learns of it, and remembers what
// advice is made from. touched gets the sites whose advice may change.
func (k *alertKeeper) inputsOf(a *arrival, now time.Time, touched map[string]bool) []alert.Input {
	switch data := a.data.(type) {
	case message.Holds:
		if data.Programme != k.programme.ID || now.Sub(data.At) > longestReplay {
			return nil
		}
		k.holds = data // there is one judge: what comes later in its stream is newer
		k.touchAll(touched)
		return []alert.Input{{Holds: k.holdsOf(&data)}}
	case alert.Release:
		return k.learnRelease(data, now, touched)
	case message.Ack:
		return k.learnAck(data)
	case seedability.Assessment:
		if data.Programme != k.programme.ID || now.Sub(data.AsOf) > longestReplay {
			return nil
		}
		if known := k.scores[data.Site.ID]; known == nil || k.newer(known.AsOf, data.AsOf, now) {
			k.scores[data.Site.ID] = &data
			touched[data.Site.ID] = true
		}
		return []alert.Input{{Assessment: &data}}
	case seedability.Outlook:
		if data.Programme != k.programme.ID {
			return nil
		}
		if known := k.outlooks[data.Site.ID]; known == nil || k.newer(known.IssuedAt, data.IssuedAt, now) {
			k.outlooks[data.Site.ID] = &data
			touched[data.Site.ID] = true
		}
		return []alert.Input{{Outlook: &data}}
	case message.Health:
		if now.Sub(data.Time) > beginBefore { // a worker of long ago
			return nil
		}
		return []alert.Input{{Health: k.healthOf(&data, now)}}
	}
	return nil
}

// newer: what is of a moment takes the place of what is known. What is of the future
// is of before a clock was set back.
func (k *alertKeeper) newer(known, moment, now time.Time) bool {
	return !moment.Before(known) || known.After(now.Add(soonest))
}

func (k *alertKeeper) touchAll(touched map[string]bool) {
	for i := range k.programme.Sites {
		touched[k.programme.Sites[i].ID] = true
	}
}

// holdsOf gives the outcomes of all criteria as alerts know them.
func (k *alertKeeper) holdsOf(h *message.Holds) *alert.Holds {
	all := &alert.Holds{At: h.At, Complete: true}
	for i := range h.Results {
		r := &h.Results[i]
		sites, concerned := k.concerned(r)
		if !concerned {
			continue
		}
		one := alert.Hold{Criterion: cmp.Or(r.Key, r.Criterion), Name: cmp.Or(r.Name, r.Criterion), Sites: sites, Outcome: alert.Outcome(r.Outcome), Reason: r.Reason,
			Readiness: r.Readiness, LiftedBy: r.WhoMayLift, Lifts: r.WhatWouldLift}
		if k.config.Link != "" {
			one.Evidence = []alert.Link{{Title: "criteria", URL: strings.TrimRight(k.config.Link, "/") + "/" + k.programme.ID + "/holds"}}
		}
		all.Holds = append(all.Holds, one)
	}
	return all
}

// concerned lists the sites that a result suspends: a release is concerned that is
// of one of its sites and for one of its targets. Nothing for all. Where a result
// names what the programme does not have, all are concerned, to be safe.
func (k *alertKeeper) concerned(r *hold.Result) (sites []string, any bool) {
	strange := false
	for _, id := range r.Sites {
		strange = strange || k.programme.Site(id) == nil
	}
	for _, id := range r.Targets {
		strange = strange || k.programme.Target(id) == nil
	}
	if strange {
		return nil, true
	}
	for i := range k.programme.Sites {
		site := &k.programme.Sites[i]
		if len(r.Sites) > 0 && !slices.Contains(r.Sites, site.ID) {
			continue
		}
		if len(r.Targets) > 0 && !slices.ContainsFunc(site.TargetIDs, func(id string) bool { return slices.Contains(r.Targets, id) }) {
			continue
		}
		sites = append(sites, site.ID)
	}
	return sites, len(sites) > 0
}

// learnRelease takes a record of a release, if it may be added to those there are:
// the record is only ever added to, and its readers check it.
func (k *alertKeeper) learnRelease(r alert.Release, now time.Time, touched map[string]bool) []alert.Input {
	var sites []string
	for i := range k.programme.Sites {
		sites = append(sites, k.programme.Sites[i].ID)
	}
	known, err := alert.CheckRelease(k.released, r, k.programme.ID, sites, now)
	switch {
	case err != nil:
		k.log.Warn("a record of a release is left out", "programme", k.programme.ID, "id", fmt.Sprintf("%.100q", r.ID), "error", err)
		return nil
	case known:
		return nil
	}
	k.released = append(k.released, r)
	k.touchAll(touched) // limits may be of the whole programme
	return []alert.Input{{Release: &r}}
}

// learnAck takes an acknowledgement, if its token (where it has one) is ours and
// was good when it was given.
func (k *alertKeeper) learnAck(a message.Ack) []alert.Input {
	if a.Programme != k.programme.ID {
		return nil
	}
	if a.Token != "" {
		var of string
		err := alert.ErrToken
		if k.signer != nil {
			of, _, err = k.signer.Check(a.Token, a.At)
		}
		if err != nil {
			k.log.Warn("an acknowledgement is refused", "programme", k.programme.ID, "alert", fmt.Sprintf("%.300q", a.Alert), "error", err)
			return nil
		}
		a.Alert = of
	}
	if _, waits := k.kept.State.FindOpen(a.Alert); !waits {
		k.log.Info("an acknowledgement of an alert that does not wait for one", "programme", k.programme.ID, "alert", fmt.Sprintf("%.300q", a.Alert))
	}
	return []alert.Input{{Ack: &alert.Ack{Alert: a.Alert, By: a.By, At: a.At}}}
}

// healthOf is what a worker says of itself, and of the inputs of this programme if
// it keeps the schedule.
func (k *alertKeeper) healthOf(h *message.Health, now time.Time) *alert.Health {
	health := &alert.Health{Worker: h.Worker, At: h.Time, Reasons: h.Reasons}
	switch h.State {
	case message.HealthOK:
		health.State = alert.HealthOK
	case message.HealthDegraded:
		health.State = alert.HealthDegraded
	default:
		health.State = alert.HealthFailing
	}
	for _, source := range h.Sources {
		if source.Programme != k.programme.ID {
			continue
		}
		if health.Stale == nil {
			health.Stale = []alert.StaleInput{}
		}
		for i := range k.programme.Inputs {
			if input := &k.programme.Inputs[i]; input.Source == source.Source {
				if stale, ok := staleInput(input, &source, now); ok {
					health.Stale = append(health.Stale, stale)
				}
			}
		}
	}
	slices.SortFunc(health.Stale, func(a, b alert.StaleInput) int { return cmp.Compare(a.ID, b.ID) })
	return health
}

// staleInput says whether an input counts for nothing any more, by the age that the
// programme file gives.
func staleInput(input *programme.Input, source *message.SourceHealth, now time.Time) (alert.StaleInput, bool) {
	stale := alert.StaleInput{ID: input.ID, Newest: source.NewestTime}
	most := input.MaximumAgeHours
	if math.IsNaN(most) || most <= 0 {
		return stale, false // who uses it judges its age
	}
	switch age := now.Sub(source.NewestTime); {
	case source.NewestTime.IsZero():
		stale.Reason = "none has come"
	case age.Hours() > most:
		stale.Reason = fmt.Sprintf("the newest is %s, and counts for nothing from %s", ageText(age.Hours()), ageText(most))
	default:
		return stale, false
	}
	if source.Error != "" {
		stale.Reason += "; " + source.Error
	}
	return stale, true
}
