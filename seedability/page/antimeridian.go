package page

import (
	"errors"
	"math"

	"rimeline/grid"
)

// RFC 7946, section 3.1.9: a geometry that crosses the antimeridian is cut into
// parts of which none does. Here longitudes are first unwrapped (each within half
// a turn of the one before), then cut at 180 + 360 m, then brought back.

// turns counts how many whole turns lie between a longitude and -180..180.
func turns(longitudeDeg float64) float64 { return math.Floor((longitudeDeg + 180) / 360) }

// unwrap gives longitudes without jumps.
func unwrap(places []grid.LatLon) []float64 {
	unwrapped := make([]float64, len(places))
	for k, p := range places {
		if k == 0 {
			unwrapped[k] = p.LongitudeDeg
			continue
		}
		unwrapped[k] = unwrapped[k-1] + grid.NormalLongitudeDeg(p.LongitudeDeg-unwrapped[k-1])
	}
	return unwrapped
}

// linePoint is a point of a cut line: its place, and where it lies in the line
// it was cut from (2.25 is a quarter of the way from the third point to the
// fourth).
type linePoint struct {
	latitudeDeg, longitudeDeg, at float64
}

// cutLine cuts a line of at least two points. Both parts have the point on the
// antimeridian, at 180 the one and at -180 the other.
func cutLine(places []grid.LatLon) [][]linePoint {
	unwrapped := unwrap(places)
	var parts [][]linePoint
	world, none := 0., true
	add := func(k int, fromShare, toShare float64) {
		a, b := unwrapped[k], unwrapped[k+1]
		longitude := func(share float64) float64 { return a + (b-a)*share }
		point := func(share float64) linePoint {
			latitude := places[k].LatitudeDeg + (places[k+1].LatitudeDeg-places[k].LatitudeDeg)*share
			turned := math.Min(180, math.Max(-180, longitude(share)-360*world))
			return linePoint{latitude, turned, float64(k) + share}
		}
		// The middle says on which side a piece lies whose ends touch 180; one that
		// runs along it stays on the side of the line so far.
		here := turns(longitude((fromShare + toShare) / 2))
		if along := a == b && math.Mod(a+180, 360) == 0; none || here != world && !along {
			world, none = here, false
			parts = append(parts, []linePoint{point(fromShare)})
		}
		parts[len(parts)-1] = append(parts[len(parts)-1], point(toShare))
	}
	for k := range len(places) - 1 {
		a, b := unwrapped[k], unwrapped[k+1]
		// At most one cut a piece, because it is shorter than half a turn.
		cut := 360*turns(math.Max(a, b)) - 180
		if cut > math.Min(a, b) && cut < math.Max(a, b) {
			share := (cut - a) / (b - a)
			add(k, 0, share)
			add(k, share, 1)
			continue
		}
		add(k, 0, 1)
	}
	return parts
}

var errPole = errors.New("an area that holds a pole cannot be written as a polygon of longitudes and latitudes")

// cutRing cuts a convex, closed, counterclockwise ring into one or two of the
// same kind. Sutherland and Hodgman (1974), which is exact for convex rings.
func cutRing(ring []grid.LatLon) ([][]grid.LatLon, error) {
	unwrapped := unwrap(ring)
	west, east := math.Inf(1), math.Inf(-1)
	for _, longitude := range unwrapped {
		west, east = math.Min(west, longitude), math.Max(east, longitude)
	}
	if math.Abs(unwrapped[len(ring)-1]-unwrapped[0]) > 1 {
		return nil, errPole
	}
	cut := 360*turns(east) - 180
	if cut <= west || cut >= east {
		shift := 360 * turns((west+east)/2)
		return [][]grid.LatLon{shifted(ring, unwrapped, shift)}, nil
	}
	var rings [][]grid.LatLon
	for _, side := range []float64{-1, 1} { // west of the cut, then east of it
		var places []grid.LatLon
		var longitudes []float64
		keep := func(latitude, longitude float64) {
			places, longitudes = append(places, grid.LatLon{LatitudeDeg: latitude}), append(longitudes, longitude)
		}
		for k := range len(ring) - 1 {
			a, b := (unwrapped[k]-cut)*side, (unwrapped[k+1]-cut)*side
			if a >= 0 {
				keep(ring[k].LatitudeDeg, unwrapped[k])
			}
			if a > 0 && b < 0 || a < 0 && b > 0 {
				share := a / (a - b)
				keep(ring[k].LatitudeDeg+(ring[k+1].LatitudeDeg-ring[k].LatitudeDeg)*share, cut)
			}
		}
		places, longitudes = append(places, places[0]), append(longitudes, longitudes[0])
		rings = append(rings, shifted(places, longitudes, 360*turns(cut+side)))
	}
	return rings, nil
}

// shifted gives the latitudes of places with longitudes a number of degrees less.
func shifted(places []grid.LatLon, longitudes []float64, byDeg float64) []grid.LatLon {
	moved := make([]grid.LatLon, len(places))
	for k, p := range places {
		moved[k] = grid.LatLon{LatitudeDeg: p.LatitudeDeg, LongitudeDeg: math.Min(180, math.Max(-180, longitudes[k]-byDeg))}
	}
	return moved
}
