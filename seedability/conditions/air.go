package conditions

import (
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/thermo"
)

// Air reads the columns of an atmosphere for areas, each once: the squares of an
// area are smaller than the cells of most models, so each asks the model's column
// that is nearest to it. It is for one goroutine.
type Air struct {
	atmosphere *grid.Atmosphere
	columns    map[columnKey]*column
}

type columnKey struct {
	unixNano int64
	i, j     int
}

// column is what is asked of one column of the model at one time.
type column struct {
	grid.Column
	ok bool
	// freezingM is the highest 0 °C level, see FreezingLevelM.
	freezingM   float64
	liquidShare float64 // see liquidShareAt
	askedLiquid bool
}

// NewAir takes an atmosphere; nil is air of which nothing is known.
func NewAir(atmosphere *grid.Atmosphere) *Air {
	return &Air{atmosphere, map[columnKey]*column{}}
}

// groundM is the model's terrain, NaN where it is not known.
func (a *Air) groundM(place grid.LatLon) float64 {
	if a.atmosphere == nil {
		return math.NaN()
	}
	altitudeM, ok := a.atmosphere.TerrainAltitudeM(place)
	if !ok {
		return math.NaN()
	}
	return altitudeM
}

// columnAt is the nearest column of the model, nil where there is none.
func (a *Air) columnAt(place grid.LatLon, at time.Time) *column {
	if a.atmosphere == nil {
		return nil
	}
	x, y, ok := a.atmosphere.Plane(place)
	if !ok {
		return nil
	}
	i, j := math.Round(x), math.Round(y)
	key := columnKey{at.UnixNano(), int(i), int(j)}
	c, known := a.columns[key]
	if !known {
		c = &column{freezingM: math.NaN(), liquidShare: math.NaN()}
		if middle, ok := a.atmosphere.PlaceAt(i, j); ok {
			c.Column, c.ok = a.atmosphere.CloudColumnAt(middle, at)
			c.freezingM = FreezingLevelM(c.Column)
		}
		a.columns[key] = c
	}
	if !c.ok {
		return nil
	}
	return c
}

// freezingLevelM over a place, NaN where it is not known.
func (a *Air) freezingLevelM(place grid.LatLon, at time.Time) float64 {
	if c := a.columnAt(place, at); c != nil {
		return c.freezingM
	}
	return math.NaN()
}

// liquidShareAt is LiquidShare of the highest wet-bulb temperature of the column: in
// most air that near the ground, and above a cold pool that of the air in which
// snow melts, which then arrives as rain, freezing or as ice pellets, and never as
// snow. NaN where it is not known.
func (a *Air) liquidShareAt(place grid.LatLon, at time.Time) float64 {
	c := a.columnAt(place, at)
	if c == nil {
		return math.NaN()
	}
	if !c.askedLiquid {
		c.askedLiquid, c.liquidShare = true, a.liquidShareOf(c, at)
	}
	return c.liquidShare
}

// drySnowK: a wet-bulb temperature below it adds nothing, the share of rain is 0.001
// there.
const drySnowK = 270.5

func (a *Air) liquidShareOf(c *column, at time.Time) float64 {
	warmest := math.Inf(-1)
	for k := range c.Levels {
		level := &c.Levels[k]
		// The wet bulb is never warmer than the air.
		if k > 0 && level.AirTemperatureK <= math.Max(warmest, drySnowK) {
			continue
		}
		state, ok := a.atmosphere.StateAt(grid.Position{LatLon: c.Place, AltitudeM: level.AltitudeM}, at)
		if !ok {
			continue
		}
		wetBulbK := thermo.MoistAirOf(state.PressurePa, state.AirTemperatureK, state.SpecificHumidity).WetBulbTemperatureK()
		if math.IsNaN(wetBulbK) { // as dry as the formula does not go: of what falls through it nothing is known
			return math.NaN()
		}
		warmest = math.Max(warmest, wetBulbK)
	}
	return LiquidShare(warmest)
}

// Of columns; common practice, no source.
const (
	// maxGapM: temperature is not interpolated between levels farther apart.
	maxGapM = 1500
	// surfaceM: the lowest level may lie so far above the ground and still speak for
	// it.
	surfaceM = 100
	// belowGroundKPerM carries temperature on below the ground, as the
	// post-processor of NCEP's models does for the freezing level that it gives.
	belowGroundKPerM = 0.0065
)

// FreezingLevelM is the altitude of the highest crossing of 0 °C in a column. Where
// the air is colder from the ground up it lies below the ground, where the
// temperature of the lowest level comes to 0 °C at 6.5 K/km; but not below sea
// level, as NCEP has it. NaN where the column does not tell: without temperatures,
// warm up to its top, with the crossing in a gap of more than 1500 m, or cold from
// a lowest level that is not near the ground.
func FreezingLevelM(c grid.Column) float64 {
	above := -1 // the next level above that has a temperature
	for k := len(c.Levels) - 1; k >= 0; k-- {
		level := &c.Levels[k]
		if math.IsNaN(level.AirTemperatureK) || math.IsNaN(level.AltitudeM) {
			continue
		}
		if level.AirTemperatureK >= thermo.MeltingPointK {
			if above < 0 {
				if level.AirTemperatureK == thermo.MeltingPointK {
					return level.AltitudeM
				}
				return math.NaN()
			}
			upper := &c.Levels[above]
			depthM := upper.AltitudeM - level.AltitudeM
			if !(depthM <= maxGapM) && level.AirTemperatureK != thermo.MeltingPointK {
				return math.NaN()
			}
			return level.AltitudeM + depthM*(level.AirTemperatureK-thermo.MeltingPointK)/(level.AirTemperatureK-upper.AirTemperatureK)
		}
		above = k
	}
	if above < 0 || c.Levels[above].AltitudeM > c.SurfaceAltitudeM+surfaceM { // false for an unknown surface
		return math.NaN()
	}
	lowest := &c.Levels[above]
	levelM := lowest.AltitudeM - (thermo.MeltingPointK-lowest.AirTemperatureK)/belowGroundKPerM
	return math.Max(levelM, math.Min(0, lowest.AltitudeM))
}
