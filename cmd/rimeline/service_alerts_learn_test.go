package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

func bareKeeper(t testing.TB, text string, o alertKeeperOptions) *alertKeeper {
	t.Helper()
	k, err := newService(&service{clock: clock.Wall{}, log: slog.New(slog.DiscardHandler)}).newAlertKeeper(alertsProgramme(t, text, nil), o)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// Which sites a result concerns, by what package hold says of it: a release is
// concerned that is of one of the sites and for one of the targets. Quillback serves
// both targets, Saddlehorn the upper one.
func TestHoldsOfTargetsConcernSites(t *testing.T) {
	k := bareKeeper(t, alertsYAML, alertKeeperOptions{PagesURL: "http://127.0.0.1:9411"})
	both := []string{"saddlehorn", "quillback"}
	for _, test := range []struct {
		sites, targets, want []string
	}{
		{nil, nil, both}, {[]string{"saddlehorn"}, nil, []string{"saddlehorn"}}, {nil, []string{"upper"}, both}, {nil, []string{"lower"}, []string{"quillback"}},
		{[]string{"quillback"}, []string{"lower"}, []string{"quillback"}},
		{[]string{"saddlehorn"}, []string{"lower"}, nil},          // nobody
		{[]string{"elsewhere"}, nil, []string{}},                  // not known here: all, to be safe
		{nil, []string{"upper", "elsewhere"}, []string{}},         //
		{both, []string{"upper", "lower"}, both},                  //
		{[]string{"saddlehorn"}, []string{"nowhere"}, []string{}}, //
	} {
		r := creek(hold.Held, test.targets...)
		r.Sites = test.sites
		got := k.holdsOf(&message.Holds{Programme: "larkspur", Results: []hold.Result{r}})
		switch {
		case !got.Complete:
			t.Error("the list is not complete")
		case test.want == nil:
			if len(got.Holds) != 0 {
				t.Errorf("%v, %v: %v", test.sites, test.targets, got.Holds)
			}
		case len(got.Holds) != 1 || !slices.Equal(got.Holds[0].Sites, test.want) && len(got.Holds[0].Sites)+len(test.want) > 0:
			t.Errorf("%v, %v: %+v, want %v", test.sites, test.targets, got.Holds, test.want)
		default:
			h := got.Holds[0]
			if h.Criterion != "creek" || h.Name != "Larkspur Creek" || h.Outcome != alert.OutcomeHeld || h.LiftedBy != "duty meteorologist" || h.Lifts != "below 2.8 m" ||
				len(h.Evidence) != 1 || h.Evidence[0].URL != "http://127.0.0.1:9411/larkspur/holds" {
				t.Errorf("hold %+v", h)
			}
		}
		// What package hold says of the two sites is the same.
		for _, site := range k.programme.Sites {
			held, _, _ := hold.ForSite([]hold.Result{r}, site.ID, site.TargetIDs)
			told := test.want != nil && (len(test.want) == 0 || slices.Contains(test.want, site.ID))
			if held && !told {
				t.Errorf("%v, %v: %s is held, and nobody is told", test.sites, test.targets, site.ID)
			}
		}
	}
}

// What came together is learnt in one order, however it came.
func TestArrivalsAreOrdered(t *testing.T) {
	var want []arrival
	for kind := range alertFeed {
		for n := range 3 {
			want = append(want, arrival{kind: kind, sequence: uint64(10*kind + n), at: stormAt(0, n, 0), subject: fmt.Sprint("s", n)})
		}
	}
	names := []string{}
	for _, kind := range alertFeed {
		names = append(names, kind.Name)
	}
	if got := strings.Join(names, " "); got != "hold release ack score outlook health" {
		t.Errorf("kinds are learnt in the order %s", got)
	}
	for seed := range 50 {
		got := slices.Clone(want)
		slices.SortFunc(got, func(a, b arrival) int {
			return int((a.sequence*2654435761+uint64(seed)*40503)%97) - int((b.sequence*2654435761+uint64(seed)*40503)%97)
		})
		slices.SortStableFunc(got, compareArrivals)
		for k := range got {
			if got[k].sequence != want[k].sequence {
				t.Fatalf("seed %d: place %d has %+v, want %+v", seed, k, got[k], want[k])
			}
		}
	}
}

// A worker that keeps the schedule says which inputs are too old; another does not
// know. The ages are those of the programme file, radar: half an hour.
func TestStaleInputs(t *testing.T) {
	k := bareKeeper(t, alertsYAML+"", alertKeeperOptions{})
	now := stormAt(1, 0, 0)
	source := func(programme string, newest time.Time, problem string) *message.Health {
		return &message.Health{Worker: "w", State: message.HealthDegraded, Sources: []message.SourceHealth{{Source: "nexrad", Programme: programme, NewestTime: newest, Error: problem}, {Source: "hrrr", Programme: programme}}}
	}
	for _, test := range []struct {
		health *message.Health
		want   string
	}{
		{&message.Health{Worker: "w"}, "nil"}, {source("other", time.Time{}, ""), "nil"}, {source("larkspur", now.Add(-29*time.Minute), ""), ""},
		{source("larkspur", now.Add(-31*time.Minute), "no answer"), "sweeps: the newest is 31 min old, and counts for nothing from 30 min old; no answer"},
		{source("larkspur", time.Time{}, ""), "sweeps: none has come"},
	} {
		h := k.healthOf(test.health, now)
		got := "nil"
		if h.Stale != nil {
			got = ""
			for _, s := range h.Stale {
				got += s.ID + ": " + s.Reason
			}
		}
		if got != test.want {
			t.Errorf("%+v: %q, want %q", test.health.Sources, got, test.want)
		}
	}
	for state, want := range map[message.HealthState]alert.HealthState{message.HealthOK: alert.HealthOK, message.HealthDegraded: alert.HealthDegraded, message.HealthFailing: alert.HealthFailing, "worse yet": alert.HealthFailing} {
		if got := k.healthOf(&message.Health{State: state}, now).State; got != want {
			t.Errorf("%s becomes %s", state, got)
		}
	}
	k.programme.Inputs[0].MaximumAgeHours = math.NaN() // its users judge its age
	if h := k.healthOf(source("larkspur", time.Time{}, ""), now); len(h.Stale) != 0 {
		t.Errorf("stale %v without an age", h.Stale)
	}
}

func releaseOf(id, site string, at time.Time, grams float64, corrects string) saidEvent {
	return saidEvent{at, bus.Release, site, alert.Release{ID: id, At: at, Who: "crew two", Programme: "larkspur", Site: site, Start: at.Add(-5 * time.Minute), End: at.Add(-time.Minute), Agent: "AgI flare", Grams: grams, Purpose: "seeding", Corrects: corrects}}
}

const limitedAlerts = `holds:
  - {id: creek, name: Larkspur Creek, kind: river, source: invented rule, gauges: [g1], quantity: stage, unit: m, hold_above: 3}
  - {id: amount, kind: agent_limit, source: invented rule, daily_g: 100, season_g: 1000, from_date: "11-01", per: site}
  - {id: all, kind: agent_limit, source: invented rule, daily_g: 130, per: programme}
`

// Advice follows the window, the holds and the record of releases: 130 g a day for
// the programme, 100 g for the site; each unit is 16 g.
func TestAdviceOfTheService(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+limitedAlerts+alertsBusRules, nil)
	r := newAlertRig(t, p, alertsStart)
	w := windowFrom(stormAt(2, 0, 0), stormAt(4, 0, 0))
	events := []saidEvent{
		judgedHolds(stormAt(0, 0, 30), creek(hold.Clear, "upper")),
		siteScored("quillback", stormAt(0, 1, 0), seedability.StateQuiet, 10, nil),
		siteScored("saddlehorn", stormAt(0, 1, 0), seedability.StateBuilding, 30, nil), siteForeseen("saddlehorn", stormAt(0, 1, 1), w),
		// 48 g at the one site, of which one record is not accepted and one is said twice;
		// 32 g at the other. Left: 52 g of the site, 50 g of the programme: 3 units.
		releaseOf("r1", "saddlehorn", stormAt(0, 20, 0), 48, ""), releaseOf("r1", "saddlehorn", stormAt(0, 20, 1), 48, ""), releaseOf("r2", "elsewhere", stormAt(0, 20, 2), 16, ""),
		releaseOf("r3", "quillback", stormAt(0, 20, 3), 32, ""),
		judgedHolds(stormAt(0, 24, 0), creek(hold.Held, "upper")),
		judgedHolds(stormAt(0, 28, 0), creek(hold.Review, "upper")),
		// What was recorded as 48 g were 32 g: 66 g are left of the programme, 4 units.
		releaseOf("r4", "saddlehorn", stormAt(0, 32, 0), 32, "r1"),
		siteForeseen("saddlehorn", stormAt(0, 36, 0)), // gone
		siteForeseen("saddlehorn", stormAt(0, 40, 0)),
	}
	r.play(alertKeeperOptions{}, events, stormAt(0, 45, 0))
	var got []string
	for stored, err := range r.bus.ReadBack(t.Context(), bus.Advice) {
		if err != nil {
			t.Fatal(err)
		}
		data, err := message.Decode(stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		v := data.(alert.Advice)
		line := fmt.Sprintf("%s %d units %.0f g", stored.Event.Time.Format("15:04"), v.Units, v.GramsTotal)
		if v.Withheld {
			line = stored.Event.Time.Format("15:04") + " nothing: " + v.Reasons[0]
		}
		if strings.Contains(strings.Join(v.Reasons, " "), "a person must look") {
			line += ", review"
		}
		got = append(got, line)
		if stored.Subject != "rimeline.larkspur.advice.saddlehorn" || !strings.Contains(v.Caution, "Not a command") || v.CrystalsPerLitre != nil {
			t.Errorf("%s: %+v", stored.Subject, v)
		}
	}
	compareLines(t, got, []string{
		"06:01 6 units 96 g", // of 100
		"06:20 3 units 48 g",
		"06:24 nothing: held: Larkspur Creek: Larkspur Creek at 3.2 m, flood stage 3.0 m",
		"06:28 3 units 48 g, review",
		"06:32 4 units 64 g, review",
		"06:36 nothing: no window is open or foreseen",
	})
	newest, known, err := r.bus.Latest(t.Context(), bus.Advice, "larkspur", "saddlehorn")
	if err != nil || !known || !strings.Contains(string(newest.Data), "no window") {
		t.Errorf("newest advice %s %v", newest.Data, err)
	}
	// 30 units fit from 1:00 to 3:00 MST; of 6 about 2:00 the first is the 14th.
	for _, a := range r.alerts() {
		if a.Kind == alert.WindowAhead && a.Change == alert.ChangeNew && (len(a.Advice) != 1 || a.Advice[0] != "Saddlehorn: 6 units, one every 4 min, 01:52-02:16 MST, 96 g, dose not known") {
			t.Errorf("advice in the alert %q", a.Advice)
		}
	}
}

// An alert of a window ahead has the advice of that window, also where another one is
// nearer, or open.
func TestAdviceIsOfTheWindowThatIsTold(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+alertsBusRules, nil)
	r := newAlertRig(t, p, alertsStart)
	first, second := windowFrom(stormAt(1, 0, 0), stormAt(2, 0, 0)), windowFrom(stormAt(5, 0, 0), stormAt(6, 0, 0))
	// 63.2 is twice the middle of the useful range: every second place is left out.
	first.Dose, second.Dose = &seedability.Dose{CrystalsPerLitre: number64(20)}, &seedability.Dose{CrystalsPerLitre: number64(63.2)}
	events := []saidEvent{
		siteScored("saddlehorn", stormAt(0, 1, 0), seedability.StateBuilding, 30, nil), siteScored("quillback", stormAt(0, 1, 0), seedability.StateQuiet, 10, nil),
		siteForeseen("saddlehorn", stormAt(0, 1, 1), first), siteForeseen("saddlehorn", stormAt(0, 20, 0), first, second),
	}
	r.play(alertKeeperOptions{}, events, stormAt(0, 25, 0))
	var got []string
	for _, a := range r.alerts() {
		got = append(got, alertLine(a)+": "+strings.Join(a.Advice, "; "))
	}
	compareLines(t, got, []string{
		"06:01:21 window-ahead new saddlehorn: Saddlehorn: 15 units, one every 4 min, 00:00-01:00 MST, 240 g, about 20 crystals per litre",
		"06:20:20 window-ahead new saddlehorn: Saddlehorn: 8 units, one every 8 min, 04:00-05:00 MST, 128 g, about 32 crystals per litre",
	})
}

// What is left at a site is its newest count less what was recorded as burnt since.
func TestUnitsLeftOfASite(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+alertsBusRules, nil)
	now := stormAt(3, 0, 0)
	for _, test := range []struct {
		name     string
		reported message.SiteUnits
		released []alert.Release
		want     int
	}{
		{"no report", message.SiteUnits{}, nil, -1},
		{"of another site", message.SiteUnits{Site: "quillback", UnitsLeft: 9, At: now}, nil, -1},
		{"nothing burnt", message.SiteUnits{Site: "saddlehorn", UnitsLeft: 9, At: stormAt(2, 0, 0)}, nil, 9},
		{"two burnt since, one before, one elsewhere", message.SiteUnits{Site: "saddlehorn", UnitsLeft: 9, At: stormAt(2, 0, 0)}, []alert.Release{
			{ID: "a", Site: "saddlehorn", Start: stormAt(1, 50, 0), Grams: 16}, {ID: "b", Site: "saddlehorn", Start: stormAt(2, 10, 0), Grams: 32},
			{ID: "c", Site: "quillback", Start: stormAt(2, 20, 0), Grams: 16}}, 7},
		{"corrected: none was burnt", message.SiteUnits{Site: "saddlehorn", UnitsLeft: 9, At: stormAt(2, 0, 0)}, []alert.Release{
			{ID: "b", Site: "saddlehorn", Start: stormAt(2, 10, 0), Grams: 32}, {ID: "c", Corrects: "b", Site: "saddlehorn", Start: stormAt(2, 10, 0)}}, 9},
		{"more burnt than were there", message.SiteUnits{Site: "saddlehorn", UnitsLeft: 1, At: stormAt(2, 0, 0)}, []alert.Release{{ID: "b", Site: "saddlehorn", Start: stormAt(2, 10, 0), Grams: 32}}, 0},
		{"counted two days ago", message.SiteUnits{Site: "saddlehorn", UnitsLeft: 9, At: now.Add(-48 * time.Hour)}, nil, -1},
		{"no number", message.SiteUnits{Site: "saddlehorn", UnitsLeft: math.NaN(), At: now}, nil, -1},
	} {
		k := &alertKeeper{programme: p, released: test.released, holds: message.Holds{UnitsLeft: []message.SiteUnits{test.reported}}}
		if got := k.unitsLeft(p.Site("saddlehorn"), now); got != test.want {
			t.Errorf("%s: %d units, want %d", test.name, got, test.want)
		}
	}
}

// While a window is open, advice is not published with every score.
func TestAdviceIsNotRepeated(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+alertsBusRules, nil)
	r := newAlertRig(t, p, alertsStart)
	w := windowFrom(stormAt(0, 0, 0), stormAt(3, 0, 0))
	events := []saidEvent{siteForeseen("saddlehorn", stormAt(0, 0, 10), w)}
	for m := 1; m < 60; m++ {
		e := siteScored("saddlehorn", stormAt(0, m, 0), seedability.StateWindow, 70+float64(m%3), &w)
		a := e.data.(seedability.Assessment)
		a.Dose.CrystalsPerLitre = number64(20 + float64(m%4)) // within a fifth
		e.data = a
		events = append(events, e)
	}
	r.play(alertKeeperOptions{}, events, stormAt(1, 0, 0))
	if n := len(r.published(bus.Advice)); n < 3 || n > 6 {
		t.Errorf("%d pieces of advice in an hour, want one every quarter of an hour", n)
	}
}

// A release that is recorded under a hold raises the hold once more.
func TestReleaseUnderAHoldIsTold(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+alertsBusRules, nil)
	r := newAlertRig(t, p, alertsStart)
	events := []saidEvent{judgedHolds(stormAt(0, 0, 10), creek(hold.Held, "upper")), releaseOf("r1", "saddlehorn", stormAt(0, 10, 0), 16, "")}
	r.play(alertKeeperOptions{}, events, stormAt(0, 11, 0))
	compareLines(t, alertLines(r.alerts()), []string{"06:00:10 hold-raised new quillback saddlehorn", "06:10:00 hold-raised worse saddlehorn"})
	if got := r.alerts(); len(got) == 2 && !strings.Contains(got[1].Reasons[0], "a release at Saddlehorn was recorded during this hold") {
		t.Errorf("reasons %q", got[1].Reasons)
	}
}

// A process that died after it had stored its alerts, and before or after it had
// published them: they are published once and brought once.
func TestAlertsOfTheDead(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+escalating, nil)
	engine, err := alert.New(alertConfigOf(p, ""), alertProgramme(p, false))
	if err != nil {
		t.Fatal(err)
	}
	state, alerts := engine.Step(alert.State{}, alert.Input{Holds: &alert.Holds{Holds: []alert.Hold{{Criterion: "creek", Name: "Larkspur Creek", Outcome: alert.OutcomeHeld}}}}, alertsStart)
	if len(alerts) != 1 {
		t.Fatal(alerts)
	}
	left, err := json.Marshal(keptAlerts{Version: keptVersion, At: alertsStart, State: state, Outbox: []outgoing{{Alert: alerts[0]}}})
	if err != nil {
		t.Fatal(err)
	}
	r := newAlertRig(t, p, alertsStart)
	for range 3 { // the second and third find it brought already
		if err := r.bus.PutState(t.Context(), "alerts.larkspur", left); err != nil {
			t.Fatal(err)
		}
		r.play(alertKeeperOptions{Routes: true, Lost: func() bool { return true }}, nil, r.clock.Now().Add(10*time.Second))
	}
	if got := r.alerts(); len(got) != 1 || got[0].ID != alerts[0].ID {
		t.Errorf("published %v", alertLines(got))
	}
	delivered := 0
	for _, text := range r.published(bus.Delivery) {
		if strings.Contains(text, `"outcome":"delivered"`) {
			delivered++
		}
	}
	if delivered != 1 {
		t.Errorf("brought %d times", delivered)
	}
	// What cannot be read is no reason to be silent.
	if err := r.bus.PutState(t.Context(), "alerts.larkspur", []byte("{")); err != nil {
		t.Fatal(err)
	}
	r.play(alertKeeperOptions{Routes: true}, []saidEvent{judgedHolds(r.clock.Now().Add(time.Second), creek(hold.Held))}, r.clock.Now().Add(10*time.Second))
	if got := r.alerts(); len(got) != 2 || !strings.Contains(r.log.String(), "what is true now is told anew") {
		t.Errorf("published %v", alertLines(got))
	}
}

// What was delivered long ago is forgotten, what was not is not.
func TestDeliveriesAreForgotten(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+escalating, nil)
	r := newAlertRig(t, p, alertsStart)
	now := alertsStart
	trouble := &keeperTrouble{}
	s := &deliveryStore{bus: r.bus, programme: p.ID, routes: map[string]alert.Route{"desk": nil}, now: func() time.Time { return now }, trouble: trouble}
	s.routes["desk"] = alert.Route(nil)
	if _, err := s.Load(t.Context()); err != nil {
		t.Fatal(err)
	}
	a := alert.Alert{ID: "larkspur-1", Kind: alert.HoldRaised}
	for _, d := range []alert.Delivery{{AlertID: "larkspur-1", Route: "desk", Outcome: alert.DeliveryDelivered, At: now}, {AlertID: "larkspur-2", Route: "desk", Outcome: alert.DeliveryRetrying, At: now, Alert: &a}, {AlertID: "larkspur-3", Route: "desk", Outcome: alert.DeliveryDelivered, At: now.Add(10 * time.Hour)}} {
		if err := s.Save(t.Context(), d); err != nil {
			t.Fatal(err)
		}
	}
	left := func() int {
		keys, err := r.bus.ListState(t.Context(), "delivery.larkspur.")
		if err != nil {
			t.Fatal(err)
		}
		return len(keys)
	}
	for _, test := range []struct {
		after time.Duration
		want  int
	}{{23 * time.Hour, 3}, {25 * time.Hour, 2}, {36 * time.Hour, 1}, {900 * time.Hour, 1}} {
		now = alertsStart.Add(test.after)
		s.forget(t.Context())
		if got := left(); got != test.want {
			t.Errorf("after %v: %d deliveries, want %d", test.after, got, test.want)
		}
	}
	if reasons := trouble.reasons(); len(reasons) != 0 {
		t.Error(reasons)
	}
}

// Five thousand messages that wait are learnt without more memory than two thousand
// take, and none is lost.
func TestAlertsCatchUp(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+alertsBusRules, nil)
	r := newAlertRig(t, p, alertsStart)
	said := make([]saidEvent, 0, 5001)
	for n := range 5000 {
		said = append(said, siteScored("saddlehorn", alertsStart.Add(-time.Duration(5000-n)*time.Second/10), seedability.StateQuiet, 10, nil))
	}
	said = append(said, judgedHolds(alertsStart, creek(hold.Held, "lower")))
	for _, e := range said {
		event, err := bus.NewEvent(e.kind, p.ID, e.site, e.at, e.data)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.bus.Publish(t.Context(), event); err != nil {
			t.Fatal(err)
		}
	}
	r.play(alertKeeperOptions{}, nil, stormAt(0, 1, 0))
	compareLines(t, alertLines(r.alerts()), []string{"06:00:00 hold-raised new quillback"})
}

func TestAlertPathsAreBesideTheFile(t *testing.T) {
	p := &programme.Programme{File: "/etc/rimeline/larkspur.yaml", Alerts: &alert.Config{Acknowledge: &alert.Acknowledge{SecretFile: "secrets/ack"},
		Routes: []alert.RouteSpec{{PasswordFile: "mail", CAFile: "/etc/ssl/ca.pem", URLFile: "../url", SecretFile: "k"}}}}
	c := alertConfigOf(p, "http://127.0.0.1:9411")
	got := []string{c.Acknowledge.SecretFile, c.Routes[0].PasswordFile, c.Routes[0].CAFile, c.Routes[0].URLFile, c.Routes[0].SecretFile, c.Link}
	want := []string{"/etc/rimeline/secrets/ack", "/etc/rimeline/mail", "/etc/ssl/ca.pem", "/etc/url", "/etc/rimeline/k", "http://127.0.0.1:9411"}
	if !slices.Equal(got, want) {
		t.Errorf("paths %q, want %q", got, want)
	}
	if p.Alerts.Routes[0].SecretFile != "k" || p.Alerts.Acknowledge.SecretFile != "secrets/ack" {
		t.Error("the programme is changed")
	}
}

// What keeps the keeper from its work is told when it lasts, and once.
func TestTroubleOfTheKeeperIsTold(t *testing.T) {
	var trouble keeperTrouble
	at := func(seconds int) string {
		in := trouble.input(stormAt(0, 0, seconds))
		if in == nil {
			return ""
		}
		return fmt.Sprintf("%s %s %s", in.Health.Worker, in.Health.State, strings.Join(in.Health.Reasons, "; "))
	}
	var got []string
	for seconds := 0; seconds <= 300; seconds += 15 {
		switch seconds {
		case 15:
			trouble.set("a", errors.New("no answer"))
		case 45: // it passes
			trouble.set("a", nil)
		case 60:
			trouble.set("b", errors.New("no room"))
		case 240:
			trouble.set("b", nil)
		}
		if told := at(seconds); told != "" {
			got = append(got, fmt.Sprintf("%d %s", seconds, told))
		}
	}
	compareLines(t, got, []string{
		"120 keeper of alerts failing alerts cannot be stored or published: after a restart some would be missing or told again; b: no room",
		"240 keeper of alerts ok ",
	})
}
