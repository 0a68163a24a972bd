package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

func flags(x []int) []bool {
	b := make([]bool, len(x))
	for i, v := range x {
		b[i] = v == 1
	}
	return b
}

func ExamplePermute() {
	// Darwin's maize, as Fisher tested it: 15 pairs, in each of which the lot could
	// have fallen the other way. Differences in eighths of an inch.
	var heights []float64
	var seeded []bool
	var pair []int
	for i, d := range []float64{49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48} {
		heights = append(heights, d, 0)
		seeded = append(seeded, true, false)
		pair = append(pair, i, i)
	}
	p, _ := Permute(pair, seeded, DifferenceOfMeans(heights), PermutationOptions{Design: Design{Randomised: true}})
	fmt.Println(p)
	// Output: re-randomisation of 30 units (15 seeded) in 15 blocks, statistic 20.93, P 0.05267 exactly, of 32768 ways (randomised; no proof by itself)
}

func TestPermutationGolden(t *testing.T) {
	for _, g := range goldenTable(t).Permutation {
		for alternative, want := range map[Alternative]*float64{TwoSided: g.TwoSided, Greater: g.Greater, Less: g.Less} {
			if want == nil {
				continue
			}
			p, err := Permute(g.Block, flags(g.Seeded), DifferenceOfMeans(g.Amounts), PermutationOptions{Alternative: alternative})
			if err != nil || !p.Exact {
				t.Fatalf("%s: %+v, %v", g.Name, p, err)
			}
			check(t, g.Name+" "+string(alternative), p.P.Float(), *want, 1e-12, "SciPy 1.17.1 permutation_test")
			// By lot the same within five standard errors.
			lot, err := Permute(g.Block, flags(g.Seeded), DifferenceOfMeans(g.Amounts), PermutationOptions{Alternative: alternative, ExactLimit: 1, Draws: 20000, Seed: 1})
			if err != nil || lot.Exact || lot.Tried != 20000 {
				t.Fatalf("%s: %+v, %v", g.Name, lot, err)
			}
			if off := math.Abs(lot.P.Float() - *want); off > 5*lot.StandardError.Float()+2./20000 {
				t.Errorf("%s %s by lot: P %v ± %v, exactly %v", g.Name, alternative, lot.P, lot.StandardError, *want)
			}
			written(t, p)
			written(t, lot)
		}
	}
	// Fisher (1935, section 21): 863 of the 32 768 ways are as extreme on one side.
	// Value from memory; SciPy's two-sided value above is 1726 of 32 768.
	g := goldenTable(t).Permutation[0]
	p := must(Permute(g.Block, flags(g.Seeded), DifferenceOfMeans(g.Amounts), PermutationOptions{Alternative: Greater}))
	if p.AtLeast != 863 || p.Tried != 32768 {
		t.Errorf("%d of %d, want 863 of 32768", p.AtLeast, p.Tried)
	}
}

func TestEveryWayOnce(t *testing.T) {
	// Three blocks: C(4,2) C(3,1) C(2,2) = 18 ways, all different, each with the right
	// number in every block.
	blocks := []int{7, 7, 9, 7, 9, 7, 9, 1, 1}
	seeded := []bool{true, false, true, true, false, false, false, true, true}
	lot := permutationBlocks(blocks, seeded)
	seen := map[string]bool{}
	s := make([]bool, len(seeded))
	for i := range 18 {
		assign(lot, i, s)
		n := map[int]int{}
		for j, on := range s {
			if on {
				n[blocks[j]]++
			}
		}
		if n[7] != 2 || n[9] != 1 || n[1] != 2 {
			t.Fatalf("way %d: %v", i, s)
		}
		seen[fmt.Sprint(s)] = true
	}
	if len(seen) != 18 {
		t.Errorf("%d different ways, want 18", len(seen))
	}
	// Lots fall on all of them equally often: chi-square with 17 degrees of freedom
	// is below 40.8 in 999 of 1000 cases (table from memory).
	counts := map[string]int{}
	scratch := make([]int, len(seeded))
	const n = 18000
	for i := range n {
		drawLot(lot, rand.New(replicateSource(5, i)), s, scratch)
		counts[fmt.Sprint(s)]++
	}
	chi := 0.0
	for way := range seen {
		chi += math.Pow(float64(counts[way])-n/18, 2) / (n / 18)
	}
	if len(counts) != 18 || chi > 40.8 {
		t.Errorf("%d ways drawn, chi-square %.1f", len(counts), chi)
	}
	for _, c := range []struct {
		n, k int
		want float64
	}{{0, 0, 1}, {5, 2, 10}, {15, 7, 6435}, {30, 15, 155117520}, {3, 4, 0}, {52, 5, 2598960}} {
		if got := choose(c.n, c.k); got != c.want {
			t.Errorf("%d over %d: %v, want %v", c.n, c.k, got, c.want)
		}
	}
}

func TestPermutationUniformUnderNull(t *testing.T) {
	// Without an effect, and with the lot really drawn, P is uniform on its steps: of
	// 8 units 4 seeded in two blocks of 4 there are 36 ways, so P of one side takes
	// each multiple of 1/36 equally often.
	trials := 3600
	if testing.Short() {
		trials = 720
	}
	blocks := []int{0, 0, 0, 0, 1, 1, 1, 1}
	steps := make([]int, 37)
	for trial := range trials {
		random := rand.New(rand.NewPCG(13, uint64(trial)))
		amounts := make([]float64, 8)
		for i := range amounts {
			amounts[i] = random.ExpFloat64() * float64(1+4*blocks[i]) // blocks differ
		}
		seeded := make([]bool, 8)
		for b := range 2 {
			order := random.Perm(4)
			seeded[4*b+order[0]], seeded[4*b+order[1]] = true, true
		}
		p := must(Permute(blocks, seeded, DifferenceOfMeans(amounts), PermutationOptions{Alternative: Greater, Workers: 1}))
		steps[int(math.Round(p.P.Float()*36))]++
	}
	chi := 0.0
	want := float64(trials) / 36
	for _, n := range steps[1:] {
		chi += (float64(n) - want) * (float64(n) - want) / want
	}
	// 35 degrees of freedom: mean 35, standard deviation 8.4; 4 of those allowed.
	if steps[0] != 0 || chi > 35+4*math.Sqrt(70) {
		t.Errorf("chi-square %.1f for 35 degrees of freedom: %v", chi, steps)
	}
	// By lot too, P at most a tenth comes at most in a tenth of cases (Phipson and
	// Smyth 2010: 1 is added to both counts).
	low := 0
	for trial := range trials / 4 {
		random := rand.New(rand.NewPCG(14, uint64(trial)))
		amounts, seeded := make([]float64, 40), make([]bool, 40)
		for i, j := range random.Perm(40) {
			amounts[i] = random.NormFloat64()
			seeded[i] = j < 20
		}
		p := must(Permute(make([]int, 40), seeded, DifferenceOfMeans(amounts), PermutationOptions{Draws: 199, Seed: uint64(trial)}))
		if p.P.Float() <= 0.1 {
			low++
		}
	}
	n := float64(trials / 4)
	if share, sd := float64(low)/n, math.Sqrt(.1*.9/n); math.Abs(share-.1) > 4*sd {
		t.Errorf("P at most 0.1 in %.3f of cases, want 0.1 ± %.3f", share, 4*sd)
	}
}

func TestPermutationFindsAnEffect(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 9))
	const n = 40
	target, control, seeded := make([]float64, n), make([]float64, n), make([]bool, n)
	for i, j := range random.Perm(n) {
		seeded[i] = j < n/2
		control[i] = 5 + 20*random.Float64()
		target[i] = control[i] * (1 + 0.05*random.NormFloat64())
		if seeded[i] {
			target[i] *= 1.15
		}
	}
	o := PermutationOptions{Seed: 1, Design: Design{Randomised: true, Predeclared: true, Comparisons: 1}}
	double := must(Permute(make([]int, n), seeded, LogDoubleRatio(target, control), o))
	if double.P.Float() > 0.001 || double.Exact {
		t.Errorf("double ratio: %v", double)
	}
	check(t, "ratio", math.Exp(double.Observed.Float()), 1.15, 0.03, "as invented")
	// However strong the effect, the lot that was drawn is one of those that count: P
	// is 2 x 1/200 with 199 more lots, never nought (Phipson and Smyth 2010).
	split := make([]float64, n)
	for i := range split {
		if seeded[i] {
			split[i] = 1
		}
	}
	if p := must(Permute(make([]int, n), seeded, DifferenceOfMeans(split), PermutationOptions{Draws: 199})); p.P.Float() != 0.01 {
		t.Errorf("complete separation: P %v of 199 lots, want 0.01", p.P)
	}
	// The target alone drowns it in the weather.
	single := must(Permute(make([]int, n), seeded, LogRatio(target), o))
	if single.P.Float() < 10*double.P.Float() {
		t.Errorf("single ratio: %v", single)
	}
	for _, workers := range []int{1, 3} {
		o.Workers = workers
		if again := must(Permute(make([]int, n), seeded, LogDoubleRatio(target, control), o)); again.P != double.P || again.AtLeast != double.AtLeast {
			t.Errorf("%d workers: %v", workers, again)
		}
	}
	written(t, double)
}

func TestPermutationRefuses(t *testing.T) {
	amounts := []float64{1, 2, 3, 4}
	some := []bool{true, false, true, false}
	p := must(Permute([]int{1, 2, 3, 4}, some, DifferenceOfMeans(amounts), PermutationOptions{}))
	if p.P.Known() || p.P.Why == "" {
		t.Errorf("one unit a block: %v", p)
	}
	written(t, p)
	if p := must(Permute(nil, nil, DifferenceOfMeans(nil), PermutationOptions{})); p.P.Known() {
		t.Errorf("no units: %v", p)
	}
	if p := must(Permute(make([]int, 4), some, DifferenceOfMeans(amounts[:2]), PermutationOptions{})); p.P.Known() || p.Observed.Known() {
		t.Errorf("amounts of other length: %v", p)
	}
	// A statistic that is not defined for some lots counts against the effect.
	for _, alternative := range []Alternative{Greater, Less, TwoSided} {
		p = must(Permute(make([]int, 4), some, func(s []bool) float64 {
			if s[0] {
				return 1
			}
			return nan
		}, PermutationOptions{Alternative: alternative}))
		if p.Undefined != 3 || p.P.Value != 1 {
			t.Errorf("%s: %+v", alternative, p)
		}
	}
	for name, err := range map[string]error{
		"lengths":     second(Permute([]int{1}, some, nil, PermutationOptions{})),
		"alternative": second(Permute(make([]int, 4), some, nil, PermutationOptions{Alternative: "sideways"})),
		"draws":       second(Permute(make([]int, 4), some, nil, PermutationOptions{Draws: maxAssignments + 1})),
		"limit":       second(Permute(make([]int, 4), some, nil, PermutationOptions{ExactLimit: -1})),
		"work":        second(Permute(make([]int, 5000), make2(5000), DifferenceOfMeans(make([]float64, 5000)), PermutationOptions{Draws: maxAssignments})),
	} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// make2 has every second unit seeded.
func make2(n int) []bool {
	s := make([]bool, n)
	for i := range s {
		s[i] = i%2 == 0
	}
	return s
}
