package alert

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"rimeline/seedability"
)

// Everything here is invented: the programme, its places and its storm.

var denver = mustZone("America/Denver")

func mustZone(name string) *time.Location {
	zone, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return zone
}

var larkspur = Programme{
	ID: "larkspur", Name: "Larkspur Basin", Zone: denver, ProgramVersion: "test",
	Sites: []Site{{"saddlehorn", "Saddlehorn", 44.02, -114.80}, {"quillback", "Quillback Flat", 44.10, -114.85}, {"tamarack", "Tamarack Bench", 44.20, -114.90}},
	Targets: []Target{{"upper", "Upper Larkspur", [][][2]float64{
		{{-114.5, 44.0}, {-114.2, 44.0}, {-114.2, 44.3}, {-114.5, 44.3}, {-114.5, 44.0}}}}},
}

var stormStart = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC) // 23:00 MST the evening before

func at(h, m int) time.Time {
	return stormStart.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute)
}

func pointer(x float64) *float64 { return &x }

// seen is an assessment of a site for release now, with its standing.
func seen(site string, state seedability.State, score, confidence float64, when time.Time, ahead *seedability.Window) Input {
	reason := fmt.Sprintf("score %.0f", score)
	if state == seedability.StateBlind {
		reason = "the model run is 13 h old"
	}
	if state == seedability.StateHold {
		reason = "river: Larkspur Creek 3.2 m"
	}
	a := seedability.Assessment{Programme: "larkspur", Site: seedability.SiteRef{ID: site}, AsOf: when, ReleaseTime: when, State: state, StateReason: reason,
		Score: seedability.Score{Value: pointer(score)}, Confidence: seedability.Confidence{Value: confidence},
		Liquid:    seedability.Liquid{UsedKgPerM2: pointer(.12)},
		Transport: seedability.Transport{Targets: []seedability.TargetResult{{ID: "upper", Name: "Upper Larkspur", Probability: .62}}},
		Standing:  &seedability.Standing{State: state, Since: when, At: when, Reason: reason, Ahead: ahead}}
	return Input{Assessment: &a}
}

func window(start, best, end time.Time) seedability.Window {
	return seedability.Window{Start: start, Best: best, End: end, Releases: 6, PeakScore: 74, Confidence: .62,
		Targets: []seedability.WindowTarget{{ID: "upper", Name: "Upper Larkspur", Probability: .6}}}
}

func expects(site string, when time.Time, windows ...seedability.Window) Input {
	o := seedability.Outlook{Programme: "larkspur", Site: seedability.SiteRef{ID: site}, IssuedAt: when, ModelReferenceTime: stormStart, From: when, To: when.Add(18 * time.Hour), Windows: windows}
	return Input{Outlook: &o}
}

func criterion(id string, outcome Outcome, sites ...string) Hold {
	return Hold{Criterion: id, Name: "river " + id, Sites: sites, Outcome: outcome, Reason: "Larkspur Creek at 3.2 m, flood stage 3.0 m", LiftedBy: "duty meteorologist", Lifts: "below 2.8 m for 6 h",
		Evidence: []Link{{"gauge", "https://gauges.example/larkspur"}}}
}

func holds(h ...Hold) Input { return Input{Holds: &Holds{Holds: h}} }

// event is one thing that happens at a time.
type event struct {
	at time.Time
	in Input
}

// play steps the engine through events, with a tick every ten seconds between
// them, and after each step passes the state through JSON if asked.
func play(t *testing.T, e *Engine, events []event, until time.Time, restart bool) (State, []Alert) {
	t.Helper()
	var s State
	var all []Alert
	step := func(in Input, now time.Time) {
		before, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		next, alerts := e.Step(s, in, now)
		if after, _ := json.Marshal(s); string(after) != string(before) {
			t.Fatalf("the step at %s changed the state it was given", now)
		}
		all = append(all, alerts...)
		s = next
		if restart {
			b, err := json.Marshal(s)
			if err != nil {
				t.Fatal(err)
			}
			s = State{}
			if err := json.Unmarshal(b, &s); err != nil {
				t.Fatal(err)
			}
		}
	}
	now := events[0].at
	for _, ev := range events {
		for now.Add(TickEvery).Before(ev.at) {
			now = now.Add(TickEvery)
			step(Input{}, now)
		}
		if now.Before(ev.at) {
			now = ev.at
		}
		step(ev.in, now)
	}
	for now.Before(until) {
		now = now.Add(TickEvery)
		step(Input{}, now)
	}
	return s, all
}

// line is what a test asserts of an alert.
func line(a Alert) string {
	sites := ""
	for _, site := range a.Sites {
		sites += " " + site.ID
	}
	return fmt.Sprintf("%s %s %s%s", a.Raised.Format("15:04:05"), a.Kind, a.Change, sites)
}

func lines(alerts []Alert) (l []string) {
	for _, a := range alerts {
		l = append(l, line(a))
	}
	return l
}

func engine(t testing.TB, c Config) *Engine {
	t.Helper()
	e, err := New(c, larkspur)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// dutyConfig has one rule for everything, with repeats and one step of escalation.
func dutyConfig() Config {
	c := Default()
	c.Link, c.Contact = "https://larkspur.example/seeding", "duty desk, +1 555 0100"
	c.Routes = []RouteSpec{{ID: "desk", Kind: "command", Command: []string{"/bin/true"}}, {ID: "chief", Kind: "command", Command: []string{"/bin/true"}}}
	r := DefaultRule("duty", "desk")
	r.RepeatMinutes, r.Escalation = 15, []Step{{AfterMinutes: 30, Routes: []string{"chief"}}}
	c.Rules = []Rule{r}
	return c
}

// storm is eight hours: a window foreseen for two sites, one of them not ready; a
// shift; a reminder; it opens at both; a hold by the river at one, which trembles
// at its limit; it lifts; the window closes as foreseen; inputs grow old; all is
// blind for a while.
func storm() []event {
	w := window(at(4, 0), at(4, 40), at(6, 0))
	shifted := window(at(3, 0), at(3, 50), at(6, 0))
	var events []event
	add := func(when time.Time, in Input) { events = append(events, event{when, in}) }
	both := []string{"saddlehorn", "quillback"}
	add(at(0, 0), holds(criterion("creek", OutcomeClear, "saddlehorn", "quillback", "tamarack"),
		Hold{Criterion: "battery", Name: "battery", Sites: []string{"quillback"}, Outcome: OutcomeReview, Reason: "11.4 V", Readiness: true}))
	for m := 0; m < 8*60; m += 5 {
		now := at(0, m)
		if m > 0 && m < 240 || m > 270 { // the criteria are judged before the sites
			add(now, holds(criterion("creek", OutcomeClear, "saddlehorn", "quillback", "tamarack")))
		}
		for i, id := range []string{"saddlehorn", "quillback", "tamarack"} {
			now := now.Add(time.Duration(i) * time.Second)
			state, score := seedability.StateQuiet, 20.
			var ahead *seedability.Window
			if id != "tamarack" {
				switch {
				case m >= 430 && m < 460:
					state = seedability.StateBlind
				case m >= 3*60+5 && m < 6*60+5:
					state, score, ahead = seedability.StateWindow, 72, &shifted
				case m < 180:
					state = seedability.StateBuilding
				}
				if id == "saddlehorn" && m >= 4*60 && m < 4*60+45 {
					state = seedability.StateHold
				}
			} else if m >= 430 && m < 460 {
				state = seedability.StateBlind
			}
			add(now, seen(id, state, score, .66, now, ahead))
		}
		if m%60 == 10 {
			for i, id := range both {
				now := now.Add(time.Duration(10+i) * time.Second)
				switch {
				case m < 60:
					add(now, expects(id, now, w))
				case m < 6*60:
					add(now, expects(id, now, shifted))
				default:
					add(now, expects(id, now))
				}
			}
		}
		// The creek trembles about its stage from 4:00 to 4:30.
		if m >= 240 && m < 270 {
			outcome := OutcomeHeld
			if m%10 == 5 {
				outcome = OutcomeClear
			}
			add(now.Add(30*time.Second), holds(criterion("creek", outcome, "saddlehorn")))
		}
		if m == 270 {
			add(now.Add(30*time.Second), holds(criterion("creek", OutcomeClear, "saddlehorn")))
		}
		if m == 400 {
			add(now.Add(40*time.Second), Input{Health: &Health{Worker: "w1", State: HealthDegraded, Stale: []StaleInput{{ID: "radar", Newest: now.Add(-31 * time.Minute), Reason: "no volume for 31 min"}}}})
		}
	}
	return events
}
