package sounding

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// Every level that an independent decoder (a Java test class, AWIPS style)
// lists for the bulletins of Jackson, Mississippi.
func TestTEMPJacksonAgainstDecodedTable(t *testing.T) {
	table := string(testfiles.Read(t, "reference/others/temp.KJAN.2006092212.decoded.tsv"))
	reports, err := DecodeTEMP("kjan", testfiles.Read(t, "sounding/temp.KJAN.2006092212.txt"), utc(2006, 9, 22, 14, 0))
	if err != nil {
		t.Fatal(err)
	}
	r := reports[0]
	if want := utc(2006, 9, 22, 12, 0); !r.Time.Equal(want) {
		t.Errorf("time %v, want %v", r.Time, want)
	}
	if want := utc(2006, 9, 22, 11, 3); !r.ReleaseTime.Equal(want) { // 31313 05102 81103
		t.Errorf("release %v, want %v", r.ReleaseTime, want)
	}
	significance := map[string]Significance{"SFC": Surface, "SIGP": SignificantTemperature, "MANP": Standard, "TROP": Tropopause}
	rows := 0
	for _, line := range strings.Split(strings.TrimSpace(table), "\n")[1:] {
		cell := strings.Split(line, "\t")
		number := func(k int) float64 {
			v, err := strconv.ParseFloat(cell[k], 64)
			if err != nil {
				return math.NaN()
			}
			return v
		}
		rows++
		l := at(t, r, number(1), significance[cell[0]])
		celsius := number(3) / 10
		if !near(l.AirTemperatureK, celsius+273.15, 1e-9) {
			t.Errorf("%s: temperature %g K", line, l.AirTemperatureK)
		}
		// The table keeps the code figure of the depression (code table 0777).
		depression := number(4)
		if depression > 55 {
			depression -= 50
		} else {
			depression /= 10
		}
		if !near(l.DewPointK, celsius-depression+273.15, 1e-9) {
			t.Errorf("%s: dew point %g K", line, l.DewPointK)
		}
		if cell[0] != "SFC" && !near(l.GeopotentialHeightM, number(2), 0) {
			t.Errorf("%s: height %g", line, l.GeopotentialHeightM)
		}
		if cell[5] != "-" && (!near(l.WindFromDeg, number(5), 0) || !near(l.WindSpeedMPerS, number(6)*1852/3600, 1e-9)) {
			t.Errorf("%s: wind %g, %g m/s", line, l.WindFromDeg, l.WindSpeedMPerS)
		}
	}
	if rows != 37 {
		t.Errorf("%d rows in the table, want 37", rows)
	}

	// Not in that table: maximum wind 77182 25075; and the winds of PPBB, read
	// by eye from "90012 18006 19033 20037 ... 93035 25031 25053 24559".
	if l := at(t, r, 182, MaximumWind); l.WindFromDeg != 250 || !near(l.WindSpeedMPerS, 75*1852.0/3600, 1e-9) {
		t.Errorf("maximum wind %+v", l)
	}
	found := map[int]Level{}
	for _, l := range r.Levels {
		if l.Significance == FixedHeight {
			found[int(math.Round(l.GeopotentialHeightM/304.8))] = l
		}
	}
	for feet, want := range map[int][2]float64{1: {190, 33}, 2: {200, 37}, 3: {210, 42}, 4: {215, 44}, 6: {220, 42}, 9: {225, 39}, 12: {240, 31}, 16: {230, 38}, 20: {245, 35}, 25: {255, 32}, 30: {250, 31}, 35: {245, 59}, 54: {250, 46}} {
		if l, ok := found[feet]; !ok || l.WindFromDeg != want[0] || !near(l.WindSpeedMPerS, want[1]*1852/3600, 1e-9) {
			t.Errorf("%d000 ft: %+v, want %v", feet, l, want)
		}
	}
	// 51515 10164 00051 10194 20036 22041.
	notes := strings.Join(r.Notes, "; ")
	for _, want := range []string{"stability index -1", "mean wind of the lowest 5000 ft 200 degrees 18.5 m/s, of the next 5000 ft 220 degrees 21.1 m/s"} {
		if !strings.Contains(notes, want) {
			t.Errorf("notes %q lack %q", notes, want)
		}
	}
	// 1000 hPa at 89 m without temperature is under the ground; it is not the
	// surface level of the same pressure, and the column leaves it out.
	if l := at(t, r, 1000, Extrapolated); l.GeopotentialHeightM != 89 || !math.IsNaN(l.AirTemperatureK) {
		t.Errorf("below ground %+v", l)
	}
	column := r.Column()
	if column.Levels[0].PressurePa != 100000 || !near(column.Levels[0].AirTemperatureK, 297.55, 1e-9) {
		t.Errorf("lowest level of the column %+v", column.Levels[0])
	}
	// The station is 101 m above the sea (table); a whole hPa is 9 m.
	if !near(column.SurfaceAltitudeM, 101, 13) {
		t.Errorf("surface at %g m", column.SurfaceAltitudeM)
	}
}

// Parts A to D read by eye from the bulletin.
func TestTEMPBrazilByEye(t *testing.T) {
	reports, err := DecodeTEMP("83779", testfiles.Read(t, "sounding/temp.83779.day23-12Z.txt"), time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	r := reports[0]
	if !r.Time.IsZero() || r.DayOfMonth != 23 || r.HourUTC != 12 || !strings.Contains(strings.Join(r.Notes, ";"), "month and year unknown: day 23, 12 UTC") {
		t.Errorf("time %v, day %d, hour %d, notes %q", r.Time, r.DayOfMonth, r.HourUTC, r.Notes)
	}
	nan := math.NaN()
	for _, want := range []struct {
		hPa, heightM, celsius, dewPointC, fromDeg, knots float64
		is                                               Significance
		group                                            string
	}{
		{938, nan, 21.2, 18.8, 10, 8, Surface, "99938 21224 01008"},
		{1000, 163, nan, nan, nan, nan, Extrapolated, "00163 ///// /////"},
		{925, 843, 20.0, 18.1, 75, 6, Standard, "92843 20019 07506"},
		{850, 1570, 18.6, 13.6, 360, 8, Standard, "85570 18650 36008"},
		{700, 3207, 8.0, 5.0, 340, 4, Standard, "70207 08030 34004"},
		{500, 5910, -6.5, -19.5, 295, 3, Standard, "50591 06563 29503"},
		{400, 7610, -18.3, -32.3, 300, 17, Standard, "40761 18364 30017"},
		{300, 9700, -33.1, -36.9, 280, 15, Standard, "30970 33138 28015"},
		{250, 10950, -43.7, -45.9, 280, 26, Standard, "25095 43722 28026"},
		{200, 12410, -55.9, -62.9, 290, 40, Standard, "20241 55957 29040"},
		{150, 14180, -68.9, -75.9, 280, 39, Standard, "15418 68957 28039"},
		{100, 16580, -73.3, -87.3, 280, 19, Standard, "10658 73364 28019"},
		{870, nan, 19.8, 13.8, 15, 10, SignificantTemperature, "22870 19856; 11870 01510"},
		{520, nan, -5.3, -11.3, nan, nan, SignificantTemperature, "11520 05356"},
		{524, nan, -4.7, -15.7, 0, 0, SignificantWind, "99524 04761; 22524 00000"},
		{359, nan, nan, nan, 295, 25, SignificantWind, "55359 29525"},
		{70, 18650, -71.5, -89.5, 150, 20, Standard, "70865 71568 15020"},
		{50, 20640, -67.5, -91.5, 125, 19, Standard, "50064 67574 12519"},
		{30, 23800, -58.3, -91.3, 85, 35, Standard, "30380 58383 08535"},
		{90.6, nan, -77.1, -89.1, 260, 18, Tropopause, "88906 77162 26018"},
		{58.5, nan, -70.3, -90.3, nan, nan, SignificantTemperature, "22585 70370"},
		{93.5, nan, nan, nan, 255, 16, SignificantWind, "11935 25516"},
		{28.3, nan, -57.7, -92.7, 90, 41, SignificantTemperature, "55283 57785; 44283 09041"},
	} {
		l := at(t, r, want.hPa, want.is)
		if !near(l.GeopotentialHeightM, want.heightM, 0) || !near(l.AirTemperatureK, want.celsius+273.15, 1e-9) ||
			!near(l.DewPointK, want.dewPointC+273.15, 1e-9) || !near(l.WindFromDeg, want.fromDeg, 0) ||
			!near(l.WindSpeedMPerS, want.knots*1852/3600, 1e-9) {
			t.Errorf("%s: %+v", want.group, l)
		}
	}
	for i := 1; i < len(r.Levels); i++ {
		if r.Levels[i].PressurePa > r.Levels[i-1].PressurePa {
			t.Errorf("levels are not sorted by falling pressure at %g Pa", r.Levels[i].PressurePa)
		}
	}
}

func decodeOne(t *testing.T, text string) Report {
	t.Helper()
	reports, err := DecodeTEMP("test", []byte(text), utc(2021, 1, 20, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	if len(reports) != 1 {
		t.Fatalf("%d reports", len(reports))
	}
	return reports[0]
}

// Code figures of WMO-No. 306, volume I.1: tables 3931 (sign in the tenths),
// 0777 (depression), ddfff with 5 degrees in the hundreds of the speed, YY + 50
// for knots.
func TestTEMPCodeFigures(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		temperature, wind string
		celsius, dewC     float64
		fromDeg, mPerS    float64
	}{
		{"00000", "00000", 0, 0, 0, 0},
		{"00150", "36012", -0.1, -5.1, 360, 12},
		{"10256", "27512", 10.2, 4.2, 275, 12},
		{"10380", "27612", -10.3, -40.3, 275, 112},
		{"99199", "09120", -99.1, -148.1, 90, 120},
		{"253//", "/////", -25.3, nan, nan, nan},
		{"/////", "18005", nan, nan, 180, 5},
	} {
		r := decodeOne(t, "TTAA 14121 72990 99900 "+test.temperature+" "+test.wind+" 88999 77999=")
		l := at(t, r, 900, Surface)
		if !near(l.AirTemperatureK, test.celsius+273.15, 1e-9) || !near(l.DewPointK, test.dewC+273.15, 1e-9) ||
			!near(l.WindFromDeg, test.fromDeg, 0) || !near(l.WindSpeedMPerS, test.mPerS, 1e-9) {
			t.Errorf("%s %s: %+v", test.temperature, test.wind, l)
		}
	}
	knots := decodeOne(t, "TTAA 64121 72990 99900 00000 36012 88999 77999=")
	if l := at(t, knots, 900, Surface); !near(l.WindSpeedMPerS, 12*1852.0/3600, 1e-12) {
		t.Errorf("12 knots are %g m/s", l.WindSpeedMPerS)
	}
	if r := decodeOne(t, "TTAA 51121 72990 99900 00000 36012 88999 77999="); r.DayOfMonth != 1 || !near(r.Levels[0].WindSpeedMPerS, 12*1852.0/3600, 1e-12) {
		t.Errorf("51121: day %d, %+v", r.DayOfMonth, r.Levels[0])
	}
	if r := decodeOne(t, "TTAA 14121 72990 99012 00000 36012 88999 77999="); math.Abs(r.Levels[0].PressurePa-101200) > 1e-6 {
		t.Errorf("99012: %g Pa, want 101200", r.Levels[0].PressurePa)
	}
}

// hhh of FM 35: thousands left out up to 700 hPa, tens of metres without ten
// thousands above, 500 added below sea level at 1000 hPa.
func TestTEMPStandardHeights(t *testing.T) {
	find := func(pa float64) standardLevel {
		for _, l := range append(append([]standardLevel{}, standardA...), standardC...) {
			if l.pa == pa {
				return l
			}
		}
		t.Fatalf("%g Pa is not standard", pa)
		return standardLevel{}
	}
	for _, test := range []struct {
		pa      float64
		hhh     string
		heightM float64
	}{
		{100000, "089", 89}, {100000, "531", -31}, {92500, "772", 772},
		{85000, "503", 1503}, {85000, "998", 998}, {85000, "170", 1170},
		{70000, "136", 3136}, {70000, "880", 2880}, {50000, "584", 5840}, {50000, "470", 4700},
		{40000, "754", 7540}, {30000, "962", 9620}, {30000, "830", 8300}, {30000, "010", 10100},
		{25000, "086", 10860}, {25000, "950", 9500}, {20000, "232", 12320}, {15000, "412", 14120},
		{10000, "653", 16530}, {7000, "865", 18650}, {5000, "064", 20640}, {3000, "380", 23800},
		{2000, "640", 26400}, {1000, "105", 31050}, {1000, "890", 28900},
	} {
		if got := find(test.pa).heightM(test.hhh); got != test.heightM {
			t.Errorf("%g hPa %s: %g m, want %g", test.pa/100, test.hhh, got, test.heightM)
		}
	}
}

// Id of section 1 names the last standard surface with wind; figure 1 stands for
// 150 or 100 hPa, 2 for 250 or 200, and "/" for no winds at all.
func TestTEMPLastWind(t *testing.T) {
	common := " 72990 99832 01104 18006 00128 ///// ///// 92772 ///// ///// 85468 ///// ///// 70999 08704 23534 50553 23340 25055 40713 33558 25070 30909 47762 25595 25028 54164 26104 "
	// -30 C at 30 hPa looks like the height of 30 hPa: only Id tells that 50 hPa
	// has no wind.
	high := decodeOne(t, "TTCC 64127 72990 70865 71568 15020 50064 67574 30380 30583 88999 77999=")
	if l := at(t, high, 50, Standard); !math.IsNaN(l.WindSpeedMPerS) {
		t.Errorf("50 hPa: %+v", l)
	}
	if l := at(t, high, 30, Standard); l.GeopotentialHeightM != 23800 || !near(l.AirTemperatureK, 273.15-30.5, 1e-9) {
		t.Errorf("30 hPa: %+v", l)
	}

	for _, test := range []struct {
		name, text string
		winds      map[float64]bool
	}{
		{"Id 1, wind to 100 hPa", "TTAA 64121" + common + "20171 54968 26088 15354 56372 26562 10610 58775 27040 88999 77999=",
			map[float64]bool{832: true, 700: true, 200: true, 150: true, 100: true}},
		{"Id 1, wind to 150 hPa", "TTAA 64121" + common + "20171 54968 26088 15354 56372 26562 10610 58775 88999 77999=",
			map[float64]bool{832: true, 200: true, 150: true, 100: false}},
		{"Id 2, wind to 250 hPa", "TTAA 64122" + common + "20171 54968 15354 56372 10610 58775 88999 77999=",
			map[float64]bool{832: true, 250: true, 200: false, 150: false, 100: false}},
		{"Id 3, but the wind of 250 hPa is there", "TTAA 64123" + common + "20171 54968 15354 56372 10610 58775 88999 77999=",
			map[float64]bool{832: true, 300: true, 250: true, 200: false, 150: false}},
		// -66 C looks like the indicator of a maximum wind, and a wind from 150
		// degrees like that of 150 hPa: here only Id can tell.
		{"Id 2, doubtful groups, no wind", "TTAA 64122" + common + "20171 54968 15354 66572 10610 77575 88999 77999=",
			map[float64]bool{250: true, 200: false, 150: false, 100: false}},
		{"Id 1, doubtful groups, wind", "TTAA 64121" + common + "20171 54968 15020 15354 66572 10031 10610 77575 26010 88999 77999=",
			map[float64]bool{250: true, 200: true, 150: true, 100: true}},
		{"Id 2, ends at 200 hPa", "TTAA 64122" + common + "20171 54968=",
			map[float64]bool{250: true, 200: false}},
		{"Id /, no wind", "TTAA 6412/ 72990 99832 01104 00128 ///// 92772 ///// 85468 ///// 70999 08704 50553 23340 40713 33558 88999 77999=",
			map[float64]bool{832: false, 700: false, 500: false, 400: false}},
		{"925 hPa left out", "TTAA 64127 72990 99832 01104 18006 00128 ///// ///// 85468 ///// ///// 70999 08704 23534 50553 23340 88999 77999=",
			map[float64]bool{832: true, 700: true, 500: false}},
	} {
		r := decodeOne(t, test.text)
		for hPa, want := range test.winds {
			if l := at(t, r, hPa, 0); !math.IsNaN(l.WindSpeedMPerS) != want {
				t.Errorf("%s: %g hPa wind %g m/s", test.name, hPa, l.WindSpeedMPerS)
			}
		}
		if l := at(t, r, 700, 0); !near(l.AirTemperatureK, 273.15-8.7, 1e-9) || l.GeopotentialHeightM != 2999 {
			t.Errorf("%s: 700 hPa %+v", test.name, l)
		}
	}
}

func TestTEMPTimes(t *testing.T) {
	text := func(day int) []byte {
		return []byte(fmt.Sprintf("TTAA %02d121 72990 99900 00000 00000 88999 77999=", day))
	}
	for _, test := range []struct {
		day             int
		reference, want time.Time
	}{
		{14, utc(2021, 1, 14, 13, 0), utc(2021, 1, 14, 12, 0)},
		{14, utc(2021, 1, 14, 11, 30), utc(2021, 1, 14, 12, 0)},  // sent before its hour
		{14, utc(2021, 1, 13, 23, 0), utc(2020, 12, 14, 12, 0)},  // 13 hours ahead is too much
		{31, utc(2021, 3, 1, 6, 0), utc(2021, 1, 31, 12, 0)},     // February has no 31st
		{31, utc(2020, 12, 31, 18, 0), utc(2020, 12, 31, 12, 0)}, // same day
		{1, utc(2021, 12, 31, 23, 59), utc(2021, 12, 1, 12, 0)},  // 12 h 1 min ahead
		{1, utc(2022, 1, 1, 0, 0), utc(2022, 1, 1, 12, 0)},
		{29, utc(2021, 3, 10, 0, 0), utc(2021, 1, 29, 12, 0)},
	} {
		reports, err := DecodeTEMP("test", text(test.day), test.reference)
		if err != nil || len(reports) != 1 || !reports[0].Time.Equal(test.want) {
			t.Errorf("day %d before %v: %v %v, want %v", test.day, test.reference, reports, err, test.want)
		}
	}
}

// Several stations, headings, repeated station numbers, a NIL, a correction.
func TestTEMPBulletin(t *testing.T) {
	text := "\x01\r\r\n123 \r\r\nUSXX01 KLKM 141200\r\r\n" +
		"TTAA 64121 72990 99900 00000 18010 88999 77999=\r\r\n" +
		"TTAA 64121 72991 NIL=\r\r\n" +
		"72992 TTAA 64121 72992 99800 01150 18010 88999 77999\r\r\n72992 TTBB 64128 72992 00800 01150 11700 10356\r\r\n" +
		"TTBB 64128 72990 00900 00000 11850 03150=\r\r\n" +
		"TTAA 64121 72990 99901 00000 18012 88999 77999=\r\r\n\x03"
	reports, err := DecodeTEMP("test", []byte(text), utc(2021, 1, 14, 12, 0))
	if err != nil {
		t.Fatal(err)
	}
	if len(reports) != 3 {
		t.Fatalf("%d reports, want 3", len(reports))
	}
	one, nilled, two := reports[0], reports[1], reports[2]
	if one.Station.WMONumber != "72990" || !strings.Contains(strings.Join(one.Notes, ";"), "TTAA was sent more than once") {
		t.Errorf("%+v %q", one.Station, one.Notes)
	}
	if l := at(t, one, 901, Surface); l.WindSpeedMPerS < 6 {
		t.Errorf("the correction is not used: %+v", l)
	}
	at(t, one, 850, SignificantTemperature)
	if nilled.Station.WMONumber != "72991" || len(nilled.Levels) != 0 || !strings.Contains(strings.Join(nilled.Notes, ";"), "TTAA NIL") {
		t.Errorf("NIL: %+v", nilled)
	}
	if two.Station.WMONumber != "72992" || len(two.Levels) != 2 {
		t.Errorf("%+v with %d levels", two.Station, len(two.Levels))
	}
	if l := at(t, two, 800, Surface|SignificantTemperature); l.WindFromDeg != 180 || !near(l.DewPointK, 273.15-6.1, 1e-9) {
		t.Errorf("surface of parts A and B: %+v", l)
	}
}

func TestTEMPShipsAndMobiles(t *testing.T) {
	for _, test := range []struct {
		text, identifier    string
		lat, lon, altitudeM float64
	}{
		{"UUAA LARK7 14121 99425 70651 14766 99010 02150 18010 00080 01956 18012 88999 77999=", "LARK7", 42.5, -65.1, math.NaN()},
		{"UUAA 55555 14121 99425 50651 14766 99010 02150 18010 88999 77999=", "55555", -42.5, -65.1, math.NaN()},
		{"IIAA MOBL1 14121 99441 71149 51141 16402 99832 01104 18006 88999 77999=", "MOBL1", 44.1, -114.9, 1640},
		{"IIAA MOBL1 14121 99441 31149 51141 10005 99832 01104 18006 88999 77999=", "MOBL1", -44.1, 114.9, 304.8},
		{"XXAA 14121 99201 10651 14766 99010 25050 18010 88999 77999=", "drop 20.1 65.1", 20.1, 65.1, math.NaN()},
	} {
		r := decodeOne(t, test.text)
		if r.Station.Identifier != test.identifier || !near(r.Station.Place.LatitudeDeg, test.lat, 1e-9) ||
			!near(r.Station.Place.LongitudeDeg, test.lon, 1e-9) || !near(r.Station.AltitudeM, test.altitudeM, 1e-9) || r.Station.WMONumber != "" {
			t.Errorf("%s: %+v", test.text, r.Station)
		}
		if len(r.Levels) == 0 || r.Levels[0].Significance&Surface == 0 {
			t.Errorf("%s: levels %+v", test.text, r.Levels)
		}
	}
}

func TestPILOT(t *testing.T) {
	// PPAA: 850, 700, 500 hPa from 44385, maximum wind 77250; PPBB by height in
	// units of 500 m (8) and by pressure (21212); PPDD beyond 100 000 ft (1).
	r := decodeOne(t, "PPAA 64121 72990 44385 20014 23534 25055 44240 25070 25595 77250 26104 40812="+
		"PPBB 64128 72990 90012 18006 19033 20037 807// 21522 8126/ 22042 22044 9205/ 24535 25532 21212 00832 18006 11640 24022=")
	for _, want := range []struct{ hPa, from, knots float64 }{
		{850, 200, 14}, {700, 235, 34}, {500, 250, 55}, {400, 250, 70}, {300, 255, 95}, {250, 260, 104}, {832, 180, 6}, {640, 240, 22},
	} {
		if l := at(t, r, want.hPa, 0); l.WindFromDeg != want.from || !near(l.WindSpeedMPerS, want.knots*1852/3600, 1e-9) {
			t.Errorf("%g hPa: %+v, want %v", want.hPa, l, want)
		}
	}
	heights := map[float64]float64{}
	for _, l := range r.Levels {
		if l.Significance == FixedHeight {
			heights[math.Round(l.GeopotentialHeightM)] = l.WindFromDeg
		}
	}
	// 1000 and 2000 ft; 7, 12 and 16 times 500 m; 20 000 and 25 000 ft.
	for height, from := range map[float64]float64{305: 190, 610: 200, 3500: 215, 6000: 220, 8000: 220, 6096: 245, 7620: 255} {
		if heights[height] != from {
			t.Errorf("%g m: wind from %g, want %g", height, heights[height], from)
		}
	}
	if len(heights) != 7 {
		t.Errorf("heights %v", heights)
	}
	// Canada counts 300 m, and 100 000 ft becomes 30 km under the indicator 1.
	far := decodeOne(t, "PPDD 64128 71990 10036 25020 25522 26025=")
	for i, height := range []float64{30000, 30900, 31800} {
		if far.Levels[i].GeopotentialHeightM != height {
			t.Errorf("level %d at %g m, want %g", i, far.Levels[i].GeopotentialHeightM, height)
		}
	}
}

// Winds that are known by height find their pressure in the column.
func TestColumnPlacesWindsByHeight(t *testing.T) {
	r := decodeOne(t, string(invented(t, "larkmoor.temp.txt"))+"\nPPBB 64128 72990 9168/ 24041 24544=")
	found := 0
	column := r.Column()
	for i, l := range column.Levels {
		if math.Abs(l.AltitudeM-16*304.8) < 0.1 || math.Abs(l.AltitudeM-18*304.8) < 0.1 {
			found++
			below, above := column.Levels[i-1], column.Levels[i+1]
			if !(l.PressurePa < below.PressurePa && l.PressurePa > above.PressurePa) || !math.IsNaN(l.AirTemperatureK) || math.IsNaN(l.EastwardMPerS) {
				t.Errorf("%+v between %g and %g Pa", l, below.PressurePa, above.PressurePa)
			}
		}
	}
	if found != 2 {
		t.Errorf("%d winds placed, want 2", found)
	}
}

// 51515 10190: a standard surface just above the end of the ascent.
func TestTEMPExtrapolatedHeight(t *testing.T) {
	r := decodeOne(t, "TTAA 64123 72990 99832 01104 18006 00128 ///// ///// 92772 ///// ///// 85468 ///// ///// 70999 08704 23534 50553 23340 25055 40713 33558 25070 30909 47762 25595 88999 77999 51515 10164 00012 10190 25028=")
	if l := at(t, r, 250, Extrapolated); l.GeopotentialHeightM != 10280 || !math.IsNaN(l.AirTemperatureK) {
		t.Errorf("%+v", l)
	}
	if !strings.Contains(strings.Join(r.Notes, ";"), "stability index 12") {
		t.Errorf("notes %q", r.Notes)
	}
}

// Damage is named with its place and does not lose the rest.
func TestTEMPDamage(t *testing.T) {
	good := "TTAA 64121 72991 99900 00000 18010 88999 77999=\n"
	for _, test := range []struct {
		name, text, detail string
		reason             error
		reports            int
	}{
		{"short group", "TTAA 64121 72990 99832 0110 18006 00128 ///// ///// 88999 77999=\n" + good, "has 4 characters", ingest.ErrCorrupt, 2},
		{"no such day", "TTAA 99121 72990 99832 01104 18006=\n" + good, "is not YYGGI", ingest.ErrCorrupt, 1},
		{"hour 25", "TTAA 64251 72990 99832 01104 18006=\n" + good, "is not YYGGI", ingest.ErrCorrupt, 1},
		{"no station", "TTAA 64121=\n" + good, "no station number", ingest.ErrCorrupt, 1},
		{"depression 53", "TTAA 64121 72990 99832 01153 18006 88999=\n" + good, "not used", ingest.ErrCorrupt, 2},
		{"wind from 370", "TTAA 64121 72990 99832 01104 37006 00128 ///// ///// 88999=\n" + good, "neither a standard surface", ingest.ErrCorrupt, 2},
		{"level number", "TTBB 64128 72990 00832 01104 12800 02903 22770 04703=\n" + good, "level number", ingest.ErrCorrupt, 2},
		{"cut between pressure and values", good + "TTBB 64128 72990 00832 01104 11800", "no values behind it", ingest.ErrTruncated, 2},
		{"cut in section 1", good + "TTBB 641", "has 3 characters", ingest.ErrTruncated, 1},
	} {
		reports, err := DecodeTEMP("test", []byte(test.text), utc(2021, 1, 20, 0, 0))
		if !errors.Is(err, test.reason) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v", test.name, err)
		}
		if len(reports) != test.reports {
			t.Errorf("%s: %d reports, want %d", test.name, len(reports), test.reports)
		}
		checkDecoded(t, []byte(test.text), reports, err)
	}
}
