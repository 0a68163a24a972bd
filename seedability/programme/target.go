package programme

import (
	"math"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

// Target is an area on which the ice should fall: polygons with holes.
type Target struct {
	ID   string `yaml:"id" need:"always" form:"token" doc:"Short name of the target."`
	Name string `yaml:"name" need:"always" length:"1..200" doc:"Name of the target for people."`
	// File and Inline are the two ways to give the geometry; one of them is set.
	File   string         `yaml:"file" length:"1..1000" doc:"GeoJSON file with the area, relative to the programme file: a Polygon or MultiPolygon, or one Feature of it."`
	Inline geometrySource `yaml:"geometry" doc:"The area as a GeoJSON geometry (RFC 7946): Polygon or MultiPolygon, positions as [longitude, latitude], rings closed, holes respected."`

	Zones []string `yaml:"zones" length:"1..100" doc:"Codes of every zone that the target lies in, as for sites."`

	// Area holds the polygons, first ring of each outside, the others holes; x
	// is longitude and y latitude in degrees.
	Area *geom.MultiPolygon `yaml:"-"`

	south, west, north, east float64
	rings                    [][]geom.Coord
}

// geometrySource says whether the file has the geometry inline.
type geometrySource struct{ Given bool }

// setArea takes a geometry that has been checked.
func (t *Target) setArea(area *geom.MultiPolygon) {
	t.Area, t.rings = area, nil
	for i := range area.NumPolygons() {
		polygon := area.Polygon(i)
		for k := range polygon.NumLinearRings() {
			t.rings = append(t.rings, polygon.LinearRing(k).Coords())
		}
	}
	bounds := area.Bounds()
	t.west, t.south, t.east, t.north = bounds.Min(0), bounds.Min(1), bounds.Max(0), bounds.Max(1)
}

// near folds a longitude into the turn of the target.
func (t *Target) near(longitudeDeg float64) float64 {
	return t.west + grid.NormalLongitudeDeg(longitudeDeg-(t.west+t.east)/2) + (t.east-t.west)/2
}

// Contains reports whether a place lies in the target and in none of its holes.
//
// It casts a ray eastward and counts edges (Shimrat 1962, Algorithm 112). The
// plane is the local tangent plane of the target, x = cos(latitude of its
// centre) dlon, y = dlat: edges are straight there exactly as RFC 7946, section
// 3.1.1, defines them (straight in longitude and latitude), and since the
// factor of x is one number, the rings are compared in degrees. Places on an
// edge may go either way. Holes and parts need no separate count because the
// rings of a valid geometry do not cross: an odd number of edges is inside.
func (t *Target) Contains(place grid.LatLon) bool {
	x, y := t.near(place.LongitudeDeg), place.LatitudeDeg
	if !(y >= t.south && y <= t.north && x >= t.west && x <= t.east) {
		return false
	}
	inside := false
	for _, ring := range t.rings {
		for k := 1; k < len(ring); k++ {
			a, b := ring[k-1], ring[k]
			if (a[1] > y) != (b[1] > y) && x < a[0]+(y-a[1])/(b[1]-a[1])*(b[0]-a[0]) {
				inside = !inside
			}
		}
	}
	return inside
}

// AreaM2 is the area on the sphere of grid.EarthRadiusM, holes taken out, with
// edges that are straight in longitude and latitude. An edge from (l1, f1) to
// (l2, f2) contributes the integral of sin f dl, which is
// (l2-l1) (cos f1 - cos f2)/(f2 - f1).
func (t *Target) AreaM2() float64 {
	area := 0.0
	for i := range t.Area.NumPolygons() {
		polygon := t.Area.Polygon(i)
		for k := range polygon.NumLinearRings() {
			ringArea := ringAreaM2(polygon.LinearRing(k).Coords())
			if k == 0 {
				area += ringArea
			} else {
				area -= ringArea
			}
		}
	}
	return area
}

func ringAreaM2(ring []geom.Coord) float64 {
	const rad = math.Pi / 180
	sum := 0.0
	for k := 1; k < len(ring); k++ {
		f1, f2 := ring[k-1][1]*rad, ring[k][1]*rad
		dl := (ring[k][0] - ring[k-1][0]) * rad
		// (cos f1 - cos f2)/(f2 - f1) = sin(mean) sinc(half the difference)
		half, sinc := (f2-f1)/2, 1.0
		if half != 0 {
			sinc = math.Sin(half) / half
		}
		sum += dl * math.Sin((f1+f2)/2) * sinc
	}
	return math.Abs(sum) * grid.EarthRadiusM * grid.EarthRadiusM
}

// Centroid is the centre of area in the local tangent plane of the target. It
// may lie outside a target with holes or bays.
func (t *Target) Centroid() grid.LatLon {
	var sumX, sumY, sum float64
	x0, y0 := (t.west+t.east)/2, (t.south+t.north)/2
	for i := range t.Area.NumPolygons() {
		polygon := t.Area.Polygon(i)
		for k := range polygon.NumLinearRings() {
			ring := polygon.LinearRing(k).Coords()
			var ringX, ringY, ringArea float64
			for n := 1; n < len(ring); n++ {
				ax, ay := ring[n-1][0]-x0, ring[n-1][1]-y0
				bx, by := ring[n][0]-x0, ring[n][1]-y0
				cross := ax*by - bx*ay
				ringArea += cross
				ringX += (ax + bx) * cross / 3
				ringY += (ay + by) * cross / 3
			}
			// Outer rings turn counter-clockwise and count positive, holes negative.
			sum, sumX, sumY = sum+ringArea, sumX+ringX, sumY+ringY
		}
	}
	return grid.LatLon{LatitudeDeg: y0 + sumY/sum, LongitudeDeg: grid.NormalLongitudeDeg(x0 + sumX/sum)}
}

// DistanceM is the distance from a place to the target: zero inside, else the
// great circle to the nearest point of a ring (of a hole too, for a place in
// it). The nearest point is sought in a tangent plane between the place and
// the edge; over the 500 km for which places and targets are accepted it is
// found to better than 1 %.
func (t *Target) DistanceM(place grid.LatLon) float64 {
	if t.Contains(place) {
		return 0
	}
	x, y := t.near(place.LongitudeDeg), place.LatitudeDeg
	nearest := math.Inf(1)
	for _, ring := range t.rings {
		for k := 1; k < len(ring); k++ {
			a, b := ring[k-1], ring[k]
			scale := math.Cos((y + (a[1]+b[1])/2) / 2 * math.Pi / 180)
			dx, dy := (b[0]-a[0])*scale, b[1]-a[1]
			along := 0.0
			if square := dx*dx + dy*dy; square > 0 {
				along = math.Min(1, math.Max(0, ((x-a[0])*scale*dx+(y-a[1])*dy)/square))
			}
			nearest = math.Min(nearest, grid.DistanceM(place, grid.LatLon{
				LatitudeDeg:  a[1] + along*(b[1]-a[1]),
				LongitudeDeg: a[0] + along*(b[0]-a[0]),
			}))
		}
	}
	return nearest
}

// initialBearingDeg is the direction in which the great circle from a to b
// starts, clockwise from true north, 0 to 360 (value from memory: spherical
// trigonometry, four-part formula).
func initialBearingDeg(a, b grid.LatLon) float64 {
	const rad = math.Pi / 180
	sinDLon, cosDLon := math.Sincos((b.LongitudeDeg - a.LongitudeDeg) * rad)
	sinA, cosA := math.Sincos(a.LatitudeDeg * rad)
	sinB, cosB := math.Sincos(b.LatitudeDeg * rad)
	bearing := math.Atan2(sinDLon*cosB, cosA*sinB-sinA*cosB*cosDLon) / rad
	if bearing < 0 {
		bearing += 360
	}
	return bearing
}
