package radar

import (
	"cmp"
	"math"
	"slices"

	"rimeline/grid"
)

// The first guess is made for layers of this depth, of speeds up to the fastest,
// where at least a quarter of the circle has data and the folded velocities
// agree: the mean of cos(pi (V - V_fit)/V_N) is 1 for perfect agreement, 0 for
// none. Below half of the circle a layer must agree with the one below it to 15
// m/s. Chosen here.
const (
	guessStepM         = 500
	guessFastestMPerS  = 90
	guessLeastCoverage = 0.25
	guessSureCoverage  = 0.5
	guessFarthestMPerS = 15
	guessLeastMean     = 0.6
)

// foldedGate is a velocity as an angle: pi at the Nyquist velocity, where it
// folds.
type foldedGate struct {
	angle               float64
	perEast, perNorth   float64 // angle that 1 m/s of wind makes here
	mPerS, nyquistMPerS float64
}

// FirstGuess finds the wind profile from velocities that are still folded. A
// folded velocity is an angle, so the wind sought is that with the greatest mean
// cosine of the differences between measured and expected angles around a ring:
// folding does not change it. The maximum is searched over all winds up to 90
// m/s, then refined by least squares; where several winds do nearly as well, that
// nearest to the layer below is taken. Where the volume says nothing the profile
// knows nothing.
func FirstGuess(v *grid.Volume, o VADOptions) WindAt {
	if v == nil || !isFinite(v.Antenna.AltitudeM) {
		return func(float64) (float64, float64, bool) { return 0, 0, false }
	}
	o = o.withDefaults()
	var sweeps []*Velocities
	for _, s := range v.Sweeps {
		if s == nil || !(math.Abs(s.ElevationDeg) <= steepestDeg) {
			continue
		}
		if velocities, err := readVelocities(s, o.MaxRangeM); err == nil && velocities.NyquistKnown {
			sweeps = append(sweeps, velocities)
		}
	}
	var levels []WindLevel
	for layer := 0; float64(layer)*guessStepM < o.TopM; layer++ {
		bottomM := float64(layer) * guessStepM
		if level, ok := guessLayer(sweeps, bottomM, bottomM+guessStepM, levels, o); ok {
			level.AltitudeM += v.Antenna.AltitudeM
			levels = append(levels, level)
		}
	}
	levels = withoutOutliers(levels)
	return func(altitudeM float64) (float64, float64, bool) {
		if len(levels) > 0 && altitudeM < levels[0].AltitudeM && altitudeM >= levels[0].AltitudeM-farthestBetweenM {
			altitudeM = levels[0].AltitudeM // down to the ground, where clutter hides the wind
		}
		return windBetween(levels, altitudeM)
	}
}

// guessLayer takes the sweep with the most directions, of equal ones that with
// the greater Nyquist velocity.
func guessLayer(sweeps []*Velocities, bottomM, topM float64, below []WindLevel, o VADOptions) (WindLevel, bool) {
	var best []foldedGate
	bestRank := 0.0
	for _, v := range sweeps {
		ring := v.ring(bottomM, topM, o)
		if len(ring) == 0 || float64(len(ring)) < guessLeastCoverage*360/sectorsDeg {
			continue
		}
		if rank := float64(len(ring)) * (1 + ring[0].nyquistMPerS/100); rank > bestRank {
			best, bestRank = ring, rank
		}
	}
	if best == nil {
		return WindLevel{}, false
	}
	var near *WindLevel
	if n := len(below); n > 0 {
		near = &below[n-1]
	}
	east, north, mean := fitFolded(best, near)
	if mean < guessLeastMean {
		return WindLevel{}, false
	}
	// A sector alone may fit a wind that is far off.
	if float64(len(best)) < guessSureCoverage*360/sectorsDeg &&
		(near == nil || math.Hypot(east-near.EastwardMPerS, north-near.NorthwardMPerS) > guessFarthestMPerS) {
		return WindLevel{}, false
	}
	return WindLevel{AltitudeM: (bottomM + topM) / 2, EastwardMPerS: east, NorthwardMPerS: north}, true
}

// ring takes from each sector the gate with a velocity nearest to the middle of
// the layer, which lies between heights above the antenna.
func (v *Velocities) ring(bottomM, topM float64, o VADOptions) []foldedGate {
	first, last := v.Gates, -1
	for g := range v.Gates {
		rangeM := v.Moment.GateRangeM(g)
		height := grid.BeamAltitudeM(0, rangeM, v.Sweep.ElevationDeg)
		if rangeM >= o.MinRangeM && height >= bottomM && height < topM {
			first, last = min(first, g), max(last, g)
		}
	}
	if last < first {
		return nil
	}
	const n = 360 / sectorsDeg
	var nearest [n]int
	var ring [n]foldedGate
	for k, radial := range v.order {
		nyquist := v.nyquistMPerS[k]
		if nyquist != nyquist {
			continue
		}
		azimuth := float64(v.Sweep.Radials[radial].AzimuthDeg)
		at := min(int(azimuth/sectorsDeg), n-1)
		for g := first; g <= last; g++ {
			value := float64(v.MPerS[radial*v.Gates+g])
			away := 1 + max(2*g-first-last, first+last-2*g)
			if value != value || (nearest[at] > 0 && away >= nearest[at]) {
				continue
			}
			nearest[at] = away
			sin, cos := math.Sincos(azimuth * radPerDeg)
			angle := math.Pi / nyquist
			level := angle * math.Cos(v.elevationDeg(radial)*radPerDeg)
			ring[at] = foldedGate{angle: angle * value, perEast: level * sin, perNorth: level * cos, mPerS: value, nyquistMPerS: nyquist}
		}
	}
	var gates []foldedGate
	for k, away := range nearest {
		if away > 0 && isFinite(ring[k].angle, ring[k].perEast) {
			gates = append(gates, ring[k])
		}
	}
	return gates
}

// guess is one wind and how well it fits.
type guess struct{ east, north, mean float64 }

// fitFolded searches and refines.
func fitFolded(ring []foldedGate, near *WindLevel) (eastwardMPerS, northwardMPerS, mean float64) {
	slowest := math.Inf(1)
	for _, g := range ring {
		slowest = min(slowest, g.nyquistMPerS)
	}
	// A third of the Nyquist velocity off, the cosine is still half.
	step := max(slowest/3, 2)
	half := int(guessFastestMPerS / step)
	n := 2*half + 1
	means := make([]float64, n*n)
	for _, g := range ring {
		// cos(angle - east perEast - north perNorth), turned on from cell to cell.
		sinStep, cosStep := math.Sincos(g.perEast * step)
		for j := range n {
			sin, cos := math.Sincos(g.angle - float64(j-half)*step*g.perNorth + float64(half)*step*g.perEast)
			row := means[j*n : (j+1)*n]
			for i := range row {
				row[i] += cos
				sin, cos = sin*cosStep-cos*sinStep, cos*cosStep+sin*sinStep
			}
		}
	}
	at := func(i, j int) float64 {
		if i < 0 || j < 0 || i >= n || j >= n {
			return math.Inf(-1)
		}
		return means[j*n+i]
	}
	var peaks []guess
	for j := range n {
		for i := range n {
			here := at(i, j)
			if math.Hypot(float64(i-half), float64(j-half)) > float64(half) || here < at(i-1, j) || here < at(i, j-1) || here < at(i+1, j) || here < at(i, j+1) {
				continue
			}
			peaks = append(peaks, guess{float64(i-half) * step, float64(j-half) * step, here / float64(len(ring))})
		}
	}
	slices.SortStableFunc(peaks, func(a, b guess) int { return cmp.Compare(b.mean, a.mean) })
	peaks = peaks[:min(len(peaks), 6)]
	for k := range peaks {
		peaks[k] = peaks[k].refined(ring)
	}
	best := guess{mean: -1}
	for _, p := range peaks {
		if p.mean > best.mean {
			best = p
		}
	}
	away := func(p guess) float64 {
		if near == nil {
			return math.Hypot(p.east, p.north)
		}
		return math.Hypot(p.east-near.EastwardMPerS, p.north-near.NorthwardMPerS)
	}
	for _, p := range peaks {
		if p.mean > best.mean-0.03 && away(p) < away(best)-1 {
			best = guess{p.east, p.north, max(best.mean, p.mean)}
		}
	}
	return best.east, best.north, best.mean
}

// refined unfolds the ring to the wind and fits again, a few times.
func (p guess) refined(ring []foldedGate) guess {
	for range 5 {
		var ee, en, nn, e, n float64
		for _, g := range ring {
			rest := math.Remainder(g.angle-p.east*g.perEast-p.north*g.perNorth, 2*math.Pi)
			if math.Abs(rest) > math.Pi/2 {
				continue // clutter, or another wind
			}
			ee, en, nn = ee+g.perEast*g.perEast, en+g.perEast*g.perNorth, nn+g.perNorth*g.perNorth
			e, n = e+g.perEast*rest, n+g.perNorth*rest
		}
		det := ee*nn - en*en
		if !(det > 1e-3*ee*nn) {
			break
		}
		p.east += (nn*e - en*n) / det
		p.north += (ee*n - en*e) / det
	}
	sum := 0.0
	for _, g := range ring {
		sum += math.Cos(g.angle - p.east*g.perEast - p.north*g.perNorth)
	}
	p.mean = sum / float64(len(ring))
	if !isFinite(p.east, p.north, p.mean) || math.Hypot(p.east, p.north) > guessFastestMPerS {
		p.mean = -1
	}
	return p
}

// withoutOutliers drops layers that differ from both neighbours by more than 15
// m/s while these agree better with each other.
func withoutOutliers(levels []WindLevel) []WindLevel {
	away := func(a, b WindLevel) float64 {
		return math.Hypot(a.EastwardMPerS-b.EastwardMPerS, a.NorthwardMPerS-b.NorthwardMPerS)
	}
	var kept []WindLevel
	for k, l := range levels {
		if k > 0 && k+1 < len(levels) {
			a, b := away(l, levels[k-1]), away(l, levels[k+1])
			if min(a, b) > guessFarthestMPerS && away(levels[k-1], levels[k+1]) < min(a, b) {
				continue
			}
		}
		kept = append(kept, l)
	}
	return kept
}
