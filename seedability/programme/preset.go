package programme

import (
	"math"
	"reflect"
	"slices"
	"strings"
)

// Preset is a public rule, as a criterion takes it over with the key preset.
type Preset struct {
	ID     string
	Source string
	Hold   Hold
}

// preset fills the numbers that a rule does not set with NaN.
func preset(id, source string, h Hold) Preset {
	v := reflect.ValueOf(&h).Elem()
	for _, f := range fieldsOf(v.Type()) {
		if field := v.FieldByIndex(f.index); field.Kind() == reflect.Float64 && field.Float() == 0 {
			field.SetFloat(math.NaN())
		}
	}
	return Preset{id, source, h}
}

// Presets are public rules with their sources. Regulations change: the current
// text, the permit and the responsible authority prevail. A number that a source
// does not give is named as such in the text of its source.
var Presets = []Preset{
	preset("colorado-2ccr-401-1-17", "Code of Colorado Regulations, 2 CCR 401-1, rule 17: percent of average snow water equivalent, 1 December 175, 1 January 175, 1 February 160, 1 March 150, 1 April 140, interpolated by date", Hold{
		Kind: "snow", RampBetween: "linear", RampOf: "day",
		Ramp: []DatedValue{{"12-01", 175}, {"01-01", 175}, {"02-01", 160}, {"03-01", 150}, {"04-01", 140}},
	}),
	preset("colorado-wy86-2", "Colorado weather modification permit WY86-2: percent of average snow water equivalent, November to January 150, February 140, March 135", Hold{
		Kind: "snow", RampBetween: "step", RampOf: "day",
		Ramp: []DatedValue{{"11-01", 150}, {"12-01", 150}, {"01-01", 150}, {"02-01", 140}, {"03-01", 135}},
	}),
	preset("wyoming-2023", "Wyoming Water Development Office, 2023, as reported by the press: from 85 % to 140 % of the 1 April median, reached on 1 April. The reports do not give the day on which the ramp begins: it is the programme's own", Hold{
		Kind: "snow", RampBetween: "linear", RampOf: "april-1",
		Ramp: []DatedValue{{"", 85}, {"04-01", 140}},
	}),
	preset("colorado-avalanche", "Code of Colorado Regulations, 2 CCR 401-1, rule 17: extreme avalanche danger on highway corridors suspends; high danger may, by decision of the authority", Hold{
		Kind: "avalanche", HoldLevel: 5, ReviewLevel: 4,
	}),
	preset("colorado-freezing-level", "A Colorado weather modification permit: freezing level above 8000 ft (2438 m), a warm storm with rain at high elevations", Hold{
		Kind: "freezing_level", HoldAbove: 2438, Unit: "m",
	}),
	preset("heavy-precipitation", "heavy precipitation above 7.6 mm/h (American Meteorological Society, Glossary of Meteorology: rain); flash flood cue of a quarter inch in 30 min, 12.7 mm/h (National Weather Service). That the one calls for a look and the other suspends is common practice", Hold{
		Kind: "precipitation", ReviewAbove: 7.6, HoldAbove: 12.7, Unit: "mm/h",
	}),
	preset("flood-stage", "flood categories of the National Weather Service (NWS Manual 10-950, 2019): minor begins at flood stage. That flood stage now or within 24 h suspends, and action stage calls for a look, is common practice", Hold{
		Kind: "river", ReviewCategory: "action", HoldCategory: "minor", ForecastHours: 24,
	}),
	preset("reservoir-nearly-full", "a named reservoir that is predicted to spill, or whose conservation pool is full (a coastal water agency, 2016); 95 % of its flood-guide storage is common practice", Hold{
		Kind: "reservoir", HoldPercent: 95,
	}),
	preset("debris-flow", "US Geological Survey, post-fire debris-flow hazards: design storm of 24 mm/h over 15 min; that rain, not snow, on a burn of less than two years suspends is common practice", Hold{
		Kind: "burn_scar", HoldAbove: 24, Unit: "mm/h", RainYears: 2,
	}),
	preset("rain-on-snow", "common practice, no source: snow water equivalent above 50 mm and freezing level above the mean altitude of the target", Hold{
		Kind: "rain_on_snow", SWEAboveMM: 50, Action: "review",
	}),
	preset("public-warnings", "event codes of the National Weather Service: VTEC (NWS Instruction 10-1703) and EAS/NWR codes (NWS Instruction 10-1712), values from memory, with the names in use in 2026; flash flood warnings suspend by Colorado permits, which others do is common practice", Hold{
		Kind: "warning", HoldEvents: holdEvents, ReviewEvents: reviewEvents, InfoEvents: infoEvents, ForecastHours: 6,
	}),
}

// Warnings by what they do. A phenomenon with its significance stands first, then
// the codes of the warning radio, then names. A flash flood watch has meant dam,
// levee or burn scar since 2021 and suspends; other floods have the flood watch.
var (
	holdEvents = []string{
		"FF.W", "FF.A", "FF.S", "FL.W", "FA.W", "SV.W", "TO.W", "BZ.W", "IS.W", "EW.W", "SQ.W",
		"FFW", "FFA", "FFS", "FLW", "FAW", "SVR", "TOR", "BZW", "ISW", "AVW", "EWW", "SQW", "CDW", "EVI", "FRW", "DBW",
		"Flash Flood Warning", "Flash Flood Watch", "Flash Flood Statement", "Flood Warning", "Severe Thunderstorm Warning", "Tornado Warning",
		"Blizzard Warning", "Ice Storm Warning", "Avalanche Warning", "Extreme Wind Warning", "Snow Squall Warning",
		"Civil Danger Warning", "Evacuation Immediate", "Evacuation - Immediate", "Fire Warning",
	}
	reviewEvents = []string{
		"WS.W", "HW.W", "FL.A", "FA.A", "FL.Y", "FA.Y", "FL.S", "WS.A",
		"WSW", "HWW", "FLA", "FAA", "FLS", "ESF", "AVA", "WSA", "SPS",
		"Winter Storm Warning", "High Wind Warning", "Flood Watch", "Flood Advisory", "Flood Statement", "Avalanche Watch", "Avalanche Advisory",
		"Hydrologic Outlook", "Winter Storm Watch", "Special Weather Statement",
	}
	infoEvents = []string{
		"WW.Y", "WI.Y", "EC.W", "CW.Y",
		"WWY", "WIY",
		"Winter Weather Advisory", "Wind Advisory", "Extreme Cold Warning", "Cold Weather Advisory",
	}
)

// presetNamed finds a preset; nil where there is none.
func presetNamed(id string) *Preset {
	index := slices.IndexFunc(Presets, func(p Preset) bool { return p.ID == id })
	if index < 0 {
		return nil
	}
	return &Presets[index]
}

// fillIn takes over what the criterion leaves out. Of limits that are given in
// the criterion's own unit, those of the preset are converted to it.
func (h *Hold) fillIn(rule *Preset) {
	h.PresetSource = rule.Source
	if h.Unit != "" && rule.Hold.Unit != "" {
		if same, ok := Convert(1, rule.Hold.Unit, h.Unit); ok && same != 1 {
			converted := rule.Hold
			for _, limit := range []*float64{&converted.ReviewAbove, &converted.HoldAbove, &converted.ReviewBelow, &converted.HoldBelow} {
				*limit, _ = Convert(*limit, rule.Hold.Unit, h.Unit)
			}
			rule = &Preset{rule.ID, rule.Source, converted}
		}
	}
	h.addEvents(&rule.Hold)
	own, theirs := reflect.ValueOf(h).Elem(), reflect.ValueOf(rule.Hold)
	for _, f := range fieldsOf(own.Type()) {
		field, given := own.FieldByIndex(f.index), theirs.FieldByIndex(f.index)
		switch field.Kind() {
		case reflect.Float64:
			if math.IsNaN(field.Float()) {
				field.SetFloat(given.Float())
			}
		case reflect.String:
			if field.String() == "" {
				field.SetString(given.String())
			}
		case reflect.Slice:
			// The lists of warnings are joined in Events.
			if field.IsNil() && !given.IsNil() && field.Type() != reflect.TypeFor[[]string]() {
				field.Set(reflect.AppendSlice(reflect.MakeSlice(field.Type(), 0, given.Len()), given))
			}
		}
	}
}

// What a warning does, in Hold.Events.
const (
	EventHolds   = "hold"
	EventReviews = "review"
	EventInforms = "info"
)

// addEvents takes over what warnings do; a list that comes later wins.
func (h *Hold) addEvents(from *Hold) {
	if h.Events == nil {
		h.Events = map[string]string{}
	}
	for _, list := range []struct {
		does  string
		names []string
	}{{EventInforms, from.InfoEvents}, {EventReviews, from.ReviewEvents}, {EventHolds, from.HoldEvents}} {
		for _, name := range list.names {
			h.Events[EventKey(name)] = list.does
		}
	}
}

// EventKey is the form in which the name or code of a warning is compared.
func EventKey(name string) string { return strings.ToUpper(strings.Join(strings.Fields(name), " ")) }
