package grid

import (
	"fmt"
	"math"
)

// RotatedLatLon are the parameters of a latitude-longitude grid whose south
// pole has been moved (GRIB2 grid definition template 3.1). RotationDeg is the
// angle about the new polar axis, clockwise when looking from the new south
// pole to the new north pole. x and y of the projection are the rotated
// longitude and latitude in degrees.
type RotatedLatLon struct {
	SouthPoleLatitudeDeg  float64
	SouthPoleLongitudeDeg float64
	RotationDeg           float64
}

type rotatedLatLon struct {
	RotatedLatLon
	sinPole, cosPole float64 // of the latitude of the grid's north pole
}

// NewRotatedLatLon prepares the rotation. It is exact on any earth, as only
// angles take part.
func NewRotatedLatLon(c RotatedLatLon) (Projection, error) {
	if !(math.Abs(c.SouthPoleLatitudeDeg) <= 90) || !(math.Abs(c.SouthPoleLongitudeDeg) <= 1e6) || !(math.Abs(c.RotationDeg) <= 1e6) {
		return nil, fmt.Errorf("rotated_latitude_longitude: south pole %g, %g, rotation %g", c.SouthPoleLatitudeDeg, c.SouthPoleLongitudeDeg, c.RotationDeg)
	}
	r := &rotatedLatLon{RotatedLatLon: c}
	r.sinPole, r.cosPole = math.Sincos(-c.SouthPoleLatitudeDeg * radPerDeg)
	if math.Abs(c.SouthPoleLatitudeDeg) == 90 {
		r.cosPole = 0
	}
	return r, nil
}

// NewRotatedLatLonCF takes the attributes of the CF grid mapping
// rotated_latitude_longitude: grid_north_pole_latitude,
// grid_north_pole_longitude and north_pole_grid_longitude (0 by default).
func NewRotatedLatLonCF(gridNorthPole LatLon, northPoleGridLongitudeDeg float64) (Projection, error) {
	return NewRotatedLatLon(RotatedLatLon{
		SouthPoleLatitudeDeg:  -gridNorthPole.LatitudeDeg,
		SouthPoleLongitudeDeg: gridNorthPole.LongitudeDeg + 180,
		RotationDeg:           -northPoleGridLongitudeDeg,
	})
}

// Name is the CF grid_mapping_name.
func (*rotatedLatLon) Name() string { return "rotated_latitude_longitude" }

// Forward returns rotated longitude and latitude in degrees.
func (r *rotatedLatLon) Forward(p LatLon) (x, y float64, ok bool) {
	if !isPlace(p) {
		return math.NaN(), math.NaN(), false
	}
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((p.LongitudeDeg - r.SouthPoleLongitudeDeg) * radPerDeg)
	// Seen from the meridian of the south pole, which is the new x = 0.
	ahead := r.sinPole*cosLat*cosLon + r.cosPole*sinLat
	right := cosLat * sinLon
	up := r.sinPole*sinLat - r.cosPole*cosLat*cosLon
	return NormalLongitudeDeg(math.Atan2(right, ahead)/radPerDeg - r.RotationDeg),
		math.Atan2(up, math.Hypot(ahead, right)) / radPerDeg, true
}

// Inverse takes rotated longitude and latitude in degrees.
func (r *rotatedLatLon) Inverse(x, y float64) (LatLon, bool) {
	if !(math.Abs(y) <= 90+1e-9) || !(math.Abs(x) < 1e6) {
		return LatLon{math.NaN(), math.NaN()}, false
	}
	sinLat, cosLat := math.Sincos(y * radPerDeg)
	sinLon, cosLon := math.Sincos((x + r.RotationDeg) * radPerDeg)
	ahead := r.sinPole*cosLat*cosLon - r.cosPole*sinLat
	right := cosLat * sinLon
	up := r.sinPole*sinLat + r.cosPole*cosLat*cosLon
	return LatLon{
		math.Atan2(up, math.Hypot(ahead, right)) / radPerDeg,
		NormalLongitudeDeg(r.SouthPoleLongitudeDeg + math.Atan2(right, ahead)/radPerDeg),
	}, true
}

// eastAngleRad is the bearing of the grid's north pole with its sign turned.
func (r *rotatedLatLon) eastAngleRad(p LatLon) (float64, bool) {
	sinLat, cosLat := math.Sincos(p.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((r.SouthPoleLongitudeDeg + 180 - p.LongitudeDeg) * radPerDeg)
	return -math.Atan2(sinLon*r.cosPole, cosLat*r.sinPole-sinLat*r.cosPole*cosLon), isPlace(p)
}

func (r *rotatedLatLon) periodX() float64 { return 360 }

func (r *rotatedLatLon) angular() {}
