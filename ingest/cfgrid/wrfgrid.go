package cfgrid

import (
	"context"
	"math"
	"strings"
	"time"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/grid"
)

// wrfMap is what a file of the Weather Research and Forecasting model says of
// its grid and times, in its own way.
type wrfMap struct {
	projection   grid.Projection // nil where it is not known, or does not fit
	dx, dy       float64         // between mass points, units of the projection
	origins      [][2]float64    // of mass point (0, 0): x and y at each time, or once for all
	moves        bool            // the domain is elsewhere at other times
	times        *coordinate     // nil without variable Times
	referenceRun time.Time
}

// wrfEarth is the sphere of the model and its preprocessor (WRF constant
// reradius, 6370 km).
var wrfEarth = grid.Sphere(6370e3)

// IsWRF tells output of the Weather Research and Forecasting model by its global
// attributes.
func (f *File) IsWRF() bool { return f.wrf != nil }

// findWRF reads projection, place and times; nil where the file is not of WRF.
func (f *File) findWRF(ctx context.Context) (*wrfMap, error) {
	a := f.attributes
	mapProj, hasProj := a.number("MAP_PROJ")
	dx, hasDX := a.number("DX")
	dy, hasDY := a.number("DY")
	if !hasProj || !hasDX || !hasDY || !strings.Contains(a.text("TITLE"), "WRF") {
		return nil, nil
	}
	w := &wrfMap{dx: dx, dy: dy}
	for _, name := range []string{"SIMULATION_START_DATE", "START_DATE"} {
		if w.referenceRun = wrfTime(a.text(name)); !w.referenceRun.IsZero() {
			break
		}
	}
	if v := f.byName["Times"]; v != nil && v.kind == netcdf.CHAR && len(v.dims) == 2 {
		texts, err := f.readText(v)
		if err != nil {
			return nil, err
		}
		w.times = &coordinate{name: "Times", role: roleTime, dims: v.dims[:1]}
		for _, text := range texts {
			w.times.instants = append(w.times.instants, wrfTime(text))
		}
	}
	var err error
	if w.moves, err = f.findMoves(ctx); err != nil {
		return nil, err
	}
	projection := w.mapProjection(a, int(mapProj))
	if projection == nil {
		return w, nil
	}
	fits, err := f.placeWRF(ctx, w, projection)
	if err != nil {
		return nil, err
	}
	if fits {
		w.projection = projection
	}
	return w, nil
}

// wrfTime reads the model's own form of date and time; zero where it is not one.
func wrfTime(text string) time.Time {
	t, err := time.Parse("2006-01-02_15:04:05", strings.TrimSpace(text))
	if err != nil {
		return time.Time{}
	}
	return t
}

// mapProjection reads the map of the model (WRF Users' Guide, "Registry and
// namelist": MAP_PROJ 1 Lambert, 2 polar stereographic, 3 Mercator, 6 latitude
// and longitude). Rotated latitude-longitude is left to XLAT and XLONG.
func (w *wrfMap) mapProjection(a *variable, mapProj int) grid.Projection {
	number := func(name string) float64 { x, _ := a.number(name); return x }
	trueLat1, trueLat2, standLon := number("TRUELAT1"), number("TRUELAT2"), number("STAND_LON")
	var projection grid.Projection
	var err error
	switch mapProj {
	case 1:
		projection, err = grid.NewLambertConformal(grid.LambertConformal{
			Earth: wrfEarth, StandardParallel1Deg: trueLat1, StandardParallel2Deg: trueLat2,
			OriginLatitudeDeg: number("MOAD_CEN_LAT"), CentralMeridianDeg: standLon,
		})
	case 2:
		projection, err = grid.NewPolarStereographic(grid.PolarStereographic{
			Earth: wrfEarth, North: trueLat1 >= 0, TrueScaleLatitudeDeg: trueLat1, CentralMeridianDeg: standLon,
		})
	case 3:
		projection, err = grid.NewMercator(grid.Mercator{
			Earth: wrfEarth, TrueScaleLatitudeDeg: trueLat1, CentralMeridianDeg: standLon,
		})
	case 6:
		if number("POLE_LAT") != 90 {
			return nil
		}
		metresPerDegree := wrfEarth.SemiMajorM * math.Pi / 180
		w.dx, w.dy = w.dx/metresPerDegree, w.dy/metresPerDegree
		projection = grid.LatLonProjection{}
	default:
		return nil
	}
	if err != nil {
		return nil
	}
	return projection
}

// wrfPlaceToleranceDeg is how far a point of the map may lie from XLAT, XLONG.
// Those are float32, good to 8e-6 degrees.
const wrfPlaceToleranceDeg = 1e-4

// placeWRF finds where mass point (0, 0) is in the plane at each time, from XLAT
// and XLONG, or without them from the domain's centre, and whether the projection
// fits.
func (f *File) placeWRF(ctx context.Context, w *wrfMap, projection grid.Projection) (bool, error) {
	latitude, longitude := f.byName["XLAT"], f.byName["XLONG"]
	if latitude == nil || longitude == nil || len(latitude.dims) < 2 || latitude.points == 0 {
		return f.placeWRFByCentre(w, projection), nil
	}
	if len(longitude.dims) != len(latitude.dims) || longitude.points != latitude.points {
		return false, nil
	}
	_, columns := horizontalDims(latitude)
	times := 1
	if len(latitude.dims) == 3 {
		times = int(latitude.dims[0].length)
	}
	for time := range times {
		lat, err := f.plane(ctx, latitude, time)
		if err != nil {
			return false, err
		}
		lon, err := f.plane(ctx, longitude, time)
		if err != nil {
			return false, err
		}
		origin, fits := w.fit(projection, lat, lon, int(columns.length))
		if !fits {
			return false, nil
		}
		// XLAT and XLONG of a domain that stays do not change in a bit.
		w.origins = append(w.origins, origin)
	}
	return true, nil
}

// fit places a plane of latitudes and longitudes with ni columns. The mean over
// all points takes the rounding of float32 out.
func (w *wrfMap) fit(projection grid.Projection, lat, lon []float64, ni int) (origin [2]float64, fits bool) {
	var sumX, sumY float64
	for k := range lat {
		x, y, ok := projection.Forward(grid.LatLon{LatitudeDeg: lat[k], LongitudeDeg: lon[k]})
		if !ok {
			return origin, false
		}
		if _, geographic := projection.(grid.LatLonProjection); geographic && k > 0 {
			x += 360 * math.Round((sumX/float64(k)+float64(k%ni)*w.dx-x)/360)
		}
		sumX += x - float64(k%ni)*w.dx
		sumY += y - float64(k/ni)*w.dy
	}
	origin = [2]float64{sumX / float64(len(lat)), sumY / float64(len(lat))}
	for k := range lat {
		p, ok := projection.Inverse(origin[0]+float64(k%ni)*w.dx, origin[1]+float64(k/ni)*w.dy)
		if !ok || !(math.Abs(p.LatitudeDeg-lat[k]) <= wrfPlaceToleranceDeg) ||
			!(math.Abs(grid.NormalLongitudeDeg(p.LongitudeDeg-lon[k])) <= wrfPlaceToleranceDeg) {
			return origin, false
		}
	}
	return origin, true
}

// findMoves sees whether a nest follows a storm: its corners lie elsewhere at
// other times.
func (f *File) findMoves(ctx context.Context) (bool, error) {
	for _, name := range []string{"XLAT", "XLONG"} {
		v := f.byName[name]
		if v == nil || !v.isNumeric() || len(v.dims) != 3 || v.points == 0 {
			continue
		}
		start, count := wholeOf(v)
		count[1], count[2] = 1, 1
		corner, err := f.read64(ctx, v, start, count)
		if err != nil {
			return false, err
		}
		for _, x := range corner {
			if math.Abs(x-corner[0]) > wrfPlaceToleranceDeg {
				return true, nil
			}
		}
	}
	return false, nil
}

// placeWRFByCentre serves files cut down to a few variables: the domain's centre
// is CEN_LAT, CEN_LON if the file still has all of its points.
func (f *File) placeWRFByCentre(w *wrfMap, projection grid.Projection) bool {
	a := f.attributes
	latitude, hasLatitude := a.number("CEN_LAT")
	longitude, hasLongitude := a.number("CEN_LON")
	columns, hasColumns := a.number("WEST-EAST_GRID_DIMENSION") // of the staggered grid
	rows, hasRows := a.number("SOUTH-NORTH_GRID_DIMENSION")
	if !hasLatitude || !hasLongitude || !hasColumns || !hasRows {
		return false
	}
	for _, d := range f.dims {
		if d.name == "west_east" && float64(d.length) != columns-1 || d.name == "south_north" && float64(d.length) != rows-1 {
			return false
		}
	}
	x, y, ok := projection.Forward(grid.LatLon{LatitudeDeg: latitude, LongitudeDeg: longitude})
	w.origins = [][2]float64{{x - (columns-2)/2*w.dx, y - (rows-2)/2*w.dy}}
	return ok
}

// timesFor gives the times of a variable on these dimensions.
func (w *wrfMap) timesFor(dims []*dimension) *coordinate {
	if w.times == nil || indexOfDim(dims, w.times.dims[0]) < 0 {
		return nil
	}
	return w.times
}

// place sets a grid of mass points or of staggered points. It reports false where
// the projection does not serve.
func (w *wrfMap) place(g *grid.Grid, key gridKey) bool {
	g.WindsGridRelative = true
	if w.projection == nil {
		return false
	}
	origin := w.origins[min(key.time, len(w.origins)-1)]
	x, y := origin[0], origin[1]
	switch key.x.name {
	case "west_east":
	case "west_east_stag": // half a step before the mass point
		x -= w.dx / 2
	default:
		return false
	}
	switch key.y.name {
	case "south_north":
	case "south_north_stag":
		y -= w.dy / 2
	default:
		return false
	}
	g.Projection, g.Name = w.projection, w.projection.Name()
	g.X, g.Y = grid.Axis{First: x, Step: w.dx}, grid.Axis{First: y, Step: w.dy}
	if _, geographic := w.projection.(grid.LatLonProjection); geographic {
		g.Cyclic = isCyclic(g.X, g.NI)
	}
	return true
}
