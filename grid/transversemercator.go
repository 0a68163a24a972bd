package grid

import (
	"fmt"
	"math"
)

// TransverseMercator are the parameters of a transverse Mercator projection.
type TransverseMercator struct {
	Earth                         Earth
	OriginLatitudeDeg             float64 // where y is FalseNorthingM on the central meridian
	CentralMeridianDeg            float64
	ScaleFactor                   float64 // on the central meridian, above 0
	FalseEastingM, FalseNorthingM float64
}

// transverseMercator keeps the symbols of Karney: alpha and beta the series
// between the sphere and the ellipsoid.
type transverseMercator struct {
	TransverseMercator
	eccentricity float64
	scaleM, y0M  float64
	alpha, beta  [6]float64
}

// maxTransverseDeg is how far from the central meridian the series is used; at
// that distance it is good to micrometres on the ellipsoids of the earth.
const maxTransverseDeg = 60.0

// NewTransverseMercator prepares the projection: Krueger's series to sixth order
// in the third flattening (Karney 2011, J. Geodesy 85, 475, eqs. 7 to 14, 35 and
// 36). On a sphere the series vanishes and the formulas are exact.
func NewTransverseMercator(p TransverseMercator) (Projection, error) {
	if err := p.Earth.check(); err != nil {
		return nil, fmt.Errorf("transverse_mercator: %w", err)
	}
	if !finite(p.CentralMeridianDeg, p.FalseEastingM, p.FalseNorthingM) || !(math.Abs(p.OriginLatitudeDeg) <= 90) {
		return nil, fmt.Errorf("transverse_mercator: origin or false origin is out of range")
	}
	if !(p.ScaleFactor > 0) || p.ScaleFactor > 10 {
		return nil, fmt.Errorf("transverse_mercator: scale factor %g on the central meridian must be above 0, at most 10", p.ScaleFactor)
	}
	t := &transverseMercator{TransverseMercator: p, eccentricity: p.Earth.eccentricity()}
	n := (p.Earth.SemiMajorM - p.Earth.SemiMinorM) / (p.Earth.SemiMajorM + p.Earth.SemiMinorM)
	n2 := n * n
	t.scaleM = p.ScaleFactor * p.Earth.SemiMajorM / (1 + n) * (1 + n2*(1./4+n2*(1./64+n2/256)))
	t.alpha = [6]float64{
		n * (1./2 + n*(-2./3+n*(5./16+n*(41./180+n*(-127./288+n*7891/37800))))),
		n2 * (13./48 + n*(-3./5+n*(557./1440+n*(281./630-n*1983433/1935360)))),
		n2 * n * (61./240 + n*(-103./140+n*(15061./26880+n*167603/181440))),
		n2 * n2 * (49561./161280 + n*(-179./168+n*6601661/7257600)),
		n2 * n2 * n * (34729./80640 - n*3418889/1995840),
		n2 * n2 * n2 * 212378941 / 319334400,
	}
	t.beta = [6]float64{
		n * (1./2 + n*(-2./3+n*(37./96+n*(-1./360+n*(-81./512+n*96199/604800))))),
		n2 * (1./48 + n*(1./15+n*(-437./1440+n*(46./105-n*1118711/3870720)))),
		n2 * n * (17./480 + n*(-37./840+n*(-209./4480+n*5569/90720))),
		n2 * n2 * (4397./161280 + n*(-11./504-n*830251/7257600)),
		n2 * n2 * n * (4583./161280 - n*108847/3991680),
		n2 * n2 * n2 * 20648693 / 638668800,
	}
	_, t.y0M, _ = t.forward(LatLon{p.OriginLatitudeDeg, p.CentralMeridianDeg})
	return t, nil
}

// Name is the CF grid_mapping_name.
func (*transverseMercator) Name() string { return "transverse_mercator" }

// Forward reports false farther than 60 degrees from the central meridian.
func (t *transverseMercator) Forward(p LatLon) (x, y float64, ok bool) {
	x, y, ok = t.forward(p)
	return t.FalseEastingM + x, t.FalseNorthingM + y - t.y0M, ok
}

func (t *transverseMercator) forward(p LatLon) (x, y float64, ok bool) {
	turnDeg := NormalLongitudeDeg(p.LongitudeDeg - t.CentralMeridianDeg)
	if !isPlace(p) || math.Abs(turnDeg) > maxTransverseDeg && math.Abs(p.LatitudeDeg) < 90 {
		return math.NaN(), math.NaN(), false
	}
	if math.Abs(p.LatitudeDeg) == 90 {
		return 0, math.Copysign(t.scaleM*math.Pi/2, p.LatitudeDeg), true
	}
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos(turnDeg * radPerDeg)
	tangent := colatitudeTangent(sinLat, cosLat, t.eccentricity)
	conformal := (1/tangent - tangent) / 2
	xi, eta := math.Atan2(conformal, cosLon), math.Asinh(sinLon/math.Hypot(conformal, cosLon))
	dXi, dEta := sumSeries(&t.alpha, xi, eta)
	return t.scaleM * (eta + dEta), t.scaleM * (xi + dXi), true
}

// Inverse reports false farther than 60 degrees from the central meridian.
func (t *transverseMercator) Inverse(x, y float64) (LatLon, bool) {
	xi, eta := (y-t.FalseNorthingM+t.y0M)/t.scaleM, (x-t.FalseEastingM)/t.scaleM
	nowhere := LatLon{math.NaN(), math.NaN()}
	if !(math.Abs(xi) <= math.Pi/2+0.01 && math.Abs(eta) < 3) {
		return nowhere, false
	}
	dXi, dEta := sumSeries(&t.beta, xi, eta)
	xi, eta = xi-dXi, eta-dEta
	sinh, cos := math.Sinh(eta), math.Cos(xi)
	turnDeg := math.Atan2(sinh, cos) / radPerDeg
	conformal := math.Sin(xi) / math.Hypot(sinh, cos)
	// The tangent of half the colatitude, without cancelling on either side.
	tangent := 1 / (math.Abs(conformal) + math.Hypot(1, conformal))
	if conformal < 0 {
		tangent = 1 / tangent
	}
	p := LatLon{latitudeRad(tangent, t.eccentricity) / radPerDeg, NormalLongitudeDeg(t.CentralMeridianDeg + turnDeg)}
	return p, isPlace(p) && (math.Abs(turnDeg) <= maxTransverseDeg+1e-9 || math.Abs(p.LatitudeDeg) > 90-1e-9)
}

// sumSeries is the sum of c[j] sin(2j(xi + i eta)), real and imaginary part.
func sumSeries(c *[6]float64, xi, eta float64) (re, im float64) {
	if c[0] == 0 {
		return 0, 0
	}
	for j := range c {
		sin, cos := math.Sincos(2 * float64(j+1) * xi)
		re += c[j] * sin * math.Cosh(2*float64(j+1)*eta)
		im += c[j] * cos * math.Sinh(2*float64(j+1)*eta)
	}
	return re, im
}
