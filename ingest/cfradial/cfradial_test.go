package cfradial

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/testfiles"
)

const invented = "../../testdata/cfradial/ragged.nc"

func readFile(t testing.TB, name string) []byte {
	t.Helper()
	if name != "ragged.nc" {
		return testfiles.Read(t, "cfradial/"+name)
	}
	b, err := os.ReadFile(invented)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func decode(t testing.TB, name string) *grid.Volume {
	t.Helper()
	v, err := Decode(t.Context(), name, readFile(t, name))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every field of every sweep against Py-ART and netCDF4-python, which agree
// (testdata/golden.py).
func TestSweepsAgainstPyART(t *testing.T) {
	f, err := os.Open("testdata/golden.tsv")
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
	volumes := map[string]*grid.Volume{}
	fields := map[string]int{}
	for _, record := range records[1:] {
		name := record[0]
		if name != "ragged.nc" && testfiles.Root() == "" {
			continue
		}
		if volumes[name] == nil {
			volumes[name] = decode(t, name)
		}
		number := func(k int) float64 {
			x, err := strconv.ParseFloat(record[k], 64)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
		v := volumes[name]
		s := int(number(1))
		if s >= len(v.Sweeps) {
			t.Errorf("%s: %d sweeps", name, len(v.Sweeps))
			continue
		}
		sweep := v.Sweeps[s]
		fields[fmt.Sprint(name, s)]++
		vertical := record[3] == "rhi"
		if sweep.Number != int(number(2))+1 || string(sweep.Mode) != record[3] || sweep.Mode.Vertical() != vertical || len(sweep.Radials) != int(number(6)) {
			t.Errorf("%s sweep %d: number %d, mode %s, %d radials, want %v", name, s, sweep.Number, sweep.Mode, len(sweep.Radials), record[:8])
		}
		if math.Abs(sweep.ElevationDeg-number(5)) > 1e-5 {
			t.Errorf("%s sweep %d: mean elevation %v, want %v", name, s, sweep.ElevationDeg, number(5))
		}
		if fixed := number(4); vertical != math.IsNaN(sweep.TargetElevationDeg) || !vertical && math.Abs(sweep.TargetElevationDeg-fixed) > 1e-5 {
			t.Errorf("%s sweep %d: target elevation %v, want %v", name, s, sweep.TargetElevationDeg, fixed)
		}
		if start := sweep.Start.Format("2006-01-02T15:04:05.000"); start != record[7] {
			t.Errorf("%s sweep %d: start %s, want %s", name, s, start, record[7])
		}
		var m *grid.Moment
		for _, candidate := range sweep.Moments {
			if candidate.FieldName == record[8] {
				m = candidate
			}
		}
		if m == nil {
			t.Errorf("%s sweep %d: no field %s", name, s, record[8])
			continue
		}
		got := m.Statistics()
		if m.Gates != int(number(9)) || math.Abs(m.FirstGateM-number(10)) > 1e-4 || math.Abs(m.GateSpacingM-number(11)) > 1e-5 {
			t.Errorf("%s sweep %d %s: %d gates from %v by %v, want %v", name, s, record[8], m.Gates, m.FirstGateM, m.GateSpacingM, record[9:12])
		}
		if got.Valid != int(number(12)) || got.BelowThreshold != 0 || got.RangeFolded != 0 || got.Valid+got.NotCovered != m.Gates*len(sweep.Radials) {
			t.Errorf("%s sweep %d %s: %+v, want %v valid", name, s, record[8], got, record[12])
		}
		// The table has eight digits.
		for _, x := range []struct{ got, want float64 }{{got.Min, number(13)}, {got.Max, number(14)}, {got.Mean, number(15)}} {
			if !(math.Abs(x.got-x.want) <= 2e-7*math.Max(1, math.Abs(x.want))) {
				t.Errorf("%s sweep %d %s: %+v, want %v", name, s, record[8], got, record[12:])
			}
		}
	}
	for name, v := range volumes {
		for s, sweep := range v.Sweeps {
			if len(sweep.Moments) != fields[fmt.Sprint(name, s)] {
				t.Errorf("%s sweep %d: %d moments, the table has %d", name, s, len(sweep.Moments), fields[fmt.Sprint(name, s)])
			}
		}
	}
}

// What testdata/cfradial/invented.py wrote.
func TestInventedVolume(t *testing.T) {
	v := decode(t, "ragged.nc")
	start := time.Date(2026, 1, 14, 9, 30, 0, 0, time.UTC)
	if v.Radar != "LARKSPUR" || v.Antenna.LatitudeDeg != 44.25 || v.Antenna.LongitudeDeg != -114.5 || v.Antenna.AltitudeM != 2310.5 ||
		v.TowerHeightM != 25 || math.Abs(v.BeamwidthDeg-0.95) > 1e-6 || !v.Time.Equal(start) || !v.Complete || len(v.Sweeps) != 3 {
		t.Errorf("%+v", v)
	}
	first, second, rhi := v.Sweeps[0], v.Sweeps[1], v.Sweeps[2]
	if first.Radials[0].AzimuthDeg != 352.5 || first.Radials[1].AzimuthDeg != 7.5 || first.Radials[3].SpacingDeg != 15 || !first.Complete {
		t.Errorf("first sweep: %+v", first.Radials[:2])
	}
	if first.NyquistVelocityMPerS != 8.25 || second.NyquistVelocityMPerS != 16.5 || !math.IsNaN(first.UnambiguousRangeM) {
		t.Errorf("Nyquist velocities %v, %v, range %v", first.NyquistVelocityMPerS, second.NyquistVelocityMPerS, first.UnambiguousRangeM)
	}
	if !second.Start.Equal(start.Add(6*time.Second)) || !second.End.Equal(start.Add(11750*time.Millisecond)) {
		t.Errorf("second sweep %v to %v", second.Start, second.End)
	}
	if k, ok := first.Nearest(0); !ok || k > 1 {
		t.Errorf("north is radial %d, %v", k, ok)
	}
	if rhi.Radials[10].ElevationDeg != 21 || rhi.Radials[0].AzimuthDeg != 211 {
		t.Errorf("%+v", rhi.Radials[10])
	}
	ref := second.Moment(grid.MomentReflectivity)
	for _, test := range []struct{ radial, gate int }{{0, 0}, {0, 12}, {5, 24}, {6, 3}, {6, 6}, {6, 7}, {7, 0}, {23, 24}} {
		ray := 24 + test.radial
		want := math.NaN()
		last := map[int]int{30: 7, 31: 0}
		gates, short := last[ray]
		if !short {
			gates = 25
		}
		if test.gate < gates && (ray+test.gate)%9 != 0 {
			want = float64(float32(float64(100*(ray-test.gate))*float64(float32(0.01)) + 0.5))
		}
		got := float64(ref.At(test.radial, test.gate))
		if got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Errorf("radial %d gate %d: %v, want %v", test.radial, test.gate, got, want)
		}
		if math.IsNaN(want) && grid.StateOf(ref.At(test.radial, test.gate)) != grid.NotCovered {
			t.Errorf("radial %d gate %d is %v", test.radial, test.gate, grid.StateOf(ref.At(test.radial, test.gate)))
		}
	}
}

func TestMomentNames(t *testing.T) {
	field := func(name, standardName string) cfgrid.Variable {
		return cfgrid.Variable{Name: name, StandardName: standardName}
	}
	for _, test := range []struct {
		fields []cfgrid.Variable
		want   string
	}{
		{[]cfgrid.Variable{field("DBZH", ""), field("total", "equivalent_reflectivity_factor"), field("VRADH", "")}, "DBZH REF VEL"},
		{[]cfgrid.Variable{field("REF", ""), field("Z", "equivalent_reflectivity_factor")}, "REF (field) REF"},
		{[]cfgrid.Variable{field("uncorrected_cross_correlation_ratio", ""), field("RHOHV", ""), field("PHIDP", ""), field("ZDR", ""), field("WIDTH", "")}, "uncorrected_cross_correlation_ratio RHO PHI ZDR SW"},
		{[]cfgrid.Variable{field("NCP", "")}, "NCP"},
	} {
		if got := strings.Join(momentNames(test.fields), " "); got != test.want {
			t.Errorf("%v named %s, want %s", test.fields, got, test.want)
		}
	}
}

func TestRefusesOtherFiles(t *testing.T) {
	for _, path := range []string{"../../testdata/netcdf/ensemble.nc4", "../../testdata/netcdf/ragged.nc"} {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var formatError *ingest.FormatError
		if v, err := Decode(t.Context(), path, b); v != nil || !errors.As(err, &formatError) {
			t.Errorf("%s: %v, %v", path, v, err)
		}
		f, err := cfgrid.Open(path, b)
		if err != nil {
			t.Fatal(err)
		}
		if Is(f) {
			t.Errorf("%s is a radar volume", path)
		}
		f.Close()
	}
	f, err := cfgrid.OpenPath(invented)
	if err != nil {
		t.Fatal(err)
	}
	if !Is(f) {
		t.Error("the invented volume is none")
	}
	f.Close()
}

// Contents that a valid netCDF file may have and a volume may not: the reader is
// given what it needs directly.
func TestRefusesBrokenIndices(t *testing.T) {
	for _, test := range []struct {
		name   string
		breaks func(r *volumeReader)
	}{
		{"no rays", func(r *volumeReader) { r.variables["time"] = withLength(r, "time", 0) }},
		{"rays beyond the ceiling", func(r *volumeReader) {
			for _, name := range []string{"time", "azimuth", "elevation"} {
				r.variables[name] = withLength(r, name, maxRays+1)
			}
		}},
		{"no azimuth", func(r *volumeReader) { delete(r.variables, "azimuth") }},
		{"no range", func(r *volumeReader) { delete(r.variables, "range") }},
		{"range by something else", func(r *volumeReader) {
			v := r.variables["range"]
			v.Dimensions = []cfgrid.Dimension{{Name: "frequency", Length: 2}, {Name: "range", Length: 40}}
			r.variables["range"] = v
		}},
		{"starts without counts", func(r *volumeReader) { delete(r.variables, "ray_n_gates") }},
		{"no end of sweeps", func(r *volumeReader) { delete(r.variables, "sweep_end_ray_index") }},
		{"range in miles", func(r *volumeReader) { v := r.variables["range"]; v.Units = "miles"; r.variables["range"] = v }},
	} {
		f, err := cfgrid.OpenPath(invented)
		if err != nil {
			t.Fatal(err)
		}
		r := newReader(t.Context(), "invented", f)
		test.breaks(r)
		var formatError *ingest.FormatError
		if v, err := r.read(); v != nil || !errors.As(err, &formatError) {
			t.Errorf("%s: %v, %v", test.name, v, err)
		}
		f.Close()
	}
}

func withLength(r *volumeReader, name string, n int) cfgrid.Variable {
	v := r.variables[name]
	v.Dimensions = []cfgrid.Dimension{{Name: "time", Length: n}}
	return v
}

func TestEvenGates(t *testing.T) {
	f, err := cfgrid.OpenPath(invented)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := newReader(t.Context(), "invented", f)
	if first, spacing, err := r.even([]float64{0.125, 0.375, 0.625}, 1000); err != nil || first != 125 || spacing != 250 {
		t.Errorf("kilometres: %v, %v, %v", first, spacing, err)
	}
	if first, spacing, err := r.even([]float64{500}, 1); err != nil || first != 500 || spacing != 250 {
		t.Errorf("one gate: %v, %v, %v", first, spacing, err)
	}
	for _, values := range [][]float64{{0, 100, 300}, {0, math.NaN(), 200}, {0, 100, math.NaN()}} {
		if _, _, err := r.even(values, 1); err == nil {
			t.Errorf("%v is even", values)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	data := testfiles.Read(b, "cfradial/MLL2217907250U.003.nc")
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decode(b.Context(), "bench", data); err != nil {
			b.Fatal(err)
		}
	}
}
