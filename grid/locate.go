package grid

import "math"

// edgeTolerance, in steps, is how far outside of the outermost rows and columns
// a place still counts as on them: positions are printed with six decimals of a
// degree, a ten-thousandth of a step of the finest grids.
const edgeTolerance = 1e-3

// hasValues reports whether n values are one for each grid point.
func (g *Grid) hasValues(n int) bool {
	return g.NI > 0 && g.NJ > 0 && n%g.NI == 0 && n/g.NI == g.NJ
}

// LatLonAt is the place of column i and row j, which may have fractions. It
// reports false more than half a step outside of the grid, and where the
// projection has no place there.
func (g *Grid) LatLonAt(i, j float64) (LatLon, bool) {
	nowhere := LatLon{math.NaN(), math.NaN()}
	if g.NI < 1 || g.NJ < 1 || !(i >= -0.5) || !(j >= -0.5) || !(j <= float64(g.NJ)-0.5) {
		return nowhere, false
	}
	if last := float64(g.NI) - 0.5; !(i <= last) && !(g.Cyclic && i <= last+0.5) {
		return nowhere, false
	}
	if g.Curvilinear != nil {
		return g.Curvilinear.at(i, j, g.NI, g.NJ, g.Cyclic)
	}
	if g.Projection == nil {
		return nowhere, false
	}
	return g.Projection.Inverse(g.columnX(i), g.Y.Coordinate(j))
}

// columnX is X.Coordinate, except between the last and the first column of a
// cyclic grid, where the step is what is left of the circle.
func (g *Grid) columnX(i float64) float64 {
	if beyond := i - float64(g.NI-1); g.Cyclic && beyond > 0 {
		if first, last, sign, period := g.circle(); period > 0 {
			return last + beyond*(sign*period-(last-first))
		}
	}
	return g.X.Coordinate(i)
}

// circle gives the ends of the x axis, its direction, and what x a whole turn
// is; period is 0 where x does not return.
func (g *Grid) circle() (first, last, sign, period float64) {
	if p, ok := g.Projection.(periodic); ok {
		period = p.periodX()
	}
	first, last = g.X.Coordinate(0), g.X.Coordinate(float64(g.NI-1))
	sign = 1
	if last < first || (last == first && g.X.Step < 0) {
		sign = -1
	}
	return first, last, sign, period
}

// column is the fractional column of plane coordinate x, outside of [0, NI-1]
// where x is outside of the grid. Of the turns of a periodic x it takes the one
// that lies on the grid, or else nearest to it.
func (g *Grid) column(x float64) float64 {
	first, last, sign, period := g.circle()
	if period > 0 {
		ahead := sign * (x - first)
		if !(ahead >= 0 && ahead < period) {
			if ahead = math.Mod(ahead, period); ahead < 0 {
				ahead += period
			}
			if ahead >= period {
				ahead = 0
			}
		}
		if span := sign * (last - first); ahead > span {
			switch {
			case g.Cyclic:
				return min(float64(g.NI-1)+(ahead-span)/(period-span), math.Nextafter(float64(g.NI), 0))
			case ahead-span > period-ahead:
				ahead -= period
			}
		}
		x = first + sign*ahead
	}
	return axisIndex(g.X, g.NI, x)
}

// axisIndex is Axis.Index, with an answer for an axis of a single point too: 0
// on the point, an infinity off it.
func axisIndex(a Axis, n int, coordinate float64) float64 {
	if (len(a.At) == 0 && a.Step != 0) || len(a.At) > 1 {
		return a.Index(coordinate)
	}
	off := coordinate - a.Coordinate(0)
	if math.Abs(off) <= 1e-9*math.Max(1, math.Abs(coordinate)) {
		return 0
	}
	return off * math.Inf(1)
}

// Locate is the fractional column and row of a place, inside [0, NI-1] and
// [0, NJ-1]; on a cyclic grid i lies in [NI-1, NI) between the last and the
// first column. It reports false outside of the grid and where positions are
// not known.
func (g *Grid) Locate(p LatLon) (i, j float64, ok bool) {
	if g.Curvilinear != nil {
		return g.Curvilinear.locate(p, g.NI, g.NJ, g.Cyclic)
	}
	i, j, ok = g.indices(p)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	lastI, lastJ := float64(g.NI-1), float64(g.NJ-1)
	if !(j >= -edgeTolerance && j <= lastJ+edgeTolerance) {
		return math.NaN(), math.NaN(), false
	}
	if g.Cyclic && i > lastI && i < float64(g.NI) {
		return i, min(max(j, 0), lastJ), true
	}
	if !(i >= -edgeTolerance && i <= lastI+edgeTolerance) {
		return math.NaN(), math.NaN(), false
	}
	return min(max(i, 0), lastI), min(max(j, 0), lastJ), true
}

// indices is Locate without the limits, for grids with a projection.
func (g *Grid) indices(p LatLon) (i, j float64, ok bool) {
	if g.Projection == nil || g.NI < 1 || g.NJ < 1 || !isPlace(p) {
		return math.NaN(), math.NaN(), false
	}
	x, y, ok := g.Projection.Forward(p)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	return g.column(x), axisIndex(g.Y, g.NJ, y), true
}

// Nearest is the grid point nearest to a place by great-circle distance. It
// reports false farther than about one step outside of the grid.
func (g *Grid) Nearest(p LatLon) (i, j int, distanceM float64, ok bool) {
	if g.NI < 1 || g.NJ < 1 || !isPlace(p) {
		return 0, 0, math.NaN(), false
	}
	if g.Curvilinear != nil {
		i, j, distanceM, ok = g.Curvilinear.nearest(p, g.NI, g.NJ)
		if !ok {
			return 0, 0, math.NaN(), false
		}
		if _, _, inside := g.Curvilinear.locate(p, g.NI, g.NJ, g.Cyclic); inside {
			return i, j, distanceM, true
		}
		return i, j, distanceM, g.withinStep(i, j, distanceM)
	}
	fi, fj, ok := g.indices(p)
	if !ok {
		return 0, 0, math.NaN(), false
	}
	lastI, lastJ := float64(g.NI-1), float64(g.NJ-1)
	near := fi >= -1 && (fi <= lastI+1 || g.Cyclic) && fj >= -1 && fj <= lastJ+1
	_, angular := g.Projection.(periodic)
	// Far off, walking to the nearest point is only worth while where columns
	// meet: beside a pole.
	if !near && !(angular && fj >= -2 && fj <= lastJ+2) {
		return 0, 0, math.NaN(), false
	}
	i = int(math.Round(min(max(fi, 0), lastI)))
	j = int(math.Round(min(max(fj, 0), lastJ)))
	i, j, distanceM = g.walkToNearest(p, i, j)
	return i, j, distanceM, !math.IsInf(distanceM, 0) && (near || g.withinStep(i, j, distanceM))
}

// walkToNearest goes from neighbour to nearer neighbour.
func (g *Grid) walkToNearest(p LatLon, i, j int) (int, int, float64) {
	distance := func(i, j int) float64 {
		if place, ok := g.LatLonAt(float64(i), float64(j)); ok {
			return DistanceM(p, place)
		}
		return math.Inf(1)
	}
	best := distance(i, j)
	for range g.NI + g.NJ {
		nextI, nextJ, next := i, j, best
		for dj := -1; dj <= 1; dj++ {
			for di := -1; di <= 1; di++ {
				ii, jj := i+di, j+dj
				if g.Cyclic {
					ii = (ii + g.NI) % g.NI
				}
				if ii < 0 || ii >= g.NI || jj < 0 || jj >= g.NJ || (ii == i && jj == j) {
					continue
				}
				// At a pole all columns are one place: rounding must not choose.
				if d := distance(ii, jj); d < next-1e-6 {
					nextI, nextJ, next = ii, jj, d
				}
			}
		}
		if next == best {
			break
		}
		i, j, best = nextI, nextJ, next
	}
	return i, j, best
}

// withinStep reports whether a distance is at most the longer step at (i, j).
func (g *Grid) withinStep(i, j int, distanceM float64) bool {
	dx, dy := g.spacingAtM(float64(i), float64(j))
	return distanceM <= dx || distanceM <= dy
}

// SpacingM is the real distance between neighbouring columns and neighbouring
// rows around a place, by great circle; NaN where the place is not on the grid
// or where there is only one column or row.
func (g *Grid) SpacingM(p LatLon) (dxM, dyM float64) {
	i, j, ok := g.Locate(p)
	if !ok {
		return math.NaN(), math.NaN()
	}
	return g.spacingAtM(i, j)
}

func (g *Grid) spacingAtM(i, j float64) (dxM, dyM float64) {
	span := func(from, to float64, at func(float64) (LatLon, bool)) float64 {
		a, okA := at(from)
		b, okB := at(to)
		if !okA || !okB || !(to > from) {
			return math.NaN()
		}
		return DistanceM(a, b) / (to - from)
	}
	lastI, lastJ := float64(g.NI-1), float64(g.NJ-1)
	toI := min(i+0.5, lastI)
	if g.Cyclic {
		toI = i + 0.5
		if toI >= float64(g.NI) { // stay inside the last gap
			toI = i
		}
	}
	dxM = span(max(i-0.5, 0), toI, func(k float64) (LatLon, bool) { return g.LatLonAt(k, j) })
	dyM = span(max(j-0.5, 0), min(j+0.5, lastJ), func(k float64) (LatLon, bool) { return g.LatLonAt(i, k) })
	return dxM, dyM
}

// EastAngleRad is the angle, counterclockwise, by which a vector with components
// along x and y of the projection (along i and j of a curvilinear grid) must be
// turned to have eastward and northward components:
//
//	eastward  = u cos(angle) - v sin(angle)
//	northward = u sin(angle) + v cos(angle)
//
// The place may lie outside of the grid, unless the grid is curvilinear.
func (g *Grid) EastAngleRad(p LatLon) (float64, bool) {
	if !isPlace(p) {
		return math.NaN(), false
	}
	if g.Curvilinear != nil {
		i, j, ok := g.Locate(p)
		if !ok {
			return math.NaN(), false
		}
		return g.eastAngleOfColumnsRad(i, j)
	}
	switch projection := g.Projection.(type) {
	case nil:
		return math.NaN(), false
	case orienting:
		return projection.eastAngleRad(p)
	default:
		return numericalEastAngleRad(projection, p)
	}
}

// eastDirectionAt gives cosine and sine of EastAngleRad at a grid point.
func (g *Grid) eastDirectionAt(i, j int) (cos, sin float64, ok bool) {
	if g.Curvilinear == nil {
		if projection, known := g.Projection.(planeOrienting); known {
			return projection.eastDirection(g.X.Coordinate(float64(i)), g.Y.Coordinate(float64(j)))
		}
	}
	angle, ok := g.pointEastAngleRad(i, j)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	sin, cos = math.Sincos(angle)
	return cos, sin, true
}

// pointEastAngleRad is EastAngleRad at a grid point.
func (g *Grid) pointEastAngleRad(i, j int) (float64, bool) {
	if g.Curvilinear != nil {
		return g.eastAngleOfColumnsRad(float64(i), float64(j))
	}
	p, ok := g.LatLonAt(float64(i), float64(j))
	if !ok {
		return math.NaN(), false
	}
	return g.EastAngleRad(p)
}

// numericalEastAngleRad serves projections from outside of this package: the
// direction in the plane of a short step north, about 10 m.
func numericalEastAngleRad(projection Projection, p LatLon) (float64, bool) {
	const halfStepDeg = 5e-5
	south, north := p, p
	south.LatitudeDeg = max(p.LatitudeDeg-halfStepDeg, -90)
	north.LatitudeDeg = min(p.LatitudeDeg+halfStepDeg, 90)
	x0, y0, ok0 := projection.Forward(south)
	x1, y1, ok1 := projection.Forward(north)
	if !ok0 || !ok1 || (x0 == x1 && y0 == y1) {
		return math.NaN(), false
	}
	return math.Atan2(x1-x0, y1-y0), true
}

// eastAngleOfColumnsRad is the direction, from east, of growing i.
func (g *Grid) eastAngleOfColumnsRad(i, j float64) (float64, bool) {
	from, to := max(i-0.5, 0), min(i+0.5, float64(g.NI-1))
	a, okA := g.LatLonAt(from, j)
	b, okB := g.LatLonAt(to, j)
	p, okP := g.LatLonAt(i, j)
	if !okA || !okB || !okP || !(to > from) {
		return math.NaN(), false
	}
	_, east, north := localAxes(p)
	va, vb := unitVector(a), unitVector(b)
	d := vector{vb[0] - va[0], vb[1] - va[1], vb[2] - va[2]}
	x, y := d.dot(east), d.dot(north)
	return math.Atan2(y, x), x != 0 || y != 0
}

// RotateToEarth turns wind components of the file at a place into eastward and
// northward ones. They are returned as they are unless WindsGridRelative.
func (g *Grid) RotateToEarth(u, v float64, p LatLon) (eastward, northward float64, ok bool) {
	if !g.WindsGridRelative {
		return u, v, true
	}
	angle, ok := g.EastAngleRad(p)
	if !ok {
		return math.NaN(), math.NaN(), false
	}
	sin, cos := math.Sincos(angle)
	return u*cos - v*sin, u*sin + v*cos, true
}

// Same reports whether two grids have the same points in the same order.
func (g *Grid) Same(o *Grid) bool {
	if g == o {
		return true
	}
	if g == nil || o == nil || g.NI != o.NI || g.NJ != o.NJ || g.Cyclic != o.Cyclic || g.Name != o.Name {
		return false
	}
	if g.Curvilinear != nil || o.Curvilinear != nil {
		return g.Curvilinear != nil && o.Curvilinear != nil &&
			(g.Curvilinear == o.Curvilinear ||
				sameNumbers(g.Curvilinear.LatitudeDeg, o.Curvilinear.LatitudeDeg) &&
					sameNumbers(g.Curvilinear.LongitudeDeg, o.Curvilinear.LongitudeDeg))
	}
	return g.X.same(o.X) && g.Y.same(o.Y) && sameProjection(g.Projection, o.Projection)
}

func (a Axis) same(b Axis) bool {
	if len(a.At) > 0 || len(b.At) > 0 {
		return sameNumbers(a.At, b.At)
	}
	return a.First == b.First && a.Step == b.Step
}

// sameNumbers takes NaN for equal to NaN.
func sameNumbers(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	for k := range a {
		if a[k] != b[k] && !(math.IsNaN(a[k]) && math.IsNaN(b[k])) {
			return false
		}
	}
	return true
}
