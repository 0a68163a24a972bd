package report

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
)

// Observation is one row of a file, in the unit of its quantity.
type Observation struct {
	Time     time.Time     // of the end of its period, or of the moment
	Period   time.Duration // 0: a moment
	Value    float64       // NaN where missing
	Quantity int           // of Quantities
	// Site of the programme, or Place that is mapped to sites.
	Site, Place string
}

// Observations are all rows, in series of one quantity at one place.
type Observations struct {
	// Places maps the places of files to sites.
	Places map[string][]string
	// Sites are those of the programme; others are counted and left out.
	Sites []string
	// Now: an observation that is later is refused.
	Now time.Time

	thresholds []float64
	series     map[seriesKey]*series
	rows       int
	unknown    map[string]int // rows of places that belong to no site
	repeated   int
	unrated    int // changes of a pillow over more than a day
	ready      bool
}

type seriesKey struct {
	quantity    int
	site, place string
}

// series is the observations of one quantity at one place for one site, by time.
type series struct {
	seriesKey
	at []observed
}

type observed struct {
	start, end int64 // seconds; equal for a moment
	value      float64
	where      string // file and line, for conflicts
}

// maxObservations of all files.
const maxObservations = 5_000_000

// longestChange of a pillow: over more than a day nobody can say to which release it
// belongs.
const longestChange = 25 * time.Hour

// NewObservations makes an empty set. Places maps names of places to ids of sites.
func NewObservations(sites []string, places map[string][]string, now time.Time) (*Observations, error) {
	o := &Observations{Places: places, Sites: sites, Now: now, series: map[seriesKey]*series{}, unknown: map[string]int{}}
	for k := range Quantities {
		o.thresholds = append(o.thresholds, Quantities[k].Event)
	}
	for _, place := range sortedKeys(places) {
		for _, site := range places[place] {
			if len(sites) > 0 && !slices.Contains(sites, site) {
				return nil, fmt.Errorf("place %q: the archive has no site %q; it has %s", place, site, strings.Join(sites, ", "))
			}
		}
	}
	return o, nil
}

// Rows that were taken.
func (o *Observations) Rows() int { return o.rows }

// add takes one observation; where is its file and line.
func (o *Observations) add(x Observation, where string) error {
	if o.rows++; o.rows > maxObservations {
		return fmt.Errorf("%s: more than %d observations", where, maxObservations)
	}
	sites, place := []string{x.Site}, x.Place
	if x.Site == "" {
		sites = o.Places[x.Place]
	}
	if len(sites) == 0 || x.Site != "" && !slices.Contains(o.Sites, x.Site) {
		name := x.Place
		if x.Site != "" {
			name = "site " + x.Site
		}
		if len(o.unknown) < 1000 {
			o.unknown[name]++
		} else {
			o.unknown["other places"]++
		}
		return nil
	}
	end := x.Time.Unix()
	for _, site := range sites {
		key := seriesKey{x.Quantity, site, place}
		s := o.series[key]
		if s == nil {
			s = &series{seriesKey: key}
			o.series[key] = s
		}
		s.at = append(s.at, observed{start: end - int64(x.Period/time.Second), end: end, value: x.Value, where: where})
	}
	o.ready = false
	return nil
}

// Close sorts the rows. Two rows of one quantity, place and time that say different
// things are an error that names both.
func (o *Observations) Close() error {
	if o.ready {
		return nil
	}
	o.ready = true
	var failed []error
	for _, s := range o.all() {
		slices.SortStableFunc(s.at, func(a, b observed) int {
			switch {
			case a.end < b.end:
				return -1
			case a.end > b.end:
				return 1
			}
			return 0
		})
		kept := s.at[:0]
		for _, x := range s.at {
			n := len(kept)
			if n > 0 && kept[n-1].end == x.end && kept[n-1].start == x.start {
				old := &kept[n-1]
				switch {
				case old.value == x.value || math.IsNaN(x.value):
					o.repeated++
				case math.IsNaN(old.value):
					o.repeated++
					*old = x
				default:
					if len(failed) < maxProblems {
						failed = append(failed, fmt.Errorf("%s: %s at %s is %v, but %s says %v", x.where, Quantities[s.quantity].Name, clock(time.Unix(x.end, 0)), x.value, old.where, old.value))
					}
				}
				continue
			}
			kept = append(kept, x)
		}
		s.at = kept
		if Quantities[s.quantity].Cumulative {
			s.at = o.changes(s.at)
		}
	}
	return errors.Join(failed...)
}

// changes from each observation to the next.
func (o *Observations) changes(at []observed) []observed {
	var changes []observed
	last := -1
	for k := range at {
		if math.IsNaN(at[k].value) {
			continue
		}
		if last >= 0 {
			if at[k].end-at[last].end > int64(longestChange/time.Second) {
				o.unrated++
			} else {
				changes = append(changes, observed{start: at[last].end, end: at[k].end, value: at[k].value - at[last].value, where: at[k].where})
			}
		}
		last = k
	}
	return changes
}

// all series, in order of quantity, site and place.
func (o *Observations) all() []*series {
	list := make([]*series, 0, len(o.series))
	for _, s := range o.series {
		list = append(list, s)
	}
	sort.Slice(list, func(i, j int) bool {
		a, b := list[i], list[j]
		switch {
		case a.quantity != b.quantity:
			return a.quantity < b.quantity
		case a.site != b.site:
			return a.site < b.site
		}
		return a.place < b.place
	})
	return list
}

// find gives the observation that holds at a moment: whose period ends at it or later
// and begins before it, or else the moment nearest to it within a tolerance.
func (s *series) find(at, tolerance int64) (*observed, bool) {
	k, _ := slices.BinarySearchFunc(s.at, at, func(x observed, at int64) int {
		if x.end < at {
			return -1
		}
		return 1
	})
	if k < len(s.at) && s.at[k].start < at && s.at[k].start < s.at[k].end {
		return &s.at[k], true
	}
	var best *observed
	for _, i := range []int{k - 1, k} {
		if i < 0 || i >= len(s.at) || s.at[i].start != s.at[i].end {
			continue
		}
		if off := abs(s.at[i].end - at); off <= tolerance && (best == nil || off < abs(best.end-at)) {
			best = &s.at[i]
		}
	}
	return best, best != nil
}

func abs(x int64) int64 {
	if x < 0 {
		return -x
	}
	return x
}
