package cfgrid

import (
	"context"
	"math"
	"strings"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/grid"
	"rimeline/ingest"
)

// axisOf reads a coordinate variable as an axis in its own units.
func (f *File) axisOf(ctx context.Context, v *variable) (grid.Axis, error) {
	start, count := wholeOf(v)
	values, err := f.read64(ctx, v, start, count)
	if err != nil {
		return grid.Axis{}, err
	}
	if roleOf(v) == roleLongitude {
		unwrap(values)
	}
	resolution := 0.0
	if v.kind == netcdf.FLOAT {
		// Two steps of a float32 at the largest coordinate.
		resolution = math.Ldexp(math.Max(math.Abs(values[0]), math.Abs(values[len(values)-1])), -22)
	}
	axis, ok := evenOrListed(values, resolution)
	if !ok {
		return grid.Axis{}, f.error(ingest.ErrCorrupt, "%s is no axis: its values are missing, or neither rise nor fall throughout (CF 1.3)", v.name)
	}
	return axis, nil
}

// unwrap takes the jump out of longitudes that pass 180 or 360 degrees.
func unwrap(longitudeDeg []float64) {
	for i := 1; i < len(longitudeDeg); i++ {
		if d := longitudeDeg[i] - longitudeDeg[i-1]; math.Abs(d) > 180 && math.Abs(d) < 720 {
			longitudeDeg[i] -= 360 * math.Round(d/360)
		}
	}
}

// evenOrListed finds whether coordinates are evenly spaced, within a millionth
// of a step or the resolution they were stored with. One point alone is listed,
// as it has no step.
func evenOrListed(values []float64, resolution float64) (grid.Axis, bool) {
	n := len(values)
	if n == 0 {
		return grid.Axis{}, false
	}
	for _, x := range values {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return grid.Axis{}, false
		}
	}
	if n == 1 {
		return grid.Axis{At: values}, true
	}
	for i := 1; i < n; i++ {
		d := values[i] - values[i-1]
		if d == 0 || (d > 0) != (values[1] > values[0]) {
			return grid.Axis{}, false
		}
	}
	first, step := values[0], (values[n-1]-values[0])/float64(n-1)
	tolerance := math.Max(1e-6*math.Abs(step), resolution)
	for i, x := range values {
		if math.Abs(x-(first+float64(i)*step)) > tolerance {
			return grid.Axis{At: values}, true
		}
	}
	return grid.Axis{First: first, Step: step}, true
}

// isCyclic: the column after the last would fall on the first.
func isCyclic(x grid.Axis, columns int) bool {
	if columns < 3 {
		return false
	}
	span := x.Coordinate(float64(columns-1)) - x.Coordinate(0)
	step := span / float64(columns-1)
	if x.At != nil {
		step = x.At[columns-1] - x.At[columns-2]
	}
	return math.Abs(math.Abs(span+step)-360) < 1e-3*math.Abs(step)
}

// scaleAxes turns the units of projected axes into those of the projection:
// metres, for rotated grids degrees. A geostationary grid may have its scanning
// angles for axes; the height of the satellite makes metres of them (CF 1.11,
// appendix F).
func (f *File) scaleAxes(g *grid.Grid, x, y *variable) error {
	toDegrees := g.Name == "rotated_latitude_longitude"
	for _, axis := range []struct {
		v *variable
		a *grid.Axis
	}{{x, &g.X}, {y, &g.Y}} {
		factor, known := axisFactor(axis.v.text("units"), toDegrees)
		if view, is := grid.SatelliteView(g.Projection); is && !known {
			factor, known = angleFactor(axis.v.text("units"))
			factor *= view.PerspectivePointHeightM
		}
		if !known {
			return f.error(ingest.ErrUnsupported, "%s: units %q of an axis of %s", axis.v.name, axis.v.text("units"), g.Name)
		}
		axis.a.First *= factor
		axis.a.Step *= factor
		for i := range axis.a.At {
			axis.a.At[i] *= factor
		}
	}
	if toDegrees {
		g.Cyclic = isCyclic(g.X, g.NI)
	}
	return nil
}

func axisFactor(units string, toDegrees bool) (float64, bool) {
	units = strings.TrimSpace(units)
	if toDegrees {
		switch {
		case units == "" || strings.HasPrefix(units, "degree"):
			return 1, true
		case strings.HasPrefix(units, "rad"):
			return 180 / math.Pi, true
		}
		return 0, false
	}
	switch strings.ToLower(units) {
	case "m", "meter", "meters", "metre", "metres", "":
		return 1, true
	case "km", "kilometer", "kilometers", "kilometre", "kilometres":
		return 1000, true
	}
	return 0, false
}

// angleFactor gives the radians in a unit of angle.
func angleFactor(units string) (float64, bool) {
	switch strings.ToLower(strings.TrimSpace(units)) {
	case "rad", "radian", "radians":
		return 1, true
	case "microradian", "microradians", "urad":
		return 1e-6, true
	case "degree", "degrees":
		return math.Pi / 180, true
	}
	return 0, false
}
