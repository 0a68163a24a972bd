package alert

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"
)

// Release is the record of what was really released. Records are only ever added;
// a wrong one is corrected by a new one that names it.
type Release struct {
	// ID is given by who adds it, and is the same if it is sent again.
	ID string `json:"id"`
	// At is when it was recorded, Who by whom.
	At        time.Time `json:"at"`
	Who       string    `json:"who"`
	Programme string    `json:"programme"`
	Site      string    `json:"site"`
	Unit      string    `json:"unit"` // flare rack and number, generator
	Start     time.Time `json:"start"`
	End       time.Time `json:"end"`
	Agent     string    `json:"agent"`
	Grams     float64   `json:"grams"` // of silver iodide or other ice-forming substance; 0 in a correction: nothing was released
	Purpose   string    `json:"purpose"`
	// Corrects is the id of the record that this one replaces.
	Corrects string `json:"corrects,omitempty"`
}

// Bounds of a record. The amount is 100 times the largest burn of a season's site
// in public reports; common practice, no source.
const (
	maxReleaseGrams = 1e5
	longestRelease  = 7 * 24 * time.Hour
	clocksDiffer    = 5 * time.Minute
)

// CheckRelease says whether a record may be added to those there are: its own
// values, its site, and what it corrects. sites are the ids of the programme. A
// record that is there already, value for value, is no error: known is true then.
func CheckRelease(there []Release, r Release, programme string, sites []string, now time.Time) (known bool, err error) {
	for _, text := range []struct {
		name, value string
		most        int
		needed      bool
	}{{"id", r.ID, 100, true}, {"who", r.Who, maxName, true}, {"unit", r.Unit, maxName, false}, {"agent", r.Agent, maxName, true}, {"purpose", r.Purpose, 200, true}, {"corrects", r.Corrects, 100, false}} {
		if clean(text.value, text.most) != text.value {
			return false, fmt.Errorf("%s: at most %d printable characters on one line", text.name, text.most)
		}
		if text.needed && text.value == "" {
			return false, fmt.Errorf("%s is missing", text.name)
		}
	}
	switch {
	case r.Programme != programme:
		return false, fmt.Errorf("the record is of the programme %q", clean(r.Programme, maxName))
	case !slices.Contains(sites, r.Site):
		return false, fmt.Errorf("there is no site %q", clean(r.Site, maxName))
	case r.Start.IsZero() || !r.End.After(r.Start) || r.End.Sub(r.Start) > longestRelease:
		return false, fmt.Errorf("a release ends after it starts, within 7 days")
	case r.Start.After(now.Add(clocksDiffer)):
		return false, fmt.Errorf("the release starts in the future: only what was released is recorded")
	case math.IsNaN(r.Grams) || r.Grams < 0 || r.Grams > maxReleaseGrams || r.Grams == 0 && r.Corrects == "":
		return false, fmt.Errorf("%g g is outside the allowed range above 0, up to %g", r.Grams, maxReleaseGrams)
	}
	target := false
	for k := range there {
		old := &there[k]
		switch {
		case old.ID == r.ID && old.same(&r):
			return true, nil
		case old.ID == r.ID:
			return false, fmt.Errorf("%q is recorded already, with other values; a correction needs an id of its own", r.ID)
		case r.Corrects != "" && old.Corrects == r.Corrects:
			return false, fmt.Errorf("%q is corrected already, by %q: correct that", r.Corrects, old.ID)
		case r.Corrects != "" && old.ID == r.Corrects:
			target = true
		}
	}
	if r.Corrects != "" && !target {
		return false, fmt.Errorf("corrects: there is no record %q", r.Corrects)
	}
	return false, nil
}

func (r *Release) same(other *Release) bool {
	a, b := *r, *other
	for _, x := range []*Release{&a, &b} {
		x.At, x.Start, x.End = time.Time{}, x.Start.UTC(), x.End.UTC()
	}
	return a == b
}

// InForce are the records that no other corrects, in order of their start.
func InForce(all []Release) []Release {
	corrected := map[string]bool{}
	for k := range all {
		if all[k].Corrects != "" {
			corrected[all[k].Corrects] = true
		}
	}
	kept := []Release{}
	for k := range all {
		if !corrected[all[k].ID] && all[k].Grams > 0 {
			kept = append(kept, all[k])
		}
	}
	slices.SortStableFunc(kept, func(a, b Release) int { return a.Start.Compare(b.Start) })
	return kept
}

// Totals are grams released, of the whole programme and by site.
type Totals struct {
	DayG, SeasonG         float64
	SiteDayG, SiteSeasonG map[string]float64
}

// TotalsAt sums what was released on the local day of a moment, and since the
// local day on which the season began (month and day, such as November 1; the
// newest one not after the moment). A release across an edge counts by its share of
// time; a day has 23 or 25 hours where clocks change.
func TotalsAt(all []Release, at time.Time, zone *time.Location, seasonMonth time.Month, seasonDay int) Totals {
	if zone == nil {
		zone = time.UTC
	}
	local := at.In(zone)
	day := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone)
	next := time.Date(local.Year(), local.Month(), local.Day()+1, 0, 0, 0, 0, zone)
	season := time.Date(local.Year(), seasonMonth, seasonDay, 0, 0, 0, 0, zone)
	if season.After(at) {
		season = time.Date(local.Year()-1, seasonMonth, seasonDay, 0, 0, 0, 0, zone)
	}
	t := Totals{SiteDayG: map[string]float64{}, SiteSeasonG: map[string]float64{}}
	for _, r := range InForce(all) {
		today, whole := r.gramsWithin(day, next), r.gramsWithin(season, next)
		t.DayG += today
		t.SeasonG += whole
		t.SiteDayG[r.Site] += today
		t.SiteSeasonG[r.Site] += whole
	}
	return t
}

// gramsWithin is the share of a release that lies between two moments.
func (r *Release) gramsWithin(from, to time.Time) float64 {
	start, end := r.Start, r.End
	if from.After(start) {
		start = from
	}
	if to.Before(end) {
		end = to
	}
	if !end.After(start) {
		return 0
	}
	return r.Grams * float64(end.Sub(start)) / float64(r.End.Sub(r.Start))
}

// learnRelease takes a release that was recorded. One that was made under a hold
// raises that hold once more, whoever has acknowledged it.
func (e *Engine) learnRelease(s *State, r *Release, now time.Time) []Alert {
	site := e.sites[r.Site]
	if site == nil || r.Programme != e.programme.ID || r.Grams <= 0 {
		return nil
	}
	if r.End.Sub(now) > longestRelease {
		return nil
	}
	state := s.Sites[r.Site]
	again := !r.End.After(state.ReleaseAt) // told already, or of the past
	if !again {
		state.ReleaseAt = r.End.UTC()
		s.Sites[r.Site] = state
	}
	if again || now.Sub(r.End) > 12*time.Hour {
		return nil
	}
	var alerts []Alert
	for _, k := range slices.Sorted(maps.Keys(s.Conditions)) {
		c := s.Conditions[k]
		if c.Topic != topicHold || c.Level < levelUnknown || c.Site != r.Site && c.Site != "" || !r.End.After(c.Began) {
			continue
		}
		var rules []int
		for i := range e.rules {
			if e.rules[i].wants(HoldRaised) && e.rules[i].wantsSite(r.Site) {
				rules = append(rules, i)
			}
		}
		a := e.build(s, []string{k}, rules, HoldRaised, ChangeWorse, now)
		a.Reasons = append([]string{clean(fmt.Sprintf("a release at %s was recorded during this hold, %s to %s UTC, by %s", site.Name, r.Start.UTC().Format("15:04"), r.End.UTC().Format("15:04"), r.Who), maxReason)}, a.Reasons...)
		e.believe(s, a, []string{k}, rules, now)
		alerts = append(alerts, a)
	}
	return alerts
}
