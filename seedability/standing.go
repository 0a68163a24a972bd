package seedability

import (
	"fmt"
	"math"
	"time"
)

// Standing is the state of a site as seen from the row of its assessments for
// release now. One assessment has no memory; a standing has, so that a score
// that trembles about the limit does not open and shut the window with every
// input.
type Standing struct {
	State State `json:"state"`
	// Since is the moment (AsOf) of the assessment with which State began.
	Since time.Time `json:"since"`
	// At is the moment of the newest assessment that went into it.
	At time.Time `json:"at"`
	// Streak counts the assessments in a row, this one included, whose score
	// reached what was asked of it: WindowScore while the window was open,
	// WindowScore + Hysteresis while it was shut.
	Streak int    `json:"streak"`
	Reason string `json:"reason"`
	// Before is the state that State replaced; empty where none is known.
	Before State `json:"before,omitempty"`
	// Ahead is the next window of the outlook that is not over, open or not.
	Ahead *Window `json:"ahead,omitempty"`
}

// Settle takes the assessment of one site for release now, the standing before
// it (nil at first) and the newest outlook (nil for none), and gives the standing
// after it. It is pure: a row of assessments can be settled again from any
// standing in it. In this order:
//
//   - hold: where the assessment says so (StateHold, set by whoever judges the
//     criteria of suspension), at once. It shuts
//     the window; scores are counted on beneath it.
//   - blind: where there is no score or too little confidence, at once. It shuts
//     the window and ends the row.
//   - window: a shut window opens with the last of ConsecutiveScores assessments
//     in a row that all reach WindowScore + Hysteresis. An open one stays open as
//     long as every assessment reaches WindowScore, and is left at once, with the
//     first that does not. So the hysteresis lies in the opening alone (the two
//     thresholds of Schmitt 1938, J. Sci. Instrum. 15, 24, value from memory):
//     it takes more to open than to stay, and nothing to leave. What was never
//     open, and what a hold, blindness or a gap has shut, is shut.
//   - building: where the outlook has a window that is not over, or where the
//     assessment would open the window and waits for the next to confirm it.
//   - quiet: otherwise.
//
// The row is of moments (AsOf). An assessment of the moment that was settled
// last is a repeat: it is judged, and does not count again. One more than
// LongestGap before or after it begins a new row, in which nothing is known of
// the past. One before it, by less (a clock was set back, or a late message),
// starts the count again, and an open window stays open if the score allows.
func Settle(previous *Standing, now Assessment, ahead *Outlook, limits Limits) Standing {
	moment := now.AsOf.UTC()
	longest := limits.LongestGap
	if longest <= 0 {
		longest = DefaultLongestGap
	}
	var step time.Duration
	if previous != nil {
		if step = moment.Sub(previous.At); step.Abs() > longest {
			previous = nil
		}
	}
	hold := now.State == StateHold
	wasOpen := previous != nil && previous.State == StateWindow
	open := wasOpen && !hold
	verdict, reason := stateOf(now.Score, now.Confidence, limits)
	if now.State == StateBlind {
		verdict, reason = StateBlind, now.StateReason
	}
	s := Standing{At: moment, Ahead: nextWindow(ahead, moment)}
	asked := limits.WindowScore
	if !open {
		asked += math.Max(limits.Hysteresis, 0)
	}
	if verdict != StateBlind && *now.Score.Value >= asked {
		s.Streak = 1
		switch {
		case previous == nil || wasOpen && hold: // what kept it open is not enough to open it
		case step == 0:
			s.Streak = max(previous.Streak, 1)
		case step > 0:
			s.Streak = min(previous.Streak, math.MaxInt32-1) + 1
		}
	}
	needed := max(limits.ConsecutiveScores, 1)
	switch {
	case hold:
		s.State, s.Reason = StateHold, now.StateReason
	case verdict == StateBlind:
		s.State, s.Reason = StateBlind, reason
	case s.Streak > 0 && (open || s.Streak >= needed):
		s.State = StateWindow
		s.Reason = fmt.Sprintf("score %.1f reaches %.1f, %d in a row", *now.Score.Value, asked, s.Streak)
		if open {
			s.Reason = fmt.Sprintf("score %.1f stays at or above %.1f", *now.Score.Value, asked)
		}
	case s.Streak > 0:
		s.State, s.Reason = StateBuilding, fmt.Sprintf("score %.1f reaches %.1f, %d of %d in a row", *now.Score.Value, asked, s.Streak, needed)
	default:
		s.State, s.Reason = StateQuiet, fmt.Sprintf("score %.1f is below %.1f", *now.Score.Value, asked)
		if !open && *now.Score.Value >= limits.WindowScore {
			s.Reason += ", which a shut window needs to open"
		}
		if s.Ahead != nil {
			s.State = StateBuilding
			s.Reason += "; " + s.Ahead.sentence(moment)
		}
	}
	s.Since = moment
	if previous != nil {
		if s.Before = previous.State; s.Before == s.State {
			s.Before = previous.Before
			if previous.Since.Before(moment) {
				s.Since = previous.Since
			}
		}
	}
	return s
}

// nextWindow is the first window of an outlook that is not over at a moment; nil
// where there is none, or where the outlook is as old as a useless model run.
func nextWindow(outlook *Outlook, moment time.Time) *Window {
	if outlook == nil || moment.Sub(outlook.IssuedAt).Abs() >= Ageings["model"].UselessAfter {
		return nil
	}
	for k := range outlook.Windows {
		if w := outlook.Windows[k]; w.End.After(moment) {
			return &w
		}
	}
	return nil
}
