package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

func ExampleCRPS() {
	// Twenty members, 0 to 19 mm, and 8 mm observed: the members are 5.1 mm off on
	// average, less half of what they are from each other (3.325, or 3.5 where a
	// member is not held against itself).
	members := make([]float64, 20)
	for i := range members {
		members[i] = float64(i)
	}
	empirical, fair := CRPS(members, 8)
	fmt.Println(empirical, fair)
	// Output: 1.775 1.6
}

func TestCRPSGolden(t *testing.T) {
	for _, g := range goldenTable(t).CRPS {
		empirical, fair := CRPS(g.Members, g.Observed)
		check(t, "CRPS", empirical.Float(), *g.ECDF, 1e-12, "scores 2.7.0 crps_for_ensemble")
		check(t, "CRPS", empirical.Float(), g.Properscoring, 1e-12, "properscoring 0.1")
		if g.Fair == nil {
			if fair.Known() || fair.Why == "" {
				t.Errorf("fair CRPS of one member: %v", fair)
			}
		} else {
			check(t, "fair CRPS", fair.Float(), *g.Fair, 1e-12, "scores 2.7.0 crps_for_ensemble")
		}
		for _, part := range []struct {
			low, high  float64
			ecdf, fair *float64
		}{
			{2.5, math.Inf(1), g.UpperECDF, g.UpperFair}, {math.Inf(-1), 1, g.LowerECDF, g.LowerFair}, {1, 4, g.BetweenECDF, g.BetweenFair},
		} {
			c, err := NewCRPSMean(part.low, part.high)
			if err != nil {
				t.Fatal(err)
			}
			c.Add(g.Members, g.Observed)
			r := c.Result()
			check(t, fmt.Sprintf("CRPS from %v to %v", part.low, part.high), r.Empirical.Float(), *part.ecdf, 1e-12, "scores 2.7.0 tail_tw_ and interval_tw_crps_for_ensemble")
			if part.fair != nil {
				check(t, "fair", r.Fair.Float(), *part.fair, 1e-12, "scores 2.7.0")
			}
			written(t, r)
		}
	}
}

func TestCRPSMeanMergesAndCounts(t *testing.T) {
	var all, a, b CRPSMean
	random := rand.New(rand.NewPCG(1, 3))
	for i := range 50 {
		x := make([]float64, random.IntN(6))
		for j := range x {
			x[j] = random.NormFloat64()
			if random.IntN(9) == 0 {
				x[j] = nan
			}
		}
		y := random.NormFloat64()
		all.Add(x, y)
		if i%2 == 0 {
			a.Add(x, y)
		} else {
			b.Add(x, y)
		}
	}
	all.Add([]float64{1}, nan)
	all.Add([]float64{1, math.Inf(1)}, 2)
	all.Add(nil, 2)
	b.Add([]float64{1}, nan)
	b.Add([]float64{1, math.Inf(1)}, 2)
	b.Add(nil, 2)
	if err := a.Merge(&b); err != nil {
		t.Fatal(err)
	}
	x, y := all.Result(), a.Result()
	if x.Counts != y.Counts || x.FairUsed != y.FairUsed || x.MembersMissing != y.MembersMissing || x.Counts.Invalid != 1 {
		t.Errorf("%+v and %+v", x, y)
	}
	check(t, "merged", y.Fair.Float(), x.Fair.Float(), 1e-12, "merged as added")
	if other := must(NewCRPSMean(0, 1)); a.Merge(other) == nil {
		t.Error("another range was merged")
	}
	for _, bad := range [][2]float64{{1, 1}, {2, 1}, {nan, 1}} {
		if _, err := NewCRPSMean(bad[0], bad[1]); err == nil {
			t.Errorf("range %v was taken", bad)
		}
	}
	written(t, new(CRPSMean).Result())
}

func TestFairCRPSIsFair(t *testing.T) {
	// Ferro (2014): the mean fair score of members and observation from one
	// distribution does not depend on the ensemble's size; the empirical one does, as
	// 1 + 1/m. For a uniform on 0 to 1 the fair expectation is half of E|x - x'| = 1/6.
	n := 60000
	for _, m := range []int{2, 10} {
		random := rand.New(rand.NewPCG(4, uint64(m)))
		var c CRPSMean
		x := make([]float64, m)
		for range n {
			for i := range x {
				x[i] = random.Float64()
			}
			c.Add(x, random.Float64())
		}
		r := c.Result()
		check(t, fmt.Sprintf("fair CRPS of %d members", m), r.Fair.Float(), 1./6, 0.004, "theory")
		check(t, fmt.Sprintf("CRPS of %d members", m), r.Empirical.Float(), (1+1/float64(m))/6, 0.004, "theory")
	}
}

func TestPinballGolden(t *testing.T) {
	g := goldenTable(t).Pinball
	for level, want := range g.Scores {
		a, _ := strconv.ParseFloat(level, 64)
		r, err := PinballOf(a, g.Forecast, g.Observed)
		if err != nil {
			t.Fatal(err)
		}
		check(t, "pinball "+level, r.Score.Float(), want, 1e-12, "scores 2.7.0 quantile_score")
		written(t, r)
	}
	if _, err := PinballOf(1, nil, nil); err == nil || !math.IsNaN(Pinball(1, 0, 0)) {
		t.Error("level 1 was taken")
	}
	if _, err := PinballOf(.5, []float64{1}, nil); err == nil {
		t.Error("different lengths were taken")
	}
	r := must(PinballOf(.5, []float64{1, nan, 2}, []float64{2, 1, math.Inf(1)}))
	if r.Counts != (Counts{Used: 1, Missing: 1, Invalid: 1}) || r.Score.Value != 0.5 {
		t.Errorf("%+v", r)
	}
}
