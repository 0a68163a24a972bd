package conditions

import (
	"fmt"
	"math"
	"time"

	"rimeline/seedability/hold"
)

// tally finds the highest rate of an area, and how much of it was seen.
type tally struct {
	all, seen   float64 // areas
	highest     float64
	liquid      float64 // greatest share of rain where the rate counts
	liquidKnown bool
	counting    int
	oldest      time.Time
}

func newTally() *tally { return &tally{highest: math.NaN(), liquid: math.NaN(), liquidKnown: true} }

// notSeen takes a part of the area of which nothing is known.
func (t *tally) notSeen(area float64) { t.all += area }

// add takes a part with a rate; liquid is asked where the rate counts.
func (t *tally) add(area, mmPerH float64, at time.Time, liquid func() float64) {
	t.all, t.seen = t.all+area, t.seen+area
	if !(mmPerH <= t.highest) {
		t.highest = mmPerH
	}
	if !at.IsZero() && (t.oldest.IsZero() || at.Before(t.oldest)) {
		t.oldest = at
	}
	if mmPerH < CountingMMPerH {
		return
	}
	t.counting++
	share := liquid()
	if math.IsNaN(share) {
		t.liquidKnown = false
	} else if !(share <= t.liquid) {
		t.liquid = share
	}
}

// precipitation is false where nothing was seen. The share of rain is the greatest
// of the parts with a rate that counts, and not known where that of one of them is
// not: that part may be the wettest.
func (t *tally) precipitation(place, from string) (hold.Precipitation, bool) {
	if !(t.seen > 0) {
		return hold.Precipitation{}, false
	}
	p := hold.Precipitation{Place: place, From: from, MMPerH: t.highest, LiquidShare: math.NaN(), CoveredShare: math.Min(t.seen/t.all, 1), Time: t.oldest.UTC()}
	if t.liquidKnown {
		p.LiquidShare = t.liquid
	}
	return p, true
}

func percent(share float64) string { return fmt.Sprintf("%.0f %%", 100*share) }
