package seedability

import (
	"fmt"
	"math"
	"time"

	"rimeline/grid"
)

// requiredLead is how far ahead of the moment of judgement a release may lie for
// required inputs to count: observations of now say nothing of later releases.
// Common practice, no source.
const requiredLead = time.Hour

// lacking says which required kind of input has nothing left that counts: none
// was given that shows the zone where the plume acts (for soundings: that is
// near the site), or the newest is as old as Ageing.UselessAfter. Empty where
// nothing lacks, or where the release lies too far ahead for observations.
func (s *assessor) lacking() string {
	if s.release.Sub(s.asOf) > requiredLead {
		return ""
	}
	for _, kind := range s.method.Required {
		ageing, known := s.method.Ageings[kind]
		if !known {
			return fmt.Sprintf("%s is required and is no kind of input", kind)
		}
		newest, found := s.newest(kind)
		switch age := s.asOf.Sub(newest); {
		case !found:
			return fmt.Sprintf("%s is required and none shows the zone", kind)
		case ageing.Freshness(age) == 0 && age < 0:
			return fmt.Sprintf("%s is required and the newest lies %s in the future", kind, span(age))
		case ageing.Freshness(age) == 0:
			return fmt.Sprintf("%s is required and the newest is %s old, useless from %s on", kind, span(age), span(ageing.UselessAfter))
		}
	}
	return ""
}

// newest is the time of the newest input of a kind that shows the zone; one from
// the future only where there is no other. False where there is none.
func (s *assessor) newest(kind string) (newest time.Time, found bool) {
	ageing := s.method.Ageings[kind]
	counts := func(at time.Time) bool { return ageing.Freshness(s.asOf.Sub(at)) > 0 }
	add := func(at time.Time) {
		if at.IsZero() {
			return
		}
		better := at.After(newest)
		if counts(at) != counts(newest) {
			better = counts(at)
		}
		if !found || better {
			newest, found = at, true
		}
	}
	place, _, _ := s.zonePlace()
	switch kind {
	case "model":
		for _, input := range s.a.Inputs {
			if input.Kind == kind {
				add(input.ReferenceTime)
			}
		}
	case "sounding":
		for _, sounding := range s.evidence.Soundings {
			if len(sounding.Column.Levels) > 0 && grid.DistanceM(s.site.Place, sounding.Column.Place) <= soundingReachM {
				add(sounding.Column.Time)
			}
		}
	case "radar":
		for _, scan := range s.evidence.Radars {
			if grid.DistanceM(scan.Volume.Antenna.LatLon, place) <= radarReachM {
				add(scan.Volume.Time)
			}
		}
	case "mosaic":
		for _, m := range s.evidence.Mosaics {
			// A rate is read at the target, reflectivity at the zone; that it
			// covers the one or the other is enough.
			_, state := m.Around(place, zoneRadiusM)
			if state == grid.Measured || state == grid.BelowThreshold {
				add(m.Time)
			}
		}
	case "satellite":
		if c := s.evidence.CloudTops; c != nil {
			groundM, _ := s.air.TerrainAltitudeM(place)
			if math.IsNaN(groundM) {
				groundM = 0
			}
			if _, ok := c.Above(place, groundM, float64(s.zone.Cloud.DeckTopAltitudeM)); ok {
				add(c.End)
			}
		}
	}
	return newest, found
}
