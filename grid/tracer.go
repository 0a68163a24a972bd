package grid

import "math"

// Tracer reads an Atmosphere for one goroutine that follows particles: it works
// in the coordinates of the box (Plane) and in seconds since the first of
// Times, remembers where in time it was, and evaluates no projection.
type Tracer struct {
	a *Atmosphere

	// The interval of time last used.
	interval   int
	start, end float64
	later      float32 // weight of the later state at start
	perSecond  float32 // and how fast it grows
	// From a node to that of the next column, row and state, in numbers; the last
	// is 0 with a single state.
	strides           [3]int
	reach             int // to the end of a cell
	lastX, lastY      float64
	lowestM, highestM float64

	// Scratch, kept here so that it is not cleared at every call.
	cell         cell
	below, above [nodeSize]float32
}

// Tracer returns a new reader of the box.
func (a *Atmosphere) Tracer() *Tracer {
	t := &Tracer{a: a, start: math.Inf(1), end: math.Inf(-1)}
	t.strides[0] = len(a.heightsM) * nodeSize
	t.strides[1] = a.ni * t.strides[0]
	t.lastX, t.lastY = float64(a.ni-1), float64(a.nj-1)
	t.lowestM, t.highestM = a.heightsM[0], a.heightsM[len(a.heightsM)-1]
	if len(a.times) > 1 {
		t.strides[2] = a.nj * t.strides[1]
	}
	t.reach = t.strides[0] + t.strides[1] + t.strides[2] + 2*nodeSize
	return t
}

// Air is what a particle is told of the air around it.
type Air struct {
	XPerS, YPerS, UpwardMPerS float64 // grid steps per second, m s-1
	TerrainAltitudeM          float64
	HeightAboveGroundM        float64
	AirTemperatureK           float64
	PressurePa                float64
	SpecificHumidity          float64
	CloudLiquidKgPerKg        float64 // 0 where the source has none
	StabilityPerS2            float64
	// The levels of the box below and above, horizontally interpolated: what
	// gradients are taken from. LevelFraction is how far between the two the
	// point is, 0 where it is lower than the lowest.
	Below, Above  AirOnLevel
	LevelFraction float64
	PerThicknessM float64 // 1 / (height of Above - height of Below)
}

// AirOnLevel is the wind and stability of one level of the box.
type AirOnLevel struct {
	HeightAboveGroundM float64
	XPerS, YPerS       float64
	StabilityPerS2     float64
}

// DensityKgPerM3 of moist air.
func (s *Air) DensityKgPerM3() float64 {
	return s.PressurePa / (gasDryJPerKgK * virtualTemperatureK(s.AirTemperatureK, s.SpecificHumidity))
}

// RelativeHumidityWater over (supercooled) water, 1 at saturation; from a
// table, within 2e-4 of the formula.
func (s *Air) RelativeHumidityWater() float64 {
	return vapourPressurePa(s.SpecificHumidity, s.PressurePa) / saturationTable.water(s.AirTemperatureK)
}

// RelativeHumidityIce is the same over ice.
func (s *Air) RelativeHumidityIce() float64 {
	return vapourPressurePa(s.SpecificHumidity, s.PressurePa) / saturationTable.ice(s.AirTemperatureK)
}

// cell is where a particle is: eight columns of numbers (four around it, before
// and after) and their weights, and the fraction of the way to the upper level.
type cell struct {
	node     int // of the first column
	weight   [8]float32
	upper    float32
	level    int
	terrainM float64
	heightM  float64
}

// find reports false outside the box.
func (t *Tracer) find(x, y, altitudeM, seconds float64) bool {
	a, c := t.a, &t.cell
	if !(seconds >= t.start && seconds <= t.end) && !t.seek(seconds) {
		return false
	}
	if !(x >= 0 && x <= t.lastX) {
		if !a.grid.Cyclic || math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
		n := float64(a.grid.NI)
		x -= n * math.Floor(x/n)
	}
	if !(y >= 0 && y <= t.lastY) {
		return false
	}
	i, j := min(int(x), a.ni-2), min(int(y), a.nj-2)
	fx, fy := float32(x-float64(i)), float32(y-float64(j))
	column := j*a.ni + i
	ground := &a.ground[column]
	c.terrainM = float64(ground[0] + fx*ground[1] + fy*(ground[2]+fx*ground[3]))
	c.heightM = altitudeM - c.terrainM
	w11 := fx * fy
	w10, w01 := fx-w11, fy-w11
	w00 := 1 - fx - w01

	k := 0
	c.upper = 0
	if height := c.heightM; height > t.lowestM {
		if !(height <= t.highestM) {
			return false
		}
		rung := &a.rungs[int(height*a.rungsPerM)]
		k = rung.level
		floor, perThickness := rung.floorM, rung.perThickness
		if height >= rung.nextM {
			k++
			floor, perThickness = rung.nextM, rung.perNextThickness
		}
		c.upper = float32((height - floor) * perThickness)
	} else if !(height <= 0) && !(height >= 0) { // NaN: no terrain here
		return false
	}
	c.level = k

	c.node = column*t.strides[0] + k*nodeSize + t.interval*t.strides[2]
	// The farthest of the eight columns: one check serves for all.
	if uint(c.node+t.reach) > uint(len(a.hot)) {
		return false
	}
	later := t.later + float32(seconds-t.start)*t.perSecond
	l00, l10, l01, l11 := w00*later, w10*later, w01*later, w11*later
	c.weight[0], c.weight[1], c.weight[2], c.weight[3] = w00-l00, w10-l10, w01-l01, w11-l11
	c.weight[4], c.weight[5], c.weight[6], c.weight[7] = l00, l10, l01, l11
	return true
}

// seek finds the interval of time.
func (t *Tracer) seek(seconds float64) bool {
	k, _, ok := t.a.momentAt(seconds)
	if !ok {
		return false
	}
	s := t.a.seconds
	last := len(s) - 1
	t.interval, t.later, t.perSecond = k, 0, 0
	switch { // beyond the first and last state these are held
	case last == 0:
		t.start, t.end = -t.a.extend, t.a.extend
	case seconds < s[0]:
		t.start, t.end = s[0]-t.a.extend, s[0]
	case seconds > s[last]:
		t.start, t.end, t.later = s[last], s[last]+t.a.extend, 1
	default:
		t.start, t.end = s[k], s[k+1]
		t.perSecond = float32(1 / (t.end - t.start))
	}
	return true
}

// Velocity is the motion of the air: grid steps per second and m s-1. False
// outside the box and where the source has no value.
func (t *Tracer) Velocity(atX, atY, altitudeM, seconds float64) (xPerS, yPerS, upwardMPerS float64, ok bool) {
	if !t.find(atX, atY, altitudeM, seconds) {
		return 0, 0, 0, false
	}
	c, below, above := &t.cell, &t.below, &t.above
	blendMotion(&t.a.hot[c.node], &t.strides, &c.weight, below, above)
	x := below[nodeX] + c.upper*(above[nodeX]-below[nodeX])
	y := below[nodeY] + c.upper*(above[nodeY]-below[nodeY])
	w := below[nodeW] + c.upper*(above[nodeW]-below[nodeW])
	return float64(x), float64(y), float64(w), x == x
}

// Air reads everything a particle asks for. False as for Velocity.
func (t *Tracer) Air(x, y, altitudeM, seconds float64, s *Air) bool {
	if !t.find(x, y, altitudeM, seconds) {
		return false
	}
	c, below, above := &t.cell, &t.below, &t.above
	blendAll(&t.a.hot[c.node], &t.strides, &c.weight, below, above)
	at := func(q int) float64 { return float64(below[q] + c.upper*(above[q]-below[q])) }
	if x, t := at(nodeX), at(nodeT); x != x || t != t {
		return false
	}
	s.XPerS, s.YPerS, s.UpwardMPerS = at(nodeX), at(nodeY), at(nodeW)
	s.TerrainAltitudeM, s.HeightAboveGroundM = c.terrainM, c.heightM
	s.AirTemperatureK = at(nodeT)
	s.SpecificHumidity, s.CloudLiquidKgPerKg = at(nodeQ), at(nodeCloud)
	s.StabilityPerS2 = at(nodeStability)
	// Logarithmic interpolation, p0^(1-f) p1^f, to third order in the ratio:
	// the linear value less f(1-f)/2 d² p, d = (p0-p1)/p. Within 1e-3 even
	// where the levels are 2 km apart.
	f, linear := float64(c.upper), at(nodeP)
	difference := float64(below[nodeP] - above[nodeP])
	s.PressurePa = linear - f*(1-f)/2*difference*difference/linear

	s.LevelFraction, s.PerThicknessM = f, t.a.perThickness[c.level]
	k := c.level
	s.Below = AirOnLevel{t.a.heightsM[k], float64(below[nodeX]), float64(below[nodeY]), float64(below[nodeStability])}
	s.Above = AirOnLevel{t.a.heightsM[k+1], float64(above[nodeX]), float64(above[nodeY]), float64(above[nodeStability])}
	return true
}

// TerrainAltitudeM is the ground at a point of the plane; false outside.
func (t *Tracer) TerrainAltitudeM(x, y float64) (float64, bool) {
	a := t.a
	if a.grid.Cyclic && !math.IsInf(x, 0) {
		n := float64(a.grid.NI)
		x -= n * math.Floor(x/n)
	}
	if !(x >= 0 && x <= float64(a.ni-1) && y >= 0 && y <= float64(a.nj-1)) {
		return math.NaN(), false
	}
	i, j := min(int(x), a.ni-2), min(int(y), a.nj-2)
	fx, fy := float32(x-float64(i)), float32(y-float64(j))
	ground := &a.ground[j*a.ni+i]
	terrainM := float64(ground[0] + fx*ground[1] + fy*(ground[2]+fx*ground[3]))
	return terrainM, terrainM == terrainM
}
