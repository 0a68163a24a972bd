package evaluate

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"
)

// A season: some 200 sites judged every five minutes for half a year of storm days
// and a handful of lead times make ten million pairs.
const seasonPairs = 10_000_000

// BenchmarkSeason adds up ten million pairs on two goroutines and makes every score
// of them: contingency table, Brier score, ROC and reliability diagram with bars.
func BenchmarkSeason(b *testing.B) {
	const rows = 1 << 20 // reused; memory of the sums does not depend on it
	p, o := make([]float64, rows), make([]float64, rows)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range p {
		p[i] = random.Float64()
		if random.Float64() < p[i] {
			o[i] = 1
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		var parts [2]Probability
		var group sync.WaitGroup
		for i := range parts {
			group.Go(func() {
				for left := seasonPairs / len(parts); left > 0; left -= rows {
					n := min(left, rows)
					if err := parts[i].AddAll(p[:n], o[:n]); err != nil {
						b.Error(err)
					}
				}
			})
		}
		group.Wait()
		all := &parts[0]
		if err := all.Merge(&parts[1]); err != nil {
			b.Fatal(err)
		}
		table, err := all.Table(0.6)
		if err != nil {
			b.Fatal(err)
		}
		table.Scores()
		if _, err := all.Brier(10); err != nil {
			b.Fatal(err)
		}
		all.ROC()
		if _, err := all.Reliability(ReliabilityOptions{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(seasonPairs)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mpairs/s")
}

// BenchmarkAdd is one pair.
func BenchmarkAdd(b *testing.B) {
	p := make([]float64, 4096)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range p {
		p[i] = random.Float64()
	}
	var a Probability
	i := 0
	for b.Loop() {
		a.Add(p[i&4095], i&3 == 0)
		i++
	}
}

// BenchmarkReliabilityBars: a thousand cycles over the thousand bins of a season.
func BenchmarkReliabilityBars(b *testing.B) {
	var a Probability
	random := rand.New(rand.NewPCG(1, 1))
	for range 1_000_000 {
		p := random.Float64()
		a.Add(p, random.Float64() < p)
	}
	for b.Loop() {
		if _, err := a.Reliability(ReliabilityOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkBootstrapDays: 2000 replicates of 100 storm days' tables.
func BenchmarkBootstrapDays(b *testing.B) {
	days := make([]Table, 100)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range days {
		days[i] = Table{Hits: random.Int64N(50), FalseAlarms: random.Int64N(50), Misses: random.Int64N(50), CorrectNegatives: random.Int64N(500)}
	}
	for b.Loop() {
		if _, err := BootstrapTables(days, Table.CSI, BootstrapOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkBootstrapROC: 2000 replicates of the ROC area of 100 storm days.
func BenchmarkBootstrapROC(b *testing.B) {
	days := make([]*Probability, 100)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range days {
		days[i] = &Probability{}
		for range 5000 {
			p := random.Float64()
			days[i].Add(p, random.Float64() < p)
		}
	}
	for b.Loop() {
		if _, err := BootstrapProbability(days, func(a *Probability) Value { return a.ROC().Area }, BootstrapOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkComparison: outlooks of 100 sites on 60 storm days, 12 releases a day and
// 8 leads, matched, added up and scored with intervals: 576 000 pairs.
func BenchmarkComparison(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 1))
	var foreseen []Foreseen
	var judged []Judged
	for s := range 100 {
		site := fmt.Sprintf("site-%d", s)
		for d := range 60 {
			for h := range 12 {
				release := midnight.AddDate(0, 0, 2*d).Add(time.Duration(12+h) * time.Hour)
				state := states[random.IntN(3)]
				judged = append(judged, Judged{site, release, release, 50, state})
				for _, edge := range DefaultLeadEdges[:8] {
					foreseen = append(foreseen, Foreseen{site, release.Add(-edge - time.Minute), release, 60, state})
				}
			}
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		judgements, err := NewJudgements(judged, PairOptions{})
		if err != nil {
			b.Fatal(err)
		}
		comparison, err := NewComparison(ComparisonOptions{})
		if err != nil {
			b.Fatal(err)
		}
		var counts PairCounts
		for _, f := range foreseen {
			if p, ok := judgements.Match(f, &counts); ok {
				if err := comparison.Add(p); err != nil {
					b.Fatal(err)
				}
			}
		}
		if _, err := comparison.Result(BootstrapOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkPermutation: 9999 lots of 100 units.
func BenchmarkPermutation(b *testing.B) {
	target, control := make([]float64, 100), make([]float64, 100)
	random := rand.New(rand.NewPCG(1, 1))
	for i := range target {
		target[i], control[i] = random.ExpFloat64(), random.ExpFloat64()
	}
	for b.Loop() {
		if _, err := Permute(make([]int, 100), make2(100), LogDoubleRatio(target, control), PermutationOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
