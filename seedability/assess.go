package seedability

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/agent"
	"rimeline/seedability/drift"
	"rimeline/seedability/liquid"
	"rimeline/seedability/profile"
	"rimeline/seedability/radar"
)

// Site is one place of release, as the programme describes it.
type Site struct {
	ID, Name string
	Place    grid.LatLon
	// AltitudeM of the ground above the geoid; NaN takes the model's terrain.
	AltitudeM      float64
	ReleaseHeightM float64
	// Barrier between site and target; nil where none is given, and then the
	// components that need one are not known.
	Barrier *profile.Barrier
	Agent   Agent
	Targets []Target
}

// Agent is what the site burns.
type Agent struct {
	RateGPerS float64 // silver iodide while burning
	// Burn is how long one release lasts; 0 for a generator, which is then
	// followed for ContinuousBurn.
	Burn  time.Duration
	Yield agent.Yield
	// NucleationTimeS is the e-folding time of ice formation; NaN for the
	// temperature-dependent default.
	NucleationTimeS float64
}

// ContinuousBurn is the part of a generator's plume that one assessment follows.
const ContinuousBurn = 5 * time.Minute

// Target is an area in which ice should fall.
type Target interface {
	TargetID() string
	TargetName() string
	Contains(grid.LatLon) bool
	// Outline lists the outer vertices.
	Outline() []grid.LatLon
}

// Evidence is what is known of the air.
type Evidence struct {
	// Atmosphere is the air that particles are followed through. Where it was
	// drawn towards observations, Background is the model's own, and Correction
	// says what was done; see Corrected.
	Atmosphere *grid.Atmosphere
	Background *grid.Atmosphere
	Correction grid.Correction
	// ModelLabel names the model output for people, ModelFiles its files.
	ModelLabel string
	ModelFiles []File
	Soundings  []Sounding
	Radars     []RadarScan
	Mosaics    []Mosaic
	CloudTops  *CloudTops // nil for none
	Bands      *BandWatch // nil for none
}

// Sounding is one ascent.
type Sounding struct {
	Column grid.Column
	File   File
}

// Method holds the numbers that a programme may set.
type Method struct {
	Criteria []Criterion
	Limits   Limits
	Drift    drift.Options
	Ageings  map[string]Ageing
	// Required names input kinds (those of Ageings) without which the site is
	// blind for a release up to an hour ahead.
	Required []string
}

// DefaultMethod is the method where a programme changes nothing.
func DefaultMethod() Method {
	return Method{Criteria: DefaultCriteria(), Limits: DefaultLimits(), Drift: drift.DefaultOptions(), Ageings: Ageings}
}

// Of the assessment; common practice, no source, where none is named.
const (
	// cloudKgPerM3 of liquid water is cloud for a plume.
	cloudKgPerM3 = 2e-5
	// onsetK: silver iodide acts when colder (Dennis 1980).
	onsetK = 268.15
	// growthTime after first contact is the time in which crystals form and grow.
	growthTime = 20 * time.Minute
	// Plumes in mountains are wider than over plains: full angles of 13 to 26
	// degrees were flown over the Park Range in 1967 (university report,
	// diffusion tests 37-52); half of 20 is taken. Depth: most of a plume was
	// within 600 m above the crest (abstract on plume flights, Medicine Bow
	// range, 2011).
	plumeHalfAngleDeg = 10.0
	plumeDepthM       = 600.0
	// nearestPlumeM keeps the plume's width finite near the site.
	nearestPlumeM = 500.0
	// soundingReachM: ascents farther away say nothing of the site's air.
	soundingReachM = 250e3
	// leastAloft: the mean of fewer members than this share is no path.
	leastAloft = .25
	// soundingSameAir and soundingOtherAir: liquid comes in episodes, half of them
	// shorter than 3 h over Grand Mesa (Boe and Super, J. Wea. Mod.). Up to the
	// first difference in time a sounding's liquid counts in full, from the second
	// on not at all.
	soundingSameAir  = time.Hour
	soundingOtherAir = 3 * time.Hour
	// terrainDifferenceM between site and model that is worth a note.
	terrainDifferenceM = 150.0
)

// Assess judges one release of one site. The error is set where the site is not
// inside the atmosphere in space or time (drift.ErrNoRelease) or ctx ended; all
// other lacks are part of the assessment.
func Assess(ctx context.Context, programme string, site Site, release, asOf time.Time, evidence Evidence, method Method) (Assessment, error) {
	if evidence.Atmosphere == nil {
		return Assessment{}, errors.New("no atmosphere")
	}
	if len(site.Targets) == 0 {
		return Assessment{}, fmt.Errorf("site %s: no target", site.ID)
	}
	s := &assessor{site: site, release: release, asOf: asOf, evidence: evidence, method: method, air: evidence.Atmosphere}
	s.a = Assessment{Programme: programme, ReleaseTime: release.UTC(), AsOf: asOf.UTC(), Cautions: Cautions, Notes: []string{}, Inputs: []Input{}, Bands: []BandPassage{}}

	if err := s.followPlume(ctx); err != nil {
		return Assessment{}, err
	}
	for k := range s.ensemble.Members {
		if m := &s.ensemble.Members[k]; m.Fate == drift.Landed {
			s.a.Landings = append(s.a.Landings, m.End.Place)
		}
	}
	s.readColumns()
	s.weighSounding()
	s.watch()
	quantities := s.quantities()
	caps := s.dose()

	components, opportunity, knownWeight := Judge(method.Criteria, quantities, caps)
	hit := s.ensemble.TargetProbability(s.inAnyTarget)
	s.a.Score = Score{
		Value: number(Headline(opportunity, hit.P)), Opportunity: number(opportunity),
		TargetProbability: number(hit.P), TargetStandardError: number(hit.StandardError),
		Components: components, Caps: append([]Cap{}, caps...), KnownWeight: knownWeight,
	}
	s.a.Confidence = s.confidence(knownWeight).fade(release, asOf)
	s.a.State, s.a.StateReason = stateOf(s.a.Score, s.a.Confidence, method.Limits)
	s.a.Notes = append(s.a.Notes, s.air.Notes()...)
	return s.a, nil
}

// assessor carries one assessment from step to step.
type assessor struct {
	site          Site
	release, asOf time.Time
	evidence      Evidence
	method        Method
	air           *grid.Atmosphere
	a             Assessment

	ensemble   drift.Ensemble
	activation drift.Event
	activated  bool
	// plume is what the mean track met.
	plume plumeInCloud
	// zone is the column where the plume is activated (or comes highest), siteAir
	// the one over the site.
	zone, siteAir profile.Derived
	// pathLiquid is the mean supercooled water path over the growth stretch.
	pathLiquid      float64
	nearest         *Sounding
	nearestM        float64
	nearestDerived  profile.Derived
	comparisons     []disagreement
	soundingQuality float64
	modelFreshness  float64
	combined        liquid.Combined

	// layer is the strongest echo between 0 and -20 °C, and layerFrom who saw it,
	// empty for nobody.
	layer      radar.LayerMaximum
	layerFrom  string
	top        CloudTop
	topSeen    bool
	bandChance Quantity
}

func (s *assessor) inAnyTarget(place grid.LatLon) bool {
	for _, target := range s.site.Targets {
		if target.Contains(place) {
			return true
		}
	}
	return false
}

// followPlume runs the ensemble and describes where it went.
func (s *assessor) followPlume(ctx context.Context) error {
	burn := s.site.Agent.Burn
	if burn <= 0 {
		burn = ContinuousBurn
	}
	options := s.method.Drift
	if s.site.Barrier != nil {
		options.CrestAltitudeM = s.site.Barrier.CrestAltitudeM
	}
	altitudeM := s.site.AltitudeM
	var err error
	s.ensemble, err = drift.Run(ctx, s.air, drift.Release{
		Site: s.site.ID, Place: s.site.Place, HeightAboveGroundM: s.site.ReleaseHeightM, AltitudeM: altitudeM, Start: s.release, Burn: burn,
	}, options)
	if err != nil {
		return err
	}
	modelTerrainM, _ := s.air.TerrainAltitudeM(s.site.Place)
	if math.IsNaN(altitudeM) {
		altitudeM = modelTerrainM
	} else if d := altitudeM - modelTerrainM; math.Abs(d) > terrainDifferenceM {
		side := "above"
		if d < 0 {
			side = "below"
		}
		s.note("the site lies %.0f m %s the model's smoothed ground (%.0f m)", math.Abs(d), side, modelTerrainM)
	}
	s.a.Site = SiteRef{ID: s.site.ID, Name: s.site.Name, LatitudeDeg: s.site.Place.LatitudeDeg, LongitudeDeg: s.site.Place.LongitudeDeg,
		AltitudeM: altitudeM + s.site.ReleaseHeightM, ModelTerrainM: modelTerrainM}

	e := &s.ensemble
	t := Transport{Members: len(e.Members), Fates: map[string]int{}, ActivatedShare: e.ActivatedShare(), Trapped: []string{}, Targets: []TargetResult{}}
	for fate, count := range e.Counts() {
		t.Fates[fate.String()] = count
	}
	minutes := func(q drift.Quantiles, ok bool) Quantiles {
		if !ok {
			return Quantiles{}
		}
		return Quantiles{number(q.Q10 / 60), number(q.Q50 / 60), number(q.Q90 / 60)}
	}
	t.ActivationMinutes = minutes(e.ActivationDelays())
	t.LandingMinutes = minutes(e.LandingDelays())
	if s.activation, s.activated = e.MeanActivation(); s.activated {
		t.Activation = s.event(s.activation)
	}
	if landing, ok := e.MeanLanding(); ok {
		t.Landing = s.event(landing)
	}
	if ellipse, ok := e.LandingEllipse(); ok {
		t.LandingEllipse = &Ellipse{LatitudeDeg: ellipse.Centre.LatitudeDeg, LongitudeDeg: ellipse.Centre.LongitudeDeg,
			SemiMajorM: ellipse.SemiMajorM, SemiMinorM: ellipse.SemiMinorM, MajorAxisDeg: ellipse.MajorBearingDeg}
	}
	for _, target := range s.site.Targets {
		p := e.TargetProbability(target.Contains)
		lie := e.RelativeTo(target.Outline(), target.Contains)
		t.Targets = append(t.Targets, TargetResult{ID: target.TargetID(), Name: target.TargetName(), Probability: p.P, StandardError: p.StandardError,
			Inside: lie.Inside, Short: lie.Short, Past: lie.Over, Beside: lie.Beside})
	}
	s.a.Transport = t
	return nil
}

func (s *assessor) event(e drift.Event) *Event {
	return &Event{LatitudeDeg: e.Place.LatitudeDeg, LongitudeDeg: e.Place.LongitudeDeg, AltitudeM: e.AltitudeM, AirTemperatureK: number(e.AirTemperatureK),
		DistanceM: grid.DistanceM(s.site.Place, e.Place), BearingDeg: grid.AzimuthDeg(s.site.Place, e.Place)}
}

func (s *assessor) note(format string, arguments ...any) {
	s.a.Notes = append(s.a.Notes, fmt.Sprintf(format, arguments...))
}

// plumeInCloud is what the mean track met of liquid.
type plumeInCloud struct {
	// firstK is the air temperature where the plume first met supercooled cloud,
	// firstAge the time since release; NaN where it met none.
	firstK   float64
	firstAge time.Duration
	// workingK is the liquid-weighted mean temperature of the plume in cloud
	// colder than the onset, during the growth time from its first such contact;
	// NaN where there was none.
	workingK float64
	// workingAge is that first contact, workingTime how long it lasted.
	workingAge, workingTime time.Duration
	// coldestInCloudK and coldestK along the whole track.
	coldestInCloudK, coldestK float64
}

// meetCloud walks the mean track.
func meetCloud(track []drift.TrackPoint, step time.Duration) plumeInCloud {
	p := plumeInCloud{firstK: math.NaN(), workingK: math.NaN(), coldestInCloudK: math.NaN(), coldestK: math.NaN()}
	var weight, sum float64
	for _, point := range track {
		p.coldestK = fmin(p.coldestK, point.AirTemperatureK)
		if !(point.LiquidKgPerM3 >= cloudKgPerM3) || point.AirTemperatureK >= 273.15 {
			continue
		}
		p.coldestInCloudK = fmin(p.coldestInCloudK, point.AirTemperatureK)
		if math.IsNaN(p.firstK) {
			p.firstK, p.firstAge = point.AirTemperatureK, point.Age
		}
		if point.AirTemperatureK > onsetK || weight > 0 && point.Age > p.workingAge+growthTime {
			continue
		}
		if weight == 0 {
			p.workingAge = point.Age
		}
		weight += point.LiquidKgPerM3
		sum += point.LiquidKgPerM3 * point.AirTemperatureK
		p.workingTime += step
	}
	if weight > 0 {
		p.workingK = sum / weight
	}
	return p
}

// fmin is the smaller, passing over NaN.
func fmin(a, b float64) float64 {
	if math.IsNaN(a) {
		return b
	}
	if math.IsNaN(b) {
		return a
	}
	return math.Min(a, b)
}

// agentPath integrates the column's supercooled liquid in the agent's window.
func agentPath(column grid.Column) float64 {
	samples := make([]liquid.Sample, 0, len(column.Levels))
	for _, level := range column.Levels {
		if math.IsNaN(level.CloudLiquidKgPerKg) {
			continue
		}
		// The density of dry air is within 0.5 % of that of moist air below 0 °C.
		density := level.PressurePa / (287.05 * level.AirTemperatureK)
		samples = append(samples, liquid.Sample{AltitudeM: level.AltitudeM, AirTemperatureK: level.AirTemperatureK, LiquidKgPerM3: density * level.CloudLiquidKgPerKg})
	}
	return liquid.Integrate(samples, liquid.AgentWindow).KgPerM2
}

// readColumns derives the columns along the path.
func (s *assessor) readColumns() {
	track := s.ensemble.Track
	step := s.method.Drift.Step
	s.plume = meetCloud(track, step)

	from := s.plume.workingAge
	if math.IsNaN(s.plume.workingK) {
		from = s.plume.firstAge
	}
	sum, count := 0.0, 0
	s.pathLiquid = math.NaN()
	s.a.Path = make([]PathStep, 0, len(track))
	highest := 0
	for k, point := range track {
		if float64(point.Aloft) < leastAloft*float64(len(s.ensemble.Members)) {
			break
		}
		if point.AltitudeM > track[highest].AltitudeM {
			highest = k
		}
		pathLiquid := math.NaN()
		if column, ok := s.air.CloudColumnAt(point.Place, s.ensemble.Time(point)); ok {
			pathLiquid = agentPath(column)
			if point.Age >= from && point.Age <= from+growthTime && !math.IsNaN(pathLiquid) {
				sum, count = sum+pathLiquid, count+1
			}
		}
		s.a.Path = append(s.a.Path, PathStep{Minutes: point.Age.Minutes(), LatitudeDeg: point.Place.LatitudeDeg, LongitudeDeg: point.Place.LongitudeDeg,
			AltitudeM: point.AltitudeM, HeightM: point.HeightAboveGroundM, Members: point.Aloft,
			AirTemperatureK: number(point.AirTemperatureK), LiquidKgPerM3: number(point.LiquidKgPerM3),
			SpreadM: point.SpreadM, AltitudeSpreadM: point.AltitudeSpreadM, LiquidPathKgPerM2: number(pathLiquid)})
	}
	if count > 0 {
		s.pathLiquid = sum / float64(count)
	}

	options := profile.DefaultOptions()
	options.ReleaseAltitudeM = s.a.Site.AltitudeM
	options.Barrier = s.site.Barrier
	if column, ok := s.air.ColumnAt(s.site.Place, s.release); ok {
		s.siteAir = profile.Derive(column, options)
	}
	place, at, where := s.site.Place, s.release, "over the site"
	switch {
	case s.activated:
		place, at, where = s.activation.Place, s.activation.Time, "where the plume is activated"
	case len(track) > 0:
		place, at, where = track[highest].Place, s.ensemble.Time(track[highest]), "where the plume comes highest"
	}
	options.Barrier = nil
	if column, ok := s.air.ColumnAt(place, at); ok {
		s.zone = profile.Derive(column, options)
	}
	s.a.Levels = Levels{Place: where, IsothermsM: isotherms(s.zone),
		FreezingLevelM: number(float64(s.zone.FreezingLevelAltitudeM)),
		CloudBaseM:     number(float64(s.zone.Cloud.DeckBaseAltitudeM)), CloudTopM: number(float64(s.zone.Cloud.DeckTopAltitudeM)),
		CloudTopK: number(float64(s.zone.Cloud.TopTemperatureK))}
}

func isotherms(derived profile.Derived) map[string]float64 {
	at := map[string]float64{}
	for _, isotherm := range derived.Isotherms {
		if isotherm.LowestAltitudeM.Known() {
			at[fmt.Sprintf("%.0f", isotherm.AirTemperatureK-273.15)] = math.Round(float64(isotherm.LowestAltitudeM)*10) / 10
		}
	}
	return at
}

// quantities finds the number behind each component.
func (s *assessor) quantities() map[string]Quantity {
	celsius := func(k float64) float64 { return k - 273.15 }
	q := map[string]Quantity{}

	q[ComponentLiquid] = s.liquid()

	p := s.plume
	temperature := Quantity{Value: math.NaN()}
	switch {
	case !math.IsNaN(p.workingK):
		temperature.Value = celsius(p.workingK)
		temperature.Reason = fmt.Sprintf("the plume meets supercooled cloud at %.1f °C after %.0f min and works in it at %.1f °C on average", celsius(p.firstK), p.firstAge.Minutes(), celsius(p.workingK))
	case s.activated:
		temperature.Value = celsius(s.activation.AirTemperatureK)
		temperature.Reason = fmt.Sprintf("%.0f %% of the members are activated, at %.1f °C on average; the mean plume stays below %.2f g/m³ of liquid", 100*s.a.Transport.ActivatedShare, temperature.Value, 1000*cloudKgPerM3)
		if !s.air.HasCloudWater() {
			temperature.Reason = fmt.Sprintf("the model gives no cloud water; %.0f %% of the members meet saturated air, at %.1f °C on average", 100*s.a.Transport.ActivatedShare, temperature.Value)
		}
	case !math.IsNaN(p.coldestInCloudK):
		temperature.Value = celsius(p.coldestInCloudK)
		temperature.Reason = fmt.Sprintf("the plume meets cloud, but none colder than %.1f °C", temperature.Value)
	case !math.IsNaN(p.coldestK):
		temperature.Value, temperature.Forbidden = celsius(p.coldestK), true
		temperature.Reason = fmt.Sprintf("the plume meets no supercooled cloud; the coldest air on its way has %.1f °C", temperature.Value)
	default:
		temperature.Reason = "the plume was not followed"
	}
	q[ComponentTemperature] = temperature

	q[ComponentCloudTop] = s.cloudTop()
	q[ComponentBand], q[ComponentNaturalIce] = s.bandChance, s.naturalIce()
	depth := float64(s.zone.Cloud.ColdDepthM)
	q[ComponentCloudDepth] = Quantity{Value: depth, Reason: known(depth, "cloud %s is %.0f m deep where colder than 0 °C", s.a.Levels.Place, depth)}

	switch flow := s.siteAir.Barrier; {
	case s.site.Barrier == nil:
		q[ComponentDelivery] = Quantity{Value: math.NaN(), Reason: "the programme gives no barrier"}
		q[ComponentCrossBarrierWind] = q[ComponentDelivery]
	case flow == nil:
		q[ComponentDelivery] = Quantity{Value: math.NaN(), Reason: "the model has no column over the site"}
		q[ComponentCrossBarrierWind] = q[ComponentDelivery]
	default:
		froude, wind := float64(flow.Froude), float64(flow.CrossBarrierMPerS)
		delivery := Quantity{Value: froude, Reason: known(froude, "from the release at %.0f m to the crest at %.0f m", float64(flow.ReleaseAltitudeM), float64(flow.CrestAltitudeM))}
		for _, reason := range flow.Trapping.Reasons {
			if reason.Forbids {
				delivery.Forbidden = true
				s.a.Transport.Trapped = append(s.a.Transport.Trapped, reason.Text)
			}
		}
		if delivery.Forbidden {
			delivery.Reason = "the plume is trapped: " + s.a.Transport.Trapped[0]
		}
		if flow.Trapping.Verdict == profile.VerdictOver && math.IsNaN(froude) {
			// A release at or above the crest has no barrier to cross.
			delivery.Value, delivery.Reason = profile.MaximumFroude, "the release is not below the crest"
		}
		q[ComponentDelivery] = delivery
		q[ComponentCrossBarrierWind] = Quantity{Value: wind, Reason: known(wind, "mean from release to crest, towards %.0f°", float64(flow.TowardDeg))}
	}
	return q
}

// known gives the sentence, or says that the value is not known.
func known(value float64, format string, arguments ...any) string {
	if math.IsNaN(value) {
		return "not known from the inputs"
	}
	return fmt.Sprintf(format, arguments...)
}

// liquid combines the estimates of the water path along the growth stretch.
func (s *assessor) liquid() Quantity {
	var estimates []liquid.Estimate
	all := map[string]float64{}
	if s.air.HasCloudWater() {
		e := liquid.Estimate{Method: "model along the path", Family: "model", KgPerM2: s.pathLiquid, Quality: .7,
			Reason: "the model's cloud water between -6 and -18 °C, mean over the growth stretch of the path"}
		estimates = append(estimates, e)
	}
	for _, e := range s.zone.Liquid.Estimates {
		if e.Method == profile.MethodModel {
			all["model along the path"] = float64(e.SupercooledKgPerM2)
			continue // the path's mean stands for it
		}
		all[e.Method] = float64(e.SupercooledKgPerM2)
		one := e.Estimate()
		one.Reason += ", in the model's column " + s.a.Levels.Place
		if s.air.HasCloudWater() {
			// The same model's humidity adds little to its own cloud water.
			one.Quality /= 2
		}
		estimates = append(estimates, one)
	}
	if s.nearest != nil {
		for _, e := range s.nearestDerived.Liquid.Estimates {
			one := e.Estimate()
			one.Method = "sounding " + one.Method
			one.Family = "sounding"
			one.Quality *= s.soundingQuality
			one.Reason += fmt.Sprintf(", in the sounding %s, %.0f km away", s.nearest.Column.Label, s.nearestM/1000)
			all[one.Method] = float64(e.SupercooledKgPerM2)
			estimates = append(estimates, one)
		}
	}
	s.combined = liquid.Combine(estimates)
	s.a.Liquid = Liquid{UsedKgPerM2: number(s.combined.KgPerM2), Estimates: []LiquidEstimate{}}
	for _, e := range s.combined.Estimates {
		if math.IsNaN(e.KgPerM2) {
			continue
		}
		one := LiquidEstimate{Method: e.Method, KgPerM2: e.KgPerM2, Quality: e.Quality, Reason: e.Reason}
		if path, ok := all[e.Method]; ok {
			one.AllKgPerM2 = number(path)
		}
		s.a.Liquid.Estimates = append(s.a.Liquid.Estimates, one)
	}
	if s.combined.From < 0 {
		return Quantity{Value: math.NaN(), Reason: "no method gives a liquid water path"}
	}
	best := s.combined.Estimates[s.combined.From]
	s.a.Liquid.Method = best.Method
	return Quantity{Value: s.combined.KgPerM2, Reason: fmt.Sprintf("%.2f of %.3f mm, by %s: %s", best.Quality, best.KgPerM2, best.Method, best.Reason)}
}

// dose estimates the concentration of crystals, and the caps that follow.
func (s *assessor) dose() []Cap {
	workingK := s.plume.workingK
	if math.IsNaN(workingK) && s.activated {
		workingK = s.activation.AirTemperatureK
	}
	if math.IsNaN(workingK) || !s.activated {
		s.a.Dose = Dose{Reason: "the plume is not activated"}
		return nil
	}
	distanceM := math.Max(grid.DistanceM(s.site.Place, s.activation.Place), nearestPlumeM)
	sinceS := s.activation.Time.Sub(s.release).Seconds()
	speed := math.Max(distanceM/math.Max(sinceS, 60), .5)
	inCloud := s.plume.workingTime
	if inCloud <= 0 || inCloud > growthTime {
		inCloud = growthTime
	}
	tau := s.site.Agent.NucleationTimeS
	if math.IsNaN(tau) {
		tau = agent.NucleationTimeS(workingK)
	}
	perG := s.site.Agent.Yield.CrystalsPerG(workingK)
	fraction := agent.NucleatedFraction(inCloud.Seconds(), tau)
	perLitre := agent.Plume{ReleaseRateGPerS: s.site.Agent.RateGPerS, CrystalsPerG: perG, NucleatedFraction: fraction,
		WindSpeedMPerS: speed, WidthM: 2 * distanceM * math.Tan(plumeHalfAngleDeg*math.Pi/180), DepthM: plumeDepthM}.CrystalsPerLitre()
	verdict := agent.JudgeDose(perLitre)
	s.a.Dose = Dose{CrystalsPerLitre: number(perLitre), ActivatedPerGram: number(perG * fraction),
		Reason: fmt.Sprintf("%s; %s at %.1f °C, %.0f km downwind", verdict.Reason, s.site.Agent.Yield.Name, workingK-273.15, distanceM/1000)}
	if verdict.OpportunityCap < 1 {
		return []Cap{{verdict.OpportunityCap, verdict.Reason}}
	}
	return nil
}
