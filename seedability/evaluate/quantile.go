package evaluate

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

func sqrt(x float64) float64 { return math.Sqrt(x) }
func exp(x float64) float64  { return math.Exp(x) }

// quantile of values that are sorted, by linear interpolation between order
// statistics: type 7 of Hyndman and Fan (1996, Amer. Stat. 50, 361).
func quantile(sorted []float64, p float64) float64 {
	n := len(sorted)
	if n == 0 || math.IsNaN(p) {
		return nan
	}
	h := min(max(p, 0), 1) * float64(n-1)
	i := min(int(h), n-1)
	if i == n-1 {
		return sorted[n-1]
	}
	return sorted[i] + (h-float64(i))*(sorted[i+1]-sorted[i])
}

// normalQuantile and normalCDF are of the standard normal distribution.
func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }
func normalCDF(x float64) float64      { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// studentQuantile is the p-quantile (p from a half on) of Student's t.
func studentQuantile(p, degreesOfFreedom float64) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: degreesOfFreedom}.Quantile(p)
}

// studentTwoSided is the probability of a t at least as far from nought.
func studentTwoSided(t, degreesOfFreedom float64) float64 {
	return min(2*distuv.StudentsT{Sigma: 1, Nu: degreesOfFreedom}.CDF(-math.Abs(t)), 1)
}

// Distribution sums up a set of numbers.
type Distribution struct {
	Counts Counts `json:"counts"`
	Mean   Value  `json:"mean"`
	Min    Value  `json:"min"`
	Q10    Value  `json:"q10"`
	Q25    Value  `json:"q25"`
	Median Value  `json:"median"`
	Q75    Value  `json:"q75"`
	Q90    Value  `json:"q90"`
	Max    Value  `json:"max"`
}

// Distribute sums up numbers: NaN is missing, an infinity invalid. Quantiles are
// interpolated linearly between order statistics.
func Distribute(values []float64) Distribution {
	var d Distribution
	sorted := make([]float64, 0, len(values))
	for _, x := range values {
		if !finite(x) {
			d.Counts.refuse(x)
			continue
		}
		sorted = append(sorted, x)
	}
	d.Counts.Used = int64(len(sorted))
	if len(sorted) == 0 {
		none := undefined("no cases")
		d.Mean, d.Min, d.Q10, d.Q25, d.Median, d.Q75, d.Q90, d.Max = none, none, none, none, none, none, none, none
		return d
	}
	slices.Sort(sorted)
	mean := 0.0
	for i, x := range sorted {
		mean += (x - mean) / float64(i+1)
	}
	d.Mean = valueOf(mean)
	for _, q := range []struct {
		to *Value
		p  float64
	}{{&d.Min, 0}, {&d.Q10, 0.1}, {&d.Q25, 0.25}, {&d.Median, 0.5}, {&d.Q75, 0.75}, {&d.Q90, 0.9}, {&d.Max, 1}} {
		*q.to = valueOf(quantile(sorted, q.p))
	}
	return d
}

func (d Distribution) String() string {
	if d.Counts.Used == 0 {
		return d.Counts.String()
	}
	return fmt.Sprintf("%s, median %s (10 to 90 in a hundred: %s to %s), mean %s, least %s, greatest %s", d.Counts, d.Median, d.Q10, d.Q90, d.Mean, d.Min, d.Max)
}
