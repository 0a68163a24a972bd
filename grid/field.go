package grid

import "time"

// Field is one horizontal slice of one quantity at one time: a GRIB message, or
// one level and time of a netCDF variable. Values keep the unit of their file.
type Field struct {
	// Number is the place of the field in its file, 1 for the first.
	Number int
	// StandardName is the CF standard name, empty where there is none for it.
	StandardName string
	// ShortName is the format's own short name (netCDF variable; common GRIB
	// abbreviation), empty where unknown.
	ShortName string
	// LongName is what the format's tables call the quantity.
	LongName string
	// Parameter is the quantity's number in its format: for GRIB2
	// "discipline.category.number", for netCDF the variable name.
	Parameter string
	// Units as the format defines them, spelt for UDUNITS ("K", "kg kg-1", "Pa s-1").
	Units string
	Level Level
	// ReferenceTime is the start of the model run (analysis time), zero where
	// unknown. ValidTime is the instant, or the end of the interval, for which
	// the values hold. IntervalStart is zero for instantaneous values.
	ReferenceTime, ValidTime, IntervalStart time.Time
	// CellMethod is the CF cell method over the interval or area ("mean",
	// "sum", "maximum", ...), empty for instantaneous values.
	CellMethod string
	// Member is the ensemble member, -1 where the field is not one of an ensemble.
	Member int
	// Packing names how the values were stored, for people ("5.3 complex ...").
	Packing string
	// Grid is never nil. A grid without known geometry has a nil Projection.
	Grid *Grid
	// Values holds Grid.NI x Grid.NJ numbers, i fastest: (i, j) is at j*NI+i.
	// Missing is NaN. Grids without rows and columns (NI = NJ = 0) may have any
	// number of values.
	Values []float32
}

// Level says where in the vertical a field is, or between which two surfaces.
type Level struct {
	// Type in the words of its format's table (GRIB2 code table 4.5:
	// "isobaric surface"), or the standard name of a netCDF vertical coordinate.
	Type string
	// Code is the GRIB2 code of the first surface (table 4.5), -1 for netCDF.
	Code int
	// Value in Units; NaN where the surface needs none (ground, mean sea level).
	Value float64
	Units string
	// Second surface of a layer: code 255 (or -1 for netCDF) and NaN where there is none.
	SecondCode  int
	SecondValue float64
}
