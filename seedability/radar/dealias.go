package radar

import (
	"math"

	"rimeline/grid"
)

// WindAt gives the wind at an altitude above the geoid, false where unknown.
type WindAt func(altitudeM float64) (eastwardMPerS, northwardMPerS float64, ok bool)

// DealiasOptions of Dealias; the zero value is for most.
type DealiasOptions struct {
	// Reference decides how often what hangs together was folded: the wind of a
	// model, a sounding or FirstGuess. Where nil, or where it knows nothing, the
	// larger part is taken as not folded, and all of it is Doubtful.
	Reference WindAt
	// AntennaAltitudeM gives the reference its altitudes.
	AntennaAltitudeM float64
	// MaxRangeM leaves the gates beyond out; 0 for none.
	MaxRangeM float64
}

// Velocities next to each other make one region where they lie in the same of
// regionParts equal parts of the Nyquist interval (as in Py-ART). Regions held
// together by small differences instead would reach, through noise, from one end
// of the interval to the other. Two gates vote for a number of folds between
// their regions where that brings them nearer than voteStep times the Nyquist
// velocity; half-way between two numbers nothing can be told.
const (
	regionParts = 3
	voteStep    = 0.75
)

// gapGates is how many gates without velocity a vote reaches across along a
// radial.
const gapGates = 12

// Dealias unfolds the radial velocities of one sweep. Neighbours
// of about the same velocity make a region; the regions with the longest common
// border are joined first, with the number of folds that most pairs along the
// border ask for, until nothing hangs together any more (the idea of region
// growing as in Py-ART's region-based scheme, Helmus and Collis 2016, J. Open
// Res. Software 4, e25). Each group of joined regions is then shifted as a whole
// to where most of its gates agree with the reference.
//
// Radials of another Nyquist velocity are never joined directly. Radials whose
// Nyquist velocity is unknown stay as measured. The result depends on nothing
// but the arguments.
func Dealias(s *grid.Sweep, o DealiasOptions) (*Velocities, error) {
	v, err := readVelocities(s, o.MaxRangeM)
	if err != nil {
		return nil, err
	}
	if v.NyquistKnown {
		r, reference := v.regions(), v.referenceRadial(o)
		r.ask(v, reference)
		r.join(v)
		v.anchor(r, reference)
	}
	return v, nil
}

// regions are sets of gates by union and find; offset is the number of folds a
// set adds to what its root adds.
type regions struct {
	// of each gate in order of azimuth: its region, -1 for none.
	of     []int32
	parent []int32
	folds  []int32
	size   []int32
	// Over the gates at which there is a reference: the folds it wants, against
	// what the set adds, and their number.
	wanted     []float64
	references []int32
}

func (r *regions) root(k int32) (root, folds int32) {
	root = k
	for r.parent[root] != root {
		folds += r.folds[root]
		root = r.parent[root]
	}
	// Hang the whole path below the root.
	for total := folds; r.parent[k] != root && k != root; {
		next, was := r.parent[k], r.folds[k]
		r.parent[k], r.folds[k] = root, total
		total -= was
		k = next
	}
	return root, folds
}

// unite hangs region b, shifted by folds against a, below a; both are roots.
func (r *regions) unite(a, b, folds int32) {
	r.parent[b], r.folds[b] = a, folds
	r.size[a] += r.size[b]
	r.wanted[a] += r.wanted[b] - float64(folds)*float64(r.references[b])
	r.references[a] += r.references[b]
}

// regions labels neighbouring gates in the same part of the Nyquist interval.
func (v *Velocities) regions() *regions {
	n := len(v.order) * v.Gates
	r := &regions{of: make([]int32, n)}
	label := make([]int32, 0, v.Measured) // union and find over gates first
	find := func(k int32) int32 {
		for label[k] != k {
			label[k] = label[label[k]]
			k = label[k]
		}
		return k
	}
	for k, radial := range v.order {
		row := v.MPerS[radial*v.Gates : (radial+1)*v.Gates]
		nyquist := v.nyquistMPerS[k]
		part := partOf(nyquist)
		var before []float32
		if k > 0 && v.next[k-1] && v.nyquistMPerS[k-1] == nyquist {
			before = v.MPerS[v.order[k-1]*v.Gates:][:v.Gates]
		}
		for g, value := range row {
			at := k*v.Gates + g
			r.of[at] = -1
			if value != value || nyquist != nyquist {
				continue
			}
			mine := int32(-1)
			if g > 0 && r.of[at-1] >= 0 && part(row[g-1]) == part(value) {
				mine = find(r.of[at-1])
			}
			if before != nil && before[g] == before[g] && part(before[g]) == part(value) {
				if other := find(r.of[at-v.Gates]); mine < 0 {
					mine = other
				} else if mine != other {
					low, high := min(mine, other), max(mine, other)
					label[high], mine = low, low
				}
			}
			if mine < 0 {
				mine = int32(len(label))
				label = append(label, mine)
			}
			r.of[at] = mine
		}
	}
	// The last radial joins the first.
	if last := len(v.order) - 1; last > 0 && v.next[last] && v.nyquistMPerS[last] == v.nyquistMPerS[0] {
		part := partOf(v.nyquistMPerS[0])
		a, b := v.MPerS[v.order[last]*v.Gates:], v.MPerS[v.order[0]*v.Gates:]
		for g := range v.Gates {
			if a[g] == a[g] && b[g] == b[g] && part(a[g]) == part(b[g]) {
				if x, y := find(r.of[last*v.Gates+g]), find(r.of[g]); x != y {
					label[max(x, y)] = min(x, y)
				}
			}
		}
	}
	number := make([]int32, len(label))
	for k := range label {
		if root := find(int32(k)); root == int32(k) {
			number[k] = int32(len(r.parent))
			r.parent, r.folds, r.size = append(r.parent, number[k]), append(r.folds, 0), append(r.size, 0)
		} else {
			number[k] = number[root] // roots come first: the lower label wins
		}
	}
	for at, k := range r.of {
		if k >= 0 {
			r.of[at] = number[k]
			r.size[number[k]]++
		}
	}
	return r
}

// partOf numbers the parts of the Nyquist interval.
func partOf(nyquistMPerS float64) func(mPerS float32) int {
	perMPerS := regionParts / 2.0 / nyquistMPerS
	return func(mPerS float32) int {
		return min(max(int((float64(mPerS)+nyquistMPerS)*perMPerS), 0), regionParts-1)
	}
}

// ask sums up what the reference wants of each region.
func (r *regions) ask(v *Velocities, reference func(k, g int) float64) {
	r.wanted, r.references = make([]float64, len(r.parent)), make([]int32, len(r.parent))
	if reference == nil {
		return
	}
	for k, radial := range v.order {
		for g := range v.Gates {
			region := r.of[k*v.Gates+g]
			if region < 0 {
				continue
			}
			if want := reference(k, g); want == want {
				r.wanted[region] += (want - float64(v.MPerS[radial*v.Gates+g])) / (2 * v.nyquistMPerS[k])
				r.references[region]++
			}
		}
	}
}

// anchor shifts every group of regions to the reference and fills the results.
func (v *Velocities) anchor(r *regions, reference func(k, g int) float64) {
	// For each root how many gates want which shift; largest region of the group.
	type group struct {
		votes   map[int32]int32
		voters  int32
		largest int32
		shift   int32
		sure    bool
	}
	groups := make(map[int32]*group)
	of := func(root int32) *group {
		g := groups[root]
		if g == nil {
			g = &group{votes: make(map[int32]int32), largest: root}
			groups[root] = g
		}
		return g
	}
	sizeAlone := make([]int32, len(r.parent))
	for _, k := range r.of {
		if k >= 0 {
			sizeAlone[k]++
		}
	}
	for k := range sizeAlone {
		root, _ := r.root(int32(k))
		if g := of(root); sizeAlone[k] > sizeAlone[g.largest] {
			g.largest = int32(k)
		}
	}
	for k := range v.order {
		if reference == nil {
			break
		}
		interval := 2 * v.nyquistMPerS[k]
		for g := range v.Gates {
			at := k*v.Gates + g
			if r.of[at] < 0 {
				continue
			}
			want := reference(k, g)
			if want != want {
				continue
			}
			root, folds := r.root(r.of[at])
			group := of(root)
			group.votes[int32(math.Round((want-float64(v.MPerS[v.order[k]*v.Gates+g]))/interval))-folds]++
			group.voters++
		}
	}
	for root, g := range groups {
		_, folds := r.root(g.largest)
		g.shift = -folds // the largest region is not folded
		var most int32
		if int64(g.voters)*10 < int64(r.size[root]) {
			continue // the reference knows too little of it
		}
		for shift, votes := range g.votes {
			if votes > most || (votes == most && (abs(shift+folds) < abs(g.shift+folds) || (abs(shift+folds) == abs(g.shift+folds) && shift > g.shift))) {
				most, g.shift = votes, shift
			}
		}
		g.sure = 2*most > g.voters
	}
	for k, radial := range v.order {
		interval := 2 * v.nyquistMPerS[k]
		for g := range v.Gates {
			at, to := k*v.Gates+g, radial*v.Gates+g
			if r.of[at] < 0 {
				continue
			}
			root, folds := r.root(r.of[at])
			group := groups[root]
			n := folds + group.shift
			if n > math.MaxInt8 || n < math.MinInt8 {
				n = 0
				v.State[to] = Doubtful
			}
			v.Folds[to] = int8(n)
			v.MPerS[to] += float32(float64(n) * interval)
			if n != 0 {
				v.Changed++
			}
			doubtful := !group.sure || v.State[to] == Doubtful
			if !doubtful && reference != nil {
				if want := reference(k, g); want == want {
					doubtful = math.Abs(want-float64(v.MPerS[to])) > v.nyquistMPerS[k]
				}
			}
			if doubtful {
				v.State[to] = Doubtful
				v.Doubtful++
			}
		}
	}
}

func abs(k int32) int32 {
	if k < 0 {
		return -k
	}
	return k
}

// referenceRadial gives the radial velocity that the reference would have at the
// gate g of the k-th radial in order of azimuth, NaN where it knows none; it is
// nil without a reference.
func (v *Velocities) referenceRadial(o DealiasOptions) func(k, g int) float64 {
	if o.Reference == nil {
		return nil
	}
	// Wind by gate at the mean elevation; a tenth of a degree at 100 km is 170 m.
	east, north := make([]float64, v.Gates), make([]float64, v.Gates)
	for g := range v.Gates {
		e, n, ok := o.Reference(grid.BeamAltitudeM(o.AntennaAltitudeM, v.Moment.GateRangeM(g), v.Sweep.ElevationDeg))
		if !ok {
			e, n = math.NaN(), math.NaN()
		}
		east[g], north[g] = e, n
	}
	sin, cos := make([]float64, len(v.order)), make([]float64, len(v.order))
	for k, radial := range v.order {
		sin[k], cos[k] = math.Sincos(float64(v.Sweep.Radials[radial].AzimuthDeg) * radPerDeg)
		level := math.Cos(v.elevationDeg(radial) * radPerDeg)
		sin[k], cos[k] = sin[k]*level, cos[k]*level
	}
	return func(k, g int) float64 { return east[g]*sin[k] + north[g]*cos[k] }
}
