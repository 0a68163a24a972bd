package activity

import (
	"bytes"
	"encoding/csv"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/seedability/alert"
)

func near(a, b float64) bool { return math.Abs(a-b) < 1e-9 }

// Worked by hand from the definitions of 908.5(b) and the shares of time that
// alert.TotalsAt takes; common practice, no source for the splitting at midnight.
//
//	January   a: 16 g in 4 min on the 14th; b did not light (c). d: 22 h to 24 h of
//	          6 h: 2 h, 60/3 = 20 g on the 31st. 2 days, 2 h 4 min, 36 g.
//	February  d: 4 h, 40 g on the 1st; g was 15.2 g (k), 4 min. 2 days, 4 h 4 min, 55.2 g.
//	March     e: clocks go forward at 2 on the 8th: 22 MST to 4 MDT is 5 h; 2 h and
//	          20 g on the 7th, 3 h and 30 g on the 8th; test burn of 16 g in 4 min on
//	          the 8th. 2 days, 5 h 4 min, 66 g; seeding 2 days, test burn 1.
//	November  f: from midnight to midnight of the 1st is 25 h. 1 day, 250 g.
func TestTotalsByHand(t *testing.T) {
	r := year(t)
	want := map[string]struct {
		days     int
		hours, g float64
		seeding  int
		other    int
	}{
		"2026-01": {2, 2 + 4./60, 36, 2, 0}, "2026-02": {2, 4 + 4./60, 55.2, 2, 0}, "2026-03": {2, 5 + 4./60, 66, 2, 1}, "2026-11": {1, 25, 250, 1, 0},
	}
	if len(r.Months) != 12 {
		t.Fatalf("%d months", len(r.Months))
	}
	for _, m := range r.Months {
		w := want[m.Month] // zeros for the others: they are reported too
		if f := m.Form; m.Days != w.days || !near(m.Hours, w.hours) || !near(m.Grams, w.g) || f.Days != w.days || f.IncreasePrecipitationDays != w.seeding || f.OtherDays != w.other ||
			f.UnassignedDays != 0 || !near(f.SilverIodideG, w.g) || f.UnassignedG != 0 || !near(f.GroundHours, w.hours) || f.AirborneHours != 0 || !m.Whole {
			t.Errorf("%s: %+v, want %+v", m.Month, m, w)
		}
	}
	if s := r.Total; s.Days != 7 || !near(s.Hours, 36.2) || !near(s.Grams, 407.2) || s.Releases != 6 || s.Form.IncreasePrecipitationDays != 7 || s.Form.OtherDays != 1 {
		t.Errorf("total %+v", s)
	}
	if r.First != "2026-01-14" || r.Last != "2026-11-01" || len(r.Log) != 8 || len(r.Units) != 3 {
		t.Errorf("%s to %s, %d lines, %d units", r.First, r.Last, len(r.Log), len(r.Units))
	}
	// The operator's file describes rack 1, of which two flares were burnt.
	if u := r.Units[1]; u.Name() != "Quill Hut, rack 1" || u.Model != "R-8a" || u.Make != "Invented Works" || len(u.Log) != 2 || !near(u.Total.Hours, 8./60) || !near(u.Total.Grams, 31.2) || u.Total.Days != 2 || r.Units[2].Unit != "rack 2, no. 1" || r.Units[2].Model != "R-8" {
		t.Errorf("%+v", r.Units)
	}
	wantTypes := []Hours{{"ground flare", 12. / 60}, {"ground generator", 36}}
	for k, h := range r.Total.Types {
		if h.Type != wantTypes[k].Type || !near(h.Hours, wantTypes[k].Hours) {
			t.Errorf("%+v, want %+v", h, wantTypes[k])
		}
	}
	if len(r.Corrections) != 2 || r.Corrections[0].Is != "nothing released (seeding)" || !strings.Contains(r.Corrections[1].Was, "16 g") || !strings.Contains(r.Corrections[1].Is, "15.2 g") {
		t.Errorf("%+v", r.Corrections)
	}
	for _, gone := range []string{"b", "c", "g"} {
		if slices.ContainsFunc(r.Log, func(e Entry) bool { return e.Record == gone }) {
			t.Errorf("%s is on the log", gone)
		}
	}
	// The hour of the log is that of the clock, with its letters.
	begun, _ := r.HTML()
	for _, line := range []string{"22:00 MST", "24:00 MST", "00:00 MST", "04:00 MDT", "00:00 MDT"} {
		if !bytes.Contains(begun, []byte(line)) {
			t.Errorf("the page has no %s", line)
		}
	}
	notes := strings.Join(r.Notes, "\n")
	for _, note := range []string{"Clocks change on 2026-03-08: that day has 23 hours", "Clocks change on 2026-11-01: that day has 25 hours", "an edge of the period: 4; amounts are by share of time", "Corrected records that touch this period: 2.", "not later than 45 days after January 1"} {
		if !strings.Contains(notes, note) {
			t.Errorf("no note %q in\n%s", note, notes)
		}
	}
}

// Days add up to what package alert sums of the same records for each day.
func TestDaysAreThoseOfAlerts(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	zone, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	var all []alert.Release
	for k := range 400 {
		start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(random.IntN(365*24*60)) * time.Minute)
		r := release(t, fmt.Sprint("r", k), []string{"hut", "barn"}[k%2], fmt.Sprint("u", k%7), "2026-01-01T00:00:00Z", "2026-01-01T01:00:00Z", "acetone", 1+float64(random.IntN(100)))
		r.Start, r.End = start, start.Add(time.Duration(1+random.IntN(3000))*time.Minute)
		r.At = r.End
		all = append(all, r)
		if k%9 == 0 {
			all = append(all, correction(r, fmt.Sprint("c", k), float64(random.IntN(3))*5))
		}
	}
	r := build(t, Input{Records: recordsOfAll(all), From: date("2026-01-01"), To: date("2026-12-31")})
	perDay := map[string]float64{}
	hours := 0.0
	for _, e := range r.Log {
		perDay[e.Date] += e.Grams
		hours += e.Hours
	}
	months := map[string]float64{}
	for d := date("2026-01-01"); d.Year() == 2026; d = d.AddDate(0, 0, 1) {
		noon := time.Date(d.Year(), d.Month(), d.Day(), 12, 0, 0, 0, zone)
		want := alert.TotalsAt(all, noon, zone, time.January, 1).DayG
		if got := perDay[d.Format(time.DateOnly)]; math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %g g, alerts have %g", d.Format(time.DateOnly), got, want)
		}
		months[d.Format("2006-01")] += want
	}
	sum, monthHours := 0.0, 0.0
	for _, m := range r.Months {
		if math.Abs(m.Grams-months[m.Month]) > 1e-6 {
			t.Errorf("%s: %g g, alerts have %g", m.Month, m.Grams, months[m.Month])
		}
		sum += m.Grams
		monthHours += m.Hours
	}
	unitHours := 0.0
	for _, u := range r.Units {
		unitHours += u.Total.Hours
	}
	// Units overlap with themselves here: their hours are less than those of the log.
	if math.Abs(sum-r.Total.Grams) > 1e-6 || math.Abs(monthHours-r.Total.Hours) > 1e-6 || math.Abs(unitHours-r.Total.Hours) > 1e-6 || hours <= unitHours {
		t.Errorf("months %g g %g h, total %g g %g h, units %g h, log %g h", sum, monthHours, r.Total.Grams, r.Total.Hours, unitHours, hours)
	}
}

// A named unit cannot run twice at once; records without a unit may be two devices.
func TestOverlap(t *testing.T) {
	for unit, want := range map[string]float64{"generator 1": 3, "": 4} {
		r := build(t, Input{From: date("2026-01-01"), To: date("2026-01-31"), Records: recordsOfAll([]alert.Release{
			release(t, "a", "barn", unit, "2026-01-14T18:00:00Z", "2026-01-14T20:00:00Z", "acetone", 20),
			release(t, "b", "barn", unit, "2026-01-14T19:00:00Z", "2026-01-14T21:00:00Z", "acetone", 20)})})
		if !near(r.Total.Hours, want) || r.Total.Grams != 40 || strings.Contains(strings.Join(r.Notes, ""), "overlap by 1 h") != (unit != "") {
			t.Errorf("unit %q: %g h, %g g, %v", unit, r.Total.Hours, r.Total.Grams, r.Notes)
		}
	}
}

// "If no data are applicable for any given item in any month, enter zero":
// instructions of NOAA Form 17-4A.
func TestNoActivity(t *testing.T) {
	r := build(t, Input{Records: recordsOfAll(nil), Kind: Final, From: date("2026-01-10"), To: date("2026-03-05")})
	if !r.NoActivity() || len(r.Months) != 3 || r.Months[0].Whole || r.Months[0].From != "2026-01-10" || !r.Months[1].Whole || r.Months[2].To != "2026-03-05" || r.Total.Grams != 0 {
		t.Errorf("%+v", r.Months)
	}
	page, err := r.HTML()
	if err != nil {
		t.Fatal(err)
	}
	for _, text := range []string{"No activity: the record has no release from 2026-01-10 to 2026-03-05", "none in this period", "2026-02</td><td class=\"n\">0</td>", "Final report"} {
		if !bytes.Contains(page, []byte(text)) {
			t.Errorf("the page has no %q", text)
		}
	}
	for _, f := range r.CSV() {
		rows, err := csv.NewReader(bytes.NewReader(f.Bytes)).ReadAll()
		if err != nil || f.Name == "monthly.csv" && (len(rows) != 5 || rows[2][4] != "0" || rows[4][1] != "TOTAL") {
			t.Errorf("%s: %v %v", f.Name, err, rows)
		}
	}
}

func TestEdgesOfThePeriod(t *testing.T) {
	all := []alert.Release{release(t, "a", "barn", "g", "2026-01-31T22:00:00-07:00", "2026-02-01T04:00:00-07:00", "acetone", 60)}
	r := build(t, Input{Records: recordsOfAll(all), From: date("2026-02-01"), To: date("2026-02-28"), Written: moment(t, "2026-02-20T00:00:00Z")})
	if r.Total.Grams != 40 || r.Total.Hours != 4 || len(r.Log) != 1 || !r.Log[0].Part || !strings.Contains(strings.Join(r.Notes, ""), "The period was not over") {
		t.Errorf("%+v %v", r.Total, r.Notes)
	}
	for _, in := range []Input{{From: date("2026-02-01"), To: date("2026-01-31"), Kind: Interim}, {From: date("2000-01-01"), To: date("2026-01-01"), Kind: Interim}, {From: date("2026-01-01"), To: date("2026-01-01"), Kind: "x"}} {
		in.Programme, in.Records = larkspur(t), recordsOfAll(nil)
		if _, err := Build(in); err == nil {
			t.Errorf("%v: no error", in)
		}
	}
}

// Where days begin, by the rules of the IANA time zone database, read in its text:
// Denver changes at 2; Asunción skipped midnight on 6 October 2024 (0:00 to 1:00);
// Havana shows 0:00 to 1:00 twice on 1 November 2026; Apia had no 30 December 2011.
func TestStartOfDay(t *testing.T) {
	for _, test := range []struct {
		zone, day, want string
		hours           float64
	}{
		{"America/Denver", "2026-03-08", "2026-03-08T07:00:00Z", 23},
		{"America/Denver", "2026-11-01", "2026-11-01T06:00:00Z", 25},
		{"America/Denver", "2026-07-01", "2026-07-01T06:00:00Z", 24},
		{"America/Asuncion", "2024-10-06", "2024-10-06T04:00:00Z", 23},
		{"America/Havana", "2026-11-01", "2026-11-01T04:00:00Z", 25},
		{"America/Havana", "2026-03-08", "2026-03-08T05:00:00Z", 23},
		{"Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z", 0},
		{"Asia/Kathmandu", "2026-01-02", "2026-01-01T18:15:00Z", 24},
		{"UTC", "2026-01-02", "2026-01-02T00:00:00Z", 24},
	} {
		zone, err := time.LoadLocation(test.zone)
		if err != nil {
			t.Fatal(err)
		}
		d := date(test.day)
		day := daysBetween(d, d, zone)[0]
		if got := day.from.UTC().Format(time.RFC3339); got != test.want || day.length().Hours() != test.hours {
			t.Errorf("%s %s: %s, %g h, want %s, %g h", test.zone, test.day, got, day.length().Hours(), test.want, test.hours)
		}
	}
}

// Days of every kind of zone follow each other without gap or overlap, and every
// moment of a day has its date.
func TestDaysFollowEachOther(t *testing.T) {
	for _, name := range []string{"America/Denver", "America/Havana", "America/Asuncion", "America/Santiago", "Asia/Beirut", "Africa/Cairo", "Atlantic/Azores", "Australia/Lord_Howe", "Pacific/Apia", "Europe/Zurich", "America/Scoresbysund"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		from := date("2011-06-01")
		days := daysBetween(from, date("2026-12-31"), zone)
		for k, d := range days {
			want := from.AddDate(0, 0, k)
			if k > 0 && !d.from.Equal(days[k-1].to) || d.length() < 0 || d.length() > 26*time.Hour {
				t.Fatalf("%s %s: %v", name, want.Format(time.DateOnly), d)
			}
			for at := d.from; at.Before(d.to); at = at.Add(time.Hour) {
				if got := dateOf(at.In(zone)); !got.Equal(want) {
					t.Fatalf("%s: %s is on %s, not %s", name, at, got.Format(time.DateOnly), want.Format(time.DateOnly))
				}
			}
		}
	}
}

// Every field that nobody filled is named, one by one.
func TestMissing(t *testing.T) {
	all := append(season(t), release(t, "x", "gone", "", "2026-01-20T18:00:00Z", "2026-01-20T19:00:00Z", "propane", 5))
	bare := build(t, Input{Records: recordsOfAll(all), From: date("2026-01-01"), To: date("2026-12-31")})
	var list []string
	for _, m := range bare.Missing {
		list = append(list, m.What+" | "+m.Rule+" | "+m.Where)
	}
	said := strings.Join(list, "\n")
	for _, want := range []string{
		"NOAA file number (Form 17-4A) | 908.5(b), 908.8(a)(1) | operator's file: noaa_file_number",
		"operator: street address (Form 17-4 4(b)) | 908.4(a)(3)(ii) | operator's file: operator.street",
		"sponsor: name (Form 17-4 4(a))", "target area: location (Form 17-4 5) | 908.4(a)(5) | operator's file: target_area.location",
		"description of weather modification apparatus (Form 17-4 6)", "number of the licence or permit | state law | operator's file: licence",
		"reporting person: official title (Form 17-4A)", "type of weather treated | 908.8(b)",
		"make at Quill Hut: rack 1, no. 4; rack 1, no. 6; rack 2, no. 1 | 908.8(b) | operator's file: make in apparatus, site hut", "name and address of the person responsible at Third Bench Barn: generator 1",
		"designation of the unit at gone (lines of the log: 1) | 908.8(a)(1) | record: x", "location of gone, unit not named | 908.8(a)(1)(ii) | programme file: it has no site gone",
		"type of apparatus of gone, unit not named", "column of the purpose \"seeding\" (days: 8) | 908.5(b)(2)", "column of the agent \"propane\" (5 g) | 908.5(b)(4)",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("not named: %s", want)
		}
	}
	if f := bare.Total.Form; f.UnassignedDays != 8 || f.IncreasePrecipitationDays != 0 || !near(f.UnassignedG, 412.2) || f.SilverIodideG != 0 {
		t.Errorf("what is not assigned: %+v", f)
	}
	if notes := strings.Join(bare.Notes, "\n"); !strings.Contains(notes, "The columns of Form 17-4A are not complete") {
		t.Error(notes)
	}
	// Each blank field is blank on the page, and what is filled is not named.
	full := year(t)
	if len(full.Missing) != 1 || !strings.HasPrefix(full.Missing[0].What, "map of target") {
		t.Errorf("%+v", full.Missing)
	}
	page, err := bare.HTML()
	if err != nil {
		t.Fatal(err)
	}
	blanks := 0
	for _, f := range bare.Fields {
		if f.Value == "" {
			blanks++
		}
	}
	if got := bytes.Count(page, []byte(`class="blank"`)); got != blanks+1 {
		t.Errorf("%d blanks on the page, want %d", got, blanks+1)
	}
	// 0.3 by 0.2 degrees at 44.1 N: 0.3 * 111.19 * cos 44.1 * 0.2 * 111.19 = 532.8 km2
	// on a sphere of 6371 km, 205.7 square miles.
	if a := full.Targets[0]; math.Abs(a.AreaKM2-532.8) > 1 || math.Abs(a.AreaSqMi-205.7) > .4 {
		t.Errorf("%+v", a)
	}
}

// hostile texts pass the record (one printable line), and come from spreadsheets.
var hostile = []string{`=HYPERLINK("http://x.example","y")`, "+1+1", "-2+3", "@SUM(A1)", "|calc", `<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `a";=1+1;"b`, "＝1+1", "{{.Programme}}", "'=1", "]]>&amp;", "ünï – 雪"}

func TestHostileTexts(t *testing.T) {
	var all []alert.Release
	o := operator(t)
	for k, text := range hostile {
		r := release(t, fmt.Sprint("r", k), "hut", text, "2026-01-14T18:00:00Z", "2026-01-14T18:04:00Z", text, 1)
		r.Who, r.Purpose, r.ID = text, text, text
		all = append(all, r)
	}
	o.Operator.Name, o.NOAAFileNumber, o.Remarks = hostile[0], hostile[1], hostile[5]
	p := programmeOf(t, strings.Replace(string(read(t, "testdata/larkspur.yaml")), "Quill Hut", "'=cmd<script>'", 1))
	in := Input{Programme: p, Operator: o, Records: recordsOfAll(all), From: date("2026-01-01"), To: date("2026-01-31")}
	in.Records.Leave("=left", "<script>")
	r := build(t, in)
	if len(r.Log) != len(hostile) {
		t.Fatalf("%d lines, %v", len(r.Log), r.Left)
	}
	page, err := r.HTML()
	if err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "<img", "&amp;amp;amp;"} {
		if bytes.Contains(page, []byte(bad)) {
			t.Errorf("the page has %s", bad)
		}
	}
	if !bytes.Contains(page, []byte("&lt;script&gt;alert(1)")) || !bytes.Contains(page, []byte("雪")) || !bytes.Contains(page, []byte("{{.Programme}}")) {
		t.Error("texts are lost from the page")
	}
	checkCells(t, r)
	// A record written as CSV by the program is read again as it was.
	text, err := r.Execute("t", `{{range .Log}}{{csv .Agent}}{{"\n"}}{{end}}`)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil || len(rows) != len(hostile) {
		t.Fatalf("%v %q", err, rows)
	}
	var got []string
	for _, row := range rows {
		got = append(got, bare(row[0]))
	}
	slices.Sort(got)
	want := slices.Sorted(slices.Values(hostile))
	if !slices.Equal(got, want) {
		t.Errorf("%q\nwant\n%q", got, want)
	}
}

// checkCells: every file is a CSV with rows of one length, and no cell of text is a
// formula. Negative numbers are no formulas.
func checkCells(t testing.TB, r *Report) {
	t.Helper()
	for _, f := range r.CSV() {
		rows, err := csv.NewReader(bytes.NewReader(f.Bytes)).ReadAll() // refuses rows of other lengths
		if err != nil {
			t.Fatalf("%s: %v", f.Name, err)
		}
		for n, row := range rows {
			for k, c := range row {
				if risky(c) && rows[0][k] != "longitude_deg" && rows[0][k] != "latitude_deg" {
					t.Errorf("%s: line %d: %s: %q", f.Name, n+1, rows[0][k], c)
				}
			}
		}
	}
}

func TestTemplates(t *testing.T) {
	r := year(t)
	for text, want := range map[string]string{
		`{{.NoSuch}}`: "can't evaluate field NoSuch", `{{`: "unclosed action", `{{in .Written "Local"}}`: "is not an IANA time zone", `{{range 100000000}}{{printf "%100s" "x"}}{{end}}`: "writes more than",
		`{{define "a"}}{{template "a" .}}{{end}}{{template "a" .}}`: "exceeded maximum template depth",
	} {
		if _, err := r.Execute("t.tmpl", text); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "t.tmpl") {
			t.Errorf("%s: %v, want %s", text, err, want)
		}
	}
	if _, err := r.Execute("t.tmpl", strings.Repeat(" ", MaxTemplateBytes+1)); err == nil {
		t.Error("a template of any size is read")
	}
}

var update = flag.Bool("update", false, "write what the tests of unchanged output compare with")

// What this package wrote when it was last looked at; no evidence that it is right.
func TestReportUnchanged(t *testing.T) {
	r := year(t)
	files := r.CSV()
	page, err := r.HTML()
	if err != nil {
		t.Fatal(err)
	}
	filled, err := r.Execute("canton.txt.tmpl", string(read(t, "testdata/canton.txt.tmpl")))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range append(files, File{"report.html", page}, File{"canton.txt", filled}) {
		path := filepath.Join("testdata/unchanged", f.Name)
		if *update {
			if err := os.WriteFile(path, f.Bytes, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(read(t, path), f.Bytes) {
			t.Errorf("%s has changed; see what, then run with -update", f.Name)
		}
	}
}
