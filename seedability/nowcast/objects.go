package nowcast

import (
	"fmt"
	"math"
	"sort"
	"time"

	"rimeline/grid"
)

// ObjectOptions of FindObjects. A number that is zero or not valid is replaced
// by that of DefaultObjectOptions.
type ObjectOptions struct {
	// ThresholdDBZ is the least reflectivity of an object, LeastAreaM2 its least
	// area.
	ThresholdDBZ, LeastAreaM2 float64
	// A band is at least BandLengthM long and BandAspect times as long as wide.
	BandLengthM, BandAspect float64
}

// DefaultObjectOptions are common practice, no source: 20 dBZ, 25 km², bands
// of 30 km and three times as long as wide.
func DefaultObjectOptions() ObjectOptions {
	return ObjectOptions{ThresholdDBZ: 20, LeastAreaM2: 25e6, BandLengthM: 30e3, BandAspect: 3}
}

func (o ObjectOptions) valid() ObjectOptions {
	d := DefaultObjectOptions()
	if !isFinite(o.ThresholdDBZ) || o.ThresholdDBZ == 0 {
		o.ThresholdDBZ = d.ThresholdDBZ
	}
	for _, set := range []struct {
		value     *float64
		byDefault float64
	}{{&o.LeastAreaM2, d.LeastAreaM2}, {&o.BandLengthM, d.BandLengthM}, {&o.BandAspect, d.BandAspect}} {
		if !(*set.value > 0) || math.IsInf(*set.value, 0) {
			*set.value = set.byDefault
		}
	}
	return o
}

// Object is a connected area of echo.
type Object struct {
	// ID stays the same as long as the object can be followed.
	ID int
	// Band tells a band from a cell.
	Band   bool
	AreaM2 float64
	// LengthM and WidthM are the sides of the rectangle with the same second
	// moments; OrientationDeg is the bearing of the longer, 0 to 180.
	LengthM, WidthM, OrientationDeg float64
	// PeakDBZ is the highest value, MeanDBZ that of the mean Z in mm⁶ m⁻³.
	PeakDBZ, MeanDBZ             float64
	Centroid, Peak               grid.LatLon
	CentroidXM, CentroidYM       float64
	PeakXM, PeakYM               float64
	WestM, SouthM, EastM, NorthM float64 // of the box around it, cell edges
	// Cut: it touches the edge of the frame or what was not seen, and may be
	// larger than it looks.
	Cut bool
	// Trend holds for objects that were followed from the frame before.
	Trend *Trend
	// SplitFrom is the object of which this one was a part, 0 for none; Merged
	// are the others that it took in.
	SplitFrom int
	Merged    []int
}

// Aspect is length over width.
func (o *Object) Aspect() float64 { return o.LengthM / o.WidthM }

// Trend is the change of an object from the frame before.
type Trend struct {
	Since                              time.Time
	AreaM2PerS, PeakDBPerS, MeanDBPerS float64
	// Motion of the centroid; growth on one side counts as well.
	Motion Vector
	// FirstSeen is the time of the first frame that had it.
	FirstSeen time.Time
}

// Scene is a frame and the objects in it, the largest first.
type Scene struct {
	Frame   *Frame
	Objects []Object
	// Labels says of each cell in which object it is: 0 none, else one more
	// than the place in Objects.
	Labels []int32
	// next is the first number that no object has had.
	next int
}

// FindObjects finds connected areas (by sides and corners) of echo.
func FindObjects(f *Frame, options ObjectOptions) (*Scene, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	o := options.valid()
	labels, count := connected(f, o.ThresholdDBZ)
	found := make([]gathered, count)
	for j := range f.NJ {
		for i := range f.NI {
			k := j*f.NI + i
			if labels[k] > 0 {
				found[labels[k]-1].add(f, i, j)
			}
		}
	}
	cellM2 := f.SpacingM * f.SpacingM
	order := make([]int, 0, count)
	for k := range found {
		if float64(found[k].n)*cellM2 >= o.LeastAreaM2 {
			order = append(order, k)
		}
	}
	// Scanning order makes equal areas come in the same order every time.
	sort.SliceStable(order, func(a, b int) bool { return found[order[a]].n > found[order[b]].n })
	s := &Scene{Frame: f, Objects: make([]Object, len(order)), Labels: labels, next: len(order) + 1}
	renamed := make([]int32, count+1)
	for place, k := range order {
		renamed[k+1] = int32(place + 1)
		s.Objects[place] = found[k].object(f, o)
		s.Objects[place].ID = place + 1
	}
	for k, label := range labels {
		labels[k] = renamed[label]
	}
	return s, nil
}

// connected labels areas 1, 2 ... in scanning order, in two passes.
func connected(f *Frame, thresholdDBZ float64) (labels []int32, count int) {
	labels = make([]int32, len(f.DBZ))
	parent := []int32{0}
	root := func(a int32) int32 {
		for parent[a] != a {
			parent[a] = parent[parent[a]]
			a = parent[a]
		}
		return a
	}
	for j := range f.NJ {
		for i := range f.NI {
			k := j*f.NI + i
			if !(float64(f.DBZ[k]) >= thresholdDBZ) {
				continue
			}
			best := int32(0)
			for _, near := range [4][2]int{{-1, 0}, {-1, -1}, {0, -1}, {1, -1}} {
				a, b := i+near[0], j+near[1]
				if a < 0 || b < 0 || a >= f.NI || labels[b*f.NI+a] == 0 {
					continue
				}
				other := root(labels[b*f.NI+a])
				switch {
				case best == 0:
					best = other
				case other < best:
					parent[best], best = other, other
				case best < other:
					parent[other] = best
				}
			}
			if best == 0 {
				best = int32(len(parent))
				parent = append(parent, best)
			}
			labels[k] = best
		}
	}
	number := make([]int32, len(parent))
	for k, label := range labels {
		if label == 0 {
			continue
		}
		r := root(label)
		if number[r] == 0 {
			count++
			number[r] = int32(count)
		}
		labels[k] = number[r]
	}
	return labels, count
}

// gathered are the sums over the cells of one object, in cells.
type gathered struct {
	n                      int
	x, y, xx, xy, yy, z    float64
	peak                   float32
	peakI, peakJ           int
	left, right, low, high int
	cut                    bool
}

func (g *gathered) add(f *Frame, i, j int) {
	v := f.DBZ[j*f.NI+i]
	if g.n == 0 {
		g.left, g.right, g.low, g.high = i, i, j, j
	}
	if g.n == 0 || v > g.peak {
		g.peak, g.peakI, g.peakJ = v, i, j
	}
	g.n++
	x, y := float64(i), float64(j)
	g.x, g.y, g.xx, g.xy, g.yy = g.x+x, g.y+y, g.xx+x*x, g.xy+x*y, g.yy+y*y
	g.z += math.Pow(10, float64(v)/10)
	g.left, g.right, g.low, g.high = min(g.left, i), max(g.right, i), min(g.low, j), max(g.high, j)
	if i == 0 || j == 0 || i == f.NI-1 || j == f.NJ-1 {
		g.cut = true
		return
	}
	for _, d := range [4]int{-1, 1, -f.NI, f.NI} {
		if beside := f.DBZ[j*f.NI+i+d]; beside != beside {
			g.cut = true
		}
	}
}

func (g *gathered) object(f *Frame, o ObjectOptions) Object {
	n := float64(g.n)
	x, y := g.x/n, g.y/n
	// A cell has the second moment of a square, 1/12.
	xx, yy, xy := g.xx/n-x*x+1.0/12, g.yy/n-y*y+1.0/12, g.xy/n-x*y
	half, root := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	bearing := math.Mod(90-math.Atan2(2*xy, xx-yy)/2/radPerDeg+180, 180)
	s := f.SpacingM
	out := Object{
		AreaM2:  n * s * s,
		LengthM: s * math.Sqrt(12*(half+root)), WidthM: s * math.Sqrt(12*max(half-root, 1.0/12)), OrientationDeg: bearing,
		PeakDBZ: float64(g.peak), MeanDBZ: 10 * math.Log10(g.z/n),
		CentroidXM: f.WestM + x*s, CentroidYM: f.SouthM + y*s, PeakXM: f.XM(g.peakI), PeakYM: f.YM(g.peakJ),
		WestM: f.XM(g.left) - s/2, EastM: f.XM(g.right) + s/2, SouthM: f.YM(g.low) - s/2, NorthM: f.YM(g.high) + s/2,
		Cut: g.cut,
	}
	out.Centroid, out.Peak = f.Place(out.CentroidXM, out.CentroidYM), f.Place(out.PeakXM, out.PeakYM)
	out.Band = out.LengthM >= o.BandLengthM && out.Aspect() >= o.BandAspect
	return out
}

// sharedLeast is the share of the smaller of two objects that must overlap
// for them to be the same. No source.
const sharedLeast = 0.1

// Follow gives the objects of a scene the numbers that they had in the scene
// before, moved by the motion: the largest overlap first, each number once. An
// object that is not matched gets a new number, and SplitFrom where it came
// off another. Without motion (nil) all numbers are new. The scene given is not
// changed.
func Follow(before, now *Scene, m *Motion) (*Scene, error) {
	if before == nil || now == nil || before.Frame.check() != nil || now.Frame.check() != nil ||
		len(before.Labels) != len(before.Frame.DBZ) || len(now.Labels) != len(now.Frame.DBZ) {
		return nil, fmt.Errorf("no scene to follow from or to")
	}
	out := *now
	out.Objects = append([]Object(nil), now.Objects...)
	out.next = before.next
	for k := range out.Objects {
		out.Objects[k].ID, out.Objects[k].Trend, out.Objects[k].SplitFrom, out.Objects[k].Merged = 0, nil, 0, nil
	}
	lag := now.Frame.Time.Sub(before.Frame.Time)
	if m != nil && lag > 0 && before.Frame.Plane == now.Frame.Plane {
		if err := m.check(now.Frame.Plane); err != nil {
			return nil, err
		}
		out.match(before, m, lag)
	}
	for k := range out.Objects {
		if out.Objects[k].ID == 0 {
			out.Objects[k].ID = out.next
			out.next++
		}
	}
	return &out, nil
}

// match by overlap after advection.
func (s *Scene) match(before *Scene, m *Motion, lag time.Duration) {
	d := newDepartures(s.Frame.Plane)
	steps := max(1, min(int(lag/defaultStep), mostSteps))
	for range steps {
		d.goBack(m, lag.Seconds()/float64(steps))
	}
	type pair struct{ old, new int32 }
	shared := map[pair]int{}
	cells := make([]int, len(s.Objects)+1)
	for j := range s.Frame.NJ {
		for i := range s.Frame.NI {
			k := j*s.Frame.NI + i
			if s.Labels[k] == 0 {
				continue
			}
			cells[s.Labels[k]]++
			x, y := math.Round(float64(i)-float64(d.dx[k])), math.Round(float64(j)-float64(d.dy[k]))
			if !(x >= 0 && y >= 0 && x < float64(s.Frame.NI) && y < float64(s.Frame.NJ)) {
				continue
			}
			if old := before.Labels[int(y)*s.Frame.NI+int(x)]; old > 0 {
				shared[pair{old, s.Labels[k]}]++
			}
		}
	}
	pairs := make([]pair, 0, len(shared))
	for p, n := range shared {
		old := before.Objects[p.old-1].AreaM2 / (s.Frame.SpacingM * s.Frame.SpacingM)
		if float64(n) >= sharedLeast*min(old, float64(cells[p.new])) {
			pairs = append(pairs, p)
		}
	}
	sort.Slice(pairs, func(a, b int) bool {
		if na, nb := shared[pairs[a]], shared[pairs[b]]; na != nb {
			return na > nb
		}
		if pairs[a].old != pairs[b].old {
			return pairs[a].old < pairs[b].old
		}
		return pairs[a].new < pairs[b].new
	})
	taken := make([]bool, len(before.Objects)+1)
	for _, p := range pairs {
		object, old := &s.Objects[p.new-1], &before.Objects[p.old-1]
		if object.ID == 0 && !taken[p.old] {
			taken[p.old] = true
			object.ID, object.Trend = old.ID, trendOf(old, object, before.Frame.Time, lag)
		}
	}
	for _, p := range pairs { // the largest overlap comes first
		object, old := &s.Objects[p.new-1], &before.Objects[p.old-1]
		switch {
		case object.ID == 0 && object.SplitFrom == 0:
			object.SplitFrom = old.ID
		case object.ID != 0 && !taken[p.old]:
			object.Merged = append(object.Merged, old.ID)
		}
	}
}

func trendOf(old, object *Object, since time.Time, lag time.Duration) *Trend {
	seconds := lag.Seconds()
	trend := &Trend{
		Since: since, FirstSeen: since,
		AreaM2PerS: (object.AreaM2 - old.AreaM2) / seconds,
		PeakDBPerS: (object.PeakDBZ - old.PeakDBZ) / seconds, MeanDBPerS: (object.MeanDBZ - old.MeanDBZ) / seconds,
		Motion: Vector{(object.CentroidXM - old.CentroidXM) / seconds, (object.CentroidYM - old.CentroidYM) / seconds},
	}
	if old.Trend != nil {
		trend.FirstSeen = old.Trend.FirstSeen
	}
	return trend
}
