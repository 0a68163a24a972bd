package grid

import (
	"math"
	"slices"
)

const (
	// leastFraction and leastWeight are counted as nothing; what jumps there is
	// a thousandth of an increment.
	leastFraction, leastWeight = 1e-3, 1e-3
	// coefficients of an observation at one altitude: eastward, northward, K.
	spreadSize = 3
)

// spread holds what the observations give to every node: at time t, an altitude
// between two of altitudesM, and with weights ρ of the column, the sum of ρ
// times the coefficients, which are linear between altitudes.
type spread struct {
	of         []*comparison
	altitudesM []float64
	// of every time: spreadSize numbers an observation, observations of an
	// altitude together; nil where none counts.
	coefficients [][]float64
}

// spread solves for all times and altitudes; nil where nothing is to be
// changed.
func (a *Atmosphere) spread(used []*comparison, o *CorrectionOptions) *spread {
	s := &spread{of: used, coefficients: make([][]float64, len(a.times))}
	for _, u := range used {
		for _, n := range []*innovation{&u.wind, &u.temperature} {
			for _, segment := range n.segments {
				s.altitudesM = append(s.altitudesM, segment[0].altitudeM-o.FadeM, segment[len(segment)-1].altitudeM+o.FadeM)
				for _, p := range segment {
					s.altitudesM = append(s.altitudesM, p.altitudeM)
				}
			}
		}
	}
	slices.Sort(s.altitudesM)
	s.altitudesM = apart(s.altitudesM, 0.01, func(z *float64) float64 { return *z })
	if len(s.altitudesM) < 2 {
		return nil
	}

	weights := make([]float64, len(used)*len(used))
	for i, x := range used {
		for j, y := range used {
			weights[i*len(used)+j] = gaussian(DistanceM(x.observation.Column.Place, y.observation.Column.Place), o.LengthM)
		}
	}
	stride := len(used) * spreadSize
	eachRow(len(a.times), func(t int) {
		e := equations{used: used, weights: weights}
		for _, u := range used {
			e.ages = append(e.ages, a.times[t].Sub(u.at).Seconds())
		}
		coefficients := make([]float64, len(s.altitudesM)*stride)
		changes := false
		for k, altitudeM := range s.altitudesM {
			row := coefficients[k*stride : (k+1)*stride]
			changes = e.solve(altitudeM, false, o, row) || changes
			changes = e.solve(altitudeM, true, o, row) || changes
		}
		if changes {
			s.coefficients[t] = coefficients
		}
	})
	if !slices.ContainsFunc(s.coefficients, func(c []float64) bool { return c != nil }) {
		return nil
	}
	return s
}

// gaussian is the correlation of model errors at a distance.
func gaussian(distanceM, lengthM float64) float64 {
	return math.Exp(-0.5 * (distanceM / lengthM) * (distanceM / lengthM))
}

// timeFraction is how far an observation counts at an age, before or after.
func (o *CorrectionOptions) timeFraction(ageS float64) float64 {
	full, none := o.FullFor.Seconds(), o.NoneAfter.Seconds()
	switch ageS = math.Abs(ageS); {
	case ageS <= full:
		return 1
	case ageS >= none:
		return 0
	}
	return (none - ageS) / (none - full)
}

// equations of one time.
type equations struct {
	used    []*comparison
	weights []float64 // between observations
	ages    []float64 // seconds

	// Scratch: of the observations that count, their number, drift variance S,
	// matrix and right-hand sides.
	counting []int
	drift    []float64
	matrix   []float64
	right    [][2]float64
}

// solve writes the coefficients of one altitude, and tells whether any is not 0.
func (e *equations) solve(altitudeM float64, temperature bool, o *CorrectionOptions, row []float64) bool {
	e.counting, e.drift, e.right = e.counting[:0], e.drift[:0], e.right[:0]
	n := len(e.used)
	e.matrix = slices.Grow(e.matrix[:0], n*n)[:n*n]
	model := 0.0
	changes := false
	for i, u := range e.used {
		innovation := &u.wind
		if temperature {
			innovation = &u.temperature
		}
		value, variance, fraction := innovation.at(altitudeM, o.FadeM)
		fraction *= o.timeFraction(e.ages[i])
		if fraction < leastFraction {
			continue
		}
		model = innovation.model * innovation.model
		changes = changes || value != [2]float64{}
		m := len(e.counting)
		e.counting = append(e.counting, i)
		e.drift = append(e.drift, (model+variance)*(1-fraction)/fraction)
		e.right = append(e.right, value)
		for k, j := range e.counting {
			shared := model
			if (e.ages[i] > 0) == (e.ages[j] > 0) {
				shared += math.Min(e.drift[m], e.drift[k])
			}
			e.matrix[m*n+k] = shared * e.weights[i*n+j]
		}
		e.matrix[m*n+m] += variance
	}
	if !changes || !solveSymmetric(e.matrix, n, e.right) {
		return false
	}
	for k, i := range e.counting {
		c := row[i*spreadSize : (i+1)*spreadSize]
		if temperature {
			c[2] = model * e.right[k][0]
		} else {
			c[0], c[1] = model*e.right[k][0], model*e.right[k][1]
		}
	}
	return true
}

// solveSymmetric replaces right by the solution, by the Cholesky decomposition
// of the lower triangle of a positive definite matrix with rows of stride
// numbers, which is overwritten; false where it is not positive definite.
func solveSymmetric(matrix []float64, stride int, right [][2]float64) bool {
	for i := range right {
		row := matrix[i*stride : i*stride+i+1]
		for j := range i + 1 {
			sum, other := row[j], matrix[j*stride:j*stride+j+1]
			for k := range j {
				sum -= row[k] * other[k]
			}
			if j < i {
				row[j] = sum / other[j]
				continue
			}
			if !(sum > 0) {
				return false
			}
			row[i] = math.Sqrt(sum)
		}
	}
	for i := range right {
		for q := range right[i] {
			for k := range i {
				right[i][q] -= matrix[i*stride+k] * right[k][q]
			}
			right[i][q] /= matrix[i*stride+i]
		}
	}
	for i := len(right) - 1; i >= 0; i-- {
		for q := range right[i] {
			for k := i + 1; k < len(right); k++ {
				right[i][q] -= matrix[k*stride+i] * right[k][q]
			}
			right[i][q] /= matrix[i*stride+i]
		}
	}
	return true
}
