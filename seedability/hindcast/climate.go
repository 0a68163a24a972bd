package hindcast

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rimeline/seedability/evaluate"
)

// Number is NaN, and null in JSON, where it is not known.
type Number = evaluate.Number

// Site that is judged.
type Site struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

// Options of a climatology.
type Options struct {
	// Location is for months and hours of the day; UTC if nil.
	Location *time.Location
	// Every is how much time one release stands for.
	Every time.Duration
	// FewHours and FewDays: a row with fewer hours judged, or fewer storm days, or less
	// than half of its hours judged, says that it has few. Common practice, no source.
	FewHours float64
	FewDays  int
	// Replicates of the bootstrap; those of package evaluate if zero.
	Replicates int
}

// stormBoundary of days, as package evaluate has it.
const stormBoundary = 12 * time.Hour

// Row is what is known of one site in one month, in all months, or in one month of all
// years.
type Row struct {
	Site string `json:"site"`
	// Month is 2026-01, or 01 for that month of all years, or all.
	Month string `json:"month"`
	// Hours that were asked for: judged (Seedable and Quiet), blind and missing.
	Asked    float64 `json:"asked_hours"`
	Judged   float64 `json:"judged_hours"`
	Seedable float64 `json:"seedable_hours"`
	Blind    float64 `json:"blind_hours"`
	Missing  float64 `json:"missing_hours"`
	// Share of the judged hours that are seedable. Wilson takes hours as independent,
	// which they are not: storms last. Days are resampled for the other interval, which
	// is not known for fewer than ten storm days.
	Share  Number            `json:"share"`
	Wilson evaluate.Interval `json:"wilson_95"`
	ByDay  evaluate.Interval `json:"by_storm_day_95"`
	// StormDays with an hour judged, and Seeded those with one that is seedable.
	StormDays         int `json:"storm_days"`
	SeedableStormDays int `json:"seedable_storm_days"`
	// MeanScore of the judged hours.
	MeanScore Number `json:"mean_score"`
	// Limits of the judged hours that are not seedable, in hours.
	Limits map[Limit]float64 `json:"limits_hours"`
	// OverSite: hours in which the column over the site has supercooled liquid water
	// between -5 and -20 °C, of OverSiteOf in which that is known.
	OverSite   float64 `json:"liquid_over_site_hours"`
	OverSiteOf float64 `json:"liquid_over_site_known_hours"`
	// HoursOfDay are the judged and seedable hours by hour of the day.
	HoursOfDay [24]HourOfDay `json:"hours_of_day"`
	// Few says why the row has too few hours for a climatology; empty if not.
	Few string `json:"few,omitempty"`
}

// HourOfDay is one hour of the day, local time.
type HourOfDay struct {
	Judged   float64 `json:"judged_hours"`
	Seedable float64 `json:"seedable_hours"`
}

// OverSiteMM is how much supercooled liquid over the site counts as some; the noise of
// a microwave radiometer's path is about as large.
const OverSiteMM = .03

// Reason is why hours are blind or missing.
type Reason struct {
	Site    string  `json:"site"` // empty for all sites
	Outcome Outcome `json:"outcome"`
	Why     string  `json:"why"`
	Hours   float64 `json:"hours"`
	// First and Last such release.
	First time.Time `json:"first"`
	Last  time.Time `json:"last"`
}

// Climate is the result.
type Climate struct {
	// Sites, the one with the largest share first, with the row of all months.
	Sites []Row `json:"sites"`
	// Months of each site, rising; Calendar are months of all years together, where
	// there are several years.
	Months   []Row    `json:"months"`
	Calendar []Row    `json:"calendar_months"`
	Reasons  []Reason `json:"not_judged"`
	Caution  string   `json:"caution"`
}

// sum of hours while they come.
type sum struct {
	row           Row
	judged, good  int
	scores        float64
	scored        int
	asked         int
	blind, absent int
	over, overOf  int
	limits        map[Limit]int
	hours         [24][2]int
	days          map[int64]*[2]int // by storm day: judged, seedable
}

func (s *sum) add(h *Hour, o *Options) {
	s.asked++
	switch h.Outcome {
	case Blind:
		s.blind++
	case Missing:
		s.absent++
	}
	if h.OverSiteMM != nil {
		s.overOf++
		if *h.OverSiteMM >= OverSiteMM {
			s.over++
		}
	}
	if h.Outcome != Seedable && h.Outcome != Quiet {
		return
	}
	s.judged++
	hour := h.Time.In(o.Location).Hour()
	s.hours[hour][0]++
	day := evaluate.StormDay(h.Time, stormBoundary).Unix()
	if s.days[day] == nil {
		s.days[day] = new([2]int)
	}
	s.days[day][0]++
	if h.Score != nil {
		s.scores += *h.Score
		s.scored++
	}
	if h.Outcome == Seedable {
		s.good++
		s.hours[hour][1]++
		s.days[day][1]++
		return
	}
	s.limits[h.Limit]++
}

func (s *sum) result(o *Options) (Row, error) {
	r := s.row
	hours := func(n int) float64 { return math.Round(float64(n)*o.Every.Hours()*1e6) / 1e6 }
	r.Asked, r.Judged, r.Seedable, r.Blind, r.Missing = hours(s.asked), hours(s.judged), hours(s.good), hours(s.blind), hours(s.absent)
	r.OverSite, r.OverSiteOf = hours(s.over), hours(s.overOf)
	r.Share, r.MeanScore = Number(math.NaN()), Number(math.NaN())
	if s.judged > 0 {
		r.Share = Number(float64(s.good) / float64(s.judged))
	}
	if s.scored > 0 {
		r.MeanScore = Number(s.scores / float64(s.scored))
	}
	// Releases within an hour are no trials of their own.
	perHour := min(o.Every.Hours(), 1)
	r.Wilson = wilson(float64(s.good)*perHour, float64(s.judged)*perHour)
	r.Limits = map[Limit]float64{}
	for _, l := range Limits() {
		r.Limits[l] = hours(s.limits[l])
	}
	for k, h := range s.hours {
		r.HoursOfDay[k] = HourOfDay{hours(h[0]), hours(h[1])}
	}
	r.StormDays = len(s.days)
	days := make([]int64, 0, len(s.days))
	for day, n := range s.days {
		days = append(days, day)
		if n[1] > 0 {
			r.SeedableStormDays++
		}
	}
	slices.Sort(days)
	r.ByDay = evaluate.Interval{Low: Number(math.NaN()), High: Number(math.NaN()), Why: "no hour was judged"}
	if len(days) > 0 {
		estimate, err := evaluate.Bootstrap([]int{len(days)}, func(draw []int) float64 {
			judged, good := 0, 0
			for _, k := range draw {
				n := s.days[days[k]]
				judged, good = judged+n[0], good+n[1]
			}
			if judged == 0 {
				return math.NaN()
			}
			return float64(good) / float64(judged)
		}, evaluate.BootstrapOptions{Replicates: o.Replicates, Seed: 1})
		if err != nil {
			return r, err
		}
		r.ByDay, _ = estimate.Recommended()
		// A share is no share beyond these, whatever an expanded percentile gives.
		r.ByDay.Low, r.ByDay.High = max(r.ByDay.Low, 0), min(r.ByDay.High, 1)
	}
	switch {
	case r.Judged < o.FewHours:
		r.Few = "few hours judged"
	case len(days) < o.FewDays:
		r.Few = "few storm days"
	case r.Judged < r.Asked/2:
		r.Few = "less than half of the hours judged"
	}
	return r, nil
}

// Wilson is the interval of a share that 95 in 100 such intervals hold it in, for
// independent trials (Wilson 1927, J. Amer. Stat. Assoc. 22, 209).
func Wilson(successes, trials int) evaluate.Interval {
	return wilson(float64(successes), float64(trials))
}

func wilson(successes, trials float64) evaluate.Interval {
	if trials <= 0 {
		return evaluate.Interval{Low: Number(math.NaN()), High: Number(math.NaN()), Why: "no hour was judged"}
	}
	const z = 1.959963984540054 // of 97.5 in 100 of a normal distribution
	n, p := trials, successes/trials
	middle := p + z*z/(2*n)
	half := z * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	low, high := (middle-half)/(1+z*z/n), (middle+half)/(1+z*z/n)
	if successes == 0 {
		low = 0
	}
	if successes == trials {
		high = 1
	}
	return evaluate.Interval{Low: Number(max(low, 0)), High: Number(min(high, 1))}
}

// Climatology sums hours up, each site's and month's. Hours of sites that are not
// listed are left out. One release time of a site must come once.
func Climatology(sites []Site, hours []Hour, o Options) (*Climate, error) {
	if o.Location == nil {
		o.Location = time.UTC
	}
	if o.Every <= 0 {
		o.Every = time.Hour
	}
	if o.FewHours == 0 {
		o.FewHours = 100
	}
	if o.FewDays == 0 {
		o.FewDays = 10
	}
	type key struct {
		site  int
		month string
	}
	number := map[string]int{}
	for k, s := range sites {
		number[s.ID] = k
	}
	sums := map[key]*sum{}
	reasons := map[Reason]*Reason{}
	years := map[string]map[int]bool{}
	for k := range hours {
		h := &hours[k]
		site, known := number[h.Site]
		if !known {
			continue
		}
		local := h.Time.In(o.Location)
		month := local.Format("01")
		if years[month] == nil {
			years[month] = map[int]bool{}
		}
		years[month][local.Year()] = true
		for _, m := range []string{local.Format("2006-01"), month, "all"} {
			s := sums[key{site, m}]
			if s == nil {
				s = &sum{row: Row{Site: h.Site, Month: m}, limits: map[Limit]int{}, days: map[int64]*[2]int{}}
				sums[key{site, m}] = s
			}
			s.add(h, &o)
		}
		if h.Outcome == Blind || h.Outcome == Missing {
			name := Reason{Site: h.Site, Outcome: h.Outcome, Why: h.Why}
			r := reasons[name]
			if r == nil {
				if len(reasons) >= maxReasons {
					name.Why = "other reasons"
					r = reasons[name]
				}
				if r == nil {
					r = &Reason{Site: h.Site, Outcome: h.Outcome, Why: name.Why, First: h.Time, Last: h.Time}
					reasons[name] = r
				}
			}
			r.Hours += o.Every.Hours()
			if h.Time.Before(r.First) {
				r.First = h.Time
			}
			if h.Time.After(r.Last) {
				r.Last = h.Time
			}
		}
	}
	c := &Climate{Sites: []Row{}, Months: []Row{}, Calendar: []Row{}, Reasons: []Reason{}, Caution: Caution}
	several := false
	for _, y := range years {
		several = several || len(y) > 1
	}
	for k, s := range sums {
		row, err := s.result(&o)
		if err != nil {
			return nil, err
		}
		switch {
		case k.month == "all":
			c.Sites = append(c.Sites, row)
		case len(k.month) == 2:
			if several {
				c.Calendar = append(c.Calendar, row)
			}
		default:
			c.Months = append(c.Months, row)
		}
	}
	slices.SortFunc(c.Sites, func(a, b Row) int {
		if a.Share.Known() != b.Share.Known() {
			if a.Share.Known() {
				return -1
			}
			return 1
		}
		if a.Share.Known() && a.Share != b.Share {
			return cmp.Compare(b.Share, a.Share)
		}
		return cmp.Compare(number[a.Site], number[b.Site])
	})
	byMonth := func(a, b Row) int {
		return cmp.Or(cmp.Compare(number[a.Site], number[b.Site]), cmp.Compare(a.Month, b.Month))
	}
	slices.SortFunc(c.Months, byMonth)
	slices.SortFunc(c.Calendar, byMonth)
	c.gather(reasons, len(sites))
	return c, nil
}

// maxReasons are told apart.
const maxReasons = 2000

// gather joins reasons that all sites have alike.
func (c *Climate) gather(reasons map[Reason]*Reason, sites int) {
	alike := map[Reason][]*Reason{}
	for _, r := range reasons {
		of := *r
		of.Site = ""
		alike[of] = append(alike[of], r)
	}
	for of, all := range alike {
		if len(all) == sites && sites > 1 {
			c.Reasons = append(c.Reasons, of)
			continue
		}
		for _, r := range all {
			c.Reasons = append(c.Reasons, *r)
		}
	}
	slices.SortFunc(c.Reasons, func(a, b Reason) int {
		return cmp.Or(a.First.Compare(b.First), cmp.Compare(a.Site, b.Site), cmp.Compare(a.Why, b.Why))
	})
}
