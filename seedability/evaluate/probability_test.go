package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func added(t testing.TB, resolution int, p, o []float64) *Probability {
	t.Helper()
	a, err := NewProbability(resolution)
	if err == nil {
		err = a.AddAll(p, o)
	}
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func ExampleProbability() {
	var a Probability
	for _, pair := range []struct {
		p        float64
		happened bool
	}{{.9, true}, {.7, true}, {.6, false}, {.4, true}, {.3, false}, {.1, false}} {
		a.Add(pair.p, pair.happened)
	}
	b, _ := a.Brier(10)
	fmt.Println("Brier", b.Score, "skill", b.SkillOfSample, "ROC area", a.ROC().Area)
	// Output: Brier 0.1533 skill 0.3867 ROC area 0.8889
}

func TestBrierWorked(t *testing.T) {
	// Squares .01 .09 .36 .36 .09 .01 over six: .15333; base rate a half, so the
	// climatology of the sample scores .25 and the skill is .38667. By hand.
	a := added(t, 1000, []float64{.9, .7, .6, .4, .3, .1}, []float64{1, 1, 0, 1, 0, 0})
	b, err := a.Brier(10)
	if err != nil {
		t.Fatal(err)
	}
	check(t, "score", b.Score.Float(), 0.92/6, 1e-14, "by hand")
	check(t, "skill", b.SkillOfSample.Float(), 1-0.92/6/0.25, 1e-14, "by hand")
	check(t, "constant", a.BrierOfConstant(0.5).Float(), 0.25, 1e-14, "by hand")
	check(t, "skill over 0.5", Skill(b.Score, a.BrierOfConstant(0.5)).Float(), b.SkillOfSample.Float(), 1e-14, "equal here")
	// Each forecast is alone in its bin: reliability is the score, resolution the uncertainty.
	check(t, "reliability", b.Reliability.Float(), 0.92/6, 1e-14, "one forecast a bin")
	check(t, "resolution", b.Resolution.Float(), 0.25, 1e-14, "one forecast a bin")
	written(t, b)
}

func TestProbabilityGolden(t *testing.T) {
	for _, g := range goldenTable(t).Probability {
		for _, resolution := range []int{20, 100, 1000} {
			a := added(t, resolution, g.P, g.O)
			for _, d := range g.Decompositions {
				b, err := a.Brier(int(d["bins"]))
				if err != nil {
					t.Fatal(err)
				}
				name := fmt.Sprintf("%s, resolution %d, %d bins", g.Name, resolution, b.Bins)
				check(t, name+": score", b.Score.Float(), g.Brier, 1e-13, "scores 2.7.0")
				check(t, name+": reliability", b.Reliability.Float(), d["reliability"], 1e-13, "definition in NumPy")
				check(t, name+": resolution", b.Resolution.Float(), d["resolution"], 1e-13, "definition in NumPy")
				check(t, name+": uncertainty", b.Uncertainty.Float(), d["uncertainty"], 1e-13, "definition in NumPy")
				check(t, name+": variance", b.WithinBinVariance.Float(), d["within_bin_variance"], 1e-13, "definition in NumPy")
				check(t, name+": covariance", b.WithinBinCovariance.Float(), d["within_bin_covariance"], 1e-13, "definition in NumPy")
			}
			s := a.Sharpness()
			check(t, g.Name+": sharpness", s.StandardDeviation.Float(), g.SD, 1e-12, "NumPy")
			written(t, s)
			// Binned, the area is off by no more than it says.
			r := a.ROC()
			if off := math.Abs(r.Area.Float() - g.AUC); off > r.BinningError.Float()+1e-12 {
				t.Errorf("%s, resolution %d: area %v is %v from %v, more than %v", g.Name, resolution, r.Area, off, g.AUC, r.BinningError)
			}
			if exact := g.Name == "six" || g.Name == "tenths" || g.Name == "thousandths" && resolution == 1000; exact && r.BinningError.Value != 0 {
				t.Errorf("%s, resolution %d: error %v where every bin has one value", g.Name, resolution, r.BinningError)
			}
			written(t, r)
		}
		r, err := ROCOf(g.P, g.O)
		if err != nil {
			t.Fatal(err)
		}
		check(t, g.Name+": area", r.Area.Float(), g.AUC, 1e-12, "scores 2.7.0")
		check(t, g.Name+": area", r.Area.Float(), g.AUCSklearn, 1e-12, "scikit-learn 1.9.1")
		check(t, g.Name+": Mann-Whitney", r.AreaMannWhitney.Float(), g.AUCMannWhitney, 1e-12, "SciPy 1.17.1 mannwhitneyu")
		// The curve's points; the library's end with (1, 1) and begin with (0, 0), and may repeat either.
		for i, p := range r.Points {
			found := false
			for j := range g.POD {
				found = found || near(p.POD, g.POD[j], 1e-12) && near(p.POFD, g.POFD[j], 1e-12)
			}
			if !found {
				t.Errorf("%s: point %d (%v) is not on the curve of scores 2.7.0", g.Name, i, p)
			}
		}
		if n := len(r.Points); n < len(g.POD)-1 || n > len(g.POD)+1 {
			t.Errorf("%s: %d points, scores 2.7.0 has %d", g.Name, n, len(g.POD))
		}
	}
}

func TestBrierSumIsExact(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for trial := range 200 {
		a := must(NewProbability([]int{10, 40, 1000}[trial%3]))
		direct := 0.0
		n := 1 + random.IntN(500)
		for range n {
			p := math.Pow(random.Float64(), 3)
			o := random.Float64() < p*p
			a.Add(p, o)
			d := p
			if o {
				d = 1 - p
			}
			direct += d * d / float64(n)
		}
		for _, bins := range []int{1, 2, 5, 10} {
			b := must(a.Brier(bins))
			sum := b.Reliability.Float() - b.Resolution.Float() + b.Uncertainty.Float() + b.WithinBinVariance.Float() - b.WithinBinCovariance.Float()
			check(t, "sum of terms", sum, b.Score.Float(), 1e-13, "Stephenson et al. 2008, identity")
			check(t, "score", b.Score.Float(), direct, 1e-13, "definition")
		}
	}
}

func TestBinEdges(t *testing.T) {
	// 0.29 x 100 rounds below 29 and 0.57 x 100 below 57: such forecasts belong to the
	// bin that begins with them, and reach the limit of their value.
	a := must(NewProbability(100))
	for k := 0; k <= 100; k++ {
		a.Add(float64(k)/100, true)
		a.Add(math.Nextafter(float64(k)/100, -1), false) // -5e-324 is invalid, and counted so
	}
	for k := 0; k <= 100; k++ {
		table, err := a.Table(float64(k) / 100)
		if err != nil {
			t.Fatal(err)
		}
		if table.Hits != int64(101-k) || table.FalseAlarms != int64(100-k) {
			t.Fatalf("limit %d/100: %+v", k, table)
		}
	}
	if c := a.Counts(); c.Invalid != 1 || c.Used != 201 {
		t.Errorf("%+v", c)
	}
	for _, bad := range []float64{0.295, -0.01, 1.01, math.NaN(), math.Inf(1)} {
		if _, err := a.Table(bad); err == nil {
			t.Errorf("limit %v was taken", bad)
		}
	}
	if _, err := a.Brier(7); err == nil {
		t.Error("7 bins do not divide 100")
	}
}

func TestMergeIsAdding(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	var all, merged Probability
	for range 20 {
		var day Probability
		for range random.IntN(300) {
			p, o := random.Float64(), random.IntN(3) == 0
			all.Add(p, o)
			day.Add(p, o)
		}
		day.AddMissing()
		all.AddMissing()
		if err := merged.Merge(&day); err != nil {
			t.Fatal(err)
		}
	}
	a, b := must(all.Brier(10)), must(merged.Brier(10))
	if a.Counts != b.Counts || a.Events != b.Events {
		t.Errorf("counts %+v and %+v", a.Counts, b.Counts)
	}
	check(t, "score", b.Score.Float(), a.Score.Float(), 1e-13, "merged as added")
	check(t, "covariance", b.WithinBinCovariance.Float(), a.WithinBinCovariance.Float(), 1e-13, "merged as added")
	if x, y := all.ROC(), merged.ROC(); x.Area != y.Area || x.BinningError != y.BinningError {
		t.Errorf("areas %v and %v", x.Area, y.Area)
	}
	if err := merged.Merge(must(NewProbability(10))); err == nil {
		t.Error("another resolution was merged")
	}
}

func TestROCProperties(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	for range 300 {
		n := 2 + random.IntN(60)
		p, o, mirrored, stretched := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range p {
			p[i] = float64(random.IntN(12)) / 11
			o[i] = float64(random.IntN(2))
			mirrored[i] = -p[i]
			stretched[i] = math.Exp(5*p[i]) - 100
		}
		r, m, s := must(ROCOf(p, o)), must(ROCOf(mirrored, o)), must(ROCOf(stretched, o))
		if !r.Area.Known() {
			if r.Area.Why == "" || r.Events > 0 && r.NonEvents > 0 {
				t.Fatalf("%+v", r)
			}
			continue
		}
		check(t, "trapezoids and ranks", r.Area.Float(), r.AreaMannWhitney.Float(), 1e-12, "Bamber 1975, J. Math. Psych. 12, 387")
		check(t, "mirrored", m.Area.Float(), 1-r.Area.Float(), 1e-12, "order reversed")
		check(t, "stretched", s.Area.Float(), r.Area.Float(), 1e-12, "order kept")
		last := r.Points[len(r.Points)-1]
		if r.Points[0].POD != 0 || r.Points[0].POFD != 0 || last.POD != 1 || last.POFD != 1 {
			t.Fatalf("ends %v and %v", r.Points[0], last)
		}
		for i := 1; i < len(r.Points); i++ {
			if r.Points[i].POD < r.Points[i-1].POD || r.Points[i].POFD < r.Points[i-1].POFD {
				t.Fatalf("the curve turns back at %v", r.Points[i])
			}
		}
	}
	// Many distinct forecasts give a thinned curve with the whole area.
	n := 5000
	p, o := make([]float64, n), make([]float64, n)
	for i := range p {
		p[i] = float64(i)
		o[i] = float64(i % 2)
	}
	if r := must(ROCOf(p, o)); !r.Thinned || len(r.Points) > maxROCPoints || !near(r.Area.Float(), 0.5+0.5/float64(n/2), 1e-9) {
		t.Errorf("thinned %v, %d points, area %v", r.Thinned, len(r.Points), r.Area)
	}
}

func TestReliabilityGolden(t *testing.T) {
	g := goldenTable(t).Consistency
	r, err := added(t, 1000, g.P, g.O).Reliability(ReliabilityOptions{Cycles: 5000, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	for j, b := range r.Bins {
		// 5000 cycles here, 20 000 there. Frequencies step by about 1/Count, so a
		// quantile may sit on either side of a step; beside it the sampling error.
		tolerance := 1/float64(b.Count) + 0.006
		check(t, fmt.Sprintf("bin %d low", j), float64(b.Consistency.Low), g.Low[j], tolerance, "resampling case by case in NumPy")
		check(t, fmt.Sprintf("bin %d high", j), float64(b.Consistency.High), g.High[j], tolerance, "resampling case by case in NumPy")
		if b.Sparse != (b.Count < 10) {
			t.Errorf("bin %d: sparse %v with %d", j, b.Sparse, b.Count)
		}
	}
	written(t, r)
	again := must(added(t, 1000, g.P, g.O).Reliability(ReliabilityOptions{Cycles: 5000, Seed: 1, Workers: 1}))
	for j := range r.Bins {
		if r.Bins[j] != again.Bins[j] {
			t.Errorf("bin %d differs with one worker: %+v and %+v", j, r.Bins[j], again.Bins[j])
		}
	}
}

func TestConsistencyBarsHoldReliableForecasts(t *testing.T) {
	// By construction of the bars: of reliable forecasts with independent outcomes,
	// 90 in a hundred observed frequencies lie inside, or more since frequencies step.
	random := rand.New(rand.NewPCG(9, 10))
	var shown, outside int
	trials := 150
	if testing.Short() {
		trials = 40
	}
	for trial := range trials {
		a := must(NewProbability(20))
		for range 2000 {
			p := random.Float64()
			a.Add(p, random.Float64() < p)
		}
		r := must(a.Reliability(ReliabilityOptions{Cycles: 400, Seed: uint64(trial)}))
		shown += r.Shown
		outside += r.Outside
	}
	share, sd := float64(outside)/float64(shown), math.Sqrt(.1*.9/float64(shown))
	if share > 0.1+4*sd || share < 0.08-4*sd {
		t.Errorf("%d of %d bins outside: share %.3f, want 0.08 to 0.1 within %.3f", outside, shown, share, 4*sd)
	}
	// Forecasts that are far too sure fall outside.
	var sure Probability
	for range 2000 {
		p := random.Float64()
		sure.Add(p, random.Float64() < 0.5)
	}
	if r := must(sure.Reliability(ReliabilityOptions{})); r.Outside < 7 {
		t.Errorf("%d bins outside for forecasts without skill", r.Outside)
	}
}

func TestNothingToScore(t *testing.T) {
	for name, a := range map[string]*Probability{"zero": {}, "empty": must(NewProbability(10)), "missing": added(t, 10, []float64{math.NaN(), 1.5}, []float64{1, 0})} {
		b, err := a.Brier(10)
		if err != nil || b.Score.Known() || b.Score.Why == "" {
			t.Errorf("%s: Brier %v, %v", name, b.Score, err)
		}
		r, err := a.Reliability(ReliabilityOptions{})
		if err != nil || r.BaseRate.Known() || len(r.Bins) != 10 {
			t.Errorf("%s: reliability %+v, %v", name, r, err)
		}
		if v := a.ROC().Area; v.Known() || v.Why == "" {
			t.Errorf("%s: ROC %v", name, v)
		}
		written(t, b)
		written(t, r)
		written(t, a.ROC())
		written(t, a.Sharpness())
		if _, err := a.Table(0.5); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	always := added(t, 10, []float64{1, 0.5}, []float64{1, 1})
	if b := must(always.Brier(10)); b.SkillOfSample.Known() || !b.Score.Known() {
		t.Errorf("%+v", b)
	}
	if v := always.ROC().Area; v.Known() || v.Why != whyNoNonEvents {
		t.Errorf("%v", v)
	}
	for _, bad := range []int{0, -1, maxResolution + 1} {
		if _, err := NewProbability(bad); err == nil {
			t.Errorf("resolution %d was taken", bad)
		}
	}
	if err := new(Probability).AddAll([]float64{1}, nil); err == nil {
		t.Error("different lengths were taken")
	}
	if c := added(t, 10, []float64{math.Inf(1), .5, .5, math.NaN()}, []float64{1, 2, math.NaN(), 3}).Counts(); c != (Counts{Missing: 2, Invalid: 2}) {
		t.Errorf("%+v", c)
	}
}
