package main

import (
	"context"
	"slices"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
)

// The same storm under the criteria of the rehearsal's programme: what suspends is
// raised and lifted as the storm's formulas say, what they leave of the windows is
// found, and nothing is a window while something forbids it. People are told in the
// right order, and not too often. The same seed gives the same messages.
func TestRehearsalUnderCriteria(t *testing.T) {
	if testing.Short() {
		t.Skip("takes minutes: not in short mode")
	}
	t.Parallel() // much of it is waiting
	r := rehearsed(t, rehearsalOptions{seed: 1}, 0)
	end := r.scenario.End()
	ctx := context.WithoutCancel(t.Context())
	states, err := r.published(ctx)
	if err != nil {
		t.Fatal(err)
	}

	// Windows. Where a hold cuts one, the edge is as late as the pages of gauges and
	// warnings are looked at, and a window opens after two scores.
	const ofWeather, ofHold = 10 * time.Minute, 15 * time.Minute
	windowsOf := map[string][]stretch{}
	for _, truth := range truthOf(r.scenario, r.programme) {
		windows := stretches(states[truth.site], seedability.StateWindow, end)
		windowsOf[truth.site] = windows
		// What holds leave of a true window may be too short to be asked for; it is no
		// mistake to find it.
		windows = slices.DeleteFunc(slices.Clone(windows), func(s stretch) bool {
			return s.to.Sub(s.from) < shortestRest && slices.ContainsFunc(truth.windows, func(w truthWindow) bool {
				return s.overlapWith(stretch{w.open, w.close}) > 0
			})
		})
		var allowed []stretch
		var cut [][2]bool
		for _, w := range truth.windows {
			for _, s := range r.allowedOf(truth.site, w) {
				allowed = append(allowed, s)
				cut = append(cut, [2]bool{!s.from.Equal(w.open), !s.to.Equal(w.close)})
			}
		}
		if len(allowed) != len(windows) {
			t.Errorf("%s: %d windows are left by the holds, %d published: %v and %v", truth.site, len(allowed), len(windows), allowed, windows)
			continue
		}
		for k, s := range allowed {
			t.Logf("%-14s allowed %s, published %s", truth.site, span(s), span(windows[k]))
			for edge, off := range []time.Duration{windows[k].from.Sub(s.from), windows[k].to.Sub(s.to)} {
				most := ofWeather
				if cut[k][edge] {
					most = ofHold
				}
				if off.Abs() > most {
					t.Errorf("%s: window %d is off by %v at edge %d", truth.site, k+1, off, edge)
				}
			}
		}
	}

	// Holds.
	raised, err := r.publishedHolds(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for criterion, truth := range r.trueHolds() {
		clear := r.programme.Hold(criterion).ClearMinutes
		for _, s := range truth {
			k := slices.IndexFunc(raised[criterion], func(p stretch) bool { return p.overlapWith(s) > 0 })
			if k < 0 {
				t.Errorf("%s: held %s in truth, not published", criterion, span(s))
				continue
			}
			p := raised[criterion][k]
			t.Logf("%-20s in truth %s, published %s", criterion, span(s), span(p))
			lift := s.to.Add(time.Duration(clear * float64(time.Minute)))
			if late := p.from.Sub(s.from); late < -5*time.Minute || late > 12*time.Minute {
				t.Errorf("%s: raised %v after its cause", criterion, late)
			}
			if late := p.to.Sub(lift); s.to.Before(end) && (late < -5*time.Minute || late > 20*time.Minute) {
				t.Errorf("%s: lifted %v after it may be", criterion, late)
			}
		}
		if len(raised[criterion]) > len(truth) {
			t.Errorf("%s: published %v, in truth %v", criterion, raised[criterion], truth)
		}
	}
	for site, row := range states {
		for _, h := range r.heldInTruth(site) {
			within := stretch{h.From.Add(12 * time.Minute), h.To}
			for _, w := range stretches(row, seedability.StateWindow, end) {
				if w.overlapWith(within) > 0 {
					t.Errorf("%s: a window %s while %s holds it, %s", site, span(w), h.Criterion, h.Why)
				}
			}
		}
	}

	// Alerts: what is told of a site is in the order of what happens there, each
	// change once.
	// A hold must have been gone for lift_minutes before that is told, and with it the
	// window that it left.
	tellWithin := time.Duration(r.programme.AlertConfig().LiftMinutes*float64(time.Minute)) + 2*time.Minute
	counts := map[alert.Kind]int{}
	open := map[string]int{}
	ids := map[string]bool{}
	for _, a := range readAll[alert.Alert](t, r, bus.Alert) {
		if ids[a.ID] {
			t.Errorf("alert %s is told twice", a.ID)
		}
		ids[a.ID] = true
		counts[a.Kind]++
		if !a.Exercise {
			t.Errorf("alert %s is not marked as an exercise", a.ID)
		}
		for _, site := range a.Sites {
			switch {
			case a.Kind == alert.WindowOpen && a.Change == alert.ChangeNew:
				open[site.ID]++
				inWindow := slices.ContainsFunc(windowsOf[site.ID], func(w stretch) bool {
					return !a.Raised.Before(w.from) && a.Raised.Sub(w.from) < tellWithin
				})
				if !inWindow {
					t.Errorf("%s is told to be open at %s; its windows are %v", site.ID, a.Raised.Format("15:04:05"), windowsOf[site.ID])
				}
			case a.Kind == alert.WindowClosing && open[site.ID] == 0:
				t.Errorf("%s is told to close at %s and was never open", site.ID, a.Raised.Format("15:04"))
			}
		}
	}
	for site, windows := range windowsOf {
		windows = slices.DeleteFunc(slices.Clone(windows), func(s stretch) bool { return s.to.Sub(s.from) < tellWithin })
		if open[site] < len(windows) || open[site] > len(windowsOf[site]) {
			t.Errorf("%s: %d windows, told to be open %d times", site, len(windows), open[site])
		}
	}
	raises := 0
	for _, list := range raised {
		raises += len(list)
	}
	if counts[alert.HoldRaised] < raises || counts[alert.HoldRaised] > 3*raises {
		t.Errorf("%d criteria were raised, %d times people were told", raises, counts[alert.HoldRaised])
	}
	t.Logf("alerts: %v", counts)
	if total := len(ids); total > 90 {
		t.Errorf("%d alerts in eight hours are too many to read", total)
	}

	const again = 62 * time.Minute // a warning has come by then
	second := rehearsed(t, rehearsalOptions{seed: 1}, again)
	for _, kind := range []bus.Kind{bus.Score, bus.Outlook, bus.Hold, bus.Conditions, bus.Alert, bus.CAP} {
		until := r.scenario.Start().Add(again - time.Minute)
		a, b := identities(t, r, kind, until), identities(t, second, kind, until)
		if len(a) == 0 {
			t.Errorf("no messages of the kind %s", kind.Name)
		}
		for subject := range a {
			if !slices.Equal(a[subject], b[subject]) {
				t.Errorf("%s: the second run published other messages:\n%s", subject, firstDifference(a[subject], b[subject]))
			}
		}
	}
}
