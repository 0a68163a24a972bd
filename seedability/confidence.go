package seedability

import (
	"fmt"
	"math"
	"time"
)

// Confidence says how far the score can be trusted, from 0 to 1: freshness x
// coverage x agreement, and x lead for a release that lies ahead.
type Confidence struct {
	Value     float64 `json:"value"`
	Freshness float64 `json:"freshness"`
	Coverage  float64 `json:"coverage"`
	Agreement float64 `json:"agreement"`
	// Lead is the factor for a release ahead of the moment of judgement
	// (LeadFading); left out where nothing is lost.
	Lead    *float64 `json:"lead,omitempty"`
	Reasons []string `json:"reasons"`
}

// Ageing says how long an input of a kind counts as fresh, and from when on it
// counts for nothing. The numbers are common practice, no source.
type Ageing struct{ FreshFor, UselessAfter time.Duration }

// Ageings of the input kinds.
var Ageings = map[string]Ageing{
	"model":     {3 * time.Hour, 12 * time.Hour},
	"sounding":  {3 * time.Hour, 12 * time.Hour},
	"radar":     {10 * time.Minute, 30 * time.Minute},
	"mosaic":    {10 * time.Minute, 30 * time.Minute},
	"satellite": {15 * time.Minute, time.Hour},
}

// Freshness is 1 up to FreshFor and falls in a line to 0 at UselessAfter. An
// input from the future (a clock or a file is wrong) is worth nothing; up to
// five minutes are allowed for clocks that differ.
func (a Ageing) Freshness(age time.Duration) float64 {
	switch {
	case age < -5*time.Minute:
		return 0
	case age <= a.FreshFor:
		return 1
	case age >= a.UselessAfter:
		return 0
	}
	return float64(a.UselessAfter-age) / float64(a.UselessAfter-a.FreshFor)
}

// disagreement of two sources that should see the same air.
type disagreement struct {
	what, who      string // who disagrees with the model
	difference     float64
	fine, hopeless float64 // full agreement up to fine, none from hopeless on
	unit           string
}

// agreementOf is the mean agreement of the comparisons, from 0.5 (all hopeless)
// to 1. Without a second source it is 0.8: nothing contradicts, nothing
// confirms. The numbers are common practice, no source.
func agreementOf(comparisons []disagreement) (agreement float64, reasons []string) {
	if len(comparisons) == 0 {
		return .8, []string{"no fresh sounding, radar wind or cloud top to compare the model with"}
	}
	sum := 0.0
	for _, c := range comparisons {
		d := math.Abs(c.difference)
		value := math.Min(1, math.Max(0, (c.hopeless-d)/(c.hopeless-c.fine)))
		sum += value
		reasons = append(reasons, fmt.Sprintf("%s: %s and model differ by %.2g %s", c.what, c.who, d, c.unit))
	}
	return .5 + .5*sum/float64(len(comparisons)), reasons
}

// newConfidence multiplies the three factors.
func newConfidence(freshness, coverage, agreement float64, reasons []string) Confidence {
	return Confidence{Value: freshness * coverage * agreement, Freshness: freshness, Coverage: coverage, Agreement: agreement, Reasons: reasons}
}

// Limits turn numbers into a state.
type Limits struct {
	// WindowScore is the least score of a window.
	WindowScore float64 `json:"window_score"`
	// MinimumConfidence below which a site is blind.
	MinimumConfidence float64 `json:"minimum_confidence"`
	// Hysteresis is by how many points a score must exceed WindowScore to open a
	// window that is shut; an open one stays open down to WindowScore.
	Hysteresis float64 `json:"hysteresis"`
	// ConsecutiveScores is how many assessments in a row must reach that before
	// the window opens; less than one counts as one.
	ConsecutiveScores int `json:"consecutive_scores"`
	// LongestGap between two assessments of a row; a longer one begins a new row.
	// Zero takes DefaultLongestGap. It should be twice the longest time between
	// two assessments in regular service.
	LongestGap time.Duration `json:"longest_gap_ns"`
}

// DefaultLongestGap is twice the quarter of an hour after which an idle site is
// assessed again; common practice, no source.
const DefaultLongestGap = 30 * time.Minute

// DefaultLimits are common practice, no source.
func DefaultLimits() Limits {
	return Limits{WindowScore: 60, MinimumConfidence: .3, Hysteresis: 5, ConsecutiveScores: 2, LongestGap: DefaultLongestGap}
}

// stateOf judges one assessment by itself; SettleOutlook adds what can only be
// seen from several releases.
func stateOf(score Score, confidence Confidence, limits Limits) (State, string) {
	switch {
	case score.Value == nil || math.IsNaN(*score.Value):
		return StateBlind, "a component without which there is no score is not known"
	case !(confidence.Value >= limits.MinimumConfidence):
		return StateBlind, fmt.Sprintf("confidence %.2f is below %.2f", confidence.Value, limits.MinimumConfidence)
	case *score.Value >= limits.WindowScore:
		return StateWindow, fmt.Sprintf("score %.0f reaches %.0f", *score.Value, limits.WindowScore)
	}
	return StateQuiet, fmt.Sprintf("score %.0f is below %.0f", *score.Value, limits.WindowScore)
}

// SettleOutlook takes the assessments of one site in order of release time and
// turns a quiet one into building where a later one is a window.
func SettleOutlook(assessments []Assessment) {
	next := -1
	for k := len(assessments) - 1; k >= 0; k-- {
		switch assessments[k].State {
		case StateWindow:
			next = k
		case StateQuiet:
			if next >= 0 {
				later := assessments[next].ReleaseTime
				assessments[k].State = StateBuilding
				assessments[k].StateReason += fmt.Sprintf("; a window opens for release at %s", later.UTC().Format("15:04 UTC"))
			}
		}
	}
}
