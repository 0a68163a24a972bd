package hold

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeline/seedability/programme"
)

// Row is one criterion of a programme, for people.
type Row struct {
	Criterion string `json:"criterion"`
	Name      string `json:"name"`
	Kind      string `json:"kind"`
	Sites     string `json:"sites"`
	Targets   string `json:"targets"`
	// Suspends and Reviews say from which limits on; empty for none.
	Suspends string `json:"suspends"`
	Reviews  string `json:"reviews"`
	// JudgedBy names the inputs that are needed, and how old they may be.
	JudgedBy string `json:"judged_by"`
	Lifts    string `json:"lifts"`
	Source   string `json:"source"`
	Note     string `json:"note"`
}

// Rows describes the criteria of a programme in the order of its file.
func Rows(p *programme.Programme) []Row {
	rows := []Row{}
	for i := range p.Holds {
		h := &p.Holds[i]
		r := Row{Criterion: h.ID, Name: h.Name, Kind: h.Kind, Source: sourceOf(h), Note: h.Note}
		r.Sites, r.Targets = strings.Join(h.SiteIDs, ", "), strings.Join(h.TargetIDs, ", ")
		if len(h.SiteIDs) == len(p.Sites) {
			r.Sites = "all"
		}
		if len(h.TargetIDs) == len(p.Targets) {
			r.Targets = "all"
		}
		r.Suspends, r.Reviews, r.JudgedBy = limitText(h), reviewText(h), judgedBy(h)
		who := strings.Join(h.MayLift, ", ")
		switch {
		case h.Kind == KindManual:
			r.Lifts = "by " + who + ", or at the end that was set with it"
		case h.Lift == "automatic" && h.ClearMinutes == 0:
			r.Lifts = "by itself at once, or by " + who
		case h.Lift == "automatic":
			r.Lifts = fmt.Sprintf("by itself after %g min without its cause, or by %s when that is gone", h.ClearMinutes, who)
		default:
			r.Lifts = "by " + who + ", when its cause is gone"
		}
		rows = append(rows, r)
	}
	return rows
}

// side writes "at or above 7 mm/h" for a limit that is there.
func side(text string, value float64, unit string) string {
	if isNaN(value) {
		return ""
	}
	return strings.TrimSpace(text + " " + plain(value) + " " + unit)
}

func joined(parts ...string) string {
	var given []string
	for _, part := range parts {
		if part != "" {
			given = append(given, part)
		}
	}
	return strings.Join(given, "; ")
}

func limitText(h *programme.Hold) string {
	text := joined(side(h.Quantity+" at or above", h.HoldAbove, h.Unit), side(h.Quantity+" at or below", h.HoldBelow, h.Unit),
		side("rising by", h.HoldRisePerHour, h.Unit+" an hour"), after("flood category ", h.HoldCategory, " or higher"))
	switch h.Kind {
	case "reservoir":
		return joined(text, side("at or above", h.HoldPercent, "% of "+basis(h)))
	case "snow":
		var points []string
		for _, point := range h.Ramp {
			points = append(points, fmt.Sprintf("%s %s %%", point.Date, plain(point.Value)))
		}
		of := "the normal of the day"
		if h.RampOf == "april-1" {
			of = "the normal of 1 April"
		}
		return fmt.Sprintf("snow water equivalent at or above, percent of %s: %s (between dates: %s)", of, strings.Join(points, ", "), h.RampBetween)
	case "rain_on_snow":
		if h.Action == "hold" {
			return rainOnSnowText(h)
		}
		return ""
	case "warning":
		return eventsText(h, programme.EventHolds)
	case "burn_scar":
		if !isNaN(h.RainYears) {
			text = joined(text, fmt.Sprintf("any rain that is not snow, up to %g years after %s", h.RainYears, h.BurntDate))
		}
		return text
	case "wind":
		if !isNaN(h.SectorFromDeg) {
			text = joined(text, fmt.Sprintf("direction outside %g to %g degrees", h.SectorFromDeg, h.SectorToDeg))
		}
		return text
	case "season":
		return fmt.Sprintf("outside %s to %s", h.FromDate, h.ToDate)
	case "hours":
		return fmt.Sprintf("outside %s to %s local time", h.FromTime, h.ToTime)
	case "site_ready":
		units := ""
		if h.UnitsMinimum > 0 {
			units = side("units left below", h.UnitsMinimum, "")
		}
		faults := "any fault flag"
		if len(h.IgnoreFaults) > 0 {
			faults += " but " + strings.Join(h.IgnoreFaults, ", ")
		}
		return joined(side("battery at or below", h.BatteryHoldBelowV, "V, now or at the end of the storm"), fmt.Sprintf("no contact for more than %g min", h.ContactMinutes), units, faults)
	case "agent_limit":
		return joined(side("more than", h.DailyG, "g a local day"), after(side("more than", h.SeasonG, "g a season that begins"), h.FromDate, "")) + " for each " + h.Per
	case "avalanche":
		return side("danger at or above", h.HoldLevel, "")
	case KindManual:
		return "while a person has set it"
	}
	return text
}

func reviewText(h *programme.Hold) string {
	text := joined(side(h.Quantity+" at or above", h.ReviewAbove, h.Unit), side(h.Quantity+" at or below", h.ReviewBelow, h.Unit),
		side("rising by", h.ReviewRisePerHour, h.Unit+" an hour"), after("flood category ", h.ReviewCategory, " or higher"))
	switch h.Kind {
	case "reservoir":
		return joined(text, side("at or above", h.ReviewPercent, "% of "+basis(h)))
	case "snow":
		return side("nearer to the ramp than", h.ReviewPoints, "percentage points")
	case "rain_on_snow":
		if h.Action != "hold" {
			return rainOnSnowText(h)
		}
	case "warning":
		return joined(eventsText(h, programme.EventReviews), "and any other but "+eventsText(h, programme.EventInforms))
	case "site_ready":
		return side("battery at or below", h.BatteryReviewBelowV, "V, now or at the end of the storm")
	case "agent_limit":
		return side("from", h.ReviewPercent, "% of the limit")
	case "avalanche":
		return side("danger at or above", h.ReviewLevel, "")
	}
	return text
}

func after(before, text, behind string) string {
	if text == "" || before == "" {
		return ""
	}
	return strings.TrimSpace(before) + " " + text + behind
}

func basis(h *programme.Hold) string {
	if h.RuleCurve != nil {
		return "the rule curve"
	}
	if isNaN(h.Capacity) {
		return "capacity"
	}
	return "the capacity of " + plain(h.Capacity) + " " + h.Unit
}

func rainOnSnowText(h *programme.Hold) string {
	return fmt.Sprintf("snow water equivalent at or above %s mm and freezing level at or above %s m", plain(h.SWEAboveMM), plain(h.TargetAltitude))
}

// eventsText lists what a criterion does with warnings, sorted.
func eventsText(h *programme.Hold, what string) string {
	var names []string
	for name, does := range h.Events {
		if does == what {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return listed(names)
}

func judgedBy(h *programme.Hold) string {
	age := func(hoursOld float64) string { return "at most " + span(hours(hoursOld)) + " old" }
	var parts []string
	switch h.Kind {
	case "season", "hours":
		return "the clock"
	case "warning":
		feeds := "every list of warnings, one at least"
		if len(h.Feeds) > 0 {
			feeds = "lists of warnings " + strings.Join(h.Feeds, ", ")
		}
		near := strings.Join(h.Near, ", ")
		if h.NearKM > 0 {
			near += fmt.Sprintf(", within %g km", h.NearKM)
		}
		return fmt.Sprintf("%s, %s; areas that meet %s; from %g h before the onset", feeds, age(h.MaximumAgeHours), near, h.ForecastHours)
	case "site_ready":
		parts = append(parts, "reports of the site")
	case "agent_limit":
		parts = append(parts, "the record of releases")
	case "avalanche":
		parts = append(parts, "zones "+strings.Join(h.Zones, ", "))
	case KindManual:
		parts = append(parts, "the record of manual holds")
	}
	if len(h.Gauges) > 0 {
		parts = append(parts, strings.Join(h.Gauges, ", "))
	}
	if h.Datum != "" {
		parts = append(parts, "datum "+h.Datum)
	}
	observed := len(h.Inputs) == 0
	for _, input := range h.Inputs {
		observed = observed || input != "forecast"
	}
	if len(h.Inputs) > 0 {
		text := strings.Join(h.Inputs, ", ")
		if n := int(h.Enough); n < len(h.Inputs) {
			text += fmt.Sprintf(" (%d of them at least)", n)
		}
		parts = append(parts, text)
	}
	if observed || len(h.Gauges) > 0 {
		parts = append(parts, age(h.MaximumAgeHours))
	}
	if !isNaN(h.ForecastHours) {
		parts = append(parts, fmt.Sprintf("forecasts of the next %g h, issued %s", h.ForecastHours, strings.TrimSuffix(age(h.ForecastAgeHours), " old")+" ago"))
	}
	if h.Hysteresis > 0 && !math.IsNaN(h.Hysteresis) {
		unit := h.Unit
		if h.Kind == "reservoir" || h.Kind == "snow" {
			unit = "percentage points"
		}
		parts = append(parts, "gone only "+plain(h.Hysteresis)+" "+strings.TrimSpace(unit)+" beyond the limit")
	}
	return strings.Join(parts, "; ")
}

// Describe is the page of criteria that a programme uses, as text of at most 78
// columns, with their sources and with lines for its licensed manager to sign.
func Describe(p *programme.Programme) string {
	var b strings.Builder
	fmt.Fprintf(&b, "SUSPENSION CRITERIA\n%s (%s)\nProgramme file %s\nSHA-256 %s\nTimes are local to %s where not marked UTC.\n", p.Name, p.ID, p.File, p.SHA256, p.Timezone)
	b.WriteString("\n" + wrap("What is missing, older than allowed, suspect, of the future or in a unit that is not known cannot be judged, and counts as held. A hold acts at once. The permit, the licensed operator, local code and any order of an authority prevail over this page; public rules change.", 0) + "\n")
	rows := Rows(p)
	if len(rows) == 0 {
		b.WriteString("\nThe file names no criteria: NOTHING SUSPENDS SEEDING but holds that a person sets.\n")
	}
	for i, r := range rows {
		heading := fmt.Sprintf("%d. %s", i+1, r.Name)
		if r.Name != r.Criterion {
			heading += " (" + r.Criterion + ")"
		}
		fmt.Fprintf(&b, "\n%s\n", wrap(heading+" - "+strings.ReplaceAll(r.Kind, "_", " "), 0))
		for _, line := range []struct{ name, text string }{
			{"Sites", r.Sites}, {"Targets", r.Targets}, {"Suspends", r.Suspends}, {"Review", r.Reviews}, {"Judged by", r.JudgedBy},
			{"Lifted", r.Lifts}, {"Source", r.Source}, {"Note", r.Note},
		} {
			if line.text != "" {
				fmt.Fprintf(&b, "%s\n", wrap(fmt.Sprintf("   %-10s %s", line.name, line.text), 14))
			}
		}
	}
	b.WriteString("\nApproved by the licensed manager of the programme\n\n")
	for _, line := range []struct{ name, text string }{{"Name", p.Manager.Name}, {"Licence number", p.Manager.Licence}, {"Date", ""}, {"Signature", ""}} {
		if line.text == "" {
			line.text = strings.Repeat("_", 40)
		}
		fmt.Fprintf(&b, "   %-16s %s\n\n", line.name, line.text)
	}
	return b.String()
}

// wrap breaks text at spaces, at most 78 columns wide, with later lines indented.
// Leading spaces and runs of spaces in the first 14 columns stay.
func wrap(text string, indent int) string {
	const width = 78
	var lines []string
	rest := text
	for {
		runes := []rune(rest)
		if len(runes) <= width {
			return strings.Join(append(lines, rest), "\n")
		}
		cut := width
		for cut > indent && runes[cut] != ' ' {
			cut--
		}
		if cut <= indent { // one long word
			cut = width
		}
		lines = append(lines, strings.TrimRight(string(runes[:cut]), " "))
		rest = strings.Repeat(" ", indent) + strings.TrimLeft(string(runes[cut:]), " ")
	}
}
