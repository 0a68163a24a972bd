package main

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

var holdID = regexp.MustCompile(`[a-z2-7]{10}`)

// A person sets a hold, sees it in force, lifts it, and sees that it is gone.
func TestHoldSetAndLift(t *testing.T) {
	s := openService(t)
	s.publishFile()
	s.work(0)

	set := s.at("hold", "set", "--by", "Ada Quist", "--role", "duty forecaster", "--reason", "crew on the road below the hut", "--site", "hut")
	expect(t, "set", set, statusFine, "Recorded: hold", "Dale winter programme (invented) (dale)", "releases of hut", "until it is lifted", "Ada Quist (duty forecaster)",
		"crew on the road", "In force since", "rimeline hold lift", "Nothing is sent to hardware")
	id := holdID.FindString(set.stdout)
	t.Logf("set:\n%s", set.stdout)

	list := s.at("hold", "list", "--all")
	t.Logf("list:\n%s", list.stdout)
	expect(t, "list", list, statusFine, "1 suspend", "! HELD manual/"+id, "crew on the road", "CLEAR", "gale/hut", "hold "+id+" on releases of hut", "MST")

	expect(t, "lift of all", s.at("hold", "lift", "manual", "--by", "Bo Ferrow", "--reason", "x"), statusFailed, "manual is all holds that persons set; name one: "+id)

	lift := s.at("hold", "lift", id, "--by", "Bo Ferrow", "--reason", "crew is back")
	t.Logf("lift:\n%s", lift.stdout)
	expect(t, "lift", lift, statusFine, "Recorded: lift of hold "+id, "Lifted, judged at")

	again := s.at("hold", "lift", id, "--by", "Cy Adder", "--reason", "crew is back")
	expect(t, "lift again", again, statusFine, "Nothing to lift", "lifted by Bo Ferrow at")
	expect(t, "lift by key", s.at("hold", "lift", "manual/"+id, "--by", "Cy Adder", "--reason", "x"), statusFailed, "there is no hold")
	expect(t, "list after", s.at("hold", "list", "--all"), statusFine, "0 suspend", "lifted by Bo Ferrow at")
	orders := 0
	for range s.ReadBack(t.Context(), bus.Order) {
		orders++
	}
	if orders != 2 {
		t.Errorf("%d orders on the stream, 2 were given", orders)
	}
}

// The same in JSON, for a time, with a lift by the key of the result.
func TestHoldJSON(t *testing.T) {
	s := openService(t)
	s.publishFile()
	s.work(0)
	began := time.Now().UTC().Truncate(time.Second)
	set := s.at("--json", "hold", "set", "--by", "Ada Quist", "--reason", "rack is serviced", "--for", "3h", "--target", "basin")
	o := decoded[orderOutcome](t, set)
	if set.status != statusFine || o.Effect != effectInForce || !o.Recorded || o.Order.Until.Sub(o.Order.At) != 3*time.Hour || o.Order.At.Before(began) || len(o.Results) != 1 ||
		!slices.Equal(o.Order.Targets, []string{"basin"}) || o.Results[0].Outcome != hold.Held {
		t.Errorf("status %d: %+v", set.status, o)
	}
	// Given again at once, also in another process: once on record.
	again := decoded[orderOutcome](t, s.at("--json", "hold", "set", "--by", "Ada Quist", "--reason", "rack is serviced", "--for", "3h", "--target", "basin"))
	if again.Recorded || again.Order.ID != o.Order.ID || again.Effect != effectInForce {
		t.Errorf("again: %+v", again)
	}
	lift := decoded[orderOutcome](t, s.at("--json", "hold", "lift", "manual/"+o.Order.ID, "--by", "Ada Quist", "--reason", "done"))
	if lift.Effect != effectLifted || lift.Order.Lifts != o.Order.ID || len(lift.Results) != 0 {
		t.Errorf("lift: %+v", lift)
	}
	// After a lift the same words are a hold of their own.
	anew := decoded[orderOutcome](t, s.at("--json", "hold", "set", "--by", "Ada Quist", "--reason", "rack is serviced", "--for", "3h", "--target", "basin"))
	if !anew.Recorded || anew.Order.ID == o.Order.ID || anew.Effect != effectInForce {
		t.Errorf("anew: %+v", anew)
	}
	list := decoded[holdList](t, s.at("--json", "hold", "list", "--all"))
	if len(list.Orders) != 3 || len(list.Results) == 0 || list.Results[0].Outcome != hold.Held || list.JudgedAt.IsZero() || list.Programme != "dale" {
		t.Errorf("list: %+v", list)
	}
}

// A lift of a hold whose cause stands is on record and lifts nothing; when the cause
// is gone, it takes one who may.
func TestHoldLiftOfCriterion(t *testing.T) {
	s := openService(t)
	s.publishFile()
	s.gust(25)
	s.work(0)
	lift := []string{"hold", "lift", "gale/hut", "--by", "Ada Quist", "--role", "duty forecaster", "--reason", "it feels calm"}
	got := s.at(lift...)
	t.Logf("cause stands:\n%s%s", got.stdout, got.stderr)
	expect(t, "cause stands", got, statusFailed, "Recorded: lift of gale/hut", "gale/hut is NOT lifted: its cause stands", "25", "give it again")

	s.gust(5)
	s.judge(time.Now().UTC())
	got = s.at("hold", "lift", "gale", "--by", "Bo Ferrow", "--role", "crew", "--reason", "it is calm")
	t.Logf("one who may not:\n%s%s", got.stdout, got.stderr)
	expect(t, "one who may not", got, statusFailed, "may be lifted by duty forecaster; this was Bo Ferrow (crew)")
	expect(t, "list", s.at("hold", "list"), statusFine, "the cause is gone since", "who lifts duty forecaster")
	time.Sleep(1100 * time.Millisecond) // orders are dated to the second: after the cause was gone
	got = s.at(lift...)
	expect(t, "one who may", got, statusFine, "Lifted, judged at")
	expect(t, "nothing to lift", s.at(lift...), statusFine, "Nothing to lift", "it is clear")
	unknown := s.at("hold", "lift", "gael", "--by", "Ada", "--reason", "x")
	expect(t, "no such", unknown, statusFailed, `there is no hold "gael", and nothing else to lift`)
	expect(t, "a criterion that waits for its judgement", s.at("hold", "lift", "amount", "--by", "Ada", "--reason", "x"), statusFine, "it is clear")
}

// What nobody judges is on record, and the person is told that it is not in force.
func TestHoldWithoutJudge(t *testing.T) {
	t.Parallel() // it waits
	s := openService(t)
	s.publishFile()
	began := time.Now()
	got := s.at("hold", "set", "--programme", "dale", "--by", "Ada", "--reason", "fire crew near the barn")
	t.Logf("nobody judges:\n%s%s", got.stdout, got.stderr)
	expect(t, "set", got, statusFailed, "Recorded: hold", "is recorded, and not yet in force", "no service has said anything", "tell people yourself")
	if waited := time.Since(began); waited < orderWait || waited > 3*orderWait {
		t.Errorf("waited %v", waited)
	}
	got = s.at("hold", "list")
	t.Logf("list:\n%s%s", got.stdout, got.stderr)
	expect(t, "list", got, statusFine, "No criterion of this programme was judged yet", "Set by a person and not judged yet", "nothing is judged now")
	s.beat("lodge-1", 0)
	id := holdID.FindString(s.at("hold", "list", "--all").stdout)
	got = s.at("hold", "lift", id, "--by", "Ada", "--reason", "they have left")
	expect(t, "lift", got, statusFailed, "not yet judged", "the service runs and has not judged it within 10 s")
	s.judge(time.Now().UTC().Add(-40 * time.Minute))
	expect(t, "old", s.at("hold", "list"), statusFine, "The last judgement is 40 min old")
}

// A rehearsal lives by a time of its own, and so do the orders given to it.
func TestHoldByTheClockOfARehearsal(t *testing.T) {
	s := openService(t)
	s.publishFile()
	const ahead = -200 * 24 * time.Hour
	s.work(ahead)
	set := decoded[orderOutcome](t, s.at("--json", "hold", "set", "--by", "Ada", "--reason", "a rehearsed hold", "--for", "1h"))
	if off := set.Order.At.Sub(time.Now().Add(ahead)).Abs(); set.Effect != effectInForce || off > time.Minute || !strings.Contains(strings.Join(set.Notes, " "), "The service's clock shows") {
		t.Errorf("off by %v: %+v", off, set)
	}
	expect(t, "lift", s.at("hold", "lift", set.Order.ID, "--by", "Ada", "--reason", "over"), statusFine, "Lifted")
}

// Two persons at once: both are on record, and neither is lost.
func TestHoldByTwoPersonsAtOnce(t *testing.T) {
	s := openService(t)
	s.publishFile()
	s.work(0)
	var group sync.WaitGroup
	ids := make([]string, 6)
	for k := range ids {
		group.Go(func() {
			o := decoded[orderOutcome](t, s.at("--json", "hold", "set", "--by", fmt.Sprintf("Person %d", k), "--reason", "the same alarm"))
			if o.Effect != effectInForce || !o.Recorded {
				t.Errorf("%+v", o)
			}
			ids[k] = o.Order.ID
		})
	}
	group.Wait()
	slices.Sort(ids)
	if len(slices.Compact(ids)) != 6 {
		t.Errorf("ids: %v", ids)
	}
	// Two lift one: it is lifted, whoever was first.
	for _, by := range []string{"Ada", "Bo"} {
		group.Go(func() {
			if got := s.at("hold", "lift", ids[0], "--by", by, "--reason", "false alarm"); got.status != statusFine {
				t.Errorf("%s: %+v", by, got)
			}
		})
	}
	group.Wait()
	if n := strings.Count(s.at("hold", "list").stdout, "! HELD"); n != 5 {
		t.Errorf("%d are in force, want 5", n)
	}
}

func TestHoldUsage(t *testing.T) {
	s := openService(t)
	s.publishFile()
	s.beat("lodge-1", 0)
	good := []string{"hold", "set", "--by", "Ada", "--reason", "x"}
	with := func(more ...string) []string { return append(slices.Clone(good), more...) }
	for _, test := range []struct {
		arguments []string
		status    int
		says      string
	}{
		{[]string{"hold", "set"}, statusUsage, "--by"},
		{[]string{"hold", "set", "--by", "Ada"}, statusUsage, "--reason"},
		{[]string{"hold", "set", "--by", " ", "--reason", "x"}, statusUsage, "--by: is empty"},
		{[]string{"hold", "set", "--by", "Ada\x1b[2J", "--reason", "x"}, statusUsage, "not printable"},
		{[]string{"hold", "set", "--by", "Ada", "--reason", "a\u202eb"}, statusUsage, "U+202E is not printable"},
		{[]string{"hold", "set", "--by", "Ada", "--reason", "a\nb"}, statusUsage, "not printable"},
		{[]string{"hold", "set", "--by", "Ada", "--reason", "\xff\xfe"}, statusUsage, "not UTF-8"},
		{[]string{"hold", "set", "--by", "Ada", "--reason", strings.Repeat("x", 301)}, statusUsage, "has 301 characters, at most 300"},
		{with("--until", "18:30", "--for", "1h"), statusUsage, "--for"},
		{with("--for", "-1h"), statusUsage, "above 0"},
		{with("--for", "9000h"), statusUsage, "within 366 days"},
		{with("--until", "2001-01-01 00:00"), statusUsage, "an end lies ahead"},
		{with("--until", "half past six"), statusUsage, "is no time"},
		{with("--until", "\x1b[31m"), statusUsage, "is no time"},
		{with("--until", "2027-03-14 02:30"), statusUsage, "there is no such time"},
		{with("--site", "hutt"), statusUsage, "the programme has no hutt; it has hut, barn"},
		{with("--site", "hut", "--site", "hut"), statusUsage, "named twice"},
		{with("--site", "hut/../x"), statusUsage, "is not an id"},
		{with("--target", "ridge"), statusUsage, "the programme has no ridge; it has basin"},
		{with("--programme", "no such"), statusUsage, "is not the id of a programme"},
		{with("--programme", "vale"), statusFailed, "there is no programme vale on this bus; there are dale"},
		{with("--nats", "nats://127.0.0.1:1"), statusUsage, "--data is for a service on this computer"},
		{[]string{"hold", "lift", "--by", "Ada", "--reason", "x"}, statusUsage, "<what>"},
		{[]string{"hold", "lift", "\x1b]0;x", "--by", "Ada", "--reason", "x"}, statusUsage, "not printable"},
	} {
		got := s.at(test.arguments...)
		expect(t, fmt.Sprintf("%q", test.arguments), got, test.status, test.says)
		if got.stdout != "" {
			t.Errorf("%q printed %s", test.arguments, got.stdout)
		}
	}
	expect(t, "hold", rimeline(t, "hold"), statusUsage, "expected one of")
	for range s.ReadBack(t.Context(), bus.Order) {
		t.Error("an order of wrong usage is on record")
	}
}

// Several programmes on one bus: one must be named.
func TestHoldOfSeveralProgrammes(t *testing.T) {
	s := openService(t)
	for _, id := range []string{"dale", "vale"} {
		event, err := bus.NewEvent(bus.Order, id, "set", time.Now(), message.Order{ID: "first" + id, Programme: id, Action: message.OrderSet, At: time.Now(), By: "Ada", Reason: "x"})
		if err == nil {
			_, err = s.Publish(t.Context(), event)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	expect(t, "which", s.at("hold", "list"), statusUsage, "several programmes are on this bus (dale, vale)")
	got := s.at("hold", "list", "--programme", "vale", "--all")
	expect(t, "vale", got, statusFine, "hold firstvale", "times are in UTC")
	if strings.Contains(got.stdout, "firstdale") {
		t.Errorf("orders of another programme:\n%s", got.stdout)
	}
	empty := openService(t)
	expect(t, "none", empty.at("hold", "list"), statusFailed, "no programme is known on this bus yet")
}

// Hostile text in messages of others never reaches the terminal, nor do messages
// that are none end the list.
func TestHoldListOfHostileText(t *testing.T) {
	s := openService(t)
	evil := "\x1b[2J\x07\u202e" + strings.Repeat("long ", 300)
	now := time.Now().UTC()
	s.put(bus.Hold, bus.Whole, now, message.Holds{Programme: "dale", At: now, Trigger: evil, Results: []hold.Result{
		{Key: evil, Criterion: evil, Name: evil, Kind: evil, Outcome: hold.Outcome(evil), Condition: hold.Held, Sites: []string{evil}, Targets: []string{evil}, Reason: evil, WhoMayLift: evil, WhatWouldLift: evil, Source: evil, Inputs: []hold.Input{}},
		{Key: "x", Criterion: evil, Outcome: hold.Clear, Sites: []string{}, Targets: []string{}, Inputs: []hold.Input{}}}})
	s.put(bus.Order, "set", now, message.Order{ID: evil, Programme: "dale", Action: message.OrderSet, At: now, By: evil, Role: evil, Reason: evil, Sites: []string{evil}})
	s.put(bus.Order, "lift", now, message.Order{ID: "b", Programme: "dale", Action: message.OrderLift, At: now, By: evil, Role: evil, Reason: evil, Lifts: evil})
	s.put(bus.Order, "set", now, 7)
	expect(t, "list", s.at("hold", "list", "--all"), statusFine, "1 suspend", "hold unreadable-3 on every release", "an order about holds was stored that cannot be read")
	s.publishFile()
	s.work(0)
	expect(t, "lift of what cannot be read", s.at("hold", "lift", "unreadable-3", "--by", "Ada", "--reason", "it was a test"), statusFine, "Lifted")
	expect(t, "no such", s.at("hold", "lift", "zz", "--by", "Ada", "--reason", "x"), statusFailed, "there is no hold")
	var list map[string]any
	if err := json.Unmarshal([]byte(s.at("--json", "hold", "list", "--all").stdout), &list); err != nil {
		t.Error(err)
	}
}
