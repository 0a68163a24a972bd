package alert

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/seedability"
)

// What an eight-hour storm should say, written down from what happens in it (see
// storm), not from what the engine printed. Without an acknowledgement.
var stormLines = []string{
	"06:00:00 hold-raised new quillback",                         // the battery asks for a review: told, not repeated
	"06:10:31 window-ahead new quillback saddlehorn",             // 20 s after the first of the two outlooks, with the next tick
	"07:10:31 window-ahead worse quillback saddlehorn",           // an hour earlier than told
	"09:05:22 window-open new saddlehorn quillback",              // both, in one; no reminder, since "worse" was within 90 + 30 min
	"09:20:22 window-open repeat saddlehorn quillback",           // nobody answers for 15 min
	"09:35:22 window-open escalated saddlehorn quillback",        // nor for 30
	"09:50:22 window-open repeat saddlehorn quillback",           //
	"10:00:30 hold-raised new saddlehorn",                        // the very step that learns of it; the window needs no word beside it
	"10:05:22 window-open repeat quillback",                      // of the one that is still open
	"10:15:30 hold-raised repeat saddlehorn",                     // the creek has trembled three times by 10:30: one hold
	"10:20:22 window-open repeat quillback",                      //
	"10:30:30 hold-raised escalated saddlehorn",                  //
	"10:35:22 window-open repeat quillback",                      // the sixth and last
	"10:35:32 hold-lifted over saddlehorn",                       // ten minutes after it was last met, 10:25:30
	"10:45:22 window-open new saddlehorn",                        // the one before had lasted, and was over for long: this is another
	"11:00:22 window-open repeat saddlehorn",                     //
	"11:15:22 window-open escalated saddlehorn",                  // 30 min unanswered
	"11:30:00 window-closing new quillback saddlehorn",           // 30 min before 12:00; its end at 12:05 needs no second word
	"12:50:42 inputs-stale new quillback saddlehorn tamarack",    // ten minutes after 12:40:40
	"13:10:31 programme-blind new quillback saddlehorn tamarack", // 20 s after the last of the three, 13:10:02, with the next tick
	"13:25:32 programme-blind repeat quillback saddlehorn tamarack",
	"13:40:32 programme-blind escalated quillback saddlehorn tamarack",
	"13:55:00 programme-blind over quillback saddlehorn tamarack", // 15 min after 13:40:00
}

func TestStorm(t *testing.T) {
	_, alerts := play(t, engine(t, dutyConfig()), storm(), at(8, 0), false)
	compare(t, lines(alerts), stormLines)
	ids := map[string]bool{}
	for _, a := range alerts {
		if a.Thread != "larkspur-20260114T0600Z" {
			t.Errorf("%s is in the thread %s", line(a), a.Thread)
		}
		if ids[a.ID] {
			t.Errorf("two alerts have the id %s", a.ID)
		}
		ids[a.ID] = true
		if called := slices.Contains(a.Routes, "chief"); called != (a.Escalation > 0) {
			t.Errorf("%s, step %d of escalation, goes to %v", line(a), a.Escalation, a.Routes)
		}
		for _, earlier := range a.Supersedes {
			if !ids[earlier.ID] {
				t.Errorf("%s supersedes %s, which was never told", line(a), earlier.ID)
			}
		}
	}
}

func compare(t *testing.T, got, want []string) {
	t.Helper()
	for k := range max(len(got), len(want)) {
		g, w := "nothing", "nothing"
		if k < len(got) {
			g = got[k]
		}
		if k < len(want) {
			w = want[k]
		}
		if g != w {
			t.Errorf("alert %d: %s, want %s", k+1, g, w)
		}
	}
}

// An engine that is started anew after every step says the same.
func TestRestartAtEveryStep(t *testing.T) {
	e := engine(t, dutyConfig())
	_, once := play(t, e, storm(), at(8, 0), false)
	_, anew := play(t, e, storm(), at(8, 0), true)
	a, _ := json.Marshal(once)
	b, _ := json.Marshal(anew)
	if string(a) != string(b) {
		t.Errorf("with restarts:\n%s\nwithout:\n%s", b, a)
	}
}

// A score and a gauge that tremble every minute for three hours: people are told
// once that the window is open, at most once in a while that it is not, and of one
// hold.
func TestFlapping(t *testing.T) {
	var events []event
	for m := range 180 {
		now := at(0, m)
		state := seedability.StateWindow
		if m%2 == 1 {
			state = seedability.StateQuiet
		}
		outcome := OutcomeClear
		if m >= 120 && m%2 == 0 {
			outcome = OutcomeHeld
		}
		events = append(events, event{now, seen("saddlehorn", state, 65, .6, now, nil)},
			event{now.Add(30 * time.Second), holds(criterion("creek", outcome, "saddlehorn"))})
	}
	c := Default()
	_, alerts := play(t, engine(t, c), events, at(3, 0), true)
	compare(t, lines(alerts), []string{
		"06:00:20 window-open new saddlehorn",
		"06:01:20 window-closing over saddlehorn", // a change for the worse: told at once
		"08:00:30 hold-raised new saddlehorn",     // and one hold, in its step
	})
}

// While an input trembles, what readers believe is never better than the truth
// for longer than a group waits: over random weather, whoever was told "open" is
// told, or was told of a hold, within 20 s and a tick after it is not.
func TestWorseIsNeverHidden(t *testing.T) {
	for seed := range uint64(200) {
		random := rand.New(rand.NewPCG(seed, 7))
		e := engine(t, Default())
		var s State
		var alerts []Alert
		truth, held := seedability.StateQuiet, false
		told, toldHeld := false, false
		var wrongSince time.Time
		for k := range 600 {
			now := stormStart.Add(time.Duration(k) * 10 * time.Second)
			in := Input{}
			if k%3 == 0 {
				truth = []seedability.State{seedability.StateQuiet, seedability.StateWindow, seedability.StateWindow, seedability.StateBlind}[random.IntN(4)]
				in = seen("saddlehorn", truth, 60, .6, now, nil)
			} else if k%3 == 1 {
				outcome := []Outcome{OutcomeClear, OutcomeClear, OutcomeClear, OutcomeHeld, OutcomeUnknown, ""}[random.IntN(6)]
				held = outcome != OutcomeClear
				in = holds(criterion("creek", outcome, "saddlehorn"))
			}
			s, alerts = e.Step(s, in, now)
			for _, a := range alerts {
				switch {
				case a.Kind == WindowOpen:
					told = true
				case a.Kind == WindowClosing && a.Change == ChangeOver || a.Kind == ProgrammeBlind:
					told = false
				case a.Kind == HoldRaised:
					told, toldHeld = false, true
				case a.Kind == HoldLifted:
					toldHeld = false
				}
				if a.Kind == WindowOpen && held {
					t.Fatalf("seed %d, %s: window open is told under a hold", seed, now)
				}
			}
			if held && !toldHeld {
				t.Fatalf("seed %d, %s: a hold is not told in its step", seed, now)
			}
			if !told || truth == seedability.StateWindow {
				wrongSince = time.Time{}
			} else if wrongSince.IsZero() {
				wrongSince = now
			}
			if !wrongSince.IsZero() && now.Sub(wrongSince) > 50*time.Second {
				t.Fatalf("seed %d, %s: readers believe an open window since %s", seed, now, wrongSince)
			}
		}
	}
}

// unheard: a programme whose assessments do not matter to the test.
func unheard(c Config) Config {
	c.SilentMinutes = 1e4
	return c
}

func TestHoldLevels(t *testing.T) {
	e := engine(t, unheard(Default()))
	events := []event{
		{at(0, 0), holds(criterion("creek", OutcomeReview, "saddlehorn"))},
		{at(0, 5), holds(criterion("creek", OutcomeUnknown, "saddlehorn"))},
		{at(0, 10), holds(criterion("creek", OutcomeHeld, "saddlehorn"))},
		{at(0, 15), holds(criterion("creek", OutcomeUnknown, "saddlehorn"))}, // still a hold: no word
		{at(0, 20), holds(criterion("creek", "nonsense", "saddlehorn"))},     // is unknown
		{at(0, 25), holds(criterion("creek", OutcomeHeld, "saddlehorn"))},    // worse than now, not than told
		{at(0, 30), holds(criterion("creek", OutcomeReview, "saddlehorn"))},
		{at(0, 45), holds(criterion("slope", OutcomeHeld))}, // of all sites
		{at(0, 50), holds(criterion("creek", OutcomeClear, "saddlehorn"))},
		{at(1, 30), Input{Holds: &Holds{Complete: true}}},
	}
	_, alerts := play(t, e, events, at(2, 0), true)
	compare(t, lines(alerts), []string{
		"06:00:00 hold-raised new saddlehorn",
		"06:05:00 hold-raised worse saddlehorn",
		"06:10:00 hold-raised worse saddlehorn",
		"06:40:00 hold-lifted lowered saddlehorn",
		"06:45:00 hold-raised new quillback saddlehorn tamarack",
		"07:00:00 hold-lifted over saddlehorn",
		"07:40:00 hold-lifted over quillback saddlehorn tamarack",
	})
	if subject := Text(alerts[5], denver).Subject; !strings.Contains(subject, "STILL HELD") {
		t.Errorf("%q does not say that another criterion still holds", subject)
	}
	// No site of a hold is known: it is of all, to be safe.
	_, alerts = e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddelhorn")), at(0, 0))
	compare(t, lines(alerts), []string{"06:00:00 hold-raised new quillback saddlehorn tamarack"})
}

// A source that is down leaves several criteria without judgement: one alert, and
// one when it is back; a criterion that is met is told by itself.
func TestUnknownsAreToldTogether(t *testing.T) {
	events := []event{
		{at(0, 0), holds(criterion("creek", OutcomeUnknown, "saddlehorn"), criterion("lake", OutcomeUnknown, "saddlehorn", "tamarack"), criterion("slope", OutcomeHeld, "saddlehorn"))},
		{at(0, 5), holds(criterion("creek", OutcomeClear, "saddlehorn"), criterion("lake", OutcomeClear, "saddlehorn", "tamarack"))},
	}
	_, alerts := play(t, engine(t, unheard(Default())), events, at(0, 30), true)
	compare(t, lines(alerts), []string{
		"06:00:00 hold-raised new saddlehorn",
		"06:00:00 hold-raised new saddlehorn tamarack",
		"06:15:00 hold-lifted over saddlehorn tamarack",
	})
	if got := alerts[1]; got.Subject != "river creek and 1 more" || got.Sites[0].Held != "river slope" || len(got.Reasons) != 2 {
		t.Errorf("%+v", got)
	}
	if subject := Text(alerts[2], denver).Subject; subject != "Lifted (river creek and 1 more), STILL HELD: Saddlehorn" {
		t.Errorf("%q", subject)
	}
}

// Without anybody who judges criteria, the assessment's own hold is told, and the
// criterion that turns up replaces it.
func TestHoldOfAssessment(t *testing.T) {
	e := engine(t, Default())
	s, alerts := e.Step(State{}, seen("saddlehorn", seedability.StateHold, 70, .6, at(0, 0), nil), at(0, 0))
	compare(t, lines(alerts), []string{"06:00:00 hold-raised new saddlehorn"})
	s, second := e.Step(s, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(0, 1))
	compare(t, lines(second), []string{"06:01:00 hold-raised new saddlehorn"})
	if len(second[0].Supersedes) != 1 || second[0].Supersedes[0].ID != alerts[0].ID {
		t.Errorf("the criterion replaces %v, want %s", second[0].Supersedes, alerts[0].ID)
	}
	for m := 2; m < 30; m++ {
		if s, alerts = e.Step(s, Input{}, at(0, m)); len(alerts) > 0 {
			t.Fatalf("%s", line(alerts[0]))
		}
	}
	// The criterion lifts; an assessment from before that raises nothing. But one that
	// still says hold when nothing is heard of criteria any more does.
	s, _ = e.Step(s, holds(criterion("creek", OutcomeClear, "saddlehorn")), at(0, 30))
	if s, alerts = e.Step(s, seen("saddlehorn", seedability.StateHold, 70, .6, at(0, 30), nil), at(0, 30)); len(alerts) > 0 {
		t.Errorf("%s", line(alerts[0]))
	}
	if _, alerts = e.Step(s, seen("saddlehorn", seedability.StateHold, 70, .6, at(0, 36), nil), at(0, 36)); len(alerts) != 1 || alerts[0].Kind != HoldRaised {
		t.Errorf("a hold that only the assessment tells of: %v", lines(alerts))
	}
}

// A criterion that is judged for each site by itself is one alert, not one a site.
func TestOneCriterionManySites(t *testing.T) {
	wind := func(site string, outcome Outcome, reason string) Hold {
		return Hold{Criterion: "wind/" + site, Name: "ridge wind", Sites: []string{site}, Outcome: outcome, Reason: reason}
	}
	e := engine(t, unheard(Default()))
	events := []event{
		{at(0, 0), holds(wind("saddlehorn", OutcomeHeld, "28 m/s"), wind("quillback", OutcomeHeld, "26 m/s"), wind("tamarack", OutcomeReview, "22 m/s"))},
		{at(1, 0), holds(wind("saddlehorn", OutcomeClear, "15 m/s"), wind("quillback", OutcomeClear, "14 m/s"), wind("tamarack", OutcomeClear, "12 m/s"))},
	}
	_, alerts := play(t, e, events, at(1, 30), true)
	compare(t, lines(alerts), []string{
		"06:00:00 hold-raised new quillback saddlehorn", "06:00:00 hold-raised new tamarack",
		"07:10:00 hold-lifted over quillback saddlehorn", "07:10:00 hold-lifted over tamarack",
	})
	if got := alerts[0].Reasons; len(got) != 2 || alerts[0].Subject != "ridge wind" {
		t.Errorf("%q %q", alerts[0].Subject, got)
	}
}

func TestQuietHours(t *testing.T) {
	c := unheard(dutyConfig())
	c.Rules[0].QuietFrom, c.Rules[0].QuietTo = "22:00", "06:00"
	w := window(at(9, 0), at(9, 30), at(11, 0))
	events := []event{
		{at(0, 0), expects("saddlehorn", at(0, 0), w)},
		{at(1, 0), holds(criterion("creek", OutcomeHeld, "saddlehorn"))}, // midnight: told
		{at(2, 0), holds(criterion("creek", OutcomeClear, "saddlehorn"))},
		{at(3, 0), expects("quillback", at(3, 0), window(at(4, 0), at(4, 10), at(5, 0)))}, // comes and goes in the night
		{at(4, 30), expects("quillback", at(4, 30))},
		{at(6, 0), expects("saddlehorn", at(6, 0), w)},
	}
	_, alerts := play(t, engine(t, c), events, at(7, 30), true)
	var duty []string
	for _, a := range alerts {
		if slices.Contains(a.Rules, "duty") {
			duty = append(duty, line(a))
		}
	}
	compare(t, duty, []string{
		"07:00:00 hold-raised new saddlehorn",
		"07:15:00 hold-raised repeat saddlehorn",
		"07:30:00 hold-raised escalated saddlehorn",
		"07:45:00 hold-raised repeat saddlehorn",
		"08:00:00 hold-raised repeat saddlehorn",
		"08:15:00 hold-raised repeat saddlehorn", // readers still believe it: its end waits for the morning
		"08:30:00 hold-raised repeat saddlehorn",
		"13:00:00 window-ahead new saddlehorn", // 06:00 MST: what is still so is told
		"13:00:00 hold-lifted over saddlehorn",
	})
}

// Clocks in Denver go forward at 2026-03-08 02:00 MST and back at 2026-11-01 02:00
// MDT (IANA tz database, rule US since 2007: second Sunday in March, first in
// November).
func TestQuietHoursWhereClocksChange(t *testing.T) {
	r := Rule{ID: "r", QuietFrom: "22:00", QuietTo: "06:00"}
	for _, test := range []struct {
		utc   string
		quiet bool
	}{
		{"2026-03-08T04:59:59Z", false}, // 21:59:59 MST
		{"2026-03-08T05:00:00Z", true},  // 22:00 MST
		{"2026-03-08T11:59:59Z", true},  // 05:59:59 MDT: the night has seven hours
		{"2026-03-08T12:00:00Z", false}, // 06:00 MDT
		{"2026-11-01T04:00:00Z", true},  // 22:00 MDT
		{"2026-11-01T12:59:59Z", true},  // 05:59:59 MST: nine hours
		{"2026-11-01T13:00:00Z", false}, // 06:00 MST
	} {
		now, err := time.Parse(time.RFC3339, test.utc)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.quiet(WindowAhead, now, denver); got != test.quiet {
			t.Errorf("%s: quiet %v, want %v", test.utc, got, test.quiet)
		}
		if r.quiet(HoldRaised, now, denver) {
			t.Errorf("%s: a hold is delayed", test.utc)
		}
	}
}

func TestRulesByConfidenceLeadAndSite(t *testing.T) {
	c := unheard(dutyConfig())
	c.Rules = []Rule{DefaultRule("sure", "desk"), DefaultRule("near", "desk"), DefaultRule("there", "desk")}
	c.Rules[0].ConfidenceMinimum = .7
	c.Rules[1].LeadHours = 2
	c.Rules[2].Sites = []string{"tamarack"}
	better := window(at(4, 0), at(4, 30), at(6, 0))
	better.Confidence = .8
	events := []event{
		{at(0, 0), expects("saddlehorn", at(0, 0), window(at(4, 0), at(4, 30), at(6, 0)))},
		{at(1, 0), expects("saddlehorn", at(1, 0), better)},
	}
	_, alerts := play(t, engine(t, c), events, at(2, 10), true)
	var got []string
	for _, a := range alerts {
		got = append(got, fmt.Sprintf("%s %v", line(a), a.Rules))
	}
	compare(t, got, []string{
		"06:00:20 window-ahead new saddlehorn []",     // the bus
		"07:00:00 window-ahead new saddlehorn [sure]", // now that the confidence reaches 0.7
		"08:00:00 window-ahead new saddlehorn [near]", // two hours before
	})
}

func TestWithdrawnAndShifted(t *testing.T) {
	w := window(at(6, 0), at(6, 30), at(8, 0))
	later := window(at(7, 0), at(7, 30), at(8, 30))
	events := []event{
		{at(0, 0), expects("saddlehorn", at(0, 0), w)},
		{at(0, 20), expects("saddlehorn", at(0, 20))},        // gone for ten minutes: no word
		{at(0, 30), expects("saddlehorn", at(0, 30), w)},     //
		{at(1, 0), expects("saddlehorn", at(1, 0), later)},   //
		{at(2, 0), expects("saddlehorn", at(2, 0))},          // gone for good
		{at(3, 0), expects("saddlehorn", at(3, 0), later)},   // back
		{at(5, 30), expects("saddlehorn", at(5, 30), later)}, // reminded 90 min before
		{at(8, 0), expects("saddlehorn", at(8, 0), later)},   // it never opens
		{at(8, 40), expects("saddlehorn", at(8, 40))},
	}
	_, alerts := play(t, engine(t, unheard(Default())), events, at(9, 30), true)
	compare(t, lines(alerts), []string{
		"06:00:20 window-ahead new saddlehorn",
		"07:00:20 window-ahead later saddlehorn",
		"08:30:00 window-ahead over saddlehorn",
		"09:15:00 window-ahead new saddlehorn", // it has been back for 15 min
		"11:30:00 window-ahead soon saddlehorn",
		"15:00:00 window-ahead over saddlehorn", // 30 min after its end at 14:30
	})
}

func TestAcknowledge(t *testing.T) {
	e := engine(t, dutyConfig())
	hold := holds(criterion("creek", OutcomeUnknown, "saddlehorn"))
	s, alerts := e.Step(State{}, hold, at(0, 0))
	first := alerts[0]
	if !first.NeedsAck {
		t.Fatal("a hold needs no acknowledgement")
	}
	s, alerts = e.Step(s, Input{}, at(0, 15))
	repeat := alerts[0]
	s, alerts = e.Step(s, Input{}, at(0, 30))
	compare(t, lines(alerts), []string{"06:30:00 hold-raised escalated saddlehorn"})
	if _, open := s.FindOpen(repeat.ID); !open || repeat.First != first.ID {
		t.Errorf("the repeat %s does not name the first", repeat.ID)
	}
	// The acknowledgement of an old repeat is good for all, and those who were
	// called in hear of it.
	acked, alerts := e.Step(s, Input{Ack: &Ack{Alert: repeat.ID, By: "A. Duty\r\nBcc: x"}}, at(0, 31))
	compare(t, lines(alerts), []string{"06:31:00 hold-raised acknowledged saddlehorn"})
	if !slices.Contains(alerts[0].Routes, "chief") || strings.ContainsAny(alerts[0].AckBy, "\r\n") {
		t.Errorf("told to %v by %q", alerts[0].Routes, alerts[0].AckBy)
	}
	quiet := acked
	for m := 32; m < 120; m++ {
		if quiet, alerts = e.Step(quiet, Input{}, at(0, m)); slices.ContainsFunc(alerts, func(a Alert) bool { return a.Kind == HoldRaised }) {
			t.Fatalf("%s after the acknowledgement", line(alerts[0]))
		}
	}
	// A second one changes nothing.
	if again, alerts := e.Step(acked, Input{Ack: &Ack{Alert: first.ID, By: "B"}}, at(0, 32)); len(alerts) != 0 || len(again.Acked) != 1 {
		t.Errorf("a second acknowledgement: %v, %v", alerts, again.Acked)
	}
	// Race: it gets worse in the moment of the acknowledgement, either way round.
	// The worse one waits for its own answer.
	worse := holds(criterion("creek", OutcomeHeld, "saddlehorn"))
	a, _ := e.Step(s, Input{Ack: &Ack{Alert: first.ID, By: "A"}}, at(0, 31))
	a, told := e.Step(a, worse, at(0, 31))
	b, toldFirst := e.Step(s, worse, at(0, 31))
	b, _ = e.Step(b, Input{Ack: &Ack{Alert: first.ID, By: "A"}}, at(0, 31))
	for _, order := range []struct {
		s     State
		alert Alert
	}{{a, told[0]}, {b, toldFirst[0]}} {
		if order.alert.Change != ChangeWorse {
			t.Fatalf("%s", line(order.alert))
		}
		if _, open := order.s.FindOpen(order.alert.ID); !open {
			t.Errorf("the worse alert counts as acknowledged by the answer to the one before")
		}
	}
	// What has become worse replaces what it was: one of the two is repeated.
	unanswered, _ := e.Step(s, worse, at(0, 31))
	_, reminded := e.Step(unanswered, Input{}, at(0, 46))
	compare(t, lines(reminded), []string{"06:46:00 hold-raised repeat saddlehorn"})
	// Repeats and escalation in one late step, after the service stood still.
	_, alerts = e.Step(s, Input{}, at(5, 0))
	got := 0
	for _, a := range alerts {
		if a.Kind == HoldRaised {
			got++
		}
	}
	if got != 1 {
		t.Errorf("%d alerts of one hold after a pause, want 1", got)
	}
}

func TestBlindAndSilent(t *testing.T) {
	e := engine(t, Default())
	var events []event
	for m := 0; m < 30; m += 5 {
		for _, id := range []string{"saddlehorn", "quillback", "tamarack"} {
			events = append(events, event{at(0, m), seen(id, seedability.StateWindow, 70, .6, at(0, m), nil)})
		}
	}
	_, alerts := play(t, e, events, at(1, 30), true)
	compare(t, lines(alerts), []string{
		"06:00:20 window-open new quillback saddlehorn tamarack",
		"07:10:30 programme-blind new quillback saddlehorn tamarack", // 45 min after 06:25, and the group; no window-closing beside it
	})
	// One site of three is blind: the programme is not.
	events = append(events, event{at(0, 30), seen("tamarack", seedability.StateBlind, 0, .1, at(0, 30), nil)})
	_, alerts = play(t, e, events, at(0, 40), true)
	compare(t, lines(alerts), []string{"06:00:20 window-open new quillback saddlehorn tamarack", "06:30:40 window-closing over tamarack"})
	// A service that never says anything is found too.
	_, alerts = play(t, e, []event{{at(0, 0), Input{}}}, at(1, 0), true)
	compare(t, lines(alerts), []string{"06:45:30 programme-blind new quillback saddlehorn tamarack"})
}

func TestFaults(t *testing.T) {
	e := engine(t, Default())
	health := func(state HealthState) Input {
		return Input{Health: &Health{Worker: "w1", State: state, Reasons: []string{"the disk is full"}}}
	}
	events := []event{{at(0, 0), health(HealthOK)}, {at(0, 1), health(HealthDegraded)}, {at(0, 2), health(HealthFailing)}, {at(0, 3), health(HealthOK)}, {at(0, 4), health(HealthFailing)}, {at(0, 5), health(HealthOK)}}
	_, alerts := play(t, e, events, at(0, 30), true)
	compare(t, lines(alerts), []string{"06:02:00 service-fault new quillback saddlehorn tamarack", "06:20:00 service-fault over quillback saddlehorn tamarack"})
}

func TestNewStormNewThread(t *testing.T) {
	e := engine(t, Default())
	s, first := e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(0, 0))
	_, within := e.Step(s, holds(criterion("slope", OutcomeHeld, "saddlehorn")), at(6, 0))
	_, beyond := e.Step(s, holds(criterion("slope", OutcomeHeld, "saddlehorn")), at(6, 1))
	if within[0].Thread != first[0].Thread || beyond[0].Thread == first[0].Thread {
		t.Errorf("threads %s, %s, %s", first[0].Thread, within[0].Thread, beyond[0].Thread)
	}
}

// Late, foreign and future messages change nothing.
func TestWhatIsNotOfNow(t *testing.T) {
	e := engine(t, Default())
	s, _ := e.Step(State{}, seen("saddlehorn", seedability.StateQuiet, 20, .6, at(1, 0), nil), at(1, 0))
	foreign := seen("saddlehorn", seedability.StateWindow, 70, .6, at(1, 1), nil)
	foreign.Assessment.Programme = "other"
	ahead := seen("saddlehorn", seedability.StateWindow, 70, .6, at(1, 1), nil)
	ahead.Assessment.Standing, ahead.Assessment.ReleaseTime = nil, at(3, 0)
	for name, in := range map[string]Input{
		"late":    seen("saddlehorn", seedability.StateWindow, 70, .6, at(0, 50), nil),
		"foreign": foreign, "of a later release": ahead, "unknown site": seen("nowhere", seedability.StateWindow, 70, .6, at(1, 1), nil),
	} {
		after, _ := e.Step(s, in, at(1, 1))
		if _, alerts := e.Step(after, Input{}, at(1, 5)); len(alerts) != 0 {
			t.Errorf("%s: %s", name, line(alerts[0]))
		}
	}
}

func TestStateIsBounded(t *testing.T) {
	e := engine(t, dutyConfig())
	var s State
	for k := range 1000 {
		now := stormStart.Add(time.Duration(k) * 10 * time.Minute)
		id := fmt.Sprintf("c%d", k)
		s, _ = e.Step(s, holds(criterion(id, OutcomeHeld, "saddlehorn")), now)
		s, _ = e.Step(s, Input{Health: &Health{Worker: id, State: HealthGone}}, now)
		s, _ = e.Step(s, holds(criterion(id, OutcomeClear, "saddlehorn")), now.Add(time.Second))
		s, _ = e.Step(s, expects("saddlehorn", now, window(now.Add(5*time.Hour), now.Add(6*time.Hour), now.Add(7*time.Hour))), now)
	}
	b, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	// 24 h of faults, and alerts that wait for an answer.
	if len(s.Conditions) > 200 || len(s.Open) > maxOpen || len(b) > 3<<20 {
		t.Errorf("%d conditions, %d open, %d bytes", len(s.Conditions), len(s.Open), len(b))
	}
}

func TestReleaseUnderHold(t *testing.T) {
	e := engine(t, dutyConfig())
	s, first := e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(1, 0))
	release := Release{ID: "r1", Programme: "larkspur", Site: "saddlehorn", Who: "crew two", Start: at(0, 55), End: at(1, 10), Grams: 20, Agent: "AgI"}
	s, _ = e.Step(s, Input{Ack: &Ack{Alert: first[0].ID}}, at(1, 5))
	before := release
	before.ID, before.Start, before.End = "r0", at(0, 10), at(0, 20)
	if _, alerts := e.Step(s, Input{Release: &before}, at(1, 6)); len(alerts) != 0 {
		t.Errorf("a release before the hold: %s", line(alerts[0]))
	}
	s, alerts := e.Step(s, Input{Release: &release}, at(1, 12))
	compare(t, lines(alerts), []string{"07:12:00 hold-raised worse saddlehorn"})
	if !strings.Contains(alerts[0].Reasons[0], "crew two") {
		t.Errorf("reason %q", alerts[0].Reasons[0])
	}
	if _, alerts = e.Step(s, Input{Release: &release}, at(1, 13)); len(alerts) != 0 {
		t.Errorf("told twice: %s", line(alerts[0]))
	}
}

func BenchmarkStep1000Sites(b *testing.B) {
	p := Programme{ID: "large", Name: "Large"}
	for k := range 1000 {
		p.Sites = append(p.Sites, Site{ID: fmt.Sprintf("s%d", k), Name: fmt.Sprintf("Site %d", k), LatitudeDeg: 44, LongitudeDeg: -114})
	}
	c := dutyConfig()
	e, err := New(c, p)
	if err != nil {
		b.Fatal(err)
	}
	var s State
	for k := range 1000 {
		in := seen(fmt.Sprintf("s%d", k), seedability.StateWindow, 70, .6, at(0, 0), nil)
		in.Assessment.Programme = "large"
		s, _ = e.Step(s, in, at(0, 0))
		out := expects(fmt.Sprintf("s%d", k), at(0, 0), window(at(5, 0), at(5, 30), at(6, 0)))
		out.Outlook.Programme = "large"
		s, _ = e.Step(s, out, at(0, 0))
	}
	s, _ = e.Step(s, Input{}, at(0, 1))
	b.ReportAllocs()
	for b.Loop() {
		e.Step(s, holds(criterion("creek", OutcomeHeld, "s1", "s2", "s3")), at(0, 2))
	}
}
