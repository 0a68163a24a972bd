package page

import (
	"math"

	"rimeline/seedability/nowcast"
)

// Echo objects are areas of cells. Their outlines run along the edges of cells,
// so that an outline holds exactly the cells of its object.

// corner of cells: column and row of the cell to its north-east.
type corner struct{ i, j int }

// polygon is an outer ring, counterclockwise, and the rings of its holes,
// clockwise; none repeats its first corner at the end.
type polygon struct {
	outer []corner
	holes [][]corner
}

// polygonsOf outlines one object of a scene, place being its index in
// Scene.Objects. Cells that touch by a corner alone come as polygons apart, so
// that no ring touches itself.
func polygonsOf(s *nowcast.Scene, place int) []polygon {
	var polygons []polygon
	var holes [][]corner
	for _, ring := range ringsOf(s, place) {
		if twiceArea(ring) > 0 {
			polygons = append(polygons, polygon{outer: straightened(ring)})
		} else {
			holes = append(holes, ring)
		}
	}
	for _, hole := range holes {
		// A point of the object beside the hole: rings have it on their left.
		a, b := hole[0], hole[1]
		x, y := float64(a.i+b.i)/2, float64(a.j+b.j)/2
		x, y = x-float64(b.j-a.j)*.25, y+float64(b.i-a.i)*.25
		of, least := -1, math.MaxInt
		for k := range polygons {
			if area := twiceArea(polygons[k].outer); area < least && surrounds(polygons[k].outer, x, y) {
				of, least = k, area
			}
		}
		if of >= 0 {
			polygons[of].holes = append(polygons[of].holes, straightened(hole))
		}
	}
	return polygons
}

// ringsOf follows the edges of an object with its cells on the left. A ring that
// comes back to a corner is cut there into two.
func ringsOf(s *nowcast.Scene, place int) [][]corner {
	f, o, label := s.Frame, &s.Objects[place], int32(place+1)
	index := func(edgeM, firstM float64) int { return int(math.Round((edgeM-firstM)/f.SpacingM + .5)) }
	i0, i1 := max(index(o.WestM, f.WestM), 0), min(index(o.EastM, f.WestM), f.NI)
	j0, j1 := max(index(o.SouthM, f.SouthM), 0), min(index(o.NorthM, f.SouthM), f.NJ)
	in := func(i, j int) bool {
		return i >= 0 && j >= 0 && i < f.NI && j < f.NJ && s.Labels[j*f.NI+i] == label
	}
	// At most two edges leave a corner.
	leaving := map[corner][]corner{}
	var starts []corner
	edge := func(a, b corner) {
		leaving[a] = append(leaving[a], b)
		starts = append(starts, a)
	}
	for j := j0; j < j1; j++ {
		for i := i0; i < i1; i++ {
			if !in(i, j) {
				continue
			}
			if !in(i, j-1) {
				edge(corner{i, j}, corner{i + 1, j})
			}
			if !in(i+1, j) {
				edge(corner{i + 1, j}, corner{i + 1, j + 1})
			}
			if !in(i, j+1) {
				edge(corner{i + 1, j + 1}, corner{i, j + 1})
			}
			if !in(i-1, j) {
				edge(corner{i, j + 1}, corner{i, j})
			}
		}
	}
	var rings [][]corner
	for _, start := range starts {
		var path []corner
		at := map[corner]int{}
		for here := start; len(leaving[here]) > 0; {
			at[here] = len(path)
			path = append(path, here)
			next := leaving[here][0]
			leaving[here] = leaving[here][1:]
			if from, been := at[next]; been {
				rings = append(rings, append([]corner(nil), path[from:]...))
				for _, c := range path[from:] {
					delete(at, c)
				}
				path = path[:from]
			}
			here = next
		}
	}
	return rings
}

// straightened leaves out corners on a straight line.
func straightened(ring []corner) []corner {
	var out []corner
	n := len(ring)
	for k, c := range ring {
		before, after := ring[(k+n-1)%n], ring[(k+1)%n]
		if (before.i == c.i) != (c.i == after.i) {
			out = append(out, c)
		}
	}
	return out
}

// twiceArea in cells, positive where the ring is counterclockwise.
func twiceArea(ring []corner) int {
	sum := 0
	for k, a := range ring {
		b := ring[(k+1)%len(ring)]
		sum += a.i*b.j - b.i*a.j
	}
	return sum
}

// surrounds counts the edges east of a point that lies on no edge.
func surrounds(ring []corner, x, y float64) bool {
	inside := false
	for k, a := range ring {
		b := ring[(k+1)%len(ring)]
		if a.i == b.i && float64(a.i) > x && (float64(a.j) > y) != (float64(b.j) > y) {
			inside = !inside
		}
	}
	return inside
}

// cornerXM and cornerYM are the coordinates of a corner in a plane.
func cornerXM(p nowcast.Plane, c corner) float64 { return p.WestM + (float64(c.i)-.5)*p.SpacingM }
func cornerYM(p nowcast.Plane, c corner) float64 { return p.SouthM + (float64(c.j)-.5)*p.SpacingM }
