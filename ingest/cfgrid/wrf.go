package cfgrid

import (
	"context"
	"math"

	"rimeline/grid"
	"rimeline/ingest"
)

// Constants of the WRF model (share/module_model_constants.F).
const (
	wrfGravityMPerS2   = 9.81
	wrfBaseThetaK      = 300.0   // T is stored less this
	wrfBasePressurePa  = 100000. // of potential temperature
	wrfKappa           = 2. / 7. // gas constant over heat capacity, dry air
	wrfLevelType       = "model_level_number"
	wrfHeightLevelType = "height"
)

// WRFFields gives model output as an atmosphere needs it: all quantities at mass
// points and mass levels, at each time of the file in turn.
//
//	air_pressure                        P + PB
//	geopotential_height                 (PH + PHB) / 9.81, mean of the levels above and below
//	air_temperature                     (T + 300) (p / 100000 Pa)^(2/7)
//	x_wind, y_wind                      U, V, mean of both sides; along the grid (Grid.WindsGridRelative)
//	upward_air_velocity                 W, mean of the levels above and below
//	humidity_mixing_ratio               QVAPOR, mass per mass of dry air
//	cloud_liquid_water_mixing_ratio     QCLOUD, per dry air
//	cloud_ice_mixing_ratio              QICE, per dry air
//	mass_fraction_of_rain_in_air        QRAIN, and likewise _snow_ and _graupel_
//	                                    QSNOW, QGRAUP: per mass of air with all its water,
//	                                    q / (1 + sum of all q), as CF has no mixing ratio of them
//	surface_altitude                    HGT
//	surface_air_pressure                PSFC
//	atmosphere_boundary_layer_thickness PBLH
//	air_temperature, humidity_mixing_ratio at 2 m, x_wind, y_wind at 10 m: T2, Q2, U10, V10
//
// Levels are of type model_level_number, 1 for the lowest; screen and wind
// levels of type height; those of the surface have type "surface". What the file
// lacks is left out. T is dry potential temperature also where the model's own
// variable is moist (USE_THETA_M), which WRF writes as THM.
//
// A window counts mass points. Files of other origin give ErrUnsupported.
func (f *File) WRFFields(ctx context.Context, o Options) ([]*grid.Field, error) {
	if f.wrf == nil {
		return nil, f.error(ingest.ErrUnsupported, "not output of WRF: no TITLE with WRF, MAP_PROJ, DX and DY")
	}
	r := &wrfReader{f: f, ctx: ctx}
	if err := r.prepare(o); err != nil {
		return nil, err
	}
	for r.time = range r.times {
		if err := r.place(); err != nil {
			return nil, err
		}
		if err := r.oneTime(); err != nil {
			return nil, err
		}
		if len(r.fields)*r.grid.NI*r.grid.NJ > maxDecodedPoints {
			return nil, f.error(ingest.ErrUnsupported, "more than %d points at once: take a window", maxDecodedPoints)
		}
	}
	return r.fields, nil
}

// wrfReader collects fields.
type wrfReader struct {
	f      *File
	ctx    context.Context
	mass0  *source    // a variable on mass points
	whole  *grid.Grid // its grid at this time
	grid   *grid.Grid // the window of it
	window grid.Window
	levels int
	times  int
	time   int
	fields []*grid.Field
}

// prepare finds the mass grid from a variable that is on it.
func (r *wrfReader) prepare(o Options) error {
	f := r.f
	var mass *source
	for _, s := range f.sources {
		if s.x < 0 || s.v.dims[s.x].name != "west_east" || s.v.dims[s.y].name != "south_north" || s.x < s.y {
			continue
		}
		if mass == nil || mass.moving == nil && s.moving != nil {
			mass = s
		}
		for _, d := range s.v.dims {
			switch d.name {
			case "Time":
				r.times = max(r.times, int(d.length))
			case "bottom_top":
				r.levels = int(d.length)
			}
		}
	}
	if mass == nil {
		return f.error(ingest.ErrUnsupported, "no variable on dimensions south_north, west_east")
	}
	r.mass0 = mass
	r.window = grid.Window{NI: mass.grid.NI, NJ: mass.grid.NJ}
	if o.Window != nil {
		r.window = *o.Window
		if r.window.I0+r.window.NI > mass.grid.NI {
			return f.error(ingest.ErrUnsupported, "window passes the last column of the domain")
		}
	}
	return nil
}

// place sets the grid of the reader's time.
func (r *wrfReader) place() (err error) {
	g := r.mass0.grid
	if r.mass0.moving != nil {
		g = r.mass0.moving[min(r.time, len(r.mass0.moving)-1)]
	}
	if r.grid == nil || g != r.whole {
		r.whole = g
		r.grid, err = g.Crop(r.window)
	}
	return err
}

// read gives a variable at the reader's time within the window, staggered
// dimensions one longer; nil where the file does not have it in this shape.
func (r *wrfReader) read(name string, dims ...string) ([]float32, error) {
	v := r.f.byName[name]
	if v == nil || !v.isNumeric() {
		return nil, nil
	}
	start, count := wholeOf(v)
	shape := v.dims
	if len(shape) > 0 && shape[0].name == "Time" {
		if uint64(r.time) >= shape[0].length {
			return nil, nil
		}
		start[0], count[0] = uint64(r.time), 1
		shape = shape[1:]
	}
	if len(shape) != len(dims) {
		return nil, nil
	}
	offset := len(v.dims) - len(dims)
	for i, d := range shape {
		if d.name != dims[i] {
			return nil, nil
		}
		k := offset + i
		extra := uint64(0)
		switch d.name {
		case "west_east_stag":
			extra = 1
			fallthrough
		case "west_east":
			start[k], count[k] = uint64(r.window.I0), uint64(r.window.NI)+extra
		case "south_north_stag":
			extra = 1
			fallthrough
		case "south_north":
			start[k], count[k] = uint64(r.window.J0), uint64(r.window.NJ)+extra
		case "bottom_top":
			if count[k] != uint64(r.levels) {
				return nil, nil
			}
		case "bottom_top_stag":
			if count[k] != uint64(r.levels)+1 {
				return nil, nil
			}
		}
		if start[k]+count[k] > d.length {
			return nil, r.f.error(ingest.ErrCorrupt, "%s has %d of %s, needed are %d", name, d.length, d.name, start[k]+count[k])
		}
	}
	var values []float32
	err := r.f.do(r.ctx, func() (err error) {
		values, err = r.f.read32(r.ctx, v, start, count)
		return err
	})
	return values, err
}

func (r *wrfReader) level(name string) ([]float32, error) {
	return r.read(name, "bottom_top", "south_north", "west_east")
}

func (r *wrfReader) between(name string) ([]float32, error) {
	return r.read(name, "bottom_top_stag", "south_north", "west_east")
}

// add appends one field for each level of a box.
func (r *wrfReader) add(values []float32, standardName, longName, units, source string) {
	n := r.grid.NI * r.grid.NJ
	for k := 0; (k+1)*n <= len(values); k++ {
		level := grid.Level{Type: wrfLevelType, Code: -1, Value: float64(k + 1), Units: "1", SecondCode: -1, SecondValue: math.NaN()}
		r.addSlice(values[k*n:(k+1)*n:(k+1)*n], level, standardName, longName, units, source)
	}
}

func (r *wrfReader) addSlice(values []float32, level grid.Level, standardName, longName, units, source string) {
	field := &grid.Field{
		Number: len(r.fields) + 1, StandardName: standardName, ShortName: source, LongName: longName,
		Parameter: source, Units: units, Level: level, ReferenceTime: r.f.wrf.referenceRun, Member: -1,
		Packing: r.f.format + ", derived from " + source, Grid: r.grid, Values: values,
	}
	if w := r.f.wrf; w.times != nil && r.time < len(w.times.instants) {
		field.ValidTime = w.times.instants[r.time]
	}
	r.fields = append(r.fields, field)
}

func (r *wrfReader) oneTime() error {
	steps := []func() error{r.mass, r.winds, r.water, r.surface}
	for _, step := range steps {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

// mass adds pressure, height and temperature.
func (r *wrfReader) mass() error {
	perturbation, err := r.level("P")
	if err != nil {
		return err
	}
	base, err := r.level("PB")
	if err != nil {
		return err
	}
	var pressurePa []float64
	if perturbation != nil && base != nil {
		pressurePa = make([]float64, len(base))
		out := make([]float32, len(base))
		for i := range base {
			pressurePa[i] = float64(perturbation[i]) + float64(base[i])
			out[i] = float32(pressurePa[i])
		}
		r.add(out, "air_pressure", "pressure", "Pa", "P+PB")
	}
	ph, err := r.between("PH")
	if err != nil {
		return err
	}
	phb, err := r.between("PHB")
	if err != nil {
		return err
	}
	if ph != nil && phb != nil {
		n := r.grid.NI * r.grid.NJ
		out := make([]float32, n*r.levels)
		for i := range out {
			below, above := float64(ph[i])+float64(phb[i]), float64(ph[i+n])+float64(phb[i+n])
			out[i] = float32((below + above) / 2 / wrfGravityMPerS2)
		}
		r.add(out, "geopotential_height", "geopotential height of mass levels", "m", "PH+PHB")
	}
	theta, err := r.level("T")
	if err != nil || theta == nil || pressurePa == nil {
		return err
	}
	for i := range theta {
		theta[i] = float32((float64(theta[i]) + wrfBaseThetaK) * math.Pow(pressurePa[i]/wrfBasePressurePa, wrfKappa))
	}
	r.add(theta, "air_temperature", "temperature", "K", "T,P,PB")
	return nil
}

// winds adds the components at mass points.
func (r *wrfReader) winds() error {
	u, err := r.read("U", "bottom_top", "south_north", "west_east_stag")
	if err != nil {
		return err
	}
	ni, nj := r.grid.NI, r.grid.NJ
	if u != nil {
		out := make([]float32, 0, ni*nj*r.levels)
		for row := 0; row < len(u); row += ni + 1 {
			for i := range ni {
				out = append(out, (u[row+i]+u[row+i+1])/2)
			}
		}
		r.add(out, "x_wind", "wind along the grid's x", "m s-1", "U")
	}
	v, err := r.read("V", "bottom_top", "south_north_stag", "west_east")
	if err != nil {
		return err
	}
	if v != nil {
		out := make([]float32, 0, ni*nj*r.levels)
		for level := 0; level < len(v); level += ni * (nj + 1) {
			for i := range ni * nj {
				out = append(out, (v[level+i]+v[level+i+ni])/2)
			}
		}
		r.add(out, "y_wind", "wind along the grid's y", "m s-1", "V")
	}
	w, err := r.between("W")
	if err != nil {
		return err
	}
	if w != nil {
		n := ni * nj
		out := make([]float32, n*r.levels)
		for i := range out {
			out[i] = (w[i] + w[i+n]) / 2
		}
		r.add(out, "upward_air_velocity", "vertical wind", "m s-1", "W")
	}
	return nil
}

// water adds vapour, cloud and precipitation.
func (r *wrfReader) water() error {
	kinds := []struct {
		source, standardName, longName string
		fraction                       bool // of moist air
	}{
		{"QVAPOR", "humidity_mixing_ratio", "water vapour per dry air", false},
		{"QCLOUD", "cloud_liquid_water_mixing_ratio", "cloud water per dry air", false},
		{"QICE", "cloud_ice_mixing_ratio", "cloud ice per dry air", false},
		{"QRAIN", "mass_fraction_of_rain_in_air", "rain per air", true},
		{"QSNOW", "mass_fraction_of_snow_in_air", "snow per air", true},
		{"QGRAUP", "mass_fraction_of_graupel_in_air", "graupel per air", true},
	}
	boxes := make([][]float32, len(kinds))
	var air []float64 // mass of air with its water, per dry air
	for k, kind := range kinds {
		var err error
		if boxes[k], err = r.level(kind.source); err != nil {
			return err
		}
		if air == nil && boxes[k] != nil {
			air = make([]float64, len(boxes[k]))
			for i := range air {
				air[i] = 1
			}
		}
		for i, q := range boxes[k] {
			air[i] += float64(q)
		}
	}
	for k, kind := range kinds {
		if boxes[k] == nil {
			continue
		}
		if kind.fraction {
			for i, q := range boxes[k] {
				boxes[k][i] = float32(float64(q) / air[i])
			}
		}
		r.add(boxes[k], kind.standardName, kind.longName, "kg kg-1", kind.source)
	}
	return nil
}

// surface adds what lies on or near the ground.
func (r *wrfReader) surface() error {
	kinds := []struct {
		source, standardName, longName, units string
		heightM                               float64 // NaN for the surface itself
	}{
		{"HGT", "surface_altitude", "terrain height", "m", math.NaN()},
		{"PSFC", "surface_air_pressure", "surface pressure", "Pa", math.NaN()},
		{"PBLH", "atmosphere_boundary_layer_thickness", "height of the boundary layer", "m", math.NaN()},
		{"T2", "air_temperature", "temperature at 2 m", "K", 2},
		{"Q2", "humidity_mixing_ratio", "water vapour per dry air at 2 m", "kg kg-1", 2},
		{"U10", "x_wind", "wind along the grid's x at 10 m", "m s-1", 10},
		{"V10", "y_wind", "wind along the grid's y at 10 m", "m s-1", 10},
	}
	for _, kind := range kinds {
		values, err := r.read(kind.source, "south_north", "west_east")
		if err != nil {
			return err
		}
		if values == nil {
			continue
		}
		level := grid.Level{Type: "surface", Code: -1, Value: kind.heightM, SecondCode: -1, SecondValue: math.NaN()}
		if !math.IsNaN(kind.heightM) {
			level.Type, level.Units = wrfHeightLevelType, "m"
		}
		r.addSlice(values, level, kind.standardName, kind.longName, kind.units, kind.source)
	}
	return nil
}
