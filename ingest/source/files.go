package source

import (
	"context"
	"errors"
	"fmt"
	"path"
	"strings"
	"time"

	"rimeline/ingest/feed"
)

// collectionLook follows a directory of binary files: collections that are
// named by a number and overwritten when it wraps, or files of one station and
// time each.
type collectionLook struct {
	f        Fetcher
	s        Source
	stations map[string]bool // upper case; empty: all
	patterns []*pattern

	seen      map[string]entry // by key
	newest    time.Time
	published time.Time
	first     time.Time
	skipped   int
}

func newCollectionLook(f Fetcher, s Source, stations []string) (*collectionLook, error) {
	l := &collectionLook{f: f, s: s, stations: map[string]bool{}, seen: map[string]entry{}}
	for _, station := range stations {
		l.stations[strings.ToUpper(station)] = true
	}
	for _, template := range s.Templates {
		p, err := compile(template, nil)
		if err != nil {
			return nil, err
		}
		l.patterns = append(l.patterns, p)
	}
	return l, nil
}

func (l *collectionLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	entries, err := list(ctx, l.f, l.s, "", "")
	if err != nil {
		return nil, err
	}
	var found []Object
	still := make(map[string]entry, len(entries))
	for _, e := range entries {
		before, known := l.seen[e.key]
		still[e.key] = e
		if known && before.LastModified.Equal(e.LastModified) && before.Bytes == e.Bytes && before.ETag == e.ETag {
			continue
		}
		values, ok := l.read(e.key)
		if !ok {
			l.skipped++
			continue
		}
		if o, ok := l.object(e, values, now); ok {
			found = append(found, o)
		}
	}
	l.seen = still // as large as the directory
	return found, nil
}

func (l *collectionLook) read(key string) (Values, bool) {
	for _, p := range l.patterns {
		if values, ok := p.read(key); ok {
			return values, true
		}
	}
	return nil, false
}

// object makes an object of a new file, unless it is of another station, too
// old or empty.
func (l *collectionLook) object(e entry, values Values, now time.Time) (Object, bool) {
	station := strings.ToUpper(values["station"])
	at, hasTime := values.time()
	if station != "" && (!hasTime || len(l.stations) > 0 && !l.stations[station]) {
		return Object{}, false
	}
	name := station
	if !hasTime {
		name, at = path.Base(e.key), e.LastModified
		if at.IsZero() {
			at = now // a directory without dates
		}
	}
	at = at.UTC().Truncate(time.Second)
	if e.Bytes == 0 || now.Sub(at) > l.s.LookBack {
		return Object{}, false
	}
	if at.After(l.newest) {
		l.newest, l.published = at, e.LastModified
	}
	return Object{
		Source: l.s.Name, Kind: l.s.Kind, ID: fmt.Sprintf("%s/%s/%s", l.s.Name, name, stamp(at)), Station: station,
		ReferenceTime: at, ValidTime: at, Published: e.LastModified, Parts: []Part{e.part()}, Complete: true,
	}, true
}

func (l *collectionLook) state(now time.Time) state {
	st := state{newest: l.newest, skipped: l.skipped, expected: l.first}
	if !l.newest.IsZero() {
		st.expected = l.newest.Add(l.s.Cadence + l.s.lag(l.newest, l.published))
	}
	st.due = l.s.again(st.expected, now)
	return st
}

// filesLook follows one growing file of a station. Its name holds the year in
// which it begins: this one's or, for some months, that of the one before.
type filesLook struct {
	f       Fetcher
	s       Source
	station string

	head    feed.Head
	newest  time.Time
	first   time.Time
	checked time.Time
}

func (l *filesLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	l.checked = now
	for back := range 2 {
		year := time.Date(now.UTC().Year()-back, time.January, 1, 0, 0, 0, 0, time.UTC)
		key, whole := Expand(l.s.Templates["file"], TimeValues(year).with(Values{"station": l.station}))
		if !whole {
			return nil, errors.New("source " + l.s.Name + ": its template needs more than station and year")
		}
		address := join(l.s.BaseURL, key)
		head, err := l.f.Head(ctx, address)
		if err != nil {
			if notYet(err) {
				continue
			}
			return nil, err
		}
		before := l.head
		l.head = head
		if before.ETag == head.ETag && before.LastModified.Equal(head.LastModified) && before.Bytes == head.Bytes && !l.newest.IsZero() {
			return nil, nil
		}
		at := head.LastModified.UTC().Truncate(time.Second)
		if head.LastModified.IsZero() {
			at = now.UTC().Truncate(time.Second)
		}
		l.newest = at
		if now.Sub(at) > l.s.LookBack {
			return nil, nil // a station that has fallen silent
		}
		return []Object{{
			Source: l.s.Name, Kind: l.s.Kind, ID: fmt.Sprintf("%s/%s/%s", l.s.Name, l.station, stamp(at)), Station: l.station,
			ReferenceTime: at, ValidTime: at, Published: head.LastModified, Complete: true,
			Parts: []Part{{URL: address, Bytes: max(0, head.Bytes), ETag: head.ETag, LastModified: head.LastModified}},
		}}, nil
	}
	return nil, nil
}

func (l *filesLook) state(now time.Time) state {
	st := state{newest: l.newest, expected: l.first}
	if !l.newest.IsZero() {
		st.expected = l.newest.Add(l.s.Cadence)
	}
	st.due = l.s.again(st.expected, now)
	return st
}
