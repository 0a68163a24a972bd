package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync/atomic"
	"testing"
	"time"
)

// meanOfDraw is the statistic "mean of the drawn blocks".
func meanOfDraw(x []float64) func([]int) float64 {
	return func(draw []int) float64 {
		sum := 0.0
		for _, i := range draw {
			sum += x[i]
		}
		return sum / float64(len(draw))
	}
}

func ExampleBootstrapTables() {
	// Three good days and many poor ones: the season's POD is less sure than its 300
	// pairs suggest.
	days := make([]Table, 20)
	for i := range days {
		days[i] = Table{Hits: 5, Misses: 5, FalseAlarms: 2, CorrectNegatives: 3}
		if i%7 == 0 {
			days[i].Hits, days[i].Misses = 10, 0
		}
	}
	e, _ := BootstrapTables(days, Table.POD, BootstrapOptions{Seed: 1})
	fmt.Println(e)
	few, _ := BootstrapTables(days[:4], Table.POD, BootstrapOptions{Seed: 1})
	fmt.Println(few)
	// Output:
	// 0.575 from 20 blocks, 95 % interval 0.5 to 0.675 (expanded percentile)
	// 0.625 from 4 blocks; no interval: too few to say how sure this is: 4 storm days or seasons, 10 needed
}

func TestBootstrapGolden(t *testing.T) {
	g := goldenTable(t).Bootstrap
	o := BootstrapOptions{Replicates: 100_000, Seed: 11}
	variance := func(draw []int) float64 {
		m := meanOfDraw(g.One)(draw)
		sum := 0.0
		for _, i := range draw {
			sum += (g.One[i] - m) * (g.One[i] - m)
		}
		return sum / float64(len(draw))
	}
	both := append(slices.Clone(g.Seeded), g.Unseeded...)
	ratio := func(draw []int) float64 {
		var sum, n [2]float64
		for _, i := range draw {
			k := 0
			if i >= len(g.Seeded) {
				k = 1
			}
			sum[k] += both[i]
			n[k]++
		}
		return sum[0] / n[0] / (sum[1] / n[1])
	}
	for _, test := range []struct {
		name            string
		strata          []int
		statistic       func([]int) float64
		percentile, bca [2]float64
		standardError   float64
	}{
		{"mean", []int{len(g.One)}, meanOfDraw(g.One), g.MeanPercentile, g.MeanBCa, g.MeanError},
		{"variance", []int{len(g.One)}, variance, g.VariancePercentile, g.VarianceBCa, g.VarianceError},
		{"ratio", []int{len(g.Seeded), len(g.Unseeded)}, ratio, g.RatioPercentile, g.RatioBCa, g.RatioError},
	} {
		e, err := Bootstrap(test.strata, test.statistic, o)
		if err != nil {
			t.Fatal(err)
		}
		// A 2.5 % quantile of 100 000 replicates of a normal value has a standard error
		// of sqrt(.025 x .975/1e5)/.058 = 0.0085 of theirs; six of those are allowed.
		tolerance := 0.05 * test.standardError
		for _, end := range []struct {
			name      string
			got, want float64
		}{
			{"percentile low", float64(e.Percentile.Low), test.percentile[0]}, {"percentile high", float64(e.Percentile.High), test.percentile[1]},
			{"BCa low", float64(e.BCa.Low), test.bca[0]}, {"BCa high", float64(e.BCa.High), test.bca[1]},
			{"standard error", e.StandardError.Float(), test.standardError},
		} {
			if math.Abs(end.got-end.want) > tolerance {
				t.Errorf("%s of the %s: got %v, want %v ± %v (SciPy 1.17.1 bootstrap)", end.name, test.name, end.got, end.want, tolerance)
			}
		}
		written(t, e)
	}
}

func TestExpandedIsStudent(t *testing.T) {
	// Hesterberg (2015): for a mean the expanded percentile interval is about that of
	// Student's t. Symmetric values, so that the quantiles are nearly normal.
	var x []float64
	for i := range 12 {
		x = append(x, normalQuantile((float64(i)+0.5)/12))
	}
	e := must(Bootstrap([]int{12}, meanOfDraw(x), BootstrapOptions{Replicates: 200_000, Seed: 1}))
	half := studentQuantile(0.975, 11) * standardDeviation(x) / math.Sqrt(12)
	check(t, "high", float64(e.Expanded.High), half, 0.03*half, "Student's t")
	check(t, "low", float64(e.Expanded.Low), -half, 0.03*half, "Student's t")
	if e.Percentile.High >= e.Expanded.High || e.Percentile.Low <= e.Expanded.Low {
		t.Errorf("percentile %v is not inside expanded %v", e.Percentile, e.Expanded)
	}
}

func TestBootstrapCoverage(t *testing.T) {
	trials, replicates := 2000, 1000
	if testing.Short() {
		trials = 150
	}
	// The share of intervals that hold the true mean, of n normal values.
	cover := func(n int, draw func(*rand.Rand) float64, truth float64) (percentile, expanded, bca float64) {
		for trial := range trials {
			random := rand.New(rand.NewPCG(uint64(n), uint64(trial)))
			x := make([]float64, n)
			for i := range x {
				x[i] = draw(random)
			}
			e := must(Bootstrap([]int{n}, meanOfDraw(x), BootstrapOptions{Replicates: replicates, Seed: uint64(trial)}))
			for _, c := range []struct {
				i  Interval
				to *float64
			}{{e.Percentile, &percentile}, {e.Expanded, &expanded}, {e.BCa, &bca}} {
				if float64(c.i.Low) <= truth && truth <= float64(c.i.High) {
					*c.to += 1 / float64(trials)
				}
			}
		}
		return percentile, expanded, bca
	}
	allow := 4 * math.Sqrt(.95*.05/float64(trials)) // four binomial standard errors
	normal := func(r *rand.Rand) float64 { return r.NormFloat64() }
	for _, n := range []int{10, 25} {
		p, e, b := cover(n, normal, 0)
		// In theory the percentile interval of a normal mean is that of z with the
		// variance by n: it covers P(|t| < 1.96 sqrt((n-1)/n)), 0.904 for n = 10.
		want := 1 - studentTwoSided(1.95996*math.Sqrt(float64(n-1)/float64(n)), float64(n-1))
		t.Logf("%d normal blocks: percentile %.3f (theory %.3f), expanded %.3f, BCa %.3f of %d", n, p, want, e, b, trials)
		// Percentiles of 1000 replicates scatter, which costs up to half a point.
		if math.Abs(p-want) > allow+0.005 {
			t.Errorf("n = %d: percentile interval covers %.3f, theory %.3f ± %.3f", n, p, want, allow+0.005)
		}
		if math.Abs(e-0.95) > allow+0.01 {
			t.Errorf("n = %d: expanded interval covers %.3f, nominal 0.95 ± %.3f", n, e, allow+0.01)
		}
		if math.Abs(b-want) > allow+0.015 {
			t.Errorf("n = %d: BCa interval covers %.3f, percentile in theory %.3f ± %.3f", n, b, want, allow+0.015)
		}
	}
	// 120 skewed blocks: all three come close to nominal.
	p, e, b := cover(120, func(r *rand.Rand) float64 { return r.ExpFloat64() }, 1)
	t.Logf("120 exponential blocks: percentile %.3f, expanded %.3f, BCa %.3f of %d", p, e, b, trials)
	for name, c := range map[string]float64{"percentile": p, "expanded": e, "BCa": b} {
		if math.Abs(c-0.95) > allow+0.01 {
			t.Errorf("120 exponential blocks: %s interval covers %.3f, nominal 0.95 ± %.3f", name, c, allow+0.01)
		}
	}
}

func TestBlocksMatter(t *testing.T) {
	// Hours of a storm day share most of their deviation. An interval by storm day
	// holds the truth; one that takes each hour as a case does not.
	const days, hours = 30, 8
	trials := 300
	if testing.Short() {
		trials = 100
	}
	var byDay, byHour int
	for trial := range trials {
		random := rand.New(rand.NewPCG(77, uint64(trial)))
		var x []float64
		for range days {
			day := random.NormFloat64()
			for range hours {
				x = append(x, day+0.5*random.NormFloat64())
			}
		}
		o := BootstrapOptions{Replicates: 500, Seed: uint64(trial)}
		e := must(Bootstrap([]int{days}, func(draw []int) float64 {
			sum := 0.0
			for _, d := range draw {
				for h := range hours {
					sum += x[d*hours+h]
				}
			}
			return sum / float64(len(draw)*hours)
		}, o))
		if e.Expanded.Low <= 0 && e.Expanded.High >= 0 {
			byDay++
		}
		if e := must(Bootstrap([]int{days * hours}, meanOfDraw(x), o)); e.Expanded.Low <= 0 && e.Expanded.High >= 0 {
			byHour++
		}
	}
	share := float64(byDay) / float64(trials)
	if sd := math.Sqrt(.95 * .05 / float64(trials)); math.Abs(share-.95) > 4*sd+0.01 {
		t.Errorf("intervals by storm day cover %.3f, want 0.95 ± %.3f", share, 4*sd+0.01)
	}
	if naive := float64(byHour) / float64(trials); naive > 0.75 {
		t.Errorf("intervals by hour cover %.3f: the example shows nothing", naive)
	}
}

func TestBootstrapSameForAnyWorkers(t *testing.T) {
	x := make([]float64, 40)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range x {
		x[i] = random.ExpFloat64()
	}
	one := must(Bootstrap([]int{15, 25}, meanOfDraw(x), BootstrapOptions{Seed: 3, Workers: 1}))
	for _, workers := range []int{0, 2, 7, 64} {
		e := must(Bootstrap([]int{15, 25}, meanOfDraw(x), BootstrapOptions{Seed: 3, Workers: workers}))
		if e.Percentile != one.Percentile || e.BCa != one.BCa || e.Expanded != one.Expanded || e.StandardError != one.StandardError {
			t.Errorf("%d workers: %v, one: %v", workers, e, one)
		}
	}
	if other := must(Bootstrap([]int{15, 25}, meanOfDraw(x), BootstrapOptions{Seed: 4})); other.Percentile == one.Percentile {
		t.Error("another seed gives the same interval")
	}
}

func TestStrataStayApart(t *testing.T) {
	// Every resampled set has as many blocks of each stratum as there are.
	var bad atomic.Int64
	if _, err := Bootstrap([]int{10, 14}, func(draw []int) float64 {
		if n := len(slices.DeleteFunc(slices.Clone(draw), func(b int) bool { return b >= 10 })); len(draw) == 24 && n != 10 {
			bad.Add(1)
		}
		return float64(draw[0])
	}, BootstrapOptions{MinimumBlocks: 2}); err != nil || bad.Load() != 0 {
		t.Errorf("%d draws mix the strata, %v", bad.Load(), err)
	}
}

func TestBootstrapProbability(t *testing.T) {
	random := rand.New(rand.NewPCG(2, 2))
	days := make([]*Probability, 25)
	var all Probability
	for i := range days {
		days[i] = &Probability{}
		for range 20 {
			p := random.Float64()
			o := random.Float64() < p
			days[i].Add(p, o)
			all.Add(p, o)
		}
	}
	e, err := BootstrapProbability(days, func(a *Probability) Value { return a.ROC().Area }, BootstrapOptions{Replicates: 400, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	check(t, "area", e.Estimate.Float(), all.ROC().Area.Float(), 1e-12, "all days merged")
	if !e.BCa.Known() || e.BCa.Low >= e.Estimate.Value || e.BCa.High <= e.Estimate.Value {
		t.Errorf("%+v", e)
	}
	if _, err := BootstrapProbability([]*Probability{days[0], must(NewProbability(10))}, func(*Probability) Value { return Value{} }, BootstrapOptions{}); err == nil {
		t.Error("two resolutions were taken")
	}
	if e, err := BootstrapProbability([]*Probability{nil, {}}, func(a *Probability) Value { return a.ROC().Area }, BootstrapOptions{}); err != nil || e.Estimate.Known() || e.Estimate.Why != whyNoPairs {
		t.Errorf("days without pairs: %+v, %v", e, err)
	}
}

func TestBootstrapRefuses(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}
	for name, test := range map[string]struct {
		strata    []int
		statistic func([]int) float64
		o         BootstrapOptions
		wantValue bool
	}{
		"few":       {[]int{9}, meanOfDraw(x), BootstrapOptions{}, true},
		"few of":    {[]int{3, 9}, meanOfDraw(x), BootstrapOptions{}, true},
		"none":      {nil, meanOfDraw(x), BootstrapOptions{}, false},
		"empty":     {[]int{0}, meanOfDraw(x), BootstrapOptions{}, false},
		"undefined": {[]int{12}, func([]int) float64 { return nan }, BootstrapOptions{}, false},
		"constant":  {[]int{12}, func([]int) float64 { return 1 }, BootstrapOptions{}, true},
		"mostly undefined": {[]int{12}, func(draw []int) float64 {
			if slices.Contains(draw, 0) {
				return meanOfDraw(x)(draw)
			}
			return nan
		}, BootstrapOptions{}, true},
	} {
		e, err := Bootstrap(test.strata, test.statistic, test.o)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if e.Estimate.Known() != test.wantValue {
			t.Errorf("%s: value %v", name, e.Estimate)
		}
		for _, i := range []Interval{e.Percentile, e.Expanded, e.BCa} {
			if i.Known() || i.Why == "" {
				t.Errorf("%s: interval %v", name, i)
			}
		}
		written(t, e)
	}
	for name, o := range map[string]BootstrapOptions{
		"replicates": {Replicates: maxReplicates + 1}, "negative": {Replicates: -1}, "level": {Level: 1}, "NaN": {Level: nan}, "blocks": {MinimumBlocks: 1},
	} {
		if _, err := Bootstrap([]int{12}, meanOfDraw(x), o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	for _, strata := range [][]int{{-1}, {maxBlocks + 1}, {maxBlocks, 1}} {
		if _, err := Bootstrap(strata, meanOfDraw(x), BootstrapOptions{}); err == nil {
			t.Errorf("strata %v: no error", strata)
		}
	}
}

func TestStormDay(t *testing.T) {
	for _, test := range []struct{ at, want string }{
		{"2026-01-14T11:59:59Z", "2026-01-13T12:00:00Z"},
		{"2026-01-14T12:00:00Z", "2026-01-14T12:00:00Z"},
		{"2026-01-15T05:00:00-07:00", "2026-01-15T12:00:00Z"},
		{"2026-03-01T00:00:00Z", "2026-02-28T12:00:00Z"},
	} {
		at, _ := time.Parse(time.RFC3339, test.at)
		if got := StormDay(at, 12*time.Hour).Format(time.RFC3339); got != test.want {
			t.Errorf("%s: %s, want %s", test.at, got, test.want)
		}
	}
}

func TestDistributions(t *testing.T) {
	g := goldenTable(t).Distribution
	d := Distribute(append(slices.Clone(g.Values), nan, math.Inf(1)))
	for i, v := range []Value{d.Min, d.Q10, d.Q25, d.Median, d.Q75, d.Q90, d.Max} {
		check(t, "quantile", v.Float(), g.Quantiles[i], 1e-12, "NumPy 2.4.6 quantile")
	}
	check(t, "mean", d.Mean.Float(), g.Mean, 1e-12, "NumPy")
	if d.Counts != (Counts{Used: int64(len(g.Values)), Missing: 1, Invalid: 1}) {
		t.Errorf("%+v", d.Counts)
	}
	written(t, d)
	written(t, Distribute(nil))
	for _, s := range g.Student {
		check(t, fmt.Sprintf("t %v of %v", s.P, s.DF), studentQuantile(s.P, s.DF), s.Value, 1e-9, "SciPy 1.17.1")
	}
	for _, s := range g.TwoSided {
		check(t, "P of t", studentTwoSided(s.T, s.DF), s.Value, 1e-10, "SciPy 1.17.1")
	}
	for _, s := range g.Normal {
		check(t, "normal quantile", normalQuantile(s.P), s.Value, 1e-9, "SciPy 1.17.1")
		check(t, "normal distribution", normalCDF(s.Value), s.P, 1e-12, "SciPy 1.17.1")
	}
}
