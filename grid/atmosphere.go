package grid

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Atmosphere is a cropped box of the model atmosphere in four dimensions,
// laid out for following particles through it.
//
// Horizontally it keeps the grid of its source. Vertically every column is
// interpolated once, when the box is built, to one list of heights above the
// model's ground, so that a particle near a slope always finds levels that
// follow it, and the level above a particle is found without a search. In
// between it is linear in x, y, height and time (pressure: linear in its
// logarithm). Linear profiles survive the change of coordinate exactly; what
// is lost is curvature, below the spacing of Heights.
//
// Winds are turned from grid to earth when the box is built, and then kept as
// grid steps per second in i and j: a particle is moved without evaluating a
// projection. Air below ground is never used.
//
// An Atmosphere does not change once built; it may be read from many
// goroutines.
type Atmosphere struct {
	grid *Grid // cropped
	// ni is one more than the grid's NI where that is cyclic: the last column
	// repeats the first, and particles pass from one to the other.
	ni, nj int

	heightsM     []float64
	thicknessM   []float64 // of layer k, between heights k and k+1
	perThickness []float64 // and 1 / thickness
	// rungs finds the level of a height without a search: one entry for every
	// 1/rungsPerM metres.
	rungs     []rung
	rungsPerM float64

	times       []time.Time
	seconds     []float64 // since times[0]
	extend      float64   // seconds that the first and last state are held beyond
	referenceAt time.Time

	// One value a column, i fastest.
	terrainM  []float32
	metrics   []Metric
	surfacePa []float32 // per time and column
	// rates of precipitation at the ground, kg m-2 s-1, per time and column; nil
	// where the source gives none.
	rates []float32
	// ground is terrainM of the cell to the north and east of a column, as the
	// coefficients of 1, x, y and xy.
	ground [][4]float32

	// hot holds nodeSize numbers a node, level fastest, then i, j, time: the
	// two levels above and below a particle lie in 64 contiguous bytes.
	hot []float32
	// ice holds iceSize numbers a node, nil where the source has none.
	ice []float32

	hasCloudWater bool
	hasRainSnow   bool
	notes         []string
}

// What a hot node holds, and in which order.
const (
	nodeX         = iota // grid steps per second along i
	nodeY                // and along j
	nodeW                // upward air velocity, m s-1
	nodeT                // air temperature, K
	nodeP                // air pressure, Pa
	nodeQ                // specific humidity, kg kg-1
	nodeCloud            // cloud liquid water, kg per kg of air
	nodeStability        // squared buoyancy frequency, s-2, moist in cloud
	nodeSize
)

// What an ice node holds.
const (
	iceCloud = iota
	iceRain
	iceSnow
	iceGraupel
	iceSize
)

// rungM is the length of the intervals in which a level is looked up, shorter
// where levels are closer.
const rungM = 10

// Metric turns displacements over the ground into grid steps at one column and
// back. The two matrices are inverse to each other.
type Metric struct {
	// Grid steps per metre.
	IPerEastM, IPerNorthM, JPerEastM, JPerNorthM float64
	// Metres per grid step.
	EastMPerI, EastMPerJ, NorthMPerI, NorthMPerJ float64
}

// Steps are the grid steps of a displacement in metres (or of a wind, per second).
func (m *Metric) Steps(eastM, northM float64) (i, j float64) {
	return m.IPerEastM*eastM + m.IPerNorthM*northM, m.JPerEastM*eastM + m.JPerNorthM*northM
}

// Metres is the inverse of Steps.
func (m *Metric) Metres(i, j float64) (eastM, northM float64) {
	return m.EastMPerI*i + m.EastMPerJ*j, m.NorthMPerI*i + m.NorthMPerJ*j
}

// State is the air at one point.
type State struct {
	Wind
	AirTemperatureK      float64
	PressurePa           float64
	SpecificHumidity     float64 // kg of vapour per kg of moist air
	CloudLiquidKgPerKg   float64 // NaN where the source has no cloud water
	CloudIceKgPerKg      float64 // these four: NaN where not given
	RainKgPerKg          float64
	SnowKgPerKg          float64
	GraupelKgPerKg       float64
	StabilityPerS2       float64 // squared buoyancy frequency, moist in cloud
	TerrainAltitudeM     float64
	HeightAboveGroundM   float64
	SurfaceAirPressurePa float64 // NaN where unknown
}

// DensityKgPerM3 of moist air.
func (s *State) DensityKgPerM3() float64 {
	return s.PressurePa / (gasDryJPerKgK * virtualTemperatureK(s.AirTemperatureK, s.SpecificHumidity))
}

// CloudLiquidKgPerM3 is the liquid water content; multiply by 1000 for g m-3.
func (s *State) CloudLiquidKgPerM3() float64 { return s.CloudLiquidKgPerKg * s.DensityKgPerM3() }

// RelativeHumidityWater is the ratio of vapour pressure to its saturation value
// over (supercooled) water, 1 at saturation.
func (s *State) RelativeHumidityWater() float64 {
	return vapourPressurePa(s.SpecificHumidity, s.PressurePa) / saturationWaterPa(s.AirTemperatureK)
}

// RelativeHumidityIce is the same over ice.
func (s *State) RelativeHumidityIce() float64 {
	return vapourPressurePa(s.SpecificHumidity, s.PressurePa) / saturationIcePa(s.AirTemperatureK)
}

// DefaultHeightsM are the heights above ground to which source columns are
// interpolated: about as close as the levels of operational models, closest
// where plumes live, up to above any cloud of interest.
var DefaultHeightsM = func() []float64 {
	heightsM := []float64{10, 30, 60, 100}
	for _, part := range []struct{ step, top float64 }{{50, 1000}, {100, 2000}, {200, 4000}, {500, 8000}, {1000, 12000}} {
		for heightsM[len(heightsM)-1] < part.top {
			heightsM = append(heightsM, heightsM[len(heightsM)-1]+part.step)
		}
	}
	return heightsM
}()

// ErrOutside: a place, time or height is not inside the fields that were given.
var ErrOutside = errors.New("outside the fields given")

// Heights above ground of the box's levels, metres, increasing.
func (a *Atmosphere) Heights() []float64 { return slices.Clone(a.heightsM) }

// Times for which the box holds states.
func (a *Atmosphere) Times() []time.Time { return slices.Clone(a.times) }

// TimeRange is the span of time in which the box answers.
func (a *Atmosphere) TimeRange() (first, last time.Time) {
	held := time.Duration(a.extend * float64(time.Second))
	return a.times[0].Add(-held), a.times[len(a.times)-1].Add(held)
}

// ReferenceTime is the start of the model run, zero where unknown.
func (a *Atmosphere) ReferenceTime() time.Time { return a.referenceAt }

// Size is the number of columns, rows, levels and times.
func (a *Atmosphere) Size() (ni, nj, levels, times int) {
	return a.ni, a.nj, len(a.heightsM), len(a.times)
}

// HasCloudWater tells whether the source gave cloud liquid water.
func (a *Atmosphere) HasCloudWater() bool { return a.hasCloudWater }

// Notes say in plain words what was derived, assumed or left out.
func (a *Atmosphere) Notes() []string { return slices.Clone(a.notes) }

// MemoryBytes that the values of the box take.
func (a *Atmosphere) MemoryBytes() int64 {
	return 4*int64(len(a.hot)+len(a.ice)+5*len(a.terrainM)+len(a.surfacePa)+len(a.rates)) + 64*int64(len(a.metrics))
}

// Report says in one line what the box is.
func (a *Atmosphere) Report() string {
	first, last := a.times[0], a.times[len(a.times)-1]
	return fmt.Sprintf("%d x %d columns of %s, %d levels %g to %g m above ground, %d times %s to %s, %.0f MB",
		a.ni, a.nj, a.grid.Name, len(a.heightsM), a.heightsM[0], a.heightsM[len(a.heightsM)-1],
		len(a.times), first.Format("2006-01-02T15:04Z"), last.Format("2006-01-02T15:04Z"),
		float64(a.MemoryBytes())/1e6)
}

// newBox lays out an empty box over all of a grid.
func newBox(g *Grid, heightsM []float64, times []time.Time) (*Atmosphere, error) {
	ni, nj := g.NI, g.NJ
	if g.Cyclic {
		ni++
	}
	if ni < 2 || nj < 2 || len(times) == 0 {
		return nil, fmt.Errorf("a box of %d x %d columns and %d times: at least 2 x 2 columns and one time are needed", ni, nj, len(times))
	}
	if len(heightsM) < 2 || len(heightsM) > 250 || !(heightsM[0] >= 0) || heightsM[len(heightsM)-1] > 40000 {
		return nil, fmt.Errorf("heights %v: 2 to 250 of them are needed, from 0 to 40000 m above ground", heightsM)
	}
	for k := 1; k < len(heightsM); k++ {
		if !(heightsM[k] >= heightsM[k-1]+1) {
			return nil, fmt.Errorf("heights %v do not increase by at least 1 m", heightsM)
		}
	}
	a := &Atmosphere{grid: g, ni: ni, nj: nj, heightsM: slices.Clone(heightsM), times: slices.Clone(times)}
	for k := range times {
		if k > 0 && !times[k].After(times[k-1]) {
			return nil, fmt.Errorf("times %s and %s do not increase", times[k-1], times[k])
		}
		a.seconds = append(a.seconds, times[k].Sub(times[0]).Seconds())
	}
	for k := range len(heightsM) - 1 {
		a.thicknessM = append(a.thicknessM, heightsM[k+1]-heightsM[k])
		a.perThickness = append(a.perThickness, 1/a.thicknessM[k])
	}
	a.setRungs()
	columns := ni * nj
	const ceiling = 1 << 30 // numbers, 4 GiB: far above any box of use
	if nodes := uint64(columns) * uint64(len(heightsM)) * uint64(len(times)); nodes*nodeSize > ceiling {
		return nil, fmt.Errorf("a box of %d x %d columns, %d levels and %d times takes more than 4 GiB: crop it to the sites' domain",
			ni, nj, len(heightsM), len(times))
	}
	a.hot = make([]float32, columns*len(heightsM)*len(times)*nodeSize)
	a.terrainM = make([]float32, columns)
	a.surfacePa = make([]float32, columns*len(times))
	for k := range a.surfacePa {
		a.surfacePa[k] = float32(math.NaN())
	}
	return a, a.setMetrics()
}

// rung says which level lies below a range of heights, and where in it the next
// one begins.
type rung struct {
	level                                         int
	floorM, perThickness, nextM, perNextThickness float64
}

// setRungs makes intervals so short that none holds two levels.
func (a *Atmosphere) setRungs() {
	step := slices.Min(append([]float64{rungM}, a.thicknessM...))
	a.rungsPerM = 1 / step
	last := len(a.heightsM) - 2 // the lower level of the last layer
	k := 0
	for n := 0; n <= int(a.heightsM[last+1]*a.rungsPerM); n++ {
		// The highest level not above the interval's lower end, which rounding
		// must not put too high.
		for k < last && a.heightsM[k+1] <= float64(n)*step*(1-1e-9) {
			k++
		}
		r := rung{k, a.heightsM[k], a.perThickness[k], math.Inf(1), 0}
		if k < last {
			r.nextM, r.perNextThickness = a.heightsM[k+1], a.perThickness[k+1]
		}
		a.rungs = append(a.rungs, r)
	}
}

// setGround follows from terrainM.
func (a *Atmosphere) setGround() {
	a.ground = make([][4]float32, a.ni*a.nj)
	for j := range a.nj - 1 {
		for i := range a.ni - 1 {
			c := j*a.ni + i
			sw, se, nw, ne := a.terrainM[c], a.terrainM[c+1], a.terrainM[c+a.ni], a.terrainM[c+a.ni+1]
			a.ground[c] = [4]float32{sw, se - sw, nw - sw, ne - nw - se + sw}
		}
	}
}

// node is the index of the first number of a column's lowest node.
func (a *Atmosphere) node(t, column int) int {
	return (t*a.ni*a.nj + column) * len(a.heightsM)
}

// setMetrics differentiates the grid's geometry at every column.
func (a *Atmosphere) setMetrics() error {
	a.metrics = make([]Metric, a.ni*a.nj)
	for j := range a.nj {
		for i := range a.ni {
			metric, ok := metricAt(a.grid, float64(i%a.grid.NI), float64(j))
			if !ok {
				return fmt.Errorf("grid %s: the geometry at column %d, row %d is not known or is singular (a pole?)", a.grid.Name, i, j)
			}
			a.metrics[j*a.ni+i] = metric
		}
	}
	return nil
}

// metricAt takes central differences of the places of a grid. The step is
// small for projections, whose places are smooth functions, and half a cell
// for listed places, which are interpolated.
func metricAt(g *Grid, i, j float64) (Metric, bool) {
	step := 0.01
	if g.Curvilinear != nil {
		step = 0.5
	}
	difference := func(di, dj float64) (eastM, northM float64, ok bool) {
		// At the edge of listed places the difference is one-sided.
		before, okBefore := g.LatLonAt(i-di, j-dj)
		after, okAfter := g.LatLonAt(i+di, j+dj)
		width := 2 * step
		if !okBefore {
			before, okBefore = g.LatLonAt(i, j)
			width = step
		}
		if !okAfter {
			after, okAfter = g.LatLonAt(i, j)
			width -= step
		}
		if !okBefore || !okAfter || width <= 0 {
			return 0, 0, false
		}
		eastM, northM = displacementM(before, after)
		return eastM / width, northM / width, true
	}
	var m Metric
	var ok, ok2 bool
	m.EastMPerI, m.NorthMPerI, ok = difference(step, 0)
	m.EastMPerJ, m.NorthMPerJ, ok2 = difference(0, step)
	determinant := m.EastMPerI*m.NorthMPerJ - m.EastMPerJ*m.NorthMPerI
	if !ok || !ok2 || !(math.Abs(determinant) > 1) {
		return m, false
	}
	m.IPerEastM, m.IPerNorthM = m.NorthMPerJ/determinant, -m.EastMPerJ/determinant
	m.JPerEastM, m.JPerNorthM = -m.NorthMPerI/determinant, m.EastMPerI/determinant
	return m, true
}

// displacementM is the way from a to a near place b along the parallel and the
// meridian of the place between them.
func displacementM(a, b LatLon) (eastM, northM float64) {
	const rad = math.Pi / 180
	eastM = EarthRadiusM * rad * NormalLongitudeDeg(b.LongitudeDeg-a.LongitudeDeg) *
		math.Cos((a.LatitudeDeg+b.LatitudeDeg)/2*rad)
	return eastM, EarthRadiusM * rad * (b.LatitudeDeg - a.LatitudeDeg)
}

// Plane gives the coordinates of a place in the box: grid steps from its first
// column and row. False outside.
func (a *Atmosphere) Plane(p LatLon) (x, y float64, ok bool) {
	return a.grid.Locate(p)
}

// PlaceAt is the inverse of Plane.
func (a *Atmosphere) PlaceAt(x, y float64) (LatLon, bool) {
	if n := float64(a.grid.NI); a.grid.Cyclic && !(x >= 0 && x < n) {
		if x = math.Mod(x, n); x < 0 {
			x += n
		}
	}
	return a.grid.LatLonAt(x, y)
}

// MetricAt is the metric of the column nearest to a point of the plane.
func (a *Atmosphere) MetricAt(x, y float64) Metric {
	i := min(max(int(math.Round(x)), 0), a.ni-1)
	j := min(max(int(math.Round(y)), 0), a.nj-1)
	return a.metrics[j*a.ni+i]
}

// CellSizeM is the shorter side of a cell at the middle of the box.
func (a *Atmosphere) CellSizeM() float64 {
	m := a.MetricAt(float64(a.ni-1)/2, float64(a.nj-1)/2)
	return math.Min(math.Hypot(m.EastMPerI, m.NorthMPerI), math.Hypot(m.EastMPerJ, m.NorthMPerJ))
}

// TerrainAltitudeM is the model's ground above the geoid, false outside the box.
func (a *Atmosphere) TerrainAltitudeM(p LatLon) (float64, bool) {
	x, y, ok := a.Plane(p)
	if !ok {
		return math.NaN(), false
	}
	c := a.corners(x, y)
	terrainM := c.blend(a.terrainM)
	return terrainM, !math.IsNaN(terrainM)
}

// corners of the cell around a point, and their weights.
type corners struct {
	column [4]int
	weight [4]float64
}

func (a *Atmosphere) corners(x, y float64) corners {
	i, j := min(int(x), a.ni-2), min(int(y), a.nj-2)
	fx, fy := x-float64(i), y-float64(j)
	c := j*a.ni + i
	return corners{
		[4]int{c, c + 1, c + a.ni, c + a.ni + 1},
		[4]float64{(1 - fx) * (1 - fy), fx * (1 - fy), (1 - fx) * fy, fx * fy},
	}
}

func (c *corners) blend(values []float32) float64 {
	sum := 0.0
	for n, column := range c.column {
		if c.weight[n] > 0 { // a missing neighbour does not spoil the column itself
			sum += c.weight[n] * float64(values[column])
		}
	}
	return sum
}

// moment finds the states before and after a time, and the weight of the later.
func (a *Atmosphere) moment(at time.Time) (before int, later float64, ok bool) {
	return a.momentAt(at.Sub(a.times[0]).Seconds())
}

func (a *Atmosphere) momentAt(seconds float64) (before int, later float64, ok bool) {
	last := len(a.seconds) - 1
	if !(seconds >= -a.extend && seconds <= a.seconds[last]+a.extend) {
		return 0, 0, false
	}
	if last == 0 {
		return 0, 0, true
	}
	k, _ := slices.BinarySearch(a.seconds, seconds)
	k = min(max(k-1, 0), last-1)
	f := (seconds - a.seconds[k]) / (a.seconds[k+1] - a.seconds[k])
	return k, math.Min(math.Max(f, 0), 1), true
}

// WindAt is the wind relative to the earth, false outside the box: beyond its
// sides, times or top, or where the source has no value. Below the lowest
// level and below ground it is the wind of the lowest level.
func (a *Atmosphere) WindAt(p Position, at time.Time) (Wind, bool) {
	state, ok := a.StateAt(p, at)
	return state.Wind, ok
}

// StateAt is the air at one point, false outside as for WindAt.
func (a *Atmosphere) StateAt(p Position, at time.Time) (State, bool) {
	x, y, ok := a.Plane(p.LatLon)
	if !ok {
		return State{}, false
	}
	t, later, ok := a.moment(at)
	if !ok {
		return State{}, false
	}
	c := a.corners(x, y)
	terrainM := c.blend(a.terrainM)
	heightM := p.AltitudeM - terrainM
	last := len(a.heightsM) - 1
	if !(heightM <= a.heightsM[last]) {
		return State{}, false
	}
	k, _ := slices.BinarySearch(a.heightsM, heightM)
	k = min(max(k-1, 0), last-1)
	f := math.Min(math.Max((heightM-a.heightsM[k])/a.thicknessM[k], 0), 1)

	below, above := a.stateOnLevel(&c, t, later, k), State{}
	state := below
	if f > 0 {
		above = a.stateOnLevel(&c, t, later, k+1)
		state = blendStates(&below, &above, f)
	}
	state.TerrainAltitudeM, state.HeightAboveGroundM = terrainM, heightM
	return state, !math.IsNaN(state.EastwardMPerS) && !math.IsNaN(state.AirTemperatureK)
}

// stateOnLevel blends the four columns of a cell on one level.
func (a *Atmosphere) stateOnLevel(c *corners, t int, later float64, level int) State {
	var sum [nodeSize]float64
	var eastward, northward, surface float64
	var ices [iceSize]float64
	add := func(t int, weight float64) {
		for n, column := range c.column {
			w := weight * c.weight[n]
			if w == 0 {
				continue
			}
			at := a.node(t, column) + level
			hot := a.hot[at*nodeSize : at*nodeSize+nodeSize]
			for q := range sum {
				sum[q] += w * float64(hot[q])
			}
			// Each column has its own north: turn before blending.
			e, n := a.metrics[column].Metres(float64(hot[nodeX]), float64(hot[nodeY]))
			eastward += w * e
			northward += w * n
			surface += w * float64(a.surfacePa[t*a.ni*a.nj+column])
			if a.ice != nil {
				for q := range ices {
					ices[q] += w * float64(a.ice[at*iceSize+q])
				}
			}
		}
	}
	add(t, 1-later)
	if later > 0 {
		add(t+1, later)
	}
	state := State{
		Wind:             Wind{eastward, northward, sum[nodeW]},
		AirTemperatureK:  sum[nodeT],
		PressurePa:       sum[nodeP],
		SpecificHumidity: sum[nodeQ], CloudLiquidKgPerKg: sum[nodeCloud],
		CloudIceKgPerKg: ices[iceCloud], RainKgPerKg: ices[iceRain],
		SnowKgPerKg: ices[iceSnow], GraupelKgPerKg: ices[iceGraupel],
		StabilityPerS2:       sum[nodeStability],
		SurfaceAirPressurePa: surface,
	}
	if !a.hasCloudWater {
		state.CloudLiquidKgPerKg = math.NaN()
	}
	if a.ice == nil {
		nan := math.NaN()
		state.CloudIceKgPerKg, state.RainKgPerKg, state.SnowKgPerKg, state.GraupelKgPerKg = nan, nan, nan, nan
	}
	return state
}

func blendStates(a, b *State, f float64) State {
	mix := func(a, b float64) float64 { return a + f*(b-a) }
	return State{
		Wind: Wind{
			mix(a.EastwardMPerS, b.EastwardMPerS), mix(a.NorthwardMPerS, b.NorthwardMPerS), mix(a.UpwardMPerS, b.UpwardMPerS),
		},
		AirTemperatureK:      mix(a.AirTemperatureK, b.AirTemperatureK),
		PressurePa:           math.Exp(mix(math.Log(a.PressurePa), math.Log(b.PressurePa))),
		SpecificHumidity:     mix(a.SpecificHumidity, b.SpecificHumidity),
		CloudLiquidKgPerKg:   mix(a.CloudLiquidKgPerKg, b.CloudLiquidKgPerKg),
		CloudIceKgPerKg:      mix(a.CloudIceKgPerKg, b.CloudIceKgPerKg),
		RainKgPerKg:          mix(a.RainKgPerKg, b.RainKgPerKg),
		SnowKgPerKg:          mix(a.SnowKgPerKg, b.SnowKgPerKg),
		GraupelKgPerKg:       mix(a.GraupelKgPerKg, b.GraupelKgPerKg),
		StabilityPerS2:       mix(a.StabilityPerS2, b.StabilityPerS2),
		SurfaceAirPressurePa: a.SurfaceAirPressurePa,
	}
}

// ColumnAt is the column of the box above a place: one level a height, false
// outside the box.
func (a *Atmosphere) ColumnAt(p LatLon, at time.Time) (Column, bool) {
	column, ok := a.columnAt(p, at)
	for k := range column.Levels {
		level := &column.Levels[k]
		level.DewPointK = dewPointK(vapourPressurePa(level.DewPointK, level.PressurePa))
	}
	return column, ok
}

// CloudColumnAt is ColumnAt without dew points (NaN), which take most of its time.
func (a *Atmosphere) CloudColumnAt(p LatLon, at time.Time) (Column, bool) {
	column, ok := a.columnAt(p, at)
	for k := range column.Levels {
		column.Levels[k].DewPointK = math.NaN()
	}
	return column, ok
}

// columnAt has the specific humidity in the place of the dew point.
func (a *Atmosphere) columnAt(p LatLon, at time.Time) (Column, bool) {
	x, y, ok := a.Plane(p)
	if !ok {
		return Column{}, false
	}
	t, later, ok := a.moment(at)
	if !ok {
		return Column{}, false
	}
	c := a.corners(x, y)
	terrainM := c.blend(a.terrainM)
	column := Column{Label: a.grid.Name, Place: p, SurfaceAltitudeM: terrainM, Time: at}
	column.Levels = make([]ColumnLevel, 0, len(a.heightsM))
	for k, heightM := range a.heightsM {
		s := a.stateOnLevel(&c, t, later, k)
		if math.IsNaN(s.AirTemperatureK) {
			continue
		}
		column.Levels = append(column.Levels, ColumnLevel{
			PressurePa: s.PressurePa, AltitudeM: terrainM + heightM, AirTemperatureK: s.AirTemperatureK,
			DewPointK:     s.SpecificHumidity,
			EastwardMPerS: s.EastwardMPerS, NorthwardMPerS: s.NorthwardMPerS, UpwardMPerS: s.UpwardMPerS,
			CloudLiquidKgPerKg: s.CloudLiquidKgPerKg, CloudIceKgPerKg: s.CloudIceKgPerKg,
			RainKgPerKg: s.RainKgPerKg, SnowKgPerKg: s.SnowKgPerKg, GraupelKgPerKg: s.GraupelKgPerKg,
		})
	}
	return column, len(column.Levels) >= 2
}

// finish sets what follows from the nodes and the terrain.
func (a *Atmosphere) finish() {
	a.setGround()
	levels := len(a.heightsM)
	eachRow(a.nj*len(a.times), func(row int) {
		for i := range a.ni {
			base := a.node(0, row*a.ni+i) * nodeSize
			column := a.hot[base : base+levels*nodeSize]
			for k := range levels {
				column[k*nodeSize+nodeStability] = a.stability(column, k)
			}
		}
	})
}

// stabilityDepthM is the least depth over which stability is taken: thinner
// layers would make noise of the rounding of the source.
const stabilityDepthM = 150

// stability is the squared buoyancy frequency around level k of one column. In
// cloud it is that of saturated air: Durran and Klemp (1982, J. Atmos. Sci.
// 39, 2152) with the gradient of total water left out,
// N² = (g/T)(dT/dz + Γm)(1 + Lv qs/(Rd T)).
func (a *Atmosphere) stability(column []float32, k int) float32 {
	low, high := max(k-1, 0), min(k+1, len(a.heightsM)-1)
	for a.heightsM[high]-a.heightsM[low] < stabilityDepthM && (low > 0 || high < len(a.heightsM)-1) {
		low, high = max(low-1, 0), min(high+1, len(a.heightsM)-1)
	}
	value := func(k, q int) float64 { return float64(column[k*nodeSize+q]) }
	for high > k && math.IsNaN(value(high, nodeT)) {
		high--
	}
	if high == low {
		return float32(math.NaN())
	}
	t, p, q := value(k, nodeT), value(k, nodeP), value(k, nodeQ)
	gradient := (value(high, nodeT) - value(low, nodeT)) / (a.heightsM[high] - a.heightsM[low])
	saturation := saturationTable.water(t)
	saturated := value(k, nodeCloud) > 1e-6 || !a.hasCloudWater && vapourPressurePa(q, p) >= 0.98*saturation
	if saturated {
		qs := specificHumidityOf(saturation, p)
		return float32(gravityMPerS2 / t * (gradient + saturatedLapseKPerM(t, p)) *
			(1 + latentHeatJPerKg(t)*qs/(gasDryJPerKgK*t)))
	}
	return float32(gravityMPerS2 / t * (gradient + gravityMPerS2/heatDryJPerKgK))
}
