package grid

import (
	"fmt"
	"math"
)

// AlbersEqualArea are the parameters of an Albers equal-area conic projection.
type AlbersEqualArea struct {
	Earth                         Earth
	StandardParallel1Deg          float64
	StandardParallel2Deg          float64
	OriginLatitudeDeg             float64 // where y is FalseNorthingM
	CentralMeridianDeg            float64 // where x is FalseEastingM
	FalseEastingM, FalseNorthingM float64
}

// albersEqualArea keeps Snyder's symbols.
type albersEqualArea struct {
	AlbersEqualArea
	eccentricity, n, c, rho0 float64
}

// NewAlbersEqualArea prepares the projection (Snyder 1987, USGS Professional
// Paper 1395, eqs. 14-1 to 14-21, for sphere and ellipsoid).
func NewAlbersEqualArea(p AlbersEqualArea) (Projection, error) {
	if err := p.Earth.check(); err != nil {
		return nil, fmt.Errorf("albers_conical_equal_area: %w", err)
	}
	if !finite(p.CentralMeridianDeg, p.FalseEastingM, p.FalseNorthingM) || !(math.Abs(p.OriginLatitudeDeg) <= 90) {
		return nil, fmt.Errorf("albers_conical_equal_area: central meridian, origin or false origin is out of range")
	}
	if !(math.Abs(p.StandardParallel1Deg) < 90) || !(math.Abs(p.StandardParallel2Deg) < 90) || math.Abs(p.StandardParallel1Deg+p.StandardParallel2Deg) < 1e-6 {
		return nil, fmt.Errorf("albers_conical_equal_area: standard parallels %g and %g must lie between the poles and not cancel", p.StandardParallel1Deg, p.StandardParallel2Deg)
	}
	a := &albersEqualArea{AlbersEqualArea: p, eccentricity: p.Earth.eccentricity()}
	sin1, cos1 := math.Sincos(p.StandardParallel1Deg * radPerDeg)
	m1, q1 := parallelRadius(sin1, cos1, a.eccentricity), authalicQ(sin1, a.eccentricity)
	a.n = sin1
	if math.Abs(p.StandardParallel1Deg-p.StandardParallel2Deg) > 1e-9 {
		sin2, cos2 := math.Sincos(p.StandardParallel2Deg * radPerDeg)
		m2, q2 := parallelRadius(sin2, cos2, a.eccentricity), authalicQ(sin2, a.eccentricity)
		a.n = (m1*m1 - m2*m2) / (q2 - q1) // eq. 14-14
	}
	a.c = m1*m1 + a.n*q1 // eq. 14-13
	a.rho0 = a.rho(math.Sin(p.OriginLatitudeDeg * radPerDeg))
	if math.IsNaN(a.rho0) {
		return nil, fmt.Errorf("albers_conical_equal_area: latitude of origin %g has no image", p.OriginLatitudeDeg)
	}
	return a, nil
}

// rho is the signed distance from the apex of the cone (eq. 14-12).
func (a *albersEqualArea) rho(sinLat float64) float64 {
	square := a.c - a.n*authalicQ(sinLat, a.eccentricity)
	if square < 0 && square > -1e-12 {
		square = 0
	}
	return a.Earth.SemiMajorM * math.Sqrt(square) / a.n
}

// Name is the CF grid_mapping_name.
func (*albersEqualArea) Name() string { return "albers_conical_equal_area" }

// Forward covers the whole earth.
func (a *albersEqualArea) Forward(p LatLon) (x, y float64, ok bool) {
	rho := a.rho(math.Sin(p.LatitudeDeg * radPerDeg))
	if !isPlace(p) || math.IsNaN(rho) {
		return math.NaN(), math.NaN(), false
	}
	sin, cos := math.Sincos(a.n * radPerDeg * NormalLongitudeDeg(p.LongitudeDeg-a.CentralMeridianDeg))
	return a.FalseEastingM + rho*sin, a.FalseNorthingM + a.rho0 - rho*cos, true
}

// Inverse reports false outside of the image of the earth.
func (a *albersEqualArea) Inverse(x, y float64) (LatLon, bool) {
	x, y = x-a.FalseEastingM, a.rho0-(y-a.FalseNorthingM)
	sign := math.Copysign(1, a.n)
	rho := math.Hypot(x, y) * a.n / a.Earth.SemiMajorM
	latitude := authalicLatitudeRad((a.c-rho*rho)/a.n, a.eccentricity)
	turnDeg := math.Atan2(sign*x, sign*y) / (a.n * radPerDeg)
	if math.IsNaN(latitude) || !(math.Abs(turnDeg) <= 180+1e-9) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	return LatLon{latitude / radPerDeg, NormalLongitudeDeg(a.CentralMeridianDeg + turnDeg)}, true
}

// LambertAzimuthalEqualArea are the parameters of a Lambert azimuthal equal-area
// projection.
type LambertAzimuthalEqualArea struct {
	Earth                         Earth
	OriginLatitudeDeg             float64
	CentralMeridianDeg            float64
	FalseEastingM, FalseNorthingM float64
}

// lambertAzimuthal keeps Snyder's symbols: rq the radius of the authalic
// sphere, d the correction that keeps the scale at the origin.
type lambertAzimuthal struct {
	LambertAzimuthalEqualArea
	eccentricity, qp, rq, d, sinBeta1, cosBeta1 float64
}

// NewLambertAzimuthalEqualArea prepares the projection (Snyder 1987, USGS
// Professional Paper 1395, eqs. 24-2 to 24-32, for sphere and ellipsoid).
func NewLambertAzimuthalEqualArea(p LambertAzimuthalEqualArea) (Projection, error) {
	if err := p.Earth.check(); err != nil {
		return nil, fmt.Errorf("lambert_azimuthal_equal_area: %w", err)
	}
	if !finite(p.CentralMeridianDeg, p.FalseEastingM, p.FalseNorthingM) || !(math.Abs(p.OriginLatitudeDeg) <= 90) {
		return nil, fmt.Errorf("lambert_azimuthal_equal_area: origin or false origin is out of range")
	}
	l := &lambertAzimuthal{LambertAzimuthalEqualArea: p, eccentricity: p.Earth.eccentricity(), d: 1}
	l.qp = authalicQ(1, l.eccentricity)
	l.rq = p.Earth.SemiMajorM * math.Sqrt(l.qp/2)
	if math.Abs(p.OriginLatitudeDeg) > 90-1e-9 {
		l.sinBeta1 = math.Copysign(1, p.OriginLatitudeDeg)
		return l, nil
	}
	sin, cos := math.Sincos(p.OriginLatitudeDeg * radPerDeg)
	l.sinBeta1 = authalicQ(sin, l.eccentricity) / l.qp
	l.cosBeta1 = math.Sqrt((1 - l.sinBeta1) * (1 + l.sinBeta1))
	l.d = p.Earth.SemiMajorM * parallelRadius(sin, cos, l.eccentricity) / (l.rq * l.cosBeta1)
	return l, nil
}

// Name is the CF grid_mapping_name.
func (*lambertAzimuthal) Name() string { return "lambert_azimuthal_equal_area" }

// Forward reports false at the antipode of the origin.
func (l *lambertAzimuthal) Forward(p LatLon) (x, y float64, ok bool) {
	if !isPlace(p) {
		return math.NaN(), math.NaN(), false
	}
	sinBeta := authalicQ(math.Sin(p.LatitudeDeg*radPerDeg), l.eccentricity) / l.qp
	cosBeta := math.Sqrt(max((1-sinBeta)*(1+sinBeta), 0))
	sin, cos := math.Sincos(radPerDeg * NormalLongitudeDeg(p.LongitudeDeg-l.CentralMeridianDeg))
	depth := 1 + l.sinBeta1*sinBeta + l.cosBeta1*cosBeta*cos
	if depth < 1e-12 {
		return math.NaN(), math.NaN(), false
	}
	b := l.rq * math.Sqrt(2/depth)
	return l.FalseEastingM + b*l.d*cosBeta*sin,
		l.FalseNorthingM + b/l.d*(l.cosBeta1*sinBeta-l.sinBeta1*cosBeta*cos), true
}

// Inverse reports false outside of the image of the earth.
func (l *lambertAzimuthal) Inverse(x, y float64) (LatLon, bool) {
	x, y = (x-l.FalseEastingM)/l.d, (y-l.FalseNorthingM)*l.d
	rho := math.Hypot(x, y)
	if !(rho < 2*l.rq) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	if rho == 0 {
		return LatLon{l.OriginLatitudeDeg, NormalLongitudeDeg(l.CentralMeridianDeg)}, true
	}
	sinC, cosC := math.Sincos(2 * math.Asin(rho/(2*l.rq)))
	latitude := authalicLatitudeRad(l.qp*(cosC*l.sinBeta1+y*sinC*l.cosBeta1/rho), l.eccentricity)
	longitude := math.Atan2(x*sinC, rho*l.cosBeta1*cosC-y*l.sinBeta1*sinC)
	p := LatLon{latitude / radPerDeg, NormalLongitudeDeg(l.CentralMeridianDeg + longitude/radPerDeg)}
	return p, isPlace(p)
}

// authalicQ is Snyder's q (1987, eq. 3-12), the area from the equator.
func authalicQ(sinLat, eccentricity float64) float64 {
	if eccentricity == 0 {
		return 2 * sinLat
	}
	e2m := 1 - eccentricity*eccentricity
	return e2m * (sinLat/(1-eccentricity*eccentricity*sinLat*sinLat) + math.Atanh(eccentricity*sinLat)/eccentricity)
}

// authalicLatitudeRad inverts authalicQ: Newton's method on the sine of the
// latitude, whose derivative (from eq. 3-12) nowhere vanishes. It is NaN beyond
// the poles.
func authalicLatitudeRad(q, eccentricity float64) float64 {
	qp := authalicQ(1, eccentricity)
	if !(math.Abs(q) <= qp*(1+1e-12)) {
		return math.NaN()
	}
	sinLat := min(max(q/qp, -1), 1)
	e2 := eccentricity * eccentricity
	for range 6 {
		shrink := 1 - e2*sinLat*sinLat
		step := (q - authalicQ(sinLat, eccentricity)) * shrink * shrink / (2 * (1 - e2))
		sinLat = min(max(sinLat+step, -1), 1)
		if math.Abs(step) < 1e-16 {
			break
		}
	}
	return math.Asin(sinLat)
}
