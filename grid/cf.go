package grid

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// ErrUnsupportedProjection is returned for a grid mapping that exists but that
// this package does not compute.
var ErrUnsupportedProjection = errors.New("projection not supported")

// ProjectionFromCF reads the attributes of a CF grid mapping variable (CF
// conventions 1.11, appendix F). Numbers may have any numeric type, and may be
// slices of one; standard_parallel may have two. Coordinates of the projection
// are metres, as the conventions ask, or degrees for latitude_longitude and
// rotated_latitude_longitude; angles of a geostationary grid in radians come to
// metres times perspective_point_height. Projections that need the size of the earth fail
// with ErrNoEarth where no attribute gives it.
func ProjectionFromCF(attributes map[string]any) (Projection, error) {
	a := cfAttributes{values: attributes}
	name, ok := attributes["grid_mapping_name"].(string)
	if !ok {
		return nil, errors.New("grid mapping without grid_mapping_name")
	}
	if meridian := a.number("longitude_of_prime_meridian", 0); meridian != 0 {
		return nil, fmt.Errorf("%s: longitude_of_prime_meridian %g: %w", name, meridian, ErrUnsupportedProjection)
	}
	falseEastingM, falseNorthingM := a.number("false_easting", 0), a.number("false_northing", 0)
	var projection Projection
	var err error
	switch name {
	case "latitude_longitude":
		projection = LatLonProjection{}
	case "rotated_latitude_longitude":
		pole := LatLon{a.required("grid_north_pole_latitude"), a.required("grid_north_pole_longitude")}
		northPoleGridLongitudeDeg := a.number("north_pole_grid_longitude", 0)
		if a.err == nil {
			projection, err = NewRotatedLatLonCF(pole, northPoleGridLongitudeDeg)
		}
	case "lambert_conformal_conic":
		parallels := a.numbers("standard_parallel")
		if len(parallels) != 1 && len(parallels) != 2 {
			a.fail("standard_parallel has %d values, not one or two", len(parallels))
			break
		}
		c := LambertConformal{
			Earth:                a.earth(),
			StandardParallel1Deg: parallels[0],
			StandardParallel2Deg: parallels[len(parallels)-1],
			OriginLatitudeDeg:    a.required("latitude_of_projection_origin"),
			CentralMeridianDeg:   a.required("longitude_of_central_meridian"),
			FalseEastingM:        falseEastingM,
			FalseNorthingM:       falseNorthingM,
		}
		if a.err == nil {
			projection, err = NewLambertConformal(c)
		}
	case "polar_stereographic", "stereographic":
		projection, err = a.polarStereographic(name, falseEastingM, falseNorthingM)
	case "mercator":
		c := Mercator{
			Earth:              a.earth(),
			CentralMeridianDeg: a.required("longitude_of_projection_origin"),
			FalseEastingM:      falseEastingM,
			FalseNorthingM:     falseNorthingM,
		}
		if a.has("standard_parallel") {
			c.TrueScaleLatitudeDeg = a.required("standard_parallel")
		} else {
			c.ScaleFactor = a.required("scale_factor_at_projection_origin")
		}
		if a.err == nil {
			projection, err = NewMercator(c)
		}
	case "albers_conical_equal_area":
		parallels := a.numbers("standard_parallel")
		if len(parallels) != 1 && len(parallels) != 2 {
			a.fail("standard_parallel has %d values, not one or two", len(parallels))
			break
		}
		c := AlbersEqualArea{
			Earth:                a.earth(),
			StandardParallel1Deg: parallels[0],
			StandardParallel2Deg: parallels[len(parallels)-1],
			OriginLatitudeDeg:    a.required("latitude_of_projection_origin"),
			CentralMeridianDeg:   a.required("longitude_of_central_meridian"),
			FalseEastingM:        falseEastingM,
			FalseNorthingM:       falseNorthingM,
		}
		if a.err == nil {
			projection, err = NewAlbersEqualArea(c)
		}
	case "lambert_azimuthal_equal_area":
		c := LambertAzimuthalEqualArea{
			Earth:              a.earth(),
			OriginLatitudeDeg:  a.required("latitude_of_projection_origin"),
			CentralMeridianDeg: a.required("longitude_of_projection_origin"),
			FalseEastingM:      falseEastingM,
			FalseNorthingM:     falseNorthingM,
		}
		if a.err == nil {
			projection, err = NewLambertAzimuthalEqualArea(c)
		}
	case "transverse_mercator":
		c := TransverseMercator{
			Earth:              a.earth(),
			OriginLatitudeDeg:  a.required("latitude_of_projection_origin"),
			CentralMeridianDeg: a.required("longitude_of_central_meridian"),
			ScaleFactor:        a.required("scale_factor_at_central_meridian"),
			FalseEastingM:      falseEastingM,
			FalseNorthingM:     falseNorthingM,
		}
		if a.err == nil {
			projection, err = NewTransverseMercator(c)
		}
	case "geostationary":
		projection, err = a.geostationary(falseEastingM, falseNorthingM)
	default:
		return nil, fmt.Errorf("grid_mapping_name %q: %w", name, ErrUnsupportedProjection)
	}
	if a.err != nil {
		return nil, fmt.Errorf("%s: %w", name, a.err)
	}
	if err != nil {
		return nil, err
	}
	return projection, nil
}

func (a *cfAttributes) polarStereographic(name string, falseEastingM, falseNorthingM float64) (Projection, error) {
	c := PolarStereographic{Earth: a.earth(), FalseEastingM: falseEastingM, FalseNorthingM: falseNorthingM}
	meridian := "straight_vertical_longitude_from_pole"
	if !a.has(meridian) { // allowed by CF 1.10 too, and the only one for stereographic
		meridian = "longitude_of_projection_origin"
	}
	c.CentralMeridianDeg = a.required(meridian)
	trueScaleDeg := math.NaN()
	if a.has("standard_parallel") {
		trueScaleDeg = a.required("standard_parallel")
	}
	originDeg := a.number("latitude_of_projection_origin", math.Copysign(90, trueScaleDeg))
	if a.err == nil && math.Abs(math.Abs(originDeg)-90) > 1e-6 {
		return nil, fmt.Errorf("%s with origin at latitude %g, not at a pole: %w", name, originDeg, ErrUnsupportedProjection)
	}
	c.North = originDeg > 0
	if math.IsNaN(trueScaleDeg) {
		c.ScaleFactor = a.required("scale_factor_at_projection_origin")
	} else {
		c.TrueScaleLatitudeDeg = trueScaleDeg
	}
	if a.err != nil {
		return nil, a.err
	}
	return NewPolarStereographic(c)
}

func (a *cfAttributes) geostationary(falseEastingM, falseNorthingM float64) (Projection, error) {
	c := Geostationary{
		Earth:                    a.earth(),
		PerspectivePointHeightM:  a.required("perspective_point_height"),
		SubSatelliteLongitudeDeg: a.required("longitude_of_projection_origin"),
		FalseEastingM:            falseEastingM,
		FalseNorthingM:           falseNorthingM,
	}
	if latitude := a.number("latitude_of_projection_origin", 0); latitude != 0 {
		a.fail("latitude_of_projection_origin %g is not 0", latitude)
	}
	// One of the two axes is enough (CF appendix F): the other is the fixed one.
	sweep, _ := a.values["sweep_angle_axis"].(string)
	fixed, _ := a.values["fixed_angle_axis"].(string)
	switch {
	case sweep == "x" || sweep == "" && fixed == "y":
		c.SweepAxisX = true
	case sweep == "y" || sweep == "" && fixed == "x":
	default:
		a.fail("sweep_angle_axis %q and fixed_angle_axis %q: neither says x or y", sweep, fixed)
	}
	if a.err != nil {
		return nil, a.err
	}
	return NewGeostationary(c)
}

// cfAttributes keeps the first error, so that a list of attributes reads as
// such.
type cfAttributes struct {
	values map[string]any
	err    error
}

func (a *cfAttributes) fail(format string, args ...any) {
	if a.err == nil {
		a.err = fmt.Errorf(format, args...)
	}
}

func (a *cfAttributes) has(name string) bool { _, ok := a.values[name]; return ok }

func (a *cfAttributes) required(name string) float64 {
	if !a.has(name) {
		a.fail("attribute %s is missing", name)
		return math.NaN()
	}
	return a.number(name, math.NaN())
}

func (a *cfAttributes) number(name string, missing float64) float64 {
	if !a.has(name) {
		return missing
	}
	numbers := a.numbers(name)
	if len(numbers) != 1 || !finite(numbers[0]) {
		a.fail("attribute %s is %v, not a number", name, a.values[name])
		return math.NaN()
	}
	return numbers[0]
}

func (a *cfAttributes) numbers(name string) []float64 {
	switch v := a.values[name].(type) {
	case float64:
		return []float64{v}
	case float32:
		return []float64{float64(v)}
	case int:
		return []float64{float64(v)}
	case int8:
		return []float64{float64(v)}
	case int16:
		return []float64{float64(v)}
	case int32:
		return []float64{float64(v)}
	case int64:
		return []float64{float64(v)}
	case uint:
		return []float64{float64(v)}
	case uint8:
		return []float64{float64(v)}
	case uint16:
		return []float64{float64(v)}
	case uint32:
		return []float64{float64(v)}
	case uint64:
		return []float64{float64(v)}
	case []float64:
		return v
	case []float32:
		return asFloat64(v)
	case []int:
		return asFloat64(v)
	case []int8:
		return asFloat64(v)
	case []int16:
		return asFloat64(v)
	case []int32:
		return asFloat64(v)
	case []int64:
		return asFloat64(v)
	case []uint:
		return asFloat64(v)
	case []uint8:
		return asFloat64(v)
	case []uint16:
		return asFloat64(v)
	case []uint32:
		return asFloat64(v)
	case []uint64:
		return asFloat64(v)
	}
	return nil
}

func asFloat64[T float32 | int | int8 | int16 | int32 | int64 | uint | uint8 | uint16 | uint32 | uint64](values []T) []float64 {
	out := make([]float64, len(values))
	for k, v := range values {
		out[k] = float64(v)
	}
	return out
}

// earth reads earth_radius, or semi_major_axis with semi_minor_axis or
// inverse_flattening, or a well-known reference_ellipsoid_name.
func (a *cfAttributes) earth() Earth {
	if a.has("semi_major_axis") {
		major := a.required("semi_major_axis")
		switch {
		case a.has("semi_minor_axis"):
			return Earth{major, a.required("semi_minor_axis")}
		case a.has("inverse_flattening"):
			inverse := a.required("inverse_flattening")
			if inverse == 0 { // by common practice means a sphere
				return Sphere(major)
			}
			return Earth{major, major * (1 - 1/inverse)}
		}
		return Sphere(major)
	}
	if a.has("earth_radius") {
		return Sphere(a.required("earth_radius"))
	}
	for _, attribute := range []string{"reference_ellipsoid_name", "horizontal_datum_name"} {
		name, _ := a.values[attribute].(string)
		switch strings.NewReplacer(" ", "", "_", "", "-", "", "(", "", ")", "").Replace(strings.ToUpper(name)) {
		case "WGS84", "WORLDGEODETICSYSTEM1984":
			return WGS84
		case "GRS80", "GRS1980":
			return GRS80
		}
	}
	return Earth{} // the constructor says that it is missing
}
