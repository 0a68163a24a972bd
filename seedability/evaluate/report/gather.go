package report

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/evaluate"
)

// Archive is what is asked of an archive.Reader.
type Archive interface {
	Days(programme string) ([]archive.Day, error)
	Scores(ctx context.Context, q archive.Query, columns ...string) iter.Seq2[archive.ScoreRows, error]
	OutlookReleases(ctx context.Context, q archive.Query, columns ...string) iter.Seq2[archive.Rows, error]
	Table(ctx context.Context, table string, q archive.Query, columns ...string) iter.Seq2[archive.Rows, error]
}

// Gather reads the archive once and makes the report, but for the effect of seeding.
// What cannot be read stands in Problems; the error is for what leaves no report.
func Gather(ctx context.Context, from Archive, o Options) (*Report, error) {
	if err := o.defaults(); err != nil {
		return nil, err
	}
	r := &Report{Programme: o.Programme, From: o.From.UTC(), To: o.To.UTC(), Made: o.Made, ProgramVersion: o.ProgramVersion, Problems: []string{}, Notes: []string{}, Observed: []Observed{}}
	days, err := from.Days(o.Programme)
	if err != nil {
		r.problem(err)
	}
	r.bound(days, &o)
	g := &gathering{report: r, options: o, track: newTracks(o.Gap, o.HeldScore)}
	if g.comparison, err = evaluate.NewComparison(evaluate.ComparisonOptions{LeadEdges: o.Pairs.LeadEdges, DayBoundary: o.DayBoundary, WindowScore: o.WindowScore}); err != nil {
		return nil, err
	}
	g.lagged = newLagged(o.Pairs.LeadEdges, o.DayBoundary)
	if o.Observations != nil {
		g.observed = newObserving(o.Observations, &o)
	}
	if err := g.read(ctx, from); err != nil {
		return nil, err
	}
	r.Forecast.Compared = fmt.Sprintf("Each release of an outlook with the newest assessment of the same site whose release time lies within %s, made within %s of its release and after the outlook.", span(o.Pairs.Tolerance), span(o.Pairs.JudgedWithin))
	r.Forecast.Pairs = g.pairs
	r.Forecast.Ignored = g.ignored
	if r.Forecast.Comparison, err = g.comparison.Result(o.Bootstrap); err != nil {
		return nil, err
	}
	if r.Forecast.Lagged, err = g.lagged.result(o.Bootstrap); err != nil {
		return nil, err
	}
	if g.observed != nil {
		if r.Observed, err = g.observed.result(o.Bootstrap); err != nil {
			return nil, err
		}
		r.Notes = append(r.Notes, g.observed.notes()...)
	}
	if err := g.operate(ctx, from); err != nil {
		return nil, err
	}
	r.Settings, r.Glossary = settings(&o), glossary()
	return r, nil
}

// bound sets the period of the report: what was asked for, else all days.
func (r *Report) bound(days []archive.Day, o *Options) {
	if len(days) == 0 {
		r.note("The archive has no day of programme %s.", r.Programme)
	}
	for _, d := range days {
		if (o.From.IsZero() || d.Day.Add(24*time.Hour).After(o.From)) && (o.To.IsZero() || d.Day.Before(o.To)) {
			r.Days++
			if r.From.IsZero() {
				r.From = d.Day
			}
			if o.To.IsZero() {
				r.To = d.Day.Add(24 * time.Hour)
			}
		}
	}
}

// gathering is the pass over the archive.
type gathering struct {
	report     *Report
	options    Options
	comparison *evaluate.Comparison
	lagged     *lagged
	observed   *observing // nil without observations
	track      *tracks
	pairs      evaluate.PairCounts
	ignored    int64

	// Assessments by day of release (days since 1970), and what finds those that are
	// complete; days before keepFrom are gone.
	judged   map[int64][]evaluate.Judged
	ready    map[int64]*evaluate.Judgements
	held     int
	keepFrom int64
	collect  bool
}

func dayOf(t time.Time) int64 {
	s := t.Unix()
	if s < 0 {
		s -= 86399
	}
	return s / 86400
}

func (g *gathering) read(ctx context.Context, from Archive) error {
	g.judged, g.ready, g.collect = map[int64][]evaluate.Judged{}, map[int64]*evaluate.Judgements{}, true
	o := &g.options
	wide := archive.Query{Programme: o.Programme}
	if !o.From.IsZero() {
		wide.From = o.From.Add(-o.Pairs.Tolerance - o.Gap)
	}
	if !o.To.IsZero() {
		wide.To = o.To.Add(o.Pairs.Tolerance + o.Gap)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	scores, stop := iter.Pull2(ahead(ctx, from.Scores(ctx, wide, "time", "as_of", "state", "standing", "score")))
	defer stop()
	var next archive.ScoreRows
	var nextErr error
	more := true
	pull := func() { next, nextErr, more = scores() }
	pull()
	// upTo takes all scores of days of the archive up to one.
	upTo := func(day int64, all bool) error {
		for more && (all || nextErr != nil || dayOf(next.Day) <= day) {
			if nextErr != nil {
				if ctx.Err() != nil {
					return ctx.Err()
				}
				g.report.problem(nextErr)
			} else if err := g.scores(&next); err != nil {
				return err
			}
			pull()
		}
		return nil
	}
	lead := int64(o.Pairs.LeadEdges[len(o.Pairs.LeadEdges)-1]/(24*time.Hour)) + 2
	query := archive.Query{Programme: o.Programme, From: o.From, To: o.To}
	issued := int64(-1 << 62)
	for rows, err := range ahead(ctx, from.OutlookReleases(ctx, query, "time", "issued_at", "state", "score")) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			g.report.problem(err)
			continue
		}
		if day := dayOf(rows.Day); day != issued {
			issued = day
			g.forget(day - 1)
			// An outlook made at the end of this day ends lead-1 days later, and its
			// assessments may lie on the day after that.
			if err := upTo(day+lead, false); err != nil {
				return err
			}
			if err := g.lagged.flush(rows.Day); err != nil {
				return err
			}
		}
		if err := g.outlooks(&rows); err != nil {
			return err
		}
	}
	g.collect = false
	clear(g.judged)
	clear(g.ready)
	if err := g.lagged.flush(time.Time{}); err != nil {
		return err
	}
	return upTo(0, true)
}

// forget drops assessments of releases before a day.
func (g *gathering) forget(before int64) {
	g.keepFrom = before
	for day, all := range g.judged {
		if day < before {
			g.held -= len(all)
			delete(g.judged, day)
		}
	}
	for day := range g.ready {
		if day < before {
			delete(g.ready, day)
		}
	}
}

// scores takes assessments of one site and day.
func (g *gathering) scores(rows *archive.ScoreRows) error {
	o := &g.options
	times, asOf := rows.Column("time").Ints, rows.Column("as_of").Ints
	states, standing, scores := rows.Column("state").Texts, rows.Column("standing").Texts, rows.Column("score").Floats
	track := g.track.site(rows.Site)
	tolerance := int64(o.Pairs.Tolerance / time.Second)
	for k := range rows.Len {
		if times[k] == archive.Missing || asOf[k] == archive.Missing {
			g.ignored++
			continue
		}
		g.report.Assessments++
		release := archive.TimeOf(times[k])
		j := evaluate.Judged{Site: rows.Site, AsOf: archive.TimeOf(asOf[k]), ReleaseTime: release, Score: scores[k], State: seedability.State(states[k])}
		if release.Sub(j.AsOf).Abs() > o.Pairs.JudgedWithin {
			g.ignored++
			continue
		}
		stands := seedability.State(standing[k])
		if stands == "" {
			stands = j.State
		}
		if err := g.track.add(track, release, stands, j.Score); err != nil {
			return err
		}
		if g.observed != nil && o.within(release) {
			g.observed.now(&j)
		}
		if !g.collect {
			continue
		}
		// A release beside midnight is found from both days.
		day := dayOf(release)
		sinceMidnight := release.Unix() - day*86400
		g.keep(day, j)
		if sinceMidnight <= tolerance {
			g.keep(day-1, j)
		}
		if 86400-sinceMidnight <= tolerance {
			g.keep(day+1, j)
		}
		if g.held > maxJudgedHeld {
			return fmt.Errorf("evaluate: more than %d assessments within the reach of one outlook", maxJudgedHeld)
		}
	}
	return nil
}

func (g *gathering) keep(day int64, j evaluate.Judged) {
	if day < g.keepFrom {
		return
	}
	g.judged[day] = append(g.judged[day], j)
	g.held++
}

func (o *Options) within(t time.Time) bool {
	return (o.From.IsZero() || !t.Before(o.From)) && (o.To.IsZero() || t.Before(o.To))
}

// outlooks takes releases of outlooks of one site and day.
func (g *gathering) outlooks(rows *archive.Rows) error {
	o := &g.options
	times, issued := rows.Column("time").Ints, rows.Column("issued_at").Ints
	states, scores := rows.Column("state").Texts, rows.Column("score").Floats
	lastDay := int64(-1 << 62)
	var last *evaluate.Judgements
	for k := range rows.Len {
		g.report.OutlookReleases++
		f := evaluate.Foreseen{Site: rows.Site, IssuedAt: archive.TimeOf(issued[k]), ReleaseTime: archive.TimeOf(times[k]), Score: scores[k], State: seedability.State(states[k])}
		day := dayOf(f.ReleaseTime)
		if day != lastDay || last == nil {
			j, err := g.judgements(day)
			if err != nil {
				return err
			}
			lastDay, last = day, j
		}
		if g.observed != nil && !f.IssuedAt.IsZero() {
			g.observed.foreseen(&f, leadBin(o.Pairs.LeadEdges, f.ReleaseTime.Sub(f.IssuedAt)))
		}
		p, ok := last.Match(f, &g.pairs)
		if !ok {
			continue
		}
		if err := g.comparison.Add(p); err != nil {
			return fmt.Errorf("%w; ask for a shorter period", err)
		}
		if err := g.lagged.add(&p); err != nil {
			return err
		}
	}
	return nil
}

func leadBin(edges []time.Duration, lead time.Duration) int {
	for k := 1; k < len(edges); k++ {
		if lead >= edges[k-1] && lead < edges[k] {
			return k - 1
		}
	}
	return -1
}

func (g *gathering) judgements(day int64) (*evaluate.Judgements, error) {
	if j := g.ready[day]; j != nil {
		return j, nil
	}
	j, err := evaluate.NewJudgements(g.judged[day], g.options.Pairs)
	if err != nil {
		return nil, err
	}
	g.held -= len(g.judged[day])
	delete(g.judged, day)
	if len(g.ready) > 1000 { // releases far apart: wrong times, which no lead bin holds
		clear(g.ready)
	}
	g.ready[day] = j
	return j, nil
}

// ahead reads in a goroutine of its own, a few blocks before they are asked for.
func ahead(ctx context.Context, seq iter.Seq2[archive.Rows, error]) iter.Seq2[archive.Rows, error] {
	type one struct {
		rows archive.Rows
		err  error
	}
	return func(yield func(archive.Rows, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		blocks := make(chan one, 64)
		done := make(chan struct{})
		go func() {
			defer close(done)
			defer close(blocks)
			for rows, err := range seq {
				select {
				case blocks <- one{rows, err}:
				case <-ctx.Done():
					return
				}
			}
		}()
		defer func() { cancel(); <-done }()
		for b := range blocks {
			if !yield(b.rows, b.err) {
				return
			}
		}
	}
}

func span(d time.Duration) string {
	switch {
	case d%time.Hour == 0 && d != 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d%time.Minute == 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return d.String()
}

// lagged adds up the CRPS of ensembles that several outlooks make for one release.
type lagged struct {
	bounds   []time.Duration
	boundary time.Duration
	open     map[laggedKey]*laggedCase
	numbers  map[string]int32 // of sites, in the order in which they came
	sums     map[laggedDay]*evaluate.CRPSMean
	members  int
}

type laggedKey struct {
	release     int64 // seconds
	site, group int32
}

type laggedCase struct {
	members []float64
	judged  float64
	asOf    time.Time
}

type laggedDay struct {
	group int
	day   int64
}

// maxMembers of all ensembles that are held.
const maxMembers = 20_000_000

// laggedBounds: members of one ensemble have leads between two of these; common
// practice, no source.
var laggedBounds = []time.Duration{0, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour, 48 * time.Hour}

func newLagged(edges []time.Duration, boundary time.Duration) *lagged {
	l := &lagged{boundary: boundary, open: map[laggedKey]*laggedCase{}, numbers: map[string]int32{}, sums: map[laggedDay]*evaluate.CRPSMean{}}
	for _, b := range laggedBounds {
		if b <= edges[len(edges)-1] {
			l.bounds = append(l.bounds, b)
		}
	}
	return l
}

func (l *lagged) add(p *evaluate.Pair) error {
	group := leadBin(l.bounds, p.Lead)
	if group < 0 {
		return nil
	}
	site, known := l.numbers[p.Foreseen.Site]
	if !known {
		site = int32(len(l.numbers))
		l.numbers[p.Foreseen.Site] = site
	}
	key := laggedKey{p.Foreseen.ReleaseTime.Unix(), site, int32(group)}
	c := l.open[key]
	if c == nil {
		c = &laggedCase{members: make([]float64, 0, 8)}
		l.open[key] = c
	}
	if l.members++; l.members > maxMembers {
		return fmt.Errorf("evaluate: more than %d outlooks of releases to come at one time", maxMembers)
	}
	c.members = append(c.members, p.Foreseen.Score)
	if c.asOf.IsZero() || p.Judged.AsOf.After(c.asOf) {
		c.judged, c.asOf = p.Judged.Score, p.Judged.AsOf
	}
	return nil
}

// flush closes ensembles of releases before a moment (zero: all), to which no outlook
// can add any more.
func (l *lagged) flush(before time.Time) error {
	var closed []laggedKey
	for key := range l.open {
		if before.IsZero() || key.release < before.Unix() {
			closed = append(closed, key)
		}
	}
	// In order, so that sums are the same in every run.
	slices.SortFunc(closed, func(a, b laggedKey) int {
		return cmp.Or(cmp.Compare(a.release, b.release), cmp.Compare(a.site, b.site), cmp.Compare(a.group, b.group))
	})
	for _, key := range closed {
		c := l.open[key]
		at := laggedDay{int(key.group), evaluate.StormDay(time.Unix(key.release, 0), l.boundary).Unix()}
		if l.sums[at] == nil {
			l.sums[at] = &evaluate.CRPSMean{}
		}
		l.sums[at].Add(c.members, c.judged)
		l.members -= len(c.members)
		delete(l.open, key)
	}
	return nil
}

func (l *lagged) result(o evaluate.BootstrapOptions) ([]Lagged, error) {
	all := []Lagged{}
	for group := range max(len(l.bounds)-1, 0) {
		var days []int64
		for key := range l.sums {
			if key.group == group {
				days = append(days, key.day)
			}
		}
		slices.Sort(days)
		var total evaluate.CRPSMean
		type sums struct{ n, fair float64 }
		parts := make([]sums, len(days))
		for k, day := range days {
			s := l.sums[laggedDay{group, day}]
			if err := total.Merge(s); err != nil {
				return nil, err
			}
			if one := s.Result(); one.Fair.Known() {
				parts[k] = sums{float64(one.FairUsed), one.Fair.Float() * float64(one.FairUsed)}
			}
		}
		one := Lagged{Lead: fmt.Sprintf("%.4g-%.4g h", l.bounds[group].Hours(), l.bounds[group+1].Hours()), CRPS: total.Result(), Days: len(days)}
		var err error
		one.Interval, err = evaluate.Bootstrap([]int{len(days)}, func(draw []int) float64 {
			var sum sums
			for _, k := range draw {
				sum.n += parts[k].n
				sum.fair += parts[k].fair
			}
			return sum.fair / sum.n
		}, o)
		if err != nil {
			return nil, err
		}
		if !one.Interval.Estimate.Known() {
			one.Interval.Estimate.Why = one.CRPS.Fair.Why
		}
		all = append(all, one)
	}
	return all, nil
}
