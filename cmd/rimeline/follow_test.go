package main

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// followed runs follow over what is stored until nothing more comes, and gives its
// lines.
func (s *aService) followed(last string, arguments ...string) []string {
	s.t.Helper()
	ctx, cancel := context.WithCancel(s.t.Context())
	defer cancel()
	out := &lines{}
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, append([]string{"follow", "--since", "1h", "--data", s.data}, arguments...), out, out)
	}()
	began := time.Now()
	for !strings.Contains(out.String(), last) && time.Since(began) < 20*time.Second {
		time.Sleep(20 * time.Millisecond)
	}
	time.Sleep(300 * time.Millisecond) // what comes beside it
	cancel()
	if status := <-done; status != statusFine {
		s.t.Errorf("follow %v: status %d:\n%s", arguments, status, out)
	}
	text := out.String()
	if strings.ContainsAny(text, "\x1b\u202e") && !slices.Contains(arguments, "--json") {
		s.t.Errorf("what is not printable came through: %q", text)
	}
	return strings.Split(strings.TrimSuffix(text, "\n"), "\n")
}

// matching counts the lines that have all of the words.
func matching(lines []string, words ...string) (n int) {
	for _, line := range lines {
		found := true
		for _, word := range words {
			found = found && strings.Contains(line, word)
		}
		if found {
			n++
		}
	}
	return n
}

// Without kinds holds are printed when an outcome changes, and alerts; with a site
// only what concerns it.
func TestFollowHoldsAndAlerts(t *testing.T) {
	s := openService(t)
	now := time.Now().UTC().Truncate(time.Second)
	judged := func(minute int, creek, gale hold.Outcome) {
		result := func(key, site string, o hold.Outcome) hold.Result {
			return hold.Result{Key: key, Criterion: key, Name: key, Kind: "wind", Outcome: o, Condition: o, Sites: []string{site}, Targets: []string{}, Since: now, At: now, Reason: "reason of " + key, Source: "invented", Inputs: []hold.Input{}}
		}
		at := now.Add(time.Duration(minute) * time.Minute)
		s.put(bus.Hold, bus.Whole, at, message.Holds{Programme: "dale", At: at, Trigger: "a reading", Results: []hold.Result{result("creek", "barn", creek), result("gale", "hut", gale)}})
	}
	judged(1, hold.Clear, hold.Clear)
	judged(2, hold.Clear, hold.Clear)
	judged(3, hold.Held, hold.Clear)
	judged(4, hold.Held, hold.Clear)
	judged(5, hold.Held, hold.Unknown)
	judged(6, hold.Clear, hold.Clear)
	h := newHoldAlerts(t)
	h.step(alert.Input{}, now)
	s.putAlerts(h.step(held("creek", alert.OutcomeHeld, "barn"), now.Add(time.Minute)))
	s.putAlerts(h.step(held("gale", alert.OutcomeHeld, "hut"), now.Add(2*time.Minute)))
	evil := alert.Alert{ID: "dale-last", Programme: "dale", Kind: alert.ServiceFault, Change: alert.ChangeNew, Severity: alert.Moderate, Raised: now, Sites: []alert.SiteRef{}, Subject: "the-end\x1b[2J", Reasons: []string{"\u202e"}, Evidence: []alert.Link{}, Rules: []string{}, Routes: []string{}}
	s.putAlerts([]alert.Alert{evil})

	all := s.followed("the-end")
	t.Logf("\n%s", strings.Join(all, "\n"))
	if holds := matching(all, "dale") - matching(all, "do not seed") - matching(all, "the-end"); holds != 3 {
		t.Errorf("%d lines of holds, the outcomes change three times:\n%s", holds, strings.Join(all, "\n"))
	}
	if matching(all, "do not seed") != 2 || matching(all, "the-end") != 1 {
		t.Errorf("alerts:\n%s", strings.Join(all, "\n"))
	}
	hut := s.followed("the-end", "--site", "hut")
	t.Logf("\n%s", strings.Join(hut, "\n"))
	if matching(hut, "creek") != 0 || matching(hut, "gale") < 2 || matching(hut, "the-end") != 1 {
		t.Errorf("of the hut:\n%s", strings.Join(hut, "\n"))
	}
	if full := s.followed("the-end", "--site", "hut", "--full"); matching(full, "reason of gale") == 0 || matching(full, "reason of creek") != 0 {
		t.Errorf("in full:\n%s", strings.Join(full, "\n"))
	}
	if every := s.followed(now.Add(6*time.Minute).Format(time.RFC3339), "--kind", "hold", "--json"); matching(every, `"type":"rimeline.hold.v1"`) != 6 {
		t.Errorf("every judgement:\n%s", strings.Join(every, "\n"))
	}
	if every := s.followed("the-end", "--json", "--site", "hut"); matching(every, `"type":"rimeline.hold.v1"`, "creek") != 6 || matching(every, `"type":"rimeline.alert.v1"`) != 2 {
		t.Errorf("with --json events are as they are:\n%s", strings.Join(every, "\n"))
	}
	expect(t, "kinds", s.at("follow", "--kind", "rumour"), statusUsage, "there are score, outlook, input, conditions, hold, order")
	help := rimeline(t, "follow", "--help").stdout
	for _, kind := range bus.Kinds() {
		if !strings.Contains(strings.Join(strings.Fields(help), " "), kind.Name) {
			t.Errorf("help does not name %s", kind.Name)
		}
	}
}
