// Package programme reads and checks the file that describes a seeding
// programme: its sites and what they burn, its target areas, its inputs, and
// every number of the method that a programme may set for itself.
//
// The file is YAML, read strictly: an unknown key, a second key of the same
// name, a value outside its stated range or a reference to nothing is an error
// with file, line and column, and all errors of a file are reported together.
// Key names end in their unit. The struct tags of this package are the one
// place that states keys, ranges and defaults; the JSON Schema beside them is
// held to them by a test.
//
// The package does no I/O: Parse takes bytes, and a function that opens the
// files which the programme file names.
package programme

import (
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/alert"
)

// Programme is one programme file, with defaults filled in and references
// resolved. Temperatures are in kelvin here; the file has them in °C.
type Programme struct {
	ID       string `yaml:"id" need:"always" form:"token" doc:"Short name of the programme in message subjects and file names."`
	Name     string `yaml:"name" need:"always" length:"1..200" doc:"Name of the programme for people."`
	Timezone string `yaml:"timezone" default:"UTC" doc:"IANA time zone in which times are shown to people beside UTC."`

	Barrier     *Barrier      `yaml:"barrier" doc:"The mountain barrier that the plume must cross; holds for every site that does not give its own."`
	Sites       []Site        `yaml:"sites" need:"always" length:"1..1000" doc:"The ground sites that release agent."`
	Targets     []Target      `yaml:"targets" need:"always" length:"1..100" doc:"The areas on which the ice should fall."`
	YieldTables []YieldTable  `yaml:"yield_tables" need:"always" length:"1..50" doc:"How many ice crystals a gram of agent makes, by temperature; from the certificate of the agent in use."`
	Inputs      []Input       `yaml:"inputs" length:"0..100" doc:"Where model grids, soundings, observations, and what suspension criteria ask for come from. Those of assessments may be left out where they are named on the command line."`
	Stations    []Station     `yaml:"stations" length:"0..200" doc:"Where radiosonde stations are whose bulletins do not say it (TEMP)."`
	Releases    Releases      `yaml:"releases" doc:"For which release times assessments are made."`
	Ensemble    Ensemble      `yaml:"ensemble" doc:"The particles that are followed from each site, and how they are spread."`
	Thresholds  Thresholds    `yaml:"thresholds" doc:"Where the score changes the state of a site, and how the components are judged."`
	Watch       Watch         `yaml:"watch" doc:"How often the service judges the sites."`
	Manager     Manager       `yaml:"manager" doc:"Who answers for the programme and signs its criteria."`
	Holds       []Hold        `yaml:"holds" length:"1..200" doc:"What suspends seeding. Without it no criterion is judged, and every assessment says so."`
	Alerts      *alert.Config `yaml:"alerts" doc:"Who is told what, and by which way. Left out: alerts are on the message bus alone."`

	// File is the name under which the programme was read.
	File string `yaml:"-"`
	// Location is Timezone, loaded.
	Location *time.Location `yaml:"-"`
	// SHA256 of the programme file, and of every geometry file in the order of
	// the targets that name them.
	SHA256         string            `yaml:"-"`
	GeometrySHA256 map[string]string `yaml:"-"`

	// inputPlaces are line and column of what stands in the section inputs.
	inputPlaces map[string][2]int
}

// Manager is who answers for the programme.
type Manager struct {
	Name    string `yaml:"name" length:"1..200" doc:"Name of the licensed manager, for the printed page of criteria."`
	Licence string `yaml:"licence" length:"1..200" doc:"Number of the licence or permit, for the printed page of criteria."`
}

// Site is one place on the ground from which agent is released.
type Site struct {
	ID             string   `yaml:"id" need:"always" form:"token" doc:"Short name of the site in message subjects and file names."`
	Name           string   `yaml:"name" need:"always" length:"1..200" doc:"Name of the site for people."`
	LatitudeDeg    float64  `yaml:"latitude_deg" need:"always" range:"-85..85" doc:"North positive."`
	LongitudeDeg   float64  `yaml:"longitude_deg" need:"always" range:"-180..180" doc:"East positive."`
	AltitudeM      float64  `yaml:"altitude_m" default:"NaN" range:"-430..6000" doc:"Ground above mean sea level. Left out: taken from the terrain of the model."`
	ReleaseHeightM float64  `yaml:"release_height_m" default:"2" range:"0..300" doc:"Release above ground."`
	Agent          Agent    `yaml:"agent" need:"always" doc:"What the site burns."`
	Barrier        *Barrier `yaml:"barrier" doc:"The barrier seen from this site; overrides that of the programme."`
	// TargetIDs names the targets that the site serves; every target where the file leaves it out.
	TargetIDs []string `yaml:"targets" length:"1..100" form:"token" doc:"Identifiers of the targets that this site serves. Left out: all."`
	Zones     []string `yaml:"zones" length:"1..100" doc:"Codes of every zone for which warnings may be given that the site, or the way of its plume to the targets, lies in: public and fire zones (IDZ013), counties (IDC037, 016037). Warnings without a polygon are placed by them."`
}

// Place is where the site stands.
func (s *Site) Place() grid.LatLon {
	return grid.LatLon{LatitudeDeg: s.LatitudeDeg, LongitudeDeg: s.LongitudeDeg}
}

// Agent is what a site burns: a flare burns an amount in a time, a generator
// burns at a rate.
type Agent struct {
	Kind        string  `yaml:"kind" need:"always" one:"flare|generator" doc:"flare: amount_g in burn_minutes. generator: rate_g_per_h, for as long as it is lit."`
	AmountG     float64 `yaml:"amount_g" default:"NaN" range:"(0..10000" doc:"Silver iodide (or other ice-forming substance) in one burn of a flare; not the mass of the whole flare."`
	BurnMinutes float64 `yaml:"burn_minutes" default:"NaN" range:"(0..240" doc:"How long one burn of a flare lasts."`
	RateGPerH   float64 `yaml:"rate_g_per_h" default:"NaN" range:"(0..1000" doc:"Silver iodide that a generator releases in an hour."`
	YieldTable  string  `yaml:"yield_table" need:"always" form:"token" doc:"Identifier of the yield table of this agent."`
}

// RateGPerS is the release rate while agent is burning.
func (a Agent) RateGPerS() float64 {
	if a.Kind == "flare" {
		return a.AmountG / (a.BurnMinutes * 60)
	}
	return a.RateGPerH / 3600
}

// ReleaseDuration is how long one release lasts; zero for a generator, which
// burns until it is put out.
func (a Agent) ReleaseDuration() time.Duration {
	if a.Kind == "flare" {
		return time.Duration(a.BurnMinutes * float64(time.Minute))
	}
	return 0
}

// Barrier is the mountain barrier between a site and its target.
type Barrier struct {
	CrestAltitudeM float64 `yaml:"crest_altitude_m" need:"always" range:"0..9000" doc:"Crest above mean sea level."`
	TowardDeg      float64 `yaml:"toward_deg" need:"always" range:"0..360" doc:"Direction straight across the barrier, the way the wind must blow: degrees clockwise from true north."`
}

// YieldTable says how many ice crystals a gram of agent makes at a temperature.
// Published yields differ a hundredfold between agents, devices and
// laboratories, so no table is built in.
type YieldTable struct {
	ID     string       `yaml:"id" need:"always" form:"token" doc:"Short name by which sites refer to the table."`
	Source string       `yaml:"source" need:"always" length:"1..500" doc:"Where the numbers come from: certificate, laboratory, date."`
	Points []YieldPoint `yaml:"points" need:"always" length:"2..100" doc:"Yield by temperature, warmest first; between points the logarithm of the yield is interpolated."`
	// FieldFactor scales the whole table, for example 0.1 for a chamber test of
	// a fast agent.
	FieldFactor float64 `yaml:"field_factor" default:"1" range:"(0..10" doc:"Multiplies every yield: chamber certificates of fast agents promise more than is found in clouds, 0.1 is usual there."`
	// NucleationMinutes is the e-folding time of nucleation; NaN for the
	// temperature-dependent default of the method.
	NucleationMinutes float64 `yaml:"nucleation_minutes" default:"NaN" range:"(0..120" doc:"E-folding time of ice formation at every temperature. Left out: from temperature, 3.6 min at -8.5 °C, 1.4 min at -15.5 °C."`
}

// YieldPoint is one row of a yield table.
type YieldPoint struct {
	AirTemperatureK float64 `yaml:"temperature_degc" need:"always" range:"-40..0" unit:"degc" doc:"Air temperature."`
	CrystalsPerG    float64 `yaml:"crystals_per_g" need:"always" range:"(0..1e18" doc:"Ice crystals made by one gram of silver iodide."`
}

// Input is one place from which model grids, soundings, observations, readings,
// warnings or telemetry are taken: files that lie somewhere (Paths), or a public
// store, an address or the bus (Source). Which keys go with which kind is stated
// in inputKeys.
type Input struct {
	ID              string   `yaml:"id" need:"always" form:"token" doc:"Short name of the input."`
	Kind            string   `yaml:"kind" need:"always" one:"model|sounding|radar|mosaic|satellite|gauge|warnings|avalanche|telemetry" doc:"What the files hold. gauge, warnings, avalanche and telemetry are what suspension criteria ask for."`
	Paths           []string `yaml:"paths" need:"either" length:"1..1000" doc:"Files or patterns (* ? [a-z]), relative to the programme file. Of readings, warnings, danger and telemetry: files that another program writes anew; the time of their last change says up to when they hold."`
	Source          string   `yaml:"source" need:"either" form:"token" doc:"Name of the public store from which the input is fetched; bus for telemetry that comes as messages."`
	BaseURL         string   `yaml:"base_url" length:"1..1000" doc:"Where a mirror of the source lies (http or https), laid out as the source is. Left out: the public store."`
	Products        []string `yaml:"products" length:"1..100" doc:"Only these products of the source. Left out: those that an assessment can use."`
	ForecastHours   float64  `yaml:"forecast_hours" default:"NaN" range:"(0..384" doc:"How far beyond the start of its run a model is fetched. Left out: as the source proposes."`
	Required        bool     `yaml:"required" doc:"Where every input of this kind is too old or missing, the site cannot be judged. Left out: other inputs are judged without it."`
	Stations        []string `yaml:"stations" length:"1..1000" doc:"Only soundings of these stations (identifier or WMO number); of a source of radar data, these radars; of avalanche danger, these centres."`
	FreshHours      float64  `yaml:"fresh_hours" default:"NaN" range:"0..240" doc:"Up to this age an input counts in full. Left out: 3 for models and soundings, 1/6 for radar and mosaics, 1/4 for satellite."`
	MaximumAgeHours float64  `yaml:"maximum_age_hours" default:"NaN" range:"(0..240" doc:"From this age an input counts for nothing. Left out: 12 for models and soundings, 1/2 for radar and mosaics, 1 for satellite."`

	URL         string            `yaml:"url" length:"1..2000" doc:"Address (http or https) that always gives what holds now, for sources without one of their own. May hold {station}, {stations}, {zones}, {areas}, and the days {today} and {since}."`
	PollMinutes float64           `yaml:"poll_minutes" default:"NaN" range:"0.25..1440" doc:"How often it is asked for. Left out: as the source proposes."`
	Format      string            `yaml:"format" one:"usgs|nwps-gauge|nwps-stageflow|snotel|table|json" doc:"What files of readings hold."`
	Gauges      []string          `yaml:"gauges" length:"1..50" doc:"Identifiers of the gauges, reservoirs or stations that the input gives, as its answers and the criteria write them; a source of many is asked for these."`
	TimeZone    string            `yaml:"time_zone" length:"1..60" doc:"Zone of times that do not say theirs, for sources whose layout is built in: the station's standard time of snotel, such as -08:00."`
	Table       *TableMapping     `yaml:"table" doc:"How a table holds readings."`
	JSON        []JSONMapping     `yaml:"json" length:"1..20" doc:"Where a JSON holds readings, quantity by quantity."`
	Suspect     []GaugeLimits     `yaml:"suspect" length:"1..200" doc:"What readings are plausible within. Left out: wide limits by quantity."`
	Normals     []NormalCurve     `yaml:"normals" length:"1..50" doc:"Normal snow water equivalent by day, for stations whose service does not give it."`
	Zones       []string          `yaml:"zones" length:"1..200" doc:"warnings: zones and counties that are asked for, such as IDZ013 and IDC037. avalanche: zones that the input gives, as the criteria name them."`
	Areas       []string          `yaml:"areas" length:"1..50" doc:"warnings: whole states that are asked for instead of zones, such as ID."`
	Feed        string            `yaml:"feed" length:"1..60" doc:"Name of the list of warnings, by which criteria ask for it. Left out: the id of the input."`
	Danger      *DangerMapping    `yaml:"danger" doc:"Where a JSON holds avalanche danger."`
	Telemetry   *TelemetryMapping `yaml:"telemetry" doc:"Where a JSON holds the reports of sites."`
}

// inputAges are the ages of Input where the file gives none, by kind, in hours:
// common practice, no source.
var inputAges = map[string]struct{ fresh, maximum float64 }{
	"model": {3, 12}, "sounding": {3, 12}, "radar": {1. / 6, .5}, "mosaic": {1. / 6, .5}, "satellite": {.25, 1},
}

// Station is a place from which radiosondes rise. TEMP bulletins name the station
// and not the place, and an ascent of unknown place counts for nothing.
type Station struct {
	ID           string  `yaml:"id" need:"always" form:"token" doc:"Identifier of the station as its reports have it: WMO number, or four letters."`
	Name         string  `yaml:"name" length:"1..200" doc:"Name of the station for people."`
	LatitudeDeg  float64 `yaml:"latitude_deg" need:"always" range:"-90..90" doc:"North positive."`
	LongitudeDeg float64 `yaml:"longitude_deg" need:"always" range:"-180..180" doc:"East positive."`
	AltitudeM    float64 `yaml:"altitude_m" need:"always" range:"-430..6000" doc:"Ground above mean sea level."`
}

// KnownSource is a public store that an input may name. The caller of Parse
// gives the list.
type KnownSource struct {
	Name string
	// Kind of input that it gives, one of those that Input.Kind takes; empty
	// where it is not checked.
	Kind string
	// Format of its answers, of inputs for suspension criteria.
	Format string
	// NeedsURL: the input must say where it is.
	NeedsURL bool
}

// Watch says how often the service judges. The defaults are common practice,
// no source.
type Watch struct {
	NowMinutes     float64 `yaml:"now_minutes" default:"5" range:"1..60" doc:"At least this often a release at the present moment is judged while anything is near: an opportunity now or in the outlook, or bands on their way."`
	OutlookMinutes float64 `yaml:"outlook_minutes" default:"15" range:"5..120" doc:"Time from one release of the outlook to the next."`
	IdleMinutes    float64 `yaml:"idle_minutes" default:"15" range:"1..240" doc:"At least this often a release at the present moment is judged while nothing is near."`
}

// Releases says for which release times assessments are made.
type Releases struct {
	Count          int     `yaml:"count" default:"1" range:"1..500" doc:"How many release times."`
	SpacingMinutes float64 `yaml:"spacing_minutes" default:"30" range:"1..720" doc:"Time from one release to the next."`
}

// Ensemble is how many particles leave each site, and how they are spread. The
// defaults are common practice, no source, except where the doc tag names one.
type Ensemble struct {
	Members             int           `yaml:"members" default:"100" range:"2..100000" doc:"Particles a release."`
	Seed                int64         `yaml:"seed" default:"1" range:"0..9007199254740991" doc:"Start of the random numbers: the same seed gives the same particles."`
	DirectionSDDeg      float64       `yaml:"direction_sd_deg" default:"10" range:"0..90" doc:"Standard deviation of the error of wind direction."`
	SpeedSDFraction     float64       `yaml:"speed_sd_fraction" default:"0.15" range:"0..1" doc:"Standard deviation of the error of wind speed, as a fraction of the speed."`
	VerticalSDFraction  float64       `yaml:"vertical_sd_fraction" default:"0.3" range:"0..2" doc:"Standard deviation of the error of vertical velocity, as a fraction of it."`
	OnsetWarmestK       float64       `yaml:"onset_warmest_degc" default:"-5" range:"-30..0" unit:"degc" doc:"Warmest temperature at which agent may begin to act; each member draws between this and the coldest."`
	OnsetColdestK       float64       `yaml:"onset_coldest_degc" default:"-8" range:"-30..0" unit:"degc" doc:"Coldest temperature at which agent begins to act."`
	GrowthMinutes       GrowthMinutes `yaml:"growth_minutes" doc:"Time in which a crystal grows until it falls at its full speed; triangular distribution."`
	FallSpeedMPerS      float64       `yaml:"fall_speed_m_per_s" default:"1" range:"(0..15" doc:"Median terminal fall speed: unrimed snow about 1.0, rimed 1.5, graupel 2.5."`
	FallSpeedFactor     float64       `yaml:"fall_speed_factor" default:"1.4" range:"1..5" doc:"Geometric standard deviation of the fall speed."`
	LongestDriftMinutes float64       `yaml:"longest_drift_minutes" default:"180" range:"10..1440" doc:"A particle that has not landed by then is given up."`
}

// GrowthMinutes is a triangular distribution.
type GrowthMinutes struct {
	Shortest float64 `yaml:"shortest" default:"8" range:"(0..240" doc:"Left end of the triangle."`
	Likely   float64 `yaml:"likely" default:"20" range:"(0..240" doc:"Peak of the triangle."`
	Longest  float64 `yaml:"longest" default:"30" range:"(0..240" doc:"Right end of the triangle."`
}

// Thresholds is where the score changes the state of a site. The defaults are
// common practice, no source.
type Thresholds struct {
	WindowScore       float64 `yaml:"window_score" default:"60" range:"0..100" doc:"Score from which a site is in its window."`
	Hysteresis        float64 `yaml:"hysteresis" default:"5" range:"0..50" doc:"Points that the score must exceed window_score by to open a window that was shut."`
	ConsecutiveScores int     `yaml:"consecutive_scores" default:"2" range:"1..20" doc:"Assessments in a row that must reach the window before it opens."`
	ConfidenceMinimum float64 `yaml:"confidence_minimum" default:"0.3" range:"0..1" doc:"Below this confidence a site is blind."`
	// Components maps a component's name to what the file changes of it.
	Components map[string]Component `yaml:"components" doc:"Changes to how a component of the score is judged, by its name."`
}

// Component is a change to the judgement of one component of the score.
type Component struct {
	Unit string `yaml:"unit" doc:"Unit of the knots; must be that of the component. Needed with knots."`
	// Knots are pairs of quantity and membership, nil where the default holds.
	Knots [][2]float64 `yaml:"knots" length:"2..50" doc:"Pairs [quantity, membership from 0 to 1], quantity rising; straight lines between, constant outside."`
	// Weight is NaN where the default holds.
	Weight float64 `yaml:"weight" default:"NaN" range:"0..1" doc:"Weight in the score; the weights are normalised to sum to one, 0 switches the component off."`
}

// ComponentDefault is a component of the score as it is judged where no
// programme changes it. The caller of Parse gives the list.
type ComponentDefault struct {
	Name, Unit string
	Knots      [][2]float64
	Weight     float64
}

// Site finds a site by its identifier; nil where there is none.
func (p *Programme) Site(id string) *Site {
	for i := range p.Sites {
		if p.Sites[i].ID == id {
			return &p.Sites[i]
		}
	}
	return nil
}

// Target finds a target by its identifier; nil where there is none.
func (p *Programme) Target(id string) *Target {
	for i := range p.Targets {
		if p.Targets[i].ID == id {
			return &p.Targets[i]
		}
	}
	return nil
}

// YieldTable finds a yield table by its identifier; nil where there is none.
func (p *Programme) YieldTable(id string) *YieldTable {
	for i := range p.YieldTables {
		if p.YieldTables[i].ID == id {
			return &p.YieldTables[i]
		}
	}
	return nil
}

// TargetsOf lists the targets that a site serves, in the order of the file.
func (p *Programme) TargetsOf(site *Site) []*Target {
	var served []*Target
	for i := range p.Targets {
		for _, id := range site.TargetIDs {
			if p.Targets[i].ID == id {
				served = append(served, &p.Targets[i])
			}
		}
	}
	return served
}

// BarrierOf is the barrier that holds for a site; nil where none is given.
func (p *Programme) BarrierOf(site *Site) *Barrier {
	if site.Barrier != nil {
		return site.Barrier
	}
	return p.Barrier
}

// Bounds is the box of latitude and longitude that holds every site and target.
// No programme crosses the antimeridian (Parse refuses it).
func (p *Programme) Bounds() (south, west, north, east float64) {
	south, west, north, east = math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i := range p.Sites {
		south, north = math.Min(south, p.Sites[i].LatitudeDeg), math.Max(north, p.Sites[i].LatitudeDeg)
		west, east = math.Min(west, p.Sites[i].LongitudeDeg), math.Max(east, p.Sites[i].LongitudeDeg)
	}
	for i := range p.Targets {
		bounds := p.Targets[i].Area.Bounds()
		west, east = math.Min(west, bounds.Min(0)), math.Max(east, bounds.Max(0))
		south, north = math.Min(south, bounds.Min(1)), math.Max(north, bounds.Max(1))
	}
	return south, west, north, east
}
