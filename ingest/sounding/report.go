// Package sounding decodes upper-air reports: what a radiosonde measured on its
// way up, or what a forecast model would have a balloon measure.
//
// All formats end in one type, Report: the station, the time and the levels in
// SI units, NaN where the report is silent. A level carries what the format
// says of it (surface, standard, tropopause, maximum wind, significant,
// extrapolated below ground) and which of its values are physically doubtful;
// doubtful values are marked and noted, never dropped. Report.Column turns a
// report into the sorted, merged column that the rest of the program works on.
//
// The formats, each in a file of its own with the published description it
// follows: WMO FM 35 TEMP (temp.go), FSL/GSL text (fsl.go), IGRA version 2
// (igra.go), the university column listing (list.go), the CSV listing (csv.go),
// the JSON profile form (json.go), %RAW% text (raw.go), BUFKIT (bufkit.go) and
// WMO FM 94 BUFR (bufr*.go). Decode looks at the content and picks one.
package sounding

import (
	"math"
	"time"

	"rimeline/grid"
)

// Format names the form that a report came in.
type Format string

// The forms that this package reads.
const (
	FormatTEMP    Format = "temp"    // WMO FM 35 TEMP alphanumeric
	FormatFSL     Format = "fsl"     // FSL/GSL radiosonde text
	FormatIGRA2   Format = "igra2"   // Integrated Global Radiosonde Archive, version 2
	FormatList    Format = "list"    // university column listing, page or bare text
	FormatCSV     Format = "csv"     // CSV listing with names and units in its first line
	FormatJSON    Format = "json"    // JSON profiles
	FormatRaw     Format = "raw"     // text between %RAW% and %END%
	FormatBUFKIT  Format = "bufkit"  // BUFKIT model profiles
	FormatBUFR    Format = "bufr"    // WMO FM 94 BUFR
	FormatUnknown Format = "unknown" // none of these
)

// MaxLevels and MaxReports bound what one report and one file may hold; beyond
// them a file is refused as corrupt. A high-resolution ascent of three hours at
// one level a second has 10 800 levels; the longest archive file of one station
// has about 60 000 ascents.
const (
	MaxLevels  = 20000
	MaxReports = 200000
)

// Report is one ascent (or one model profile). Missing numbers are NaN, missing
// times are zero.
type Report struct {
	Format  Format
	Station Station
	// Time is the nominal time that the report is filed under (the valid time
	// of a model profile), or the release where the format gives only that.
	// It is zero where the report does not tell, or tells only day and hour.
	Time time.Time
	// ReleaseTime is when the balloon was let go; zero where not reported.
	ReleaseTime time.Time
	// RunTime is the reference time of the model run; zero for observations.
	RunTime time.Time
	// DayOfMonth and HourUTC are all that a TEMP bulletin says of its time. They
	// are set by that format only; DayOfMonth is 0 elsewhere.
	DayOfMonth, HourUTC int
	// Levels are in the order of the file; the parts of a TEMP are merged and
	// sorted by falling pressure.
	Levels []Level
	// Notes say in words what is unusual: sections skipped, values doubted.
	Notes []string
}

// Station is where the balloon was released.
type Station struct {
	// Identifier is what the file calls the station: WMO number, call sign or
	// archive identifier; empty where it does not say.
	Identifier string
	// WMONumber is the five-digit block and station number, empty where unknown.
	WMONumber string
	// WIGOS is the WIGOS station identifier ("0-20000-0-10954"), empty where unknown.
	WIGOS string
	// Name in words, empty where unknown.
	Name string
	// Place is NaN in both where unknown.
	Place grid.LatLon
	// AltitudeM is the release point above the geoid; NaN where unknown.
	AltitudeM float64
}

// Level is one level of a report. Every number is NaN where the report is
// silent; start from MissingLevel, not from the zero value.
type Level struct {
	PressurePa float64 // air_pressure
	// GeopotentialHeightM is above the geoid (geopotential metres).
	GeopotentialHeightM float64
	AirTemperatureK     float64
	DewPointK           float64 // over water
	RelativeHumidity    float64 // 0 to 1 and a little more, over water, only where the format gives it itself
	WindFromDeg         float64 // wind_from_direction, 0 (or 360) to 360 clockwise from north; 0 in calm air
	WindSpeedMPerS      float64

	UpwardMPerS   float64 // measured or modelled vertical wind
	OmegaPaPerS   float64 // model only: lagrangian_tendency_of_air_pressure
	CloudFraction float64 // model only: 0 to 1

	ElapsedS float64 // since the release
	// Displacement of the balloon from the station's Place.
	LatitudeDisplacementDeg, LongitudeDisplacementDeg float64

	Significance Significance
	Suspect      Suspect
}

// MissingLevel is a level of which nothing is known.
func MissingLevel() Level {
	nan := math.NaN()
	return Level{
		PressurePa: nan, GeopotentialHeightM: nan, AirTemperatureK: nan, DewPointK: nan,
		RelativeHumidity: nan, WindFromDeg: nan, WindSpeedMPerS: nan,
		UpwardMPerS: nan, OmegaPaPerS: nan, CloudFraction: nan, ElapsedS: nan,
		LatitudeDisplacementDeg: nan, LongitudeDisplacementDeg: nan,
	}
}

// Significance says why a level was reported; a level may have several reasons.
// The bits are this program's; BUFR flag table 0 08 042 and the older 0 08 001
// are mapped onto them.
type Significance uint16

// The reasons.
const (
	Surface                Significance = 1 << iota
	Standard                            // standard isobaric surface
	Tropopause                          //
	MaximumWind                         //
	SignificantTemperature              // significant in temperature or humidity, or in both
	SignificantHumidity                 // significant in humidity alone
	SignificantWind                     //
	FixedHeight                         // wind at a fixed height
	Extrapolated                        // not measured: standard level below the station, or added above the ascent
	TopOfSounding                       //
	ModelLevel                          // level of a forecast model
)

// Suspect marks values of a level that are physically doubtful or that the
// format itself flags.
type Suspect uint16

// The values that may be doubtful.
const (
	SuspectPressure Suspect = 1 << iota
	SuspectHeight
	SuspectTemperature
	SuspectDewPoint
	SuspectWind
)
