package report

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/seedability/evaluate"
)

//go:embed page.tmpl
var pageText string

//go:embed style.css
var styleText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"clock": clock,
	"css":   func() template.CSS { return template.CSS(styleText) }, // a file of this package
}).Parse(pageText))

// maxShown rows of a table of the page; the CSV has all.
const maxShown = 60

// sheet is a table of the page.
type sheet struct {
	Caption string
	Head    []string
	Rows    [][]entry
	File    string // of all rows
	Hidden  int    // rows that are not shown
}

// entry is one cell.
type entry struct {
	Text  string
	Small string // below: an interval, or why there is no value
	Text0 bool   // it is text, not a number
	Mark  string // a class
}

// part is a section of the page.
type part struct {
	ID, Title string
	Compared  string
	Cautions  []string
	Says      []string // sentences
	Figures   []figureOf
	Sheets    []sheet
	Parts     []part // below
	Folded    bool
}

// Rows are the large pictures, then the small ones.
func (p part) Rows() [][]figureOf {
	var large, small []figureOf
	for _, f := range p.Figures {
		if f.Small {
			small = append(small, f)
		} else {
			large = append(large, f)
		}
	}
	var rows [][]figureOf
	for _, row := range [][]figureOf{large, small} {
		if len(row) > 0 {
			rows = append(rows, row)
		}
	}
	return rows
}

// Words says of each column whether it holds text.
func (s sheet) Words() []bool {
	words := make([]bool, len(s.Head))
	for k := range words {
		words[k] = k == 0 || len(s.Rows) > 0 && k < len(s.Rows[0]) && s.Rows[0][k].Text0
	}
	return words
}

type pageOf struct {
	Report *Report
	Parts  []part
	Tables []Table
	Made   time.Time
}

// WriteHTML writes the page: one file that needs no other.
func (r *Report) WriteHTML(into io.Writer) error {
	page := pageOf{Report: r, Tables: r.Tables(), Made: r.Made}
	for _, make := range []func() (part, error){r.forecastPart, r.observedPart, r.effectPart, r.operationsPart} {
		one, err := make()
		if err != nil {
			return err
		}
		if one.ID != "" {
			page.Parts = append(page.Parts, one)
		}
	}
	return pageTemplate.Execute(into, page)
}

func text(s string) entry { return entry{Text: s, Text0: true} }

func count(n int64) entry { return entry{Text: thousands(n)} }

// thousands with a thin space between groups.
func thousands(n int64) string {
	s := strconv.FormatInt(n, 10)
	sign := ""
	if n < 0 {
		sign, s = "-", s[1:]
	}
	for k := len(s) - 3; k > 0; k -= 3 {
		s = s[:k] + "\u202f" + s[k:]
	}
	return sign + s
}

func minutes(x float64) entry { return entry{Text: thousands(int64(x + .5))} }

func short(x float64) string { return fmt.Sprintf("%.3g", x) }

// value with its interval below, or with why there is none.
func value(v evaluate.Value, e *evaluate.Estimate) entry {
	if !v.Known() {
		return entry{Text: "–", Small: v.Why, Mark: "none"}
	}
	c := entry{Text: short(v.Float())}
	if e != nil {
		i, _ := e.Recommended()
		if i.Known() {
			c.Small = short(float64(i.Low)) + " to " + short(float64(i.High))
		} else {
			c.Small = i.Why
		}
	}
	return c
}

func (s *sheet) add(row ...entry) {
	if len(s.Rows) >= maxShown {
		s.Hidden++
		return
	}
	s.Rows = append(s.Rows, row)
}

func leadSheet(caption string, rows []evaluate.LeadRow, named bool) sheet {
	s := sheet{Caption: caption, Head: []string{"lead", "pairs", "storm days", "hits", "false alarms", "misses", "correct no", "bias", "POD", "FAR", "CSI", "ETS", "PSS", "mean error", "mean abs. error"}, File: "scores.csv, contingency.csv"}
	if named {
		s.Head[0] = "site"
	}
	for k := range rows {
		row := &rows[k]
		name := row.Lead
		if named || name == "" {
			if name = row.Site; name == "" {
				name = "all"
			}
		}
		t := &row.Contingency.Table
		cells := []entry{text(name), count(row.Contingency.Pairs), count(int64(row.Days)), count(t.Hits), count(t.FalseAlarms), count(t.Misses), count(t.CorrectNegatives)}
		for _, key := range intervalMeasures {
			cells = append(cells, value(row.Contingency.Scores[key], estimate(row.Intervals, key)))
		}
		s.add(append(cells, value(row.MeanError, estimate(row.Intervals, "mean_error")), value(row.MeanAbsolute, nil))...)
	}
	return s
}

func leadCurve(name string, rows []evaluate.LeadRow, key string) curve {
	c := curve{name: name}
	for k := range rows {
		c.values = append(c.values, rows[k].Contingency.Scores[key])
		c.intervals = append(c.intervals, recommended(rows[k].Intervals, key))
	}
	return c
}

func recommended(all map[string]evaluate.Estimate, key string) evaluate.Interval {
	if e, ok := all[key]; ok {
		i, _ := e.Recommended()
		return i
	}
	return evaluate.Interval{Low: unknown, High: unknown}
}

func (r *Report) forecastPart() (part, error) {
	f := &r.Forecast
	c := &f.Comparison
	p := part{ID: "outlooks", Title: "Outlooks against later assessments", Compared: f.Compared, Cautions: c.Cautions,
		Says: []string{fmt.Sprintf("%s. %s sites, %s storm days. %s assessments were not made for release at once and were left out.", upper(f.Pairs.String()), thousands(int64(c.Sites)), thousands(int64(c.Days)), thousands(f.Ignored))}}
	if len(c.Leads) == 0 {
		p.Says = append(p.Says, "There is no pair, so there is no score.")
		return p, nil
	}
	var names []string
	for k := range c.Leads {
		names = append(names, c.Leads[k].Lead)
	}
	figure, err := leads("lead-scores", "Windows foreseen, by lead time", "score", names, 0, 1, leadCurve("POD", c.Leads, "pod"), leadCurve("FAR", c.Leads, "far"), leadCurve("CSI", c.Leads, "csi"))
	if err != nil {
		return p, err
	}
	p.Figures = append(p.Figures, figure)
	mean, absolute := curve{name: "mean error"}, curve{name: "mean absolute error"}
	for k := range c.Leads {
		mean.values, mean.intervals = append(mean.values, c.Leads[k].MeanError), append(mean.intervals, recommended(c.Leads[k].Intervals, "mean_error"))
		absolute.values = append(absolute.values, c.Leads[k].MeanAbsolute)
	}
	if figure, err = leads("lead-errors", "Error of the score, by lead time", "points of score", names, nan(), nan(), mean, absolute); err != nil {
		return p, err
	}
	p.Figures = append(p.Figures, figure)
	p.Sheets = append(p.Sheets, leadSheet("Scores by lead time, all sites; intervals by storm day", append([]evaluate.LeadRow{c.All}, c.Leads...), false), stateSheet(c.All.States), lagSheet(f.Lagged))
	sites := part{ID: "outlooks-sites", Title: "By site, all leads", Folded: true, Sheets: []sheet{leadSheet("Scores by site, all leads", c.BySite, true)}}
	p.Parts = append(p.Parts, sites)
	return p, nil
}

func stateSheet(rows []evaluate.StateRow) sheet {
	s := sheet{Caption: "What became of each foreseen state", Head: []string{"foreseen", "pairs"}, File: "states.csv"}
	for _, name := range stateNames {
		s.Head = append(s.Head, "then "+string(name))
	}
	s.Head = append(s.Head, "window, of those judged")
	for _, row := range rows {
		cells := []entry{text(string(row.Foreseen)), count(row.Pairs)}
		for _, name := range stateNames {
			cells = append(cells, count(row.Judged[name]))
		}
		s.add(append(cells, value(row.WindowShare, nil))...)
	}
	return s
}

func lagSheet(rows []Lagged) sheet {
	s := sheet{Caption: "All outlooks of one release time taken as an ensemble of its score (points of score; smaller is better)", Head: []string{"lead", "ensembles", "storm days", "CRPS, fair", "CRPS, empirical", "abs. error of the median"}, File: "scores.csv"}
	for k := range rows {
		l := &rows[k]
		s.add(text(l.Lead), count(l.CRPS.Counts.Used), count(int64(l.Days)), value(l.CRPS.Fair, &l.Interval), value(l.CRPS.Empirical, nil), value(l.CRPS.MedianAbsoluteError, nil))
	}
	return s
}

func (r *Report) observedPart() (part, error) {
	p := part{ID: "observations", Title: "Scores against observations"}
	if len(r.Observed) == 0 {
		p.Says = []string{"No observation was given, or none belongs to a site of the archive: nothing here says whether supercooled liquid or snow was really there."}
		return p, nil
	}
	for k := range r.Observed {
		o := &r.Observed[k]
		one, err := o.part()
		if err != nil {
			return p, err
		}
		p.Parts = append(p.Parts, one)
	}
	return p, nil
}

func (o *Observed) part() (part, error) {
	id := "observed-" + o.Quantity
	p := part{ID: id, Title: strings.ReplaceAll(o.Quantity, "_", " "), Compared: o.Compared, Cautions: o.Cautions,
		Says: []string{fmt.Sprintf("%s. An event is %.4g %s or more (%s). %s observations in %s series; %s pairs, %s release times without an observation.", upper(o.What), o.Event, o.Unit, o.Source, thousands(int64(o.Rows)), thousands(int64(o.Places)), thousands(o.Matched), thousands(o.Unmatched))}}
	groups := append([]ObservedGroup{o.Now}, o.Leads...)
	var names []string
	area, brier := curve{name: "ROC area"}, curve{name: "Brier score"}
	for k := range groups {
		g := &groups[k]
		names = append(names, g.Lead)
		area.values, area.intervals = append(area.values, g.ROC.Area), append(area.intervals, recommended(g.Intervals, "roc_area"))
		brier.values, brier.intervals = append(brier.values, g.Brier.Score), append(brier.intervals, recommended(g.Intervals, "brier"))
	}
	figure, err := leads(id+"-leads", "Skill against "+p.Title+", by lead time", "score", names, 0, 1, area, brier)
	if err != nil {
		return p, err
	}
	p.Figures = append(p.Figures, figure)
	pair := func(g *ObservedGroup, n int) ([]figureOf, error) {
		if g.Reliability == nil {
			return nil, nil
		}
		a, err := diagram(fmt.Sprintf("%s-r%d", id, n), "Reliability, "+g.Lead, g.Reliability)
		if err != nil {
			return nil, err
		}
		b, err := rocCurve(fmt.Sprintf("%s-c%d", id, n), "ROC, "+g.Lead, &g.ROC)
		return []figureOf{a, b}, err
	}
	figures, err := pair(&o.Now, 0)
	if err != nil {
		return p, err
	}
	p.Figures = append(p.Figures, figures...)
	p.Says = append(p.Says, "Reliability: points are observed frequencies, pale bars where a reliable forecaster would lie ("+evaluate.CautionConsistency+")", "The dashed line is the base rate; bins with few forecasts are left out.")
	p.Sheets = append(p.Sheets, observedSheet("Windows against events; intervals by storm day", groups), brierSheet("Score as a probability", groups), shareSheet("How often the event was seen in each state, at once", o.Now.States))
	more := part{ID: id + "-more", Title: "Reliability and ROC by lead time", Folded: true}
	for k := range o.Leads {
		if figures, err = pair(&o.Leads[k], k+1); err != nil {
			return p, err
		}
		more.Figures = append(more.Figures, figures...)
	}
	if len(more.Figures) > 0 {
		p.Parts = append(p.Parts, more)
	}
	p.Parts = append(p.Parts, part{ID: id + "-places", Title: "By place", Folded: true, Sheets: []sheet{observedSheet("Windows against events, by place", o.Series), brierSheet("Score as a probability, by place", o.Series)}})
	return p, nil
}

func observedSheet(caption string, groups []ObservedGroup) sheet {
	s := sheet{Caption: caption, Head: []string{"lead", "pairs", "storm days", "hits", "false alarms", "misses", "correct no", "missing", "bias", "POD", "FAR", "CSI", "ETS", "PSS"}, File: "scores.csv, contingency.csv"}
	for k := range groups {
		g := &groups[k]
		t := &g.Contingency.Table
		cells := []entry{text(g.name()), count(g.Contingency.Pairs), count(int64(g.Days)), count(t.Hits), count(t.FalseAlarms), count(t.Misses), count(t.CorrectNegatives), count(t.Missing)}
		for _, key := range intervalMeasures {
			cells = append(cells, value(g.Contingency.Scores[key], estimate(g.Intervals, key)))
		}
		s.add(cells...)
	}
	return s
}

func brierSheet(caption string, groups []ObservedGroup) sheet {
	s := sheet{Caption: caption, Head: []string{"lead", "cases", "events", "Brier score", "reliability", "resolution", "uncertainty", "within-bin var.", "within-bin cov.", "skill of sample", "ROC area"}, File: "scores.csv, reliability.csv, roc.csv"}
	for k := range groups {
		g := &groups[k]
		b := &g.Brier
		s.add(text(g.name()), count(b.Counts.Used), count(b.Events), value(b.Score, estimate(g.Intervals, "brier")), value(b.Reliability, nil), value(b.Resolution, nil), value(b.Uncertainty, nil), value(b.WithinBinVariance, nil), value(b.WithinBinCovariance, nil), value(b.SkillOfSample, nil), value(g.ROC.Area, estimate(g.Intervals, "roc_area")))
	}
	return s
}

func shareSheet(caption string, rows []ObservedState) sheet {
	s := sheet{Caption: caption, Head: []string{"state", "pairs", "events", "share"}, File: "states.csv"}
	for k := range rows {
		s.add(text(string(rows[k].State)), count(rows[k].Pairs), count(rows[k].Events), value(rows[k].Share.Estimate, &rows[k].Share))
	}
	return s
}

func (r *Report) effectPart() (part, error) {
	e := r.Effect
	if e == nil {
		return part{}, nil
	}
	p := part{ID: "effect", Title: "Effect of seeding, target and control", Compared: e.Compared, Cautions: e.Cautions}
	s := sheet{Caption: "Estimates; 1 is no difference", Head: []string{"method", "seeded", "unseeded", "value", "interval by formula", "interval by bootstrap", "probability without effect"}, File: "effect.csv"}
	between := func(i evaluate.Interval) entry {
		if !i.Known() {
			return entry{Text: "–", Small: i.Why, Mark: "none"}
		}
		return entry{Text: short(float64(i.Low)) + " to " + short(float64(i.High))}
	}
	four := func(v evaluate.Value) entry {
		c := value(v, nil)
		if v.Known() {
			c.Text = fmt.Sprintf("%.4g", v.Float())
		}
		return c
	}
	boot := func(b *evaluate.Estimate) entry {
		i, name := b.Recommended()
		c := between(i)
		c.Small += ifKnown(i, name)
		return c
	}
	if x := e.Regression; x != nil {
		figure, err := scatter(e)
		if err != nil {
			return p, err
		}
		p.Figures = append(p.Figures, figure)
		s.add(text("historical regression, observed / predicted"), count(x.Seeded.Used), count(x.Unseeded.Used), four(x.Ratio), between(x.RatioInterval), boot(&x.Bootstrap), four(x.P))
		p.Says = append(p.Says, upper(x.String())+".")
	}
	add := func(name string, x *evaluate.RatioResult) {
		s.add(text(name), count(x.Seeded.Used), count(x.Unseeded.Used), four(x.Ratio), between(x.LogInterval), boot(&x.Bootstrap), entry{Text: "–", Small: "see the test below"})
	}
	add("single ratio, Ts/Tu", &e.Single)
	if e.Double != nil {
		add("double ratio, (Ts/Cs)/(Tu/Cu)", e.Double)
	}
	t := &e.Permutation
	how := fmt.Sprintf("all %d ways", t.Tried)
	if !t.Exact {
		how = fmt.Sprintf("%d ways drawn by lot", t.Tried)
	}
	s.add(text("re-randomisation test of the "+e.Statistic+", "+how), count(int64(t.Seeded)), count(int64(t.Units-t.Seeded)), four(t.Observed), entry{Text: "–"}, entry{Text: "–"}, four(t.P))
	s.add(text("the same, times the number of comparisons (Bonferroni)"), count(int64(t.Seeded)), count(int64(t.Units-t.Seeded)), entry{Text: "–"}, entry{Text: "–"}, entry{Text: "–"}, four(e.Bonferroni))
	figure, err := ratios(e)
	if err != nil {
		return p, err
	}
	p.Figures = append(p.Figures, figure)
	p.Sheets = append(p.Sheets, s)
	if x := e.Regression; x != nil {
		c := sheet{Caption: "Line fitted to unseeded units", Head: []string{"coefficient", "estimate", "standard error", "t", "p"}, File: "effect.csv"}
		for _, one := range x.Coefficients {
			c.add(text(one.Name), four(one.Estimate), four(one.StandardError), four(one.T), four(one.P))
		}
		p.Sheets = append(p.Sheets, c)
		d := sheet{Caption: "Seeded units", Head: []string{"unit", "observed", "predicted", "interval of the natural amount", "controls"}, File: "units.csv"}
		names := e.predicted()
		for k, one := range x.Predictions {
			where := "within the range of unseeded units"
			if one.Extrapolated {
				where = "outside the range of unseeded units"
			}
			d.add(text(names[k]), entry{Text: fmt.Sprintf("%.4g", one.Observed)}, four(one.Predicted), between(one.Interval), text(where))
		}
		p.Sheets = append(p.Sheets, d)
	}
	return p, nil
}

func ifKnown(i evaluate.Interval, name string) string {
	if i.Known() {
		return name
	}
	return ""
}

func (r *Report) operationsPart() (part, error) {
	o := &r.Operations
	p := part{ID: "operations", Title: "Windows, releases, holds and alerts", Compared: o.Compared, Cautions: o.Cautions}
	if o.Why != "" {
		p.Says = append(p.Says, "Nothing to compare: "+o.Why+".")
		return p, nil
	}
	t := &o.Total
	p.Says = append(p.Says, fmt.Sprintf("%d windows of %.0f min together: %.0f min held, %.0f used, %.0f missed; share used %s. %d releases of %.0f min; %d of them with %.0f min outside of windows.", t.Windows, t.OfferedMinutes, t.HeldMinutes, t.UsedMinutes, t.MissedMinutes, t.UsedShare, t.Releases, t.ReleaseMinutes, t.ReleasesOutside, t.OutsideMinutes))
	if t.ReleasesInHold > 0 {
		p.Says = append(p.Says, fmt.Sprintf("%d releases with %.0f min during a hold: each calls for an explanation.", t.ReleasesInHold, t.HoldReleaseMinutes))
	}
	if o.Exercises > 0 {
		p.Says = append(p.Says, fmt.Sprintf("%d alerts are exercises: this is, at least in part, a rehearsal.", o.Exercises))
	}
	byMissed := slices.Clone(o.Sites)
	slices.SortStableFunc(byMissed, func(a, b evaluate.Operation) int {
		switch {
		case a.OfferedMinutes > b.OfferedMinutes:
			return -1
		case a.OfferedMinutes < b.OfferedMinutes:
			return 1
		}
		return strings.Compare(a.Site, b.Site)
	})
	figure, err := siteBars(byMissed)
	if err != nil {
		return p, err
	}
	if len(byMissed) > maxBars {
		figure.Alt = fmt.Sprintf("The %d sites with the longest windows of %d. ", maxBars, len(byMissed)) + figure.Alt
	}
	p.Figures = append(p.Figures, figure)
	s := sheet{Caption: "By site, minutes; those with the longest windows first", Head: []string{"site", "windows", "windows used", "offered", "held", "used", "missed", "share used", "releases", "outside windows", "min outside", "in a hold", "min in hold"}, File: "operations.csv, windows.csv"}
	for k := range byMissed {
		x := &byMissed[k]
		mark := ""
		if x.ReleasesInHold > 0 {
			mark = "stop"
		}
		in := count(int64(x.ReleasesInHold))
		in.Mark = mark
		s.add(text(x.Site), count(int64(x.Windows)), count(int64(x.WindowsUsed)), minutes(x.OfferedMinutes), minutes(x.HeldMinutes), minutes(x.UsedMinutes), minutes(x.MissedMinutes), value(x.UsedShare, nil), count(int64(x.Releases)), count(int64(x.ReleasesOutside)), minutes(x.OutsideMinutes), in, minutes(x.HoldReleaseMinutes))
	}
	p.Sheets = append(p.Sheets, s)
	marked := sheet{Caption: "Releases with a part in a hold or outside of windows", Head: []string{"site", "from", "to", "unit", "recorded by", "g", "min outside", "min in hold", "holds"}, File: "releases.csv"}
	for _, x := range o.flagged() {
		held := minutes(x.Held)
		if x.Held > 0 {
			held.Mark = "stop"
		}
		marked.add(text(x.Site), text(clock(x.Start)), text(clock(x.End)), text(x.Unit), text(x.Who), entry{Text: short(x.Grams)}, minutes(x.Outside), held, text(joined(x.Holds)))
	}
	if len(marked.Rows) > 0 {
		p.Sheets = append(p.Sheets, marked)
	} else {
		p.Says = append(p.Says, "No recorded release had a part in a hold or outside of windows.")
	}
	p.Parts = append(p.Parts, r.statesPart())
	alerts, err := r.alertsPart()
	if err != nil {
		return p, err
	}
	p.Parts = append(p.Parts, alerts)
	return p, nil
}

func (r *Report) statesPart() part {
	s := sheet{Caption: "Hours in each state, as scores say", Head: []string{"site"}, File: "operations.csv"}
	for _, name := range stateNames {
		s.Head = append(s.Head, string(name))
	}
	s.Head = append(s.Head, "unknown (between scores too far apart)", "scores")
	hours := func(m float64) entry { return entry{Text: fmt.Sprintf("%.1f", m/60)} }
	for k := range r.Operations.States {
		x := &r.Operations.States[k]
		cells := []entry{text(x.Site)}
		for _, name := range stateNames {
			cells = append(cells, hours(x.Minutes[name]))
		}
		s.add(append(cells, hours(x.Unknown), count(x.Scores))...)
	}
	return part{ID: "operations-states", Title: "Time in each state", Folded: true, Sheets: []sheet{s}}
}

func (r *Report) alertsPart() (part, error) {
	o := &r.Operations
	p := part{ID: "operations-alerts", Title: "Alerts: lead and acknowledgement"}
	p.Says = append(p.Says,
		fmt.Sprintf("Lead is the time from the first alert that names a window at the site (no more than %s before it, and no farther from it than %s) to when it opened. %s.", span(toldBefore), span(near), upper(o.Lead.String())),
		fmt.Sprintf("%d windows were told of ahead, counted by site; %d of them had no window within %s.", o.Announced, o.NotCome, span(near)),
		"Alerts that ask for an acknowledgement: "+o.Acks.String()+". The unanswered are not in these quantiles, but in the shares.")
	a, err := limits("told", "Windows told of at least so long before", "minutes before the window", o.Lead.Within, "Share of all windows.")
	if err != nil {
		return p, err
	}
	b, err := limits("acked", "Alerts acknowledged within", "minutes after the alert", o.Acks.Within, "Share of all alerts that ask for it.")
	if err != nil {
		return p, err
	}
	p.Figures = []figureOf{a, b}
	s := sheet{Caption: "Minutes", Head: []string{"of", "cases", "never", "10 %", "median", "90 %", "greatest"}, File: "times.csv"}
	add := func(name string, d *evaluate.Distribution, never int64) {
		s.add(text(name), count(d.Counts.Used), count(never), value(d.Q10, nil), value(d.Median, nil), value(d.Q90, nil), value(d.Max, nil))
	}
	add("alert before window", &o.Lead.Minutes, o.Lead.Unannounced)
	add("acknowledgement, all", &o.Acks.Minutes, o.Acks.Unanswered)
	for k := range o.AcksBy {
		add("acknowledgement, "+o.AcksBy[k].Kind, &o.AcksBy[k].Acks.Minutes, o.AcksBy[k].Acks.Unanswered)
	}
	p.Sheets = []sheet{s}
	return p, nil
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
