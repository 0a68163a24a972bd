package nowcast

import (
	"math"
	"sort"
)

// vectors are candidates on a lattice, in m/s. quality 0 is not accepted.
type vectors struct{ u, v, quality []float64 }

func newVectors(n int) *vectors {
	return &vectors{make([]float64, n), make([]float64, n), make([]float64, n)}
}

func (w *vectors) accepted() int {
	n := 0
	for _, q := range w.quality {
		if q > 0 {
			n++
		}
	}
	return n
}

// Most by which a vector may differ from the median of the accepted ones among
// its 3 x 3 neighbours: the larger of a share of the median's length and a
// speed. Common practice, no source.
const (
	outlierShare   = 0.25
	outlierMPerS   = 3
	outlierJudges  = 3 // accepted vectors, itself one of them
	outlierRejects = 2 // passes
)

func rejectOutliers(w *vectors, lattice Plane) {
	var us, vs [9]float64
	out := make([]bool, len(w.u))
	for range outlierRejects {
		for j := range lattice.NJ {
			for i := range lattice.NI {
				k := j*lattice.NI + i
				out[k] = false
				if w.quality[k] == 0 {
					continue
				}
				n := 0
				for b := max(j-1, 0); b <= min(j+1, lattice.NJ-1); b++ {
					for a := max(i-1, 0); a <= min(i+1, lattice.NI-1); a++ {
						if at := b*lattice.NI + a; w.quality[at] > 0 {
							us[n], vs[n] = w.u[at], w.v[at]
							n++
						}
					}
				}
				if n < outlierJudges {
					continue
				}
				u, v := median(us[:n]), median(vs[:n])
				allowed := max(outlierMPerS, outlierShare*math.Hypot(u, v))
				out[k] = math.Hypot(w.u[k]-u, w.v[k]-v) > allowed
			}
		}
		for k, rejected := range out {
			if rejected {
				w.quality[k] = 0
			}
		}
	}
}

// median sorts its argument.
func median(values []float64) float64 {
	sort.Float64s(values)
	n := len(values)
	return (values[(n-1)/2] + values[n/2]) / 2
}

// judge gives each vector the correlation of its box with where it came from,
// and 0 where there is too little echo or likeness.
func judge(w *vectors, from, to *pyramid, lagS float64, lattice Plane, o MotionOptions) {
	a, b := from.levels[0], to.levels[0]
	step := int(math.Round(lattice.SpacingM / b.spacingM))
	half := boxHalf(o, b.spacingM)
	parallel(lattice.NJ, func(first, end int) {
		for j := first; j < end; j++ {
			for i := range lattice.NI {
				k := j*lattice.NI + i
				ci, cj := cellOf(i, step, b.ni), cellOf(j, step, b.nj)
				w.quality[k] = 0
				if !enoughEcho(to, ci, cj, half, o) || math.Hypot(w.u[k], w.v[k]) > o.FastestMPerS {
					continue
				}
				dx, dy := float32(w.u[k]*lagS/b.spacingM), float32(w.v[k]*lagS/b.spacingM)
				var s correlation
				for y := max(cj-half, 0); y < min(cj+half+1, b.nj); y++ {
					for x := max(ci-half, 0); x < min(ci+half+1, b.ni); x++ {
						s.add(a.at(float32(x)-dx, float32(y)-dy), b.v[y*b.ni+x])
					}
				}
				if r := s.pearson((2*half + 1) * (2*half + 1) / 2); r >= o.LeastCorrelation {
					w.quality[k] = r
				}
			}
		}
	})
}

// cellOf is the cell in the middle of a step of the lattice.
func cellOf(i, step, n int) int { return min(i*step+(step-1)/2, n-1) }

// mostBoxCells bounds the work, should options ask for the absurd.
const mostBoxCells = 200

// boxHalf: the box reaches this many cells to each side; never less than 5 x 5.
func boxHalf(o MotionOptions, spacingM float64) int {
	return max(2, int(math.Round(min(o.BoxM/spacingM, mostBoxCells)/2-0.5)))
}

func enoughEcho(p *pyramid, i, j, half int, o MotionOptions) bool {
	seen, echo := p.box(i, j, half)
	return 2*seen >= (2*half+1)*(2*half+1) && float64(echo) >= o.EchoShare*float64(seen)
}

// correlation gathers the sums of Pearson's r over pairs that were both seen.
type correlation struct {
	n                int
	a, b, aa, bb, ab float32
}

func (s *correlation) add(a, b float32) {
	if a != a || b != b {
		return
	}
	s.n++
	s.a += a
	s.b += b
	s.aa += a * a
	s.bb += b * b
	s.ab += a * b
}

// leastVarianceDB2: flat boxes correlate by rounding alone.
const leastVarianceDB2 = 0.25

// pearson is 0 for fewer than least pairs and for flat boxes.
func (s *correlation) pearson(least int) float64 {
	if s.n < max(least, 2) {
		return 0
	}
	n := float64(s.n)
	a, b := float64(s.a)/n, float64(s.b)/n
	va, vb := float64(s.aa)/n-a*a, float64(s.bb)/n-b*b
	if va < leastVarianceDB2 || vb < leastVarianceDB2 {
		return 0
	}
	return (float64(s.ab)/n - a*b) / math.Sqrt(va*vb)
}

// Weights of the wider windows beside the one of SmoothM: thrice as wide, and
// everywhere. They reach where there is no echo and steady where there is little.
const (
	wideShare     = 0.05
	everywhere    = 1e-4
	wideTimes     = 3
	floorSpreadMS = 1 // in the mosaics of the tests, motion of successive 10 min differs by more
)

// pool sums values over neighbours with the weights of the three windows.
func pool(values []float64, lattice Plane, o MotionOptions) []float64 {
	sigma := min(o.SmoothM/lattice.SpacingM, float64(max(lattice.NI, lattice.NJ)))
	near := convolve(values, lattice.NI, lattice.NJ, gaussian(sigma))
	wide := convolve(values, lattice.NI, lattice.NJ, gaussian(wideTimes*sigma))
	total := 0.0
	for _, v := range values {
		total += v
	}
	for k := range near {
		near[k] += wideShare*wide[k] + everywhere*total
	}
	return near
}

// spreadOut fills every place from the accepted vectors, weighted by quality
// and distance.
func spreadOut(w *vectors, lattice Plane, o MotionOptions) (u, v []float64) {
	n := len(w.u)
	wu, wv, wq := make([]float64, n), make([]float64, n), make([]float64, n)
	for k, q := range w.quality {
		if q > 0 {
			wu[k], wv[k], wq[k] = q*w.u[k], q*w.v[k], q
		}
	}
	u, v = pool(wu, lattice, o), pool(wv, lattice, o)
	for k, q := range pool(wq, lattice, o) {
		if q > 0 {
			u[k] /= q
			v[k] /= q
		} else {
			u[k], v[k] = 0, 0
		}
	}
	return u, v
}

// fill makes the dense field of the accepted vectors.
func (m *Motion) fill(w *vectors, o MotionOptions) {
	u, v := spreadOut(w, m.Plane, o)
	n := len(u)
	m.EastwardMPerS, m.NorthwardMPerS, m.Quality = make([]float32, n), make([]float32, n), make([]float32, n)
	sum, sumU, sumV := 0.0, 0.0, 0.0
	for k, q := range w.quality {
		if q > 0 && m.Method == LucasKanade { // smooth already
			u[k], v[k] = w.u[k], w.v[k]
		}
		m.EastwardMPerS[k], m.NorthwardMPerS[k] = float32(u[k]), float32(v[k])
		if q > 0 {
			m.Quality[k] = float32(q)
			m.Accepted++
			sum, sumU, sumV = sum+q, sumU+q*u[k], sumV+q*v[k]
		}
	}
	m.Mean = Vector{sumU / sum, sumV / sum}
}

// spread measures how far the correlated boxes scatter about the field.
func (m *Motion) spread(correlated *vectors, o MotionOptions) {
	n := len(correlated.u)
	square, weight := make([]float64, n), make([]float64, n)
	for k, q := range correlated.quality {
		if q > 0 {
			du, dv := correlated.u[k]-float64(m.EastwardMPerS[k]), correlated.v[k]-float64(m.NorthwardMPerS[k])
			square[k], weight[k] = (du*du+dv*dv)/2, 1
		}
	}
	square, weight = pool(square, m.Plane, o), pool(weight, m.Plane, o)
	m.SpreadMPerS = make([]float32, n)
	for k := range n {
		sd := float64(outlierMPerS) // nothing to measure it by
		if weight[k] > 0 {
			sd = math.Sqrt(max(0, square[k]/weight[k]))
		}
		m.SpreadMPerS[k] = float32(max(floorSpreadMS, sd))
	}
}
