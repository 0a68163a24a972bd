package grib

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
)

// A product definition template is a sequence of parts that many templates
// share; productParts lists those that are read (WMO-No. 306, Volume I.2,
// templates 4.0 to 4.61).
type productPart int

const (
	partChemical     productPart = iota // constituent type
	partAerosol                         // aerosol type and its sizes
	partWavelength                      // optical properties
	partProcess                         // generating process
	partTime                            // forecast time
	partShortTime                       // forecast time of two octets (4.44 as first published)
	partSurfaces                        // first and second fixed surface
	partMember                          // ensemble member
	partDerived                         // statistic over the members
	partProbability                     // probability of an event
	partPercentile                      // percentile
	partStatistics                      // statistic over time
	partSpatial                         // statistic over an area
	partModelVersion                    // reforecast: date of the model version
)

var productParts = map[int][]productPart{
	0:  {partProcess, partTime, partSurfaces},
	1:  {partProcess, partTime, partSurfaces, partMember},
	2:  {partProcess, partTime, partSurfaces, partDerived},
	3:  {partProcess, partTime, partSurfaces, partDerived}, // a rectangular cluster follows
	4:  {partProcess, partTime, partSurfaces, partDerived}, // a circular cluster follows
	5:  {partProcess, partTime, partSurfaces, partProbability},
	6:  {partProcess, partTime, partSurfaces, partPercentile},
	7:  {partProcess, partTime, partSurfaces}, // analysis or forecast error
	8:  {partProcess, partTime, partSurfaces, partStatistics},
	9:  {partProcess, partTime, partSurfaces, partProbability, partStatistics},
	10: {partProcess, partTime, partSurfaces, partPercentile, partStatistics},
	11: {partProcess, partTime, partSurfaces, partMember, partStatistics},
	12: {partProcess, partTime, partSurfaces, partDerived, partStatistics},
	15: {partProcess, partTime, partSurfaces, partSpatial},
	40: {partChemical, partProcess, partTime, partSurfaces},
	41: {partChemical, partProcess, partTime, partSurfaces, partMember},
	42: {partChemical, partProcess, partTime, partSurfaces, partStatistics},
	43: {partChemical, partProcess, partTime, partSurfaces, partMember, partStatistics},
	44: {partAerosol, partProcess, partShortTime, partSurfaces},
	45: {partAerosol, partProcess, partTime, partSurfaces, partMember},
	46: {partAerosol, partProcess, partTime, partSurfaces, partStatistics},
	47: {partAerosol, partProcess, partTime, partSurfaces, partMember, partStatistics},
	48: {partAerosol, partWavelength, partProcess, partTime, partSurfaces},
	49: {partAerosol, partWavelength, partProcess, partTime, partSurfaces, partMember},
	60: {partProcess, partTime, partSurfaces, partMember, partModelVersion},
	61: {partProcess, partTime, partSurfaces, partMember, partModelVersion, partStatistics},
}

// Product templates whose quantity is not the parameter itself: its standard
// name would mislead.
const (
	productError = 7
)

// identification is section 1.
type identification struct {
	centre        int
	referenceTime time.Time
}

func parseIdentification(s section, p place) (identification, error) {
	c := s.from(6, p)
	id := identification{centre: int(c.uint16("originating centre"))}
	c.skip(5, "sub-centre, table versions, significance of the reference time")
	id.referenceTime = c.date("reference time")
	return id, c.err
}

// date reads seven octets: year (two), month, day, hour, minute, second.
func (c *cursor) date(name string) time.Time {
	at := c.pos
	year, b := int(c.uint16(name)), c.take(5, name)
	if c.err != nil {
		return time.Time{}
	}
	month, day, hour, minute, second := int(b[0]), int(b[1]), int(b[2]), int(b[3]), int(b[4])
	t := time.Date(year, time.Month(month), day, hour, minute, second, 0, time.UTC)
	// time.Date folds the 31st of April into May; the file is wrong then. A
	// 60th second is a leap second, and hour 24 the end of the day.
	if t.Year() != year && hour < 24 && second < 60 || month < 1 || month > 12 || day < 1 || day > daysIn(year, month) ||
		hour > 24 || minute > 59 || second > 60 {
		c.pos = at
		c.fail(ingest.ErrCorrupt, "%s %04d-%02d-%02d %02d:%02d:%02d is no time", name, year, month, day, hour, minute, second)
		return time.Time{}
	}
	return t
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// product collects what the parts of section 4 say.
type product struct {
	cursor
	centre int
	field  grid.Field

	parameter   parameterNumber
	constituent string
	detail      []string // for the long name: what of the quantity is given
	transformed bool     // not the quantity itself but a probability, a spread, an error
	start       time.Time
	hasTime     bool
}

// parseProduct reads sections 1 and 4 into a field without grid and values.
func parseProduct(s *sections, at place) (grid.Field, error) {
	id, err := parseIdentification(s.identification, at)
	if err != nil {
		return grid.Field{}, err
	}
	p := product{cursor: s.product.from(8, at), centre: id.centre}
	p.field.ReferenceTime, p.field.ValidTime = id.referenceTime, id.referenceTime
	p.field.Member = -1
	p.field.Level = grid.Level{Code: missingSurface, Value: math.NaN(), SecondCode: missingSurface, SecondValue: math.NaN()}

	template := int(p.uint16("product definition template"))
	p.parameter = parameterNumber{s.discipline, p.uint8("parameter category"), p.uint8("parameter number")}
	parts, known := productParts[template]
	for _, part := range parts {
		p.read(part)
	}
	if p.err != nil {
		return grid.Field{}, p.err
	}
	f := &p.field
	if !known {
		f.Level.Type = fmt.Sprintf("product definition template 4.%d, not read", template)
		p.detail = append(p.detail, f.Level.Type)
		p.transformed = true
	}
	if template == productError {
		p.detail, p.transformed = append(p.detail, "error"), true
	}
	f.Parameter = p.parameter.String()
	row := lookUpParameter(p.centre, p.parameter)
	f.ShortName, f.LongName = row.abbreviation, row.name
	if f.Units == "" {
		f.Units = row.units
	}
	if f.CellMethod == missingStatistic {
		switch word, _, _ := strings.Cut(f.LongName, " "); word { // of the parameter itself
		case "Maximum":
			f.CellMethod = "maximum"
		case "Minimum":
			f.CellMethod = "minimum"
		}
	}
	if f.LongName == "" {
		f.LongName = "parameter " + f.Parameter
	}
	if f.ShortName == "" {
		f.ShortName = f.Parameter
	}
	if p.constituent != "" {
		p.detail = append([]string{p.constituent}, p.detail...)
	}
	if len(p.detail) > 0 {
		f.LongName += " (" + strings.Join(p.detail, ", ") + ")"
	}
	if !p.transformed && p.constituent == "" {
		f.StandardName = standardName(p.centre, p.parameter, f.Level.Code)
	}
	return *f, nil
}

func (p *product) read(part productPart) {
	if p.err != nil {
		return
	}
	f := &p.field
	switch part {
	case partChemical:
		p.constituent = p.meaning("4.230", int(p.uint16("constituent type")), "constituent")
	case partAerosol:
		p.constituent = p.meaning("4.233", int(p.uint16("aerosol type")), "aerosol")
		p.skip(1+5+5, "aerosol sizes")
	case partWavelength:
		p.skip(1+5+5, "wavelengths")
	case partProcess:
		p.skip(3, "generating process")
	case partTime, partShortTime:
		p.readTime(part == partShortTime)
	case partSurfaces:
		p.readSurfaces()
	case partMember:
		kind := p.uint8("type of ensemble forecast")
		f.Member = int(p.uint8("perturbation number"))
		p.skip(1, "number of forecasts in the ensemble")
		// Code table 4.6: 0 and 1 are control forecasts; some producers number
		// them 1 all the same, which would collide with member 1.
		if kind <= 1 {
			f.Member = 0
		}
	case partDerived:
		code := p.uint8("derived forecast")
		p.skip(1, "number of forecasts in the ensemble")
		p.detail = append(p.detail, lowerFirst(p.meaning("4.7", int(code), "derived forecast")))
		// 0, 1 and 6 are means of members or cluster; the others are spreads,
		// extremes and indices.
		p.transformed = p.transformed || code != 0 && code != 1 && code != 6
	case partProbability:
		p.readProbability()
	case partPercentile:
		p.detail = append(p.detail, fmt.Sprintf("percentile %d", p.uint8("percentile")))
		p.transformed = true
	case partStatistics:
		p.readStatistics()
	case partSpatial:
		statistic := int(p.uint8("statistical processing"))
		p.skip(2, "spatial processing")
		f.CellMethod = cellMethod(statistic)
	case partModelVersion:
		p.skip(7, "date of the model version")
	}
}

// meaning looks a code up, and names it by number where the table has no such
// entry.
func (p *product) meaning(table string, code int, what string) string {
	if e, ok := lookUpCode(p.centre, table, code); ok {
		return e.meaning
	}
	return fmt.Sprintf("%s %d", what, code)
}

func lowerFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// readTime sets the instant of the forecast; for statistics it is the start of
// the interval.
func (p *product) readTime(short bool) {
	p.skip(3, "data cut-off")
	unit := p.uint8("unit of time")
	at := p.pos
	var n int
	if short {
		n = p.int16("forecast time")
	} else {
		n = p.int32("forecast time")
	}
	if p.err != nil {
		return
	}
	t, ok := addTime(p.field.ReferenceTime, unit, n)
	if !ok {
		p.pos = at
		p.fail(ingest.ErrCorrupt, "forecast time %d in unit %d (code table 4.4)", n, unit)
		return
	}
	p.start, p.hasTime = t, true
	p.field.ValidTime = t
}

// addTime adds n units of code table 4.4. Months and longer follow the calendar.
func addTime(t time.Time, unit uint8, n int) (time.Time, bool) {
	var seconds int64
	var months int64
	switch unit {
	case 0:
		seconds = 60
	case 1:
		seconds = 3600
	case 2:
		seconds = 86400
	case 3:
		months = 1
	case 4:
		months = 12
	case 5:
		months = 120
	case 6:
		months = 360
	case 7:
		months = 1200
	case 10:
		seconds = 3 * 3600
	case 11:
		seconds = 6 * 3600
	case 12:
		seconds = 12 * 3600
	case 13:
		seconds = 1
	default: // 255 is missing: no forecast time
		return t, n == 0 || unit == 255
	}
	// 10 000 years either way are beyond any use, and within all arithmetic.
	const limit = 10_000 * 12
	if n := int64(n); seconds*n > limit*31*86400 || seconds*n < -limit*31*86400 || months*n > limit || months*n < -limit {
		return t, false
	}
	t = time.Unix(t.Unix()+seconds*int64(n), 0).UTC().AddDate(0, int(months)*n, 0)
	return t, t.Year() >= 0 && t.Year() <= 9999
}

const missingSurface = 255

// readSurfaces reads the two fixed surfaces. A surface of no unit has no value,
// whatever number the file puts there.
func (p *product) readSurfaces() {
	level := &p.field.Level
	level.Code = int(p.uint8("first fixed surface"))
	level.Value = p.decimal("first fixed surface")
	level.SecondCode = int(p.uint8("second fixed surface"))
	level.SecondValue = p.decimal("second fixed surface")
	if e, ok := lookUpCode(p.centre, "4.5", level.Code); ok {
		level.Type, level.Units = lowerFirst(e.meaning), e.units
		if e.units == "" && !numbered[level.Code] {
			level.Value = math.NaN()
		}
	} else if level.Code != missingSurface {
		level.Type = fmt.Sprintf("fixed surface %d", level.Code)
	}
	if e, ok := lookUpCode(p.centre, "4.5", level.SecondCode); ok && e.units == "" && !numbered[level.SecondCode] || level.SecondCode == missingSurface {
		level.SecondValue = math.NaN()
	}
}

// numbered are the surfaces of code table 4.5 whose value is a plain number, of
// a model level for instance, though the table gives them no unit.
var numbered = map[int]bool{104: true, 105: true, 111: true, 113: true, 115: true, 118: true, 119: true, 150: true, 221: true, 241: true}

func (p *product) readProbability() {
	p.skip(2, "probability number and total")
	kind := p.uint8("probability type")
	lower, upper := p.decimal("lower limit"), p.decimal("upper limit")
	var event string
	switch kind { // code table 4.9
	case 0:
		event = fmt.Sprintf("below %g", lower)
	case 1:
		event = fmt.Sprintf("above %g", upper)
	case 2:
		event = fmt.Sprintf("from %g to below %g", lower, upper)
	case 3:
		event = fmt.Sprintf("above %g", lower)
	case 4:
		event = fmt.Sprintf("below %g", upper)
	case 5:
		event = fmt.Sprintf("equal to %g", lower)
	default:
		event = lowerFirst(p.meaning("4.9", int(kind), "event"))
	}
	p.detail = append(p.detail, "probability "+event)
	p.transformed = true
	// The limits have the unit of the parameter, the probability is in per cent
	// by common practice (NCEP, ECMWF); the template states no unit.
	p.field.Units = "%"
}

// readStatistics reads the end of the overall interval and the outermost time
// range.
func (p *product) readStatistics() {
	f := &p.field
	endAt := p.pos
	end := p.cursor
	endTime := end.date("end of the interval")
	p.skip(7, "end of the interval")
	ranges := p.uint8("number of time ranges")
	p.skip(4, "number of missing values")
	if ranges == 0 {
		p.fail(ingest.ErrCorrupt, "no time range in the statistics")
		return
	}
	statistic := int(p.uint8("statistical processing"))
	p.skip(1, "type of time increment")
	unit := p.uint8("unit of the time range")
	// The length is a count; some producers write it as a negative number, from
	// the end back to the start.
	length := int(p.uint32("length of the time range") & 0x7fffffff)
	p.skip(5, "time increment")
	p.skip(12*(int(ranges)-1), "inner time ranges")
	if p.err != nil {
		return
	}
	if end.err != nil {
		// Some producers leave the end empty: the range follows the start.
		var ok bool
		if endTime, ok = addTime(p.start, unit, length); !ok {
			p.pos, p.err = endAt, end.err
			return
		}
	}
	f.CellMethod = cellMethod(statistic)
	f.ValidTime, f.IntervalStart = endTime, p.start
	if p.start.After(endTime) { // a forecast time counted from elsewhere
		f.IntervalStart = endTime
		if start, ok := addTime(endTime, unit, -length); ok {
			f.IntervalStart = start
		}
	}
}

// missingStatistic is the cell method of an interval whose statistic the file
// does not name (255), so that its values are not taken for those of an instant.
const missingStatistic = "unknown statistic"

// cellMethod is the CF cell method of a code of table 4.10; where CF has none,
// the words of the table.
func cellMethod(statistic int) string {
	switch statistic {
	case 0:
		return "mean"
	case 1, 11:
		return "sum"
	case 2:
		return "maximum"
	case 3:
		return "minimum"
	case 5:
		return "root_mean_square"
	case 6:
		return "standard_deviation"
	case 7:
		return "variance"
	case 101:
		return "mode"
	case 255:
		return missingStatistic
	}
	if e, ok := lookUpCode(0, "4.10", statistic); ok {
		return lowerFirst(e.meaning)
	}
	return fmt.Sprintf("statistic %d (code table 4.10)", statistic)
}
