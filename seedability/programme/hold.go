package programme

import (
	"github.com/twpayne/go-geom"
)

// Hold is one suspension criterion: what suspends seeding, for which sites and
// targets, and what lifts it again. Which keys go with which kind is stated in
// holdKeys; a preset fills in what the file leaves out.
type Hold struct {
	ID     string `yaml:"id" need:"always" form:"token" doc:"Short name of the criterion."`
	Kind   string `yaml:"kind" need:"always" one:"precipitation|river|gauge|reservoir|snow|freezing_level|rain_on_snow|warning|burn_scar|wind|season|hours|site_ready|agent_limit|avalanche|manual" doc:"What is judged."`
	Name   string `yaml:"name" length:"1..200" doc:"Name of the criterion for people. Left out: the id."`
	Preset string `yaml:"preset" form:"token" doc:"A public rule that fills in the limits which the file leaves out; its source is shown."`
	// SiteIDs and TargetIDs are filled in with all where the file leaves them out.
	SiteIDs   []string `yaml:"sites" length:"1..1000" form:"token" doc:"Sites that the criterion suspends. Left out: all."`
	TargetIDs []string `yaml:"targets" length:"1..100" form:"token" doc:"Targets for which it suspends them. Left out: all."`
	Source    string   `yaml:"source" length:"1..500" doc:"Where the limits come from: permit with number and paragraph, regulation, decision of a person. Needed without a preset."`
	Note      string   `yaml:"note" length:"1..1000" doc:"What the person on duty should know of it."`

	Lift         string   `yaml:"lift" one:"person|automatic" doc:"Who lifts a hold whose cause is gone: a person, or the program after clear_minutes. Left out: a person; automatic for season, hours and agent_limit."`
	ClearMinutes float64  `yaml:"clear_minutes" default:"NaN" range:"0..10080" doc:"How long the cause must be gone without interruption before a hold lifts by itself. Left out: 30; 0 for season, hours and agent_limit."`
	MayLift      []string `yaml:"may_lift" length:"1..20" doc:"Names or roles of those who may lift it. Left out: licensed manager."`

	MaximumAgeHours  float64 `yaml:"maximum_age_hours" default:"NaN" range:"(0..2400" doc:"An input older than this cannot be judged, which counts as held. Left out: by kind, see rimeline check --criteria."`
	ForecastHours    float64 `yaml:"forecast_hours" default:"NaN" range:"(0..240" doc:"How far ahead forecasts are judged too; they are then needed. For warnings: how long before its onset one counts."`
	ForecastAgeHours float64 `yaml:"forecast_age_hours" default:"NaN" range:"(0..240" doc:"A forecast issued longer ago cannot be judged. Left out: 12 for weather, 30 for rivers and reservoirs."`

	Inputs []string `yaml:"inputs" length:"1..4" doc:"precipitation, burn_scar: radar, mosaic, forecast; wind: station, forecast; freezing_level, rain_on_snow: sounding, forecast. Left out: forecast, and radar for precipitation."`
	Enough int64    `yaml:"enough" default:"0" range:"0..4" doc:"How many of the inputs must be there and recent. Left out or 0: all."`

	Gauges      []string `yaml:"gauges" length:"1..200" doc:"Identifiers of the gauges, reservoirs or stations; each one is needed."`
	Quantity    string   `yaml:"quantity" length:"1..100" doc:"What the gauges measure, such as stage, flow, storage, elevation. Left out: storage for reservoirs."`
	Unit        string   `yaml:"unit" length:"1..20" doc:"Unit of the limits. Needed with them."`
	Datum       string   `yaml:"datum" length:"1..40" doc:"Vertical datum to which stages or elevations refer. Given: a reading with another or no datum cannot be judged."`
	ReviewAbove float64  `yaml:"review_above" default:"NaN" range:"-1e9..1e12" doc:"At or above this a person must look before any release."`
	HoldAbove   float64  `yaml:"hold_above" default:"NaN" range:"-1e9..1e12" doc:"At or above this seeding is suspended."`
	ReviewBelow float64  `yaml:"review_below" default:"NaN" range:"-1e9..1e12" doc:"At or below this a person must look."`
	HoldBelow   float64  `yaml:"hold_below" default:"NaN" range:"-1e9..1e12" doc:"At or below this seeding is suspended."`
	Hysteresis  float64  `yaml:"hysteresis" default:"NaN" range:"0..1e9" doc:"By how much, in the unit of the limits (percentage points for percentages), a value must come back before the cause counts as gone. Left out: by kind, see rimeline check --criteria."`

	RiseHours         float64 `yaml:"rise_hours" default:"NaN" range:"(0..72" doc:"Time over which the rate of rise is taken. Left out: 3."`
	ReviewRisePerHour float64 `yaml:"review_rise_per_hour" default:"NaN" range:"(0..1e9" doc:"Rate of rise, unit an hour, from which a person must look."`
	HoldRisePerHour   float64 `yaml:"hold_rise_per_hour" default:"NaN" range:"(0..1e9" doc:"Rate of rise, unit an hour, from which seeding is suspended."`
	ReviewCategory    string  `yaml:"review_category" one:"action|minor|moderate|major" doc:"Official flood category from which a person must look."`
	HoldCategory      string  `yaml:"hold_category" one:"action|minor|moderate|major" doc:"Official flood category from which seeding is suspended."`

	Capacity      float64      `yaml:"capacity" default:"NaN" range:"(0..1e12" doc:"Storage of the full reservoir (or its flood-guide storage), in the unit of the criterion."`
	RuleCurve     []DatedValue `yaml:"rule_curve" length:"2..400" doc:"Rule curve of the reservoir by date, in the unit of the criterion; straight lines between, round the year."`
	ReviewPercent float64      `yaml:"review_percent" default:"NaN" range:"(0..1000" doc:"Percentage of capacity, rule curve or limit from which a person must look."`
	HoldPercent   float64      `yaml:"hold_percent" default:"NaN" range:"(0..1000" doc:"Percentage of capacity or rule curve from which seeding is suspended."`

	Ramp           []DatedValue `yaml:"ramp" length:"1..400" doc:"Snow water equivalent, percent of normal, from which seeding is suspended, by date. Between the last date and the first of the next season the lower of the two holds."`
	RampBetween    string       `yaml:"ramp_between" one:"linear|step" doc:"Between its dates the ramp is a straight line, or keeps the value of the date before. Left out: linear."`
	RampFrom       string       `yaml:"ramp_from" form:"monthday" doc:"Month and day on which the ramp of the preset begins, where its source does not say it."`
	RampOf         string       `yaml:"ramp_of" one:"day|april-1" doc:"The normal that the percentages are of: that of the day, or that of 1 April. Left out: day."`
	ReviewPoints   float64      `yaml:"review_points" default:"NaN" range:"(0..200" doc:"Percentage points below the ramp from which a person must look."`
	SWEAboveMM     float64      `yaml:"swe_above_mm" default:"NaN" range:"0..20000" doc:"Snow water equivalent, mm, from which rain on it matters."`
	TargetAltitude float64      `yaml:"target_altitude_m" default:"NaN" range:"-430..9000" doc:"Mean altitude of the target, above mean sea level."`
	Action         string       `yaml:"action" one:"hold|review" doc:"What rain on snow does. Left out: review."`

	File      string         `yaml:"file" length:"1..1000" doc:"GeoJSON file with the burnt area."`
	Inline    geometrySource `yaml:"geometry" doc:"The burnt area as a GeoJSON geometry: Polygon or MultiPolygon."`
	BurntDate string         `yaml:"burnt_date" form:"date" doc:"Day on which it burnt."`
	RainYears float64        `yaml:"rain_years" default:"NaN" range:"(0..20" doc:"For so many years after burnt_date any rain, not snow, on the burnt area suspends seeding."`

	HoldEvents   []string `yaml:"hold_events" length:"1..200" doc:"Warnings that suspend seeding: VTEC phenomenon and significance (FF.W), event code (FFW) or name of the event. They come before those of the preset."`
	ReviewEvents []string `yaml:"review_events" length:"1..200" doc:"Warnings at which a person must look."`
	InfoEvents   []string `yaml:"info_events" length:"1..200" doc:"Warnings that are shown and do nothing."`
	Feeds        []string `yaml:"feeds" length:"1..20" doc:"Names of the feeds of warnings; each one is needed. Left out: at least one, and every one that is there."`
	Near         []string `yaml:"near" length:"1..3" doc:"What the area of a warning must meet: site, path, target. Left out: any of the three."`
	NearKM       float64  `yaml:"near_km" default:"NaN" range:"0..300" doc:"How near is near. Left out: 0, they must meet."`
	Zones        []string `yaml:"zones" length:"1..200" doc:"avalanche: zones of the danger rating; each one is needed."`
	HoldLevel    float64  `yaml:"hold_level" default:"NaN" range:"1..5" doc:"Avalanche danger, 1 low to 5 extreme, from which seeding is suspended."`
	ReviewLevel  float64  `yaml:"review_level" default:"NaN" range:"1..5" doc:"Avalanche danger from which a person must look."`

	SectorFromDeg float64 `yaml:"sector_from_deg" default:"NaN" range:"0..360" doc:"Allowed wind directions (from which the wind blows) begin here and go clockwise."`
	SectorToDeg   float64 `yaml:"sector_to_deg" default:"NaN" range:"0..360" doc:"Allowed wind directions end here."`

	FromDate string `yaml:"from_date" form:"monthday" doc:"season: first day, local date. agent_limit: day on which the count of the season begins."`
	ToDate   string `yaml:"to_date" form:"monthday" doc:"season: last day, local date; may lie in the next year."`
	FromTime string `yaml:"from_time" form:"clock" doc:"hours: beginning, local time."`
	ToTime   string `yaml:"to_time" form:"clock" doc:"hours: end, local time; may lie after midnight."`

	BatteryHoldBelowV   float64  `yaml:"battery_hold_below_v" default:"NaN" range:"(0..1000" doc:"Battery voltage at or below which, now or at the end of the storm, the site is not ready."`
	BatteryReviewBelowV float64  `yaml:"battery_review_below_v" default:"NaN" range:"(0..1000" doc:"The same, at which a person must look."`
	BatteryHoursAhead   float64  `yaml:"battery_hours_ahead" default:"NaN" range:"0..72" doc:"How far the voltage is foreseen where the end of the storm is not known; 0: not at all. Left out: 12."`
	ContactMinutes      float64  `yaml:"contact_minutes" default:"NaN" range:"(0..10080" doc:"Without contact for longer the site is not ready. Left out: 30."`
	UnitsMinimum        float64  `yaml:"units_minimum" default:"NaN" range:"0..10000" doc:"Flares, or hours of solution, that must be left; 0: not judged. Left out: 1."`
	IgnoreFaults        []string `yaml:"ignore_faults" length:"1..50" doc:"Fault flags that do not matter."`

	DailyG  float64 `yaml:"daily_g" default:"NaN" range:"(0..1e7" doc:"Most agent of one local day, g."`
	SeasonG float64 `yaml:"season_g" default:"NaN" range:"(0..1e9" doc:"Most agent of one season, g."`
	Per     string  `yaml:"per" one:"site|programme" doc:"The limits are of each site, or of all sites of the criterion together. Left out: site."`

	// Area is the burnt area.
	Area *geom.MultiPolygon `yaml:"-"`
	// Events is what warnings do, by EventKey of their code or name: the lists of
	// the preset, changed by those of the file.
	Events map[string]string `yaml:"-"`
	// PresetSource is the source of the preset, empty without one.
	PresetSource string `yaml:"-"`
}

// DatedValue is a value on a day of every year.
type DatedValue struct {
	Date  string  `yaml:"date" need:"always" form:"monthday" doc:"Month and day, MM-DD."`
	Value float64 `yaml:"value" need:"always" range:"-1e9..1e12" doc:"The value on that day."`
}

// Hold finds a criterion by its identifier; nil where there is none.
func (p *Programme) Hold(id string) *Hold {
	for i := range p.Holds {
		if p.Holds[i].ID == id {
			return &p.Holds[i]
		}
	}
	return nil
}
