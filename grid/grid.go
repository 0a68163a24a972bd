package grid

import (
	"math"
	"sort"
)

// Axis holds the coordinates of a grid's columns (X) or rows (Y) in the units
// of its projection: evenly spaced, or listed (Gaussian latitudes, CF axes).
type Axis struct {
	// First and Step describe an even axis; Step is negative where the file
	// runs west or south. Unused where At is set.
	First, Step float64
	// At lists the coordinates of an uneven axis, strictly monotonic.
	At []float64
}

// Coordinate gives the place of index k, which may have a fraction.
func (a Axis) Coordinate(k float64) float64 {
	if len(a.At) == 0 {
		return a.First + k*a.Step
	}
	n := len(a.At)
	if n == 1 {
		return a.At[0]
	}
	low := min(max(int(math.Floor(k)), 0), n-2)
	return a.At[low] + (k-float64(low))*(a.At[low+1]-a.At[low])
}

// Index is the inverse of Coordinate; the result may lie outside the axis.
func (a Axis) Index(coordinate float64) float64 {
	if len(a.At) == 0 {
		return (coordinate - a.First) / a.Step
	}
	n := len(a.At)
	if n == 1 {
		return 0
	}
	falling := a.At[n-1] < a.At[0]
	low := sort.Search(n, func(k int) bool {
		if falling {
			return a.At[k] <= coordinate
		}
		return a.At[k] >= coordinate
	}) - 1
	low = min(max(low, 0), n-2)
	return float64(low) + (coordinate-a.At[low])/(a.At[low+1]-a.At[low])
}

// Window is a rectangle of a grid's columns and rows, by index.
type Window struct{ I0, J0, NI, NJ int }

// Grid says where the values of a field are. Point (i, j) has the plane
// coordinates X.Coordinate(i), Y.Coordinate(j); decoders undo alternating row
// directions and column-major storage, but keep the file's own row and column
// direction (the sign of the steps).
type Grid struct {
	// Name is the CF grid_mapping_name, or, where the geometry is not known,
	// the format's own number of it ("GRIB2 template 3.101").
	Name string
	// Projection is nil where positions are not known, and where Curvilinear is set.
	Projection Projection
	NI, NJ     int
	X, Y       Axis
	// Cyclic: the column after the last is the first (a whole circle of
	// longitude).
	Cyclic bool
	// Curvilinear gives the places one by one, for files that list 2-D
	// latitude and longitude without a projection.
	Curvilinear *Curvilinear
	// WindsGridRelative: eastward and northward components on this grid point
	// along increasing i-coordinate x and j-coordinate y of the projection
	// instead of east and north (GRIB2 flag table 3.3, bit 5).
	WindsGridRelative bool
}
