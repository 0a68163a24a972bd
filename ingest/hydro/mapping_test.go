package hydro

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"rimeline/ingest"
)

func TestUnits(t *testing.T) {
	for _, test := range []struct {
		quantity Quantity
		unit     string
		in, want float64
		source   string
	}{
		{RiverStage, "ft", 1, 0.3048, "NIST SP 811 (2008), B.8: foot, exact"},
		{RiverStage, "in", 1, 0.0254, "NIST SP 811 (2008), B.8: inch, exact"},
		{RiverDischarge, "ft3/s", 1, 0.028316846592, "NIST SP 811 (2008), B.8: 2.831 685 E-02; the cube of 0.3048"},
		{RiverDischarge, "ft&#179;/s", 1, 0.028316846592, "the same, as WaterML writes it"},
		{RiverDischarge, "ft^3/s", 1, 0.028316846592, "the same, as the USGS OGC API writes it"},
		{RiverDischarge, "kcfs", 1, 28.316846592, "the same"},
		{RiverDischarge, "MGD", 1, 0.0438126364, "NIST SP 811 (2008), B.8: gallon 3.785 412 E-03 m3; a day 86400 s"},
		{ReservoirStorage, "AF", 1, 1233.48183754752, "43,560 square feet times a foot, international feet"},
		{ReservoirStorage, "acre-feet", 1000, 1233481.83754752, "the same"},
		{SWE, "in", 1, 25.4, "1 mm of water is 1 kg m-2 (CF lwe_thickness)"},
		{SWE, "mm", 3, 3, "the same"},
		{SWE, "cm", 3, 30, "the same"},
		{AirTemperature, "degF", 212, 373.15, "NIST SP 811 (2008), B.8: K = (F + 459.67)/1.8"},
		{AirTemperature, "°C", -40, 233.15, "NIST SP 811 (2008), B.8"},
		{WindSpeed, "mph", 1, 0.44704, "NIST SP 811 (2008), B.8, exact"},
		{WindSpeed, "kt", 1, 0.5144444444, "NIST SP 811 (2008), B.8: 5.144 444 E-01"},
		{ReservoirPercentFull, "fraction", 0.95, 95, "definition"},
	} {
		u, ok := converter(test.quantity, test.unit)
		if got := u.si(test.in); !ok || math.Abs(got-test.want) > 1e-9*math.Abs(test.want) {
			t.Errorf("%g %s of %s: got %.12g (%v), want %.12g (%s)", test.in, test.unit, test.quantity, got, ok, test.want, test.source)
		}
	}
	for _, test := range []struct {
		quantity Quantity
		unit     string
	}{{RiverStage, "cfs"}, {RiverDischarge, "ft"}, {ReservoirStorage, "in"}, {SWE, "%"}, {SWEPercentOfNormal, "in"}, {RiverStage, ""}, {AirTemperature, "ft"}} {
		if u, ok := converter(test.quantity, test.unit); ok {
			t.Errorf("%q passes as a unit of %s: %v", test.unit, test.quantity, u)
		}
	}
}

// Daylight-saving time in America/Denver began on 8 March 2026 at 02:00 MST
// (09:00 UTC) and ends on 1 November 2026 at 02:00 MDT (08:00 UTC): Energy
// Policy Act of 2005, section 110, second Sunday of March, first of November.
func TestDaylightSaving(t *testing.T) {
	read := func(lines ...string) Series {
		t.Helper()
		return one(t, must(DecodeTable("f", []byte("t,v\n"+strings.Join(lines, "\n")+"\n"),
			Mapping{Time: []string{"t"}, Layout: "YYYY-MM-DD HH:mm", Zone: "America/Denver", Gauge: "g", Values: []ValueColumn{{Column: "v", Quantity: RiverStage, Unit: "m"}}})), nil)
	}
	clock := func(s Series) string {
		var out []string
		for _, p := range s.Points {
			word := p.Time.Format("02T15:04")
			if p.Flags.Has(TimeDoubtful) {
				word += "?"
			}
			out = append(out, word)
		}
		return strings.Join(out, " ")
	}
	for _, test := range []struct{ name, got, want string }{
		{"spring, hour left out by the file", clock(read("2026-03-08 01:30,1", "2026-03-08 03:00,2")), "08T08:30 08T09:00"},
		{"spring, hour that does not exist", clock(read("2026-03-08 01:30,1", "2026-03-08 02:30,2", "2026-03-08 03:30,3")), "08T08:30 08T09:30? 08T09:30"},
		{"autumn, both passes", clock(read("2026-11-01 00:30,1", "2026-11-01 01:00,2", "2026-11-01 01:30,3", "2026-11-01 01:00,4", "2026-11-01 01:30,5", "2026-11-01 02:00,6")),
			"01T06:30 01T07:00 01T07:30 01T08:00 01T08:30 01T09:00"},
		{"autumn, newest first", clock(read("2026-11-01 02:00,6", "2026-11-01 01:30,5", "2026-11-01 01:00,4", "2026-11-01 01:30,3", "2026-11-01 01:00,2", "2026-11-01 00:30,1")),
			"01T06:30 01T07:00 01T07:30 01T08:00 01T08:30 01T09:00"},
		{"autumn, one pass only", clock(read("2026-11-01 00:00,1", "2026-11-01 01:00,2", "2026-11-01 02:00,3")), "01T06:00 01T07:00? 01T09:00"},
		{"winter and summer", clock(read("2026-01-15 12:00,1", "2026-07-15 12:00,2")), "15T19:00 15T18:00"},
	} {
		if test.got != test.want {
			t.Errorf("%s: got %s, want %s", test.name, test.got, test.want)
		}
	}
	s := read("2026-03-08 02:30,2")
	if !hasNote(s.Notes, "do not exist") {
		t.Errorf("notes %q", s.Notes)
	}
	if doubts := Suspect(s, SuspectOptions{Min: math.NaN(), Max: math.NaN()}); len(doubts) != 1 || doubts[0].Kind != DoubtTime || !doubts[0].Latest {
		t.Errorf("doubts %+v", doubts)
	}
	// A standard-time logger has no change: the same texts 24 hours a day.
	fixed := one(t, must(DecodeTable("f", []byte("t,v\n2026-03-08 02:30,1\n2026-11-01 01:30,2\n"),
		Mapping{Time: []string{"t"}, Layout: "YYYY-MM-DD HH:mm", Zone: "MST", Gauge: "g", Values: []ValueColumn{{Column: "v", Quantity: RiverStage, Unit: "m"}}})), nil)
	if got := clock(fixed); got != "08T09:30 01T08:30" {
		t.Errorf("MST: %s", got)
	}
}

func TestLayouts(t *testing.T) {
	for _, test := range []struct {
		layout string
		texts  []string
		want   string
	}{
		{"YYYY-MM-DD HH:mm:ss", []string{"2026-02-03 04:05:06"}, "2026-02-03T04:05:06Z"},
		{"M/D/YYYY h:mm A", []string{"2/3/2026 12:05 AM"}, "2026-02-03T00:05:00Z"},
		{"M/D/YYYY h:mm A", []string{"12/31/2026 12:05 PM"}, "2026-12-31T12:05:00Z"},
		{"M/D/YYYY h:mm A", []string{"12/31/2026 11:59 pm"}, "2026-12-31T23:59:00Z"},
		{"DD MMM YYYY", []string{"29 Feb 2024"}, "2024-02-29T00:00:00Z"},
		{"MMM D, YYYY", []string{"December 1, 2024"}, "2024-12-01T00:00:00Z"},
		{"DD.MM.YY HH:mm", []string{"01.03.26 24:00"}, "2026-03-02T00:00:00Z"},
		{"YYYYMMDDHHmm", []string{"202412312359"}, "2024-12-31T23:59:00Z"},
		{"YYYY DDD HHmm", []string{"2024", "366", "2400"}, "2025-01-01T00:00:00Z"},
		{"YYYY DDD HHmm", []string{"2023", "60", "100"}, "2023-03-01T01:00:00Z"},
		{"YYYY-MM-DD HH:mm", []string{"2024-12-31", "00:15"}, "2024-12-31T00:15:00Z"},
		{"rfc3339", []string{"2026-01-31T05:00:00-07:00"}, "2026-01-31T12:00:00Z"},
		{"unix", []string{"1700000000"}, "2023-11-14T22:13:20Z"},
		{"unix_ms", []string{"1700000000500"}, "2023-11-14T22:13:20.5Z"},
		{"02/01/2006 15:04", []string{"03/02/2026 04:05"}, "2026-02-03T04:05:00Z"},
	} {
		l, err := parseLayout(test.layout, len(test.texts))
		if err != nil {
			t.Errorf("%s: %v", test.layout, err)
			continue
		}
		wall, moment, err := l.read(test.texts)
		if moment.IsZero() {
			moment = wall.Time
		}
		if got := moment.Format(time.RFC3339Nano); err != nil || got != test.want {
			t.Errorf("%s %q: got %s, %v; want %s", test.layout, test.texts, got, err, test.want)
		}
	}
	for _, test := range [][2]string{
		{"YYYY-MM-DD", "2023-02-29"}, {"YYYY-MM-DD", "2023-13-01"}, {"YYYY-MM-DD", "2023-00-10"}, {"YYYY-MM-DD", "23-01-01"}, {"YYYY-MM-DD", "2023-01-01x"},
		{"YYYY-MM-DD HH:mm", "2023-01-01 24:01"}, {"YYYY-MM-DD HH:mm", "2023-01-01 25:00"}, {"YYYY-MM-DD HH:mm", "2023-01-01 10:60"},
		{"YYYY DDD", "2023 366"}, {"YYYY DDD", "2023 0"}, {"rfc3339", "date:now +5 seconds"}, {"rfc3339", "2023-01-01T00:00:00"}, {"unix", "NaN"}, {"unix", "1e300"},
		{"M/D/YYYY h:mm A", "1/1/2023 13:00 PM"}, {"M/D/YYYY h:mm A", "1/1/2023 10:00"},
	} {
		l, err := parseLayout(test[0], 1)
		if err != nil {
			t.Fatal(err)
		}
		if wall, moment, err := l.read([]string{test[1]}); err == nil {
			t.Errorf("%s takes %q: %v %v", test[0], test[1], wall, moment)
		}
	}
	for _, bad := range []string{"", "YYYY", "YYYY-MM", "HH:mm", "YYYYY-MM-DD", "YYYY-MM-DD hh:mm", "YYYY-MM-DD DD"} {
		if _, err := parseLayout(bad, 1); err == nil {
			t.Errorf("layout %q passes", bad)
		}
	}
	for _, bad := range []string{"", "Local", "local", "Mars/Olympus", "../../etc/passwd", "+7"} {
		if in, err := zone(bad); err == nil {
			t.Errorf("zone %q passes as %v", bad, in)
		}
	}
}

func TestTableShapes(t *testing.T) {
	stage := []ValueColumn{{Column: "W", Quantity: RiverStage, Unit: "cm", FlagColumn: "q", Codes: map[string]string{"v": "ice", "g": "good"}}}
	base := Mapping{Delimiter: ";", SkipLines: 1, Comment: "#", Time: []string{"Datum", "Zeit"}, Layout: "DD.MM.YYYY HH:mm", Zone: "+01:00", Gauge: "Lerchenmoor",
		Values: stage, DecimalComma: true, Thousands: ".", Missing: []string{"-777"}}
	text := "Pegel Lerchenmoor (erfunden)\nDatum;Zeit;W;q\n# Bemerkung\n03.02.2026;00:00;1.234,5;g\n03.02.2026;00:15;-777,0;\n\n03.02.2026;00:30;abc;v\n03.02.2026;00:45;;x\n"
	s := one(t, must(DecodeTable("f", []byte(text), base)), nil)
	if len(s.Points) != 4 {
		t.Fatalf("%d points", len(s.Points))
	}
	for i, want := range []struct {
		value float64
		flags Flags
	}{{12.345, 0}, {math.NaN(), Missing}, {math.NaN(), Missing | Unreadable | IceAffected}, {math.NaN(), Missing | SourceSuspect}} {
		if p := s.Points[i]; p.Flags != want.flags || !near(p.Value, want.value) && !math.IsNaN(want.value) || math.IsNaN(p.Value) != math.IsNaN(want.value) {
			t.Errorf("point %d: %v [%s], want %v [%s]", i, p.Value, p.Flags, want.value, want.flags)
		}
	}
	if want := time.Date(2026, 2, 2, 23, 0, 0, 0, time.UTC); !s.Points[0].Time.Equal(want) {
		t.Errorf("time %s, want %s", s.Points[0].Time, want)
	}
	if !hasNote(s.Notes, `"abc" is neither a number`) {
		t.Errorf("notes %q", s.Notes)
	}

	fixed := Mapping{Delimiter: "fixed", Time: []string{"1-10"}, Layout: "YYYY-MM-DD", Zone: "UTC", GaugeColumn: "12-15", Values: []ValueColumn{{Column: "17-22", Quantity: SWE, Unit: "in"}}}
	all := must(DecodeTable("f", []byte("2026-02-03 LARK   12.5\n2026-02-03 MOOR\n"), fixed))
	if len(all) != 2 || !near(all[0].Points[0].Value, 317.5) || !all[1].Points[0].Flags.Has(Missing) || all[1].Gauge != "MOOR" {
		t.Errorf("fixed text: %+v", all)
	}
	blanks := Mapping{Delimiter: "space", NoHeader: true, Time: []string{"1", "2"}, Layout: "YYYY-MM-DD HH:mm", Zone: "UTC", Gauge: "g", Values: []ValueColumn{{Column: "3", Quantity: RiverStage, Unit: "m"}}}
	s = one(t, must(DecodeTable("f", []byte("2026-02-03   04:05   7.5\n"), blanks)), nil)
	if s.Points[0].Value != 7.5 || s.Points[0].Time.Hour() != 4 {
		t.Errorf("blanks: %+v", s)
	}

	for _, test := range []struct {
		change func(*Mapping)
		text   string
		reason error
		word   string
	}{
		{func(m *Mapping) {}, strings.Replace(text, "00:15", "00:75", 1), ingest.ErrCorrupt, "00:75"},
		{func(m *Mapping) {}, strings.Replace(text, ";-777,0;", "", 1), ingest.ErrCorrupt, "too few"},
		{func(m *Mapping) {}, "<html>", ingest.ErrUnsupported, "page"},
		{func(m *Mapping) { m.Zone = "" }, text, ingest.ErrUnsupported, "no time zone"},
		{func(m *Mapping) { m.SkipLines = 50 }, text, ingest.ErrTruncated, "lines to skip"},
		{func(m *Mapping) { m.SkipLines = 0 }, text, ingest.ErrUnsupported, `no column is called`},
		{func(m *Mapping) { m.Delimiter = "x" }, text, ingest.ErrUnsupported, "delimiter"},
		{func(m *Mapping) { m.Values = nil }, text, ingest.ErrUnsupported, "needs time, values"},
		{func(m *Mapping) { m.Gauge = "" }, text, ingest.ErrUnsupported, "gauge"},
		{func(m *Mapping) { m.Values = []ValueColumn{{Column: "W", Quantity: RiverStage, Unit: "cfs"}} }, text, ingest.ErrUnsupported, `"cfs" is no unit of river_stage`},
		{func(m *Mapping) { m.Values = []ValueColumn{{Column: "W", Quantity: RiverStage}} }, text, ingest.ErrUnsupported, "neither unit nor unit_column"},
		{func(m *Mapping) {
			m.Values = []ValueColumn{{Column: "W", Quantity: RiverStage, Unit: "cm", Codes: map[string]string{"v": "vereist"}}}
		}, text, ingest.ErrUnsupported, "vereist"},
		{func(m *Mapping) {}, "x\nDatum;Zeit;W;q\n", ingest.ErrTruncated, "no rows"},
		{func(m *Mapping) {}, "x\nDatum;Zeit;W;q\n03.02.2026;00:00;\"1,5;g\n", ingest.ErrCorrupt, "no table"},
	} {
		m := base
		test.change(&m)
		_, err := DecodeTable("f", []byte(test.text), m)
		refused(t, err, test.reason, test.word)
	}
	// The offset is that of the row.
	bad := strings.Replace(text, "03.02.2026;00:45", "31.02.2026;00:45", 1)
	_, err := DecodeTable("f", []byte(bad), base)
	if fe, ok := err.(*ingest.FormatError); !ok || strings.TrimSpace(bad[fe.Offset:])[:10] != "31.02.2026" {
		t.Errorf("offset of %v", err)
	}
}

func TestPaths(t *testing.T) {
	text := `{"owner":"Larkmoor Water","stations":[
		{"id":"A","values":[{"v":1},{"v":2}],"a.b":{"c d":9}},
		{"id":"B","values":[{"v":3}]}],
		"by":{"x":{"v":4},"y":{"v":5}}}`
	root, err := parseJSON(cursor{file: "f", size: int64(len(text))}, []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	ask := func(rows, p string) string {
		t.Helper()
		r, err := parsePath(rows)
		if err != nil {
			t.Fatal(err)
		}
		q, err := parsePath(p)
		if err != nil {
			t.Fatal(err)
		}
		budget := 1000
		var out []string
		for _, rec := range records(root, r, &budget) {
			for _, n := range q.all(rec, r, &budget) {
				out = append(out, n.str())
			}
		}
		return strings.Join(out, " ")
	}
	for _, test := range [][3]string{
		{"", "owner", "Larkmoor Water"},
		{"stations[*].values[*]", "v", "1 2 3"},
		{"stations[*].values[*]", "$.stations[*].id", "A A B"},
		{"$.stations[*].values[*]", "$.owner", "Larkmoor Water Larkmoor Water Larkmoor Water"},
		{"stations[*]", "values[-1].v", "2 3"},
		{"stations[*]", "values[1].v", "2"},
		{"stations[0]", `["a.b"]["c d"]`, "9"},
		{"by.*", "v", "4 5"},
		{"by[*]", "v", "4 5"},
		{"stations[*]", "'Larkmoor'", "Larkmoor Larkmoor"},
		{"stations[*]", "nothing.here", ""},
		{"stations[0]", "$.stations[*].values[*].v", "1 2 3"}, // another step than the record's own
	} {
		if got := ask(test[0], test[1]); got != test[2] {
			t.Errorf("%s from %s: got %q, want %q", test[1], test[0], got, test[2])
		}
	}
	for _, bad := range []string{"a..b", "a[", "a[x]", "[*", "a.", ".", "$a", strings.Repeat("a.", 100) + "a"} {
		if p, err := parsePath(bad); err == nil {
			t.Errorf("path %q passes: %+v", bad, p)
		}
	}
}

func TestJSONShapes(t *testing.T) {
	// Values and times in two lists, as forecast services give them.
	lists := `{"id":"LM1","lat":44.1,"lon":-114.2,"units":{"q":"m³/s"},"hourly":{"time":[1700000000,1700003600],"q":[10,null]}}`
	m := JSONMapping{Gauge: "id", Latitude: "lat", Longitude: "lon", Quantity: RiverDischarge, Unit: "units.q", Time: "hourly.time[*]", Layout: "unix", Value: "hourly.q[*]", Forecast: true}
	s := one(t, must(DecodeJSON("f", []byte(lists), m)), nil)
	if s.Observed || s.Points[0].Value != 10 || s.Points[1].Flags != Missing || s.Place.LatitudeDeg != 44.1 {
		t.Errorf("got %+v", s)
	}
	_, err := DecodeJSON("f", []byte(strings.Replace(lists, ",null", "", 1)), m)
	refused(t, err, ingest.ErrCorrupt, "2 times and 1 values")
	_, err = DecodeJSON("f", []byte(strings.Replace(lists, "m³/s", "in", 1)), m)
	refused(t, err, ingest.ErrCorrupt, `"in" is no unit of river_discharge`)
	m.Rows = "nothing[*]"
	_, err = DecodeJSON("f", []byte(lists), m)
	refused(t, err, ingest.ErrCorrupt, "no record")

	// A reservoir service as California's CDEC gives JSON (keys as documented by
	// the JSONDataServlet; values invented).
	cdec := `[{"stationId":"INV","SENSOR_NUM":15,"date":"2026-2-15 00:00","value":9593,"dataFlag":"e","units":"AF"},
		{"stationId":"INV","SENSOR_NUM":6,"date":"2026-2-15 00:00","value":1200,"dataFlag":" ","units":"FEET"},
		{"stationId":"INV","SENSOR_NUM":15,"date":"2026-2-16 00:00","value":-9999,"dataFlag":" ","units":"AF"},
		{"stationId":"INV","SENSOR_NUM":15,"date":"2026-2-17 00:00","value":{},"units":"AF"}]`
	s = one(t, must(DecodeJSON("f", []byte(cdec), JSONMapping{Rows: "[*]", Gauge: "stationId", Quantity: ReservoirStorage, Unit: "units", Time: "date", Layout: "YYYY-M-D HH:mm", Zone: "PST",
		Value: "value", Flag: "dataFlag", Codes: map[string]string{"e": "estimated"}, Where: "SENSOR_NUM", WhereIs: "15", Missing: []string{"-9999"}})), nil)
	if len(s.Points) != 3 || s.Points[0].Flags != Estimated || s.Points[1].Flags != Missing || s.Points[2].Flags != Missing|Unreadable || !near(s.Points[0].Value, 9593*1233.48183754752) {
		t.Errorf("got %+v", s.Points)
	}

	// A median beside the value makes a curve.
	median := `[{"stationTriplet":"9999:ID:SNTL","data":[{"stationElement":{"storedUnitCode":"in"},"values":[{"date":"2025-12-01","value":5,"median":4},{"date":"2026-01-01","value":9,"median":8}]}]}]`
	m = awdb
	m.Value = "median"
	curve, err := CurveOf(one(t, must(DecodeJSON("f", []byte(median), m)), nil), must(zone("MST")), true)
	if err != nil || !near(curve.At(time.Date(2025, 12, 1, 0, 0, 0, 0, time.UTC)), 4*25.4) || curve.Unit != "kg m-2" {
		t.Errorf("curve %+v, %v", curve, err)
	}
}

// Mappings stand in the programme file.
func TestMappingsInYAML(t *testing.T) {
	var m Mapping
	text := "time: [OBS DATE]\nlayout: YYYYMMDD HHmm\nzone: PST\ngauge_column: STATION_ID\nmissing: ['---']\nvalues:\n- column: VALUE\n  quantity: reservoir_storage\n  unit: AF\n  flag_column: DATA_FLAG\n  codes: {e: estimated}\n"
	if err := yaml.UnmarshalWithOptions([]byte(text), &m, yaml.Strict()); err != nil || m.Values[0].Quantity != ReservoirStorage || m.Values[0].Codes["e"] != "estimated" || m.GaugeColumn != "STATION_ID" {
		t.Errorf("%+v, %v", m, err)
	}
	var site TelemetryMapping
	text = "rows: 'sites[*]'\nsite: id\ntime: t\nlayout: unix\nbattery: {path: power.batt_mv, unit: mV}\nfaults: [faults, alarm]\n"
	if err := yaml.UnmarshalWithOptions([]byte(text), &site, yaml.Strict()); err != nil || site.Battery != (Measured{"power.batt_mv", "mV"}) || len(site.Faults) != 2 {
		t.Errorf("%+v, %v", site, err)
	}
	var danger DangerMapping
	text = "rows: 'features[*]'\nzone: id\nlevel: properties.danger_level\nbands: [{name: alpine, level: properties.upper}]\ngeometry: geometry\n"
	if err := yaml.UnmarshalWithOptions([]byte(text), &danger, yaml.Strict()); err != nil || danger.Bands[0] != (BandMapping{"alpine", "properties.upper"}) {
		t.Errorf("%+v, %v", danger, err)
	}
	var j JSONMapping
	text = "rows: '[*].data[*].values[*]'\ngauge: '$[*].stationTriplet'\nquantity: swe\nunit: \"'in'\"\ntime: date\nlayout: YYYY-MM-DD\nzone: MST\nvalue: value\n"
	if err := yaml.UnmarshalWithOptions([]byte(text), &j, yaml.Strict()); err != nil || j.Unit != "'in'" || j.Quantity != SWE {
		t.Errorf("%+v, %v", j, err)
	}
}

// A mapping whose path from the root is asked for every record is bounded.
func TestPathBudget(t *testing.T) {
	var b strings.Builder
	b.WriteString(`{"a":[0`)
	for range 5000 {
		b.WriteString(",0")
	}
	b.WriteString(`],"b":[0`)
	for range 5000 {
		b.WriteString(",0")
	}
	b.WriteString(`]}`)
	_, err := DecodeJSON("f", []byte(b.String()), JSONMapping{Rows: "a[*]", Gauge: "'g'", Quantity: RiverStage, Unit: "'m'", Time: "$.b[*].t", Layout: "unix", Value: "$.b[*].t"})
	refused(t, err, ingest.ErrUnsupported, "moves")
}
