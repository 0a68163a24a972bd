package main

import (
	"fmt"
	"math"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/programme"
)

var rehearsalStart = time.Date(2026, 2, 3, 6, 0, 0, 0, time.UTC)

func rehearsalProgramme(t *testing.T) *programme.Programme {
	t.Helper()
	p, err := parseProgramme("programme.yaml", rehearsal.ProgrammeYAML(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// knownAir is the air of a weather as a box: with fields every so often, and
// linear between them, it is what a model with that output knows. from and to
// count from the storm's start.
func knownAir(t *testing.T, w rehearsal.Weather, every, from, to time.Duration) *grid.Atmosphere {
	t.Helper()
	middle, plane := w.Middle(), rehearsal.PlaneOf(w)
	projection, err := grid.NewLambertConformal(grid.LambertConformal{Earth: grid.Sphere(6371229),
		StandardParallel1Deg: middle.LatitudeDeg, StandardParallel2Deg: middle.LatitudeDeg, OriginLatitudeDeg: middle.LatitudeDeg, CentralMeridianDeg: middle.LongitudeDeg})
	if err != nil {
		t.Fatal(err)
	}
	const spacingM = 3000.0
	g := &grid.Grid{Name: "lambert_conformal_conic", Projection: projection, NI: 55, NJ: 31,
		X: grid.Axis{First: -66e3, Step: spacingM}, Y: grid.Axis{First: -45e3, Step: spacingM}}
	var heightsM, times = []float64{}, []time.Time{}
	for _, heightM := range grid.DefaultHeightsM {
		if heightM <= 7000 {
			heightsM = append(heightsM, heightM)
		}
	}
	for at := from; at <= to; at += every {
		times = append(times, w.StartTime().Add(at))
	}
	air, err := grid.NewAtmosphere(grid.Analytic{Grid: g, HeightsM: heightsM, Times: times,
		TerrainAltitudeM: func(p grid.LatLon) float64 { return w.TerrainM(plane.XY(p)) },
		StateAt: func(p grid.Position, _ float64, at time.Time) grid.State {
			x, y := plane.XY(p.LatLon)
			a := w.At(x, y, p.AltitudeM, at.Sub(w.StartTime()).Hours())
			return grid.State{Wind: grid.Wind{EastwardMPerS: a.EastwardMPerS, NorthwardMPerS: a.NorthwardMPerS, UpwardMPerS: a.UpwardMPerS},
				AirTemperatureK: a.AirTemperatureK, PressurePa: a.PressurePa, SpecificHumidity: a.SpecificHumidity,
				CloudLiquidKgPerKg: a.CloudLiquidKgPerKg, CloudIceKgPerKg: a.CloudIceKgPerKg, SnowKgPerKg: a.SnowKgPerKg}
		}})
	if err != nil {
		t.Fatal(err)
	}
	return air
}

// scored are the assessments of one site.
type scored []seedability.Assessment

func (s scored) value(k int) float64 {
	if v := s[k].Score.Value; v != nil {
		return *v
	}
	return math.NaN()
}

// windows are where the line between the scores crosses the limit.
func (s scored) windows(limit float64) []truthWindow {
	var windows []truthWindow
	best := math.Inf(-1)
	for k := range s {
		v := s.value(k)
		if !(v >= limit) {
			continue
		}
		if k == 0 || !(s.value(k-1) >= limit) {
			open := s[k].ReleaseTime
			if k > 0 {
				open = open.Add(-time.Duration(float64(open.Sub(s[k-1].ReleaseTime)) * (v - limit) / (v - s.value(k-1))))
			}
			windows, best = append(windows, truthWindow{open: open}), math.Inf(-1)
		}
		w := &windows[len(windows)-1]
		w.close = s[k].ReleaseTime
		if k+1 < len(s) {
			if next := s.value(k + 1); next < limit {
				w.close = w.close.Add(time.Duration(float64(s[k+1].ReleaseTime.Sub(w.close)) * (v - limit) / (v - next)))
			}
		}
		if v > best {
			best, w.best = v, s[k].ReleaseTime
		}
	}
	return windows
}

// judged assesses every site at every release.
func judged(t *testing.T, p *programme.Programme, method seedability.Method, every time.Duration, evidence func(at time.Time) seedability.Evidence) []scored {
	t.Helper()
	j := &judgement{programme: p, method: method}
	var releases []time.Time
	for at := rehearsalStart; !at.After(rehearsalStart.Add(8 * time.Hour)); at = at.Add(every) {
		releases = append(releases, at)
	}
	all := make([]scored, len(p.Sites))
	for k := range all {
		all[k] = make(scored, len(releases))
	}
	method.Drift.Workers = 1
	var next atomic.Int64
	eachOf(runtime.GOMAXPROCS(0), func(int) {
		for n := int(next.Add(1)) - 1; n < len(all)*len(releases); n = int(next.Add(1)) - 1 {
			site, at := n%len(all), releases[n/len(all)]
			a, err := seedability.Assess(t.Context(), p.ID, j.siteOf(&p.Sites[site]), at, at, evidence(at), method)
			if err != nil {
				t.Error(err)
				return
			}
			all[site][n/len(all)] = a
		}
	})
	if t.Failed() {
		t.FailNow()
	}
	return all
}

func windowText(windows []truthWindow) string {
	var texts []string
	for _, w := range windows {
		texts = append(texts, fmt.Sprintf("%s %s %s", w.open.Format("15:04"), w.best.Format("15:04"), w.close.Format("15:04")))
	}
	return strings.Join(texts, "   ")
}

// minutesApart of two moments, positive where the first is later.
func minutesApart(a, b time.Time) float64 { return a.Sub(b).Minutes() }

// compareWindows holds the windows of scores to those of the truth, and the order
// of the sites in both.
func compareWindows(t *testing.T, truth []siteTruth, all []scored, limit, toleranceMinutes float64) {
	t.Helper()
	var before [2]time.Time
	for k, site := range truth {
		got := all[k].windows(limit)
		t.Logf("%-13s true  %s", site.site, windowText(site.windows))
		t.Logf("%-13s score %s", "", windowText(got))
		if len(site.windows) != 2 || len(got) != 2 {
			t.Errorf("%s: %d true windows and %d of scores, want those of the two good bands", site.site, len(site.windows), len(got))
			continue
		}
		for n, want := range site.windows {
			if d := minutesApart(got[n].open, want.open); math.Abs(d) > toleranceMinutes {
				t.Errorf("%s: window %d opens %.0f min late, at most %.0f either way are allowed", site.site, n+1, d, toleranceMinutes)
			}
			if d := minutesApart(got[n].close, want.close); math.Abs(d) > toleranceMinutes {
				t.Errorf("%s: window %d closes %.0f min late, at most %.0f either way are allowed", site.site, n+1, d, toleranceMinutes)
			}
			if got[n].best.Before(want.open) || got[n].best.After(want.close) || want.best.Before(want.open) || want.best.After(want.close) {
				t.Errorf("%s: window %d is best at %s, in truth at %s", site.site, n+1, got[n].best.Format("15:04"), want.best.Format("15:04"))
			}
			if k > 0 && !got[n].open.After(before[n]) {
				t.Errorf("%s: window %d opens no later than that of the site before", site.site, n+1)
			}
			if k > 0 && minutesApart(want.open, truth[k-1].windows[n].open) < 4 {
				t.Errorf("%s: true window %d opens within 4 min of that of the site before: the order is not clear", site.site, n+1)
			}
			before[n] = got[n].open
		}
	}
}

// knownStorm is what somebody knows who knows the storm itself.
func knownStorm(t *testing.T, s *rehearsal.Scenario, every time.Duration) func(at time.Time) seedability.Evidence {
	const scanEvery = 10 * time.Minute
	air, plane, turn := knownAir(t, s, every, 0, 11*time.Hour), rehearsal.PlaneOf(s), s.RadarVolumes()
	scans := make([]seedability.RadarScan, 8*6+1)
	eachOf(len(scans), func(k int) {
		scans[k].Volume = turn(s.Start().Add(time.Duration(k) * scanEvery))
	})
	return func(at time.Time) seedability.Evidence {
		hours := at.Sub(s.Start()).Hours()
		k := int(at.Sub(s.Start()) / scanEvery)
		return seedability.Evidence{Atmosphere: air, ModelLabel: "the storm itself", Radars: scans[k : k+1],
			CloudTops: &seedability.CloudTops{Label: "the storm's tops", End: at,
				Above: func(place grid.LatLon, _, _ float64) (seedability.CloudTop, bool) {
					x, y := plane.XY(place)
					top := s.CloudTop(x, y, hours)
					return seedability.CloudTop{Phase: grid.CloudTopPhase(top.Phase), AirTemperatureK: top.AirTemperatureK, AltitudeM: top.AltitudeM, Good: true}, true
				}}}
	}
}

// Who knows the storm itself finds the windows of the plain criterion by the full
// assessment, and no others: not under the inversion, not in the warm band, not
// where it is iced over.
func TestRehearsalTruth(t *testing.T) {
	s, p := rehearsal.NewScenario(rehearsalStart, 1), rehearsalProgramme(t)
	truth, evidence := truthOf(s, p), knownStorm(t, s, 10*time.Minute)
	all := judged(t, p, methodOf(p), 5*time.Minute, evidence)
	compareWindows(t, truth, all, p.Thresholds.WindowScore, 10)

	// The outage hides no edge: from its start to a quarter of an hour after its
	// end no window opens or closes.
	from, to := s.Outage()
	for _, site := range truth {
		for _, w := range site.windows {
			for _, edge := range []time.Time{w.open, w.close} {
				if edge.After(from.Add(-5*time.Minute)) && edge.Before(to.Add(15*time.Minute)) {
					t.Errorf("%s: the outage from %s to %s hides the edge at %s", site.site, from.Format("15:04"), to.Format("15:04"), edge.Format("15:04"))
				}
			}
		}
	}

	// Why there is no window in the other chapters.
	lax := methodOf(p)
	for k := range lax.Criteria {
		if name := lax.Criteria[k].Name; name == seedability.ComponentCloudTop || name == seedability.ComponentNaturalIce {
			lax.Criteria[k].Weight = 0
		}
	}
	j := &judgement{programme: p}
	for _, e := range s.Episodes() {
		switch e.Kind {
		case rehearsal.EpisodeInversion:
			for k := range all {
				if a := all[k][3]; len(a.Transport.Trapped) == 0 || truth[k].releases[15].why != "an inversion lies over the release" {
					t.Errorf("%s at %s: trapped by %v, in truth %s", truth[k].site, a.ReleaseTime.Format("15:04"), a.Transport.Trapped, truth[k].releases[15].why)
				}
			}
		case rehearsal.EpisodeIcedOver:
			// With cloud tops and echo left out of the judgement it would look like
			// a window.
			for k := range p.Sites {
				at := e.From.Add(20 * time.Minute).Truncate(5 * time.Minute)
				a, err := seedability.Assess(t.Context(), p.ID, j.siteOf(&p.Sites[k]), at, at, evidence(at), lax)
				if err != nil || a.Score.Value == nil || *a.Score.Value < p.Thresholds.WindowScore {
					t.Errorf("%s, iced over, tops and echo not judged: score %v, %v; want what would be a window", p.Sites[k].ID, text(a.Score.Value), err)
				}
				if full := all[k].value(int(at.Sub(rehearsalStart) / (5 * time.Minute))); !(full < 30) {
					t.Errorf("%s, iced over: score %.0f", p.Sites[k].ID, full)
				}
				if why := truth[k].releases[int(at.Sub(rehearsalStart)/truthEvery)].why; !strings.Contains(why, "its own ice") {
					t.Errorf("%s, iced over: in truth %s", p.Sites[k].ID, why)
				}
			}
		}
	}
}

// A model with hourly output sees the same windows, though less sharply: the bands
// are broad enough for that.
func TestRehearsalTruthThroughHourlyFields(t *testing.T) {
	s, p := rehearsal.NewScenario(rehearsalStart, 1), rehearsalProgramme(t)
	all := judged(t, p, methodOf(p), 10*time.Minute, knownStorm(t, s, time.Hour))
	compareWindows(t, truthOf(s, p), all, p.Thresholds.WindowScore, 15)
}

// What the service would have published: hourly fields of the newest forecast that
// is out, wrong as it is, and a window that opens only when two assessments in a
// row say so. Runs are taken to be out 55 minutes after their start.
func TestRehearsalTruthThroughForecasts(t *testing.T) {
	s, p := rehearsal.NewScenario(rehearsalStart, 7), rehearsalProgramme(t)
	method, truth, known := methodOf(p), truthOf(s, p), knownStorm(t, s, time.Hour)
	const outAfter = 55 * time.Minute
	runs := make([]*grid.Atmosphere, 9)
	for k := range runs {
		from := time.Duration(k-1) * time.Hour
		runs[k] = knownAir(t, s.Forecast(s.Start().Add(from)), time.Hour, from, from+4*time.Hour)
	}
	all := judged(t, p, method, 5*time.Minute, func(at time.Time) seedability.Evidence {
		evidence := known(at)
		evidence.Atmosphere = runs[min(int((at.Sub(s.Start())+time.Hour-outAfter)/time.Hour), len(runs)-1)]
		return evidence
	})
	limits := method.Limits
	limits.Hysteresis, limits.ConsecutiveScores = p.Thresholds.Hysteresis, p.Thresholds.ConsecutiveScores
	for k, site := range truth {
		var got []truthWindow
		var standing *seedability.Standing
		for _, a := range all[k] {
			a.Confidence.Value = 1 // the box does not say how old its run is
			now := seedability.Settle(standing, a, nil, limits)
			wasOpen, open := standing != nil && standing.State == seedability.StateWindow, now.State == seedability.StateWindow
			switch {
			case open && !wasOpen:
				got = append(got, truthWindow{open: a.AsOf, best: a.AsOf})
			case wasOpen && !open:
				got[len(got)-1].close = a.AsOf
			}
			standing = &now
		}
		t.Logf("%-13s true  %s", site.site, windowText(site.windows))
		t.Logf("%-13s stood %s", "", windowText(got))
		if len(got) != len(site.windows) {
			t.Errorf("%s: %d windows, want %d", site.site, len(got), len(site.windows))
			continue
		}
		for n, want := range site.windows {
			if open, shut := minutesApart(got[n].open, want.open), minutesApart(got[n].close, want.close); math.Abs(open) > 10 || math.Abs(shut) > 10 {
				t.Errorf("%s: window %d opens %.0f min late and closes %.0f min late, at most 10 either way are allowed", site.site, n+1, open, shut)
			}
		}
	}
}

// The timetable is the same for every seed; the textures differ.
func TestRehearsalTruthOfOtherSeeds(t *testing.T) {
	p := rehearsalProgramme(t)
	want := truthOf(rehearsal.NewScenario(rehearsalStart, 1), p)
	for _, seed := range []int64{2, 77} {
		for k, site := range truthOf(rehearsal.NewScenario(rehearsalStart, seed), p) {
			if len(site.windows) != 2 {
				t.Errorf("seed %d: %s has windows %s", seed, site.site, windowText(site.windows))
				continue
			}
			for n, w := range site.windows {
				if math.Abs(minutesApart(w.open, want[k].windows[n].open)) > 5 || math.Abs(minutesApart(w.close, want[k].windows[n].close)) > 5 {
					t.Errorf("seed %d: %s: %s, with seed 1 %s", seed, site.site, windowText(site.windows), windowText(want[k].windows))
				}
			}
		}
	}
}

func BenchmarkRehearsalTruth(b *testing.B) {
	s := rehearsal.NewScenario(rehearsalStart, 1)
	p, err := parseProgramme("programme.yaml", rehearsal.ProgrammeYAML(), nil)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		truthOf(s, p)
	}
}
