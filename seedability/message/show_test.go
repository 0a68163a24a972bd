package message

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"rimeline/seedability"
	"rimeline/seedability/bus"
)

func eventOf(t testing.TB, kind bus.Kind, data any) bus.Event {
	t.Helper()
	e, err := bus.NewEvent(kind, "larkspur", lastToken[kind.Name], night, data)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// changed is the invented message of a kind after a change.
func changed[T any](t testing.TB, kind bus.Kind, change func(*T)) bus.Event {
	t.Helper()
	data := invented()[kind.Name].(T)
	change(&data)
	return eventOf(t, kind, data)
}

func score(t testing.TB, change func(*seedability.Assessment)) bus.Event {
	return changed(t, bus.Score, change)
}

// Lines as they stand below each other on the screen.
func TestLines(t *testing.T) {
	type assessment = seedability.Assessment
	for _, test := range []struct {
		event bus.Event
		want  string
	}{
		{inventedEvent(t, bus.Score),
			"14 Jan 05:40 UTC  Saddlehorn Bench        window      score  70  sure 0.73  held back by aim: 60 % lands in Upper Larkspur basin, 25 % short of it"},
		{score(t, func(a *assessment) { a.Score.TargetProbability = number(.97); a.Score.Value = number(88) }),
			"14 Jan 05:40 UTC  Saddlehorn Bench        window      score  88  sure 0.73  held back by liquid water, 0.08 mm: the model's cloud water along the path"},
		{score(t, func(a *assessment) {
			a.Score.TargetProbability, a.Score.Value, a.Score.Caps = number(1), number(100), nil
			a.Score.Components = nil
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        window      score 100  sure 0.73  nothing holds it back"},
		{score(t, func(a *assessment) {
			a.Score.Caps[0] = seedability.Cap{Limit: .3, Reason: "0.97 crystals per litre, below 1: too few to matter"}
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        window      score  70  sure 0.73  held back by the dose: 0.97 crystals per litre, below 1: too few to matter"},
		{score(t, func(a *assessment) {
			a.Standing, a.State, a.Score.Value = nil, seedability.StateQuiet, number(0)
			a.Score.Components[1].Value, a.Score.Components[1].Input, a.Score.Components[1].Reason = number(0), number(-3.8), "the plume meets cloud, but none colder than -3.8 °C"
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        quiet       score   0  sure 0.73  held back by temperature, -3.8 °C: the plume meets cloud, but none colder than -3.8 °C"},
		// A later release than now says so.
		{score(t, func(a *assessment) {
			a.Standing, a.ReleaseTime = nil, at(24*60)
			a.Transport.Targets[0] = seedability.TargetResult{Name: "Quill Creek", Probability: .1, Inside: 10}
			a.Transport.Fates = map[string]int{"landed": 10, "ran out of time": 90}
			a.Score.TargetProbability = number(.1)
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        window      score  70  sure 0.73  release 15 Jan 05:40: held back by aim: 10 % lands in Quill Creek; 90 % is not down in time"},
		{score(t, func(a *assessment) {
			a.Standing.State, a.Standing.Reason, a.Score.Value = seedability.StateBuilding, "score 48.0 is below 65.0; in the outlook a window opens 06:10-07:25 UTC, best 06:45", number(48)
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        building    score  48  sure 0.73  score 48.0 is below 65.0; in the outlook a window opens 06:10-07:25 UTC, best 06:45"},
		{score(t, func(a *assessment) {
			a.Standing.State, a.Standing.Reason = seedability.StateHold, "flood warning in force for the basin"
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        hold        score  70  sure 0.73  flood warning in force for the basin"},
		// Blind, and why: too little confidence, a quantity, or everything.
		{score(t, func(a *assessment) {
			a.Standing, a.State, a.StateReason, a.Confidence.Value = nil, seedability.StateBlind, "confidence 0.12 is below 0.30", .12
			a.Confidence.Reasons = []string{"model run 11.0 h old: freshness 0.11"}
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        blind       score  70  sure 0.12  confidence 0.12 is below 0.30; model run 11.0 h old: freshness 0.11"},
		{score(t, func(a *assessment) {
			a.Standing, a.State, a.Score.Value = nil, seedability.StateBlind, nil
			a.Score.Components[0].Value, a.Score.Components[0].Reason = nil, "no source gives this quantity"
		}),
			"14 Jan 05:40 UTC  Saddlehorn Bench        blind       no score   sure 0.73  liquid water is not known: no source gives this quantity"},
		{eventOf(t, bus.Score, seedability.Blind("larkspur", seedability.Site{ID: "saddlehorn"}, night, "no model run has come yet")),
			"14 Jan 05:40 UTC  saddlehorn              blind       no score   sure 0.00  no model run has come yet"},

		{inventedEvent(t, bus.Outlook),
			"14 Jan 05:40 UTC  Saddlehorn Bench        outlook     window 06:10-07:25 UTC, best 06:45 (score 78, confidence 0.71), 12 min later than the 03 UTC run said; 1 of 3 release times c…"},
		{changed(t, bus.Outlook, func(o *seedability.Outlook) { o.Gone, o.Windows = o.Windows, nil; o.Releases = o.Releases[:1] }),
			"14 Jan 05:40 UTC  Saddlehorn Bench        outlook     no window up to 07:45 UTC; the highest score is 48, at 05:45; the window 06:10-07:25 UTC of the 03 UTC run is gone"},

		{inventedEvent(t, bus.Input),
			"14 Jan 05:40 UTC  model hourly-model      arrived     run of 04:00 for 06:00 UTC, 1 h 40 min old, 98.4 MB"},
		{changed(t, bus.Input, func(m *Input) {
			*m = Input{Programme: "larkspur", Source: "radar-volumes", Kind: "radar", Station: "XLRK", ValidTime: at(-7), FetchedTime: at(0), Files: []InputFile{{Bytes: 5_432_100}}, Notes: []string{"the two lowest sweeps are missing"}}
		}),
			"14 Jan 05:40 UTC  radar XLRK              arrived     of 05:33 UTC, 7 min old, 5.4 MB; the two lowest sweeps are missing"},
		{changed(t, bus.Input, func(m *Input) {
			*m = Input{Source: "balloons", Kind: "sounding", Station: "XXM01", ValidTime: at(-8 * 60), FetchedTime: at(0), Error: "no level with a temperature"}
		}),
			"14 Jan 05:40 UTC  sounding XXM01          not used    of 13 Jan 21:40 UTC, 8 h 00 min old: no level with a temperature"},
		{changed(t, bus.Input, func(m *Input) { *m = Input{Source: "sky", Kind: "mosaic", ValidTime: at(60), FetchedTime: at(0)} }),
			"14 Jan 05:40 UTC  mosaic sky              arrived     of 06:40 UTC, 60 min in the future: a clock is wrong"},
		{changed(t, bus.Input, func(m *Input) { *m = Input{Source: "satellite", Kind: "satellite", FetchedTime: at(0)} }),
			"14 Jan 05:40 UTC  satellite               arrived     of a time not known"},

		{inventedEvent(t, bus.Health),
			"14 Jan 05:40 UTC  worker north-1          degraded    radar for larkspur is 22 min late, does not answer well: 503 Service Unavailable; 2 jobs running, 12 waiting"},
		{changed(t, bus.Health, func(h *Health) { h.State, h.Sources, h.Queues = HealthOK, nil, []QueueHealth{{"assess", 0, 1}} }),
			"14 Jan 05:40 UTC  worker north-1          ok          1 job running, 0 waiting"},
		{changed(t, bus.Health, func(h *Health) {
			h.State, h.Reasons, h.Queues = HealthFailing, []string{"the disk is full"}, nil
			h.Sources = []SourceHealth{{Source: "hourly-model", Programme: "larkspur", Error: "no such host"}}
		}),
			"14 Jan 05:40 UTC  worker north-1          failing     the disk is full; hourly-model for larkspur has given nothing yet, does not answer well: no such host; 0 jobs running, 0 wait…"},

		{inventedEvent(t, bus.DeadLetter),
			"14 Jan 05:40 UTC  larkspur                given up    ingest job, after 5 tries: XLRK20260114_053600_V06: byte 1048576: truncated"},
		{changed(t, bus.DeadLetter, func(d *DeadLetter) { d.Deliveries, d.Error = 1, "" }),
			"14 Jan 05:40 UTC  larkspur                given up    ingest job, after 1 try: no reason known"},

		// What cannot be read is not passed over.
		{bus.Event{Type: "rimeline.score.v2", Subject: "rimeline.larkspur.score.saddlehorn", Time: night, Data: json.RawMessage(`{}`)},
			"14 Jan 05:40 UTC  rimeline.larkspur.sco…  unreadable  rimeline.score.v2: version 2, this program reads up to version 1: update it: newer version of the message"},
		{bus.Event{Type: "rimeline.moon.v1", Subject: "rimeline.moon.full"},
			"time not known    rimeline.moon.full      unreadable  rimeline.moon.v1: this program knows no such message: unknown type of message"},
		// Long names are cut, and nothing reaches the terminal that is no text.
		{changed(t, bus.DeadLetter, func(d *DeadLetter) {
			d.Programme, d.Error = "über-dem-großen-Tannenwalde", "a\nb\x1b[31mred\u202eyob"
		}),
			"14 Jan 05:40 UTC  über-dem-großen-Tanne…  given up    ingest job, after 5 tries: a b [31mred yob"},
	} {
		got := Line(test.event)
		if got != test.want {
			t.Errorf("got  %s\nwant %s", got, test.want)
		}
		if n := utf8.RuneCountInString(got); n > lineColumns {
			t.Errorf("%d characters: %s", n, got)
		}
	}
}

func text(lines ...string) string { return strings.Join(lines, "\n") }

func TestTexts(t *testing.T) {
	cautions := text(
		"  caution                 Advice only: the permit, the licensed operator, the maker's instructions",
		"                          and local codes decide; a person gives the order.",
		"  caution                 Silver-iodide flares and generators are pyrotechnic and chemical devices:",
		"                          keep the clearances and the fire precautions of the permit.",
		"  caution                 Suspension criteria (flood, avalanche, reservoir, warnings, intense",
		"                          precipitation) are not evaluated here: check them before any release.")
	for _, test := range []struct {
		event bus.Event
		want  string
	}{
		{inventedEvent(t, bus.Score), text(
			"Saddlehorn Bench: window, score 70 of 100, sure 0.73",
			"  judged                  14 Jan 05:40 UTC for release at 05:40 UTC, programme larkspur",
			"  why                     window since 05:20 UTC, building before: score 69.8 stays at or above 60.0",
			"  liquid water            0.08 mm, worth 0.68: the model's cloud water along the path",
			"  temperature             -9.0 °C, worth 0.90: the plume meets supercooled cloud at -6.1 °C after 18",
			"                          min",
			"  band                    not known: the newest radar picture is 34 min old",
			"  dose                    12 crystals per litre; the opportunity is held to 0.9",
			"  aim                     60 % lands in Upper Larkspur basin, 25 % short of it",
			"  agent acts              after 18 min (14 to 25)",
			"  ice lands               after 44 min (35 to 58), 25 km east of the site",
			"  band 3                  over the zone 06:20 to 07:00 UTC, strongest 06:35 with 28 dBZ, 80 %",
			"                          likely; to meet it release 06:00 to 06:40 UTC, best 06:15",
			"  how sure                model run 1.7 h old: freshness 1.00",
			"  note                    the site stands 36 m below the model's ground",
			cautions)},
		{eventOf(t, bus.Score, seedability.Blind("larkspur", seedability.Site{ID: "saddlehorn"}, night, "no model run has come yet")), text(
			"saddlehorn: blind, no score, sure 0.00",
			"  judged                  14 Jan 05:40 UTC for release at 05:40 UTC, programme larkspur",
			"  why                     no model run has come yet",
			"  how sure                no model run has come yet",
			cautions)},
		{inventedEvent(t, bus.Outlook), text(
			"Saddlehorn Bench: outlook of 14 Jan 05:40 UTC",
			"                          window 06:10-07:25 UTC, best 06:45 (score 78, confidence 0.71), 12 min",
			"                          later than the 03 UTC run said",
			"                          1 of 3 release times cannot be judged",
			"  releases                05:45 to 07:45 UTC, programme larkspur; model run of 04:00 UTC",
			"  now                     window since 05:20 UTC: score 69.8 stays at or above 60.0",
			"  aim at 06:45 UTC        82 % lands in Upper Larkspur basin",
			"  note                    no judgement for release at 07:45 UTC: confidence 0.20 is below 0.30",
			cautions)},
		{inventedEvent(t, bus.Input), text(
			"model hourly-model: arrived, run of 04:00 for 06:00 UTC, 1 h 40 min old, 98.4 MB",
			"  fetched                 14 Jan 05:40 UTC from hourly-model, for programme larkspur",
			"  published               05:28 UTC, 12 min before it was here",
			"  product                 pressure levels",
			"  file                    model.t04z.f02.grib2, 98.4 MB",
			"  kept                    6.1 MB")},
		{inventedEvent(t, bus.Health), text(
			"worker north-1: degraded at 14 Jan 05:40 UTC",
			"  runs                    version 0.4.0 on north for 10 h 00 min, as ingest and assess",
			"  ingest jobs             1 running, 12 waiting",
			"  assess jobs             1 running, 0 waiting",
			"  hourly-model            for larkspur: in time; newest of 04:00 UTC; last reached 05:39 UTC",
			"  radar                   for larkspur: is 22 min late, does not answer well: 503 Service",
			"                          Unavailable; newest of 05:13 UTC; last reached 05:18 UTC")},
		{inventedEvent(t, bus.DeadLetter), text(
			"larkspur: ingest job given up at 14 Jan 05:40 UTC",
			"  why                     XLRK20260114_053600_V06: byte 1048576: truncated",
			"  tried                   5 tries, last by worker north-1",
			"  job                     larkspur-radar-XLRK20260114-053600",
			`                          {"object":"XLRK20260114_053600_V06"}`,
			"  what now                nobody tries it again: look at the reason")},
		{bus.Event{Type: "rimeline.score.v2", Subject: "rimeline.larkspur.score.saddlehorn", Time: night, Data: json.RawMessage(`{}`)}, text(
			"rimeline.larkspur.score.saddlehorn: message of 14 Jan 05:40 UTC cannot be read",
			"  why                     rimeline.score.v2: version 2, this program reads up to version 1: update",
			"                          it: newer version of the message")},
	} {
		if got := text(Text(test.event)...); got != test.want {
			t.Errorf("got\n%s\nwant\n%s", got, test.want)
		}
	}
}

func TestWords(t *testing.T) {
	for _, test := range []struct{ got, want string }{
		{span(59 * time.Second), "59 s"}, {span(-5 * time.Minute), "5 min"}, {span(99 * time.Minute), "99 min"}, {span(100 * time.Minute), "1 h 40 min"},
		{span(25*time.Hour + 59*time.Minute + 40*time.Second), "26 h 00 min"}, {span(72 * time.Hour), "3 days"}, {span(-1 << 63), "106752 days"},
		{bytesText(0), "0 bytes"}, {bytesText(999), "999 bytes"}, {bytesText(1000), "1 kB"}, {bytesText(999_499), "999 kB"}, {bytesText(999_500), "1.0 MB"}, {bytesText(999_949_999), "999.9 MB"}, {bytesText(2_000_000_000), "2.0 GB"},
		{compass(0), "north"}, {compass(22.6), "north-east"}, {compass(337.4), "north-west"}, {compass(359), "north"}, {compass(-90), "west"}, {compass(180), "south"},
		{cut("abcdef", 6), "abcdef"}, {cut("abcdef", 5), "abcd…"}, {cut("abc, def", 5), "abc…"},
	} {
		if test.got != test.want {
			t.Errorf("got %q, want %q", test.got, test.want)
		}
	}
}

// The reason named is the one whose mending gains most: S = 100 sqrt(O P), so
// that each component is worth membership^weight and the share in the target is
// worth itself.
func TestHeldBackNamesTheLargestLoss(t *testing.T) {
	for _, test := range []struct {
		liquid, temperature, share float64 // memberships with weights .3 and .2, and P
		want                       string
		limit                      float64 // of the opportunity; 0 for none
	}{
		{.3, .3, 1, "liquid", .6},         // .3^.3 = .70, .79: together .55, which the cap leaves as it is
		{.3, .3, 1, "the dose", .3},       // and cuts to .3: .30/.55 = .54
		{.3, .3, .5, "aim", .3},           // .5
		{.5, .5, .9, "liquid", 0},         // .5^.3 = .81, .5^.2 = .87, .9
		{.5, .3, .9, "temperature", 0},    // .81, .3^.2 = .79
		{.5, .3, .78, "aim", 0},           // .81, .79, .78
		{0, .3, .001, "liquid", 0},        // a zero is worth nothing
		{.99, 1, .985, "nothing", 0},      // .997, 1, .985: not worth a word
		{.5, 0, 0, "temperature", 0},      // of two zeros the first
		{1, 1, 0, "aim: 0 % lands in", 0}, // nothing lands
	} {
		a := seedability.Assessment{Score: seedability.Score{TargetProbability: number(test.share), Components: []seedability.Component{
			{Name: seedability.ComponentLiquid, Input: number(1), Value: number(test.liquid), Weight: .3},
			{Name: seedability.ComponentTemperature, Input: number(1), Value: number(test.temperature), Weight: .2},
			{Name: seedability.ComponentCloudTop, Input: number(1), Value: number(0), Weight: 0}, // switched off
		}}}
		if test.limit > 0 {
			a.Score.Caps = []seedability.Cap{{Limit: test.limit, Reason: "few crystals"}}
		}
		if got := heldBack(a); !strings.Contains(got, test.want) {
			t.Errorf("%+v: %q", test, got)
		}
	}
}
