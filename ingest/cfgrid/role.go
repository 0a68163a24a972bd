package cfgrid

import (
	"strings"
)

// role is what a dimension or coordinate stands for.
type role int

const (
	roleNone      role = iota
	roleX              // along the columns of a grid
	roleY              // along its rows
	roleLongitude      // of places; along the columns where one-dimensional
	roleLatitude
	roleLevel
	roleTime
	roleReference // forecast_reference_time: the start of a run
	rolePeriod    // forecast_period: from the start of the run
	roleMember
)

var roleByStandardName = map[string]role{
	"projection_x_coordinate":          roleX,
	"projection_y_coordinate":          roleY,
	"projection_x_angular_coordinate":  roleX,
	"projection_y_angular_coordinate":  roleY,
	"grid_longitude":                   roleX,
	"grid_latitude":                    roleY,
	"longitude":                        roleLongitude,
	"latitude":                         roleLatitude,
	"time":                             roleTime,
	"forecast_reference_time":          roleReference,
	"forecast_period":                  rolePeriod,
	"realization":                      roleMember,
	"air_pressure":                     roleLevel,
	"altitude":                         roleLevel,
	"height":                           roleLevel,
	"height_above_mean_sea_level":      roleLevel,
	"height_above_geopotential_datum":  roleLevel,
	"height_above_reference_ellipsoid": roleLevel,
	"geopotential_height":              roleLevel,
	"depth":                            roleLevel,
	"model_level_number":               roleLevel,
	"atmosphere_sigma_coordinate":      roleLevel,
	"atmosphere_hybrid_sigma_pressure_coordinate":  roleLevel,
	"atmosphere_hybrid_height_coordinate":          roleLevel,
	"atmosphere_ln_pressure_coordinate":            roleLevel,
	"atmosphere_sleve_coordinate":                  roleLevel,
	"atmosphere_potential_temperature_coordinate":  roleLevel,
	"air_potential_temperature":                    roleLevel,
	"ocean_sigma_coordinate":                       roleLevel,
	"ocean_s_coordinate":                           roleLevel,
	"potential_vorticity_of_atmosphere_layer":      roleLevel,
	"atmosphere_hybrid_sigma_pressure_coordinates": roleLevel, // misspelt in files
}

// roleByAxisType reads _CoordinateAxisType, which the netCDF-Java library writes.
var roleByAxisType = map[string]role{
	"GeoX": roleX, "GeoY": roleY, "Lon": roleLongitude, "Lat": roleLatitude,
	"GeoZ": roleLevel, "Height": roleLevel, "Pressure": roleLevel,
	"Time": roleTime, "RunTime": roleReference, "TimeOffset": rolePeriod,
	"Ensemble": roleMember,
}

var roleByAxis = map[string]role{"X": roleX, "Y": roleY, "Z": roleLevel, "T": roleTime, "E": roleMember}

// roleByName serves files without attributes: common practice, no source.
var roleByName = map[string]role{
	"x": roleX, "nx": roleX, "xc": roleX, "rlon": roleX, "west_east": roleX, "west_east_stag": roleX,
	"y": roleY, "ny": roleY, "yc": roleY, "rlat": roleY, "south_north": roleY, "south_north_stag": roleY,
	"lon": roleLongitude, "longitude": roleLongitude, "xlong": roleLongitude, "nav_lon": roleLongitude,
	"lat": roleLatitude, "latitude": roleLatitude, "xlat": roleLatitude, "nav_lat": roleLatitude,
	"lev": roleLevel, "level": roleLevel, "plev": roleLevel, "height": roleLevel, "altitude": roleLevel,
	"depth": roleLevel, "isobaric": roleLevel, "hybrid": roleLevel, "sigma": roleLevel,
	"bottom_top": roleLevel, "bottom_top_stag": roleLevel, "soil_layers_stag": roleLevel,
	"time": roleTime, "record": roleTime,
	"ens": roleMember, "ensemble": roleMember, "member": roleMember, "realization": roleMember, "number": roleMember,
}

var pressureUnitPa = map[string]float64{
	"Pa": 1, "pascal": 1, "pascals": 1, "hPa": 100, "hectopascal": 100, "hectopascals": 100,
	"mb": 100, "mbar": 100, "millibar": 100, "millibars": 100, "kPa": 1000, "bar": 1e5, "dbar": 1e4,
}

func isNorthUnits(units string) bool {
	switch units {
	case "degrees_north", "degree_north", "degree_N", "degrees_N", "degreeN", "degreesN": // CF 4.1
		return true
	}
	return false
}

func isEastUnits(units string) bool {
	switch units {
	case "degrees_east", "degree_east", "degree_E", "degrees_E", "degreeE", "degreesE": // CF 4.2
		return true
	}
	return false
}

// roleOf tells what a variable stands for when it serves as a coordinate.
func roleOf(v *variable) role {
	if r := roleByStandardName[v.text("standard_name")]; r != roleNone {
		return r
	}
	if r := roleByAxisType[v.text("_CoordinateAxisType")]; r != roleNone {
		return r
	}
	units := v.text("units")
	switch {
	case isTimeUnits(units):
		if strings.Contains(strings.ToLower(v.text("long_name")), "reference time") {
			return roleReference
		}
		return roleTime
	case isNorthUnits(units):
		return roleLatitude
	case isEastUnits(units):
		return roleLongitude
	}
	if r := roleByAxis[strings.ToUpper(v.text("axis"))]; r != roleNone {
		return r
	}
	if p := strings.ToLower(v.text("positive")); p == "up" || p == "down" {
		return roleLevel // CF 4.3
	}
	if pressureUnitPa[units] != 0 {
		return roleLevel
	}
	return roleByName[strings.ToLower(v.shortName())]
}
