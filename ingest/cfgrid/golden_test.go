package cfgrid

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// table reads a golden table with a heading line.
func table(t *testing.T, path string) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]string
	var heading []string
	lines := bufio.NewScanner(bytes.NewReader(b))
	for lines.Scan() {
		cells := strings.Split(lines.Text(), "\t")
		if heading == nil {
			heading = cells
			continue
		}
		row := map[string]string{}
		for i, name := range heading {
			row[name] = cells[i]
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s has no rows", path)
	}
	return rows
}

func golden(name string) string { return filepath.Join("..", "..", "testdata", "netcdf", name) }

// openReal opens a real file, unpacked where it is gzip.
func openReal(t testing.TB, name string) *File {
	t.Helper()
	return openBytes(t, name, plain(t, testfiles.Read(t, name)))
}

func plain(t testing.TB, b []byte) []byte {
	t.Helper()
	if !bytes.HasPrefix(b, []byte{0x1f, 0x8b}) {
		return b
	}
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err == nil {
		b, err = io.ReadAll(r)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func openBytes(t testing.TB, name string, b []byte) *File {
	t.Helper()
	f, err := Open(filepath.Base(name), b)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
	return f
}

func openInvented(t testing.TB, name string) *File {
	t.Helper()
	b, err := os.ReadFile(golden(name))
	if err != nil {
		t.Fatal(err)
	}
	return openBytes(t, name, b)
}

// near compares a golden text with a number: relative to size, absolute near 0.
func near(text string, got, relative float64) bool {
	want, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return false
	}
	if math.IsNaN(want) {
		return math.IsNaN(got)
	}
	return math.Abs(got-want) <= relative*math.Max(math.Abs(want), 1e-30)
}

// Every numeric variable of every real file against netCDF4-python.
func TestValuesAgainstReference(t *testing.T) {
	files := map[string]*File{}
	for _, row := range table(t, golden("summary.tsv")) {
		name := row["file"]
		if files[name] == nil {
			files[name] = openReal(t, name)
		}
		f := files[name]
		values, err := f.Values(t.Context(), row["variable"])
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		checkSummary(t, name+" "+row["variable"], row, values, 2e-7) // of packed data, numpy computes in float32
	}
}

func checkSummary(t *testing.T, what string, row map[string]string, values []float64, relative float64) {
	t.Helper()
	low, high, sum, missing := math.Inf(1), math.Inf(-1), 0.0, 0
	for _, x := range values {
		if math.IsNaN(x) {
			missing++
			continue
		}
		low, high, sum = math.Min(low, x), math.Max(high, x), sum+x
	}
	mean := sum / float64(len(values)-missing)
	if missing == len(values) {
		low, high = math.NaN(), math.NaN()
	}
	if row["missing"] != strconv.Itoa(missing) {
		t.Errorf("%s: %d missing, want %s", what, missing, row["missing"])
	}
	for _, c := range []struct {
		column string
		got    float64
	}{{"min", low}, {"max", high}, {"mean", mean}, {"first", values[0]}, {"last", values[len(values)-1]}} {
		// The mean of a symmetric axis is rounding: relative to the extremes.
		if !near(row[c.column], c.got, relative) && !(c.column == "mean" && math.Abs(c.got) < 1e-14*high) {
			t.Errorf("%s: %s %.9g, want %s", what, c.column, c.got, row[c.column])
		}
	}
}

// The same through fields: all slices of a variable together give its summary,
// and no gridded variable is left out.
func TestFieldsAgainstReference(t *testing.T) {
	var f *File
	name := ""
	fields := 0
	for _, row := range table(t, golden("summary.tsv")) {
		if row["file"] != name {
			name = row["file"]
			f = openReal(t, name)
		}
		var values []float64
		for _, v := range f.Variables() {
			for n := v.FirstField; v.Name == row["variable"] && n < v.FirstField+v.Fields; n++ {
				field, err := f.Field(t.Context(), n, Options{})
				if err != nil {
					t.Fatal(err)
				}
				if field.Number != n || field.Parameter != v.Name {
					t.Fatalf("field %d is number %d of %s", n, field.Number, field.Parameter)
				}
				if g := field.Grid; g.NI != 0 && len(field.Values) != g.NI*g.NJ {
					t.Fatalf("%s %s: %d values on %d x %d", name, v.Name, len(field.Values), g.NI, g.NJ)
				}
				for _, x := range field.Values {
					values = append(values, float64(x))
				}
				fields++
			}
		}
		if values != nil {
			checkSummary(t, name+" "+row["variable"], row, values, 3e-7) // float32
		}
	}
	if fields < 2000 {
		t.Errorf("%d fields in all files", fields)
	}
}

func TestTimesAgainstReference(t *testing.T) {
	for _, row := range table(t, golden("times.tsv")) {
		f := openReal(t, row["file"])
		name := row["variable"]
		values, err := f.Values(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		axis, err := parseTimeAxis(f.Text(name, "units"), f.Text(name, "calendar"))
		if err != nil {
			t.Errorf("%s %s: %v", row["file"], name, err)
			continue
		}
		for column, x := range map[string]float64{"first": values[0], "last": values[len(values)-1]} {
			if got := axis.at(x).Format("2006-01-02T15:04:05.000Z"); got != row[column] {
				t.Errorf("%s %s: %s %s, want %s", row["file"], name, column, got, row[column])
			}
		}
	}
}

// Units as files write them, against cftime.
func TestTimeUnits(t *testing.T) {
	for _, row := range table(t, golden("units.tsv")) {
		value, err := strconv.ParseFloat(row["value"], 64)
		if err != nil {
			t.Fatal(err)
		}
		axis, err := parseTimeAxis(row["units"], row["calendar"])
		if err != nil {
			t.Error(err)
			continue
		}
		got := axis.at(value)
		if row["calendar"] != "proleptic_gregorian" && got.Before(time.Date(1582, 10, 15, 0, 0, 0, 0, time.UTC)) {
			// cftime names the day in the calendar of the file, Go in today's.
			if row["units"] != "days since 1582-10-01" || got.Format("2006-01-02") != "1582-10-14" {
				t.Errorf("%s: %v", row["units"], got) // Julian 4 October 1582 is Gregorian 14 October
			}
			continue
		}
		if text := got.Format("2006-01-02T15:04:05.000Z"); text != row["instant"] {
			t.Errorf("%g %s (%s): %s, want %s", value, row["units"], row["calendar"], text, row["instant"])
		}
	}
	// CF 4.4: 15 h 15 min 42.5 s in a zone six hours behind UTC. cftime does not
	// read zones of one digit.
	axis, err := parseTimeAxis("seconds since 1992-10-8 15:15:42.5 -6:00", "")
	if got := axis.at(0); err != nil || !got.Equal(time.Date(1992, 10, 8, 21, 15, 42, 5e8, time.UTC)) {
		t.Errorf("%v, %v", got, err)
	}
	// As one real file writes it.
	axis, err = parseTimeAxis("seconds since (1970-1-1 00:00:00.0)", "")
	if got := axis.at(86400); err != nil || !got.Equal(time.Date(1970, 1, 2, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("%v, %v", got, err)
	}
	for _, refused := range [][2]string{
		{"days since 2000-01-01", "360_day"}, {"days since 2000-01-01", "noleap"}, {"days since 2000-01-01", "all_leap"},
		{"months since 2000-01-01", ""}, {"years since 2000-01-01", ""}, {"days since 2000-13-01", ""},
		{"days since yesterday", ""}, {"days", ""}, {"", ""}, {"furlongs since 2000-01-01", ""},
	} {
		if _, err := parseTimeAxis(refused[0], refused[1]); err == nil {
			t.Errorf("%q in calendar %q was taken", refused[0], refused[1])
		}
	}
	if axis, _ := parseTimeAxis("days since 2000-01-01", ""); !axis.at(math.NaN()).IsZero() || !axis.at(1e30).IsZero() {
		t.Error("a time that is none is not zero")
	}
}

// Positions against what the files say beside their projections.
func TestPositions(t *testing.T) {
	at := func(f *File, number int, i, j float64) grid.LatLon {
		t.Helper()
		g := f.Headers()[number-1].Grid
		p, ok := g.LatLonAt(i, j)
		if !ok {
			t.Fatalf("%s: no place for %g, %g", f.name, i, j)
		}
		return p
	}
	check := func(what string, got grid.LatLon, latitudeDeg, longitudeDeg, toleranceDeg float64) {
		t.Helper()
		if math.Abs(got.LatitudeDeg-latitudeDeg) > toleranceDeg || math.Abs(grid.NormalLongitudeDeg(got.LongitudeDeg-longitudeDeg)) > toleranceDeg {
			t.Errorf("%s: %v, want %g, %g", what, got, latitudeDeg, longitudeDeg)
		}
	}
	// Lambert: variables lat and lon of the file, which by a fault of its writer
	// hold four points of the first column upwards (30.03 to 30.34 N on two rows
	// 12 km apart). Plane coordinates are float32 kilometres: half a metre.
	f := openReal(t, "netcdf/cfMissingCalendarAttr.nc")
	lat, err := f.Values(t.Context(), "lat")
	if err != nil {
		t.Fatal(err)
	}
	lon, err := f.Values(t.Context(), "lon")
	if err != nil {
		t.Fatal(err)
	}
	for k := range 2 { // the others are above the grid
		check("Lambert", at(f, 1, 0, float64(k)), lat[k], lon[k], 1e-5)
	}
	// Polar stereographic: global attributes lat00, lon00, latNxNy, lonNxNy, the
	// outer corners of the corner cells, seven digits.
	f = openReal(t, "netcdf/abrfc_qpe_01hr_2022080816Z.nc")
	check("polar stereographic", at(f, 1, -0.5, -0.5), 33.60336, -106.4556, 5e-5)
	check("polar stereographic", at(f, 1, 334.5, 158.5), 38.02708, -90.67825, 1e-5)
	// Stereographic in kilometres: geospatial_lat_min and so on of the file, of the
	// outer corners of the corner cells.
	f = openReal(t, "netcdf/GFS_Puerto_Rico_191km_20090729_0000.nc")
	number := func(name string) float64 { x, _ := f.attributes.number(name); return x }
	southWest, northWest, northEast := at(f, 1, -0.5, -0.5), at(f, 1, -0.5, 38.5), at(f, 1, 44.5, 38.5)
	check("stereographic", grid.LatLon{LatitudeDeg: southWest.LatitudeDeg, LongitudeDeg: northWest.LongitudeDeg},
		number("geospatial_lat_min"), number("geospatial_lon_min"), 2e-6)
	check("stereographic", northEast, number("geospatial_lat_max"), number("geospatial_lon_max"), 2e-6)
	// Two-dimensional latitude and longitude.
	f = openReal(t, "netcdf/cnrfc.qpf.20221208_1200.nc.gz")
	lat, _ = f.Values(t.Context(), "latitude")
	lon, _ = f.Values(t.Context(), "longitude")
	check("curvilinear", at(f, 1, 220, 325), lat[len(lat)-1], lon[len(lon)-1], 1e-9)
}

// What inspect shows of the real files, where the file itself says it.
func TestHeadersOfRealFiles(t *testing.T) {
	utc := func(text string) time.Time {
		when, err := time.Parse("2006-01-02 15", text)
		if err != nil {
			t.Fatal(err)
		}
		return when
	}
	for _, test := range []struct {
		file     string
		number   int
		of       int
		name     string
		short    string
		units    string
		level    string
		value    float64
		valid    time.Time
		start    time.Time
		method   string
		ni, nj   int
		gridName string
		packing  string
	}{
		{"netcdf/AORC_1.1_APCP_surface_2021123003.nc4", 1, 1, "", "APCP_surface", "kg/m^2", "surface", math.NaN(), utc("2021-12-30 03"), time.Time{}, "", 8401, 4201, "latitude_longitude", "netCDF-4 short packed, deflate 5"},
		{"netcdf/GFS_Puerto_Rico_191km_20090729_0000.nc", 8, 120, "air_temperature", "Temperature_isobaric", "K", "isobaric1", 300, utc("2009-07-30 00"), time.Time{}, "", 45, 39, "polar_stereographic", "netCDF classic float"},
		{"netcdf/abrfc_qpe_01hr_2022080816Z.nc", 1, 2, "precipitation_amount", "Total_precipitation", "kg/m^2", "SFC", math.NaN(), utc("2022-08-08 16"), utc("2022-08-08 15"), "sum", 335, 159, "polar_stereographic", "netCDF classic float"},
		{"netcdf/cnrfc.qpf.20221208_1200.nc.gz", 24, 25, "", "QPF_SFC", "in", "SFC", math.NaN(), utc("2022-12-14 12"), utc("2022-12-14 06"), "", 221, 326, "", "netCDF classic float"},
		{"netcdf/2004050300_eta_211.nc", 3, 3, "", "Z_sfc", "gp m", "", math.NaN(), utc("2003-09-25 00"), time.Time{}, "", 135, 95, "polar_stereographic", "netCDF classic float"},
		{"netcdf/nwrfc.QTE.2022121212.nc.gz", 5, 5, "", "QTE", "DEGF", "", math.NaN(), utc("2022-12-12 12"), time.Time{}, "", 679, 550, "latitude_longitude", "netCDF classic float"},
		{"netcdf/WrfNoTimeVar.nc", 1, 1, "", "T2", "K", "", math.NaN(), time.Time{}, time.Time{}, "mean", 162, 123, "lambert_conformal_conic", "netCDF classic float"},
		{"netcdf/arm.gucwbpluvio2M1.a1.20230101.nc", 1, 18, "", "intensity_rt", "mm/hr", "", math.NaN(), time.Time{}, time.Time{}, "", 0, 0, "", "netCDF classic float"},
		{"goes/OR_GLM-L2-GLMM1-M3_G16_s20181830433000_e20181830434000_c20191931535550.nc", 1, 9, "status_flag", "DQF", "1", "", math.NaN(), time.Time{}, time.Time{}, "", 500, 500, "geostationary", "netCDF-4 byte, deflate 4"},
	} {
		headers := openReal(t, test.file).Headers()
		if len(headers) != test.of {
			t.Errorf("%s: %d fields, want %d", test.file, len(headers), test.of)
			continue
		}
		h := headers[test.number-1]
		if h.Number != test.number || h.StandardName != test.name || h.ShortName != test.short || h.Units != test.units ||
			h.Level.Type != test.level || h.Level.Code != -1 || !(h.Level.Value == test.value || math.IsNaN(h.Level.Value) && math.IsNaN(test.value)) ||
			!h.ValidTime.Equal(test.valid) || !h.IntervalStart.Equal(test.start) || h.CellMethod != test.method || h.Member != -1 ||
			h.Grid.NI != test.ni || h.Grid.NJ != test.nj || h.Grid.Name != test.gridName || h.Packing != test.packing {
			t.Errorf("%s: %+v on %+v, want %+v", test.file, h, *h.Grid, test)
		}
	}
	if h := openReal(t, "netcdf/GFS_Global_onedeg_20120515_1200.grib2.nc").Headers()[0]; !h.Grid.Cyclic {
		t.Error("the global grid is not cyclic")
	}
	if h := openReal(t, "netcdf/AORC_1.1_APCP_surface_2021123003.nc4").Headers()[0]; !h.ReferenceTime.Equal(utc("2021-12-30 03")) {
		t.Errorf("reference time %v", h.ReferenceTime)
	}
}

// Radar, satellite and gauge files have no ordinary grid; they are listed, read
// and closed all the same.
func TestForeignFilesAreListed(t *testing.T) {
	var paths []string
	for _, pattern := range []string{"cfradial/*.nc", "goes/*.nc", "netcdf/arm*.nc"} {
		paths = append(paths, testfiles.Glob(t, pattern)...)
	}
	for _, path := range paths {
		f, err := OpenPath(path)
		if err != nil {
			t.Error(err)
			continue
		}
		for _, h := range f.Headers() {
			if _, err := f.Field(t.Context(), h.Number, Options{}); err != nil {
				var fe *ingest.FormatError
				if !errors.As(err, &fe) {
					t.Error(err)
				}
				t.Logf("%s: %v", filepath.Base(path), err)
			}
		}
		if len(f.Headers()) == 0 || len(f.Variables()) == 0 {
			t.Errorf("%s: %d fields, %d variables", path, len(f.Headers()), len(f.Variables()))
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A file opened in place reads as one opened from its bytes.
func TestOpenPath(t *testing.T) {
	for _, name := range []string{"transposed.cdf1.nc", "ensemble.nc4"} {
		inMemory := openInvented(t, name)
		f, err := OpenPath(golden(name))
		if err != nil {
			t.Fatal(err)
		}
		for n := 1; n <= inMemory.Len(); n++ {
			want, err := inMemory.Field(t.Context(), n, Options{})
			if err != nil {
				t.Fatal(err)
			}
			got, err := f.Field(t.Context(), n, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for k := range want.Values {
				if math.Float32bits(got.Values[k]) != math.Float32bits(want.Values[k]) {
					t.Fatalf("%s field %d value %d: %g, want %g", name, n, k, got.Values[k], want.Values[k])
				}
			}
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		if err := f.Close(); err != nil {
			t.Errorf("second Close: %v", err)
		}
		if _, err := f.Field(context.Background(), 1, Options{}); !errors.Is(err, ErrClosed) {
			t.Errorf("read after Close: %v", err)
		}
	}
	if _, err := OpenPath(golden("no such file")); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
}
