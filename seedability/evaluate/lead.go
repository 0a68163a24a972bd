package evaluate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
)

// maxCells bounds the memory of a comparison: a cell is a site, a lead bin and a
// storm day that have pairs, some 300 bytes, and twice that while Result works.
const maxCells = 500_000

// states are the rows and columns of a state table.
var states = []seedability.State{seedability.StateQuiet, seedability.StateBuilding, seedability.StateWindow, seedability.StateBlind, seedability.StateHold}

// ComparisonOptions; the zero value takes what is written behind each.
type ComparisonOptions struct {
	// LeadEdges of the pairs' bins: DefaultLeadEdges.
	LeadEdges []time.Duration
	// DayBoundary after midnight UTC at which a storm day begins: 12 hours.
	DayBoundary time.Duration
	// WindowScore, where it is above 0, takes a score that reaches it as a window,
	// on both sides, whatever the state; else the state window does. A hold hides
	// the score from the state.
	WindowScore float64
}

// Comparison adds up pairs by site, lead bin and storm day, so that scores of any
// of them, and their intervals by storm day, come from one pass. It is not for
// several goroutines at once; comparisons merge.
type Comparison struct {
	options ComparisonOptions
	cells   map[cellKey]*cell
	refused int64 // pairs in no lead bin
}

type cellKey struct {
	site string
	lead int
	day  int64 // seconds of the storm day's start
}

// cell has the sums of its pairs.
type cell struct {
	table  Table
	scores scoreSums
	states [5][5]int32 // foreseen, judged
}

// scoreSums are of foreseen less judged scores.
type scoreSums struct {
	n, missing           int64
	sum, sumAbs, squares float64
}

func (s *scoreSums) add(foreseen, judged float64) {
	d := foreseen - judged
	if !finite(d) {
		s.missing++
		return
	}
	s.n++
	s.sum += d
	s.sumAbs += math.Abs(d)
	s.squares += d * d
}

func (s *scoreSums) merge(o *scoreSums) {
	s.n += o.n
	s.missing += o.missing
	s.sum += o.sum
	s.sumAbs += o.sumAbs
	s.squares += o.squares
}

func (c *cell) merge(o *cell) {
	c.table.Merge(o.table)
	c.scores.merge(&o.scores)
	for i := range c.states {
		for j := range c.states[i] {
			c.states[i][j] += o.states[i][j]
		}
	}
}

// NewComparison makes an empty one.
func NewComparison(o ComparisonOptions) (*Comparison, error) {
	if o.DayBoundary == 0 {
		o.DayBoundary = 12 * time.Hour
	}
	if o.DayBoundary < 0 || o.DayBoundary > 24*time.Hour {
		return nil, fmt.Errorf("comparison: a day cannot begin %s after midnight", o.DayBoundary)
	}
	if o.WindowScore < 0 || !finite(o.WindowScore) {
		return nil, fmt.Errorf("comparison: window score %v must be a number from 0 up", o.WindowScore)
	}
	pairs := PairOptions{LeadEdges: o.LeadEdges}
	if err := pairs.defaults(); err != nil {
		return nil, err
	}
	o.LeadEdges = pairs.LeadEdges
	return &Comparison{options: o, cells: map[cellKey]*cell{}}, nil
}

// Add counts one pair. A pair that is blind on either side, or whose score is
// missing where scores decide, is missing in the contingency table; a hold too,
// where states decide, since it says nothing of the opportunity.
func (c *Comparison) Add(p Pair) error {
	if p.LeadBin < 0 || p.LeadBin >= len(c.options.LeadEdges)-1 {
		c.refused++
		return nil
	}
	key := cellKey{p.Foreseen.Site, p.LeadBin, StormDay(p.Foreseen.ReleaseTime, c.options.DayBoundary).Unix()}
	at := c.cells[key]
	if at == nil {
		if len(c.cells) >= maxCells {
			return fmt.Errorf("comparison: more than %d combinations of site, lead and storm day", maxCells)
		}
		at = &cell{}
		c.cells[key] = at
	}
	foreseen, known1 := c.window(p.Foreseen.Score, p.Foreseen.State)
	judged, known2 := c.window(p.Judged.Score, p.Judged.State)
	if known1 && known2 {
		at.table.Add(foreseen, judged)
	} else {
		at.table.Missing++
	}
	at.scores.add(p.Foreseen.Score, p.Judged.Score)
	if i, j := slices.Index(states, p.Foreseen.State), slices.Index(states, p.Judged.State); i >= 0 && j >= 0 {
		at.states[i][j]++
	}
	return nil
}

func (c *Comparison) window(score float64, state seedability.State) (open, known bool) {
	if c.options.WindowScore > 0 {
		return score >= c.options.WindowScore, finite(score)
	}
	switch state {
	case seedability.StateWindow:
		return true, true
	case seedability.StateQuiet, seedability.StateBuilding:
		return false, true
	}
	return false, false
}

// Merge adds the pairs of another comparison with the same options.
func (c *Comparison) Merge(other *Comparison) error {
	if other == nil {
		return nil
	}
	if !slices.Equal(c.options.LeadEdges, other.options.LeadEdges) || c.options.DayBoundary != other.options.DayBoundary || c.options.WindowScore != other.options.WindowScore {
		return fmt.Errorf("comparison: comparisons with different options do not merge")
	}
	c.refused += other.refused
	for key, from := range other.cells {
		to := c.cells[key]
		if to == nil {
			if len(c.cells) >= maxCells {
				return fmt.Errorf("comparison: more than %d combinations of site, lead and storm day", maxCells)
			}
			to = &cell{}
			c.cells[key] = to
		}
		to.merge(from)
	}
	return nil
}

// LeadRow has the scores of one group of pairs.
type LeadRow struct {
	// Site is empty for all sites; Lead is empty for all leads, else such as "3-6 h".
	Site        string      `json:"site"`
	Lead        string      `json:"lead"`
	Days        int         `json:"days"`
	Contingency Contingency `json:"contingency"`
	// Score differences, foreseen less judged, over ScorePairs; ScoreMissing had no
	// score on one side.
	ScorePairs   int64 `json:"score_pairs"`
	ScoreMissing int64 `json:"score_missing"`
	MeanError    Value `json:"mean_error"`
	MeanAbsolute Value `json:"mean_absolute_error"`
	RootMean     Value `json:"root_mean_square_error"`
	// Intervals by storm day, of the rows over all sites or all leads; null elsewhere.
	Intervals map[string]Estimate `json:"intervals,omitempty"`
	// States says what became of each foreseen state; on the same rows.
	States []StateRow `json:"states,omitempty"`
}

// StateRow says what became of one foreseen state.
type StateRow struct {
	Foreseen seedability.State `json:"foreseen"`
	Pairs    int64             `json:"pairs"`
	// Judged counts pairs by the state of the later assessment.
	Judged map[seedability.State]int64 `json:"judged"`
	// WindowShare of those judged neither blind nor held were windows.
	WindowShare Value `json:"window_share"`
}

// ComparisonResult has the scores of outlooks against later assessments.
type ComparisonResult struct {
	Sites int       `json:"sites"`
	Days  int       `json:"days"`
	All   LeadRow   `json:"all"`
	Leads []LeadRow `json:"leads"`
	// BySite over all leads, and BySiteAndLead, in order of site.
	BySite        []LeadRow `json:"by_site"`
	BySiteAndLead []LeadRow `json:"by_site_and_lead"`
	// OutsideLead pairs fell in no lead bin.
	OutsideLead int64    `json:"outside_lead"`
	Cautions    []string `json:"cautions"`
}

// CautionRepeats goes with comparisons: outlooks are issued many times for one hour.
const CautionRepeats = "One hour is foreseen by many outlooks and neighbouring hours resemble each other: the number of pairs is not the number of cases, storm days are."

// intervalMeasures get intervals by storm day.
var intervalMeasures = []string{"bias", "pod", "far", "csi", "ets", "pss"}

// Result gives the scores by lead and by site, and what became of each state. Groups without pairs are
// left out.
func (c *Comparison) Result(o BootstrapOptions) (ComparisonResult, error) {
	r := ComparisonResult{OutsideLead: c.refused, Cautions: []string{CautionPairs, CautionRepeats}, Leads: []LeadRow{}, BySite: []LeadRow{}, BySiteAndLead: []LeadRow{}}
	// Keys in order, so that sums and texts are the same in every run.
	keys := make([]cellKey, 0, len(c.cells))
	for key := range c.cells {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b cellKey) int {
		if n := strings.Compare(a.site, b.site); n != 0 {
			return n
		}
		if a.lead != b.lead {
			return a.lead - b.lead
		}
		return int(min(max(a.day-b.day, -1), 1))
	})
	// Days of each group: all, lead, site, site and lead.
	type group struct {
		site string
		lead int // -1 for all
	}
	days := map[group]map[int64]*cell{}
	var order []group
	put := func(g group, key cellKey) {
		in := days[g]
		if in == nil {
			in = map[int64]*cell{}
			days[g] = in
			order = append(order, g)
		}
		if in[key.day] == nil {
			in[key.day] = &cell{}
		}
		in[key.day].merge(c.cells[key])
	}
	allSites := map[string]bool{}
	for _, key := range keys {
		allSites[key.site] = true
		put(group{"", -1}, key)
		put(group{"", key.lead}, key)
		// The site without a name must not become the row of all sites.
		put(group{"=" + key.site, -1}, key)
		put(group{"=" + key.site, key.lead}, key)
	}
	r.Sites = len(allSites)
	slices.SortFunc(order, func(a, b group) int {
		if n := strings.Compare(a.site, b.site); n != 0 {
			return n
		}
		return a.lead - b.lead
	})
	r.All = c.row("", -1, nil)
	r.All.States = stateRows(nil)
	for _, g := range order {
		in := days[g]
		numbers := make([]int64, 0, len(in))
		for day := range in {
			numbers = append(numbers, day)
		}
		slices.Sort(numbers)
		parts := make([]*cell, len(numbers))
		for i, day := range numbers {
			parts[i] = in[day]
		}
		row := c.row(strings.TrimPrefix(g.site, "="), g.lead, parts)
		if g.site == "" || g.lead < 0 {
			if err := row.resample(parts, o); err != nil {
				return r, err
			}
			row.States = stateRows(parts)
		}
		switch {
		case g.site == "" && g.lead < 0:
			r.All, r.Days = row, len(parts)
		case g.site == "":
			r.Leads = append(r.Leads, row)
		case g.lead < 0:
			r.BySite = append(r.BySite, row)
		default:
			r.BySiteAndLead = append(r.BySiteAndLead, row)
		}
	}
	return r, nil
}

// row sums up the days of a group.
func (c *Comparison) row(site string, lead int, days []*cell) LeadRow {
	var sum cell
	for _, d := range days {
		sum.merge(d)
	}
	r := LeadRow{Site: site, Days: len(days), Contingency: sum.table.Scores(), ScorePairs: sum.scores.n, ScoreMissing: sum.scores.missing}
	if lead >= 0 {
		r.Lead = fmt.Sprintf("%s-%s h", hours(c.options.LeadEdges[lead]), hours(c.options.LeadEdges[lead+1]))
	}
	n := float64(sum.scores.n)
	const why = "no pair has both scores"
	r.MeanError = quotient(sum.scores.sum, n, why)
	r.MeanAbsolute = quotient(sum.scores.sumAbs, n, why)
	r.RootMean = quotient(sum.scores.squares, n, why)
	if r.RootMean.Known() {
		r.RootMean = valueOf(sqrt(r.RootMean.Float()))
	}
	return r
}

func hours(d time.Duration) string { return fmt.Sprintf("%.4g", d.Hours()) }

// resample adds the intervals by storm day.
func (r *LeadRow) resample(days []*cell, o BootstrapOptions) error {
	r.Intervals = map[string]Estimate{}
	tables := make([]Table, len(days))
	for i, d := range days {
		tables[i] = d.table
	}
	for _, m := range Measures {
		if !slices.Contains(intervalMeasures, m.Key) {
			continue
		}
		e, err := BootstrapTables(tables, m.Of, o)
		if err != nil {
			return err
		}
		r.Intervals[m.Key] = e
	}
	e, err := Bootstrap([]int{len(days)}, func(draw []int) float64 {
		var sum scoreSums
		for _, i := range draw {
			sum.merge(&days[i].scores)
		}
		return sum.sum / float64(sum.n)
	}, o)
	if err != nil {
		return err
	}
	if !e.Estimate.Known() {
		e.Estimate = r.MeanError
	}
	r.Intervals["mean_error"] = e
	return nil
}

func stateRows(days []*cell) []StateRow {
	var sum cell
	for _, d := range days {
		sum.merge(d)
	}
	rows := make([]StateRow, len(states))
	for i, s := range states {
		row := StateRow{Foreseen: s, Judged: map[seedability.State]int64{}}
		var decided float64
		for j, judged := range states {
			n := int64(sum.states[i][j])
			row.Judged[judged] = n
			row.Pairs += n
			if judged != seedability.StateBlind && judged != seedability.StateHold {
				decided += float64(n)
			}
		}
		row.WindowShare = quotient(float64(row.Judged[seedability.StateWindow]), decided, "no pair was judged")
		rows[i] = row
	}
	return rows
}

func (r LeadRow) String() string {
	name := "all sites"
	if r.Site != "" {
		name = "site " + r.Site
	}
	if r.Lead != "" {
		name += ", lead " + r.Lead
	}
	s := fmt.Sprintf("%s: %d pairs on %s", name, r.Contingency.Pairs, plural(r.Days, "storm day"))
	for _, key := range []string{"pod", "far", "csi"} {
		s += fmt.Sprintf(", %s %s", strings.ToUpper(key), r.Contingency.Scores[key])
		if e, ok := r.Intervals[key]; ok {
			if i, _ := e.Recommended(); i.Known() {
				s += fmt.Sprintf(" (%s)", i)
			}
		}
	}
	return s + fmt.Sprintf(", mean error of the score %s", r.MeanError)
}

func (r StateRow) String() string {
	return fmt.Sprintf("foreseen %s: %d pairs, later window %s", r.Foreseen, r.Pairs, r.WindowShare)
}

func (r ComparisonResult) String() string {
	return fmt.Sprintf("%s on %s; %s", plural(r.Sites, "site"), plural(r.Days, "storm day"), r.All)
}
