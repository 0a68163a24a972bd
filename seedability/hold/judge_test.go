package hold

import (
	"strings"
	"testing"
	"time"

	"rimeline/seedability"
)

// row judges a criterion again and again, each step with evidence of its own.
type step struct {
	minutes float64 // from noon
	value   float64 // stage of g2, m; NaN: the gauge is silent
	lifts   []Lift
	want    Outcome
	says    string
}

func run(t *testing.T, holds string, steps []step) {
	t.Helper()
	p := parse(t, holds)
	var previous []Result
	for k, s := range steps {
		e := Evidence{At: noon.Add(time.Duration(s.minutes * float64(time.Minute))), Lifts: s.lifts}
		e.ManualAsOf = e.At
		if s.value == s.value {
			e.Readings = []Reading{{Gauge: "g2", Quantity: QuantityStage, Value: s.value, Unit: "m", Time: e.At.Add(-time.Minute)}}
		}
		previous = Judge(p, e, previous)
		r := of(t, previous, "brook")
		if r.Outcome != s.want || !strings.Contains(r.Reason+"; "+r.WhatWouldLift, s.says) {
			t.Fatalf("step %d, %g min, %g m: %s: %s; %s\nwant %s: %s", k, s.minutes, s.value, r.Outcome, r.Reason, r.WhatWouldLift, s.want, s.says)
		}
	}
}

const brook = `
  - {id: brook, kind: gauge, gauges: [g2], quantity: stage, unit: m, review_above: 2, hold_above: 3, hysteresis: 0.5, source: invented, may_lift: [Imogen Tarn, flood officer]`

func nan() float64 { var zero float64; return zero / zero }

func TestLiftsByItself(t *testing.T) {
	automatic := brook + ", lift: automatic, clear_minutes: 60}\n"
	run(t, automatic, []step{
		{0, 1, nil, Clear, ""},
		{5, 3, nil, Held, "3 m reaches the limit of 3 m"}, // at once
		{10, 2.9, nil, Held, "is not 0.5 m below the limit of 3 m that it had reached"},
		{15, 2.51, nil, Held, ""},
		{20, 2.5, nil, Held, ""},                                             // still not less than 3 - 0.5
		{25, 1.4, nil, Held, "the cause is gone since 2026-01-14 19:25 UTC"}, // begins to wait
		{30, 1.4, nil, Held, "until 2026-01-14 20:25 UTC"},
		{55, 1.4, nil, Held, ""},
		{80, 1.4, nil, Held, ""},
		{84, 1.4, nil, Held, ""},
		{85, 1.4, nil, Clear, "1.4 m is below 2 m"},
	})
	run(t, automatic, []step{ // interrupted
		{0, 3.2, nil, Held, ""}, {5, 1, nil, Held, ""}, {30, 1, nil, Held, ""}, {50, 3, nil, Held, ""}, {55, 1, nil, Held, ""},
		{80, 1, nil, Held, ""}, {105, 1, nil, Held, ""}, {115, 1, nil, Clear, ""},
	})
	run(t, automatic, []step{ // nobody looked for an hour: that is not without interruption
		{0, 3.2, nil, Held, ""}, {5, 1, nil, Held, ""}, {70, 1, nil, Held, "gone since 2026-01-14 20:10 UTC"}, {95, 1, nil, Held, ""}, {120, 1, nil, Held, ""}, {130, 1, nil, Clear, ""},
	})
	run(t, automatic, []step{ // the clock is set back
		{60, 3.2, nil, Held, ""}, {65, 1, nil, Held, ""}, {5, 1, nil, Held, "gone since 2026-01-14 19:05 UTC"}, {30, 1, nil, Held, ""}, {60, 1, nil, Held, ""}, {65, 1, nil, Clear, ""},
	})
	run(t, automatic, []step{ // an outage under a hold does not lift it, nor does it count as clear
		{0, 3.2, nil, Held, ""}, {5, 1, nil, Held, ""}, {30, nan(), nil, Held, "cannot be judged now"}, {55, 1, nil, Held, "gone since 2026-01-14 19:55 UTC"}, {80, 1, nil, Held, ""}, {105, 1, nil, Held, ""}, {115, 1, nil, Clear, ""},
	})
	run(t, automatic, []step{ // held down to review, then down to clear, each after its time
		{0, 3.2, nil, Held, ""}, {5, 2.2, nil, Held, ""}, {30, 2.2, nil, Held, ""}, {55, 2.2, nil, Held, ""}, {65, 2.2, nil, Review, ""},
		{70, 1.4, nil, Review, "the cause is gone"}, {95, 1.4, nil, Review, ""}, {120, 1.4, nil, Review, ""}, {130, 1.4, nil, Clear, ""},
	})
}

func TestAPersonLifts(t *testing.T) {
	person := brook + "}\n"
	lift := func(minutes float64, by, role, criterion string) []Lift {
		return []Lift{{Criterion: criterion, By: by, Role: role, At: noon.Add(time.Duration(minutes * float64(time.Minute)))}}
	}
	run(t, person, []step{
		{0, 3, nil, Held, ""},
		{5, 3, lift(4, "Imogen Tarn", "", "brook"), Held, "reaches"}, // while it lasts
		{10, 1, lift(4, "Imogen Tarn", "", "brook"), Held, "not lifted; the cause is gone since 2026-01-14 19:10 UTC"},
		{30, 1, nil, Held, "rimeline hold lift by Imogen Tarn or flood officer"},
		{50, 1, lift(45, "Nobody", "", "brook"), Held, ""},
		{55, 1, lift(45, "Imogen Tarn", "", "other"), Held, ""},
		{60, 1, lift(120, "Imogen Tarn", "", "brook"), Held, ""}, // of the future
		{75, 1, nil, Held, ""},
		{100, 1, lift(99, "imogen tarn ", "", "brook"), Clear, ""},
		{105, 3, lift(99, "Imogen Tarn", "", "brook"), Held, ""}, // again: the old lift is used up
		{110, 1, lift(99, "Imogen Tarn", "", "brook"), Held, ""},
		{115, 1, lift(112, "Somebody", "Flood officer", "brook"), Clear, ""},
	})
	run(t, person, []step{ // days later it is still held
		{0, 3, nil, Held, ""}, {5, 1, nil, Held, ""}, {5000, 1, nil, Held, "not lifted"},
	})
	run(t, person, []step{ // what could not be judged lifts by itself after half an hour
		{0, nan(), nil, Unknown, "missing"}, {5, 1, nil, Unknown, "the cause is gone"}, {30, 1, nil, Unknown, ""}, {35, 1, nil, Clear, ""},
	})
	run(t, person, []step{ // an outage becomes a hold at once
		{0, nan(), nil, Unknown, ""}, {5, 3, nil, Held, ""},
	})
}

// From clear the limit itself counts, from held the limit less its hysteresis; an
// outage in between does not forget which.
func TestHysteresisRemembers(t *testing.T) {
	p := parse(t, brook+", lift: automatic, clear_minutes: 0}\n")
	evidence := func(minutes int, value float64) Evidence {
		at := noon.Add(time.Duration(minutes) * time.Minute)
		e := Evidence{At: at, ManualAsOf: at}
		if value > 0 {
			e.Readings = []Reading{{Gauge: "g2", Quantity: QuantityStage, Value: value, Unit: "m", Time: at}}
		}
		return e
	}
	held := Judge(p, evidence(0, 3), nil)
	out := Judge(p, evidence(5, 0), held)
	if r := of(t, Judge(p, evidence(10, 2.6), out), "brook"); r.Outcome != Held {
		t.Errorf("2.6 m after 3 m: %s: %s", r.Outcome, r.Reason)
	}
	if r := of(t, Judge(p, evidence(10, 2.6), nil), "brook"); r.Outcome != Review {
		t.Errorf("2.6 m from nothing: %s: %s", r.Outcome, r.Reason)
	}
	if r := of(t, Judge(p, evidence(10, 2.4), out), "brook"); r.Outcome != Review {
		t.Errorf("2.4 m after 3 m: %s: %s", r.Outcome, r.Reason)
	}
}

func TestManualHolds(t *testing.T) {
	p := parse(t, `
  - {id: orders, kind: manual, may_lift: [Imogen Tarn], source: invented}
`)
	set := ManualHold{ID: "m1", Sites: []string{"hut"}, By: "Imogen Tarn", Reason: "closure of the road", Set: ago(time.Hour), Until: noon.Add(time.Hour)}
	for _, test := range []struct {
		name      string
		change    func(m *ManualHold)
		hut, barn bool
	}{
		{"in force", func(m *ManualHold) {}, true, false},
		{"over", func(m *ManualHold) { m.Until = noon }, false, false},
		{"without an end", func(m *ManualHold) { m.Until = time.Time{} }, true, false},
		{"lifted", func(m *ManualHold) { m.LiftedAt, m.LiftedBy = ago(time.Minute), "Imogen Tarn" }, false, false},
		{"lifted in the future", func(m *ManualHold) { m.LiftedAt = ago(-time.Hour) }, true, false},
		{"set in the future", func(m *ManualHold) { m.Set = ago(-time.Hour) }, true, false},
		{"everywhere", func(m *ManualHold) { m.Sites = nil }, true, true},
		{"for a target that the barn does not serve", func(m *ManualHold) { m.Sites, m.Targets = nil, []string{"ridge"} }, true, false},
	} {
		m := set
		test.change(&m)
		results := Judge(p, Evidence{At: noon, ManualAsOf: noon, Manual: []ManualHold{m}}, nil)
		hut, _, _ := ForSite(results, "hut", []string{"basin", "ridge"})
		barn, _, _ := ForSite(results, "barn", []string{"basin"})
		if hut != test.hut || barn != test.barn {
			t.Errorf("%s: hut %v, barn %v", test.name, hut, barn)
		}
	}
	results := Judge(p, Evidence{At: noon, ManualAsOf: noon, Manual: []ManualHold{set}}, nil)
	if r := results[0]; r.Key != "orders/m1" || !strings.Contains(r.Reason, "set by Imogen Tarn at 2026-01-14 18:00 UTC, until 2026-01-14 20:00 UTC: closure of the road") || !strings.Contains(r.WhatWouldLift, "rimeline hold lift m1") {
		t.Errorf("%+v", r)
	}
	// A record that lost it cannot be right; at its end it is over all the same.
	lost := Judge(p, Evidence{At: noon.Add(5 * time.Minute), ManualAsOf: noon.Add(5 * time.Minute)}, results)
	if held, _, by := ForSite(lost, "hut", nil); !held || by[0].Outcome != Unknown {
		t.Errorf("a hold that the record lost: %+v", by)
	}
	again := Judge(p, Evidence{At: noon.Add(10 * time.Minute), ManualAsOf: noon.Add(10 * time.Minute)}, lost)
	if held, _, by := ForSite(again, "hut", nil); !held || strings.Count(by[0].Reason, "no longer") != 1 {
		t.Errorf("a hold that the record lost, again: %+v", by)
	}
	over := Judge(p, Evidence{At: noon.Add(60 * time.Minute), ManualAsOf: noon.Add(60 * time.Minute)}, again)
	if held, _, _ := ForSite(over, "hut", nil); held {
		t.Error("a lost hold goes on after its end")
	}
	// Without a criterion in the file manual holds count as well.
	if held, _, _ := ForSite(Judge(parse(t, brook+"}\n"), Evidence{At: noon, ManualAsOf: noon, Manual: []ManualHold{set}, Readings: []Reading{{Gauge: "g2", Quantity: QuantityStage, Value: 1, Unit: "m", Time: noon}}}, nil), "hut", nil); !held {
		t.Error("a manual hold does not count in a programme that names none")
	}
}

func TestForSite(t *testing.T) {
	results := []Result{
		{Key: "a", Outcome: Review, Sites: []string{"hut"}, Targets: []string{"basin"}},
		{Key: "b", Outcome: Held, Sites: []string{"hut", "barn"}, Targets: []string{"ridge"}},
		{Key: "c", Outcome: "nonsense", Sites: []string{"mill"}},
		{Key: "d", Outcome: Clear},
	}
	for _, test := range []struct {
		site         string
		targets      []string
		held, review bool
		by           string
	}{
		{"hut", []string{"basin"}, false, true, "ad"},
		{"hut", []string{"ridge"}, true, false, "bd"},
		{"hut", []string{"basin", "ridge"}, true, true, "bad"},
		{"hut", nil, true, true, "bad"},
		{"barn", []string{"basin"}, false, false, "d"},
		{"mill", []string{"basin"}, true, false, "cd"},
		{"other", nil, false, false, "d"},
	} {
		held, review, by := ForSite(results, test.site, test.targets)
		keys := ""
		for _, r := range by {
			keys += r.Key
		}
		if held != test.held || review != test.review || keys != test.by {
			t.Errorf("%s %v: %v %v %s, want %v %v %s", test.site, test.targets, held, review, keys, test.held, test.review, test.by)
		}
	}
}

// assessment of the hut with a score that opens a window.
func assessment() seedability.Assessment {
	score := 90.0
	return seedability.Assessment{Programme: "dale", Site: seedability.SiteRef{ID: "hut"}, ReleaseTime: noon, AsOf: noon, State: seedability.StateWindow, StateReason: "score 90 reaches 60",
		Score: seedability.Score{Value: &score}, Confidence: seedability.Confidence{Value: .9}, Notes: []string{}, Cautions: seedability.Cautions,
		Transport: seedability.Transport{Targets: []seedability.TargetResult{{ID: "basin"}, {ID: "ridge"}}}}
}

// settled is the state of a site whose window was open before.
func settled(a seedability.Assessment) seedability.State {
	open := &seedability.Standing{State: seedability.StateWindow, Since: ago(time.Hour), At: ago(5 * time.Minute), Streak: 9}
	return seedability.Settle(open, a, nil, seedability.DefaultLimits()).State
}

func TestApply(t *testing.T) {
	p := parse(t, everyKind)
	clear := Apply(assessment(), Judge(p, quiet(), nil))
	if clear.State != seedability.StateWindow || settled(clear) != seedability.StateWindow || len(clear.Holds) != len(kindsThere)+1 {
		t.Errorf("clear: %s, settled %s, %d criteria", clear.State, settled(clear), len(clear.Holds))
	}
	caution := strings.Join(clear.Cautions, "\n")
	if strings.Contains(caution, "not evaluated") || !strings.Contains(caution, "0 suspend, 0 call for a look, clear are rain, creek") || len(clear.Cautions) != len(seedability.Cautions) {
		t.Errorf("cautions %q", clear.Cautions)
	}
	if seedability.Cautions[2] != seedability.CautionHolds {
		t.Error("the list of cautions that all share was changed")
	}

	e := quiet()
	rates("basin", "radar", rate(20))(&e)
	e.Dangers[0].Level = 4
	held := Apply(assessment(), Judge(p, e, nil))
	if held.State != seedability.StateHold || settled(held) != seedability.StateHold || !strings.HasPrefix(held.StateReason, "rain: precipitation over basin by radar 20 mm/h") {
		t.Errorf("held: %s: %s", held.State, held.StateReason)
	}
	if *held.Score.Value != 90 || held.Holds[0].Outcome != "held" || held.Holds[0].WhoMayLift != "licensed manager" {
		t.Errorf("score %v, first %+v", *held.Score.Value, held.Holds[0])
	}
	if len(held.Notes) != 1 || !strings.Contains(held.Notes[0], "a person must look") {
		t.Errorf("notes %q", held.Notes)
	}
	// A site for which none of it counts.
	elsewhere := assessment()
	elsewhere.Transport.Targets = elsewhere.Transport.Targets[1:]
	e.Dangers[0].Level = 3
	if a := Apply(elsewhere, Judge(p, e, nil)); a.State != seedability.StateWindow {
		t.Errorf("a release for another target: %s: %s", a.State, a.StateReason)
	}
	// Results of half an hour ago say nothing of now.
	for _, test := range []struct {
		age  time.Duration
		want seedability.State
	}{{30 * time.Minute, seedability.StateWindow}, {31 * time.Minute, seedability.StateHold}} {
		a := assessment()
		a.AsOf = noon.Add(test.age)
		if got := Apply(a, Judge(p, quiet(), nil)); got.State != test.want {
			t.Errorf("%v after: %s: %s", test.age, got.State, got.StateReason)
		}
	}
	untouched := Apply(assessment(), nil)
	if untouched.Holds != nil || untouched.State != seedability.StateWindow || untouched.Cautions[2] != seedability.CautionHolds {
		t.Errorf("without results: %+v", untouched)
	}
}
