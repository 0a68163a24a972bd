package programme

// The mappings say where files of other people hold what the program asks for.
// Paths into JSON are written
//
//	a.b         member b of member a; a["b.c"] where the name has a dot or blank
//	a[0] a[-1]  first and last element
//	a[*]        all elements
//	$.a         from the root of the file rather than from the record
//	'text'      the text itself, whatever the file holds
//
// Times are rfc3339, unix, unix_ms, or letters such as YYYY-MM-DD HH:mm.

// TableMapping says how a CSV, TSV or fixed text holds readings.
type TableMapping struct {
	Delimiter    string        `yaml:"delimiter" one:",|;|tab|pipe|space|fixed" doc:"What stands between columns: , or ; or tab, pipe for |, space for runs of blanks, or fixed for text in which columns are places in the line. Left out: a comma."`
	SkipLines    int           `yaml:"skip_lines" range:"0..10000" doc:"Lines before the headings, or before the data where there are none."`
	NoHeader     bool          `yaml:"no_header" doc:"There is no line of headings; columns are then numbers from 1."`
	AfterHeader  int           `yaml:"after_header" range:"0..100" doc:"Lines between headings and data, such as one of units."`
	Comment      string        `yaml:"comment" length:"1..20" doc:"Lines that begin so are left out."`
	Time         []string      `yaml:"time" need:"always" length:"1..4" doc:"Columns of the time, joined by a space: heading, number from 1, or characters such as 1-10 in fixed text."`
	Layout       string        `yaml:"layout" need:"always" length:"1..60" doc:"How times are written: rfc3339, unix, unix_ms, or letters such as YYYY-MM-DD HH:mm."`
	TimeZone     string        `yaml:"time_zone" length:"1..60" doc:"Zone of times that do not say theirs: UTC, -08:00, PST, or an IANA name."`
	Gauge        string        `yaml:"gauge" length:"1..60" doc:"The gauge of all rows."`
	GaugeColumn  string        `yaml:"gauge_column" length:"1..100" doc:"Column that names the gauge of each row."`
	Name         string        `yaml:"name" length:"1..200" doc:"Name of the gauge for people."`
	Values       []ValueColumn `yaml:"values" need:"always" length:"1..50" doc:"The columns of values."`
	Forecast     bool          `yaml:"forecast" doc:"The values are forecasts."`
	DecimalComma bool          `yaml:"decimal_comma" doc:"Decimals stand behind a comma."`
	Thousands    string        `yaml:"thousands" length:"1..1" doc:"What separates thousands, such as , in 1,234.5."`
	Missing      []string      `yaml:"missing" length:"1..20" doc:"What stands for no value, such as -9999 or ---; empty cells always do."`
}

// ValueColumn is one quantity of a table.
type ValueColumn struct {
	Column      string            `yaml:"column" need:"always" length:"1..100" doc:"Heading, number from 1, or characters such as 12-19 in fixed text."`
	Quantity    string            `yaml:"quantity" need:"always" one:"stage|flow|storage|elevation|percent_full|inflow|outflow|snow_water_equivalent|snow_water_equivalent_normal|snow_water_equivalent_normal_april_1|snow_water_equivalent_percent|snow_water_equivalent_percent_april_1|snow_depth|precipitation|air_temperature|water_temperature|wind_speed" doc:"What it measures, in the words of the criteria."`
	Unit        string            `yaml:"unit" length:"1..20" doc:"Unit of the cells; needed without unit_column. Where both are given they must agree."`
	UnitColumn  string            `yaml:"unit_column" length:"1..100" doc:"Column that names the unit."`
	Datum       string            `yaml:"datum" length:"1..40" doc:"Vertical datum of stages and elevations."`
	Statistic   string            `yaml:"statistic" length:"1..40" doc:"mean, max, ... over the interval; left out: instantaneous."`
	FlagColumn  string            `yaml:"flag_column" length:"1..100" doc:"Column of the source's qualifiers."`
	Codes       map[string]string `yaml:"codes" doc:"What qualifiers mean: good, provisional, approved, estimated, ice, equipment, missing, unreadable, suspect by source, censored."`
	WhereColumn string            `yaml:"where_column" length:"1..100" doc:"Only rows count in which this column holds where_is, such as the number of the sensor."`
	WhereIs     string            `yaml:"where_is" length:"1..100" doc:"See where_column."`
}

// JSONMapping says where JSON holds the values of one quantity.
type JSONMapping struct {
	Rows      string            `yaml:"rows" length:"1..300" doc:"Path of the records; left out: the file is one record."`
	Gauge     string            `yaml:"gauge" need:"always" length:"1..300" doc:"Path of the gauge's identifier, or the identifier itself in quotes within quotes."`
	Name      string            `yaml:"name" length:"1..300" doc:"Path of the gauge's name."`
	Quantity  string            `yaml:"quantity" need:"always" one:"stage|flow|storage|elevation|percent_full|inflow|outflow|snow_water_equivalent|snow_water_equivalent_normal|snow_water_equivalent_normal_april_1|snow_water_equivalent_percent|snow_water_equivalent_percent_april_1|snow_depth|precipitation|air_temperature|water_temperature|wind_speed" doc:"What is measured, in the words of the criteria."`
	Unit      string            `yaml:"unit" need:"always" length:"1..300" doc:"Path of the unit, or the unit itself in quotes within quotes: \"'ft'\"."`
	Datum     string            `yaml:"datum" length:"1..300" doc:"Path of the vertical datum, or the datum itself in quotes within quotes."`
	Time      string            `yaml:"time" need:"always" length:"1..300" doc:"Path of the time or, with as many values, times."`
	Layout    string            `yaml:"layout" need:"always" length:"1..60" doc:"How times are written: rfc3339, unix, unix_ms, or letters such as YYYY-MM-DD HH:mm."`
	TimeZone  string            `yaml:"time_zone" length:"1..60" doc:"Zone of times that do not say theirs: UTC, -08:00, PST, or an IANA name."`
	Value     string            `yaml:"value" need:"always" length:"1..300" doc:"Path of the value or values."`
	Flag      string            `yaml:"flag" length:"1..300" doc:"Path of the source's qualifier."`
	Codes     map[string]string `yaml:"codes" doc:"What qualifiers mean: good, provisional, approved, estimated, ice, equipment, missing, unreadable, suspect by source, censored."`
	Where     string            `yaml:"where" length:"1..300" doc:"Only records count in which this path gives where_is."`
	WhereIs   string            `yaml:"where_is" length:"1..100" doc:"See where."`
	Issued    string            `yaml:"issued" length:"1..300" doc:"Path of the time at which a forecast was made, RFC 3339."`
	Missing   []string          `yaml:"missing" length:"1..20" doc:"What stands for no value."`
	Forecast  bool              `yaml:"forecast" doc:"The values are forecasts."`
	Latitude  string            `yaml:"latitude" length:"1..300" doc:"Path of the gauge's latitude."`
	Longitude string            `yaml:"longitude" length:"1..300" doc:"Path of the gauge's longitude."`
}

// DangerMapping says where JSON or GeoJSON holds avalanche danger.
type DangerMapping struct {
	Rows     string       `yaml:"rows" length:"1..300" doc:"Path of the records, such as features[*]; left out: the file is one record."`
	Zone     string       `yaml:"zone" need:"always" length:"1..300" doc:"Path of the zone, as the criteria name it."`
	Name     string       `yaml:"name" length:"1..300" doc:"Path of the zone's name."`
	Level    string       `yaml:"level" length:"1..300" doc:"Path of the danger: 1 to 5, or a word of the scale."`
	Bands    []DangerBand `yaml:"bands" length:"1..10" doc:"Danger by band of elevation; the highest counts."`
	From     string       `yaml:"from" length:"1..300" doc:"Path of the time from which it holds. Left out: the answer says what holds when it is asked for."`
	To       string       `yaml:"to" length:"1..300" doc:"Path of the time until which it holds."`
	Layout   string       `yaml:"layout" length:"1..60" doc:"How times are written: rfc3339, unix, unix_ms, or letters such as YYYY-MM-DD HH:mm."`
	TimeZone string       `yaml:"time_zone" length:"1..60" doc:"Zone of times that do not say theirs."`
}

// DangerBand is one band of elevation.
type DangerBand struct {
	Name  string `yaml:"name" need:"always" length:"1..60" doc:"Its name for people."`
	Level string `yaml:"level" need:"always" length:"1..300" doc:"Path of the danger."`
}

// TelemetryMapping says where JSON holds the reports of the programme's sites.
type TelemetryMapping struct {
	Rows        string        `yaml:"rows" length:"1..300" doc:"Path of the records; left out: the file, or the data of the message, is one record."`
	Site        string        `yaml:"site" need:"always" length:"1..300" doc:"Path of the site's identifier in this file."`
	Time        string        `yaml:"time" need:"always" length:"1..300" doc:"Path of the time of the report."`
	Layout      string        `yaml:"layout" need:"always" length:"1..60" doc:"How times are written: rfc3339, unix, unix_ms, or letters such as YYYY-MM-DD HH:mm."`
	TimeZone    string        `yaml:"time_zone" length:"1..60" doc:"Zone of times that do not say theirs."`
	Battery     *MeasuredPath `yaml:"battery" doc:"Battery voltage."`
	SolarA      *MeasuredPath `yaml:"solar_current" doc:"Charging current."`
	SolarW      *MeasuredPath `yaml:"solar_power" doc:"Charging power."`
	Units       string        `yaml:"units_left" length:"1..300" doc:"Path of the flares, or hours of solution, that are left."`
	Temperature *MeasuredPath `yaml:"air_temperature" doc:"Air temperature."`
	LastContact string        `yaml:"last_contact" length:"1..300" doc:"Path of the time at which the site was last heard. Left out: the time of the report."`
	Faults      []string      `yaml:"faults" length:"1..50" doc:"Paths of faults: lists or texts of them, members that are true, numbers that are not zero."`
	Missing     []string      `yaml:"missing" length:"1..20" doc:"What stands for no value."`
}

// MeasuredPath is the path of a number and its unit.
type MeasuredPath struct {
	Path string `yaml:"path" need:"always" length:"1..300" doc:"Path of the number."`
	Unit string `yaml:"unit" need:"always" length:"1..20" doc:"Its unit, not a path: V, mV, A, W, degC, degF, K."`
}

// GaugeLimits are what a reading of a gauge is plausible within.
type GaugeLimits struct {
	Gauge          string  `yaml:"gauge" need:"always" length:"1..60" doc:"Identifier of the gauge."`
	Quantity       string  `yaml:"quantity" need:"always" length:"1..100" doc:"The quantity, such as stage."`
	Unit           string  `yaml:"unit" need:"always" length:"1..20" doc:"Unit of the limits."`
	Min            float64 `yaml:"min" default:"NaN" range:"-1e9..1e12" doc:"A reading below this is suspect, which counts as unknown."`
	Max            float64 `yaml:"max" default:"NaN" range:"-1e9..1e12" doc:"A reading above this is suspect."`
	MaxRisePerHour float64 `yaml:"max_rise_per_hour" default:"NaN" range:"(0..1e12" doc:"A reading that has risen faster since the one before is suspect."`
	MaxFallPerHour float64 `yaml:"max_fall_per_hour" default:"NaN" range:"(0..1e12" doc:"A reading that has fallen faster since the one before is suspect."`
	FlatHours      float64 `yaml:"flat_hours" default:"NaN" range:"0..2400" doc:"Readings that stay the same for longer are suspect; 0: not judged."`
}

// NormalCurve is the normal snow water equivalent of a station by day of the
// year, for services that do not give it beside the values.
type NormalCurve struct {
	Gauge     string   `yaml:"gauge" need:"always" length:"1..60" doc:"Identifier of the station."`
	File      string   `yaml:"file" need:"always" length:"1..1000" doc:"Table of the normal by day, relative to the programme file."`
	Delimiter string   `yaml:"delimiter" one:",|;|tab|pipe|space|fixed" doc:"What stands between columns. Left out: a comma."`
	SkipLines int      `yaml:"skip_lines" range:"0..10000" doc:"Lines before the headings."`
	Comment   string   `yaml:"comment" length:"1..20" doc:"Lines that begin so are left out."`
	NoHeader  bool     `yaml:"no_header" doc:"There is no line of headings; columns are then numbers from 1."`
	Date      string   `yaml:"date" need:"always" length:"1..100" doc:"Column of the day: 12-01, Dec 1, or a date, of which the year is left out."`
	Value     string   `yaml:"value" need:"always" length:"1..100" doc:"Column of the normal."`
	Unit      string   `yaml:"unit" need:"always" length:"1..20" doc:"Unit of the normal: mm, in."`
	Season    bool     `yaml:"season" doc:"The table ends at its last day; else it goes round the year."`
	Missing   []string `yaml:"missing" length:"1..20" doc:"What stands for no value."`

	// Text of the file.
	Text []byte `yaml:"-"`
}

// InputQuantities are the quantities of readings by the names that criteria and
// mappings use, with a unit of what they measure.
var InputQuantities = map[string]string{
	"stage": "m", "flow": "m3/s", "storage": "m3", "elevation": "m", "percent_full": "%", "inflow": "m3/s", "outflow": "m3/s",
	"snow_water_equivalent": "mm", "snow_water_equivalent_normal": "mm", "snow_water_equivalent_normal_april_1": "mm",
	"snow_water_equivalent_percent": "%", "snow_water_equivalent_percent_april_1": "%",
	"snow_depth": "m", "precipitation": "mm", "air_temperature": "degC", "water_temperature": "degC", "wind_speed": "m/s",
}

// SourceBus is the source of telemetry that sites, or a gateway for them, send
// over the message bus; nothing is asked for it.
const SourceBus = "bus"

// The formats of inputs for suspension criteria.
const (
	FormatUSGS      = "usgs"
	FormatNWPSGauge = "nwps-gauge"
	FormatStageflow = "nwps-stageflow"
	FormatSnotel    = "snotel"
	FormatTable     = "table"
	FormatJSON      = "json"
	FormatAlerts    = "alerts"    // of warnings: CAP, or GeoJSON of api.weather.gov
	FormatDanger    = "danger"    // as the section danger says
	FormatMapLayer  = "map-layer" // of avalanche.org
	FormatTelemetry = "telemetry" // as the section telemetry says
)

// IsSafety tells that an input serves suspension criteria and no assessment.
func (i *Input) IsSafety() bool {
	switch i.Kind {
	case "gauge", "warnings", "avalanche", "telemetry":
		return true
	}
	return false
}

// Input finds an input by its identifier; nil where there is none.
func (p *Programme) Input(id string) *Input {
	for i := range p.Inputs {
		if p.Inputs[i].ID == id {
			return &p.Inputs[i]
		}
	}
	return nil
}
