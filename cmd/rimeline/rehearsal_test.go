package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"testing"
	"time"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/bus"
)

// rehearsed runs a storm, or its first part, as fast as the machine allows.
func rehearsed(t *testing.T, o rehearsalOptions, until time.Duration) *rehearsalRun {
	t.Helper()
	env := testEnvironment(t)
	o.data, o.log = t.TempDir(), slog.New(slog.DiscardHandler)
	r, err := newRehearsal(env, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	if until > 0 {
		r.until = r.scenario.Start().Add(until)
	}
	if err := r.run(t.Context(), 2); err != nil {
		t.Fatal(err)
	}
	return r
}

func testEnvironment(t *testing.T) *environment {
	t.Helper()
	rare, err := newRareDecoder()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { rare.Close() })
	return &environment{Context: t.Context(), Stdout: t.Output(), Stderr: t.Output(), Rare: rare}
}

// identities lists the messages of a kind up to a moment, by subject.
func identities(t *testing.T, r *rehearsalRun, kind bus.Kind, until time.Time) map[string][]string {
	t.Helper()
	ids := map[string][]string{}
	for stored, err := range r.service.bus.ReadBack(context.WithoutCancel(t.Context()), kind) {
		if err != nil {
			t.Fatal(err)
		}
		if !stored.Event.Time.After(until) {
			ids[stored.Subject] = append(ids[stored.Subject], stored.Event.Time.Format(time.RFC3339Nano)+" "+stored.Event.ID)
		}
	}
	return ids
}

// The whole service, on the first two bands and the outage of an invented storm, under
// no criteria: what it publishes follows what the storm's formulas say.
// TestRehearsalUnderCriteria has all of the storm.
func TestRehearsalFollowsTheTruth(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute: not in short mode")
	}
	t.Parallel() // much of it is waiting
	const begin, until = 70 * time.Minute, 280 * time.Minute
	r := rehearsed(t, rehearsalOptions{seed: 1, at: begin, yaml: string(rehearsal.ProgrammeYAML())}, until)
	end := r.until
	states, err := r.published(context.WithoutCancel(t.Context()))
	if err != nil {
		t.Fatal(err)
	}
	truths := truthOf(r.scenario, r.programme)
	for _, truth := range truths {
		row := states[truth.site]
		if len(row) < 34 {
			t.Errorf("%s: %d scores in 210 minutes, at least one every five minutes was promised while anything is near", truth.site, len(row))
		}
		windows := stretches(row, seedability.StateWindow, end)
		// Of the window of the third band only the beginning lies in this run.
		windows = slices.DeleteFunc(windows, func(s stretch) bool { return !s.to.Before(end) })
		if len(truth.windows) != 2 || len(windows) != 1 {
			t.Errorf("%s: %d windows in truth, %d published: %v", truth.site, len(truth.windows), len(windows), windows)
			continue
		}
		for k, w := range truth.windows[:1] {
			early, late := windows[k].from.Sub(w.open), windows[k].to.Sub(w.close)
			t.Logf("%-14s band %d: true %s, published %s", truth.site, k+2, span(stretch{w.open, w.close}), span(windows[k]))
			if early.Abs() > 10*time.Minute || late.Abs() > 10*time.Minute {
				t.Errorf("%s: window %d opens %v and closes %v from the truth, more than 10 min", truth.site, k+1, early, late)
			}
		}
	}
	byOpening := func(of func(k int) time.Time) []int {
		order := make([]int, len(truths))
		for k := range order {
			order[k] = k
		}
		slices.SortStableFunc(order, func(a, b int) int { return of(a).Compare(of(b)) })
		return order
	}
	for band := range 1 {
		in := byOpening(func(k int) time.Time { return truths[k].windows[band].open })
		out := byOpening(func(k int) time.Time {
			windows := stretches(states[truths[k].site], seedability.StateWindow, end)
			if band >= len(windows) {
				return end
			}
			return windows[band].from
		})
		if !slices.Equal(in, out) {
			t.Errorf("band %d: sites open in the order %v, in truth %v", band+2, out, in)
		}
	}
	for _, e := range r.scenario.Episodes() {
		within := stretch{e.From, e.To}
		for site, row := range states {
			for _, w := range stretches(row, seedability.StateWindow, end) {
				if minutes := w.overlapWith(within).Minutes(); minutes > 0 && (e.Kind == rehearsal.EpisodeWarmBand || e.Kind == rehearsal.EpisodeInversion || e.Kind == rehearsal.EpisodeIcedOver || e.Kind == rehearsal.EpisodeOutage) {
					t.Errorf("%s: a window for %.0f min during %s", site, minutes, e.Name)
				}
			}
		}
	}
	// A radar picture counts for at most 12 minutes in this programme, so every
	// site is blind from there to the end of the outage.
	from, to := r.scenario.Outage()
	for site, row := range states {
		var blind time.Duration
		within := stretch{from.Add(13 * time.Minute), to}
		for _, s := range stretches(row, seedability.StateBlind, end) {
			blind += s.overlapWith(within)
		}
		if whole := within.to.Sub(within.from); blind < whole-2*time.Minute {
			t.Errorf("%s: blind for %v of the last %v of the outage", site, blind, whole)
		}
	}
	for _, kind := range []bus.Kind{bus.DeadLetter} {
		if ids := identities(t, r, kind, end.Add(time.Hour)); len(ids) > 0 {
			t.Errorf("jobs were given up: %v", ids)
		}
	}
}

func firstDifference(a, b []string) string {
	for k := range min(len(a), len(b)) {
		if a[k] != b[k] {
			return fmt.Sprintf("message %d: %s\n       and %s", k+1, a[k], b[k])
		}
	}
	return fmt.Sprintf("%d and %d messages", len(a), len(b))
}
