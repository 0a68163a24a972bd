package nowcast

import "math"

// trec tracks boxes by correlation from coarse to fine. Each level searches
// around what the coarser one found, outliers rejected and gaps filled.
func trec(from, to *pyramid, lagS float64, lattice Plane, o MotionOptions) *vectors {
	n := lattice.NI * lattice.NJ
	u, v := make([]float64, n), make([]float64, n)
	var w *vectors
	last := min(len(from.levels), len(to.levels)) - 1
	for level := last; level >= 0; level-- {
		reach := 2
		if level == last {
			reach = max(2, int(math.Ceil(o.FastestMPerS*lagS/to.levels[level].spacingM)))
		}
		w = correlate(from, to, level, reach, u, v, lagS, lattice, o)
		if level > 0 {
			rejectOutliers(w, lattice)
			if w.accepted() > 0 {
				u, v = spreadOut(w, lattice, o)
			}
		}
	}
	return w
}

// mostReach bounds the search, should options ask for the absurd.
const mostReach = 24

// correlate searches, for the box around each place of the newer frame, the
// one most like it in the older, around a first guess in m/s.
func correlate(from, to *pyramid, level, reach int, u, v []float64, lagS float64, lattice Plane, o MotionOptions) *vectors {
	a, b := from.levels[level], to.levels[level]
	w := newVectors(len(u))
	step := int(math.Round(lattice.SpacingM / to.levels[0].spacingM))
	half, wholeHalf := boxHalf(o, b.spacingM), boxHalf(o, to.levels[0].spacingM)
	if level > 0 {
		half = max(3, half)
		wholeHalf = half << level
		o.EchoShare /= float64(int(1) << level) // wide boxes around narrow bands
	}
	reach = min(reach, mostReach)
	side := 2*reach + 1
	perCell := b.spacingM / lagS
	parallel(lattice.NJ, func(first, end int) {
		r := make([]float64, side*side)
		for j := first; j < end; j++ {
			for i := range lattice.NI {
				k := j*lattice.NI + i
				wholeI, wholeJ := cellOf(i, step, to.levels[0].ni), cellOf(j, step, to.levels[0].nj)
				if !enoughEcho(to, wholeI, wholeJ, wholeHalf, o) {
					continue
				}
				ci, cj := wholeI>>level, wholeJ>>level
				gi, gj := int(math.Round(u[k]/perCell)), int(math.Round(v[k]/perCell))
				best := -1
				for dj := -reach; dj <= reach; dj++ {
					for di := -reach; di <= reach; di++ {
						at := (dj+reach)*side + di + reach
						r[at] = likeness(a, b, ci, cj, gi+di, gj+dj, half)
						if best < 0 || r[at] > r[best] {
							best = at
						}
					}
				}
				bi, bj := best%side, best/side
				// A maximum on the edge of the search is none.
				if r[best] < o.LeastCorrelation || bi == 0 || bj == 0 || bi == side-1 || bj == side-1 {
					continue
				}
				w.u[k] = (float64(gi+bi-reach) + parabola(r[best-1], r[best], r[best+1])) * perCell
				w.v[k] = (float64(gj+bj-reach) + parabola(r[best-side], r[best], r[best+side])) * perCell
				if math.Hypot(w.u[k], w.v[k]) <= o.FastestMPerS {
					w.quality[k] = r[best]
				}
			}
		}
	})
	return w
}

// likeness is Pearson's r between a box of b and the box of a displaced by
// (-di, -dj).
func likeness(a, b *image, ci, cj, di, dj, half int) float64 {
	i0, i1 := max(ci-half, di, 0), min(ci+half+1, b.ni, a.ni+di)
	j0, j1 := max(cj-half, dj, 0), min(cj+half+1, b.nj, a.nj+dj)
	var s correlation
	for j := j0; j < j1; j++ {
		if i1 <= i0 {
			break
		}
		now, then := b.v[j*b.ni+i0:j*b.ni+i1], a.v[(j-dj)*a.ni+i0-di:(j-dj)*a.ni+i1-di]
		for k, value := range now {
			s.add(then[k], value)
		}
	}
	return s.pearson((2*half + 1) * (2*half + 1) / 2)
}

// parabola is the place of the maximum through three points, in steps from the
// middle one.
func parabola(before, here, after float64) float64 {
	curvature := before - 2*here + after
	if !(curvature < 0) {
		return 0
	}
	return max(-0.5, min(0.5, (before-after)/(2*curvature)))
}
