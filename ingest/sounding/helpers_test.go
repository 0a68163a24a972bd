package sounding

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"rimeline/ingest"
)

// invented reads one of the invented example ascents that come with the project.
func invented(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "sounding", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

var inventedNames = []string{
	"larkmoor.temp.txt", "larkmoor.fsl.txt", "larkmoor.igra2.txt", "larkmoor.list.html",
	"larkmoor.csv", "larkmoor.json", "larkmoor.raw.txt", "larkmoor.buf",
}

// near compares with NaN equal to NaN.
func near(got, want, tolerance float64) bool {
	if math.IsNaN(got) || math.IsNaN(want) {
		return math.IsNaN(got) && math.IsNaN(want)
	}
	return math.Abs(got-want) <= tolerance
}

// formatErrors takes joined errors apart.
func formatErrors(t testing.TB, err error) []*ingest.FormatError {
	t.Helper()
	if err == nil {
		return nil
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []*ingest.FormatError
		for _, e := range joined.Unwrap() {
			all = append(all, formatErrors(t, e)...)
		}
		return all
	}
	var fe *ingest.FormatError
	if !errors.As(err, &fe) {
		return nil // the count of errors beyond the ceiling
	}
	return []*ingest.FormatError{fe}
}

// checkDecoded holds for every input, however damaged: every error has a place
// within the file, ceilings are kept, columns are sorted, nothing is infinite.
func checkDecoded(t testing.TB, b []byte, reports []Report, err error) {
	t.Helper()
	if err != nil && len(formatErrors(t, err)) == 0 {
		t.Fatalf("error without a place in the file: %v", err)
	}
	for _, fe := range formatErrors(t, err) {
		if fe.Offset < 0 || fe.Offset > int64(len(b)) || fe.Err == nil || fe.File == "" {
			t.Fatalf("place outside the file of %d bytes: %v", len(b), fe)
		}
	}
	if err == nil && len(reports) == 0 {
		t.Fatal("neither reports nor an error")
	}
	for _, r := range reports {
		if len(r.Levels) > MaxLevels {
			t.Fatalf("%d levels", len(r.Levels))
		}
		if r.Format == "" {
			t.Fatal("report without format")
		}
		for _, l := range r.Levels {
			for _, v := range []float64{l.PressurePa, l.GeopotentialHeightM, l.AirTemperatureK, l.DewPointK, l.WindFromDeg, l.WindSpeedMPerS, l.ElapsedS} {
				if math.IsInf(v, 0) {
					t.Fatalf("infinite value in %+v", l)
				}
			}
		}
		if math.IsNaN(r.Station.Place.LatitudeDeg) != math.IsNaN(r.Station.Place.LongitudeDeg) {
			t.Fatalf("half a place: %+v", r.Station.Place)
		}
		r.Validate()
		column := r.Column()
		for i := 1; i < len(column.Levels); i++ {
			a, b := column.Levels[i-1], column.Levels[i]
			if b.AltitudeM < a.AltitudeM {
				t.Fatalf("column not sorted: %g m above %g m", b.AltitudeM, a.AltitudeM)
			}
			if b.PressurePa == a.PressurePa && b.AltitudeM == a.AltitudeM {
				t.Fatalf("level twice in a column: %+v", b)
			}
		}
	}
}

func utc(year int, month time.Month, day, hour, minute int) time.Time {
	return time.Date(year, month, day, hour, minute, 0, 0, time.UTC)
}

// at finds the one level of a pressure (in hPa).
func at(t testing.TB, r Report, hPa float64, is Significance) Level {
	t.Helper()
	for _, l := range r.Levels {
		if math.Abs(l.PressurePa-hPa*100) < 0.5 && l.Significance&is == is {
			return l
		}
	}
	t.Fatalf("no level at %g hPa", hPa)
	return Level{}
}
