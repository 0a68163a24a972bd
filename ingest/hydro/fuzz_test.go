package hydro

import (
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"rimeline/ingest"
)

// Each decoder has a fuzz target; seeds are invented files, and damaged ones
// under testdata/fuzz.

// placed checks that every error has a place in the file.
func placed(t *testing.T, b []byte, err error) {
	t.Helper()
	if err == nil {
		return
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			placed(t, b, e)
		}
		return
	}
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || fe.Offset < 0 || fe.Offset > int64(len(b)) || fe.File != "fuzz" || fe.Err == nil || fe.Detail == "" {
		t.Fatalf("error without a place in the file: %v", err)
	}
}

// sound checks what holds for every series.
func sound(t *testing.T, all []Series) {
	t.Helper()
	for _, s := range all {
		if s.Gauge == "" || s.Quantity == "" || s.Quantity.Unit() != "" && s.Unit != s.Quantity.Unit() || len(s.Notes) > maxNotes+1 {
			t.Fatalf("series %+v", s)
		}
		if !slices.IsSortedFunc(s.Points, func(a, b Point) int { return a.Time.Compare(b.Time) }) {
			t.Fatalf("%s is out of order", s.Gauge)
		}
		for _, p := range s.Points {
			if math.IsNaN(p.Value) != p.Flags.Has(Missing) || p.Time.Location() != time.UTC {
				t.Fatalf("%s: %+v [%s]", s.Gauge, p, p.Flags)
			}
		}
		for _, q := range []Quantity{s.Quantity, SWE} {
			for _, d := range Suspect(s, DefaultSuspectOptions(q, time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC))) {
				if d.Reason == "" || d.Kind == "" || d.To.Before(d.From) {
					t.Fatalf("%s: doubt %+v", s.Gauge, d)
				}
			}
		}
	}
}

func FuzzUSGS(f *testing.F) {
	f.Add([]byte(rdbInvented))
	f.Add([]byte(ogcInvented))
	f.Add([]byte(waterMLInvented))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := DecodeUSGS("fuzz", b)
		placed(t, b, err)
		sound(t, all)
	})
}

const waterMLInvented = `{"value":{"queryInfo":{"note":[{"value":"2026-01-15T12:00:00Z","title":"requestDT"}]},"timeSeries":[{"sourceInfo":{"siteName":"LARK CREEK","siteCode":[{"value":"09990000","agencyCode":"USGS"}],
"geoLocation":{"geogLocation":{"latitude":44.1,"longitude":-114.2}}},"variable":{"variableCode":[{"value":"00060"}],"unit":{"unitCode":"ft3/s"},"noDataValue":-999999.0,"options":{"option":[{"name":"Statistic","optionCode":"00003"}]}},
"values":[{"value":[{"value":"12.5","qualifiers":["P","Ice"],"dateTime":"2026-01-15T05:00:00.000-07:00"},{"value":"-999999","qualifiers":["P"],"dateTime":"2026-01-15T00:00:00.000"}],"method":[{"methodID":1}]},{"value":[],"method":[{"methodID":2,"methodDescription":"bank"}]}]}]}}`

const (
	gaugeInvented = `{"lid":"INVT1","usgsId":"09990000","name":"Lark Creek","latitude":44.1,"longitude":-114.2,"inService":{"enabled":false,"message":"ice"},
"status":{"observed":{"primary":3.5,"primaryUnit":"ft","secondary":0.2,"secondaryUnit":"kcfs","floodCategory":"action","validTime":"2026-01-15T12:00:00Z"},"forecast":{"primary":-999,"primaryUnit":"ft","floodCategory":"fcst_not_current","validTime":"0001-01-01T00:00:00Z"}},
"flood":{"stageUnits":"ft","flowUnits":"cfs","categories":{"action":{"stage":3,"flow":-9999},"minor":{"stage":4,"flow":500},"moderate":{"stage":5},"major":{"stage":6}}}}`
	stageflowInvented = `{"observed":{"pedts":"HGIRG","issuedTime":"2026-01-15T12:00:00Z","primaryUnits":"ft","secondaryUnits":"kcfs","data":[{"validTime":"2026-01-15T11:00:00Z","primary":3.5,"secondary":-999}]},
"forecast":{"issuedTime":"2026-01-15T06:00:00Z","data":[{"validTime":"2026-01-16T00:00:00Z","primary":4,"secondary":0.5}]}}`
	tableInvented = "# Larkmoor\nstation,time,storage,unit,flag\nLM,2026-11-01 01:30,12.5,AF,e\nLM,2026-11-01 01:00,---,AF,\nMR,2026-03-08 02:30,abc,AF,x\n"
	awdbInvented  = `[{"stationTriplet":"9999:ID:SNTL","data":[{"stationElement":{"storedUnitCode":"in"},"values":[{"date":"2026-01-14","value":9.5},{"date":"2026-01-15","value":null}]}]}]`
)

func FuzzNWPSGauge(f *testing.F) {
	f.Add([]byte(gaugeInvented))
	f.Fuzz(func(t *testing.T, b []byte) {
		g, err := DecodeNWPSGauge("fuzz", b)
		placed(t, b, err)
		if err == nil && g.ID == "" {
			t.Fatalf("a gauge without a name: %+v", g)
		}
	})
}

func FuzzNWPSStageflow(f *testing.F) {
	f.Add([]byte(stageflowInvented))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := DecodeNWPSStageflow("fuzz", "INVT1", b)
		placed(t, b, err)
		sound(t, all)
	})
}

func FuzzTable(f *testing.F) {
	m := Mapping{Comment: "#", Time: []string{"time"}, Layout: "YYYY-MM-DD HH:mm", Zone: "America/Denver", GaugeColumn: "station",
		Values: []ValueColumn{{Column: "storage", Quantity: ReservoirStorage, UnitColumn: "unit", FlagColumn: "flag", Codes: map[string]string{"e": "estimated"}}}, Missing: []string{"-9999"}}
	fixed := Mapping{Delimiter: "fixed", Time: []string{"1-10"}, Layout: "YYYY-MM-DD", Zone: "UTC", Gauge: "g", Values: []ValueColumn{{Column: "12-20", Quantity: SWE, Unit: "in"}}}
	f.Add([]byte(tableInvented))
	f.Add([]byte("2026-01-15 12.5\n2026-01-16\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, m := range []Mapping{m, fixed} {
			all, err := DecodeTable("fuzz", b, m)
			placed(t, b, err)
			sound(t, all)
		}
	})
}

func FuzzJSON(f *testing.F) {
	f.Add([]byte(awdbInvented), "[*].data[*].values[*]", "$[*].stationTriplet")
	f.Add([]byte(`{"a":{"x":{"date":"2026-01-15","value":"1"}}}`), "a.*", "'g'")
	f.Fuzz(func(t *testing.T, b []byte, rows, gauge string) {
		m := awdb
		m.Rows, m.Gauge, m.Unit = rows, gauge, "'in'"
		all, err := DecodeJSON("fuzz", b, m)
		placed(t, b, err)
		sound(t, all)
		_, err = DecodeJSON("fuzz", b, awdb)
		placed(t, b, err)
	})
}

func FuzzAlerts(f *testing.F) {
	f.Add([]byte(alertInvented))
	f.Add([]byte(capInvented))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := DecodeAlerts("fuzz", b)
		placed(t, b, err)
		at := time.Date(2026, 1, 15, 12, 0, 0, 0, time.UTC)
		if s := Stand(all, at); s.count() != len(all) {
			t.Fatalf("%d warnings go in, %d come out", len(all), s.count())
		}
		for _, w := range all {
			for _, i := range w.Infos {
				for _, a := range i.Areas {
					if a.Polygons == nil {
						continue
					}
					for _, c := range a.Polygons.FlatCoords() {
						if !(math.Abs(c) <= 180) {
							t.Fatalf("coordinate %g", c)
						}
					}
				}
			}
		}
	})
}

const alertInvented = `{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[[-115,44],[-114,44],[-114,45],[-115,44]]]},"properties":{"id":"urn:oid:2.49.0.1.840.0.invented.001.1","areaDesc":"Larkmoor",
"geocode":{"UGC":["LMZ001"],"SAME":["099001"]},"references":[{"identifier":"old","sender":"office@larkmoor.example","sent":"2026-01-15T06:00:00-07:00"}],"sent":"2026-01-15T08:00:00-07:00","effective":"2026-01-15T08:00:00-07:00","onset":"2026-01-15T08:00:00-07:00",
"expires":"2026-01-15T16:00:00-07:00","ends":"2026-01-15T18:00:00-07:00","status":"Actual","messageType":"Update","category":"Met","severity":"Severe","certainty":"Likely","urgency":"Expected","event":"Flood Warning","sender":"office@larkmoor.example",
"parameters":{"VTEC":["/O.CON.KLMR.FL.W.0007.000000T0000Z-260116T0100Z/"],"eventEndingTime":["2026-01-16T01:00:00+00:00"]}}}]}`

const capInvented = `<?xml version="1.0" encoding="UTF-8"?><alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>LM-1</identifier><sender>office@larkmoor.example</sender><sent>2026-01-15T08:00:00-07:00</sent><status>Actual</status><msgType>Update</msgType><scope>Public</scope>
<references>office@larkmoor.example,LM-0,2026-01-15T06:00:00-07:00</references><info><category>Met</category><event>Avalanche Warning</event><urgency>Immediate</urgency><severity>Extreme</severity><certainty>Observed</certainty><expires>2026-01-15T16:00:00-07:00</expires>
<parameter><valueName>VTEC</valueName><value>/O.CON.KLMR.AV.W.0007.000000T0000Z-260116T0100Z/</value></parameter><area><areaDesc>Larkmoor &amp; hills</areaDesc><polygon>44,-115 44,-114 45,-114 44,-115</polygon><circle>44.5,-114.5 10</circle><geocode><valueName>UGC</valueName><value>LMZ001</value></geocode></area></info></alert>`

func FuzzAvalanche(f *testing.F) {
	f.Add([]byte(dangerInvented))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := DecodeAvalanche("fuzz", b, dangerMapping)
		placed(t, b, err)
		for _, d := range all {
			if level, _ := d.Highest(); level < 0 || level > 5 || d.Zone == "" {
				t.Fatalf("danger %+v", d)
			}
		}
	})
}

func FuzzTelemetry(f *testing.F) {
	f.Add([]byte(telemetryInvented))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := DecodeTelemetry("fuzz", b, telemetryMapping)
		placed(t, b, err)
		for _, r := range all {
			if r.Site == "" || r.Time.IsZero() {
				t.Fatalf("report %+v", r)
			}
		}
	})
}

func FuzzCurve(f *testing.F) {
	f.Add([]byte(permitCSV))
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := DecodeCurve("fuzz", b, permitMapping)
		placed(t, b, err)
		if err != nil {
			return
		}
		low, high := math.Inf(1), math.Inf(-1)
		for _, k := range c.Knots {
			low, high = min(low, k.Value), max(high, k.Value)
		}
		for day := range 800 {
			v := c.At(time.Date(2023, 1, 1, 5*day%24, 0, 0, 0, time.UTC).AddDate(0, 0, day))
			if slack := 1e-9 * (math.Abs(low) + math.Abs(high)); v < low-slack || v > high+slack {
				t.Fatalf("day %d: %g outside %g to %g: %+v", day, v, low, high, c)
			}
		}
	})
}

func FuzzVTEC(f *testing.F) {
	f.Add("/O.NEW.KBMX.SV.A.0002.051013T1424Z-051013T1700Z/ /LRKO3.2.RS.260115T1500Z.260116T0000Z.000000T0000Z.NO/")
	f.Fuzz(func(t *testing.T, text string) {
		primary, hydrologic, err := ParseVTEC(text)
		if err == nil && len(primary)+len(hydrologic) == 0 {
			t.Fatal("nothing read, and no error")
		}
	})
}

func FuzzLayout(f *testing.F) {
	f.Add("YYYY-MM-DD HH:mm", "2026-01-15 12:00", "America/Denver")
	f.Add("M/D/YY h:mm A", "1/5/26 1:00 PM", "-07:00")
	f.Fuzz(func(t *testing.T, text, value, zoneName string) {
		l, err := parseLayout(text, 1)
		if err != nil {
			return
		}
		in, err := zone(zoneName)
		if err != nil {
			in = time.UTC
		}
		wall, moment, err := l.read([]string{value})
		if err != nil || !moment.IsZero() {
			return
		}
		first, second, count := instants(wall, in)
		if count > 0 && !calendar(first.In(in)).Equal(wall.Time) || count == 2 && !calendar(second.In(in)).Equal(wall.Time) {
			t.Fatalf("%s in %s is %s and %s", wall, in, first.In(in), second.In(in))
		}
	})
}
