package message

import (
	"encoding/json"
	"maps"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
)

// An invented programme in an invented night; nothing here is real.

var night = time.Date(2026, 1, 14, 5, 40, 0, 0, time.UTC)

const digestA = "0b9c2625dc21ef05f6ad4ddf47c5f203837aa32c3bb3b5a3c5d1f5b9f8a9d0e1"

func at(minutes int) time.Time      { return night.Add(time.Duration(minutes) * time.Minute) }
func number(x float64) *float64     { return &x }
func moment(minutes int) *time.Time { t := at(minutes); return &t }

func inventedSite() seedability.SiteRef {
	return seedability.SiteRef{ID: "saddlehorn", Name: "Saddlehorn Bench", LatitudeDeg: 44.02, LongitudeDeg: -114.8, AltitudeM: 1366, ModelTerrainM: 1402}
}

func inventedInputs() []seedability.Input {
	return []seedability.Input{{Kind: "model", Label: "model of 04 UTC", ReferenceTime: at(-100), AgeHours: 1.7, Freshness: 1,
		Files: []seedability.File{{Name: "model.t04z.f02.grib2", SHA256: digestA}}}}
}

func invented() map[string]any {
	components := []seedability.Component{
		{Name: seedability.ComponentLiquid, Quantity: "supercooled liquid water path between -6 and -18 °C", Unit: "mm", Input: number(.08), Value: number(.68), Weight: .33,
			Knots: seedability.Membership{{X: .02, Mu: 0}, {X: .05, Mu: .5}, {X: .1, Mu: .8}, {X: .2, Mu: 1}}, Reason: "the model's cloud water along the path", Source: "invented"},
		{Name: seedability.ComponentTemperature, Quantity: "air temperature where the plume first meets cloud", Unit: "°C", Input: number(-9), Value: number(.9), Weight: .22,
			Knots: seedability.Membership{{X: -10, Mu: 1}, {X: -5, Mu: 0}}, Reason: "the plume meets supercooled cloud at -6.1 °C after 18 min", Source: "invented"},
		{Name: seedability.ComponentBand, Quantity: "probability that a band or cell is over the activation zone when agent gets there", Unit: "1",
			Knots: seedability.Membership{{X: 0, Mu: .6}, {X: 1, Mu: 1}}, Reason: "the newest radar picture is 34 min old", Source: "invented"},
	}
	window := seedability.Window{Start: at(30), Best: at(65), End: at(105), Releases: 5, PeakScore: 78, Confidence: .71,
		Targets: []seedability.WindowTarget{{ID: "upper-larkspur", Name: "Upper Larkspur basin", Probability: .82}},
		Moved:   &seedability.Move{StartMinutes: number(10), BestMinutes: number(12), SinceRun: at(-160)}}
	standing := seedability.Standing{State: seedability.StateWindow, Since: at(-20), At: at(0), Streak: 4, Reason: "score 69.8 stays at or above 60.0", Before: seedability.StateBuilding, Ahead: &window}
	assessment := seedability.Assessment{Programme: "larkspur", Site: inventedSite(), ReleaseTime: at(0), AsOf: at(0), State: seedability.StateWindow, StateReason: "score 70 reaches 60",
		Score: seedability.Score{Value: number(69.78), Opportunity: number(.8116), TargetProbability: number(.6), TargetStandardError: number(.049), Components: components,
			Caps: []seedability.Cap{{Limit: .9, Reason: "12 crystals per litre"}}, KnownWeight: .91},
		Confidence: seedability.Confidence{Value: .73, Freshness: 1, Coverage: .91, Agreement: .8, Reasons: []string{"model run 1.7 h old: freshness 1.00"}},
		Transport: seedability.Transport{Members: 100, Fates: map[string]int{"landed": 92, "found no liquid": 8}, ActivatedShare: .92,
			ActivationMinutes: seedability.Quantiles{Q10: number(14), Q50: number(18), Q90: number(25)}, LandingMinutes: seedability.Quantiles{Q10: number(35), Q50: number(44), Q90: number(58)},
			Activation:     &seedability.Event{LatitudeDeg: 44.05, LongitudeDeg: -114.66, AltitudeM: 2650, AirTemperatureK: number(265.1), DistanceM: 11800, BearingDeg: 74},
			Landing:        &seedability.Event{LatitudeDeg: 44.09, LongitudeDeg: -114.5, AltitudeM: 2310, DistanceM: 25200, BearingDeg: 72},
			LandingEllipse: &seedability.Ellipse{LatitudeDeg: 44.09, LongitudeDeg: -114.5, SemiMajorM: 5200, SemiMinorM: 2100, MajorAxisDeg: 72},
			Targets:        []seedability.TargetResult{{ID: "upper-larkspur", Name: "Upper Larkspur basin", Probability: .6, StandardError: .049, Inside: 60, Short: 25, Past: 5, Beside: 2}},
			Trapped:        []string{}},
		Levels: seedability.Levels{Place: "where the plume is activated", IsothermsM: map[string]float64{"-6": 2290, "-10": 2904}, CloudBaseM: number(1950), CloudTopM: number(4004), CloudTopK: number(256.05)},
		Liquid: seedability.Liquid{UsedKgPerM2: number(.08), Method: "model along the path", Estimates: []seedability.LiquidEstimate{{Method: "model along the path", KgPerM2: .114, Quality: .7, Reason: "the model's cloud water"}}},
		Dose:   seedability.Dose{CrystalsPerLitre: number(12), ActivatedPerGram: number(4e13), Reason: "12 crystals per litre"},
		Path:   []seedability.PathStep{{Minutes: 0, LatitudeDeg: 44.02, LongitudeDeg: -114.8, AltitudeM: 1376, HeightM: 10, Members: 100, AirTemperatureK: number(274.6)}},
		Bands: []seedability.BandPassage{{ID: 3, Kind: "band", Probability: .8, PeakDBZ: 28, Arrival: seedability.Moment{Time: at(40), SDMinutes: 4}, Peak: seedability.Moment{Time: at(55), SDMinutes: 5},
			End: seedability.Moment{Time: at(80), SDMinutes: 6}, Release: seedability.ReleaseView{State: "open", Start: moment(20), Best: moment(35), End: moment(60), Probability: .7}}},
		Inputs: inventedInputs(), Notes: []string{"the site stands 36 m below the model's ground"}, Cautions: seedability.Cautions, Standing: &standing,
		Holds: []seedability.HoldRef{{Criterion: "larkspur-stage", Kind: "river", Outcome: "clear", Reason: "stage of larkspur-bridge 1.21 m is below 2.4 m", Since: at(-900), At: at(0)}},
		Basis: &seedability.Basis{Programme: digestA, Crops: []string{"larkspur/model/model.20260114.t04z.f02/" + digestA[:12]}, ScoreAsOf: at(-5), OutlookIssuedAt: at(-15)}}

	outlook := seedability.Outlook{Programme: "larkspur", Site: inventedSite(), IssuedAt: at(0), ModelReferenceTime: at(-100), From: at(5), To: at(125), SinceRun: at(-160),
		Releases: []seedability.OutlookRelease{
			{ReleaseTime: at(5), LeadMinutes: 5, Score: number(48), Opportunity: number(.6), TargetProbability: number(.384), Confidence: .73, State: seedability.StateQuiet, ActivationMinutes: number(18), LandingMinutes: number(44)},
			{ReleaseTime: at(65), LeadMinutes: 65, Score: number(78), Opportunity: number(.742), TargetProbability: number(.82), Confidence: .71, State: seedability.StateWindow, ActivationMinutes: number(17), LandingMinutes: number(41)},
			{ReleaseTime: at(125), LeadMinutes: 125, Confidence: .2, State: seedability.StateBlind, Reason: "confidence 0.20 is below 0.30"},
		},
		Windows: []seedability.Window{window}, Gone: []seedability.Window{}, Inputs: inventedInputs(), Notes: []string{"no judgement for release at 07:45 UTC: confidence 0.20 is below 0.30"}, Cautions: seedability.Cautions, Standing: &standing,
		Basis: &seedability.Basis{Programme: digestA, Crops: []string{"larkspur/model/model.20260114.t04z.f02/" + digestA[:12]}}}

	input := Input{Programme: "larkspur", Source: "hourly-model", Kind: "model", ObjectID: "model.20260114.t04z.f02", Product: "pressure levels",
		ReferenceTime: at(-100), ValidTime: at(20), PublishedTime: at(-12), FetchedTime: at(0),
		Files: []InputFile{{Name: "model.t04z.f02.grib2", URL: "https://store.example/model.20260114/model.t04z.f02.grib2", Bytes: 98_400_000, SHA256: digestA, ETag: `"9a0364b9e99bb480dd25e1f0284c8555-12"`, LastModified: at(-12)}},
		Crop:  &Crop{Object: "larkspur/model.20260114.t04z.f02", SHA256: digestA, Bytes: 6_120_000}, Domain: &Box{SouthDeg: 43, NorthDeg: 45, WestDeg: -116, EastDeg: -113.5}, Notes: []string{}}

	health := Health{Worker: "north-1", Host: "north", Roles: []string{"ingest", "assess"}, Version: "0.4.0", StartedTime: at(-600), Time: at(0), State: HealthDegraded,
		Reasons: []string{},
		Sources: []SourceHealth{
			{Source: "hourly-model", Programme: "larkspur", NewestTime: at(-100), LastSuccessTime: at(-1)},
			{Source: "radar", Programme: "larkspur", NewestTime: at(-27), LastSuccessTime: at(-22), BehindSeconds: 1320, Error: "503 Service Unavailable"},
		},
		Queues: []QueueHealth{{Queue: "ingest", Waiting: 12, Running: 1}, {Queue: "assess", Waiting: 0, Running: 1}}, Counts: map[string]int64{"jobs_done": 4127, "jobs_failed": 3}}

	letter := DeadLetter{JobID: "larkspur-radar-XLRK20260114-053600", Queue: "ingest", Programme: "larkspur", Deliveries: 5, Error: "XLRK20260114_053600_V06: byte 1048576: truncated",
		Worker: "north-1", Time: at(0), Job: json.RawMessage(`{"object":"XLRK20260114_053600_V06"}`)}

	all := map[string]any{"score": assessment, "outlook": outlook, "input": input, "health": health, "dead-letter": letter}
	maps.Copy(all, inventedDuty())
	return all
}

// inventedDuty are the messages about holds, alerts and releases.
func inventedDuty() map[string]any {
	conditions := Conditions{Programme: "larkspur", AsOf: at(0),
		Precipitation: []Precipitation{
			{Place: "upper-larkspur", From: "radar", MMPerH: number(6.4), LiquidShare: number(0), CoveredShare: number(.97), Time: at(-4)},
			{Place: "upper-larkspur", From: "forecast", MMPerH: number(5.1), CoveredShare: number(1), Time: at(20), Issued: at(-100)},
			{Place: "quill-burn", From: "radar", CoveredShare: number(.4), Time: at(-4), Suspect: []string{"a ridge hides most of it"}},
		},
		FreezingLevels: []FreezingLevel{{Target: "upper-larkspur", From: "forecast", AltitudeM: number(1630), Time: at(20), Issued: at(-100)}},
		Winds:          []Wind{{Site: "saddlehorn", From: "forecast", SpeedMPerS: number(11.2), FromDeg: number(255), Time: at(20), Issued: at(-100)}},
		Inputs:         []string{"larkspur/model.20260114.t04z.f02"}, Notes: []string{"no sounding is younger than 12 h"}}

	holds := Holds{Programme: "larkspur", At: at(0), Trigger: "gauge larkspur-bridge of 05:30 UTC", Results: []hold.Result{
		{Key: "season", Criterion: "season", Name: "Season of the permit", Kind: "season", Outcome: hold.Clear, Condition: hold.Clear, Sites: []string{}, Targets: []string{}, Since: at(-90000), At: at(0),
			Reason: "14 January is within 1 November to 15 April", Source: "invented", Inputs: []hold.Input{}, LastKnown: hold.Clear},
		{Key: "larkspur-stage", Criterion: "larkspur-stage", Name: "Larkspur flood stage", Kind: "river", Outcome: hold.Held, Condition: hold.Held, Sites: []string{}, Targets: []string{"upper-larkspur"}, Since: at(-95), At: at(0),
			Reason: "stage of larkspur-bridge is 2.46 m, at or above 2.4 m, 10 min old", WhoMayLift: "duty-meteorologist", WhatWouldLift: "stage below 2.2 m for 60 min", Source: "invented",
			Inputs: []hold.Input{{Name: "stage of larkspur-bridge", State: "used", Value: number(2.46), Unit: "m", Time: at(-10), AgeMinutes: 10, MaximumMinutes: 120}}, LastKnown: hold.Held},
		{Key: "ridge-wind/saddlehorn", Criterion: "ridge-wind", Name: "Wind at the site", Kind: "wind", Outcome: hold.Unknown, Condition: hold.Unknown, Sites: []string{"saddlehorn"}, Targets: []string{}, Since: at(-40), At: at(0),
			Reason: "wind at saddlehorn by station is 3.0 h old, at most 1 h counts", WhoMayLift: "duty-meteorologist", WhatWouldLift: "a wind that is known", Source: "invented", ReviewOnly: false, Readiness: true,
			Inputs: []hold.Input{{Name: "wind at saddlehorn by station", State: "stale", Value: number(9.1), Unit: "m/s", Time: at(-180), AgeMinutes: 180, MaximumMinutes: 60}}, LastKnown: hold.Clear},
	}}

	set := Order{ID: "k7-visitors", Programme: "larkspur", Action: OrderSet, At: at(-3), By: "Imogen Tarn", Role: "duty-meteorologist", Reason: "search party on the ridge", Sites: []string{"saddlehorn"}, Until: at(240)}

	told := alert.Alert{ID: "larkspur-20260114T054000Z-hold-raised", Thread: "larkspur-20260114T0100Z", Kind: alert.HoldRaised, Change: alert.ChangeNew, Level: "held", Severity: alert.Severe,
		Programme: "larkspur", ProgrammeName: "Larkspur winter programme", Sites: []alert.SiteRef{{ID: "saddlehorn", Name: "Saddlehorn Bench", LatitudeDeg: 44.02, LongitudeDeg: -114.8, Held: "Larkspur flood stage"}},
		Raised: at(0), Expires: at(360), Start: at(-95), Subject: "Larkspur flood stage", Reasons: []string{"stage of larkspur-bridge is 2.46 m, at or above 2.4 m, 10 min old"},
		LiftedBy: "duty-meteorologist", Lifts: "stage below 2.2 m for 60 min", Evidence: []alert.Link{{Title: "Saddlehorn Bench", URL: "https://pages.example/larkspur/saddlehorn"}}, Caution: alert.Caution,
		Rules: []string{"crew"}, Routes: []string{"pager"}, NeedsAck: true}

	return map[string]any{
		"conditions": conditions, "hold": holds, "order": set, "alert": told,
		"telemetry": json.RawMessage(`{"site":"saddlehorn","battery_v":12.4,"flares":[1,2,5],"door":{"open":false},"note":"ice on the mast"}`),
		"cap": CAPText(`<?xml version="1.0" encoding="UTF-8"?>` + "\n" +
			`<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>larkspur-20260114T054000Z-hold-raised</identifier><sender>rimeline-larkspur</sender><sent>2026-01-14T05:40:00-00:00</sent>` +
			`<status>Actual</status><msgType>Alert</msgType><scope>Restricted</scope><restriction>Staff of the seeding programme larkspur</restriction><info><category>Met</category><event>Hold</event>` +
			`<urgency>Immediate</urgency><severity>Severe</severity><certainty>Observed</certainty><headline>HOLD, do not seed: Saddlehorn Bench.</headline><description>Stage 2.46 m &gt; 2.4 m</description></info></alert>` + "\n"),
		"ack":      Ack{Programme: "larkspur", Alert: told.ID, By: "Piet Holm", At: at(2), Via: "command"},
		"delivery": alert.Delivery{AlertID: told.ID, Route: "pager", Attempt: 2, Outcome: alert.DeliveryRetrying, At: at(1), Next: at(3), Error: "503 Service Unavailable"},
		"advice": alert.Advice{Programme: "larkspur", Site: "saddlehorn", ReleaseStart: at(30), ReleaseEnd: at(94), SpacingS: 1200, Units: 4, AtOnce: 1, GramsTotal: 64, CrystalsPerLitre: number(28.4),
			Reasons: []string{"window 06:10 to 07:25 UTC, best at 06:45; score 78, confidence 0.71"}, Limits: []string{"daily limit of the site: 200 g, 136 g used, 64 g left"}, Caution: alert.AdviceCaution},
		"release": alert.Release{ID: "r-0031", At: at(70), Who: "Piet Holm", Programme: "larkspur", Site: "saddlehorn", Unit: "rack 2, flare 5", Start: at(62), End: at(66), Agent: "silver iodide", Grams: 16, Purpose: "snowpack"},
	}
}

// lastToken of the subject of each invented message.
var lastToken = map[string]string{
	"score": "saddlehorn", "outlook": "saddlehorn", "input": "model", "health": "north-1", "dead-letter": "ingest", "conditions": bus.Whole, "hold": bus.Whole, "order": "set", "telemetry": "saddlehorn",
	"alert": "hold-raised", "cap": "hold-raised", "ack": bus.Whole, "delivery": "pager", "advice": "saddlehorn", "release": "saddlehorn",
}

// newEvent is an event of data that may be text.
func newEvent(kind bus.Kind, at time.Time, data any) (bus.Event, error) {
	if text, ok := data.(CAPText); ok {
		return bus.NewContentEvent(kind, "larkspur", lastToken[kind.Name], at, []byte(text))
	}
	return bus.NewEvent(kind, "larkspur", lastToken[kind.Name], at, data)
}

// inventedEvent is the invented message of a kind.
func inventedEvent(t testing.TB, kind bus.Kind) bus.Event {
	t.Helper()
	data, ok := invented()[kind.Name]
	if !ok {
		t.Fatalf("no invented %s", kind.Name)
	}
	e, err := newEvent(kind, night, data)
	if err != nil {
		t.Fatal(err)
	}
	return e
}
