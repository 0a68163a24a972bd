package archive

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/profile"
)

// Of one message, beside its data.
type stamp struct {
	site     string // last token of the subject
	sequence uint64
	id       string
	at       time.Time // of the event
}

type scoreRow struct {
	stamp
	a *seedability.Assessment
}

type pathRow struct {
	stamp
	a    *seedability.Assessment
	step *seedability.PathStep
}

// states in the order of their numbers in netCDF files; a new one goes at the end.
var states = []string{string(seedability.StateQuiet), string(seedability.StateBuilding), string(seedability.StateWindow), string(seedability.StateBlind), string(seedability.StateHold)}

// stamps are the first columns of each table.
func stamps[T any](group string, of func(*T) *stamp) []column[T] {
	return []column[T]{
		{heading: heading{name: group, of: textColumn, parquetOnly: true}, text: func(r *T) string { return of(r).site }},
		{heading: heading{name: "sequence", of: intColumn, unit: "1", longName: "number of the message in its stream"}, int: func(r *T) int64 { return int64(of(r).sequence) }},
		{heading: heading{name: "event_id", of: textColumn, parquetOnly: true}, text: func(r *T) string { return of(r).id }},
	}
}

func scoreFloat(name, unit, standardName, longName string, f func(*seedability.Assessment) float64) column[scoreRow] {
	return column[scoreRow]{heading: heading{name: name, unit: unit, standardName: standardName, longName: longName}, float: func(r *scoreRow) float64 { return f(r.a) }}
}

func scoreText(name string, f func(*seedability.Assessment) string) column[scoreRow] {
	return column[scoreRow]{heading: heading{name: name, of: textColumn, parquetOnly: true}, text: func(r *scoreRow) string { return f(r.a) }}
}

func scoreTime(name, longName string, f func(*seedability.Assessment) time.Time) column[scoreRow] {
	return column[scoreRow]{heading: heading{name: name, of: timeColumn, longName: longName}, time: func(r *scoreRow) time.Time { return f(r.a) }}
}

// udunits turns a unit of a component into the spelling of UDUNITS.
var udunits = map[string]string{"°C": "degC", "m/s": "m s-1", "mm/h": "mm h-1"}

func udunit(unit string) string {
	if known, ok := udunits[unit]; ok {
		return known
	}
	return unit
}

// nameOf turns a name with hyphens into that of a column.
func nameOf(name string) string { return strings.ReplaceAll(name, "-", "_") }

func asJSON(value any) string {
	b, err := json.Marshal(value)
	if err != nil {
		return "" // what was decoded from JSON can be encoded
	}
	return string(b)
}

// minutesAfter the release.
func minutesAfter(release time.Time, minutes *float64) time.Time {
	if minutes == nil || *minutes < 0 || *minutes > 1e6 {
		return time.Time{}
	}
	return release.Add(time.Duration(*minutes * float64(time.Minute)))
}

// of an event of the ensemble mean, NaN where no member got there.
func eventNumber(e *seedability.Event, f func(*seedability.Event) float64) float64 {
	if e == nil {
		return numberOf(nil)
	}
	return f(e)
}

// scoreColumns of the table of assessments. New ones go at the end: columns are read
// by name, and a day without a column has it missing.
var scoreColumns = func() []column[scoreRow] {
	type assessment = seedability.Assessment
	number := numberOf
	columns := stamps("site", func(r *scoreRow) *stamp { return &r.stamp })
	columns = append(columns,
		column[scoreRow]{heading: heading{name: "time", of: timeColumn, standardName: "time", longName: "time of release that is judged"}, time: func(r *scoreRow) time.Time { return r.a.ReleaseTime }},
		scoreTime("as_of", "moment whose knowledge counts", func(a *assessment) time.Time { return a.AsOf }),
		column[scoreRow]{heading: heading{name: "state", of: textColumn, longName: "what the assessment alone says", flags: states}, text: func(r *scoreRow) string { return string(r.a.State) }},
		column[scoreRow]{heading: heading{name: "standing", of: textColumn, longName: "state of the site, seen after the assessments before", flags: states}, text: func(r *scoreRow) string {
			if r.a.Standing == nil {
				return ""
			}
			return string(r.a.Standing.State)
		}},
		scoreFloat("score", "1", "", "score, 0 to 100", func(a *assessment) float64 { return number(a.Score.Value) }),
		scoreFloat("opportunity", "1", "", "weighted geometric mean of the components, 0 to 1", func(a *assessment) float64 { return number(a.Score.Opportunity) }),
		scoreFloat("target_probability", "1", "", "share of ensemble members that land in the target", func(a *assessment) float64 { return number(a.Score.TargetProbability) }),
		scoreFloat("target_standard_error", "1", "", "sampling error of target_probability", func(a *assessment) float64 { return number(a.Score.TargetStandardError) }),
		scoreFloat("known_weight", "1", "", "share of the weights whose component is known", func(a *assessment) float64 { return a.Score.KnownWeight }),
		scoreFloat("confidence", "1", "", "confidence, 0 to 1", func(a *assessment) float64 { return a.Confidence.Value }),
		scoreFloat("confidence_freshness", "1", "", "confidence by age of inputs", func(a *assessment) float64 { return a.Confidence.Freshness }),
		scoreFloat("confidence_coverage", "1", "", "confidence by share of components known", func(a *assessment) float64 { return a.Confidence.Coverage }),
		scoreFloat("confidence_agreement", "1", "", "confidence by agreement of inputs", func(a *assessment) float64 { return a.Confidence.Agreement }),
		scoreFloat("confidence_lead", "1", "", "factor of confidence by lead time", func(a *assessment) float64 { return number(a.Confidence.Lead) }),
	)
	for _, c := range seedability.DefaultCriteria() {
		component := func(a *assessment) *seedability.Component {
			for k := range a.Score.Components {
				if a.Score.Components[k].Name == c.Name {
					return &a.Score.Components[k]
				}
			}
			return nil
		}
		from := func(f func(*seedability.Component) float64) func(*assessment) float64 {
			return func(a *assessment) float64 {
				if found := component(a); found != nil {
					return f(found)
				}
				return numberOf(nil)
			}
		}
		columns = append(columns,
			scoreFloat("component_"+nameOf(c.Name), "1", "", "membership of component "+c.Name+", 0 to 1", from(func(c *seedability.Component) float64 { return number(c.Value) })),
			scoreFloat("component_"+nameOf(c.Name)+"_input", udunit(c.Unit), "", ascii(c.Quantity), from(func(c *seedability.Component) float64 { return number(c.Input) })),
			scoreFloat("component_"+nameOf(c.Name)+"_weight", "1", "", "weight of component "+c.Name+" as used", from(func(c *seedability.Component) float64 { return c.Weight })),
		)
	}
	for _, k := range profile.IsothermsK() {
		key := fmt.Sprintf("%.0f", k-273.15)
		columns = append(columns, scoreFloat("isotherm_"+strings.ReplaceAll(key, "-", "minus_")+"_altitude", "m", "altitude", "lowest crossing of "+key+" degC above the geoid where the plume is activated",
			func(a *assessment) float64 {
				if m, ok := a.Levels.IsothermsM[key]; ok {
					return m
				}
				return numberOf(nil)
			}))
	}
	columns = append(columns,
		scoreFloat("freezing_level_altitude", "m", "freezing_level_altitude", "highest crossing of 0 degC above the geoid", func(a *assessment) float64 { return number(a.Levels.FreezingLevelM) }),
		scoreFloat("cloud_base_altitude", "m", "cloud_base_altitude", "base of cloud above the geoid", func(a *assessment) float64 { return number(a.Levels.CloudBaseM) }),
		scoreFloat("cloud_top_altitude", "m", "cloud_top_altitude", "top of cloud above the geoid", func(a *assessment) float64 { return number(a.Levels.CloudTopM) }),
		scoreFloat("cloud_top_air_temperature", "K", "air_temperature_at_cloud_top", "air temperature at the top of cloud", func(a *assessment) float64 { return number(a.Levels.CloudTopK) }),
		scoreFloat("supercooled_liquid_water_path", "kg m-2", "", "supercooled liquid water path between -6 and -18 degC as used", func(a *assessment) float64 { return number(a.Liquid.UsedKgPerM2) }),
		scoreText("supercooled_liquid_water_method", func(a *assessment) string { return a.Liquid.Method }),
		scoreFloat("crystals_per_litre", "L-1", "", "ice crystals that the agent can make, per volume of air", func(a *assessment) float64 { return number(a.Dose.CrystalsPerLitre) }),
		scoreFloat("members", "1", "", "members of the ensemble", func(a *assessment) float64 { return float64(a.Transport.Members) }),
		scoreFloat("activated_share", "1", "", "share of members that met liquid colder than their onset", func(a *assessment) float64 { return a.Transport.ActivatedShare }),
	)
	for _, place := range []struct {
		name    string
		minutes func(*assessment) seedability.Quantiles
		event   func(*assessment) *seedability.Event
	}{
		{"activation", func(a *assessment) seedability.Quantiles { return a.Transport.ActivationMinutes }, func(a *assessment) *seedability.Event { return a.Transport.Activation }},
		{"landing", func(a *assessment) seedability.Quantiles { return a.Transport.LandingMinutes }, func(a *assessment) *seedability.Event { return a.Transport.Landing }},
	} {
		of := func(f func(*seedability.Event) float64) func(*assessment) float64 {
			return func(a *assessment) float64 { return eventNumber(place.event(a), f) }
		}
		columns = append(columns,
			scoreTime(place.name+"_time", "median time of "+place.name, func(a *assessment) time.Time { return minutesAfter(a.ReleaseTime, place.minutes(a).Q50) }),
			scoreFloat(place.name+"_minutes_q10", "min", "", "time from release to "+place.name+", 10th percentile of members", func(a *assessment) float64 { return number(place.minutes(a).Q10) }),
			scoreFloat(place.name+"_minutes_q50", "min", "", "time from release to "+place.name+", median of members", func(a *assessment) float64 { return number(place.minutes(a).Q50) }),
			scoreFloat(place.name+"_minutes_q90", "min", "", "time from release to "+place.name+", 90th percentile of members", func(a *assessment) float64 { return number(place.minutes(a).Q90) }),
			scoreFloat(place.name+"_latitude", "degrees_north", "latitude", "latitude of mean "+place.name, of(func(e *seedability.Event) float64 { return e.LatitudeDeg })),
			scoreFloat(place.name+"_longitude", "degrees_east", "longitude", "longitude of mean "+place.name, of(func(e *seedability.Event) float64 { return e.LongitudeDeg })),
			scoreFloat(place.name+"_altitude", "m", "altitude", "altitude of mean "+place.name, of(func(e *seedability.Event) float64 { return e.AltitudeM })),
			scoreFloat(place.name+"_air_temperature", "K", "air_temperature", "air temperature at mean "+place.name, of(func(e *seedability.Event) float64 { return number(e.AirTemperatureK) })),
			scoreFloat(place.name+"_distance", "m", "", "distance from the site to mean "+place.name, of(func(e *seedability.Event) float64 { return e.DistanceM })),
			scoreFloat(place.name+"_bearing", "degree", "", "bearing from the site to mean "+place.name+", clockwise from north", of(func(e *seedability.Event) float64 { return e.BearingDeg })),
		)
	}
	ellipse := func(f func(*seedability.Ellipse) float64) func(*assessment) float64 {
		return func(a *assessment) float64 {
			if a.Transport.LandingEllipse == nil {
				return numberOf(nil)
			}
			return f(a.Transport.LandingEllipse)
		}
	}
	return append(columns,
		scoreFloat("landing_semi_major", "m", "", "semi-major axis of the landing points, one standard deviation", ellipse(func(e *seedability.Ellipse) float64 { return e.SemiMajorM })),
		scoreFloat("landing_semi_minor", "m", "", "semi-minor axis of the landing points, one standard deviation", ellipse(func(e *seedability.Ellipse) float64 { return e.SemiMinorM })),
		scoreFloat("landing_major_axis", "degree", "", "direction of the major axis, clockwise from north", ellipse(func(e *seedability.Ellipse) float64 { return e.MajorAxisDeg })),
		scoreFloat("target_precipitation_rate", "mm h-1", "", "rate of precipitation over the target that was seen", func(a *assessment) float64 {
			if a.TargetRate == nil {
				return numberOf(nil)
			}
			return a.TargetRate.MMPerH
		}),
		scoreText("state_reason", func(a *assessment) string { return a.StateReason }),
		scoreText("targets_json", func(a *assessment) string { return asJSON(a.Transport.Targets) }),
		scoreText("holds_json", func(a *assessment) string {
			if len(a.Holds) == 0 {
				return ""
			}
			return asJSON(a.Holds)
		}),
		scoreText("inputs_json", func(a *assessment) string { return asJSON(a.Inputs) }),
		scoreText("site_name", func(a *assessment) string { return a.Site.Name }),
		// Of the site, the same in every row unless it was moved; the coordinates of
		// the stations in netCDF files.
		column[scoreRow]{heading: heading{name: siteLatitude, unit: "degrees_north", parquetOnly: true}, float: func(r *scoreRow) float64 { return r.a.Site.LatitudeDeg }},
		column[scoreRow]{heading: heading{name: siteLongitude, unit: "degrees_east", parquetOnly: true}, float: func(r *scoreRow) float64 { return r.a.Site.LongitudeDeg }},
		column[scoreRow]{heading: heading{name: siteAltitude, unit: "m", parquetOnly: true}, float: func(r *scoreRow) float64 { return r.a.Site.AltitudeM }},
	)
}()

const (
	siteLatitude  = "site_latitude"
	siteLongitude = "site_longitude"
	siteAltitude  = "site_altitude"
	siteName      = "site_name"
)

func pathFloat(name, unit, standardName, longName string, f func(*seedability.PathStep) float64) column[pathRow] {
	return column[pathRow]{heading: heading{name: name, unit: unit, standardName: standardName, longName: longName}, float: func(r *pathRow) float64 { return f(r.step) }}
}

var pathColumns = append(stamps("site", func(r *pathRow) *stamp { return &r.stamp }),
	column[pathRow]{heading: heading{name: "release_time", of: timeColumn, longName: "time of release"}, time: func(r *pathRow) time.Time { return r.a.ReleaseTime }},
	column[pathRow]{heading: heading{name: "time", of: timeColumn, standardName: "time", longName: "time"}, time: func(r *pathRow) time.Time { return minutesAfter(r.a.ReleaseTime, &r.step.Minutes) }},
	pathFloat("minutes", "min", "", "time since release", func(s *seedability.PathStep) float64 { return s.Minutes }),
	pathFloat("latitude", "degrees_north", "latitude", "latitude of the ensemble mean", func(s *seedability.PathStep) float64 { return s.LatitudeDeg }),
	pathFloat("longitude", "degrees_east", "longitude", "longitude of the ensemble mean", func(s *seedability.PathStep) float64 { return s.LongitudeDeg }),
	pathFloat("altitude", "m", "altitude", "altitude of the ensemble mean above the geoid", func(s *seedability.PathStep) float64 { return s.AltitudeM }),
	pathFloat("height", "m", "height", "height of the ensemble mean above ground", func(s *seedability.PathStep) float64 { return s.HeightM }),
	pathFloat("members", "1", "", "members still aloft", func(s *seedability.PathStep) float64 { return float64(s.Members) }),
	pathFloat("air_temperature", "K", "air_temperature", "air temperature at the ensemble mean", func(s *seedability.PathStep) float64 { return numberOf(s.AirTemperatureK) }),
	pathFloat("cloud_liquid", "kg m-3", "mass_concentration_of_cloud_liquid_water_in_air", "cloud liquid water at the ensemble mean", func(s *seedability.PathStep) float64 { return numberOf(s.LiquidKgPerM3) }),
	pathFloat("spread", "m", "", "horizontal standard distance of the members", func(s *seedability.PathStep) float64 { return s.SpreadM }),
	pathFloat("altitude_spread", "m", "", "standard deviation of the altitudes of the members", func(s *seedability.PathStep) float64 { return s.AltitudeSpreadM }),
	pathFloat("supercooled_liquid_water_path", "kg m-2", "", "supercooled liquid water path between -6 and -18 degC of the column", func(s *seedability.PathStep) float64 { return numberOf(s.LiquidPathKgPerM2) }),
)

// ascii spells a quantity for attributes of files that are read with old tools.
func ascii(text string) string { return strings.NewReplacer("°C", "degC").Replace(text) }
