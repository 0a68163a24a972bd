package hydro

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
)

// Invented zones in the shape of a map layer of avalanche centres: level of the
// zone, levels of three bands, local times, polygons.
const dangerInvented = `{"type":"FeatureCollection","features":[
 {"type":"Feature","id":7,"geometry":{"type":"Polygon","coordinates":[[[-115,44],[-114,44],[-114,45],[-115,44]]]},
  "properties":{"name":"Larkmoor North","danger_level":3,"danger":"considerable","upper":4,"middle":"3","lower":"2 - Moderate","start":"2026-01-15T07:00:00","end":"2026-01-16T07:00:00"}},
 {"type":"Feature","id":8,"geometry":null,"properties":{"name":"Larkmoor South","danger_level":-1,"danger":"no rating","upper":null,"middle":0,"lower":1,"start":"2026-01-15T07:00:00","end":null}}]}`

var dangerMapping = DangerMapping{Rows: "features[*]", Zone: "id", Name: "properties.name", Level: "properties.danger_level", From: "properties.start", To: "properties.end",
	Layout: "YYYY-MM-DDTHH:mm:ss", TimeZone: "America/Boise", Geometry: "geometry",
	Bands: []BandMapping{{"alpine", "properties.upper"}, {"treeline", "properties.middle"}, {"below treeline", "properties.lower"}}}

func TestAvalanche(t *testing.T) {
	m := dangerMapping
	m.Layout = strings.Replace(m.Layout, "DDT", "DD'T'", 1)
	if _, err := DecodeAvalanche("f", []byte(dangerInvented), m); err == nil {
		t.Error("a layout that does not fit passes")
	}
	all, err := DecodeAvalanche("f", []byte(dangerInvented), dangerMapping)
	if err != nil || len(all) != 2 {
		t.Fatal(all, err)
	}
	north, south := all[0], all[1]
	if north.Zone != "7" || north.Name != "Larkmoor North" || north.Level != 3 || !slices.Equal(north.Bands, []Band{{"alpine", 4}, {"treeline", 3}, {"below treeline", 2}}) ||
		!north.From.Equal(time.Date(2026, 1, 15, 14, 0, 0, 0, time.UTC)) || !north.To.Equal(time.Date(2026, 1, 16, 14, 0, 0, 0, time.UTC)) || north.Area.NumPolygons() != 1 {
		t.Errorf("got %+v", north)
	}
	if level, known := north.Highest(); level != 4 || !known {
		t.Errorf("highest %d %v, want that of the alpine band", level, known)
	}
	if level, known := south.Highest(); level != 1 || known || south.Level != 0 || !hasNote(south.Notes, "until when") || south.Area != nil {
		t.Errorf("no rating: %+v, highest %d %v", south, level, known)
	}
	if level, known := (Danger{Level: 3, Bands: []Band{{"alpine", 0}, {"treeline", 3}}}).Highest(); level != 3 || known {
		t.Errorf("a band without rating: highest %d %v", level, known)
	}
	word := m
	word.Layout, word.Level, word.Bands = dangerMapping.Layout, "properties.danger", nil
	all, err = DecodeAvalanche("f", []byte(dangerInvented), word)
	if err != nil || all[0].Level != 3 || all[1].Level != 0 {
		t.Errorf("words: %+v, %v", all, err)
	}
	// The words of both scales.
	for text, want := range map[string]int{"Low": 1, "MODERATE": 2, "4 - High": 4, "Extreme": 5, "very_high": 5, "5": 5, "No Rating": 0, "3 (Considerable)": 3} {
		if got, err := dangerLevel(&node{kind: kindString, text: text}); err != nil || got != want {
			t.Errorf("%q is %d (%v), want %d", text, got, err, want)
		}
	}
	for _, text := range []string{"severe", "3 - High", "9 - Low", "high-ish"} {
		if got, err := dangerLevel(&node{kind: kindString, text: text}); err == nil {
			t.Errorf("%q passes as %d", text, got)
		}
	}
	for _, test := range []struct{ old, new, word string }{
		{`"considerable"`, `"rather bad"`, "rather bad"},
		{`"end":"2026-01-16`, `"end":"2026-01-14`, "ends before"},
		{`"start":"2026-01-15T07:00:00","end":null`, `"start":"soon","end":null`, "soon"},
		{`[-115,44]]]`, `[-115,43]]]`, "does not end where it begins"},
		{`"id":8,`, ``, "names no zone"},
	} {
		_, err := DecodeAvalanche("f", []byte(strings.Replace(dangerInvented, test.old, test.new, 1)), word)
		refused(t, err, ingest.ErrCorrupt, test.word)
	}
}

const telemetryInvented = `{"sites":[
 {"id":"LM-1","t":1768478400,"power":{"batt_mv":12650,"solar":1.5,"solar_w":20},"temp_c":-7.5,"flares":9,"last":1768478100,"faults":["igniter 3","door"],"alarm":{"tamper":false,"low_fuel":true},"code":0},
 {"id":"LM-2","t":1768478400,"power":{"batt_mv":null,"solar":"?"},"temp_c":-999,"flares":0,"faults":"none","alarm":{},"code":4},
 {"id":"LM-3","t":1768478400}]}`

var telemetryMapping = TelemetryMapping{Rows: "sites[*]", Site: "id", Time: "t", Layout: "unix", Battery: Measured{"power.batt_mv", "mV"}, SolarA: Measured{"power.solar", "A"}, SolarW: Measured{"power.solar_w", "W"},
	Temperature: Measured{"temp_c", "degC"}, Units: "flares", LastContact: "last", Faults: []string{"faults", "alarm", "code"}, Missing: []string{"-999"}}

func TestTelemetry(t *testing.T) {
	all, err := DecodeTelemetry("f", []byte(telemetryInvented), telemetryMapping)
	if err != nil || len(all) != 3 {
		t.Fatal(all, err)
	}
	a, b, c := all[0], all[1], all[2]
	if at := time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC); a.Site != "LM-1" || !a.Time.Equal(at) || !a.LastContact.Equal(at.Add(-5*time.Minute)) {
		t.Errorf("got %+v", a)
	}
	if a.BatteryV != 12.65 || a.SolarChargeA != 1.5 || a.SolarChargeW != 20 || math.Abs(a.AirTemperatureK-265.65) > 1e-9 || a.UnitsLeft != 9 || !slices.Equal(a.Faults, []string{"igniter 3", "door", "low_fuel"}) {
		t.Errorf("got %+v", a)
	}
	if !math.IsNaN(b.BatteryV) || !math.IsNaN(b.SolarChargeA) || !math.IsNaN(b.AirTemperatureK) || b.UnitsLeft != 0 || !slices.Equal(b.Faults, []string{"code 4"}) || !hasNote(b.Notes, `solar_current: "?" is no number`) {
		t.Errorf("got %+v", b)
	}
	if !math.IsNaN(c.BatteryV) || !math.IsNaN(c.UnitsLeft) || !c.LastContact.IsZero() || c.Faults != nil {
		t.Errorf("got %+v", c)
	}
	for _, test := range []struct {
		change func(*TelemetryMapping)
		text   string
		reason error
		word   string
	}{
		{func(m *TelemetryMapping) { m.Battery.Unit = "degC" }, telemetryInvented, ingest.ErrUnsupported, "battery"},
		{func(m *TelemetryMapping) { m.Battery.Unit = "" }, telemetryInvented, ingest.ErrUnsupported, "battery"},
		{func(m *TelemetryMapping) { m.Layout = "YYYY-MM-DD HH:mm" }, telemetryInvented, ingest.ErrUnsupported, "no time zone"},
		{func(m *TelemetryMapping) {}, strings.Replace(telemetryInvented, `"t":1768478400}`, `"t":"now"}`, 1), ingest.ErrCorrupt, "LM-3"},
		{func(m *TelemetryMapping) {}, strings.Replace(telemetryInvented, `"id":"LM-3",`, ``, 1), ingest.ErrCorrupt, "names no site"},
		{func(m *TelemetryMapping) { m.Rows = "nodes[*]" }, telemetryInvented, ingest.ErrCorrupt, "no record"},
		{func(m *TelemetryMapping) { m.Site = "a..b" }, telemetryInvented, ingest.ErrUnsupported, "site"},
	} {
		m := telemetryMapping
		test.change(&m)
		_, err := DecodeTelemetry("f", []byte(test.text), m)
		refused(t, err, test.reason, test.word)
	}
}
