package grid

import (
	"math"
	"sync/atomic"
)

// Curvilinear lists the place of every grid point, i fastest, for grids whose
// file gives two-dimensional latitude and longitude but no projection. Points
// whose place is missing are NaN. The lists must not change after the first
// search, which builds an index over them.
type Curvilinear struct {
	LatitudeDeg, LongitudeDeg []float64

	index atomic.Pointer[curvilinearIndex]
}

// vector is a place on the unit sphere, or a direction.
type vector [3]float64

func (v vector) dot(w vector) float64 { return v[0]*w[0] + v[1]*w[1] + v[2]*w[2] }

func unitVector(p LatLon) vector {
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos(p.LongitudeDeg * radPerDeg)
	return vector{cosLat * cosLon, cosLat * sinLon, sinLat}
}

func (v vector) place() LatLon {
	return LatLon{
		math.Atan2(v[2], math.Hypot(v[0], v[1])) / radPerDeg,
		NormalLongitudeDeg(math.Atan2(v[1], v[0]) / radPerDeg),
	}
}

// localAxes are up, east and north at a place.
func localAxes(p LatLon) (up, east, north vector) {
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos(p.LongitudeDeg * radPerDeg)
	return vector{cosLat * cosLon, cosLat * sinLon, sinLat},
		vector{-sinLon, cosLon, 0},
		vector{-sinLat * cosLon, -sinLat * sinLon, cosLat}
}

// point is the unit vector of grid point (i, j); NaN where it has no place.
func (c *Curvilinear) point(i, j, ni int) vector {
	k := j*ni + i
	return unitVector(LatLon{c.LatitudeDeg[k], c.LongitudeDeg[k]})
}

func (c *Curvilinear) complete(ni, nj int) bool {
	return len(c.LatitudeDeg) == len(c.LongitudeDeg) && (&Grid{NI: ni, NJ: nj}).hasValues(len(c.LatitudeDeg))
}

// quad gives the lower column and row of the mesh that holds (i, j), the
// upper ones, and the place inside of it.
func quad(i, j float64, ni, nj int, cyclic bool) (i0, j0, i1, j1 int, s, t float64) {
	i0 = min(max(int(math.Floor(i)), 0), max(ni-2, 0))
	i1 = min(i0+1, ni-1)
	if cyclic && i >= float64(ni-1) {
		i0, i1 = ni-1, 0
	}
	j0 = min(max(int(math.Floor(j)), 0), max(nj-2, 0))
	j1 = min(j0+1, nj-1)
	return i0, j0, i1, j1, i - float64(i0), j - float64(j0)
}

// at interpolates linearly between the corners' vectors.
func (c *Curvilinear) at(i, j float64, ni, nj int, cyclic bool) (LatLon, bool) {
	if !c.complete(ni, nj) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	i0, j0, i1, j1, s, t := quad(i, j, ni, nj, cyclic)
	if s == 0 && t == 0 { // exactly as in the file
		k := j0*ni + i0
		p := LatLon{c.LatitudeDeg[k], NormalLongitudeDeg(c.LongitudeDeg[k])}
		return p, isPlace(p)
	}
	var sum vector
	for _, corner := range [4]struct {
		i, j   int
		weight float64
	}{{i0, j0, (1 - s) * (1 - t)}, {i1, j0, s * (1 - t)}, {i0, j1, (1 - s) * t}, {i1, j1, s * t}} {
		if corner.weight != 0 {
			v := c.point(corner.i, corner.j, ni)
			for axis := range sum {
				sum[axis] += corner.weight * v[axis]
			}
		}
	}
	p := sum.place()
	return p, isPlace(p)
}

// locate searches the meshes around the nearest grid point.
func (c *Curvilinear) locate(p LatLon, ni, nj int, cyclic bool) (i, j float64, ok bool) {
	ci, cj, _, found := c.nearest(p, ni, nj)
	if !found || ni < 2 || nj < 2 {
		return math.NaN(), math.NaN(), false
	}
	// The nearest point is a corner of the mesh unless meshes are badly skewed,
	// so look at the four around it first and then one ring farther. Only what
	// is in no mesh may be on the rim.
	for _, tolerance := range []float64{1e-9, edgeTolerance} {
		for ring := 0; ring <= 1; ring++ {
			if i, j, ok = c.locateInRing(p, ci, cj, ring, ni, nj, cyclic, tolerance); ok {
				return i, j, true
			}
		}
	}
	return math.NaN(), math.NaN(), false
}

// locateInRing looks at the four meshes around a grid point (ring 0) or at the
// twelve around those.
func (c *Curvilinear) locateInRing(p LatLon, ci, cj, ring, ni, nj int, cyclic bool, tolerance float64) (i, j float64, ok bool) {
	_, east, north := localAxes(p)
	for j0 := max(cj-1-ring, 0); j0 <= min(cj+ring, nj-2); j0++ {
		for i0 := ci - 1 - ring; i0 <= ci+ring; i0++ {
			if inner := i0 >= ci-1 && i0 <= ci && j0 >= cj-1 && j0 <= cj; ring == 1 && inner {
				continue
			}
			left, right := i0, i0+1
			if cyclic {
				left, right = (i0+2*ni)%ni, (i0+1+2*ni)%ni
			}
			if left < 0 || right > ni-1 {
				continue
			}
			s, t, inside := inverseBilinear(p, east, north, tolerance,
				c.point(left, j0, ni), c.point(right, j0, ni), c.point(left, j0+1, ni), c.point(right, j0+1, ni))
			if inside {
				i = float64(left) + s
				if cyclic && i >= float64(ni) {
					i = 0
				}
				return i, float64(j0) + t, true
			}
		}
	}
	return math.NaN(), math.NaN(), false
}

// inverseBilinear finds the weights with which the corners' vectors, as seen
// from p on the plane that touches it, add up to p: Newton's method on two
// bilinear equations.
func inverseBilinear(p LatLon, east, north vector, tolerance float64, a, b, c, d vector) (s, t float64, inside bool) {
	up := unitVector(p)
	if !(a.dot(up) > 0 && b.dot(up) > 0 && c.dot(up) > 0 && d.dot(up) > 0) {
		return 0, 0, false // behind the horizon, or NaN
	}
	ax, ay, bx, by := a.dot(east), a.dot(north), b.dot(east), b.dot(north)
	cx, cy, dx, dy := c.dot(east), c.dot(north), d.dot(east), d.dot(north)
	s, t = 0.5, 0.5
	for range 20 {
		fx := (1-t)*((1-s)*ax+s*bx) + t*((1-s)*cx+s*dx)
		fy := (1-t)*((1-s)*ay+s*by) + t*((1-s)*cy+s*dy)
		xs, ys := (1-t)*(bx-ax)+t*(dx-cx), (1-t)*(by-ay)+t*(dy-cy)
		xt, yt := (1-s)*(cx-ax)+s*(dx-bx), (1-s)*(cy-ay)+s*(dy-by)
		determinant := xs*yt - xt*ys
		if determinant == 0 {
			return 0, 0, false
		}
		ds, dt := (xt*fy-yt*fx)/determinant, (ys*fx-xs*fy)/determinant
		s, t = s+ds, t+dt
		if !(math.Abs(s) < 10 && math.Abs(t) < 10) {
			return 0, 0, false
		}
		if math.Abs(ds)+math.Abs(dt) < 1e-12 {
			break
		}
	}
	inside = s >= -tolerance && s <= 1+tolerance && t >= -tolerance && t <= 1+tolerance
	return min(max(s, 0), 1), min(max(t, 0), 1), inside
}

// fanout is how many nodes or points a side a node of the index covers.
const fanout = 4

// curvilinearIndex is a tree of spheres over blocks of the grid, which lie
// together in space because neighbours in the file are neighbours on the earth.
// levels[0] covers blocks of fanout x fanout points, the last a single node.
type curvilinearIndex struct {
	ni     int
	levels []indexLevel
}

type indexLevel struct {
	ni, nj int
	nodes  []indexNode
}

// indexNode is a sphere around the unit vectors of its points; radius is
// negative where none has a place.
type indexNode struct {
	centre vector
	radius float64
}

func (c *Curvilinear) buildIndex(ni, nj int) *curvilinearIndex {
	index := &curvilinearIndex{ni: ni}
	level := newLevel(ni, nj)
	for nodeJ := range level.nj {
		for nodeI := range level.ni {
			var points [fanout * fanout]indexNode
			n := 0
			for j := nodeJ * fanout; j < min((nodeJ+1)*fanout, nj); j++ {
				for i := nodeI * fanout; i < min((nodeI+1)*fanout, ni); i++ {
					if v := c.point(i, j, ni); v[0] == v[0] {
						points[n] = indexNode{centre: v}
						n++
					}
				}
			}
			level.nodes[nodeJ*level.ni+nodeI] = enclose(points[:n])
		}
	}
	for {
		index.levels = append(index.levels, level)
		if len(level.nodes) == 1 {
			return index
		}
		above := newLevel(level.ni, level.nj)
		for nodeJ := range above.nj {
			for nodeI := range above.ni {
				var children [fanout * fanout]indexNode
				n := 0
				for j := nodeJ * fanout; j < min((nodeJ+1)*fanout, level.nj); j++ {
					for i := nodeI * fanout; i < min((nodeI+1)*fanout, level.ni); i++ {
						if node := level.nodes[j*level.ni+i]; node.radius >= 0 {
							children[n] = node
							n++
						}
					}
				}
				above.nodes[nodeJ*above.ni+nodeI] = enclose(children[:n])
			}
		}
		level = above
	}
}

// newLevel has room for the nodes over ni x nj points or nodes.
func newLevel(ni, nj int) indexLevel {
	level := indexLevel{ni: (ni + fanout - 1) / fanout, nj: (nj + fanout - 1) / fanout}
	level.nodes = make([]indexNode, level.ni*level.nj)
	return level
}

// enclose is a sphere around spheres, not the smallest.
func enclose(inside []indexNode) indexNode {
	if len(inside) == 0 {
		return indexNode{radius: -1}
	}
	var around indexNode
	for _, node := range inside {
		for axis := range node.centre {
			around.centre[axis] += node.centre[axis] / float64(len(inside))
		}
	}
	for _, node := range inside {
		around.radius = max(around.radius, chord(node.centre, around.centre)+node.radius)
	}
	return around
}

func chord(a, b vector) float64 {
	x, y, z := a[0]-b[0], a[1]-b[1], a[2]-b[2]
	return math.Sqrt(x*x + y*y + z*z)
}

// nearest searches the tree depth first, nearer nodes first, and leaves out
// those whose sphere lies farther than the best point so far.
func (c *Curvilinear) nearest(p LatLon, ni, nj int) (i, j int, distanceM float64, ok bool) {
	if !c.complete(ni, nj) || !isPlace(p) {
		return 0, 0, math.NaN(), false
	}
	index := c.index.Load()
	if index == nil || index.ni != ni {
		index = c.buildIndex(ni, nj)
		c.index.Store(index)
	}
	search := curvilinearSearch{Curvilinear: c, index: index, ni: ni, nj: nj, p: unitVector(p), best: math.Inf(1)}
	search.descend(len(index.levels)-1, 0, 0)
	if math.IsInf(search.best, 0) {
		return 0, 0, math.NaN(), false
	}
	k := search.j*ni + search.i
	return search.i, search.j, DistanceM(p, LatLon{c.LatitudeDeg[k], c.LongitudeDeg[k]}), true
}

type curvilinearSearch struct {
	*Curvilinear
	index  *curvilinearIndex
	ni, nj int
	p      vector
	best   float64 // chord
	i, j   int
}

func (s *curvilinearSearch) descend(level, nodeI, nodeJ int) {
	if level == 0 {
		for j := nodeJ * fanout; j < min((nodeJ+1)*fanout, s.nj); j++ {
			for i := nodeI * fanout; i < min((nodeI+1)*fanout, s.ni); i++ {
				if d := chord(s.point(i, j, s.ni), s.p); d < s.best {
					s.best, s.i, s.j = d, i, j
				}
			}
		}
		return
	}
	type child struct {
		i, j  int
		least float64
	}
	var children [fanout * fanout]child
	n := 0
	below := &s.index.levels[level-1]
	for j := nodeJ * fanout; j < min((nodeJ+1)*fanout, below.nj); j++ {
		for i := nodeI * fanout; i < min((nodeI+1)*fanout, below.ni); i++ {
			node := &below.nodes[j*below.ni+i]
			least := chord(node.centre, s.p) - node.radius
			if node.radius < 0 || !(least < s.best) {
				continue
			}
			k := n
			for ; k > 0 && children[k-1].least > least; k-- {
				children[k] = children[k-1]
			}
			children[k] = child{i, j, least}
			n++
		}
	}
	for _, next := range children[:n] {
		if next.least >= s.best {
			return
		}
		s.descend(level-1, next.i, next.j)
	}
}
