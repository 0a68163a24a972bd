package crop

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/grib"
	"rimeline/ingest/level2"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
	"rimeline/ingest/testfiles"
)

var bitterroot = grid.LatLon{LatitudeDeg: 45.5, LongitudeDeg: -114.4}

func read(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// ratio is told with -v.
func ratio(t testing.TB, name string, values int64, b []byte) {
	t.Logf("%s: %d bytes of values in a file of %d (%.1f times less)", name, values, len(b), float64(values)/float64(len(b)))
}

func fieldBytes(fields []*grid.Field) int64 {
	n := int64(0)
	for _, f := range fields {
		n += 4 * int64(len(f.Values))
	}
	return n
}

func TestRealModelFields(t *testing.T) {
	for _, path := range testfiles.Glob(t, "grib2/*.grib2") { // the small ones have every grid
		if info, err := os.Stat(path); err != nil || info.Size() > 1<<20 {
			continue
		}
		fields, _ := grib.Decode(context.Background(), filepath.Base(path), read(t, path), grib.Options{}) // damaged and rare ones are missing
		if len(fields) == 0 {
			continue
		}
		fields = fields[:min(len(fields), 3)]
		_, b := thereAndBack(t, &Crop{Kind: "model", Fields: fields})
		ratio(t, filepath.Base(path), fieldBytes(fields), b)
	}
}

func TestRealMosaics(t *testing.T) {
	for _, path := range testfiles.Glob(t, "mrms/*.grib2*") {
		b := read(t, path)
		mosaics, _ := mosaic.Decode(context.Background(), filepath.Base(path), b, mosaic.Options{Places: []grid.LatLon{bitterroot, {LatitudeDeg: 41.7, LongitudeDeg: -93.7}, {LatitudeDeg: 18, LongitudeDeg: -66}}, MarginM: 150e3})
		for _, m := range mosaics {
			got, b := thereAndBack(t, &Crop{Kind: "mosaic", Fields: []*grid.Field{m.Field}})
			// No echo and not covered are NaN both, and still apart.
			again := &mosaic.Mosaic{Product: m.Product, Time: m.Time, Field: got.Fields[0]}
			if x, y := again.Coverage(), m.Coverage(); x.NoEcho != y.NoEcho || x.NotCovered != y.NotCovered || x.Measured != y.Measured {
				t.Errorf("%s: %+v, want %+v", path, x, y)
			}
			ratio(t, filepath.Base(path), fieldBytes(got.Fields), b)
		}
	}
}

func volumeBytes(v *grid.Volume) int64 {
	n := int64(0)
	for _, s := range v.Sweeps {
		for _, m := range s.Moments {
			for k := range m.Rows {
				n += int64(len(m.Rows[k].Raw))
			}
		}
	}
	return n
}

func TestRealVolumes(t *testing.T) {
	for _, path := range testfiles.Glob(t, "level2/[KT]*") {
		stored := read(t, path)
		v, err := level2.Decode(context.Background(), filepath.Base(path), stored, level2.Options{})
		if v == nil {
			t.Fatal(err)
		}
		got, b := thereAndBack(t, &Crop{Kind: "radar", Volume: v})
		ratio(t, fmt.Sprintf("%s (%d bytes)", filepath.Base(path), len(stored)), volumeBytes(v), b)
		for k, s := range v.Sweeps {
			for n, m := range s.Moments {
				if x, y := fmt.Sprint(got.Volume.Sweeps[k].Moments[n].Statistics()), fmt.Sprint(m.Statistics()); x != y {
					t.Errorf("%s: sweep %d %s: %s, want %s", path, k, m.Name, x, y)
				}
			}
		}
	}
}

func TestRealSoundings(t *testing.T) {
	for _, path := range testfiles.Glob(t, "sounding/*") {
		reports, err := sounding.Decode(filepath.Base(path), read(t, path))
		if err != nil && len(reports) == 0 {
			continue // zipped and other forms
		}
		_, b := thereAndBack(t, &Crop{Kind: "sounding", Reports: reports})
		levels := 0
		for _, r := range reports {
			levels += len(r.Levels)
		}
		ratio(t, filepath.Base(path), int64(levels)*108, b)
	}
}

func TestRealSatelliteGrid(t *testing.T) {
	for _, path := range testfiles.Glob(t, "goes/*.nc") {
		f, err := cfgrid.Open(filepath.Base(path), read(t, path))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		var fields []*grid.Field
		for _, h := range f.Headers() {
			if field, err := f.Field(context.Background(), h.Number, cfgrid.Options{}); err == nil && field.Grid.Projection != nil {
				fields = append(fields, field)
			}
		}
		if len(fields) == 0 {
			t.Fatalf("%s: no fields", path)
		}
		_, b := thereAndBack(t, &Crop{Kind: "satellite", Fields: fields})
		ratio(t, filepath.Base(path), fieldBytes(fields), b)
	}
}

// Granules find the same tops as before.
func TestCloudTops(t *testing.T) {
	paths, err := filepath.Glob("../../testdata/satellite/OR_ABI-L2-*.nc")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no invented granules: %v", err)
	}
	var before, after satellite.CloudTops
	c := &Crop{Kind: "satellite"}
	for _, path := range paths {
		g, err := satellite.Decode(context.Background(), filepath.Base(path), read(t, path), satellite.Options{})
		if err != nil {
			t.Fatal(err)
		}
		before.Add(g)
		c.CloudTops = append(c.CloudTops, g)
	}
	got, _ := thereAndBack(t, c)
	for _, g := range got.CloudTops {
		after.Add(g)
	}
	g, found := c.CloudTops[0].Grid, 0
	for j := 0; j < g.NJ; j += 3 {
		for i := 0; i < g.NI; i += 3 {
			place, ok := g.LatLonAt(float64(i), float64(j))
			if !ok {
				continue
			}
			want, wantOK := before.Above(place, satellite.Look{})
			top, ok := after.Above(place, satellite.Look{})
			if d := different(reflect.ValueOf(top), reflect.ValueOf(want), "top"); ok != wantOK || d != "" {
				t.Fatalf("above %v: %v, want %v: %s", place, ok, wantOK, d)
			}
			if ok {
				found++
			}
		}
	}
	if found < 10 {
		t.Errorf("tops above %d places", found)
	}
}

// hrrrLike is a model hour around a programme as its crops are: 121 x 121 points,
// 25 levels of 7 quantities, cut from the real fields that are at hand.
func hrrrLike(t testing.TB) *Crop {
	t.Helper()
	var messages []*grib.Message
	for _, name := range []string{
		"grib2/hrrr.20260219.t12z.wrfsfcf00.tmp700mb.grib2", "grib2/hrrr.20230722.t06z.wrfsfcf01-TMP.grib2",
		"grib2/hrrr.20230722.t06z.wrfsfcf01-UGRD10m.grib2", "grib2/hrrr.20230722.t06z.wrfsfcf01-VVCSH.grib2",
		"grib2/rap.20201220.t00z.wrfnatf06.pres.hybrid1.grib2", "grib2/jma.meps.20190605.t00z.L-pall.first20.grib2",
	} {
		m, err := grib.Messages(name, testfiles.Read(t, name))
		if err != nil && len(m) == 0 {
			t.Fatal(err)
		}
		messages = append(messages, m...)
	}
	c := &Crop{Source: "hrrr", Kind: "model", Object: "hrrr.20260114/conus/hrrr.t06z.wrfprsf01.grib2"}
	for n := 0; len(c.Fields) < 25*7; n++ {
		m := messages[n%len(messages)]
		g, part := m.Header().Grid, n/len(messages)
		w := grid.Window{I0: (g.NI - 121) * (part % 4) / 4, J0: (g.NJ - 121) * (part / 4 % 4) / 4, NI: 121, NJ: 121}
		f, err := m.Field(context.Background(), grib.Options{Window: &w})
		if err != nil {
			t.Fatal(err)
		}
		f.Grid = &grid.Grid{Name: g.Name, Projection: g.Projection, NI: 121, NJ: 121, X: g.X, Y: g.Y, WindsGridRelative: true}
		if n > 0 {
			f.Grid = c.Fields[0].Grid
		}
		c.Fields = append(c.Fields, f)
	}
	return c
}

func clean(b *testing.B, bytes int64, run func() error) {
	b.SetBytes(bytes)
	b.ReportAllocs()
	for b.Loop() {
		if err := run(); err != nil {
			b.Fatal(err)
		}
	}
}

// benchmark measures there and back, and beside it the copying of the same
// values, which is the floor.
func benchmark(b *testing.B, c *Crop, values int64) {
	file, err := Encode(c)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("encode", func(b *testing.B) {
		clean(b, values, func() error { _, err := Encode(c); return err })
		b.ReportMetric(float64(len(file)), "bytes")
	})
	b.Run("decode", func(b *testing.B) {
		clean(b, values, func() error { _, err := Decode("crop", file); return err })
	})
	b.Run("copy", func(b *testing.B) {
		clean(b, values, func() error {
			for _, f := range c.Fields {
				kept = slices.Clone(f.Values)
			}
			if c.Volume != nil {
				for _, s := range c.Volume.Sweeps {
					for _, m := range s.Moments {
						for k := range m.Rows {
							keptBytes = slices.Clone(m.Rows[k].Raw)
						}
					}
				}
			}
			return nil
		})
		b.ReportMetric(float64(values), "bytes")
	})
}

var (
	kept      []float32
	keptBytes []byte
)

func BenchmarkModel(b *testing.B) {
	c := hrrrLike(b)
	benchmark(b, c, fieldBytes(c.Fields))
}

func BenchmarkVolume(b *testing.B) {
	v, err := level2.Decode(context.Background(), "KLBB", testfiles.Read(b, "level2/KLBB20160601_150025_V06"), level2.Options{})
	if err != nil {
		b.Fatal(err)
	}
	benchmark(b, &Crop{Kind: "radar", Volume: v}, volumeBytes(v))
}

func BenchmarkThinVolume(b *testing.B) {
	v, err := level2.Decode(context.Background(), "KLBB", testfiles.Read(b, "level2/KLBB20160601_150025_V06"), level2.Options{})
	if err != nil {
		b.Fatal(err)
	}
	// Four sites 60 to 100 km west of the radar.
	var places []grid.LatLon
	for k := range 4 {
		places = append(places, grid.Destination(v.Antenna.LatLon, 250+10*float64(k), 60e3+10e3*float64(k)))
	}
	thin := Thin(v, ThinOptions{Places: places, MarginM: 60e3})
	benchmark(b, &Crop{Kind: "radar", Volume: thin}, volumeBytes(thin))
}

// What is left of a thinned volume is bit-equal, at the places it was thinned
// for every gate is there, and what was left out is never no echo.
func TestThin(t *testing.T) {
	for _, name := range []string{"level2/KLBB20160601_150025_V06", "level2/KDMX20260101_154351_V06", "level2/TATL20240421_001129_V08", "level2/KTLX19910605_162126.gz"} {
		v, err := level2.Decode(context.Background(), name, testfiles.Read(t, name), level2.Options{})
		if v == nil {
			t.Fatal(err)
		}
		if math.IsNaN(v.Antenna.LatitudeDeg) {
			t.Fatalf("%s: no place", name)
		}
		for _, distanceM := range []float64{5e3, 80e3, 200e3} {
			o := ThinOptions{MarginM: 30e3, Places: []grid.LatLon{grid.Destination(v.Antenna.LatLon, 350, distanceM), grid.Destination(v.Antenna.LatLon, 20, distanceM/2)}}
			notes := len(v.Notes)
			thin := Thin(v, o)
			if len(v.Notes) != notes || len(thin.Notes) < notes+1 || !strings.Contains(thin.Notes[notes], "left out") {
				t.Errorf("%s: notes %q after %q", name, thin.Notes, v.Notes)
			}
			wantThin(t, name, v, thin, o)
			// Cut at the margins in all directions, and between.
			for _, place := range o.Places {
				for azimuthDeg := 0.0; azimuthDeg < 360; azimuthDeg += 15 {
					for _, share := range []float64{0, 0.5, 0.999} {
						at := grid.Destination(place, azimuthDeg, share*o.MarginM)
						for _, moment := range []string{"REF", "VEL", "ZDR", "PHI", "RHO"} {
							want, got := v.ColumnAbove(at, moment, nil), thin.ColumnAbove(at, moment, nil)
							if d := different(reflect.ValueOf(got), reflect.ValueOf(want), moment); d != "" {
								t.Fatalf("%s: %v, %g of the margin: %s", name, at, share, d)
							}
						}
					}
				}
			}
			got, b := thereAndBack(t, &Crop{Volume: thin})
			if distanceM == 80e3 {
				ratio(t, name+", thinned", volumeBytes(got.Volume), b)
			}
			if twice := Thin(thin, o); different(reflect.ValueOf(twice), reflect.ValueOf(thin), "volume") != "" {
				t.Errorf("%s: thinned twice is another", name)
			}
		}
	}
}

func wantThin(t *testing.T, name string, v, thin *grid.Volume, o ThinOptions) {
	t.Helper()
	if len(thin.Sweeps) != len(v.Sweeps) {
		t.Fatalf("%s: %d sweeps of %d", name, len(thin.Sweeps), len(v.Sweeps))
	}
	left, kept := 0, 0
	for k, s := range v.Sweeps {
		got := thin.Sweeps[k]
		if d := different(reflect.ValueOf(got.Radials), reflect.ValueOf(s.Radials), "radials"); d != "" {
			t.Fatalf("%s: sweep %d: %s", name, k, d)
		}
		for _, m := range s.Moments {
			cut := got.Moment(m.Name)
			if cut == nil {
				if slices.Contains([]string{"REF", "VEL", "ZDR", "PHI", "RHO"}, m.Name) {
					t.Errorf("%s: sweep %d has no %s", name, k, m.Name)
				}
				continue
			}
			if cut.Gates != m.Gates {
				t.Errorf("%s: sweep %d %s: %d gates, want %d as before", name, k, m.Name, cut.Gates, m.Gates)
			}
			var before, after []float32
			for r := range m.Rows {
				before, after = m.Row(r, before), cut.Row(r, after)
				n := cut.Rows[r].Gates()
				for gate := range before {
					if gate < n && math.Float32bits(before[gate]) != math.Float32bits(after[gate]) {
						t.Fatalf("%s: sweep %d %s radial %d gate %d: %v, want %v", name, k, m.Name, r, gate, after[gate], before[gate])
					}
					if gate >= n && grid.StateOf(after[gate]) != grid.NotCovered {
						t.Fatalf("%s: sweep %d %s radial %d gate %d was left out and reads %v", name, k, m.Name, r, gate, grid.StateOf(after[gate]))
					}
				}
				kept, left = kept+n, left+m.Rows[r].Gates()-n
				// The ring of the wind profile is whole.
				if ring := m.Rows[r].Gates(); m.Name == "VEL" && n < ring && m.GateRangeM(n) < 60e3 {
					t.Fatalf("%s: sweep %d radial %d: velocities as far as %g m", name, k, r, m.GateRangeM(n))
				}
			}
		}
	}
	if left == 0 || kept == 0 {
		t.Errorf("%s: %d gates left out, %d kept", name, left, kept)
	}
}

func TestThinWithoutPlaces(t *testing.T) {
	v := invented().Volume
	v.Sweeps[0].Moments = append(v.Sweeps[0].Moments, &grid.Moment{Name: "SW", Rows: make([]grid.GateRow, 2)})
	want := invented().Volume
	want.Notes = append(want.Notes, "left out of this copy: moments SW")
	if d := different(reflect.ValueOf(Thin(v, ThinOptions{})), reflect.ValueOf(want), "volume"); d != "" {
		t.Error(d)
	}
	thin := Thin(v, ThinOptions{Moments: []string{"SW"}})
	if s := thin.Sweeps[0]; s.Moment("SW") == nil || s.Moment("REF") == nil || s.Moment("ZDR") != nil {
		t.Errorf("with SW asked for: %d moments", len(s.Moments))
	}
	v.Antenna.LatitudeDeg = math.NaN()
	thin = Thin(v, ThinOptions{Places: []grid.LatLon{bitterroot}, MarginM: 1})
	if d := different(reflect.ValueOf(thin.Sweeps), reflect.ValueOf(want.Sweeps), "sweeps"); d != "" {
		t.Errorf("a radar without a place: %s", d)
	}
	if Thin(nil, ThinOptions{}) != nil {
		t.Error("nil was thinned to something")
	}
}

func TestThinSectors(t *testing.T) {
	at := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	packing := &grid.Packing{WordBits: 8, Factor: 1, BelowThreshold: 0, RangeFolded: 1, Missing: grid.NoCode}
	s := &grid.Sweep{ElevationDeg: 0.5, Start: at}
	ref := &grid.Moment{Name: "REF", FirstGateM: 500, GateSpacingM: 1000, Gates: 300}
	for k := range 360 {
		s.Radials = append(s.Radials, grid.Radial{AzimuthDeg: float32(k) + 0.5, ElevationDeg: 0.5, SpacingDeg: 1})
		ref.Rows = append(ref.Rows, grid.GateRow{Raw: []byte{9, 9}, ZeroGates: 298, Packing: packing})
	}
	s.Moments = []*grid.Moment{ref}
	radar := grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114}
	v := &grid.Volume{Antenna: grid.Position{LatLon: radar}, Sweeps: []*grid.Sweep{s}}
	// 100 km east with 50 km around: the tangents are 30 degrees off
	// (asin(50/100)), the far side at 150 km.
	thin := Thin(v, ThinOptions{Places: []grid.LatLon{grid.Destination(radar, 90, 100e3)}, MarginM: 50e3})
	for k, row := range thin.Sweeps[0].Moments[0].Rows {
		azimuthDeg := float64(k) + 0.5
		off := math.Abs(azimuthDeg - 90)
		switch {
		case off < 30 && row.Gates() < 150:
			t.Errorf("azimuth %g: %d gates, want 150 km", azimuthDeg, row.Gates())
		case off > 34 && row.Gates() != 0:
			t.Errorf("azimuth %g: %d gates, want none", azimuthDeg, row.Gates())
		case row.Gates() > 165:
			t.Errorf("azimuth %g: %d gates, want 150 km and a little", azimuthDeg, row.Gates())
		}
	}
}
