package seedability

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Outlook is what is known of one site for release times from now to the end of
// the model run, with the windows in it and how they moved.
type Outlook struct {
	Programme string  `json:"programme"`
	Site      SiteRef `json:"site"`
	// IssuedAt is the moment whose knowledge counts (AsOf of the assessments).
	IssuedAt time.Time `json:"issued_at"`
	// ModelReferenceTime is when the model run began; left out where no
	// assessment names one.
	ModelReferenceTime time.Time `json:"model_reference_time,omitzero"`
	// From and To are the first and the last release time.
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// SinceRun is the model run that Moved, New and Gone compare with: the one
	// before this outlook's own. Left out where none is known.
	SinceRun time.Time        `json:"since_run,omitzero"`
	Releases []OutlookRelease `json:"releases"`
	Windows  []Window         `json:"windows"`
	// Gone are windows that SinceRun showed in a time that is judged now, and that
	// have no counterpart.
	Gone []Window `json:"gone"`
	// Inputs are those of all assessments, each once.
	Inputs   []Input  `json:"inputs"`
	Notes    []string `json:"notes"`
	Cautions []string `json:"cautions"`
	// Standing of the site when the outlook was made; set by the caller.
	Standing *Standing `json:"standing,omitempty"`
	// Basis is what a service made it from; left out elsewhere.
	Basis *Basis `json:"basis,omitempty"`
}

// OutlookRelease is one release time of an outlook.
type OutlookRelease struct {
	ReleaseTime time.Time `json:"release_time"`
	// LeadMinutes from IssuedAt to the release.
	LeadMinutes       float64  `json:"lead_minutes"`
	Score             *float64 `json:"score"`
	Opportunity       *float64 `json:"opportunity"`
	TargetProbability *float64 `json:"target_probability"`
	Confidence        float64  `json:"confidence"`
	// State is window, quiet, blind or hold, of this release alone.
	State State `json:"state"`
	// Reason of a release that is not judged; empty for others.
	Reason string `json:"reason,omitempty"`
	// Medians over the members that got there, in minutes after release.
	ActivationMinutes *float64 `json:"activation_minutes"`
	LandingMinutes    *float64 `json:"landing_minutes"`
}

// Window is a stretch of release times that reach Limits.WindowScore.
type Window struct {
	Start time.Time `json:"start"`
	Best  time.Time `json:"best"`
	End   time.Time `json:"end"`
	// StartsBefore: the first release of the outlook is in the window already;
	// EndsAfter: the last one still is.
	StartsBefore bool `json:"starts_before"`
	EndsAfter    bool `json:"ends_after"`
	// AfterBlind and BeforeBlind: the release next to the edge is not judged, so
	// the window may be longer than said.
	AfterBlind  bool `json:"after_blind,omitempty"`
	BeforeBlind bool `json:"before_blind,omitempty"`
	// Releases is how many release times of the outlook lie in it.
	Releases int `json:"releases"`
	// PeakScore, Confidence, Targets and Dose are of the release with the highest
	// score. Dose is left out where an older program made the outlook.
	PeakScore  float64        `json:"peak_score"`
	Confidence float64        `json:"confidence"`
	Targets    []WindowTarget `json:"targets"`
	Dose       *Dose          `json:"dose,omitempty"`
	// Moved says how the window lies against the run before; null without
	// counterpart. New: that run judged this time and showed none.
	Moved *Move `json:"moved,omitempty"`
	New   bool  `json:"new,omitempty"`
}

// WindowTarget is a target at the best release of a window.
type WindowTarget struct {
	ID          string  `json:"id"`
	Name        string  `json:"name"`
	Probability float64 `json:"probability"`
}

// Move is how much later a window lies than the run SinceRun had it, negative for
// earlier. Null where the span or a blind release cuts that edge off in one of
// the two; for the best time, where it lies at such an edge.
type Move struct {
	StartMinutes *float64  `json:"start_minutes"`
	BestMinutes  *float64  `json:"best_minutes"`
	EndMinutes   *float64  `json:"end_minutes"`
	SinceRun     time.Time `json:"since_run,omitzero"`
}

// matchWithin: windows of two outlooks whose best times lie farther apart, and
// that do not overlap, are two events. Common practice, no source.
const matchWithin = 3 * time.Hour

// NewOutlook puts the assessments of one site and one moment together, release
// times rising. previous is the outlook before this one, nil for none: of an
// earlier run, or of the same, from which the comparison with the run before is
// then carried on.
//
// A window is a longest row of neighbouring releases that all reach
// limits.WindowScore with enough confidence. Nothing is smoothed: one release
// below the limit ends a window, and one release that reaches it makes one
// (Window.Releases says 1). The particles of neighbouring releases are drawn
// from the same seed, so that a lone dip or spike is in the air and not in the
// draw, and who acts on the window meets it. A release that is blind or held
// ends a window too, and a note names it.
//
// The edges are where the straight line between the scores of two releases
// meets the limit; beside a release without judgement, and at the ends of the
// span, the edge is the last release inside. Best is the vertex of the parabola
// through the highest score and those of its neighbours (Lagrange; exact for a
// score that is quadratic in time), or the highest release itself where a
// neighbour is missing. Times are in whole seconds, rounded into the window.
func NewOutlook(assessments []Assessment, previous *Outlook, limits Limits) (Outlook, error) {
	if len(assessments) == 0 {
		return Outlook{}, errors.New("an outlook needs at least one assessment")
	}
	first := &assessments[0]
	o := Outlook{Programme: first.Programme, Site: first.Site, IssuedAt: first.AsOf.UTC(), From: first.ReleaseTime.UTC(),
		To: assessments[len(assessments)-1].ReleaseTime.UTC(), Releases: make([]OutlookRelease, 0, len(assessments)),
		Windows: []Window{}, Gone: []Window{}, Inputs: []Input{}, Notes: []string{}, Cautions: Cautions}
	for k := range assessments {
		a := &assessments[k]
		switch {
		case a.Programme != o.Programme || a.Site.ID != o.Site.ID:
			return Outlook{}, fmt.Errorf("an outlook is of one site: assessment %d is of %s/%s, the first of %s/%s", k+1, a.Programme, a.Site.ID, o.Programme, o.Site.ID)
		case !a.AsOf.Equal(first.AsOf):
			return Outlook{}, fmt.Errorf("an outlook is of one moment: assessment %d is as of %s, the first as of %s", k+1, a.AsOf.UTC().Format(time.RFC3339), o.IssuedAt.Format(time.RFC3339))
		case k > 0 && !a.ReleaseTime.After(assessments[k-1].ReleaseTime):
			return Outlook{}, fmt.Errorf("release times must rise: assessment %d is for %s, the one before for %s", k+1, a.ReleaseTime.UTC().Format(time.RFC3339), assessments[k-1].ReleaseTime.UTC().Format(time.RFC3339))
		}
		o.Releases = append(o.Releases, releaseOf(a, limits))
		o.gather(a)
	}
	if previous != nil && (previous.Programme != o.Programme || previous.Site.ID != o.Site.ID) {
		return Outlook{}, fmt.Errorf("the previous outlook is of %s/%s, not of %s/%s", previous.Programme, previous.Site.ID, o.Programme, o.Site.ID)
	}
	o.findWindows(assessments, limits)
	o.nameBlind()
	o.compareWith(previous)
	return o, nil
}

// releaseOf reduces an assessment to its row.
func releaseOf(a *Assessment, limits Limits) OutlookRelease {
	r := OutlookRelease{ReleaseTime: a.ReleaseTime.UTC(), LeadMinutes: a.ReleaseTime.Sub(a.AsOf).Minutes(), Score: a.Score.Value, Opportunity: a.Score.Opportunity,
		TargetProbability: a.Score.TargetProbability, Confidence: a.Confidence.Value, ActivationMinutes: a.Transport.ActivationMinutes.Q50, LandingMinutes: a.Transport.LandingMinutes.Q50}
	state, reason := stateOf(a.Score, a.Confidence, limits)
	if a.State == StateHold || a.State == StateBlind && state != StateBlind {
		state, reason = a.State, a.StateReason
	}
	if r.State = state; !r.judged() {
		r.Reason = reason
	}
	return r
}

// judged: the release has a score that counts.
func (r *OutlookRelease) judged() bool { return r.State == StateWindow || r.State == StateQuiet }

// gather keeps inputs and notes, each once, and the newest model run.
func (o *Outlook) gather(a *Assessment) {
	for _, input := range a.Inputs {
		if input.Kind == "model" && input.ReferenceTime.After(o.ModelReferenceTime) {
			o.ModelReferenceTime = input.ReferenceTime.UTC()
		}
		if !slices.ContainsFunc(o.Inputs, func(known Input) bool {
			return known.Kind == input.Kind && known.Label == input.Label && known.ReferenceTime.Equal(input.ReferenceTime)
		}) {
			o.Inputs = append(o.Inputs, input)
		}
	}
	for _, note := range a.Notes {
		o.note(note)
	}
}

// maxNotes bounds what an outlook of many releases says besides.
const maxNotes = 50

func (o *Outlook) note(note string) {
	if len(o.Notes) < maxNotes && !slices.Contains(o.Notes, note) {
		o.Notes = append(o.Notes, note)
	}
}

// findWindows groups the releases that reach the limit.
func (o *Outlook) findWindows(assessments []Assessment, limits Limits) {
	for i := 0; i < len(o.Releases); i++ {
		if o.Releases[i].State != StateWindow {
			continue
		}
		last := i
		for last+1 < len(o.Releases) && o.Releases[last+1].State == StateWindow {
			last++
		}
		o.Windows = append(o.Windows, o.window(assessments, i, last, limits.WindowScore))
		i = last
	}
}

// window describes the releases from i to last, all at or above the limit.
func (o *Outlook) window(assessments []Assessment, i, last int, limit float64) Window {
	r := o.Releases
	w := Window{Start: r[i].ReleaseTime, End: r[last].ReleaseTime, StartsBefore: i == 0, EndsAfter: last == len(r)-1, Releases: last - i + 1, Targets: []WindowTarget{}}
	if i > 0 {
		if w.AfterBlind = !r[i-1].judged(); !w.AfterBlind {
			w.Start = crossing(&r[i], &r[i-1], limit)
		}
	}
	if last < len(r)-1 {
		if w.BeforeBlind = !r[last+1].judged(); !w.BeforeBlind {
			w.End = crossing(&r[last], &r[last+1], limit)
		}
	}
	peak := i
	for k := i; k <= last; k++ {
		if *r[k].Score > *r[peak].Score {
			peak = k
		}
	}
	w.Best = r[peak].ReleaseTime
	if peak > 0 && peak < len(r)-1 && r[peak-1].judged() && r[peak+1].judged() {
		w.Best = vertex(&r[peak-1], &r[peak], &r[peak+1])
	}
	if w.Best.Before(w.Start) {
		w.Best = w.Start
	}
	if w.Best.After(w.End) {
		w.Best = w.End
	}
	w.PeakScore, w.Confidence = *r[peak].Score, r[peak].Confidence
	dose := assessments[peak].Dose
	w.Dose = &dose
	for _, target := range assessments[peak].Transport.Targets {
		w.Targets = append(w.Targets, WindowTarget{target.ID, target.Name, target.Probability})
	}
	return w
}

// crossing is where the line between a release inside of a window and its
// neighbour outside meets the limit, in whole seconds: not beyond the release
// inside, and short of the one outside.
func crossing(inside, outside *OutlookRelease, limit float64) time.Time {
	share := (*inside.Score - limit) / (*inside.Score - *outside.Score) // 0 to below 1
	way := outside.ReleaseTime.Sub(inside.ReleaseTime)                  // negative for a start
	at := inside.ReleaseTime.Add(time.Duration(share * float64(way)))
	if way < 0 {
		at = at.Add(time.Second - 1).Truncate(time.Second)
		if !at.After(outside.ReleaseTime) {
			at = at.Add(time.Second)
		}
		if at.After(inside.ReleaseTime) {
			at = inside.ReleaseTime
		}
		return at
	}
	at = at.Truncate(time.Second)
	if !at.Before(outside.ReleaseTime) {
		at = at.Add(-time.Second)
	}
	if at.Before(inside.ReleaseTime) {
		at = inside.ReleaseTime
	}
	return at
}

// vertex is the time of the highest point of the parabola through three
// releases, of which the middle one is not lower than the others.
func vertex(before, middle, after *OutlookRelease) time.Time {
	left, right := middle.ReleaseTime.Sub(before.ReleaseTime).Seconds(), after.ReleaseTime.Sub(middle.ReleaseTime).Seconds()
	// Slopes of the chords, rising and falling; their difference is the curvature.
	rise, fall := (*middle.Score-*before.Score)/left, (*middle.Score-*after.Score)/right
	if !(rise+fall > 0) { // three equal scores
		return middle.ReleaseTime
	}
	shift := (rise*right - fall*left) / (2 * (rise + fall))
	return middle.ReleaseTime.Add(time.Duration(math.Round(shift)) * time.Second)
}

// nameBlind writes a note for every row of releases without judgement.
func (o *Outlook) nameBlind() {
	for i := 0; i < len(o.Releases); i++ {
		if o.Releases[i].judged() {
			continue
		}
		last := i
		for last+1 < len(o.Releases) && o.Releases[last+1].State == o.Releases[i].State {
			last++
		}
		times := "release at " + o.clock(o.Releases[i].ReleaseTime) + " UTC"
		if last > i {
			times = "releases " + o.span(o.Releases[i].ReleaseTime, o.Releases[last].ReleaseTime) + " UTC"
		}
		if o.Releases[i].State == StateHold {
			o.Notes = append(o.Notes, fmt.Sprintf("hold for %s: %s", times, o.Releases[i].Reason))
		} else {
			o.Notes = append(o.Notes, fmt.Sprintf("no judgement for %s: %s", times, o.Releases[i].Reason))
		}
		i = last
	}
}

// compareWith says how the windows moved since the run before.
func (o *Outlook) compareWith(previous *Outlook) {
	if previous == nil {
		return
	}
	sameRun := previous.ModelReferenceTime.Equal(o.ModelReferenceTime)
	o.SinceRun = previous.ModelReferenceTime
	if sameRun {
		o.SinceRun = previous.SinceRun
	}
	partner, taken := matchWindows(o.Windows, previous.Windows)
	for k := range o.Windows {
		w := &o.Windows[k]
		if partner[k] < 0 {
			// New against the run before, or, within one run, since observations
			// came in: then nothing is said of the run before.
			w.New = !sameRun && previous.judgedAt(w.Start, w.End) && !overlapsAny(w, previous.Windows)
			continue
		}
		old := &previous.Windows[partner[k]]
		moved := moveOf(w, old)
		if !sameRun {
			moved.SinceRun = o.SinceRun
			w.Moved = &moved
			continue
		}
		w.New = old.New
		if old.Moved != nil {
			moved = Move{StartMinutes: plus(moved.StartMinutes, old.Moved.StartMinutes), BestMinutes: plus(moved.BestMinutes, old.Moved.BestMinutes),
				EndMinutes: plus(moved.EndMinutes, old.Moved.EndMinutes), SinceRun: old.Moved.SinceRun}
			w.Moved = &moved
		}
	}
	var lost []Window
	for j := range previous.Windows {
		if old := previous.Windows[j]; !taken[j] && (!sameRun || !old.New) {
			lost = append(lost, old)
		}
	}
	if sameRun {
		lost = append(lost, previous.Gone...)
		slices.SortStableFunc(lost, func(a, b Window) int { return a.Start.Compare(b.Start) })
	}
	for _, old := range lost {
		old.Moved, old.New = nil, false
		switch {
		case !old.End.After(o.From): // it is over
		case !old.Start.Before(o.To):
			o.note(fmt.Sprintf("the window %s UTC of an earlier outlook lies beyond this one", o.span(old.Start, old.End)))
		case overlapsAny(&old, o.Windows): // split or joined: told by its neighbour
		case o.judgedAt(old.Start, old.End):
			o.Gone = append(o.Gone, old)
		default:
			o.note(fmt.Sprintf("the window %s UTC of an earlier outlook cannot be judged now", o.span(old.Start, old.End)))
		}
	}
}

// judgedAt: every release from a time to another, and those that bracket them,
// is judged, and the outlook reaches into that time.
func (o *Outlook) judgedAt(start, end time.Time) bool {
	if !start.Before(o.To) || !end.After(o.From) {
		return false
	}
	for k := range o.Releases {
		reachesIn := k == len(o.Releases)-1 || o.Releases[k+1].ReleaseTime.After(start)
		before := k == 0 || o.Releases[k-1].ReleaseTime.Before(end)
		if reachesIn && before && !o.Releases[k].judged() {
			return false
		}
	}
	return true
}

func plus(a, b *float64) *float64 {
	if a == nil || b == nil {
		return nil
	}
	return number(*a + *b)
}

// overlap of two windows; zero or less where they have none.
func overlap(a, b *Window) time.Duration {
	start, end := a.Start, a.End
	if b.Start.After(start) {
		start = b.Start
	}
	if b.End.Before(end) {
		end = b.End
	}
	return end.Sub(start)
}

func overlapsAny(w *Window, others []Window) bool {
	return slices.ContainsFunc(others, func(other Window) bool { return overlap(w, &other) > 0 })
}

// matchWindows pairs windows of two outlooks: the longest overlap first, then
// the nearest best times, then the earlier windows; each window once. partner is
// -1 for windows without counterpart.
func matchWindows(now, before []Window) (partner []int, taken []bool) {
	type pair struct {
		i, j           int
		overlap, apart time.Duration
	}
	partner, taken = make([]int, len(now)), make([]bool, len(before))
	var pairs []pair
	for i := range now {
		partner[i] = -1
		for j := range before {
			p := pair{i, j, max(overlap(&now[i], &before[j]), 0), now[i].Best.Sub(before[j].Best).Abs()}
			if p.overlap > 0 || p.apart <= matchWithin {
				pairs = append(pairs, p)
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int {
		return cmp.Or(cmp.Compare(b.overlap, a.overlap), cmp.Compare(a.apart, b.apart))
	})
	for _, p := range pairs {
		if partner[p.i] < 0 && !taken[p.j] {
			partner[p.i], taken[p.j] = p.j, true
		}
	}
	return partner, taken
}

// moveOf is how much later the edges of a window lie than before.
func moveOf(now, before *Window) Move {
	openStart := now.StartsBefore || before.StartsBefore || now.AfterBlind || before.AfterBlind
	openEnd := now.EndsAfter || before.EndsAfter || now.BeforeBlind || before.BeforeBlind
	later := func(a, b time.Time, known bool) *float64 {
		if !known {
			return nil
		}
		return number(a.Sub(b).Minutes())
	}
	atEdge := func(w *Window) bool {
		return (w.StartsBefore || w.AfterBlind) && w.Best.Equal(w.Start) || (w.EndsAfter || w.BeforeBlind) && w.Best.Equal(w.End)
	}
	return Move{StartMinutes: later(now.Start, before.Start, !openStart), BestMinutes: later(now.Best, before.Best, !atEdge(now) && !atEdge(before)),
		EndMinutes: later(now.End, before.End, !openEnd)}
}
