package seedability

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"
)

// judgement is an assessment for release now; a NaN score is none.
func judgement(at time.Time, score, confidence float64) Assessment {
	a := Assessment{Programme: "p", Site: SiteRef{ID: "here"}, ReleaseTime: at, AsOf: at, Score: Score{Value: number(score)}, Confidence: Confidence{Value: confidence}}
	a.State, a.StateReason = stateOf(a.Score, a.Confidence, DefaultLimits())
	return a
}

func minutes(m float64) time.Time { return start.Add(time.Duration(m * float64(time.Minute))) }

// settled is one row of a table: what comes, and what must follow.
type settled struct {
	minute, score, confidence float64
	hold                      bool
	want                      State
	streak                    int
}

func checkRow(t *testing.T, limits Limits, ahead *Outlook, row []settled) {
	t.Helper()
	var standing *Standing
	for k, step := range row {
		a := judgement(minutes(step.minute), step.score, step.confidence)
		if step.hold {
			a.State, a.StateReason = StateHold, "river near flood stage"
		}
		now := Settle(standing, a, ahead, limits)
		if now.State != step.want || now.Streak != step.streak {
			t.Errorf("step %d, minute %g, score %g: %s with a row of %d, want %s with %d (%s)", k+1, step.minute, step.score, now.State, now.Streak, step.want, step.streak, now.Reason)
		}
		if now.Reason == "" || !now.At.Equal(minutes(step.minute)) {
			t.Errorf("step %d: reason %q at %s", k+1, now.Reason, now.At)
		}
		standing = &now
	}
}

// Limits 60, 5 points of hysteresis, two in a row: a window opens at 65 twice,
// stays open down to 60, and is left with the first score below.
func TestSettleHysteresis(t *testing.T) {
	nan := math.NaN()
	for name, row := range map[string][]settled{
		"opens after two, stays, leaves at once": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 65, .8, false, StateWindow, 2}, {10, 60, .8, false, StateWindow, 3}, {15, 59.9, .8, false, StateQuiet, 0}, {20, 64.9, .8, false, StateQuiet, 0}},
		"between the limits nothing opens": {
			{0, 64, .8, false, StateQuiet, 0}, {5, 64, .8, false, StateQuiet, 0}, {10, 64, .8, false, StateQuiet, 0}},
		"the row must not be broken": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 64, .8, false, StateQuiet, 0}, {10, 70, .8, false, StateBuilding, 1}, {15, 70, .8, false, StateWindow, 2}},
		"repeats of one moment count once": {
			{0, 70, .8, false, StateBuilding, 1}, {0, 72, .8, false, StateBuilding, 1}, {0, 70, .8, false, StateBuilding, 1}, {5, 70, .8, false, StateWindow, 2}, {5, 70, .8, false, StateWindow, 2}, {5, 50, .8, false, StateQuiet, 0}},
		"blind at once, and shut after": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 70, .8, false, StateWindow, 2}, {10, 90, .29, false, StateBlind, 0}, {15, 63, .8, false, StateQuiet, 0}, {20, 70, .8, false, StateBuilding, 1}, {25, 70, .8, false, StateWindow, 2}},
		"no score is blind": {
			{0, nan, .8, false, StateBlind, 0}, {5, 70, nan, false, StateBlind, 0}},
		"hold at once, scores count beneath": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 70, .8, false, StateWindow, 2}, {10, 62, .8, true, StateHold, 0}, {15, 70, .8, true, StateHold, 1}, {20, 70, .8, false, StateWindow, 2}},
		"a hold does not lend its open window": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 70, .8, false, StateWindow, 2}, {10, 70, .8, true, StateHold, 1}, {15, 62, .8, false, StateQuiet, 0}},
		"hold before blind": {{0, nan, 0, true, StateHold, 0}},
		"half an hour is no gap, more is": {
			{0, 70, .8, false, StateBuilding, 1}, {30, 70, .8, false, StateWindow, 2}, {60.1, 70, .8, false, StateBuilding, 1}},
		"a gap ends an open window": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 70, .8, false, StateWindow, 2}, {60, 63, .8, false, StateQuiet, 0}},
		"the clock set back an hour": {
			{0, 70, .8, false, StateBuilding, 1}, {5, 70, .8, false, StateWindow, 2}, {-60, 70, .8, false, StateBuilding, 1}, {-55, 70, .8, false, StateWindow, 2}},
		"the clock set back by minutes": {
			{0, 70, .8, false, StateBuilding, 1}, {-5, 70, .8, false, StateBuilding, 1}, {0, 70, .8, false, StateWindow, 2}, {-5, 61, .8, false, StateWindow, 1}, {-10, 59, .8, false, StateQuiet, 0}},
	} {
		t.Run(name, func(t *testing.T) { checkRow(t, DefaultLimits(), nil, row) })
	}
}

// Blind by the word of the assessment, whatever its numbers.
func TestSettleBelievesBlind(t *testing.T) {
	a := judgement(start, 90, .9)
	a.State, a.StateReason = StateBlind, "no model run"
	if s := Settle(nil, a, nil, Limits{WindowScore: 60}); s.State != StateBlind || s.Streak != 0 || s.Reason != "no model run" {
		t.Errorf("%+v", s)
	}
}

// Without hysteresis and with one score the standing is the assessment.
func TestSettleWithoutMemory(t *testing.T) {
	checkRow(t, Limits{WindowScore: 60, MinimumConfidence: .3}, nil, []settled{
		{0, 60, .3, false, StateWindow, 1}, {5, 59, .3, false, StateQuiet, 0}, {10, 61, .3, false, StateWindow, 1}, {15, 61, .2, false, StateBlind, 0}})
}

func TestSettleSinceAndBefore(t *testing.T) {
	var standing *Standing
	for _, step := range []struct {
		minute, score float64
		since         float64
		before        State
	}{{0, 30, 0, ""}, {5, 30, 0, ""}, {10, 70, 10, StateQuiet}, {15, 70, 15, StateBuilding}, {20, 70, 15, StateBuilding}, {25, 10, 25, StateWindow}, {20, 10, 20, StateWindow}} {
		now := Settle(standing, judgement(minutes(step.minute), step.score, .8), nil, DefaultLimits())
		if !now.Since.Equal(minutes(step.since)) || now.Before != step.before {
			t.Errorf("minute %g: since minute %g after %q, want minute %g after %q", step.minute, now.Since.Sub(start).Minutes(), now.Before, step.since, step.before)
		}
		standing = &now
	}
}

// A window of the outlook that is not over makes a quiet site building; an old
// outlook and a window of the past do not, and blind stays blind.
func TestSettleBuilding(t *testing.T) {
	ahead := &Outlook{IssuedAt: start, Windows: []Window{{Start: minutes(-60), Best: minutes(-50), End: minutes(-30)}, {Start: minutes(100), Best: minutes(130), End: minutes(160)}}}
	settle := func(minute, score, confidence float64) Standing {
		return Settle(nil, judgement(minutes(minute), score, confidence), ahead, DefaultLimits())
	}
	if s := settle(0, 20, .8); s.State != StateBuilding || s.Ahead == nil || !s.Ahead.Best.Equal(minutes(130)) || !strings.Contains(s.Reason, "opens 07:40-08:40 UTC, best 08:10") {
		t.Errorf("with a window ahead: %+v", s)
	}
	if s := settle(150, 20, .8); s.State != StateBuilding || !strings.Contains(s.Reason, "is open") {
		t.Errorf("inside of the window of the outlook: %s, %s", s.State, s.Reason)
	}
	if s := settle(160, 20, .8); s.State != StateQuiet || s.Ahead != nil {
		t.Errorf("after it: %s, %+v", s.State, s.Ahead)
	}
	if s := settle(0, 20, .1); s.State != StateBlind || s.Ahead == nil {
		t.Errorf("blind before a window: %s", s.State)
	}
	ahead.IssuedAt = minutes(-12 * 60)
	if s := settle(0, 20, .8); s.State != StateQuiet {
		t.Errorf("with an outlook of 12 h ago: %s", s.State)
	}
}

// What must hold for any row of assessments, with the clock running, standing
// still, jumping either way, and pausing.
func TestSettleProperties(t *testing.T) {
	random := rand.New(rand.NewPCG(14, 2026))
	counts := map[State]int{}
	for range 3000 {
		limits := Limits{WindowScore: 40 + 40*random.Float64(), MinimumConfidence: .3, Hysteresis: float64(random.IntN(10)), ConsecutiveScores: 1 + random.IntN(4), LongestGap: 30 * time.Minute}
		opening := limits.WindowScore + limits.Hysteresis
		var previous *Standing
		// reached are the distinct moments, since the last that broke the row, whose
		// score reached the opening limit.
		reached := map[time.Time]bool{}
		at := start
		for range 40 {
			switch jump := random.IntN(20); {
			case jump == 0:
				at = at.Add(-time.Duration(random.IntN(120)) * time.Minute)
			case jump == 1:
				at = at.Add(time.Duration(random.IntN(120)) * time.Minute)
			case jump > 4:
				at = at.Add(5 * time.Minute)
			}
			score := limits.WindowScore + 20*random.Float64() - 6
			confidence := .9
			switch random.IntN(25) {
			case 0:
				score = math.NaN()
			case 1:
				confidence = .3 * random.Float64()
			}
			a := judgement(at, score, confidence)
			if random.IntN(30) == 0 {
				a.State, a.StateReason = StateHold, "held"
			}
			now := Settle(previous, a, nil, limits)
			counts[now.State]++

			blind := math.IsNaN(score) || confidence < .3
			gap := previous != nil && at.Sub(previous.At).Abs() > limits.LongestGap
			wasOpen := previous != nil && previous.State == StateWindow && !gap
			if gap || blind || !(score >= opening) {
				clear(reached)
			}
			if !blind && score >= opening {
				reached[at] = true
			}
			switch {
			case a.State == StateHold:
				if now.State != StateHold {
					t.Fatalf("a hold is shown as %s", now.State)
				}
			case blind:
				if now.State != StateBlind {
					t.Fatalf("score %v with confidence %.2f is shown as %s", score, confidence, now.State)
				}
			case score < limits.WindowScore && now.State != StateQuiet:
				t.Fatalf("score %.1f below %.1f is shown as %s", score, limits.WindowScore, now.State)
			case wasOpen && score >= limits.WindowScore && now.State != StateWindow:
				t.Fatalf("score %.1f left a window of %.1f", score, limits.WindowScore)
			case !wasOpen && now.State == StateWindow && len(reached) < limits.ConsecutiveScores:
				t.Fatalf("a window after %d moments, %d are needed", len(reached), limits.ConsecutiveScores)
			}
			if now.Since.After(now.At) {
				t.Fatalf("since %s, at %s", now.Since, now.At)
			}
			again := Settle(&now, a, nil, limits)
			if again.Reason = now.Reason; !reflect.DeepEqual(again, now) {
				t.Fatalf("a repeat changes\n%+v to\n%+v", now, again)
			}
			previous = &now
		}
	}
	for _, state := range []State{StateQuiet, StateBuilding, StateWindow, StateBlind, StateHold} {
		if counts[state] < 500 {
			t.Errorf("%s came up %d times: the test says little of it", state, counts[state])
		}
	}
}

func TestStandingTravelsAsJSON(t *testing.T) {
	a := judgement(start, 70, .8)
	if b, _ := json.Marshal(a); strings.Contains(string(b), "standing") {
		t.Error("an assessment of its own has a standing")
	}
	s := Settle(nil, a, nil, DefaultLimits())
	a.Standing = &s
	b, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var back Assessment
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(back.Standing, a.Standing) {
		t.Errorf("sent %+v, came %+v", a.Standing, back.Standing)
	}
}
