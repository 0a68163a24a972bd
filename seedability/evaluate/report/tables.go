package report

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/seedability/evaluate"
)

// Table is one CSV file (RFC 4180, UTF-8, times in RFC 3339 and UTC). An empty field
// is a value that is not known; why stands in the column of that name.
type Table struct {
	Name string // of the file
	What string
	Head []string
	Rows [][]string
}

// Write writes the table.
func (t *Table) Write(into io.Writer) error {
	w := csv.NewWriter(into)
	if err := w.Write(t.Head); err != nil {
		return err
	}
	for _, row := range t.Rows {
		row = slices.Clone(row)
		for k := range row {
			row[k] = noFormula(row[k])
		}
		if err := w.Write(row); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

// noFormula puts an apostrophe before text that a spreadsheet would take for a formula
// (CWE-1236). Numbers stay.
func noFormula(text string) string {
	bare := strings.TrimLeft(text, " ")
	if bare == "" || !strings.ContainsRune("=+-@\t\r\n", rune(bare[0])) {
		return text
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return text
	}
	return "'" + text
}

// WriteJSON writes the whole report.
func (r *Report) WriteJSON(into io.Writer) error {
	e := json.NewEncoder(into)
	e.SetIndent("", " ")
	return e.Encode(r)
}

func whole(n int64) string { return strconv.FormatInt(n, 10) }

// figure has all digits, empty where there is none.
func figure(x evaluate.Number) string {
	if !x.Known() {
		return ""
	}
	return strconv.FormatFloat(float64(x), 'g', -1, 64)
}

func decimal(x float64) string { return figure(evaluate.Number(x)) }

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// Tables gives all tables of the report.
func (r *Report) Tables() []Table {
	all := []Table{r.scoreTable(), r.contingencyTable(), r.stateTable()}
	if len(r.Observed) > 0 {
		all = append(all, r.reliabilityTable(), r.rocTable())
	}
	all = append(all, r.siteTable(), r.windowTable(), r.releaseTable(), r.timesTable())
	if r.Effect != nil {
		all = append(all, r.effectTable(), r.predictionTable())
	}
	return append(all, r.glossaryTable())
}

// scored adds a row for a value with its interval.
type scored struct{ rows [][]string }

func (s *scored) add(prefix []string, measure string, v evaluate.Value, e *evaluate.Estimate, days int, cases int64) {
	low, high, why, kind := "", "", v.Why, ""
	if e != nil {
		interval, name := e.Recommended()
		low, high = figure(interval.Low), figure(interval.High)
		if interval.Known() {
			kind = name
		} else if why == "" {
			why = interval.Why
		}
	}
	s.rows = append(s.rows, append(append([]string{}, prefix...), measure, figure(v.Value), low, high, kind, whole(cases), strconv.Itoa(days), why))
}

func estimate(all map[string]evaluate.Estimate, key string) *evaluate.Estimate {
	if e, ok := all[key]; ok {
		return &e
	}
	return nil
}

// scoreTable has every score, a row each.
func (r *Report) scoreTable() Table {
	t := Table{Name: "scores.csv", What: "every score with its interval, of outlooks against assessments and observations", Head: []string{"compared_with", "site", "place", "lead", "measure", "value", "low", "high", "interval", "cases", "storm_days", "why"}}
	var s scored
	lead := func(row *evaluate.LeadRow) {
		prefix := []string{"assessment", row.Site, "", row.Lead}
		for _, m := range evaluate.Measures {
			s.add(prefix, m.Key, row.Contingency.Scores[m.Key], estimate(row.Intervals, m.Key), row.Days, row.Contingency.Pairs)
		}
		s.add(prefix, "mean_error", row.MeanError, estimate(row.Intervals, "mean_error"), row.Days, row.ScorePairs)
		s.add(prefix, "mean_absolute_error", row.MeanAbsolute, nil, row.Days, row.ScorePairs)
		s.add(prefix, "root_mean_square_error", row.RootMean, nil, row.Days, row.ScorePairs)
	}
	c := &r.Forecast.Comparison
	lead(&c.All)
	for _, rows := range [][]evaluate.LeadRow{c.Leads, c.BySite, c.BySiteAndLead} {
		for k := range rows {
			lead(&rows[k])
		}
	}
	for k := range r.Forecast.Lagged {
		l := &r.Forecast.Lagged[k]
		prefix := []string{"assessment", "", "", l.Lead}
		s.add(prefix, "crps_fair", l.CRPS.Fair, &l.Interval, l.Days, l.CRPS.FairUsed)
		s.add(prefix, "crps_empirical", l.CRPS.Empirical, nil, l.Days, l.CRPS.Counts.Used)
		s.add(prefix, "median_absolute_error", l.CRPS.MedianAbsoluteError, nil, l.Days, l.CRPS.Counts.Used)
	}
	for k := range r.Observed {
		o := &r.Observed[k]
		o.each(func(g *ObservedGroup) {
			prefix := []string{o.Quantity, g.Site, g.Place, g.Lead}
			for _, m := range evaluate.Measures {
				s.add(prefix, m.Key, g.Contingency.Scores[m.Key], estimate(g.Intervals, m.Key), g.Days, g.Contingency.Pairs)
			}
			b := &g.Brier
			s.add(prefix, "brier", b.Score, estimate(g.Intervals, "brier"), g.Days, b.Counts.Used)
			for _, part := range []struct {
				key string
				v   evaluate.Value
			}{{"brier_reliability", b.Reliability}, {"brier_resolution", b.Resolution}, {"brier_uncertainty", b.Uncertainty}, {"brier_within_bin_variance", b.WithinBinVariance}, {"brier_within_bin_covariance", b.WithinBinCovariance}, {"brier_skill_of_sample", b.SkillOfSample}} {
				s.add(prefix, part.key, part.v, nil, g.Days, b.Counts.Used)
			}
			s.add(prefix, "roc_area", g.ROC.Area, estimate(g.Intervals, "roc_area"), g.Days, g.ROC.Counts.Used)
			s.add(prefix, "roc_binning_error", g.ROC.BinningError, nil, g.Days, g.ROC.Counts.Used)
		})
	}
	t.Rows = s.rows
	return t
}

// each calls f for all groups.
func (o *Observed) each(f func(*ObservedGroup)) {
	f(&o.Now)
	for k := range o.Leads {
		f(&o.Leads[k])
	}
	for k := range o.Series {
		f(&o.Series[k])
	}
}

func (r *Report) contingencyTable() Table {
	t := Table{Name: "contingency.csv", What: "hits, false alarms, misses and correct negatives", Head: []string{"compared_with", "site", "place", "lead", "hits", "false_alarms", "misses", "correct_negatives", "missing", "storm_days"}}
	add := func(prefix []string, c *evaluate.Contingency, days int) {
		x := &c.Table
		t.Rows = append(t.Rows, append(prefix, whole(x.Hits), whole(x.FalseAlarms), whole(x.Misses), whole(x.CorrectNegatives), whole(x.Missing), strconv.Itoa(days)))
	}
	c := &r.Forecast.Comparison
	for _, rows := range [][]evaluate.LeadRow{{c.All}, c.Leads, c.BySite, c.BySiteAndLead} {
		for k := range rows {
			add([]string{"assessment", rows[k].Site, "", rows[k].Lead}, &rows[k].Contingency, rows[k].Days)
		}
	}
	for k := range r.Observed {
		o := &r.Observed[k]
		o.each(func(g *ObservedGroup) { add([]string{o.Quantity, g.Site, g.Place, g.Lead}, &g.Contingency, g.Days) })
	}
	return t
}

func (r *Report) stateTable() Table {
	t := Table{Name: "states.csv", What: "what followed each state: later states, observed events", Head: []string{"compared_with", "site", "place", "lead", "state", "became", "pairs", "share", "low", "high", "why"}}
	c := &r.Forecast.Comparison
	for _, rows := range [][]evaluate.LeadRow{{c.All}, c.Leads, c.BySite} {
		for k := range rows {
			for _, s := range rows[k].States {
				for _, to := range stateNames {
					share := ""
					if s.Pairs > 0 {
						share = decimal(float64(s.Judged[to]) / float64(s.Pairs))
					}
					t.Rows = append(t.Rows, []string{"assessment", rows[k].Site, "", rows[k].Lead, string(s.Foreseen), string(to), whole(s.Judged[to]), share, "", "", s.WindowShare.Why})
				}
			}
		}
	}
	for k := range r.Observed {
		o := &r.Observed[k]
		o.each(func(g *ObservedGroup) {
			for _, s := range g.States {
				interval, _ := s.Share.Recommended()
				why := s.Share.Estimate.Why
				if why == "" {
					why = interval.Why
				}
				t.Rows = append(t.Rows, []string{o.Quantity, g.Site, g.Place, g.Lead, string(s.State), "event", whole(s.Events), figure(s.Share.Estimate.Value), figure(interval.Low), figure(interval.High), why})
			}
		})
	}
	return t
}

func (r *Report) reliabilityTable() Table {
	t := Table{Name: "reliability.csv", What: "points of the reliability diagrams", Head: []string{"quantity", "lead", "from", "to", "forecasts", "events", "mean_forecast", "observed_frequency", "bar_low", "bar_high", "sparse"}}
	for k := range r.Observed {
		o := &r.Observed[k]
		o.each(func(g *ObservedGroup) {
			if g.Reliability == nil {
				return
			}
			for _, b := range g.Reliability.Bins {
				t.Rows = append(t.Rows, []string{o.Quantity, g.Lead, decimal(b.Low), decimal(b.High), whole(b.Count), whole(b.Events), figure(b.MeanForecast.Value), figure(b.ObservedFrequency.Value), figure(b.Consistency.Low), figure(b.Consistency.High), strconv.FormatBool(b.Sparse)})
			}
		})
	}
	return t
}

func (r *Report) rocTable() Table {
	t := Table{Name: "roc.csv", What: "points of the ROC curves", Head: []string{"quantity", "site", "place", "lead", "limit", "pofd", "pod"}}
	for k := range r.Observed {
		o := &r.Observed[k]
		o.each(func(g *ObservedGroup) {
			for _, p := range g.ROC.Points {
				t.Rows = append(t.Rows, []string{o.Quantity, g.Site, g.Place, g.Lead, decimal(p.Limit), decimal(p.POFD), decimal(p.POD)})
			}
		})
	}
	return t
}

func (r *Report) siteTable() Table {
	t := Table{Name: "operations.csv", What: "windows, releases and holds by site", Head: []string{"site", "windows", "windows_open", "windows_used", "offered_minutes", "held_minutes", "used_minutes", "missed_minutes", "used_share", "releases", "release_minutes", "releases_outside", "outside_minutes", "releases_in_hold", "hold_release_minutes", "holds", "invalid"}}
	for _, s := range stateNames {
		t.Head = append(t.Head, string(s)+"_minutes")
	}
	t.Head = append(t.Head, "unknown_minutes", "scores")
	for k := range r.Operations.Sites {
		o, s := &r.Operations.Sites[k], &r.Operations.States[k]
		row := []string{o.Site, strconv.Itoa(o.Windows), strconv.Itoa(o.WindowsOpen), strconv.Itoa(o.WindowsUsed), decimal(o.OfferedMinutes), decimal(o.HeldMinutes), decimal(o.UsedMinutes), decimal(o.MissedMinutes), figure(o.UsedShare.Value),
			strconv.Itoa(o.Releases), decimal(o.ReleaseMinutes), strconv.Itoa(o.ReleasesOutside), decimal(o.OutsideMinutes), strconv.Itoa(o.ReleasesInHold), decimal(o.HoldReleaseMinutes), strconv.Itoa(o.Holds), strconv.Itoa(o.Invalid)}
		for _, name := range stateNames {
			row = append(row, decimal(s.Minutes[name]))
		}
		t.Rows = append(t.Rows, append(row, decimal(s.Unknown), whole(s.Scores)))
	}
	return t
}

func (r *Report) windowTable() Table {
	t := Table{Name: "windows.csv", What: "every window and what became of it", Head: []string{"site", "start", "end", "minutes", "held_minutes", "used_minutes", "missed_minutes"}}
	for _, w := range r.Operations.Windows {
		t.Rows = append(t.Rows, []string{w.Site, stamp(w.Start), stamp(w.End), decimal(w.Minutes), decimal(w.Held), decimal(w.Used), decimal(w.Missed)})
	}
	return t
}

func (r *Report) releaseTable() Table {
	t := Table{Name: "releases.csv", What: "every release, with its minutes outside of windows and in holds", Head: []string{"id", "site", "unit", "who", "start", "end", "grams", "outside_minutes", "held_minutes", "holds"}}
	for _, x := range r.Operations.Releases {
		t.Rows = append(t.Rows, []string{x.ID, x.Site, x.Unit, x.Who, stamp(x.Start), stamp(x.End), decimal(x.Grams), decimal(x.Outside), decimal(x.Held), joined(x.Holds)})
	}
	return t
}

func (r *Report) timesTable() Table {
	t := Table{Name: "times.csv", What: "lead times of alerts and times to acknowledgement, in minutes", Head: []string{"of", "kind", "cases", "never", "mean", "q10", "q25", "median", "q75", "q90", "least", "greatest", "limit", "share_within", "why"}}
	add := func(of, kind string, d *evaluate.Distribution, never int64, within []evaluate.WithinMinutes) {
		front := []string{of, kind, whole(d.Counts.Used), whole(never), figure(d.Mean.Value), figure(d.Q10.Value), figure(d.Q25.Value), figure(d.Median.Value), figure(d.Q75.Value), figure(d.Q90.Value), figure(d.Min.Value), figure(d.Max.Value)}
		t.Rows = append(t.Rows, append(append([]string{}, front...), "", "", d.Median.Why))
		for _, w := range within {
			t.Rows = append(t.Rows, append(append([]string{}, front...), decimal(w.Minutes), figure(w.Share.Value), w.Share.Why))
		}
	}
	p := &r.Operations
	add("alert before window", "", &p.Lead.Minutes, p.Lead.Unannounced, p.Lead.Within)
	add("acknowledgement after alert", "", &p.Acks.Minutes, p.Acks.Unanswered, p.Acks.Within)
	for k := range p.AcksBy {
		a := &p.AcksBy[k].Acks
		add("acknowledgement after alert", p.AcksBy[k].Kind, &a.Minutes, a.Unanswered, a.Within)
	}
	return t
}

func (r *Report) effectTable() Table {
	t := Table{Name: "effect.csv", What: "estimates of an effect of seeding; read the cautions of the report first", Head: []string{"method", "quantity", "value", "low", "high", "interval", "seeded", "unseeded", "why"}}
	e := r.Effect
	add := func(method, quantity string, v evaluate.Value, i evaluate.Interval, name string, seeded, unseeded int64) {
		why := v.Why
		if why == "" {
			why = i.Why
		}
		if !i.Known() {
			name = ""
		}
		t.Rows = append(t.Rows, []string{method, quantity, figure(v.Value), figure(i.Low), figure(i.High), name, whole(seeded), whole(unseeded), why})
	}
	none := evaluate.Interval{Low: unknown, High: unknown}
	if x := e.Regression; x != nil {
		s, u := x.Seeded.Used, x.Unseeded.Used
		add("regression", "ratio", x.Ratio, x.RatioInterval, "normal deviations", s, u)
		i, name := x.Bootstrap.Recommended()
		add("regression", "ratio", x.Ratio, i, "bootstrap, "+name, s, u)
		add("regression", "excess", x.Excess, x.ExcessInterval, "normal deviations", s, u)
		add("regression", "p", x.P, none, "", s, u)
		add("regression", "r_squared", x.RSquared, none, "", s, u)
		add("regression", "residual_error", x.ResidualError, none, "", s, u)
		for _, c := range x.Coefficients {
			add("regression", c.Name, c.Estimate, none, "", s, u)
			add("regression", c.Name+"_standard_error", c.StandardError, none, "", s, u)
		}
	}
	ratio := func(x *evaluate.RatioResult) {
		add(x.Method, "ratio", x.Ratio, x.LogInterval, "logarithms", x.Seeded.Used, x.Unseeded.Used)
		i, name := x.Bootstrap.Recommended()
		add(x.Method, "ratio", x.Ratio, i, "bootstrap, "+name, x.Seeded.Used, x.Unseeded.Used)
	}
	ratio(&e.Single)
	if e.Double != nil {
		ratio(e.Double)
		add("double_ratio", "control_ratio", e.Double.ControlRatio, none, "", e.Double.Seeded.Used, e.Double.Unseeded.Used)
	}
	p := &e.Permutation
	add("permutation", "p", p.P, none, "", int64(p.Seeded), int64(p.Units-p.Seeded))
	add("permutation", "p_bonferroni", e.Bonferroni, none, "", int64(p.Seeded), int64(p.Units-p.Seeded))
	add("permutation", "least_p", p.Least, none, "", int64(p.Seeded), int64(p.Units-p.Seeded))
	return t
}

var unknown = evaluate.Number(nan())

func (r *Report) predictionTable() Table {
	t := Table{Name: "units.csv", What: "units with what the controls predict of seeded ones", Head: []string{"unit", "seeded", "target", "predicted", "low", "high", "extrapolated"}}
	n := 0
	for _, u := range r.Effect.Units {
		row := []string{u.Name, strconv.FormatBool(u.Seeded), figure(u.Target), "", "", "", ""}
		if x := r.Effect.Regression; x != nil && u.Seeded && u.whole() && n < len(x.Predictions) {
			p := &x.Predictions[n]
			n++
			row[3], row[4], row[5], row[6] = figure(p.Predicted.Value), figure(p.Interval.Low), figure(p.Interval.High), strconv.FormatBool(p.Extrapolated)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func (r *Report) glossaryTable() Table {
	t := Table{Name: "definitions.csv", What: "what each measure is: formula, range, source", Head: []string{"key", "name", "formula", "range", "without_skill", "source"}}
	for _, e := range r.Glossary {
		t.Rows = append(t.Rows, []string{e.Key, e.Name, e.Formula, e.Range, e.Chance, e.Source})
	}
	return t
}

// Lines are the report in short, for people at a terminal.
func (r *Report) Lines() []string {
	lines := []string{fmt.Sprintf("%s: %d assessments and %d outlook releases on %d days", r.Programme, r.Assessments, r.OutlookReleases, r.Days),
		"Outlooks against later assessments (" + r.Forecast.Pairs.String() + ")"}
	if len(r.Forecast.Comparison.Leads) == 0 {
		lines = append(lines, "  no pair")
	}
	for _, row := range r.Forecast.Comparison.Leads {
		lines = append(lines, "  "+row.String())
	}
	for k := range r.Observed {
		o := &r.Observed[k]
		lines = append(lines, fmt.Sprintf("Against %s (%d observations at %d places, %d pairs)", o.Quantity, o.Rows, o.Places, o.Matched))
		for _, g := range append([]ObservedGroup{o.Now}, o.Leads...) {
			lines = append(lines, fmt.Sprintf("  %s: %s; Brier score %s, ROC area %s", g.Lead, g.Contingency, g.Brier.Score, g.ROC.Area))
		}
	}
	if e := r.Effect; e != nil {
		lines = append(lines, "Effect: read these cautions first")
		for _, c := range e.Cautions {
			lines = append(lines, "  "+c)
		}
		if e.Regression != nil {
			lines = append(lines, "  "+e.Regression.String())
		}
		lines = append(lines, "  "+e.Single.String())
		if e.Double != nil {
			lines = append(lines, "  "+e.Double.String())
		}
		lines = append(lines, "  "+e.Permutation.String())
	}
	lines = append(lines, "Operations", "  "+r.Operations.Total.String())
	lines = append(lines, "  windows told of: "+r.Operations.Lead.String(), "  alerts "+r.Operations.Acks.String())
	return append(lines, r.Notes...)
}
