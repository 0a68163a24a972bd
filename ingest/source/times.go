package source

import (
	"context"
	"fmt"
	"strings"
	"time"
)

// timesLook follows files that are named by time, of one station or product.
type timesLook struct {
	f        Fetcher
	s        Source
	known    Values
	template string
	pattern  *pattern
	period   time.Duration   // of one prefix
	inPrefix []string        // placeholders of time that stand in directories
	seen     map[string]bool // keys, since newest less overlap

	newest, published time.Time
	gap               time.Duration // between the two newest
	first             time.Time
	skipped           int
}

// overlap is how much later than a newer file an older one may be stored and
// is found all the same.
const overlap = 10 * time.Minute

// maxPeriods bounds how many prefixes one look lists.
const maxPeriods = 100

func newTimesLook(f Fetcher, s Source, known Values) (*timesLook, error) {
	l := &timesLook{f: f, s: s, known: known, template: s.Templates["file"], seen: map[string]bool{}, period: 24 * time.Hour}
	var err error
	if l.pattern, err = compile(l.template, known); err != nil {
		return nil, err
	}
	directories, err := tokens(l.template[:strings.LastIndexByte(l.template, '/')+1])
	if err != nil {
		return nil, err
	}
	for _, t := range directories {
		if _, ok := TimeValues(time.Time{})[t.name]; ok {
			l.inPrefix = append(l.inPrefix, t.name)
			if t.name == "hh" {
				l.period = time.Hour
			}
		}
	}
	return l, nil
}

func (l *timesLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	from := now.Add(-l.s.LookBack)
	if earliest := l.newest.Add(-overlap); earliest.After(from) {
		from = earliest
	}
	var found []Object
	at := from.UTC().Truncate(l.period)
	for range maxPeriods {
		if at.After(now) {
			break
		}
		prefix, _ := Expand(l.template, TimeValues(at).only(l.inPrefix...).with(l.known))
		after, _ := Expand(l.template, TimeValues(from).with(l.known))
		if !strings.HasPrefix(after, prefix) {
			after = "" // from lies in an earlier prefix
		}
		entries, err := list(ctx, l.f, l.s, prefix, after)
		for _, e := range entries {
			if o, ok := l.object(e, from); ok {
				found = append(found, o)
			}
		}
		if err != nil {
			return found, err
		}
		at = at.Add(l.period)
	}
	l.forget()
	return found, nil
}

// object makes an object of a key that is new.
func (l *timesLook) object(e entry, from time.Time) (Object, bool) {
	if l.seen[e.key] {
		return Object{}, false
	}
	values, ok := l.pattern.read(e.key)
	at, okTime := values.time()
	if !ok || !okTime {
		if !l.seen[e.key] {
			l.seen[e.key] = true
			l.skipped++
		}
		return Object{}, false
	}
	if at.Before(from) || e.Bytes == 0 {
		return Object{}, false // an empty file may yet be filled
	}
	l.seen[e.key] = true
	if at.After(l.newest) {
		if !l.newest.IsZero() {
			l.gap = at.Sub(l.newest)
		}
		l.newest, l.published = at, e.LastModified
	}
	stream := values["station"]
	if stream == "" {
		stream = values["product"]
	}
	return Object{
		Source: l.s.Name, Kind: l.s.Kind, ID: fmt.Sprintf("%s/%s/%s", l.s.Name, stream, stamp(at)),
		Station: values["station"], Product: values["product"],
		ReferenceTime: at, ValidTime: at, Published: e.LastModified, Parts: []Part{e.part()}, Complete: true,
	}, true
}

// forget lets go of keys that will not be listed again. Those that were not
// understood carry no time and go all at once; they are then counted again.
func (l *timesLook) forget() {
	if len(l.seen) < 5000 {
		return
	}
	for key := range l.seen {
		values, ok := l.pattern.read(key)
		if at, okTime := values.time(); !ok || !okTime || at.Before(l.newest.Add(-overlap)) {
			delete(l.seen, key)
		}
	}
}

func (l *timesLook) state(now time.Time) state {
	st := state{newest: l.newest, skipped: l.skipped, expected: l.first}
	if !l.newest.IsZero() {
		// A full disk comes half as often as a sector, and a radar in clear air
		// half as often as in rain.
		cadence := l.s.Cadence
		if l.gap > 0 {
			cadence = min(max(l.gap, cadence/2), 2*cadence)
		}
		st.expected = l.newest.Add(cadence + l.s.lag(l.newest, l.published))
	}
	st.due = l.s.again(st.expected, now)
	return st
}
