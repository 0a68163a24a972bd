package hydro

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
)

// golden reads a table of testdata by its headings.
func golden(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma, r.LazyQuotes = '\t', true
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func utc(t *testing.T, s string) time.Time {
	t.Helper()
	if s == "-" || s == "" {
		return time.Time{}
	}
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at.UTC()
}

func near(got, want float64) bool {
	return math.Abs(got-want) <= 1e-9*math.Max(1, math.Abs(want))
}

// one fails unless there is exactly one series.
func one(t *testing.T, all []Series, err error) Series {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 1 {
		t.Fatalf("%d series, want 1", len(all))
	}
	return all[0]
}

// refused checks that an error is a FormatError of a reason whose text has a
// word.
func refused(t *testing.T, err, reason error, word string) {
	t.Helper()
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || !errors.Is(err, reason) || !strings.Contains(err.Error(), word) {
		t.Errorf("error %v, want a FormatError %q with %q", err, reason, word)
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// hasNote says whether a list of remarks has one with a word.
func hasNote(notes []string, word string) bool {
	return strings.Contains(strings.Join(notes, "\n"), word)
}
