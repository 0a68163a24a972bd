package evaluate

import (
	"cmp"
	"slices"
	"time"
)

// Span is a stretch of time, from Start up to, but without, End. A zero End means
// that it still goes on.
type Span struct {
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
}

// cut gives the part of s in the period, false where there is none.
func (s Span) cut(period Span) (Span, bool) {
	if s.Start.Before(period.Start) {
		s.Start = period.Start
	}
	if s.End.IsZero() || s.End.After(period.End) {
		s.End = period.End
	}
	return s, s.Start.Before(s.End)
}

// valid: it has a start, and does not end before it.
func (s Span) valid() bool {
	return !s.Start.IsZero() && (s.End.IsZero() || !s.End.Before(s.Start))
}

// spans are sorted, and neither overlap nor touch.
type spans []Span

// join makes spans of stretches in any order that may overlap, within a period. It
// counts those that cannot be: without a start, or ending before it.
func join(all []Span, period Span) (joined spans, invalid int) {
	kept := make([]Span, 0, len(all))
	for _, s := range all {
		if !s.valid() {
			invalid++
			continue
		}
		if s, ok := s.cut(period); ok {
			kept = append(kept, s)
		}
	}
	slices.SortFunc(kept, func(a, b Span) int { return a.Start.Compare(b.Start) })
	for _, s := range kept {
		if n := len(joined); n > 0 && !s.Start.After(joined[n-1].End) {
			if s.End.After(joined[n-1].End) {
				joined[n-1].End = s.End
			}
			continue
		}
		joined = append(joined, s)
	}
	return joined, invalid
}

// and gives the times that lie in both.
func (a spans) and(b spans) (both spans) {
	for i, j := 0, 0; i < len(a) && j < len(b); {
		start, end := a[i].Start, a[i].End
		if b[j].Start.After(start) {
			start = b[j].Start
		}
		if b[j].End.Before(end) {
			end = b[j].End
		}
		if start.Before(end) {
			both = append(both, Span{start, end})
		}
		if a[i].End.Before(b[j].End) {
			i++
		} else {
			j++
		}
	}
	return both
}

// without gives the times of a that are not in b.
func (a spans) without(b spans) (left spans) {
	j := 0
	for _, s := range a {
		for j < len(b) && !b[j].End.After(s.Start) {
			j++
		}
		start := s.Start
		for k := j; k < len(b) && b[k].Start.Before(s.End); k++ {
			if start.Before(b[k].Start) {
				left = append(left, Span{start, b[k].Start})
			}
			start = b[k].End
		}
		if start.Before(s.End) {
			left = append(left, Span{start, s.End})
		}
	}
	return left
}

// minutes of all spans together.
func (a spans) minutes() (sum float64) {
	for _, s := range a {
		sum += s.End.Sub(s.Start).Minutes()
	}
	return sum
}

// touches says whether s has a moment in common with a.
func (a spans) touches(s Span) bool {
	i, _ := slices.BinarySearchFunc(a, s.Start, func(x Span, at time.Time) int {
		if x.End.After(at) { // it ends later: here or before
			return 1
		}
		return -1
	})
	return i < len(a) && a[i].Start.Before(s.End)
}

// longest period that can be evaluated: time.Duration ends at 292 years.
const longestPeriod = 100 * 366 * 24 * time.Hour

func (s Span) badPeriod() bool {
	if s.Start.Year() < 1 || s.End.Year() > 9999 { // what RFC 3339 can write
		return true
	}
	return s.Start.IsZero() || !s.Start.Before(s.End) || cmp.Compare(s.End.Sub(s.Start), longestPeriod) > 0
}
