package evaluate

import (
	"fmt"
	"slices"
)

// maxROCPoints bounds the points of a curve that is made from single forecasts.
const maxROCPoints = 1001

// ROCPoint is one point of the curve: the event is taken as forecast where the
// probability is at least Limit.
type ROCPoint struct {
	Limit float64 `json:"limit"`
	POD   float64 `json:"pod"`
	POFD  float64 `json:"pofd"`
}

// ROC is the relative operating characteristic: POD against POFD over all limits.
// It tells whether forecasts are higher when the event comes, not whether they are
// right as probabilities.
type ROC struct {
	Counts    Counts `json:"counts"`
	Events    int64  `json:"events"`
	NonEvents int64  `json:"non_events"`
	// Area under the curve by trapezoids: 1 is perfect, 0.5 without skill.
	Area Value `json:"area"`
	// AreaMannWhitney is the share of pairs of an event and a non-event in which the
	// event had the higher forecast, a tie counting half. It must equal Area but for
	// rounding; both are given as a check of each other.
	AreaMannWhitney Value `json:"area_mann_whitney"`
	// BinningError is how far the area may be from that of the unbinned forecasts;
	// 0 where every bin holds one value, or for forecasts given one by one.
	BinningError Value `json:"binning_error"`
	// Points from (0, 0) to (1, 1), limits falling. The first has no forecast at or
	// above its limit; its Limit is that of the second.
	Points []ROCPoint `json:"points"`
	// Thinned says that not every limit has its point; areas are from all of them.
	Thinned bool `json:"thinned,omitempty"`
}

func (r *ROC) undefined(why string) {
	r.Area, r.AreaMannWhitney, r.BinningError = undefined("%s", why), undefined("%s", why), undefined("%s", why)
}

// rocStep has the events and non-events with the same forecast.
type rocStep struct {
	limit       float64
	events, non int64
}

// build makes the curve of steps whose limits fall.
func (r *ROC) build(steps []rocStep) {
	r.Points = []ROCPoint{}
	for _, s := range steps {
		r.Events += s.events
		r.NonEvents += s.non
	}
	switch {
	case r.Events+r.NonEvents == 0:
		r.undefined(whyNoPairs)
		return
	case r.Events == 0:
		r.undefined(whyNoEvents)
		return
	case r.NonEvents == 0:
		r.undefined(whyNoNonEvents)
		return
	}
	e, non := float64(r.Events), float64(r.NonEvents)
	every := (len(steps) + maxROCPoints - 2) / (maxROCPoints - 1)
	r.Thinned = every > 1
	r.Points = append(r.Points, ROCPoint{Limit: steps[0].limit})
	var events, nons int64
	var area, wins float64
	for i, s := range steps {
		pod, pofd := float64(events)/e, float64(nons)/non
		// Non-events of lower forecasts lose against these events.
		wins += float64(s.events) * (float64(r.NonEvents-nons-s.non) + float64(s.non)/2)
		events += s.events
		nons += s.non
		newPOD, newPOFD := float64(events)/e, float64(nons)/non
		area += (newPOFD - pofd) * (newPOD + pod) / 2
		if i%every == every-1 || i == len(steps)-1 {
			r.Points = append(r.Points, ROCPoint{Limit: s.limit, POD: newPOD, POFD: newPOFD})
		}
	}
	r.Area, r.AreaMannWhitney = valueOf(area), valueOf(wins/e/non)
}

// ROC of the forecasts, with a limit at the low edge of every bin that is used.
func (a *Probability) ROC() ROC {
	r := ROC{Counts: a.Counts()}
	var steps []rocStep
	var doubt float64
	for k := len(a.bins) - 1; k >= 0; k-- {
		b := &a.bins[k]
		if b.n == 0 {
			continue
		}
		steps = append(steps, rocStep{limit: a.edges[k], events: b.events, non: b.n - b.events})
		// Forecasts of one bin that are all the same are true ties; others have an
		// order that is not known any more.
		if b.minD < b.maxD {
			doubt += float64(b.events) * float64(b.n-b.events) / 2
		}
	}
	r.build(steps)
	if r.Area.Known() {
		r.BinningError = valueOf(doubt / float64(r.Events) / float64(r.NonEvents))
	}
	return r
}

// ROCOf makes the curve of forecasts given one by one: any numbers for which more
// means likelier, not probabilities alone. Outcomes are 1, 0, or NaN where nobody
// knows. Memory and time grow with their number, as n log n.
func ROCOf(forecast, happened []float64) (ROC, error) {
	var r ROC
	if len(forecast) != len(happened) {
		return r, fmt.Errorf("roc: %d forecasts and %d outcomes", len(forecast), len(happened))
	}
	type pair struct {
		forecast float64
		happened bool
	}
	pairs := make([]pair, 0, len(forecast))
	for i, f := range forecast {
		o := happened[i]
		if !finite(f) || o != 0 && o != 1 {
			r.Counts.refuse(f, o)
			continue
		}
		pairs = append(pairs, pair{f, o == 1})
	}
	r.Counts.Used = int64(len(pairs))
	slices.SortFunc(pairs, func(a, b pair) int {
		switch {
		case a.forecast > b.forecast:
			return -1
		case a.forecast < b.forecast:
			return 1
		}
		return 0
	})
	var steps []rocStep
	for i, p := range pairs {
		if i == 0 || p.forecast != pairs[i-1].forecast {
			steps = append(steps, rocStep{limit: p.forecast})
		}
		if s := &steps[len(steps)-1]; p.happened {
			s.events++
		} else {
			s.non++
		}
	}
	r.build(steps)
	if r.Area.Known() {
		r.BinningError = valueOf(0)
	}
	return r, nil
}

func (r ROC) String() string {
	s := fmt.Sprintf("%s (%d events), ROC area %s", r.Counts, r.Events, r.Area)
	if r.BinningError.Known() && r.BinningError.Value >= 0.00005 {
		s += fmt.Sprintf(" (binning may shift it by %s)", r.BinningError)
	}
	return s
}
