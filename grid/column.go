package grid

import "time"

// Column is the atmosphere above one place: a radiosonde ascent or the levels of
// a model over a point. Levels are sorted by increasing altitude (decreasing
// pressure where altitudes are missing); the lowest may be the ground.
type Column struct {
	// Label says whose column it is: a station identifier, or model and run.
	Label string
	Place LatLon
	// SurfaceAltitudeM is the ground above the geoid; NaN where unknown.
	SurfaceAltitudeM float64
	// Time is the release of the balloon, or the valid time of the model.
	Time   time.Time
	Levels []ColumnLevel
}

// ColumnLevel is one level of a column. Missing values are NaN.
type ColumnLevel struct {
	PressurePa      float64 // air_pressure
	AltitudeM       float64 // altitude above the geoid (geopotential height is taken as altitude)
	AirTemperatureK float64
	DewPointK       float64 // dew_point_temperature, over water
	EastwardMPerS   float64
	NorthwardMPerS  float64
	UpwardMPerS     float64 // upward_air_velocity; NaN for radiosondes
	// Mass fractions of moist air, NaN where the source does not give them.
	CloudLiquidKgPerKg float64
	CloudIceKgPerKg    float64
	RainKgPerKg        float64
	SnowKgPerKg        float64
	GraupelKgPerKg     float64
}
