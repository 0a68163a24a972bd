package grid

import (
	"fmt"
	"math"
)

// Mercator are the parameters of a Mercator projection with its axis through
// the poles.
type Mercator struct {
	Earth                Earth
	TrueScaleLatitudeDeg float64 // north and south of the equator alike
	// ScaleFactor at the equator is used instead of the latitude where it is not 0.
	ScaleFactor                   float64
	CentralMeridianDeg            float64 // where x is FalseEastingM
	FalseEastingM, FalseNorthingM float64
}

type mercator struct {
	Mercator
	eccentricity float64
	scaleM       float64 // metres a radian of longitude
}

// NewMercator prepares the projection (Snyder 1987, USGS Professional Paper
// 1395, eqs. 7-1 to 7-10, for sphere and ellipsoid).
func NewMercator(c Mercator) (Projection, error) {
	if err := c.Earth.check(); err != nil {
		return nil, fmt.Errorf("mercator: %w", err)
	}
	if !finite(c.CentralMeridianDeg, c.FalseEastingM, c.FalseNorthingM) {
		return nil, fmt.Errorf("mercator: central meridian or false origin is not a number")
	}
	m := &mercator{Mercator: c, eccentricity: c.Earth.eccentricity()}
	switch {
	case c.ScaleFactor != 0:
		if !(c.ScaleFactor > 0) || c.ScaleFactor > 10 {
			return nil, fmt.Errorf("mercator: scale factor %g at the equator must be above 0, at most 10", c.ScaleFactor)
		}
		m.scaleM = c.Earth.SemiMajorM * c.ScaleFactor
	case !(math.Abs(c.TrueScaleLatitudeDeg) < 89.9):
		return nil, fmt.Errorf("mercator: latitude of true scale %g is too near a pole", c.TrueScaleLatitudeDeg)
	default:
		sin, cos := math.Sincos(c.TrueScaleLatitudeDeg * radPerDeg)
		m.scaleM = c.Earth.SemiMajorM * parallelRadius(sin, cos, m.eccentricity)
	}
	return m, nil
}

// Name is the CF grid_mapping_name.
func (*mercator) Name() string { return "mercator" }

// Forward reports false at the poles.
func (m *mercator) Forward(p LatLon) (x, y float64, ok bool) {
	if !isPlace(p) || math.Abs(p.LatitudeDeg) == 90 {
		return math.NaN(), math.NaN(), false
	}
	sin, cos := math.Sincos(p.LatitudeDeg * radPerDeg)
	x = m.FalseEastingM + m.scaleM*radPerDeg*NormalLongitudeDeg(p.LongitudeDeg-m.CentralMeridianDeg)
	return x, m.FalseNorthingM - m.scaleM*math.Log(colatitudeTangent(sin, cos, m.eccentricity)), true
}

// Inverse takes x in any turn around the earth.
func (m *mercator) Inverse(x, y float64) (LatLon, bool) {
	longitudeDeg := (x - m.FalseEastingM) / (m.scaleM * radPerDeg)
	y = (y - m.FalseNorthingM) / m.scaleM
	if !(math.Abs(longitudeDeg) < 1e6) || !(math.Abs(y) < 700) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	return LatLon{latitudeRad(math.Exp(-y), m.eccentricity) / radPerDeg, NormalLongitudeDeg(m.CentralMeridianDeg + longitudeDeg)}, true
}

func (m *mercator) eastAngleRad(p LatLon) (float64, bool) { return 0, isPlace(p) }

func (m *mercator) eastDirection(x, y float64) (cos, sin float64, ok bool) {
	return 1, 0, finite(x, y)
}

func (m *mercator) periodX() float64 { return 2 * math.Pi * m.scaleM }
