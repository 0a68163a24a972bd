package rehearsal

import (
	"cmp"
	_ "embed"
	"fmt"
	"math"
	"slices"
	"time"

	"rimeline/grid"
)

//go:embed programme_duty.yaml
var programmeDutyYAML []byte

// ProgrammeDutyYAML is the invented programme with its suspension criteria and the
// inputs that these need.
func ProgrammeDutyYAML() []byte { return append([]byte{}, programmeDutyYAML...) }

// HeldStretch is a stretch of the storm in which one criterion of the invented
// programme suspends some of its sites, known from the storm alone.
type HeldStretch struct {
	Criterion string // its id in programme_duty.yaml
	// Sites and Targets that it suspends: a release of one of the sites that serves
	// one of the targets.
	Sites, Targets []string
	From, To       time.Time
	Why            string
	// Unknown: the criterion cannot be judged, which counts as held.
	Unknown bool
	// ClearAfter is clear_minutes of the criterion.
	ClearAfter time.Duration
}

// What the truth needs of the criteria; the programme file says the same.
const (
	criterionRiver    = "sallow-river"
	criterionStage    = "sallow-stage"
	criterionWarnings = "public-warnings"
	criterionReady    = "site-ready"
	criterionHeavy    = "heavy-precipitation"
	criterionHours    = "working-hours"

	clearMinutes        = 10
	clearWarningMinutes = 15
	stageHysteresisFt   = .05
	contactMinutes      = 35
	batteryLimitV       = 11.6
	warningsAgeMinutes  = 12
	// heavyDBZ of dry snow are 5.5 mm/h, by Z = 150 S^2 (value from memory; the
	// programme's radars are judged by the same).
	heavyDBZ         = 36.57
	heavyAltitudeM   = 3000  // about that of the lowest beam over the targets
	fromHour, toHour = 5, 22 // of local time
	holdsStep        = 10 * time.Second
)

// targetRings are the outlines of the targets, as in the programme file.
var targetRings = map[string][][2]float64{
	"upper-vantry": {{-112.723, 44.181}, {-112.256, 44.252}, {-112.302, 44.410}, {-112.449, 44.471}, {-112.786, 44.392}, {-112.723, 44.181}},
	"sallow-fork":  {{-112.660, 43.970}, {-112.337, 44.001}, {-112.205, 44.076}, {-112.256, 44.252}, {-112.723, 44.181}, {-112.660, 43.970}},
}

var (
	// The sites in the south, whose snow falls into the Sallow Fork.
	riverSites    = []string{"cold-anvil", "three-kilns", "salt-lantern"}
	sallowTarget  = []string{"sallow-fork"}
	everyTarget   = []string{"upper-vantry", "sallow-fork"}
	sitesOfSallow = []string{"marrow-flat", "cold-anvil", "quillback", "three-kilns", "salt-lantern"}
)

// Holds are all stretches in which a criterion of the invented programme suspends a
// site, by their beginning, from the storm's own formulas and timetable.
//
// From is when the store first shows the cause, To when it first shows that it is
// gone; the last may end with the storm. What a service publishes differs from it
// by how often it looks:
//
//   - A hold is raised up to one poll of its source and one judgement after From:
//     two minutes for warnings and sites, five for the river, ten for the reservoir.
//
//   - It lifts no sooner than ClearAfter after To, and later by as much.
//
//   - After the outage a source that did not answer is asked again after at most
//     ten minutes, by the rule of backing off; so what begins or ends from its
//     start on may come that much later.
//
//   - Unknown stretches begin warningsAgeMinutes after the last good answer, which
//     may be two minutes older than the outage.
//
//   - Before every input was read once, in the first minutes of a rehearsal, all
//     criteria with inputs are unknown, and stay so for ClearAfter.
//
//   - Precipitation is that of radar volumes, which last five minutes; what melts in
//     the first band may look like more than it is, for some minutes.
//
// Never suspended by: the reservoir (it calls for a look all the time), wind,
// season, and manual holds (nobody sets one).
func (s *Scenario) Holds() []HeldStretch {
	var all []HeldStretch
	// stretches finds when a cause is there.
	stretches := func(of HeldStretch, cause func(now time.Time) (bool, string)) {
		open := false
		for now := s.Start(); !now.After(s.End()); now = now.Add(holdsStep) {
			held, why := cause(now)
			switch {
			case held && !open:
				of.From, of.Why, open = now, why, true
			case !held && open:
				of.To, open = now, false
				all = append(all, of)
			}
		}
		if open {
			of.To = s.End()
			all = append(all, of)
		}
	}
	clear := clearMinutes * time.Minute
	gauge := s.RiverGauge()
	newest := func(now time.Time, after time.Duration) float64 {
		at := s.newestReading(now, gaugeEvery, after)
		stageFt, ok := s.readingFt(at)
		if !ok {
			stageFt, _ = s.readingFt(at.Add(-gaugeEvery))
		}
		return stageFt
	}

	// The official category, observed or foreseen.
	stretches(HeldStretch{Criterion: criterionRiver, Sites: riverSites, Targets: sallowTarget, ClearAfter: clear}, func(now time.Time) (bool, string) {
		stageFt := newest(now, nwpsAfter)
		if stageFt >= gauge.MinorFt {
			return true, fmt.Sprintf("%s at %.1f ft, minor flood begins at %.1f ft", gauge.LID, stageFt, gauge.MinorFt)
		}
		foreseenFt, when := s.foreseenFt(now)
		return foreseenFt >= gauge.MinorFt, fmt.Sprintf("%s is foreseen at %.1f ft for %s, minor flood begins at %.1f ft", gauge.LID, foreseenFt, when.UTC().Format("15:04 UTC"), gauge.MinorFt)
	})
	// The stage itself, as the other service gives it.
	above := false
	stretches(HeldStretch{Criterion: criterionStage, Sites: riverSites, Targets: sallowTarget, ClearAfter: clear}, func(now time.Time) (bool, string) {
		stageFt := newest(now, usgsAfter)
		above = stageFt >= gauge.MinorFt || above && stageFt >= gauge.MinorFt-stageHysteresisFt
		return above, fmt.Sprintf("%s at %.1f ft, the limit is %.1f ft", gauge.USGS, stageFt, gauge.MinorFt)
	})
	// Warnings: what counts here is the flash flood warning over the Sallow Fork.
	stretches(HeldStretch{Criterion: criterionWarnings, Sites: sitesOfSallow, Targets: everyTarget, ClearAfter: clearWarningMinutes * time.Minute}, func(now time.Time) (bool, string) {
		for _, m := range s.listed(now) {
			if m.status == "Actual" && m.kind != "Cancel" && m.phenomenon == "FF.W" {
				return true, m.event + " for the burnt slopes of the Sallow Fork"
			}
		}
		return false, ""
	})
	awayFrom, awayTo := s.Outage()
	var ids []string
	for _, site := range crewSites {
		ids = append(ids, site.ID)
	}
	stretches(HeldStretch{Criterion: criterionWarnings, Sites: ids, Targets: everyTarget, ClearAfter: clearWarningMinutes * time.Minute, Unknown: true}, func(now time.Time) (bool, string) {
		return now.Sub(awayFrom) > warningsAgeMinutes*time.Minute && now.Before(awayTo), "the list of warnings is too old: its service does not answer"
	})
	// What the sites say of themselves.
	for _, site := range crewSites {
		stretches(HeldStretch{Criterion: criterionReady, Sites: []string{site.ID}, Targets: everyTarget, ClearAfter: clear}, func(now time.Time) (bool, string) {
			at := s.newestReport(site, now)
			volts := s.SiteAt(site, at).BatteryV
			if volts <= batteryLimitV {
				return true, fmt.Sprintf("battery at %.2f V, the limit is %.1f V", volts, batteryLimitV)
			}
			return now.Sub(at) > contactMinutes*time.Minute, "the link is down"
		})
	}
	// The strongest echo over each target, in steps of a minute.
	for _, target := range everyTarget {
		places := s.placesIn(targetRings[target])
		var minute time.Time
		var strongestDBZ float64
		stretches(HeldStretch{Criterion: criterionHeavy, Sites: ids, Targets: []string{target}, ClearAfter: clear}, func(now time.Time) (bool, string) {
			if at := now.Truncate(time.Minute); !at.Equal(minute) {
				minute, strongestDBZ = at, math.Inf(-1)
				for _, xy := range places {
					if dBZ := s.ReflectivityDBZ(xy[0], xy[1], heavyAltitudeM, s.hours(at)); dBZ > strongestDBZ {
						strongestDBZ = dBZ
					}
				}
			}
			return strongestDBZ >= heavyDBZ, fmt.Sprintf("echo of %.0f dBZ over the target", strongestDBZ)
		})
	}
	// The clock, for storms that begin at other hours than the rehearsal's.
	stretches(HeldStretch{Criterion: criterionHours, Sites: ids, Targets: everyTarget}, func(now time.Time) (bool, string) {
		hour := now.In(localTime).Hour()
		return hour < fromHour || hour >= toHour, "no work is planned at this hour"
	})
	slices.SortStableFunc(all, func(a, b HeldStretch) int {
		return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Criterion, b.Criterion))
	})
	return all
}

// placesIn are places of the plane inside a ring of longitudes and latitudes, every
// three kilometres: the texture of the echo is ten times as wide.
func (s *Scenario) placesIn(ring [][2]float64) (places [][2]float64) {
	const everyM = 3000.0
	plane := PlaneOf(s)
	corners := make([][2]float64, len(ring))
	low, high := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	for k, at := range ring {
		x, y := plane.XY(grid.LatLon{LatitudeDeg: at[1], LongitudeDeg: at[0]})
		corners[k] = [2]float64{x, y}
		low, high = [2]float64{min(low[0], x), min(low[1], y)}, [2]float64{max(high[0], x), max(high[1], y)}
	}
	for x := low[0]; x <= high[0]; x += everyM {
		for y := low[1]; y <= high[1]; y += everyM {
			in := false // even-odd rule
			for k := 1; k < len(corners); k++ {
				a, b := corners[k-1], corners[k]
				if (a[1] > y) != (b[1] > y) && x < a[0]+(y-a[1])/(b[1]-a[1])*(b[0]-a[0]) {
					in = !in
				}
			}
			if in {
				places = append(places, [2]float64{x, y})
			}
		}
	}
	return places
}

// dutyEpisodes are the chapters in which something other than the weather decides.
func (s *Scenario) dutyEpisodes() []Episode {
	gauge := s.RiverGauge()
	// between gives the minutes in which something is so.
	between := func(is func(at time.Time) bool) (from, to time.Time) {
		for at := s.Start(); !at.After(s.End()); at = at.Add(time.Minute) {
			if is(at) {
				if from.IsZero() {
					from = at
				}
				to = at
			}
		}
		return from, to
	}
	floodFrom, floodTo := between(func(at time.Time) bool { return s.StageFt(at) >= gauge.MinorFt })
	minutes := func(m float64) time.Time { return s.at(m / 60) }
	all := []Episode{
		{"flash flood warning", EpisodeWarning, minutes(floodWarningMinutes), minutes(floodCancelMinutes), "for burnt slopes in the Sallow Fork; smaller after half an hour, then cancelled"},
		{"flood stage", EpisodeFlood, floodFrom, floodTo, "the Sallow Fork is in its minor flood category, as was foreseen an hour before: nothing for the sites whose snow falls there"},
	}
	for _, site := range crewSites {
		if site.silent[1] > site.silent[0] {
			all = append(all, Episode{site.ID + " silent", EpisodeSite, s.at(site.silent[0]), s.at(site.silent[1]), "its link is down: nobody knows whether it is ready"})
		}
		from, to := between(func(at time.Time) bool { return s.SiteAt(site, at).BatteryV <= batteryLimitV })
		if !from.IsZero() {
			all = append(all, Episode{site.ID + " weak", EpisodeSite, from, to, "its battery is below the limit, in the middle of a good band"})
		}
	}
	return all
}
