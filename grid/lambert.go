package grid

import (
	"fmt"
	"math"
)

// LambertConformal are the parameters of a Lambert conformal conic projection.
// Scale is true along the standard parallels, which are equal for a tangent
// cone; both lie in one hemisphere or at least do not cancel.
type LambertConformal struct {
	Earth                Earth
	StandardParallel1Deg float64
	StandardParallel2Deg float64
	OriginLatitudeDeg    float64 // where y is FalseNorthingM
	CentralMeridianDeg   float64 // where x is FalseEastingM
	FalseEastingM        float64
	FalseNorthingM       float64
}

// lambertConformal keeps Snyder's symbols: n the cone constant, af = aF, rho0.
type lambertConformal struct {
	LambertConformal
	eccentricity, n, af, rho0 float64
	cosRim                    float64 // of the angle on the plane of the meridian opposite
}

// NewLambertConformal prepares the projection (Snyder 1987, USGS Professional
// Paper 1395, p. 104 to 110, for sphere and ellipsoid).
func NewLambertConformal(c LambertConformal) (Projection, error) {
	if err := c.Earth.check(); err != nil {
		return nil, fmt.Errorf("lambert_conformal_conic: %w", err)
	}
	if !finite(c.CentralMeridianDeg, c.FalseEastingM, c.FalseNorthingM) {
		return nil, fmt.Errorf("lambert_conformal_conic: central meridian or false origin is not a number")
	}
	if !(math.Abs(c.StandardParallel1Deg) < 90) || !(math.Abs(c.StandardParallel2Deg) < 90) {
		return nil, fmt.Errorf("lambert_conformal_conic: standard parallels %g and %g must lie between the poles", c.StandardParallel1Deg, c.StandardParallel2Deg)
	}
	if math.Abs(c.StandardParallel1Deg+c.StandardParallel2Deg) < 1e-6 {
		return nil, fmt.Errorf("lambert_conformal_conic: standard parallels %g and %g cancel, the cone is a cylinder", c.StandardParallel1Deg, c.StandardParallel2Deg)
	}
	l := &lambertConformal{LambertConformal: c, eccentricity: c.Earth.eccentricity()}
	sin1, cos1 := math.Sincos(c.StandardParallel1Deg * radPerDeg)
	m1 := parallelRadius(sin1, cos1, l.eccentricity)
	t1 := colatitudeTangent(sin1, cos1, l.eccentricity)
	l.n = sin1
	if math.Abs(c.StandardParallel1Deg-c.StandardParallel2Deg) > 1e-9 {
		sin2, cos2 := math.Sincos(c.StandardParallel2Deg * radPerDeg)
		m2 := parallelRadius(sin2, cos2, l.eccentricity)
		t2 := colatitudeTangent(sin2, cos2, l.eccentricity)
		l.n = math.Log(m1/m2) / math.Log(t1/t2) // eq. 15-8
	}
	l.af = c.Earth.SemiMajorM * m1 / (l.n * math.Pow(t1, l.n)) // eq. 15-10
	l.cosRim = math.Cos(l.n * math.Pi)
	rho0, ok := l.rho(c.OriginLatitudeDeg)
	if !ok {
		return nil, fmt.Errorf("lambert_conformal_conic: latitude of origin %g has no image", c.OriginLatitudeDeg)
	}
	l.rho0 = rho0
	return l, nil
}

// rho is the signed distance from the apex of the cone (eq. 15-7).
func (l *lambertConformal) rho(latitudeDeg float64) (float64, bool) {
	if !(math.Abs(latitudeDeg) < 90) {
		// The pole inside the cone is its apex, the other lies at infinity.
		return 0, latitudeDeg == math.Copysign(90, l.n)
	}
	sinLat, cosLat := math.Sincos(latitudeDeg * radPerDeg)
	return l.af * math.Exp(l.n*math.Log(colatitudeTangent(sinLat, cosLat, l.eccentricity))), true
}

// Name is the CF grid_mapping_name.
func (*lambertConformal) Name() string { return "lambert_conformal_conic" }

// Forward reports false at the pole that the cone does not cover.
func (l *lambertConformal) Forward(p LatLon) (x, y float64, ok bool) {
	rho, ok := l.rho(p.LatitudeDeg)
	if !ok || !isPlace(p) {
		return math.NaN(), math.NaN(), false
	}
	sin, cos := math.Sincos(l.n * radPerDeg * NormalLongitudeDeg(p.LongitudeDeg-l.CentralMeridianDeg))
	return l.FalseEastingM + rho*sin, l.FalseNorthingM + l.rho0 - rho*cos, true
}

// Inverse reports false in the sector that the unrolled cone leaves free.
func (l *lambertConformal) Inverse(x, y float64) (LatLon, bool) {
	x, y = x-l.FalseEastingM, l.rho0-(y-l.FalseNorthingM)
	if !finite(x, y) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	sign := math.Copysign(1, l.n)
	rho := sign * math.Hypot(x, y)
	turnDeg := math.Atan2(sign*x, sign*y) / (l.n * radPerDeg)
	if math.Abs(turnDeg) > 180+1e-9 {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	latitude := sign * math.Pi / 2
	if rho != 0 {
		latitude = latitudeRad(math.Exp(math.Log(rho/l.af)/l.n), l.eccentricity)
	}
	return LatLon{latitude / radPerDeg, NormalLongitudeDeg(l.CentralMeridianDeg + turnDeg)}, true
}

// eastAngleRad is the convergence of meridians with its sign turned: west of
// the central meridian true north lies right of the grid's north.
func (l *lambertConformal) eastAngleRad(p LatLon) (float64, bool) {
	return -l.n * radPerDeg * NormalLongitudeDeg(p.LongitudeDeg-l.CentralMeridianDeg), isPlace(p)
}

// eastDirection: meridians are straight lines through the apex.
func (l *lambertConformal) eastDirection(x, y float64) (cos, sin float64, ok bool) {
	sign := math.Copysign(1, l.n)
	x, y = sign*(x-l.FalseEastingM), sign*(l.rho0-(y-l.FalseNorthingM))
	rho := math.Sqrt(x*x + y*y)
	if !finite(rho) || y < (l.cosRim-1e-9)*rho {
		return math.NaN(), math.NaN(), false
	}
	if rho == 0 { // the pole, seen along the central meridian
		return 1, 0, true
	}
	return y / rho, -x / rho, true
}
