package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Invented amounts, mm: ten unseeded seasons and four seeded ones, with the
// results computed apart from this program (R 1.0682, DR 1.0678).
var (
	unseededControl = []float64{300, 420, 350, 510, 280, 460, 390, 330, 480, 400}
	unseededTarget  = []float64{410, 560, 480, 690, 375, 600, 540, 440, 655, 530}
	seededControl   = []float64{370, 440, 310, 500}
	seededTarget    = []float64{545, 625, 455, 705}
)

func exampleUnits() (seeded, unseeded Units) {
	return Units{seededTarget, [][]float64{seededControl}}, Units{unseededTarget, [][]float64{unseededControl}}
}

func ExampleDoubleRatio() {
	seeded, unseeded := exampleUnits()
	r, _ := DoubleRatio(seeded, unseeded, EffectOptions{})
	fmt.Println(r)
	fmt.Println(r.Cautions[0])
	// Output:
	// double ratio 1.068 from 4 seeded and 10 unseeded units, no interval: too few to say how sure this is: 4 units, 10 needed (not randomised; no proof of an effect)
	// Seeding was not randomised: the intervals and probabilities assume that seeded and unseeded units differ by seeding alone, and overstate how sure the effect is.
}

func TestDoubleRatioWorked(t *testing.T) {
	seeded, unseeded := exampleUnits()
	o := EffectOptions{Bootstrap: BootstrapOptions{MinimumBlocks: 4, Replicates: 20000, Seed: 1, Level: 0.95}}
	r, err := DoubleRatio(seeded, unseeded, o)
	if err != nil {
		t.Fatal(err)
	}
	// Totals by hand: Ts 2330, Cs 1620, Tu 5280, Cu 3920 in 4 and 10 seasons.
	check(t, "double ratio", r.Ratio.Float(), 2330./1620/(5280./3920), 1e-12, "by hand")
	check(t, "double ratio", r.Ratio.Float(), 1.0678, 0.00005, "computed apart")
	check(t, "single ratio", r.TargetRatio.Float(), 1.1032, 0.00005, "computed apart")
	check(t, "control ratio", r.ControlRatio.Float(), 1.0332, 0.00005, "computed apart")
	// Percentile bootstrap with seasons resampled separately, 20 000: 95 % 1.047 to
	// 1.094, 90 % 1.050 to 1.090, each ± 0.003.
	check(t, "95 % low", float64(r.Bootstrap.Percentile.Low), 1.047, 0.003, "computed apart")
	check(t, "95 % high", float64(r.Bootstrap.Percentile.High), 1.094, 0.003, "computed apart")
	o.Bootstrap.Level = 0.9
	r90 := must(DoubleRatio(seeded, unseeded, o))
	check(t, "90 % low", float64(r90.Bootstrap.Percentile.Low), 1.050, 0.003, "computed apart")
	check(t, "90 % high", float64(r90.Bootstrap.Percentile.High), 1.090, 0.003, "computed apart")
	// Delta method by numerical derivatives and NumPy's covariance, Student's t of SciPy.
	g := goldenTable(t).DoubleRatio
	check(t, "ln DR", math.Log(r.Ratio.Float()), g.Double, 1e-12, "NumPy")
	check(t, "log error", r.LogStandardError.Float(), g.LogError, 1e-7, "numerical delta method, NumPy")
	check(t, "degrees of freedom", r.DegreesOfFreedom.Float(), g.DegreesOfFreedom, 1e-5, "Welch, NumPy")
	check(t, "low", float64(r.LogInterval.Low), g.Low, 1e-7, "SciPy 1.17.1")
	check(t, "high", float64(r.LogInterval.High), g.High, 1e-7, "SciPy 1.17.1")
	written(t, r)
	for _, want := range []string{CautionNotRandomised, CautionSelection, CautionControls, CautionMultiplicity, CautionContamination, CautionGauges, CautionAsymptotic} {
		if !slices.Contains(r.Cautions, want) {
			t.Errorf("caution left out: %s", want)
		}
	}
	// Published arithmetic of a target-control study (CWCB document 104900, p. 24):
	// .96/1.12 = .86 and .92/1.09 = .84.
	for _, p := range [][3]float64{{.96, 1.12, .86}, {.92, 1.09, .84}} {
		r := must(DoubleRatio(Units{[]float64{p[0]}, [][]float64{{1}}}, Units{[]float64{p[1]}, [][]float64{{1}}}, EffectOptions{}))
		check(t, "published double ratio", r.Ratio.Float(), p[2], 0.005, "CWCB 104900, p. 24")
	}
}

func TestSingleRatioIsRiskRatio(t *testing.T) {
	// Of amounts that are 0 or 1 the single ratio is a risk ratio; its variance by n
	// (Katz et al. 1978) has n where that of a sample has n - 1.
	g := goldenTable(t).DoubleRatio.Risk
	amounts := func(yes, no int) []float64 {
		return append(slices.Repeat([]float64{1}, yes), slices.Repeat([]float64{0}, no)...)
	}
	s, u := amounts(g.SeededYes, g.SeededNo), amounts(g.UnseededYes, g.UnseededNo)
	r := must(SingleRatio(s, u, EffectOptions{}))
	check(t, "ratio", r.Ratio.Float(), g.Ratio, 1e-12, "statsmodels 0.15.0 Table2x2")
	ns, nu := float64(len(s)), float64(len(u))
	vs := 1/float64(g.SeededYes) - 1/ns
	vu := 1/float64(g.UnseededYes) - 1/nu
	check(t, "log error by n", math.Sqrt(vs+vu), g.LogError, 1e-12, "statsmodels 0.15.0 Table2x2")
	check(t, "log error", r.LogStandardError.Float(), math.Sqrt(vs*ns/(ns-1)+vu*nu/(nu-1)), 1e-12, "the same by n - 1")
	if r.ControlRatio.Known() || r.Method != "single_ratio" {
		t.Errorf("%+v", r)
	}
}

func TestRatioCoverage(t *testing.T) {
	// Target and control share their weather; seeding adds a tenth. The interval by
	// logarithms holds the true double ratio about 95 times in 100.
	trials := 2000
	if testing.Short() {
		trials = 500
	}
	hit := 0
	for trial := range trials {
		random := rand.New(rand.NewPCG(5, uint64(trial)))
		units := func(n int, effect float64) Units {
			u := Units{Controls: [][]float64{nil}}
			for range n {
				weather := math.Exp(0.5 * random.NormFloat64())
				u.Controls[0] = append(u.Controls[0], weather*math.Exp(0.2*random.NormFloat64()))
				u.Target = append(u.Target, effect*weather*math.Exp(0.2*random.NormFloat64()))
			}
			return u
		}
		r := must(DoubleRatio(units(60, 1.1), units(60, 1), EffectOptions{Bootstrap: BootstrapOptions{Replicates: 1}}))
		if r.LogInterval.Low <= 1.1 && r.LogInterval.High >= 1.1 {
			hit++
		}
	}
	share := float64(hit) / float64(trials)
	t.Logf("interval by logarithms covers %.3f of %d", share, trials)
	if allow := 4*math.Sqrt(.95*.05/float64(trials)) + 0.005; math.Abs(share-.95) > allow {
		t.Errorf("covers %.3f, want 0.95 ± %.3f", share, allow)
	}
}

func ExampleHistoricalRegression() {
	seeded, unseeded := exampleUnits()
	r, _ := HistoricalRegression(seeded, unseeded, EffectOptions{})
	fmt.Println(r)
	// Output: historical regression: observed 2330, predicted 2181 in 4 seeded units from 10 unseeded ones (R² 0.9905), ratio 1.068, 95 % interval 1.04 to 1.098 (not randomised; no proof of an effect)
}

func TestRegressionGolden(t *testing.T) {
	for _, g := range goldenTable(t).Regression {
		o := EffectOptions{Bootstrap: BootstrapOptions{Level: 0.95}}
		if g.Name == "three controls" {
			o.Bootstrap.Level = 0.9
		}
		r, err := HistoricalRegression(Units{g.SeededTarget, g.SeededControls}, Units{g.UnseededTarget, g.UnseededControls}, o)
		if err != nil {
			t.Fatal(err)
		}
		const source = "statsmodels 0.15.0 OLS"
		for i, c := range r.Coefficients {
			check(t, g.Name+" "+c.Name, c.Estimate.Float(), g.Coefficients[i], 1e-9, source)
			check(t, g.Name+" error of "+c.Name, c.StandardError.Float(), g.StandardErrors[i], 1e-9, source)
			check(t, g.Name+" t of "+c.Name, c.T.Float(), g.T[i], 1e-9, source)
			check(t, g.Name+" P of "+c.Name, c.P.Float(), g.P[i], 1e-9, source)
		}
		check(t, g.Name+" R²", r.RSquared.Float(), g.RSquared, 1e-10, source)
		check(t, g.Name+" residual", r.ResidualError.Float(), g.ResidualError, 1e-10, source)
		var predicted float64
		for i, p := range r.Predictions {
			predicted += p.Predicted.Float()
			check(t, g.Name+" prediction", p.Predicted.Float(), g.Predicted[i], 1e-10, source)
			check(t, g.Name+" error of prediction", p.StandardError.Float(), g.PredictionError[i], 1e-10, source)
			check(t, g.Name+" low", float64(p.Interval.Low), g.Low[i], 1e-9, source)
			check(t, g.Name+" high", float64(p.Interval.High), g.High[i], 1e-9, source)
		}
		// The sum over seeded units by a regression with one indicator for each.
		m := float64(len(g.SeededTarget))
		check(t, g.Name+" excess", m*r.Excess.Float(), g.ExcessSum, 1e-8, source+" with indicators")
		check(t, g.Name+" excess low", m*float64(r.ExcessInterval.Low), g.ExcessLow, 1e-8, source+" with indicators")
		check(t, g.Name+" excess high", m*float64(r.ExcessInterval.High), g.ExcessHigh, 1e-8, source+" with indicators")
		check(t, g.Name+" t", r.T.Float(), g.ExcessT, 1e-8, source+" with indicators")
		check(t, g.Name+" P", r.P.Float(), g.ExcessP, 1e-8, source+" with indicators")
		check(t, g.Name+" ratio", r.Ratio.Float(), r.Observed.Float()/predicted, 1e-12, "definition")
		written(t, r)
	}
}

func TestRegressionWorked(t *testing.T) {
	seeded, unseeded := exampleUnits()
	r := must(HistoricalRegression(seeded, unseeded, EffectOptions{Bootstrap: BootstrapOptions{MinimumBlocks: 4}}))
	for _, c := range []struct {
		name                 string
		got, want, tolerance float64
	}{
		{"a", r.Coefficients[0].Estimate.Float(), 6.3542, 0.00005}, {"b", r.Coefficients[1].Estimate.Float(), 1.33073, 0.000005},
		{"r", math.Sqrt(r.RSquared.Float()), .99526, 0.000005}, {"s", r.ResidualError.Float(), 10.66, 0.005},
		{"R", r.Ratio.Float(), 1.0682, 0.00005}, {"excess", r.Excess.Float(), 37.2, 0.05},
		{"first prediction", r.Predictions[0].Predicted.Float(), 498.72, 0.005},
	} {
		if math.Abs(c.got-c.want) > c.tolerance {
			t.Errorf("%s: got %v, want %v (computed apart)", c.name, c.got, c.want)
		}
	}
	if !r.Bootstrap.Percentile.Known() || r.Bootstrap.Percentile.Low > r.Ratio.Value || r.Bootstrap.Percentile.High < r.Ratio.Value {
		t.Errorf("bootstrap %+v", r.Bootstrap)
	}
	if r.Extrapolated != 0 {
		t.Errorf("%d extrapolated", r.Extrapolated)
	}
	seeded.Controls = [][]float64{{370, 440, 310, 511}}
	r = must(HistoricalRegression(seeded, unseeded, EffectOptions{}))
	if r.Extrapolated != 1 || !r.Predictions[3].Extrapolated || !slices.Contains(r.Cautions, CautionExtrapolated) {
		t.Errorf("a control beyond those of unseeded units: %+v", r.Predictions)
	}
}

func TestLongley(t *testing.T) {
	// NIST Statistical Reference Datasets, linear regression, Longley (higher
	// difficulty): data and certified values, 15 digits.
	y := []float64{60323, 61122, 60171, 61187, 63221, 63639, 64989, 63761, 66019, 67857, 68169, 66513, 68655, 69564, 69331, 70551}
	x := [][]float64{
		{83.0, 88.5, 88.2, 89.5, 96.2, 98.1, 99.0, 100.0, 101.2, 104.6, 108.4, 110.8, 112.6, 114.2, 115.7, 116.9},
		{234289, 259426, 258054, 284599, 328975, 346999, 365385, 363112, 397469, 419180, 442769, 444546, 482704, 502601, 518173, 554894},
		{2356, 2325, 3682, 3351, 2099, 1932, 1870, 3578, 2904, 2822, 2936, 4681, 3813, 3931, 4806, 4007},
		{1590, 1456, 1616, 1650, 3099, 3594, 3547, 3350, 3048, 2857, 2798, 2637, 2552, 2514, 2572, 2827},
		{107608, 108632, 109773, 110929, 112075, 113270, 115094, 116219, 117388, 118734, 120445, 121950, 123366, 125368, 127852, 130081},
		{1947, 1948, 1949, 1950, 1951, 1952, 1953, 1954, 1955, 1956, 1957, 1958, 1959, 1960, 1961, 1962},
	}
	r := must(HistoricalRegression(Units{nil, make([][]float64, 6)}, Units{y, x}, EffectOptions{}))
	for i, want := range [][2]float64{
		{-3482258.63459582, 890420.383607373}, {15.0618722713733, 84.9149257747669}, {-0.358191792925910e-01, 0.334910077722432e-01},
		{-2.02022980381683, 0.488399681651699}, {-1.03322686717359, 0.214274163161675}, {-0.511041056535807e-01, 0.226073200069370}, {1829.15146461355, 455.478499142212},
	} {
		c := r.Coefficients[i]
		if math.Abs(c.Estimate.Float()-want[0]) > 1e-10*math.Abs(want[0]) || math.Abs(c.StandardError.Float()-want[1]) > 1e-10*want[1] {
			t.Errorf("%s: got %.15g ± %.15g, want %.15g ± %.15g (NIST, certified)", c.Name, c.Estimate.Float(), c.StandardError.Float(), want[0], want[1])
		}
	}
	check(t, "residual", r.ResidualError.Float(), 304.854073561965, 1e-11, "NIST, certified")
	check(t, "R²", r.RSquared.Float(), 0.995479004577296, 1e-13, "NIST, certified")
	if r.Ratio.Known() || r.Ratio.Why != "no seeded unit" {
		t.Errorf("%v", r.Ratio)
	}
}

func TestRegressionRefuses(t *testing.T) {
	seeded, unseeded := exampleUnits()
	twice := make([]float64, len(unseededControl))
	for i, c := range unseededControl {
		twice[i] = 2*c + 7
	}
	for name, test := range map[string]struct {
		seeded, unseeded Units
		why              string
	}{
		"constant": {seeded, Units{unseededTarget, [][]float64{slices.Repeat([]float64{5}, 10)}}, "the same in all"},
		"collinear": {Units{seededTarget, [][]float64{seededControl, seededControl}}, Units{unseededTarget, [][]float64{unseededControl, twice}},
			"combination of the others"},
		"too few": {seeded, Units{unseededTarget[:2], [][]float64{unseededControl[:2]}}, "2 units are too few for 2 coefficients"},
		"none":    {seeded, Units{nil, [][]float64{nil}}, "0 units are too few"},
	} {
		r, err := HistoricalRegression(test.seeded, test.unseeded, EffectOptions{})
		if err != nil || r.Ratio.Known() || !strings.Contains(r.Ratio.Why, test.why) || r.Bootstrap.Estimate.Known() {
			t.Errorf("%s: %v, %v", name, r.Ratio, err)
		}
		written(t, r)
	}
	few := must(HistoricalRegression(seeded, Units{unseededTarget[:6], [][]float64{unseededControl[:6]}}, EffectOptions{}))
	if !few.Ratio.Known() || few.RatioInterval.Known() || few.P.Known() || !strings.Contains(few.RatioInterval.Why, "6 unseeded units, 10 needed") {
		t.Errorf("%+v", few)
	}
	bad := Units{[]float64{1, nan, 3, math.Inf(1), -2}, [][]float64{{1, 2, nan, 4, 5}}}
	r := must(DoubleRatio(bad, unseeded, EffectOptions{}))
	if r.Seeded != (Counts{Used: 1, Missing: 2, Invalid: 2}) || r.LogInterval.Known() {
		t.Errorf("%+v", r)
	}
	for name, err := range map[string]error{
		"lengths":     second(DoubleRatio(Units{[]float64{1}, [][]float64{{1, 2}}}, unseeded, EffectOptions{})),
		"no control":  second(DoubleRatio(Units{[]float64{1}, nil}, unseeded, EffectOptions{})),
		"controls":    second(HistoricalRegression(Units{[]float64{1}, [][]float64{{1}, {2}}}, unseeded, EffectOptions{})),
		"too many":    second(HistoricalRegression(Units{nil, make([][]float64, 17)}, Units{nil, make([][]float64, 17)}, EffectOptions{})),
		"bad options": second(HistoricalRegression(seeded, unseeded, EffectOptions{Bootstrap: BootstrapOptions{Level: 2}})),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	// Nothing fell anywhere.
	dry := must(DoubleRatio(Units{[]float64{0, 0}, [][]float64{{0, 0}}}, Units{[]float64{0, 0}, [][]float64{{0, 0}}}, EffectOptions{}))
	if dry.Ratio.Known() || dry.Ratio.Why == "" {
		t.Errorf("%+v", dry.Ratio)
	}
	written(t, dry)
	written(t, must(SingleRatio(nil, nil, EffectOptions{})))
	if r := must(SingleRatio([]float64{0, 0}, []float64{1, 2}, EffectOptions{})); r.Ratio.Value != 0 || r.LogInterval.Known() {
		t.Errorf("%+v", r)
	}
}

func second[T any](_ T, err error) error { return err }

func TestRatioDoesNotDependOnUnit(t *testing.T) {
	// Inches for millimetres, or a wetter control, change no ratio.
	seeded, unseeded := exampleUnits()
	inches := func(u Units, control float64) Units {
		v := Units{Controls: [][]float64{nil}}
		for i := range u.Target {
			v.Target = append(v.Target, u.Target[i]/25.4)
			v.Controls[0] = append(v.Controls[0], u.Controls[0][i]/25.4*control)
		}
		return v
	}
	o := EffectOptions{Bootstrap: BootstrapOptions{MinimumBlocks: 4, Seed: 2}}
	a, b := must(DoubleRatio(seeded, unseeded, o)), must(DoubleRatio(inches(seeded, 3), inches(unseeded, 3), o))
	check(t, "ratio", b.Ratio.Float(), a.Ratio.Float(), 1e-12, "no unit")
	check(t, "low", float64(b.LogInterval.Low), float64(a.LogInterval.Low), 1e-10, "no unit")
	check(t, "BCa", float64(b.Bootstrap.BCa.Low), float64(a.Bootstrap.BCa.Low), 1e-10, "no unit")
	// Seeded and unseeded exchanged: the inverse.
	c := must(DoubleRatio(unseeded, seeded, o))
	check(t, "inverse", c.Ratio.Float(), 1/a.Ratio.Float(), 1e-12, "definition")
	check(t, "inverse interval", float64(c.LogInterval.High), 1/float64(a.LogInterval.Low), 1e-10, "logarithms")
	d, e := must(HistoricalRegression(seeded, unseeded, o)), must(HistoricalRegression(inches(seeded, 3), inches(unseeded, 3), o))
	check(t, "regression ratio", e.Ratio.Float(), d.Ratio.Float(), 1e-10, "no unit")
	check(t, "regression interval", float64(e.RatioInterval.High), float64(d.RatioInterval.High), 1e-10, "no unit")
}

func TestBonferroni(t *testing.T) {
	check(t, "five looks", Bonferroni(valueOf(0.012), 5).Float(), 0.06, 1e-12, "by hand")
	check(t, "many looks", Bonferroni(valueOf(0.3), 5).Float(), 1, 0, "by hand")
	for _, v := range []Value{Bonferroni(valueOf(.1), 0), Bonferroni(undefined("x"), 2), Bonferroni(valueOf(1.5), 2)} {
		if v.Known() || v.Why == "" {
			t.Errorf("%v", v)
		}
	}
	randomised := Design{Randomised: true, Predeclared: true, Comparisons: 1}.cautions()
	if slices.Contains(randomised, CautionNotRandomised) || slices.Contains(randomised, CautionMultiplicity) || !slices.Contains(randomised, CautionRandomised) || !slices.Contains(randomised, CautionContamination) {
		t.Errorf("%q", randomised)
	}
}
