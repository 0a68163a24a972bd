package grib

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// headers.tsv is what ecCodes 2.50 reads in the descriptions of the real files
// (testdata/make_headers.py).
func TestHeadersAgainstEcCodes(t *testing.T) {
	byFile := map[string][]map[string]string{}
	for _, row := range table(t, "testdata/headers.tsv") {
		byFile[row["file"]] = append(byFile[row["file"]], row)
	}
	for _, path := range realFiles(t) {
		name := filepath.Base(path)
		rows := byFile[name]
		if len(rows) == 0 {
			continue
		}
		messages, _ := Messages(name, readAll(t, path))
		for _, row := range rows {
			if row["validityDate"] == "" {
				continue // ecCodes does not know the grid, and gives up
			}
			k, _ := strconv.Atoi(row["number"])
			h := messages[k-1].Header()
			t.Run(fmt.Sprintf("%s/%d", name, k), func(t *testing.T) { compareHeader(t, &h, row) })
		}
	}
}

func compareHeader(t *testing.T, h *grid.Field, row map[string]string) {
	number := func(key string) int {
		n, err := strconv.Atoi(row[key])
		if err != nil {
			t.Fatalf("%s is %q", key, row[key])
		}
		return n
	}
	at := func(date, clock string) time.Time {
		d, c := number(date), number(clock)
		return time.Date(d/10000, time.Month(d/100%100), d%100, c/100, c%100, 0, 0, time.UTC)
	}
	if want := at("dataDate", "dataTime"); !h.ReferenceTime.Truncate(time.Minute).Equal(want) {
		t.Errorf("reference time %v, want %v", h.ReferenceTime, want)
	}
	if want := at("validityDate", "validityTime"); !h.ValidTime.Truncate(time.Minute).Equal(want) {
		t.Errorf("valid time %v, want %v", h.ValidTime, want)
	}
	member := -1
	if row["perturbationNumber"] != "" {
		member = number("perturbationNumber")
	}
	if h.Member != member {
		t.Errorf("member %d, want %d", h.Member, member)
	}
	if row["typeOfFirstFixedSurface"] != "" {
		for _, s := range []struct {
			which        string
			code         int
			value        float64
			unvaluedHere bool
		}{
			{"First", h.Level.Code, h.Level.Value, h.Level.Units == ""},
			{"Second", h.Level.SecondCode, h.Level.SecondValue, true},
		} {
			if want := number("typeOf" + s.which + "FixedSurface"); s.code != want {
				t.Errorf("%s surface %d, want %d", s.which, s.code, want)
			}
			factor, scaled := row["scaleFactorOf"+s.which+"FixedSurface"], row["scaledValueOf"+s.which+"FixedSurface"]
			if math.IsNaN(s.value) {
				if !s.unvaluedHere && factor != "missing" && scaled != "missing" {
					t.Errorf("%s surface without value, want %s x 10^-%s", s.which, scaled, factor)
				}
				continue
			}
			f, _ := strconv.ParseFloat(factor, 64)
			v, _ := strconv.ParseFloat(scaled, 64)
			if v >= 1<<31 {
				v = 1<<31 - v // ecCodes reads no sign here; potential vorticity has one in the south
			}
			if want := v * math.Pow(10, -f); math.Abs(s.value-want) > 1e-12*math.Abs(want) {
				t.Errorf("%s surface at %v, want %v", s.which, s.value, want)
			}
		}
	}
	// Code table 4.10 in the words of CF (CF conventions 1.11, appendix E).
	method := map[string]string{"": "", "0": "mean", "1": "sum", "2": "maximum", "3": "minimum", "255": h.CellMethod}
	if want, ok := method[row["typeOfStatisticalProcessing"]]; !ok || h.CellMethod != want {
		t.Errorf("cell method %q, want %q (%s)", h.CellMethod, want, row["typeOfStatisticalProcessing"])
	}
	if (h.CellMethod == "") != h.IntervalStart.IsZero() || !h.IntervalStart.IsZero() && h.IntervalStart.After(h.ValidTime) {
		t.Errorf("interval from %v to %v with cell method %q", h.IntervalStart, h.ValidTime, h.CellMethod)
	}
	if row["uvRelativeToGrid"] != "" && h.Grid.Projection != nil && h.Grid.WindsGridRelative != (row["uvRelativeToGrid"] == "1") {
		t.Errorf("winds relative to the grid: %v, want %s", h.Grid.WindsGridRelative, row["uvRelativeToGrid"])
	}
	if want := strings.ReplaceAll(row["units"], "**", ""); want != "unknown" && !sameUnits(h.Units, want) {
		t.Errorf("%s: units %q, want %q", h.Parameter, h.Units, want)
	}
	if want := row["cfName"]; want != "unknown" && h.StandardName != want && !named[h.Parameter+"@"+strconv.Itoa(h.Level.Code)] {
		t.Errorf("%s: standard name %q, want %q", h.Parameter, h.StandardName, want)
	}
}

// sameUnits: the WMO tables say "%" where ecCodes may say "(0 - 1)", and name
// code tables; all else is the same.
func sameUnits(got, want string) bool {
	if got == want || strings.HasPrefix(got, "Code table") || got == "%" {
		return true
	}
	same := map[[2]string]bool{
		{"J kg-1", "m2 s-2"}: true,
		// Code table 4.2.0.15 says kg m-2, in its later editions kg m-1. Rates and
		// amounts: ecCodes takes the statistic into account.
		{"kg m-2", "kg m-1"}: true, {"kg m-2 s-1", "kg m-2"}: true,
		{"1", "(0 - 1)"}: true, {"1", "~"}: true, {"1", "dimensionless"}: true, {"1", "m3 m-3"}: true,
		{"degree", "degrees"}: true, {"degree", "Degree true"}: true, {"1", "Proportion"}: true, {"", "~"}: true,
		{"", "m"}: true, // a local parameter of ECMWF, whose tables are not here
	}
	return same[[2]string{got, want}]
}

// named are parameters, on a surface, that this program names more closely than
// ecCodes: temperature and height of the ground itself, and precipitation as the
// mass that its unit says.
var named = map[string]bool{"0.0.0@1": true, "0.3.5@1": true, "0.1.10@1": true}

// A listing of NCEP's degrib2: parameter abbreviation and numbers of each field.
func TestDegrib2Listing(t *testing.T) {
	const file = "grib2/gdaswave.20211130.t00z.wcoast.0p16.f000.grib2"
	listing := testfiles.Read(t, "reference/others/gdaswave.20211130.wcoast.degrib2.txt")
	messages, err := Messages(file, testfiles.Read(t, file))
	if err != nil {
		t.Fatal(err)
	}
	parameter := regexp.MustCompile(`PARAMETER = (\S+)\s+(\d+) (\d+) (\d+)\s*\)\s+((?:\d+ )*\d+)`)
	k := 0
	for lines := bufio.NewScanner(bytes.NewReader(listing)); lines.Scan(); {
		m := parameter.FindStringSubmatch(lines.Text())
		if m == nil {
			continue
		}
		h := messages[k].Header()
		k++
		if h.ShortName != m[1] || h.Parameter != m[2]+"."+m[3]+"."+m[4] {
			t.Errorf("message %d: %s %s, want %s %s.%s.%s", k, h.ShortName, h.Parameter, m[1], m[2], m[3], m[4])
		}
		// Octets 10 to 31 of template 4.0 follow: the first surface is the tenth number.
		numbers := strings.Fields(m[5])
		if want := numbers[9]; strconv.Itoa(h.Level.Code) != want {
			t.Errorf("message %d: surface %d, want %s", k, h.Level.Code, want)
		}
	}
	if k != len(messages) {
		t.Errorf("%d fields in the listing, %d messages", k, len(messages))
	}
}

// Code table 4.4 and the calendar: one month after 31 January is March in
// time.AddDate's reckoning, as there is no 31 February.
func TestForecastTimeUnits(t *testing.T) {
	start := time.Date(2024, 1, 15, 6, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		unit uint8
		n    int
		want string
	}{
		{0, 15, "2024-01-15T06:15:00Z"},
		{1, 18, "2024-01-16T00:00:00Z"},
		{1, -24, "2024-01-14T06:00:00Z"},
		{2, 46, "2024-03-01T06:00:00Z"}, // 2024 is a leap year
		{3, 2, "2024-03-15T06:00:00Z"},
		{4, 1, "2025-01-15T06:00:00Z"},
		{5, 1, "2034-01-15T06:00:00Z"},
		{6, 1, "2054-01-15T06:00:00Z"},
		{7, 1, "2124-01-15T06:00:00Z"},
		{10, 8, "2024-01-16T06:00:00Z"},
		{11, 4, "2024-01-16T06:00:00Z"},
		{12, 2, "2024-01-16T06:00:00Z"},
		{13, 90, "2024-01-15T06:01:30Z"},
	} {
		got, ok := addTime(start, test.unit, test.n)
		if !ok || got.Format(time.RFC3339) != test.want {
			t.Errorf("%d in unit %d: %v %v, want %s", test.n, test.unit, got, ok, test.want)
		}
	}
	for _, test := range []struct {
		unit uint8
		n    int
	}{{7, math.MaxInt32}, {2, math.MaxInt32}, {3, -math.MaxInt32}, {42, 1}} {
		if got, ok := addTime(start, test.unit, test.n); ok {
			t.Errorf("%d in unit %d gave %v", test.n, test.unit, got)
		}
	}
}

// The names that the programme needs, by the numbers of code tables 4.2 and 4.5
// and of NCEP; units as the tables define them.
func TestParameters(t *testing.T) {
	for _, test := range []struct {
		centre, surface       int
		parameter             parameterNumber
		standard, short, unit string
	}{
		{7, 100, parameterNumber{0, 0, 0}, "air_temperature", "TMP", "K"},
		{7, 100, parameterNumber{0, 1, 0}, "specific_humidity", "SPFH", "kg kg-1"},
		{7, 100, parameterNumber{0, 1, 1}, "relative_humidity", "RH", "%"},
		{7, 105, parameterNumber{0, 1, 22}, "cloud_liquid_water_mixing_ratio", "CLWMR", "kg kg-1"},
		{7, 105, parameterNumber{0, 1, 23}, "cloud_ice_mixing_ratio", "ICMR", "kg kg-1"},
		{7, 105, parameterNumber{0, 1, 24}, "", "RWMR", "kg kg-1"},
		{7, 100, parameterNumber{0, 2, 2}, "eastward_wind", "UGRD", "m s-1"},
		{7, 100, parameterNumber{0, 2, 3}, "northward_wind", "VGRD", "m s-1"},
		{7, 100, parameterNumber{0, 2, 8}, "lagrangian_tendency_of_air_pressure", "VVEL", "Pa s-1"},
		{7, 100, parameterNumber{0, 2, 9}, "upward_air_velocity", "DZDT", "m s-1"},
		{7, 100, parameterNumber{0, 3, 5}, "geopotential_height", "HGT", "gpm"},
		{7, 1, parameterNumber{0, 3, 5}, "surface_altitude", "HGT", "gpm"},
		{7, 1, parameterNumber{0, 3, 0}, "surface_air_pressure", "PRES", "Pa"},
		{7, 101, parameterNumber{0, 3, 1}, "air_pressure_at_mean_sea_level", "PRMSL", "Pa"},
		{7, 1, parameterNumber{0, 1, 8}, "precipitation_amount", "APCP", "kg m-2"},
		{7, 10, parameterNumber{0, 16, 196}, "", "REFC", "dB"},
		{59, 10, parameterNumber{0, 16, 196}, "", "REFC", "dB"}, // Forecast Systems Laboratory, NCEP's tables
		{8, 1, parameterNumber{0, 1, 198}, "relative_humidity", "MinRH", "%"},
		{161, 102, parameterNumber{209, 6, 1}, "lwe_precipitation_rate", "PrecipRate", "mm hr-1"},
		{161, 102, parameterNumber{209, 9, 3}, "", "MergedRhoHV", "1"},
		{98, 1, parameterNumber{0, 1, 196}, "", "", ""}, // local numbers of a centre whose tables are not here
	} {
		row := lookUpParameter(test.centre, test.parameter)
		if name := standardName(test.centre, test.parameter, test.surface); name != test.standard || row.abbreviation != test.short || row.units != test.unit {
			t.Errorf("%v of centre %d on surface %d: %q %q %q, want %q %q %q", test.parameter, test.centre, test.surface,
				name, row.abbreviation, row.units, test.standard, test.short, test.unit)
		}
	}
}

// cf-standard-names.tsv holds names and canonical units from the CF standard
// name table, version 93. The unit of each parameter must be able to become the
// canonical one.
func TestStandardNamesAreOfCF(t *testing.T) {
	canonical := map[string]string{}
	for _, f := range func() (all [][]string) {
		for _, row := range table(t, "testdata/cf-standard-names.tsv") {
			all = append(all, []string{row["name"], row["units"]})
		}
		return all
	}() {
		canonical[f[0]] = f[1]
	}
	// GRIB2's spelling of a unit, and the CF ones that it converts to.
	convertible := map[string][]string{
		"kg kg-1": {"1"}, "%": {"1"}, "m3 m-3": {"1"}, "gpm": {"m"}, "dB": {"dBZ"}, "N m-2": {"Pa"}, "J kg-1": {"m2 s-2"},
		"mm": {"m"}, "mm hr-1": {"m s-1"},
	}
	used := 0
	for key, name := range codeTables().standardNames {
		used++
		units, ok := canonical[name]
		if !ok {
			t.Errorf("%v: %q is not in the CF table", key, name)
			continue
		}
		have := codeTables().parameters[key.parameterKey].units
		match := have == units
		for _, c := range convertible[have] {
			match = match || c == units
		}
		if !match {
			t.Errorf("%v: %q in %q, CF has %q", key, name, have, units)
		}
	}
	if used < 250 {
		t.Errorf("%d names", used)
	}
}

// An unknown product template keeps the parameter and says what was not read.
func TestUnknownProductTemplate(t *testing.T) {
	product := productOf(0, 0)
	product[8] = 99
	b := messageOf(0, identificationOf(), gridOf(2, 1), product, simpleOf(2, 5, 0, 0, 8), noBitmap, sectionOf(7, []byte{1, 2}))
	messages, err := Messages("x", b)
	if err != nil {
		t.Fatal(err)
	}
	h := messages[0].Header()
	if h.Parameter != "0.0.0" || h.ShortName != "TMP" || h.StandardName != "" || !strings.Contains(h.LongName, "4.99") || !strings.Contains(h.Level.Type, "4.99") {
		t.Errorf("%+v", h)
	}
}

func TestBadDatesAreRefused(t *testing.T) {
	good := messageOf(0, identificationOf(), gridOf(2, 1), productOf(0, 0), simpleOf(2, 5, 0, 0, 8), noBitmap, sectionOf(7, []byte{1, 2}))
	for _, test := range []struct {
		octet int // of section 1
		value byte
	}{{15, 0}, {15, 13}, {16, 0}, {16, 32}, {17, 25}, {18, 60}, {19, 61}} {
		b := bytes.Clone(good)
		b[16+test.octet-1] = test.value
		_, err := Messages("x", b)
		all := placed(t, err, len(b))
		if len(all) != 1 || all[0].Err != ingest.ErrCorrupt || all[0].Offset != 16+12 || !strings.Contains(all[0].Detail, "reference time") {
			t.Errorf("octet %d = %d: %v", test.octet, test.value, err)
		}
	}
}
