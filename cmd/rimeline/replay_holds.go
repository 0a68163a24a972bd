package main

import (
	"context"
	"fmt"
	"iter"
	"math"
	"reflect"
	"slices"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Of criteria that are judged again; common practice, no source.
const (
	// holdsWarmUp: so long before the first moment the criteria are judged already, so
	// that they know what was held and since when.
	holdsWarmUp = 3 * time.Hour
)

// replayHolds judges the criteria of a programme again, from the archived messages of
// gauges, warnings, sites, persons and the weather, by the code of the owner of a
// schedule. A message counts from the time that it bears; criteria are judged when the
// service would have (soon after a message, when something lifts, every minute) and
// when it is known that they were (published holds, and the times that scores name).
type replayHolds struct {
	replay *replay
	book   *schedule
	next   func() (bus.Stored, error, bool)
	stop   func()
	head   bus.Stored
	more   bool
	judged time.Time
	// conditions that were made again, by their moment.
	conditions map[time.Time]message.Conditions
}

// replayedKinds are what criteria are judged from, and when they were.
var replayedKinds = []bus.Kind{bus.Order, bus.Release, bus.Telemetry, bus.Conditions, bus.Input, bus.Hold}

// judgeHoldsAgain begins before a moment.
func (r *replay) judgeHoldsAgain(ctx context.Context, p *programme.Programme, ref programmeRef, first time.Time) (*replayHolds, error) {
	h := &replayHolds{replay: r, book: r.service.newSchedule(p, ref), conditions: map[time.Time]message.Conditions{}}
	b := &h.book.book
	b.reports, b.unread = map[string]keptReport{}, map[string]string{}
	start := first.Add(-holdsWarmUp)
	b.began, b.due = start, start
	// What a person decided years ago still holds.
	for stored, err := range r.reader.Stored(ctx, archive.Query{Programme: r.result.Programme, To: start.Add(-reportsFor)}, bus.Order.Name, bus.Release.Name) {
		if err != nil {
			return nil, err
		}
		h.take(ctx, &stored, stored.Event.Time)
	}
	var names []string
	for _, kind := range replayedKinds {
		names = append(names, kind.Name)
	}
	h.next, h.stop = iter.Pull2(r.reader.Stored(ctx, archive.Query{Programme: r.result.Programme, From: start.Add(-reportsFor), To: r.to}, names...))
	h.pull()
	// Before the archive begins nothing was judged.
	if h.more && h.head.Event.Time.After(start) {
		b.began, b.due = h.head.Event.Time, h.head.Event.Time
	}
	return h, nil
}

func (h *replayHolds) pull() {
	for {
		stored, err, ok := h.next()
		if err != nil {
			h.replay.problem(fmt.Errorf("criteria are judged without it: %w", err))
			continue
		}
		h.head, h.more = stored, ok
		return
	}
}

// take hears one message.
func (h *replayHolds) take(ctx context.Context, stored *bus.Stored, now time.Time) {
	for _, kind := range replayedKinds {
		if kind.Type != stored.Event.Type {
			continue
		}
		if kind.Name != bus.Input.Name {
			h.book.takeOne(heardMessage{kind: kind, stored: *stored}, now)
			break
		}
		if record, err := message.As[message.Input](stored.Event); err == nil && forCriteria(record.Kind) {
			h.book.takeReport(ctx, record, now)
		}
	}
	if made, ok := h.conditions[h.book.book.conditions.AsOf]; ok {
		h.book.book.conditions = made
		for at := range h.conditions {
			if !at.After(made.AsOf) {
				delete(h.conditions, at)
			}
		}
	}
}

// at gives the results as they are at a moment; moments rise.
func (h *replayHolds) at(ctx context.Context, moment time.Time) ([]hold.Result, error) {
	for h.more && h.head.Event.Time.Before(moment) {
		at := h.head.Event.Time
		if err := h.beat(ctx, at); err != nil {
			return nil, err
		}
		if h.head.Event.Type == bus.Hold.Type {
			if err := h.judge(ctx, at, true); err != nil {
				return nil, err
			}
		} else {
			h.take(ctx, &h.head, at)
		}
		h.pull()
	}
	if err := h.beat(ctx, moment); err != nil {
		return nil, err
	}
	if moment.After(h.judged) {
		if err := h.judge(ctx, moment, true); err != nil {
			return nil, err
		}
	}
	results := h.book.book.results
	if len(h.book.programme.Holds) == 0 { // as holdsFor
		results = slices.DeleteFunc(slices.Clone(results), func(r hold.Result) bool { return r.Key == hold.KindManual && r.Outcome == hold.Clear })
	}
	return results, nil
}

// beat judges where that is due before a moment.
func (h *replayHolds) beat(ctx context.Context, moment time.Time) error {
	for h.book.book.due.Before(moment) {
		if err := h.judge(ctx, h.book.book.due, false); err != nil {
			return err
		}
	}
	return nil
}

// judge judges at a moment; known says that the service did so too.
func (h *replayHolds) judge(ctx context.Context, now time.Time, known bool) error {
	if !now.After(h.judged) && !h.judged.IsZero() {
		h.book.book.due = later(h.book.book.due, h.judged.Add(time.Second))
		return nil
	}
	evidence, err := h.book.holdEvidence(ctx, now)
	if err != nil {
		return err
	}
	b := &h.book.book
	results := hold.Judge(h.book.programme, evidence, b.results)
	b.due = now.Add(holdsEvery)
	for k := range results {
		if at := results[k].LiftsAt; at.After(now) && at.Before(b.due) {
			b.due = at
		}
	}
	if !known && b.results == nil && now.Before(b.began.Add(holdsFirstWait)) {
		b.due = now.Add(5 * time.Second) // judgeHolds too waits for the first word
		return ctx.Err()
	}
	b.results, h.judged = results, now
	return ctx.Err()
}

// newest is what was made of a site last, for criteria that ask for its path or its
// windows.
func (r *replay) newest(kind bus.Kind, site string) (data []byte, known bool) {
	s := r.sites[site]
	if s == nil {
		return nil, false
	}
	if data = s.newestScore; kind.Name == bus.Outlook.Name {
		data = s.newestOutlook
	}
	return data, data != nil
}

// criteriaDiffer says whether two programme files may suspend differently: whether
// criteria, what they are judged from, or places differ.
func criteriaDiffer(a, b *programme.Programme) bool {
	type relevant struct {
		Holds   []programme.Hold
		Inputs  []programme.Input
		Targets []programme.Target
		Sites   []programme.Site
	}
	of := func(p *programme.Programme) relevant {
		r := relevant{Holds: p.Holds, Targets: p.Targets}
		for _, input := range p.Inputs {
			if input.IsSafety() {
				r.Inputs = append(r.Inputs, input)
			}
		}
		for _, site := range p.Sites {
			r.Sites = append(r.Sites, programme.Site{ID: site.ID, LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg, TargetIDs: site.TargetIDs, Zones: site.Zones})
		}
		return r
	}
	return !sameValue(reflect.ValueOf(of(a)), reflect.ValueOf(of(b)), 0)
}

// sameValue is deep equality in which numbers that are left out (NaN) are equal, and
// lists that are empty.
func sameValue(a, b reflect.Value, depth int) bool {
	if a.IsValid() != b.IsValid() || a.IsValid() && a.Type() != b.Type() || depth > 100 {
		return false
	}
	if !a.IsValid() {
		return true
	}
	switch a.Kind() {
	case reflect.Float32, reflect.Float64:
		return a.Float() == b.Float() || math.IsNaN(a.Float()) && math.IsNaN(b.Float())
	case reflect.Pointer, reflect.Interface:
		if a.IsNil() || b.IsNil() {
			return a.IsNil() == b.IsNil()
		}
		return sameValue(a.Elem(), b.Elem(), depth+1)
	case reflect.Struct:
		for k := range a.NumField() {
			if !sameValue(a.Field(k), b.Field(k), depth+1) {
				return false
			}
		}
		return true
	case reflect.Slice, reflect.Array:
		if a.Len() != b.Len() {
			return false
		}
		for k := range a.Len() {
			if !sameValue(a.Index(k), b.Index(k), depth+1) {
				return false
			}
		}
		return true
	case reflect.Map:
		if a.Len() != b.Len() {
			return false
		}
		for _, key := range a.MapKeys() {
			if !sameValue(a.MapIndex(key), b.MapIndex(key), depth+1) {
				return false
			}
		}
		return true
	case reflect.Func, reflect.Chan, reflect.UnsafePointer:
		return a.IsNil() && b.IsNil()
	}
	return a.Equal(b)
}

// judgedAt is when the criteria of a score were judged: the latest that it names.
func judgedAt(holds []seedability.HoldRef) (at time.Time) {
	for _, h := range holds {
		at = later(at, h.At)
	}
	return at
}
