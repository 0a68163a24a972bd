package hydro

import (
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
)

// The percentages of average snow water equivalent of Colorado's rule on weather
// modification (2 CCR 401-1, rule 17) at which seeding is suspended: 175 on
// 1 December and 1 January, 160 on 1 February, 150 on 1 March, 140 on 1 April,
// straight between.
const permitCSV = "date,percent\n12-01,175\n01-01,175\n02-01,160\n03-01,150\n04-01,140\n"

var permitMapping = CurveMapping{Date: "date", Value: "percent", Quantity: SWEPercentOfNormal, Unit: "%", Season: true}

func TestCurve(t *testing.T) {
	c, err := DecodeCurve("f", []byte(permitCSV), permitMapping)
	if err != nil {
		t.Fatal(err)
	}
	denver, _ := time.LoadLocation("America/Denver")
	day := func(y int, m time.Month, d, h int) time.Time { return time.Date(y, m, d, h, 0, 0, 0, time.UTC) }
	nan := math.NaN()
	for _, test := range []struct {
		at     time.Time
		want   float64
		source string
	}{
		{day(2026, 1, 16, 0), 175 - 15*15.0/31, "by hand: half a month into January, 167.74"},
		{day(2025, 12, 1, 0), 175, "the rule"},
		{day(2025, 12, 20, 7), 175, "the rule: 175 to 175"},
		{day(2026, 2, 1, 0), 160, "the rule"},
		{day(2026, 2, 15, 12), 160 - 10*14.5/28, "by hand: February of 28 days"},
		{day(2024, 2, 15, 12), 160 - 10*14.5/29, "by hand: February of 29 days"},
		{day(2024, 2, 29, 0), 160 - 10*28.0/29, "by hand: the leap day"},
		{day(2026, 4, 1, 0), 140, "the rule"},
		{day(2026, 4, 1, 23), 140, "the day of the last knot itself"},
		{day(2026, 4, 2, 0), nan, "outside the season"},
		{day(2026, 11, 30, 23), nan, "outside the season"},
		{time.Date(2026, 1, 31, 23, 0, 0, 0, denver), 175 - 15*(30+23.0/24)/31, "by hand: by the local calendar, though it is February in UTC"},
	} {
		got := c.At(test.at)
		if math.IsNaN(got) != math.IsNaN(test.want) || !math.IsNaN(got) && math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%s: got %.4f, want %.4f (%s)", test.at, got, test.want, test.source)
		}
	}
	// A rule curve closes over the turn of the year.
	rule, err := NewCurve("rule", ReservoirStorage, []Knot{{time.February, 1, 100}, {time.December, 1, 40}}, false)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := rule.At(day(2026, 1, 1, 0)), 40+60*31.0/62; math.Abs(got-want) > 1e-9 {
		t.Errorf("1 January: got %g, want %g (31 of the 62 days from 1 December)", got, want)
	}
	if got, want := rule.At(day(2025, 12, 31, 0)), 40+60*30.0/62; math.Abs(got-want) > 1e-9 {
		t.Errorf("31 December: got %g, want %g", got, want)
	}
	// A value for 29 February itself.
	leap, _ := NewCurve("leap", SWE, []Knot{{time.February, 28, 10}, {time.February, 29, 20}, {time.March, 1, 12}}, true)
	if got := leap.At(day(2024, 2, 29, 0)); got != 20 {
		t.Errorf("29 February 2024: %g, want 20", got)
	}
	if got := leap.At(day(2026, 2, 28, 12)); got != 11 {
		t.Errorf("28 February 2026, noon: %g, want 11, halfway to 1 March", got)
	}
	only, _ := NewCurve("only", SWE, []Knot{{time.February, 1, 0}, {time.February, 29, 28}, {time.April, 1, 0}}, true)
	if got := only.At(day(2026, 3, 1, 0)); got != 28 {
		t.Errorf("1 March 2026: %g, want the value of 29 February", got)
	}
	flat, _ := NewCurve("flat", SWE, []Knot{{time.April, 1, 7}}, false)
	if got := flat.At(day(2026, 10, 1, 0)); got != 7 {
		t.Errorf("one knot: %g", got)
	}
}

// Station normals of a Gunnison-basin permit: 14.4 in on 1 January and 15.7 in
// on 1 April, suspended at 25.2 in and 21.98 in (175 and 140 %).
func TestPercentOfNormal(t *testing.T) {
	median, err := DecodeCurve("f", []byte("day;in\n1 Jan;14,4\n1 Apr;15,7\n"), CurveMapping{Delimiter: ";", DecimalComma: true, Date: "day", Value: "in", Quantity: SWE, Unit: "in", Season: true})
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		inches float64
		at     time.Time
		want   float64
	}{{25.2, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), 175}, {21.98, time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC), 140}} {
		if got := PercentOfNormal(test.inches*25.4, median, test.at); math.Abs(got-test.want) > 1e-9 {
			t.Errorf("%g in: %g %%, want %g", test.inches, got, test.want)
		}
	}
	none, _ := NewCurve("none", SWE, []Knot{{time.October, 1, 0}, {time.November, 1, 0}}, true)
	if got := PercentOfNormal(10, none, time.Date(2026, 10, 5, 0, 0, 0, 0, time.UTC)); !math.IsNaN(got) {
		t.Errorf("percent of nothing is %g", got)
	}
}

func TestCurveRefuses(t *testing.T) {
	for _, test := range []struct {
		old, new string
		reason   error
		word     string
	}{
		{"02-01", "02-30", ingest.ErrCorrupt, "no day of a year"},
		{"02-01", "13-01", ingest.ErrCorrupt, "no day of a year"},
		{"02-01", "01-01", ingest.ErrCorrupt, "stands twice"},
		{"02-01", "06-01", ingest.ErrCorrupt, "out of order"},
		{"160", "much", ingest.ErrCorrupt, "no number"},
		{"date,", "day,", ingest.ErrUnsupported, "no column"},
		{"02-01,160", "02-01", ingest.ErrCorrupt, "too few"},
	} {
		_, err := DecodeCurve("f", []byte(strings.Replace(permitCSV, test.old, test.new, 1)), permitMapping)
		refused(t, err, test.reason, test.word)
	}
	m := permitMapping
	m.Unit = "in"
	_, err := DecodeCurve("f", []byte(permitCSV), m)
	refused(t, err, ingest.ErrUnsupported, `"in" is no unit of swe_percent_of_normal`)
	for _, text := range []string{"12-01", "12/1", "Dec 1", "1 Dec", "1 December", "2025-12-01", "December-1"} {
		if m, d, ok := monthDay(text); !ok || m != 12 || d != 1 {
			t.Errorf("%q: %v %d %v", text, m, d, ok)
		}
	}
	if c, err := DecodeCurve("f", []byte(strings.Replace(permitCSV, "160", "", 1)), permitMapping); err != nil || len(c.Knots) != 4 {
		t.Errorf("a day without a value: %+v, %v", c, err)
	}
}
