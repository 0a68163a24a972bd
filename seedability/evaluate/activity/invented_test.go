package activity

import (
	"os"
	"testing"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/programme"
)

// An invented programme; nobody here is real.

func larkspur(t testing.TB) *programme.Programme {
	t.Helper()
	return programmeOf(t, string(read(t, "testdata/larkspur.yaml")))
}

func programmeOf(t testing.TB, text string) *programme.Programme {
	t.Helper()
	p, err := programme.Parse("larkspur.yaml", []byte(text), nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func operator(t testing.TB) *Operator {
	t.Helper()
	o, err := ParseOperator("operator.yaml", read(t, "testdata/operator.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func moment(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func date(text string) time.Time {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		panic(err)
	}
	return t
}

func release(t testing.TB, id, site, unit, start, end, agent string, grams float64) alert.Release {
	t.Helper()
	r := alert.Release{ID: id, Who: "Ada Quist", Programme: "larkspur", Site: site, Unit: unit, Start: moment(t, start), End: moment(t, end), Agent: agent, Grams: grams, Purpose: "seeding"}
	r.At = r.End.Add(10 * time.Minute)
	return r
}

func correction(r alert.Release, id string, grams float64) alert.Release {
	r.Corrects, r.ID, r.Grams, r.At = r.ID, id, grams, r.At.Add(time.Hour)
	return r
}

// season is worked out by hand in TestTotalsByHand.
func season(t testing.TB) []alert.Release {
	const flare, acetone, generator = "contact, 16 g", "acetone", "generator 1"
	unlit := release(t, "b", "hut", "rack 1, no. 5", "2026-01-14T11:10:00-07:00", "2026-01-14T11:14:00-07:00", flare, 16)
	lit := release(t, "g", "hut", "rack 1, no. 6", "2026-02-20T10:00:00-07:00", "2026-02-20T10:04:00-07:00", flare, 16)
	test := release(t, "h", "hut", "rack 2, no. 1", "2026-03-08T12:00:00-06:00", "2026-03-08T12:04:00-06:00", flare, 16)
	test.Purpose = "test burn"
	return []alert.Release{
		release(t, "a", "hut", "rack 1, no. 4", "2026-01-14T11:00:00-07:00", "2026-01-14T11:04:00-07:00", flare, 16),
		unlit, correction(unlit, "c", 0),
		release(t, "d", "barn", generator, "2026-01-31T22:00:00-07:00", "2026-02-01T04:00:00-07:00", acetone, 60),
		lit, correction(lit, "k", 15.2),
		release(t, "e", "barn", generator, "2026-03-07T22:00:00-07:00", "2026-03-08T04:00:00-06:00", acetone, 50),
		test,
		release(t, "f", "barn", generator, "2026-11-01T00:00:00-06:00", "2026-11-02T00:00:00-07:00", acetone, 250),
	}
}

func recordsOfAll(all []alert.Release) *Records {
	r := NewRecords("larkspur")
	for _, one := range all {
		r.Add(one, one.ID)
	}
	r.Close()
	return r
}

func build(t testing.TB, in Input) *Report {
	t.Helper()
	if in.Programme == nil {
		in.Programme = larkspur(t)
	}
	if in.Kind == "" {
		in.Kind = Interim
	}
	if in.Written.IsZero() {
		in.Written = moment(t, "2027-01-10T18:00:00Z")
	}
	r, err := Build(in)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func year(t testing.TB) *Report {
	return build(t, Input{Operator: operator(t), Records: recordsOfAll(season(t)), From: date("2026-01-01"), To: date("2026-12-31")})
}
