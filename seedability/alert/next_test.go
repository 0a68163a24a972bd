package alert

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"rimeline/seedability"
)

// playNext steps the engine through events, and in between only when Next says so.
func playNext(t *testing.T, e *Engine, events []event, until time.Time) ([]Alert, int) {
	t.Helper()
	var s State
	var all []Alert
	ticks := 0
	passTo := func(until time.Time) {
		for {
			due := e.Next(s)
			if due.IsZero() || due.After(until) {
				return
			}
			if !due.After(s.Now) {
				t.Fatalf("after the step of %s the next is said to be due at %s", s.Now, due)
			}
			next, alerts := e.Step(s, Input{}, due)
			s, all, ticks = next, append(all, alerts...), ticks+1
		}
	}
	for _, ev := range events {
		now := ev.at
		if now.Before(s.Now) {
			now = s.Now
		}
		passTo(now.Add(-1)) // what is learnt at the moment itself comes first
		next, alerts := e.Step(s, ev.in, now)
		s, all = next, append(all, alerts...)
	}
	passTo(until)
	return all, ticks
}

// randomEvents are six hours of everything, at moments that no rule of whole
// seconds meets.
func randomEvents(seed uint64) []event {
	random := rand.New(rand.NewPCG(seed, 11))
	var events []event
	now := stormStart
	for now.Before(at(6, 0)) {
		now = now.Add(time.Duration(20+random.IntN(400))*time.Second + 500*time.Millisecond).Truncate(time.Second).Add(500 * time.Millisecond)
		site := larkspur.Sites[random.IntN(3)].ID
		var in Input
		switch random.IntN(10) {
		case 0, 1, 2, 3:
			state := []seedability.State{seedability.StateQuiet, seedability.StateWindow, seedability.StateWindow, seedability.StateBlind, seedability.StateBuilding, seedability.StateHold}[random.IntN(6)]
			w := window(now.Add(-time.Hour), now, now.Add(time.Duration(random.IntN(120))*time.Minute+7*time.Second))
			in = seen(site, state, 66, .3+.1*float64(random.IntN(5)), now, &w)
		case 4, 5:
			start := now.Add(time.Duration(random.IntN(200))*time.Minute + 13*time.Second)
			in = expects(site, now, window(start, start.Add(20*time.Minute), start.Add(70*time.Minute)))
			if random.IntN(4) == 0 {
				in = expects(site, now)
			}
		case 6, 7:
			in = holds(criterion([]string{"creek", "slope"}[random.IntN(2)], []Outcome{OutcomeClear, OutcomeReview, OutcomeHeld, OutcomeUnknown}[random.IntN(4)], site))
		case 8:
			h := &Health{Worker: "w1", At: now, State: []HealthState{HealthOK, HealthFailing, HealthGone}[random.IntN(3)], Stale: []StaleInput{}}
			if random.IntN(2) == 0 {
				h.Stale = append(h.Stale, StaleInput{ID: "radar", Newest: now.Add(-time.Hour), Reason: "old"})
			}
			in = Input{Health: h}
		}
		events = append(events, event{now, in})
	}
	return events
}

func nextConfig() Config {
	c := dutyConfig()
	c.SilentMinutes, c.GroupSeconds = 25, 21
	night := DefaultRule("night", "chief")
	night.QuietFrom, night.QuietTo, night.LeadHours, night.ConfidenceMinimum = "23:40", "02:20", 1.5, .5
	night.RepeatMinutes, night.RepeatMost = 7, 3
	c.Rules = append(c.Rules, night)
	return c
}

// An engine that is stepped only when Next says so tells the same as one that is
// stepped every second, and never later. Where one alert follows from another its
// tick of up to a second is passed on.
func TestNextMissesNothing(t *testing.T) {
	seeds := uint64(6)
	if testing.Short() {
		seeds = 2
	}
	ticksOfAll, alertsOfAll := 0, 0
	for seed := range seeds {
		e := engine(t, nextConfig())
		events := randomEvents(seed)
		var s State
		var dense, sparse []Alert
		k := 0
		for now := stormStart; now.Before(at(8, 0)); now = now.Add(time.Second) {
			var alerts []Alert
			for k < len(events) && !events[k].at.After(now) {
				s, alerts = e.Step(s, events[k].in, events[k].at)
				dense = append(dense, alerts...)
				k++
			}
			s, alerts = e.Step(s, Input{}, now)
			dense = append(dense, alerts...)
		}
		sparse, ticks := playNext(t, e, append([]event{{stormStart, Input{}}}, events...), at(8, 0).Add(-time.Second))
		ticksOfAll, alertsOfAll = ticksOfAll+ticks, alertsOfAll+len(sparse)
		name := func(a Alert) string {
			l := line(a)
			return fmt.Sprintf("%s %v %s %d", l[9:], a.Rules, a.Level, a.Escalation)
		}
		order := func(a, b Alert) int { return cmp.Or(cmp.Compare(name(a), name(b)), a.Raised.Compare(b.Raised)) }
		slices.SortStableFunc(dense, order)
		slices.SortStableFunc(sparse, order)
		if len(dense) != len(sparse) {
			t.Errorf("seed %d: %d alerts by the second, %d by Next", seed, len(dense), len(sparse))
		}
		for k := range min(len(dense), len(sparse)) {
			late := sparse[k].Raised.Sub(dense[k].Raised)
			if name(dense[k]) != name(sparse[k]) || late > 0 || late < -4*time.Second {
				t.Errorf("seed %d: %s %s by the second, %s %s by Next", seed, dense[k].Raised.Format("15:04:05.000"), name(dense[k]), sparse[k].Raised.Format("15:04:05.000"), name(sparse[k]))
				break
			}
		}
	}
	t.Logf("%d alerts; %d steps without input instead of %d", alertsOfAll, ticksOfAll, seeds*8*3600)
}

// The storm of eight hours, told when Next says so: the same alerts, a tick earlier
// where one of ten seconds was waited for.
func TestStormByNext(t *testing.T) {
	e := engine(t, dutyConfig())
	alerts, _ := playNext(t, e, storm(), at(8, 0))
	var got, want []string
	for _, l := range lines(alerts) {
		got = append(got, l[9:])
	}
	for _, l := range stormLines {
		want = append(want, l[9:])
	}
	compare(t, got, want)
	for k := range min(len(alerts), len(stormLines)) {
		told, err := time.Parse("15:04:05", stormLines[k][:8])
		if err != nil {
			t.Fatal(err)
		}
		clock, _ := time.Parse("15:04:05", alerts[k].Raised.Format("15:04:05"))
		if early := told.Sub(clock); early < 0 || early > 2*TickEvery {
			t.Errorf("%s, with ticks at %s", line(alerts[k]), stormLines[k][:8])
		}
	}
}

// Several inputs of one moment at once give what they give one by one.
func TestStepsAreSteps(t *testing.T) {
	e := engine(t, dutyConfig())
	var one, several State
	var a, b []Alert
	events := storm()
	for k := 0; k < len(events); {
		n := k
		var inputs []Input
		for ; n < len(events) && events[n].at.Sub(events[k].at) < time.Minute; n++ {
			inputs = append(inputs, events[n].in)
		}
		now := events[n-1].at
		for _, in := range inputs {
			next, alerts := e.Step(one, in, now)
			one, a = next, append(a, alerts...)
		}
		before, _ := json.Marshal(several)
		next, alerts := e.Steps(several, inputs, now)
		if after, _ := json.Marshal(several); string(after) != string(before) {
			t.Fatal("the state that was given is changed")
		}
		several, b = next, append(b, alerts...)
		k = n
	}
	for what, pair := range map[string][2]any{"alerts": {a, b}, "states": {one, several}} {
		x, err := json.Marshal(pair[0])
		if err != nil {
			t.Fatal(err)
		}
		if y, _ := json.Marshal(pair[1]); len(a) == 0 || string(x) != string(y) {
			t.Errorf("%d and %d alerts, the %s differ", len(a), len(b), what)
		}
	}
}

// With nothing learnt for hours: a reminder 90 minutes before 10:00, and the end of
// a window that never opened, to the millisecond.
func TestNextWithoutInput(t *testing.T) {
	e := engine(t, unheard(Default()))
	alerts, ticks := playNext(t, e, []event{{at(0, 0), expects("saddlehorn", at(0, 0), window(at(4, 0), at(4, 40), at(6, 0)))}}, at(8, 0))
	compare(t, lines(alerts), []string{
		"06:00:20 window-ahead new saddlehorn",
		"08:30:00 window-ahead soon saddlehorn",
		"12:30:00 window-ahead over saddlehorn", // gone at 12:00, taken back 30 min later
	})
	if ticks > 20 {
		t.Errorf("%d steps without input", ticks)
	}
}

// A clock that is set back by an hour delays nothing: repeats go on, a window that
// shuts is told, and silence is noticed.
func TestClockSetBack(t *testing.T) {
	e := engine(t, dutyConfig())
	var s State
	var got []string
	back := time.Duration(0)
	step := func(in Input, now time.Time) {
		next, alerts := e.Step(s, in, now.Add(-back))
		s = next
		for _, a := range alerts {
			got = append(got, a.Raised.Add(back).Format("15:04:05")+line(a)[8:])
		}
	}
	for second := 0; second < 5400; second += 10 {
		now := stormStart.Add(time.Duration(second) * time.Second)
		if second == 600 {
			back = time.Hour
		}
		switch {
		case second == 0:
			step(holds(criterion("creek", OutcomeHeld, "quillback")), now)
		case second%300 == 0 && second < 1800:
			state := seedability.StateWindow
			if second >= 900 {
				state = seedability.StateQuiet
			}
			for _, site := range larkspur.Sites {
				if site.ID == "saddlehorn" {
					step(seen(site.ID, state, 70, .6, now.Add(-back), nil), now)
				} else {
					step(seen(site.ID, seedability.StateQuiet, 10, .6, now.Add(-back), nil), now)
				}
			}
		default:
			step(Input{}, now)
		}
	}
	compare(t, got, []string{
		"06:00:00 hold-raised new quillback",
		"06:05:20 window-open new saddlehorn",
		"06:15:10 hold-raised repeat quillback", // 15 min after the first; the ten seconds in which the clock was set are not known
		"06:15:20 window-closing over saddlehorn",
		"06:30:10 hold-raised escalated quillback",
		"06:45:10 hold-raised repeat quillback",
		"07:00:10 hold-raised repeat quillback",
		"07:10:30 programme-blind new quillback saddlehorn tamarack", // 45 min after 06:25:00, and 20 s
		"07:15:10 hold-raised repeat quillback",
		"07:25:30 programme-blind repeat quillback saddlehorn tamarack",
	})
}

// An end that was told, is not foreseen for ten minutes and then is again, is told
// once; one that comes after the window went on beyond it is told anew.
func TestEndIsToldOnce(t *testing.T) {
	e := engine(t, unheard(Default()))
	w := window(at(0, 0), at(0, 30), at(1, 30))
	near, later := w, window(at(0, 0), at(0, 30), at(3, 0))
	near.End = at(1, 25)
	var events []event
	for m := 0; m < 200; m += 5 {
		ahead := &w
		switch {
		case m == 65 || m == 70:
			ahead = nil
		case m >= 75 && m < 90:
			ahead = &near
		case m >= 90:
			ahead = &later
		}
		state := seedability.StateWindow
		if m >= 180 {
			state = seedability.StateQuiet
		}
		events = append(events, event{at(0, m), seen("saddlehorn", state, 72, .6, at(0, m), ahead)})
	}
	alerts, _ := playNext(t, e, events, at(4, 0))
	compare(t, lines(alerts), []string{
		"06:00:20 window-open new saddlehorn",
		"07:00:00 window-closing new saddlehorn", // 30 min before 7:30
		"08:30:00 window-closing new saddlehorn", // 30 min before 9:00, when it shuts
	})
	for _, a := range alerts {
		if a.Kind == WindowClosing && (len(a.Reasons) != 1 || a.Reasons[0] != "its end is foreseen by the outlook") {
			t.Errorf("%s: %q", line(a), a.Reasons)
		}
	}
}
