package radar

import (
	"cmp"
	"container/heap"
	"math"
	"slices"
)

// border is what two regions have in common: pairs of gates on both sides, and
// the sum of the folds these pairs want the second region to add, against the
// first.
type border struct {
	pairs int32
	folds int32
}

// borderKey names two regions, the lower one first.
type borderKey struct{ a, b int32 }

// agreedFolds is how far the mean of the votes may be from a whole number: three
// of four pairs agree. Where they do not, the reference decides on its own for
// both sides. Chosen here.
const agreedFolds = 0.25

// join unites regions along their borders, the longest first.
func (r *regions) join(v *Velocities) {
	votes := v.borders(r)
	if len(votes) == 0 {
		return
	}
	keys := make([]borderKey, 0, len(votes))
	for key := range votes {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(x, y borderKey) int {
		return cmp.Or(cmp.Compare(x.a, y.a), cmp.Compare(x.b, y.b))
	})
	neighbours := make([]map[int32]border, len(r.parent))
	set := func(a, b int32, x border) {
		if neighbours[a] == nil {
			neighbours[a] = make(map[int32]border)
		}
		neighbours[a][b] = x
	}
	queue := make(borderQueue, 0, len(keys))
	for _, key := range keys {
		x := votes[key]
		set(key.a, key.b, x)
		set(key.b, key.a, border{x.pairs, -x.folds})
		queue = append(queue, queuedBorder{x.pairs, key})
	}
	heap.Init(&queue)
	for len(queue) > 0 {
		next := heap.Pop(&queue).(queuedBorder)
		a, b := next.a, next.b
		x, still := neighbours[a][b]
		if !still || x.pairs != next.pairs { // joined since, or counted anew
			continue
		}
		mean := float64(x.folds) / float64(x.pairs)
		folds := int32(math.Round(mean))
		if math.Abs(mean-float64(folds)) > agreedFolds {
			continue // until one of the two has grown
		}
		if r.against(a, b, folds, x.pairs) {
			continue
		}
		// The one with fewer neighbours goes into the other.
		if len(neighbours[b]) > len(neighbours[a]) {
			a, b, folds = b, a, -folds
		}
		r.unite(a, b, folds)
		delete(neighbours[a], b)
		delete(neighbours[b], a)
		others := make([]int32, 0, len(neighbours[b]))
		for other := range neighbours[b] {
			others = append(others, other)
		}
		slices.Sort(others)
		for _, other := range others {
			// What other should add against b it should add against a, and b's shift.
			moved := neighbours[b][other]
			moved.folds += folds * moved.pairs
			sum := neighbours[a][other]
			sum = border{sum.pairs + moved.pairs, sum.folds + moved.folds}
			delete(neighbours[other], b)
			set(a, other, sum)
			set(other, a, border{sum.pairs, -sum.folds})
			key := borderKey{min(a, other), max(a, other)}
			heap.Push(&queue, queuedBorder{sum.pairs, key})
		}
		neighbours[b] = nil
	}
}

// against is true where the reference contradicts a join and the border is short
// for the smaller of the two: less than twice the side of a square of its size,
// half of what surrounds it. A longer one is believed against the reference,
// which knows no local wind.
func (r *regions) against(a, b, folds, pairs int32) bool {
	if r.references[a] == 0 || r.references[b] == 0 {
		return false
	}
	wantA, wantB := r.wanted[a]/float64(r.references[a]), r.wanted[b]/float64(r.references[b])-float64(folds)
	return math.Abs(wantA-wantB) > 0.6 && float64(pairs) < 2*math.Sqrt(float64(min(r.size[a], r.size[b])))
}

// borders counts the pairs of neighbouring gates of different regions.
func (v *Velocities) borders(r *regions) map[borderKey]border {
	votes := make(map[borderKey]border)
	vote := func(at, other int, from, to float32, nyquist float64) {
		a, b := r.of[at], r.of[other]
		if a < 0 || b < 0 || a == b {
			return
		}
		interval := 2 * nyquist
		difference := float64(to - from)
		folds := -math.Round(difference / interval) // what "to" should add
		if math.Abs(difference+folds*interval) > voteStep*nyquist || math.Abs(folds) > 4 {
			return
		}
		if a > b {
			a, b, folds = b, a, -folds
		}
		x := votes[borderKey{a, b}]
		votes[borderKey{a, b}] = border{x.pairs + 1, x.folds + int32(folds)}
	}
	for k, radial := range v.order {
		nyquist := v.nyquistMPerS[k]
		if nyquist != nyquist {
			continue
		}
		row := v.MPerS[radial*v.Gates : (radial+1)*v.Gates]
		last := -1 << 30
		for g, value := range row {
			if value != value {
				continue
			}
			if g-last <= gapGates+1 {
				vote(k*v.Gates+last, k*v.Gates+g, row[last], value, nyquist)
			}
			last = g
		}
		after := (k + 1) % len(v.order)
		if !v.next[k] || v.nyquistMPerS[after] != nyquist {
			continue
		}
		other := v.MPerS[v.order[after]*v.Gates:][:v.Gates]
		for g, value := range row {
			if value == value && other[g] == other[g] {
				vote(k*v.Gates+g, after*v.Gates+g, value, other[g], nyquist)
			}
		}
	}
	return votes
}

type queuedBorder struct {
	pairs int32
	borderKey
}

// borderQueue gives the longest border first, of equal ones that of the lowest
// regions.
type borderQueue []queuedBorder

func (q borderQueue) Len() int { return len(q) }
func (q borderQueue) Less(i, j int) bool {
	if q[i].pairs != q[j].pairs {
		return q[i].pairs > q[j].pairs
	}
	if q[i].a != q[j].a {
		return q[i].a < q[j].a
	}
	return q[i].b < q[j].b
}
func (q borderQueue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *borderQueue) Push(x any)   { *q = append(*q, x.(queuedBorder)) }
func (q *borderQueue) Pop() any {
	old := *q
	last := old[len(old)-1]
	*q = old[:len(old)-1]
	return last
}
