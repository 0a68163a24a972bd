package cfgrid

import "strings"

// standardName gives the CF standard name of a variable: its attribute, where it
// can be one (lower case, CF 3.3), else what its GRIB parameter number says.
func standardName(v *variable) string {
	name, _, _ := strings.Cut(v.text("standard_name"), " ") // without a modifier
	valid := name != ""
	for _, c := range name {
		valid = valid && (c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '_')
	}
	if valid {
		return name
	}
	return nameOfGRIB(v)
}

// nameOfGRIB reads the parameter numbers that the netCDF-Java library leaves in
// files it makes of GRIB: Grib2_Parameter (discipline, category, number),
// GRIB_param_id (the same behind the edition) and Grib1_Parameter.
func nameOfGRIB(v *variable) string {
	if p := v.attributes["Grib2_Parameter"].numbers; len(p) == 3 {
		return grib2Names[[3]float64{p[0], p[1], p[2]}]
	}
	if p := v.attributes["GRIB_param_id"].numbers; len(p) == 4 && p[0] == 2 {
		return grib2Names[[3]float64{p[1], p[2], p[3]}]
	}
	if p, has := v.number("Grib1_Parameter"); has && p < 128 { // the rest is local
		return grib1Names[p]
	}
	return ""
}

// grib2Names of the quantities an atmosphere is made of (WMO Manual on Codes,
// Volume I.2, GRIB2 code table 4.2). Winds are left out: whether they follow the
// grid or the earth is not in these files.
var grib2Names = map[[3]float64]string{
	{0, 0, 0}:  "air_temperature",
	{0, 0, 6}:  "dew_point_temperature",
	{0, 1, 0}:  "specific_humidity",
	{0, 1, 1}:  "relative_humidity",
	{0, 1, 2}:  "humidity_mixing_ratio",
	{0, 2, 8}:  "lagrangian_tendency_of_air_pressure",
	{0, 2, 9}:  "upward_air_velocity",
	{0, 3, 0}:  "air_pressure",
	{0, 3, 1}:  "air_pressure_at_mean_sea_level",
	{0, 3, 5}:  "geopotential_height",
	{0, 6, 6}:  "atmosphere_mass_content_of_cloud_condensed_water",
	{0, 1, 3}:  "atmosphere_mass_content_of_water_vapor",
	{0, 1, 8}:  "precipitation_amount",
	{0, 1, 22}: "cloud_liquid_water_mixing_ratio",
}

// grib1Names of WMO GRIB edition 1 code table 2, versions 1 to 3.
var grib1Names = map[float64]string{
	1:  "air_pressure",
	2:  "air_pressure_at_mean_sea_level",
	7:  "geopotential_height",
	11: "air_temperature",
	17: "dew_point_temperature",
	39: "lagrangian_tendency_of_air_pressure",
	40: "upward_air_velocity",
	51: "specific_humidity",
	52: "relative_humidity",
	53: "humidity_mixing_ratio",
	54: "atmosphere_mass_content_of_water_vapor",
	61: "precipitation_amount",
}
