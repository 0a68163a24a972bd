package hydro

import (
	"fmt"
	"math"

	"github.com/twpayne/go-geom"
)

// multiPolygon reads a GeoJSON geometry (RFC 7946) that is an area: Polygon,
// MultiPolygon, or a GeometryCollection of them. A geometry of another type is
// an error, null is nil.
func multiPolygon(n *node) (*geom.MultiPolygon, error) {
	if n.absent() {
		return nil, nil
	}
	out := geom.NewMultiPolygon(geom.XY)
	if err := pushArea(out, n, 0); err != nil {
		return nil, err
	}
	if out.NumPolygons() == 0 {
		return nil, fmt.Errorf("the geometry is empty")
	}
	return out, nil
}

func pushArea(out *geom.MultiPolygon, n *node, depth int) error {
	if depth > 8 {
		return fmt.Errorf("geometry collections nest too deep")
	}
	switch t := n.member("type").str(); t {
	case "Polygon":
		return pushPolygon(out, n.member("coordinates"))
	case "MultiPolygon":
		for _, p := range n.member("coordinates").list() {
			if err := pushPolygon(out, p); err != nil {
				return err
			}
		}
		return nil
	case "GeometryCollection":
		for _, g := range n.member("geometries").list() {
			if err := pushArea(out, g, depth+1); err != nil {
				return err
			}
		}
		return nil
	default:
		return fmt.Errorf("a geometry of type %q is no area", clip(t))
	}
}

func pushPolygon(out *geom.MultiPolygon, coordinates *node) error {
	var rings [][]geom.Coord
	for _, ring := range coordinates.list() {
		var points []geom.Coord
		for _, position := range ring.list() {
			at := position.list()
			if len(at) < 2 {
				return fmt.Errorf("a position has %d numbers", len(at))
			}
			longitude, ok1 := at[0].number()
			latitude, ok2 := at[1].number()
			if !ok1 || !ok2 {
				return fmt.Errorf("a position is no pair of numbers")
			}
			points = append(points, geom.Coord{longitude, latitude})
		}
		ring, err := closedRing(points)
		if err != nil {
			return err
		}
		rings = append(rings, ring)
	}
	if len(rings) == 0 {
		return fmt.Errorf("a polygon has no ring")
	}
	polygon, err := geom.NewPolygon(geom.XY).SetCoords(rings)
	if err != nil {
		return fmt.Errorf("a polygon cannot be built: %w", err)
	}
	return out.Push(polygon)
}

// closedRing checks that a ring has four positions, ends where it begins, and
// lies on the earth; both RFC 7946 and CAP 1.2 ask for that.
func closedRing(points []geom.Coord) ([]geom.Coord, error) {
	if len(points) < 4 {
		return nil, fmt.Errorf("a ring has %d positions, at least 4 are needed", len(points))
	}
	for _, p := range points {
		if !(math.Abs(p[0]) <= 180) || !(math.Abs(p[1]) <= 90) {
			return nil, fmt.Errorf("%g, %g is no longitude and latitude", p[0], p[1])
		}
	}
	if first, last := points[0], points[len(points)-1]; first[0] != last[0] || first[1] != last[1] {
		return nil, fmt.Errorf("a ring does not end where it begins")
	}
	return points, nil
}
