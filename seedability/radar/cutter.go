package radar

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rimeline/grid"
)

// reading is what one elevation, or the surface, tells over one cell.
type reading struct {
	value     float32 // Z for reflectivity until the end, else the moment
	sight     grid.Sight
	altitudeM float64
	halfM     float64
	sweep     int
	time      time.Time
}

// level is all sweeps at one elevation, the preferred one first.
type level struct {
	elevationDeg float64
	sinEl, cosEl float64
	shares       []float32 // blockage, nil where free or unknown
	sweeps       []*polarSweep
}

// levelsOf sorts the sweeps that have the moment, from the lowest up.
func (g *Gridder) levelsOf(v *grid.Volume, moment string) []*level {
	var sweeps []*polarSweep
	for k, s := range v.Sweeps {
		if s == nil || s.Mode.Vertical() {
			continue
		}
		if m := s.Moment(moment); m != nil {
			if p := newPolarSweep(k, s, m); p != nil {
				sweeps = append(sweeps, p)
			}
		}
	}
	slices.SortStableFunc(sweeps, func(a, b *polarSweep) int { return cmp.Compare(a.elevationDeg, b.elevationDeg) })
	var levels []*level
	for _, p := range sweeps {
		if n := len(levels); n > 0 && p.elevationDeg-levels[n-1].elevationDeg < sameElevationDeg {
			levels[n-1].sweeps = append(levels[n-1].sweeps, p)
			continue
		}
		l := &level{elevationDeg: p.elevationDeg, sweeps: []*polarSweep{p}}
		l.sinEl, l.cosEl = math.Sincos(p.elevationDeg * radPerDeg)
		if g.skyline != nil {
			l.shares = g.skyline.at(p.elevationDeg)
		}
		levels = append(levels, l)
	}
	for _, l := range levels {
		farthest := 0.0
		for _, p := range l.sweeps {
			farthest = max(farthest, p.reachM)
		}
		slices.SortStableFunc(l.sweeps, func(a, b *polarSweep) int {
			if far, near := a.reachM >= 0.9*farthest, b.reachM >= 0.9*farthest; far != near {
				if far {
					return -1
				}
				return 1
			}
			return b.sweep.Start.Compare(a.sweep.Start)
		})
	}
	return levels
}

// cutter is one call of Grid.
type cutter struct {
	*Gridder
	surface      Surface
	reflectivity bool
	levels       []*level
	halfWindowM  float64
	beamwidthDeg float64

	// The surface at every stride-th column and row; NaN where unknown.
	stride    int
	latticeNI int
	latticeM  []float64
}

// at is the cell (i, j), k of all.
func (c *cutter) at(i, j, k int) reading {
	var r reading
	switch c.surface.kind {
	case lowestSurface:
		r = c.lowest(k)
	case greatestSurface:
		r = c.greatest(k)
	default:
		altitudeM := c.surface.fixedM
		if c.surface.kind == variedSurface {
			altitudeM = c.surfaceAt(i, j)
		}
		if !isFinite(altitudeM) {
			r = notSeen(NoSurface)
			break
		}
		r = c.atAltitude(k, altitudeM)
	}
	switch {
	case r.sight == grid.Echo && c.reflectivity:
		r.value = max(GridNoEchoDBZ, float32(10*math.Log10(float64(r.value))))
	case r.sight == grid.NoEcho && c.reflectivity:
		r.value = GridNoEchoDBZ
	case r.sight != grid.Echo:
		r.value = nan32
	}
	return r
}

func notSeen(why grid.Sight) reading {
	return reading{value: nan32, sight: why, altitudeM: math.NaN(), sweep: -1}
}

func (c *cutter) lowest(k int) reading {
	first := notSeen(grid.NoRadial)
	for n, l := range c.levels {
		r := c.read(l, k)
		if r.sight.Seen() {
			return r
		}
		if n == 0 {
			first = r
		}
	}
	return first
}

// highestEchoM is above all weather; common practice, no source.
const highestEchoM = 20e3

func (c *cutter) greatest(k int) reading {
	best := notSeen(grid.NoRadial)
	for n, l := range c.levels {
		if n > 0 && c.nominalAltitudeM(l, k) > highestEchoM {
			break
		}
		r := c.read(l, k)
		if n == 0 || (r.sight.Seen() && !best.sight.Seen()) ||
			(r.sight == grid.Echo && (best.sight != grid.Echo || r.value > best.value)) {
			best = r
		}
	}
	return best
}

func (c *cutter) atAltitude(k int, altitudeM float64) reading {
	n := len(c.levels)
	if n == 0 {
		return notSeen(grid.NoRadial)
	}
	// The first level whose beam passes above the altitude.
	above := 0
	for above < n && c.nominalAltitudeM(c.levels[above], k) <= altitudeM {
		above++
	}
	if above == 0 || above == n {
		r := c.read(c.levels[min(above, n-1)], k)
		switch {
		case r.sight == grid.OutsideRange && math.IsNaN(r.altitudeM):
		case altitudeM < r.altitudeM-r.halfM && above == 0:
			r.sight = grid.Overshot
		case altitudeM > r.altitudeM+r.halfM && above == n:
			r.sight = grid.AboveScan
		}
		return r
	}
	low, high := c.read(c.levels[above-1], k), c.read(c.levels[above], k)
	near, far := low, high
	if math.Abs(high.altitudeM-altitudeM) < math.Abs(low.altitudeM-altitudeM) {
		near, far = high, low
	}
	if !near.sight.Seen() || !far.sight.Seen() || c.levels[above].elevationDeg-c.levels[above-1].elevationDeg > greatestGapDeg {
		switch {
		case near.sight.Seen() && math.Abs(near.altitudeM-altitudeM) <= near.halfM:
			return near
		case far.sight.Seen() && math.Abs(far.altitudeM-altitudeM) <= far.halfM:
			return far
		case near.sight.Seen() && far.sight.Seen(): // in a gap
			near.sight = grid.NoRadial
		case near.sight.Seen():
			near.sight = far.sight
		}
		return near
	}
	weight := 0.0 // of high
	if high.altitudeM > low.altitudeM {
		weight = max(0, min(1, (altitudeM-low.altitudeM)/(high.altitudeM-low.altitudeM)))
	}
	near.value, near.sight = c.mix(near, low, high, weight)
	return near
}

// mix is linear from a (weight 0) to b (weight 1), both of which were seen.
func (c *cutter) mix(near, a, b reading, weight float64) (float32, grid.Sight) {
	if a.sight == grid.Echo && b.sight == grid.Echo {
		return a.value + float32(weight)*(b.value-a.value), grid.Echo
	}
	if c.reflectivity {
		z := float32(0)
		if a.sight == grid.Echo {
			z = a.value * float32(1-weight)
		}
		if b.sight == grid.Echo {
			z = b.value * float32(weight)
		}
		if z > 0 {
			return z, grid.Echo
		}
		return 0, grid.NoEcho
	}
	return near.value, near.sight
}

// nominalAltitudeM is that of the beam at the mean elevation of the level;
// infinite where it never passes over the cell.
func (c *cutter) nominalAltitudeM(l *level, k int) float64 {
	return c.beamAltitudeM(l.sinEl, l.cosEl, k)
}

// beamAltitudeM and slantM follow from the law of sines in the triangle of the
// centre of the 4/3 earth, the antenna and the gate, as grid.BeamSlantRangeM.
func (c *cutter) beamAltitudeM(sinEl, cosEl float64, k int) float64 {
	down := cosEl*c.cosDist[k] - sinEl*c.sinDist[k]
	if !(down > 1e-9) {
		return math.Inf(1)
	}
	return effectiveEarthRadiusM*(cosEl/down-1) + c.antenna.AltitudeM
}

func (c *cutter) slantM(sinEl, cosEl float64, k int) (float64, bool) {
	down := cosEl*c.cosDist[k] - sinEl*c.sinDist[k]
	if !(down > 1e-9) {
		return 0, false
	}
	return effectiveEarthRadiusM * c.sinDist[k] / down, true
}

// read gives what a level tells over a cell: the first sweep that saw it, else
// why the preferred one did not.
func (c *cutter) read(l *level, k int) reading {
	share := 0.0
	if l.shares != nil {
		share = c.skyline.shareOf(l.shares, float64(c.azimuthDeg[k]), float64(c.distanceM[k]))
	}
	var first reading
	for n, p := range l.sweeps {
		r := c.readSweep(p, l, k)
		if share >= grid.BlockedShare && r.sight != grid.OutsideRange && r.sight != grid.NoRadial {
			r.sight = grid.Blocked
		}
		if r.sight.Seen() {
			if share > 0 && c.reflectivity && r.sight == grid.Echo {
				r.value /= float32(1 - share) // grid.BlockageCorrectionDB as a factor
			}
			return r
		}
		if n == 0 {
			first = r
		}
	}
	return first
}

func (c *cutter) readSweep(p *polarSweep, l *level, k int) reading {
	r := reading{value: nan32, sight: grid.NoRadial, sweep: p.index, time: p.sweep.Start, altitudeM: c.nominalAltitudeM(l, k)}
	near, far, weight := p.radialsAt(float64(c.azimuthDeg[k]))
	sinEl, cosEl := l.sinEl, l.cosEl
	if near >= 0 {
		sinEl, cosEl = p.sinEl[near], p.cosEl[near]
		r.time = p.sweep.Radials[near].Time
	}
	slantM, ok := c.slantM(sinEl, cosEl, k)
	if !ok {
		r.altitudeM, r.sight = math.NaN(), grid.OutsideRange
		return r
	}
	r.altitudeM = c.beamAltitudeM(sinEl, cosEl, k)
	r.halfM = grid.BeamHalfWidthM(slantM, c.beamwidthDeg)
	if near < 0 {
		return r
	}
	// Near the radar a cell holds several radials.
	if halfDeg := min(c.halfWindowM/float64(c.distanceM[k])/radPerDeg, 90); 2*halfDeg > 1.5*float64(p.sweep.Radials[near].SpacingDeg) {
		r.value, r.sight = p.across(float64(c.azimuthDeg[k]), halfDeg, slantM, c.halfWindowM, c.reflectivity)
		return r
	}
	r.value, r.sight = p.along(near, slantM, c.halfWindowM, c.reflectivity)
	if far < 0 || !r.sight.Seen() {
		return r
	}
	other := reading{}
	if other.value, other.sight = p.along(far, slantM, c.halfWindowM, c.reflectivity); other.sight.Seen() {
		r.value, r.sight = c.mix(r, r, other, weight)
	}
	return r
}

// askSurface fills the lattice of the surface's altitudes.
func (c *cutter) askSurface(workers int) {
	c.stride = max(1, int(surfaceStepM/c.plane.SpacingM))
	c.latticeNI = (c.plane.NI-1+c.stride-1)/c.stride + 1
	latticeNJ := (c.plane.NJ-1+c.stride-1)/c.stride + 1
	c.latticeM = make([]float64, c.latticeNI*latticeNJ)
	eachRow(latticeNJ, workers, func(j int) {
		for i := range c.latticeNI {
			altitudeM, ok := c.surface.altitudeM(c.plane.Place(c.plane.XM(i*c.stride), c.plane.YM(j*c.stride)))
			if !ok {
				altitudeM = math.NaN()
			}
			c.latticeM[j*c.latticeNI+i] = altitudeM
		}
	})
}

// surfaceAt is bilinear; where a corner is unknown the cell itself is asked.
func (c *cutter) surfaceAt(i, j int) float64 {
	i0, j0 := i/c.stride, j/c.stride
	k, fi, fj := j0*c.latticeNI+i0, float64(i%c.stride)/float64(c.stride), float64(j%c.stride)/float64(c.stride)
	value := c.latticeM[k]
	if i%c.stride != 0 {
		value += fi * (c.latticeM[k+1] - value)
	}
	if j%c.stride != 0 {
		upper := c.latticeM[k+c.latticeNI]
		if i%c.stride != 0 {
			upper += fi * (c.latticeM[k+c.latticeNI+1] - upper)
		}
		value += fj * (upper - value)
	}
	if isFinite(value) {
		return value
	}
	altitudeM, ok := c.surface.altitudeM(c.plane.Place(c.plane.XM(i), c.plane.YM(j)))
	if !ok {
		return math.NaN()
	}
	return altitudeM
}
