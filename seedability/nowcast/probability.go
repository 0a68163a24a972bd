package nowcast

import "math"

// Probability that reflectivity is at least a threshold: the share of the seen
// cells of the neighbourhood (a disc) that are. NaN where the cell itself is
// not seen.
func (s Step) Probability(thresholdDBZ float64) []float32 {
	f := s.Frame
	if f.check() != nil {
		return nil
	}
	n := len(f.DBZ)
	above, seen := make([]float64, n), make([]float64, n)
	for k, v := range f.DBZ {
		if v == v {
			seen[k] = 1
			if float64(v) >= thresholdDBZ {
				above[k] = 1
			}
		}
	}
	radius := 0
	if r := s.NeighbourhoodM / 2 / f.SpacingM; r > 0 {
		radius = int(math.Round(min(r, float64(max(f.NI, f.NJ)))))
	}
	numerator, denominator := newDisc(above, f.NI, f.NJ, radius), newDisc(seen, f.NI, f.NJ, radius)
	out := make([]float32, n)
	parallel(f.NJ, func(first, end int) {
		for j := first; j < end; j++ {
			for i := range f.NI {
				k := j*f.NI + i
				out[k] = nan32
				if seen[k] > 0 {
					out[k] = float32(numerator.at(i, j) / denominator.at(i, j))
				}
			}
		}
	})
	return out
}

// disc sums a field over discs, by row sums from the western edge.
type disc struct {
	ni, nj, radius int
	rows           []float64 // ni+1 a row
	reach          []int     // half width of the disc by row off its middle
}

func newDisc(values []float64, ni, nj, radius int) *disc {
	d := &disc{ni: ni, nj: nj, radius: radius, rows: make([]float64, (ni+1)*nj), reach: make([]int, radius+1)}
	for b := range d.reach {
		d.reach[b] = int(math.Sqrt(float64(radius*radius - b*b)))
	}
	for j := range nj {
		sum := 0.0
		for i := range ni {
			sum += values[j*ni+i]
			d.rows[j*(ni+1)+i+1] = sum
		}
	}
	return d
}

func (d *disc) at(i, j int) float64 {
	sum := 0.0
	for b := max(j-d.radius, 0); b <= min(j+d.radius, d.nj-1); b++ {
		reach := d.reach[max(b-j, j-b)]
		row := d.rows[b*(d.ni+1):]
		sum += row[min(i+reach+1, d.ni)] - row[max(i-reach, 0)]
	}
	return sum
}
