package source

import (
	"context"
	"fmt"
	"strings"
	"time"

	"rimeline/ingest/feed"
)

// ProbeResult says whether a source answers.
type ProbeResult struct {
	OK     bool
	Detail string    // one sentence for people
	Newest time.Time // of what was seen, zero where that was not told
	Took   time.Duration
	Err    error
}

// Probe tries a source with a handful of small requests, listings mostly. OK
// means that the store answers and has something of the last time that the
// source looks back, or three cadences and latencies.
func Probe(ctx context.Context, f Fetcher, s Source, now time.Time) ProbeResult {
	began := time.Now()
	r := probe(ctx, f, s, now)
	r.Took = time.Since(began)
	return r
}

func probe(ctx context.Context, f Fetcher, s Source, now time.Time) ProbeResult {
	fresh := max(s.LookBack, 3*(s.Cadence+s.Latency))
	var newest time.Time
	var seen int
	count := func(at time.Time) {
		seen++
		if at.After(newest) {
			newest = at
		}
	}
	fail := func(err error) ProbeResult {
		return ProbeResult{Detail: "does not answer as expected: " + err.Error(), Err: err}
	}
	what := "objects"
	switch s.Layout {
	case LayoutRuns:
		what = "files"
		at := s.runAtOrBefore(now.Add(-s.Latency))
		for range 3 {
			prefix, _ := Expand(s.Templates["file"], TimeValues(at))
			entries, err := list(ctx, f, s, prefix, "")
			if err != nil {
				return fail(err)
			}
			for range entries {
				count(at)
			}
			if seen > 0 {
				break
			}
			at = s.runAtOrBefore(at.Add(-time.Hour))
		}
	case LayoutTimes:
		known := Values{"station": s.ProbeStation}
		if len(s.Products) > 0 {
			known = Values{"product": s.Products[0]}
		}
		s.LookBack = fresh
		l, err := newTimesLook(f, s, known)
		if err != nil {
			return fail(err)
		}
		objects, err := l.poll(ctx, now)
		if err != nil {
			return fail(err)
		}
		for _, o := range objects {
			count(o.ReferenceTime)
		}
	case LayoutChunks:
		what = "volumes"
		l, err := newChunksLook(f, s, s.ProbeStation)
		if err != nil {
			return fail(err)
		}
		l.s.LookBack = 0 // no further back than the newest
		if err := l.search(ctx, now); err != nil {
			return fail(err)
		}
		if l.current != nil {
			count(l.current.start)
		}
	case LayoutBulletins, LayoutCollection:
		what = "files"
		directories := map[string]bool{}
		for _, template := range s.Templates {
			directories[template[:strings.LastIndexByte(template, '/')+1]] = true
		}
		for directory := range directories {
			listing, err := f.ListDirectory(ctx, join(s.BaseURL, directory))
			if err != nil {
				return fail(err)
			}
			for _, e := range listing.Entries {
				count(e.LastModified)
			}
			break // one is enough
		}
	case LayoutPage:
		return probePage(ctx, f, s, now)
	case LayoutFiles:
		what = "file of " + s.ProbeStation
		l := &filesLook{f: f, s: s, station: s.ProbeStation}
		l.s.LookBack = maxLookBack
		objects, err := l.poll(ctx, now)
		if err != nil {
			return fail(err)
		}
		for _, o := range objects {
			count(o.ReferenceTime)
		}
	}
	switch {
	case seen == 0:
		return ProbeResult{Detail: fmt.Sprintf("answers, but has no %s of the last %s", what, roughly(fresh)), Err: feed.ErrNotFound}
	case !newest.IsZero() && now.Sub(newest) > fresh:
		return ProbeResult{Detail: fmt.Sprintf("answers, but the newest of its %s is %s old", what, roughly(now.Sub(newest))), Newest: newest, Err: feed.ErrNotFound}
	case newest.IsZero():
		return ProbeResult{OK: true, Detail: fmt.Sprintf("answers with %d %s, without dates", seen, what)}
	}
	return ProbeResult{OK: true, Newest: newest, Detail: fmt.Sprintf("answers; newest %s", newest.Format("2006-01-02 15:04 UTC"))}
}

// probePage asks a page once. What it holds only a decoder knows.
func probePage(ctx context.Context, f Fetcher, s Source, now time.Time) ProbeResult {
	if s.BaseURL == "" {
		return ProbeResult{OK: true, Detail: "not tried: its address stands in the programme file"}
	}
	n := Need{Source: s.Name}
	if n.Stations = []string{s.ProbeStation}; s.Zones {
		n.Stations, n.Areas = nil, []string{s.ProbeStation}
	}
	looks, err := newPageLooks(f, s, n)
	if err != nil {
		return ProbeResult{Detail: err.Error(), Err: err}
	}
	objects, err := looks[0].poll(ctx, now)
	if err != nil {
		return ProbeResult{Detail: "does not answer as expected: " + err.Error(), Err: err}
	}
	bytes := int64(0)
	for _, part := range objects[0].Parts {
		bytes += part.Bytes
	}
	if bytes == 0 {
		return ProbeResult{Detail: "answers with nothing at all", Err: feed.ErrMalformed}
	}
	return ProbeResult{OK: true, Newest: now, Detail: fmt.Sprintf("answers with %d bytes", bytes)}
}

// roughly prints a duration in the unit that suits it.
func roughly(d time.Duration) string {
	switch {
	case d >= 72*time.Hour:
		return fmt.Sprintf("%.0f days", d.Hours()/24)
	case d >= 2*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f minutes", d.Minutes())
}
