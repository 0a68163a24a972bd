package grid

import (
	"fmt"
	"math"
)

// Geostationary are the parameters of the view of a geostationary satellite, on
// the fixed grid of its imager.
type Geostationary struct {
	Earth Earth
	// PerspectivePointHeightM is the satellite above the equator's ellipsoid.
	PerspectivePointHeightM float64
	// SubSatelliteLongitudeDeg is the meridian below the satellite.
	SubSatelliteLongitudeDeg float64
	// SweepAxisX: the imager's inner gimbal sweeps about the x axis, as that of
	// the GOES-R series does ("x" in CF); else about the y axis, as that of
	// Meteosat and Himawari ("y").
	SweepAxisX                    bool
	FalseEastingM, FalseNorthingM float64
}

type geostationary struct {
	Geostationary
	distance     float64 // of the satellite from the centre, over the semi-major axis
	axisRatio    float64 // semi-minor over semi-major axis
	square       float64 // axisRatio squared
	heightFactor float64 // perspective point height over the semi-major axis
}

// NewGeostationary prepares the projection: GOES-R Product Definition and Users'
// Guide, volume 3, 5.1.2.8 and volume 5, 4.2.8, "Navigation of Image Data" for
// sweeps about x; CGMS 03, LRIT/HRIT Global Specification 2.6, section 4.4.3.2
// for those about y. Coordinates are metres as CF asks: scanning angle in
// radians times the perspective point height. x grows eastward and y northward.
func NewGeostationary(c Geostationary) (Projection, error) {
	if err := c.Earth.check(); err != nil {
		return nil, fmt.Errorf("geostationary: %w", err)
	}
	if !finite(c.SubSatelliteLongitudeDeg, c.FalseEastingM, c.FalseNorthingM) || math.Abs(c.SubSatelliteLongitudeDeg) > 1e6 {
		return nil, fmt.Errorf("geostationary: meridian of the satellite or false origin is not a number")
	}
	// Bounds against other units and zeros, not on orbits.
	if !(c.PerspectivePointHeightM > 1e5) || c.PerspectivePointHeightM > 1e12 {
		return nil, fmt.Errorf("geostationary: perspective point height %g m is no orbit", c.PerspectivePointHeightM)
	}
	g := &geostationary{Geostationary: c}
	g.heightFactor = c.PerspectivePointHeightM / c.Earth.SemiMajorM
	g.distance = 1 + g.heightFactor
	g.axisRatio = c.Earth.SemiMinorM / c.Earth.SemiMajorM
	g.square = g.axisRatio * g.axisRatio
	return g, nil
}

// Name is the CF grid_mapping_name.
func (*geostationary) Name() string { return "geostationary" }

// Forward reports false for places that the satellite does not see.
func (g *geostationary) Forward(p LatLon) (x, y float64, ok bool) {
	if !isPlace(p) {
		return math.NaN(), math.NaN(), false
	}
	// In units of the semi-major axis, from the centre: towards the satellite,
	// eastward, northward.
	toward, east, north := g.surface(p)
	// Seen is what lies on the satellite's side of the plane through the
	// tangent points (the polar plane of the satellite).
	if !(g.distance*toward >= 1) {
		return math.NaN(), math.NaN(), false
	}
	x, y = g.angles(g.distance-toward, east, north)
	return g.FalseEastingM + x*g.PerspectivePointHeightM, g.FalseNorthingM + y*g.PerspectivePointHeightM, true
}

// surface is the place on the ellipsoid in the satellite's frame.
func (g *geostationary) surface(p LatLon) (toward, east, north float64) {
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((p.LongitudeDeg - g.SubSatelliteLongitudeDeg) * radPerDeg)
	// n is the radius of curvature in the prime vertical over the semi-major axis.
	n := 1 / math.Sqrt(cosLat*cosLat+g.square*sinLat*sinLat)
	return n * cosLat * cosLon, n * cosLat * sinLon, n * g.square * sinLat
}

// angles of a direction from the satellite: ahead (towards the earth's centre),
// eastward and northward.
func (g *geostationary) angles(ahead, east, north float64) (x, y float64) {
	if g.SweepAxisX {
		return math.Atan2(east, math.Hypot(ahead, north)), math.Atan2(north, ahead)
	}
	return math.Atan2(east, ahead), math.Atan2(north, math.Hypot(ahead, east))
}

// direction is the inverse of angles, of length 1.
func (g *geostationary) direction(x, y float64) (ahead, east, north float64) {
	sinX, cosX := math.Sincos(x)
	sinY, cosY := math.Sincos(y)
	if g.SweepAxisX {
		return cosX * cosY, sinX, cosX * sinY
	}
	return cosX * cosY, sinX * cosY, sinY
}

// Inverse reports false for directions that miss the earth.
func (g *geostationary) Inverse(x, y float64) (LatLon, bool) {
	x = (x - g.FalseEastingM) / g.PerspectivePointHeightM
	y = (y - g.FalseNorthingM) / g.PerspectivePointHeightM
	if !(math.Abs(x) < math.Pi/2) || !(math.Abs(y) < math.Pi/2) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	ahead, east, north := g.direction(x, y)
	toward, e, n, ok := g.meet(ahead, east, north, 1, g.axisRatio)
	if !ok {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	return g.place(toward, e, n), true
}

// meet follows a direction from the satellite to the near side of an ellipsoid
// of these axes, in units of the semi-major axis.
func (g *geostationary) meet(ahead, east, north, major, minor float64) (toward, e, n float64, ok bool) {
	flatten := major * major / (minor * minor)
	a := ahead*ahead + east*east + flatten*north*north
	halfB := -g.distance * ahead
	c := (g.distance - major) * (g.distance + major)
	discriminant := halfB*halfB - a*c
	if !(discriminant >= 0) || !(ahead > 0) {
		return 0, 0, 0, false
	}
	// c over the larger root is the smaller without cancellation.
	r := c / (-halfB + math.Sqrt(discriminant))
	return g.distance - r*ahead, r * east, r * north, true
}

// place is the geodetic place of a point of the ellipsoid.
func (g *geostationary) place(toward, east, north float64) LatLon {
	return LatLon{
		math.Atan2(north, g.square*math.Hypot(toward, east)) / radPerDeg,
		NormalLongitudeDeg(g.SubSatelliteLongitudeDeg + math.Atan2(east, toward)/radPerDeg),
	}
}

// SatelliteView gives the parameters of a projection that is a geostationary
// satellite's view, and reports false for any other.
func SatelliteView(p Projection) (Geostationary, bool) {
	g, ok := p.(*geostationary)
	if !ok {
		return Geostationary{}, false
	}
	return g.Geostationary, true
}
