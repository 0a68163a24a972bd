package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"iter"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"rimeline/cmd/internal/pages"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// pagesBus is what pages ask of the bus.
type pagesBus interface {
	Latest(ctx context.Context, kind bus.Kind, programme, site string) (bus.Event, bool, error)
	LastSequence(ctx context.Context, kind bus.Kind) (uint64, error)
	Follow(ctx context.Context, o bus.FollowOptions) iter.Seq2[bus.Stored, error]
}

// pageReader reads what pages show, and shares it for a moment. That moment is of
// the wall, whatever clock the service lives by: it only spares the bus.
type pageReader struct {
	bus pagesBus
	o   pagesOptions
	log *slog.Logger

	// freshFor is how long what was read is shared, patience how long the bus may take
	// for a whole page.
	freshFor, patience time.Duration

	newest map[string]*newestOf // by programme and what is read together, made once

	alerts     tail[alert.Alert]
	acks       tail[message.Ack]
	deliveries tail[alert.Delivery]

	mutex sync.Mutex
	told  map[string]string // errors that are in the log already, by what was read
}

func newPageReader(b pagesBus, o pagesOptions, log *slog.Logger) *pageReader {
	r := &pageReader{bus: b, o: o, log: log, freshFor: pagesFreshFor, patience: pagesReadTime, newest: map[string]*newestOf{}, told: map[string]string{},
		alerts: tail[alert.Alert]{kind: bus.Alert, most: 1000}, acks: tail[message.Ack]{kind: bus.Ack, most: 1000}, deliveries: tail[alert.Delivery]{kind: bus.Delivery, most: 4000}}
	for _, p := range o.programmes {
		r.newest[p.ID+"."+bus.Whole+"."] = &newestOf{programme: p.ID, token: bus.Whole, kinds: []bus.Kind{bus.Hold, bus.Conditions}}
		for k := range p.Sites {
			id := p.Sites[k].ID
			r.newest[p.ID+"."+id] = &newestOf{programme: p.ID, token: id, kinds: []bus.Kind{bus.Score, bus.Outlook}}
			r.newest[p.ID+"."+id+".advice"] = &newestOf{programme: p.ID, token: id, kinds: []bus.Kind{bus.Advice}}
		}
	}
	return r
}

// newestOf keeps the newest messages of one site, or of one programme.
type newestOf struct {
	programme, token string
	kinds            []bus.Kind

	mutex   sync.Mutex
	at      time.Time
	entries []newestEntry // one a kind
}

// newestEntry is the newest message of one kind. Event is nil where there is none.
type newestEntry struct {
	event *bus.Event
	value any // of message.Decode; nil where it could not be read
	err   error
}

// get reads what is older than a moment; those who ask meanwhile wait for it. What
// a page was given is never changed.
func (n *newestOf) get(ctx context.Context, r *pageReader) []newestEntry {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	if n.entries != nil && time.Since(n.at) < r.freshFor {
		return n.entries
	}
	entries := make([]newestEntry, len(n.kinds))
	for k, kind := range n.kinds {
		e, found, err := r.bus.Latest(ctx, kind, n.programme, n.token)
		switch {
		case err != nil:
			entries[k].err = err
		case found && n.entries != nil && n.entries[k].event != nil && n.entries[k].event.ID == e.ID && bytes.Equal(n.entries[k].event.Data, e.Data):
			entries[k] = n.entries[k] // it was read before
		case found:
			entries[k].event = &e
			entries[k].value, entries[k].err = message.Decode(e)
		}
	}
	n.entries, n.at = entries, time.Now()
	return entries
}

// reading is the time for what a page reads. That somebody no longer wants the page
// must not spoil what others wait for.
func (r *pageReader) reading(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(context.WithoutCancel(ctx), r.patience)
}

// valueOf is the value of an entry, if it is of the type that its kind promises.
func valueOf[T any](e newestEntry) *T {
	if value, ok := e.value.(T); ok && e.err == nil {
		return &value
	}
	return nil
}

// report writes an error into the log, once for as long as it stays the same.
func (r *pageReader) report(what string, err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	r.mutex.Lock()
	defer r.mutex.Unlock()
	if r.told[what] == text {
		return
	}
	r.told[what] = text
	if err != nil {
		r.log.Warn("pages cannot read", "what", what, "error", text)
	}
}

// siteOf reads one site; its advice only where that is shown.
func (r *pageReader) siteOf(ctx context.Context, p *programme.Programme, id string, advice bool) (*pages.Site, siteEvents) {
	entries := r.newest[p.ID+"."+id].get(ctx, r)
	s := &pages.Site{ID: id, Score: valueOf[seedability.Assessment](entries[0]), Outlook: valueOf[seedability.Outlook](entries[1])}
	events := siteEvents{Score: entries[0].event, Outlook: entries[1].event}
	if advice {
		newest := r.newest[p.ID+"."+id+".advice"].get(ctx, r)[0]
		s.Advice, events.Advice = valueOf[alert.Advice](newest), newest.event
		if newest.event != nil {
			s.AdviceAt = newest.event.Time
		}
		entries = slices.Concat(entries, []newestEntry{newest})
	}
	for k, e := range entries {
		what := []string{"assessment", "outlook", "advice"}[k]
		r.report(p.ID+"/"+id+" "+what, e.err)
		if e.err != nil && s.Problem == "" {
			s.Problem = "the newest " + what + " of this site could not be read"
			if e.event != nil {
				s.Problem = "the newest " + what + " of this site is one that this program cannot read"
			}
		}
	}
	return s, events
}

// criteria reads what concerns a whole programme.
func (r *pageReader) criteria(ctx context.Context, p *programme.Programme) *pages.Programme {
	ctx, cancel := r.reading(ctx)
	defer cancel()
	v, _ := r.whole(ctx, p)
	return v
}

func (r *pageReader) whole(ctx context.Context, p *programme.Programme) (*pages.Programme, siteEvents) {
	entries := r.newest[p.ID+"."+bus.Whole+"."].get(ctx, r)
	v := &pages.Programme{File: p, Holds: valueOf[message.Holds](entries[0]), Conditions: valueOf[message.Conditions](entries[1])}
	if p.Alerts != nil && p.Alerts.SilentMinutes > 0 {
		v.SilentFor = time.Duration(p.Alerts.SilentMinutes * float64(time.Minute))
	}
	for k, what := range []string{"judgement of criteria", "conditions"} {
		r.report(p.ID+" "+what, entries[k].err)
		if entries[k].err != nil {
			v.Problems = append(v.Problems, "The newest "+what+" could not be read.")
		}
	}
	return v, siteEvents{Holds: entries[0].event, Conditions: entries[1].event}
}

// site reads what the evidence of one site needs.
func (r *pageReader) site(ctx context.Context, p *programme.Programme, id string) (*pages.Programme, siteEvents) {
	ctx, cancel := r.reading(ctx)
	defer cancel()
	v, whole := r.whole(ctx, p)
	s, events := r.siteOf(ctx, p, id, true)
	v.Sites = []*pages.Site{s}
	events.Holds, events.Conditions = whole.Holds, whole.Conditions
	return v, events
}

// board reads everything of some programmes, several sites at once.
func (r *pageReader) board(ctx context.Context, now time.Time, programmes []*programme.Programme) pages.Board {
	b := pages.Board{Now: now, Exercise: r.o.exercise}
	if len(programmes) == 0 {
		return b
	}
	ctx, cancel := r.reading(ctx)
	defer cancel()
	var group errgroup.Group
	group.SetLimit(pagesReadAtOnce)
	for _, p := range programmes {
		v, _ := r.whole(ctx, p)
		v.Sites = make([]*pages.Site, len(p.Sites))
		for k := range p.Sites {
			group.Go(func() error {
				v.Sites[k], _ = r.siteOf(ctx, p, p.Sites[k].ID, false)
				return nil
			})
		}
		b.Programmes = append(b.Programmes, v)
	}
	record := r.readAlerts(ctx)
	_ = group.Wait() // nothing above gives an error
	for k, p := range programmes {
		v := b.Programmes[k]
		v.Alerts, v.AlertsRead = record.of(p.ID, r.o.signers[p.ID]), record.read
		unread := 0
		for _, s := range v.Sites {
			if s.Problem != "" {
				unread++
			}
		}
		if unread > 0 {
			v.Problems = append(v.Problems, "Of "+count(unread, "site")+" some newest message could not be read; a site without an assessment is shown as blind.")
		}
	}
	return b
}

// withAlerts is a programme with its last alerts.
func (r *pageReader) withAlerts(ctx context.Context, p *programme.Programme) *pages.Programme {
	record := r.alertRecord(ctx)
	return &pages.Programme{File: p, Alerts: record.of(p.ID, r.o.signers[p.ID]), AlertsRead: record.read}
}

// alertRecord is the end of the record of alerts, of all programmes.
type alertRecord struct {
	alerts     []tailItem[alert.Alert]
	acks       []tailItem[message.Ack]
	deliveries []tailItem[alert.Delivery]
	read       bool
}

func (r *pageReader) alertRecord(ctx context.Context) alertRecord {
	ctx, cancel := r.reading(ctx)
	defer cancel()
	return r.readAlerts(ctx)
}

func (r *pageReader) readAlerts(ctx context.Context) alertRecord {
	var a alertRecord
	var errs [3]error
	a.alerts, errs[0] = r.alerts.get(ctx, r)
	a.acks, errs[1] = r.acks.get(ctx, r)
	a.deliveries, errs[2] = r.deliveries.get(ctx, r)
	err := errors.Join(errs[:]...)
	r.report("record of alerts", err)
	a.read = err == nil
	return a
}

// of gives the alerts of a programme, the newest first, with what became of them.
// The subject says of which programme a message is: that is what permissions on the
// bus are about. An acknowledgement with a token that is not good counts for nothing.
func (a *alertRecord) of(programmeID string, signer *alert.Signer) []pages.Alert {
	var out []pages.Alert
	first := map[string]string{} // what is acknowledged with an alert
	for _, item := range slices.Backward(a.alerts) {
		if item.programme != programmeID {
			continue
		}
		first[item.value.ID] = cmp.Or(item.value.First, item.value.ID)
		if len(out) < 200 {
			out = append(out, pages.Alert{Alert: item.value})
		}
	}
	acks := map[string][]message.Ack{}
	for _, item := range a.acks {
		if item.programme != programmeID {
			continue
		}
		if item.value.Token != "" && signer != nil {
			if named, _, err := signer.Check(item.value.Token, item.value.At); err != nil || named != item.value.Alert {
				continue
			}
		}
		key := cmp.Or(first[item.value.Alert], item.value.Alert)
		acks[key] = append(acks[key], item.value)
	}
	deliveries := map[string][]alert.Delivery{}
	for _, item := range a.deliveries {
		if item.programme != programmeID {
			continue
		}
		list := deliveries[item.value.AlertID]
		if k := slices.IndexFunc(list, func(d alert.Delivery) bool { return d.Route == item.value.Route }); k >= 0 {
			list[k] = item.value
		} else {
			list = append(list, item.value)
		}
		deliveries[item.value.AlertID] = list
	}
	for k := range out {
		id := out[k].Alert.ID
		out[k].Acks, out[k].Deliveries = acks[first[id]], deliveries[id]
	}
	return out
}

// find an alert of a programme by its id.
func (a *alertRecord) find(programmeID, id string, signer *alert.Signer) *pages.Alert {
	all := a.of(programmeID, signer)
	// The newest that repeats it says most; it is looked for first.
	for k := range all {
		if all[k].Alert.ID == id || all[k].Alert.First == id {
			return &all[k]
		}
	}
	return nil
}

// tail keeps the end of a stream, and reads on from there when it is asked.
type tail[T any] struct {
	kind bus.Kind
	most int

	mutex sync.Mutex
	at    time.Time
	seen  uint64
	items []tailItem[T]
	err   error
	stuck int // times in a row that nothing came although there is more
}

type tailItem[T any] struct {
	programme string
	value     T
}

// get gives what is known, oldest first; the error says that there may be more.
func (t *tail[T]) get(ctx context.Context, r *pageReader) ([]tailItem[T], error) {
	t.mutex.Lock()
	defer t.mutex.Unlock()
	if !t.at.IsZero() && time.Since(t.at) < r.freshFor {
		return t.items, t.err
	}
	t.err = t.readOn(ctx, r.bus)
	t.at = time.Now()
	return t.items, t.err
}

func (t *tail[T]) readOn(ctx context.Context, b pagesBus) error {
	last, err := b.LastSequence(ctx, t.kind)
	if err != nil {
		return err
	}
	if last < t.seen { // the stream was made anew
		t.seen, t.items = 0, nil
	}
	if last == t.seen {
		return nil
	}
	from := t.seen + 1
	if n := uint64(t.most); last >= n && from < last-n+1 {
		from = last - n + 1
	}
	before := t.seen
	// What others hold is not changed: a new list, of the old one and of what comes.
	items := slices.Clone(t.items)
	for stored, err := range b.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{t.kind}, Since: bus.FromSequence(from)}) {
		if err != nil && stored.Sequence == 0 {
			return err
		}
		t.seen = stored.Sequence
		if err == nil {
			if value, err := message.As[T](stored.Event); err == nil {
				if parts := strings.Split(stored.Subject, "."); len(parts) == 4 {
					items = append(items, tailItem[T]{parts[1], value})
				}
			}
		}
		if t.seen >= last {
			break
		}
	}
	t.items = items[max(0, len(items)-t.most):]
	switch {
	case t.seen >= last:
		t.stuck = 0
		return nil
	case t.seen > before:
		t.stuck = 0
	default:
		// The last messages of a stream can have been taken off by hand: then nothing
		// comes, however long one waits.
		if t.stuck++; t.stuck >= 3 {
			t.seen, t.stuck = last, 0
			return nil
		}
	}
	return errors.New("not all of it could be read in time")
}
