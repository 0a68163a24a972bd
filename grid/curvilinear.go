package grid

// Curvilinear lists the place of every grid point, i fastest, for grids whose
// file gives two-dimensional latitude and longitude but no projection.
type Curvilinear struct {
	LatitudeDeg, LongitudeDeg []float64
}
