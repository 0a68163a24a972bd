package evaluate

import (
	"fmt"
	"math"
	"slices"
)

// CRPS is the continuous ranked probability score of one ensemble, in the unit of
// its members: the mean of |x - y| less half the mean of |x - x'|. The empirical
// form takes the members as the whole distribution (Hersbach 2000, Wea. Forecasting
// 15, 559); the fair one as a sample of it, so that ensembles of different size can
// be compared (Ferro 2014, Q. J. R. Meteorol. Soc. 140, 1917). It is 0 for a
// perfect forecast, and |x - y| for a single member, of which no fair form exists.
//
// Members that are NaN are left out.
func CRPS(members []float64, observed float64) (empirical, fair Value) {
	var c CRPSMean
	c.Add(members, observed)
	r := c.Result()
	return r.Empirical, r.Fair
}

// CRPSMean adds up the CRPS of many ensembles. NewCRPSMean makes one that looks at
// a range of values alone; the zero value looks at all.
type CRPSMean struct {
	bounded        bool
	low, high      float64
	counts         Counts
	fairUsed       int64
	membersMissing int64
	empirical      float64
	fair           float64
	absoluteError  float64
	scratch        []float64
}

// NewCRPSMean weighs thresholds from low to high alone (either may be infinite):
// the threshold-weighted CRPS of Gneiting and Ranjan (2011, J. Bus. Econ. Stat.
// 29, 411), by clamping members and observation to the range (Allen, Ginsbourger
// and Ziegel 2023, SIAM/ASA J. Uncertain. Quantif. 11, 906). From 2.5 mm/h to +Inf,
// for example, for precipitation that is moderate and more.
func NewCRPSMean(low, high float64) (*CRPSMean, error) {
	if !(low < high) {
		return nil, fmt.Errorf("crps: range %v to %v is empty", low, high)
	}
	return &CRPSMean{bounded: true, low: low, high: high}, nil
}

func (c *CRPSMean) clamp(x float64) float64 {
	if c.bounded {
		return min(max(x, c.low), c.high)
	}
	return x
}

// Add counts one ensemble and what was observed.
func (c *CRPSMean) Add(members []float64, observed float64) {
	x := c.scratch[:0]
	if cap(x) < len(members) {
		x = make([]float64, 0, len(members))
	}
	invalid := math.IsInf(observed, 0)
	missing := 0
	for _, m := range members {
		switch {
		case math.IsNaN(m):
			missing++
		case math.IsInf(m, 0):
			invalid = true
		default:
			x = append(x, c.clamp(m))
		}
	}
	c.scratch = x
	switch {
	case math.IsNaN(observed) || len(x) == 0 && !invalid:
		c.counts.Missing++
		return
	case invalid:
		c.counts.Invalid++
		return
	}
	slices.Sort(x)
	y := c.clamp(observed)
	m := float64(len(x))
	var distance, spread float64 // mean |x - y|; sum over pairs of |x - x'|
	for i, v := range x {
		distance += math.Abs(v-y) / m
		spread += (2*float64(i) - m + 1) * v
	}
	// spread is half of the sum over ordered pairs.
	c.counts.Used++
	c.membersMissing += int64(missing)
	c.empirical += distance - spread/(m*m)
	if len(x) > 1 {
		c.fairUsed++
		c.fair += distance - spread/(m*(m-1))
	}
	median := (x[(len(x)-1)/2] + x[len(x)/2]) / 2
	c.absoluteError += math.Abs(median - y)
}

// Merge adds the sums of another; both must look at the same range.
func (c *CRPSMean) Merge(other *CRPSMean) error {
	if other == nil {
		return nil
	}
	if c.bounded != other.bounded || c.low != other.low || c.high != other.high {
		return fmt.Errorf("crps: ranges %v to %v and %v to %v do not merge", c.low, c.high, other.low, other.high)
	}
	c.counts.Used += other.counts.Used
	c.counts.Missing += other.counts.Missing
	c.counts.Invalid += other.counts.Invalid
	c.fairUsed += other.fairUsed
	c.membersMissing += other.membersMissing
	c.empirical += other.empirical
	c.fair += other.fair
	c.absoluteError += other.absoluteError
	return nil
}

// CRPSResult is a mean over ensembles, in the unit of their members.
type CRPSResult struct {
	Counts Counts `json:"counts"`
	// MembersMissing were left out of ensembles that were used.
	MembersMissing int64 `json:"members_missing"`
	Empirical      Value `json:"empirical"`
	// Fair is over the FairUsed ensembles that had two members or more.
	Fair     Value `json:"fair"`
	FairUsed int64 `json:"fair_used"`
	// MedianAbsoluteError is the mean distance of the ensemble median from the
	// observation, which a distribution should beat.
	MedianAbsoluteError Value `json:"median_absolute_error"`
	// From and To bound the thresholds that count; null where they do not.
	From Number `json:"from"`
	To   Number `json:"to"`
}

// Result of what was added so far.
func (c *CRPSMean) Result() CRPSResult {
	n := float64(c.counts.Used)
	r := CRPSResult{
		Counts: c.counts, MembersMissing: c.membersMissing, FairUsed: c.fairUsed,
		Empirical:           quotient(c.empirical, n, "no cases"),
		Fair:                quotient(c.fair, float64(c.fairUsed), "no ensemble of two members or more"),
		MedianAbsoluteError: quotient(c.absoluteError, n, "no cases"),
		From:                Number(nan), To: Number(nan),
	}
	if c.bounded {
		r.From, r.To = Number(c.low), Number(c.high)
	}
	return r
}

func (r CRPSResult) String() string {
	return fmt.Sprintf("%s, CRPS %s, fair %s, absolute error of the median %s", r.Counts, r.Empirical, r.Fair, r.MedianAbsoluteError)
}

// Pinball is the score of a forecast quantile, in its unit: the smaller the
// better, and least on average for the true quantile (Koenker and Bassett 1978,
// Econometrica 46, 33). NaN where the level is not between 0 and 1.
func Pinball(level, forecast, observed float64) float64 {
	if !(level > 0 && level < 1) {
		return nan
	}
	if observed >= forecast {
		return level * (observed - forecast)
	}
	return (1 - level) * (forecast - observed)
}

// PinballResult is a mean over cases.
type PinballResult struct {
	Counts Counts  `json:"counts"`
	Level  float64 `json:"level"`
	Score  Value   `json:"score"`
	// Below is the share of observations below the forecast; Level for a reliable one.
	Below Value `json:"below"`
}

// PinballOf scores forecasts of one quantile.
func PinballOf(level float64, forecast, observed []float64) (PinballResult, error) {
	r := PinballResult{Level: level}
	if len(forecast) != len(observed) {
		return r, fmt.Errorf("pinball score: %d forecasts and %d observations", len(forecast), len(observed))
	}
	if !(level > 0 && level < 1) {
		return PinballResult{}, fmt.Errorf("pinball score: level %v is outside 0 to 1", level)
	}
	var sum, below float64
	for i, f := range forecast {
		if !finite(f, observed[i]) {
			r.Counts.refuse(f, observed[i])
			continue
		}
		r.Counts.Used++
		sum += Pinball(level, f, observed[i])
		if observed[i] < f {
			below++
		}
	}
	n := float64(r.Counts.Used)
	r.Score, r.Below = quotient(sum, n, "no cases"), quotient(below, n, "no cases")
	return r, nil
}

func (r PinballResult) String() string {
	return fmt.Sprintf("%s, pinball score of the %.3g quantile %s, observations below it %s", r.Counts, r.Level, r.Score, r.Below)
}
