package archive

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// An invented programme in an invented night; nothing here is real.

var night = time.Date(2026, 1, 14, 5, 40, 0, 0, time.UTC)

const (
	invented = "larkspur"
	digestA  = "0b9c2625dc21ef05f6ad4ddf47c5f203837aa32c3bb3b5a3c5d1f5b9f8a9d0e1"
)

func at(minutes int) time.Time   { return night.Add(time.Duration(minutes) * time.Minute) }
func number(x float64) *float64  { return &x }
func rounded(x float64) *float64 { return number(math.Round(x*1e4) / 1e4) }

// sites of the invented programme.
var inventedSites = []seedability.SiteRef{
	{ID: "saddlehorn", Name: "Saddlehorn Bench", LatitudeDeg: 44.02, LongitudeDeg: -114.8, AltitudeM: 1366, ModelTerrainM: 1402},
	{ID: "quill", Name: "Quill Créek", LatitudeDeg: 44.31, LongitudeDeg: -114.62, AltitudeM: 1720, ModelTerrainM: 1705},
	{ID: "b-3", Name: "Third Bench", LatitudeDeg: 43.9, LongitudeDeg: -115.01, AltitudeM: 1511, ModelTerrainM: 1500},
}

// inventedAssessment differs with its time, and has as much as a real one.
func inventedAssessment(site seedability.SiteRef, when time.Time, steps int) seedability.Assessment {
	x := float64(when.Unix()%86400)/86400 + float64(len(site.ID))/10
	wave := .5 + .5*math.Sin(9*x)
	var components []seedability.Component
	for _, c := range seedability.DefaultCriteria() {
		component := seedability.Component{Name: c.Name, Quantity: c.Quantity, Unit: c.Unit, Input: rounded(10 * wave), Value: rounded(wave), Weight: c.Weight, Factor: c.Factor, Knots: c.Membership,
			Reason: "invented, " + c.Quantity, Source: c.Source}
		if c.Name == seedability.ComponentBand {
			component.Input, component.Value = nil, nil
		}
		components = append(components, component)
	}
	state := seedability.StateQuiet
	if wave > .9 {
		state = seedability.StateWindow
	}
	a := seedability.Assessment{Programme: invented, Site: site, ReleaseTime: when, AsOf: when, State: state, StateReason: fmt.Sprintf("score %.0f against 60", 100*wave),
		Score: seedability.Score{Value: rounded(100 * wave), Opportunity: rounded(wave), TargetProbability: rounded(wave), TargetStandardError: number(.049), Components: components,
			Caps: []seedability.Cap{}, KnownWeight: .91},
		Confidence: seedability.Confidence{Value: .73, Freshness: 1, Coverage: .91, Agreement: .8, Reasons: []string{"model run 1.7 h old: freshness 1.00"}},
		Transport: seedability.Transport{Members: 100, Fates: map[string]int{"landed": 92, "found no liquid": 8}, ActivatedShare: .92,
			ActivationMinutes: seedability.Quantiles{Q10: number(14), Q50: rounded(18 + wave), Q90: number(25)}, LandingMinutes: seedability.Quantiles{Q10: number(35), Q50: rounded(44 + wave), Q90: number(58)},
			Activation:     &seedability.Event{LatitudeDeg: 44.05, LongitudeDeg: -114.66, AltitudeM: 2650 + 10*wave, AirTemperatureK: rounded(264 + wave), DistanceM: 11800, BearingDeg: 74},
			Landing:        &seedability.Event{LatitudeDeg: 44.09, LongitudeDeg: -114.5, AltitudeM: 2310, DistanceM: 25200, BearingDeg: 72},
			LandingEllipse: &seedability.Ellipse{LatitudeDeg: 44.09, LongitudeDeg: -114.5, SemiMajorM: 5200, SemiMinorM: 2100, MajorAxisDeg: 72},
			Targets:        []seedability.TargetResult{{ID: "upper-larkspur", Name: "Upper Larkspur basin", Probability: .6, StandardError: .049, Inside: 60, Short: 25, Past: 5, Beside: 2}}, Trapped: []string{}},
		Levels: seedability.Levels{Place: "where the plume is activated", IsothermsM: map[string]float64{"-5": 2110, "-6": 2290, "-10": 2904 + math.Round(100*wave)}, CloudBaseM: number(1950), CloudTopM: number(4004), CloudTopK: number(256.05)},
		Liquid: seedability.Liquid{UsedKgPerM2: rounded(.1 * wave), Method: "model along the path", Estimates: []seedability.LiquidEstimate{{Method: "model along the path", KgPerM2: .114, Quality: .7, Reason: "the model's cloud water"}}},
		Dose:   seedability.Dose{CrystalsPerLitre: number(12), ActivatedPerGram: number(4e13), Reason: "12 crystals per litre"},
		Path:   []seedability.PathStep{}, Bands: []seedability.BandPassage{},
		Inputs: []seedability.Input{{Kind: "model", Label: "model of 04 UTC", ReferenceTime: night.Add(-100 * time.Minute), AgeHours: 1.7, Freshness: 1, Files: []seedability.File{{Name: "model.t04z.f02.grib2", SHA256: digestA}}}},
		Notes:  []string{"the site stands 36 m below the model's ground"}, Cautions: seedability.Cautions,
		Standing: &seedability.Standing{State: state, Since: when, At: when, Streak: 4, Reason: "score 69.8 stays at or above 60.0", Before: seedability.StateBuilding}}
	for k := range steps {
		step := seedability.PathStep{Minutes: float64(5 * k), LatitudeDeg: site.LatitudeDeg + .01*float64(k), LongitudeDeg: site.LongitudeDeg + .02*float64(k), AltitudeM: site.AltitudeM + 40*float64(k), HeightM: 10 + 30*float64(k),
			Members: 100 - k, AirTemperatureK: rounded(274 - .3*float64(k)), SpreadM: 100 * float64(k), AltitudeSpreadM: 10 * float64(k), LiquidPathKgPerM2: rounded(.1 * wave)}
		if k > 2 {
			step.LiquidKgPerM3 = rounded(2e-4 * wave)
		}
		a.Path = append(a.Path, step)
	}
	return a
}

// given is one message as a stream has it.
type given struct {
	kind     string
	sequence uint64
	stored   time.Time
	event    bus.Event
}

// stream counts messages of each kind.
type stream struct {
	t    testing.TB
	next map[string]uint64
	all  []given
}

func newStream(t testing.TB) *stream { return &stream{t: t, next: map[string]uint64{}} }

func (s *stream) put(kind bus.Kind, site string, when time.Time, data any) {
	s.t.Helper()
	programme := invented
	var e bus.Event
	var err error
	if text, ok := data.(message.CAPText); ok {
		e, err = bus.NewContentEvent(kind, programme, site, when, []byte(text))
	} else {
		e, err = bus.NewEvent(kind, programme, site, when, data)
	}
	if err != nil {
		s.t.Fatal(err)
	}
	s.event(kind, when.Add(time.Second), e)
}

func (s *stream) event(kind bus.Kind, stored time.Time, e bus.Event) {
	s.next[kind.Name]++
	s.all = append(s.all, given{kind.Name, s.next[kind.Name], stored, e})
}

// inventedNight is messages of every kind.
func inventedNight(t testing.TB, scores int) *stream {
	s := newStream(t)
	for k := range scores {
		for _, site := range inventedSites {
			when := at(5 * k)
			s.put(bus.Score, site.ID, when, inventedAssessment(site, when, 12))
		}
	}
	site := inventedSites[0]
	s.put(bus.Outlook, site.ID, at(0), seedability.Outlook{Programme: invented, Site: site, IssuedAt: at(0), ModelReferenceTime: at(-100), From: at(5), To: at(125),
		Releases: []seedability.OutlookRelease{
			{ReleaseTime: at(5), LeadMinutes: 5, Score: number(48), Opportunity: number(.6), TargetProbability: number(.384), Confidence: .73, State: seedability.StateQuiet, ActivationMinutes: number(18), LandingMinutes: number(44)},
			{ReleaseTime: at(125), LeadMinutes: 125, Confidence: .2, State: seedability.StateBlind, Reason: "confidence 0.20 is below 0.30"}},
		Windows: []seedability.Window{}, Gone: []seedability.Window{}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: seedability.Cautions})
	s.put(bus.Input, "model", at(0), message.Input{Programme: invented, Source: "hourly-model", Kind: "model", ObjectID: "model.20260114.t04z.f02", ReferenceTime: at(-100), ValidTime: at(20), FetchedTime: at(0),
		Files: []message.InputFile{{Name: "model.t04z.f02.grib2", URL: "https://store.example/model.t04z.f02.grib2", Bytes: 98_400_000, SHA256: digestA}},
		Crop:  &message.Crop{Object: "larkspur/model.20260114.t04z.f02", SHA256: digestA, Bytes: 6_120_000}, Notes: []string{}})
	s.put(bus.Hold, bus.Whole, at(0), message.Holds{Programme: invented, At: at(0), Trigger: "gauge larkspur-bridge of 05:30 UTC", Results: []hold.Result{
		{Key: "season", Criterion: "season", Name: "Season of the permit", Kind: "season", Outcome: hold.Clear, Condition: hold.Clear, Sites: []string{}, Targets: []string{}, Since: at(-9000), At: at(0), Reason: "14 January is within 1 November to 15 April", Source: "invented", Inputs: []hold.Input{}},
		{Key: "larkspur-stage", Criterion: "larkspur-stage", Name: "Larkspur flood stage", Kind: "river", Outcome: hold.Held, Condition: hold.Held, Sites: []string{}, Targets: []string{"upper-larkspur"}, Since: at(-95), At: at(0), Reason: "stage is 2.46 m", Source: "invented", Inputs: []hold.Input{}}}})
	s.put(bus.Conditions, bus.Whole, at(0), message.Conditions{Programme: invented, AsOf: at(0), Precipitation: []message.Precipitation{{Place: "upper-larkspur", From: "radar", MMPerH: number(2.4), LiquidShare: number(.1), CoveredShare: number(.96), Time: at(-4)}, {Place: "upper-larkspur", From: "forecast", Time: at(60), Issued: at(-100), Suspect: []string{"far ahead"}}},
		FreezingLevels: []message.FreezingLevel{{Target: "upper-larkspur", From: "sounding", AltitudeM: number(1830), Time: at(-160)}},
		Winds:          []message.Wind{{Site: "quill", From: "station", SpeedMPerS: number(11.5), GustMPerS: number(17), FromDeg: number(255), Time: at(-6)}}, Inputs: []string{}, Notes: []string{}})
	s.put(bus.Order, "set", at(-3), message.Order{ID: "k7-visitors", Programme: invented, Action: message.OrderSet, At: at(-3), By: "Imogen Tarn", Reason: "search party on the ridge", Sites: []string{"saddlehorn"}, Until: at(240)})
	s.put(bus.Alert, "hold-raised", at(0), alert.Alert{ID: "larkspur-1-hold-raised", Thread: "larkspur-1", Kind: alert.HoldRaised, Change: alert.ChangeNew, Severity: alert.Severe, Programme: invented, Sites: []alert.SiteRef{}, Raised: at(0), Expires: at(360), Reasons: []string{}, Evidence: []alert.Link{}, Rules: []string{}, Routes: []string{}, Caution: alert.Caution})
	s.put(bus.CAP, "hold-raised", at(0), message.CAPText("<?xml version=\"1.0\"?>\n<alert xmlns=\"urn:oasis:names:tc:emergency:cap:1.2\"/>\n"))
	s.put(bus.Ack, bus.Whole, at(2), message.Ack{Programme: invented, Alert: "larkspur-1-hold-raised", By: "Piet Holm", At: at(2), Via: "command"})
	s.put(bus.Delivery, "pager", at(1), alert.Delivery{AlertID: "larkspur-1-hold-raised", Route: "pager", Attempt: 2, Outcome: alert.DeliveryRetrying, At: at(1), Error: "503 Service Unavailable"})
	s.put(bus.Advice, "saddlehorn", at(3), alert.Advice{Programme: invented, Site: "saddlehorn", ReleaseStart: at(30), ReleaseEnd: at(94), SpacingS: 1200, Units: 4, AtOnce: 1, GramsTotal: 64, CrystalsPerLitre: number(28.4), Reasons: []string{}, Limits: []string{}, Caution: alert.AdviceCaution})
	s.put(bus.Release, "saddlehorn", at(70), alert.Release{ID: "r-0031", At: at(70), Who: "Piet Holm", Programme: invented, Site: "saddlehorn", Unit: "rack 2, flare 5", Start: at(62), End: at(66), Agent: "silver iodide", Grams: 16, Purpose: "snowpack"})
	s.put(bus.Health, "north-1", at(0), message.Health{Worker: "north-1", Host: "north", Roles: []string{"ingest"}, Version: "0.4.0", StartedTime: at(-600), Time: at(0), State: message.HealthOK, Reasons: []string{}, Sources: []message.SourceHealth{}, Queues: []message.QueueHealth{}, Counts: map[string]int64{}})
	s.put(bus.DeadLetter, "ingest", at(0), message.DeadLetter{JobID: "j-1", Queue: "ingest", Programme: invented, Deliveries: 5, Error: "truncated", Worker: "north-1", Time: at(0), Job: json.RawMessage(`{"object":"X"}`)})
	// What gateways send is any JSON, with blanks, signs and line ends of their own.
	for k, data := range []string{`{"site":"saddlehorn", "battery_v":12.40, "note":"<ice> & \"rime\""}`, "{\n \"battery_v\": 1.24e1\r\n}", `[1, 2.50, null]`} {
		subject, err := bus.Telemetry.Subject(invented, "saddlehorn")
		if err != nil {
			t.Fatal(err)
		}
		s.event(bus.Telemetry, at(k), bus.Event{ID: "gateway", Source: "/gateway/7", Type: bus.Telemetry.Type, Subject: subject, Time: at(k).Add(123456789), Data: json.RawMessage(data),
			Extensions: map[string]any{"foreigntype": "reading", "attempt": int32(k)}})
	}
	return s
}

// feed gives messages to an archive from its positions on.
func (s *stream) feed(t testing.TB, a *Archive) {
	t.Helper()
	positions := a.Positions()
	for _, g := range s.all {
		if g.sequence <= positions[g.kind] {
			continue
		}
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
	}
}

func openArchive(t testing.TB, dir string, o Options) *Archive {
	t.Helper()
	if o.ProgramVersion == "" {
		o.ProgramVersion = "0.0-test"
	}
	if o.Programmes == nil {
		o.Programmes = map[string]Programme{invented: {Name: "Larkspur winter programme", Institution: "Larkspur Water Users", Digest: digestA}}
	}
	a, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func noProblems(t testing.TB, dir string) {
	t.Helper()
	problems, err := Verify(t.Context(), dir, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("verify: %v", p)
	}
}
