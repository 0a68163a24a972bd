package sounding

import (
	"bufio"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// goldenLevel is a row of testdata/levels.tsv, made with pandas (levels.py).
type goldenLevel struct {
	hPa, heightM, airTemperatureC, dewPointC, windFromDeg, windMPerS, omegaPaPerS float64
}

func goldenLevels(t *testing.T) map[string]map[int][]goldenLevel {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "levels.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	golden := map[string]map[int][]goldenLevel{}
	s := bufio.NewScanner(f)
	for s.Scan() {
		cells := strings.Split(s.Text(), "\t")
		if cells[0] == "file" {
			continue
		}
		var v [7]float64
		for i := range v {
			v[i] = math.NaN()
			if cells[3+i] != "-" {
				if v[i], err = strconv.ParseFloat(cells[3+i], 64); err != nil {
					t.Fatal(err)
				}
			}
		}
		report, err := strconv.Atoi(cells[1])
		if err != nil {
			t.Fatal(err)
		}
		if golden[cells[0]] == nil {
			golden[cells[0]] = map[int][]goldenLevel{}
		}
		golden[cells[0]][report] = append(golden[cells[0]][report], goldenLevel{v[0], v[1], v[2], v[3], v[4], v[5], v[6]})
	}
	return golden
}

// Every level of the real files against an independent reading of them. The
// table has seven figures.
func TestLevelsAgainstPandas(t *testing.T) {
	for name, byReport := range goldenLevels(t) {
		t.Run(name, func(t *testing.T) {
			b := testfiles.Read(t, name)
			reports, err := Decode(name, b)
			if err != nil && !errors.Is(err, ingest.ErrTruncated) {
				t.Fatal(err)
			}
			checkDecoded(t, b, reports, nil)
			for n, want := range byReport {
				if n >= len(reports) {
					t.Fatalf("%d reports, want one numbered %d", len(reports), n)
				}
				if len(reports[n].Levels) != len(want) {
					t.Fatalf("report %d: %d levels, want %d", n, len(reports[n].Levels), len(want))
				}
				for k, w := range want {
					l := reports[n].Levels[k]
					for _, v := range []struct {
						what            string
						got, want, half float64
					}{
						{"pressure", l.PressurePa, w.hPa * 100, 0.01},
						{"height", l.GeopotentialHeightM, w.heightM, 0.005},
						{"temperature", l.AirTemperatureK, w.airTemperatureC + 273.15, 1e-5},
						{"dew point", l.DewPointK, w.dewPointC + 273.15, 1e-5},
						{"wind direction", l.WindFromDeg, w.windFromDeg, 1e-5},
						{"wind speed", l.WindSpeedMPerS, w.windMPerS, 1e-5},
						{"omega", l.OmegaPaPerS, w.omegaPaPerS, 1e-6},
					} {
						if !near(v.got, v.want, v.half) {
							t.Errorf("report %d level %d (%g hPa) %s: got %g, want %g (pandas)", n, k, w.hPa, v.what, v.got, v.want)
						}
					}
				}
			}
		})
	}
}

// Station, time and count of every real file, read from the files by eye.
func TestHeadsOfRealFiles(t *testing.T) {
	nan := math.NaN()
	none := time.Time{}
	for _, test := range []struct {
		file                string
		format              Format
		reports, number     int // which report the rest is about
		identifier, wmo     string
		lat, lon, altitudeM float64
		time, release, run  time.Time
		levels              int
	}{
		{"sounding/fsl.SAEZ.2021010112.txt", FormatFSL, 1, 0, "SAEZ", "87576", -34.82, -58.53, 20, utc(2021, 1, 1, 12, 0), utc(2021, 1, 1, 11, 34), none, 24},
		{"sounding/igra2.USM00070026-data.txt.zip", FormatIGRA2, 2, 0, "USM00070026", "70026", 71.2889, -156.7833, nan, utc(2010, 6, 1, 0, 0), utc(2010, 5, 31, 23, 3), none, 158},
		{"sounding/igra2.USM00070026-data.txt.zip", FormatIGRA2, 2, 1, "USM00070026", "70026", 71.2889, -156.7833, nan, utc(2010, 6, 1, 12, 0), utc(2010, 6, 1, 11, 0), none, 157},
		{"sounding/wyoming.BOI.2010120912.list.html", FormatList, 1, 0, "BOI", "72681", 43.56, -116.21, 874, utc(2010, 12, 9, 12, 0), none, none, 134},
		{"sounding/wyoming.OUN.1999050400.list.html", FormatList, 1, 0, "OUN", "72357", 35.18, -97.44, 345, utc(1999, 5, 4, 0, 0), none, none, 32},
		{"sounding/wyoming.72349.1976030400.list.html", FormatList, 1, 0, "72349", "72349", 36.88, -93.90, 438, utc(1976, 3, 4, 0, 0), none, none, 55},
		{"sounding/wyoming.82244.2012010100.list.html", FormatList, 1, 0, "82244", "82244", nan, nan, nan, utc(2012, 1, 1, 0, 0), none, none, 69},
		{"sounding/wyoming.BOI.2010120912.csv", FormatCSV, 1, 0, "", "", 43.56, -116.21, nan, utc(2010, 12, 9, 11, 6), utc(2010, 12, 9, 11, 6), none, 132},
		{"sounding/wyoming.OUN.1999050400.csv", FormatCSV, 1, 0, "", "", 35.18, -97.44, nan, utc(1999, 5, 3, 23, 2), utc(1999, 5, 3, 23, 2), none, 31},
		{"sounding/iem.BOI.2010120912.json", FormatJSON, 1, 0, "KBOI", "", nan, nan, nan, utc(2010, 12, 9, 12, 0), none, none, 132},
		{"sounding/iem.OUN.2011041418.nan.json", FormatJSON, 1, 0, "KOUN", "", nan, nan, nan, utc(2011, 4, 14, 18, 0), none, none, 83},
		{"sounding/iem.all.1999050400.json", FormatJSON, 117, 0, "CWPL", "", nan, nan, nan, utc(1999, 5, 4, 0, 0), none, none, 106},
		{"sounding/spc.BNA.2014072800.txt", FormatRaw, 1, 0, "BNA", "", 36.25, -86.56, nan, utc(2014, 7, 28, 0, 0), none, none, 87},
		{"bufkit/2017040100Z_nam_kmso.buf", FormatBUFKIT, 85, 84, "KMSO", "72773", 46.87, -114.16, 1335, utc(2017, 4, 4, 12, 0), none, utc(2017, 4, 1, 0, 0), 60},
		{"bufkit/2017040106Z_gfs3_kmso.buf", FormatBUFKIT, 61, 1, "727730", "72773", 46.92, -114.08, 972, utc(2017, 4, 1, 9, 0), none, utc(2017, 4, 1, 6, 0), 64},
		{"sounding/temp.KJAN.2006092212.txt", FormatTEMP, 1, 0, "72235", "72235", nan, nan, nan, none, none, none, 60},
		{"sounding/temp.83779.day23-12Z.txt", FormatTEMP, 1, 0, "83779", "83779", nan, nan, nan, none, none, none, 84},
	} {
		t.Run(test.file+"#"+strconv.Itoa(test.number), func(t *testing.T) {
			b := testfiles.Read(t, test.file)
			if got := Sniff(b); got != test.format {
				t.Errorf("Sniff: %s, want %s", got, test.format)
			}
			reports, _ := Decode(test.file, b)
			if len(reports) != test.reports {
				t.Fatalf("%d reports, want %d", len(reports), test.reports)
			}
			r := reports[test.number]
			if r.Format != test.format || r.Station.Identifier != test.identifier || r.Station.WMONumber != test.wmo {
				t.Errorf("format %s, identifier %q, WMO number %q", r.Format, r.Station.Identifier, r.Station.WMONumber)
			}
			if !near(r.Station.Place.LatitudeDeg, test.lat, 1e-9) || !near(r.Station.Place.LongitudeDeg, test.lon, 1e-9) || !near(r.Station.AltitudeM, test.altitudeM, 0) {
				t.Errorf("place %+v, altitude %g", r.Station.Place, r.Station.AltitudeM)
			}
			if !r.Time.Equal(test.time) || !r.ReleaseTime.Equal(test.release) || !r.RunTime.Equal(test.run) {
				t.Errorf("time %v, release %v, run %v", r.Time, r.ReleaseTime, r.RunTime)
			}
			if len(r.Levels) != test.levels {
				t.Errorf("%d levels, want %d", len(r.Levels), test.levels)
			}
		})
	}
}

// Every value of the big JSON file against encoding/json, which needs the bare
// NaN made null first.
func TestJSONAgainstStandardLibrary(t *testing.T) {
	for _, name := range []string{"sounding/iem.all.1999050400.json", "sounding/iem.BOI.2010120912.json"} {
		b := testfiles.Read(t, name)
		var want struct {
			Profiles []struct {
				Station string
				Valid   time.Time
				Profile []struct{ Pres, Hght, Tmpc, Dwpc, Drct, Sknt *float64 }
			}
		}
		if err := json.Unmarshal(regexp.MustCompile(`\bNaN\b`).ReplaceAll(b, []byte("null")), &want); err != nil {
			t.Fatal(err)
		}
		reports, err := DecodeJSON(name, b)
		if err != nil {
			t.Fatal(err)
		}
		if len(reports) != len(want.Profiles) {
			t.Fatalf("%d reports, want %d", len(reports), len(want.Profiles))
		}
		value := func(p *float64) float64 {
			if p == nil {
				return math.NaN()
			}
			return *p
		}
		count := 0
		for i, w := range want.Profiles {
			r := reports[i]
			if r.Station.Identifier != w.Station || !r.Time.Equal(w.Valid) || len(r.Levels) != len(w.Profile) {
				t.Fatalf("profile %d: %s %v with %d levels, want %s %v with %d", i, r.Station.Identifier, r.Time, len(r.Levels), w.Station, w.Valid, len(w.Profile))
			}
			for k, wl := range w.Profile {
				l := r.Levels[k]
				if !near(l.PressurePa, value(wl.Pres)*100, 0) || !near(l.GeopotentialHeightM, value(wl.Hght), 0) ||
					!near(l.AirTemperatureK, value(wl.Tmpc)+273.15, 0) || !near(l.DewPointK, value(wl.Dwpc)+273.15, 0) ||
					!near(l.WindFromDeg, value(wl.Drct), 0) || !near(l.WindSpeedMPerS, value(wl.Sknt)*1852/3600, 1e-12) {
					t.Errorf("profile %d level %d: %+v, want %+v", i, k, l, wl)
				}
				count++
			}
		}
		t.Logf("%s: %d levels compared", name, count)
	}
}

// One flight in several decodings, level by level. The three services decode
// the same bulletins on their own, and fill in on their own what a level lacks.
func TestSameFlightInSeveralDecodings(t *testing.T) {
	knot := 1852.0 / 3600
	for _, test := range []struct {
		one, two            string
		least               int // levels at a common pressure
		heightM, windMPerS  float64
		directionDeg, tempK float64
		source              string
	}{
		// Speeds: whole knots against tenths of m/s. The level at 15240 m is given
		// as 115.0 and as 114.9 hPa, so that one at 15237 m stands against it.
		{"sounding/wyoming.BOI.2010120912.list.html", "sounding/wyoming.BOI.2010120912.csv", 128, 3, knot/2 + 0.05, 0, 0.101, "rounding"},
		{"sounding/wyoming.OUN.1999050400.list.html", "sounding/wyoming.OUN.1999050400.csv", 25, 0, knot/2 + 0.05, 0, 0.101, "rounding"},
		// Another service: heights integrated anew (0.1 % at 23 km), winds turned
		// from m/s to knots and back, differing by one knot, or by the 5 degrees
		// of the code.
		{"sounding/wyoming.BOI.2010120912.list.html", "sounding/iem.BOI.2010120912.json", 110, 25, knot + 1e-9, 5, 0.101, "two services"},
	} {
		t.Run(test.two, func(t *testing.T) {
			one, err1 := Decode(test.one, testfiles.Read(t, test.one))
			two, err2 := Decode(test.two, testfiles.Read(t, test.two))
			if err1 != nil || err2 != nil {
				t.Fatal(err1, err2)
			}
			common, temperatures, winds := 0, 0, 0
			used := map[int]bool{}
			for _, a := range one[0].Levels {
				// Where several levels have one pressure, the nearest in height.
				nearest := -1
				for k, b := range two[0].Levels {
					if !used[k] && near(a.PressurePa, b.PressurePa, 0.5) && (nearest < 0 ||
						math.Abs(b.GeopotentialHeightM-a.GeopotentialHeightM) < math.Abs(two[0].Levels[nearest].GeopotentialHeightM-a.GeopotentialHeightM)) {
						nearest = k
					}
				}
				if nearest >= 0 {
					b := two[0].Levels[nearest]
					used[nearest] = true
					common++
					if math.Abs(a.GeopotentialHeightM-b.GeopotentialHeightM) > test.heightM {
						t.Errorf("%g hPa: height %g and %g (%s)", a.PressurePa/100, a.GeopotentialHeightM, b.GeopotentialHeightM, test.source)
					}
					if d := math.Abs(a.AirTemperatureK - b.AirTemperatureK); d > test.tempK {
						t.Errorf("%g hPa: temperature %g and %g (%s)", a.PressurePa/100, a.AirTemperatureK, b.AirTemperatureK, test.source)
					} else if d >= 0 {
						temperatures++
					}
					if d := math.Abs(a.DewPointK - b.DewPointK); d > test.tempK {
						t.Errorf("%g hPa: dew point %g and %g (%s)", a.PressurePa/100, a.DewPointK, b.DewPointK, test.source)
					}
					if d := math.Abs(a.WindSpeedMPerS - b.WindSpeedMPerS); d > test.windMPerS {
						t.Errorf("%g hPa: wind speed %g and %g (%s)", a.PressurePa/100, a.WindSpeedMPerS, b.WindSpeedMPerS, test.source)
					} else if d >= 0 {
						winds++
					}
					if math.Abs(math.Remainder(a.WindFromDeg-b.WindFromDeg, 360)) > test.directionDeg {
						t.Errorf("%g hPa: wind from %g and %g (%s)", a.PressurePa/100, a.WindFromDeg, b.WindFromDeg, test.source)
					}
				}
			}
			t.Logf("%d common levels, %d temperatures, %d winds compared", common, temperatures, winds)
			if common < test.least || temperatures < test.least/3 || winds < test.least/3 {
				t.Errorf("%d common levels, want at least %d", common, test.least)
			}
		})
	}
}

// The invented ascent is the same in every form. FSL, list, JSON and raw text
// keep all of it; the others round as said.
func TestInventedFlightInEveryForm(t *testing.T) {
	reference, err := Decode("larkmoor.raw.txt", invented(t, "larkmoor.raw.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range inventedNames {
		heightM, windMPerS := 0.0, 1e-9
		switch name {
		case "larkmoor.temp.txt":
			heightM = 5 // tens of metres from 500 hPa up
		case "larkmoor.csv", "larkmoor.igra2.txt":
			windMPerS = 0.05 // tenths of m/s
		}
		reports, err := DecodeAt(name, invented(t, name), utc(2021, 1, 20, 0, 0))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		r := reports[0]
		if want := utc(2021, 1, 14, 12, 0); !r.Time.Equal(want) && name != "larkmoor.csv" {
			t.Errorf("%s: time %v, want %v", name, r.Time, want)
		}
		switch r.Format {
		case FormatTEMP, FormatFSL, FormatIGRA2, FormatCSV:
			if want := utc(2021, 1, 14, 11, 6); !r.ReleaseTime.Equal(want) {
				t.Errorf("%s: release %v, want %v", name, r.ReleaseTime, want)
			}
		}
		if len(r.Notes) > 0 {
			t.Errorf("%s: notes %q on a clean ascent", name, r.Notes)
		}
		matched := 0
		for _, want := range reference[0].Levels {
			if want.Significance&Extrapolated != 0 {
				continue
			}
			for _, l := range r.Levels {
				if !near(l.PressurePa, want.PressurePa, 0.5) || l.Significance&Extrapolated != 0 {
					continue
				}
				matched++
				if !near(l.AirTemperatureK, want.AirTemperatureK, 1e-9) || !near(l.DewPointK, want.DewPointK, 1e-9) ||
					!near(l.WindFromDeg, want.WindFromDeg, 0) || !near(l.WindSpeedMPerS, want.WindSpeedMPerS, windMPerS) {
					t.Errorf("%s: %+v, want %+v", name, l, want)
				}
				if !math.IsNaN(l.GeopotentialHeightM) && !near(l.GeopotentialHeightM, want.GeopotentialHeightM, heightM) {
					t.Errorf("%s: height %g, want %g", name, l.GeopotentialHeightM, want.GeopotentialHeightM)
				}
			}
		}
		if matched != 17 {
			t.Errorf("%s: %d levels matched, want 17", name, matched)
		}
		// As a column: heights of the significant levels of the TEMP come from
		// the hydrostatic equation, against those that the others report.
		column := r.Column()
		for _, l := range column.Levels {
			for _, want := range reference[0].Levels {
				if l.PressurePa == want.PressurePa && !near(l.AltitudeM, want.GeopotentialHeightM, 6) {
					t.Errorf("%s: column altitude %g m at %g Pa, want %g", name, l.AltitudeM, l.PressurePa, want.GeopotentialHeightM)
				}
			}
		}
		if r.Format != FormatCSV && !near(column.SurfaceAltitudeM, 1640, 1) {
			t.Errorf("%s: surface at %g m, want 1640", name, column.SurfaceAltitudeM)
		}
	}
}
