package source

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"time"

	"rimeline/ingest/feed"
)

// Poller finds what is new at one source for one need.
//
// It looks when something is due. An object is due when the one before it is a
// cadence old and as much time has passed again as objects of this source have
// lately taken to be published (at first: as they typically take). One that is
// late by L is looked for again after L/4, but never sooner than after
// Source.Pace and never later than after Source.Patience. For HRRR these are
// one and five minutes: a run is looked for from 50 minutes after its reference
// time, every minute until 54, every 2 minutes around 58, every 5 minutes from
// 70 on, for as long as it stays away; while its hours arrive, every minute.
// Each look is one listing. For volumes in pieces the two are 15 s and 2
// minutes, for mosaics 15 s and 2 minutes, for soundings 5 and 15 minutes.
// After the k-th failure in a row nothing is asked for Pace times 2^(k-1), at
// most 10 minutes or Patience, whichever is longer.
//
// A page is asked every Pace, and after failures at least every 5 minutes if its
// pace is shorter; see pageLook.
//
// A Poller is safe for use by several goroutines at once; polls wait for each
// other.
type Poller struct {
	polling sync.Mutex // held over a poll
	source  Source
	looks   []look

	mu       sync.Mutex // guards what follows
	health   Health
	failures int
	failedAt time.Time
	due      time.Time
	expected time.Time // earliest of the looks
}

// look follows one stream of a source: a station, a product, a model.
type look interface {
	// poll gives what is new; also beside an error.
	poll(ctx context.Context, now time.Time) ([]Object, error)
	// state after a poll.
	state(now time.Time) state
}

type state struct {
	newest   time.Time // reference time of the newest object seen, zero: none
	expected time.Time // when the next one should be there
	due      time.Time // when to look again
	skipped  int       // names that were not understood, since the start
}

// Health says how a source has been doing.
type Health struct {
	// LastSuccess is the last poll that met no error.
	LastSuccess time.Time
	// LastError of the last poll, nil where that met none.
	LastError error
	// Newest is the reference time of the newest object seen.
	Newest time.Time
	// Behind is by how much the next object is later than usual, at the time of
	// the last poll; of several stations or products, of the latest.
	Behind time.Duration
	// Skipped counts names that are not of the source's layout, or of another
	// part of the store that begins alike.
	Skipped int
}

const longestBackoff = 10 * time.Minute

// NewPoller makes a Poller, or says what is wrong with the need.
func NewPoller(f Fetcher, n Need) (*Poller, error) {
	s, err := n.resolved()
	if err != nil {
		return nil, err
	}
	p := &Poller{source: s}
	switch s.Layout {
	case LayoutRuns:
		l, err := newRunsLook(f, s)
		if err != nil {
			return nil, err
		}
		p.looks = append(p.looks, l)
	case LayoutTimes:
		for _, known := range s.streams(n.Stations) {
			l, err := newTimesLook(f, s, known)
			if err != nil {
				return nil, err
			}
			p.looks = append(p.looks, l)
		}
	case LayoutChunks:
		for _, known := range s.streams(n.Stations) {
			l, err := newChunksLook(f, s, known["station"])
			if err != nil {
				return nil, err
			}
			p.looks = append(p.looks, l)
		}
	case LayoutBulletins:
		l, err := newBulletinsLook(f, s, n.Stations)
		if err != nil {
			return nil, err
		}
		p.looks = append(p.looks, l)
	case LayoutCollection:
		l, err := newCollectionLook(f, s, n.Stations)
		if err != nil {
			return nil, err
		}
		p.looks = append(p.looks, l)
	case LayoutFiles:
		for _, known := range s.streams(n.Stations) {
			p.looks = append(p.looks, &filesLook{f: f, s: s, station: known["station"]})
		}
	case LayoutPage:
		looks, err := newPageLooks(f, s, n)
		if err != nil {
			return nil, err
		}
		p.looks = looks
	}
	return p, nil
}

// streams are the known values of each stream of a source.
func (s Source) streams(stations []string) []Values {
	var list []Values
	for _, station := range stations {
		list = append(list, Values{"station": strings.ToUpper(station)})
	}
	for _, product := range s.Products {
		list = append(list, Values{"product": product})
	}
	return list
}

// Source is the source as this need has it, mirrors and products included.
func (p *Poller) Source() Source { return p.source.clone() }

// Poll gives what is new since the last poll, at the first what appeared within
// the look back, oldest first. What was found before an error is given beside
// it and not again. That something is not yet there is no error.
func (p *Poller) Poll(ctx context.Context, now time.Time) ([]Object, error) {
	p.polling.Lock()
	defer p.polling.Unlock()
	var found []Object
	var failed []error
	atOnce := 1
	if p.source.Layout == LayoutPage {
		atOnce = asksAtOnce // one that keeps us waiting must not delay the others
	}
	for some := range slices.Chunk(p.looks, atOnce) {
		objects, errs := make([][]Object, len(some)), make([]error, len(some))
		var group sync.WaitGroup
		for k, l := range some {
			group.Go(func() { objects[k], errs[k] = l.poll(ctx, now) })
		}
		group.Wait()
		found = append(found, slices.Concat(objects...)...)
		for _, err := range errs {
			if err != nil {
				failed = append(failed, err)
			}
		}
		if len(failed) > 0 && ctx.Err() != nil {
			break
		}
	}
	slices.SortStableFunc(found, func(a, b Object) int {
		return cmp.Or(a.ReferenceTime.Compare(b.ReferenceTime), a.ValidTime.Compare(b.ValidTime), cmp.Compare(a.ID, b.ID))
	})
	err := errors.Join(failed...)
	p.remember(now, err)
	return found, err
}

func (p *Poller) remember(now time.Time, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.health.LastError = err
	if err == nil {
		p.health.LastSuccess, p.failures = now, 0
	} else {
		p.failures++
		p.failedAt = now
	}
	p.due, p.expected, p.health.Skipped = time.Time{}, time.Time{}, 0
	for _, l := range p.looks {
		st := l.state(now)
		p.health.Skipped += st.skipped
		if st.newest.After(p.health.Newest) {
			p.health.Newest = st.newest
		}
		p.due = earlier(p.due, st.due)
		p.expected = earlier(p.expected, st.expected)
	}
	p.health.Behind = max(0, now.Sub(p.expected))
}

// earlier of two times of which zero means none.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// Next is when to poll again, see Poller. Before the first poll it is now.
func (p *Poller) Next(now time.Time) time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.health.LastSuccess.IsZero() && p.failures == 0 {
		return now
	}
	next := p.due
	// Pages know by themselves when to ask again, each for itself.
	if p.failures > 0 && p.source.Layout != LayoutPage {
		bound := max(longestBackoff, p.source.Patience)
		wait := bound
		if p.failures < 16 {
			wait = min(bound, p.source.Pace<<(p.failures-1))
		}
		next = p.failedAt.Add(wait)
	}
	// A clock that was set back must not stop the polling.
	if limit := now.Add(p.longestWait()); next.After(limit) {
		next = limit
	}
	if next.Before(now) {
		return now
	}
	return next
}

// longestWait is the longest that any rule here asks for.
func (p *Poller) longestWait() time.Duration {
	return max(longestBackoff, p.source.Pace, p.source.Patience, p.source.Cadence+2*p.source.Latency)
}

// Health says how the source has been doing.
func (p *Poller) Health() Health {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.health
}

// again is when to look for something that should be there at expected.
func (s Source) again(expected, now time.Time) time.Time {
	late := now.Sub(expected)
	if late < 0 {
		return expected
	}
	return now.Add(min(max(late/4, s.Pace), s.Patience))
}

// lag is how long objects take to be published, from the last one that was
// seen, within half and twice of what is typical.
func (s Source) lag(reference, published time.Time) time.Duration {
	if published.IsZero() || reference.IsZero() {
		return s.Latency
	}
	return min(max(published.Sub(reference), s.Latency/2), 2*s.Latency)
}

// notYet tells that an answer may mean "not there yet".
func notYet(err error) bool {
	return errors.Is(err, feed.ErrNotFound) || errors.Is(err, feed.ErrForbidden)
}

// entry is one file of a store, by its key below the base URL.
type entry struct {
	key string
	feed.Entry
}

func (e entry) part() Part {
	part := Part{URL: e.URL, Bytes: max(0, e.Bytes), ETag: e.ETag, LastModified: e.LastModified}
	if e.Rounded {
		part.Bytes = 0
	}
	return part
}

const (
	pageKeys = 1000
	maxPages = 20 // of one listing; a day of a radar has 300 keys
)

// list gives the files whose keys begin with prefix and sort after startAfter.
// A directory that is not there has none; of a bucket that is an error, since
// buckets list what is not there as nothing.
func list(ctx context.Context, f Fetcher, s Source, prefix, startAfter string) ([]entry, error) {
	if s.Listing == ListingDirectory {
		dir := prefix[:strings.LastIndexByte(prefix, '/')+1]
		listing, err := f.ListDirectory(ctx, join(s.BaseURL, dir))
		if err != nil {
			if notYet(err) {
				return nil, nil
			}
			return nil, err
		}
		var found []entry
		for _, e := range listing.Entries {
			if key := dir + e.Name; strings.HasPrefix(key, prefix) && key > startAfter {
				found = append(found, entry{key, e})
			}
		}
		slices.SortFunc(found, func(a, b entry) int { return cmp.Compare(a.key, b.key) })
		return found, nil
	}
	var found []entry
	for range maxPages {
		listing, err := f.ListS3(ctx, s.BaseURL, feed.ListQuery{Prefix: prefix, StartAfter: startAfter, Max: pageKeys})
		if err != nil {
			return found, err
		}
		for _, e := range listing.Entries {
			if !strings.HasPrefix(e.Name, prefix) || e.Name <= startAfter {
				continue // a store that ignores what it was asked
			}
			found = append(found, entry{e.Name, e})
		}
		if !listing.Truncated || len(listing.Entries) == 0 {
			break
		}
		next := listing.Entries[len(listing.Entries)-1].Name
		if next <= startAfter {
			break
		}
		startAfter = next
	}
	return found, nil
}
