package mosaic

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/grib"
	"rimeline/ingest/testfiles"
)

func unfold(t testing.TB, b []byte) []byte {
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

func decode(t testing.TB, file string, o Options) *Mosaic {
	t.Helper()
	mosaics, err := Decode(t.Context(), file, unfold(t, testfiles.Read(t, file)), o)
	if err != nil || len(mosaics) != 1 {
		t.Fatalf("%s: %d mosaics, %v", file, len(mosaics), err)
	}
	return mosaics[0]
}

// Every real file against counts that ecCodes and NumPy make
// (testdata/counts.py).
func TestCodesAgainstEcCodes(t *testing.T) {
	f, err := os.Open("testdata/counts.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = '\t'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, record := range records[1:] {
		t.Run(record[0], func(t *testing.T) {
			if testing.Short() && strings.Contains(record[0], "PrecipRate") {
				t.Skip("of one kind with others")
			}
			m := decode(t, "mrms/"+record[0], Options{})
			number := func(k int) float64 {
				x, err := strconv.ParseFloat(record[k], 64)
				if err != nil {
					t.Fatal(err)
				}
				return x
			}
			c := m.Coverage()
			if m.Product.Parameter != record[1] || c.NoEcho != int(number(2)) || c.NotCovered != int(number(3)) || c.Measured != int(number(4)) {
				t.Errorf("%s: %d no echo, %d not covered, %d measured, want %v", m.Product.Parameter, c.NoEcho, c.NotCovered, c.Measured, record)
			}
			// The table has nine digits; its mean is a sum in another order.
			for _, x := range []struct{ got, want, tol float64 }{{c.Min, number(5), 1e-6}, {c.Max, number(6), 1e-6}, {c.Mean, number(7), 1e-7}} {
				if math.Abs(x.got-x.want) > x.tol {
					t.Errorf("%v, want %v", c, record)
				}
			}
			if at := m.Time.Format("20060102150405"); at != record[8] {
				t.Errorf("time %s, want %s", at, record[8])
			}
		})
	}
}

// Point by point against wgrib2.
func TestValuesAgainstWgrib2(t *testing.T) {
	for _, test := range []struct {
		file, dump          string
		missing, noCoverage float32
	}{
		{"mrms/MRMS_PrecipFlag_00.00_20260219-042400.grib2.gz", "reference/others/MRMS_PrecipFlag_20260219-042400.wgrib2-le.f32.gz", -1, -3},
		{"mrms/MRMS_ReflectivityAtLowestAltitude_00.50_20230406-120039.grib2.gz", "reference/others/MRMS_ReflectivityAtLowestAltitude_20230406-120039.wgrib2-le.f32.gz", -99, -999},
	} {
		m := decode(t, test.file, Options{})
		want := unfold(t, testfiles.Read(t, test.dump))
		g := m.Field.Grid
		if len(want) != 4*g.NI*g.NJ {
			t.Fatalf("%s: %d bytes", test.dump, len(want))
		}
		bad := 0
		for k, got := range m.Field.Values { // both in the order of the file
			w := math.Float32frombits(binary.LittleEndian.Uint32(want[4*k:]))
			ok := got == w
			switch w {
			case test.noCoverage:
				ok = grid.StateOf(got) == grid.NotCovered
			case test.missing:
				ok = grid.StateOf(got) == grid.BelowThreshold
			}
			if !ok {
				if bad++; bad < 5 {
					t.Errorf("%s point %d: %v %v, wgrib2 %v", test.file, k, got, grid.StateOf(got), w)
				}
			}
		}
		if bad > 0 {
			t.Errorf("%s: %d points differ", test.file, bad)
		}
	}
}

func TestWindowAroundPlaces(t *testing.T) {
	const file = "mrms/MRMS_MergedReflectivityQCComposite_00.50_20220704-110040.grib2"
	whole := decode(t, file, Options{})
	site := grid.LatLon{LatitudeDeg: 40.03, LongitudeDeg: -88.28}
	m := decode(t, file, Options{Places: []grid.LatLon{site}, MarginM: 60e3})
	if n := len(m.Field.Values); n < 100*100 || n > 200*200 {
		t.Errorf("%d points kept", n)
	}
	a, b := whole.Nearest(site), m.Nearest(site)
	if a.State != b.State || a.DistanceM > 800 || a.Place != b.Place && grid.DistanceM(a.Place, b.Place) > 1 || a.Value != b.Value && a.Value == a.Value {
		t.Errorf("whole %+v, window %+v", a, b)
	}
	if c, w := m.Around(site, 50e3), whole.Around(site, 50e3); c.Measured != w.Measured || c.NoEcho != w.NoEcho || c.NotCovered != w.NotCovered || c.Measured+c.NoEcho+c.NotCovered < 6000 {
		// A circle of 50 km holds 7854 km2, at 0.95 km2 a point about 8300 points.
		t.Errorf("window %+v, whole %+v", c, w)
	}
	if c := m.Around(site, 0); c.Measured+c.NoEcho+c.NotCovered != 1 {
		t.Errorf("the nearest point alone: %+v", c)
	}
	if s := m.Nearest(grid.LatLon{LatitudeDeg: 60, LongitudeDeg: 10}); s.State != grid.NotCovered || !math.IsNaN(s.Value) {
		t.Errorf("far away: %+v", s)
	}
	if c := m.Around(grid.LatLon{LatitudeDeg: 60, LongitudeDeg: 10}, 1e4); c.Measured+c.NoEcho+c.NotCovered != 0 {
		t.Errorf("far away: %+v", c)
	}
	_, err := Decode(t.Context(), file, testfiles.Read(t, file), Options{Places: []grid.LatLon{{LatitudeDeg: 60, LongitudeDeg: 10}}})
	if !errors.Is(err, ErrOutside) {
		t.Errorf("places off the mosaic: %v", err)
	}
}

// The codes by the NSSL table (UserTable_MRMS_v12.1.csv), on an invented field.
func TestCodesByProduct(t *testing.T) {
	field := func(parameter string, values ...float32) *grid.Field {
		return &grid.Field{Number: 1, Parameter: parameter, Grid: &grid.Grid{NI: len(values), NJ: 1}, Values: values}
	}
	const m, n, b = grid.Measured, grid.NotCovered, grid.BelowThreshold
	for _, test := range []struct {
		parameter string
		in        []float32
		state     []grid.GateState
		out       []float32 // of the measured
		check     func(Product) bool
	}{
		{"209.3.53", []float32{-999, -99, -1, -3, 0, 35.5}, []grid.GateState{n, b, m, m, m, m}, []float32{-1, -3, 0, 35.5}, func(p Product) bool { return p.IsothermC == -5 }},
		{"209.3.56", []float32{-99}, []grid.GateState{b}, nil, func(p Product) bool { return p.IsothermC == -20 && p.Quantity == IsothermalReflectivity }},
		{"209.3.44", []float32{-3, -1, 7.5}, []grid.GateState{n, b, m}, []float32{7500}, func(p Product) bool { return p.ThresholdDBZ == 18 && p.Units == "m" }},
		{"209.3.41", []float32{-3, -1, 0, 2.25}, []grid.GateState{n, b, m, m}, []float32{0, 2.25}, func(p Product) bool { return p.Quantity == VerticallyIntegratedLiquid }},
		{"209.6.1", []float32{-3, -1, 0, 2.5}, []grid.GateState{n, n, m, m}, []float32{0, 2.5}, func(p Product) bool { return p.Units == "mm h-1" }},
		{"209.6.0", []float32{-3, 0, 3, 96}, []grid.GateState{n, m, m, m}, []float32{0, 3, 96}, func(p Product) bool { return p.Quantity == PrecipitationType }},
		{"209.6.39", []float32{-3, 1}, []grid.GateState{n, m}, []float32{1}, func(p Product) bool { return p.Duration == 6*time.Hour && p.Name == "MultiSensor_QPE_06H_Pass2" }},
		{"209.6.8", []float32{float32(math.NaN())}, []grid.GateState{n}, nil, func(p Product) bool { return p.Duration == 72*time.Hour && p.Name == "RadarOnly_QPE_72H" }},
		{"209.7.4", []float32{-3, -1, 1850}, []grid.GateState{n, n, m}, []float32{1850}, func(p Product) bool { return p.Quantity == BrightBandTop }},
		{"209.10.0", []float32{-999, -99, 0}, []grid.GateState{n, b, m}, []float32{0}, func(p Product) bool { return p.Quantity == CompositeReflectivity }},
	} {
		got, err := Interpret("invented", field(test.parameter, append([]float32(nil), test.in...)...))
		if err != nil {
			t.Fatal(err)
		}
		if !test.check(got.Product) || got.Field.Units != got.Product.Units {
			t.Errorf("%s is %+v", test.parameter, got.Product)
		}
		rest := test.out
		for k, v := range got.Field.Values {
			if state := grid.StateOf(v); state != test.state[k] {
				t.Errorf("%s: %v is %v, want %v", test.parameter, test.in[k], state, test.state[k])
			} else if state == m {
				if v != rest[0] {
					t.Errorf("%s: %v became %v, want %v", test.parameter, test.in[k], v, rest[0])
				}
				rest = rest[1:]
			}
		}
	}
	var formatError *ingest.FormatError
	for _, parameter := range []string{"209.12.39", "0.16.4", ""} {
		if got, err := Interpret("invented", field(parameter, 1)); got != nil || !errors.As(err, &formatError) || !errors.Is(err, ingest.ErrUnsupported) {
			t.Errorf("%q: %v, %v", parameter, got, err)
		}
	}
}

// Names of the list against the parameter table of the GRIB decoder, which comes
// from another table than this package's (degrib, in GDAL).
func TestProductsAgainstParameterTable(t *testing.T) {
	seen := map[string]bool{}
	for _, p := range Products() {
		if seen[p.Parameter] {
			t.Errorf("%s twice", p.Parameter)
		}
		seen[p.Parameter] = true
		if p.Quantity == 0 || strings.HasPrefix(p.Quantity.String(), "quantity") {
			t.Errorf("%s: quantity %v", p.Name, p.Quantity)
		}
	}
	table, err := os.ReadFile("../grib/parameters.tsv")
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]string{}
	for line := range strings.Lines(string(table)) {
		if f := strings.Split(line, "\t"); len(f) == 5 && f[0] == "161" {
			names[f[1]] = f[2]
		}
	}
	for _, p := range Products() {
		if names[p.Parameter] != p.Name {
			t.Errorf("%s is %q there, %q here", p.Parameter, names[p.Parameter], p.Name)
		}
	}
	if Quantity(0).String() != "quantity 0" || Quantity(200).String() != "quantity 200" {
		t.Error("names of quantities that there are not")
	}
}

func TestPrecipitationClasses(t *testing.T) {
	// UserTable_MRMS_PrecipFlags.csv of NSSL.
	for code, want := range map[PrecipitationClass]string{
		0: "no precipitation", 1: "warm stratiform rain", 3: "snow", 6: "convective rain", 7: "rain mixed with hail",
		10: "cool stratiform rain", 91: "tropical/stratiform rain mix", 96: "tropical/convective rain mix", 5: "precipitation class 5",
	} {
		if got := code.String(); got != want {
			t.Errorf("class %d is %q", code, got)
		}
	}
}

// What is not read is named, and no value is decoded for it.
func TestOtherFiles(t *testing.T) {
	file := "mrms/MRMS_FLASH_HP_MAXUNITSTREAMFLOW_00.00_20210615-190000.grib2"
	mosaics, err := Decode(t.Context(), file, testfiles.Read(t, file), Options{})
	if len(mosaics) != 0 || !errors.Is(err, ingest.ErrUnsupported) {
		t.Errorf("%d mosaics, %v", len(mosaics), err)
	}
	messages, err := grib.Messages(file, testfiles.Read(t, file))
	if err != nil {
		t.Fatal(err)
	}
	if header := messages[0].Header(); !IsMosaic(&header) {
		t.Errorf("%s is no mosaic", header.Parameter)
	}
	var formatError *ingest.FormatError
	if mosaics, err := Decode(t.Context(), "garbage", []byte("GRIB\x00\x00\xd1\x02\x00\x00\x00\x00\x00\x00\x00\x10"), Options{}); len(mosaics) != 0 || !errors.As(err, &formatError) {
		t.Errorf("garbage: %d, %v", len(mosaics), err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if mosaics, err := Decode(ended, file, testfiles.Read(t, "mrms/MRMS_PrecipFlag_00.00_20260219-042400.grib2.gz"), Options{}); len(mosaics) != 0 || err == nil {
		t.Errorf("ended context: %d, %v", len(mosaics), err)
	}
}

func BenchmarkDecodeWatershed(b *testing.B) {
	const file = "mrms/MRMS_PrecipRate_00.00_20190610-000000.grib2"
	data := testfiles.Read(b, file)
	o := Options{Places: []grid.LatLon{{LatitudeDeg: 39, LongitudeDeg: -106}}, MarginM: 100e3}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(b.Context(), file, data, o); err != nil {
			b.Fatal(err)
		}
	}
}

func ExampleInterpret() {
	// Two points of reflectivity at -15 degrees Celsius without a number: one
	// where the radars saw nothing, one where none of them looks.
	field := &grid.Field{Parameter: "209.3.55", Grid: &grid.Grid{NI: 3, NJ: 1}, Values: []float32{28.5, -99, -999}}
	m, err := Interpret("mosaic.grib2", field)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(m.Product.Quantity, m.Product.IsothermC)
	for _, v := range m.Field.Values {
		fmt.Println(v, grid.StateOf(v))
	}
	// Output:
	// reflectivity at an isotherm -15
	// 28.5 measured
	// NaN below threshold
	// NaN not covered
}
