package radar

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"rimeline/grid"
)

// Unfolding says what became of the velocity of one gate.
type Unfolding uint8

const (
	// NoVelocity: below threshold, range folded or not there.
	NoVelocity Unfolding = iota
	// Unfolded: the velocity agrees with its neighbours and, where there is one,
	// with the reference.
	Unfolded
	// Doubtful: neighbours and reference want different numbers of folds, or
	// there is neither. The value is the best guess.
	Doubtful
)

func (u Unfolding) String() string {
	switch u {
	case NoVelocity:
		return "no velocity"
	case Unfolded:
		return "unfolded"
	case Doubtful:
		return "doubtful"
	}
	return "unknown"
}

// Velocities are the radial velocities of a sweep after unfolding.
type Velocities struct {
	Sweep  *grid.Sweep
	Moment *grid.Moment
	// Gates of each radial that were looked at.
	Gates int
	// By radial as in the sweep, then by gate: the velocity, away from the radar
	// positive, NaN where there is none; how many times twice the Nyquist
	// velocity was added; and what is to be thought of it.
	MPerS []float32
	Folds []int8
	State []Unfolding
	// Measured gates, of which Changed were given another value and Doubtful are
	// not sure.
	Measured, Changed, Doubtful int
	// NyquistKnown is false where the file gives no Nyquist velocity for any
	// radial: velocities are then as they were measured, and not doubtful.
	NyquistKnown bool

	// Radials in order of azimuth, and of each of these its Nyquist velocity, NaN
	// where unknown.
	order        []int
	nyquistMPerS []float64
	// next is true where the following radial of the order is a neighbour.
	next []bool
}

// maxVelocityGates bounds what is unfolded at once: 7200 radials of 4000 gates.
const maxVelocityGates = 32 << 20

// errNoVelocity is returned for a sweep that has no velocity to unfold.
var errNoVelocity = errors.New("the sweep has no radial velocity")

// readVelocities scales the velocities of a sweep out to a range.
func readVelocities(s *grid.Sweep, maxRangeM float64) (*Velocities, error) {
	if s == nil || s.Mode.Vertical() {
		return nil, errNoVelocity
	}
	m := s.Moment(grid.MomentVelocity)
	if m == nil || m.Gates < 1 || !(m.GateSpacingM > 0) || !isFinite(m.GateSpacingM, m.FirstGateM) {
		return nil, errNoVelocity
	}
	v := &Velocities{Sweep: s, Moment: m, Gates: m.Gates}
	if maxRangeM > 0 {
		v.Gates = int(max(0, min(float64(m.Gates), math.Floor((maxRangeM-m.FirstGateM)/m.GateSpacingM)+1)))
	}
	n := min(len(s.Radials), len(m.Rows))
	if n == 0 || v.Gates == 0 || n > maxVelocityGates/v.Gates {
		return nil, errNoVelocity
	}
	v.MPerS, v.Folds, v.State = make([]float32, n*v.Gates), make([]int8, n*v.Gates), make([]Unfolding, n*v.Gates)
	row := make([]float32, m.Gates)
	for k := range n {
		row = m.Row(k, row)
		to := v.MPerS[k*v.Gates : (k+1)*v.Gates]
		copy(to, row)
		for g, value := range to {
			if value == value && !math.IsInf(float64(value), 0) {
				v.State[k*v.Gates+g] = Unfolded
				v.Measured++
			} else {
				to[g] = nan32
			}
		}
		if azimuth := float64(s.Radials[k].AzimuthDeg); azimuth >= 0 && azimuth <= 360 {
			v.order = append(v.order, k)
		}
	}
	slices.SortStableFunc(v.order, func(a, b int) int { return cmp.Compare(s.Radials[a].AzimuthDeg, s.Radials[b].AzimuthDeg) })
	v.nyquistMPerS, v.next = make([]float64, len(v.order)), make([]bool, len(v.order))
	for k, radial := range v.order {
		r := s.Radials[radial]
		v.nyquistMPerS[k] = float64(r.NyquistVelocityMPerS)
		if !(v.nyquistMPerS[k] > 0) {
			v.nyquistMPerS[k] = s.NyquistVelocityMPerS
		}
		if !(v.nyquistMPerS[k] > 0) || math.IsInf(v.nyquistMPerS[k], 0) {
			v.nyquistMPerS[k] = math.NaN()
		} else {
			v.NyquistKnown = true
		}
		gap := float64(s.Radials[v.order[(k+1)%len(v.order)]].AzimuthDeg - r.AzimuthDeg)
		if gap < 0 {
			gap += 360
		}
		v.next[k] = len(v.order) > 1 && gap <= 1.5*float64(r.SpacingDeg)
	}
	return v, nil
}

// elevationDeg of a radial; that of the sweep where it has none.
func (v *Velocities) elevationDeg(radial int) float64 {
	if el := float64(v.Sweep.Radials[radial].ElevationDeg); isFinite(el) {
		return el
	}
	return v.Sweep.ElevationDeg
}
