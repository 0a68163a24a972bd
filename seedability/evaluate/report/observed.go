package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/evaluate"
)

// Cautions that go with observations.
const (
	CautionProbability = "The score is a figure from 0 to 100 and was never calibrated as a probability; a hundredth of it is taken as one here, so that reliability shows what it would need."
	CautionPoint       = "An observation is of one place; the score is of the path from the site to the target. Either may be right while they disagree."
	CautionSeeded      = "Where agent was released, precipitation and liquid are no longer what nature alone would have given."
	CautionCatch       = "Gauges and pillows miss snow in wind, and detectors and radomes ice over: an event that was not seen may have happened."
)

// Observed compares scores with observations of one quantity.
type Observed struct {
	Quantity  string   `json:"quantity"`
	What      string   `json:"what"`
	Unit      string   `json:"unit"`
	Event     float64  `json:"event_from"`
	Source    string   `json:"event_source"`
	Compared  string   `json:"compared"`
	Places    int      `json:"series"`
	Rows      int      `json:"observations"`
	Matched   int64    `json:"matched"`
	Unmatched int64    `json:"unmatched"`
	Cautions  []string `json:"cautions"`
	// Now is of assessments made for release at once, Leads of outlooks.
	Now   ObservedGroup   `json:"now"`
	Leads []ObservedGroup `json:"leads"`
	// Series are single places, for assessments and for outlooks of all leads.
	Series []ObservedGroup `json:"by_series"`
}

// ObservedGroup has the scores of one group of pairs.
type ObservedGroup struct {
	Site  string `json:"site"`
	Place string `json:"place,omitempty"`
	Lead  string `json:"lead"`
	Days  int    `json:"days"`
	// Contingency of "is a window" against "is an event".
	Contingency evaluate.Contingency         `json:"contingency"`
	Intervals   map[string]evaluate.Estimate `json:"intervals"`
	Brier       evaluate.Brier               `json:"brier"`
	ROC         evaluate.ROC                 `json:"roc"`
	Reliability *evaluate.Reliability        `json:"reliability,omitempty"`
	States      []ObservedState              `json:"states"`
}

// ObservedState says how often the event was seen while the state was so.
type ObservedState struct {
	State  seedability.State `json:"state"`
	Pairs  int64             `json:"pairs"`
	Events int64             `json:"events"`
	Share  evaluate.Estimate `json:"share"`
}

// scoreSteps: scores are told apart in steps of one.
const scoreSteps = 100

// brierBins of the reliability diagram and the parts of the Brier score.
const brierBins = 10

// leadNow stands for assessments, before the lead bins of outlooks.
const leadNow = 0

type observing struct {
	from    *Observations
	options *Options
	bySite  map[string][]int // series
	series  []*series
	cells   map[observedKey]*observedCell
	chances map[chanceKey]*evaluate.Probability
	// Of each series, leadNow and outlooks of all leads.
	single  map[[2]int]*evaluate.Probability
	matched []int64 // of each series
	missed  []int64
	full    bool // a bound was reached
	order   []observedKey
}

type observedKey struct {
	series, lead int
	day          int64
}

type chanceKey struct {
	quantity, lead int
	day            int64
}

// observedCell is one series, lead and storm day.
type observedCell struct {
	table  evaluate.Table
	states [5][2]int64 // pairs, events
	n      float64     // pairs with a score
	square float64     // sum of (p - o)^2
}

// Bounds of a comparison with observations.
const (
	maxObservedCells = 500_000
	maxChances       = 20_000 // 6 kB each
)

func newObserving(from *Observations, o *Options) *observing {
	g := &observing{from: from, options: o, bySite: map[string][]int{}, cells: map[observedKey]*observedCell{}, chances: map[chanceKey]*evaluate.Probability{}, single: map[[2]int]*evaluate.Probability{}}
	g.series = from.all()
	for k, s := range g.series {
		g.bySite[s.site] = append(g.bySite[s.site], k)
	}
	g.matched, g.missed = make([]int64, len(g.series)), make([]int64, len(g.series))
	return g
}

func (g *observing) now(j *evaluate.Judged) {
	g.pair(j.Site, j.ReleaseTime, j.Score, j.State, leadNow)
}

func (g *observing) foreseen(f *evaluate.Foreseen, bin int) {
	if bin >= 0 {
		g.pair(f.Site, f.ReleaseTime, f.Score, f.State, 1+bin)
	}
}

func (g *observing) pair(site string, release time.Time, score float64, state seedability.State, lead int) {
	all := g.bySite[site]
	if len(all) == 0 {
		return
	}
	at := release.Add(g.options.Lag)
	day := evaluate.StormDay(release, g.options.DayBoundary).Unix()
	for _, k := range all {
		s := g.series[k]
		seen, ok := s.find(at.Unix(), int64(g.options.Pairs.Tolerance/time.Second))
		if !ok {
			g.missed[k]++
			continue
		}
		g.matched[k]++
		g.count(k, s.quantity, lead, day, score, state, seen.value)
	}
}

func (g *observing) count(k, quantity, lead int, day int64, score float64, state seedability.State, value float64) {
	cell := g.cells[observedKey{k, lead, day}]
	if cell == nil {
		if len(g.cells) >= maxObservedCells {
			g.full = true
			return
		}
		cell = &observedCell{}
		g.cells[observedKey{k, lead, day}] = cell
	}
	chance := g.chances[chanceKey{quantity, lead, day}]
	if chance == nil {
		if len(g.chances) >= maxChances {
			g.full = true
			return
		}
		chance, _ = evaluate.NewProbability(scoreSteps) // a constant that is allowed
		g.chances[chanceKey{quantity, lead, day}] = chance
	}
	one := [2]int{k, min(lead, 1)}
	single := g.single[one]
	if single == nil {
		single, _ = evaluate.NewProbability(scoreSteps)
		g.single[one] = single
	}
	if math.IsNaN(value) {
		cell.table.Missing++
		chance.AddMissing()
		single.AddMissing()
		return
	}
	happened := value >= g.from.thresholds[quantity]
	if open, known := g.window(score, state); known {
		cell.table.Add(open, happened)
	} else {
		cell.table.Missing++
	}
	if i := slices.Index(stateNames, state); i >= 0 {
		cell.states[i][0]++
		if happened {
			cell.states[i][1]++
		}
	}
	p := score / 100
	chance.Add(p, happened)
	single.Add(p, happened)
	if p >= 0 && p <= 1 {
		o := 0.
		if happened {
			o = 1
		}
		cell.n++
		cell.square += (p - o) * (p - o)
	}
}

// window is as evaluate.Comparison has it.
func (g *observing) window(score float64, state seedability.State) (open, known bool) {
	if limit := g.options.WindowScore; limit > 0 {
		return score >= limit, !math.IsNaN(score)
	}
	switch state {
	case seedability.StateWindow:
		return true, true
	case seedability.StateQuiet, seedability.StateBuilding:
		return false, true
	}
	return false, false
}

func (c *observedCell) merge(o *observedCell) {
	c.table.Merge(o.table)
	for i := range c.states {
		c.states[i][0] += o.states[i][0]
		c.states[i][1] += o.states[i][1]
	}
	c.n += o.n
	c.square += o.square
}

func (g *observing) notes() (notes []string) {
	for _, name := range sortedKeys(g.from.unknown) {
		notes = append(notes, fmt.Sprintf("%d observations of %q belong to no site of the archive and were left out; --place maps a place to sites.", g.from.unknown[name], name))
	}
	if g.from.repeated > 0 {
		notes = append(notes, fmt.Sprintf("%d observations say what another row says, and count once.", g.from.repeated))
	}
	if g.from.unrated > 0 {
		notes = append(notes, fmt.Sprintf("%d changes of snow pillows over more than %s were left out.", g.from.unrated, span(longestChange)))
	}
	if g.full {
		notes = append(notes, fmt.Sprintf("More than %d combinations of place, lead and storm day: the rest was left out; ask for fewer places or a shorter period.", maxObservedCells))
	}
	return notes
}

func (g *observing) result(o evaluate.BootstrapOptions) ([]Observed, error) {
	g.order = g.keys()
	all := []Observed{}
	for quantity := range Quantities {
		q := &Quantities[quantity]
		one := Observed{Quantity: q.Name, What: q.What, Unit: q.Unit, Event: g.from.thresholds[quantity], Source: q.Source, Leads: []ObservedGroup{}, Series: []ObservedGroup{},
			Cautions: []string{CautionProbability, CautionPoint, CautionCatch, CautionSeeded, evaluate.CautionRepeats}}
		if one.Event != q.Event {
			one.Source = "given with --event"
		}
		var mine []int
		for k, s := range g.series {
			if s.quantity == quantity {
				mine = append(mine, k)
				one.Rows += len(s.at)
				one.Matched += g.matched[k]
				one.Unmatched += g.missed[k]
			}
		}
		if one.Places = len(mine); one.Places == 0 {
			continue
		}
		how := "the observation of the site nearest to it within " + span(g.options.Pairs.Tolerance)
		if q.NeedsPeriod || q.Cumulative {
			how = "the observation of the site in whose period it lies"
		}
		one.Compared = fmt.Sprintf("The score and state of each release time, %s later, with %s; an event is %.4g %s or more.", span(g.options.Lag), how, one.Event, q.Unit)
		var err error
		if one.Now, err = g.group(quantity, leadNow, o); err != nil {
			return nil, err
		}
		for bin := range len(g.options.Pairs.LeadEdges) - 1 {
			group, err := g.group(quantity, 1+bin, o)
			if err != nil {
				return nil, err
			}
			if group.Days > 0 {
				one.Leads = append(one.Leads, group)
			}
		}
		for _, k := range mine {
			for lead := range 2 {
				group, err := g.ofSeries(k, lead, o)
				if err != nil {
					return nil, err
				}
				if group.Days > 0 {
					one.Series = append(one.Series, group)
				}
			}
		}
		all = append(all, one)
	}
	return all, nil
}

func (g *observing) leadName(lead int) string {
	if lead == leadNow {
		return "at once"
	}
	edges := g.options.Pairs.LeadEdges
	return fmt.Sprintf("%.4g-%.4g h", edges[lead-1].Hours(), edges[lead].Hours())
}

// group is all places of a quantity at one lead.
func (g *observing) group(quantity, lead int, o evaluate.BootstrapOptions) (ObservedGroup, error) {
	days := map[int64]*observedCell{}
	for _, key := range g.order {
		if key.lead == lead && g.series[key.series].quantity == quantity {
			put(days, key.day, g.cells[key])
		}
	}
	group := ObservedGroup{Lead: g.leadName(lead)}
	var chances []*evaluate.Probability
	for _, day := range daysOf(days) {
		chances = append(chances, g.chances[chanceKey{quantity, lead, day}])
	}
	total, err := evaluate.NewProbability(scoreSteps)
	if err != nil {
		return group, err
	}
	for _, c := range chances {
		if err := total.Merge(c); err != nil {
			return group, err
		}
	}
	if err := group.fill(days, total, o); err != nil {
		return group, err
	}
	area := o
	if area.Replicates == 0 {
		area.Replicates = 1000
	}
	e, err := evaluate.BootstrapProbability(chances, func(p *evaluate.Probability) evaluate.Value { return p.ROC().Area }, area)
	if err != nil {
		return group, err
	}
	if !e.Estimate.Known() {
		e.Estimate = group.ROC.Area
	}
	group.Intervals["roc_area"] = e
	diagram, err := total.Reliability(evaluate.ReliabilityOptions{Bins: brierBins, Seed: o.Seed, Workers: o.Workers})
	if err != nil {
		return group, err
	}
	group.Reliability = &diagram
	return group, nil
}

// ofSeries is one place, at once (0) or by outlooks of all leads (1).
func (g *observing) ofSeries(k, lead int, o evaluate.BootstrapOptions) (ObservedGroup, error) {
	s := g.series[k]
	group := ObservedGroup{Site: s.site, Place: s.place, Lead: "at once"}
	if lead > 0 {
		group.Lead = "outlooks"
	}
	days := map[int64]*observedCell{}
	for _, key := range g.order {
		if key.series == k && min(key.lead, 1) == lead {
			put(days, key.day, g.cells[key])
		}
	}
	total := g.single[[2]int{k, lead}]
	if total == nil {
		total = &evaluate.Probability{}
	}
	return group, group.fill(days, total, o)
}

// keys of all cells, in order, so that sums are the same in every run.
func (g *observing) keys() []observedKey {
	keys := make([]observedKey, 0, len(g.cells))
	for key := range g.cells {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b observedKey) int {
		switch {
		case a.series != b.series:
			return a.series - b.series
		case a.lead != b.lead:
			return a.lead - b.lead
		}
		return int(min(max(a.day-b.day, -1), 1))
	})
	return keys
}

func put(days map[int64]*observedCell, day int64, c *observedCell) {
	if days[day] == nil {
		days[day] = &observedCell{}
	}
	days[day].merge(c)
}

func daysOf(days map[int64]*observedCell) []int64 {
	list := make([]int64, 0, len(days))
	for day := range days {
		list = append(list, day)
	}
	slices.Sort(list)
	return list
}

// intervalMeasures get intervals by storm day.
var intervalMeasures = []string{"bias", "pod", "far", "csi", "ets", "pss"}

func (group *ObservedGroup) fill(days map[int64]*observedCell, total *evaluate.Probability, o evaluate.BootstrapOptions) error {
	list := daysOf(days)
	group.Days = len(list)
	var sum observedCell
	parts := make([]*observedCell, len(list))
	tables := make([]evaluate.Table, len(list))
	for k, day := range list {
		parts[k] = days[day]
		tables[k] = parts[k].table
		sum.merge(parts[k])
	}
	group.Contingency = sum.table.Scores()
	group.Intervals = map[string]evaluate.Estimate{}
	for _, m := range evaluate.Measures {
		if !slices.Contains(intervalMeasures, m.Key) {
			continue
		}
		e, err := evaluate.BootstrapTables(tables, m.Of, o)
		if err != nil {
			return err
		}
		group.Intervals[m.Key] = e
	}
	var err error
	if group.Brier, err = total.Brier(brierBins); err != nil {
		return err
	}
	group.ROC = total.ROC()
	brier, err := evaluate.Bootstrap([]int{len(parts)}, func(draw []int) float64 {
		var n, square float64
		for _, k := range draw {
			n += parts[k].n
			square += parts[k].square
		}
		return square / n
	}, o)
	if err != nil {
		return err
	}
	if !brier.Estimate.Known() {
		brier.Estimate = group.Brier.Score
	}
	group.Intervals["brier"] = brier
	group.States = []ObservedState{}
	for i, state := range stateNames {
		s := ObservedState{State: state, Pairs: sum.states[i][0], Events: sum.states[i][1]}
		s.Share, err = evaluate.Bootstrap([]int{len(parts)}, func(draw []int) float64 {
			var n, events int64
			for _, k := range draw {
				n += parts[k].states[i][0]
				events += parts[k].states[i][1]
			}
			return float64(events) / float64(n)
		}, o)
		if err != nil {
			return err
		}
		if s.Pairs == 0 {
			s.Share.Estimate.Why = "no pair in this state"
		}
		group.States = append(group.States, s)
	}
	return nil
}

// name of a group for people.
func (group *ObservedGroup) name() string {
	var words []string
	if group.Site != "" {
		words = append(words, group.Site)
	}
	if group.Place != "" {
		words = append(words, "("+group.Place+")")
	}
	return strings.Join(append(words, group.Lead), " ")
}
