package sounding

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// The original and the new form, spacing, letters and missing values of
// "GSD Sounding Format Description".
func TestFSLForms(t *testing.T) {
	head := "    254     12      9      DEC    2010\n"
	for _, test := range []struct {
		name, text              string
		lat, lon, hPa, mPerS, z float64
		note                    string
	}{
		{"new form, knots", head +
			"      1  24131  72681  43.56N116.21W   874   1106\n      2    100   2500   2500      6  99999      3\n      3           BOI                99999     kt\n" +
			"      9   9190    874     -1     -2    240      3\n      4   8500   1509     38     12    250      2\n",
			43.56, -116.21, 919, 3 * 1852.0 / 3600, 874, ""},
		{"original form: whole hPa, 32767, no letters", head +
			"      1  24131  72681  43.56 116.21    874   1106\n      2    100   2500   2500      6  32767      3\n      3           BOI                32767     kt\n" +
			"      9    919    874     -1     -2    240      3\n      6    880   1219  32767  32767    155      7\n",
			43.56, -116.21, 919, 3 * 1852.0 / 3600, 874, "taken as west"},
		{"east and south, tenths of m/s", strings.Replace(head, "254", "RAOB", 1) +
			"      1  99999  94672  34.95S138.53E     4   2315\n      2    100   2500   2500      5  99999      3\n      3          YPAD                99999     ms\n" +
			"      9  10130      4    208     98    290     41   2315      0      0\n",
			-34.95, 138.53, 1013, 4.1, 4, ""},
	} {
		reports, err := Decode("fsl", []byte("a caption\n"+test.text))
		if err != nil {
			t.Fatalf("%s: %v", test.name, err)
		}
		r := reports[0]
		l := r.Levels[0]
		if !near(r.Station.Place.LatitudeDeg, test.lat, 1e-9) || !near(r.Station.Place.LongitudeDeg, test.lon, 1e-9) {
			t.Errorf("%s: place %+v", test.name, r.Station.Place)
		}
		if !near(l.PressurePa, test.hPa*100, 1e-6) || !near(l.WindSpeedMPerS, test.mPerS, 1e-9) || l.GeopotentialHeightM != test.z || l.Significance&Surface == 0 {
			t.Errorf("%s: %+v", test.name, l)
		}
		if !strings.Contains(strings.Join(r.Notes, ";"), test.note) {
			t.Errorf("%s: notes %q", test.name, r.Notes)
		}
		if strings.Contains(test.name, "original") {
			if l := r.Levels[1]; !math.IsNaN(l.AirTemperatureK) || !math.IsNaN(l.DewPointK) || l.Significance != FixedHeight {
				t.Errorf("32767: %+v", l)
			}
		}
	}
}

func TestFSLDamage(t *testing.T) {
	good := string(invented(t, "larkmoor.fsl.txt"))
	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"a level less than announced", good[:strings.LastIndex(strings.TrimSpace(good), "\n")+1], "announces 21 lines, 20 are here", ingest.ErrTruncated, 1},
		{"in the midst of two", good[:len(good)-200] + "\n" + good, "announces", ingest.ErrTruncated, 2},
		{"no wind unit", strings.Replace(good, "     kt", "", 1), "no wind unit", ingest.ErrCorrupt, 1},
		{"word in a level", strings.Replace(good, "1952", "19x2", 1), "is not a number", ingest.ErrCorrupt, 1},
		{"31 February", strings.Replace(good, "14      JAN", "31      FEB", 1), "hour, day, month, year", ingest.ErrCorrupt, 1},
		{"nothing", "a caption only\n", "no line 254", ingest.ErrTruncated, 0},
	} {
		reports, err := DecodeFSL("fsl", []byte(test.text))
		if !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
}

func zipped(t testing.TB, name string, text []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	f, err := w.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// "igra2-data-format.txt": hour 99, release 9999 and HH99, -8888 and -9999.
func TestIGRA2Times(t *testing.T) {
	level := "21     0  83200  1640   -11 -8888     4   180    31\n"
	for _, test := range []struct {
		hourAndRelease, time, release, note string
	}{
		{"00 2315", "2021-01-14T00:00:00Z", "2021-01-13T23:15:00Z", ""},
		{"12 1106", "2021-01-14T12:00:00Z", "2021-01-14T11:06:00Z", ""},
		{"12 9999", "2021-01-14T12:00:00Z", "", ""},
		{"12 1199", "2021-01-14T12:00:00Z", "", "release at 11 UTC, minute unknown"},
		{"99 1106", "2021-01-14T11:06:00Z", "2021-01-14T11:06:00Z", "nominal hour unknown"},
		{"99 1199", "2021-01-14T11:00:00Z", "2021-01-14T11:00:00Z", "release minute unknown"},
		{"99 9999", "", "", "only the date: 2021-01-14"},
	} {
		text := "#USM00072990 2021 01 14 " + test.hourAndRelease + "    1 invented invented  441000 -1149000\n" + level
		reports, err := DecodeIGRA2("igra", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		r := reports[0]
		show := func(year int, s string) string {
			if year == 1 {
				return ""
			}
			return s
		}
		if got := show(r.Time.Year(), r.Time.Format("2006-01-02T15:04:05Z")); got != test.time {
			t.Errorf("%s: time %s, want %s", test.hourAndRelease, got, test.time)
		}
		if got := show(r.ReleaseTime.Year(), r.ReleaseTime.Format("2006-01-02T15:04:05Z")); got != test.release {
			t.Errorf("%s: release %s, want %s", test.hourAndRelease, got, test.release)
		}
		if !strings.Contains(strings.Join(r.Notes, ";"), test.note) {
			t.Errorf("%s: notes %q, want %q", test.hourAndRelease, r.Notes, test.note)
		}
		if l := r.Levels[0]; !math.IsNaN(l.RelativeHumidity) || !near(l.DewPointK, 273.15-1.5, 1e-9) || l.ElapsedS != 0 || l.Significance != Surface {
			t.Errorf("%+v", l)
		}
	}
}

func TestIGRA2Stream(t *testing.T) {
	one := invented(t, "larkmoor.igra2.txt")
	b := zipped(t, "USM00072990-data.txt", bytes.Repeat(one, 50))
	count := 0
	for r, err := range IGRA2("igra.zip", b) {
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Levels) != 18 {
			t.Fatalf("%d levels", len(r.Levels))
		}
		if count++; count == 20 {
			break
		}
	}
	if count != 20 {
		t.Errorf("%d ascents", count)
	}
	// A level 30 has height and wind only; ETIME 102 is one minute two seconds.
	r := first(t, "larkmoor.igra2.txt")
	if l := r.Levels[1]; l.ElapsedS != 62 {
		t.Errorf("elapsed %g s, want 62", l.ElapsedS)
	}
	if l := r.Levels[7]; !math.IsNaN(l.PressurePa) || l.GeopotentialHeightM != 4572 || l.WindSpeedMPerS != 22.5 {
		t.Errorf("%+v", l)
	}
}

func first(t *testing.T, name string) Report {
	t.Helper()
	reports, err := Decode(name, invented(t, name))
	if err != nil {
		t.Fatal(err)
	}
	return reports[0]
}

func TestIGRA2Damage(t *testing.T) {
	good := string(invented(t, "larkmoor.igra2.txt"))
	bomb := zipped(t, "bomb.txt", make([]byte, 64<<20))
	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"claims 9999 levels", strings.Replace(good, "  18 invented", "9999 invented", 1), "announces 9999 levels, 18", ingest.ErrTruncated, 1},
		{"claims fewer", strings.Replace(good, "  18 invented", "  12 invented", 1) + good, "more levels than the 12", ingest.ErrCorrupt, 2},
		{"short of levels before the next", strings.Replace(good, "  18 invented", "  20 invented", 1) + good, "announces 20 levels, 18", ingest.ErrCorrupt, 2},
		{"letters in a level", strings.Replace(good, " 80000 ", " 8OOOO ", 1), "is not a number", ingest.ErrCorrupt, 1},
		{"header cut", good + good[:40], "fewer than 71 columns", ingest.ErrTruncated, 1},
		{"13th month", strings.Replace(good, "2021 01", "2021 13", 1) + good, "no such date", ingest.ErrCorrupt, 1},
		{"zip bomb", string(bomb), "unfolds to more than", ingest.ErrCorrupt, 0},
		{"zip cut", string(zipped(t, "a.txt", []byte(good))[:300]), "zip", ingest.ErrTruncated, 0},
		{"zip without text", string(zipped(t, "a.bin", []byte(good))), "without a .txt entry", ingest.ErrUnsupported, 0},
	} {
		reports, err := DecodeIGRA2("igra", []byte(test.text))
		if err == nil || !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %.300v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
}

func TestListReplyWithoutSounding(t *testing.T) {
	b := testfiles.Read(t, "sounding/wyoming.BOI.2010120901.nodata.html")
	reports, err := Decode("nodata", b)
	if len(reports) != 0 || !errors.Is(err, ErrNoSounding) || !errors.Is(err, ingest.ErrUnsupported) {
		t.Fatalf("%d reports, %v", len(reports), err)
	}
	if !strings.Contains(err.Error(), "Can't get 72681 BOI Boise") {
		t.Errorf("the reply's own words are missing: %v", err)
	}
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || fe.Offset != int64(bytes.Index(b, []byte("Can't"))) {
		t.Errorf("place: %v", err)
	}
}

// Bare text, another wind unit, two soundings in a page, and damage.
func TestListForms(t *testing.T) {
	good := string(invented(t, "larkmoor.list.html"))
	bare := good[strings.Index(good, "72990"):strings.Index(good, "</H2>")] + "\n\n" +
		good[strings.Index(good, "-----"):strings.Index(good, "</PRE>")] + "\nStation information and sounding indices\n\n" +
		good[strings.Index(good, "                         Station identifier"):strings.LastIndex(good, "</PRE>")]
	reports, err := Decode("bare", []byte(bare))
	if err != nil || len(reports) != 1 || len(reports[0].Levels) != 20 || reports[0].Station.AltitudeM != 1640 {
		t.Fatalf("bare text: %d reports, %v", len(reports), err)
	}
	metres := strings.NewReplacer("SKNT", "SPED", "knot", " m/s").Replace(good)
	reports, err = Decode("m/s", []byte(metres))
	if err != nil {
		t.Fatal(err)
	}
	if l := at(t, reports[0], 250, 0); l.WindSpeedMPerS != 104 {
		t.Errorf("104 m/s read as %g", l.WindSpeedMPerS)
	}
	// Values as wide as their columns touch each other.
	touching := strings.Replace(good, "  100.0  16097  -58.7  -83.7", "  100.0  16097-100.25-120.50", 1)
	reports, err = Decode("touching", []byte(touching))
	if err != nil {
		t.Fatal(err)
	}
	if l := at(t, reports[0], 100, 0); l.GeopotentialHeightM != 16097 || !near(l.AirTemperatureK, 273.15-100.25, 1e-9) || !near(l.DewPointK, 273.15-120.5, 1e-9) {
		t.Errorf("%+v", l)
	}
	reports, err = Decode("two", []byte(good+strings.Replace(good, "12Z 14 Jan", "00Z 15 Jan", 1)))
	if err != nil || len(reports) != 2 {
		t.Fatalf("two soundings: %d, %v", len(reports), err)
	}
	if want := utc(2021, 1, 15, 0, 0); !reports[1].Time.Equal(want) || len(reports[1].Notes) != 1 {
		t.Errorf("second at %v, notes %q (the station block says another time)", reports[1].Time, reports[1].Notes)
	}

	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"cut in the table", good[:strings.Index(good, "  560.0")], "ends within the table", ingest.ErrTruncated, 1},
		{"wind in mph", strings.Replace(good, "knot", " mph", 1), "column \"SKNT\" in unit \"mph\"", ingest.ErrUnsupported, 1},
		{"word in a cell", strings.Replace(good, "  740.0", "  74O.0", 1), "is not a number", ingest.ErrCorrupt, 1},
		{"some other page", "<html><body>busy</body></html>", "no line of column names", ErrNoSounding, 0},
		{"title only", "<html>72990 LKM Larkmoor Observations at 12Z 14 Jan 2021", "title without levels", ErrNoSounding, 0},
	} {
		reports, err := Decode("list", []byte(test.text))
		if err == nil || !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
	// A unit that is not known leaves the column out, not the level.
	reports, _ = Decode("list", []byte(strings.Replace(good, "knot", " mph", 1)))
	if l := at(t, reports[0], 250, 0); !math.IsNaN(l.WindSpeedMPerS) || math.IsNaN(l.AirTemperatureK) {
		t.Errorf("%+v", l)
	}
}

func TestCSVForms(t *testing.T) {
	r := first(t, "larkmoor.csv")
	last := r.Levels[len(r.Levels)-1]
	// From the file: 11:54:11 after 11:06:00; 44.26 N 114.58 W from 44.10 N 114.90 W.
	if last.ElapsedS != 2891 || !near(last.LatitudeDisplacementDeg, 0.16, 1e-9) || !near(last.LongitudeDisplacementDeg, 0.32, 1e-9) {
		t.Errorf("%+v", last)
	}
	// A real ascent whose times and places are all the same claims no drift.
	old, err := Decode("csv", testfiles.Read(t, "sounding/wyoming.BOI.2010120912.csv"))
	if err != nil {
		t.Fatal(err)
	}
	if l := old[0].Levels[5]; !math.IsNaN(l.ElapsedS) || !math.IsNaN(l.LatitudeDisplacementDeg) {
		t.Errorf("%+v", l)
	}

	good := string(invented(t, "larkmoor.csv"))
	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"row cut", good[:len(good)-20], "row has", ingest.ErrTruncated, 1},
		{"unit", strings.Replace(good, "temperature_C,dew", "temperature_F,dew", 1), "in unit \"F\"", ingest.ErrUnsupported, 1},
		{"word", strings.Replace(good, "1952", "high", 1), "is not a number", ingest.ErrCorrupt, 1},
		{"time", strings.Replace(good, "2021-01-14 11:0", "14/01/2021 11:0", 1), "is not YYYY-MM-DD", ingest.ErrCorrupt, 1},
		{"no levels", good[:strings.Index(good, "\n")+1], "no levels", ingest.ErrTruncated, 0},
	} {
		reports, err := Decode("csv", []byte(test.text))
		if err == nil || !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
}

func TestJSONForms(t *testing.T) {
	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports, levels    int
	}{
		{"order, unknown members, escapes", `{"x":[1,{"y":"\"}"}],"profiles":[{"profile":[{"hght":1.5e3,"pres":850,"more":{"a":[NaN,true]},"tmpc":null}],"valid":"2021-01-14T12:00Z","station":"L\u004bM"}]}`, "", nil, 1, 1},
		{"words for no number", `{"profiles":[{"station":"A","valid":"2021-01-14T12:00:00Z","profile":[{"pres":850,"tmpc":NaN,"dwpc":-Infinity,"drct":Infinity,"sknt":null}]}]}`, "", nil, 1, 1},
		{"no profiles", `{"profiles":[]}`, "no profiles", ErrNoSounding, 0, 0},
		{"cut", `{"profiles":[{"station":"A","valid":"2021-01-14T12:00:00Z","profile":[{"pres":850,"tmpc":1},{"pres":700,"tm`, "the file ends", ingest.ErrTruncated, 1, 1},
		{"cut number", `{"profiles":[{"station":"A","valid":"2021-01-14T12:00:00Z","profile":[{"pres":85`, "the file ends", ingest.ErrTruncated, 0, 0},
		{"a word", `{"profiles":[{"station":"A","valid":"2021-01-14T12:00:00Z","profile":[{"pres":850},{"pres":high}]}]}`, "number expected", ingest.ErrCorrupt, 1, 1},
		{"text behind", `{"profiles":[{"station":"A","valid":"2021-01-14T12:00:00Z","profile":[{"pres":850}]}]} more`, "text after the end", ingest.ErrCorrupt, 1, 1},
		{"bad time", `{"profiles":[{"station":"A","valid":"yesterday","profile":[{"pres":850}]}]}`, "not an RFC 3339 time", ingest.ErrCorrupt, 1, 1},
		{"deep", `{"profiles":` + strings.Repeat("[", 100000), "expected", ingest.ErrCorrupt, 0, 0},
		{"deep elsewhere", `{"profiles":0,"x":` + strings.Repeat("[", 100000), "expected", ingest.ErrCorrupt, 0, 0},
		{"deep objects", strings.Repeat(`{"a":`, 100000), "too deep", ingest.ErrCorrupt, 0, 0},
		{"deep before", `{"x":` + strings.Repeat("[", 100000) + `,"profiles":[]}`, "too deep", ingest.ErrCorrupt, 0, 0},
	} {
		reports, err := DecodeJSON("json", []byte(test.text))
		if test.reason == nil && err != nil || test.reason != nil && (err == nil || !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail)) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports || len(reports) > 0 && len(reports[0].Levels) != test.levels {
			t.Errorf("%s: %+v", test.name, reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
	reports, err := DecodeJSON("json", []byte(`{"profiles":[{"profile":[{"hght":1.5e3,"pres":850}],"valid":"2021-01-14T12:00Z","station":"L\u004bM"}]}`))
	if err != nil || reports[0].Station.Identifier != "LKM" || reports[0].Levels[0].GeopotentialHeightM != 1500 || !reports[0].Time.Equal(utc(2021, 1, 14, 12, 0)) {
		t.Errorf("%+v, %v", reports, err)
	}
}

func TestRawForms(t *testing.T) {
	good := string(invented(t, "larkmoor.raw.txt"))
	reports, err := Decode("two", []byte(good+good))
	if err != nil || len(reports) != 2 {
		t.Fatalf("two blocks: %d, %v", len(reports), err)
	}
	reports, err = Decode("omega", []byte("%TITLE%\n LKM 210114/1200\n%RAW%\n 700.00, 2999.00, -8.70, -9.10, 235.00, 34.00, -0.40\n%END%\n"))
	if err != nil || reports[0].Levels[0].OmegaPaPerS != -0.4 || !math.IsNaN(reports[0].Station.Place.LatitudeDeg) {
		t.Errorf("%+v, %v", reports, err)
	}
	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"no end", good[:strings.Index(good, "%END%")], "%END% is missing after 20 levels", ingest.ErrTruncated, 1},
		{"short row", strings.Replace(good, ",    235.00", "", 1), "is not six or seven numbers", ingest.ErrCorrupt, 1},
		{"no title", good[strings.Index(good, "%RAW%"):], "without a %TITLE%", ingest.ErrCorrupt, 1},
		{"no time", strings.Replace(good, "210114/1200", "yesterday", 1), "YYMMDD/HHMM", ingest.ErrCorrupt, 1},
	} {
		reports, err := Decode("raw", []byte(test.text))
		if err == nil || !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
}

func TestBUFKITForms(t *testing.T) {
	good := string(invented(t, "larkmoor.buf"))
	reports, err := Decode("buf", []byte(good))
	if err != nil || len(reports) != 2 {
		t.Fatalf("%d reports, %v", len(reports), err)
	}
	// Another order of parameters.
	reordered, err := Decode("buf", []byte("SNPARM = HGHT;PRES;SPED;DRCT;TMPC\nSTNPRM = SHOW\n\nSTID = STNM = 729900 TIME = 210114/1500\nSLAT = 44.10 SLON = -114.90 SELV = -9999.0\nSTIM = 3\n\nSHOW = 1.0\n\nHGHT PRES SPED DRCT TMPC\n1640.0 832.0 3.1 180.0 -1.1\n1952.0 800.0 -9999.00 200.0\n-2.9\n"))
	if err != nil {
		t.Fatal(err)
	}
	r := reordered[0]
	if r.Station.Identifier != "729900" || !math.IsNaN(r.Station.AltitudeM) || !r.RunTime.Equal(utc(2021, 1, 14, 12, 0)) {
		t.Errorf("%+v run %v", r.Station, r.RunTime)
	}
	if l := r.Levels[1]; l.PressurePa != 80000 || l.GeopotentialHeightM != 1952 || !math.IsNaN(l.WindSpeedMPerS) || l.WindFromDeg != 200 || !near(l.AirTemperatureK, 273.15-2.9, 1e-9) {
		t.Errorf("%+v", l)
	}
	if l := r.Levels[0]; l.WindSpeedMPerS != 3.1 {
		t.Errorf("%+v", l)
	}

	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"cut in a level", good[:strings.Index(good, "STIM = 1")+310], "profile ends after", ingest.ErrTruncated, 2},
		{"other head", strings.Replace(good, "DRCT SKNT OMEG\r\nCFRL HGHT", "SKNT DRCT OMEG\r\nCFRL HGHT", 1), "should have DRCT", ingest.ErrCorrupt, 1},
		{"word", strings.Replace(good, "-8.70", "-8.7o", 1), "is not a number", ingest.ErrCorrupt, 2},
		{"no SNPARM", good[strings.Index(good, "STID"):], "", ingest.ErrUnsupported, 0},
		{"SNPARM without PRES", strings.Replace(good, "= PRES;", "= PRSS;", 1), "has no PRES", ingest.ErrCorrupt, 0},
	} {
		reports, err := Decode("buf", []byte(test.text))
		if err == nil || !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
}

// Cloud fraction read from the file by eye: 1.00 and 100.00 per cent.
func TestBUFKITCloud(t *testing.T) {
	reports, err := Decode("nam", testfiles.Read(t, "bufkit/2017040100Z_nam_kmso.buf"))
	if err != nil {
		t.Fatal(err)
	}
	for hPa, want := range map[float64]float64{778.6: 0, 768.6: 0.01, 757: 1} {
		if l := at(t, reports[0], hPa, ModelLevel); l.CloudFraction != want {
			t.Errorf("%g hPa: cloud %g, want %g", hPa, l.CloudFraction, want)
		}
	}
}

// OMEG by sense: synoptic vertical motion is tenths of Pa/s in the middle
// troposphere and hundredths in the stratosphere (for instance Holton and Hakim,
// An Introduction to Dynamic Meteorology, 5th ed., section 3.5: of the order of
// 100 hPa a day, 0.12 Pa/s). In microbar a second it would be ten times as much,
// in hPa/h a third.
func TestBUFKITOmegaIsPascalASecond(t *testing.T) {
	for _, name := range []string{"bufkit/2017040100Z_nam_kmso.buf", "bufkit/2017040106Z_gfs3_kmso.buf"} {
		reports, err := Decode(name, testfiles.Read(t, name))
		if err != nil {
			t.Fatal(err)
		}
		square, count := 0.0, 0
		for _, r := range reports {
			for _, l := range r.Levels {
				if l.PressurePa < 55000 && l.PressurePa > 35000 {
					square += l.OmegaPaPerS * l.OmegaPaPerS
					count++
				}
			}
		}
		if rms := math.Sqrt(square / float64(count)); rms < 0.05 || rms > 0.8 {
			t.Errorf("%s: root mean square omega %g Pa/s at 350 to 550 hPa", name, rms)
		} else {
			t.Logf("%s: root mean square omega %.3f Pa/s at 350 to 550 hPa over %d levels", name, rms, count)
		}
	}
}

// Rows read from the files by eye.
func TestBUFKITSurface(t *testing.T) {
	for _, test := range []struct {
		file          string
		names, rows   int
		name          string
		first, second float64
	}{
		{"bufkit/2017040100Z_nam_kmso.buf", 31, 85, "PMSL", 1017.40, 1016.70},
		{"bufkit/2017040106Z_gfs3_kmso.buf", 21, 61, "T2MS", 0.94, 0.24},
		{"bufkit/2017040106Z_gfs3_kmso.buf", 21, 61, "PMSL", 1022.10, 1022.50},
	} {
		series, err := BUFKITSurface(test.file, testfiles.Read(t, test.file))
		if err != nil {
			t.Fatal(err)
		}
		if len(series.Names) != test.names || len(series.Rows) != test.rows {
			t.Fatalf("%s: %d names, %d rows", test.file, len(series.Names), len(series.Rows))
		}
		k := -1
		for i, name := range series.Names {
			if name == test.name {
				k = i
			}
		}
		if k < 0 || !near(series.Rows[0].Values[k], test.first, 0) || !near(series.Rows[1].Values[k], test.second, 0) {
			t.Errorf("%s %s: %g, %g, want %g, %g", test.file, test.name, series.Rows[0].Values[k], series.Rows[1].Values[k], test.first, test.second)
		}
		if series.Rows[0].Station != "727730" {
			t.Errorf("station %q", series.Rows[0].Station)
		}
	}
	b := invented(t, "larkmoor.buf")
	series, err := BUFKITSurface("buf", b)
	if err != nil || fmt.Sprint(series.Names) != "[PMSL PRES SKTC P01M UWND VWND T2MS]" || len(series.Rows) != 2 {
		t.Fatalf("%+v, %v", series, err)
	}
	if row := series.Rows[1]; !row.Time.Equal(utc(2021, 1, 14, 13, 0)) || row.Values[3] != 0.6 || !math.IsNaN(series.Rows[0].Values[3]) {
		t.Errorf("%+v", row)
	}
	cut, err := BUFKITSurface("buf", b[:len(b)-8])
	if !errors.Is(err, ingest.ErrTruncated) || len(cut.Rows) != 2 || len(cut.Rows[1].Values) != 7 || !math.IsNaN(cut.Rows[1].Values[6]) {
		t.Errorf("%+v, %v", cut, err)
	}
}
