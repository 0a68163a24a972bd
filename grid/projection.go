package grid

import (
	"math"
	"reflect"
)

// Projection maps places to the plane of a grid. x and y are metres, except for
// the geographic projections (LatLonProjection, RotatedLatLon), where they are
// degrees of longitude and latitude.
type Projection interface {
	// Name is the CF grid_mapping_name.
	Name() string
	// Forward reports false where the place has no image in the plane.
	Forward(LatLon) (x, y float64, ok bool)
	// Inverse reports false where the point of the plane is no place.
	Inverse(x, y float64) (LatLon, bool)
}

// LatLonProjection is the plain geographic grid: x is longitude, y latitude.
type LatLonProjection struct{}

// Name is the CF grid_mapping_name.
func (LatLonProjection) Name() string { return "latitude_longitude" }

// Forward returns longitude and latitude in degrees.
func (LatLonProjection) Forward(p LatLon) (x, y float64, ok bool) {
	return p.LongitudeDeg, p.LatitudeDeg, isPlace(p)
}

// Inverse takes longitude and latitude in degrees. A latitude up to a
// thousandth of a degree past a pole, as rounded steps of files add up to, is
// the pole.
func (LatLonProjection) Inverse(x, y float64) (LatLon, bool) {
	if math.Abs(y) > 90 && math.Abs(y) <= 90.001 {
		y = math.Copysign(90, y)
	}
	p := LatLon{LatitudeDeg: y, LongitudeDeg: NormalLongitudeDeg(x)}
	return p, math.Abs(y) <= 90 && math.Abs(x) < 1e6
}

func (LatLonProjection) eastAngleRad(p LatLon) (float64, bool) { return 0, isPlace(p) }

func (LatLonProjection) eastDirection(_, y float64) (cos, sin float64, ok bool) {
	return 1, 0, math.Abs(y) <= 90.001
}

func (LatLonProjection) periodX() float64 { return 360 }

// orienting is a projection that knows its own convergence of meridians.
type orienting interface {
	// eastAngleRad is the angle, counterclockwise, that turns components along
	// x and y into eastward and northward components.
	eastAngleRad(LatLon) (float64, bool)
}

// planeOrienting is a projection whose directions can be read off the plane
// without the place: cosine and sine of eastAngleRad.
type planeOrienting interface {
	eastDirection(x, y float64) (cos, sin float64, ok bool)
}

// periodic is a projection whose x comes back to the same meridian.
type periodic interface{ periodX() float64 }

// sameProjection compares parameters, not pointers.
func sameProjection(a, b Projection) bool { return reflect.DeepEqual(a, b) }

func (LatLonProjection) angular() {}
