package radar

import (
	"errors"
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

// NearGround is what a volume says of one cell as near to the ground as it saw.
type NearGround struct {
	// Sight is grid.Echo, grid.NoEcho, or why nothing was seen: grid.Overshot where
	// every beam passes above the ceiling, NotMeteorological where what returned
	// the echo is neither rain nor snow.
	Sight grid.Sight
	// ReflectivityDBZ is the mean of Z over the cell, NaN unless Sight is grid.Echo.
	ReflectivityDBZ float64
	// AltitudeM is that of the centre of the beam, HalfWidthM to its half-power
	// points; NaN where not seen.
	AltitudeM, HalfWidthM float64
	// Time of the beam; zero where not seen.
	Time time.Time
	// GroundKnown: the terrain is known all the way from the radar to the cell.
	// Where it is not, a ridge may hide the cell that nobody knows of.
	GroundKnown bool
}

// NotMeteorological is the sight of a cell whose echo is neither rain nor snow.
const NotMeteorological grid.Sight = 254

const (
	// leastCorrelation: echo with a lower correlation coefficient comes from the
	// ground, from birds or insects, or from chaff (value from memory: training of
	// the WSR-88D's operators; rain and dry snow have more than 0.95, melting snow
	// and hail more than 0.85).
	leastCorrelation = 0.80
	// correlationFromDBZ: weaker echo is not asked, since its correlation is biased
	// by noise, and half a millimetre an hour decides nothing (common practice, no
	// source).
	correlationFromDBZ = 20
)

// NewCellGridder prepares squares of a size about places instead of a plane, to be
// read by NearGround. skyline may be nil: then nothing is known of blockage.
func NewCellGridder(antenna grid.Position, places []grid.LatLon, sizeM float64, skyline *Skyline) (*Gridder, error) {
	switch {
	case !isFinite(antenna.LatitudeDeg, antenna.LongitudeDeg, antenna.AltitudeM) || math.Abs(antenna.LatitudeDeg) > 90:
		return nil, errors.New("the place of the radar is unknown")
	case !(sizeM > 0) || !isFinite(sizeM):
		return nil, errors.New("the cells have no size")
	case len(places) < 1 || len(places) > maxGridCells:
		return nil, fmt.Errorf("%d cells: want at least one and at most %d", len(places), maxGridCells)
	case skyline != nil && grid.DistanceM(skyline.antenna.LatLon, antenna.LatLon) > 100:
		return nil, errors.New("the skyline is that of another place")
	}
	n := len(places)
	g := &Gridder{antenna: antenna, plane: nowcast.Plane{SpacingM: sizeM, NI: n, NJ: 1}, skyline: skyline,
		azimuthDeg: make([]float32, n), distanceM: make([]float32, n), sinDist: make([]float64, n), cosDist: make([]float64, n)}
	for k, place := range places {
		distanceM := grid.DistanceM(antenna.LatLon, place)
		if !isFinite(distanceM) {
			return nil, fmt.Errorf("cell %d is nowhere: %v", k, place)
		}
		g.azimuthDeg[k], g.distanceM[k] = float32(grid.AzimuthDeg(antenna.LatLon, place)), float32(distanceM)
		g.sinDist[k], g.cosDist[k] = math.Sincos(distanceM / effectiveEarthRadiusM)
	}
	return g, nil
}

// Cells is the number of cells of the gridder.
func (g *Gridder) Cells() int { return g.plane.NI * g.plane.NJ }

// NearGround reads reflectivity over every cell from the lowest beam that saw it,
// up to a ceiling: an altitude for each cell, NaN for a cell that is not to be
// read. Gates are averaged over the cell as Grid does it, beams that terrain hides
// by half or more saw nothing, and what less of it takes off is added. Echo of 20
// dBZ or more that has a correlation coefficient below 0.80 in the same beam is
// passed over, and the next beam asked.
//
// Where the ground between radar and cell is not wholly known, the lowest beam may
// be hidden by a ridge and see no echo for that reason. Of the beams up to the
// ceiling the one with the strongest echo is taken then, not the lowest.
func (g *Gridder) NearGround(v *grid.Volume, ceilingM []float64) ([]NearGround, error) {
	switch {
	case v == nil:
		return nil, errors.New("no volume")
	case !(grid.DistanceM(v.Antenna.LatLon, g.antenna.LatLon) <= 100):
		return nil, fmt.Errorf("the volume of %s is from another place than the cells", v.Radar)
	case len(ceilingM) != g.Cells():
		return nil, fmt.Errorf("%d ceilings for %d cells", len(ceilingM), g.Cells())
	}
	beams := &cutter{Gridder: g, reflectivity: true, halfWindowM: g.plane.SpacingM / 2, beamwidthDeg: orZero(v.BeamwidthDeg)}
	low := beams.below(v, ceilingM)
	correlation := *beams
	beams.levels = g.levelsOf(low, grid.MomentReflectivity)
	correlation.reflectivity, correlation.levels = false, g.levelsOf(low, grid.MomentCorrelationCoefficient)
	out := make([]NearGround, g.Cells())
	for k := range out {
		out[k] = beams.nearGround(&correlation, k, ceilingM[k])
	}
	return out, nil
}

// below leaves out of a volume the sweeps that pass above every ceiling, but for
// the lowest sweep: making them quick to read takes most of the time.
func (c *cutter) below(v *grid.Volume, ceilingM []float64) *grid.Volume {
	low := &grid.Volume{Radar: v.Radar, Antenna: v.Antenna, BeamwidthDeg: v.BeamwidthDeg, Time: v.Time}
	lowest := math.Inf(1)
	for _, s := range v.Sweeps {
		if s != nil && s.ElevationDeg < lowest {
			lowest = s.ElevationDeg
		}
	}
	for _, s := range v.Sweeps {
		if s == nil {
			continue
		}
		// Radials may lie a little lower than their sweep. NaN is kept.
		sinEl, cosEl := math.Sincos((s.ElevationDeg - sameElevationDeg) * radPerDeg)
		needed := !(s.ElevationDeg > lowest+sameElevationDeg)
		for k := 0; k < len(ceilingM) && !needed; k++ {
			needed = c.beamAltitudeM(sinEl, cosEl, k) <= ceilingM[k]
		}
		if needed {
			low.Sweeps = append(low.Sweeps, s)
		}
	}
	return low
}

func (c *cutter) nearGround(correlation *cutter, k int, ceilingM float64) NearGround {
	none := NearGround{Sight: grid.NoRadial, ReflectivityDBZ: math.NaN(), AltitudeM: math.NaN(), HalfWidthM: math.NaN(),
		GroundKnown: c.skyline.groundKnown(float64(c.azimuthDeg[k]), float64(c.distanceM[k]))}
	if math.IsNaN(ceilingM) {
		none.Sight = NoSurface
		return none
	}
	best, tried := none, false
	var strongest float32
	for _, l := range c.levels {
		if !(c.nominalAltitudeM(l, k) <= ceilingM) {
			break // and all that follow
		}
		r := c.read(l, k)
		if r.sight == grid.Echo && c.isNotMeteorological(correlation, l, k, r.value) {
			r.sight = NotMeteorological
		}
		switch {
		case !r.sight.Seen():
			if !tried {
				best.Sight = r.sight
			}
		case !best.Sight.Seen() || r.sight == grid.Echo && r.value > strongest:
			best = NearGround{Sight: r.sight, ReflectivityDBZ: math.NaN(), AltitudeM: r.altitudeM, HalfWidthM: r.halfM, Time: r.time, GroundKnown: none.GroundKnown}
			if strongest = 0; r.sight == grid.Echo {
				strongest, best.ReflectivityDBZ = r.value, DBZ(float64(r.value))
			}
		}
		tried = true
		if best.Sight.Seen() && best.GroundKnown {
			break
		}
	}
	if !tried && len(c.levels) > 0 {
		best.Sight = grid.Overshot
		if math.IsInf(c.nominalAltitudeM(c.levels[0], k), 1) {
			best.Sight = grid.OutsideRange
		}
	}
	return best
}

// isNotMeteorological asks the correlation coefficient of the same elevation; what
// has none is not accused.
func (c *cutter) isNotMeteorological(correlation *cutter, l *level, k int, z float32) bool {
	if float64(z) < LinearZ(correlationFromDBZ) {
		return false
	}
	for _, other := range correlation.levels {
		if math.Abs(other.elevationDeg-l.elevationDeg) < sameElevationDeg {
			r := correlation.read(other, k)
			return r.sight == grid.Echo && r.value < leastCorrelation
		}
	}
	return false
}

// groundKnown tells whether the terrain is known in a direction out to a distance;
// false for no skyline.
func (s *Skyline) groundKnown(azimuthDeg, groundRangeM float64) bool {
	if s == nil {
		return false
	}
	j := int(math.Round(azimuthDeg*skylineAzimuthsPerDeg)) % skylineAzimuths
	steps := int(math.Round(groundRangeM / skylineStepM))
	if j < 0 || steps > s.steps {
		return false
	}
	for _, groundM := range s.groundM[j*s.steps : j*s.steps+steps] {
		if groundM != groundM {
			return false
		}
	}
	return true
}
