package grid

import "reflect"

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
	return p.LongitudeDeg, p.LatitudeDeg, p.LatitudeDeg >= -90 && p.LatitudeDeg <= 90
}

// Inverse takes longitude and latitude in degrees.
func (LatLonProjection) Inverse(x, y float64) (LatLon, bool) {
	return LatLon{LatitudeDeg: y, LongitudeDeg: NormalLongitudeDeg(x)}, y >= -90 && y <= 90
}

func (LatLonProjection) eastAngleRad(p LatLon) (float64, bool) { return 0, isPlace(p) }

func (LatLonProjection) periodX() float64 { return 360 }

// orienting is a projection that knows its own convergence of meridians.
type orienting interface {
	// eastAngleRad is the angle, counterclockwise, that turns components along
	// x and y into eastward and northward components.
	eastAngleRad(LatLon) (float64, bool)
}

// periodic is a projection whose x comes back to the same meridian.
type periodic interface{ periodX() float64 }

// sameProjection compares parameters, not pointers.
func sameProjection(a, b Projection) bool { return reflect.DeepEqual(a, b) }

func (LatLonProjection) angular() {}
