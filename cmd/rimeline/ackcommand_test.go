package main

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// holdAlerts makes alerts as the engine of package alert does: a hold of the
// criteria at the sites.
type holdAlerts struct {
	engine *alert.Engine
	state  alert.State
}

func newHoldAlerts(t testing.TB) *holdAlerts {
	t.Helper()
	c := alert.Default()
	c.Routes = []alert.RouteSpec{{ID: "bell", Kind: "command", Command: []string{"/bin/true"}}}
	rule := alert.DefaultRule("crew", "bell")
	rule.RepeatMinutes = 10
	c.Rules = []alert.Rule{rule}
	engine, err := alert.New(c, alert.Programme{ID: "dale", Name: "Dale winter programme (invented)", Zone: time.UTC,
		Sites: []alert.Site{{ID: "hut", Name: "Hut"}, {ID: "barn", Name: "Barn"}}})
	if err != nil {
		t.Fatal(err)
	}
	return &holdAlerts{engine: engine}
}

func (h *holdAlerts) step(in alert.Input, now time.Time) (alerts []alert.Alert) {
	h.state, alerts = h.engine.Step(h.state, in, now)
	return alerts
}

func held(criterion string, outcome alert.Outcome, sites ...string) alert.Input {
	return alert.Input{Holds: &alert.Holds{Holds: []alert.Hold{{Criterion: criterion, Name: criterion, Sites: sites, Outcome: outcome, Reason: "stage 3.1 m reaches 2.4 m", LiftedBy: "licensed manager", Lifts: "the stage falls"}}}}
}

func (s *aService) putAlerts(alerts []alert.Alert) []alert.Alert {
	for _, a := range alerts {
		s.put(bus.Alert, string(a.Kind), a.Raised, a)
	}
	return alerts
}

// What the engine waits for is what the command lists; an acknowledgement is of the
// first alert, whichever repeat was named.
func TestAckCommand(t *testing.T) {
	s := openService(t)
	s.publishFile()
	s.beat("lodge-1", 0)
	h := newHoldAlerts(t)
	now := time.Now().UTC().Add(-30 * time.Minute).Truncate(time.Second)
	s.putAlerts(h.step(alert.Input{}, now))
	creek := s.putAlerts(h.step(held("creek", alert.OutcomeHeld, "hut"), now.Add(time.Minute)))
	gale := s.putAlerts(h.step(held("gale", alert.OutcomeHeld, "hut", "barn"), now.Add(2*time.Minute)))
	repeat := s.putAlerts(h.step(alert.Input{}, now.Add(12*time.Minute)))
	if len(creek) != 1 || len(gale) != 1 || len(repeat) < 2 || len(h.state.Open) != 2 {
		t.Fatalf("%d %d %d alerts, %d open", len(creek), len(gale), len(repeat), len(h.state.Open))
	}
	list := s.at("ack")
	t.Logf("\n%s", list.stdout)
	expect(t, "list", list, statusFine, "2 alerts wait", "creek", "gale", "told again", "stage 3.1 m reaches 2.4 m", "rimeline ack "+shortID(creek[0].ID)+" --by NAME")
	open := decoded[openAlerts](t, s.at("--json", "ack"))
	if len(open.Open) != 2 || open.Open[0].First != creek[0].ID || open.Open[1].First != gale[0].ID {
		t.Errorf("%+v", open)
	}

	one := s.at("ack", repeat[0].ID, "--by", "Ada Quist")
	t.Logf("\n%s", one.stdout)
	expect(t, "one", one, statusFine, "Acknowledged by Ada Quist:", "no longer repeated", "a hold stays until it is lifted")
	// The engine takes it for what it is.
	var acks []message.Ack
	for stored := range s.ReadBack(t.Context(), bus.Ack) {
		ack, err := message.As[message.Ack](stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		acks = append(acks, ack)
	}
	if len(acks) != 1 || acks[0].Via != "command" || acks[0].By != "Ada Quist" {
		t.Fatalf("%+v", acks)
	}
	h.step(alert.Input{Ack: &alert.Ack{Alert: acks[0].Alert, By: acks[0].By, At: acks[0].At}}, now.Add(13*time.Minute))
	if len(h.state.Open) != 1 {
		t.Errorf("%d open after an acknowledgement", len(h.state.Open))
	}
	expect(t, "again", s.at("ack", shortID(acks[0].Alert), "--by", "Bo"), statusFine, "Acknowledged already, by Ada Quist")
	already := decoded[acknowledged](t, s.at("--json", "ack", acks[0].Alert, "--by", "Bo"))
	if len(already.Acknowledged) != 0 || len(already.Already) != 1 || already.Already[0].By != "Ada Quist" {
		t.Errorf("%+v", already)
	}
	all := decoded[acknowledged](t, s.at("--json", "ack", "--all", "--by", "Bo"))
	if len(all.Acknowledged) != 1 || all.Acknowledged[0].By != "Bo" {
		t.Errorf("%+v", all)
	}
	expect(t, "none left", s.at("ack", "--all", "--by", "Bo"), statusFine, "No alert waits")
	expect(t, "none listed", s.at("ack"), statusFine, "No alert of the last 24 h waits")
}

// What was replaced or is over waits no longer; a part that was not replaced does.
func TestAckOfWhatWasReplaced(t *testing.T) {
	s := openService(t)
	h := newHoldAlerts(t)
	now := time.Now().UTC().Add(-time.Hour).Truncate(time.Second)
	h.step(alert.Input{}, now)
	var all []alert.Alert
	step := func(in alert.Input, minute int) {
		all = append(all, s.putAlerts(h.step(in, now.Add(time.Duration(minute)*time.Minute)))...)
	}
	check := func(what string) {
		t.Helper()
		open := decoded[openAlerts](t, s.at("--json", "ack"))
		want := map[string]bool{}
		for _, o := range h.state.Open {
			want[o.First] = true
		}
		var got []string
		for _, a := range open.Open {
			got = append(got, keyOf(a))
		}
		if len(got) != len(want) || slices.ContainsFunc(got, func(id string) bool { return !want[id] }) {
			t.Errorf("%s: listed %v, the engine waits for %v", what, got, want)
		}
	}
	step(held("creek", alert.OutcomeUnknown, "hut"), 1)
	check("cannot be judged")
	step(held("creek", alert.OutcomeHeld, "hut"), 2)
	check("worse replaces it")
	step(held("creek", alert.OutcomeClear, "hut"), 3)
	step(alert.Input{}, 20)
	check("lifted")
	step(held("gale", alert.OutcomeUnknown, "hut", "barn"), 21)
	step(held("gale", alert.OutcomeHeld, "hut"), 22)
	check("worse at one of two sites")
	if len(all) < 5 {
		t.Errorf("%d alerts", len(all))
	}
}

func TestAckUsageAndHostileText(t *testing.T) {
	s := openService(t)
	s.publishFile()
	evil := "\x1b[2J\u202e" + strings.Repeat("x", 400)
	now := time.Now().UTC()
	a := alert.Alert{ID: "dale-evil-" + evil, Programme: "dale", ProgrammeName: evil, Kind: alert.Kind(evil), Change: alert.Change(evil), Severity: alert.Severity(evil), Raised: now,
		Subject: evil, Reasons: []string{evil}, Evidence: []alert.Link{}, Rules: []string{}, Routes: []string{}, Sites: []alert.SiteRef{{ID: evil, Name: evil}}, NeedsAck: true, Caution: evil}
	s.put(bus.Alert, "hold-raised", now, a)
	for _, end := range []string{"aaaaaa1111", "bbbbbb1111"} {
		a.ID, a.Subject = "dale-"+end, "creek"
		s.put(bus.Alert, "hold-raised", now, a)
	}
	s.put(bus.Alert, "hold-raised", now, map[string]any{"id": 5})
	other := a
	other.Programme = "vale" // on the subject of another
	s.put(bus.Alert, "hold-raised", now, other)
	s.put(bus.Ack, bus.Whole, now, message.Ack{Programme: "vale", Alert: "dale-bbbbbb1111", By: "an impostor of another programme", At: now})
	s.put(bus.Ack, bus.Whole, now, 5)
	expect(t, "list", s.at("ack"), statusFine, "3 alerts wait")
	for _, test := range []struct {
		arguments []string
		status    int
		says      string
	}{
		{[]string{"ack", "dale-aaaaaa1111"}, statusUsage, "--by NAME is needed"},
		{[]string{"ack", "--all"}, statusUsage, "--by NAME is needed"},
		{[]string{"ack", "x", "--all", "--by", "Ada"}, statusUsage, "leave the id out"},
		{[]string{"ack", "x", "--by", "\x1b"}, statusUsage, "not printable"},
		{[]string{"ack", "\x1b[31m", "--by", "Ada"}, statusUsage, "not printable"},
		{[]string{"ack", strings.Repeat("y", 301), "--by", "Ada"}, statusUsage, "301 characters"},
		{[]string{"ack", "no-such-alert", "--by", "Ada"}, statusFailed, `no alert "no-such-alert" of the last 24 h`},
		{[]string{"ack", "1111", "--by", "Ada"}, statusFailed, `no alert "1111"`},
		{[]string{"ack", "--programme", "vale"}, statusFailed, "no programme vale"},
		{[]string{"ack", "aaaaaa1111", "--by", "Ada"}, statusFine, "Acknowledged by Ada"},
	} {
		s.beat("lodge-1", 0)
		expect(t, strings.Join(test.arguments, " "), s.at(test.arguments...), test.status, test.says)
	}
	a.ID = "dale-cccccc1111"
	s.put(bus.Alert, "hold-raised", now, a)
	a.ID = "dale-dddddd-cc1111"
	s.put(bus.Alert, "hold-raised", now, a)
	expect(t, "ambiguous", s.at("ack", "cc1111", "--by", "Ada"), statusFailed, `several alerts end in "cc1111": dale-cccccc1111, dale-dddddd-cc1111`)
}

// Two persons at once: both have it on record, and it waits no longer.
func TestAckByTwoPersonsAtOnce(t *testing.T) {
	s := openService(t)
	h := newHoldAlerts(t)
	now := time.Now().UTC()
	h.step(alert.Input{}, now)
	s.putAlerts(h.step(held("creek", alert.OutcomeHeld, "hut"), now))
	var group sync.WaitGroup
	for _, by := range []string{"Ada", "Bo", "Cy"} {
		group.Go(func() {
			if got := s.at("ack", "--all", "--by", by); got.status != statusFine {
				t.Errorf("%+v", got)
			}
		})
	}
	group.Wait()
	expect(t, "after", s.at("ack"), statusFine, "No alert")
}
