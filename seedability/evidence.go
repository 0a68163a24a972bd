package seedability

import (
	"fmt"
	"math"

	"rimeline/grid"
	"rimeline/seedability/drift"
	"rimeline/seedability/profile"
)

// weighSounding records the inputs, picks the sounding that says most of the
// site's air, and compares it with the model.
func (s *assessor) weighSounding() {
	model := Input{Kind: "model", Label: s.evidence.ModelLabel, ReferenceTime: s.air.ReferenceTime().UTC(), Files: append([]File{}, s.evidence.ModelFiles...)}
	if reference := s.air.ReferenceTime(); reference.IsZero() {
		// Without the start of the run the first valid time is the best guess.
		first := s.air.Times()[0]
		model.ReferenceTime = first.UTC()
		s.note("the model files do not say when the run began; %s, their first time, is taken", first.UTC().Format("2006-01-02 15:04 UTC"))
	}
	age := s.asOf.Sub(model.ReferenceTime)
	model.AgeHours, s.modelFreshness = age.Hours(), s.method.Ageings["model"].Freshness(age)
	model.Freshness = s.modelFreshness
	if age < 0 {
		s.note("the model run %s lies %.1f h after the moment of judgement", model.ReferenceTime.Format("2006-01-02 15:04 UTC"), -age.Hours())
	}
	s.a.Inputs = append(s.a.Inputs, model)

	bestWorth := 0.0
	for k := range s.evidence.Soundings {
		sounding := &s.evidence.Soundings[k]
		if sounding.Column.Time.IsZero() || len(sounding.Column.Levels) == 0 {
			continue
		}
		age := s.asOf.Sub(sounding.Column.Time)
		freshness := s.method.Ageings["sounding"].Freshness(age)
		distanceM := grid.DistanceM(s.site.Place, sounding.Column.Place)
		if math.IsNaN(distanceM) || distanceM > soundingReachM || freshness == 0 {
			continue
		}
		worth := freshness * (1 - distanceM/soundingReachM)
		s.a.Inputs = append(s.a.Inputs, Input{Kind: "sounding", Label: sounding.Column.Label, ReferenceTime: sounding.Column.Time.UTC(),
			AgeHours: age.Hours(), Freshness: freshness, Files: []File{sounding.File}})
		if worth > bestWorth {
			bestWorth, s.nearest, s.nearestM = worth, sounding, distanceM
		}
	}
	if s.nearest == nil {
		if n := len(s.evidence.Soundings); n > 0 {
			s.note("none of the soundings given (%d) is recent and near enough to count", n)
		}
		return
	}
	apart := s.release.Sub(s.nearest.Column.Time).Abs()
	sameAir := Ageing{FreshFor: soundingSameAir, UselessAfter: soundingOtherAir}.Freshness(apart)
	s.soundingQuality = sameAir * (1 - s.nearestM/soundingReachM)
	options := profile.DefaultOptions()
	s.nearestDerived = profile.Derive(s.nearest.Column, options)
	s.a.Levels.SoundingIsothermsM = isotherms(s.nearestDerived)
	s.compare()
}

// compare sets the sounding against the model's column at the same place and
// time, or, where the model does not reach there, over the site at release.
func (s *assessor) compare() {
	ascent := s.nearest.Column
	column, ok := s.background().ColumnAt(ascent.Place, ascent.Time)
	if !ok {
		// Of another hour the model says nothing of the ascent.
		if s.release.Sub(ascent.Time).Abs() > soundingSameAir {
			return
		}
		if column, ok = s.background().ColumnAt(s.site.Place, s.release); !ok {
			return
		}
		s.note("the model does not reach the sounding %s in space or time; it is compared with the model over the site", ascent.Label)
	}
	model := profile.Derive(column, profile.DefaultOptions())
	for _, temperatureK := range []float64{267.15, 263.15} {
		seen, ok1 := s.nearestDerived.Isotherm(temperatureK)
		forecast, ok2 := model.Isotherm(temperatureK)
		if ok1 && ok2 && seen.LowestAltitudeM.Known() && forecast.LowestAltitudeM.Known() {
			s.comparisons = append(s.comparisons, disagreement{what: fmt.Sprintf("height of %.0f °C", temperatureK-273.15), who: "sounding",
				difference: float64(seen.LowestAltitudeM - forecast.LowestAltitudeM), fine: 150, hopeless: 800, unit: "m"})
		}
	}
	// The wind where the plume crosses the barrier, or 1000 m above the site.
	altitudeM := s.a.Site.AltitudeM + 1000
	if s.site.Barrier != nil {
		altitudeM = s.site.Barrier.CrestAltitudeM
	}
	seen, ok1 := ascent.AtAltitude(altitudeM)
	forecast, ok2 := column.AtAltitude(altitudeM)
	if ok1 && ok2 {
		d := math.Hypot(seen.EastwardMPerS-forecast.EastwardMPerS, seen.NorthwardMPerS-forecast.NorthwardMPerS)
		if !math.IsNaN(d) {
			s.comparisons = append(s.comparisons, disagreement{what: fmt.Sprintf("wind at %.0f m", altitudeM), who: "sounding", difference: d, fine: 3, hopeless: 12, unit: "m/s"})
		}
	}
}

// confidence multiplies what is known of the inputs.
func (s *assessor) confidence(knownWeight float64) Confidence {
	freshness := s.modelFreshness
	reasons := []string{fmt.Sprintf("model run %.1f h old: freshness %.2f", s.a.Inputs[0].AgeHours, freshness)}
	if lacking := s.lacking(); lacking != "" {
		freshness = 0
		reasons = append(reasons, lacking)
	}
	// Members of which nobody knows where they went. One that left the box
	// farther from the site than every target is known to have missed.
	reachM := 0.0
	for _, target := range s.site.Targets {
		for _, corner := range target.Outline() {
			reachM = math.Max(reachM, grid.DistanceM(s.site.Place, corner))
		}
	}
	_, modelEnds := s.air.TimeRange()
	lost := 0
	for k := range s.ensemble.Members {
		m := &s.ensemble.Members[k]
		// The method gives up what has not landed by its longest time: that is
		// no lack of the model.
		givenUp := m.Fate == drift.RanOutOfTime && m.End.Time.Add(s.method.Drift.Step).Before(modelEnds)
		switch m.Fate {
		case drift.LeftSide, drift.LeftTop, drift.RanOutOfTime:
			if !givenUp && !(grid.DistanceM(s.site.Place, m.End.Place) > reachM) {
				lost++
			}
		}
	}
	followed := 1 - float64(lost)/float64(max(len(s.ensemble.Members), 1))
	coverage := knownWeight * followed
	if knownWeight < 1 {
		reasons = append(reasons, fmt.Sprintf("components that are known carry %.0f %% of the weight", 100*knownWeight))
	}
	if lost > 0 {
		reasons = append(reasons, fmt.Sprintf("%d of %d members left the model's area or time short of the targets' far ends", lost, len(s.ensemble.Members)))
	}
	agreement, why := agreementOf(s.comparisons)
	return newConfidence(freshness, coverage, agreement, append(reasons, why...))
}
