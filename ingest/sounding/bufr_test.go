package sounding

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/testfiles"
)

// inProcess decodes without a child: the tests' messages are sound.
type inProcess struct{}

func (inProcess) DecodeBUFR(_ context.Context, message []byte) (bufr.Decoded, error) {
	decoded, err := lib.DecodeBUFR(message, 0)
	decoded.MarkReplications()
	return decoded, err
}

// Every level of every file against the tables that ecCodes' own Python
// interface, 2.28.0, made of them. What this checks is not the unpacking, which
// is the same library's, but which value belongs to which level and what it
// means.
func TestBUFRAgainstReferenceTables(t *testing.T) {
	for _, path := range testfiles.Glob(t, "bufr/*.bufr") {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			reports, err := DecodeBUFR(t.Context(), name, testfiles.Read(t, "bufr/"+name), inProcess{})
			if err != nil {
				t.Fatal(err)
			}
			rows := strings.Split(strings.TrimRight(string(testfiles.Read(t, "reference/others/"+name+".levels.tsv")), "\r\n"), "\n")
			column := map[string]int{}
			for i, title := range strings.Split(rows[0], "\t") {
				column[title] = i
			}
			report, level, message := -1, 0, ""
			for n, row := range rows[1:] {
				cells := strings.Split(row, "\t")
				text := func(title string) string { return cells[column[title]] }
				if id := text("msg") + "/" + text("subset"); id != message {
					if report >= 0 && level != len(reports[report].Levels) {
						t.Errorf("message %s: %d levels, want %d", message, len(reports[report].Levels), level)
					}
					message, level = id, 0
					if report++; report >= len(reports) {
						t.Fatalf("%d reports, and there is message %s", len(reports), id)
					}
				}
				r := reports[report]
				if level >= len(r.Levels) {
					t.Fatalf("message %s: %d levels, more in the table", message, len(r.Levels))
				}
				l := r.Levels[level]
				level++
				if r.Station.WMONumber != text("wmo") || r.Time.Format("2006-01-02T15:04") != text("time") {
					t.Errorf("row %d: station %s at %v, want %s at %s", n+2, r.Station.WMONumber, r.Time, text("wmo"), text("time"))
				}
				for title, got := range map[string]float64{
					"latitude": r.Station.Place.LatitudeDeg, "longitude": r.Station.Place.LongitudeDeg,
					"pressure_Pa": l.PressurePa, "height_gpm": l.GeopotentialHeightM,
					"temperature_K": l.AirTemperatureK, "dewpoint_K": l.DewPointK,
					"wind_dir_deg": l.WindFromDeg, "wind_speed_mps": l.WindSpeedMPerS,
					"lat_disp": l.LatitudeDisplacementDeg, "lon_disp": l.LongitudeDisplacementDeg, "time_s": l.ElapsedS,
				} {
					want := math.NaN()
					if s := text(title); s != "" {
						want, _ = strconv.ParseFloat(s, 64)
					}
					tolerance := 1e-9 // the table has all digits,
					if title == "height_gpm" {
						tolerance = 0.05 + 1e-9 // here one decimal
					}
					if !(math.Abs(got-want) <= tolerance) && !(math.IsNaN(got) && math.IsNaN(want)) {
						t.Errorf("row %d, %s: got %v, want %v", n+2, title, got, want)
					}
				}
				// The table's flags are the message's own.
				raw, _ := strconv.ParseFloat(text("significance"), 64)
				want := flagsOf(raw, 7, flags7Bits[:])
				if !math.IsNaN(l.LatitudeDisplacementDeg) || raw > 127 || strings.Contains(name, "3090") {
					want = flagsOf(raw, 18, flags18Bits[:])
				}
				if got := l.Significance &^ Extrapolated; got != want {
					t.Errorf("row %d: significance %b, want %b", n+2, got, want)
				}
			}
			if report+1 != len(reports) || level != len(reports[report].Levels) {
				t.Errorf("%d reports, want %d; the last has %d levels, want %d", len(reports), report+1, len(reports[report].Levels), level)
			}
		})
	}
}

// What stands in the headers of the files, read with bufr_dump -p of ecCodes
// 2.28.0.
func TestBUFRHeaders(t *testing.T) {
	for _, test := range []struct {
		file      string
		report    int
		station   Station
		time      time.Time
		release   bool
		altitudeM float64
		notes     string
	}{
		{file: "temp_hires.10954.20250223.t1045z.309057.bufr",
			station: Station{Identifier: "10954", WMONumber: "10954", WIGOS: "0-20001-0-10954"},
			time:    time.Date(2025, 2, 23, 10, 45, 4, 0, time.UTC), release: true, altitudeM: 760},
		{file: "IUSD40_OKLI.11520.20071120.309052.bufr",
			station: Station{Identifier: "11520", WMONumber: "11520"},
			time:    time.Date(2007, 11, 20, 17, 30, 0, 0, time.UTC), release: true, altitudeM: 304},
		{file: "IUSK73_AMMC.94461.20160218.309052.bufr",
			station: Station{Identifier: "94461", WMONumber: "94461"},
			time:    time.Date(2016, 2, 18, 23, 17, 44, 0, time.UTC), release: true, altitudeM: 599},
		{file: "temp_small.20081208.t12z.bufr",
			station: Station{Identifier: "71907", WMONumber: "71907"},
			time:    time.Date(2008, 12, 8, 12, 0, 0, 0, time.UTC), altitudeM: 26},
	} {
		reports, err := DecodeBUFR(t.Context(), test.file, testfiles.Read(t, "bufr/"+test.file), inProcess{})
		if err != nil {
			t.Fatal(err)
		}
		r := reports[test.report]
		if r.Station.Identifier != test.station.Identifier || r.Station.WMONumber != test.station.WMONumber || r.Station.WIGOS != test.station.WIGOS {
			t.Errorf("%s: station %+v, want %+v", test.file, r.Station, test.station)
		}
		if !r.Time.Equal(test.time) || r.ReleaseTime.IsZero() == test.release {
			t.Errorf("%s: time %v, release %v, want %v", test.file, r.Time, r.ReleaseTime, test.time)
		}
		if r.Station.AltitudeM != test.altitudeM {
			t.Errorf("%s: altitude %v m, want %v", test.file, r.Station.AltitudeM, test.altitudeM)
		}
	}
}

// Altenstadt lies at 760 m, so its 1000 hPa level is computed.
func TestBUFRBelowGround(t *testing.T) {
	name := "temp_hires.10954.20250223.t1045z.309057.bufr"
	reports, err := DecodeBUFR(t.Context(), name, testfiles.Read(t, "bufr/"+name), inProcess{})
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range reports[0].Levels {
		if below := l.PressurePa == 100000; (l.Significance&Extrapolated != 0) != below {
			t.Errorf("level %d at %v Pa: significance %b", i+1, l.PressurePa, l.Significance)
		}
	}
}

// Four dew points of temp_small carry 40 % confidence, all other values 60 and
// more (bufr_dump -p of ecCodes 2.28.0).
func TestBUFRQualityInformation(t *testing.T) {
	name := "temp_small.20081208.t12z.bufr"
	reports, err := DecodeBUFR(t.Context(), name, testfiles.Read(t, "bufr/"+name), inProcess{})
	if err != nil {
		t.Fatal(err)
	}
	doubted := 0
	for _, r := range reports {
		for _, l := range r.Levels {
			if l.Suspect&SuspectDewPoint != 0 {
				doubted++
			}
		}
	}
	if doubted != 4 {
		t.Errorf("%d dew points are suspect, want 4", doubted)
	}
}

// A damaged message among good ones costs only itself, and says where it is.
func TestBUFRDamagedAmongGood(t *testing.T) {
	name := "IUSD40_OKLI.11520.20071120.309052.bufr"
	b := append([]byte(nil), testfiles.Read(t, "bufr/"+name)...)
	second := strings.Index(string(b[100:]), "BUFR") + 100
	b[second+4]++ // first octet of the length
	reports, err := DecodeBUFR(t.Context(), name, b, inProcess{})
	var placed *ingest.FormatError
	if !errors.As(err, &placed) || placed.Message != 2 || placed.Offset != int64(second+4) || !errors.Is(err, ingest.ErrTruncated) {
		t.Errorf("got %v, want message 2 truncated at byte %d", err, second+4)
	}
	if len(reports) != 3 {
		t.Errorf("%d reports, want 3", len(reports))
	}
}

// Errors of the decoder are placed in the file.
func TestBUFRDecoderErrors(t *testing.T) {
	name := "IUSD40_OKLI.11520.20071120.309052.bufr"
	b := testfiles.Read(t, "bufr/"+name)
	first := strings.Index(string(b), "BUFR")
	_, err := DecodeBUFR(t.Context(), name, b, failing{&ingest.FormatError{Offset: 7, Detail: "why", Err: ingest.ErrDecoderDied}})
	var placed *ingest.FormatError
	if !errors.As(err, &placed) || placed.File != name || placed.Message != 1 || placed.Offset != int64(first+7) || !errors.Is(err, ingest.ErrDecoderDied) {
		t.Errorf("got %v", err)
	}
	noDecoder := errors.New("no decoder here")
	if _, err := DecodeBUFR(t.Context(), name, b, failing{noDecoder}); !errors.Is(err, noDecoder) {
		t.Errorf("got %v, want %v", err, noDecoder)
	}
}

type failing struct{ err error }

func (f failing) DecodeBUFR(context.Context, []byte) (bufr.Decoded, error) {
	return bufr.Decoded{}, f.err
}

// Elements as a broken child might send them: any of Table B, anywhere.
func FuzzFromBUFR(f *testing.F) {
	template := []bufr.Descriptor{blockNumber, stationNumber, year, month, day, hour, minute, latitudeFine, 31001,
		pressure, significance18Bits, significance7Bits, geopotentialHeight2, geopotentialOld, temperature, dewPoint,
		windFrom, windSpeed, confidencePct, wigosLocal, timeSignificance, windShearAbove, relativeHumidityPct}
	// Four bytes an element: which, value (2), flags.
	f.Add([]byte{0, 0, 72, 0, 1, 2, 60, 0, 9, 100, 0, 1, 14, 1, 0, 1, 18, 0, 40, 2})
	f.Add([]byte{9, 1, 1, 1, 16, 1, 1, 1, 9, 2, 2, 3, 17, 255, 255, 5, 10, 255, 255, 1, 11, 0, 68, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		var elements []bufr.Element
		for ; len(b) >= 4; b = b[4:] {
			value := math.Float64frombits(uint64(b[1])<<56 | uint64(b[2])<<48)
			if b[3]&8 == 0 {
				value = float64(b[1])*256 + float64(b[2])
			}
			e := bufr.Element{Value: value, AttributeOf: -1,
				Key: &bufr.Key{Descriptor: template[int(b[0])%len(template)], IsText: b[3]&16 != 0}}
			if b[3]&2 != 0 && len(elements) > 0 {
				e.AttributeOf = int(b[2]) % len(elements)
			} else if b[3]&1 != 0 {
				e.Block, e.Repetition = 1+int(b[3]>>6), 1+int(b[3]>>4&3)
			}
			elements = append(elements, e)
		}
		reports, err := FromBUFR("fuzz", bufr.Message{Number: 1}, bufr.Decoded{Subsets: [][]bufr.Element{elements}})
		var placed *ingest.FormatError
		if (err == nil) != (len(reports) == 1) || err != nil && !errors.As(err, &placed) {
			t.Fatalf("%d reports, %v", len(reports), err)
		}
		for _, r := range reports {
			if len(r.Levels) == 0 || len(r.Levels) > len(elements) {
				t.Fatalf("%d levels of %d elements", len(r.Levels), len(elements))
			}
			r.Column()
		}
	})
}
