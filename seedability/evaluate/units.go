package evaluate

import "fmt"

// maxControls bounds the controls of a regression.
const maxControls = 16

// Units are the precipitation amounts of a set of seasons or storm days: those of
// the target, and those of one or more controls, all in one unit (mm of water, by
// custom). Controls[j][i] is control j in unit i.
type Units struct {
	Target   []float64
	Controls [][]float64
}

// usable gives the units without missing or impossible amounts.
func (u Units) usable(what string) (Units, Counts, error) {
	var counts Counts
	if len(u.Controls) > maxControls {
		return Units{}, counts, fmt.Errorf("%s units: %d controls are more than %d", what, len(u.Controls), maxControls)
	}
	if len(u.Target) > maxBlocks {
		return Units{}, counts, fmt.Errorf("%s units: %d are more than %d", what, len(u.Target), maxBlocks)
	}
	for j, c := range u.Controls {
		if len(c) != len(u.Target) {
			return Units{}, counts, fmt.Errorf("%s units: control %d has %d amounts, the target %d", what, j, len(c), len(u.Target))
		}
	}
	good := Units{Controls: make([][]float64, len(u.Controls))}
	row := make([]float64, 1+len(u.Controls))
	for i, t := range u.Target {
		row[0] = t
		for j, c := range u.Controls {
			row[1+j] = c[i]
		}
		// Negated, so that NaN is refused too.
		ok := true
		for _, x := range row {
			ok = ok && x >= 0 && finite(x)
		}
		if !ok {
			counts.refuse(row...)
			continue
		}
		counts.Used++
		good.Target = append(good.Target, t)
		for j := range u.Controls {
			good.Controls[j] = append(good.Controls[j], row[1+j])
		}
	}
	return good, counts, nil
}

// meanControl is the mean of the controls of each unit.
func (u Units) meanControl() []float64 {
	mean := make([]float64, len(u.Target))
	for _, c := range u.Controls {
		for i, x := range c {
			mean[i] += x / float64(len(u.Controls))
		}
	}
	return mean
}

// moments are means, variances and covariance (by n - 1) of two rows of numbers.
type moments struct {
	n              float64
	meanX, meanY   float64
	varX, varY, xy float64
}

func momentsOf(x, y []float64) moments {
	m := moments{n: float64(len(x))}
	for i := range x {
		k := float64(i + 1)
		dx, dy := x[i]-m.meanX, y[i]-m.meanY
		m.meanX += dx / k
		m.meanY += dy / k
		m.varX += dx * (x[i] - m.meanX)
		m.varY += dy * (y[i] - m.meanY)
		m.xy += dx * (y[i] - m.meanY)
	}
	m.varX /= m.n - 1
	m.varY /= m.n - 1
	m.xy /= m.n - 1
	return m
}
