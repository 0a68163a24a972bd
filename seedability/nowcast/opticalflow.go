package nowcast

import "math"

// Rounds of linearising at each level; more change little.
const (
	flowRounds     = 3
	flowFineRounds = 4
	// robustDB: differences much larger than this are growth, decay or
	// clutter, not motion (Cauchy's weight).
	robustDB = 6
)

// opticalFlow fits, to the windows around each place, the motion that explains
// by advection how the newest frame came of the older ones. All cells
// of a window share one motion; windows fall off as pool does, so places
// without echo take that of the echo around.
func opticalFlow(from []*pyramid, to *pyramid, lagsS []float64, lattice Plane, o MotionOptions) *vectors {
	n := lattice.NI * lattice.NJ
	w := newVectors(n)
	step := int(math.Round(lattice.SpacingM / to.levels[0].spacingM))
	var sums [5][]float64
	for level := len(to.levels) - 1; level >= 0; level-- {
		rounds := flowRounds
		if level == 0 {
			rounds = flowFineRounds
		}
		for range rounds {
			for k := range sums {
				sums[k] = make([]float64, n)
			}
			for k, p := range from {
				gather(&sums, p.levels[level], to.levels[level], lagsS[k], float64(step)/float64(int(1)<<level), w, lattice)
			}
			solve(&sums, w, lattice, o)
		}
	}
	return w
}

// gather adds, for every cell, the equation s ∇I·v = s ∇I·v0 + I0 - I1 in
// squares and products to the sums of the lattice's cell that it is in. s is
// cells per m/s; the older frame I0 is taken at the departure point of v0. So
// motion belongs to where echo is now.
func gather(sums *[5][]float64, a, b *image, lagS, step float64, w *vectors, lattice Plane) {
	s := float32(lagS / b.spacingM)
	rowsOf := make([]int, lattice.NJ+1) // first row of each row of the lattice
	for j := range rowsOf {
		rowsOf[j] = min(b.nj, int(math.Ceil(float64(j)*step-0.5)))
	}
	rowsOf[lattice.NJ] = b.nj
	type place struct {
		cell, left, right int
		share             float32
	}
	columns := make([]place, b.ni)
	for i := range columns {
		at := (float64(i)+0.5)/step - 0.5
		left := max(0, min(int(math.Floor(at)), lattice.NI-1))
		columns[i] = place{cell: min(int((float64(i)+0.5)/step), lattice.NI-1), left: left, right: min(left+1, lattice.NI-1), share: float32(max(0, min(1, at-float64(left))))}
	}
	parallel(lattice.NJ, func(first, end int) {
		u, v := make([]float32, lattice.NI), make([]float32, lattice.NI)
		for row := first; row < end; row++ {
			for j := rowsOf[row]; j < rowsOf[row+1]; j++ {
				at := (float64(j)+0.5)/step - 0.5
				low := max(0, min(int(math.Floor(at)), lattice.NJ-1))
				high, share := min(low+1, lattice.NJ-1), max(0, min(1, at-float64(low)))
				for i := range u {
					u[i] = float32((1-share)*w.u[low*lattice.NI+i] + share*w.u[high*lattice.NI+i])
					v[i] = float32((1-share)*w.v[low*lattice.NI+i] + share*w.v[high*lattice.NI+i])
				}
				for i := range b.ni {
					c := columns[i]
					ui, vi := u[c.left]+c.share*(u[c.right]-u[c.left]), v[c.left]+c.share*(v[c.right]-v[c.left])
					was, here := a.corner(float32(i)-s*ui, float32(j)-s*vi), j*b.ni+i
					if was.k < 0 {
						continue
					}
					gx, gy := (was.of(a.gx)+b.gx[here])/2, (was.of(a.gy)+b.gy[here])/2
					e := was.of(a.v) - b.v[here]
					if gx == 0 && gy == 0 {
						continue
					}
					sx, sy := s*gx, s*gy
					right := sx*ui + sy*vi + e
					if right != right { // not seen
						continue
					}
					weight := 1 / (1 + e*e/(robustDB*robustDB))
					cell := row*lattice.NI + c.cell
					sums[0][cell] += float64(weight * sx * sx)
					sums[1][cell] += float64(weight * sx * sy)
					sums[2][cell] += float64(weight * sy * sy)
					sums[3][cell] += float64(weight * sx * right)
					sums[4][cell] += float64(weight * sy * right)
				}
			}
		}
	})
}

// corner is a place between four cells, and their weights.
type corner struct {
	k, row             int // k is negative off the image
	w00, w10, w01, w11 float32
}

func (m *image) corner(x, y float32) corner {
	if !(x >= 0 && y >= 0 && x < float32(m.ni-1) && y < float32(m.nj-1)) {
		return corner{k: -1}
	}
	i, j := int(x), int(y)
	p, q := x-float32(i), y-float32(j)
	return corner{j*m.ni + i, m.ni, (1 - p) * (1 - q), p * (1 - q), (1 - p) * q, p * q}
}

func (c *corner) of(v []float32) float32 {
	south, north := v[c.k:c.k+2], v[c.k+c.row:c.k+c.row+2]
	return c.w00*south[0] + c.w10*south[1] + c.w01*north[0] + c.w11*north[1]
}

// solve the two equations of each window. ridge keeps the direction along an
// edge, of which nothing is seen, near the last estimate.
func solve(sums *[5][]float64, w *vectors, lattice Plane, o MotionOptions) {
	const ridge = 1e-3
	var m [5][]float64
	for k := range sums {
		m[k] = pool(sums[k], lattice, o)
	}
	for k := range w.u {
		r := ridge * (m[0][k] + m[2][k]) / 2
		xx, xy, yy := m[0][k]+r, m[1][k], m[2][k]+r
		bx, by := m[3][k]+r*w.u[k], m[4][k]+r*w.v[k]
		det := xx*yy - xy*xy
		if !(det > 0) {
			continue
		}
		u, v := (bx*yy-by*xy)/det, (by*xx-bx*xy)/det
		// A step beyond the search is a loss of footing.
		if speed := math.Hypot(u, v); speed > 1.5*o.FastestMPerS {
			u, v = u*1.5*o.FastestMPerS/speed, v*1.5*o.FastestMPerS/speed
		}
		w.u[k], w.v[k] = u, v
	}
}
