package report

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/evaluate"
)

// tracks are the stretches in which sites stood in a state.
type tracks struct {
	gap       time.Duration
	heldScore float64
	sites     map[string]*siteTrack
	spans     int
}

// siteTrack is one site as its scores say, in order of time.
type siteTrack struct {
	opened  spanning // window
	offered spanning // window, or hold over a score that would be one
	held    spanning
	last    time.Time
	state   seedability.State
	minutes map[seedability.State]float64
	unknown float64
	scores  int64
}

// spanning makes spans of moments at which something was so or not.
type spanning struct {
	spans []evaluate.Span
	open  bool
	start time.Time
}

func newTracks(gap time.Duration, heldScore float64) *tracks {
	return &tracks{gap: gap, heldScore: heldScore, sites: map[string]*siteTrack{}}
}

func (t *tracks) site(id string) *siteTrack {
	s := t.sites[id]
	if s == nil {
		s = &siteTrack{minutes: map[seedability.State]float64{}}
		t.sites[id] = s
	}
	return s
}

// names of the sites, rising.
func (t *tracks) names() []string {
	names := make([]string, 0, len(t.sites))
	for name := range t.sites {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// add takes the next score of a site. A state lasts until the next score; over a gap
// nobody knows, and what was open ends with the last score before it.
func (t *tracks) add(s *siteTrack, at time.Time, state seedability.State, score float64) error {
	s.scores++
	if !s.last.IsZero() {
		switch since := at.Sub(s.last); {
		case since < 0:
			return nil // a repeat of a time that has been judged
		case since > t.gap:
			s.unknown += since.Minutes()
			s.shut(s.last)
		default:
			s.minutes[s.state] += since.Minutes()
		}
	}
	s.last, s.state = at, state
	hold := state == seedability.StateHold
	t.spans += s.opened.set(at, state == seedability.StateWindow)
	t.spans += s.offered.set(at, state == seedability.StateWindow || hold && score >= t.heldScore && !math.IsNaN(score))
	t.spans += s.held.set(at, hold)
	if t.spans > maxSpans {
		return fmt.Errorf("evaluate: more than %d windows and holds", maxSpans)
	}
	return nil
}

func (s *siteTrack) shut(at time.Time) {
	s.opened.set(at, false)
	s.offered.set(at, false)
	s.held.set(at, false)
}

// set gives how many spans were begun.
func (s *spanning) set(at time.Time, on bool) int {
	switch {
	case on && !s.open:
		s.open, s.start = true, at
		return 1
	case !on && s.open:
		s.open = false
		s.spans = append(s.spans, evaluate.Span{Start: s.start, End: at})
	}
	return 0
}
