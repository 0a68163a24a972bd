package radar

import "math"

// harmonics of the radial velocity around a ring; a1 and b1 are those of the
// horizontal wind, already divided by cos(el).
type harmonics struct {
	a0, a1, b1, a2, b2                float64
	residualMPerS, standardErrorMPerS float64
}

func (h harmonics) at(s sector) float64 {
	return h.a0 + s.level*(h.a1*s.sin+h.b1*s.cos) + h.a2*s.sin2 + h.b2*s.cos2
}

// fitHarmonics solves the normal equations over the sectors that are not out;
// false where these do not determine the wind.
func fitHarmonics(sectors []sector, second bool) (harmonics, bool) {
	unknowns := 3
	if second {
		unknowns = 5
	}
	var normal [5][6]float64
	count := 0
	for _, s := range sectors {
		if s.out {
			continue
		}
		count++
		row := [6]float64{1, s.level * s.sin, s.level * s.cos, s.sin2, s.cos2, 0}
		for i := range unknowns {
			for j := range unknowns {
				normal[i][j] += row[i] * row[j]
			}
			normal[i][5] += row[i] * s.mPerS
		}
	}
	if count <= unknowns {
		return harmonics{}, false
	}
	inverse, ok := invertSymmetric(normal, unknowns)
	if !ok {
		return harmonics{}, false
	}
	var x [5]float64
	for i := range unknowns {
		for j := range unknowns {
			x[i] += inverse[i][j] * normal[j][5]
		}
	}
	h := harmonics{a0: x[0], a1: x[1], b1: x[2], a2: x[3], b2: x[4]}
	sum := 0.0
	for _, s := range sectors {
		if !s.out {
			away := s.mPerS - h.at(s)
			sum += away * away
		}
	}
	h.residualMPerS = math.Sqrt(sum / float64(count))
	h.standardErrorMPerS = math.Sqrt(sum / float64(count-unknowns) * (inverse[1][1] + inverse[2][2]))
	return h, isFinite(h.a0, h.a1, h.b1, h.standardErrorMPerS)
}

// invertSymmetric inverts the leading n x n part by Gauss and Jordan with the
// largest pivot; false where it is singular, or so nearly that a hundredth of a
// unit in the data would be one in the result.
func invertSymmetric(m [5][6]float64, n int) (inverse [5][5]float64, ok bool) {
	for i := range n {
		inverse[i][i] = 1
	}
	largest := 0.0
	for i := range n {
		largest = max(largest, math.Abs(m[i][i]))
	}
	for column := range n {
		pivot := column
		for i := column + 1; i < n; i++ {
			if math.Abs(m[i][column]) > math.Abs(m[pivot][column]) {
				pivot = i
			}
		}
		if !(math.Abs(m[pivot][column]) > 1e-4*largest) {
			return inverse, false
		}
		m[pivot], m[column] = m[column], m[pivot]
		inverse[pivot], inverse[column] = inverse[column], inverse[pivot]
		scale := 1 / m[column][column]
		for j := range n {
			m[column][j] *= scale
			inverse[column][j] *= scale
		}
		for i := range n {
			if i == column {
				continue
			}
			factor := m[i][column]
			for j := range n {
				m[i][j] -= factor * m[column][j]
				inverse[i][j] -= factor * inverse[column][j]
			}
		}
	}
	return inverse, true
}
