package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"runtime"
	"slices"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/drift"
	"rimeline/seedability/hindcast"
	"rimeline/seedability/liquid"
	"rimeline/seedability/programme"
)

const (
	// maxHindcastHours of all sites are held in memory, some 200 bytes each.
	maxHindcastHours = 20_000_000
	// blockReleases are judged in one box of air. Each box is built anew, with the states
	// that the last releases need beyond: more releases cost memory, fewer cost time.
	blockReleases = 12
	// blockBytes of fields and of the box that is built of them, about.
	blockBytes = 1 << 30
)

// overSiteWindow: in which a column over a site is said to have supercooled liquid.
var overSiteWindow = liquid.Window{ColdestK: 253.15, WarmestK: 268.15}

// Why hours are missing.
const (
	whyNoState  = "no model state within the longest gap"
	whyEnds     = "the model states end before the plume does"
	whyOffGrid  = "the site is outside of the model's area"
	whyNoBox    = "no atmosphere could be built"
	whyNoSpread = "the release could not be followed"
)

// releases lists the times that are asked for.
func (j *hindcastJob) releases() ([]time.Time, error) {
	times := j.files.times
	if j.from.IsZero() {
		j.from = times[0].Truncate(j.Every)
		if j.from.Before(times[0]) {
			j.from = j.from.Add(j.Every)
		}
	}
	if j.to.IsZero() {
		j.to = times[len(times)-1].Add(1)
		if !j.to.After(j.from) {
			j.to = j.from.Add(1)
		}
	}
	n := int64(j.to.Sub(j.from)/j.Every) + 1
	if n*int64(len(j.sites)) > maxHindcastHours {
		return nil, usageError(fmt.Sprintf("--from, --to, --every: %d releases of %d sites, at most %d are judged at once", n, len(j.sites), maxHindcastHours))
	}
	var all []time.Time
	for t := j.from; t.Before(j.to); t = t.Add(j.Every) {
		all = append(all, t)
	}
	j.to = all[len(all)-1].Add(j.Every)
	return all, nil
}

// stateSpan is the states that a release needs: from the last at or before it to the first at
// or after the longest drift, without a gap that is too long. whole is false where the
// states end earlier. No span where the release itself lies in no gap that is allowed.
type stateSpan struct {
	first, last int
	whole       bool
}

func (j *hindcastJob) spanOf(release time.Time) (s stateSpan, ok bool) {
	times := j.files.times
	after := sort.Search(len(times), func(k int) bool { return !times[k].Before(release) }) // at or after
	if after == len(times) {
		return s, false
	}
	s.first, s.last = after, after
	if times[after].After(release) {
		if after == 0 || times[after].Sub(times[after-1]) > j.Gap {
			return s, false
		}
		s.first = after - 1
	}
	until := release.Add(j.longest())
	for times[s.last].Before(until) && s.last+1 < len(times) && times[s.last+1].Sub(times[s.last]) <= j.Gap {
		s.last++
	}
	s.whole = !times[s.last].Before(until)
	return s, s.last > s.first || s.whole
}

// longest is the time from a release to the end of its last particle.
func (j *hindcastJob) longest() time.Duration {
	burn := seedability.ContinuousBurn
	for _, site := range j.sites {
		burn = max(burn, site.Agent.ReleaseDuration())
	}
	return burn + j.method.Drift.MaxDuration + 2*j.method.Drift.Step
}

// judge assesses every release of every site, a stretch at a time.
func (j *hindcastJob) judge() error {
	releases, err := j.releases()
	if err != nil {
		return err
	}
	j.loader.prepare(j)
	defer j.loader.close()
	key := j.keyOf()
	began := time.Now()
	for at := 0; at < len(releases); {
		if err := j.env.Err(); err != nil {
			return err
		}
		first, ok := j.spanOf(releases[at])
		if !ok {
			why := whyNoState
			if _, exact := slices.BinarySearchFunc(j.files.times, releases[at], time.Time.Compare); exact {
				why = whyEnds
			}
			j.missing(j.sites, releases[at], why)
			at++
			continue
		}
		// Releases whose states follow on each other without a gap.
		block, last := []time.Time{releases[at]}, first.last
		for n := at + 1; n < len(releases) && len(block) < blockReleases; n++ {
			s, ok := j.spanOf(releases[n])
			if !ok || s.first > last || s.last-first.first+1 > j.mostStates() && s.last > last {
				break
			}
			block, last = append(block, releases[n]), max(last, s.last)
		}
		j.loader.forget(j.files.times[first.first])
		done, err := j.block(key, block, first.first, last)
		if err != nil {
			return err
		}
		at += done
		j.showProgress(at, len(releases), began)
	}
	j.judging = time.Since(began)
	return nil
}

// mostStates of a box: bounded by what those in mind take. The box takes more than
// twice of the fields, since it has more levels.
func (j *hindcastJob) mostStates() int {
	largest := int64(0)
	for _, s := range j.loader.known {
		if s != nil {
			largest = max(largest, s.bytes)
		}
	}
	if largest == 0 {
		return 8 // nothing is known of their size yet
	}
	return int(min(max(blockBytes/(4*largest), 4), 64))
}

func (j *hindcastJob) showProgress(done, of int, began time.Time) {
	left := ""
	if since := time.Since(began); j.assessed > 0 && done < of {
		left = fmt.Sprintf(", %s left", time.Duration(float64(since)/float64(done)*float64(of-done)).Round(time.Second))
	}
	j.progress("%d of %d releases%s", done, of, left)
}

func (j *hindcastJob) missing(sites []*programme.Site, release time.Time, why string) {
	for _, site := range sites {
		j.hours = append(j.hours, hindcast.Hour{Site: site.ID, Time: release, Outcome: hindcast.Missing, Why: why})
	}
}

// sitesOn a grid of fields.
func (j *hindcastJob) sitesOn(fields []*grid.Field) (on []grid.LatLon) {
	for _, f := range fields {
		if f.StandardName == "air_temperature" && grid.ServesAtmosphere(f) {
			for _, site := range j.sites {
				if _, _, ok := f.Grid.Locate(site.Place()); ok {
					on = append(on, site.Place())
				}
			}
			return on
		}
	}
	return nil
}

// block judges releases in one box of states. It says how many of the releases were
// dealt with: fewer where a state turned out to be unusable.
func (j *hindcastJob) block(key string, releases []time.Time, first, last int) (done int, err error) {
	var wanted []int
	for k := first; k <= last; k++ {
		wanted = append(wanted, k)
	}
	// What an earlier run judged from the same is taken over.
	left := releases
	if j.state != nil {
		for len(left) > 0 {
			s, _ := j.spanOf(left[0])
			var of []int
			for k := s.first; k <= s.last; k++ {
				of = append(of, k)
			}
			hours, ok := j.state.have(j.files.digest(key, of), left[0], len(j.sites))
			if !ok {
				break
			}
			j.hours = append(j.hours, hours...)
			j.taken += len(hours)
			left = left[1:]
		}
		if len(left) < len(releases) {
			return len(releases) - len(left), nil // the rest in a box that begins with it
		}
	}
	digests := make([]string, len(releases))
	for k, release := range releases {
		s, _ := j.spanOf(release)
		var of []int
		for n := s.first; n <= s.last; n++ {
			of = append(of, n)
		}
		digests[k] = j.files.digest(key, of)
	}
	var fields []*grid.Field
	leads := map[int64]time.Duration{}
	for _, k := range wanted {
		loaded := j.loader.at(k)
		if err := j.env.Err(); err != nil {
			return 0, err
		}
		if loaded == nil {
			return 0, j.without(k)
		}
		fields = append(fields, loaded.fields...)
		leads[loaded.state.valid.UnixNano()] = loaded.state.lead()
	}
	start := len(j.hours)
	places := j.sitesOn(fields)
	var sites []*programme.Site
	for _, site := range j.sites {
		if slices.Contains(places, site.Place()) {
			sites = append(sites, site)
		} else {
			for _, release := range releases {
				j.missing([]*programme.Site{site}, release, whyOffGrid)
			}
		}
	}
	if len(sites) > 0 {
		air, err := grid.BuildAtmosphere(j.loader.complete(fields), grid.AtmosphereOptions{Domain: places, MarginM: domainMarginM + siteToTargetM(j.programme), Member: j.Member})
		if odd := j.loader.odd(wanted); err != nil && odd >= 0 {
			return 0, j.refuse(odd, err)
		}
		if err != nil {
			j.fail(fmt.Errorf("%s to %s: %w", j.files.times[first].Format("2006-01-02T15:04Z"), j.files.times[last].Format("2006-01-02T15:04Z"), err))
			for _, release := range releases {
				j.missing(sites, release, whyNoBox)
			}
		} else {
			j.loader.note(air.Notes())
			hours, err := j.assessBlock(air, sites, releases, leads)
			if err != nil {
				return 0, err
			}
			j.hours = append(j.hours, hours...)
		}
	}
	if j.state == nil {
		return len(releases), nil
	}
	// Hours that are missing for what may be mended are not remembered.
	byRelease := map[int64][]hindcast.Hour{}
	for _, h := range j.hours[start:] {
		byRelease[h.Time.UnixNano()] = append(byRelease[h.Time.UnixNano()], h)
	}
	for k, release := range releases {
		hours := byRelease[release.UnixNano()]
		if slices.ContainsFunc(hours, func(h hindcast.Hour) bool { return h.Why == whyNoBox }) {
			continue
		}
		if err := j.state.add(digests[k], hours); err != nil {
			return 0, err
		}
	}
	return len(releases), j.state.flush()
}

// without a time of which there is no state that can be used the gap may be too long:
// the releases are looked at again.
func (j *hindcastJob) without(k int) error {
	j.files.times = slices.Delete(j.files.times, k, k+1)
	j.files.states = slices.Delete(j.files.states, k, k+1)
	if len(j.files.times) == 0 {
		return errors.New("no model state could be read")
	}
	return nil
}

// refuse a state that does not go with its neighbours; the run before may have the time
// too.
func (j *hindcastJob) refuse(k int, why error) error {
	valid := j.files.times[k].UnixNano()
	loaded := j.loader.known[valid]
	delete(j.loader.known, valid)
	path := ""
	if len(loaded.state.files) > 0 {
		path = j.files.files[loaded.state.files[0]].path + ": "
	}
	j.fail(fmt.Errorf("%s%s of the run of %s has %d fields, which the states about it do not have or have more: %w", path, loaded.state.valid.Format("2006-01-02T15:04Z"), loaded.state.reference.UTC().Format("2006-01-02T15:04Z"), len(loaded.fields), why))
	left := slices.DeleteFunc(j.files.states[k], func(s *modelState) bool { return s == loaded.state })
	if j.files.states[k] = left; len(left) == 0 {
		return j.without(k)
	}
	return nil
}

// odd is the state whose fields differ from those of most; -1 where all are alike.
func (l *stateLoader) odd(numbers []int) int {
	kinds := map[string][]int{}
	for _, k := range numbers {
		s := l.known[l.job.files.times[k].UnixNano()]
		if s == nil {
			continue
		}
		var names []string
		for _, f := range s.fields {
			names = append(names, fmt.Sprintf("%s %s %g", f.StandardName, f.Level.Type, f.Level.Value))
		}
		slices.Sort(names)
		name := strings.Join(slices.Compact(names), "\n")
		kinds[name] = append(kinds[name], k)
	}
	if len(kinds) < 2 {
		return -1
	}
	// The rarest kind; of those as rare the one with fewer fields, then the first.
	rarest := slices.MinFunc(slices.Collect(maps.Keys(kinds)), func(a, b string) int {
		return cmp.Or(cmp.Compare(len(kinds[a]), len(kinds[b])), cmp.Compare(strings.Count(a, "\n"), strings.Count(b, "\n")), cmp.Compare(kinds[a][0], kinds[b][0]))
	})
	return kinds[rarest][0]
}

// assessBlock assesses sites and releases side by side. The order of the result is
// that of releases, and of sites within.
func (j *hindcastJob) assessBlock(air *grid.Atmosphere, sites []*programme.Site, releases []time.Time, leads map[int64]time.Duration) ([]hindcast.Hour, error) {
	hours := make([]hindcast.Hour, len(sites)*len(releases))
	errs := make([]error, len(hours))
	of := make([]seedability.Site, len(sites))
	for k, site := range sites {
		of[k] = j.siteOf(site)
	}
	evidence := seedability.Evidence{Atmosphere: air, ModelLabel: j.files.grid}
	var next atomic.Int64
	var group sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(hours)) {
		group.Go(func() {
			for {
				k := int(next.Add(1)) - 1
				if k >= len(hours) || j.env.Err() != nil {
					return
				}
				hours[k], errs[k] = j.assessHour(air, evidence, of[k%len(sites)], releases[k/len(sites)], leads)
			}
		})
	}
	group.Wait()
	if err := j.env.Err(); err != nil {
		return nil, err
	}
	for _, err := range errs {
		if err != nil {
			j.fail(err)
		}
	}
	j.assessed += len(hours)
	return hours, nil
}

func (j *hindcastJob) assessHour(air *grid.Atmosphere, evidence seedability.Evidence, site seedability.Site, release time.Time, leads map[int64]time.Duration) (hindcast.Hour, error) {
	missing := hindcast.Hour{Site: site.ID, Time: release, Outcome: hindcast.Missing}
	lead := leadAt(air.Times(), leads, release)
	// The model counts as old as the lead of the states about the release, whatever
	// runs the rest of the box is from.
	asOf := air.ReferenceTime().Add(lead)
	if j.AsAnalysis {
		asOf = air.ReferenceTime() // that of each state is its valid time then
	}
	a, err := seedability.Assess(j.env, j.programme.ID, site, release, asOf, evidence, j.method)
	if err != nil {
		missing.Why = whyNoSpread
		if errors.Is(err, drift.ErrNoRelease) || j.env.Err() != nil {
			return missing, nil
		}
		return missing, fmt.Errorf("site %s, release at %s: %w", site.ID, release.Format("2006-01-02T15:04Z"), err)
	}
	_, end := air.TimeRange()
	if a.Transport.Fates[drift.RanOutOfTime.String()] > 0 && end.Before(release.Add(j.longest())) {
		missing.Why = whyEnds
		return missing, nil
	}
	h := hindcast.HourOf(&a, j.method)
	h.Time, h.LeadHours = release, math.Round(lead.Hours()*1e4)/1e4
	if air.HasCloudWater() {
		if column, ok := air.CloudColumnAt(site.Place, release); ok {
			h.OverSiteMM = overSite(column)
		}
	}
	return h, nil
}

// leadAt is the longer lead of the two states about a moment.
func leadAt(times []time.Time, leads map[int64]time.Duration, at time.Time) time.Duration {
	after := sort.Search(len(times), func(k int) bool { return !times[k].Before(at) })
	if after == len(times) {
		after--
	}
	lead := leads[times[after].UnixNano()]
	if times[after].After(at) && after > 0 {
		lead = max(lead, leads[times[after-1].UnixNano()])
	}
	return lead
}

// overSite integrates the cloud water of a column.
func overSite(column grid.Column) *float64 {
	var samples []liquid.Sample
	for _, level := range column.Levels {
		if !math.IsNaN(level.CloudLiquidKgPerKg) {
			// The density of dry air is within 0.5 % of that of moist air below 0 °C.
			samples = append(samples, liquid.Sample{AltitudeM: level.AltitudeM, AirTemperatureK: level.AirTemperatureK, LiquidKgPerM3: level.CloudLiquidKgPerKg * level.PressurePa / (287.05 * level.AirTemperatureK)})
		}
	}
	mm := math.Round(liquid.Integrate(samples, overSiteWindow).KgPerM2*1e4) / 1e4
	if math.IsNaN(mm) {
		return nil
	}
	return &mm
}

// note keeps what boxes say, each once.
func (l *stateLoader) note(notes []string) {
	for _, note := range notes {
		if strings.HasPrefix(note, "fields of ") {
			continue // several runs in a box, which is what is wanted here
		}
		if len(l.notes) < 50 && !slices.Contains(l.notes, note) {
			l.notes = append(l.notes, note)
		}
	}
}
