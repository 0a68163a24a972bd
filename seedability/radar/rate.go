package radar

import "math"

// LinearZ turns dBZ into mm6 m-3.
func LinearZ(reflectivityDBZ float64) float64 { return math.Pow(10, reflectivityDBZ/10) }

// DBZ is the inverse of LinearZ; -Inf for 0.
func DBZ(z float64) float64 { return 10 * math.Log10(z) }

// Relation is Z = A R^B between reflectivity and precipitation rate, R in mm/h of
// liquid water.
type Relation struct {
	Name string
	A, B float64
}

// The relations by regime.
var (
	// MarshallPalmer (Marshall, Langille and Palmer 1947, J. Meteorol. 4, 186,
	// rounded as is common): stratiform rain.
	MarshallPalmer = Relation{"Marshall-Palmer", 200, 1.6}
	// SummerConvective is the default of the WSR-88D (Fulton et al. 1998, Wea.
	// Forecasting 13, 377).
	SummerConvective = Relation{"summer deep convection", 300, 1.4}
	// WestCool and EastCool are the cool-season stratiform relations of the
	// WSR-88D (Radar Operations Center, list of Z-R relations; table of the NWS
	// Middle Atlantic River Forecast Center).
	WestCool = Relation{"West cool-season stratiform", 75, 2.0}
	EastCool = Relation{"East cool-season stratiform", 130, 2.0}
	// DrySnow is for liquid equivalent of snow aloft or at cold ground: value from
	// memory, snow algorithm of the Bureau of Reclamation (Super and Holroyd 1998).
	DrySnow = Relation{"dry snow", 150, 2.0}
)

// Relations lists all of them.
func Relations() []Relation {
	return []Relation{MarshallPalmer, SummerConvective, WestCool, EastCool, DrySnow}
}

// RateMMPerH of a reflectivity; 0 for -Inf, NaN for NaN. Mask the bright band
// before: melting snow shows several times its rate.
func (r Relation) RateMMPerH(reflectivityDBZ float64) float64 {
	return math.Pow(LinearZ(reflectivityDBZ)/r.A, 1/r.B)
}

// ReflectivityDBZ is the inverse of RateMMPerH.
func (r Relation) ReflectivityDBZ(rateMMPerH float64) float64 {
	return DBZ(r.A * math.Pow(rateMMPerH, r.B))
}

// Regime is what is known about the precipitation at a place.
type Regime struct {
	// WetBulbTemperatureK at the ground, NaN where unknown.
	WetBulbTemperatureK float64
	// Convective precipitation, as a mosaic's type or a cell with a core tells.
	Convective bool
	// EastOfRockies chooses the eastern cool-season relation.
	EastOfRockies bool
	// Warm season: stratiform rain of warm cloud.
	Warm bool
}

// snowWetBulbK: below it the larger part of precipitation falls as snow (common
// practice; half of it at about 1 degree Celsius of wet-bulb temperature, Sims
// and Liu 2015, J. Hydrometeor. 16, 1466, value from memory).
const snowWetBulbK = 273.15 + 1

// Relation chooses by regime: snow at the ground before all, then convection,
// then the cool season's stratiform rain.
func (r Regime) Relation() Relation {
	switch {
	case r.WetBulbTemperatureK <= snowWetBulbK: // false for NaN
		return DrySnow
	case r.Convective:
		return SummerConvective
	case r.Warm:
		return MarshallPalmer
	case r.EastOfRockies:
		return EastCool
	}
	return WestCool
}

// Intensity of rain after the AMS Glossary of Meteorology, "rain".
type Intensity uint8

// The classes: light up to 2.5 mm/h, moderate to 7.6, heavy above.
const (
	UnknownIntensity Intensity = iota
	Dry
	Light
	Moderate
	Heavy
)

// Limits of the classes, inclusive.
const (
	LightMaxMMPerH    = 2.5
	ModerateMaxMMPerH = 7.6
)

// IntensityOf a rate.
func IntensityOf(rateMMPerH float64) Intensity {
	switch {
	case math.IsNaN(rateMMPerH) || rateMMPerH < 0:
		return UnknownIntensity
	case rateMMPerH == 0:
		return Dry
	case rateMMPerH <= LightMaxMMPerH:
		return Light
	case rateMMPerH <= ModerateMaxMMPerH:
		return Moderate
	}
	return Heavy
}

func (i Intensity) String() string {
	return [...]string{"unknown", "dry", "light", "moderate", "heavy"}[min(i, Heavy)]
}

// FlashFloodCueMM in FlashFloodCueMinutes is a quarter of an inch in half an
// hour, 12.7 mm/h: a criterion of the US National Weather Service for burnt
// slopes, as quoted in suspension criteria of seeding programmes.
const (
	FlashFloodCueMM      = 0.25 * 25.4
	FlashFloodCueMinutes = 30.0
)

// MeanRateMMPerH of a depth over minutes; NaN for no time.
func MeanRateMMPerH(depthMM, minutes float64) float64 {
	if !(minutes > 0) {
		return math.NaN()
	}
	return depthMM * 60 / minutes
}
