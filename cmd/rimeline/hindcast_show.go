package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/seedability/evaluate"
	"rimeline/seedability/hindcast"
)

// limitHeads are the columns of limits in tables for people.
var limitHeads = map[hindcast.Limit]string{
	hindcast.NoLiquid: "NO LIQUID", hindcast.TooWarm: "TOO WARM", hindcast.TooCold: "TOO COLD", hindcast.NoTransport: "NO TRANSPORT",
	hindcast.Cloud: "CLOUD", hindcast.Dose: "DOSE", hindcast.NotInTarget: "NOT IN TARGET", hindcast.Other: "OTHER",
}

func everyText(d time.Duration) string {
	if d == time.Hour {
		return "hour"
	}
	return spanText(d)
}

func percent(x hindcast.Number) string {
	if !x.Known() {
		return "-"
	}
	return strconv.FormatFloat(100*float64(x), 'f', 1, 64) + " %"
}

// shareRange is the interval by storm days, or the plain one where there are too few.
func shareRange(r *hindcast.Row) string {
	i, mark := r.ByDay, ""
	if !i.Known() {
		i, mark = r.Wilson, " *"
	}
	if !i.Known() {
		return "-"
	}
	return fmt.Sprintf("%.1f to %.1f %%%s", 100*float64(i.Low), 100*float64(i.High), mark)
}

func hoursCell(x float64) string {
	if x == math.Trunc(x) {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'f', 1, 64)
}

// showHindcast prints the report for people.
func showHindcast(w io.Writer, r *hindcastReport) error {
	p := &page{w: w}
	clock := func(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }
	p.printf("Hindcast of %s (%s), releases from %s up to %s, every %s\n", printable(r.Name), r.Programme, clock(r.From), clock(r.To), everyText(time.Duration(r.EveryMinutes*float64(time.Minute))))
	p.printf("Seedable: a score of %g or more with confidence of at least %.2f, by the programme file. Months and hours of the day in %s.\n", r.WindowScore, r.MinimumConfidence, r.Timezone)
	lead := fmt.Sprintf("mean lead %.1f h", r.Model.MeanLeadHour)
	if r.AsAnalysis {
		lead += ", taken as analyses"
	}
	p.printf("Model: %s; %s, %s, %s\n", r.Model.Grid, count(r.Model.Files, "file"), count(r.Model.States, "time"), lead)

	rows := [][]string{{"SITE", "NAME", "HOURS JUDGED", "SEEDABLE", "SHARE", "95 % RANGE", "STORM DAYS WITH SOME", "LIQUID OVER SITE", "MEAN SCORE", "MOSTLY HELD BACK BY"}}
	starred := false
	for k := range r.Sites {
		s := &r.Sites[k]
		starred = starred || !s.ByDay.Known() && s.Wilson.Known()
		rows = append(rows, []string{s.Site, shorten(printable(r.name(s.Site)), 28), hoursCell(s.Judged), hoursCell(s.Seedable), percent(s.Share), shareRange(s),
			fmt.Sprintf("%d of %d", s.SeedableStormDays, s.StormDays), overSiteShare(s), meanText(s.MeanScore), mostHeld(s)})
	}
	p.table("Sites, the one with the largest share first", rows)

	for k := range r.Sites {
		months := r.monthsOf(&r.Sites[k])
		rows, stars := monthRows(months)
		starred = starred || stars
		p.table(fmt.Sprintf("%s (%s): hours", printable(r.name(r.Sites[k].Site)), r.Sites[k].Site), rows)
	}

	rows = [][]string{{"SITE", "00-03", "03-06", "06-09", "09-12", "12-15", "15-18", "18-21", "21-24"}}
	for k := range r.Sites {
		row := []string{r.Sites[k].Site}
		for part := range 8 {
			judged, good := 0.0, 0.0
			for _, h := range r.Sites[k].HoursOfDay[3*part : 3*part+3] {
				judged, good = judged+h.Judged, good+h.Seedable
			}
			cell := "-"
			if judged > 0 {
				cell = percent(hindcast.Number(good / judged))
			}
			row = append(row, cell)
		}
		rows = append(rows, row)
	}
	p.table("Share of seedable hours by time of day, "+r.Timezone, rows)

	if len(r.Reasons) > 0 {
		rows = [][]string{{"HOURS", "SITE", "STATE", "WHY", "FIRST", "LAST"}}
		for k, reason := range r.Reasons {
			if k == 20 {
				break
			}
			site := reason.Site
			if site == "" {
				site = "each"
			}
			rows = append(rows, []string{hoursCell(reason.Hours), site, string(reason.Outcome), printable(reason.Why), clock(reason.First), clock(reason.Last)})
		}
		p.table("Not judged, and no part of any share", rows)
		if more := len(r.Reasons) - 20; more > 0 {
			p.printf("  and %d more, all in not-judged.csv\n", more)
		}
	}

	p.printf("\n")
	p.paragraph("An hour that is not seedable is counted under the first thing that forbids it along the way of the plume, or under what costs the score most: " + limitLegend() + ".")
	if blind, assessed := r.blind(); blind > .05*assessed {
		p.paragraph(fmt.Sprintf("%.0f %% of the assessments are blind: too little confidence, since the model states are far from their run's beginning or much is not known, as in air without cloud. Blind hours are often dry ones, so that shares come out too high. --as-analysis takes the states as analyses (reanalyses, continuous runs).", 100*blind/assessed))
	}
	p.paragraph(fmt.Sprintf("Liquid over site: share of hours in which the column over the site has %g mm or more of supercooled water between -5 and -20 °C, whatever the plume does.", hindcast.OverSiteMM))
	p.paragraph("The range is of resampled storm days (from 12 to 12 UTC), since the hours of a storm are alike.")
	if starred {
		p.paragraph("* Fewer than ten storm days: the range by Wilson (1927), which takes hours as independent and is too narrow.")
	}
	if len(r.NotAsked) > 0 {
		p.paragraph("The programme file requires " + strings.Join(r.NotAsked, ", ") + " in service; a hindcast has none, and it was not asked for.")
	}
	p.paragraph("Natural ice and bands are seen by radar alone and take no part: in storms that make their own ice the score is too high. Suspension criteria (holds) are not judged.")
	for _, note := range r.Notes {
		p.paragraph(printable(note))
	}
	if r.Model.PassedOver > 0 {
		p.paragraph(count(r.Model.PassedOver, "file") + " without fields of an atmosphere at the sites passed over.")
	}
	if r.Failures > 0 {
		p.paragraph(count(r.Failures, "file or model state") + " could not be read; they are named in hindcast.json and on standard error.")
	}
	p.paragraph(r.Caution)
	if r.Taken > 0 {
		p.printf("\n%s taken over from an earlier run, ", count(r.Taken, "assessment"))
	} else {
		p.printf("\n")
	}
	p.printf("%s made in %s.\n", count(r.Assessed, "assessment"), (time.Duration(r.Seconds * float64(time.Second))).Round(time.Second/10))
	return p.err
}

// blind hours of all sites, and those assessed.
func (r *hindcastReport) blind() (blind, assessed float64) {
	for k := range r.Sites {
		blind, assessed = blind+r.Sites[k].Blind, assessed+r.Sites[k].Blind+r.Sites[k].Judged
	}
	return blind, assessed
}

// monthsOf a site: each month, each month of all years, and all.
func (r *hindcastReport) monthsOf(all *hindcast.Row) (rows []hindcast.Row) {
	for _, list := range [][]hindcast.Row{r.Months, r.Calendar} {
		for k := range list {
			if list[k].Site == all.Site {
				rows = append(rows, list[k])
			}
		}
	}
	return append(rows, *all)
}

// monthRows is the table of one site; limits that never were are left out.
func monthRows(months []hindcast.Row) (rows [][]string, starred bool) {
	head := []string{"MONTH", "JUDGED", "SEEDABLE", "SHARE", "95 % RANGE", "MEAN SCORE"}
	var limits []hindcast.Limit
	few := false
	for _, l := range hindcast.Limits() {
		if slices.ContainsFunc(months, func(m hindcast.Row) bool { return m.Limits[l] > 0 }) {
			limits, head = append(limits, l), append(head, limitHeads[l])
		}
	}
	for k := range months {
		few = few || months[k].Few != ""
	}
	head = append(head, "BLIND", "MISSING")
	if few {
		head = append(head, "REMARK")
	}
	rows = [][]string{head}
	for k := range months {
		m := &months[k]
		starred = starred || !m.ByDay.Known() && m.Wilson.Known()
		month := m.Month
		if number, err := strconv.Atoi(month); err == nil && len(month) == 2 {
			month = "every " + time.Month(number).String()
		}
		cells := []string{month, hoursCell(m.Judged), hoursCell(m.Seedable), percent(m.Share), shareRange(m), meanText(m.MeanScore)}
		for _, l := range limits {
			cells = append(cells, hoursCell(m.Limits[l]))
		}
		cells = append(cells, hoursCell(m.Blind), hoursCell(m.Missing))
		if few {
			cells = append(cells, m.Few)
		}
		rows = append(rows, cells)
	}
	return rows, starred
}

func limitLegend() string {
	var all []string
	for _, l := range hindcast.Limits() {
		all = append(all, strings.ToLower(limitHeads[l])+" ("+l.Words()+")")
	}
	return strings.Join(all, "; ")
}

func meanText(x hindcast.Number) string {
	if !x.Known() {
		return "-"
	}
	return strconv.FormatFloat(float64(x), 'f', 0, 64)
}

func overSiteShare(r *hindcast.Row) string {
	if r.OverSiteOf == 0 {
		return "-"
	}
	return percent(hindcast.Number(r.OverSite / r.OverSiteOf))
}

func mostHeld(r *hindcast.Row) string {
	var most hindcast.Limit
	for _, l := range hindcast.Limits() {
		if r.Limits[l] > 0 && (most == "" || r.Limits[l] > r.Limits[most]) {
			most = l
		}
	}
	if most == "" {
		return "-"
	}
	return fmt.Sprintf("%s (%.0f %%)", strings.ToLower(limitHeads[most]), 100*r.Limits[most]/(r.Judged-r.Seedable))
}

// writeReport puts the files into the folder.
func (j *hindcastJob) writeReport(r *hindcastReport) error {
	var text bytes.Buffer
	if err := showHindcast(&text, r); err != nil {
		return err
	}
	whole, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return err
	}
	files := []struct {
		name  string
		bytes []byte
	}{{"report.txt", text.Bytes()}, {"hindcast.json", append(whole, '\n')}}
	for _, table := range []struct {
		name string
		rows [][]string
	}{{"months.csv", monthsTable(r)}, {"hours-of-day.csv", hoursOfDayTable(r)}, {"not-judged.csv", reasonsTable(r)}} {
		var b bytes.Buffer
		if err := writeTable(&b, table.rows); err != nil {
			return err
		}
		files = append(files, struct {
			name  string
			bytes []byte
		}{table.name, b.Bytes()})
	}
	for _, f := range files {
		if err := renameio.WriteFile(filepath.Join(j.Out, f.name), f.bytes, 0o644); err != nil {
			return plainPathError(err)
		}
	}
	return writeWholeFile(filepath.Join(j.Out, "hours.csv"), func(w io.Writer) error { return hoursTable(w, j.hours) })
}

// writeTable writes CSV whose texts are no formulas.
func writeTable(into io.Writer, rows [][]string) error {
	w := csv.NewWriter(into)
	w.UseCRLF = true
	for _, row := range rows {
		row = slices.Clone(row)
		for k, cell := range row {
			if _, err := strconv.ParseFloat(cell, 64); err != nil && strings.ContainsAny(strings.TrimLeft(cell, " ")+" ", "=+-@|\t\r\n") && strings.IndexAny(strings.TrimLeft(cell, " "), "=+-@|\t\r\n") == 0 {
				row[k] = "'" + cell
			}
		}
		if err := w.Write(row); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

func decimalOf(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func figureOf(x evaluate.Number) string {
	if !x.Known() {
		return ""
	}
	return decimalOf(float64(x))
}

func monthsTable(r *hindcastReport) [][]string {
	head := []string{"site", "site_name", "month", "asked_hours", "judged_hours", "seedable_hours", "share", "share_low_by_storm_day", "share_high_by_storm_day", "share_low_wilson", "share_high_wilson",
		"storm_days", "seedable_storm_days", "mean_score", "liquid_over_site_hours", "liquid_over_site_known_hours"}
	for _, l := range hindcast.Limits() {
		head = append(head, string(l)+"_hours")
	}
	rows := [][]string{append(head, "blind_hours", "missing_hours", "few")}
	add := func(row *hindcast.Row) {
		cells := []string{row.Site, r.name(row.Site), row.Month, decimalOf(row.Asked), decimalOf(row.Judged), decimalOf(row.Seedable), figureOf(row.Share), figureOf(row.ByDay.Low), figureOf(row.ByDay.High), figureOf(row.Wilson.Low), figureOf(row.Wilson.High),
			strconv.Itoa(row.StormDays), strconv.Itoa(row.SeedableStormDays), figureOf(row.MeanScore), decimalOf(row.OverSite), decimalOf(row.OverSiteOf)}
		for _, l := range hindcast.Limits() {
			cells = append(cells, decimalOf(row.Limits[l]))
		}
		rows = append(rows, append(cells, decimalOf(row.Blind), decimalOf(row.Missing), row.Few))
	}
	for _, all := range [][]hindcast.Row{r.Months, r.Calendar, r.Sites} {
		for k := range all {
			add(&all[k])
		}
	}
	return rows
}

func hoursOfDayTable(r *hindcastReport) [][]string {
	rows := [][]string{{"site", "month", "hour_of_day_local", "judged_hours", "seedable_hours"}}
	for _, all := range [][]hindcast.Row{r.Months, r.Sites} {
		for k := range all {
			for hour, h := range all[k].HoursOfDay {
				rows = append(rows, []string{all[k].Site, all[k].Month, strconv.Itoa(hour), decimalOf(h.Judged), decimalOf(h.Seedable)})
			}
		}
	}
	return rows
}

func reasonsTable(r *hindcastReport) [][]string {
	rows := [][]string{{"site", "outcome", "why", "hours", "first", "last"}}
	for _, reason := range r.Reasons {
		rows = append(rows, []string{reason.Site, string(reason.Outcome), reason.Why, decimalOf(reason.Hours), reason.First.UTC().Format(time.RFC3339), reason.Last.UTC().Format(time.RFC3339)})
	}
	return rows
}

// hoursTable writes every hour of every site.
func hoursTable(into io.Writer, hours []hindcast.Hour) error {
	known := func(x *float64) string {
		if x == nil {
			return ""
		}
		return decimalOf(*x)
	}
	const most = 1000
	rows := [][]string{{"site", "release_time", "outcome", "limit", "score", "opportunity", "target_probability", "confidence", "working_temperature_degc", "liquid_mm", "liquid_over_site_mm", "lead_hours", "why"}}
	for k := range hours {
		h := &hours[k]
		rows = append(rows, []string{h.Site, h.Time.UTC().Format(time.RFC3339), string(h.Outcome), string(h.Limit), known(h.Score), known(h.Opportunity), known(h.TargetProbability), known(h.Confidence), known(h.WorkingDegC), known(h.LiquidMM), known(h.OverSiteMM), decimalOf(h.LeadHours), h.Why})
		if len(rows) >= most {
			if err := writeTable(into, rows); err != nil {
				return err
			}
			rows = rows[:0]
		}
	}
	return writeTable(into, rows)
}
