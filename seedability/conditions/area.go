package conditions

import (
	"errors"
	"fmt"
	"math"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

const (
	// cellM is the side of the squares over which means are taken: about the width
	// of a radar's beam 60 km away, and the spacing of the mosaics.
	cellM = 1000.0
	// maxCells of an area, 256 km by 256 km at 1 km. Larger areas have larger
	// squares.
	maxCells = 1 << 16
	// maxLattice bounds the points of a mosaic about an area.
	maxLattice = 1 << 20
	// leastShare of a square: less of it in the area is rounding.
	leastShare = 1e-6

	radPerDeg = math.Pi / 180
	mPerDeg   = grid.EarthRadiusM * radPerDeg
)

// Area is a place that criteria ask about, cut into squares.
type Area struct {
	// ID of the target or of the criterion.
	ID string
	// SpacingM is the side of the squares.
	SpacingM float64
	Cells    []Cell
	// AreaM2 is that of all cells.
	AreaM2 float64

	polygons *geom.MultiPolygon
}

// Cell is a square of an area.
type Cell struct {
	// Place is its middle, which may lie outside where little of it is inside.
	Place grid.LatLon
	// AreaM2 is how much of the area lies in it.
	AreaM2 float64
}

// ring is one ring of a polygon in some plane, its last point not repeated.
type ring struct {
	points []point
	hole   bool
}

type point struct{ x, y float64 }

// NewArea cuts polygons into squares: x is longitude and y latitude in degrees, the
// first ring of each polygon is outside, the others are holes. The squares lie in
// the plane x = R cos(latitude of the middle) dlon, y = R dlat, in which edges that
// are straight in longitude and latitude (RFC 7946, section 3.1.1) are straight, so
// that what of a square is inside is exact; its area is that on the sphere.
func NewArea(id string, polygons *geom.MultiPolygon) (Area, error) {
	rings, err := ringsOf(polygons)
	if err != nil {
		return Area{}, fmt.Errorf("area %s: %w", id, err)
	}
	southWest, northEast := bounds(rings)
	middle := point{(southWest.x + northEast.x) / 2, (southWest.y + northEast.y) / 2}
	scale := mPerDeg * math.Cos(middle.y*radPerDeg)
	a := Area{ID: id, SpacingM: cellM, polygons: polygons}
	var ni, nj float64
	for ; ; a.SpacingM *= 2 {
		ni, nj = math.Ceil((northEast.x-southWest.x)*scale/a.SpacingM), math.Ceil((northEast.y-southWest.y)*mPerDeg/a.SpacingM)
		if ni*nj <= maxCells {
			break
		}
	}
	// The squares lie evenly about the middle of the box; integers are their corners.
	perX, perY := scale/a.SpacingM, mPerDeg/a.SpacingM
	for k := range rings {
		for n := range rings[k].points {
			p := &rings[k].points[n]
			p.x, p.y = (p.x-middle.x)*perX+ni/2, (p.y-middle.y)*perY+nj/2
		}
	}
	shares, err := overlaps(rings)
	if err != nil {
		return Area{}, fmt.Errorf("area %s: %w", id, err)
	}
	shares.each(func(i, j int, share float64) {
		place := grid.LatLon{
			LatitudeDeg:  middle.y + (float64(j)+.5-nj/2)/perY,
			LongitudeDeg: grid.NormalLongitudeDeg(middle.x + (float64(i)+.5-ni/2)/perX),
		}
		areaM2 := share * a.SpacingM * a.SpacingM * math.Cos(place.LatitudeDeg*radPerDeg) / math.Cos(middle.y*radPerDeg)
		a.Cells, a.AreaM2 = append(a.Cells, Cell{place, areaM2}), a.AreaM2+areaM2
	})
	if len(a.Cells) == 0 {
		return Area{}, fmt.Errorf("area %s: has no area", id)
	}
	return a, nil
}

// ringsOf gives the rings in degrees, without a jump at the antimeridian.
func ringsOf(polygons *geom.MultiPolygon) ([]ring, error) {
	if polygons == nil {
		return nil, errors.New("has no polygons")
	}
	var rings []ring
	flat, stride, from := polygons.FlatCoords(), polygons.Stride(), 0
	var first float64
	for _, ends := range polygons.Endss() {
		for k, end := range ends {
			r := ring{hole: k > 0}
			for ; from < end; from += stride {
				lon, lat := flat[from], flat[from+1]
				if !(math.Abs(lat) < 90) || !(math.Abs(lon) <= 540) {
					return nil, fmt.Errorf("has a position at longitude %g, latitude %g", lon, lat)
				}
				switch {
				case len(r.points) > 0: // on from the one before
					last := r.points[len(r.points)-1].x
					lon = last + grid.NormalLongitudeDeg(lon-last)
				case len(rings) > 0:
					lon = first + grid.NormalLongitudeDeg(lon-first)
				default:
					first = lon
				}
				r.points = append(r.points, point{lon, lat})
			}
			if n := len(r.points); n > 1 && r.points[0] == r.points[n-1] {
				r.points = r.points[:n-1]
			}
			if len(r.points) < 3 {
				return nil, errors.New("has a ring of fewer than three positions")
			}
			rings = append(rings, r)
		}
	}
	if len(rings) == 0 {
		return nil, errors.New("has no polygons")
	}
	return rings, nil
}

func bounds(rings []ring) (low, high point) {
	low, high = point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for _, r := range rings {
		for _, p := range r.points {
			low, high = point{math.Min(low.x, p.x), math.Min(low.y, p.y)}, point{math.Max(high.x, p.x), math.Max(high.y, p.y)}
		}
	}
	return low, high
}

// lattice holds how much of each square [i, i+1] x [j, j+1] is inside, 0 to 1.
type lattice struct {
	i0, j0, ni, nj int
	shares         []float64
}

// each gives the squares of which anything is inside, row by row.
func (l *lattice) each(do func(i, j int, share float64)) {
	for k, share := range l.shares {
		if share > leastShare {
			do(l.i0+k%l.ni, l.j0+k/l.ni, math.Min(share, 1))
		}
	}
}

// overlaps cuts every ring by the lines between rows, and what lies in a row by the
// lines between columns (Sutherland and Hodgman 1974, Commun. ACM 17, 32). What is
// cut off a ring that is not convex keeps edges along the cut that go back and
// forth, whose area is zero.
func overlaps(rings []ring) (*lattice, error) {
	southWest, northEast := bounds(rings)
	if !(math.Abs(southWest.x)+math.Abs(southWest.y)+math.Abs(northEast.x)+math.Abs(northEast.y) < 1e9) {
		return nil, errors.New("has no bounds")
	}
	l := &lattice{i0: int(math.Floor(southWest.x)), j0: int(math.Floor(southWest.y))}
	l.ni, l.nj = int(math.Ceil(northEast.x))-l.i0, int(math.Ceil(northEast.y))-l.j0
	if l.ni < 1 || l.nj < 1 {
		return nil, errors.New("has no area")
	}
	if l.ni > maxLattice/l.nj {
		return nil, fmt.Errorf("lies over %d times %d cells, at most %d can be looked at", l.ni, l.nj, maxLattice)
	}
	l.shares = make([]float64, l.ni*l.nj)
	for _, r := range rings {
		sign := math.Copysign(1, signedArea(r.points))
		if r.hole {
			sign = -sign
		}
		low, high := bounds([]ring{r})
		rest := r.points
		// Cuts are rounded: hence the limits of the lattice as well.
		for j := max(int(math.Floor(low.y)), l.j0); float64(j) < high.y && j < l.j0+l.nj; j++ {
			var row []point
			row, rest = split(rest, float64(j+1), func(p point) float64 { return p.y })
			if len(row) == 0 {
				continue
			}
			left, right := bounds([]ring{{points: row}})
			for i := max(int(math.Floor(left.x)), l.i0); float64(i) < right.x && i < l.i0+l.ni; i++ {
				var cell []point
				cell, row = split(row, float64(i+1), func(p point) float64 { return p.x })
				l.shares[(j-l.j0)*l.ni+i-l.i0] += sign * signedArea(cell)
			}
		}
	}
	return l, nil
}

// split cuts a ring in two by a line across a coordinate.
func split(points []point, at float64, coordinate func(point) float64) (below, above []point) {
	for k, p := range points {
		q := points[(k+1)%len(points)]
		a, b := coordinate(p)-at, coordinate(q)-at
		if a <= 0 {
			below = append(below, p)
		}
		if a >= 0 {
			above = append(above, p)
		}
		if a < 0 && b > 0 || a > 0 && b < 0 {
			f := a / (a - b)
			cut := point{p.x + f*(q.x-p.x), p.y + f*(q.y-p.y)}
			below, above = append(below, cut), append(above, cut)
		}
	}
	return below, above
}

func signedArea(points []point) float64 {
	sum := 0.0
	for k, p := range points {
		q := points[(k+1)%len(points)]
		// From the first point, so that digits are not lost far from the origin.
		sum += (p.x-points[0].x)*(q.y-points[0].y) - (q.x-points[0].x)*(p.y-points[0].y)
	}
	return sum / 2
}

// on gives the points of a grid whose squares lie in the area, with the area of each
// on the sphere. False where the area reaches beyond the grid, or is too large.
func (a *Area) on(g *grid.Grid) (points []gridPoint, ok bool) {
	rings, err := ringsOf(a.polygons)
	if err != nil {
		return nil, false
	}
	for k := range rings {
		for n := range rings[k].points {
			p := &rings[k].points[n]
			x, y, on := g.Locate(grid.LatLon{LatitudeDeg: p.y, LongitudeDeg: grid.NormalLongitudeDeg(p.x)})
			if !on {
				return nil, false
			}
			p.x, p.y = x+.5, y+.5
		}
	}
	shares, err := overlaps(rings)
	if err != nil {
		return nil, false
	}
	ok = true
	shares.each(func(i, j int, share float64) {
		place, on := g.LatLonAt(float64(i), float64(j))
		if !on || i >= g.NI || j >= g.NJ {
			ok = false
			return
		}
		points = append(points, gridPoint{i, j, place, share * math.Cos(place.LatitudeDeg*radPerDeg)})
	})
	return points, ok && len(points) > 0
}

// gridPoint is a point of a grid; weight is proportional to the area it stands for.
type gridPoint struct {
	i, j   int
	place  grid.LatLon
	weight float64
}
