package source

import (
	"context"
	"fmt"
	"strings"
	"time"
)

// runsLook follows the runs of a model. A run is followed from half its usual
// latency on until all wanted hours are there, or a newer run covers them, or
// it is older than the usual latency plus two cadences and three hours. An hour
// that a newer run has is not announced from an older one, once the newer one is
// whole: until then outlooks live by the older one, and need all of it.
type runsLook struct {
	f     Fetcher
	s     Source
	files []string // templates of what makes an hour

	done    map[time.Time]bool // runs that are not followed any more
	open    map[time.Time]*run
	covered map[time.Time]time.Time // valid time -> newest whole run that has it
	from    time.Time               // no runs before this one
	newest  time.Time               // run of which something was seen
	began   time.Time               // when its first hour was published
	first   time.Time               // poll
	strange map[string]bool         // keys that were not understood, of the runs followed
	skipped int
}

type run struct {
	reference time.Time
	hours     []int // wanted
	seen      map[int]bool
	lastNews  time.Time
}

// valid is the time of a forecast hour.
func (r *run) valid(hour int) time.Time {
	return r.reference.Add(time.Duration(hour) * time.Hour)
}

const (
	maxRunsBack  = 12
	runOverstays = 3 * time.Hour
)

func newRunsLook(f Fetcher, s Source) (*runsLook, error) {
	l := &runsLook{f: f, s: s, done: map[time.Time]bool{}, open: map[time.Time]*run{}, covered: map[time.Time]time.Time{}, strange: map[string]bool{}}
	for _, name := range []string{"file", "surface"} {
		template, ok := s.Templates[name]
		if !ok {
			continue
		}
		if _, err := compile(template, nil); err != nil {
			return nil, err
		}
		if prefix, _ := Expand(template, TimeValues(time.Unix(0, 0))); !strings.Contains(template, "{ff}") && !strings.Contains(template, "{fff}") || prefix == "" {
			return nil, fmt.Errorf("source %s: template %q has no forecast hour", s.Name, template)
		}
		l.files = append(l.files, template)
	}
	return l, nil
}

func (l *runsLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	l.openRuns(now)
	var fresh []Object
	var failed error
	// Newest first, so that what it covers is known for the older ones.
	for reference := l.s.runAtOrBefore(now); !reference.Before(l.from); reference = l.s.runAtOrBefore(reference.Add(-time.Hour)) {
		r := l.open[reference]
		if r == nil {
			continue
		}
		objects, err := l.pollRun(ctx, r)
		if err != nil {
			failed = err
			break
		}
		for _, o := range objects {
			h := int(o.ValidTime.Sub(r.reference) / time.Hour)
			r.seen[h], r.lastNews = true, now
			if r.reference.After(l.newest) {
				l.newest, l.began = r.reference, time.Time{}
			}
			if r.reference.Equal(l.newest) && !o.Published.IsZero() && (l.began.IsZero() || o.Published.Before(l.began)) {
				l.began = o.Published
			}
			if by := l.covered[o.ValidTime]; !r.reference.Before(by) {
				fresh = append(fresh, o)
			}
		}
		if len(r.seen) < len(r.hours) {
			continue
		}
		for _, h := range r.hours {
			if valid := r.valid(h); l.covered[valid].Before(r.reference) {
				l.covered[valid] = r.reference
			}
		}
	}
	l.closeRuns(now)
	return fresh, failed
}

// openRuns takes up the runs that may have begun. At the first poll these reach
// back to the newest run that usually is there by now, or further.
func (l *runsLook) openRuns(now time.Time) {
	if l.from.IsZero() {
		l.from = earlier(now.Add(-l.s.LookBack), l.s.runAtOrBefore(now.Add(-l.s.Latency)))
	}
	reference := l.s.runAtOrBefore(now)
	for k := 0; k < maxRunsBack && !reference.Before(l.from); k++ {
		if l.open[reference] == nil && !l.done[reference] && !now.Before(reference.Add(l.s.Latency/2)) {
			schedule, _ := l.s.run(reference.Hour())
			r := &run{reference: reference, seen: map[int]bool{}}
			for _, h := range schedule.ForecastHours() {
				if h <= l.s.ForecastHours {
					r.hours = append(r.hours, h)
				}
			}
			l.open[reference] = r
		}
		reference = l.s.runAtOrBefore(reference.Add(-time.Hour))
	}
}

func (l *runsLook) overstay() time.Duration { return l.s.Latency + 2*l.s.Cadence + runOverstays }

// closeRuns lets go of what is whole, covered, or too old.
func (l *runsLook) closeRuns(now time.Time) {
	for reference, r := range l.open {
		missing := false
		for _, h := range r.hours {
			missing = missing || !r.seen[h] && !l.covered[r.valid(h)].After(reference)
		}
		if !missing || now.Sub(reference) > l.overstay() {
			delete(l.open, reference)
			l.done[reference] = true
		}
	}
	// What lies before the first run of interest is not asked about again.
	if horizon := now.Add(-l.overstay()); horizon.After(l.from) {
		for at := range l.open {
			horizon = earlier(horizon, at)
		}
		l.from = horizon
	}
	for at := range l.done {
		if at.Before(l.from) {
			delete(l.done, at)
		}
	}
	for valid := range l.covered {
		if valid.Before(l.from) {
			delete(l.covered, valid)
		}
	}
}

// hourFiles are the entries of one file and its index.
type hourFiles struct{ file, index *entry }

// pollRun lists one run and gives the hours that are whole and not yet seen.
func (l *runsLook) pollRun(ctx context.Context, r *run) ([]Object, error) {
	known := TimeValues(r.reference)
	perFile := make([]map[int]hourFiles, len(l.files))
	for k, template := range l.files {
		prefix, _ := Expand(template, known)
		p, err := compile(template, known)
		if err != nil {
			return nil, err
		}
		entries, err := list(ctx, l.f, l.s, prefix, "")
		if err != nil {
			return nil, err
		}
		perFile[k] = map[int]hourFiles{}
		for i := range entries {
			key, isIndex := strings.CutSuffix(entries[i].key, l.s.Templates["index"])
			values, ok := p.read(key)
			hour, okHour := values.number("ff")
			if !okHour {
				hour, okHour = values.number("fff")
			}
			if !ok || !okHour {
				if !l.strange[entries[i].key] {
					if len(l.strange) > 10000 {
						clear(l.strange)
					}
					l.strange[entries[i].key] = true
					l.skipped++
				}
				continue
			}
			hf := perFile[k][hour]
			if isIndex {
				hf.index = &entries[i]
			} else {
				hf.file = &entries[i]
			}
			perFile[k][hour] = hf
		}
	}
	var found []Object
	for _, hour := range r.hours {
		if r.seen[hour] {
			continue
		}
		if o, ok := l.object(r, hour, perFile); ok {
			found = append(found, o)
		}
	}
	return found, nil
}

// object puts an hour together, false where something of it is not there yet.
func (l *runsLook) object(r *run, hour int, perFile []map[int]hourFiles) (Object, bool) {
	o := Object{
		Source: l.s.Name, Kind: l.s.Kind, Complete: true,
		ID:            fmt.Sprintf("%s/%s/f%03d", l.s.Name, r.reference.Format("20060102T15Z"), hour),
		ReferenceTime: r.reference, ValidTime: r.valid(hour),
	}
	for _, files := range perFile {
		hf := files[hour]
		if hf.file == nil || hf.index == nil || hf.file.Bytes == 0 {
			return o, false
		}
		part := hf.file.part()
		part.IndexURL = hf.index.URL
		o.Parts = append(o.Parts, part)
		for _, e := range []*entry{hf.file, hf.index} {
			if e.LastModified.After(o.Published) {
				o.Published = e.LastModified
			}
		}
	}
	o.IndexURL = o.Parts[0].IndexURL
	return o, true
}

func (l *runsLook) state(now time.Time) state {
	st := state{newest: l.newest, skipped: l.skipped}
	// The next run.
	if l.newest.IsZero() {
		st.expected = l.first
	} else {
		next := l.s.runAfter(l.newest)
		st.expected = next.Add(l.s.lag(l.newest, l.began))
	}
	st.due = l.s.again(st.expected, now)
	// The hours of those that are arriving.
	for _, r := range l.open {
		if len(r.seen) > 0 {
			st.due = earlier(st.due, l.s.again(r.lastNews, now))
		}
	}
	return st
}
