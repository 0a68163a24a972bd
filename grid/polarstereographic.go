package grid

import (
	"fmt"
	"math"
)

// PolarStereographic are the parameters of a stereographic projection from a
// pole. The x axis points right and the y axis up when the central meridian
// runs down from the north pole, or up from the south pole.
type PolarStereographic struct {
	Earth Earth
	North bool // the pole at the centre of the plane
	// TrueScaleLatitudeDeg is the parallel of true scale; its sign is ignored,
	// as the parallel is in the hemisphere of the pole.
	TrueScaleLatitudeDeg float64
	// ScaleFactor at the pole is used instead of the latitude where it is not 0.
	ScaleFactor                   float64
	CentralMeridianDeg            float64
	FalseEastingM, FalseNorthingM float64
}

type polarStereographic struct {
	PolarStereographic
	eccentricity float64
	scaleM       float64 // distance from the pole over Snyder's t
	side         float64 // 1 north, -1 south
}

// NewPolarStereographic prepares the projection (Snyder 1987, USGS Professional
// Paper 1395, eqs. 21-5 to 21-41, for sphere and ellipsoid).
func NewPolarStereographic(c PolarStereographic) (Projection, error) {
	if err := c.Earth.check(); err != nil {
		return nil, fmt.Errorf("polar_stereographic: %w", err)
	}
	if !finite(c.CentralMeridianDeg, c.FalseEastingM, c.FalseNorthingM) {
		return nil, fmt.Errorf("polar_stereographic: central meridian or false origin is not a number")
	}
	s := &polarStereographic{PolarStereographic: c, eccentricity: c.Earth.eccentricity(), side: 1}
	if !c.North {
		s.side = -1
	}
	e, a := s.eccentricity, c.Earth.SemiMajorM
	atPole := 2 * a / math.Sqrt(math.Pow(1+e, 1+e)*math.Pow(1-e, 1-e)) // eq. 21-33 with k0 = 1
	trueScaleDeg := math.Abs(c.TrueScaleLatitudeDeg)
	switch {
	case c.ScaleFactor != 0:
		if !(c.ScaleFactor > 0) || c.ScaleFactor > 10 {
			return nil, fmt.Errorf("polar_stereographic: scale factor %g at the pole must be above 0, at most 10", c.ScaleFactor)
		}
		s.scaleM = atPole * c.ScaleFactor
	case !(trueScaleDeg <= 90):
		return nil, fmt.Errorf("polar_stereographic: latitude of true scale %g", c.TrueScaleLatitudeDeg)
	case trueScaleDeg > 90-1e-9:
		s.scaleM = atPole
	default:
		sin, cos := math.Sincos(trueScaleDeg * radPerDeg)
		s.scaleM = a * parallelRadius(sin, cos, e) / colatitudeTangent(sin, cos, e) // eq. 21-34
	}
	return s, nil
}

// Name is the CF grid_mapping_name.
func (*polarStereographic) Name() string { return "polar_stereographic" }

// Forward reports false at the opposite pole.
func (s *polarStereographic) Forward(p LatLon) (x, y float64, ok bool) {
	latitudeDeg := s.side * p.LatitudeDeg
	if !isPlace(p) || latitudeDeg == -90 {
		return math.NaN(), math.NaN(), false
	}
	var rho float64
	if latitudeDeg != 90 {
		sin, cos := math.Sincos(latitudeDeg * radPerDeg)
		rho = s.scaleM * colatitudeTangent(sin, cos, s.eccentricity)
	}
	sin, cos := math.Sincos(radPerDeg * NormalLongitudeDeg(p.LongitudeDeg-s.CentralMeridianDeg))
	return s.FalseEastingM + rho*sin, s.FalseNorthingM - s.side*rho*cos, true
}

// Inverse covers the whole plane.
func (s *polarStereographic) Inverse(x, y float64) (LatLon, bool) {
	x, y = x-s.FalseEastingM, -s.side*(y-s.FalseNorthingM)
	if !finite(x, y) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	latitude := math.Pi / 2
	if rho := math.Hypot(x, y); rho != 0 {
		latitude = latitudeRad(rho/s.scaleM, s.eccentricity)
	}
	return LatLon{s.side * latitude / radPerDeg, NormalLongitudeDeg(s.CentralMeridianDeg + math.Atan2(x, y)/radPerDeg)}, true
}

func (s *polarStereographic) eastAngleRad(p LatLon) (float64, bool) {
	return -s.side * radPerDeg * NormalLongitudeDeg(p.LongitudeDeg-s.CentralMeridianDeg), isPlace(p)
}

// eastDirection: true north points from or to the pole.
func (s *polarStereographic) eastDirection(x, y float64) (cos, sin float64, ok bool) {
	x, y = x-s.FalseEastingM, -s.side*(y-s.FalseNorthingM)
	rho := math.Hypot(x, y)
	if !finite(rho) {
		return math.NaN(), math.NaN(), false
	}
	if rho == 0 { // the pole, seen along the central meridian
		return 1, 0, true
	}
	return y / rho, -s.side * x / rho, true
}
