package activity

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/seedability/alert"
)

func ids(r *Records) []string {
	var ids []string
	for _, one := range alert.InForce(r.Valid) {
		ids = append(ids, one.ID)
	}
	slices.Sort(ids)
	return ids
}

// What counts is what package alert would have let on the record, in whatever order
// the records come; without what they correct, corrections do not count.
func TestRecords(t *testing.T) {
	a := release(t, "a", "barn", "g", "2026-01-14T18:00:00Z", "2026-01-14T19:00:00Z", "acetone", 10)
	b, b2 := correction(a, "b", 12), correction(a, "b2", 13)
	c := correction(b, "c", 0)
	other := a
	other.Grams = 11
	foreign := a
	foreign.Programme, foreign.ID = "elsewhere", "f"
	broken := a
	broken.ID, broken.Grams = "n", -1
	orphan := correction(release(t, "lost", "barn", "g", "2026-01-15T18:00:00Z", "2026-01-15T19:00:00Z", "acetone", 10), "o", 5)
	x, y := a, a // correct each other
	x.ID, x.Corrects, y.ID, y.Corrects = "x", "y", "y", "x"
	for name, test := range map[string]struct {
		all  []alert.Release
		want []string
		left int
	}{
		"one":                    {[]alert.Release{a}, []string{"a"}, 0},
		"twice":                  {[]alert.Release{a, a}, []string{"a"}, 0},
		"corrected":              {[]alert.Release{a, b}, []string{"b"}, 0},
		"correction first":       {[]alert.Release{b, a}, []string{"b"}, 0},
		"a chain backwards":      {[]alert.Release{c, b, a}, nil, 0},
		"corrected twice":        {[]alert.Release{a, b, b2}, []string{"b"}, 1},
		"other values":           {[]alert.Release{a, other}, []string{"a"}, 1},
		"of another programme":   {[]alert.Release{a, foreign}, []string{"a"}, 1},
		"less than nothing":      {[]alert.Release{a, broken}, []string{"a"}, 1},
		"corrects what is lost":  {[]alert.Release{a, orphan}, []string{"a"}, 1},
		"correct each other":     {[]alert.Release{a, x, y}, []string{"a"}, 2},
		"zero without a purpose": {[]alert.Release{{}}, nil, 1},
	} {
		r := recordsOfAll(test.all)
		if got := ids(r); !slices.Equal(got, test.want) || r.LeftCount != test.left || len(r.Left) != test.left {
			t.Errorf("%s: %v, %d left out %v, want %v and %d", name, got, r.LeftCount, r.Left, test.want, test.left)
		}
	}
}

// asCSV is the layout of "rimeline release list --csv".
func asCSV(all []alert.Release) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"id", "recorded_utc", "who", "programme", "site", "unit", "start_utc", "end_utc", "agent", "grams", "purpose", "corrects", "corrected_by", "counts"})
	at := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	for _, r := range all {
		row := []string{r.ID, at(r.At), r.Who, r.Programme, r.Site, r.Unit, at(r.Start), at(r.End), r.Agent, strconv.FormatFloat(r.Grams, 'f', -1, 64), r.Purpose, r.Corrects, "", "true"}
		for k := range row {
			if guarded(row[k]) {
				row[k] = "'" + row[k]
			}
		}
		_ = w.Write(row)
	}
	w.Flush()
	return b.Bytes()
}

func asNDJSON(t testing.TB, all []alert.Release) []byte {
	var b bytes.Buffer
	for _, r := range all {
		line, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		b.Write(append(line, '\n'))
	}
	return b.Bytes()
}

// The same report, whatever file the records come from.
func TestFilesOfRecords(t *testing.T) {
	all := season(t)
	all[0].Who, all[0].Unit = "=1+1", "-2"
	want := recordsOfAll(all)
	for name, read := range map[string]func(*Records) error{
		"csv":      func(r *Records) error { return r.ReadCSV("r.csv", asCSV(all)) },
		"with bom": func(r *Records) error { return r.ReadCSV("r.csv", append([]byte("\ufeff"), asCSV(all)...)) },
		"ndjson":   func(r *Records) error { return r.ReadNDJSON("r.ndjson", asNDJSON(t, all)) },
	} {
		r := NewRecords("larkspur")
		if err := read(r); err != nil {
			t.Fatal(err)
		}
		r.Close()
		if len(r.Valid) != len(want.Valid) || r.LeftCount != 0 {
			t.Fatalf("%s: %d records, %v", name, len(r.Valid), r.Left)
		}
		for k := range r.Valid {
			if !same(r.Valid[k], want.Valid[k]) {
				t.Errorf("%s: %+v, want %+v", name, r.Valid[k], want.Valid[k])
			}
		}
	}
}

func TestBadFilesOfRecords(t *testing.T) {
	good := string(asCSV(season(t)[:1]))
	head, row, _ := strings.Cut(good, "\n")
	for text, want := range map[string]string{
		"": "no header", "a,b\n": `there is no column "a"`, head[3:] + "\n": "column id is missing", "id,id\n": "twice", "id\n": "column recorded_utc is missing", head + "\n\"x": "r.csv:",
	} {
		if err := NewRecords("larkspur").ReadCSV("r.csv", []byte(text)); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "r.csv") {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
	for line, want := range map[string]string{
		"a,b": "r.csv: line 2: has 2 columns, the header 14", strings.Replace(row, "2026-01-14T18:00:00Z", "noon", 1): `start_utc: "noon" is no time`, strings.Replace(row, ",16,", ",many,", 1): `grams: "many" is no number`,
		strings.Replace(row, ",16,", ",NaN,", 1): "outside the allowed range", strings.Replace(row, "larkspur", "other", 1): "the record is of the programme",
	} {
		r := NewRecords("larkspur")
		if err := r.ReadCSV("r.csv", []byte(head+"\n"+line)); err != nil || len(r.Left) != 1 || !strings.Contains(r.Left[0], want) {
			t.Errorf("%q: %v %v, want %s", line, err, r.Left, want)
		}
	}
	if err := NewRecords("larkspur").ReadNDJSON("r.ndjson", []byte("a\nb\n")); err == nil || !strings.Contains(err.Error(), "none of 2 lines") {
		t.Error(err)
	}
	r := NewRecords("larkspur")
	if err := r.ReadNDJSON("r.ndjson", append(asNDJSON(t, season(t)[:1]), `{"no":1}`+"\n"...)); err != nil || len(r.Valid) != 1 || len(r.Left) != 1 || !strings.Contains(r.Left[0], "r.ndjson: line 2") {
		t.Errorf("%v %v", err, r.Left)
	}
	for k := range 3 * maxLeft {
		r.Leave(fmt.Sprint(k), "x")
	}
	if len(r.Left) != maxLeft || r.LeftCount != 3*maxLeft+1 {
		t.Errorf("%d of %d are named", len(r.Left), r.LeftCount)
	}
}

// FuzzRecords: whatever a file holds, records are fit to count, and make a report
// whose tables are CSV without formulas.
func FuzzRecords(f *testing.F) {
	f.Add(asCSV(season(f)), true)
	f.Add(asNDJSON(f, season(f)), false)
	f.Add([]byte("id,recorded_utc,who,programme,site,unit,start_utc,end_utc,agent,grams,purpose,corrects\nx,2026-01-01T00:00:00Z,'=1,larkspur,,,2026-01-01T00:00:00Z,2026-01-02T00:00:00Z,+,1,@,\n"), true)
	p := larkspur(f)
	f.Fuzz(func(t *testing.T, b []byte, asTable bool) {
		r := NewRecords("larkspur")
		read := r.ReadNDJSON
		if asTable {
			read = r.ReadCSV
		}
		if err := read("fuzz", b); err != nil && !strings.Contains(err.Error(), "fuzz") {
			t.Fatalf("error without the file: %v", err)
		}
		r.Close()
		for k := range r.Valid {
			one := r.Valid[k]
			if one.Corrects != "" && one.Grams == 0 {
				one.Grams = 1
			}
			one.Corrects = ""
			if _, err := alert.CheckRelease(nil, one, "larkspur", []string{one.Site}, one.At); err != nil {
				t.Fatal(err)
			}
		}
		report := build(t, Input{Programme: p, Records: r, From: date("2026-01-01"), To: date("2026-12-31")})
		grams := 0.0
		for _, e := range report.Log {
			if e.Hours < 0 || e.Grams < 0 || e.Date < report.From || e.Date > report.To {
				t.Fatalf("%+v", e)
			}
			grams += e.Grams
		}
		if d := grams - report.Total.Grams; d > 1e-6*(1+grams) || d < -1e-6*(1+grams) {
			t.Fatalf("log %g g, total %g g", grams, report.Total.Grams)
		}
		checkCells(t, report)
		if _, err := report.HTML(); err != nil {
			t.Fatal(err)
		}
	})
}
