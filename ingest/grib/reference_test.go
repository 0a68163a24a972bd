package grib

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/testfiles"
)

// inProcess decodes rare packings with ecCodes here, as tests may.
type inProcess struct{}

func (inProcess) DecodeValues(_ context.Context, message []byte) ([]float64, error) {
	return lib.DecodeGRIB(message)
}

// readAll reads a real file, gzip undone.
func readAll(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if strings.HasSuffix(path, ".gz") {
		z, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		if b, err = io.ReadAll(z); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

// realFiles are all GRIB2 files among the real files.
func realFiles(t testing.TB) []string {
	return append(testfiles.Glob(t, "grib2/*.grib2"), testfiles.Glob(t, "mrms/*.grib2*")...)
}

// table reads a tab-separated reference table with a heading line.
func table(t testing.TB, path string) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	var rows []map[string]string
	lines := bufio.NewScanner(bytes.NewReader(b))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		f := strings.Split(lines.Text(), "\t")
		if names == nil {
			names = f
			continue
		}
		row := map[string]string{}
		for k, v := range f {
			row[names[k]] = v
		}
		rows = append(rows, row)
	}
	return rows
}

// rawToRows is where the point of a message with a raw index comes to lie
// (WMO-No. 306, Volume I.2, flag table 3.4: bit 3, points along j are
// consecutive; bit 4, every other line runs backwards).
func rawToRows(k, ni, nj int, scan grid.ScanMode) (i, j int) {
	line := ni
	if scan&0x20 != 0 {
		line = nj
	}
	a, b := k/line, k%line
	if scan&0x10 != 0 && a%2 == 1 {
		b = line - 1 - b
	}
	if scan&0x20 != 0 {
		return a, b
	}
	return b, a
}

// constantWithoutGroups says whether a message of template 5.3 has no groups and
// an empty section 7. ecCodes 2.28 reads its first values from the bytes behind,
// the 7777 of section 8 (0x37 = 55, 55, ...). The same forecast packed simply
// says 0 for the four such messages: TestConstantWithoutGroups.
func constantWithoutGroups(m *Message) bool {
	return len(m.sections.data.b) == 5 && strings.HasPrefix(m.header.Packing, "5.3")
}

// The tables were made with ecCodes 2.28: statistics, and five points of each
// message by their index in the message.
func TestReferenceTables(t *testing.T) {
	for _, path := range realFiles(t) {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			reference := filepath.Join(testfiles.Root(), "reference", name+".tsv")
			rows := table(t, reference)
			b := readAll(t, path)
			messages, err := Messages(name, b)
			checkFileError(t, name, err)
			n := 0
			for _, row := range rows {
				if strings.HasPrefix(row["note"], "ERROR") {
					continue
				}
				n++
			}
			if name == "rap-native.20160425.t22z.header.grib2" {
				n++ // ecCodes does not know its grid
			}
			if len(messages) != n {
				t.Fatalf("%d messages, the table has %d", len(messages), n)
			}
			for k, m := range messages {
				if strings.HasPrefix(rows[k]["note"], "ERROR") || constantWithoutGroups(m) {
					continue
				}
				field, err := m.Field(context.Background(), Options{Rare: inProcess{}})
				if err != nil {
					t.Error(err)
					continue
				}
				compareWithTable(t, m, field, rows[k])
			}
		})
	}
}

// checkFileError: one of the files is cut off.
func checkFileError(t *testing.T, name string, err error) {
	t.Helper()
	switch {
	case strings.Contains(name, "truncated"):
		var place *ingest.FormatError
		if !errors.Is(err, ingest.ErrTruncated) || !errors.As(err, &place) {
			t.Errorf("error %v, want a truncated message", err)
		}
	case err != nil:
		t.Error(err)
	}
}

func compareWithTable(t *testing.T, m *Message, field *grid.Field, row map[string]string) {
	t.Helper()
	number := func(name string) float64 {
		v, err := strconv.ParseFloat(row[name], 64)
		if err != nil {
			t.Fatalf("message %d: %s is %q", field.Number, name, row[name])
		}
		return v
	}
	if got, want := field.Parameter, row["discipline"]+"."+row["category"]+"."+row["number"]; got != want {
		t.Errorf("message %d: parameter %s, want %s", field.Number, got, want)
	}
	if got, want := field.ReferenceTime.Format("20060102"), row["dataDate"]; got != want {
		t.Errorf("message %d: reference time %s, want %s", field.Number, got, want)
	}
	if got, want := field.ReferenceTime.Hour()*100+field.ReferenceTime.Minute(), int(number("dataTime")); got != want {
		t.Errorf("message %d: reference time %d, want %d", field.Number, got, want)
	}
	s := field.Statistics()
	if float64(s.Missing) != number("missing") || len(field.Values) != int(number("npoints")) {
		t.Errorf("message %d: %d of %d missing, want %s of %s", field.Number, s.Missing, len(field.Values), row["missing"], row["npoints"])
	}
	if s.Count > 0 {
		if float32(s.Min) != float32(number("min")) || float32(s.Max) != float32(number("max")) {
			t.Errorf("message %d: %.9g to %.9g, want %s to %s", field.Number, s.Min, s.Max, row["min"], row["max"])
		}
		if scale := math.Max(math.Abs(s.Min), math.Abs(s.Max)); math.Abs(s.Mean-number("average")) > 1e-7*scale {
			t.Errorf("message %d: mean %.12g, want %s (rounding to float32 may move it by 6e-8 of the largest value)", field.Number, s.Mean, row["average"])
		}
	}
	g := field.Grid
	if row["Ni"] != "" && (g.NI != int(number("Ni")) || g.NJ != int(number("Nj"))) {
		t.Errorf("message %d: %d x %d, want %s x %s", field.Number, g.NI, g.NJ, row["Ni"], row["Nj"])
	}
	for _, p := range []string{"0", "1", "2", "3", "4"} {
		k := int(number("i" + p))
		i, j, at := 0, 0, k
		if g.NI > 0 {
			i, j = rawToRows(k, g.NI, g.NJ, m.geometry.scan)
			at = j*g.NI + i
		}
		got := field.Values[at]
		if want := row["value"+p]; want == "missing" {
			if !math.IsNaN(float64(got)) {
				t.Errorf("message %d: point %d is %v, want missing", field.Number, k, got)
			}
		} else if got != float32(number("value"+p)) {
			t.Errorf("message %d: point %d is %v, want %s", field.Number, k, got, want)
		}
		if row["lat"+p] == "" {
			continue
		}
		if m.geometry.scan&0x10 != 0 {
			// Here the table pairs the value with the position that it would have
			// if no row ran backwards; see TestAlternateScanning.
			i, j = rawToRows(k, g.NI, g.NJ, m.geometry.scan&^0x10)
		}
		place, ok := g.LatLonAt(float64(i), float64(j))
		want := grid.LatLon{LatitudeDeg: number("lat" + p), LongitudeDeg: number("lon" + p)}
		if d := math.Abs(grid.NormalLongitudeDeg(place.LongitudeDeg - want.LongitudeDeg)); !ok || d > 1e-4 || math.Abs(place.LatitudeDeg-want.LatitudeDeg) > 1e-4 {
			t.Errorf("message %d: point %d at %v (%v), want %v within 1e-4 degrees", field.Number, k, place, ok, want)
		}
	}
}

// The Eta forecast lies there in two packings. Where one is constant, so is the
// other; elsewhere they agree to the coarser of their steps.
func TestConstantWithoutGroups(t *testing.T) {
	const complexName, simpleName = "grib2/eta211.20041208.t12z.f024.complex.grib2", "grib2/eta211.20041208.t12z.f024.simple.grib2"
	packedComplex, err := Decode(context.Background(), complexName, testfiles.Read(t, complexName), Options{})
	if err != nil {
		t.Fatal(err)
	}
	packedSimply, err := Decode(context.Background(), simpleName, testfiles.Read(t, simpleName), Options{})
	if err != nil {
		t.Fatal(err)
	}
	constant := 0
	for k, field := range packedComplex {
		s, want := field.Statistics(), packedSimply[k].Statistics()
		if want.Min == want.Max {
			constant++
			if s.Min != want.Min || s.Max != want.Max {
				t.Errorf("message %d: %v to %v, want the constant %v of the same forecast in simple packing", k+1, s.Min, s.Max, want.Min)
			}
		}
	}
	if constant < 4 {
		t.Errorf("%d constant fields, want the four without groups at least", constant)
	}
}

// Every value of every real file equals that of ecCodes, rounded to float32.
func TestEveryValueAgainstEcCodes(t *testing.T) {
	for _, path := range realFiles(t) {
		name := filepath.Base(path)
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			messages, _ := Messages(name, readAll(t, path))
			for _, m := range messages {
				if constantWithoutGroups(m) {
					continue
				}
				if name == "rap-native.20160425.t22z.header.grib2" {
					continue // ecCodes does not know its grid
				}
				compareWithEcCodes(t, m)
			}
		})
	}
}

// inFileOrder decodes a message without putting its rows in order.
func inFileOrder(m *Message) ([]float32, error) {
	d := decoding{m: m, ctx: context.Background(), rare: inProcess{}, points: m.Points()}
	if err := d.prepare(); err != nil {
		return nil, err
	}
	values := make([]float32, m.Points())
	return values, d.values(values, wholeSpan(0, m.Points()))
}

// compareWithEcCodes decodes a message both ways, in the order of the file.
func compareWithEcCodes(t *testing.T, m *Message) {
	t.Helper()
	single, err := m.standalone()
	if err != nil {
		t.Fatal(err)
	}
	want, err := lib.DecodeGRIB(single)
	if err != nil {
		t.Fatalf("%s: message %d: %v", m.place.file, m.place.message, err)
	}
	got, err := inFileOrder(m)
	if err != nil {
		t.Error(err)
		return
	}
	if len(want) != len(got) {
		t.Errorf("%s: message %d: %d values, want %d", m.place.file, m.place.message, len(got), len(want))
		return
	}
	different := 0
	for k, w := range want {
		if w32 := float32(w); math.Float32bits(got[k]) != math.Float32bits(w32) && !(w != w && got[k] != got[k]) {
			if different++; different <= 3 {
				t.Errorf("%s: message %d: value %d is %v, want %v", m.place.file, m.place.message, k, got[k], w32)
			}
		}
	}
	if different > 3 {
		t.Errorf("%s: message %d (%s): %d of %d values differ", m.place.file, m.place.message, m.header.Packing, different, len(want))
	}
}

// The dumps are of wgrib2 (-order raw -no_header -bin): little-endian float32,
// 9.999e20 where missing.
func TestWgrib2Dumps(t *testing.T) {
	for _, test := range []struct {
		dump, file string
		message    int
	}{
		{"cmc_glb.20210518.tmp1hpa", "grib2/CMC_glb_TMP_ISBL_1_latlon.24x.24_2021051800_P000.grib2", 1},
		{"ecmwf.oper.20240101.msg1", "grib2/ecmwf.oper.20240101.t00z.f000.first10.grib2", 1},
		{"gdas.20230111.msg13", "grib2/gdas.20230111.t12z.pgrb2.0p25.f000.msg13.grib2", 1},
		{"gdas.20230111.msg47", "grib2/gdas.20230111.t12z.pgrb2.0p25.f000.msg47.grib2", 1},
		{"jma.meps.20190605.msg1.3", "grib2/jma.meps.20190605.t00z.L-pall.first20.grib2", 3},
		{"ndfd.20231102.minrh.msg1", "grib2/ndfd.20231102.minrh.grib2", 1},
		{"MRMS_PrecipFlag_20260219-042400", "mrms/MRMS_PrecipFlag_00.00_20260219-042400.grib2.gz", 1},
		{"MRMS_ReflectivityAtLowestAltitude_20230406-120039", "mrms/MRMS_ReflectivityAtLowestAltitude_00.50_20230406-120039.grib2.gz", 1},
	} {
		t.Run(test.dump, func(t *testing.T) {
			want := readAll(t, testfiles.Path(t, "reference/others/"+test.dump+".wgrib2-le.f32.gz"))
			messages, err := Messages(test.file, readAll(t, testfiles.Path(t, test.file)))
			if err != nil {
				t.Fatal(err)
			}
			m := messages[test.message-1]
			got, err := inFileOrder(m)
			if err != nil {
				t.Fatal(err)
			}
			if len(want) != 4*len(got) {
				t.Fatalf("%d values, want %d", len(got), len(want)/4)
			}
			different := 0
			for k, v := range got {
				w := math.Float32frombits(binary.LittleEndian.Uint32(want[4*k:]))
				if w == 9.999e20 {
					w = float32(math.NaN())
				}
				if v != w && (v == v || w == w) {
					// wgrib2 scales in float32 for some packings: one unit in the last place.
					if up := math.Nextafter32(w, v); up != v {
						if different++; different < 4 {
							t.Errorf("value %d is %v, want %v within one unit in the last place", k, v, w)
						}
					}
				}
			}
		})
	}
}

// Three places that the herbie and cfgrid libraries decoded from this message.
func TestHerbiePoints(t *testing.T) {
	var golden struct {
		Points []struct {
			Name     string
			Lat, Lon float64
			Value    float64 `json:"value_K"`
			I        int     `json:"grid_i"`
			J        int     `json:"grid_j"`
		}
	}
	if err := json.Unmarshal(testfiles.Read(t, "reference/others/hrrr.20260219.t12z.tmp700mb.golden.json"), &golden); err != nil {
		t.Fatal(err)
	}
	const name = "grib2/hrrr.20260219.t12z.wrfsfcf00.tmp700mb.grib2"
	fields, err := Decode(context.Background(), name, testfiles.Read(t, name), Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range golden.Points {
		s, ok := fields[0].Nearest(grid.LatLon{LatitudeDeg: p.Lat, LongitudeDeg: p.Lon})
		// The source rounds to 1e-6 K.
		if !ok || s.I != p.I || s.J != p.J || math.Abs(s.Value-p.Value) > 1e-5 {
			t.Errorf("%s: %v K at (%d, %d), want %v at (%d, %d)", p.Name, s.Value, s.I, s.J, p.Value, p.I, p.J)
		}
	}
}

// The scanning mode of this file is 0x10 (flag table 3.4): rows from the north,
// the first eastward, the second westward. The grid is regular, 0.1 degrees
// from 51 N 10 W (octets 47 to 71), so positions follow from the standard.
func TestAlternateScanning(t *testing.T) {
	const name = "grib2/era5.20210801.t12z.2t.alternate-scanning.grib2"
	messages, err := Messages(name, testfiles.Read(t, name))
	if err != nil {
		t.Fatal(err)
	}
	m := messages[0]
	field, err := m.Field(context.Background(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	raw, err := lib.DecodeGRIB(testfiles.Read(t, name))
	if err != nil {
		t.Fatal(err)
	}
	g := field.Grid
	for _, k := range []int{0, 1, 290, 291, 292, 581, 582, 12440, 24880, 49760} {
		row, column := k/291, k%291
		if row%2 == 1 {
			column = 290 - column
		}
		if got := field.At(column, row); got != float32(raw[k]) {
			t.Errorf("point %d of the file: %v, want %v", k, got, raw[k])
		}
		step := 29.0 / 290
		place, _ := g.LatLonAt(float64(column), float64(row))
		if want := (grid.LatLon{LatitudeDeg: 51 - step*float64(row), LongitudeDeg: -10 + step*float64(column)}); math.Abs(place.LatitudeDeg-want.LatitudeDeg) > 1e-6 || math.Abs(place.LongitudeDeg-want.LongitudeDeg) > 1e-6 {
			t.Errorf("point %d of the file at %v, want %v", k, place, want)
		}
	}
}
