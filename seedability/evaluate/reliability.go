package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// ReliabilityOptions; the zero value takes what is written behind each.
type ReliabilityOptions struct {
	// Bins of equal width, a divisor of the resolution: 10.
	Bins int
	// Cycles of resampling for the consistency bars: 1000. At most 100 000.
	Cycles int
	// Level is the share of a reliable forecaster's frequencies inside a bar: 0.9,
	// so from 5 to 95 in a hundred, as Bröcker and Smith draw them.
	Level float64
	// MinimumCount: bins with fewer forecasts are marked as sparse: 10; common
	// practice, no source.
	MinimumCount int64
	Seed         uint64
	// Workers: all processors.
	Workers int
}

// ReliabilityBin is one point of the diagram.
type ReliabilityBin struct {
	// Low and High edge; High belongs to the next bin, but for 1.
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Count int64   `json:"count"`
	// Events among the Count.
	Events int64 `json:"events"`
	// MeanForecast is where to plot the point, not the middle of the bin.
	MeanForecast      Value `json:"mean_forecast"`
	ObservedFrequency Value `json:"observed_frequency"`
	// Consistency is where the observed frequency of a reliable forecaster would lie.
	Consistency Interval `json:"consistency"`
	// Outside the bar.
	Outside bool `json:"outside"`
	// Sparse bins have too few forecasts to be shown.
	Sparse bool `json:"sparse"`
}

// Reliability is the data of a reliability diagram.
type Reliability struct {
	Counts   Counts           `json:"counts"`
	BaseRate Value            `json:"base_rate"`
	Bins     []ReliabilityBin `json:"bins"`
	Level    float64          `json:"level"`
	Cycles   int              `json:"cycles"`
	Seed     uint64           `json:"seed,string"`
	// Shown bins are those that are not sparse, Outside how many of them lie
	// outside of their bar. A reliable forecaster has about (1 - Level) of them.
	Shown   int `json:"shown"`
	Outside int `json:"outside"`
	// Caution that goes with the bars.
	Caution string `json:"caution"`
}

// CautionConsistency goes with consistency bars.
const CautionConsistency = "Consistency bars take forecasts as independent; hours of one storm are not, so a reliable forecaster falls outside more often than the level says."

// Reliability makes the diagram. The bars are those of Bröcker and Smith (2007,
// Wea. Forecasting 22, 651): in each cycle the forecasts are drawn anew from those
// that were made, outcomes are drawn so that every forecast is right as a
// probability, and the observed frequency of each bin is noted.
//
// Here counts are drawn, which is the same: how many forecasts fall in each bin is
// multinomial; each of them is one of the bin's forecasts at random and then an
// event by its probability, so an event with the bin's mean forecast, and how many
// are is binomial.
func (a *Probability) Reliability(o ReliabilityOptions) (Reliability, error) {
	if o.Bins == 0 {
		o.Bins = 10
	}
	if o.Cycles == 0 {
		o.Cycles = 1000
	}
	if o.Level == 0 {
		o.Level = 0.9
	}
	if o.MinimumCount == 0 {
		o.MinimumCount = 10
	}
	r := Reliability{Counts: a.Counts(), Level: o.Level, Cycles: o.Cycles, Seed: o.Seed, Caution: CautionConsistency}
	if err := a.checkBins(o.Bins); err != nil {
		return r, fmt.Errorf("reliability diagram: %w", err)
	}
	if o.Cycles > 20_000_000/o.Bins {
		return r, fmt.Errorf("reliability diagram: %d cycles of %d bins need too much memory", o.Cycles, o.Bins)
	}
	if o.Cycles < 1 || o.Cycles > 100_000 || !(o.Level > 0 && o.Level < 1) {
		return r, fmt.Errorf("reliability diagram: %d cycles outside 1 to 100000, or level %v outside 0 to 1", o.Cycles, o.Level)
	}
	r.BaseRate = quotient(float64(a.events()), float64(r.Counts.Used), whyNoPairs)
	r.Bins = make([]ReliabilityBin, o.Bins)
	sums := make([]float64, o.Bins)
	for j := range r.Bins {
		r.Bins[j].Low, r.Bins[j].High = float64(j)/float64(o.Bins), float64(j+1)/float64(o.Bins)
	}
	for k := range a.bins {
		b := &a.bins[k]
		j := a.coarse(k, o.Bins)
		r.Bins[j].Count += b.n
		r.Bins[j].Events += b.events
		sums[j] += float64(b.n)*a.edges[k] + b.sumD
	}
	bars := consistencyBars(r.Bins, sums, o)
	for j := range r.Bins {
		b := &r.Bins[j]
		b.MeanForecast = quotient(sums[j], float64(b.Count), "no forecast in this bin")
		b.ObservedFrequency = quotient(float64(b.Events), float64(b.Count), "no forecast in this bin")
		b.Consistency = bars[j]
		b.Sparse = b.Count < o.MinimumCount
		b.Outside = b.Consistency.Known() && (b.ObservedFrequency.Value < b.Consistency.Low || b.ObservedFrequency.Value > b.Consistency.High)
		if !b.Sparse {
			r.Shown++
			if b.Outside {
				r.Outside++
			}
		}
	}
	return r, nil
}

func consistencyBars(bins []ReliabilityBin, sums []float64, o ReliabilityOptions) []Interval {
	frequency := make([][]float64, len(bins)) // of each bin, by cycle; NaN where no forecast fell in it
	var total int64
	for j, b := range bins {
		if b.Count > 0 {
			frequency[j] = make([]float64, o.Cycles)
		}
		total += b.Count
	}
	inParallel(o.Cycles, o.Workers, func(from, to int) {
		for cycle := from; cycle < to; cycle++ {
			source := replicateSource(o.Seed, cycle)
			left, among := float64(total), float64(total)
			for j, b := range bins {
				if b.Count == 0 {
					continue
				}
				count := float64(b.Count)
				drawn := binomial(source, left, count/among)
				left -= drawn
				among -= count
				frequency[j][cycle] = binomial(source, drawn, sums[j]/count) / drawn // NaN for 0/0
			}
		}
	})
	bars := make([]Interval, len(bins))
	for j := range bars {
		if frequency[j] == nil {
			bars[j] = noInterval("no forecast in this bin")
			continue
		}
		f := slices.DeleteFunc(frequency[j], math.IsNaN)
		slices.Sort(f)
		if len(f) == 0 {
			bars[j] = noInterval("no cycle drew a forecast in this bin")
			continue
		}
		bars[j] = intervalOf(quantile(f, (1-o.Level)/2), quantile(f, (1+o.Level)/2))
	}
	return bars
}

// binomial draws how many of n trials succeed.
func binomial(source rand.Source, n, p float64) float64 {
	switch {
	case n <= 0 || p <= 0:
		return 0
	case p >= 1:
		return n
	}
	return distuv.Binomial{N: n, P: p, Src: source}.Rand()
}

func (r Reliability) String() string {
	return fmt.Sprintf("%s, base rate %s, %d of %d bins with enough forecasts lie outside their %.0f %% consistency bar", r.Counts, r.BaseRate, r.Outside, r.Shown, 100*r.Level)
}
