package main

import (
	"math"
	"slices"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/agent"
	"rimeline/seedability/drift"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/profile"
	"rimeline/seedability/programme"
	"rimeline/seedability/radar"
)

// judgement is what the assessments of one programme have in common: the method
// that the programme asks for, and what is known of the air.
type judgement struct {
	programme *programme.Programme
	sites     []*programme.Site
	method    seedability.Method
	weather   *weather
	evidence  seedability.Evidence
	bands     *bandFrames // nil where no row of pictures was given
	// lacks says why there is no atmosphere; empty where there is one.
	lacks string
	known map[time.Time]seedability.Evidence
	// frames remembers volumes that were laid on the plane of the sites; nil for
	// no memory. The label says on which surface.
	frames func(volume *grid.Volume, label string, lay func() (*nowcast.Frame, error)) (*nowcast.Frame, error)
	// gridders remembers what lays volumes of a radar on that plane; nil for no
	// memory.
	gridders func(volume *grid.Volume, prepare func() (*radar.Gridder, error)) (*radar.Gridder, error)
}

// methodOf carries the programme's numbers into the method.
func methodOf(p *programme.Programme) seedability.Method {
	method := seedability.DefaultMethod()
	method.Limits = seedability.Limits{WindowScore: p.Thresholds.WindowScore, MinimumConfidence: p.Thresholds.ConfidenceMinimum,
		Hysteresis: p.Thresholds.Hysteresis, ConsecutiveScores: p.Thresholds.ConsecutiveScores,
		LongestGap: 2 * time.Duration(math.Max(p.Watch.NowMinutes, p.Watch.IdleMinutes)*float64(time.Minute))}
	for k := range method.Criteria {
		criterion := &method.Criteria[k]
		change, ok := p.Thresholds.Components[criterion.Name]
		if !ok {
			continue
		}
		if len(change.Knots) > 0 {
			criterion.Membership = nil
			for _, knot := range change.Knots {
				criterion.Membership = append(criterion.Membership, seedability.Knot{X: knot[0], Mu: knot[1]})
			}
			criterion.Source = "programme file " + p.ID
		}
		if !math.IsNaN(change.Weight) {
			criterion.Weight = change.Weight
		}
	}
	ageings := map[string]seedability.Ageing{}
	for kind, ageing := range seedability.Ageings {
		ageings[kind] = ageing
	}
	hours := func(h float64) time.Duration { return time.Duration(h * float64(time.Hour)) }
	for _, input := range p.Inputs {
		if input.IsSafety() {
			continue // no assessment is made from it
		}
		if input.Required && !slices.Contains(method.Required, input.Kind) {
			method.Required = append(method.Required, input.Kind)
		}
		ageings[input.Kind] = seedability.Ageing{FreshFor: hours(input.FreshHours), UselessAfter: hours(input.MaximumAgeHours)}
	}
	method.Ageings = ageings

	e, minutes := p.Ensemble, func(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
	o := &method.Drift
	o.Members, o.Seed = e.Members, uint64(e.Seed)
	o.MaxDuration = minutes(e.LongestDriftMinutes)
	o.Perturbation = drift.Perturbation{DirectionSDDeg: e.DirectionSDDeg, SpeedSDFraction: e.SpeedSDFraction, UpwardSDFraction: e.VerticalSDFraction}
	o.ActivationWarmestK, o.ActivationColdestK = e.OnsetWarmestK, e.OnsetColdestK
	o.GrowthShortest, o.GrowthMode, o.GrowthLongest = minutes(e.GrowthMinutes.Shortest), minutes(e.GrowthMinutes.Likely), minutes(e.GrowthMinutes.Longest)
	o.FallSpeedMPerS, o.FallSpeedFactor = e.FallSpeedMPerS, e.FallSpeedFactor
	return method
}

// wantsStation: a programme may name the stations whose soundings count.
func (j *judgement) wantsStation(names ...string) bool {
	any := true
	for _, input := range j.programme.Inputs {
		if input.Kind != "sounding" || len(input.Stations) == 0 {
			continue
		}
		any = false
		for _, name := range names {
			if name != "" && slices.Contains(input.Stations, name) {
				return true
			}
		}
	}
	return any
}

// siteToTargetM is the longest way from a site to the centre of a target.
func siteToTargetM(p *programme.Programme) float64 {
	longest := 0.0
	for k := range p.Sites {
		for _, target := range p.TargetsOf(&p.Sites[k]) {
			longest = math.Max(longest, grid.DistanceM(p.Sites[k].Place(), target.Centroid()))
		}
	}
	return longest
}

// servedTarget gives a programme's target to the method.
type servedTarget struct{ *programme.Target }

func (t servedTarget) TargetID() string   { return t.ID }
func (t servedTarget) TargetName() string { return t.Name }
func (t servedTarget) Outline() []grid.LatLon {
	var outline []grid.LatLon
	for _, rings := range t.rings() {
		outline = append(outline, rings[0]...)
	}
	return outline
}

// rings lists the polygons' rings, the outer one first.
func (t servedTarget) rings() [][][]grid.LatLon {
	var polygons [][][]grid.LatLon
	for n := range t.Area.NumPolygons() {
		polygon := t.Area.Polygon(n)
		var rings [][]grid.LatLon
		for r := range polygon.NumLinearRings() {
			var ring []grid.LatLon
			for _, c := range polygon.LinearRing(r).Coords() {
				ring = append(ring, grid.LatLon{LatitudeDeg: c.Y(), LongitudeDeg: c.X()})
			}
			rings = append(rings, ring)
		}
		polygons = append(polygons, rings)
	}
	return polygons
}

// siteOf carries a programme's site into the method.
func (j *judgement) siteOf(site *programme.Site) seedability.Site {
	s := seedability.Site{ID: site.ID, Name: site.Name, Place: site.Place(), AltitudeM: site.AltitudeM, ReleaseHeightM: site.ReleaseHeightM}
	if barrier := j.programme.BarrierOf(site); barrier != nil {
		s.Barrier = &profile.Barrier{CrestAltitudeM: barrier.CrestAltitudeM, TowardDeg: barrier.TowardDeg, ReleaseAltitudeM: math.NaN()}
	}
	table := j.programme.YieldTable(site.Agent.YieldTable)
	yield := agent.Yield{Name: table.ID, Evidence: table.Source}
	for _, point := range table.Points {
		yield.Points = append(yield.Points, agent.YieldPoint{AirTemperatureK: point.AirTemperatureK, CrystalsPerG: point.CrystalsPerG})
	}
	s.Agent = seedability.Agent{RateGPerS: site.Agent.RateGPerS(), Burn: site.Agent.ReleaseDuration(), Yield: yield.Scaled(table.FieldFactor), NucleationTimeS: table.NucleationMinutes * 60}
	for _, target := range j.programme.TargetsOf(site) {
		s.Targets = append(s.Targets, servedTarget{target})
	}
	return s
}

// evidenceAt is what was known at a moment: the model drawn towards what had been
// observed, and bands seen until then.
func (j *judgement) evidenceAt(moment time.Time) seedability.Evidence {
	if known, ok := j.known[moment]; ok {
		return known
	}
	known := j.evidence.Corrected(moment, j.method.Ageings)
	if j.bands != nil {
		known.Bands = j.bands.at(moment)
	}
	if j.known == nil {
		j.known = map[time.Time]seedability.Evidence{}
	}
	j.known[moment] = known
	return known
}
