package hold

import (
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

// Evidence is what is known at a moment. Everything has its own time; what is
// not there is missing. The caller gives the newest of each, and, for rates of
// rise and batteries, the hours before.
type Evidence struct {
	// At is the moment of judgement.
	At time.Time

	Readings       []Reading
	Categories     []Category
	Precipitation  []Precipitation
	FreezingLevels []FreezingLevel
	Winds          []Wind
	Dangers        []Danger
	SiteReports    []SiteReport
	Released       []Released

	// Warnings are those of all Feeds.
	Warnings []Warning
	Feeds    []Feed
	Paths    []Path
	// StormEnds says until when a site should be able to work.
	StormEnds []StormEnd

	// Manual are all manual holds ever set, and Lifts all that persons have
	// lifted, as the record had them at ManualAsOf. The zero time: the record
	// could not be read.
	Manual     []ManualHold
	Lifts      []Lift
	ManualAsOf time.Time
}

// Quantities of readings that criteria ask for by these names. Any other name is
// as good, where the programme and the reading agree.
const (
	QuantityStage     = "stage"
	QuantityFlow      = "flow"
	QuantityStorage   = "storage"
	QuantityElevation = "elevation"
	// QuantitySWE is snow water equivalent, a length; QuantityNormalSWE its normal
	// of that day at the station, QuantityApril1SWE its normal of 1 April.
	QuantitySWE       = "snow_water_equivalent"
	QuantityNormalSWE = "snow_water_equivalent_normal"
	QuantityApril1SWE = "snow_water_equivalent_normal_april_1"
	// QuantitySWEPercent is percent of the normal of the day, QuantityApril1Percent
	// of that of 1 April, where the service gives it so.
	QuantitySWEPercent    = "snow_water_equivalent_percent"
	QuantityApril1Percent = "snow_water_equivalent_percent_april_1"
)

// Reading is one number of one gauge, observed or forecast.
type Reading struct {
	Gauge    string
	Quantity string
	Value    float64
	Unit     string
	Datum    string // empty: not given
	// Time is when it was measured or, for a forecast, when it will be so.
	Time     time.Time
	Forecast bool
	// Issued is when the forecast was made.
	Issued time.Time
	// Suspect says why the number may be wrong: flat-lined, frozen, out of range.
	Suspect []string
}

// Category is the official flood category of a gauge.
type Category struct {
	Gauge string
	// Name is none, action, minor, moderate or major; every other word (not
	// defined, out of service) is one that cannot be judged.
	Name     string
	Time     time.Time
	Forecast bool
	Issued   time.Time
	Suspect  []string
}

// Precipitation is the rate over a target, or over the burnt area of a criterion.
type Precipitation struct {
	// Place is the identifier of the target or of the criterion.
	Place string
	// From is radar, mosaic or forecast.
	From string
	// MMPerH is the liquid equivalent, the highest over the place.
	MMPerH float64
	// LiquidShare of it that falls as rain, 0 to 1; NaN where it is not known.
	LiquidShare float64
	// CoveredShare of the place that was seen, 0 to 1.
	CoveredShare float64
	Time         time.Time
	Issued       time.Time // of a forecast
	Suspect      []string
}

// FreezingLevel is the altitude of 0 °C, the highest crossing, over a target.
type FreezingLevel struct {
	Target    string
	From      string // sounding or forecast
	AltitudeM float64
	Time      time.Time
	Issued    time.Time
	Suspect   []string
}

// Wind at a site.
type Wind struct {
	Site string
	From string // station or forecast
	// SpeedMPerS is the mean, GustMPerS the gust; NaN where it is not known.
	SpeedMPerS, GustMPerS float64
	// FromDeg is where it blows from, clockwise from true north.
	FromDeg float64
	Time    time.Time
	Issued  time.Time
	Suspect []string
}

// Danger is the avalanche danger of a zone.
type Danger struct {
	Zone string
	// Level is 1 low to 5 extreme; 0: no rating.
	Level int
	// Issued is when it was published; it holds until Expires, where that is given.
	Issued, Expires time.Time
}

// SiteReport is what a site says of itself. Pointers are nil where it does not.
type SiteReport struct {
	Site string
	// Time of the report; LastContact of the link, Time where it is zero.
	Time, LastContact time.Time
	BatteryV          *float64
	// UnitsLeft is flares, or hours of solution.
	UnitsLeft *float64
	Faults    []string
	Suspect   []string
}

// Released is how much agent a site has released.
type Released struct {
	Site string
	// DayG of the local day Day (2006-01-02), SeasonG since the first day of the season.
	Day           string
	DayG, SeasonG float64
	// AsOf is the time up to which the record is complete.
	AsOf time.Time
}

// Warning is one public warning as its issuer sent it.
type Warning struct {
	ID      string
	Feed    string
	Event   string   // its name
	Codes   []string // event codes, such as FFW
	VTEC    []VTEC
	Status  string // Actual, Exercise, System, Test, Draft
	Message string // Alert, Update, Cancel, Ack, Error
	// References are the identifiers of earlier messages that this one replaces.
	References []string
	// Sent is when the message was sent, Onset when the event begins, Ends when it
	// ends, Expires when the message does. Zero where not given.
	Sent, Onset, Ends, Expires time.Time
	Areas                      []Area
	// Doubts are parts that could not be read: times, areas.
	Doubts []string
}

// VTEC is one P-VTEC string.
type VTEC struct {
	Action       string // NEW, CON, EXT, EXA, EXB, UPG, CAN, EXP, COR, ROU
	Phenomenon   string // FF
	Significance string // W
	Office       string
	Number       int
}

// Area is one part of the area of a warning. Where it has polygons or circles,
// these count and the zones do not.
type Area struct {
	// Polygons have x longitude and y latitude in degrees; the first ring of each
	// is outside, the others are holes.
	Polygons *geom.MultiPolygon
	Circles  []Circle
	Zones    []string
}

// Circle is an area about a place.
type Circle struct {
	Centre  grid.LatLon
	RadiusM float64
}

// Feed is a list of warnings that was fetched.
type Feed struct {
	Name string
	// AsOf is when the list was complete.
	AsOf time.Time
	// Unreadable counts warnings in it that could not be read at all.
	Unreadable int
}

// Path is the mean path of a release of now.
type Path struct {
	Site   string
	Time   time.Time
	Points []PathPoint
}

// PathPoint is one point of it; SpreadM is the horizontal standard distance of
// the members there.
type PathPoint struct {
	Place   grid.LatLon
	SpreadM float64
}

// StormEnd is when the storm is expected to end at a site.
type StormEnd struct {
	Site string
	Time time.Time
}

// ManualHold is a hold that a person set.
type ManualHold struct {
	ID             string
	Sites, Targets []string // empty: all
	By, Reason     string
	Set            time.Time
	Until          time.Time // zero: until it is lifted
	LiftedAt       time.Time // zero: not lifted
	LiftedBy       string
}

// Lift is a person's decision that a hold whose cause is gone is over.
type Lift struct {
	// Criterion is the identifier of the criterion, or the key of one result of it.
	Criterion string
	By        string
	// Role of the person; By or Role must be one of those who may lift it.
	Role   string
	At     time.Time
	Reason string
}
