package hold

import (
	"math"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

// Areas are compared in a plane about one place: x = R cos(latitude of the place)
// dlon, y = R dlat. Edges that are straight in longitude and latitude (RFC 7946,
// section 3.1.1) are straight there, so what meets and what lies inside is exact;
// distances to the east are off by tan(latitude) dlat, at 45 degrees by 2 % for
// what lies 150 km to the north or south. The margins that they are compared
// with are larger by marginShare.
const marginShare = 1.03

// touching is how near counts as meeting, whatever the margin: the positions of
// warnings have two decimals.
const touchingM = 1.0

type point struct{ x, y float64 }

// plane is the local plane of a place.
type plane struct {
	at    grid.LatLon
	scale float64
}

func planeAt(at grid.LatLon) plane { return plane{at, math.Cos(at.LatitudeDeg * math.Pi / 180)} }

const mPerDeg = grid.EarthRadiusM * math.Pi / 180

func (p plane) point(place grid.LatLon) point {
	return point{mPerDeg * p.scale * grid.NormalLongitudeDeg(place.LongitudeDeg-p.at.LongitudeDeg), mPerDeg * (place.LatitudeDeg - p.at.LatitudeDeg)}
}

// shape is polygons in a plane: the first ring of each is outside, the others are
// holes.
type shape struct {
	polygons []polygon
	min, max point
}

type polygon struct {
	rings    [][]point
	min, max point
}

func (p plane) shape(area *geom.MultiPolygon) (shape, bool) {
	inf := math.Inf(1)
	s := shape{min: point{inf, inf}, max: point{-inf, -inf}}
	if area == nil {
		return s, false
	}
	flat, stride, from := area.FlatCoords(), area.Stride(), 0
	for _, ends := range area.Endss() {
		one := polygon{min: point{inf, inf}, max: point{-inf, -inf}}
		for k, end := range ends {
			ring := make([]point, 0, (end-from)/stride+1)
			turn, lastLon := 0.0, 0.0
			for ; from < end; from += stride {
				lon, lat := flat[from], flat[from+1]
				if !(math.Abs(lat) <= 90) || !(math.Abs(lon) <= 540) {
					return s, false
				}
				// A ring that crosses the antimeridian goes on without a jump.
				if len(ring) > 0 {
					turn += grid.NormalLongitudeDeg(lon - lastLon)
				} else {
					turn = grid.NormalLongitudeDeg(lon - p.at.LongitudeDeg)
				}
				lastLon = lon
				at := point{mPerDeg * p.scale * turn, mPerDeg * (lat - p.at.LatitudeDeg)}
				ring = append(ring, at)
				if k == 0 {
					one.min = point{math.Min(one.min.x, at.x), math.Min(one.min.y, at.y)}
					one.max = point{math.Max(one.max.x, at.x), math.Max(one.max.y, at.y)}
				}
			}
			if n := len(ring); n > 0 && ring[0] != ring[n-1] {
				ring = append(ring, ring[0])
			}
			if len(ring) < 4 {
				if k == 0 {
					return s, false
				}
				continue // a hole of no area takes nothing away
			}
			one.rings = append(one.rings, ring)
		}
		if len(one.rings) == 0 {
			return s, false
		}
		s.polygons = append(s.polygons, one)
		s.min = point{math.Min(s.min.x, one.min.x), math.Min(s.min.y, one.min.y)}
		s.max = point{math.Max(s.max.x, one.max.x), math.Max(s.max.y, one.max.y)}
	}
	return s, len(s.polygons) > 0
}

// holds reports whether a point lies in a polygon and in none of its holes. An
// outer ring that crosses itself encloses all that it winds round (winding
// number, Sunday 2001, value from memory); a hole takes away only what an odd
// number of its edges separates: in doubt a place is inside.
func (g *polygon) holds(at point) bool {
	if at.x < g.min.x || at.x > g.max.x || at.y < g.min.y || at.y > g.max.y {
		return false
	}
	for k, ring := range g.rings {
		winding, odd := 0, false
		for n := 1; n < len(ring); n++ {
			a, b := ring[n-1], ring[n]
			if (a.y > at.y) == (b.y > at.y) {
				continue
			}
			if at.x < a.x+(at.y-a.y)/(b.y-a.y)*(b.x-a.x) {
				odd = !odd
				if b.y > a.y {
					winding++
				} else {
					winding--
				}
			}
		}
		if k == 0 && winding == 0 || k > 0 && odd {
			return false
		}
	}
	return true
}

// segmentDistance between two segments, zero where they meet.
func segmentDistance(a, b, c, d point) float64 {
	if crossing(a, b, c, d) {
		return 0
	}
	return math.Min(math.Min(toSegment(a, c, d), toSegment(b, c, d)), math.Min(toSegment(c, a, b), toSegment(d, a, b)))
}

func crossing(a, b, c, d point) bool {
	t1, t2 := turn(a, b, c), turn(a, b, d)
	t3, t4 := turn(c, d, a), turn(c, d, b)
	return (t1 > 0) != (t2 > 0) && (t3 > 0) != (t4 > 0) && !(t1 == 0 && t2 == 0)
}

func turn(a, b, c point) float64 { return (b.x-a.x)*(c.y-a.y) - (c.x-a.x)*(b.y-a.y) }

func toSegment(p, a, b point) float64 {
	dx, dy := b.x-a.x, b.y-a.y
	along := 0.0
	if square := dx*dx + dy*dy; square > 0 {
		along = math.Min(1, math.Max(0, ((p.x-a.x)*dx+(p.y-a.y)*dy)/square))
	}
	return math.Hypot(p.x-a.x-along*dx, p.y-a.y-along*dy)
}

// nearSegment reports whether a segment comes within a margin of the shape, or
// lies in it.
func (s *shape) nearSegment(a, b point, marginM float64) bool {
	for i := range s.polygons {
		g := &s.polygons[i]
		if math.Max(a.x, b.x) < g.min.x-marginM || math.Min(a.x, b.x) > g.max.x+marginM || math.Max(a.y, b.y) < g.min.y-marginM || math.Min(a.y, b.y) > g.max.y+marginM {
			continue
		}
		if g.holds(a) || g.holds(b) {
			return true
		}
		for _, ring := range g.rings {
			for n := 1; n < len(ring); n++ {
				if segmentDistance(a, b, ring[n-1], ring[n]) <= marginM {
					return true
				}
			}
		}
	}
	return false
}

// nearShape reports whether two shapes come within a margin of each other. Where
// no edges do, a shape is wholly inside or outside of the other, and one point of
// each ring tells.
func (s *shape) nearShape(other *shape, marginM float64) bool {
	if s.max.x < other.min.x-marginM || s.min.x > other.max.x+marginM || s.max.y < other.min.y-marginM || s.min.y > other.max.y+marginM {
		return false
	}
	inside := func(a, b *shape) bool {
		for i := range a.polygons {
			for _, ring := range a.polygons[i].rings {
				for k := range b.polygons {
					if b.polygons[k].holds(ring[0]) {
						return true
					}
				}
			}
		}
		return false
	}
	if inside(s, other) || inside(other, s) {
		return true
	}
	for i := range s.polygons {
		for _, ring := range s.polygons[i].rings {
			for n := 1; n < len(ring); n++ {
				a, b := ring[n-1], ring[n]
				if math.Max(a.x, b.x) < other.min.x-marginM || math.Min(a.x, b.x) > other.max.x+marginM || math.Max(a.y, b.y) < other.min.y-marginM || math.Min(a.y, b.y) > other.max.y+marginM {
					continue
				}
				if other.edgeNear(a, b, marginM) {
					return true
				}
			}
		}
	}
	return false
}

func (s *shape) edgeNear(a, b point, marginM float64) bool {
	west, east := math.Min(a.x, b.x)-marginM, math.Max(a.x, b.x)+marginM
	south, north := math.Min(a.y, b.y)-marginM, math.Max(a.y, b.y)+marginM
	for i := range s.polygons {
		for _, ring := range s.polygons[i].rings {
			for n := 1; n < len(ring); n++ {
				c, d := ring[n-1], ring[n]
				if math.Max(c.x, d.x) < west || math.Min(c.x, d.x) > east || math.Max(c.y, d.y) < south || math.Min(c.y, d.y) > north {
					continue
				}
				if segmentDistance(a, b, c, d) <= marginM {
					return true
				}
			}
		}
	}
	return false
}

// box is what an area lies within: degrees, longitudes without a jump. It is
// found once, where shapes are made for each site.
type box struct{ south, north, west, east float64 }

// boxOf is false where an area cannot be bounded.
func boxOf(area *geom.MultiPolygon) (box, bool) {
	inf := math.Inf(1)
	b := box{inf, -inf, inf, -inf}
	flat, stride := area.FlatCoords(), area.Stride()
	turn := 0.0
	for k := 0; k < len(flat); k += stride {
		lon, lat := flat[k], flat[k+1]
		if !(math.Abs(lat) <= 90) || !(math.Abs(lon) <= 540) {
			return b, false
		}
		if k == 0 {
			turn = lon
		} else {
			turn += grid.NormalLongitudeDeg(lon - flat[k-stride])
		}
		b.south, b.north = math.Min(b.south, lat), math.Max(b.north, lat)
		b.west, b.east = math.Min(b.west, turn), math.Max(b.east, turn)
	}
	from := 0
	for _, ends := range area.Endss() {
		if len(ends) == 0 || ends[0]-from < 3*stride || ends[0]-from == 3*stride && flat[from] == flat[ends[0]-stride] && flat[from+1] == flat[ends[0]-stride+1] {
			return b, false // no area: not to be taken for one that lies elsewhere
		}
		from = ends[len(ends)-1]
	}
	return b, b.east-b.west < 90 && len(flat) > 0
}

// apart reports whether a box lies wholly outside of a rectangle of the plane.
func (p plane) apart(b box, min, max point) bool {
	x := mPerDeg * p.scale * grid.NormalLongitudeDeg((b.west+b.east)/2-p.at.LongitudeDeg)
	half := mPerDeg * p.scale * (b.east - b.west) / 2
	south, north := mPerDeg*(b.south-p.at.LatitudeDeg), mPerDeg*(b.north-p.at.LatitudeDeg)
	return x-half > max.x || x+half < min.x || south > max.y || north < min.y
}

// areaInPlane is an area of a warning in a plane.
type areaInPlane struct {
	shape   *shape
	circles []struct {
		centre  point
		radiusM float64
	}
}

// area brings polygons and circles into the plane; false where there are none, or
// where one of them is no area.
func (p plane) area(a *Area) (areaInPlane, bool) {
	var in areaInPlane
	if a.Polygons != nil && a.Polygons.NumPolygons() > 0 {
		s, ok := p.shape(a.Polygons)
		if !ok {
			return in, false
		}
		in.shape = &s
	}
	for _, c := range a.Circles {
		if !(c.RadiusM >= 0) || !(math.Abs(c.Centre.LatitudeDeg) <= 90) || !(math.Abs(c.Centre.LongitudeDeg) <= 540) || math.IsInf(c.RadiusM, 0) {
			return in, false
		}
		in.circles = append(in.circles, struct {
			centre  point
			radiusM float64
		}{p.point(c.Centre), c.RadiusM * marginShare})
	}
	return in, in.shape != nil || len(in.circles) > 0
}

func (a *areaInPlane) nearSegment(from, to point, marginM float64) bool {
	if a.shape != nil && a.shape.nearSegment(from, to, marginM) {
		return true
	}
	for _, c := range a.circles {
		if toSegment(c.centre, from, to) <= c.radiusM+marginM {
			return true
		}
	}
	return false
}

func (a *areaInPlane) nearShape(s *shape, marginM float64) bool {
	if a.shape != nil && a.shape.nearShape(s, marginM) {
		return true
	}
	for _, c := range a.circles {
		if s.nearSegment(c.centre, c.centre, c.radiusM+marginM) {
			return true
		}
	}
	return false
}

// spreadFactor times the standard distance of the members is the half width of a
// path: of a round Gaussian 1 - exp(-4), 98 %, lies within two standard distances.
const spreadFactor = 2

// nearPath reports whether an area comes within a margin of the corridor of a
// path. Between two points the wider of their spreads counts.
func (a *areaInPlane) nearPath(points []point, spreadM []float64, marginM float64) bool {
	for k := range points {
		from := points[max(k-1, 0)]
		half := spreadFactor * math.Max(spreadM[k], spreadM[max(k-1, 0)])
		if a.nearSegment(from, points[k], half*marginShare+marginM) {
			return true
		}
	}
	return false
}
