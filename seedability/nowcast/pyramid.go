package nowcast

import (
	"math"
	"runtime"
	"sync"
)

// image is one level of a pyramid. Values are dB above a floor below which
// echo is all the same, smoothed; NaN is not seen.
type image struct {
	ni, nj   int
	spacingM float64
	v        []float32
	gx, gy   []float32 // central differences, dB per cell
}

// pyramid holds a frame at halved resolutions, the finest first.
type pyramid struct {
	levels []*image
	// seen and echo are summed areas (NI+1 by NJ+1) of the frame's cells.
	seen, echo []int32
}

// mostDBZ: the cores of hail and bright bands should not outweigh the rest.
const (
	mostDBZ      = 55
	belowEchoDB  = 5 // the floor lies this far below EchoDBZ
	coarsest     = 12
	coarseCells  = 3 // search, in cells, at the coarsest level
	mostLevels   = 8
	binomialSide = 2
)

func newPyramid(f *Frame, o MotionOptions) *pyramid {
	floor := float32(o.EchoDBZ - belowEchoDB)
	base := &image{ni: f.NI, nj: f.NJ, spacingM: f.SpacingM, v: make([]float32, len(f.DBZ))}
	for k, v := range f.DBZ {
		base.v[k] = max(0, min(v, mostDBZ)-floor) // NaN stays
	}
	p := &pyramid{}
	p.count(f, o)
	base.smooth()
	p.levels = []*image{base}
	reachM := o.FastestMPerS * o.LongestLag.Seconds()
	for last := base; len(p.levels) < mostLevels && reachM/last.spacingM > coarseCells && min(last.ni, last.nj) >= 2*coarsest; {
		last = last.half()
		last.smooth()
		p.levels = append(p.levels, last)
	}
	for _, level := range p.levels {
		level.differentiate()
	}
	return p
}

// count makes the summed areas.
func (p *pyramid) count(f *Frame, o MotionOptions) {
	w := f.NI + 1
	p.seen, p.echo = make([]int32, w*(f.NJ+1)), make([]int32, w*(f.NJ+1))
	for j := range f.NJ {
		var seen, echo int32
		for i := range f.NI {
			if v := f.DBZ[j*f.NI+i]; v == v {
				seen++
				if float64(v) > o.EchoDBZ {
					echo++
				}
			}
			k := (j+1)*w + i + 1
			p.seen[k], p.echo[k] = p.seen[k-w]+seen, p.echo[k-w]+echo
		}
	}
}

// box counts seen and echo cells within half of a cell, cut at the edges.
func (p *pyramid) box(i, j, half int) (seen, echo int) {
	base := p.levels[0]
	i0, i1 := max(i-half, 0), min(i+half+1, base.ni)
	j0, j1 := max(j-half, 0), min(j+half+1, base.nj)
	w := base.ni + 1
	at := func(s []int32) int { return int(s[j1*w+i1] - s[j0*w+i1] - s[j1*w+i0] + s[j0*w+i0]) }
	return at(p.seen), at(p.echo)
}

// smooth with binomial weights 1 4 6 4 1 over what was seen. A cell that was
// not seen stays so.
func (m *image) smooth() {
	weights := [2*binomialSide + 1]float32{1, 4, 6, 4, 1}
	out := make([]float32, len(m.v))
	pass := func(from, to []float32, along, step, across, stepAcross int) {
		parallel(across, func(first, end int) {
			for a := first; a < end; a++ {
				line := a * stepAcross
				for k := range along {
					here := line + k*step
					if from[here] != from[here] {
						to[here] = nan32
						continue
					}
					var sum, weight float32
					for d := -binomialSide; d <= binomialSide; d++ {
						if k+d < 0 || k+d >= along {
							continue
						}
						if v := from[here+d*step]; v == v {
							w := weights[d+binomialSide]
							sum += w * v
							weight += w
						}
					}
					to[here] = sum / weight
				}
			}
		})
	}
	pass(m.v, out, m.ni, 1, m.nj, m.ni)
	pass(out, m.v, m.nj, m.ni, m.ni, 1)
}

// half averages two by two cells; one that is mostly not seen is not seen.
func (m *image) half() *image {
	h := &image{ni: (m.ni + 1) / 2, nj: (m.nj + 1) / 2, spacingM: 2 * m.spacingM}
	h.v = make([]float32, h.ni*h.nj)
	for j := range h.nj {
		for i := range h.ni {
			var sum float32
			seen, cells := 0, 0
			for b := 2 * j; b < min(2*j+2, m.nj); b++ {
				for a := 2 * i; a < min(2*i+2, m.ni); a++ {
					cells++
					if v := m.v[b*m.ni+a]; v == v {
						sum += v
						seen++
					}
				}
			}
			h.v[j*h.ni+i] = nan32
			if 2*seen >= cells {
				h.v[j*h.ni+i] = sum / float32(seen)
			}
		}
	}
	return h
}

// differentiate by central differences; at the edges, none.
func (m *image) differentiate() {
	m.gx, m.gy = make([]float32, len(m.v)), make([]float32, len(m.v))
	for j := range m.nj {
		for i := range m.ni {
			k := j*m.ni + i
			if i > 0 && i < m.ni-1 {
				m.gx[k] = (m.v[k+1] - m.v[k-1]) / 2
			}
			if j > 0 && j < m.nj-1 {
				m.gy[k] = (m.v[k+m.ni] - m.v[k-m.ni]) / 2
			}
		}
	}
}

// at interpolates bilinearly between seen cells; NaN outside.
func (m *image) at(x, y float32) float32 {
	if !(x >= 0 && y >= 0 && x <= float32(m.ni-1) && y <= float32(m.nj-1)) {
		return nan32
	}
	i, j := min(int(x), max(m.ni-2, 0)), min(int(y), max(m.nj-2, 0))
	s, t := x-float32(i), y-float32(j)
	k := j*m.ni + i
	di, dj := min(1, m.ni-1), m.ni*min(1, m.nj-1)
	south := m.v[k] + s*(m.v[k+di]-m.v[k])
	north := m.v[k+dj] + s*(m.v[k+dj+di]-m.v[k+dj])
	return south + t*(north-south)
}

// parallel calls work on ranges that cover 0 to n. The work writes only what
// belongs to its range, so that the result does not depend on the cores.
func parallel(n int, work func(first, end int)) {
	workers := min(runtime.GOMAXPROCS(0), n)
	if workers <= 1 || n < 16 {
		work(0, n)
		return
	}
	var all sync.WaitGroup
	for w := range workers {
		all.Go(func() { work(n*w/workers, n*(w+1)/workers) })
	}
	all.Wait()
}

// gaussian are weights at 0, 1, 2 ... cells, out to three standard deviations.
func gaussian(sigmaCells float64) []float64 {
	weights := make([]float64, 1+int(math.Ceil(3*sigmaCells)))
	for k := range weights {
		weights[k] = math.Exp(-float64(k*k) / (2 * sigmaCells * sigmaCells))
	}
	return weights
}

// convolve sums the neighbours of each cell of a lattice, weighted, without
// dividing by the weights.
func convolve(values []float64, ni, nj int, weights []float64) []float64 {
	rows, out := make([]float64, len(values)), make([]float64, len(values))
	for j := range nj {
		for i := range ni {
			sum := 0.0
			for a := max(0, i-len(weights)+1); a < min(ni, i+len(weights)); a++ {
				sum += weights[max(a-i, i-a)] * values[j*ni+a]
			}
			rows[j*ni+i] = sum
		}
	}
	for j := range nj {
		for b := max(0, j-len(weights)+1); b < min(nj, j+len(weights)); b++ {
			w := weights[max(b-j, j-b)]
			for i := range ni {
				out[j*ni+i] += w * rows[b*ni+i]
			}
		}
	}
	return out
}
