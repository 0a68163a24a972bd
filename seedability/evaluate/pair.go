package evaluate

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rimeline/seedability"
)

// Foreseen is what an outlook said of one release time.
type Foreseen struct {
	Site        string
	IssuedAt    time.Time
	ReleaseTime time.Time
	Score       float64 // NaN where it had none
	State       seedability.State
}

// Judged is what an assessment said of one release time.
type Judged struct {
	Site string
	// AsOf is the moment whose knowledge counts.
	AsOf        time.Time
	ReleaseTime time.Time
	Score       float64 // NaN where it had none
	State       seedability.State
}

// ForeseenOf takes what is compared from an outlook.
func ForeseenOf(o seedability.Outlook) []Foreseen {
	all := make([]Foreseen, len(o.Releases))
	for i, r := range o.Releases {
		all[i] = Foreseen{Site: o.Site.ID, IssuedAt: o.IssuedAt, ReleaseTime: r.ReleaseTime, Score: number(r.Score), State: r.State}
	}
	return all
}

// JudgedOf takes what is compared from an assessment: its own state, without the
// memory that a standing has, since an outlook has none either.
func JudgedOf(a seedability.Assessment) Judged {
	return Judged{Site: a.Site.ID, AsOf: a.AsOf, ReleaseTime: a.ReleaseTime, Score: number(a.Score.Value), State: a.State}
}

// number is NaN for what JSON has as null.
func number(x *float64) float64 {
	if x == nil {
		return nan
	}
	return *x
}

// PairOptions; the zero value takes what is written behind each, common practice,
// no source.
type PairOptions struct {
	// Tolerance between the two release times: 10 minutes.
	Tolerance time.Duration
	// JudgedWithin: only assessments made so close to their release count as what
	// was found at the time: 30 minutes.
	JudgedWithin time.Duration
	// LeadEdges of the bins, rising: 0, 1, 3, 6, 12, 18, 24, 36, 48 hours. A bin
	// includes its lower edge.
	LeadEdges []time.Duration
}

// DefaultLeadEdges are the bounds of the lead bins.
var DefaultLeadEdges = []time.Duration{0, 1 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 18 * time.Hour, 24 * time.Hour, 36 * time.Hour, 48 * time.Hour}

const maxLeadEdges = 50

func (o *PairOptions) defaults() error {
	if o.Tolerance == 0 {
		o.Tolerance = 10 * time.Minute
	}
	if o.JudgedWithin == 0 {
		o.JudgedWithin = 30 * time.Minute
	}
	if o.LeadEdges == nil {
		o.LeadEdges = DefaultLeadEdges
	}
	if o.Tolerance < 0 || o.JudgedWithin < 0 {
		return fmt.Errorf("pairs: tolerance %s and age %s must not be negative", o.Tolerance, o.JudgedWithin)
	}
	if len(o.LeadEdges) < 2 || len(o.LeadEdges) > maxLeadEdges {
		return fmt.Errorf("pairs: %d lead edges; 2 to %d are needed", len(o.LeadEdges), maxLeadEdges)
	}
	for i := 1; i < len(o.LeadEdges); i++ {
		if o.LeadEdges[i] <= o.LeadEdges[i-1] {
			return fmt.Errorf("pairs: lead edge %s does not lie after %s", o.LeadEdges[i], o.LeadEdges[i-1])
		}
	}
	return nil
}

// Pair is an outlook's release and the later assessment of the same site and time.
//
// The assessment is no observation: it is the same judgement made with newer
// inputs. What it says of an outlook is how well the outlook foresaw the program,
// not the weather.
type Pair struct {
	Foreseen Foreseen
	Judged   Judged
	Lead     time.Duration
	// LeadBin is the number of the bin of Lead.
	LeadBin int
}

// CautionPairs goes with every comparison of outlooks and assessments.
const CautionPairs = "The later assessment comes from the same program with newer inputs; agreement with it is not proof that supercooled liquid water was there."

// PairCounts says what became of the outlooks' releases.
type PairCounts struct {
	Paired int64 `json:"paired"`
	// Unjudged had no later assessment of that time; OutsideLead lie in no lead
	// bin; Invalid have no time.
	Unjudged    int64 `json:"unjudged"`
	OutsideLead int64 `json:"outside_lead"`
	Invalid     int64 `json:"invalid"`
}

func (c PairCounts) String() string {
	return fmt.Sprintf("%d pairs, %d without a later assessment, %d outside the lead bins, %d invalid", c.Paired, c.Unjudged, c.OutsideLead, c.Invalid)
}

// Judgements finds the assessment that belongs to an outlook's release. It is read
// by any number of goroutines.
type Judgements struct {
	options PairOptions
	bySite  map[string][]Judged // release times rising, one for each
	ignored int64
}

// NewJudgements sorts assessments by site and release time. Of several for one
// time the newest counts. Those that were not made close to their release, and
// those without a time, are ignored.
func NewJudgements(all []Judged, o PairOptions) (*Judgements, error) {
	if err := o.defaults(); err != nil {
		return nil, err
	}
	j := &Judgements{options: o, bySite: map[string][]Judged{}}
	for _, a := range all {
		if a.ReleaseTime.IsZero() || a.AsOf.IsZero() || a.ReleaseTime.Sub(a.AsOf).Abs() > o.JudgedWithin {
			j.ignored++
			continue
		}
		j.bySite[a.Site] = append(j.bySite[a.Site], a)
	}
	for site, row := range j.bySite {
		slices.SortStableFunc(row, func(a, b Judged) int {
			if c := a.ReleaseTime.Compare(b.ReleaseTime); c != 0 {
				return c
			}
			return b.AsOf.Compare(a.AsOf) // the newest first, which CompactFunc keeps
		})
		j.bySite[site] = slices.CompactFunc(row, func(a, b Judged) bool { return a.ReleaseTime.Equal(b.ReleaseTime) })
	}
	return j, nil
}

// Ignored counts the assessments that were left out.
func (j *Judgements) Ignored() int64 { return j.ignored }

// Edges of the lead bins.
func (j *Judgements) Edges() []time.Duration { return slices.Clone(j.options.LeadEdges) }

// Match gives the pair of an outlook's release, and counts what became of it. The
// assessment is that of the nearest release time within the tolerance, the earlier
// of two equally near, and must be younger than the outlook.
func (j *Judgements) Match(f Foreseen, counts *PairCounts) (Pair, bool) {
	if f.IssuedAt.IsZero() || f.ReleaseTime.IsZero() {
		counts.Invalid++
		return Pair{}, false
	}
	p := Pair{Foreseen: f, Lead: f.ReleaseTime.Sub(f.IssuedAt), LeadBin: -1}
	for i := 1; i < len(j.options.LeadEdges); i++ {
		if p.Lead >= j.options.LeadEdges[i-1] && p.Lead < j.options.LeadEdges[i] {
			p.LeadBin = i - 1
		}
	}
	if p.LeadBin < 0 {
		counts.OutsideLead++
		return Pair{}, false
	}
	row := j.bySite[f.Site]
	first, _ := slices.BinarySearchFunc(row, f.ReleaseTime.Add(-j.options.Tolerance), func(a Judged, at time.Time) int { return a.ReleaseTime.Compare(at) })
	nearest := time.Duration(math.MaxInt64)
	for _, a := range row[first:] {
		off := a.ReleaseTime.Sub(f.ReleaseTime)
		if off > j.options.Tolerance {
			break
		}
		if off.Abs() < nearest && a.AsOf.After(f.IssuedAt) {
			nearest, p.Judged = off.Abs(), a
		}
	}
	if nearest == math.MaxInt64 {
		counts.Unjudged++
		return Pair{}, false
	}
	counts.Paired++
	return p, true
}

// PairAll matches many releases at once.
func (j *Judgements) PairAll(all []Foreseen) ([]Pair, PairCounts) {
	var counts PairCounts
	var pairs []Pair
	for _, f := range all {
		if p, ok := j.Match(f, &counts); ok {
			pairs = append(pairs, p)
		}
	}
	return pairs, counts
}
