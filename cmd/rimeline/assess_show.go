package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/drift"
	"rimeline/seedability/programme"
)

// show prints the table, or the events.
func (j *assessJob) show() error {
	if j.env.JSON {
		events := make([]bus.Event, 0, len(j.results))
		for _, r := range j.results {
			events = append(events, r.event)
		}
		return writeJSON(j.env.Stdout, events)
	}
	return printAssessments(j.env.Stdout, j)
}

func stateText(a seedability.Assessment) string {
	if a.Score.Value == nil {
		return string(a.State) + ", no score"
	}
	return fmt.Sprintf("%s, score %.0f", a.State, *a.Score.Value)
}

// printAssessments is the screen of the person on duty.
func printAssessments(w io.Writer, j *assessJob) error {
	p := &page{w: w}
	p.printf("%s\n", j.programme.Name)
	shown := map[string]bool{}
	for _, r := range j.results {
		for _, input := range r.assessment.Inputs {
			line := fmt.Sprintf("%-9s %s, %s", input.Kind+":", input.Label, input.ReferenceTime.Format("2006-01-02 15:04 UTC"))
			if !shown[line] {
				shown[line] = true
				p.printf("%s\n", line)
			}
		}
	}
	p.printf("air:      %s\n", j.evidence.Atmosphere.Report())

	zone := j.programme.Location
	rows := [][]string{{"SITE", "RELEASE UTC", strings.ToUpper(zoneName(j.results[0].assessment.ReleaseTime, zone)), "STATE", "SCORE", "SURE", "IN TARGET", "LIQUID", "PLUME IN CLOUD", "ACTS AFTER", "LANDS AFTER", "LANDS AT"}}
	for _, r := range j.results {
		rows = append(rows, assessmentRow(r, zone))
	}
	p.table("Assessments", rows)

	for _, site := range j.sites {
		best := bestOf(j.results, site)
		if best == nil {
			continue
		}
		printReasons(p, best, zone)
	}
	notes := []string{}
	for _, r := range j.results {
		for _, note := range r.assessment.Notes {
			if !slices.Contains(notes, note) {
				notes = append(notes, note)
			}
		}
	}
	if n := len(j.weather.passedOver); n > 0 {
		notes = append(notes, fmt.Sprintf("%s of other kinds in the input folders passed over", count(n, "file")))
	}
	if len(notes) > 0 {
		p.printf("\nNotes\n")
		for _, note := range notes {
			p.paragraph(note)
		}
	}
	if j.Out != "" {
		p.printf("\nMaps, cross-sections, paths and events are in %s.\n", j.Out)
	}
	p.printf("\nCautions\n")
	for _, caution := range seedability.Cautions {
		p.paragraph(caution)
	}
	return p.err
}

func zoneName(at time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	name, _ := at.In(zone).Zone()
	return name
}

// bestOf is the release of a site with the highest score; the first where none
// has one.
func bestOf(results []result, site *programme.Site) *result {
	var best *result
	value := func(r *result) float64 {
		if r.assessment.Score.Value == nil {
			return -1
		}
		return *r.assessment.Score.Value
	}
	for k := range results {
		if r := &results[k]; r.site == site && (best == nil || value(r) > value(best)) {
			best = r
		}
	}
	return best
}

func dash(value *float64, format string) string {
	if value == nil {
		return "-"
	}
	return fmt.Sprintf(format, *value)
}

func assessmentRow(r result, zone *time.Location) []string {
	a := r.assessment
	if zone == nil {
		zone = time.UTC
	}
	temperature, liquid := "-", "-"
	for _, component := range a.Score.Components {
		switch component.Name {
		case seedability.ComponentTemperature:
			temperature = dash(component.Input, "%.1f °C")
		case seedability.ComponentLiquid:
			liquid = dash(component.Input, "%.2f mm")
		}
	}
	target := "-"
	if p := a.Score.TargetProbability; p != nil {
		target = fmt.Sprintf("%.0f %%", 100**p)
	}
	lands := "nowhere"
	if e := a.Transport.Landing; e != nil {
		lands = fmt.Sprintf("%.0f km %s", e.DistanceM/1000, compass(e.BearingDeg))
	}
	minutes := func(q seedability.Quantiles) string {
		if q.Q50 == nil {
			return "-"
		}
		return fmt.Sprintf("%.0f (%.0f-%.0f) min", *q.Q50, *q.Q10, *q.Q90)
	}
	return []string{r.site.Name, a.ReleaseTime.Format("01-02 15:04"), a.ReleaseTime.In(zone).Format("15:04"), string(a.State), dash(a.Score.Value, "%.0f"),
		fmt.Sprintf("%.2f", a.Confidence.Value), target, liquid, temperature, minutes(a.Transport.ActivationMinutes), minutes(a.Transport.LandingMinutes), lands}
}

// printReasons shows the components of a site's best release.
func printReasons(p *page, r *result, zone *time.Location) {
	a := r.assessment
	if zone == nil {
		zone = time.UTC
	}
	p.printf("\n%s, release %s (%s): %s, %s\n", r.site.Name, a.ReleaseTime.Format("15:04 UTC"), a.ReleaseTime.In(zone).Format("15:04 MST"), stateText(a), a.StateReason)
	rows := [][]string{{"COMPONENT", "FOUND", "WORTH", "WEIGHT", "WHY"}}
	for _, component := range a.Score.Components {
		found := "-"
		if component.Input != nil {
			found = threeDigits(*component.Input)
			if component.Unit != "1" {
				found += " " + component.Unit
			}
		}
		weight := fmt.Sprintf("%.2f", component.Weight)
		if component.Factor {
			weight = "factor"
		}
		rows = append(rows, []string{component.Name, found, dash(component.Value, "%.2f"), weight, component.Reason})
	}
	for _, target := range a.Transport.Targets {
		rows = append(rows, []string{"target", fmt.Sprintf("%.0f ± %.0f %%", 100*target.Probability, 100*target.StandardError), fmt.Sprintf("%.2f", target.Probability), "",
			fmt.Sprintf("%s: of %d members %d land inside, %d short, %d past, %d beside; %s", target.Name, a.Transport.Members, target.Inside, target.Short, target.Past, target.Beside, otherFates(a.Transport.Fates))})
	}
	p.table("", rows)
	printObserved(p, a, zone)
	for _, limit := range a.Score.Caps {
		p.paragraph(fmt.Sprintf("Opportunity held to %.1f: %s.", limit.Limit, limit.Reason))
	}
	if a.Dose.CrystalsPerLitre != nil {
		p.paragraph(fmt.Sprintf("Dose: %s.", a.Dose.Reason))
	}
	p.paragraph(fmt.Sprintf("Confidence %.2f: %s.", a.Confidence.Value, strings.Join(a.Confidence.Reasons, "; ")))
}

// threeDigits prints a number with three digits and never in powers of ten.
func threeDigits(x float64) string {
	if x == 0 {
		return "0"
	}
	decimals := max(0, 2-int(math.Floor(math.Log10(math.Abs(x)))))
	return strconv.FormatFloat(x, 'f', min(decimals, 6), 64)
}

// otherFates lists what became of the members that did not land.
func otherFates(fates map[string]int) string {
	var words []string
	for _, fate := range drift.Fates() {
		if n := fates[fate.String()]; n > 0 && fate != drift.Landed {
			words = append(words, fmt.Sprintf("%d %s", n, fate))
		}
	}
	if len(words) == 0 {
		return "none lost"
	}
	return strings.Join(words, ", ")
}

// printObserved says what radar and satellite add.
func printObserved(p *page, a seedability.Assessment, zone *time.Location) {
	clock := func(t time.Time) string { return t.Format("15:04 UTC") + " (" + t.In(zone).Format("15:04 MST") + ")" }
	if r := a.Radar; r != nil {
		layer := "between 0 and -20 °C it saw nothing: " + r.Layer.Sight
		switch {
		case r.Layer.DBZ != nil:
			layer = fmt.Sprintf("the strongest echo between 0 and -20 °C is %.0f dBZ at %.0f m", *r.Layer.DBZ, *r.Layer.AltitudeM)
		case r.Layer.Sight == grid.NoEcho.String():
			layer = "no echo between 0 and -20 °C"
		}
		line := fmt.Sprintf("Radar %s, %.0f km from the zone, %.0f min old: %s (%.0f %% of the layer seen)", r.Radar, r.DistanceM/1000, r.AgeMinutes, layer, 100*r.Layer.SeenShare)
		if r.AboveActivationM != nil && *r.AboveActivationM > 0 {
			line += fmt.Sprintf("; the lowest beam passes %.0f m above the activation, what is lower is not seen", *r.AboveActivationM)
		}
		if r.EchoTop != nil && r.EchoTop.AirTemperatureK != nil {
			line += fmt.Sprintf("; echo top of 18 dBZ at %.0f m, %.0f °C", r.EchoTop.AltitudeM, *r.EchoTop.AirTemperatureK-273.15)
		}
		p.paragraph(line + ".")
		for _, hint := range r.Hints {
			p.paragraph("Hint of dual polarisation: " + hint + ".")
		}
	}
	if a.TargetRate != nil {
		p.paragraph(fmt.Sprintf("Precipitation over the landing: %.1f mm/h, %s (%s).", a.TargetRate.MMPerH, a.TargetRate.Class, strings.Trim(a.TargetRate.From+", "+a.TargetRate.Relation, ", ")))
	}
	if s := a.Satellite; s != nil {
		p.paragraph(fmt.Sprintf("Satellite %s, %.0f min old: phase %s, %s.", s.Label, s.AgeMinutes, s.Phase, s.Says))
	}
	for _, b := range a.Bands {
		line := fmt.Sprintf("%s %d (%.0f dBZ, %.0f %% sure) is over the zone from %s to %s, peak %s ± %.0f min", strings.ToUpper(b.Kind[:1])+b.Kind[1:], b.ID, b.PeakDBZ, 100*b.Probability,
			clock(b.Arrival.Time), clock(b.End.Time), clock(b.Peak.Time), b.Peak.SDMinutes)
		if r := b.Release; r.Best != nil {
			line += fmt.Sprintf("; to meet it release from %s to %s, best %s", clock(*r.Start), clock(*r.End), clock(*r.Best))
		} else {
			line += "; to release for it: " + r.State
		}
		p.paragraph(line + ".")
	}
}
