// Package invented makes an invented winter night for tests of pages: a programme,
// and the newest messages about it. Its people, places and measurements do not
// exist.
package invented

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Night is the moment as of which all is: 22:42 in Boise.
var Night = time.Date(2026, 1, 14, 5, 42, 0, 0, time.UTC)

func at(minutes int) time.Time      { return Night.Add(time.Duration(minutes) * time.Minute) }
func number(x float64) *float64     { return &x }
func moment(minutes int) *time.Time { t := at(minutes); return &t }

// Storm is a programme and what is on the bus of it.
type Storm struct {
	Programme  *programme.Programme
	Scores     map[string]seedability.Assessment
	Outlooks   map[string]seedability.Outlook
	Advices    map[string]alert.Advice
	Holds      message.Holds
	Conditions message.Conditions
	Alerts     []alert.Alert // oldest first
	Acks       []message.Ack
	Deliveries []alert.Delivery
}

const yamlHead = `id: %s
name: Larkspur Valley winter programme (invented)
timezone: America/Boise
manager: {name: Imogen Tarn, licence: WM-0000}
barrier: {crest_altitude_m: 2780, toward_deg: 80}
yield_tables:
  - id: contact
    source: invented
    points:
      - {temperature_degc: -6, crystals_per_g: 2.0e10}
      - {temperature_degc: -20, crystals_per_g: 3.0e15}
targets:
  - id: upper-larkspur
    name: Upper Larkspur basin
    geometry:
      type: Polygon
      coordinates:
        - [[-114.56, 43.93], [-114.38, 43.90], [-114.30, 44.02], [-114.36, 44.15], [-114.50, 44.18], [-114.60, 44.08], [-114.56, 43.93]]
        - [[-114.46, 44.00], [-114.42, 44.00], [-114.42, 44.05], [-114.46, 44.05], [-114.46, 44.00]]
  - id: quill-creek
    name: Quill Creek
    geometry:
      type: Polygon
      coordinates:
        - [[-114.56, 44.22], [-114.40, 44.21], [-114.36, 44.28], [-114.45, 44.34], [-114.56, 44.22]]
inputs:
  - {id: model, kind: model, source: hrrr}
  - {id: radar, kind: radar, source: level2, stations: [KXYZ]}
  - {id: sounding, kind: sounding, source: soundings}
holds:
  - {id: creek, kind: river, name: Larkspur Creek, gauges: [larkspur-bridge], quantity: stage, unit: m, hold_above: 2.4, review_above: 2.0, hysteresis: 0.2, source: "permit WM-0000, paragraph 4 (invented)", may_lift: [licensed manager, duty meteorologist]}
  - {id: gale, kind: wind, name: Ridge wind, sites: [tamarack], inputs: [station], hold_above: 20, source: invented, note: "The burner's stand is not made for more."}
  - {id: pack, kind: snow, name: Snow water, gauges: [upper-pillow], preset: colorado-2ccr-401-1-17, review_points: 20, targets: [quill-creek]}
  - {id: alarms, kind: warning, name: Public warnings, preset: public-warnings}
  - {id: winter, kind: season, name: Season, from_date: "11-01", to_date: "04-15", source: invented}
  - {id: ready, kind: site_ready, name: Site is ready, sites: [far-larch, saddlehorn], battery_hold_below_v: 11.5, battery_review_below_v: 12, units_minimum: 2, source: invented}
sites:
`

// siteKinds are what the sites of the night are like, in turn.
var siteKinds = []struct {
	id, name string
	state    seedability.State
	score    float64
}{
	{"saddlehorn", "Saddlehorn Bench", seedability.StateWindow, 74},
	{"quillback", "Quillback Flat", seedability.StateBuilding, 48},
	{"tamarack", "Tamarack Ridge", seedability.StateHold, 71},
	{"moth-hollow", "Moth Hollow", seedability.StateQuiet, 22}, // of which nothing was heard of late
	{"tin-kettle", "Tin Kettle", seedability.StateQuiet, 31},
	{"far-larch", "Far Larch", seedability.StateBlind, 0},
}

// New makes the night for so many sites, 6 at least.
func New(id string, sites int) (*Storm, error) {
	var b strings.Builder
	fmt.Fprintf(&b, yamlHead, id)
	siteID := func(k int) (string, string) {
		kind := siteKinds[k%len(siteKinds)]
		if k < len(siteKinds) {
			return kind.id, kind.name
		}
		return fmt.Sprintf("%s-%d", kind.id, k), fmt.Sprintf("%s %d", kind.name, k)
	}
	for k := range max(sites, len(siteKinds)) {
		id, name := siteID(k)
		agent := "{kind: flare, amount_g: 16, burn_minutes: 4, yield_table: contact}"
		if k%2 == 1 {
			agent = "{kind: generator, rate_g_per_h: 20, yield_table: contact}"
		}
		fmt.Fprintf(&b, "  - {id: %s, name: %q, latitude_deg: %.4f, longitude_deg: %.4f, altitude_m: 1366, agent: %s}\n", id, name, 43.98+.02*float64(k%8), -114.82+.01*float64(k/8), agent)
	}
	p, err := programme.Parse(id+".yaml", []byte(b.String()), nil, nil, nil)
	if err != nil {
		return nil, err
	}
	s := &Storm{Programme: p, Scores: map[string]seedability.Assessment{}, Outlooks: map[string]seedability.Outlook{}, Advices: map[string]alert.Advice{}}
	s.holds()
	for k := range p.Sites {
		site, kind := &p.Sites[k], siteKinds[k%len(siteKinds)]
		a := assessment(p, site, kind.state, kind.score)
		o := outlook(p, site, kind.state)
		if kind.id == "moth-hollow" {
			a.AsOf, a.ReleaseTime = at(-77), at(-77)
			a.Standing.At, a.Standing.Since = at(-77), at(-300)
		}
		applied := hold.Apply(a, s.Holds.Results)
		if applied.State == seedability.StateHold {
			applied.Standing.State, applied.Standing.Reason = seedability.StateHold, applied.StateReason
		}
		s.Scores[site.ID], s.Outlooks[site.ID] = applied, o
		if kind.id == "saddlehorn" {
			s.Advices[site.ID] = alert.Advise(alert.AdviceSite{ID: site.ID, Name: site.Name, AmountG: 16, BurnFor: 4 * time.Minute, UnitsLeft: 14, UnitsAtOnce: 2,
				DayLimitG: 400, SeasonLimitG: math.NaN(), SiteDayLimitG: 200, SiteSeasonLimitG: math.NaN(), Used: alert.Totals{DayG: 64, SiteDayG: map[string]float64{site.ID: 32}}},
				o.Windows[0], applied, nil, Night)
		}
	}
	s.conditions()
	s.alerts()
	return s, nil
}

// path of a plume over a ridge, with what is found along it.
func path(site *programme.Site) []seedability.PathStep {
	var steps []seedability.PathStep
	place := site.Place()
	for minute := 0; minute <= 56; minute++ {
		t := float64(minute)
		groundM := 1366 + 1250*math.Exp(-math.Pow((t-30)/11, 2)) + 320/(1+math.Exp(-(t-40)/5))
		heightM := 6 + 1500*(1-math.Exp(-t/14))*math.Max(0, 1-math.Pow(t/57, 6))
		temperatureK, liquid := 283.4-.0065*(groundM+heightM), 0.
		if t > 13 && t < 40 {
			liquid = .22e-3 * math.Sin((t-13)/27*math.Pi)
		}
		steps = append(steps, seedability.PathStep{Minutes: t, LatitudeDeg: place.LatitudeDeg, LongitudeDeg: place.LongitudeDeg, AltitudeM: groundM + heightM, HeightM: heightM, Members: 100 - max(0, minute-34)*4,
			AirTemperatureK: number(temperatureK), LiquidKgPerM3: number(liquid), SpreadM: 60 + 90*t, AltitudeSpreadM: 10 + 7*t*math.Max(0, 1-t/60), LiquidPathKgPerM2: number(liquid * 450)})
		place = grid.Destination(place, 72-.15*t, 60*10.5)
	}
	return steps
}

func inputs() []seedability.Input {
	digest := func(n int) string { return strings.Repeat(fmt.Sprintf("%02x", n), 32) }
	return []seedability.Input{
		{Kind: "model", Label: "model of 04 UTC", ReferenceTime: at(-102), AgeHours: 1.7, Freshness: 1, Files: []seedability.File{{Name: "model.t04z.f01.grib2", SHA256: digest(11)}, {Name: "model.t04z.f02.grib2", SHA256: digest(12)}}},
		{Kind: "sounding", Label: "XLRK 00 UTC", ReferenceTime: at(-342), AgeHours: 5.7, Freshness: .7, Files: []seedability.File{{Name: "xlrk.20260114T00.txt", SHA256: digest(13)}}},
		{Kind: "radar", Label: "KXYZ", ReferenceTime: at(-6), AgeHours: .1, Freshness: 1, Files: []seedability.File{{Name: "KXYZ20260114_053600_V06", SHA256: digest(14)}}},
	}
}

func assessment(p *programme.Programme, site *programme.Site, state seedability.State, score float64) seedability.Assessment {
	share := .62
	opportunity := math.Pow(score/100, 2) / share
	value := func(x float64) float64 { return math.Min(1, x*math.Sqrt(opportunity)) }
	components := []seedability.Component{}
	found := map[string]struct {
		input, value float64
		reason       string
	}{
		seedability.ComponentLiquid:           {.09, value(.74), "the model's cloud water along the path, raised by what the sounding says"},
		seedability.ComponentTemperature:      {-9.4, value(.95), "the plume meets supercooled cloud at -6.1 °C after 18 min and is at -9.4 °C in it"},
		seedability.ComponentCloudTop:         {-17, value(1), "the model's deck above the zone"},
		seedability.ComponentDelivery:         {.93, value(.86), "moist stability in the 900 m below the crest"},
		seedability.ComponentCrossBarrierWind: {11.2, value(1), "mean of the layer from 500 m below to 500 m above the crest"},
		seedability.ComponentCloudDepth:       {1450, value(1), "cloud colder than 0 °C from 1950 to 4000 m"},
		seedability.ComponentNaturalIce:       {24, .8, "strongest echo between 0 and -20 °C over the zone"},
	}
	for _, c := range seedability.DefaultCriteria() {
		component := seedability.Component{Name: c.Name, Quantity: c.Quantity, Unit: c.Unit, Knots: c.Membership, Source: c.Source, Factor: c.Factor, Reason: "the bands were lost between two pictures"}
		if f, ok := found[c.Name]; ok {
			component.Input, component.Value, component.Reason, component.Weight = number(f.input), number(f.value), f.reason, c.Weight/.9
			if c.Factor {
				component.Weight = 1
			}
		}
		components = append(components, component)
	}
	steps := path(site)
	acts, lands := steps[18], steps[50]
	event := func(s seedability.PathStep) *seedability.Event {
		here := grid.LatLon{LatitudeDeg: s.LatitudeDeg, LongitudeDeg: s.LongitudeDeg}
		return &seedability.Event{LatitudeDeg: s.LatitudeDeg, LongitudeDeg: s.LongitudeDeg, AltitudeM: s.AltitudeM, AirTemperatureK: s.AirTemperatureK,
			DistanceM: grid.DistanceM(site.Place(), here), BearingDeg: grid.AzimuthDeg(site.Place(), here)}
	}
	landing := event(lands)
	targets := []seedability.TargetResult{}
	for k, t := range p.TargetsOf(site) {
		r := seedability.TargetResult{ID: t.ID, Name: t.Name, Probability: share, StandardError: .049, Inside: 62, Short: 22, Past: 4, Beside: 3}
		if k > 0 {
			r.Probability, r.StandardError, r.Inside, r.Short, r.Past, r.Beside = .02, .014, 2, 30, 3, 56
		}
		targets = append(targets, r)
	}
	standing := &seedability.Standing{State: state, Since: at(-35), At: at(-2), Streak: 3, Reason: fmt.Sprintf("score %.1f stays at or above 60.0", score), Before: seedability.StateBuilding}
	a := seedability.Assessment{Programme: p.ID, ReleaseTime: at(-2), AsOf: at(-2), State: state, StateReason: fmt.Sprintf("score %.0f", score),
		Site:       seedability.SiteRef{ID: site.ID, Name: site.Name, LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg, AltitudeM: 1366, ModelTerrainM: 1402},
		Score:      seedability.Score{Value: number(score), Opportunity: number(opportunity), TargetProbability: number(share), TargetStandardError: number(.049), Components: components, Caps: []seedability.Cap{}, KnownWeight: .9},
		Confidence: seedability.Confidence{Value: .73, Freshness: 1, Coverage: .9, Agreement: .81, Reasons: []string{"model run 1.7 h old: freshness 1.00", "height of -10 °C: sounding and model differ by 210 m"}},
		Transport: seedability.Transport{Members: 100, Fates: map[string]int{"landed": 91, "found no liquid": 6, "left the domain at its side": 3}, ActivatedShare: .94,
			ActivationMinutes: seedability.Quantiles{Q10: number(14), Q50: number(18), Q90: number(25)}, LandingMinutes: seedability.Quantiles{Q10: number(38), Q50: number(47), Q90: number(61)},
			Activation: event(acts), Landing: landing,
			LandingEllipse: &seedability.Ellipse{LatitudeDeg: landing.LatitudeDeg, LongitudeDeg: landing.LongitudeDeg, SemiMajorM: 5600, SemiMinorM: 2500, MajorAxisDeg: 70}, Targets: targets, Trapped: []string{}},
		Levels: seedability.Levels{Place: "where the plume is activated", IsothermsM: map[string]float64{"-6": 2210, "-10": 2830, "-15": 3600}, FreezingLevelM: number(1580), CloudBaseM: number(1950), CloudTopM: number(4004), CloudTopK: number(256.05)},
		Liquid: seedability.Liquid{UsedKgPerM2: number(.09), Method: "model along the path", Estimates: []seedability.LiquidEstimate{}},
		Dose:   seedability.Dose{CrystalsPerLitre: number(18), ActivatedPerGram: number(4e13), Reason: "18 crystals per litre"},
		Path:   steps,
		Radar: &seedability.RadarView{Radar: "KXYZ", Time: at(-6), AgeMinutes: 4, DistanceM: 84000, Layer: seedability.LayerView{Sight: "echo", DBZ: number(24), AltitudeM: number(3100), SeenShare: .82}, Profile: []seedability.LevelView{},
			LowestBeamM: number(2900), AboveActivationM: number(260), Hints: []string{}},
		Bands: []seedability.BandPassage{{ID: 3, Kind: "band", Probability: .8, PeakDBZ: 28, Arrival: seedability.Moment{Time: at(40), SDMinutes: 4}, Peak: seedability.Moment{Time: at(55), SDMinutes: 5},
			End: seedability.Moment{Time: at(80), SDMinutes: 6}, Release: seedability.ReleaseView{State: "open", Start: moment(20), Best: moment(35), End: moment(60), Probability: .7}}},
		Inputs: inputs(), Notes: []string{"the site stands 36 m below the model's ground"}, Cautions: slices.Clone(seedability.Cautions), Standing: standing}
	switch state {
	case seedability.StateBlind:
		a.Score = seedability.Score{Components: components, Caps: []seedability.Cap{}}
		components[0].Input, components[0].Value, components[0].Reason = nil, nil, "no model run younger than 12 h shows the zone"
		a.Path, a.Transport.Activation, a.Transport.Landing, a.Transport.LandingEllipse = []seedability.PathStep{}, nil, nil, nil
		a.Transport.ActivationMinutes, a.Transport.LandingMinutes = seedability.Quantiles{}, seedability.Quantiles{}
		a.StateReason, standing.Reason, a.Confidence.Value = "no model run is young enough", "no model run is young enough", 0
		a.Inputs = a.Inputs[1:]
	case seedability.StateBuilding:
		standing.Reason = "score 48.0 is below 60.0; in the outlook a window opens 08:10-10:25 UTC, best 09:20"
	case seedability.StateHold: // it is one by its criterion alone
		a.State, standing.State = seedability.StateWindow, seedability.StateWindow
	case seedability.StateQuiet:
		standing.Reason = fmt.Sprintf("score %.1f is below 60.0", score)
	}
	return a
}

func outlook(p *programme.Programme, site *programme.Site, state seedability.State) seedability.Outlook {
	opens, closes := 148., 283.
	if state == seedability.StateWindow || state == seedability.StateHold {
		opens, closes = -30, 98
	}
	height := 78.
	if state == seedability.StateQuiet {
		height = 38
	}
	var all []seedability.Assessment
	for k := 0; k <= 56; k++ {
		minutes := float64(k*15) + 3
		middle, half := (opens+closes)/2, (closes-opens)/2
		score := height - (height-60)*math.Pow((minutes-middle)/half, 2)
		if height < 60 {
			score = height * math.Exp(-math.Pow((minutes-middle)/half, 2))
		}
		score = math.Max(score, 6+4*math.Sin(minutes/60))
		a := seedability.Assessment{Programme: p.ID, Site: seedability.SiteRef{ID: site.ID, Name: site.Name, LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg}, AsOf: at(-2), ReleaseTime: at(int(minutes)),
			Score: seedability.Score{Value: number(score), Opportunity: number(score / 100), TargetProbability: number(score / 100)}, Confidence: seedability.Confidence{Value: math.Max(.31, .73-.0004*minutes), Reasons: []string{}},
			Transport: seedability.Transport{Targets: []seedability.TargetResult{{ID: "upper-larkspur", Name: "Upper Larkspur basin", Probability: .62}}}, Inputs: inputs()[:1], Notes: []string{}}
		if state == seedability.StateBlind || k > 50 {
			a.State, a.StateReason, a.Confidence.Value = seedability.StateBlind, "confidence 0.20 is below 0.30", .2
		}
		all = append(all, a)
	}
	before, err := seedability.NewOutlook(all, nil, seedability.DefaultLimits())
	if err != nil {
		panic(err)
	}
	before.ModelReferenceTime = at(-162)
	for k := range before.Windows {
		w := &before.Windows[k]
		w.Start, w.Best, w.End = w.Start.Add(-12*time.Minute), w.Best.Add(-12*time.Minute), w.End.Add(-12*time.Minute)
	}
	o, err := seedability.NewOutlook(all, &before, seedability.DefaultLimits())
	if err != nil {
		panic(err)
	}
	return o
}

// holds judges the criteria by invented gauges.
func (s *Storm) holds() {
	e := hold.Evidence{At: at(-1), ManualAsOf: at(-1), Feeds: []hold.Feed{{Name: "alerts", AsOf: at(-3)}}}
	for k := range 5 {
		e.Readings = append(e.Readings, hold.Reading{Gauge: "larkspur-bridge", Quantity: hold.QuantityStage, Value: 1.21, Unit: "m", Time: at(-9 - 60*k)})
	}
	e.Readings = append(e.Readings, hold.Reading{Gauge: "upper-pillow", Quantity: hold.QuantitySWE, Value: 500, Unit: "mm", Time: at(-420)},
		hold.Reading{Gauge: "upper-pillow", Quantity: hold.QuantityNormalSWE, Value: 330, Unit: "mm", Time: at(-420)})
	e.Winds = []hold.Wind{{Site: "tamarack", From: "station", SpeedMPerS: 23, GustMPerS: 31, FromDeg: 260, Time: at(-8)}}
	for k := range 12 {
		e.SiteReports = append(e.SiteReports, hold.SiteReport{Site: "saddlehorn", Time: at(-10 - 30*k), BatteryV: number(12.8 + .01*float64(k)), UnitsLeft: number(14)},
			hold.SiteReport{Site: "far-larch", Time: at(-70 - 30*k), BatteryV: number(12.7), UnitsLeft: number(9)})
	}
	e.Manual = []hold.ManualHold{{ID: "manual-1", Set: at(-400), By: "Imogen Tarn", Reason: "crew on the road to it", Sites: []string{"far-larch"}, Until: at(95)}}
	s.Holds = message.Holds{Programme: s.Programme.ID, At: at(-1), Results: hold.Judge(s.Programme, e, nil), Trigger: "gauge larkspur-bridge of 05:33 UTC"}
}

func (s *Storm) conditions() {
	s.Conditions = message.NewConditions(s.Programme.ID, at(-4), []hold.Precipitation{
		{Place: "upper-larkspur", From: "radar", MMPerH: 2.2, LiquidShare: math.NaN(), CoveredShare: .82, Time: at(-6)},
		{Place: "upper-larkspur", From: "forecast", MMPerH: 1.8, LiquidShare: 0, CoveredShare: 1, Time: at(18), Issued: at(-102)},
		{Place: "upper-larkspur", From: "forecast", MMPerH: 3.1, LiquidShare: 0, CoveredShare: 1, Time: at(78), Issued: at(-102)},
	}, []hold.FreezingLevel{{Target: "quill-creek", From: "sounding", AltitudeM: 1530, Time: at(-342)}},
		[]hold.Wind{{Site: "tamarack", From: "station", SpeedMPerS: 23, GustMPerS: 31, FromDeg: 260, Time: at(-8)}}, nil, []string{"the radar does not see the south-eastern 18 % of Upper Larkspur basin"})
}

func (s *Storm) alerts() {
	id := func(minutes int, kind alert.Kind) string {
		return fmt.Sprintf("%s-%s-%s-0a1b2c3d4e5f", s.Programme.ID, at(minutes).Format("20060102T150405Z"), kind)
	}
	base := alert.Alert{Thread: s.Programme.ID + "-storm", Programme: s.Programme.ID, ProgrammeName: s.Programme.Name, Severity: alert.Moderate, Change: alert.ChangeNew, Reasons: []string{}, Evidence: []alert.Link{}, Caution: alert.Caution,
		Rules: []string{"duty"}, Routes: []string{"duty-mail", "pager"}}
	ref := func(id string) alert.SiteRef {
		site := s.Programme.Site(id)
		return alert.SiteRef{ID: id, Name: site.Name, LatitudeDeg: site.LatitudeDeg, LongitudeDeg: site.LongitudeDeg}
	}
	ahead := base
	ahead.ID, ahead.Kind, ahead.Raised, ahead.Expires = id(-190, alert.WindowAhead), alert.WindowAhead, at(-190), at(283)
	ahead.Sites, ahead.Start, ahead.Best, ahead.End, ahead.Confidence, ahead.Score = []alert.SiteRef{ref("quillback"), ref("saddlehorn")}, at(-20), at(34), at(98), number(.66), number(76)
	ahead.Reasons, ahead.Certainty = []string{"score 76 in the outlook of the 02 UTC run"}, "fairly sure (0.66)"
	gale := base
	gale.ID, gale.Kind, gale.Level, gale.Severity, gale.Raised, gale.Expires, gale.Start = id(-61, alert.HoldRaised), alert.HoldRaised, "held", alert.Severe, at(-61), at(700), at(-61)
	gale.Sites, gale.Subject, gale.Reasons = []alert.SiteRef{ref("tamarack")}, "Ridge wind", []string{"wind at tamarack 23 m/s reaches 20 m/s"}
	gale.LiftedBy, gale.Lifts, gale.NeedsAck = "licensed manager", "below 18 m/s, and a person's word", true
	open := base
	open.ID, open.Kind, open.Severity, open.Raised, open.Expires, open.NeedsAck = id(-33, alert.WindowOpen), alert.WindowOpen, alert.Severe, at(-33), at(98), true
	open.Sites, open.Start, open.Best, open.End, open.Confidence, open.Score = []alert.SiteRef{ref("saddlehorn")}, at(-35), at(34), at(98), number(.73), number(74)
	open.Reasons, open.Certainty, open.Stoppers = []string{"score 74, 3 in a row"}, "fairly sure (0.73)", []string{"the band is late"}
	again := open
	again.ID, again.First, again.Change, again.Raised, again.UnansweredS, again.Escalation = open.ID+".duty.r1", open.ID, alert.ChangeRepeat, at(-18), 900, 1
	s.Alerts = []alert.Alert{ahead, gale, open, again}
	s.Acks = []message.Ack{{Programme: s.Programme.ID, Alert: gale.ID, By: "Imogen Tarn", At: at(-52), Via: "command"}}
	for _, a := range s.Alerts {
		s.Deliveries = append(s.Deliveries, alert.Delivery{AlertID: a.ID, Route: "duty-mail", Attempt: 1, Outcome: alert.DeliveryDelivered, At: a.Raised.Add(2 * time.Second)})
	}
	s.Deliveries = append(s.Deliveries, alert.Delivery{AlertID: open.ID, Route: "pager", Attempt: 3, Outcome: alert.DeliveryRetrying, At: at(-31), Next: at(-26), Error: "503 Service Unavailable"})
}

// Clone is a copy that may be changed.
func Clone[T any](value T) T {
	var out T
	b, err := json.Marshal(value)
	if err == nil {
		err = json.Unmarshal(b, &out)
	}
	if err != nil {
		panic(err)
	}
	return out
}
