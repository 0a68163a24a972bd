package grid

import (
	"errors"
	"fmt"
	"math"
)

// Sample is the value of one grid point and where that point is.
type Sample struct {
	Value     float64 // NaN where missing
	Place     LatLon  // of the grid point
	DistanceM float64 // from the place asked for, by great circle
	I, J      int
}

// Statistics summarise a field. With no value at all Min, Max and Mean are NaN.
type Statistics struct {
	Min, Max, Mean float64
	Missing        int // values that are NaN
	Count          int // values that are not
}

// At is the value of column i and row j, NaN outside of the grid.
func (f *Field) At(i, j int) float32 {
	if i < 0 || j < 0 || i >= f.Grid.NI || j > len(f.Values)/f.Grid.NI || j*f.Grid.NI+i >= len(f.Values) {
		return float32(math.NaN())
	}
	return f.Values[j*f.Grid.NI+i]
}

// Nearest samples the grid point nearest to a place; see Grid.Nearest.
func (f *Field) Nearest(p LatLon) (Sample, bool) {
	i, j, distanceM, ok := f.Grid.Nearest(p)
	if !ok {
		return Sample{Value: math.NaN(), Place: LatLon{math.NaN(), math.NaN()}, DistanceM: math.NaN()}, false
	}
	place, ok := f.Grid.LatLonAt(float64(i), float64(j))
	return Sample{Value: float64(f.At(i, j)), Place: place, DistanceM: distanceM, I: i, J: j}, ok
}

// Bilinear interpolates between the four grid points around a place, linearly
// in the grid's coordinates. It is NaN where one of them is missing, unless the
// place is so placed that it takes no part; it reports false off the grid.
func (f *Field) Bilinear(p LatLon) (float64, bool) {
	i, j, ok := f.Grid.Locate(p)
	if !ok {
		return math.NaN(), false
	}
	return f.bilinearAt(i, j), true
}

// bilinearAt takes indices as Locate returns them.
func (f *Field) bilinearAt(i, j float64) float64 {
	// Rounding must not bring in a missing neighbour of a grid point.
	const onPoint = 1e-9
	if r := math.Round(i); math.Abs(i-r) < onPoint {
		i = r
	}
	if r := math.Round(j); math.Abs(j-r) < onPoint {
		j = r
	}
	i0, j0, i1, j1, s, t := quad(i, j, f.Grid.NI, f.Grid.NJ, f.Grid.Cyclic)
	row := func(j int) float64 {
		return blend(f.At(i0, j), f.At(i1, j), s)
	}
	switch t {
	case 0:
		return row(j0)
	case 1:
		return row(j1)
	}
	low, high := row(j0), row(j1)
	return low + t*(high-low)
}

// blend does not look at a value of weight zero.
func blend(a, b float32, weight float64) float64 {
	switch weight {
	case 0:
		return float64(a)
	case 1:
		return float64(b)
	}
	return float64(a) + weight*(float64(b)-float64(a))
}

// Statistics counts, and finds the extremes and the mean in float64: sums of
// blocks, added with Neumaier's compensation (1974, ZAMM 54, 39).
func (f *Field) Statistics() Statistics {
	const block = 1024
	s := Statistics{Min: math.NaN(), Max: math.NaN(), Mean: math.NaN()}
	low, high := float32(math.Inf(1)), float32(math.Inf(-1))
	var sum, compensation float64
	for start := 0; start < len(f.Values); start += block {
		var part float64
		for _, v := range f.Values[start:min(start+block, len(f.Values))] {
			if v != v {
				s.Missing++
				continue
			}
			part += float64(v)
			if v < low {
				low = v
			}
			if v > high {
				high = v
			}
		}
		total := sum + part
		if math.Abs(sum) >= math.Abs(part) {
			compensation += (sum - total) + part
		} else {
			compensation += (part - total) + sum
		}
		sum = total
	}
	s.Count = len(f.Values) - s.Missing
	if s.Count > 0 {
		s.Min, s.Max = float64(low), float64(high)
		s.Mean = sum / float64(s.Count)
		if !math.IsNaN(compensation) && !math.IsInf(sum, 0) {
			s.Mean = (sum + compensation) / float64(s.Count)
		}
	}
	return s
}

// Crop copies the window's values into a new field on the cropped grid.
func (f *Field) Crop(w Window) (*Field, error) {
	if !f.Grid.hasValues(len(f.Values)) {
		return nil, fmt.Errorf("field of %d values on a grid of %d columns and %d rows cannot be cropped", len(f.Values), f.Grid.NI, f.Grid.NJ)
	}
	cropped, err := f.Grid.Crop(w)
	if err != nil {
		return nil, err
	}
	out := *f
	out.Grid = cropped
	out.Values = make([]float32, 0, w.NI*w.NJ)
	for j := w.J0; j < w.J0+w.NJ; j++ {
		row := f.Values[j*f.Grid.NI : (j+1)*f.Grid.NI]
		out.Values = append(out.Values, row[w.I0:min(w.I0+w.NI, f.Grid.NI)]...)
		if beyond := w.I0 + w.NI - f.Grid.NI; beyond > 0 { // cyclic
			out.Values = append(out.Values, row[:beyond]...)
		}
	}
	return &out, nil
}

// RotateToEarth turns two components of a vector on one grid into an eastward
// and a northward field. The new fields say that their winds are no longer
// relative to the grid; where they are not in the first place, u and v are
// returned themselves.
func RotateToEarth(u, v *Field) (eastward, northward *Field, err error) {
	if !u.Grid.Same(v.Grid) || u.Grid.WindsGridRelative != v.Grid.WindsGridRelative {
		return nil, nil, errors.New("the components of a vector are on two different grids")
	}
	g := u.Grid
	if !g.WindsGridRelative {
		return u, v, nil
	}
	if !g.hasValues(len(u.Values)) || !g.hasValues(len(v.Values)) {
		return nil, nil, fmt.Errorf("%d and %d values for %d columns and %d rows", len(u.Values), len(v.Values), g.NI, g.NJ)
	}
	if g.Projection == nil && g.Curvilinear == nil {
		return nil, nil, fmt.Errorf("winds relative to the grid %q, whose directions are not known", g.Name)
	}
	turned := &Grid{
		Name: g.Name, Projection: g.Projection, NI: g.NI, NJ: g.NJ, X: g.X, Y: g.Y,
		Cyclic: g.Cyclic, Curvilinear: g.Curvilinear,
	}
	e, n := *u, *v
	e.Grid, n.Grid = turned, turned
	e.StandardName, n.StandardName = earthRelativeName(u.StandardName), earthRelativeName(v.StandardName)
	e.Values, n.Values = make([]float32, len(u.Values)), make([]float32, len(v.Values))
	for j := range g.NJ {
		for i := range g.NI {
			k := j*g.NI + i
			cos, sin, ok := g.eastDirectionAt(i, j)
			if !ok {
				e.Values[k], n.Values[k] = float32(math.NaN()), float32(math.NaN())
				continue
			}
			uk, vk := float64(u.Values[k]), float64(v.Values[k])
			e.Values[k], n.Values[k] = float32(uk*cos-vk*sin), float32(uk*sin+vk*cos)
		}
	}
	return &e, &n, nil
}

// earthRelativeName is the CF standard name after the rotation.
func earthRelativeName(name string) string {
	switch name {
	case "x_wind", "grid_eastward_wind":
		return "eastward_wind"
	case "y_wind", "grid_northward_wind":
		return "northward_wind"
	}
	return name
}
