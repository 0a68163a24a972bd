package grid

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"sync/atomic"
	"time"
)

// AtmosphereOptions say what part of the fields becomes the box, and how.
type AtmosphereOptions struct {
	// Domain lists places that the box must hold, with MarginM metres around
	// each; all of the fields' grid where empty.
	Domain  []LatLon
	MarginM float64
	// HeightsM above ground of the box's levels; DefaultHeightsM where empty.
	HeightsM []float64
	// From and To, where not zero, leave out times that are not needed to
	// interpolate between them.
	From, To time.Time
	// HoldFor is how long the first and last state are taken to last before
	// and after their times. With a single time nothing can drift without it.
	HoldFor time.Duration
	// Member of an ensemble; may be nil where the fields are of one.
	Member *int
	// UpslopeDepthM is the height over which motion forced by the slope decays
	// to 1/e where the source gives no vertical motion; 0 for 2000 m.
	UpslopeDepthM float64
}

const (
	// defaultUpslopeDepthM: common practice, no source; U/N of a moist winter
	// flow is 1 to 3 km.
	defaultUpslopeDepthM = 2000
	// lapseBelowKPerM carries temperature down to the ground below the lowest
	// level where there is none at 2 m: the standard atmosphere's lapse rate.
	lapseBelowKPerM = 0.0065
	// lowestLevelM: levels nearer to the ground than this count as below it.
	lowestLevelM = 1
	// nearGroundM: temperatures and winds up to this height above ground join
	// the profile; the ones above would compete with the levels.
	nearGroundM = 150
)

// BuildAtmosphere makes a box of the fields of one model: temperature and wind
// on pressure levels (GRIB2 code table 4.5, 100) or on the model's own levels
// with their pressure; moisture, vertical motion, heights, cloud water and the
// kinds of ice where given; terrain, surface pressure and the rate of
// precipitation; temperature and wind near the ground. Fields of other quantities are passed over. Names are CF
// standard names; units are turned into SI here.
//
// What is missing is either derived, and then stands in Notes, or an error
// that wraps ErrIncomplete and names time, level and quantity. Places of Domain
// off the grid give an error that wraps ErrOutside.
//
// Derived: altitudes by the hypsometric equation from the surface; terrain from
// surface pressure and altitudes; specific humidity from relative humidity
// (taken over water) or dew point; upward velocity from omega as
// w = -omega Rd Tv / (g p), or, where the source has neither, from the slope as
// U . grad(h) exp(-z/H). Never both: only in the layer next to the ground,
// where the air must follow it, w goes linearly to U . grad(h).
func BuildAtmosphere(fields []*Field, options AtmosphereOptions) (*Atmosphere, error) {
	s, err := sortFields(fields, &options)
	if err != nil {
		return nil, err
	}
	window := Window{NI: s.grid.NI, NJ: s.grid.NJ}
	if len(options.Domain) > 0 {
		var all bool
		if window, all = s.grid.WindowOf(options.Domain, options.MarginM); !all {
			for _, place := range options.Domain {
				if _, _, ok := s.grid.Locate(place); !ok {
					return nil, fmt.Errorf("%.4f, %.4f is not on the grid %s: %w", place.LatitudeDeg, place.LongitudeDeg, s.grid.Name, ErrOutside)
				}
			}
		}
		window = atLeastTwo(window, s.grid)
	}
	window = withoutPoles(window, s.grid)
	cropped, err := s.grid.Crop(window)
	if err != nil {
		return nil, err
	}
	heightsM := options.HeightsM
	if len(heightsM) == 0 {
		heightsM = DefaultHeightsM
	}
	a, err := newBox(cropped, heightsM, s.times)
	if err != nil {
		return nil, err
	}
	b := &builder{Atmosphere: a, source: s, window: window, upslopeM: options.UpslopeDepthM}
	if b.upslopeM <= 0 {
		b.upslopeM = defaultUpslopeDepthM
	}
	a.extend = math.Max(options.HoldFor.Seconds(), 0)
	a.referenceAt = s.reference
	if a.extend > 0 {
		s.notes = append(s.notes, fmt.Sprintf("the first and last state are held for %s", options.HoldFor))
	}
	if err := b.prepare(); err != nil {
		return nil, err
	}
	for t := range a.times {
		if err := b.fill(t); err != nil {
			return nil, err
		}
	}
	b.note()
	a.finish()
	a.notes = s.notes
	return a, nil
}

// atLeastTwo widens a window of a single row or column.
func atLeastTwo(w Window, g *Grid) Window {
	if w.NJ < 2 && g.NJ >= 2 {
		w.J0, w.NJ = min(w.J0, g.NJ-2), 2
	}
	if w.NI < 2 && g.NI >= 2 {
		if !g.Cyclic {
			w.I0 = min(w.I0, g.NI-2)
		}
		w.NI = 2
	}
	return w
}

// withoutPoles leaves out rows on which a grid of longitudes has no width.
func withoutPoles(w Window, g *Grid) Window {
	onPole := func(j int) bool {
		_, ok := metricAt(g, float64(w.I0), float64(j))
		return !ok
	}
	for w.NJ > 2 && onPole(w.J0) {
		w.J0++
		w.NJ--
	}
	for w.NJ > 2 && onPole(w.J0+w.NJ-1) {
		w.NJ--
	}
	return w
}

type builder struct {
	*Atmosphere
	source   *source
	window   Window
	upslopeM float64

	// slope of the ground, metres per grid step, a column each.
	slopeI, slopeJ []float32
	// turn is the sine and cosine of the grid's direction, a column each; nil
	// where no wind lies along the grid.
	turn [][2]float64

	hasMotion, hasOmega, hasCloud, hasIce bool

	// What is being filled, found once a time rather than once a column.
	surface      *reading
	strata, near []levelReadings

	hydrostatic, extrapolated, masked atomic.Int64
}

// at is the index of a column of the box in the source's fields.
func (b *builder) at(column int) int {
	i, j := column%b.ni, column/b.ni
	return (b.window.J0+j)*b.source.grid.NI + (b.window.I0+i)%b.source.grid.NI
}

func (b *builder) prepare() error {
	b.hasOmega = b.source.any(pressureVelocity)
	b.hasMotion = b.hasOmega || b.source.any(upwardVelocity)
	b.hasCloud = b.source.any(cloudLiquid)
	b.hasIce = b.source.any(cloudIce) || b.source.any(rain) || b.source.any(snow) || b.source.any(graupel)
	if b.hasIce {
		b.ice = make([]float32, len(b.hot)/nodeSize*iceSize)
	}
	if !b.source.any(specificHumidity) && !b.source.any(mixingRatio) && !b.source.any(relativeHumidity) && !b.source.any(dewPoint) {
		return fmt.Errorf("%s: no moisture on the levels (specific_humidity, humidity_mixing_ratio, relative_humidity or dew_point_temperature): %w",
			b.source.times[0].Format(time.RFC3339), ErrIncomplete)
	}
	hasAltitude := b.source.any(altitude) || b.source.any(geopotential)
	surface := b.source.byTime[0][key{surfacePressure, stratum{kind: surfaceLevel}}]
	switch {
	case b.source.terrain == nil && (surface == nil || !hasAltitude):
		return fmt.Errorf("no terrain: give surface_altitude, the geopotential height of the surface, or surface_air_pressure with geopotential heights: %w", ErrIncomplete)
	case !hasAltitude && surface == nil:
		return fmt.Errorf("no heights: give geopotential_height on the levels, or surface_air_pressure and surface_altitude: %w", ErrIncomplete)
	}
	b.open(0)
	b.setTerrain(surface)
	b.setSlopes()
	b.setTurn()
	return nil
}

func (b *builder) setTerrain(surface *reading) {
	if b.source.terrain == nil {
		b.source.notes = append(b.source.notes, "terrain derived from surface pressure and geopotential heights")
	}
	eachRow(b.nj, func(j int) {
		var c sourceColumn
		for column := j * b.ni; column < (j+1)*b.ni; column++ {
			if b.source.terrain != nil {
				b.terrainM[column] = float32(b.source.terrain.value(b.at(column)))
				continue
			}
			c.read(b, b.at(column))
			b.terrainM[column] = float32(c.altitudeAt(surface.value(b.at(column))))
		}
	})
}

func (b *builder) setSlopes() {
	b.slopeI, b.slopeJ = make([]float32, b.ni*b.nj), make([]float32, b.ni*b.nj)
	for j := range b.nj {
		for i := range b.ni {
			west, east := max(i-1, 0), min(i+1, b.ni-1)
			south, north := max(j-1, 0), min(j+1, b.nj-1)
			b.slopeI[j*b.ni+i] = (b.terrainM[j*b.ni+east] - b.terrainM[j*b.ni+west]) / float32(east-west)
			b.slopeJ[j*b.ni+i] = (b.terrainM[north*b.ni+i] - b.terrainM[south*b.ni+i]) / float32(north-south)
		}
	}
}

func (b *builder) setTurn() {
	turned := false
	for k, r := range b.source.byTime[0] {
		turned = turned || (k.what == eastwardWind || k.what == northwardWind) && r.gridRelative()
	}
	if !turned {
		return
	}
	b.turn = make([][2]float64, b.ni*b.nj)
	for column := range b.turn {
		angle, ok := b.grid.pointEastAngleRad(column%b.ni%b.grid.NI, column/b.ni)
		if !ok {
			angle = math.NaN()
		}
		b.turn[column][0], b.turn[column][1] = math.Sincos(angle)
	}
}

// fill interpolates all columns of one time.
func (b *builder) fill(t int) error {
	b.open(t)
	var bad atomic.Int64
	eachRow(b.nj, func(j int) {
		var c sourceColumn
		for column := j * b.ni; column < (j+1)*b.ni; column++ {
			if !c.read(b, b.at(column)) {
				bad.Add(1)
			}
			c.turn(b, column)
			c.place(b, t, column)
			c.write(b, t, column)
		}
	})
	b.fillRates(t)
	if n := bad.Load(); n == int64(b.ni*b.nj) {
		return fmt.Errorf("%s: no column of the box has two levels above ground with temperature and wind: %w",
			b.source.times[t].Format(time.RFC3339), ErrIncomplete)
	} else if n > 0 && t == 0 {
		b.source.notes = append(b.source.notes, fmt.Sprintf("%d of %d columns have missing values; particles stop there", n, b.ni*b.nj))
	}
	return nil
}

// note says what was derived.
func (b *builder) note() {
	b.hasCloudWater = b.hasCloud
	b.hasRainSnow = b.source.any(rain) && b.source.any(snow)
	if b.hydrostatic.Load() > 0 {
		b.source.notes = append(b.source.notes, "altitudes of levels derived by the hypsometric equation")
	}
	if b.masked.Load() > 0 {
		b.source.notes = append(b.source.notes, "levels below the model's ground are not used")
	}
	if b.extrapolated.Load() > 0 {
		b.source.notes = append(b.source.notes, "between the ground and the lowest level wind is that of the level, and temperature grows by 6.5 K/km downwards, where the source has none near the ground")
	}
	switch {
	case b.hasOmega && !b.source.any(upwardVelocity):
		b.source.notes = append(b.source.notes, "upward velocity derived from omega as -omega Rd Tv/(g p)")
	case !b.hasMotion:
		b.source.notes = append(b.source.notes, fmt.Sprintf("no vertical motion given: derived from the slope, U.grad(h) exp(-z/%g m)", b.upslopeM))
	}
	switch {
	case !b.source.any(specificHumidity) && !b.source.any(mixingRatio) && b.source.any(relativeHumidity):
		b.source.notes = append(b.source.notes, "specific humidity derived from relative humidity, taken over water; models often give it over ice when cold")
	case !b.source.any(specificHumidity) && !b.source.any(mixingRatio):
		b.source.notes = append(b.source.notes, "specific humidity derived from dew point")
	}
	switch {
	case !b.hasCloud:
		b.source.notes = append(b.source.notes, "no cloud water given")
	case !b.source.any(cloudIce):
		b.source.notes = append(b.source.notes, "cloud water is given without cloud ice: it may count ice in cold cloud")
	}
}

// sourceColumn is one column of the source in SI units, levels upwards.
type sourceColumn struct {
	levels []sourceLevel
	// near lists what is given near the ground, by height above it.
	near      []sourceLevel
	surfacePa float64
	missing   bool

	profile []hypsometricLevel
	z, v    []float64
	out     []float64
}

type sourceLevel struct {
	altitudeM                          float64 // near the ground: height above it
	pressurePa, temperatureK           float64
	eastward, northward, upward, omega float64
	specific                           float64
	cloud, ice, rain, snow, graupel    float64
	windAlongGrid, belowGround         bool
}

// levelReadings are the fields of one level.
type levelReadings struct {
	at stratum
	of [quantities]*reading
}

// open finds the fields of one time.
func (b *builder) open(t int) {
	readings := b.source.byTime[t]
	b.surface = readings[key{surfacePressure, stratum{kind: surfaceLevel}}]
	collect := func(at stratum) levelReadings {
		l := levelReadings{at: at}
		for q := range quantities {
			l.of[q] = readings[key{q, at}]
		}
		return l
	}
	b.strata, b.near = b.strata[:0], b.near[:0]
	for _, at := range b.source.levels {
		b.strata = append(b.strata, collect(at))
	}
	heights := map[float64]bool{}
	for k := range readings {
		if k.at.kind == heightLevel && k.at.value >= 0 && k.at.value <= nearGroundM && !heights[k.at.value] {
			heights[k.at.value] = true
			b.near = append(b.near, collect(k.at))
		}
	}
	sort.Slice(b.near, func(x, y int) bool { return b.near[x].at.value < b.near[y].at.value })
}

// read takes a column out of the fields; false where values are missing.
func (c *sourceColumn) read(b *builder, at int) bool {
	c.surfacePa = b.surface.value(at)
	c.levels, c.near, c.missing = c.levels[:0], c.near[:0], false
	for k := range b.strata {
		level := readLevel(&b.strata[k], at)
		if b.source.kind == isobaricLevel {
			level.pressurePa = b.strata[k].at.value
		}
		if math.IsNaN(level.pressurePa) || math.IsNaN(level.temperatureK) ||
			math.IsNaN(level.eastward) || math.IsNaN(level.northward) {
			// Levels below ground may be left out by the source.
			if !(b.source.kind == isobaricLevel && level.pressurePa > c.surfacePa) {
				c.missing = true
			}
			continue
		}
		c.levels = append(c.levels, level)
	}
	for k := range b.near {
		level := readLevel(&b.near[k], at)
		level.altitudeM = b.near[k].at.value
		c.near = append(c.near, level)
	}
	slices.SortStableFunc(c.levels, func(a, b sourceLevel) int { return cmp.Compare(b.pressurePa, a.pressurePa) })
	for k := range c.levels {
		c.levels[k].finishMoisture(c.levels[k].pressurePa)
	}
	for k := range c.near {
		pressurePa := c.surfacePa
		if math.IsNaN(pressurePa) && len(c.levels) > 0 {
			pressurePa = c.levels[0].pressurePa
		}
		c.near[k].finishMoisture(pressurePa)
	}
	return len(c.levels) >= 2 && !c.missing
}

// readLevel reads one level; moisture is still in the form of the source,
// which finishMoisture ends.
func readLevel(readings *levelReadings, index int) sourceLevel {
	value := func(q quantity) float64 { return readings.of[q].value(index) }
	level := sourceLevel{
		altitudeM: value(altitude), pressurePa: value(airPressure), temperatureK: value(airTemperature),
		eastward: value(eastwardWind), northward: value(northwardWind),
		upward: value(upwardVelocity), omega: value(pressureVelocity),
		specific: value(specificHumidity),
		cloud:    value(cloudLiquid), ice: value(cloudIce), rain: value(rain), snow: value(snow), graupel: value(graupel),
	}
	if math.IsNaN(level.altitudeM) {
		level.altitudeM = value(geopotential)
	}
	if wind := readings.of[eastwardWind]; wind != nil {
		level.windAlongGrid = wind.gridRelative()
	}
	if math.IsNaN(level.specific) {
		if w := value(mixingRatio); !math.IsNaN(w) {
			level.specific = w / (1 + w)
		} else if e := value(relativeHumidity) * saturationWaterPa(level.temperatureK); !math.IsNaN(e) {
			level.specific = -e // a vapour pressure still
		} else if td := value(dewPoint); !math.IsNaN(td) {
			level.specific = -saturationWaterPa(td)
		}
	}
	return level
}

// finishMoisture turns a vapour pressure, stored as a negative number, into a
// specific humidity, and cuts off what rounding and packing made negative.
func (l *sourceLevel) finishMoisture(pressurePa float64) {
	if l.specific < 0 {
		l.specific = specificHumidityOf(-l.specific, pressurePa)
	}
	for _, q := range []*float64{&l.specific, &l.cloud, &l.ice, &l.rain, &l.snow, &l.graupel} {
		if *q < 0 {
			*q = 0
		}
	}
}

// turn makes winds relative to the earth.
func (c *sourceColumn) turn(b *builder, column int) {
	if b.turn == nil {
		return
	}
	sin, cos := b.turn[column][0], b.turn[column][1]
	for _, levels := range [][]sourceLevel{c.levels, c.near} {
		for k := range levels {
			if l := &levels[k]; l.windAlongGrid {
				l.eastward, l.northward = l.eastward*cos-l.northward*sin, l.eastward*sin+l.northward*cos
			}
		}
	}
}

// altitudeAt finds the altitude of a pressure, linearly in ln p; beyond the
// lowest level it carries on with the slope of the lowest two.
func (c *sourceColumn) altitudeAt(pressurePa float64) float64 {
	if len(c.levels) < 2 {
		return math.NaN()
	}
	k := sort.Search(len(c.levels), func(k int) bool { return c.levels[k].pressurePa <= pressurePa })
	k = min(max(k-1, 0), len(c.levels)-2)
	low, high := &c.levels[k], &c.levels[k+1]
	return low.altitudeM + (high.altitudeM-low.altitudeM)*
		math.Log(low.pressurePa/pressurePa)/math.Log(low.pressurePa/high.pressurePa)
}

// place gives every level its altitude and finds the ones below ground.
func (c *sourceColumn) place(b *builder, t, column int) {
	terrainM := float64(b.terrainM[column])
	c.profile = c.profile[:0]
	incomplete := false
	for k := range c.levels {
		l := &c.levels[k]
		q := l.specific
		if math.IsNaN(q) {
			q = 0
		}
		c.profile = append(c.profile, hypsometricLevel{l.pressurePa, virtualTemperatureK(l.temperatureK, q), l.altitudeM})
		incomplete = incomplete || math.IsNaN(l.altitudeM)
	}
	if incomplete {
		b.hydrostatic.Add(int64(fillAltitudes(c.profile, c.surfacePa, terrainM)))
	}
	masked := 0
	for k := range c.levels {
		l := &c.levels[k]
		l.altitudeM = c.profile[k].altitudeM
		l.belowGround = !(l.altitudeM >= terrainM+lowestLevelM) || l.pressurePa > c.surfacePa
		if l.belowGround {
			masked++
		}
	}
	if masked > 0 {
		b.masked.Add(1)
	}
	if math.IsNaN(c.surfacePa) {
		// From the levels on both sides of the ground, the lower one of which
		// a model continues below it.
		c.surfacePa = c.pressureAt(terrainM)
	}
	b.surfacePa[t*b.ni*b.nj+column] = float32(c.surfacePa)
}

func (c *sourceColumn) pressureAt(altitudeM float64) float64 {
	if len(c.levels) < 2 {
		return math.NaN()
	}
	k := sort.Search(len(c.levels), func(k int) bool { return c.levels[k].altitudeM >= altitudeM })
	k = min(max(k-1, 0), len(c.levels)-2)
	low, high := &c.levels[k], &c.levels[k+1]
	return low.pressurePa * math.Pow(high.pressurePa/low.pressurePa,
		(altitudeM-low.altitudeM)/(high.altitudeM-low.altitudeM))
}

// what lies beyond the ends of a profile.
type beyond int

const (
	holdValue  beyond = iota // the value of the end
	zeroValue                // nothing there
	noValue                  // outside of the source
	lapseValue               // temperature below the lowest level
)

// sampled interpolates one quantity to the heights of the box.
func (c *sourceColumn) sampled(b *builder, terrainM float64, get func(*sourceLevel) float64, below, above beyond) []float64 {
	c.z, c.v = c.z[:0], c.v[:0]
	for k := range c.near {
		if value := get(&c.near[k]); !math.IsNaN(value) {
			c.z, c.v = append(c.z, c.near[k].altitudeM), append(c.v, value)
		}
	}
	for k := range c.levels {
		l := &c.levels[k]
		value, z := get(l), l.altitudeM-terrainM
		if l.belowGround || math.IsNaN(value) || len(c.z) > 0 && z < c.z[len(c.z)-1]+lowestLevelM {
			continue
		}
		c.z, c.v = append(c.z, z), append(c.v, value)
	}
	if len(c.out) != len(b.heightsM) {
		c.out = make([]float64, len(b.heightsM))
	}
	resample(c.z, c.v, b.heightsM, c.out, below, above)
	if below == lapseValue && len(c.z) > 0 && c.z[0] > b.heightsM[0] && c.z[0] > 2.5 {
		b.extrapolated.Add(1)
	}
	return c.out
}

func resample(z, v, heightsM, out []float64, below, above beyond) {
	last := len(z) - 1
	k := 0
	for n, height := range heightsM {
		switch {
		case last < 0:
			out[n] = math.NaN()
		case height <= z[0] || last == 0 && height <= z[0]+lowestLevelM:
			switch below {
			case lapseValue:
				out[n] = v[0] + lapseBelowKPerM*(z[0]-height)
			default:
				out[n] = v[0]
			}
		case height > z[last]:
			switch above {
			case holdValue:
				out[n] = v[last]
			case zeroValue:
				out[n] = 0
			default:
				out[n] = math.NaN()
			}
		default:
			for k < last-1 && z[k+1] < height {
				k++
			}
			out[n] = v[k] + (v[k+1]-v[k])*(height-z[k])/(z[k+1]-z[k])
		}
	}
}

// write interpolates the column to the heights of the box.
func (c *sourceColumn) write(b *builder, t, column int) {
	terrainM := float64(b.terrainM[column])
	levels := len(b.heightsM)
	base := b.node(t, column)
	hot := b.hot[base*nodeSize : (base+levels)*nodeSize]
	put := func(q int, values []float64) {
		for k, value := range values {
			hot[k*nodeSize+q] = float32(value)
		}
	}
	if len(c.levels) < 2 || c.missing || math.IsNaN(terrainM) {
		for k := range hot {
			hot[k] = float32(math.NaN())
		}
		return
	}

	put(nodeT, c.sampled(b, terrainM, func(l *sourceLevel) float64 { return l.temperatureK }, lapseValue, noValue))
	put(nodeQ, c.sampled(b, terrainM, func(l *sourceLevel) float64 { return l.specific }, holdValue, holdValue))
	c.writePressure(b, terrainM, hot)

	// Winds, in grid steps per second from here on.
	metric := &b.metrics[column]
	put(nodeX, c.sampled(b, terrainM, func(l *sourceLevel) float64 { return l.eastward }, holdValue, noValue))
	put(nodeY, c.sampled(b, terrainM, func(l *sourceLevel) float64 { return l.northward }, holdValue, noValue))
	for k := range levels {
		x, y := metric.Steps(float64(hot[k*nodeSize+nodeX]), float64(hot[k*nodeSize+nodeY]))
		hot[k*nodeSize+nodeX], hot[k*nodeSize+nodeY] = float32(x), float32(y)
	}
	c.writeMotion(b, terrainM, column, hot)

	if b.hasCloud {
		put(nodeCloud, c.sampled(b, terrainM, func(l *sourceLevel) float64 { return l.cloud }, holdValue, zeroValue))
	}
	if b.ice != nil {
		ice := b.ice[base*iceSize : (base+levels)*iceSize]
		for q, get := range [iceSize]func(*sourceLevel) float64{
			func(l *sourceLevel) float64 { return l.ice }, func(l *sourceLevel) float64 { return l.rain },
			func(l *sourceLevel) float64 { return l.snow }, func(l *sourceLevel) float64 { return l.graupel },
		} {
			for k, value := range c.sampled(b, terrainM, get, holdValue, zeroValue) {
				if !math.IsNaN(value) {
					ice[k*iceSize+q] = float32(value)
				}
			}
		}
	}
	for k := range levels { // what some levels lack altogether
		for _, q := range []int{nodeQ, nodeCloud} {
			if hot[k*nodeSize+q] != hot[k*nodeSize+q] {
				hot[k*nodeSize+q] = 0
			}
		}
	}
}

// writePressure interpolates ln p between the levels and the surface.
func (c *sourceColumn) writePressure(b *builder, terrainM float64, hot []float32) {
	c.z, c.v = c.z[:0], c.v[:0]
	if c.surfacePa > 0 {
		c.z, c.v = append(c.z, 0), append(c.v, math.Log(c.surfacePa))
	}
	for k := range c.levels {
		if l := &c.levels[k]; !l.belowGround {
			c.z, c.v = append(c.z, l.altitudeM-terrainM), append(c.v, math.Log(l.pressurePa))
		}
	}
	resample(c.z, c.v, b.heightsM, c.out, holdValue, noValue)
	for k, lnP := range c.out {
		hot[k*nodeSize+nodeP] = float32(math.Exp(lnP))
	}
}

// writeMotion sets upward velocity: that of the source above, and at the
// ground the slope's; or the slope's throughout.
func (c *sourceColumn) writeMotion(b *builder, terrainM float64, column int, hot []float32) {
	slopeI, slopeJ := float64(b.slopeI[column]), float64(b.slopeJ[column])
	if !b.hasMotion {
		for k, heightM := range b.heightsM {
			alongSlope := float64(hot[k*nodeSize+nodeX])*slopeI + float64(hot[k*nodeSize+nodeY])*slopeJ
			hot[k*nodeSize+nodeW] = float32(alongSlope * math.Exp(-heightM/b.upslopeM))
		}
		return
	}
	c.z, c.v = c.z[:0], c.v[:0]
	c.z, c.v = append(c.z, 0), append(c.v, float64(hot[nodeX])*slopeI+float64(hot[nodeY])*slopeJ)
	for k := range c.levels {
		l := &c.levels[k]
		w := l.upward
		if math.IsNaN(w) {
			w = -l.omega * gasDryJPerKgK * c.profile[k].virtualTemperatureK / (gravityMPerS2 * l.pressurePa)
		}
		if l.belowGround || math.IsNaN(w) {
			continue
		}
		c.z, c.v = append(c.z, l.altitudeM-terrainM), append(c.v, w)
	}
	resample(c.z, c.v, b.heightsM, c.out, holdValue, zeroValue)
	for k, w := range c.out {
		hot[k*nodeSize+nodeW] = float32(w)
	}
}
