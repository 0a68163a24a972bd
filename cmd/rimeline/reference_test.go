package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest/testfiles"
)

// fileObject is what inspect prints of one file, as far as tests look at it.
type fileObject struct {
	File      string          `json:"file"`
	Kind      string          `json:"kind"`
	Messages  []messageObject `json:"messages"`
	Soundings []soundingObject
	Error     string `json:"error"`
	soundingObject
}

// reference is one row of the ecCodes tables: statistics of a message and five
// of its points.
type reference map[string]string

func (r reference) number(t *testing.T, column string) float64 {
	t.Helper()
	value, err := strconv.ParseFloat(r[column], 64)
	if err != nil {
		t.Fatalf("reference column %s: %v", column, err)
	}
	return value
}

func readReference(t *testing.T, path string) (rows []reference) {
	t.Helper()
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	reader.Comma, reader.FieldsPerRecord, reader.LazyQuotes = '\t', -1, true
	records, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, record := range records[1:] {
		row := reference{}
		for k, value := range record {
			row[records[0][k]] = value
		}
		rows = append(rows, row)
	}
	return rows
}

// Against the tables that ecCodes 2.28 made of the same files: count of
// messages, statistics, and the values and places of five points of each.
func TestInspectAndSampleAgainstReference(t *testing.T) {
	for _, table := range testfiles.Glob(t, "reference/*.grib2*.tsv") {
		name := strings.TrimSuffix(filepath.Base(table), ".tsv")
		t.Run(name, func(t *testing.T) {
			folder := "grib2"
			if strings.HasPrefix(name, "MRMS") {
				folder = "mrms"
			}
			path := testfiles.Path(t, folder+"/"+name)
			rows, unreadable := withoutErrors(readReference(t, table))
			inspected := rimeline(t, "inspect", "--json", path)
			objects := decoded[[]fileObject](t, inspected)
			if len(objects) != 1 || objects[0].Kind != "grib2" || objects[0].File != path {
				t.Fatalf("%d objects: %+v", len(objects), objects)
			}
			if len(rows) == 0 && unreadable > 0 {
				return // ecCodes does not read it at all: decoded or refused, but cleanly
			}
			truncated := strings.Contains(name, "truncated")
			if wantError := truncated; (objects[0].Error != "") != wantError || (inspected.status != statusFine) != wantError {
				t.Errorf("status %d, error %q", inspected.status, objects[0].Error)
			}
			if name == emptySection7 {
				standIn(t, rows)
			}
			messages := objects[0].Messages
			if len(messages) != len(rows) {
				t.Fatalf("%d messages, the reference has %d", len(messages), len(rows))
			}
			for k, row := range rows {
				compareStatistics(t, &messages[k], row)
			}
			samplePoints(t, path, name, rows)
		})
	}
}

// Four fields of this file have no groups and an empty section 7: constant
// fields, R at every point (WMO-No. 306, data template 7.3 and note to 5.2).
// ecCodes 2.28 unpacks the octets "77" of section 8 in place of the missing
// spatial differences (55 = '7', 14135 = '77') and makes a ramp of them. The
// same four fields in the simply packed twin of the file are the reference.
const emptySection7 = "eta211.20041208.t12z.f024.complex.grib2"

func standIn(t *testing.T, rows []reference) {
	t.Helper()
	twin := readReference(t, testfiles.Path(t, "reference/eta211.20041208.t12z.f024.simple.grib2.tsv"))
	for _, k := range []int{17, 45, 46, 63} {
		if rows[k]["min"] != "55.0" && rows[k]["min"] != "14135.0" {
			t.Errorf("message %d: the table no longer has the ramp", k+1)
		}
		rows[k] = twin[k]
	}
}

// withoutErrors leaves out the messages that ecCodes could not read.
func withoutErrors(rows []reference) (read []reference, unreadable int) {
	for _, row := range rows {
		if strings.HasPrefix(row["note"], "ERROR") {
			unreadable++
		} else {
			read = append(read, row)
		}
	}
	return read, unreadable
}

// near compares a value with a float64 of the reference; ours went through
// float32, the mean does not gain from that.
func near(got *float64, want float64) bool {
	return got != nil && math.Abs(*got-want) <= 1.2e-7*math.Abs(want)
}

func text(value *float64) string {
	if value == nil {
		return "null"
	}
	return fmt.Sprint(*value)
}

func compareStatistics(t *testing.T, m *messageObject, row reference) {
	t.Helper()
	where := fmt.Sprintf("message %s", row["msg"])
	if strconv.Itoa(m.Number) != row["msg"] {
		t.Errorf("%s: number %d", where, m.Number)
	}
	parameter := row["discipline"] + "." + row["category"] + "." + row["number"]
	if m.Parameter != parameter {
		t.Errorf("%s: parameter %s, want %s", where, m.Parameter, parameter)
	}
	if m.Missing == nil {
		t.Errorf("%s: %s", where, m.Error)
		return
	}
	if want := int(row.number(t, "missing")); *m.Missing != want {
		t.Errorf("%s: %d missing, want %d", where, *m.Missing, want)
	}
	if row["Ni"] != "" {
		if strconv.Itoa(m.NI) != row["Ni"] || strconv.Itoa(m.NJ) != row["Nj"] {
			t.Errorf("%s: %d x %d, want %s x %s", where, m.NI, m.NJ, row["Ni"], row["Nj"])
		}
	} else if m.NI != 0 || m.NJ != 0 {
		t.Errorf("%s: %d x %d of a grid without rows", where, m.NI, m.NJ)
	}
	if row["min"] == "" || row["min"] == "missing" {
		if m.Min != nil || m.Max != nil || m.Mean != nil {
			t.Errorf("%s: %s %s %s, want null", where, text(m.Min), text(m.Max), text(m.Mean))
		}
		return
	}
	low, high, mean := row.number(t, "min"), row.number(t, "max"), row.number(t, "average")
	if !near(m.Min, low) || !near(m.Max, high) {
		t.Errorf("%s: min %v max %v, want %v %v", where, text(m.Min), text(m.Max), low, high)
	}
	// Rounding to float32 moves each value, so the mean, by 6e-8 of the largest at most.
	if tolerance := 6e-8*math.Max(math.Abs(low), math.Abs(high)) + 1e-12*math.Abs(mean); m.Mean == nil || math.Abs(*m.Mean-mean) > tolerance {
		t.Errorf("%s: mean %v, want %v (tolerance %v)", where, text(m.Mean), mean, tolerance)
	}
}

// samplePoints runs sample at each reference point of the first message and
// compares every message that has its point at the same place.
func samplePoints(t *testing.T, path, name string, rows []reference) {
	t.Helper()
	points := []int{0, 1, 2, 3, 4}
	if rows[0].number(t, "npoints") > 5e6 {
		points = []int{0, 2, 4} // each costs a decode of the whole mosaic
	}
	for _, k := range points {
		lat, lon := fmt.Sprintf("lat%d", k), fmt.Sprintf("lon%d", k)
		if rows[0][lat] == "" {
			// A grid of which neither ecCodes nor we know the positions.
			samples := decoded[[]sampleObject](t, rimeline(t, "sample", path, "--at", "50,10"))
			for _, s := range samples {
				if s.Nearest != nil || s.Bilinear != nil {
					t.Errorf("message %d: a value on a grid without positions", s.Number)
				}
			}
			return
		}
		at := rows[0][lat] + "," + rows[0][lon]
		samples := decoded[[]sampleObject](t, rimeline(t, "sample", path, "--at", at))
		if len(samples) != len(rows) {
			t.Fatalf("%d samples, the reference has %d messages", len(samples), len(rows))
		}
		for n, row := range rows {
			if row[lat]+","+row[lon] != at {
				continue
			}
			s := &samples[n]
			if s.Nearest == nil || s.Nearest.Lat == nil {
				t.Errorf("message %d at %s: nothing (%s)", s.Number, at, s.Error)
				continue
			}
			place := grid.LatLon{LatitudeDeg: row.number(t, lat), LongitudeDeg: row.number(t, lon)}
			if math.Abs(*s.Nearest.Lat-place.LatitudeDeg) > 1e-4 || math.Abs(grid.NormalLongitudeDeg(*s.Nearest.Lon-place.LongitudeDeg)) > 1e-4 {
				t.Errorf("message %d at %s: nearest point at %v,%v", s.Number, at, *s.Nearest.Lat, *s.Nearest.Lon)
				continue
			}
			if strings.Contains(name, "alternate-scanning") && k != 0 {
				continue // its coordinates in the table are not verified
			}
			value := row[fmt.Sprintf("value%d", k)]
			if value == "missing" {
				if s.Nearest.Value != nil || s.Bilinear != nil {
					t.Errorf("message %d at %s: %v, want null", s.Number, at, text(s.Nearest.Value))
				}
			} else if want, err := strconv.ParseFloat(value, 64); err != nil || !near(s.Nearest.Value, want) {
				t.Errorf("message %d at %s: %v, want %s", s.Number, at, text(s.Nearest.Value), value)
			}
		}
	}
}
