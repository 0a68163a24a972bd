package evaluate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// Alternative says which effects speak against chance.
type Alternative string

// The alternatives of a permutation test.
const (
	TwoSided Alternative = "two_sided" // twice the smaller tail, at most 1
	Greater  Alternative = "greater"
	Less     Alternative = "less"
)

// PermutationOptions; the zero value takes what is written behind each.
type PermutationOptions struct {
	Design Design
	// Alternative: TwoSided.
	Alternative Alternative
	// ExactLimit: up to so many ways of drawing the seeded units all are tried: 200 000.
	ExactLimit int
	// Draws by lot where there are more: 9999.
	Draws int
	Seed  uint64
	// Workers: all processors. The result is the same for any number.
	Workers int
}

// maxAssignments bounds ExactLimit and Draws.
const maxAssignments = 5_000_000

// Permutation is the result of a re-randomisation test.
type Permutation struct {
	Units    int   `json:"units"`
	Seeded   int   `json:"seeded"`
	Blocks   int   `json:"blocks"`
	Observed Value `json:"observed"` // the statistic as it was
	// Alternative that P is for.
	Alternative Alternative `json:"alternative"`
	// Assignments is the number of ways to draw the seeded units; Tried how many of
	// them were looked at: all if Exact.
	Assignments Value `json:"assignments"`
	Tried       int   `json:"tried"`
	Exact       bool  `json:"exact"`
	// AtLeast and AtMost count those tried whose statistic is at least, at most, the
	// observed one. Where it has no value it counts as both, against the effect.
	AtLeast   int `json:"at_least"`
	AtMost    int `json:"at_most"`
	Undefined int `json:"undefined"`
	// P is the probability of such a statistic if seeding did nothing.
	P Value `json:"p"`
	// StandardError of P from drawing by lot; 0 if Exact.
	StandardError Value `json:"standard_error"`
	// Least is the smallest P that this design can give; null where it is too small to matter.
	Least    Value    `json:"least"`
	Seed     uint64   `json:"seed,string"`
	Design   Design   `json:"design"`
	Cautions []string `json:"cautions"`
}

// CautionPermutation goes with tests of data that were not randomised.
const CautionPermutation = "A re-randomisation test repeats the lot that was drawn. No lot was drawn here, so its probability is a figure of speech."

// permutationBlock has the units among which the lot was drawn.
type permutationBlock struct {
	units  []int
	seeded int
	ways   float64
}

// Permute draws the seeded units anew within their blocks, as many of each as were
// seeded, and asks how often the statistic is as far out as it was (Fisher 1935,
// The Design of Experiments, section 21). Where the ways are few enough all are
// tried and P is exact. Else they are drawn by lot, and P = (b + 1)/(n + 1), b of n
// draws being as extreme: it is never nought, since the lot that was drawn counts
// too (Phipson and Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, 39).
//
// blocks has the number of each unit's block, in any numbering: a storm, a pair of
// days, or the same for all. The blocks must be those of the lot that was drawn.
// statistic is called from several goroutines at once and must not keep or change
// what it is given; it may give NaN.
func Permute(blocks []int, seeded []bool, statistic func(seeded []bool) float64, o PermutationOptions) (Permutation, error) {
	if o.Alternative == "" {
		o.Alternative = TwoSided
	}
	if o.ExactLimit == 0 {
		o.ExactLimit = 200_000
	}
	if o.Draws == 0 {
		o.Draws = 9999
	}
	p := Permutation{Units: len(seeded), Alternative: o.Alternative, Seed: o.Seed, Design: o.Design, Cautions: o.Design.cautions()}
	if !o.Design.Randomised {
		p.Cautions = append(p.Cautions, CautionPermutation)
	}
	switch {
	case len(blocks) != len(seeded):
		return p, fmt.Errorf("permutation test: %d units have a block, %d were seeded or not", len(blocks), len(seeded))
	case len(seeded) > maxBlocks:
		return p, fmt.Errorf("permutation test: %d units are more than %d", len(seeded), maxBlocks)
	case o.Alternative != TwoSided && o.Alternative != Greater && o.Alternative != Less:
		return p, fmt.Errorf("permutation test: alternative %q is not one of two_sided, greater, less", o.Alternative)
	case o.ExactLimit < 1 || o.ExactLimit > maxAssignments || o.Draws < 1 || o.Draws > maxAssignments:
		return p, fmt.Errorf("permutation test: limit %d and draws %d must lie between 1 and %d", o.ExactLimit, o.Draws, maxAssignments)
	}
	lot := permutationBlocks(blocks, seeded)
	p.Blocks = len(lot)
	assignments := 1.0
	for _, b := range lot {
		p.Seeded += b.seeded
		assignments *= b.ways // may become +Inf
	}
	none := func(why string) (Permutation, error) {
		p.P, p.StandardError, p.Least = undefined("%s", why), undefined("%s", why), undefined("%s", why)
		return p, nil
	}
	p.Assignments = valueOf(assignments)
	if !p.Assignments.Known() {
		p.Assignments = undefined("more than can be written down")
	}
	if assignments <= 1 {
		p.Observed = undefined("nothing to compare")
		return none("every block has seeded units only or unseeded units only: no other lot was possible")
	}
	observed := statistic(slices.Clone(seeded))
	if !finite(observed) {
		p.Observed = undefined("the statistic of the units as they were is not defined")
		return none(p.Observed.Why)
	}
	p.Observed = valueOf(observed)
	p.Exact = assignments <= float64(o.ExactLimit)
	p.Tried = o.Draws
	if p.Exact {
		p.Tried = int(assignments)
	}
	if p.Tried > maxDraws/p.Units {
		return p, fmt.Errorf("permutation test: %d lots of %d units are more than %d draws", p.Tried, p.Units, int64(maxDraws))
	}
	values := make([]float64, p.Tried)
	inParallel(p.Tried, o.Workers, func(from, to int) {
		s := slices.Clone(seeded)
		scratch := make([]int, len(seeded))
		for i := from; i < to; i++ {
			if p.Exact {
				assign(lot, i, s)
			} else {
				drawLot(lot, rand.New(replicateSource(o.Seed, i)), s, scratch)
			}
			values[i] = statistic(s)
		}
	})
	p.count(values)
	p.probability()
	return p, nil
}

// count compares with the observed statistic. Sums in another order differ in the
// last digits, so that equal ones are told within a part in 10^12 of the largest.
func (p *Permutation) count(values []float64) {
	observed := p.Observed.Float()
	largest := abs(observed)
	for _, x := range values {
		if finite(x) {
			largest = max(largest, abs(x))
		}
	}
	equal := 1e-12 * largest
	for _, x := range values {
		if !finite(x) {
			p.Undefined++
			p.AtLeast++
			p.AtMost++
			continue
		}
		if x >= observed-equal {
			p.AtLeast++
		}
		if x <= observed+equal {
			p.AtMost++
		}
	}
}

func (p *Permutation) probability() {
	n, own := float64(p.Tried), 0.0
	if !p.Exact {
		own = 1 // the lot that was drawn
	}
	extreme := p.AtLeast
	sides := 1.0
	switch p.Alternative {
	case Less:
		extreme = p.AtMost
	case TwoSided:
		extreme, sides = min(p.AtLeast, p.AtMost), 2
	}
	tail := (float64(extreme) + own) / (n + own)
	p.P = valueOf(min(sides*tail, 1))
	p.StandardError = valueOf(0)
	if !p.Exact {
		p.StandardError = valueOf(sides * sqrt(tail*(1-tail)/n))
	}
	p.Least = undefined("more ways than can be written down")
	if p.Assignments.Known() {
		p.Least = valueOf(min(sides/p.Assignments.Float(), 1))
	}
}

func (p Permutation) String() string {
	s := fmt.Sprintf("re-randomisation of %d units (%d seeded) in %d blocks, statistic %s, P %s", p.Units, p.Seeded, p.Blocks, p.Observed, p.P)
	switch {
	case !p.P.Known():
	case p.Exact:
		s += fmt.Sprintf(" exactly, of %d ways", p.Tried)
	default:
		s += fmt.Sprintf(" ± %s from %d lots", p.StandardError, p.Tried)
	}
	if p.Least.Known() && p.Least.Value > 0.05 {
		s += fmt.Sprintf("; so few ways cannot give less than %s", p.Least)
	}
	return s + " (" + p.Design.caveat() + ")"
}

// permutationBlocks gathers units by block, in order of appearance.
func permutationBlocks(blocks []int, seeded []bool) []permutationBlock {
	var lot []permutationBlock
	number := map[int]int{}
	for i, id := range blocks {
		k, ok := number[id]
		if !ok {
			k = len(lot)
			number[id] = k
			lot = append(lot, permutationBlock{})
		}
		lot[k].units = append(lot[k].units, i)
		if seeded[i] {
			lot[k].seeded++
		}
	}
	for k := range lot {
		lot[k].ways = choose(len(lot[k].units), lot[k].seeded)
	}
	return lot
}

// choose is the number of ways to choose k of n, exact while it is below 2^53.
func choose(n, k int) float64 {
	if k < 0 || k > n {
		return 0
	}
	c := 1.0
	for i := 1; i <= min(k, n-k); i++ {
		c = math.Round(c * float64(n-min(k, n-k)+i) / float64(i))
	}
	return c
}

// assign writes the assignment with a number from 0 to the product of all ways:
// its digits in a mixed base are the numbers of each block's combination, in
// lexicographic order.
func assign(lot []permutationBlock, number int, seeded []bool) {
	for _, b := range lot {
		ways := int(b.ways)
		rank := number % ways
		number /= ways
		left := b.seeded
		for i, unit := range b.units {
			// So many combinations have this unit seeded.
			with := int(choose(len(b.units)-i-1, left-1))
			if seeded[unit] = left > 0 && rank < with; seeded[unit] {
				left--
			} else {
				rank -= with
			}
		}
	}
}

// drawLot draws the seeded units of each block by a partial shuffle.
func drawLot(lot []permutationBlock, random *rand.Rand, seeded []bool, scratch []int) {
	for _, b := range lot {
		units := scratch[:copy(scratch, b.units)]
		for i, unit := range units {
			if i < b.seeded {
				j := i + random.IntN(len(units)-i)
				units[i], units[j] = units[j], unit
			}
		}
		for i, unit := range units {
			seeded[unit] = i < b.seeded
		}
	}
}

// DifferenceOfMeans is the statistic "mean of seeded less mean of unseeded".
func DifferenceOfMeans(amounts []float64) func(seeded []bool) float64 {
	return func(seeded []bool) float64 {
		s, u, n := sums(amounts, seeded)
		return s/n - u/(float64(len(amounts))-n)
	}
}

// LogRatio is the statistic ln of seeded over unseeded mean, 0 for no difference.
func LogRatio(target []float64) func(seeded []bool) float64 {
	return func(seeded []bool) float64 {
		s, u, n := sums(target, seeded)
		return math.Log(s / n / (u / (float64(len(target)) - n)))
	}
}

// LogDoubleRatio is the statistic ln (Ts/Cs)/(Tu/Cu).
func LogDoubleRatio(target, control []float64) func(seeded []bool) float64 {
	return func(seeded []bool) float64 {
		ts, tu, _ := sums(target, seeded)
		cs, cu, _ := sums(control, seeded)
		return math.Log(ts / cs / (tu / cu))
	}
}

// sums over seeded and unseeded units, and the number of seeded ones; NaN where
// the lengths differ.
func sums(amounts []float64, seeded []bool) (s, u, n float64) {
	if len(amounts) != len(seeded) {
		return nan, nan, nan
	}
	for i, x := range amounts {
		if seeded[i] {
			s += x
			n++
		} else {
			u += x
		}
	}
	return s, u, n
}
