package seedability

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
)

// forecast is the assessments of one moment, one for each score, spaced evenly.
func forecast(asOf time.Time, spacing time.Duration, run time.Time, scores ...float64) []Assessment {
	var assessments []Assessment
	for k, score := range scores {
		a := judgement(asOf, score, .71)
		a.ReleaseTime = asOf.Add(time.Duration(k) * spacing)
		a.Inputs = []Input{{Kind: "model", Label: "hill model", ReferenceTime: run}}
		a.Transport.Targets = []TargetResult{{ID: "basin", Name: "Basin", Probability: score / 100}}
		perLitre := score / 2
		a.Dose.CrystalsPerLitre = &perLitre
		assessments = append(assessments, a)
	}
	return assessments
}

func outlookOf(t *testing.T, previous *Outlook, assessments []Assessment) Outlook {
	t.Helper()
	o, err := NewOutlook(assessments, previous, DefaultLimits())
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func at(hour, minute, second int) time.Time {
	return time.Date(2026, 1, 14, hour, minute, second, 0, time.UTC)
}

// By hand: from 50 to 65 in 15 min the line meets 60 after 10 min; from 72 to 48
// it meets 60 halfway, after 7.5 min.
func TestOutlookEdgesByHand(t *testing.T) {
	o := outlookOf(t, nil, forecast(at(14, 0, 0), 15*time.Minute, at(12, 0, 0), 40, 50, 65, 80, 72, 48, 20))
	if len(o.Windows) != 1 {
		t.Fatalf("%d windows, want one: %+v", len(o.Windows), o.Windows)
	}
	w := o.Windows[0]
	if !w.Start.Equal(at(14, 25, 0)) || !w.End.Equal(at(15, 7, 30)) {
		t.Errorf("window %s to %s, want 14:25 to 15:07:30", w.Start, w.End)
	}
	// Parabola through (-15, 65), (0, 80), (15, 72): y = 80 + 7/30 x - 23/450 x²,
	// highest at x = 7/30 * 450/46 = 2.28261 min.
	if want := at(14, 45, 0).Add(137 * time.Second); !w.Best.Equal(want) {
		t.Errorf("best %s, want %s", w.Best, want)
	}
	if w.StartsBefore || w.EndsAfter || w.AfterBlind || w.BeforeBlind || w.Releases != 3 || w.PeakScore != 80 || w.Confidence != .71 || len(w.Targets) != 1 || w.Targets[0].Probability != .8 || *w.Dose.CrystalsPerLitre != 40 {
		t.Errorf("%+v", w)
	}
	if !o.From.Equal(at(14, 0, 0)) || !o.To.Equal(at(15, 30, 0)) || !o.ModelReferenceTime.Equal(at(12, 0, 0)) || len(o.Inputs) != 1 || o.Releases[2].LeadMinutes != 30 {
		t.Errorf("outlook %+v", o)
	}
}

// A score that is a parabola in time gives back its vertex, whatever the spacing.
func TestOutlookBestOfParabola(t *testing.T) {
	asOf := at(6, 0, 0)
	for _, vertexMinute := range []float64{61, 70, 84.5, 93} {
		var assessments []Assessment
		for _, minute := range []float64{0, 20, 50, 62, 90, 105, 160} {
			a := judgement(asOf, 90-.01*(minute-vertexMinute)*(minute-vertexMinute), .8)
			a.ReleaseTime = asOf.Add(time.Duration(minute * float64(time.Minute)))
			assessments = append(assessments, a)
		}
		o := outlookOf(t, nil, assessments)
		if got := o.Windows[0].Best.Sub(asOf).Seconds(); math.Abs(got-60*vertexMinute) > .5 {
			t.Errorf("best after %.1f s, want %.1f within half a second", got, 60*vertexMinute)
		}
	}
}

// Nothing is smoothed, what is not judged is no window, and the ends of the span
// are named as such.
func TestOutlookDipsSpikesAndBlindReleases(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		name   string
		scores []float64
		want   []Window
		note   string
	}{
		{"dip of one", []float64{50, 70, 59, 70, 50}, []Window{{Start: at(14, 7, 30), End: at(14, 28, 38), Releases: 1}, {Start: at(14, 31, 22), End: at(14, 52, 30), Releases: 1}}, ""},
		{"spike of one", []float64{50, 50, 70, 50}, []Window{{Start: at(14, 22, 30), End: at(14, 37, 30), Releases: 1}}, ""},
		{"exactly the limit", []float64{50, 60, 50}, []Window{{Start: at(14, 15, 0), End: at(14, 15, 0), Releases: 1}}, ""},
		{"cut by the span", []float64{70, 80}, []Window{{Start: at(14, 0, 0), End: at(14, 15, 0), StartsBefore: true, EndsAfter: true, Releases: 2}}, ""},
		{"one release in all", []float64{70}, []Window{{Start: at(14, 0, 0), End: at(14, 0, 0), StartsBefore: true, EndsAfter: true, Releases: 1}}, ""},
		{"blind within", []float64{50, 70, nan, nan, 70, 50}, []Window{{Start: at(14, 7, 30), End: at(14, 15, 0), BeforeBlind: true, Releases: 1}, {Start: at(15, 0, 0), End: at(15, 7, 30), AfterBlind: true, Releases: 1}}, "no judgement for releases 14:30-14:45 UTC: a component"},
		{"nothing", []float64{10, 20}, nil, ""},
	} {
		o := outlookOf(t, nil, forecast(at(14, 0, 0), 15*time.Minute, at(12, 0, 0), test.scores...))
		if len(o.Windows) != len(test.want) {
			t.Errorf("%s: %d windows, want %d", test.name, len(o.Windows), len(test.want))
			continue
		}
		for k, want := range test.want {
			got := o.Windows[k]
			want.Best, want.PeakScore, want.Confidence, want.Targets, want.Dose = got.Best, got.PeakScore, got.Confidence, got.Targets, got.Dose
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%s: window %d is\n%+v, want\n%+v", test.name, k+1, got, want)
			}
		}
		if found := slices.ContainsFunc(o.Notes, func(note string) bool { return strings.HasPrefix(note, test.note) }); test.note != "" && !found {
			t.Errorf("%s: notes %q, want one that begins with %q", test.name, o.Notes, test.note)
		}
	}
}

func TestOutlookHeldReleases(t *testing.T) {
	assessments := forecast(at(14, 0, 0), 15*time.Minute, at(12, 0, 0), 70, 70, 70)
	assessments[1].State, assessments[1].StateReason = StateHold, "river near flood stage"
	o := outlookOf(t, nil, assessments)
	if len(o.Windows) != 2 || o.Releases[1].State != StateHold || !strings.Contains(strings.Join(o.Notes, "\n"), "hold for release at 14:15 UTC: river") {
		t.Errorf("windows %+v, notes %q", o.Windows, o.Notes)
	}
}

func TestOutlookRefuses(t *testing.T) {
	good := forecast(at(14, 0, 0), 15*time.Minute, at(12, 0, 0), 50, 60, 70)
	change := func(f func([]Assessment)) []Assessment {
		changed := slices.Clone(good)
		f(changed)
		return changed
	}
	for says, assessments := range map[string][]Assessment{
		"at least one":       nil,
		"one site":           change(func(a []Assessment) { a[1].Site.ID = "there" }),
		"one moment":         change(func(a []Assessment) { a[2].AsOf = at(14, 1, 0) }),
		"release times must": change(func(a []Assessment) { a[2].ReleaseTime = a[1].ReleaseTime }),
	} {
		if _, err := NewOutlook(assessments, nil, DefaultLimits()); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want an error with %q", err, says)
		}
	}
	other := outlookOf(t, nil, good)
	other.Site.ID = "there"
	if _, err := NewOutlook(good, &other, DefaultLimits()); err == nil {
		t.Error("compared with the outlook of another site")
	}
}

// wave is scores of a bell about a minute after 14:00, 15 min apart.
func wave(centreMinute float64, n int) []float64 {
	scores := make([]float64, n)
	for k := range scores {
		d := (float64(k)*15 - centreMinute) / 60
		scores[k] = 90 * math.Exp(-d*d)
	}
	return scores
}

func TestOutlookMoves(t *testing.T) {
	spacing := 15 * time.Minute
	first := outlookOf(t, nil, forecast(at(14, 0, 0), spacing, at(11, 0, 0), wave(120, 30)...))
	later := outlookOf(t, &first, forecast(at(14, 0, 0), spacing, at(12, 0, 0), wave(135, 30)...))
	if len(later.Windows) != 1 || later.Windows[0].Moved == nil {
		t.Fatalf("windows %+v", later.Windows)
	}
	m := later.Windows[0].Moved
	// The whole wave is shifted by one release: every edge moves by 15 min.
	for name, got := range map[string]*float64{"start": m.StartMinutes, "best": m.BestMinutes, "end": m.EndMinutes} {
		if got == nil || math.Abs(*got-15) > .05 {
			t.Errorf("%s moved by %v min, want 15", name, got)
		}
	}
	if !m.SinceRun.Equal(at(11, 0, 0)) || !later.SinceRun.Equal(at(11, 0, 0)) {
		t.Errorf("since the run %s", m.SinceRun)
	}
	if text := later.Text(); !strings.HasSuffix(text, "15 min later than the 11 UTC run said") {
		t.Errorf("%q", text)
	}
	// The next outlook of the same run still compares with the run before.
	again := outlookOf(t, &later, forecast(at(14, 30, 0), spacing, at(12, 0, 0), wave(135-30+5, 28)...))
	if m := again.Windows[0].Moved; m == nil || m.BestMinutes == nil || math.Abs(*m.BestMinutes-20) > 1.5 || !m.SinceRun.Equal(at(11, 0, 0)) {
		t.Errorf("within the same run: %+v, want 15 + 5 min since the run of 11", m)
	}
	// While it grows towards the end of the span, neither its best time nor its
	// end is known in the earlier outlook, so neither moved.
	rising := outlookOf(t, nil, forecast(at(14, 0, 0), spacing, at(11, 0, 0), wave(120, 8)...))
	longer := outlookOf(t, &rising, forecast(at(14, 0, 0), spacing, at(12, 0, 0), wave(120, 30)...))
	if m := longer.Windows[0].Moved; !rising.Windows[0].EndsAfter || m == nil || m.StartMinutes == nil || m.BestMinutes != nil || m.EndMinutes != nil {
		t.Errorf("a window that was cut off: %+v", m)
	}
	// Once the window has begun its start is cut off, and only that.
	begun := outlookOf(t, &later, forecast(at(16, 0, 0), spacing, at(13, 0, 0), wave(135-120, 20)...))
	if m := begun.Windows[0].Moved; m == nil || m.StartMinutes != nil || m.EndMinutes == nil || math.Abs(*m.EndMinutes) > .05 {
		t.Errorf("a window that has begun: %+v", m)
	}
}

func TestOutlookGoneAndNew(t *testing.T) {
	spacing := 15 * time.Minute
	asOf := at(14, 0, 0)
	flat := make([]float64, 30)
	early := outlookOf(t, nil, forecast(asOf, spacing, at(11, 0, 0), wave(120, 30)...))
	without := outlookOf(t, &early, forecast(asOf, spacing, at(12, 0, 0), flat...))
	if len(without.Gone) != 1 || !without.Gone[0].Best.Equal(early.Windows[0].Best) {
		t.Fatalf("gone %+v", without.Gone)
	}
	if text := without.Text(); !strings.Contains(text, "no window up to 21:15 UTC") || !strings.Contains(text, "of the 11 UTC run is gone") {
		t.Errorf("%q", text)
	}
	// It stays named within the run, until it is over or comes back.
	still := outlookOf(t, &without, forecast(asOf.Add(spacing), spacing, at(12, 0, 0), flat...))
	over := outlookOf(t, &still, forecast(asOf.Add(4*time.Hour), spacing, at(12, 0, 0), flat...))
	back := outlookOf(t, &still, forecast(asOf.Add(2*spacing), spacing, at(12, 0, 0), wave(90, 28)...))
	if len(still.Gone) != 1 || len(over.Gone) != 0 || len(back.Gone) != 0 {
		t.Errorf("gone %d, then %d when over and %d when back; want 1, 0, 0", len(still.Gone), len(over.Gone), len(back.Gone))
	}
	if strings.Contains(strings.Join(over.Notes, "\n"), "cannot be judged") {
		t.Errorf("a window that is over: notes %q", over.Notes)
	}
	// New against a run that judged that time; not against one that ended before.
	fresh := outlookOf(t, &without, forecast(asOf, spacing, at(13, 0, 0), wave(120, 30)...))
	if w := fresh.Windows[0]; !w.New || w.Moved != nil || !strings.HasSuffix(fresh.Text(), "not in the 12 UTC run") {
		t.Errorf("%+v: %s", w, fresh.Text())
	}
	// It stays new within its run. One that observations bring within a run is
	// not new against the run before, and one that they take back is not gone.
	kept := outlookOf(t, &fresh, forecast(asOf.Add(spacing), spacing, at(13, 0, 0), wave(105, 29)...))
	taken := outlookOf(t, &fresh, forecast(asOf.Add(spacing), spacing, at(13, 0, 0), flat...))
	brought := outlookOf(t, &without, forecast(asOf, spacing, at(12, 0, 0), wave(300, 30)...))
	if !kept.Windows[0].New || len(taken.Gone) != 0 || brought.Windows[0].New || brought.Windows[0].Moved != nil {
		t.Errorf("kept %+v, gone %+v, brought %+v", kept.Windows[0], taken.Gone, brought.Windows[0])
	}
	// Of a window that splits, the shorter part is neither new nor gone.
	whole := outlookOf(t, nil, forecast(asOf, spacing, at(11, 0, 0), 0, 70, 70, 70, 70, 70, 0))
	split := outlookOf(t, &whole, forecast(asOf, spacing, at(12, 0, 0), 0, 70, 70, 70, 0, 70, 0))
	if len(split.Windows) != 2 || split.Windows[0].Moved == nil || split.Windows[1].Moved != nil || split.Windows[1].New || len(split.Gone) != 0 {
		t.Errorf("split %+v, gone %+v", split.Windows, split.Gone)
	}
	short := outlookOf(t, nil, forecast(asOf, spacing, at(12, 0, 0), 0, 0))
	if w := outlookOf(t, &short, forecast(asOf, spacing, at(13, 0, 0), wave(120, 30)...)).Windows[0]; w.New {
		t.Error("new against a run that did not reach so far")
	}
	// Where nothing can be judged nothing is gone.
	blind := slices.Repeat([]float64{math.NaN()}, 30)
	dark := outlookOf(t, &early, forecast(asOf, spacing, at(12, 0, 0), blind...))
	if len(dark.Gone) != 0 || !strings.Contains(strings.Join(dark.Notes, "\n"), "cannot be judged now") || !strings.HasPrefix(dark.Text(), "blind: no release") {
		t.Errorf("gone %+v, notes %q: %s", dark.Gone, dark.Notes, dark.Text())
	}
	// Beyond the end of a shorter run, neither.
	beyond := outlookOf(t, &early, forecast(asOf, spacing, at(12, 0, 0), 0, 0, 0))
	if len(beyond.Gone) != 0 || !strings.Contains(strings.Join(beyond.Notes, "\n"), "lies beyond this one") {
		t.Errorf("gone %+v, notes %q", beyond.Gone, beyond.Notes)
	}
}

// Two windows of which one splits: the longest overlap takes the counterpart.
func TestMatchWindows(t *testing.T) {
	w := func(from, best, to float64) Window {
		return Window{Start: minutes(from), Best: minutes(best), End: minutes(to)}
	}
	partner, taken := matchWindows(
		[]Window{w(0, 10, 20), w(30, 60, 100), w(300, 310, 320), w(900, 910, 920)},
		[]Window{w(0, 12, 95), w(400, 410, 420), w(1400, 1410, 1420)})
	if want := []int{-1, 0, 1, -1}; !slices.Equal(partner, want) || !slices.Equal(taken, []bool{true, true, false}) {
		t.Errorf("partners %v, taken %v, want %v", partner, taken, want)
	}
}

func TestOutlookText(t *testing.T) {
	o := Outlook{IssuedAt: at(12, 0, 0), From: at(12, 0, 0), To: at(20, 0, 0), SinceRun: at(11, 0, 0)}
	window := Window{Start: at(14, 10, 0), Best: at(14, 45, 0), End: at(15, 25, 0), Releases: 5, PeakScore: 78, Confidence: .71}
	later, zero, earlier := 12.0, .2, -30.4
	for _, test := range []struct {
		change func(*Window)
		want   string
	}{
		{func(w *Window) { w.Moved = &Move{BestMinutes: &later, SinceRun: at(11, 0, 0)} }, "window 14:10-15:25 UTC, best 14:45 (score 78, confidence 0.71), 12 min later than the 11 UTC run said"},
		{func(w *Window) { w.Moved = &Move{StartMinutes: &earlier, SinceRun: at(11, 0, 0)} }, "window 14:10-15:25 UTC, best 14:45 (score 78, confidence 0.71), starting 30 min earlier than the 11 UTC run said"},
		{func(w *Window) { w.Moved = &Move{BestMinutes: &zero, SinceRun: at(11, 0, 0)} }, "window 14:10-15:25 UTC, best 14:45 (score 78, confidence 0.71), as the 11 UTC run said"},
		{func(w *Window) { w.New = true }, "window 14:10-15:25 UTC, best 14:45 (score 78, confidence 0.71), not in the 11 UTC run"},
		{func(w *Window) { w.StartsBefore, w.EndsAfter = true, true }, "window 14:10 or before to 15:25 UTC or after, best 14:45 (score 78, confidence 0.71)"},
		{func(w *Window) { w.BeforeBlind = true }, "window 14:10 to 15:25 UTC or after, best 14:45 (score 78, confidence 0.71)"},
		{func(w *Window) { w.End = w.End.Add(10 * time.Hour) }, "window 14:10-15 Jan 01:25 UTC, best 14:45 (score 78, confidence 0.71)"},
		{func(w *Window) { w.Releases = 1 }, "window 14:10-15:25 UTC (one release time alone), best 14:45 (score 78, confidence 0.71)"},
	} {
		w := window
		test.change(&w)
		o.Windows = []Window{w}
		if got := o.Text(); got != test.want {
			t.Errorf("got  %q\nwant %q", got, test.want)
		}
	}
}

// However little a release lacks, the window ends before it.
func TestCrossingStopsShortOfTheReleaseOutside(t *testing.T) {
	for _, test := range []struct{ limit, score, below float64 }{
		{60, 60, math.Nextafter(60, 0)}, {60, 72.3, math.Nextafter(60, 0)}, {60, 100, math.Nextafter(60, 0)}, {1e-15, 50, 0},
	} {
		for spacing := time.Second; spacing < 2*time.Hour; spacing = spacing*7/4 + time.Second {
			inside, before, after := OutlookRelease{ReleaseTime: start, Score: &test.score}, OutlookRelease{ReleaseTime: start.Add(-spacing), Score: &test.below}, OutlookRelease{ReleaseTime: start.Add(spacing), Score: &test.below}
			if from := crossing(&inside, &before, test.limit); !from.After(before.ReleaseTime) || from.After(start) {
				t.Errorf("%+v after %s: starts at %s", test, spacing, from)
			}
			if upTo := crossing(&inside, &after, test.limit); !upTo.Before(after.ReleaseTime) || upTo.Before(start) {
				t.Errorf("%+v before %s: ends at %s", test, spacing, upTo)
			}
		}
	}
}

// What must hold for any scores: windows lie inside of the span, are disjoint
// and in order, and cover exactly the releases that reach the limit.
func TestOutlookWindowProperties(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 2026))
	limits := DefaultLimits()
	windows, moved := 0, 0
	for range 700 {
		n, whole := 1+random.IntN(40), random.IntN(2) == 0
		build := func(asOf, run time.Time) []Assessment {
			var assessments []Assessment
			release, score := asOf, 100*random.Float64()
			for range n {
				score = math.Min(100, math.Max(0, score+25*random.NormFloat64()))
				switch random.IntN(12) {
				case 0:
					score = limits.WindowScore
				case 1:
					score = math.Nextafter(limits.WindowScore, 0)
				}
				a := judgement(asOf, score, .9)
				switch random.IntN(12) {
				case 0:
					a = judgement(asOf, math.NaN(), .9)
				case 1:
					a = judgement(asOf, score, .1)
				}
				a.ReleaseTime = release
				a.Inputs = []Input{{Kind: "model", ReferenceTime: run}}
				assessments = append(assessments, a)
				step := time.Duration(1+random.IntN(40*60_000)) * time.Millisecond
				if whole {
					step = step.Truncate(time.Minute) + time.Minute
				}
				release = release.Add(step)
			}
			return assessments
		}
		var previous *Outlook
		for k := range 3 {
			asOf := start.Add(time.Duration(k) * 20 * time.Minute)
			assessments := build(asOf, start.Add(time.Duration(k/2)*time.Hour))
			o, err := NewOutlook(assessments, previous, limits)
			if err != nil {
				t.Fatal(err)
			}
			for i, w := range o.Windows {
				windows++
				if w.Moved != nil {
					moved++
				}
				if w.Start.Before(o.From) || w.End.After(o.To) || w.End.Before(w.Start) || w.Best.Before(w.Start) || w.Best.After(w.End) {
					t.Fatalf("window %s, best %s, to %s in the span %s to %s", w.Start, w.Best, w.End, o.From, o.To)
				}
				if i > 0 && !w.Start.After(o.Windows[i-1].End) {
					t.Fatalf("window from %s follows one to %s", w.Start, o.Windows[i-1].End)
				}
			}
			for i, a := range assessments {
				reaches := a.Score.Value != nil && *a.Score.Value >= limits.WindowScore && a.Confidence.Value >= limits.MinimumConfidence
				covered := slices.ContainsFunc(o.Windows, func(w Window) bool { return !a.ReleaseTime.Before(w.Start) && !a.ReleaseTime.After(w.End) })
				if reaches != covered {
					t.Fatalf("release %d, score %v, confidence %.1f: reaches %v, in a window %v", i+1, a.Score.Value, a.Confidence.Value, reaches, covered)
				}
				blind := a.Score.Value == nil || a.Confidence.Value < limits.MinimumConfidence
				if (o.Releases[i].State == StateBlind) != blind {
					t.Fatalf("release %d is shown as %s", i+1, o.Releases[i].State)
				}
			}
			for _, gone := range o.Gone {
				if overlapsAny(&gone, o.Windows) {
					t.Fatalf("gone, and there: %s to %s", gone.Start, gone.End)
				}
			}
			if o.Text() == "" {
				t.Fatal("no words")
			}
			b, err := json.Marshal(o)
			if err != nil {
				t.Fatal(err)
			}
			var back Outlook
			if err := json.Unmarshal(b, &back); err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(back, o) {
				t.Fatalf("sent\n%+v, came\n%+v", o, back)
			}
			previous = &back
		}
	}
	if windows < 2000 || moved < 500 {
		t.Errorf("%d windows, %d of them moved: the test says little", windows, moved)
	}
}

// An outlook of 18 hours, compared with the one before.
func BenchmarkNewOutlook(b *testing.B) {
	assessments := forecast(at(14, 0, 0), 15*time.Minute, at(12, 0, 0), wave(400, 73)...)
	previous, err := NewOutlook(assessments, nil, DefaultLimits())
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := NewOutlook(assessments, &previous, DefaultLimits()); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSettle(b *testing.B) {
	a := judgement(at(14, 0, 0), 70, .8)
	previous := Settle(nil, a, nil, DefaultLimits())
	a.AsOf = at(14, 5, 0)
	b.ReportAllocs()
	for b.Loop() {
		Settle(&previous, a, nil, DefaultLimits())
	}
}
