package seedability

import (
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/profile"
	"rimeline/seedability/radar"
)

// RadarScan is one volume of a radar.
type RadarScan struct {
	Volume *grid.Volume
	Files  []File
	// Wind over the radar (radar.VAD), nil where it was not derived.
	Wind *radar.WindProfile
}

// CloudTops is what a satellite's imager saw from above.
type CloudTops struct {
	Label string
	Files []File
	// Above gives the top above a place, parallax undone; assumedTopM is the
	// altitude to take where no height was retrieved. False where the scene does
	// not show it.
	Above func(place grid.LatLon, groundAltitudeM, assumedTopM float64) (CloudTop, bool)
	// End of the scan.
	End time.Time
}

// CloudTop is the highest cloud layer above a place.
type CloudTop struct {
	Phase grid.CloudTopPhase
	// AirTemperatureK and AltitudeM are NaN without cloud or retrieval.
	AirTemperatureK, AltitudeM float64
	// Good: the retrieval is of full quality, and its parallax known.
	Good      bool
	ParallaxM float64
}

// MosaicKind is what a radar mosaic shows.
type MosaicKind string

// The kinds that an assessment uses.
const (
	MosaicReflectivity      MosaicKind = "composite reflectivity"      // dBZ
	MosaicPrecipitationRate MosaicKind = "precipitation rate"          // mm/h
	MosaicAtIsotherm        MosaicKind = "reflectivity at an isotherm" // dBZ
)

// Mosaic is a field put together of many radars.
type Mosaic struct {
	Label string
	Kind  MosaicKind
	Time  time.Time
	Files []File
	// Around gives the largest value within a distance of a place, and the state
	// of what was seen there: Measured, BelowThreshold (seen, no echo) or
	// NotCovered.
	Around func(place grid.LatLon, radiusM float64) (largest float64, state grid.GateState)
}

// BandWatch is echo in motion, seen by one radar or mosaic.
type BandWatch struct {
	Label string
	Files []File
	// Scene is nil where nothing was seen; Motion where it could not be told, and
	// NoMotion says why.
	Scene    *nowcast.Scene
	Motion   *nowcast.Motion
	NoMotion string
}

// RadarView is what the radar says of the seeded layer.
type RadarView struct {
	Radar      string    `json:"radar"`
	Time       time.Time `json:"time"`
	AgeMinutes float64   `json:"age_minutes"`
	DistanceM  float64   `json:"distance_m"` // from the radar
	// Layer is between 0 and -20 °C where the plume is activated.
	Layer   LayerView    `json:"layer"`
	Profile []LevelView  `json:"profile"`
	EchoTop *EchoTopView `json:"echo_top"`
	// LowestBeamM is the altitude of the lowest beam over the zone, and
	// AboveActivationM how far above the activation that is: what is lower is
	// not seen.
	LowestBeamM      *float64        `json:"lowest_beam_m"`
	AboveActivationM *float64        `json:"lowest_beam_above_activation_m"`
	IceLoading       *float64        `json:"ice_loading_kg_per_m2"` // an index, no mass of liquid
	BrightBand       *BrightBandView `json:"bright_band"`
	Target           *RateView       `json:"target_rate"`
	Hints            []string        `json:"hints"`
	// WindDifferenceMPerS is the root mean square vector difference of the
	// radar's wind profile and the model's, over the 4 km above the site.
	WindDifferenceMPerS *float64 `json:"wind_difference_m_per_s"`
}

// LayerView is the strongest echo of a layer.
type LayerView struct {
	Sight     string   `json:"sight"` // "echo", "no echo", or why it was not seen
	DBZ       *float64 `json:"dbz"`
	AltitudeM *float64 `json:"altitude_m"`
	SeenShare float64  `json:"seen_share"`
	// Sweep that saw it, its elevation and half the beam's width there.
	Sweep        *int     `json:"sweep"`
	ElevationDeg *float64 `json:"elevation_deg"`
	HalfBeamM    *float64 `json:"half_beam_m"`
}

// LevelView is the reflectivity at an isotherm.
type LevelView struct {
	AirTemperatureK float64  `json:"air_temperature_k"`
	AltitudeM       *float64 `json:"altitude_m"`
	Sight           string   `json:"sight"`
	DBZ             *float64 `json:"dbz"`
}

// EchoTopView is the highest echo of 18 dBZ.
type EchoTopView struct {
	AltitudeM       float64  `json:"altitude_m"`
	AirTemperatureK *float64 `json:"air_temperature_k"`
	AtLeast         bool     `json:"at_least"`
}

// BrightBandView is the melting layer against the model's 0 °C level.
type BrightBandView struct {
	AltitudeM           float64 `json:"altitude_m"`
	BelowFreezingLevelM float64 `json:"below_freezing_level_m"`
	DBZ                 float64 `json:"dbz"`
}

// RateView is the precipitation rate over the target.
type RateView struct {
	MMPerH   float64 `json:"mm_per_h"`
	Class    string  `json:"class"`
	From     string  `json:"from"`     // which beam or mosaic
	Relation string  `json:"relation"` // which Z-R relation, empty for a mosaic's own rate
}

// SatelliteView is the cloud top above the zone.
type SatelliteView struct {
	Label           string    `json:"label"`
	Time            time.Time `json:"time"`
	AgeMinutes      float64   `json:"age_minutes"`
	Phase           string    `json:"phase"`
	AirTemperatureK *float64  `json:"air_temperature_k"`
	AltitudeM       *float64  `json:"altitude_m"`
	ParallaxM       float64   `json:"parallax_m"`
	Good            bool      `json:"good"`
	// Says is what follows from it for supercooled liquid.
	Says string `json:"says"`
}

// BandPassage is one band or cell on its way over the activation zone.
type BandPassage struct {
	ID          int     `json:"id"`
	Kind        string  `json:"kind"` // "band" or "cell"
	Probability float64 `json:"probability"`
	PeakDBZ     float64 `json:"peak_dbz"`
	Arrival     Moment  `json:"arrival"`
	Peak        Moment  `json:"peak"`
	End         Moment  `json:"end"`
	// Release is when to release so that agent and band meet.
	Release ReleaseView `json:"release"`
}

// Moment is a time and one standard deviation of it.
type Moment struct {
	Time      time.Time `json:"time"`
	SDMinutes float64   `json:"sd_minutes"`
}

// ReleaseView is the window of release times for one band; times are null where
// State is not "open".
type ReleaseView struct {
	State       string     `json:"state"`
	Start       *time.Time `json:"start"`
	Best        *time.Time `json:"best"`
	End         *time.Time `json:"end"`
	Probability float64    `json:"probability"`
}

// Of what is observed; common practice, no source, where none is named.
const (
	// radarReachM: farther away the lowest beam passes above every seeded layer.
	radarReachM = 230e3
	// silentDBZ stands for "looked and saw nothing": the lowest code of 8-bit
	// reflectivity of the WSR-88D (RDA/RPG interface control document).
	silentDBZ = -32.0
	// seenStands: echo and cloud tops over a place are other ones an hour later,
	// 40 to 60 km of wind away. Then the model alone is asked.
	seenStands = time.Hour
	// bandHorizon is how far ahead bands are followed, bandStep the step: a band
	// of 15 m/s moves by less than a cell of the picture in it.
	bandHorizon = 2 * time.Hour
	bandStep    = time.Minute
	// zoneRadiusM is how far about the activation a mosaic is searched.
	zoneRadiusM = 5e3
	// coldestLayerK and warmestLayerK bound the layer in which natural ice
	// competes.
	coldestLayerK, warmestLayerK = 253.15, 273.15
)

// zonePlace is where the plume is activated, or would be judged.
func (s *assessor) zonePlace() (grid.LatLon, time.Time, float64) {
	if s.activated {
		return s.activation.Place, s.activation.Time, s.activation.AltitudeM
	}
	return s.zone.Place, s.zone.Time, math.NaN()
}

// freshness of a thing seen at a time, as of the assessment.
func (s *assessor) freshness(kind string, at time.Time) (float64, time.Duration) {
	age := s.asOf.Sub(at)
	return s.method.Ageings[kind].Freshness(age), age
}

// stands says whether what was seen at a time can still be so over the zone when
// the plume is activated there.
func (s *assessor) stands(seen time.Time) bool {
	_, meets, _ := s.zonePlace()
	return meets.Sub(seen) <= seenStands
}

// watch reads radar, mosaics and satellite over the activation zone.
func (s *assessor) watch() {
	place, _, activationM := s.zonePlace()
	s.watchRadar(place, activationM)
	s.watchMosaics(place)
	s.watchSatellite(place)
	s.watchBands(place)
}

// altitudeOf gives the lowest altitude of a temperature in the zone, the ground
// where the column is colder throughout.
func altitudeOf(zone profile.Derived, temperatureK float64) float64 {
	if isotherm, ok := zone.Isotherm(temperatureK); ok && isotherm.LowestAltitudeM.Known() {
		return float64(isotherm.LowestAltitudeM)
	}
	return math.NaN()
}

func (s *assessor) watchRadar(place grid.LatLon, activationM float64) {
	best, bestM := -1, math.Inf(1)
	var bestFreshness float64
	for k, scan := range s.evidence.Radars {
		freshness, _ := s.freshness("radar", scan.Volume.Time)
		distanceM := grid.DistanceM(scan.Volume.Antenna.LatLon, place)
		if freshness == 0 || !s.stands(scan.Volume.Time) || math.IsNaN(distanceM) || distanceM > radarReachM {
			continue
		}
		newer := best >= 0 && distanceM < bestM+1 && scan.Volume.Time.After(s.evidence.Radars[best].Volume.Time)
		if best < 0 || distanceM < bestM-1 || newer {
			best, bestM, bestFreshness = k, distanceM, freshness
		}
	}
	if best < 0 {
		if n := len(s.evidence.Radars); n > 0 {
			s.note("none of the radar volumes given (%d) is recent and near enough to count for this release", n)
		}
		return
	}
	scan := s.evidence.Radars[best]
	v := scan.Volume
	_, age := s.freshness("radar", v.Time)
	s.a.Inputs = append(s.a.Inputs, Input{Kind: "radar", Label: v.Radar, ReferenceTime: v.Time.UTC(), AgeHours: age.Hours(), Freshness: bestFreshness, Files: scan.Files})

	terrain := grid.Terrain(s.air.TerrainAltitudeM)
	reflectivity := v.ColumnAbove(place, grid.MomentReflectivity, terrain)
	column := radar.ColumnOf(reflectivity, v.ColumnAbove(place, grid.MomentDifferentialReflect, terrain), specificPhase(v, place, terrain), v.ColumnAbove(place, grid.MomentCorrelationCoefficient, terrain))
	temperatureK := func(altitudeM float64) float64 {
		state, ok := s.air.StateAt(grid.Position{LatLon: place, AltitudeM: altitudeM}, s.zone.Time)
		if !ok {
			return math.NaN()
		}
		return state.AirTemperatureK
	}
	view := &RadarView{Radar: v.Radar, Time: v.Time.UTC(), AgeMinutes: age.Minutes(), DistanceM: bestM, Profile: []LevelView{}, Hints: []string{}}
	s.a.Radar = view

	warmM, coldM := altitudeOf(s.zone, warmestLayerK), altitudeOf(s.zone, coldestLayerK)
	layer := column.Maximum(warmM, coldM)
	view.Layer = LayerView{Sight: layer.Sight.String(), DBZ: number(layer.ReflectivityDBZ), AltitudeM: number(layer.AltitudeM), SeenShare: layer.SeenShare}
	for _, gate := range reflectivity.Gates {
		if gate.Sight == grid.Echo && gate.AltitudeM == layer.AltitudeM {
			sweep := v.Sweeps[gate.Sweep].Number
			view.Layer.Sweep, view.Layer.ElevationDeg, view.Layer.HalfBeamM = &sweep, number(gate.ElevationDeg), number(gate.HalfWidthM)
		}
	}
	for _, level := range column.Profile(profile.IsothermsK(), func(k float64) float64 { return altitudeOf(s.zone, k) }) {
		view.Profile = append(view.Profile, LevelView{AirTemperatureK: level.TemperatureK, AltitudeM: number(level.AltitudeM), Sight: level.Sight.String(), DBZ: number(level.ReflectivityDBZ)})
	}
	if top := column.Top(radar.EchoTopDBZ, temperatureK); top.Sight == grid.Echo {
		view.EchoTop = &EchoTopView{AltitudeM: top.AltitudeM, AirTemperatureK: number(top.TemperatureK), AtLeast: top.AtLeast}
		if top.TemperatureK < radar.ColdTopK {
			s.note("radar %s: echo of %.0f dBZ reaches %.0f °C: the cloud makes its own ice", v.Radar, radar.EchoTopDBZ, top.TemperatureK-273.15)
		}
	}
	for _, sample := range column {
		if sample.Sight.Seen() {
			view.LowestBeamM = number(sample.AltitudeM)
			view.AboveActivationM = number(sample.AltitudeM - activationM)
			break
		}
	}
	freezingM := float64(s.zone.FreezingLevelAltitudeM)
	if loading := column.IceLoadingIndex(freezingM, coldM); loading.SeenShare > 0 {
		view.IceLoading = number(loading.KgPerM2)
	}
	band := column.FindBrightBand(freezingM)
	if band.Found {
		view.BrightBand = &BrightBandView{AltitudeM: band.AltitudeM, BelowFreezingLevelM: band.BelowFreezingLevelM, DBZ: band.ReflectivityDBZ}
	}
	for _, hint := range column.Hints(temperatureK) {
		view.Hints = append(view.Hints, hint.Text)
	}
	s.targetRate(v, terrain)
	s.compareWind(scan)

	s.layer, s.layerFrom = layer, fmt.Sprintf("radar %s, %.0f min old", v.Radar, age.Minutes())
	if view.Layer.Sweep != nil {
		s.layerFrom += fmt.Sprintf(", sweep %d at %.1f°, %.0f m", *view.Layer.Sweep, *view.Layer.ElevationDeg, layer.AltitudeM)
	}
}

// specificPhase makes a column of KDP from the differential phase of the radial
// over a place.
func specificPhase(v *grid.Volume, place grid.LatLon, terrain grid.Terrain) grid.RadarColumn {
	const window, foldDeg = 25, 360 // gates; the phase counts to 360 degrees
	column := v.ColumnAbove(place, grid.MomentDifferentialPhase, terrain)
	var row []float32
	var slopes []float64
	for k := range column.Gates {
		gate := &column.Gates[k]
		if gate.Sight != grid.Echo {
			continue
		}
		sweep := v.Sweeps[gate.Sweep]
		moment := sweep.Moment(grid.MomentDifferentialPhase)
		radial, ok := sweep.Nearest(column.AzimuthDeg)
		at, covered := moment.GateAt(gate.RangeM)
		if !ok || !covered {
			gate.Sight = grid.NoRadial
			continue
		}
		row = moment.Row(radial, row)
		slopes = radar.KDPDegPerKm(row, moment.GateSpacingM, window, foldDeg, slopes)
		if at >= len(slopes) || math.IsNaN(slopes[at]) {
			gate.Sight = grid.NoRadial
			continue
		}
		gate.Value = float32(slopes[at])
	}
	return column
}

// targetRate is the precipitation over the middle of the landings, or of the
// first target.
func (s *assessor) targetRate(v *grid.Volume, terrain grid.Terrain) {
	place, ok := s.landingPlace()
	if !ok {
		return
	}
	column := radar.ColumnOf(v.ColumnAbove(place, grid.MomentReflectivity, terrain), grid.RadarColumn{}, grid.RadarColumn{}, v.ColumnAbove(place, grid.MomentCorrelationCoefficient, terrain))
	derived := s.columnAt(place)
	sample, ok := column.RateSample(column.FindBrightBand(float64(derived.FreezingLevelAltitudeM)))
	if !ok {
		return
	}
	relation := radar.WestCool
	if groundM, ok := s.air.TerrainAltitudeM(place); ok && altitudeOf(derived, warmestLayerK) <= groundM+200 {
		relation = radar.DrySnow // the ground is in cold air
	}
	rate := 0.0
	if sample.Sight == grid.Echo {
		rate = relation.RateMMPerH(sample.ReflectivityDBZ)
	}
	s.a.Radar.Target = &RateView{MMPerH: rate, Class: radar.IntensityOf(rate).String(), From: fmt.Sprintf("beam at %.0f m", sample.AltitudeM), Relation: relation.Name}
}

func (s *assessor) landingPlace() (grid.LatLon, bool) {
	if landing, ok := s.ensemble.MeanLanding(); ok {
		return landing.Place, true
	}
	for _, target := range s.site.Targets {
		if outline := target.Outline(); len(outline) > 0 {
			var mean grid.LatLon
			for _, p := range outline {
				mean.LatitudeDeg += p.LatitudeDeg / float64(len(outline))
				mean.LongitudeDeg += p.LongitudeDeg / float64(len(outline))
			}
			return mean, true
		}
	}
	return grid.LatLon{}, false
}

func (s *assessor) columnAt(place grid.LatLon) profile.Derived {
	column, ok := s.air.ColumnAt(place, s.zone.Time)
	if !ok {
		return s.zone
	}
	return profile.Derive(column, profile.DefaultOptions())
}

// watchMosaics fills in where no radar volume serves.
func (s *assessor) watchMosaics(place grid.LatLon) {
	for _, m := range s.evidence.Mosaics {
		freshness, age := s.freshness("mosaic", m.Time)
		if freshness == 0 || !s.stands(m.Time) {
			continue
		}
		used := false
		switch m.Kind {
		case MosaicReflectivity, MosaicAtIsotherm:
			if s.layerFrom != "" {
				break
			}
			largest, state := m.Around(place, zoneRadiusM)
			if state != grid.Measured && state != grid.BelowThreshold {
				break
			}
			s.layer = radar.LayerMaximum{Sight: grid.NoEcho, ReflectivityDBZ: math.NaN(), AltitudeM: math.NaN(), SeenShare: 1}
			if state == grid.Measured {
				s.layer.Sight, s.layer.ReflectivityDBZ = grid.Echo, largest
			}
			s.layerFrom, used = fmt.Sprintf("%s (%s), %.0f min old, within %.0f km", m.Label, m.Kind, age.Minutes(), zoneRadiusM/1000), true
		case MosaicPrecipitationRate:
			target, ok := s.landingPlace()
			if !ok {
				break
			}
			rate, state := m.Around(target, zoneRadiusM)
			if state == grid.BelowThreshold {
				rate = 0
			} else if state != grid.Measured {
				break
			}
			used = true
			s.a.TargetRate = &RateView{MMPerH: rate, Class: radar.IntensityOf(rate).String(), From: fmt.Sprintf("%s, largest within %.0f km", m.Label, zoneRadiusM/1000)}
		}
		if used {
			s.a.Inputs = append(s.a.Inputs, Input{Kind: "mosaic", Label: m.Label, ReferenceTime: m.Time.UTC(), AgeHours: age.Hours(), Freshness: freshness, Files: m.Files})
		}
	}
	if s.a.Radar != nil && s.a.Radar.Target != nil {
		s.a.TargetRate = s.a.Radar.Target
	}
}

// watchSatellite reads the cloud top above the zone.
func (s *assessor) watchSatellite(place grid.LatLon) {
	c := s.evidence.CloudTops
	if c == nil {
		return
	}
	freshness, age := s.freshness("satellite", c.End)
	if freshness == 0 {
		s.note("the satellite's scan is %s old and does not count", span(age))
		return
	}
	if !s.stands(c.End) {
		return // the model says what the top will be then
	}
	groundM, _ := s.air.TerrainAltitudeM(place)
	top, ok := c.Above(place, groundM, float64(s.zone.Cloud.DeckTopAltitudeM))
	if !ok {
		s.note("the satellite does not show the cloud top above the zone")
		return
	}
	s.a.Inputs = append(s.a.Inputs, Input{Kind: "satellite", Label: c.Label, ReferenceTime: c.End.UTC(), AgeHours: age.Hours(), Freshness: freshness, Files: c.Files})
	s.top, s.topSeen = top, true
	view := &SatelliteView{Label: c.Label, Time: c.End.UTC(), AgeMinutes: age.Minutes(), Phase: top.Phase.String(), AirTemperatureK: number(top.AirTemperatureK),
		AltitudeM: number(top.AltitudeM), ParallaxM: top.ParallaxM, Good: top.Good}
	switch top.Phase.Supercooled() {
	case grid.ForSupercooled:
		view.Says = "supercooled droplets at the top"
	case grid.AgainstSupercooled:
		view.Says = "no cloud colder than freezing at the top"
	default:
		view.Says = "nothing about liquid below: ice on top, or no retrieval"
	}
	s.a.Satellite = view
}

// watchBands follows bands to the zone, and finds when to release for them.
func (s *assessor) watchBands(place grid.LatLon) {
	s.bandChance = Quantity{Value: math.NaN(), Reason: "no row of radar pictures to follow bands in"}
	w := s.evidence.Bands
	if w == nil || w.Scene == nil {
		return
	}
	freshness, age := s.freshness("radar", w.Scene.Frame.Time)
	if freshness == 0 {
		s.bandChance.Reason = fmt.Sprintf("the newest radar picture is %s old", span(age))
		return
	}
	if w.Motion == nil {
		s.bandChance.Reason = "no motion of echo: " + w.NoMotion
		return
	}
	transport, ok := s.transport()
	if !ok {
		s.bandChance.Reason = "the plume is not activated, so there is no zone that a band could meet it in"
		return
	}
	meets := s.release.Add(transport.Q50)
	if until := w.Scene.Frame.Time.Add(bandHorizon); meets.After(until) {
		s.bandChance.Reason = fmt.Sprintf("what comes after %s is too far ahead for the radar", until.UTC().Format("15:04 UTC"))
		return
	}
	approach, err := nowcast.Arrivals(w.Scene, w.Motion, nowcast.Zone{Place: place, RadiusM: zoneRadiusM}, nowcast.ArrivalOptions{Step: bandStep, Horizon: bandHorizon})
	if err != nil {
		s.bandChance.Reason = err.Error()
		return
	}
	miss := 1.0
	for _, arrival := range approach.Arrivals {
		passage := BandPassage{ID: arrival.Object.ID, Kind: "cell", Probability: arrival.Probability, PeakDBZ: arrival.PeakDBZ,
			Arrival: momentOf(arrival.Arrival), Peak: momentOf(arrival.Peak), End: momentOf(arrival.End)}
		if arrival.Object.Band {
			passage.Kind = "band"
		}
		window := nowcast.ReleaseWindow(arrival, transport, nowcast.WindowOptions{NotBefore: s.asOf})
		passage.Release = ReleaseView{State: window.State.String(), Probability: window.Probability}
		if window.State == nowcast.Open {
			start, best, end := window.Start.UTC(), window.Best.UTC(), window.End.UTC()
			passage.Release.Start, passage.Release.Best, passage.Release.End = &start, &best, &end
		}
		s.a.Bands = append(s.a.Bands, passage)
		here := arrival.Probability * math.Max(0, reached(meets, arrival.Arrival)-reached(meets, arrival.End))
		miss *= 1 - here
	}
	if miss == 1 && meets.After(approach.Until) {
		s.bandChance.Reason = fmt.Sprintf("what comes after %s was not seen by the radar", approach.Until.UTC().Format("15:04 UTC"))
		return
	}
	s.bandChance = Quantity{Value: 1 - miss, Reason: fmt.Sprintf("%s on the way; agent reaches the zone at %s (%s, %.0f min old)", onTheWay(approach.Arrivals), meets.UTC().Format("15:04 UTC"), w.Label, age.Minutes())}
	s.a.Inputs = append(s.a.Inputs, Input{Kind: "bands", Label: w.Label, ReferenceTime: w.Scene.Frame.Time.UTC(), AgeHours: age.Hours(), Freshness: freshness, Files: w.Files})
}

func momentOf(t nowcast.Timing) Moment { return Moment{t.Time.UTC(), t.SD.Minutes()} }

// reached is the probability that a normally distributed moment has come.
func reached(at time.Time, t nowcast.Timing) float64 {
	sd := math.Max(t.SD.Seconds(), 1)
	return .5 * (1 + math.Erf(at.Sub(t.Time).Seconds()/(sd*math.Sqrt2)))
}

// transport is the time from release to the zone.
func (s *assessor) transport() (nowcast.Transport, bool) {
	q, ok := s.ensemble.ActivationDelays()
	seconds := func(x float64) time.Duration { return time.Duration(x * float64(time.Second)) }
	return nowcast.Transport{Q10: seconds(q.Q10), Q50: seconds(q.Q50), Q90: seconds(q.Q90)}, ok
}

// naturalIce is the strongest echo between 0 and -20 °C.
func (s *assessor) naturalIce() Quantity {
	switch {
	case s.layerFrom == "":
		return Quantity{Value: math.NaN(), Reason: "no recent radar covers the zone"}
	case s.layer.Sight == grid.Echo:
		return Quantity{Value: s.layer.ReflectivityDBZ, Reason: s.layerFrom}
	case s.layer.Sight == grid.NoEcho:
		return Quantity{Value: silentDBZ, Reason: "the radar looked and saw no echo (" + s.layerFrom + ")"}
	}
	return Quantity{Value: math.NaN(), Reason: fmt.Sprintf("not seen: %s (%s)", s.layer.Sight, s.layerFrom)}
}

// cloudTop prefers the satellite where it sees droplets at the top: ice may be
// cirrus above the cloud that counts.
func (s *assessor) cloudTop() Quantity {
	modelK := float64(s.zone.Cloud.TopTemperatureK)
	q := Quantity{Value: modelK - 273.15, Reason: known(modelK, "cloud top %s is at %.0f m (%s)", s.a.Levels.Place, float64(s.zone.Cloud.DeckTopAltitudeM), s.zone.Cloud.Rule)}
	if !s.topSeen || !s.top.Good || math.IsNaN(s.top.AirTemperatureK) {
		return q
	}
	switch s.top.Phase {
	case grid.LiquidWater, grid.SupercooledLiquid, grid.MixedPhase:
		if !math.IsNaN(modelK) {
			s.comparisons = append(s.comparisons, disagreement{what: "cloud-top temperature", who: "satellite", difference: s.top.AirTemperatureK - modelK, fine: 3, hopeless: 15, unit: "K"})
		}
		return Quantity{Value: s.top.AirTemperatureK - 273.15, Reason: fmt.Sprintf("%s, %s at %.0f m, %.0f min old", s.a.Satellite.Label, s.top.Phase, s.top.AltitudeM, s.a.Satellite.AgeMinutes)}
	}
	return q
}

// onTheWay counts what comes.
func onTheWay(arrivals []nowcast.Arrival) string {
	bands := 0
	for _, arrival := range arrivals {
		if arrival.Object.Band {
			bands++
		}
	}
	plural := func(n int, noun string) string {
		if n == 1 {
			return "1 " + noun
		}
		return fmt.Sprintf("%d %ss", n, noun)
	}
	switch cells := len(arrivals) - bands; {
	case len(arrivals) == 0:
		return "nothing"
	case cells == 0:
		return plural(bands, "band")
	case bands == 0:
		return plural(cells, "cell")
	default:
		return plural(bands, "band") + " and " + plural(cells, "cell")
	}
}

// span words a length of time in its natural unit.
func span(d time.Duration) string {
	switch d = d.Abs(); {
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}
