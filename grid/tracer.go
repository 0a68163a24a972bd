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
	after      float64 // start, or a little less for the first moment of all
	later      float32 // weight of the later state at start
	perSecond  float32 // and how fast it grows

	reach             int // from a node to the end of its cell, in numbers
	lastX, lastY      float64
	lastI, lastJ      int // of the last cell
	lowestM, highestM float64

	cell cell
}

// Tracer returns a new reader of the box.
func (a *Atmosphere) Tracer() *Tracer {
	t := &Tracer{a: a, after: math.Inf(1), end: math.Inf(-1)}
	t.cell.strides[0] = len(a.heightsM) * nodeSize
	t.cell.strides[1] = a.ni * t.cell.strides[0]
	t.lastX, t.lastY = float64(a.ni-1), float64(a.nj-1)
	t.lastI, t.lastJ = a.ni-2, a.nj-2
	t.lowestM, t.highestM = a.heightsM[0], a.heightsM[len(a.heightsM)-1]
	if len(a.times) > 1 {
		t.cell.strides[2] = a.nj * t.cell.strides[1]
	}
	t.reach = t.cell.strides[0] + t.cell.strides[1] + t.cell.strides[2] + 2*nodeSize
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

// cell is where a particle is: how far on the way to the next column, row,
// state and level, and what was interpolated there. It is kept from call to
// call, as it need not be cleared.
type cell struct {
	x, y, later, upper float32
	// From a node to that of the next column, row and state, in numbers; the
	// last is 0 with a single state.
	strides [3]int
	// The two levels, horizontally interpolated, and the point between them.
	below, above, between [nodeSize]float32

	node     int // index of the first number of the cell's first column
	level    int // the lower one
	terrainM float64
	heightM  float64
}

// find reports false outside the box.
func (t *Tracer) find(x, y, altitudeM, seconds float64) bool {
	a, c := t.a, &t.cell
	if !(seconds > t.after && seconds <= t.end && x >= 0 && x <= t.lastX) {
		x, ok := t.admit(x, seconds)
		return ok && t.find(x, y, altitudeM, seconds)
	}
	if !(y >= 0 && y <= t.lastY) {
		return false
	}
	i, j := min(int(x), t.lastI), min(int(y), t.lastJ)
	fx, fy := float32(x-float64(i)), float32(y-float64(j))
	column := j*a.ni + i
	ground := &a.ground[column]
	c.terrainM = float64(ground[0] + fx*ground[1] + fy*(ground[2]+fx*ground[3]))
	c.heightM = altitudeM - c.terrainM
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

	c.node = column*c.strides[0] + k*nodeSize + t.interval*c.strides[2]
	// The farthest of the eight columns: one check serves for all.
	if uint(c.node+t.reach) > uint(len(a.hot)) {
		return false
	}
	c.x, c.y, c.later = fx, fy, t.later+float32(seconds-t.start)*t.perSecond
	return true
}

// admit turns to the interval of time and brings x round a cyclic grid; false
// outside.
func (t *Tracer) admit(x, seconds float64) (float64, bool) {
	if !(seconds > t.after && seconds <= t.end) && !t.seek(seconds) {
		return x, false
	}
	if !(x >= 0 && x <= t.lastX) {
		if !t.a.grid.Cyclic || math.IsNaN(x) || math.IsInf(x, 0) {
			return x, false
		}
		n := float64(t.a.grid.NI)
		x -= n * math.Floor(x/n)
	}
	return x, x >= 0 && x <= t.lastX
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
	// A moment belongs to the interval that it ends, the first of all to the
	// one that it begins: what is read depends on nothing that was read before.
	t.after = t.start
	if seconds == t.start {
		t.after = math.Nextafter(t.start, math.Inf(-1))
	}
	return true
}

// Velocity is the motion of the air: grid steps per second and m s-1. False
// outside the box and where the source has no value.
func (t *Tracer) Velocity(atX, atY, altitudeM, seconds float64) (xPerS, yPerS, upwardMPerS float64, ok bool) {
	if !t.find(atX, atY, altitudeM, seconds) {
		return 0, 0, 0, false
	}
	c := &t.cell
	if vectors {
		blendMotion(&t.a.hot[c.node], c)
	} else {
		blendGeneric(t.a.hot[c.node:], c)
	}
	v := &c.between
	return float64(v[nodeX]), float64(v[nodeY]), float64(v[nodeW]), v[nodeX] == v[nodeX]
}

// Air reads everything a particle asks for. False as for Velocity.
func (t *Tracer) Air(x, y, altitudeM, seconds float64, s *Air) bool {
	if !t.find(x, y, altitudeM, seconds) {
		return false
	}
	c := &t.cell
	if vectors {
		blendAll(&t.a.hot[c.node], c)
	} else {
		blendGeneric(t.a.hot[c.node:], c)
	}
	below, above, v := &c.below, &c.above, &c.between
	if v[nodeX] != v[nodeX] || v[nodeT] != v[nodeT] {
		return false
	}
	s.XPerS, s.YPerS, s.UpwardMPerS = float64(v[nodeX]), float64(v[nodeY]), float64(v[nodeW])
	s.TerrainAltitudeM, s.HeightAboveGroundM = c.terrainM, c.heightM
	s.AirTemperatureK = float64(v[nodeT])
	s.SpecificHumidity, s.CloudLiquidKgPerKg = float64(v[nodeQ]), float64(v[nodeCloud])
	s.StabilityPerS2 = float64(v[nodeStability])
	// Logarithmic interpolation, p0^(1-f) p1^f, to third order in the ratio:
	// the linear value less f(1-f)/2 d² p, d = (p0-p1)/p. Within 1e-3 even
	// where the levels are 2 km apart.
	f, linear := float64(c.upper), float64(v[nodeP])
	difference := float64(below[nodeP] - above[nodeP])
	s.PressurePa = linear - f*(1-f)/2*difference*difference/linear

	k := c.level
	s.LevelFraction, s.PerThicknessM = f, t.a.perThickness[k]
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
