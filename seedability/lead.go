package seedability

import (
	"fmt"
	"time"
)

// LeadFading is the factor by which confidence falls for a release that lies
// ahead of the moment of judgement, by hours. Forecasts of liquid water and wind
// over mountains lose their worth within a day; how fast is common practice, no
// source. Nothing is lost in the first hour.
var LeadFading = Membership{{1, 1}, {6, .85}, {18, .6}, {48, .3}}

// fade multiplies a confidence by the factor for its release. Up to the first
// knot, and for releases in the past, the confidence is as it was. The ages of
// inputs count at asOf whatever the release.
func (c Confidence) fade(release, asOf time.Time) Confidence {
	lead := release.Sub(asOf)
	factor := LeadFading.At(lead.Hours())
	if !(factor < 1) {
		return c
	}
	c.Lead = &factor
	c.Value *= factor
	c.Reasons = append(c.Reasons, fmt.Sprintf("the release lies %.1f h ahead: confidence times %.2f", lead.Hours(), factor))
	return c
}
