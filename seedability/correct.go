package seedability

import (
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/radar"
)

// Corrected draws the model's air towards what was observed up to a moment: the
// wind profiles of radars and the wind and temperature of soundings, each with
// the weight that its age and distance leave (grid.Atmosphere.Corrected has the
// formulas and limits). The evidence returned has the corrected box, keeps the
// model's own as Background; the box's notes say what was done. It depends on
// nothing but its arguments; make it once for a moment and assess all sites with
// it.
func (e Evidence) Corrected(asOf time.Time, ageings map[string]Ageing) Evidence {
	if e.Atmosphere == nil || e.Background != nil {
		return e
	}
	var observations []grid.Observation
	newest := map[string]*RadarScan{}
	var names []string
	for k := range e.Radars {
		scan := &e.Radars[k]
		if scan.Wind == nil || len(scan.Wind.Levels) == 0 || ageings["radar"].Freshness(asOf.Sub(scan.Volume.Time)) == 0 {
			continue
		}
		name := scan.Volume.Radar
		if newest[name] == nil {
			names = append(names, name)
		}
		if newest[name] == nil || scan.Volume.Time.After(newest[name].Volume.Time) {
			newest[name] = scan
		}
	}
	for _, name := range names {
		observations = append(observations, windObservation(newest[name].Wind))
	}
	for _, sounding := range e.Soundings {
		if sounding.Column.Time.IsZero() || ageings["sounding"].Freshness(asOf.Sub(sounding.Column.Time)) == 0 {
			continue
		}
		observations = append(observations, grid.Observation{Column: sounding.Column, Kind: "sounding"})
	}
	if len(observations) == 0 {
		return e
	}
	corrected, correction := e.Atmosphere.Corrected(observations, grid.DefaultCorrectionOptions())
	e.Background, e.Atmosphere, e.Correction = e.Atmosphere, corrected, correction
	return e
}

// windObservation makes a profile of a radar's winds. A level whose fit leaves a
// residual of 2 m/s counts half as much as one without.
func windObservation(wind *radar.WindProfile) grid.Observation {
	o := grid.Observation{Kind: "vad", Column: grid.Column{Label: wind.Radar, Place: wind.Place, SurfaceAltitudeM: math.NaN(), Time: wind.Time}}
	for _, level := range wind.Levels {
		l := grid.MissingLevel()
		l.AltitudeM, l.EastwardMPerS, l.NorthwardMPerS = level.AltitudeM, level.EastwardMPerS, level.NorthwardMPerS
		o.Column.Levels = append(o.Column.Levels, l)
		o.Quality = append(o.Quality, level.Coverage/(1+math.Max(level.ResidualMPerS, 0)/2))
	}
	return o
}

// background is the model as it came, which observations are compared with.
func (s *assessor) background() *grid.Atmosphere {
	if s.evidence.Background != nil {
		return s.evidence.Background
	}
	return s.air
}

// compareWind sets the wind over the radar in use against the model's.
func (s *assessor) compareWind(scan RadarScan) {
	if scan.Wind == nil || len(scan.Wind.Levels) == 0 {
		return
	}
	column, ok := s.background().ColumnAt(scan.Wind.Place, scan.Wind.Time)
	if !ok {
		return
	}
	sum, n := 0.0, 0
	for _, d := range scan.Wind.Compare(column) {
		if d.Radar.AltitudeM >= s.a.Site.AltitudeM && d.Radar.AltitudeM <= s.a.Site.AltitudeM+4000 && !math.IsNaN(d.VectorMPerS) {
			sum += d.VectorMPerS * d.VectorMPerS
			n++
		}
	}
	if n == 0 {
		return
	}
	rms := math.Sqrt(sum / float64(n))
	s.a.Radar.WindDifferenceMPerS = number(rms)
	s.comparisons = append(s.comparisons, disagreement{what: "wind over radar " + scan.Volume.Radar, who: "radar", difference: rms, fine: 3, hopeless: 12, unit: "m/s"})
}
