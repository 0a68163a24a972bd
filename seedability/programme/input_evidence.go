package programme

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// gives is what the inputs say of one gauge.
type gives struct {
	named                        bool
	observed, forecast           map[string]bool
	category, categoriesForecast bool
}

func (g *gives) quantities(forecast bool, names ...string) {
	of := &g.observed
	if forecast {
		of = &g.forecast
	}
	if *of == nil {
		*of = map[string]bool{}
	}
	for _, name := range names {
		(*of)[name] = true
	}
}

// givenByInputs is what the inputs say of each gauge, as far as the file tells.
func (p *Programme) givenByInputs() map[string]*gives {
	all := map[string]*gives{}
	for i := range p.Inputs {
		input := &p.Inputs[i]
		if input.Kind != "gauge" {
			continue
		}
		for _, gauge := range input.Gauges {
			g := all[gauge]
			if g == nil {
				g = &gives{}
				all[gauge] = g
			}
			g.named = true
			switch input.Format {
			case FormatUSGS:
				g.quantities(false, "stage", "flow", "storage", "elevation")
			case FormatNWPSGauge:
				g.quantities(false, "stage", "flow")
				g.category, g.categoriesForecast = true, true
			case FormatStageflow:
				g.quantities(false, "stage", "flow")
				g.quantities(true, "stage", "flow")
			case FormatSnotel:
				if input.JSON == nil {
					g.quantities(false, "snow_water_equivalent", "snow_water_equivalent_normal")
				}
			case FormatTable:
				for _, column := range input.Table.Values {
					g.quantities(input.Table.Forecast, column.Quantity)
				}
			case "": // a source that nobody knows here
				for quantity := range InputQuantities {
					g.quantities(false, quantity)
					g.quantities(true, quantity)
				}
				g.category, g.categoriesForecast = true, true
			}
			for _, m := range input.JSON {
				g.quantities(m.Forecast, m.Quantity)
			}
		}
		for _, normal := range input.Normals {
			if g := all[normal.Gauge]; g != nil {
				g.quantities(false, "snow_water_equivalent_normal", "snow_water_equivalent_normal_april_1")
			}
		}
	}
	return all
}

const heldAllTheSame = "it will be unknown, which counts as held."

// MissingEvidence lists, in sentences for people, what the suspension criteria ask
// for and no input of the file gives: such a criterion is never clear.
func (p *Programme) MissingEvidence() []string {
	var missing []string
	say := func(h *Hold, format string, arguments ...any) {
		missing = append(missing, fmt.Sprintf("criterion %s asks for %s: %s", h.ID, fmt.Sprintf(format, arguments...), heldAllTheSame))
	}
	kinds := map[string]bool{}
	for i := range p.Inputs {
		kinds[p.Inputs[i].Kind] = true
	}
	gauges := p.givenByInputs()
	for i := range p.Holds {
		h := &p.Holds[i]
		for _, gauge := range h.Gauges {
			g := gauges[gauge]
			if g == nil {
				say(h, "gauge %s, which no input gives", gauge)
				continue
			}
			p.missingOfGauge(h, gauge, g, say)
		}
		for _, origin := range h.Inputs {
			if holdInputs[h.Kind] == nil {
				break
			}
			kind := map[string]string{"radar": "radar", "mosaic": "mosaic", "forecast": "model", "sounding": "sounding"}[origin]
			if !kinds[kind] {
				say(h, "%s by %s, which no input gives", strings.ReplaceAll(h.Kind, "_", " "), origin)
			}
		}
		switch h.Kind {
		case "warning":
			p.missingOfWarnings(h, kinds["warnings"], say)
		case "avalanche":
			for _, zone := range h.Zones {
				if !slices.ContainsFunc(p.Inputs, func(in Input) bool {
					return in.Kind == "avalanche" && (in.Zones == nil || slices.Contains(in.Zones, zone))
				}) {
					say(h, "avalanche danger in zone %s, which no input gives", zone)
				}
			}
		case "site_ready":
			if !kinds["telemetry"] {
				say(h, "reports of the sites, which no input gives")
			}
		}
	}
	return append(missing, p.unaskedZones()...)
}

// missingOfGauge compares what a criterion asks of a gauge with what is given.
func (p *Programme) missingOfGauge(h *Hold, gauge string, g *gives, say func(h *Hold, format string, arguments ...any)) {
	ask := func(of map[string]bool, what, quantity string) {
		if !of[quantity] {
			say(h, "%s%s of gauge %s, which no input gives", what, quantity, gauge)
		}
	}
	limits := func(values ...float64) bool {
		return slices.ContainsFunc(values, func(v float64) bool { return given(v) != nil })
	}
	switch h.Kind {
	case "river", "gauge", "reservoir":
		byNumber := h.Kind == "reservoir" || limits(h.ReviewAbove, h.HoldAbove, h.ReviewBelow, h.HoldBelow)
		if byNumber || limits(h.ReviewRisePerHour, h.HoldRisePerHour) {
			ask(g.observed, "", h.Quantity)
			if like, known := InputQuantities[h.Quantity]; known {
				if _, ok := Convert(1, like, h.Unit); !ok {
					say(h, "%s in %s, which is given in %s and cannot be converted", h.Quantity, h.Unit, like)
				}
			}
		}
		if byNumber && limits(h.ForecastHours) {
			ask(g.forecast, "the forecast of ", h.Quantity)
		}
		if h.ReviewCategory != "" || h.HoldCategory != "" {
			if !g.category {
				say(h, "the flood category of gauge %s, which no input gives", gauge)
			} else if limits(h.ForecastHours) && !g.categoriesForecast {
				say(h, "the forecast flood category of gauge %s, which no input gives", gauge)
			}
		}
	case "snow":
		percent, normal := "snow_water_equivalent_percent", "snow_water_equivalent_normal"
		if h.RampOf == "april-1" {
			percent, normal = "snow_water_equivalent_percent_april_1", "snow_water_equivalent_normal_april_1"
		}
		if !g.observed[percent] {
			ask(g.observed, "", "snow_water_equivalent")
			ask(g.observed, "", normal)
		}
	case "rain_on_snow":
		ask(g.observed, "", "snow_water_equivalent")
	}
}

func (p *Programme) missingOfWarnings(h *Hold, any bool, say func(h *Hold, format string, arguments ...any)) {
	if !any {
		say(h, "a list of warnings, which no input gives")
		return
	}
	for _, feed := range h.Feeds {
		if !slices.ContainsFunc(p.Inputs, func(in Input) bool { return in.Kind == "warnings" && in.Feed == feed }) {
			say(h, "the list of warnings %q, which no input gives", feed)
		}
	}
}

var zoneCode = regexp.MustCompile(`^[A-Z]{2}[ZC][0-9]{3}$`)

// unaskedZones lists zones of sites and targets for which no input asks for
// warnings, where every input of warnings asks by zones: such warnings are not
// seen at all, which no criterion can know.
func (p *Programme) unaskedZones() []string {
	if !slices.ContainsFunc(p.Holds, func(h Hold) bool { return h.Kind == "warning" }) {
		return nil
	}
	asked, areas, lists := map[string]bool{}, map[string]bool{}, 0
	for i := range p.Inputs {
		input := &p.Inputs[i]
		if input.Kind != "warnings" {
			continue
		}
		if input.Zones == nil && input.Areas == nil {
			return nil // what it covers, the file does not tell
		}
		lists++
		for _, zone := range input.Zones {
			asked[zone] = true
		}
		for _, area := range input.Areas {
			areas[area] = true
		}
	}
	if lists == 0 {
		return nil
	}
	var missing []string
	look := func(what, id string, zones []string) {
		for _, zone := range zones {
			code := strings.ToUpper(zone)
			if zoneCode.MatchString(code) && !asked[code] && !areas[code[:2]] {
				missing = append(missing, fmt.Sprintf("%s %s lies in zone %s, for which no input asks for warnings: they will not be seen.", what, id, zone))
			}
		}
	}
	for i := range p.Sites {
		look("site", p.Sites[i].ID, p.Sites[i].Zones)
	}
	for i := range p.Targets {
		look("target", p.Targets[i].ID, p.Targets[i].Zones)
	}
	return missing
}
