package grid

import "math"

// weight of one observation in a column.
type weight struct {
	observation int
	of          float64
}

// rowChange is what was done to one row of columns.
type rowChange struct {
	maxWindMPerS, maxTemperatureK float64
	limited, changed              int
}

// apply writes the nodes of box, a copy of a.
func (s *spread) apply(a, box *Atmosphere, o *CorrectionOptions, c *Correction) {
	box.hot = make([]float32, len(a.hot))
	slopes := &builder{Atmosphere: a}
	slopes.setSlopes()
	ground := newFollower(a, slopes)
	rows := make([]rowChange, a.nj)
	eachRow(a.nj, func(j int) {
		w := columnWriter{spread: s, box: box, o: o, ground: ground, row: &rows[j]}
		first, after := j*a.ni, (j+1)*a.ni
		for t := range a.times {
			from, to := a.node(t, first)*nodeSize, a.node(t, after)*nodeSize
			copy(box.hot[from:to], a.hot[from:to])
		}
		for column := first; column < after; column++ {
			if !w.weigh(column) {
				continue
			}
			for t, coefficients := range s.coefficients {
				if coefficients != nil {
					w.write(t, column, coefficients)
				}
			}
		}
	})
	for _, r := range rows {
		c.MaxWindIncrementMPerS = math.Max(c.MaxWindIncrementMPerS, r.maxWindMPerS)
		c.MaxTemperatureIncrementK = math.Max(c.MaxTemperatureIncrementK, r.maxTemperatureK)
		c.LimitedNodes += r.limited
		c.ChangedNodes += r.changed
	}
}

// columnWriter changes the columns of one row.
type columnWriter struct {
	*spread
	box     *Atmosphere
	o       *CorrectionOptions
	ground  *follower
	row     *rowChange
	weights []weight
}

// weigh finds the observations that a column is near enough to.
func (w *columnWriter) weigh(column int) bool {
	a := w.box
	w.weights = w.weights[:0]
	place, ok := a.grid.LatLonAt(float64(column%a.ni%a.grid.NI), float64(column/a.ni))
	if terrainM := a.terrainM[column]; !ok || terrainM != terrainM {
		return false
	}
	for n, u := range w.of {
		if rho := gaussian(DistanceM(place, u.observation.Column.Place), w.o.LengthM); rho > leastWeight {
			w.weights = append(w.weights, weight{n, rho})
		}
	}
	return len(w.weights) > 0
}

// write changes one column at one time.
func (w *columnWriter) write(t, column int, coefficients []float64) {
	a := w.box
	levels := len(a.heightsM)
	base := a.node(t, column) * nodeSize
	hot := a.hot[base : base+levels*nodeSize]
	metric := &a.metrics[column]
	terrainM := float64(a.terrainM[column])
	stride := len(w.of) * spreadSize
	last := len(w.altitudesM) - 1
	n := 0
	warmed := false
	var lowestX, lowestY float64 // change of the lowest wind, for the ground
	for k, heightM := range a.heightsM {
		altitudeM := terrainM + heightM
		if altitudeM < w.altitudesM[0] || altitudeM > w.altitudesM[last] {
			continue
		}
		for n < last-1 && w.altitudesM[n+1] < altitudeM {
			n++
		}
		f := (altitudeM - w.altitudesM[n]) / (w.altitudesM[n+1] - w.altitudesM[n])
		low, high := coefficients[n*stride:(n+1)*stride], coefficients[(n+1)*stride:(n+2)*stride]
		var east, north, kelvin float64
		for _, v := range w.weights {
			low, high := low[v.observation*spreadSize:][:spreadSize], high[v.observation*spreadSize:][:spreadSize]
			east += v.of * (low[0] + f*(high[0]-low[0]))
			north += v.of * (low[1] + f*(high[1]-low[1]))
			kelvin += v.of * (low[2] + f*(high[2]-low[2]))
		}
		node := hot[k*nodeSize : (k+1)*nodeSize]
		if east == 0 && north == 0 && kelvin == 0 || node[nodeX] != node[nodeX] || node[nodeT] != node[nodeT] {
			continue
		}
		limited := false
		speed := math.Sqrt(east*east + north*north)
		if limit := w.o.MaxWindIncrementMPerS; speed > limit {
			east, north = east*limit/speed, north*limit/speed
			speed, limited = limit, true
		}
		if limit := w.o.MaxTemperatureIncrementK; math.Abs(kelvin) > limit {
			kelvin, limited = math.Copysign(limit, kelvin), true
		}
		w.row.changed++
		if limited {
			w.row.limited++
		}
		w.row.maxWindMPerS = max(w.row.maxWindMPerS, speed)
		w.row.maxTemperatureK = max(w.row.maxTemperatureK, math.Abs(kelvin))
		if speed > 0 {
			x, y := metric.Steps(east, north)
			node[nodeX] = float32(float64(node[nodeX]) + x)
			node[nodeY] = float32(float64(node[nodeY]) + y)
			if k == 0 {
				lowestX, lowestY = x, y
			}
			if w.ground.throughout {
				node[nodeW] += w.ground.rise(column, k, x, y)
			}
		}
		if kelvin != 0 {
			warm(node, kelvin, a.hasCloudWater)
			warmed = true
		}
	}
	if !w.ground.throughout && (lowestX != 0 || lowestY != 0) {
		for k := range levels {
			if node := hot[k*nodeSize:]; w.ground.factor[k] > 0 && node[nodeW] == node[nodeW] {
				node[nodeW] += w.ground.rise(column, k, lowestX, lowestY)
			}
		}
	}
	if warmed {
		for k := range levels {
			hot[k*nodeSize+nodeStability] = a.stability(hot, k)
		}
	}
}

// What counts as cloud in a node, as for its stability: liquid water, kg per kg,
// or relative humidity where the source has none.
const (
	cloudyKgPerKg  = 1e-6
	cloudyHumidity = 0.98
)

// warm changes temperature at constant pressure; what becomes of the vapour is
// said at Corrected.
func warm(node []float32, kelvin float64, hasCloudWater bool) {
	before := float64(node[nodeT])
	after := before + kelvin
	node[nodeT] = float32(after)
	p, q := float64(node[nodeP]), float64(node[nodeQ])
	if !(p > 0 && q > 0) {
		return
	}
	vapour := vapourPressurePa(q, p)
	humidity := vapour / saturationTable.water(before)
	saturated := saturationTable.water(after)
	keep := min(vapour, saturated*max(1, humidity))
	if float64(node[nodeCloud]) > cloudyKgPerKg || !hasCloudWater && humidity >= cloudyHumidity {
		keep = humidity * saturated
	}
	if keep != vapour {
		node[nodeQ] = float32(specificHumidityOf(keep, p))
	}
}

// follower changes upward velocity where it is the ground that makes it.
type follower struct {
	slopes *builder
	// factor of each level times U . grad(h) of the change of wind: of the
	// level's own wind where throughout, else of the lowest level's.
	factor     []float64
	throughout bool
}

func newFollower(a *Atmosphere, slopes *builder) *follower {
	f := &follower{slopes: slopes}
	depthM := slopeDepthM(a, slopes)
	f.throughout = depthM > 0
	layerM := math.Max(nearGroundM, a.heightsM[1])
	for _, heightM := range a.heightsM {
		if f.throughout {
			f.factor = append(f.factor, math.Exp(-heightM/depthM))
		} else {
			f.factor = append(f.factor, math.Max(0, 1-heightM/layerM))
		}
	}
	return f
}

// rise is the upward velocity that a change of the wind, in grid steps per
// second, makes along the slope.
func (f *follower) rise(column, level int, x, y float64) float32 {
	return float32(f.factor[level] * (x*float64(f.slopes.slopeI[column]) + y*float64(f.slopes.slopeJ[column])))
}

// slopeDepthM is H where the upward velocity of the box is U . grad(h)
// exp(-z/H) throughout, as BuildAtmosphere derives it for sources without
// motion; 0 where it is not. The box does not keep where its motion is from, so
// H is taken from nodes that have motion, and tried on others of the first time.
func slopeDepthM(a *Atmosphere, slopes *builder) float64 {
	const leastMPerS, tries = 0.02, 400
	depthM, matches := 0.0, 0
	columns := a.ni * a.nj
	for n := range tries {
		// By the golden section, so that tries lie all over the box.
		column := int(math.Mod(float64(n)*0.6180339887498949, 1) * float64(columns))
		base := a.node(0, column)
		for k, heightM := range a.heightsM {
			node := a.hot[(base+k)*nodeSize : (base+k+1)*nodeSize]
			along := float64(node[nodeX])*float64(slopes.slopeI[column]) + float64(node[nodeY])*float64(slopes.slopeJ[column])
			upward := float64(node[nodeW])
			if !(math.Abs(along) > leastMPerS) {
				continue
			}
			if depthM == 0 {
				if heightM < lowestLevelM {
					continue
				}
				if depthM = -heightM / math.Log(upward/along); !(depthM > 0 && depthM < 1e5) {
					return 0
				}
			}
			// Rounding of w at 10 m makes H, 2000 m, uncertain by 1e-5.
			if math.Abs(upward-along*math.Exp(-heightM/depthM)) > 1e-3*math.Abs(along) {
				return 0
			}
			matches++
		}
	}
	if matches < 20 {
		return 0
	}
	return depthM
}
