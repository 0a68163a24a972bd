package message

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
)

// Every kind goes through a server and comes back as it was, and lies there as the
// document says.
func TestOnTheBus(t *testing.T) {
	s, err := bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), bus.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	client, err := nats.Connect(s.Address())
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	subscription, err := client.SubscribeSync("rimeline.>")
	if err != nil {
		t.Fatal(err)
	}
	if err := client.Flush(); err != nil {
		t.Fatal(err)
	}
	for _, kind := range bus.Kinds() {
		e := inventedEvent(t, kind)
		if _, err := b.Publish(t.Context(), e); err != nil {
			t.Fatal(err)
		}
		raw, err := subscription.NextMsg(5 * time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if kind.ContentType != "" {
			for name, value := range binaryHeaders(e) {
				if raw.Header.Get(name) != value {
					t.Errorf("%s: header %s is %q, the document says %q", kind.Name, name, raw.Header.Get(name), value)
				}
			}
		} else if raw.Header.Get("Content-Type") != bus.ContentType || !json.Valid(raw.Data) {
			t.Errorf("%s: %v", kind.Name, raw.Header)
		}
		for stored, err := range b.ReadBack(t.Context(), kind) {
			if err != nil {
				t.Fatal(err)
			}
			data, err := Decode(stored.Event)
			if err != nil || !reflect.DeepEqual(data, invented()[kind.Name]) {
				t.Errorf("%s: %+v, %v", kind.Name, data, err)
			}
		}
	}
	// A gateway that knows no CloudEvents.
	if err := client.Publish("rimeline.larkspur.telemetry.tin-kettle", []byte("{\"battery_v\": 11.9,\n\"note\":\"\\u001b[2J\"}")); err != nil {
		t.Fatal(err)
	}
	for stored, err := range b.Follow(t.Context(), bus.FollowOptions{Kinds: []bus.Kind{bus.Telemetry}, Site: "tin-kettle", Since: bus.FromAll}) {
		if err != nil {
			t.Fatal(err)
		}
		if data, err := As[json.RawMessage](stored.Event); err != nil || compact(data) != `{"battery_v":11.9,"note":"\u001b[2J"}` {
			t.Errorf("%s, %v", data, err)
		}
		if line := Line(stored.Event); !strings.HasSuffix(line, `tin-kettle              telemetry   {"battery_v":11.9,"note":"\u001b[2J"}`) {
			t.Errorf("%q", line)
		}
		break
	}
}

// Numbers that are not known are null on the way and NaN again behind it; all else
// comes back as it was.
func TestConditionsRoundTrip(t *testing.T) {
	nan := math.NaN()
	precipitation := []hold.Precipitation{
		{Place: "basin", From: "radar", MMPerH: 6.4, LiquidShare: nan, CoveredShare: .9, Time: at(-4)},
		{Place: "burn", From: "forecast", MMPerH: nan, LiquidShare: 1, CoveredShare: 1, Time: at(60), Issued: at(-100), Suspect: []string{"too large"}},
		{Place: "ridge", From: "mosaic", MMPerH: math.Inf(1), LiquidShare: 0, CoveredShare: math.Inf(-1)},
	}
	levels := []hold.FreezingLevel{{Target: "basin", From: "sounding", AltitudeM: 1500, Time: at(-30)}, {Target: "ridge", From: "forecast", AltitudeM: nan, Time: at(30), Issued: at(-100)}}
	winds := []hold.Wind{{Site: "hut", From: "station", SpeedMPerS: 9, GustMPerS: nan, FromDeg: 240, Time: at(-5)}, {Site: "barn", From: "forecast", SpeedMPerS: nan, GustMPerS: nan, FromDeg: nan}}
	c := NewConditions("larkspur", at(0).In(time.FixedZone("", -7*3600)), precipitation, levels, winds, []string{"a"}, nil)
	e, err := bus.NewEvent(bus.Conditions, "larkspur", bus.Whole, at(0), c)
	if err != nil {
		t.Fatal(err)
	}
	encoded, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	validateEvent(t, encoded)
	if text := string(e.Data); strings.Contains(text, ":null,\"inputs\"") || !strings.Contains(text, `"liquid_share":null`) || !strings.Contains(text, `"notes":[]`) || !strings.Contains(text, `"as_of":"2026-01-14T05:40:00Z"`) {
		t.Errorf("%s", text)
	}
	back, err := As[Conditions](e)
	if err != nil {
		t.Fatal(err)
	}
	gotPrecipitation, gotLevels, gotWinds := back.Evidence()
	precipitation[2].MMPerH, precipitation[2].CoveredShare = nan, nan // what is not finite is not known
	if got, want := fmt.Sprintf("%+v", gotPrecipitation), fmt.Sprintf("%+v", precipitation); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got, want := fmt.Sprintf("%+v", gotLevels), fmt.Sprintf("%+v", levels); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	if got, want := fmt.Sprintf("%+v", gotWinds), fmt.Sprintf("%+v", winds); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	// Lists that are empty are [] and give none.
	empty := NewConditions("larkspur", at(0), nil, nil, nil, nil, nil)
	if b, err := json.Marshal(empty); err != nil || strings.Contains(string(b), "null") {
		t.Errorf("%s, %v", b, err)
	}
	if p, l, w := empty.Evidence(); p != nil || l != nil || w != nil {
		t.Errorf("%v %v %v", p, l, w)
	}
}

// A field of hold that Conditions does not carry would be lost on the way.
func TestConditionsCarryEveryField(t *testing.T) {
	for _, pair := range [][2]reflect.Type{
		{reflect.TypeFor[hold.Precipitation](), reflect.TypeFor[Precipitation]()}, {reflect.TypeFor[hold.FreezingLevel](), reflect.TypeFor[FreezingLevel]()}, {reflect.TypeFor[hold.Wind](), reflect.TypeFor[Wind]()},
	} {
		for k := range pair[0].NumField() {
			if _, ok := pair[1].FieldByName(pair[0].Field(k).Name); !ok || pair[0].NumField() != pair[1].NumField() {
				t.Errorf("%s.%s is not in the message", pair[0], pair[0].Field(k).Name)
			}
		}
	}
}

// What other programs define is given as it is, within bounds.
func TestDecodeOfOthers(t *testing.T) {
	telemetry := func(data string) bus.Event { return bus.Event{Type: bus.Telemetry.Type, Data: json.RawMessage(data)} }
	cap := func(content string) bus.Event {
		return bus.Event{Type: bus.CAP.Type, ContentType: bus.CAP.ContentType, Content: []byte(content)}
	}
	for _, test := range []struct {
		event bus.Event
		want  any
		fault string
	}{
		{telemetry(`{"a":1}`), json.RawMessage(`{"a":1}`), ""}, {telemetry(`[1]`), json.RawMessage(`[1]`), ""}, {telemetry(`null`), json.RawMessage(`null`), ""}, {telemetry(`"x"`), json.RawMessage(`"x"`), ""},
		{telemetry(``), nil, "unexpected end"}, {telemetry(`{`), nil, "unexpected end"}, {telemetry(strings.Repeat("[", 33) + strings.Repeat("]", 33)), nil, "nested too deep"},
		{telemetry(`"` + strings.Repeat("x", MaxDataBytes) + `"`), nil, "too large"},
		{cap("<a/>"), CAPText("<a/>"), ""}, {cap(""), nil, "no content"}, {cap("\xff"), nil, "not UTF-8"}, {cap(strings.Repeat("x", MaxDataBytes+1)), nil, "too large"},
		{bus.Event{Type: bus.CAP.Type, Data: json.RawMessage(`{}`)}, nil, "no content"},
		{bus.Event{Type: bus.Ack.Type, ContentType: "text/plain", Content: []byte("x")}, nil, "no JSON object"},
	} {
		data, err := Decode(test.event)
		if test.fault == "" {
			if err != nil || !reflect.DeepEqual(data, test.want) {
				t.Errorf("%.40q: %v, %v", test.event.Data, data, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), test.fault) || data != nil {
			t.Errorf("%.40q: %v, %v; want %q", test.event.Data, data, err, test.fault)
		}
	}
}

// A delivery is published without its alert, and one that has it is read all the same.
func TestDeliveryWithoutAlert(t *testing.T) {
	schema, ok := Schema(bus.Delivery.DataSchema)
	if !ok || strings.Contains(string(schema), `"alert":`) {
		t.Errorf("the schema of deliveries promises the alert")
	}
	d := invented()["delivery"].(alert.Delivery)
	a := invented()["alert"].(alert.Alert)
	d.Alert = &a
	e := eventOf(t, bus.Delivery, d)
	if err := dataSchema(t, e.DataSchema).Validate(parsed(t, e.Data)); err != nil {
		t.Error(err)
	}
	if back, err := As[alert.Delivery](e); err != nil || back.Alert == nil {
		t.Errorf("%+v, %v", back, err)
	}
}

// hold and alert write what they make as the schemas say, zero values too.
func TestEmptyDutyMessagesFitTheirSchema(t *testing.T) {
	for _, m := range []struct {
		kind bus.Kind
		data any
	}{
		{bus.Conditions, Conditions{}}, {bus.Hold, Holds{}}, {bus.Alert, alert.Alert{Severity: alert.Minor, Kind: alert.HoldRaised, Change: alert.ChangeNew}}, {bus.Ack, Ack{}}, {bus.Order, Order{Action: OrderSet}},
		{bus.Delivery, alert.Delivery{Outcome: alert.DeliveryPending}}, {bus.Advice, alert.Advice{Withheld: true}}, {bus.Release, alert.Release{}},
		{bus.Hold, Holds{Results: []hold.Result{{Outcome: hold.Unknown, Condition: hold.Unknown, LastKnown: hold.Held, Inputs: []hold.Input{{}}}}}},
	} {
		e := eventOf(t, m.kind, m.data)
		if err := dataSchema(t, e.DataSchema).Validate(parsed(t, e.Data)); err != nil {
			t.Errorf("%s: %v", m.kind.Name, err)
		}
		if back, err := Decode(e); err != nil || string(pretty(t, back)) != string(pretty(t, m.data)) {
			t.Errorf("%s: %v", m.kind.Name, err)
		}
		if len(Text(e)) == 0 || Line(e) == "" {
			t.Errorf("%s: nothing is said", m.kind.Name)
		}
	}
}

// The key of an acknowledgement's link is shown nowhere.
func TestTokenIsNotShown(t *testing.T) {
	e := changed(t, bus.Ack, func(a *Ack) { a.Token, a.Via = "s3cret-t0ken", "link" })
	if text := strings.Join(append(Text(e), Line(e)), "\n"); strings.Contains(text, "s3cret") || !strings.Contains(text, "link") {
		t.Errorf("%s", text)
	}
}

func holdsOf(outcomes ...hold.Outcome) Holds {
	m := Holds{Programme: "larkspur", At: at(0)}
	for k, outcome := range outcomes {
		m.Results = append(m.Results, hold.Result{Criterion: fmt.Sprintf("c%d", k+1), Outcome: outcome, Condition: outcome, Reason: fmt.Sprintf("reason %d", k+1)})
	}
	return m
}

func TestDutyLines(t *testing.T) {
	cap := func(content string) bus.Event {
		e, err := bus.NewContentEvent(bus.CAP, "larkspur", "hold-raised", night, []byte(content))
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	for _, test := range []struct {
		event bus.Event
		want  string
	}{
		{inventedEvent(t, bus.Hold),
			"14 Jan 05:40 UTC  larkspur                held        held Larkspur flood stage (for upper-larkspur), unknown Wind at the site (saddlehorn); 1 of 3 clear: stage of larkspur-bridge…"},
		{eventOf(t, bus.Hold, holdsOf(hold.Clear, hold.Clear)), "14 Jan 05:40 UTC  larkspur                clear       all 2 criteria are clear"},
		{eventOf(t, bus.Hold, holdsOf(hold.Clear)), "14 Jan 05:40 UTC  larkspur                clear       the one criterion is clear"},
		{eventOf(t, bus.Hold, holdsOf()), "14 Jan 05:40 UTC  larkspur                clear       no criteria"},
		{eventOf(t, bus.Hold, holdsOf(hold.Review, hold.Clear)), "14 Jan 05:40 UTC  larkspur                review      review c1; 1 of 2 clear: reason 1"},
		// What is none of the four outcomes cannot be judged, and that is graver than a review.
		{eventOf(t, bus.Hold, holdsOf(hold.Review, "hazy", hold.Clear)), "14 Jan 05:40 UTC  larkspur                unknown     unknown c2, review c1; 1 of 3 clear: reason 2; reason 1"},
		{eventOf(t, bus.Hold, holdsOf(hold.Held, hold.Held, hold.Held, hold.Held, hold.Held)),
			"14 Jan 05:40 UTC  larkspur                held        held c1, c2, c3, 2 more; 0 of 5 clear: reason 1; reason 2; reason 3; reason 4; reason 5"},

		{inventedEvent(t, bus.Order), "14 Jan 05:40 UTC  larkspur                hold set    saddlehorn until 09:40 UTC, by Imogen Tarn (duty-meteorologist): search party on the ridge"},
		{changed(t, bus.Order, func(o *Order) { o.Sites, o.Until, o.Role, o.By, o.Reason = nil, time.Time{}, "", "", "" }),
			"14 Jan 05:40 UTC  larkspur                hold set    all sites and targets until it is lifted, by somebody without a name: no reason given"},
		{changed(t, bus.Order, func(o *Order) {
			*o = Order{Programme: "larkspur", Action: OrderLift, At: at(0), By: "Piet Holm", Reason: "gauge read by eye", Lifts: "larkspur-stage"}
		}), "14 Jan 05:40 UTC  larkspur                lifted      larkspur-stage, by Piet Holm: gauge read by eye"},

		{inventedEvent(t, bus.Telemetry), `14 Jan 05:40 UTC  saddlehorn              telemetry   {"battery_v":12.4,"door":{"open":false},"flares":[1,2,5],"note":"ice on the mast","site":"saddlehorn"}`},
		{inventedEvent(t, bus.Conditions),
			"14 Jan 05:40 UTC  larkspur                conditions  precipitation up to 6.4 mm/h over upper-larkspur (radar of 05:36), 0 % rain; 0 °C up to 1630 m over upper-larkspur (forecast…"},
		{eventOf(t, bus.Conditions, NewConditions("larkspur", at(0), nil, nil, nil, nil, nil)), "14 Jan 05:40 UTC  larkspur                conditions  nothing could be found out"},
		{eventOf(t, bus.Conditions, NewConditions("larkspur", at(0), nil, nil, []hold.Wind{
			{Site: "hut", From: "station", SpeedMPerS: 9, GustMPerS: math.NaN(), FromDeg: 180, Time: at(-3)}, {Site: "barn", From: "forecast", SpeedMPerS: 8, GustMPerS: 14, FromDeg: math.NaN(), Time: at(24 * 60), Issued: at(-100)},
		}, nil, nil)), "14 Jan 05:40 UTC  larkspur                conditions  wind at barn 8 m/s, gusts 14 m/s (forecast for 15 Jan 05:40)"},

		{inventedEvent(t, bus.Alert),
			"14 Jan 05:40 UTC  larkspur                alert       HOLD, do not seed (Larkspur flood stage): Saddlehorn Bench; waits for an answer: stage of larkspur-bridge is 2.46 m, at or ab…"},
		{changed(t, bus.Alert, func(a *alert.Alert) { a.Exercise, a.AckBy = true, "Piet Holm" }),
			"14 Jan 05:40 UTC  larkspur                alert       EXERCISE HOLD, do not seed (Larkspur flood stage): Saddlehorn Bench; taken by Piet Holm: stage of larkspur-bridge is 2.46 m…"},
		{inventedEvent(t, bus.CAP), "14 Jan 05:40 UTC  larkspur                cap         Actual, Alert, larkspur-20260114T054000Z-hold-raised: HOLD, do not seed: Saddlehorn Bench."},
		{cap("<alert/>"), "14 Jan 05:40 UTC  larkspur                cap         no status, no type, no identifier"},
		{cap("<alert>"), "14 Jan 05:40 UTC  larkspur                cap         no XML: XML syntax error on line 1: unexpected EOF"},
		{inventedEvent(t, bus.Ack), "14 Jan 05:40 UTC  larkspur                answered    alert larkspur-20260114T054000Z-hold-raised is taken by Piet Holm, by command"},
		{inventedEvent(t, bus.Delivery), "14 Jan 05:40 UTC  route pager             retrying    alert larkspur-20260114T054000Z-hold-raised, 2 tries: 503 Service Unavailable; again at 05:43 UTC"},
		{changed(t, bus.Delivery, func(d *alert.Delivery) { d.Outcome, d.Attempt, d.Error = alert.DeliveryDelivered, 1, "" }),
			"14 Jan 05:40 UTC  route pager             delivered   alert larkspur-20260114T054000Z-hold-raised, 1 try"},
		{inventedEvent(t, bus.Advice),
			"14 Jan 05:40 UTC  saddlehorn              advice      a release 06:10 to 07:14 UTC might do: 64 g in 4 units, every 20 min, about 28 crystals per litre; the operator decides"},
		{changed(t, bus.Advice, func(a *alert.Advice) { a.SpacingS, a.CrystalsPerLitre, a.GramsTotal = 0, nil, 6.25 }),
			"14 Jan 05:40 UTC  saddlehorn              advice      a release 06:10 to 07:14 UTC might do: 6.2 g without a break; the operator decides"},
		{changed(t, bus.Advice, func(a *alert.Advice) { a.Withheld, a.Reasons = true, []string{"held: Larkspur flood stage"} }),
			"14 Jan 05:40 UTC  saddlehorn              no advice   held: Larkspur flood stage"},
		{inventedEvent(t, bus.Release), "14 Jan 05:40 UTC  saddlehorn              released    06:42 to 06:46 UTC, 16 g of silver iodide from rack 2, flare 5, recorded by Piet Holm: snowpack"},
		{changed(t, bus.Release, func(r *alert.Release) { r.Corrects, r.Grams, r.Purpose = "r-0031", 0, "" }),
			"14 Jan 05:40 UTC  saddlehorn              corrected   06:42 to 06:46 UTC, nothing was released, recorded by Piet Holm, in place of r-0031"},
	} {
		if got := Line(test.event); got != test.want {
			t.Errorf("got  %q\nwant %q", got, test.want)
		}
	}
}

func TestDutyTexts(t *testing.T) {
	eased := changed(t, bus.Hold, func(m *Holds) {
		m.Results = slices.Clone(m.Results[1:2])
		r := &m.Results[0]
		r.Condition, r.EasedSince, r.LiftsAt = hold.Clear, at(-20), at(40)
	})
	for _, test := range []struct {
		event bus.Event
		want  []string
	}{
		{inventedEvent(t, bus.Hold), []string{
			"larkspur: HELD at 14 Jan 05:40 UTC; 1 held, 1 unknown, 1 clear",
			"  Larkspur flood stage    held since 04:05 UTC, for upper-larkspur: stage of larkspur-bridge is 2.46",
			"                          m, at or above 2.4 m, 10 min old",
			"                          what would lift it: stage below 2.2 m for 60 min",
			"                          who may lift it: duty-meteorologist",
			"                          its key: larkspur-stage",
			"  Wind at the site        unknown since 05:00 UTC, saddlehorn: wind at saddlehorn by station is 3.0",
			"                          h old, at most 1 h counts",
			"                          what would lift it: a wind that is known",
			"                          who may lift it: duty-meteorologist",
			"                          its key: ridge-wind/saddlehorn",
			"  Season of the permit    clear since 12 Nov 17:40 UTC: 14 January is within 1 November to 15 April",
			"  judged because          gauge larkspur-bridge of 05:30 UTC",
			"  caution                 what cannot be judged counts as held; release nothing that is held",
		}},
		{eased, []string{
			"larkspur: HELD at 14 Jan 05:40 UTC; 1 held",
			"  Larkspur flood stage    held since 04:05 UTC, for upper-larkspur: stage of larkspur-bridge is 2.46",
			"                          m, at or above 2.4 m, 10 min old",
			"                          its cause is gone since 05:20 UTC",
			"                          lifts by itself at 06:20 UTC, if nothing new comes",
			"                          what would lift it: stage below 2.2 m for 60 min",
			"                          who may lift it: duty-meteorologist",
			"                          its key: larkspur-stage",
			"  judged because          gauge larkspur-bridge of 05:30 UTC",
			"  caution                 what cannot be judged counts as held; release nothing that is held",
		}},
		{eventOf(t, bus.Hold, holdsOf(hold.Unknown)), []string{
			"larkspur: HELD at 14 Jan 05:40 UTC, since a criterion cannot be judged; 1 unknown",
			"  c1                      unknown: reason 1",
			"  caution                 what cannot be judged counts as held; release nothing that is held",
		}},
		{eventOf(t, bus.Hold, holdsOf(hold.Review)), []string{"larkspur: review before any release, at 14 Jan 05:40 UTC; 1 review", "  c1                      review: reason 1"}},
		{inventedEvent(t, bus.Order), []string{
			"larkspur: hold set at 14 Jan 05:37 UTC by Imogen Tarn (duty-meteorologist)",
			"  suspends                saddlehorn until 09:40 UTC",
			"  why                     search party on the ridge",
			"  order                   k7-visitors",
		}},
		{changed(t, bus.Order, func(o *Order) { o.Action, o.Lifts = OrderLift, "larkspur-stage" }), []string{
			"larkspur: hold lifted at 14 Jan 05:37 UTC by Imogen Tarn (duty-meteorologist)",
			"  lifts                   larkspur-stage",
			"  why                     search party on the ridge",
			"  order                   k7-visitors",
			"  caution                 a lift counts only where its person may lift this criterion and its cause",
			"                          is gone",
		}},
		{inventedEvent(t, bus.Conditions), []string{
			"larkspur: conditions as of 14 Jan 05:40 UTC",
			"  upper-larkspur          6.4 mm/h, 0 % rain, 97 % of it seen, radar of 05:36",
			"  upper-larkspur          5.1 mm/h, forecast for 06:00",
			"  quill-burn              precipitation not known, 40 % of it seen, radar of 05:36; suspect: a ridge",
			"                          hides most of it",
			"  upper-larkspur          0 °C at 1630 m, forecast for 06:00",
			"  saddlehorn              wind 11 m/s, from the west, forecast for 06:00",
			"  note                    no sounding is younger than 12 h",
		}},
		{inventedEvent(t, bus.Telemetry), []string{
			"site saddlehorn: telemetry of 14 Jan 05:40 UTC, programme larkspur",
			"  battery_v               12.4", `  door                    {"open":false}`, "  flares                  [1,2,5]", "  note                    ice on the mast", "  site                    saddlehorn",
		}},
		{bus.Event{Type: bus.Telemetry.Type, Subject: "rimeline.larkspur.telemetry.hut", Time: night, Data: json.RawMessage(`[12.4, 11.9]`)}, []string{
			"site hut: telemetry of 14 Jan 05:40 UTC, programme larkspur", "  says                    [12.4,11.9]",
		}},
		{inventedEvent(t, bus.Alert), []string{
			"HOLD, do not seed (Larkspur flood stage): Saddlehorn Bench",
			"  what                    seeding is suspended. Release nothing.",
			"  site                    Saddlehorn Bench; HELD: Larkspur flood stage",
			"  since                   Wed 14 Jan 04:05 UTC",
			"  why                     stage of larkspur-bridge is 2.46 m, at or above 2.4 m, 10 min old",
			"  lifts it                stage below 2.2 m for 60 min",
			"  who may                 duty-meteorologist",
			"  see                     Saddlehorn Bench: https://pages.example/larkspur/saddlehorn",
			"  caution                 Advice only. The permit, the licensed operator and local code decide; a",
			"                          person gives the order. Flares and generators are pyrotechnic and chemical",
			"                          devices: keep clear, keep the fire precautions.",
			"Larkspur winter programme (larkspur), alert larkspur-20260114T054000Z-hold-raised, Wed 14 Jan 05:40 UTC",
			"  goes to                 pager",
			"  answer                  it is repeated until somebody acknowledges it; its id is",
			"                          larkspur-20260114T054000Z-hold-raised",
		}},
		{inventedEvent(t, bus.CAP), []string{
			"larkspur-20260114T054000Z-hold-raised: CAP message of 14 Jan 05:40 UTC, Actual, Alert",
			"  headline                HOLD, do not seed: Saddlehorn Bench.", "  description             Stage 2.46 m > 2.4 m", "  size                    621 bytes",
		}},
		{inventedEvent(t, bus.Ack), []string{
			"larkspur: alert answered at 14 Jan 05:42 UTC", "  by                      Piet Holm", "  alert                   larkspur-20260114T054000Z-hold-raised", "  came by                 command",
		}},
		{changed(t, bus.Delivery, func(d *alert.Delivery) { d.Outcome = alert.DeliveryRefused }), []string{
			"route pager: refused at 14 Jan 05:41 UTC, programme larkspur", "  why                     503 Service Unavailable", "  alert                   larkspur-20260114T054000Z-hold-raised", "  tried                   2 tries",
			"  what now                nobody was told by this route, and it is not tried again",
		}},
		{inventedEvent(t, bus.Advice), []string{
			"saddlehorn: advice of 14 Jan 05:40 UTC, programme larkspur",
			"  release                 06:10 to 07:14 UTC", "  how much                64 g in 4 units, every 20 min", "  makes                   about 28 crystals per litre where the agent acts",
			"  why                     window 06:10 to 07:25 UTC, best at 06:45; score 78, confidence 0.71", "  limit                   daily limit of the site: 200 g, 136 g used, 64 g left",
			"  caution                 A suggestion to the licensed operator, who decides. Not a command. Keep",
			"                          the maker's instructions, the permit and local code; flares and generators", "                          are pyrotechnic and chemical devices.",
		}},
		{inventedEvent(t, bus.Release), []string{
			"saddlehorn: release recorded at 14 Jan 06:50 UTC, programme larkspur", "  from                    06:42 to 06:46 UTC, 4 min", "  how much                16 g of silver iodide from rack 2, flare 5",
			"  purpose                 snowpack", "  recorded by             Piet Holm", "  record                  r-0031",
		}},
	} {
		if got := Text(test.event); !slices.Equal(got, test.want) {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(test.want, "\n"))
		}
	}
	// Lists from outside are bounded.
	long := changed(t, bus.Conditions, func(c *Conditions) {
		for range 500 {
			c.Precipitation = append(c.Precipitation, c.Precipitation[0])
		}
	})
	if lines := Text(long); len(lines) > 60 || !slices.Contains(lines, "                          and 463 more") {
		t.Errorf("%d lines", len(lines))
	}
	members := map[string]int{}
	for k := range 500 {
		members[fmt.Sprintf("k%03d", k)] = k
	}
	if lines := Text(eventOf(t, bus.Telemetry, members)); len(lines) != 42 || lines[41] != "                          and 460 more" {
		t.Errorf("%d lines", len(lines))
	}
}
