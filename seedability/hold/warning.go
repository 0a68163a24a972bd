package hold

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/seedability/programme"
)

// Common practice, no source.
const (
	// pathAge is the age from which a path says nothing of a release of now.
	pathAge = 90 * time.Minute
	// reachM is how far a path can reach: 180 min at 25 m/s are 270 km.
	reachM = 300e3
)

// does says what a warning does: by its phenomenon and significance (VTEC), else
// by its event codes; of several the most severe. Codes of the warning radio are
// coarse: a Flood Warning that goes on is FLS, as an advisory is. So without VTEC
// the name counts as well where it is more severe. What is not known calls for a
// look.
func does(h *programme.Hold, w *Warning) (Outcome, string) {
	outcomes := map[string]Outcome{programme.EventHolds: Held, programme.EventReviews: Review, programme.EventInforms: Clear}
	var best Outcome
	by := ""
	look := func(key string) {
		if what, ok := outcomes[h.Events[programme.EventKey(key)]]; ok && (best == "" || what.rank() > best.rank()) {
			best, by = what, key
		}
	}
	for _, v := range w.VTEC {
		if !ended(v) {
			look(v.Phenomenon + "." + v.Significance)
		}
	}
	if best == "" {
		for _, code := range w.Codes {
			look(code)
		}
		look(w.Event)
	}
	if best == "" {
		return Review, "a kind of warning that the criterion does not name"
	}
	return best, by
}

// ended: the event of a VTEC string is cancelled, expired or replaced by a
// stronger one, which comes with a string of its own.
func ended(v VTEC) bool {
	return slices.Contains([]string{"CAN", "EXP", "UPG"}, strings.ToUpper(v.Action))
}

// replaced collects the identifiers that an update or a cancellation replaces.
// Only one that is meant in earnest and is not of the future does. Nothing
// replaces itself, nor what was sent later.
func (j *judge) replaced() map[string]bool {
	sent := map[string]time.Time{}
	for i := range j.e.Warnings {
		sent[j.e.Warnings[i].ID] = j.e.Warnings[i].Sent
	}
	gone := map[string]bool{}
	for i := range j.e.Warnings {
		w := &j.e.Warnings[i]
		if !sameName(w.Status, "Actual") || !sameName(w.Message, "Update") && !sameName(w.Message, "Cancel") || w.Sent.After(j.e.At.Add(skew)) {
			continue
		}
		for _, id := range w.References {
			if id != w.ID && !sent[id].After(w.Sent) {
				gone[id] = true
			}
		}
	}
	return gone
}

// inForce reports whether a warning counts at the moment of judgement, a lead
// before its onset included. In doubt it does: it counts without an end, and
// from its beginning where it has no onset. The later of Ends and Expires ends it.
func (j *judge) inForce(h *programme.Hold, w *Warning, gone map[string]bool) bool {
	exercise := slices.ContainsFunc([]string{"Exercise", "System", "Test", "Draft"}, func(s string) bool { return sameName(s, w.Status) })
	noWarning := slices.ContainsFunc([]string{"Cancel", "Ack", "Error"}, func(s string) bool { return sameName(s, w.Message) })
	if exercise || noWarning || gone[w.ID] {
		return false
	}
	if len(w.VTEC) > 0 && !slices.ContainsFunc(w.VTEC, func(v VTEC) bool { return !ended(v) }) {
		return false
	}
	end := w.Ends
	if w.Expires.After(end) {
		end = w.Expires
	}
	if !end.IsZero() && !end.After(j.e.At) && len(w.Doubts) == 0 {
		return false
	}
	return w.Onset.IsZero() || !w.Onset.After(j.e.At.Add(hours(h.ForecastHours)))
}

// active is a warning that counts at the moment of judgement.
type active struct {
	*Warning
	outcome Outcome
	by      string // the code or name that says so
	boxes   []*box // of its areas; nil where one has no bounds
	met     map[string]bool
}

// activeOf lists the warnings that count for a criterion.
func (j *judge) activeOf(h *programme.Hold) []active {
	if list, known := j.active[h.ID]; known {
		return list
	}
	gone := j.replaced()
	list := []active{}
	for i := range j.e.Warnings {
		w := &j.e.Warnings[i]
		if len(h.Feeds) > 0 && w.Feed != "" && !slices.Contains(h.Feeds, w.Feed) || !j.inForce(h, w, gone) {
			continue
		}
		outcome, by := does(h, w)
		if outcome == Clear {
			continue
		}
		one := active{w, outcome, by, make([]*box, len(w.Areas)), map[string]bool{}}
		for k := range w.Areas {
			if a := &w.Areas[k]; a.Polygons != nil && len(a.Circles) == 0 {
				if b, ok := boxOf(a.Polygons); ok {
					one.boxes[k] = &b
				}
			}
		}
		list = append(list, one)
	}
	if j.active == nil {
		j.active = map[string][]active{}
	}
	j.active[h.ID] = list
	return list
}

// warnings judges the warnings in force against a site, its path and its targets.
func (j *judge) warnings(h *programme.Hold, site *programme.Site) verdict {
	feeds := j.feeds(h)
	parts := []verdict{feeds}
	place := j.placeOf(h, site)
	for _, w := range j.activeOf(h) {
		name := cmp.Or(w.Event, w.by)
		near, what := place.near(&w)
		if near == away {
			continue
		}
		in := Input{Name: "warning " + w.ID, State: "used", Time: w.Sent.UTC(), AgeMinutes: minutes(j.e.At.Sub(w.Sent))}
		when := "until further notice"
		if end := maxTime(w.Ends, w.Expires); !end.IsZero() {
			when = "until " + clock(end)
		}
		if w.Onset.After(j.e.At) {
			when = "from " + clock(w.Onset) + " " + when
		}
		if near == meets {
			parts = append(parts, verdict{w.outcome, fmt.Sprintf("%s (%s) %s %s", name, w.by, when, what), "the warning ends, or is cancelled", []Input{in}})
			continue
		}
		// What it would do if it were near, but not known to be.
		in.State = "incomplete"
		maybe := Review
		if w.outcome == Held {
			maybe = Unknown
		}
		parts = append(parts, verdict{maybe, fmt.Sprintf("%s (%s) %s may be near %s: %s", name, w.by, when, site.ID, what), "the area of the warning is known, or the warning ends", []Input{in}})
	}
	if len(parts) == 1 && feeds.outcome == Clear {
		parts[0].reason = "no warning in force that counts at " + site.ID + "; " + feeds.reason
	}
	return worst(parts...)
}

func maxTime(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// feeds judges whether the lists of warnings are complete and recent.
func (j *judge) feeds(h *programme.Hold) verdict {
	maximum := hours(h.MaximumAgeHours)
	names := h.Feeds
	if len(names) == 0 {
		for _, f := range j.e.Feeds {
			if !slices.Contains(names, f.Name) {
				names = append(names, f.Name)
			}
		}
	}
	if len(names) == 0 {
		in := Input{Name: "list of warnings", State: "missing", MaximumMinutes: minutes(maximum)}
		return unknown(in, "the list of warnings is missing")
	}
	var parts []verdict
	for _, name := range names {
		var list []sample
		for _, f := range j.e.Feeds {
			if f.Name != name {
				continue
			}
			s := usable(0, "", nil)
			s.at = f.AsOf
			if f.Unreadable > 0 {
				s.trouble, s.why = "incomplete", fmt.Sprintf("has %d warnings that cannot be read", f.Unreadable)
			}
			list = append(list, s)
		}
		newest, in, bad := j.newest("list of warnings "+name, list, maximum)
		in.Value = nil
		if bad != nil {
			bad.inputs[0].Value = nil
			parts = append(parts, *bad)
			continue
		}
		parts = append(parts, verdict{Clear, fmt.Sprintf("list of warnings %s %s old", name, span(j.e.At.Sub(newest[0].at))), "", []Input{in}})
	}
	return worst(parts...)
}

// nearness of a warning.
type nearness int

const (
	away nearness = iota
	perhaps
	meets
)

// place is what warnings are held against, in the plane of the site.
type place struct {
	plane    plane
	marginM  float64
	site     *point
	siteID   string
	targets  []*targetShape
	path     []point
	spreadM  []float64
	pathWhy  string // why the path cannot be compared; empty where it can, or need not
	needPath bool
	// min and max bound everything that a warning could be near to.
	min, max point
	zones    map[string][]string // by what lies in them
}

// targetShape is a target in a plane of its own, so that a warning is compared
// with it once and not for each site.
type targetShape struct {
	id                   string
	plane                plane
	shape                shape
	southWest, northEast grid.LatLon
}

// targetShape makes the shape of a target, once.
func (j *judge) targetShape(target *programme.Target) (*targetShape, bool) {
	if s, known := j.targets[target.ID]; known {
		return s, s != nil
	}
	if j.targets == nil {
		j.targets = map[string]*targetShape{}
	}
	bounds := target.Area.Bounds()
	s := &targetShape{id: target.ID, southWest: grid.LatLon{LatitudeDeg: bounds.Min(1), LongitudeDeg: bounds.Min(0)}, northEast: grid.LatLon{LatitudeDeg: bounds.Max(1), LongitudeDeg: bounds.Max(0)}}
	s.plane = planeAt(grid.LatLon{LatitudeDeg: (bounds.Min(1) + bounds.Max(1)) / 2, LongitudeDeg: (bounds.Min(0) + bounds.Max(0)) / 2})
	var ok bool
	if s.shape, ok = s.plane.shape(target.Area); !ok {
		s = nil // Parse lets no such target through
	}
	j.targets[target.ID] = s
	return s, ok
}

func (j *judge) placeOf(h *programme.Hold, site *programme.Site) *place {
	at := site.Place()
	p := &place{plane: planeAt(at), marginM: h.NearKM*1000*marginShare + touchingM, siteID: site.ID, zones: map[string][]string{}}
	if slices.Contains(h.Near, "site") || slices.Contains(h.Near, "path") {
		p.zones["site "+site.ID] = site.Zones
	}
	if slices.Contains(h.Near, "site") {
		origin := p.plane.point(at)
		p.site = &origin
	}
	if slices.Contains(h.Near, "target") {
		for _, target := range j.p.TargetsOf(site) {
			if !slices.Contains(h.TargetIDs, target.ID) {
				continue
			}
			if s, ok := j.targetShape(target); ok {
				p.targets = append(p.targets, s)
			}
			p.zones["target "+target.ID] = target.Zones
		}
	}
	if slices.Contains(h.Near, "path") {
		p.needPath = true
		p.takePath(j, site.ID)
	}
	p.bound()
	return p
}

// bound finds min and max.
func (p *place) bound() {
	inf := math.Inf(1)
	p.min, p.max = point{inf, inf}, point{-inf, -inf}
	take := func(low, high point, marginM float64) {
		marginM += p.marginM + touchingM
		p.min = point{math.Min(p.min.x, low.x-marginM), math.Min(p.min.y, low.y-marginM)}
		p.max = point{math.Max(p.max.x, high.x+marginM), math.Max(p.max.y, high.y+marginM)}
	}
	if p.site != nil {
		take(*p.site, *p.site, 0)
	}
	for i := range p.targets {
		take(p.plane.point(p.targets[i].southWest), p.plane.point(p.targets[i].northEast), 0)
	}
	widest := 0.0
	for _, spread := range p.spreadM {
		widest = math.Max(widest, spread)
	}
	for _, at := range p.path {
		take(at, at, spreadFactor*marginShare*widest)
	}
	if p.needPath && p.pathWhy != "" {
		take(point{}, point{}, reachM)
	}
}

// takePath takes the newest path of a site.
func (p *place) takePath(j *judge, site string) {
	var newest *Path
	for i := range j.e.Paths {
		if path := &j.e.Paths[i]; path.Site == site && (newest == nil || path.Time.After(newest.Time)) {
			newest = path
		}
	}
	if newest == nil || len(newest.Points) == 0 {
		p.pathWhy = "the path of the plume is missing"
		return
	}
	if state, why := j.timely(newest.Time, pathAge); state != "" {
		p.pathWhy = "the path of the plume " + why
		return
	}
	for _, step := range newest.Points {
		if !(math.Abs(step.Place.LatitudeDeg) <= 90) || !(math.Abs(step.Place.LongitudeDeg) <= 540) || !(step.SpreadM >= 0) || math.IsInf(step.SpreadM, 0) {
			p.path, p.spreadM, p.pathWhy = nil, nil, "the path of the plume has a point that is no place"
			return
		}
		p.path, p.spreadM = append(p.path, p.plane.point(step.Place)), append(p.spreadM, step.SpreadM)
	}
}

// near says how a warning lies to the place. Each of its areas is compared by its
// polygons and circles, and only without these by its zones.
func (p *place) near(w *active) (nearness, string) {
	if len(w.Areas) == 0 {
		return perhaps, "it has no area"
	}
	result, what := away, ""
	for i := range w.Areas {
		if b := w.boxes[i]; b != nil && p.plane.apart(*b, p.min, p.max) {
			continue
		}
		n, text := p.nearArea(w, i)
		if n > result {
			result, what = n, text
		}
	}
	if result == away && len(w.Doubts) > 0 {
		return perhaps, "parts of it cannot be read: " + strings.Join(w.Doubts, ", ")
	}
	return result, what
}

func (p *place) nearArea(w *active, index int) (nearness, string) {
	a := &w.Areas[index]
	if a.Polygons == nil && len(a.Circles) == 0 {
		return p.nearZones(a.Zones)
	}
	area, ok := p.plane.area(a)
	if !ok {
		if len(a.Zones) > 0 {
			if n, text := p.nearZones(a.Zones); n == meets {
				return n, text
			}
		}
		return perhaps, "its polygon is no area"
	}
	if p.site != nil && area.nearSegment(*p.site, *p.site, p.marginM) {
		return meets, "covers the site " + p.siteID
	}
	for i := range p.targets {
		if w.meetsTarget(index, p.targets[i], p.marginM) {
			return meets, "meets the target " + p.targets[i].id
		}
	}
	if p.needPath {
		switch {
		case p.pathWhy == "" && area.nearPath(p.path, p.spreadM, p.marginM):
			return meets, "meets the path of the plume from " + p.siteID
		case p.pathWhy != "":
			origin := point{}
			if area.nearSegment(origin, origin, reachM+p.marginM) {
				return perhaps, p.pathWhy
			}
		}
	}
	return away, ""
}

// meetsTarget compares one area with a target, once. Every site has the margin of
// the criterion.
func (w *active) meetsTarget(index int, target *targetShape, marginM float64) bool {
	key := fmt.Sprintf("%d %s", index, target.id)
	if met, known := w.met[key]; known {
		return met
	}
	area, ok := target.plane.area(&w.Areas[index])
	met := !ok || area.nearShape(&target.shape, marginM)
	w.met[key] = met
	return met
}

var ugcForm = regexp.MustCompile(`^[A-Z]{2}([CZ])[0-9]{3}$`)

// scheme is the list that a zone code is from: codes of one scheme can be
// compared. Z: public, fire or marine zones; C: counties; SAME: six digits.
func scheme(code string) string {
	if m := ugcForm.FindStringSubmatch(code); m != nil {
		return m[1]
	}
	digits := strings.TrimLeft(code, "0123456789") == ""
	switch {
	case digits && (len(code) == 5 || len(code) == 6):
		return "SAME"
	}
	return "other " + strings.TrimRight(code, "0123456789")
}

func zoneKey(code string) string {
	code = strings.ToUpper(strings.TrimSpace(code))
	if scheme(code) == "SAME" && len(code) == 5 {
		return "0" + code // a county without the digit for its part
	}
	return code
}

// nearZones compares zone codes. Where the programme lists no zone of the same
// scheme for the site or for a target, nobody knows how they lie to each other.
// The codes of all of a state, and of a whole county where a part is listed, are
// not resolved: they are compared as they stand, except that SAME codes with 000
// for the county stand for every county of the state.
func (p *place) nearZones(codes []string) (nearness, string) {
	if len(codes) == 0 {
		return perhaps, "it has neither a polygon nor zones"
	}
	names := make([]string, 0, len(p.zones))
	for name := range p.zones {
		names = append(names, name)
	}
	slices.Sort(names)
	result, what := away, ""
	for _, name := range names {
		compared := false
		for _, own := range p.zones[name] {
			own = zoneKey(own)
			for _, code := range codes {
				code = zoneKey(code)
				if scheme(own) != scheme(code) {
					continue
				}
				compared = true
				if sameZone(own, code) {
					return meets, fmt.Sprintf("is in force for %s, in which %s lies", code, name)
				}
			}
		}
		if !compared {
			result, what = perhaps, fmt.Sprintf("it is given by zones (%s), and the programme lists none of their kind for %s", strings.Join(codes[:min(len(codes), 3)], ", "), name)
		}
	}
	return result, what
}

// sameZone compares two codes of one scheme. The first of six SAME digits is a
// part of the county, 0 for all of it; a county 000 is all of the state.
func sameZone(a, b string) bool {
	if a == b {
		return true
	}
	if scheme(a) != "SAME" || len(a) != 6 || len(b) != 6 || a[1:3] != b[1:3] {
		return false
	}
	whole := a[3:] == "000" || b[3:] == "000"
	return whole || a[3:] == b[3:] && (a[0] == '0' || b[0] == '0')
}
