package grid

import (
	"errors"
	"math"
	"testing"
)

// Each grid mapping of CF appendix F must give the projection whose parameters
// it names; those are checked against PROJ in projection_test.go.
func TestProjectionFromCF(t *testing.T) {
	all := planes()
	for name, projection := range rotatedGrids() {
		all[name] = projection
	}
	for _, test := range []struct {
		want       string
		attributes map[string]any
	}{
		{"lambert-secant-sphere", map[string]any{"grid_mapping_name": "lambert_conformal_conic", "standard_parallel": []float64{33, 45}, "latitude_of_projection_origin": 39.0, "longitude_of_central_meridian": -96.0, "earth_radius": 6370000.0}},
		{"lambert-tangent-sphere", map[string]any{"grid_mapping_name": "lambert_conformal_conic", "standard_parallel": float32(38.5), "latitude_of_projection_origin": []float32{38.5}, "longitude_of_central_meridian": []float64{262.5}, "earth_radius": int32(6371229)}},
		{"lambert-secant-wgs84", map[string]any{"grid_mapping_name": "lambert_conformal_conic", "standard_parallel": []int16{46, 49}, "latitude_of_projection_origin": 47.5, "longitude_of_central_meridian": 13.3333333, "false_easting": 400000, "false_northing": int64(-300000), "semi_major_axis": 6378137.0, "inverse_flattening": 298.257223563}},
		{"lambert-secant-wgs84", map[string]any{"grid_mapping_name": "lambert_conformal_conic", "standard_parallel": []int8{46, 49}, "latitude_of_projection_origin": 47.5, "longitude_of_central_meridian": 13.3333333, "false_easting": uint32(400000), "false_northing": -3e5, "reference_ellipsoid_name": "WGS 84"}},
		{"lambert-tangent-bessel", map[string]any{"grid_mapping_name": "lambert_conformal_conic", "standard_parallel": []float64{46.8}, "latitude_of_projection_origin": 46.8, "longitude_of_central_meridian": 2.3, "semi_major_axis": 6377397.155, "semi_minor_axis": 6356078.963}},
		{"stereographic-north-sphere", map[string]any{"grid_mapping_name": "polar_stereographic", "straight_vertical_longitude_from_pole": -105.0, "standard_parallel": 60.0, "latitude_of_projection_origin": 90.0, "earth_radius": 6371229.0}},
		{"stereographic-north-scale", map[string]any{"grid_mapping_name": "polar_stereographic", "straight_vertical_longitude_from_pole": uint8(10), "scale_factor_at_projection_origin": 0.994, "latitude_of_projection_origin": uint16(90), "horizontal_datum_name": "GRS_1980"}},
		{"stereographic-south-sphere", map[string]any{"grid_mapping_name": "polar_stereographic", "straight_vertical_longitude_from_pole": 140.0, "standard_parallel": -60.0, "earth_radius": 6367470.0}},
		{"stereographic-south-wgs84", map[string]any{"grid_mapping_name": "stereographic", "longitude_of_projection_origin": 0.0, "standard_parallel": -71.0, "latitude_of_projection_origin": -90.0, "semi_major_axis": 6378137.0, "inverse_flattening": 298.257223563}},
		{"mercator-sphere", map[string]any{"grid_mapping_name": "mercator", "longitude_of_projection_origin": -160.0, "standard_parallel": 20.0, "semi_major_axis": 6371200.0, "inverse_flattening": 0.0}},
		{"mercator-scale-airy", map[string]any{"grid_mapping_name": "mercator", "longitude_of_projection_origin": -2.0, "scale_factor_at_projection_origin": 0.9996, "semi_major_axis": 6377563.396, "semi_minor_axis": 6356256.909}},
		{"albers-sphere", map[string]any{"grid_mapping_name": "albers_conical_equal_area", "standard_parallel": []float64{29.5, 45.5}, "latitude_of_projection_origin": 23.0, "longitude_of_central_meridian": -96.0, "earth_radius": 6371200.0}},
		{"azimuthal-grs80", map[string]any{"grid_mapping_name": "lambert_azimuthal_equal_area", "latitude_of_projection_origin": 52.0, "longitude_of_projection_origin": 10.0, "false_easting": 4321000.0, "false_northing": 3210000.0, "semi_major_axis": 6378137.0, "inverse_flattening": 298.257222101}},
		{"transverse-airy", map[string]any{"grid_mapping_name": "transverse_mercator", "latitude_of_projection_origin": 49.0, "longitude_of_central_meridian": -2.0, "scale_factor_at_central_meridian": 0.9996012717, "false_easting": 400000.0, "false_northing": -100000.0, "semi_major_axis": 6377563.396, "semi_minor_axis": 6356256.909}},
		{"rotated-europe", map[string]any{"grid_mapping_name": "rotated_latitude_longitude", "grid_north_pole_latitude": 40.0, "grid_north_pole_longitude": -170.0}},
		{"rotated-with-angle", map[string]any{"grid_mapping_name": "rotated_latitude_longitude", "grid_north_pole_latitude": float32(32.5), "grid_north_pole_longitude": -30, "north_pole_grid_longitude": -25.0}},
	} {
		projection, err := ProjectionFromCF(test.attributes)
		if err != nil {
			t.Errorf("%s: %v", test.want, err)
			continue
		}
		for _, p := range []LatLon{{40, -100}, {-35, 20}} {
			x, y, ok := projection.Forward(p)
			if !ok {
				continue
			}
			wantX, wantY, _ := all[test.want].Forward(p)
			if math.Abs(x-wantX) > 1e-6 || math.Abs(y-wantY) > 1e-6 {
				t.Errorf("%s from %v: %v, %v, want %v, %v", test.want, test.attributes, x, y, wantX, wantY)
			}
		}
		if name := test.attributes["grid_mapping_name"]; projection.Name() != name && name != "stereographic" {
			t.Errorf("%v is called %s", name, projection.Name())
		}
	}
	plain, err := ProjectionFromCF(map[string]any{"grid_mapping_name": "latitude_longitude", "earth_radius": 6371229.0})
	if err != nil || plain != (LatLonProjection{}) {
		t.Errorf("latitude_longitude: %v, %v", plain, err)
	}
}

func TestProjectionFromCFRefuses(t *testing.T) {
	lambert := func(change string, value any) map[string]any {
		a := map[string]any{"grid_mapping_name": "lambert_conformal_conic", "standard_parallel": []float64{33, 45}, "latitude_of_projection_origin": 39.0, "longitude_of_central_meridian": -96.0, "earth_radius": 6370000.0}
		if value == nil {
			delete(a, change)
		} else {
			a[change] = value
		}
		return a
	}
	for _, test := range []struct {
		attributes map[string]any
		reason     error // nil: any
	}{
		{nil, nil},
		{map[string]any{"grid_mapping_name": 5}, nil},
		{map[string]any{"grid_mapping_name": "vertical_perspective"}, ErrUnsupportedProjection},
		{map[string]any{"grid_mapping_name": "geostationary"}, nil},
		{map[string]any{"grid_mapping_name": "latitude_longitude", "longitude_of_prime_meridian": 2.337}, ErrUnsupportedProjection},
		{lambert("earth_radius", nil), ErrNoEarth},
		{lambert("earth_radius", "6370 km"), nil},
		{lambert("earth_radius", math.NaN()), nil},
		{lambert("earth_radius", []float64{}), nil},
		{lambert("standard_parallel", nil), nil},
		{lambert("standard_parallel", []float64{1, 2, 3}), nil},
		{lambert("standard_parallel", []float64{-45, 45}), nil},
		{lambert("standard_parallel", []float64{math.NaN(), 45}), nil},
		{lambert("longitude_of_central_meridian", nil), nil},
		{lambert("longitude_of_central_meridian", []float64{1, 2}), nil},
		{lambert("semi_major_axis", 6370.0), nil}, // kilometres
		{map[string]any{"grid_mapping_name": "mercator", "longitude_of_projection_origin": 0.0, "earth_radius": 6370000.0}, nil},
		{map[string]any{"grid_mapping_name": "polar_stereographic", "straight_vertical_longitude_from_pole": 0.0, "latitude_of_projection_origin": 90.0, "earth_radius": 6370000.0}, nil},
		{map[string]any{"grid_mapping_name": "stereographic", "longitude_of_projection_origin": 0.0, "latitude_of_projection_origin": 52.0, "scale_factor_at_projection_origin": 1.0, "earth_radius": 6370000.0}, ErrUnsupportedProjection},
		{map[string]any{"grid_mapping_name": "rotated_latitude_longitude", "grid_north_pole_latitude": 40.0}, nil},
		{map[string]any{"grid_mapping_name": "rotated_latitude_longitude", "grid_north_pole_latitude": 400.0, "grid_north_pole_longitude": 1.0}, nil},
	} {
		projection, err := ProjectionFromCF(test.attributes)
		if err == nil || projection != nil || test.reason != nil && !errors.Is(err, test.reason) {
			t.Errorf("%v gave %v, %v", test.attributes, projection, err)
		}
	}
}
