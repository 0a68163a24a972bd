package seedability

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"rimeline/grid"
)

// A site of which nothing is known is blind, in the message and in its standing,
// whatever it was before, and the message is valid JSON.
func TestBlindIsNeverQuiet(t *testing.T) {
	at := time.Date(2026, 1, 21, 12, 0, 0, 0, time.UTC)
	site := Site{ID: "hobnail", Name: "Hobnail Ridge Foot", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -113}, AltitudeM: math.NaN(), ReleaseHeightM: 4}
	a := Blind("vantry", site, at, "no model run")
	for _, before := range []*Standing{nil, {State: StateWindow, At: at.Add(-5 * time.Minute), Streak: 3}, {State: StateQuiet, At: at.Add(-5 * time.Minute)}} {
		if got := Settle(before, a, nil, DefaultLimits()); got.State != StateBlind || got.Reason == "" || got.Streak != 0 {
			t.Errorf("after %+v: %+v", before, got)
		}
	}
	encoded, err := json.Marshal(a)
	if err != nil {
		t.Fatal(err)
	}
	var back Assessment
	if err := json.Unmarshal(encoded, &back); err != nil || back.State != StateBlind || back.Score.Value != nil || back.StateReason != "no model run" {
		t.Errorf("%v: %s", err, encoded)
	}
}
