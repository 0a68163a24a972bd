package hydro

import (
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// Mappings of real agencies' files, as a programme would write them.
var (
	cdecStorage = Mapping{Time: []string{"OBS DATE"}, Layout: "YYYYMMDD HHmm", Zone: "PST", GaugeColumn: "STATION_ID",
		Values: []ValueColumn{{Column: "VALUE", Quantity: ReservoirStorage, Unit: "AF", UnitColumn: "UNITS", FlagColumn: "DATA_FLAG",
			WhereColumn: "SENSOR_NUMBER", WhereIs: "15", Codes: map[string]string{"e": "estimated", "r": "good"}}}, Missing: []string{"---", "-9999"}}
	pillow = Mapping{Delimiter: "tab", Time: []string{"Date"}, Layout: "YYYY-MM-DD", Zone: "PST", Gauge: "VLC",
		Values: []ValueColumn{{Column: "SWE_Inches", Quantity: SWE, Unit: "in", FlagColumn: "SWE_Code"}}}
	csas = Mapping{Time: []string{"Year", "DOY", "Hour"}, Layout: "YYYY DDD HHmm", Zone: "-07:00", Gauge: "SBSP",
		Values: []ValueColumn{{Column: "Sno_Height_M", Quantity: SnowDepth, Unit: "m"}, {Column: "LoAir_Max_C", Quantity: AirTemperature, Unit: "degC"}}}
	awdb = JSONMapping{Rows: "[*].data[*].values[*]", Gauge: "$[*].stationTriplet", Quantity: SWE, Unit: "$[*].data[*].stationElement.storedUnitCode",
		Time: "date", Layout: "YYYY-MM-DD", Zone: "MST", Value: "value"}
)

func awdbWith(time, layout string) JSONMapping {
	m := awdb
	m.Time, m.Layout = time, layout
	return m
}

// The golden table holds what a Python script with no part of this package read
// off the real files, in SI: testdata/golden.py.
func TestRealFiles(t *testing.T) {
	decode := map[string]func(string, []byte) ([]Series, error){
		"usgs":                          DecodeUSGS,
		"nwps":                          func(f string, b []byte) ([]Series, error) { return DecodeNWPSStageflow(f, "ACRT2", b) },
		"cdec.VIL":                      func(f string, b []byte) ([]Series, error) { return DecodeTable(f, b, cdecStorage) },
		"cdec.VLC":                      func(f string, b []byte) ([]Series, error) { return DecodeTable(f, b, pillow) },
		"csas":                          func(f string, b []byte) ([]Series, error) { return DecodeTable(f, b, csas) },
		"snotel.awdb.538.CO.WTEQ.daily": func(f string, b []byte) ([]Series, error) { return DecodeJSON(f, b, awdb) },
		"snotel.awdb.538.CO.WTEQ.hourly": func(f string, b []byte) ([]Series, error) {
			return DecodeJSON(f, b, awdbWith("date", "YYYY-MM-DD HH:mm"))
		},
		"snotel.awdb.658": func(f string, b []byte) ([]Series, error) {
			return DecodeJSON(f, b, awdbWith("collectionDate", "YYYY-MM-DD HH:mm"))
		},
	}
	seen := map[string]bool{}
	for _, want := range golden(t, "readings.tsv") {
		name, part, _ := strings.Cut(want["file"], "#")
		t.Run(want["file"]+" "+want["quantity"], func(t *testing.T) {
			b := testfiles.Read(t, "hydro/"+name)
			var read func(string, []byte) ([]Series, error)
			for prefix, f := range decode {
				if strings.HasPrefix(name, prefix) {
					read, seen[prefix] = f, true
				}
			}
			all, err := read(name, b)
			if err != nil {
				t.Fatal(err)
			}
			var s Series
			for _, each := range all {
				if string(each.Quantity) == want["quantity"] && (part == "" || each.Observed == (part == "observed")) {
					s = each
				}
			}
			if s.Gauge != want["gauge"] || s.Unit != s.Quantity.Unit() || s.Unit == "" {
				t.Errorf("gauge %q unit %q, want %q", s.Gauge, s.Unit, want["gauge"])
			}
			n, low, high, sum := 0, math.Inf(1), math.Inf(-1), 0.0
			var first, newest Point
			for _, p := range s.Points {
				if math.IsNaN(p.Value) {
					if !p.Flags.Has(Missing) {
						t.Errorf("%s: NaN without the flag", p.Time)
					}
					continue
				}
				if n == 0 {
					first = p
				}
				n, newest = n+1, p
				low, high, sum = min(low, p.Value), max(high, p.Value), sum+p.Value
			}
			if len(s.Points) != int(number(t, want["points"])) || n != int(number(t, want["valued"])) {
				t.Fatalf("%d points, %d with values; want %s and %s", len(s.Points), n, want["points"], want["valued"])
			}
			for _, each := range []struct {
				name string
				got  time.Time
			}{{"first", s.Points[0].Time}, {"last", s.Points[len(s.Points)-1].Time}, {"newest", newest.Time}} {
				if !each.got.Equal(utc(t, want[each.name])) {
					t.Errorf("%s %s, want %s", each.name, each.got, want[each.name])
				}
			}
			for _, each := range []struct {
				name string
				got  float64
			}{{"v_first", first.Value}, {"v_newest", newest.Value}, {"min", low}, {"max", high}, {"sum", sum}} {
				// The table has ten digits.
				if w := number(t, want[each.name]); math.Abs(each.got-w) > 2e-9*math.Abs(w) {
					t.Errorf("%s %.10g, want %s", each.name, each.got, want[each.name])
				}
			}
			if latest, ok := s.Latest(); !ok || latest != newest {
				t.Errorf("Latest %v, want %v", latest, newest)
			}
		})
	}
	if testfiles.Root() != "" && len(seen) != len(decode) {
		t.Errorf("golden rows for %v only", seen)
	}
}

// What beside the values can be read off the text of the real files.
func TestRealFilesMetadata(t *testing.T) {
	s := one(t, must(DecodeUSGS("usgs", testfiles.Read(t, "hydro/usgs.iv.11342000.20140509.json"))), nil)
	if s.Name != "SACRAMENTO R A DELTA CA" || s.Agency != "USGS" || s.SourceUnit != "ft" || s.Statistic != "" || !s.Observed ||
		s.Datum != "gauge datum" || s.Place.LatitudeDeg != 40.93959397 || s.Place.LongitudeDeg != -122.4172351 {
		t.Errorf("got %+v", s)
	}
	if want := time.Date(2014, 5, 9, 19, 7, 45, 105e6, time.UTC); !s.Issued.Equal(want) {
		t.Errorf("issued %s, want %s (requestDT)", s.Issued, want)
	}
	if p := s.Points[1]; p.Flags != Provisional || p.Code != "P" {
		t.Errorf("flags %v code %q, want provisional, P", p.Flags, p.Code)
	}
	s = one(t, must(DecodeUSGS("usgs", testfiles.Read(t, "hydro/usgs.iv.13206000.20230113.json"))), nil)
	if s.Name != "BOISE RIVER AT GLENWOOD BRIDGE NR BOISE ID" || s.SourceUnit != "ft3/s" {
		t.Errorf("got %q in %q", s.Name, s.SourceUnit)
	}
	s = one(t, must(DecodeUSGS("usgs", testfiles.Read(t, "hydro/usgs.dv.02177000.rdb"))), nil)
	if s.Name != "CHATTOOGA RIVER NEAR CLAYTON, GA" || s.Statistic != "mean" {
		t.Errorf("got %q, statistic %q", s.Name, s.Statistic)
	}
	if want := time.Date(2014, 1, 27, 21, 54, 2, 0, time.UTC); !s.Issued.Equal(want) {
		t.Errorf("issued %s, want %s (16:54:02 EST)", s.Issued, want)
	}
	if a, p := s.Points[0], s.Points[30]; a.Flags != Approved|DateOnly || p.Flags != Provisional|DateOnly {
		t.Errorf("flags %q and %q, want A and P with dates only", a.Flags, p.Flags)
	}
	all := must(DecodeNWPSStageflow("stageflow", "ACRT2", testfiles.Read(t, "hydro/nwps.ACRT2.stageflow.json")))
	if len(all) != 4 {
		t.Fatalf("%d series, want stage and flow, observed and forecast", len(all))
	}
	if !hasNote(all[0].Notes, "out of order") || !hasNote(all[2].Notes, "names no primaryUnits") {
		t.Errorf("notes %q and %q", all[0].Notes, all[2].Notes)
	}
	if want := time.Date(2026, 9, 25, 13, 30, 0, 0, time.UTC); !all[2].Issued.Equal(want) || all[2].Observed {
		t.Errorf("forecast issued %s observed %v", all[2].Issued, all[2].Observed)
	}
	// The highest forecast stage is 16.7 ft on the 29th.
	peak, ok := all[2].Max(all[2].Points[0].Time, all[2].Points[2].Time)
	if !ok || !near(peak.Value, 16.7*0.3048) || peak.Time.Day() != 29 {
		t.Errorf("peak %v", peak)
	}
	// The gap in the snow pillow and the sensor number in the CDEC table.
	s = one(t, must(DecodeTable("VLC", testfiles.Read(t, "hydro/cdec.VLC.swe.19900309-0407.txt"), pillow)), nil)
	if at, _ := s.At(time.Date(1990, 3, 20, 12, 0, 0, 0, time.UTC)); at.Time.Day() != 16 || !near(at.Value, 13.72*25.4) {
		t.Errorf("value before 20 March %v, want that of 16 March", at)
	}
	wrong := cdecStorage
	wrong.Values = []ValueColumn{wrong.Values[0]}
	wrong.Values[0].Unit = "m3"
	_, err := DecodeTable("VIL", testfiles.Read(t, "hydro/cdec.VIL.20220215-0228.csv"), wrong)
	refused(t, err, ingest.ErrCorrupt, `unit "AF" where the mapping says "m3"`)
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func TestNWPSGauge(t *testing.T) {
	g, err := DecodeNWPSGauge("gauge", testfiles.Read(t, "hydro/nwps.ACRT2.gauge.json"))
	if err != nil {
		t.Fatal(err)
	}
	if g.ID != "ACRT2" || g.USGSID != "08158000" || g.Name != "Colorado River (TX) at Austin" || g.Place.LatitudeDeg != 30.244 || g.Place.LongitudeDeg != -97.694 || !g.InService {
		t.Errorf("got %+v", g)
	}
	// 25, 33, 38, 42 ft in the text; flow -9999.
	for _, each := range []struct {
		got  *float64
		want float64
	}{{g.Stage.Action, 7.62}, {g.Stage.Minor, 10.0584}, {g.Stage.Moderate, 11.5824}, {g.Stage.Major, 12.8016}} {
		if each.got == nil || !near(*each.got, each.want) {
			t.Errorf("category %v, want %g m", each.got, each.want)
		}
	}
	if g.Discharge != (Categories{}) {
		t.Errorf("discharge categories %+v, want none", g.Discharge)
	}
	// 13.04 ft, 0.234 kcfs; 16.7 ft, 1.87 kcfs.
	if s := g.Observed; s.Category != NoFlooding || !near(s.StageM, 13.04*0.3048) || !near(s.DischargeM3PerS, 234*0.028316846592) ||
		!s.Valid.Equal(time.Date(2026, 9, 25, 23, 50, 0, 0, time.UTC)) {
		t.Errorf("observed %+v", s)
	}
	if s := g.Forecast; s.Category != NoFlooding || !near(s.StageM, 16.7*0.3048) || !near(s.DischargeM3PerS, 1870*0.028316846592) {
		t.Errorf("forecast %+v", s)
	}
	if len(g.Notes) != 0 {
		t.Errorf("notes %q", g.Notes)
	}
}

func TestNWPSGaugeDoubts(t *testing.T) {
	base := `{"lid":"INVT1","status":{"observed":%s},"flood":{"stageUnits":"ft","flowUnits":"cfs","categories":%s}}`
	make := func(observed, categories string) []byte {
		return []byte(strings.Replace(strings.Replace(base, "%s", observed, 1), "%s", categories, 1))
	}
	none := `{"primary":-999,"primaryUnit":"ft","secondary":-999,"secondaryUnit":"kcfs","floodCategory":"obs_not_current","validTime":"0001-01-01T00:00:00Z"}`
	g, err := DecodeNWPSGauge("g", make(none, `{"action":{"stage":9,"flow":-9999},"minor":{"stage":8}}`))
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsNaN(g.Observed.StageM) || !math.IsNaN(g.Observed.DischargeM3PerS) || !g.Observed.Valid.IsZero() {
		t.Errorf("missing values read as %+v", g.Observed)
	}
	if rank, known := g.Observed.Category.Rank(); known || rank != -1 {
		t.Errorf("obs_not_current has rank %d", rank)
	}
	if !hasNote(g.Notes, "do not rise") || !hasNote(g.Notes, "not known") || g.Discharge.Action != nil {
		t.Errorf("notes %q", g.Notes)
	}
	_, err = DecodeNWPSGauge("g", []byte(`{"lid":"INVT1","flood":{"stageUnits":"furlong","categories":{"minor":{"stage":8}}}}`))
	refused(t, err, ingest.ErrCorrupt, "furlong")
	_, err = DecodeNWPSGauge("g", []byte(`{"code":5,"message":"gauge not found"}`))
	refused(t, err, ingest.ErrUnsupported, "gauge not found")
	for i, c := range []FloodCategory{NoFlooding, Action, MinorFlood, ModerateFlood, MajorFlood} {
		if rank, known := c.Rank(); rank != i || !known {
			t.Errorf("%s has rank %d", c, rank)
		}
	}
}

func TestNWPSStageflowParts(t *testing.T) {
	forecast := `{"pedts":"HGIFF","issuedTime":"2026-01-15T13:30:00Z","primaryName":"Stage","primaryUnits":"ft","secondaryUnits":"","data":[
		{"validTime":"2026-01-16T00:00:00Z","primary":14.0,"secondary":-999}]}`
	s := one(t, must(DecodeNWPSStageflow("f", "INVT1", []byte(forecast))), nil)
	if s.Observed || s.Quantity != RiverStage || !near(s.Points[0].Value, 14*0.3048) {
		t.Errorf("got %+v", s)
	}
	_, err := DecodeNWPSStageflow("f", "INVT1", []byte(strings.Replace(forecast, `"ft"`, `""`, 1)))
	refused(t, err, ingest.ErrCorrupt, "no unit of stage or discharge")
	_, err = DecodeNWPSStageflow("f", "INVT1", []byte(strings.Replace(forecast, `T00:00:00Z"`, `T00:00:00"`, 1)))
	refused(t, err, ingest.ErrCorrupt, "has no zone")
	if fe := err.(*ingest.FormatError); !strings.HasPrefix(forecast[fe.Offset:], `"2026-01-16T00:00:00Z"`) {
		t.Errorf("offset %d is not that of the time", fe.Offset)
	}
}

const rdbInvented = `# invented values
# retrieved: 2025-11-02 05:00:00 EST	(invented)
#
# Data for the following 1 site(s) are contained in this file
#    USGS 09990000 LARK CREEK BELOW THE INVENTED BRIDGE
#
agency_cd	site_no	datetime	tz_cd	101_00065	101_00065_cd	102_00060	102_00060_cd
5s	15s	20d	6s	14n	10s	14n	10s
USGS	09990000	2025-11-02 01:30	MDT	2.50	P	Ice	P
USGS	09990000	2025-11-02 01:30	MST	2.51	P:e	120	P:Ice
USGS	09990000	2025-11-02 02:00	MST	Eqp	P	-999999	P
USGS	09990000	2025-11-02 02:15	MST			***	
USGS	09990000	2025-11-02 02:30	MST	2.52	P:Q7	1.0e2	A:>
`

// At the end of daylight-saving time RDB has 01:30 twice, told apart by tz_cd:
// 07:30 and 08:30 UTC.
func TestRDBZonesAndCodes(t *testing.T) {
	all, err := DecodeUSGS("rdb", []byte(rdbInvented))
	if err != nil || len(all) != 2 {
		t.Fatalf("%d series, %v", len(all), err)
	}
	stage, flow := all[0], all[1]
	at := func(hour, minute int) time.Time { return time.Date(2025, 11, 2, hour, minute, 0, 0, time.UTC) }
	nan := math.NaN()
	for _, test := range []struct {
		s    Series
		want []Point
	}{
		{stage, []Point{
			{at(7, 30), 2.50 * metresPerFoot, Provisional, "P"}, {at(8, 30), 2.51 * metresPerFoot, Provisional | Estimated, "P e"},
			{at(9, 0), nan, Provisional | Missing | EquipmentFail, "Eqp P"}, {at(9, 30), 2.52 * metresPerFoot, Provisional | SourceSuspect, "P Q7"}}},
		{flow, []Point{
			{at(7, 30), nan, Provisional | Missing | IceAffected, "Ice P"}, {at(8, 30), 120 * m3PerCubicFoot, Provisional | IceAffected, "P Ice"},
			{at(9, 0), nan, Provisional | Missing, "P"}, {at(9, 15), nan, Missing | EquipmentFail, "***"}, {at(9, 30), 100 * m3PerCubicFoot, Approved | Censored, "A >"}}},
	} {
		if len(test.s.Points) != len(test.want) {
			t.Fatalf("%s: %d points, want %d", test.s.Quantity, len(test.s.Points), len(test.want))
		}
		for i, want := range test.want {
			got := test.s.Points[i]
			if !got.Time.Equal(want.Time) || got.Flags != want.Flags || got.Code != want.Code || !(near(got.Value, want.Value) || math.IsNaN(got.Value) && math.IsNaN(want.Value)) {
				t.Errorf("%s %d: got %v %g [%s] %q, want %v %g [%s] %q", test.s.Quantity, i, got.Time, got.Value, got.Flags, got.Code, want.Time, want.Value, want.Flags, want.Code)
			}
		}
	}
	if stage.Name != "LARK CREEK BELOW THE INVENTED BRIDGE" || !stage.Issued.Equal(at(10, 0)) {
		t.Errorf("name %q issued %s", stage.Name, stage.Issued)
	}
	odd := must(DecodeUSGS("rdb", []byte(strings.Replace(rdbInvented, "\t2.50\t", "\t2.5o\t", 1))))
	if p := odd[0].Points[0]; !math.IsNaN(p.Value) || !p.Flags.Has(Missing|Unreadable|Provisional) || p.Code != "2.5o P" {
		t.Errorf("2.5o read as %+v", p)
	}
	cut := rdbInvented[:strings.Index(rdbInvented, "2.52")]
	_, err = DecodeUSGS("rdb", []byte(cut))
	refused(t, err, ingest.ErrTruncated, "columns")
	_, err = DecodeUSGS("rdb", []byte(strings.Replace(rdbInvented, "MDT", "XYZ", 1)))
	refused(t, err, ingest.ErrCorrupt, `time zone "XYZ" is unknown`)
	_, err = DecodeUSGS("rdb", []byte("#  No sites found matching all criteria\n"))
	refused(t, err, ingest.ErrTruncated, "no line of names")
}

// The shape of two features of the daily collection of the USGS OGC API as its
// documentation prints them (api.waterdata.usgs.gov/ogcapi/v0); the second and
// third are invented after the property descriptions of "continuous".
const ogcInvented = `{"type":"FeatureCollection","features":[
 {"type":"Feature","properties":{"parameter_code":"00060","statistic_id":"00003","time":"1949-11-03","value":"940","unit_of_measure":"ft^3/s","approval_status":"Approved","qualifier":null,
  "time_series_id":"47ae","monitoring_location_id":"USGS-15070000"},"id":"0000000c","geometry":{"type":"Point","coordinates":[-131.3389167107,55.6146473658127]}},
 {"type":"Feature","properties":{"parameter_code":"00065","statistic_id":"00011","time":"2026-01-10T12:00:00+00:00","value":"3.21","unit_of_measure":"ft","approval_status":"Provisional","qualifier":["ICE"],
  "time_series_id":"aa","monitoring_location_id":"USGS-09990000"},"geometry":null},
 {"type":"Feature","properties":{"parameter_code":"00065","statistic_id":"00011","time":"2026-01-10T05:15:00-07:00","value":null,"unit_of_measure":"ft","approval_status":"Provisional","qualifier":"EQUIP, ESTIMATED",
  "time_series_id":"aa","monitoring_location_id":"USGS-09990000"},"geometry":null}],
 "numberReturned":3,"timeStamp":"2026-01-10T13:00:00Z","links":[{"rel":"next","href":"x"}]}`

func TestUSGSFeatures(t *testing.T) {
	all := must(DecodeUSGS("ogc", []byte(ogcInvented)))
	if len(all) != 2 {
		t.Fatalf("%d series", len(all))
	}
	daily, stage := all[0], all[1]
	if daily.Gauge != "15070000" || daily.Agency != "USGS" || daily.Statistic != "mean" || daily.Points[0].Flags != Approved|DateOnly ||
		!near(daily.Points[0].Value, 940*0.028316846592) || daily.Place.LongitudeDeg != -131.3389167107 {
		t.Errorf("got %+v", daily)
	}
	if p := stage.Points[0]; p.Flags != Provisional|IceAffected || !near(p.Value, 3.21*0.3048) || p.Time.Hour() != 12 {
		t.Errorf("got %+v", p)
	}
	if p := stage.Points[1]; p.Flags != Provisional|EquipmentFail|Estimated|Missing || !math.IsNaN(p.Value) || p.Time.Minute() != 15 || p.Time.Hour() != 12 {
		t.Errorf("got %+v", p)
	}
	if !hasNote(stage.Notes, "next page") || !math.IsNaN(stage.Place.LatitudeDeg) || stage.Issued.Hour() != 13 {
		t.Errorf("got %+v", stage)
	}
	_, err := DecodeUSGS("ogc", []byte(strings.Replace(ogcInvented, `"unit_of_measure":"ft"`, `"unit_of_measure":"m"`, 1)))
	refused(t, err, ingest.ErrCorrupt, "parameter 00065 is in ft")
	_, err = DecodeUSGS("ogc", []byte(strings.Replace(ogcInvented, `12:00:00+00:00`, `12:00:00`, 1)))
	refused(t, err, ingest.ErrCorrupt, "no zone")
}

func TestUSGSRefuses(t *testing.T) {
	for _, test := range []struct {
		text   string
		reason error
		word   string
	}{
		{"", ingest.ErrTruncated, "empty"},
		{"<html><body>Service Unavailable</body></html>", ingest.ErrUnsupported, "page"},
		{`{"detail":"rate limit"}`, ingest.ErrUnsupported, "rate limit"},
		{`{"value":{"timeSeries":[{`, ingest.ErrTruncated, "too early"},
		{`{"type":"FeatureCollection","type":"x"}`, ingest.ErrCorrupt, "twice"},
		{`hello`, ingest.ErrUnsupported, "begins with"},
		{strings.Repeat(`{"a":`, 100) + "1" + strings.Repeat("}", 100), ingest.ErrUnsupported, "deeper"},
		{`{} {}`, ingest.ErrCorrupt, "after the end"},
	} {
		_, err := DecodeUSGS("f", []byte(test.text))
		refused(t, err, test.reason, test.word)
	}
	if all, err := DecodeUSGS("f", []byte(`{"value":{"timeSeries":[]}}`)); err != nil || len(all) != 0 {
		t.Errorf("a reply without series: %v, %v", all, err)
	}
}
