package seedability

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
)

func TestLeadFadingIsAMembershipThatFalls(t *testing.T) {
	if err := LeadFading.Validate(); err != nil {
		t.Fatal(err)
	}
	for hours := -2.0; hours < 60; hours += .25 {
		here, next := LeadFading.At(hours), LeadFading.At(hours+.25)
		if next > here || hours <= 1 && here != 1 || hours > 1 && here >= 1 || here <= 0 {
			t.Fatalf("%v at %v h, then %v", here, hours, next)
		}
	}
}

// A release ahead is judged with less confidence than the same release judged at
// its own time, by the factor and nothing else, and up to an hour ahead with the
// same.
func TestConfidenceFadesWithLead(t *testing.T) {
	air := slab(t, nil)
	judge := func(lead time.Duration) Confidence {
		a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start.Add(lead), start, Evidence{Atmosphere: air}, DefaultMethod())
		if err != nil {
			t.Fatal(err)
		}
		return a.Confidence
	}
	for _, lead := range []time.Duration{0, time.Hour} {
		if c := judge(lead); c.Lead != nil || math.Abs(c.Value-c.Freshness*c.Coverage*c.Agreement) > 1e-15 {
			t.Errorf("%s ahead: %+v", lead, c)
		}
	}
	c := judge(3 * time.Hour)
	// On the line from 1 at 1 h to 0.85 at 6 h.
	if want := 1 - .15*2/5; c.Lead == nil || math.Abs(*c.Lead-want) > 1e-12 || math.Abs(c.Value-c.Freshness*c.Coverage*c.Agreement*want) > 1e-12 {
		t.Errorf("3 h ahead: %+v, want the factor %v", c, want)
	}
	if !strings.Contains(strings.Join(c.Reasons, "\n"), "3.0 h ahead: confidence times 0.94") {
		t.Errorf("reasons %q", c.Reasons)
	}
	if c.Freshness != 1 {
		t.Errorf("freshness %v: ages count at the moment of judgement", c.Freshness)
	}
}

// A required kind without a usable input makes the site blind, names itself, and
// does so for releases of the next hour only.
func TestRequiredInputs(t *testing.T) {
	air := slab(t, nil)
	scan := func(age time.Duration, distanceDeg float64) RadarScan {
		return RadarScan{Volume: &grid.Volume{Radar: "KXYZ", Time: start.Add(-age), Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -115 + distanceDeg}, AltitudeM: 3100}}}
	}
	mosaic := func(age time.Duration, state grid.GateState) Mosaic {
		return Mosaic{Label: "mosaic", Kind: MosaicPrecipitationRate, Time: start.Add(-age), Around: func(grid.LatLon, float64) (float64, grid.GateState) { return 0, state }}
	}
	tops := func(age time.Duration, shows bool) *CloudTops {
		return &CloudTops{End: start.Add(-age), Above: func(grid.LatLon, float64, float64) (CloudTop, bool) { return CloudTop{}, shows }}
	}
	ascent := func(age time.Duration, latitudeDeg float64) Sounding {
		return Sounding{Column: grid.Column{Time: start.Add(-age), Place: grid.LatLon{LatitudeDeg: latitudeDeg, LongitudeDeg: -115}, Levels: []grid.ColumnLevel{grid.MissingLevel()}}}
	}
	minute := time.Minute
	for _, test := range []struct {
		name     string
		required string
		evidence Evidence
		ahead    time.Duration
		says     string // empty: not blind
	}{
		{"nothing required", "", Evidence{}, 0, ""},
		{"no radar", "radar", Evidence{}, 0, "radar is required and none shows the zone"},
		{"radar", "radar", Evidence{Radars: []RadarScan{scan(29*minute, .1)}}, 0, ""},
		{"radar too old", "radar", Evidence{Radars: []RadarScan{scan(31*minute, .1), scan(40*minute, .1)}}, 0, "radar is required and the newest is 31 min old, useless from 30 min on"},
		{"radar out of reach", "radar", Evidence{Radars: []RadarScan{scan(minute, 4)}}, 0, "none shows the zone"},
		{"radar from the future", "radar", Evidence{Radars: []RadarScan{scan(-20*minute, .1)}}, 0, "lies 20 min in the future"},
		{"one from the future, one good", "radar", Evidence{Radars: []RadarScan{scan(5*minute, .1), scan(-20*minute, .1)}}, 0, ""},
		{"an hour ahead", "radar", Evidence{}, time.Hour, "radar is required"},
		{"more than an hour ahead", "radar", Evidence{}, time.Hour + minute, ""},
		{"mosaic", "mosaic", Evidence{Mosaics: []Mosaic{mosaic(5*minute, grid.BelowThreshold)}}, 0, ""},
		{"mosaic that does not cover", "mosaic", Evidence{Mosaics: []Mosaic{mosaic(5*minute, grid.NotCovered)}}, 0, "mosaic is required and none shows"},
		{"satellite", "satellite", Evidence{CloudTops: tops(59*minute, true)}, 0, ""},
		{"satellite too old", "satellite", Evidence{CloudTops: tops(60*minute, true)}, 0, "satellite is required and the newest is 60 min old"},
		{"satellite elsewhere", "satellite", Evidence{CloudTops: tops(5*minute, false)}, 0, "none shows"},
		{"sounding", "sounding", Evidence{Soundings: []Sounding{ascent(11*time.Hour, 45)}}, 0, ""},
		{"sounding far away", "sounding", Evidence{Soundings: []Sounding{ascent(minute, 47)}}, 0, "none shows"},
		{"model", "model", Evidence{}, 0, ""},
		{"no such kind", "gauge", Evidence{}, 0, "gauge is required and is no kind of input"},
	} {
		method := DefaultMethod()
		if test.required != "" {
			method.Required = []string{test.required}
		}
		// The radars hold no sweeps: only their place and time are looked at.
		s := &assessor{site: slabSite(east{-115, -113.6}), release: start.Add(test.ahead), asOf: start, evidence: test.evidence, method: method, air: air}
		s.activated = true
		s.activation.Place = s.site.Place
		s.a.Inputs = []Input{{Kind: "model", ReferenceTime: start}}
		got := s.lacking()
		if (got == "") != (test.says == "") || !strings.Contains(got, test.says) {
			t.Errorf("%s: %q, want %q", test.name, got, test.says)
		}
	}
}

func TestRequiredInputBlindsAnAssessment(t *testing.T) {
	method := DefaultMethod()
	method.Required = []string{"satellite"}
	a, err := Assess(context.Background(), "p", slabSite(east{-115, -113.6}), start, start, Evidence{Atmosphere: slab(t, nil)}, method)
	if err != nil {
		t.Fatal(err)
	}
	if a.State != StateBlind || a.Confidence.Freshness != 0 || !strings.Contains(strings.Join(a.Confidence.Reasons, "\n"), "satellite is required") {
		t.Errorf("%s, freshness %v, %q", a.State, a.Confidence.Freshness, a.Confidence.Reasons)
	}
}
