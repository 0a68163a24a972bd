package seedability

import (
	"math"
	"time"
)

// Blind is the assessment of a site of which nothing can be said at a moment,
// for lack of a model run for example: no score, no confidence, and the reason.
// It is published in the place of a judgement, so that silence is never taken
// for quiet.
func Blind(programme string, site Site, moment time.Time, reason string) Assessment {
	altitudeM := site.AltitudeM
	if math.IsNaN(altitudeM) {
		altitudeM = 0 // JSON has no NaN; nothing is computed from it
	}
	return Assessment{
		Programme: programme, ReleaseTime: moment.UTC(), AsOf: moment.UTC(), State: StateBlind, StateReason: reason,
		Site: SiteRef{ID: site.ID, Name: site.Name, LatitudeDeg: site.Place.LatitudeDeg, LongitudeDeg: site.Place.LongitudeDeg,
			AltitudeM: altitudeM + site.ReleaseHeightM, ModelTerrainM: altitudeM},
		Score: Score{Components: []Component{}, Caps: []Cap{}}, Confidence: Confidence{Reasons: []string{reason}},
		Transport: Transport{Fates: map[string]int{}, Trapped: []string{}, Targets: []TargetResult{}},
		Liquid:    Liquid{Estimates: []LiquidEstimate{}}, Levels: Levels{IsothermsM: map[string]float64{}}, Path: []PathStep{},
		Inputs: []Input{}, Bands: []BandPassage{}, Notes: []string{}, Cautions: Cautions,
	}
}
