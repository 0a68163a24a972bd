package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"
)

// Bounds of a bootstrap, so that no option asks for more memory or time than there is.
const (
	maxReplicates = 1_000_000
	maxBlocks     = 1_000_000
	maxDraws      = 4_000_000_000 // replicates times blocks
	maxJackknife  = 10_000        // blocks, since its time grows with their square
)

// maxUndefinedShare of the replicates may be undefined before there is no
// interval; common practice, no source.
const maxUndefinedShare = 0.05

// DefaultMinimumBlocks is how many storm days (or seasons) an interval needs:
// common practice, no source. With ten blocks of a normal mean the 95 % percentile
// interval covers 90 % only (see Estimate.Expanded).
const DefaultMinimumBlocks = 10

// BootstrapOptions; the zero value takes what is written behind each.
type BootstrapOptions struct {
	// Replicates: 2000.
	Replicates int
	// Level of the intervals: 0.95.
	Level float64
	Seed  uint64
	// MinimumBlocks below which there is a value and no interval:
	// DefaultMinimumBlocks. In every stratum.
	MinimumBlocks int
	// Workers: all processors. The result is the same for any number.
	Workers int
}

func (o *BootstrapOptions) defaults() error {
	if o.Replicates == 0 {
		o.Replicates = 2000
	}
	if o.Level == 0 {
		o.Level = 0.95
	}
	if o.MinimumBlocks == 0 {
		o.MinimumBlocks = DefaultMinimumBlocks
	}
	if o.Replicates < 1 || o.Replicates > maxReplicates {
		return fmt.Errorf("bootstrap: %d replicates are outside 1 to %d", o.Replicates, maxReplicates)
	}
	if !(o.Level > 0 && o.Level < 1) {
		return fmt.Errorf("bootstrap: level %v is outside 0 to 1", o.Level)
	}
	if o.MinimumBlocks < 2 {
		return fmt.Errorf("bootstrap: at least 2 blocks are needed for an interval, not %d", o.MinimumBlocks)
	}
	return nil
}

// Estimate is a value with the intervals that resampled blocks give.
type Estimate struct {
	Estimate Value `json:"estimate"`
	// Blocks that were resampled; Strata of them apart, such as seeded and unseeded.
	Blocks     int     `json:"blocks"`
	Strata     []int   `json:"strata"`
	Replicates int     `json:"replicates"`
	Undefined  int     `json:"undefined"` // replicates without a value, left out
	Level      float64 `json:"level"`
	Seed       uint64  `json:"seed,string"`
	// StandardError is the standard deviation of the replicates.
	StandardError Value `json:"standard_error"`
	// Percentile interval: the quantiles of the replicates. Too narrow with few blocks.
	Percentile Interval `json:"percentile"`
	// Expanded is the percentile interval widened for the number of blocks, so that
	// for a mean it is about that of Student's t (Hesterberg 2015, Amer. Stat. 69,
	// 371).
	Expanded Interval `json:"expanded"`
	// BCa corrects the percentile interval for bias and skewness (Efron 1987, J.
	// Amer. Stat. Assoc. 82, 171).
	BCa Interval `json:"bca"`
}

// manyBlocks from which on skewness matters more than small numbers; common
// practice, no source.
const manyBlocks = 30

// Recommended is the interval to show, and its name: the expanded one where a
// stratum has fewer than 30 blocks, else BCa if there is one.
func (e Estimate) Recommended() (Interval, string) {
	if len(e.Strata) > 0 && slices.Min(e.Strata) >= manyBlocks && e.BCa.Known() {
		return e.BCa, "BCa"
	}
	return e.Expanded, "expanded percentile"
}

func (e Estimate) String() string {
	s := fmt.Sprintf("%s from %s", e.Estimate, plural(e.Blocks, "block"))
	if len(e.Strata) > 1 {
		s += fmt.Sprintf(" %v", e.Strata)
	}
	interval, name := e.Recommended()
	if !interval.Known() {
		return s + "; " + interval.String()
	}
	return s + fmt.Sprintf(", %.3g %% interval %s (%s)", 100*e.Level, interval, name)
}

func (e *Estimate) noIntervals(format string, arguments ...any) {
	e.Percentile = noInterval(format, arguments...)
	e.Expanded, e.BCa = e.Percentile, e.Percentile
	e.StandardError = undefined(format, arguments...)
}

// Bootstrap resamples blocks (storm days, seasons) with replacement. There are
// strata[i] blocks in stratum i, numbered on from one stratum to the next; each is
// resampled by itself. statistic gets the numbers of the drawn blocks, the strata
// in order, and gives the value for them, NaN where it has none. It is called from
// several goroutines at once, and must not keep or change what it is given. It also
// gets draws that leave one block out, for the acceleration of the BCa interval.
//
// Blocks must be independent of each other for the intervals to mean anything:
// that is why they are days with their storms and not hours.
func Bootstrap(strata []int, statistic func(draw []int) float64, o BootstrapOptions) (Estimate, error) {
	e := Estimate{Strata: slices.Clone(strata)}
	if err := o.defaults(); err != nil {
		return e, err
	}
	e.Level, e.Seed = o.Level, o.Seed
	fewest := math.MaxInt
	for i, n := range strata {
		if n < 0 || n > maxBlocks || e.Blocks+n > maxBlocks {
			return e, fmt.Errorf("bootstrap: stratum %d has %d blocks; all must have 0 to %d together", i, n, maxBlocks)
		}
		e.Blocks += n
		fewest = min(fewest, n)
	}
	if e.Blocks > 0 && o.Replicates > maxDraws/e.Blocks {
		return e, fmt.Errorf("bootstrap: %d replicates of %d blocks are more than %d draws", o.Replicates, e.Blocks, int64(maxDraws))
	}
	if e.Blocks == 0 {
		e.Estimate = undefined("no blocks")
		e.noIntervals("no blocks")
		return e, nil
	}
	all := make([]int, e.Blocks)
	for i := range all {
		all[i] = i
	}
	theta := statistic(all)
	if !finite(theta) {
		e.Estimate = undefined("the statistic of all blocks is not defined")
		e.noIntervals("the value is not defined")
		return e, nil
	}
	e.Estimate = valueOf(theta)
	if fewest < o.MinimumBlocks {
		e.noIntervals("too few to say how sure this is: %s, %d needed", plural(fewest, "storm day or season"), o.MinimumBlocks)
		return e, nil
	}
	e.Replicates = o.Replicates
	replicates := make([]float64, o.Replicates)
	inParallel(o.Replicates, o.Workers, func(from, to int) {
		draw := make([]int, e.Blocks)
		for r := from; r < to; r++ {
			random := rand.New(replicateSource(o.Seed, r))
			first, at := 0, 0
			for _, n := range strata {
				for range n {
					draw[at] = first + random.IntN(n)
					at++
				}
				first += n
			}
			replicates[r] = statistic(draw)
		}
	})
	replicates = slices.DeleteFunc(replicates, func(x float64) bool { return !finite(x) })
	e.Undefined = o.Replicates - len(replicates)
	if share := float64(e.Undefined) / float64(o.Replicates); share > maxUndefinedShare {
		e.noIntervals("%.0f %% of the resampled sets have no value", 100*share)
		return e, nil
	}
	slices.Sort(replicates)
	if replicates[0] == replicates[len(replicates)-1] {
		e.noIntervals("every resampled set gives the same value: the blocks say nothing of its spread")
		return e, nil
	}
	e.StandardError = valueOf(standardDeviation(replicates))
	low, high := (1-o.Level)/2, (1+o.Level)/2
	e.Percentile = intervalOf(quantile(replicates, low), quantile(replicates, high))
	// The percentile interval of a mean lacks the factor n/(n-1) of the variance and
	// the tails of Student's t.
	n := float64(fewest)
	wide := normalCDF(sqrt(n/(n-1)) * studentQuantile(high, n-1))
	e.Expanded = intervalOf(quantile(replicates, 1-wide), quantile(replicates, wide))
	if e.Blocks > maxJackknife {
		e.BCa = noInterval("%d blocks are too many for the jackknife", e.Blocks)
		return e, nil
	}
	e.BCa = bca(theta, replicates, jackknife(strata, statistic, o.Workers), low, high)
	return e, nil
}

// jackknife gives the statistic without each block in turn, by stratum.
func jackknife(strata []int, statistic func(draw []int) float64, workers int) [][]float64 {
	blocks := 0
	for _, n := range strata {
		blocks += n
	}
	values := make([]float64, blocks)
	inParallel(blocks, workers, func(from, to int) {
		draw := make([]int, blocks-1)
		for without := from; without < to; without++ {
			at := 0
			for i := range blocks {
				if i != without {
					draw[at] = i
					at++
				}
			}
			values[without] = statistic(draw)
		}
	})
	parts := make([][]float64, len(strata))
	for i, n := range strata {
		parts[i], values = values[:n], values[n:]
	}
	return parts
}

// bca moves the ends of the percentile interval by the median bias z0 and the
// acceleration a (Efron 1987). The acceleration over several strata sums their
// influence, each weighed by its number of blocks.
func bca(theta float64, sorted []float64, jackknifed [][]float64, low, high float64) Interval {
	below, _ := slices.BinarySearch(sorted, theta)
	upTo := below
	for upTo < len(sorted) && sorted[upTo] == theta {
		upTo++
	}
	z0 := normalQuantile((float64(below) + float64(upTo)) / 2 / float64(len(sorted)))
	if !finite(z0) {
		return noInterval("all resampled sets lie on one side of the value")
	}
	var cubes, squares float64
	for _, values := range jackknifed {
		n := float64(len(values))
		mean := 0.0
		for _, x := range values {
			mean += x / n
		}
		for _, x := range values {
			u := (n - 1) * (mean - x)
			cubes += u * u * u / (n * n * n)
			squares += u * u / (n * n)
		}
	}
	a := cubes / (6 * squares * sqrt(squares))
	if !finite(a) {
		return noInterval("the value does not change, or is not defined, when a block is left out")
	}
	end := func(p float64) float64 {
		z := z0 + normalQuantile(p)
		if a*z >= 1 {
			return nan // beyond where Efron's formula holds
		}
		return quantile(sorted, normalCDF(z0+z/(1-a*z)))
	}
	if l, h := end(low), end(high); !finite(l, h) {
		return noInterval("the replicates are too skewed for this interval")
	}
	return intervalOf(end(low), end(high))
}

// standardDeviation of a sample, by n - 1.
func standardDeviation(values []float64) float64 {
	var mean, squares float64
	for i, x := range values {
		d := x - mean
		mean += d / float64(i+1)
		squares += d * (x - mean)
	}
	return sqrt(squares / float64(len(values)-1))
}

// BootstrapTables gives a score of the sum of tables, one a storm day, with its
// intervals.
func BootstrapTables(days []Table, score func(Table) Value, o BootstrapOptions) (Estimate, error) {
	sum := func(draw []int) Value {
		var t Table
		for _, i := range draw {
			t.Merge(days[i])
		}
		return score(t)
	}
	return bootstrapValue(len(days), sum, o)
}

// BootstrapProbability gives a score of merged accumulators, one a storm day, with
// its intervals. They must have one resolution.
func BootstrapProbability(days []*Probability, score func(*Probability) Value, o BootstrapOptions) (Estimate, error) {
	resolution := 0
	for i, d := range days {
		if d == nil || d.bins == nil {
			continue
		}
		if resolution == 0 {
			resolution = d.resolution()
		}
		if d.resolution() != resolution {
			return Estimate{}, fmt.Errorf("bootstrap: day %d has resolution %d, others have %d", i, d.resolution(), resolution)
		}
	}
	if resolution == 0 {
		resolution = DefaultResolution
	}
	pool := sync.Pool{New: func() any {
		a, _ := NewProbability(resolution) // the resolution is that of one that exists
		return a
	}}
	sum := func(draw []int) Value {
		a := pool.Get().(*Probability)
		defer pool.Put(a)
		a.reset()
		for _, i := range draw {
			if err := a.Merge(days[i]); err != nil {
				return undefined("%v", err)
			}
		}
		return score(a)
	}
	return bootstrapValue(len(days), sum, o)
}

// bootstrapValue keeps the reason why the value of all blocks is not defined.
func bootstrapValue(blocks int, sum func(draw []int) Value, o BootstrapOptions) (Estimate, error) {
	e, err := Bootstrap([]int{blocks}, func(draw []int) float64 { return sum(draw).Float() }, o)
	if err == nil && blocks > 0 && !e.Estimate.Known() {
		all := make([]int, blocks)
		for i := range all {
			all[i] = i
		}
		if v := sum(all); v.Why != "" {
			e.Estimate.Why = v.Why
		}
	}
	return e, err
}

// StormDay is the start of the 24 hours that a moment belongs to, which begin at
// boundary after midnight UTC. Storms of western North America seldom break at 12
// UTC, which is early morning there; common practice, no source. A storm of three
// days still gives three blocks that resemble each other.
func StormDay(at time.Time, boundary time.Duration) time.Time {
	return at.UTC().Add(-boundary).Truncate(24 * time.Hour).Add(boundary)
}
