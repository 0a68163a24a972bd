package evaluate

import (
	"fmt"
	"math"
)

// DefaultResolution is how finely a Probability tells forecasts apart: steps of a
// thousandth, so that a score of 0 to 100 with one decimal is held exactly.
const DefaultResolution = 1000

// maxResolution keeps an accumulator below half a megabyte.
const maxResolution = 10000

// Probability adds up probability forecasts of a yes-or-no event, in memory that
// does not grow with their number. The sums give the Brier score to rounding,
// whatever the bins; ROC and contingency tables are exact where forecasts are
// multiples of 1/resolution, and else state their error. Accumulators merge, so
// that storm days are added up apart.
//
// One accumulator is not for several goroutines at once; give each its own. Its
// zero value is ready, with DefaultResolution.
type Probability struct {
	edges []float64 // k/resolution, the low edge of bin k
	bins  []fineBin // the last one is for forecasts of 1 alone
	bad   Counts    // Missing and Invalid
}

// fineBin has sums over the forecasts p in [k/resolution, (k+1)/resolution). They
// are of d = p - k/resolution, so that nothing is lost when a small variance is
// taken from large sums.
type fineBin struct {
	n, events              int64
	sumD, sumD2, sumDEvent float64
	minD, maxD             float64 // say whether all forecasts of the bin are the same
}

// NewProbability makes an accumulator with 1/resolution between its thresholds.
func NewProbability(resolution int) (*Probability, error) {
	if resolution < 1 || resolution > maxResolution {
		return nil, fmt.Errorf("probability forecasts: resolution %d is outside 1 to %d", resolution, maxResolution)
	}
	a := &Probability{}
	a.init(resolution)
	return a, nil
}

func (a *Probability) init(resolution int) {
	a.edges = make([]float64, resolution+1)
	for k := range a.edges {
		a.edges[k] = float64(k) / float64(resolution)
	}
	a.bins = make([]fineBin, resolution+1)
}

// reset empties the accumulator and keeps its memory.
func (a *Probability) reset() {
	clear(a.bins)
	a.bad = Counts{}
}

func (a *Probability) resolution() int { return len(a.bins) - 1 }

// Add counts one forecast p from 0 to 1 and whether the event happened. A NaN is
// counted as missing, anything else outside as invalid.
func (a *Probability) Add(p float64, happened bool) {
	if a.bins == nil {
		a.init(DefaultResolution)
	}
	if !(p >= 0 && p <= 1) {
		a.bad.refuse(p)
		return
	}
	m := len(a.bins) - 1
	k := int(p * float64(m))
	// The product may round across an edge: 0.29 x 100 is below 29.
	if k < m && p >= a.edges[k+1] {
		k++
	} else if p < a.edges[k] {
		k--
	}
	b := &a.bins[k]
	d := p - a.edges[k]
	if b.n == 0 {
		b.minD, b.maxD = d, d
	} else if d < b.minD {
		b.minD = d
	} else if d > b.maxD {
		b.maxD = d
	}
	b.n++
	b.sumD += d
	b.sumD2 += d * d
	if happened {
		b.events++
		b.sumDEvent += d
	}
}

// AddMissing counts a pair whose forecast or outcome is not known.
func (a *Probability) AddMissing() { a.bad.Missing++ }

// AddAll counts forecasts and outcomes, which are 1 where the event happened, 0
// where it did not, NaN where nobody knows.
func (a *Probability) AddAll(p, happened []float64) error {
	if len(p) != len(happened) {
		return fmt.Errorf("probability forecasts: %d forecasts and %d outcomes", len(p), len(happened))
	}
	for i, f := range p {
		if o := happened[i]; o == 0 || o == 1 {
			a.Add(f, o == 1)
		} else {
			a.bad.refuse(f, o)
		}
	}
	return nil
}

// Merge adds what another accumulator of the same resolution has.
func (a *Probability) Merge(other *Probability) error {
	if other == nil {
		return nil
	}
	a.bad.Missing += other.bad.Missing
	a.bad.Invalid += other.bad.Invalid
	if other.bins == nil {
		return nil
	}
	if a.bins == nil {
		a.init(other.resolution())
	}
	if len(a.bins) != len(other.bins) {
		return fmt.Errorf("probability forecasts: resolutions %d and %d do not merge", a.resolution(), other.resolution())
	}
	for k := range other.bins {
		from := &other.bins[k]
		if from.n == 0 {
			continue
		}
		to := &a.bins[k]
		if to.n == 0 {
			to.minD, to.maxD = from.minD, from.maxD
		}
		to.minD, to.maxD = min(to.minD, from.minD), max(to.maxD, from.maxD)
		to.n += from.n
		to.events += from.events
		to.sumD += from.sumD
		to.sumD2 += from.sumD2
		to.sumDEvent += from.sumDEvent
	}
	return nil
}

// Counts of pairs used, missing and invalid.
func (a *Probability) Counts() Counts {
	c := a.bad
	for k := range a.bins {
		c.Used += a.bins[k].n
	}
	return c
}

func (a *Probability) events() (n int64) {
	for k := range a.bins {
		n += a.bins[k].events
	}
	return n
}

// Table is the contingency table of "p is at least limit". The limit must be a
// multiple of 1/resolution.
func (a *Probability) Table(limit float64) (Table, error) {
	t := Table{Missing: a.bad.Missing + a.bad.Invalid}
	m := a.resolution()
	if a.bins == nil {
		m = DefaultResolution
	}
	first := math.Round(limit * float64(m))
	if !(limit >= 0 && limit <= 1) || math.Abs(first/float64(m)-limit) > 1e-12 {
		return Table{}, fmt.Errorf("contingency table: limit %v is not a multiple of 1/%d from 0 to 1", limit, m)
	}
	for k, b := range a.bins {
		if k >= int(first) {
			t.Hits += b.events
			t.FalseAlarms += b.n - b.events
		} else {
			t.Misses += b.events
			t.CorrectNegatives += b.n - b.events
		}
	}
	return t, nil
}

// coarse says which of a number of equal bins the fine bin k falls in; a forecast
// of 1 belongs to the last.
func (a *Probability) coarse(k, bins int) int { return min(k*bins/a.resolution(), bins-1) }

// checkBins: fine bins must not be cut.
func (a *Probability) checkBins(bins int) error {
	if m := a.resolution(); a.bins != nil && (bins < 1 || m%bins != 0) {
		return fmt.Errorf("probability forecasts: %d bins do not divide the resolution of %d", bins, m)
	}
	if bins < 1 || bins > maxResolution {
		return fmt.Errorf("probability forecasts: %d bins are outside 1 to %d", bins, maxResolution)
	}
	return nil
}
