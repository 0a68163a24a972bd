package main

import (
	"context"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// order of a person, at a moment of the storm.
type orderAt struct {
	after time.Duration
	order message.Order
}

// rehearsedUnder runs a stretch of the storm under criteria and orders.
func rehearsedUnder(t *testing.T, holds string, from, until time.Duration, orders ...orderAt) *rehearsalRun {
	t.Helper()
	yaml := string(rehearsal.ProgrammeYAML())
	if holds != "" {
		yaml += "\nholds:\n" + holds
	}
	r, err := newRehearsal(testEnvironment(t), rehearsalOptions{seed: 1, data: t.TempDir(), log: slog.New(slog.DiscardHandler), at: from, yaml: yaml})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.Close)
	r.until = r.scenario.Start().Add(until)
	for _, o := range orders {
		at := r.scenario.Start().Add(o.after)
		o.order.Programme, o.order.At = r.programme.ID, at
		r.clock.Go(func() {
			if r.clock.Sleep(t.Context(), at.Sub(r.clock.Now()), nil) != nil {
				return
			}
			event, err := bus.NewEvent(bus.Order, r.programme.ID, string(o.order.Action), at, o.order)
			if err == nil {
				_, err = r.service.bus.Publish(t.Context(), event)
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
	if err := r.run(t.Context(), 2); err != nil {
		t.Fatal(err)
	}
	return r
}

// readAll gives the messages of a kind, the oldest first.
func readAll[T any](t *testing.T, r *rehearsalRun, kind bus.Kind) (list []T) {
	t.Helper()
	for stored, err := range r.service.bus.ReadBack(context.WithoutCancel(t.Context()), kind) {
		if err != nil {
			t.Fatal(err)
		}
		data, err := message.As[T](stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, data)
	}
	return list
}

// A hold that a person sets is in the next word on holds and in the next score of
// its site, within seconds; other sites are not touched; lifted, it is gone as soon.
func TestManualHoldReachesScores(t *testing.T) {
	t.Parallel() // much of it is waiting
	from, set, lift, until := 3*time.Hour, 3*time.Hour+12*time.Minute, 3*time.Hour+31*time.Minute, 3*time.Hour+40*time.Minute
	r := rehearsedUnder(t, "", from, until,
		orderAt{set, message.Order{ID: "road", Action: message.OrderSet, By: "R. Tallow", Reason: "road crew below the site", Sites: []string{"hobnail"}}},
		orderAt{lift, message.Order{ID: "road-open", Action: message.OrderLift, By: "R. Tallow", Reason: "crew has left", Lifts: "road"}},
	)
	setAt, liftAt := r.scenario.Start().Add(set), r.scenario.Start().Add(lift)
	const soon = 5 * time.Second
	var told []time.Time
	for _, holds := range readAll[message.Holds](t, r, bus.Hold) {
		held, _, by := hold.ForSite(holds.Results, "hobnail", nil)
		if want := !holds.At.Before(setAt) && holds.At.Before(liftAt); held != want {
			t.Errorf("%s: hobnail held %v: %+v", holds.At.Format("15:04:05"), held, by)
		}
		if other, _, _ := hold.ForSite(holds.Results, "quillback", nil); other {
			t.Errorf("%s: quillback is held", holds.At.Format("15:04:05"))
		}
		told = append(told, holds.At)
	}
	within := func(at time.Time, list []time.Time) bool {
		for _, t := range list {
			if !t.Before(at) && t.Sub(at) <= soon {
				return true
			}
		}
		return false
	}
	if !within(setAt, told) || !within(liftAt, told) {
		t.Errorf("holds were published at %v, orders came at %v and %v", told, setAt, liftAt)
	}
	var scored []time.Time
	for _, a := range readAll[seedability.Assessment](t, r, bus.Score) {
		want := a.Site.ID == "hobnail" && a.AsOf.After(setAt.Add(soon)) && a.AsOf.Before(liftAt)
		if held := a.State == seedability.StateHold; held != want && a.AsOf.Sub(setAt).Abs() > soon {
			t.Errorf("%s at %s: %s, %s", a.Site.ID, a.AsOf.Format("15:04:05"), a.State, a.StateReason)
		}
		if a.Site.ID == "hobnail" {
			scored = append(scored, a.AsOf)
			if a.State == seedability.StateHold && !strings.Contains(a.StateReason, "road crew") {
				t.Errorf("the reason is %q", a.StateReason)
			}
		}
	}
	if !within(setAt, scored) || !within(liftAt, scored) {
		t.Errorf("hobnail was scored at %v", scored)
	}
}

// Criteria whose inputs nobody gives hold every site, from the first score on, and
// say why; nothing is a window.
func TestCriteriaWithoutInputsHold(t *testing.T) {
	t.Parallel() // much of it is waiting
	r := rehearsedUnder(t, `  - {id: river, kind: river, gauges: [XRVR1], quantity: stage, unit: m, hold_above: 3, source: invented}
`, 3*time.Hour, 3*time.Hour+15*time.Minute)
	scores := readAll[seedability.Assessment](t, r, bus.Score)
	if len(scores) < 6 {
		t.Fatalf("%d scores", len(scores))
	}
	for _, a := range scores {
		if a.State != seedability.StateHold || len(a.Holds) == 0 || a.Holds[0].Outcome != string(hold.Unknown) || !strings.Contains(a.StateReason, "river") {
			t.Errorf("%s at %s: %s, %s, %+v", a.Site.ID, a.AsOf.Format("15:04:05"), a.State, a.StateReason, a.Holds)
		}
	}
}

// Whoever takes a schedule over goes on with what was held: a hold that a person
// must lift does not vanish because a process died.
func TestHoldsSurviveARestart(t *testing.T) {
	t.Parallel() // much of it is waiting
	yaml := string(rehearsal.ProgrammeYAML()) + "\nholds:\n  - {id: day, kind: hours, from_time: \"06:00\", to_time: \"08:00\", source: invented, lift: person, may_lift: [manager]}\n"
	folder := t.TempDir()
	begin := func(at time.Duration) *rehearsalRun {
		r, err := newRehearsal(testEnvironment(t), rehearsalOptions{seed: 1, data: folder, log: slog.New(slog.DiscardHandler), at: at, yaml: yaml})
		if err != nil {
			t.Fatal(err)
		}
		r.until = r.scenario.Start().Add(at + 3*time.Minute)
		if err := r.run(t.Context(), 2); err != nil {
			t.Fatal(err)
		}
		return r
	}
	last := func(r *rehearsalRun) hold.Result {
		all := readAll[message.Holds](t, r, bus.Hold)
		for _, result := range all[len(all)-1].Results {
			if result.Criterion == "day" {
				return result
			}
		}
		t.Fatal("the criterion is not among the results")
		return hold.Result{}
	}
	// The storm begins at 07:00 local time.
	r := begin(2 * time.Hour)
	first := last(r)
	r.Close()
	if first.Outcome != hold.Held {
		t.Fatalf("at 09:00: %+v", first)
	}
	r = begin(23*time.Hour + 30*time.Minute) // 06:30 of the next day
	second := last(r)
	r.Close()
	if second.Outcome != hold.Held || second.Condition != hold.Clear || !second.Since.Equal(first.Since) {
		t.Errorf("after a restart: outcome %s, condition %s, since %v, at first %v: %s", second.Outcome, second.Condition, second.Since, first.Since, second.Reason)
	}
}

// Of several reports of a site the newest that names its units counts.
func TestUnitsLeftAreOfTheNewestReport(t *testing.T) {
	at := func(minute int) time.Time { return time.Date(2026, 1, 14, 6, minute, 0, 0, time.UTC) }
	got := unitsLeft([]hold.SiteReport{
		{Site: "saddlehorn", Time: at(0), UnitsLeft: number64(14)}, {Site: "quillback", Time: at(1), UnitsLeft: number64(3)}, {Site: "saddlehorn", Time: at(20), UnitsLeft: number64(12)},
		{Site: "saddlehorn", Time: at(10), UnitsLeft: number64(13)}, {Site: "saddlehorn", Time: at(30)}, {Site: "far-larch", Time: at(0), UnitsLeft: number64(math.NaN())},
	})
	want := []message.SiteUnits{{Site: "quillback", UnitsLeft: 3, At: at(1)}, {Site: "saddlehorn", UnitsLeft: 12, At: at(20)}}
	if !slices.Equal(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
}
