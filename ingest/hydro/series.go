package hydro

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/grid"
)

// Quantity is what a Series measures. Its unit is fixed, see Unit.
type Quantity string

// The quantities that suspension criteria ask for. A quantity that is not
// listed keeps the unit in which it came.
const (
	RiverStage           Quantity = "river_stage"            // m above gauge zero or Datum
	RiverDischarge       Quantity = "river_discharge"        // m3 s-1
	RiverElevation       Quantity = "river_elevation"        // m above Datum
	ReservoirStorage     Quantity = "reservoir_storage"      // m3
	ReservoirElevation   Quantity = "reservoir_elevation"    // m above Datum
	ReservoirPercentFull Quantity = "reservoir_percent_full" // % of capacity
	ReservoirInflow      Quantity = "reservoir_inflow"       // m3 s-1
	ReservoirOutflow     Quantity = "reservoir_outflow"      // m3 s-1
	SWE                  Quantity = "swe"                    // kg m-2, that is mm of water
	SWEPercentOfNormal   Quantity = "swe_percent_of_normal"  // %
	SnowDepth            Quantity = "snow_depth"             // m
	Precipitation        Quantity = "precipitation"          // kg m-2 in the interval, or accumulated
	AirTemperature       Quantity = "air_temperature"        // K
	WaterTemperature     Quantity = "water_temperature"      // K
	WindSpeed            Quantity = "wind_speed"             // m s-1
)

// Unit is the unit of a quantity in this package, "" where it is not fixed.
func (q Quantity) Unit() string {
	switch q {
	case RiverStage, RiverElevation, ReservoirElevation, SnowDepth:
		return "m"
	case RiverDischarge, ReservoirInflow, ReservoirOutflow:
		return "m3 s-1"
	case ReservoirStorage:
		return "m3"
	case SWE, Precipitation:
		return "kg m-2"
	case ReservoirPercentFull, SWEPercentOfNormal:
		return "%"
	case AirTemperature, WaterTemperature:
		return "K"
	case WindSpeed:
		return "m s-1"
	}
	return ""
}

// Flags say what the source, or its clock, leaves in doubt about one value.
type Flags uint16

const (
	Provisional   Flags = 1 << iota // subject to revision
	Approved                        // reviewed by the source
	Estimated                       // not measured
	IceAffected                     // ice at the gauge
	EquipmentFail                   // equipment malfunction, maintenance, discontinued
	Missing                         // no value; Value is NaN
	Unreadable                      // neither a number nor a known code; Value is NaN
	SourceSuspect                   // the source itself doubts it
	Censored                        // true value is above or below the one given
	DateOnly                        // the source gives a day; Time is its start
	TimeDoubtful                    // local time that occurs twice, or never, at a daylight-saving change
)

var flagNames = []string{"provisional", "approved", "estimated", "ice", "equipment", "missing",
	"unreadable", "suspect by source", "censored", "date only", "time doubtful"}

// Has says whether all of the given flags are set.
func (f Flags) Has(want Flags) bool { return f&want == want }

// String lists the flags with commas.
func (f Flags) String() string {
	var names []string
	for i, name := range flagNames {
		if f&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}

// Point is one value of a Series, in the unit of the Series.
type Point struct {
	Time  time.Time // UTC
	Value float64   // NaN where missing
	Flags Flags
	Code  string // the source's own qualifiers, as written
}

// Series is one quantity at one gauge over time, ascending.
type Series struct {
	Gauge      string      // the source's identifier
	Name       string      // as the source has it
	Agency     string      // "" where the source does not say
	Place      grid.LatLon // NaN where the source does not say
	Quantity   Quantity
	Unit       string // of Value: Quantity.Unit, or SourceUnit where that is not fixed
	SourceUnit string // as written in the file or mapping
	Statistic  string // "mean", "max", ... over the interval; "" instantaneous or unknown
	Datum      string // "gauge zero", "NAVD88", ...; "" unknown
	Observed   bool   // false: forecast
	Issued     time.Time
	Points     []Point
	Notes      []string // what a reader should know; never empty of something lost
}

// Latest is the newest point that has a value, and whether there is one.
func (s Series) Latest() (Point, bool) {
	for _, p := range slices.Backward(s.Points) {
		if !math.IsNaN(p.Value) {
			return p, true
		}
	}
	return Point{}, false
}

// At is the newest point with a value at or before a time.
func (s Series) At(t time.Time) (Point, bool) {
	for _, p := range slices.Backward(s.Points) {
		if !p.Time.After(t) && !math.IsNaN(p.Value) {
			return p, true
		}
	}
	return Point{}, false
}

// Max is the point of the largest value in [from, to], for forecasts.
func (s Series) Max(from, to time.Time) (Point, bool) {
	best, found := Point{}, false
	for _, p := range s.Points {
		if !p.Time.Before(from) && !p.Time.After(to) && (p.Value > best.Value || !found && !math.IsNaN(p.Value)) {
			best, found = p, true
		}
	}
	return best, found
}

// note adds a remark, up to a ceiling after which it only counts.
func (s *Series) note(format string, args ...any) {
	switch {
	case len(s.Notes) < maxNotes:
		s.Notes = append(s.Notes, fmt.Sprintf(format, args...))
	case len(s.Notes) == maxNotes:
		s.Notes = append(s.Notes, "further remarks left out")
	}
}

// sorted brings the points into order of time and says so where they were not.
func (s *Series) sorted() {
	byTime := func(a, b Point) int { return a.Time.Compare(b.Time) }
	if !slices.IsSortedFunc(s.Points, byTime) {
		backward := slices.IsSortedFunc(s.Points, func(a, b Point) int { return b.Time.Compare(a.Time) })
		slices.SortStableFunc(s.Points, byTime)
		if !backward {
			s.note("the file has its values out of order")
		}
	}
	for i := 1; i < len(s.Points); i++ {
		a, b := s.Points[i-1], s.Points[i]
		if a.Time.Equal(b.Time) && a.Value != b.Value && !math.IsNaN(a.Value) && !math.IsNaN(b.Value) {
			s.note("two values at %s: %g and %g %s", b.Time.Format(time.RFC3339), a.Value, b.Value, s.Unit)
		}
	}
}

// nowhere is the place of a gauge whose source does not give one.
func nowhere() grid.LatLon {
	return grid.LatLon{LatitudeDeg: math.NaN(), LongitudeDeg: math.NaN()}
}

// placeAt checks a place; one outside the ranges is unknown.
func placeAt(latitudeDeg, longitudeDeg float64) (grid.LatLon, bool) {
	if !(math.Abs(latitudeDeg) <= 90) || !(math.Abs(longitudeDeg) <= 360) {
		return nowhere(), false
	}
	return grid.LatLon{LatitudeDeg: latitudeDeg, LongitudeDeg: grid.NormalLongitudeDeg(longitudeDeg)}, true
}

// collector gathers values of one file into series, in order of appearance.
type collector struct {
	series []*Series
	byKey  map[string]*Series
	points int
}

// get gives the series of a key, making it on first sight.
func (c *collector) get(key string, make func() Series) *Series {
	if s, ok := c.byKey[key]; ok {
		return s
	}
	if c.byKey == nil {
		c.byKey = map[string]*Series{}
	}
	s := make()
	c.byKey[key] = &s
	c.series = append(c.series, &s)
	return &s
}

// done sorts all series and hands them out.
func (c *collector) done() []Series {
	all := make([]Series, len(c.series))
	for i, s := range c.series {
		s.sorted()
		all[i] = *s
	}
	return all
}
