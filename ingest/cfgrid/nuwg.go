package cfgrid

import (
	"context"

	"rimeline/grid"
)

// nuwgGrid places a grid of the conventions that the Network Users' Working
// Group made for netCDF before CF (conventions "NUWG", about 1995): a variable
// names a navigation dimension, and the variables on it hold the grid
// description of GRIB edition 1. Only polar stereographic grids (type 5) are
// read. It reports false where the file has none of this.
func (f *File) nuwgGrid(ctx context.Context, v *variable, g *grid.Grid) bool {
	navigation := v.text("navigation")
	if navigation == "" {
		return false
	}
	number := func(name string) (float64, bool) {
		n := f.lookup(v, name)
		if n == nil || !n.isNumeric() || len(n.dims) != 1 || n.dims[0].name != navigation || n.points != 1 {
			return 0, false
		}
		values, err := f.read64(ctx, n, []uint64{0}, []uint64{1})
		if err != nil || len(values) != 1 {
			return 0, false
		}
		return values[0], true
	}
	code, has := number("grid_type_code")
	if !has {
		return false
	}
	var values [8]float64
	for i, name := range []string{"La1", "Lo1", "Lov", "Dx", "Dy", "ProjFlag", "ResCompFlag", "Nx"} {
		if values[i], has = number(name); !has {
			f.note(v, "navigation has no %s", name)
			return false
		}
	}
	la1, lo1, lov, dx, dy, projection, components := values[0], values[1], values[2], values[3], values[4], int(values[5]), int(values[6])
	if code != 5 || int(values[7]) != g.NI {
		f.note(v, "navigation of GRIB 1 grid type %g for %g columns", code, values[7])
		return false
	}
	if dx < 1000 { // kilometres as the conventions have it; metres do occur under that unit
		dx, dy = 1000*dx, 1000*dy
	}
	// GRIB 1 octet 17, code table 7: bit 2 the oblate earth of 1965, else a sphere
	// of 6367.47 km; bit 5 components along the grid. Octet 27: bit 1 the south
	// pole. Grid lengths are true at 60 degrees (section 2, note 2).
	earth := grid.Sphere(6367470)
	if components&0x40 != 0 {
		earth = grid.IAU1965
	}
	stereographic, err := grid.NewPolarStereographic(grid.PolarStereographic{
		Earth: earth, North: projection&0x80 == 0, TrueScaleLatitudeDeg: 60, CentralMeridianDeg: lov,
	})
	if err != nil {
		f.note(v, "navigation: %v", err)
		return false
	}
	x, y, ok := stereographic.Forward(grid.LatLon{LatitudeDeg: la1, LongitudeDeg: lo1})
	if !ok {
		f.note(v, "navigation: first point %g N %g E", la1, lo1)
		return false
	}
	g.Projection, g.Name = stereographic, stereographic.Name()
	g.X, g.Y = grid.Axis{First: x, Step: dx}, grid.Axis{First: y, Step: dy}
	g.WindsGridRelative = components&0x08 != 0
	return true
}
