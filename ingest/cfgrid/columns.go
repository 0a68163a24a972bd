package cfgrid

import (
	"context"
	"math"
	"sort"
	"strings"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/grid"
	"rimeline/ingest"
)

// Columns reads profiles: files of the CF discrete sampling geometries profile,
// timeSeriesProfile and trajectoryProfile (CF chapter 9), in the
// multidimensional representations and the contiguous ragged one. Quantities
// are found by standard name, or by the names that the netCDF-Java library gives
// to variables from GRIB; relative humidity becomes dew point and the tendency
// of pressure upward velocity. Other files give ErrUnsupported.
func (f *File) Columns(ctx context.Context) ([]grid.Column, error) {
	switch kind := strings.ToLower(f.attributes.text("featureType")); kind {
	case "profile", "timeseriesprofile", "trajectoryprofile":
	default:
		return nil, f.error(ingest.ErrUnsupported, "featureType %q has no profiles", kind)
	}
	var columns []grid.Column
	err := f.do(ctx, func() (err error) {
		columns, err = f.columns(ctx)
		return err
	})
	return columns, err
}

// maxProfiles and maxProfileValues bound one file.
const (
	maxProfiles      = 1 << 20
	maxProfileValues = 1 << 26
)

// profileVariable is one quantity of a profile with its values.
type profileVariable struct {
	*coordinate
	factor, offset float64 // to SI
}

func (f *File) columns(ctx context.Context) ([]grid.Column, error) {
	vertical := f.profileVertical()
	if vertical == nil {
		return nil, f.error(ingest.ErrUnsupported, "no vertical coordinate of profiles")
	}
	levelDim := vertical.dims[len(vertical.dims)-1]
	set := profileSet{f: f, levelDim: levelDim, by: map[string]profileVariable{}}
	if err := set.find(ctx, vertical); err != nil {
		return nil, err
	}
	return set.columns()
}

// profileVertical finds the coordinate that varies along a profile.
func (f *File) profileVertical() *variable {
	var found *variable
	for _, v := range f.variables {
		if !v.isNumeric() || len(v.dims) == 0 || roleOf(v) != roleLevel {
			continue
		}
		if strings.EqualFold(v.text("axis"), "Z") {
			return v
		}
		if found == nil {
			found = v
		}
	}
	return found
}

// profileSet holds all quantities of a file's profiles.
type profileSet struct {
	f         *File
	levelDim  *dimension
	instances []*dimension // one profile for each index
	shape     *variable    // a variable on instances and levelDim
	by        map[string]profileVariable
	rows      []int // of each profile in the ragged representation, nil otherwise
	labels    []string
	labelDims []*dimension
}

// profileNames gives the standard name for the names that netCDF-Java makes of
// GRIB parameters, before the level type.
var profileNames = []struct{ prefix, standardName string }{
	{"Temperature_", "air_temperature"},
	{"Dewpoint_temperature_", "dew_point_temperature"},
	{"Relative_humidity_", "relative_humidity"},
	{"Geopotential_height_", "geopotential_height"},
	{"u-component_of_wind_", "eastward_wind"},
	{"v-component_of_wind_", "northward_wind"},
	{"Vertical_velocity_pressure_", "lagrangian_tendency_of_air_pressure"},
	{"Cloud_mixing_ratio_", "cloud_liquid_water_mixing_ratio"},
}

func profileName(v *variable) string {
	name := standardName(v)
	for _, p := range profileNames {
		if name == "" && strings.HasPrefix(v.shortName(), p.prefix) {
			name = p.standardName
		}
	}
	return name
}

// find reads quantities, places, times and labels.
func (p *profileSet) find(ctx context.Context, vertical *variable) error {
	f := p.f
	total := uint64(0)
	for _, v := range f.variables {
		if !v.isNumeric() || v == vertical || indexOfDim(v.dims, p.levelDim) < 0 || profileName(v) == "" {
			continue
		}
		if p.shape == nil || len(v.dims) > len(p.shape.dims) {
			p.shape = v
		}
	}
	if p.shape == nil {
		return f.error(ingest.ErrUnsupported, "no quantity on dimension %s of the vertical coordinate", p.levelDim.name)
	}
	for _, d := range p.shape.dims {
		if d != p.levelDim {
			p.instances = append(p.instances, d)
		}
	}
	take := func(v *variable, name string) error {
		if _, has := p.by[name]; has || !v.onlyDims(p.shape.dims) || v.points == 0 {
			return nil
		}
		if total += v.points; total > maxProfileValues {
			return f.error(ingest.ErrUnsupported, "more than %d values in profiles", maxProfileValues)
		}
		factor, offset, known := toSI(v.text("units"))
		if !known {
			f.note(v, "units %q are not read in profiles", v.text("units"))
			return nil
		}
		c, err := f.coordinateOf(ctx, v, roleOf(v))
		p.by[name] = profileVariable{c, factor, offset}
		return err
	}
	if err := p.findRagged(ctx); err != nil {
		return err
	}
	verticalName := standardName(vertical)
	if pressureUnitPa[vertical.text("units")] != 0 {
		verticalName = "air_pressure"
	} else if verticalName == "" || verticalName == "height_above_mean_sea_level" {
		verticalName = "altitude"
	}
	if err := take(vertical, verticalName); err != nil {
		return err
	}
	for _, v := range f.variables {
		switch {
		case !v.isNumeric():
			if v.kind == netcdf.CHAR && v.text("cf_role") != "" && p.labels == nil && len(v.dims) > 0 && v.points < maxProfileValues {
				var err error
				if p.labels, err = f.readText(v); err != nil {
					return err
				}
				p.labelDims = v.dims[:len(v.dims)-1]
			}
		case roleOf(v) == roleTime, roleOf(v) == roleLatitude, roleOf(v) == roleLongitude:
			name := map[role]string{roleTime: "time", roleLatitude: "latitude", roleLongitude: "longitude"}[roleOf(v)]
			if _, has := p.by[name]; !has && v.onlyDims(p.shape.dims) && v.points > 0 && v.points < maxProfileValues {
				c, err := f.coordinateOf(ctx, v, roleOf(v))
				if err != nil {
					return err
				}
				p.by[name] = profileVariable{c, 1, 0}
			}
		default:
			if name := profileName(v); name != "" {
				if err := take(v, name); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// findRagged reads the lengths of profiles that follow each other along one
// dimension (CF 9.3.3).
func (p *profileSet) findRagged(ctx context.Context) error {
	f := p.f
	for _, v := range f.variables {
		if v.text("instance_dimension") == p.levelDim.name || v.text("instance_dimension") != "" && len(p.instances) == 0 {
			return f.error(ingest.ErrUnsupported, "%s: indexed ragged profiles", v.name)
		}
		if v.text("sample_dimension") != p.levelDim.name || len(v.dims) != 1 || len(p.instances) != 0 || !v.isNumeric() || v.points == 0 {
			continue
		}
		c, err := f.coordinateOf(ctx, v, roleNone)
		if err != nil {
			return err
		}
		sum := 0.0
		for _, n := range c.values {
			if !(n >= 0) || n != math.Trunc(n) || n > float64(p.levelDim.length) {
				return f.error(ingest.ErrCorrupt, "%s: a profile of %g levels", v.name, n)
			}
			sum += n
			p.rows = append(p.rows, int(n))
		}
		if sum > float64(p.levelDim.length) {
			return f.error(ingest.ErrCorrupt, "%s: profiles of %g levels on %d", v.name, sum, p.levelDim.length)
		}
		// Instance variables have the dimension of the lengths.
		p.instances = v.dims
		p.shape = &variable{name: p.shape.name, dims: []*dimension{v.dims[0], p.levelDim}}
	}
	return nil
}

// toSI gives factor and offset from the units that profiles come in.
func toSI(units string) (factor, offset float64, known bool) {
	if f := pressureUnitPa[units]; f != 0 {
		return f, 0, true
	}
	switch units {
	case "K", "kelvin", "m", "gpm", "meter", "meters", "metre", "metres", "m s-1", "m/s", "m.s-1", "kg kg-1", "kg/kg", "Pa s-1", "Pa/s", "Pa.s-1", "1", "",
		"kg.kg-1", "geopotential meter":
		return 1, 0, true
	case "degC", "Celsius", "celsius", "C", "degree_Celsius", "degrees_Celsius", "deg_C":
		return 1, 273.15, true
	case "%", "percent":
		return 0.01, 0, true
	case "km":
		return 1000, 0, true
	case "g kg-1", "g/kg":
		return 0.001, 0, true
	case "kt", "knot", "knots", "kts":
		return 1852. / 3600, 0, true
	}
	return 0, 0, false
}

// at gives a quantity for the index along the dimensions of shape; NaN where the
// file does not have it.
func (p *profileSet) at(name string, index []uint64) float64 {
	q, has := p.by[name]
	if !has {
		return math.NaN()
	}
	k := q.at(p.shape, index)
	if k >= len(q.values) {
		return math.NaN()
	}
	return q.values[k]*q.factor + q.offset
}

func (p *profileSet) columns() ([]grid.Column, error) {
	profiles := uint64(1)
	for _, d := range p.instances {
		if profiles *= d.length; profiles > maxProfiles {
			return nil, p.f.error(ingest.ErrUnsupported, "more than %d profiles", maxProfiles)
		}
	}
	var columns []grid.Column
	index := make([]uint64, len(p.shape.dims))
	levelAt := indexOfDim(p.shape.dims, p.levelDim)
	first := uint64(0)
	for n := range profiles {
		rest := n
		for i := len(p.instances) - 1; i >= 0; i-- {
			index[indexOfDim(p.shape.dims, p.instances[i])] = rest % p.instances[i].length
			rest /= p.instances[i].length
		}
		levels := p.levelDim.length
		if p.rows != nil {
			levels = uint64(p.rows[n])
		}
		c := grid.Column{
			Place:            grid.LatLon{LatitudeDeg: p.at("latitude", index), LongitudeDeg: p.at("longitude", index)},
			SurfaceAltitudeM: p.at("surface_altitude", index),
		}
		c.Place.LongitudeDeg = grid.NormalLongitudeDeg(c.Place.LongitudeDeg)
		if t, has := p.by["time"]; has {
			if k := t.at(p.shape, index); k < len(t.instants) {
				c.Time = t.instants[k]
			}
		}
		if k := (&coordinate{dims: p.labelDims}); p.labels != nil && p.labelled() {
			if at := k.at(p.shape, index); at < len(p.labels) {
				c.Label = p.labels[at]
			}
		}
		for k := range levels {
			index[levelAt] = first + k
			if level, any := p.level(index); any {
				c.Levels = append(c.Levels, level)
			}
		}
		if p.rows != nil {
			first += levels
		}
		index[levelAt] = 0
		sort.SliceStable(c.Levels, func(a, b int) bool { return below(c.Levels[a], c.Levels[b]) })
		columns = append(columns, c)
	}
	return columns, nil
}

func (p *profileSet) labelled() bool {
	return (&variable{dims: p.labelDims}).onlyDims(p.shape.dims)
}

// below orders levels upwards: by altitude where both have one, else by pressure.
func below(a, b grid.ColumnLevel) bool {
	if !math.IsNaN(a.AltitudeM) && !math.IsNaN(b.AltitudeM) {
		return a.AltitudeM < b.AltitudeM
	}
	return a.PressurePa > b.PressurePa
}

// level builds one level; any is false where nothing but its place is known.
func (p *profileSet) level(index []uint64) (level grid.ColumnLevel, any bool) {
	level = grid.MissingLevel()
	level.PressurePa = p.at("air_pressure", index)
	for _, name := range []string{"altitude", "geopotential_height"} {
		if math.IsNaN(level.AltitudeM) {
			level.AltitudeM = p.at(name, index)
		}
	}
	level.AirTemperatureK = p.at("air_temperature", index)
	level.DewPointK = p.at("dew_point_temperature", index)
	if math.IsNaN(level.DewPointK) {
		level.DewPointK = grid.DewPointK(level.AirTemperatureK, p.at("relative_humidity", index))
	}
	level.EastwardMPerS, level.NorthwardMPerS = p.at("eastward_wind", index), p.at("northward_wind", index)
	level.UpwardMPerS = p.at("upward_air_velocity", index)
	if omega := p.at("lagrangian_tendency_of_air_pressure", index); math.IsNaN(level.UpwardMPerS) {
		// w = -omega / (rho g), with the density of dry air.
		const gravityMPerS2, gasDryJPerKgK = 9.80665, 287.05
		level.UpwardMPerS = -omega * gasDryJPerKgK * level.AirTemperatureK / (level.PressurePa * gravityMPerS2)
	}
	level.CloudLiquidKgPerKg = p.at("mass_fraction_of_cloud_liquid_water_in_air", index)
	level.CloudIceKgPerKg = p.at("mass_fraction_of_cloud_ice_in_air", index)
	level.RainKgPerKg = p.at("mass_fraction_of_rain_in_air", index)
	level.SnowKgPerKg = p.at("mass_fraction_of_snow_in_air", index)
	level.GraupelKgPerKg = p.at("mass_fraction_of_graupel_in_air", index)
	if math.IsNaN(level.PressurePa) && math.IsNaN(level.AltitudeM) {
		return level, false
	}
	for _, x := range []float64{level.AirTemperatureK, level.DewPointK, level.EastwardMPerS, level.NorthwardMPerS, level.UpwardMPerS} {
		any = any || !math.IsNaN(x)
	}
	return level, any
}
