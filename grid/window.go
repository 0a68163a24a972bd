package grid

import (
	"fmt"
	"math"
	"sort"
)

// Crop is the grid of a window's columns and rows, each where it was. On a
// cyclic grid the window may run on past the last column. A window that is not
// on the grid is an error.
func (g *Grid) Crop(w Window) (*Grid, error) {
	inI := w.NI >= 1 && w.NI <= g.NI && w.I0 >= 0 && w.I0 < g.NI && (w.I0 <= g.NI-w.NI || g.Cyclic)
	inJ := w.NJ >= 1 && w.NJ <= g.NJ && w.J0 >= 0 && w.J0 <= g.NJ-w.NJ
	if !inI || !inJ {
		return nil, fmt.Errorf("window of columns %d+%d and rows %d+%d is not on a grid of %d columns and %d rows", w.I0, w.NI, w.J0, w.NJ, g.NI, g.NJ)
	}
	out := &Grid{
		Name: g.Name, Projection: g.Projection, NI: w.NI, NJ: w.NJ,
		X: g.X, Y: g.Y.crop(w.J0, w.NJ),
		Cyclic: g.Cyclic && w.NI == g.NI, WindsGridRelative: g.WindsGridRelative,
	}
	if g.Curvilinear != nil {
		if !g.Curvilinear.complete(g.NI, g.NJ) {
			return nil, fmt.Errorf("%d latitudes and %d longitudes for %d columns and %d rows", len(g.Curvilinear.LatitudeDeg), len(g.Curvilinear.LongitudeDeg), g.NI, g.NJ)
		}
		out.Curvilinear = &Curvilinear{LatitudeDeg: make([]float64, 0, w.NI*w.NJ), LongitudeDeg: make([]float64, 0, w.NI*w.NJ)}
		for j := w.J0; j < w.J0+w.NJ; j++ {
			for i := w.I0; i < w.I0+w.NI; i++ {
				k := j*g.NI + i%g.NI
				out.Curvilinear.LatitudeDeg = append(out.Curvilinear.LatitudeDeg, g.Curvilinear.LatitudeDeg[k])
				out.Curvilinear.LongitudeDeg = append(out.Curvilinear.LongitudeDeg, g.Curvilinear.LongitudeDeg[k])
			}
		}
		return out, nil
	}
	out.X = g.cropColumns(w.I0, w.NI)
	return out, nil
}

func (a Axis) crop(from, n int) Axis {
	if len(a.At) == 0 {
		return Axis{First: a.Coordinate(float64(from)), Step: a.Step}
	}
	if from+n > len(a.At) { // a hand-made axis shorter than its grid
		return a
	}
	return Axis{At: a.At[from : from+n : from+n]}
}

// cropColumns carries on past the last column where the last step, back to the
// first column, is not as long as the others.
func (g *Grid) cropColumns(from, n int) Axis {
	if from+n <= g.NI {
		return g.X.crop(from, n)
	}
	first, last, sign, period := g.circle()
	lastStep := sign*period - (last - first)
	if len(g.X.At) == 0 && math.Abs(lastStep-g.X.Step) <= 1e-9*math.Abs(g.X.Step) {
		return g.X.crop(from, n)
	}
	at := make([]float64, n)
	for k := range at {
		if i := from + k; i < g.NI {
			at[k] = g.X.Coordinate(float64(i))
		} else {
			at[k] = g.X.Coordinate(float64(i-g.NI)) + sign*period
		}
	}
	return Axis{At: at}
}

// WindowOf is the smallest window of columns and rows that holds all places
// with a circle of marginM metres around each, and the grid points around them
// from which they are interpolated, as far as the grid reaches. It reports false
// where one of the places is not on the grid; the window then covers the others
// and is empty if there are none.
func (g *Grid) WindowOf(places []LatLon, marginM float64) (Window, bool) {
	if !(marginM >= 0) || math.IsInf(marginM, 0) {
		marginM = 0
	}
	all := len(places) > 0
	var columns []span
	rows := span{math.Inf(1), math.Inf(-1)}
	for _, place := range places {
		i, j, ok := g.Locate(place)
		if !ok {
			all = false
			continue
		}
		spanI, spanJ := g.around(place, i, j, marginM)
		columns = append(columns, spanI)
		rows = span{min(rows.low, spanJ.low), max(rows.high, spanJ.high)}
	}
	if len(columns) == 0 {
		return Window{}, false
	}
	j0, nj := rows.wholeIndices(g.NJ)
	i0, ni := g.coverColumns(columns)
	return Window{I0: i0, J0: j0, NI: ni, NJ: nj}, all
}

// span is a range of fractional indices.
type span struct{ low, high float64 }

// wholeIndices are the indices around the range, cut to 0..n-1. A range that
// ends on a grid point, but for rounding, ends there.
func (s span) wholeIndices(n int) (from, count int) {
	const rounding = 1e-6
	low := int(math.Floor(min(max(s.low+rounding, 0), float64(n-1))))
	high := int(math.Ceil(min(max(s.high-rounding, 0), float64(n-1))))
	return low, max(high, low) - low + 1
}

// coverColumns is the shortest run of columns over all ranges; on a cyclic grid
// it may pass the last column, and leaves out the widest gap.
func (g *Grid) coverColumns(columns []span) (from, count int) {
	hull := span{math.Inf(1), math.Inf(-1)}
	for _, s := range columns {
		hull = span{min(hull.low, s.low), max(hull.high, s.high)}
	}
	if !g.Cyclic {
		return hull.wholeIndices(g.NI)
	}
	n := float64(g.NI)
	type run struct{ from, to int }
	runs := make([]run, 0, len(columns)+1)
	for _, s := range columns {
		low, high := math.Floor(s.low+1e-6), math.Ceil(s.high-1e-6)
		if high-low+1 >= n {
			return 0, g.NI
		}
		start := int(math.Mod(math.Mod(low, n)+n, n))
		end := start + int(max(high-low, 0))
		if end >= g.NI {
			runs = append(runs, run{0, end - g.NI})
			end = g.NI - 1
		}
		runs = append(runs, run{start, end})
	}
	sort.Slice(runs, func(a, b int) bool { return runs[a].from < runs[b].from })
	// Walk round the circle and remember the widest stretch without a range.
	widest, after, reach := 0, 0, runs[0].to
	for _, r := range runs[1:] {
		if gap := r.from - reach - 1; gap > widest {
			widest, after = gap, r.from
		}
		reach = max(reach, r.to)
	}
	if gap := runs[0].from + g.NI - reach - 1; gap > widest {
		widest, after = gap, runs[0].from
	}
	return after, g.NI - widest
}

// around gives the ranges of columns and rows of a circle around a place.
func (g *Grid) around(place LatLon, i, j, marginM float64) (columns, rows span) {
	columns, rows = span{i, i}, span{j, j}
	if marginM == 0 {
		return columns, rows
	}
	if _, angular := g.Projection.(interface{ angular() }); angular && g.Curvilinear == nil {
		return g.aroundDeg(place, marginM)
	}
	// The circle is sampled; its radius is stretched so that the polygon of the
	// samples contains it.
	const samples = 24
	stretched := marginM / math.Cos(math.Pi/samples)
	reachI, reachJ := 0.0, 0.0
	if g.Curvilinear != nil {
		dx, dy := g.spacingAtM(i, j)
		if !(dx > 0) || !(dy > 0) {
			return span{0, float64(g.NI - 1)}, span{0, float64(g.NJ - 1)}
		}
		// Spacing varies over the circle: a quarter more, and one step.
		reachI, reachJ = 1.25*marginM/dx+1, 1.25*marginM/dy+1
		return span{i - reachI, i + reachI}, span{j - reachJ, j + reachJ}
	}
	for k := range samples {
		rim := destination(place, 2*math.Pi*float64(k)/samples, stretched)
		ri, rj, ok := g.indices(rim)
		if !ok {
			return span{0, float64(g.NI - 1)}, span{0, float64(g.NJ - 1)}
		}
		if g.Cyclic { // the turn nearest to the place
			ri -= math.Round((ri-i)/float64(g.NI)) * float64(g.NI)
		}
		columns = span{min(columns.low, ri), max(columns.high, ri)}
		rows = span{min(rows.low, rj), max(rows.high, rj)}
	}
	return columns, rows
}

// aroundDeg is around for grids of latitude and longitude, rotated or not, where
// the circle's extent is known: the angle d of the radius in latitude, and
// asin(sin d / cos latitude) in longitude, or all longitudes with a pole inside.
func (g *Grid) aroundDeg(place LatLon, marginM float64) (columns, rows span) {
	x, y, _ := g.Projection.Forward(place)
	d := marginM / EarthRadiusM / radPerDeg
	low, high := axisIndex(g.Y, g.NJ, max(y-d, -90)), axisIndex(g.Y, g.NJ, min(y+d, 90))
	rows = span{min(low, high), max(low, high)}
	whole := span{0, float64(g.NI - 1)}
	if math.Abs(y)+d >= 90 {
		return whole, rows
	}
	reach := math.Asin(math.Sin(d*radPerDeg)/math.Cos(y*radPerDeg)) / radPerDeg
	first, last, sign, period := g.circle()
	if g.Cyclic {
		// In steps from the place itself, so that it may pass the last column.
		i := g.column(x)
		before, after := g.column(x-sign*reach), g.column(x+sign*reach)
		n := float64(g.NI)
		if before > i {
			before -= n
		}
		if after < i {
			after += n
		}
		return span{before, after}, rows
	}
	// A grid that almost closes the circle may be reached from both its ends.
	columns = span{math.Inf(1), math.Inf(-1)}
	for turn := -2.0; turn <= 2; turn++ {
		low := sign*(x-first) - reach + turn*period
		high := low + 2*reach
		if high < 0 || low > sign*(last-first) {
			continue
		}
		a, b := axisIndex(g.X, g.NI, first+sign*max(low, 0)), axisIndex(g.X, g.NI, first+sign*min(high, sign*(last-first)))
		columns = span{min(columns.low, a), max(columns.high, b)}
	}
	if columns.low > columns.high {
		return whole, rows
	}
	return columns, rows
}

// destination is the place at a distance and bearing on the sphere.
func destination(from LatLon, bearingRad, distanceM float64) LatLon {
	up, east, north := localAxes(from)
	sinD, cosD := math.Sincos(distanceM / EarthRadiusM)
	sinB, cosB := math.Sincos(bearingRad)
	var v vector
	for axis := range v {
		v[axis] = cosD*up[axis] + sinD*(sinB*east[axis]+cosB*north[axis])
	}
	return v.place()
}
