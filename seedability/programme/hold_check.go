package programme

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
)

// holdKeys are the keys that belong to each kind, beside those of every kind.
var holdKeys = map[string][]string{
	"precipitation":  {"review_above", "hold_above", "unit", "hysteresis", "inputs", "enough", "forecast_hours", "forecast_age_hours"},
	"river":          {"gauges", "quantity", "unit", "datum", "review_above", "hold_above", "review_below", "hold_below", "hysteresis", "review_category", "hold_category", "rise_hours", "review_rise_per_hour", "hold_rise_per_hour", "forecast_hours", "forecast_age_hours"},
	"gauge":          {"gauges", "quantity", "unit", "datum", "review_above", "hold_above", "review_below", "hold_below", "hysteresis", "rise_hours", "review_rise_per_hour", "hold_rise_per_hour", "forecast_hours", "forecast_age_hours"},
	"reservoir":      {"gauges", "quantity", "unit", "datum", "review_above", "hold_above", "capacity", "rule_curve", "review_percent", "hold_percent", "hysteresis", "forecast_hours", "forecast_age_hours"},
	"snow":           {"gauges", "ramp", "ramp_between", "ramp_from", "ramp_of", "review_points", "hysteresis"},
	"freezing_level": {"review_above", "hold_above", "unit", "hysteresis", "inputs", "enough", "forecast_hours", "forecast_age_hours"},
	"rain_on_snow":   {"gauges", "swe_above_mm", "target_altitude_m", "hysteresis", "action", "inputs", "enough", "forecast_hours", "forecast_age_hours"},
	"warning":        {"hold_events", "review_events", "info_events", "feeds", "near", "near_km", "forecast_hours"},
	"burn_scar":      {"file", "geometry", "review_above", "hold_above", "unit", "hysteresis", "burnt_date", "rain_years", "inputs", "enough", "forecast_hours", "forecast_age_hours"},
	"wind":           {"review_above", "hold_above", "unit", "hysteresis", "sector_from_deg", "sector_to_deg", "inputs", "enough", "forecast_hours", "forecast_age_hours"},
	"season":         {"from_date", "to_date"},
	"hours":          {"from_time", "to_time"},
	"site_ready":     {"battery_hold_below_v", "battery_review_below_v", "battery_hours_ahead", "hysteresis", "contact_minutes", "units_minimum", "ignore_faults"},
	"agent_limit":    {"daily_g", "season_g", "per", "from_date", "review_percent"},
	"avalanche":      {"zones", "hold_level", "review_level"},
	"manual":         {},
}

var commonHoldKeys = []string{"id", "kind", "name", "preset", "sites", "targets", "source", "note", "lift", "clear_minutes", "may_lift", "maximum_age_hours"}

// holdDefaults are by kind: the age from which an input cannot be judged, the
// step back before a cause counts as gone, and the unit where none is given.
// Common practice, no source.
var holdDefaults = map[string]struct {
	maximumAgeHours, forecastAgeHours, hysteresis float64
	unit                                          string
	inputs                                        []string
}{
	"precipitation":  {.5, 12, 1, "mm/h", []string{"radar"}},
	"river":          {6, 30, 0, "", nil},
	"gauge":          {6, 30, 0, "", nil},
	"reservoir":      {72, 30, 1, "", nil},
	"snow":           {96, 30, 2, "%", nil},
	"freezing_level": {12, 12, 100, "m", []string{"forecast"}},
	"rain_on_snow":   {96, 12, 100, "m", []string{"forecast"}},
	"warning":        {1. / 3, 12, 0, "", nil},
	"burn_scar":      {.5, 12, 2, "mm/h", []string{"forecast"}},
	"wind":           {1, 12, 1, "m/s", []string{"forecast"}},
	"season":         {1, 12, 0, "", nil},
	"hours":          {1, 12, 0, "", nil},
	"site_ready":     {1, 12, .2, "V", nil},
	"agent_limit":    {24, 12, 0, "g", nil},
	"avalanche":      {48, 12, 0, "", nil},
	"manual":         {1, 12, 0, "", nil},
}

// holdUnits is a unit of the dimension in which the limits of a kind are; empty
// where any may be.
var holdUnits = map[string]string{"precipitation": "mm/h", "burn_scar": "mm/h", "freezing_level": "m", "wind": "m/s"}

// holdInputs are the origins that a kind may be judged by.
var holdInputs = map[string][]string{
	"precipitation": {"radar", "mosaic", "forecast"}, "burn_scar": {"radar", "mosaic", "forecast"},
	"wind": {"station", "forecast"}, "freezing_level": {"sounding", "forecast"}, "rain_on_snow": {"sounding", "forecast"},
}

const (
	// DefaultClearMinutes, DefaultMayLift, DefaultRiseHours and the others are
	// common practice, no source.
	DefaultClearMinutes      = 30
	DefaultRiseHours         = 3
	DefaultContactMinutes    = 30
	DefaultBatteryHoursAhead = 12
	DefaultMayLift           = "licensed manager"
	defaultWeatherLeadHours  = 3
	defaultWarningLeadHours  = 6
)

// checkHolds fills in presets and defaults, and checks what belongs together.
func (d *decoder) checkHolds(p *Programme, open func(string) ([]byte, error)) {
	seen := map[string]int{}
	for i := range p.Holds {
		hold, path := &p.Holds[i], fmt.Sprintf("holds[%d]", i)
		if first, twice := seen[hold.ID]; twice {
			d.problemAt(path+".id", "%q is the id of holds[%d] already", hold.ID, first)
		}
		seen[hold.ID] = i
		if p.Target(hold.ID) != nil {
			d.problemAt(path+".id", "%q is the id of a target already; what is seen over the one would be taken for the other", hold.ID)
		}
		for _, f := range fieldsOf(reflect.TypeFor[Hold]()) {
			if at := path + "." + f.key; d.places[at] != nil && !slices.Contains(commonHoldKeys, f.key) && !slices.Contains(holdKeys[hold.Kind], f.key) {
				d.problemAt(at, "does not belong to a criterion of the kind %s", hold.Kind)
			}
		}
		d.fillHold(hold, path)
		d.checkHoldPlaces(p, hold, path)
		d.checkHoldLimits(hold, path)
		d.checkHoldDates(hold, path)
		if hold.Kind == "burn_scar" {
			d.checkBurn(p, hold, path, open)
		}
	}
}

func setDefault(value *float64, standard float64) {
	if math.IsNaN(*value) {
		*value = standard
	}
}

func setText(text *string, standard string) {
	if *text == "" {
		*text = standard
	}
}

// fillHold takes over the preset and the defaults of the kind.
func (d *decoder) fillHold(hold *Hold, path string) {
	own := *hold
	if hold.Preset != "" {
		rule := presetNamed(hold.Preset)
		var names []string
		for _, known := range Presets {
			if known.Hold.Kind == hold.Kind {
				names = append(names, known.ID)
			}
		}
		switch {
		case rule == nil:
			d.problemAt(path+".preset", "there is no preset %q%s", hold.Preset, suggestion(hold.Preset, names))
		case rule.Hold.Kind != hold.Kind:
			d.problemAt(path+".preset", "preset %s is of the kind %s, not %s", rule.ID, rule.Hold.Kind, hold.Kind)
		default:
			hold.fillIn(rule)
		}
	}
	if hold.Kind == "warning" {
		hold.addEvents(&own)
		setDefault(&hold.ForecastHours, defaultWarningLeadHours)
		setDefault(&hold.NearKM, 0)
		if hold.Near == nil {
			hold.Near = []string{"site", "path", "target"}
		}
	}
	standard := holdDefaults[hold.Kind]
	setText(&hold.Name, hold.ID)
	setText(&hold.Unit, standard.unit)
	byCalendar := slices.Contains([]string{"season", "hours", "agent_limit"}, hold.Kind)
	if byCalendar {
		setText(&hold.Lift, "automatic")
		setDefault(&hold.ClearMinutes, 0)
	}
	setText(&hold.Lift, "person")
	setDefault(&hold.ClearMinutes, DefaultClearMinutes)
	if hold.MayLift == nil {
		hold.MayLift = []string{DefaultMayLift}
	}
	setDefault(&hold.MaximumAgeHours, standard.maximumAgeHours)
	setDefault(&hold.ForecastAgeHours, standard.forecastAgeHours)
	if math.IsNaN(hold.Hysteresis) {
		hold.Hysteresis = standard.hysteresis
		if converted, ok := Convert(standard.hysteresis, standard.unit, hold.Unit); ok {
			hold.Hysteresis = converted
		}
		if hold.Kind == "reservoir" && math.IsNaN(hold.HoldPercent) && math.IsNaN(hold.ReviewPercent) {
			hold.Hysteresis = 0 // one of which unit, nobody knows
		}
	}
	if hold.Inputs == nil {
		hold.Inputs = standard.inputs
	}
	if holdInputs[hold.Kind] != nil && slices.Contains(hold.Inputs, "forecast") {
		setDefault(&hold.ForecastHours, defaultWeatherLeadHours)
	}
	if hold.Enough == 0 {
		hold.Enough = int64(len(hold.Inputs))
	}
	switch hold.Kind {
	case "river", "gauge":
		setDefault(&hold.RiseHours, DefaultRiseHours)
	case "reservoir":
		setText(&hold.Quantity, "storage")
	case "snow":
		setText(&hold.RampBetween, "linear")
		setText(&hold.RampOf, "day")
		for i := range hold.Ramp {
			if hold.Ramp[i].Date == "" {
				hold.Ramp[i].Date = hold.RampFrom
			}
		}
	case "rain_on_snow":
		setText(&hold.Action, "review")
	case "site_ready":
		setDefault(&hold.BatteryHoursAhead, DefaultBatteryHoursAhead)
		setDefault(&hold.ContactMinutes, DefaultContactMinutes)
		setDefault(&hold.UnitsMinimum, 1)
	case "agent_limit":
		setText(&hold.Per, "site")
	}
}

// checkHoldPlaces resolves sites and targets.
func (d *decoder) checkHoldPlaces(p *Programme, hold *Hold, path string) {
	var siteIDs, targetIDs []string
	for i := range p.Sites {
		siteIDs = append(siteIDs, p.Sites[i].ID)
	}
	for i := range p.Targets {
		targetIDs = append(targetIDs, p.Targets[i].ID)
	}
	refer := func(key, what string, given, known []string) {
		for k, id := range given {
			at := fmt.Sprintf("%s.%s[%d]", path, key, k)
			if !slices.Contains(known, id) {
				d.problemAt(at, "there is no %s %q%s", what, id, suggestion(id, known))
			} else if slices.Contains(given[:k], id) {
				d.problemAt(at, "%q is listed twice", id)
			}
		}
	}
	refer("sites", "site", hold.SiteIDs, siteIDs)
	refer("targets", "target", hold.TargetIDs, targetIDs)
	if hold.SiteIDs == nil {
		hold.SiteIDs = siteIDs
	}
	if hold.TargetIDs == nil {
		hold.TargetIDs = targetIDs
	}
	served := func(id string) bool {
		site := p.Site(id)
		return site != nil && slices.ContainsFunc(site.TargetIDs, func(t string) bool { return slices.Contains(hold.TargetIDs, t) })
	}
	if !slices.ContainsFunc(hold.SiteIDs, served) {
		d.problemAt(path, "suspends nothing: none of its sites serves one of its targets")
	}
}

// checkHoldLimits asks for what each kind needs.
func (d *decoder) checkHoldLimits(hold *Hold, path string) {
	given := func(values ...float64) bool {
		return slices.ContainsFunc(values, func(v float64) bool { return !math.IsNaN(v) })
	}
	needs := func(ok bool, format string, arguments ...any) {
		if !ok {
			d.problemAt(path, format, arguments...)
		}
	}
	needs(hold.Source != "" || hold.PresetSource != "", "needs the key source (permit, regulation or decision that sets the limits), or a preset")
	limits := given(hold.ReviewAbove, hold.HoldAbove, hold.ReviewBelow, hold.HoldBelow)
	rises := given(hold.ReviewRisePerHour, hold.HoldRisePerHour)
	ordered := func(low, high float64, text string) {
		if low > high {
			d.problemAt(path, "%s: %g exceeds %g", text, low, high)
		}
	}
	ordered(hold.ReviewAbove, hold.HoldAbove, "review_above must not exceed hold_above")
	ordered(hold.HoldBelow, hold.ReviewBelow, "hold_below must not exceed review_below")
	ordered(hold.ReviewPercent, hold.HoldPercent, "review_percent must not exceed hold_percent")
	ordered(hold.ReviewRisePerHour, hold.HoldRisePerHour, "review_rise_per_hour must not exceed hold_rise_per_hour")
	ordered(hold.ReviewLevel, hold.HoldLevel, "review_level must not exceed hold_level")
	ordered(hold.BatteryHoldBelowV, hold.BatteryReviewBelowV, "battery_hold_below_v must not exceed battery_review_below_v")
	if hold.Unit != "" {
		if _, known := unit(hold.Unit); !known {
			d.problemAt(path+".unit", "%q is no unit known here", hold.Unit)
		} else if like := holdUnits[hold.Kind]; like != "" {
			if _, ok := Convert(1, hold.Unit, like); !ok {
				d.problemAt(path+".unit", "%q does not measure what %s does", hold.Unit, like)
			}
		}
	}
	for k, input := range hold.Inputs {
		if allowed := holdInputs[hold.Kind]; allowed != nil && !slices.Contains(allowed, input) {
			d.problemAt(fmt.Sprintf("%s.inputs[%d]", path, k), "%q is not one of %s", input, strings.Join(allowed, ", "))
		} else if slices.Contains(hold.Inputs[:k], input) {
			d.problemAt(fmt.Sprintf("%s.inputs[%d]", path, k), "%q is listed twice", input)
		}
	}
	if int(hold.Enough) > len(hold.Inputs) {
		d.problemAt(path+".enough", "%d exceeds the %d inputs", hold.Enough, len(hold.Inputs))
	}
	switch hold.Kind {
	case "precipitation", "freezing_level":
		needs(limits, "needs review_above or hold_above")
	case "wind":
		needs(limits || given(hold.SectorFromDeg, hold.SectorToDeg), "needs review_above, hold_above or a sector")
		needs(math.IsNaN(hold.SectorFromDeg) == math.IsNaN(hold.SectorToDeg), "needs both sector_from_deg and sector_to_deg, or neither")
	case "river", "gauge":
		needs(len(hold.Gauges) > 0, "needs gauges")
		needs(limits || rises || hold.ReviewCategory != "" || hold.HoldCategory != "", "needs a limit")
		if limits || rises {
			needs(hold.Unit != "" && hold.Quantity != "", "limits need the keys quantity and unit")
		}
	case "reservoir":
		needs(len(hold.Gauges) > 0, "needs gauges")
		share := given(hold.ReviewPercent, hold.HoldPercent)
		needs(limits || share, "needs a limit")
		needs(hold.Unit != "", "limits need the key unit")
		needs(!share || (!math.IsNaN(hold.Capacity)) != (hold.RuleCurve != nil), "a percentage needs either capacity or rule_curve")
		needs(!(share && limits), "give percentages, or limits in the unit")
	case "snow":
		needs(len(hold.Gauges) > 0, "needs gauges")
		needs(len(hold.Ramp) > 0, "needs a ramp or a preset")
		needs(!slices.ContainsFunc(hold.Ramp, func(v DatedValue) bool { return v.Date == "" }), "needs the key ramp_from: the source of the preset does not say when the ramp begins")
	case "rain_on_snow":
		needs(len(hold.Gauges) > 0, "needs gauges")
		needs(given(hold.SWEAboveMM), "needs swe_above_mm")
		needs(given(hold.TargetAltitude), "needs target_altitude_m")
	case "warning":
		needs(len(hold.Events) > 0, "needs hold_events, review_events or a preset")
		for k, near := range hold.Near {
			if !slices.Contains([]string{"site", "path", "target"}, near) {
				d.problemAt(fmt.Sprintf("%s.near[%d]", path, k), "%q is not one of site, path, target", near)
			}
		}
	case "burn_scar":
		needs(limits || given(hold.RainYears), "needs review_above, hold_above or rain_years")
		needs(!given(hold.RainYears) || hold.BurntDate != "", "needs the key burnt_date for rain_years")
	case "agent_limit":
		needs(given(hold.DailyG, hold.SeasonG), "needs daily_g or season_g")
		needs(!given(hold.SeasonG) || hold.FromDate != "", "season_g needs from_date")
	case "avalanche":
		needs(len(hold.Zones) > 0, "needs zones")
		needs(given(hold.HoldLevel, hold.ReviewLevel), "needs hold_level or review_level")
	case "season":
		needs(hold.FromDate != "" && hold.ToDate != "", "needs from_date and to_date")
	case "hours":
		needs(hold.FromTime != "" && hold.ToTime != "", "needs from_time and to_time")
		needs(hold.FromTime != hold.ToTime, "from_time is to_time: no release would ever be allowed")
	}
}

// checkHoldDates refuses days that no year has, and a table not in order.
func (d *decoder) checkHoldDates(hold *Hold, path string) {
	check := func(at, text string) {
		// 2000 is a leap year.
		if _, err := time.Parse("2006-01-02", "2000-"+text); text != "" && err != nil {
			d.problemAt(at, "no year has the day %s", text)
		}
	}
	check(path+".from_date", hold.FromDate)
	check(path+".to_date", hold.ToDate)
	for key, list := range map[string][]DatedValue{"ramp": hold.Ramp, "rule_curve": hold.RuleCurve} {
		wraps := 0
		for k, point := range list {
			at := fmt.Sprintf("%s.%s[%d]", path, key, k)
			check(at, point.Date)
			if k > 0 && point.Date == list[k-1].Date {
				d.problemAt(at, "%s is there twice", point.Date)
			} else if k > 0 && point.Date < list[k-1].Date {
				if wraps++; wraps > 1 {
					d.problemAt(at, "dates must go forward, once over the end of a year at most")
				}
			}
		}
		if wraps == 1 && list[len(list)-1].Date >= list[0].Date {
			d.problemAt(fmt.Sprintf("%s.%s", path, key), "is longer than a year")
		}
	}
	if hold.BurntDate != "" {
		if _, err := time.Parse("2006-01-02", hold.BurntDate); err != nil {
			d.problemAt(path+".burnt_date", "there is no day %s", hold.BurntDate)
		}
	}
}

// checkBurn reads the burnt area.
func (d *decoder) checkBurn(p *Programme, hold *Hold, path string, open func(string) ([]byte, error)) {
	var b []byte
	var err error
	at := path + ".geometry"
	switch {
	case hold.File != "" && hold.Inline.Given:
		d.problemAt(path+".file", "has a geometry too; give one of the two")
		return
	case hold.File != "":
		at = path + ".file"
		if b, err = open(hold.File); err == nil {
			digest := sha256.Sum256(b)
			p.GeometrySHA256[hold.File] = hex.EncodeToString(digest[:])
		}
	case hold.Inline.Given:
		b, err = jsonOf(d.nodes[at])
	default:
		at, err = path, errors.New("needs a geometry, or a file that holds one")
	}
	if err == nil {
		hold.Area, err = readGeometry(b)
	}
	if err != nil {
		d.problemAt(at, "%v", err)
	}
}
