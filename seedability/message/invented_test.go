package message

import (
	"encoding/json"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/bus"
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
		Holds: []seedability.HoldRef{{Criterion: "larkspur-stage", Kind: "river", Outcome: "clear", Reason: "stage of larkspur-bridge 1.21 m is below 2.4 m", Since: at(-900), At: at(0)}}}

	outlook := seedability.Outlook{Programme: "larkspur", Site: inventedSite(), IssuedAt: at(0), ModelReferenceTime: at(-100), From: at(5), To: at(125), SinceRun: at(-160),
		Releases: []seedability.OutlookRelease{
			{ReleaseTime: at(5), LeadMinutes: 5, Score: number(48), Opportunity: number(.6), TargetProbability: number(.384), Confidence: .73, State: seedability.StateQuiet, ActivationMinutes: number(18), LandingMinutes: number(44)},
			{ReleaseTime: at(65), LeadMinutes: 65, Score: number(78), Opportunity: number(.742), TargetProbability: number(.82), Confidence: .71, State: seedability.StateWindow, ActivationMinutes: number(17), LandingMinutes: number(41)},
			{ReleaseTime: at(125), LeadMinutes: 125, Confidence: .2, State: seedability.StateBlind, Reason: "confidence 0.20 is below 0.30"},
		},
		Windows: []seedability.Window{window}, Gone: []seedability.Window{}, Inputs: inventedInputs(), Notes: []string{"no judgement for release at 07:45 UTC: confidence 0.20 is below 0.30"}, Cautions: seedability.Cautions, Standing: &standing}

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

	return map[string]any{"score": assessment, "outlook": outlook, "input": input, "health": health, "dead-letter": letter}
}

// lastToken of the subject of each invented message.
var lastToken = map[string]string{"score": "saddlehorn", "outlook": "saddlehorn", "input": "model", "health": "north-1", "dead-letter": "ingest"}

// inventedEvent is the invented message of a kind.
func inventedEvent(t testing.TB, kind bus.Kind) bus.Event {
	t.Helper()
	data, ok := invented()[kind.Name]
	if !ok {
		t.Fatalf("no invented %s", kind.Name)
	}
	e, err := bus.NewEvent(kind, "larkspur", lastToken[kind.Name], night, data)
	if err != nil {
		t.Fatal(err)
	}
	return e
}
