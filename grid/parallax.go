package grid

import (
	"fmt"
	"math"
)

// Parallax tells apart where a satellite seems to see a cloud top, on the
// ellipsoid behind it, from the place that the top is above. It is computed by
// the line of sight itself, without small-angle approximations: common practice,
// as in Vicente et al. (2002, Int. J. Remote Sensing 23, 221), but on the
// ellipsoid's normal. Heights count from the ellipsoid; that the geoid is up to
// 100 m off moves a place by less than 1 per cent of what a cloud of 10 km does.
type Parallax struct{ view *geostationary }

// NewParallax takes a geostationary projection, of which only earth and
// satellite count.
func NewParallax(view Projection) (Parallax, error) {
	g, ok := view.(*geostationary)
	if !ok {
		return Parallax{}, fmt.Errorf("parallax: no geostationary projection: %w", ErrUnsupportedProjection)
	}
	return Parallax{g}, nil
}

// maxCloudTopM is above every cloud; altitudes outside -1000 to this are
// mistakes, and have no place.
const maxCloudTopM = 100e3

// Correct gives the place below a cloud top of this height above the ellipsoid
// that is seen at an apparent place. It moves towards the point below the
// satellite. False where the apparent place is not seen, or the height is no
// cloud's.
func (p Parallax) Correct(apparent LatLon, cloudTopHeightM float64) (LatLon, bool) {
	g := p.view
	if !isPlace(apparent) || !(cloudTopHeightM > -1000) || cloudTopHeightM > maxCloudTopM {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	toward, east, north := g.surface(apparent)
	if !(g.distance*toward >= 1) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	ahead := g.distance - toward
	length := math.Sqrt(ahead*ahead + east*east + north*north)
	ahead, east, north = ahead/length, east/length, north/length
	want := cloudTopHeightM / g.Earth.SemiMajorM
	// The surface of constant height is within want*flattening of the ellipsoid
	// with both axes longer by the height: start there, and shift along the line
	// until the geodetic height is right.
	x, y, z, ok := g.meet(ahead, east, north, 1+want, g.axisRatio+want)
	if !ok {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	var place LatLon
	for range 8 {
		var height, slope float64
		place, height, slope = g.geodetic(x, y, z, ahead, east, north)
		miss := want - height
		if math.Abs(miss) < 1e-12 || slope < 1e-9 {
			break
		}
		step := miss / slope // back towards the satellite
		x, y, z = x+step*ahead, y-step*east, z-step*north
	}
	return place, true
}

// geodetic gives place and height of a point in the satellite's frame, and how
// much height a step back along a line of sight gains. Bowring's latitude (1976,
// Survey Review 23, 323), exact to below a millimetre at the heights of clouds.
func (g *geostationary) geodetic(x, y, z, ahead, east, north float64) (place LatLon, height, slope float64) {
	e2 := 1 - g.square
	q := math.Hypot(x, y)
	sinB, cosB := math.Sincos(math.Atan2(z, g.axisRatio*q))
	latitude := math.Atan2(z+e2/g.axisRatio*sinB*sinB*sinB, q-e2*cosB*cosB*cosB)
	sinLat, cosLat := math.Sincos(latitude)
	height = q*cosLat + z*sinLat - math.Sqrt(cosLat*cosLat+g.square*sinLat*sinLat)
	// The upward normal times the direction back.
	slope = cosLat*(x*ahead-y*east)/q - sinLat*north
	return LatLon{latitude / radPerDeg, NormalLongitudeDeg(g.SubSatelliteLongitudeDeg + math.Atan2(y, x)/radPerDeg)}, height, slope
}

// Apparent is the inverse of Correct: where the satellite sees a cloud top of
// this height that is above a place. A look-up goes this way, because the pixel
// that shows the cloud above a site is not the pixel of the site. False where
// the satellite does not see the top, or sees it against space.
func (p Parallax) Apparent(below LatLon, cloudTopHeightM float64) (LatLon, bool) {
	g := p.view
	if !isPlace(below) || !(cloudTopHeightM > -1000) || cloudTopHeightM > maxCloudTopM {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	sinLat, cosLat := math.Sincos(below.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((below.LongitudeDeg - g.SubSatelliteLongitudeDeg) * radPerDeg)
	x, y, z := g.surface(below)
	h := cloudTopHeightM / g.Earth.SemiMajorM
	x, y, z = x+h*cosLat*cosLon, y+h*cosLat*sinLon, z+h*sinLat
	// Behind the limb: below the horizon of the top itself.
	if (g.distance-x)*cosLat*cosLon-y*cosLat*sinLon-z*sinLat < 0 {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	ahead := g.distance - x
	length := math.Sqrt(ahead*ahead + y*y + z*z)
	tx, ty, tz, ok := g.meet(ahead/length, y/length, z/length, 1, g.axisRatio)
	if !ok {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	return g.place(tx, ty, tz), true
}

// ZenithAngleDeg is the angle between the satellite and the vertical at a place:
// 0 below the satellite, 90 at the limb. Retrievals lose worth towards the limb.
// False where the satellite is below the horizon.
func (p Parallax) ZenithAngleDeg(at LatLon) (float64, bool) {
	g := p.view
	if !isPlace(at) {
		return math.NaN(), false
	}
	x, y, z := g.surface(at)
	sinLat, cosLat := math.Sincos(at.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((at.LongitudeDeg - g.SubSatelliteLongitudeDeg) * radPerDeg)
	ahead := g.distance - x
	length := math.Sqrt(ahead*ahead + y*y + z*z)
	up := (ahead*cosLat*cosLon - y*cosLat*sinLon - z*sinLat) / length
	angle := math.Acos(math.Min(1, up)) / radPerDeg
	return angle, up >= 0
}
