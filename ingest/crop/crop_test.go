package crop

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/satellite"
)

func TestEveryGeometry(t *testing.T) {
	nan := math.NaN()
	var fields []*grid.Field
	add := func(g *grid.Grid) {
		f := &grid.Field{Number: len(fields) + 1, Grid: g, Level: grid.Level{Value: nan, SecondValue: nan}, Values: make([]float32, g.NI*g.NJ)}
		for k := range f.Values {
			f.Values[k] = float32(k)
		}
		fields = append(fields, f)
	}
	for _, parameters := range []any{
		grid.LatLonProjection{},
		grid.LambertConformal{Earth: grid.WGS84, StandardParallel1Deg: 30, StandardParallel2Deg: 60, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -97.5, FalseEastingM: 1, FalseNorthingM: 2},
		grid.Mercator{Earth: grid.WGS84, TrueScaleLatitudeDeg: 20, CentralMeridianDeg: -100, FalseEastingM: 1, FalseNorthingM: 2},
		grid.Mercator{Earth: grid.Sphere(6371229), ScaleFactor: 0.97, CentralMeridianDeg: -100},
		grid.PolarStereographic{Earth: grid.WGS84, North: true, TrueScaleLatitudeDeg: 60, CentralMeridianDeg: -105, FalseEastingM: 1, FalseNorthingM: 2},
		grid.PolarStereographic{Earth: grid.WGS84, ScaleFactor: 0.994, CentralMeridianDeg: 15},
		grid.TransverseMercator{Earth: grid.Airy1830, OriginLatitudeDeg: 49, CentralMeridianDeg: -2, ScaleFactor: 0.9996, FalseEastingM: 4e5, FalseNorthingM: -1e5},
		grid.AlbersEqualArea{Earth: grid.GRS80, StandardParallel1Deg: 29.5, StandardParallel2Deg: 45.5, OriginLatitudeDeg: 23, CentralMeridianDeg: -96, FalseEastingM: 1, FalseNorthingM: 2},
		grid.LambertAzimuthalEqualArea{Earth: grid.GRS80, OriginLatitudeDeg: 45, CentralMeridianDeg: -100, FalseEastingM: 1, FalseNorthingM: 2},
		grid.RotatedLatLon{SouthPoleLatitudeDeg: -36.1, SouthPoleLongitudeDeg: 245.3, RotationDeg: 3},
		grid.Geostationary{Earth: grid.GRS80, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: -75, SweepAxisX: true, FalseEastingM: 1, FalseNorthingM: 2},
		grid.Geostationary{Earth: grid.GRS80, PerspectivePointHeightM: 35785831, SubSatelliteLongitudeDeg: 140.7},
	} {
		p, err := grid.NewProjection(parameters)
		if err != nil {
			t.Fatal(err)
		}
		add(&grid.Grid{Name: p.Name(), Projection: p, NI: 4, NJ: 3, X: grid.Axis{First: 0.125, Step: 3000}, Y: grid.Axis{First: -7, Step: -2500}, WindsGridRelative: true})
	}
	add(&grid.Grid{Projection: grid.LatLonProjection{}, NI: 8, NJ: 3, X: grid.Axis{First: 0, Step: 45}, Y: grid.Axis{At: []float64{60, 10, -70}}, Cyclic: true})
	add(&grid.Grid{Projection: grid.LatLonProjection{}, NI: 2, NJ: 3, X: grid.Axis{At: []float64{-3, 4}}, Y: grid.Axis{At: []float64{-1, 0, 5}}})
	add(&grid.Grid{NI: 2, NJ: 2, Curvilinear: &grid.Curvilinear{LatitudeDeg: []float64{44, 44.1, 45, nan}, LongitudeDeg: []float64{-114, -113, -114.1, nan}}})
	add(&grid.Grid{Name: "GRIB2 template 3.101"})
	fields[len(fields)-1].Values = []float32{1, 2, 3} // without rows and columns
	got, _ := thereAndBack(t, &Crop{Kind: "model", Fields: fields})
	for k, f := range got.Fields {
		for _, at := range [][2]float64{{0, 0}, {1, 1}, {0.5, 1.25}} {
			want, ok := fields[k].Grid.LatLonAt(at[0], at[1])
			if place, same := f.Grid.LatLonAt(at[0], at[1]); same != ok || ok && place != want {
				t.Errorf("%s: (%g, %g) is at %v, want %v", f.Grid.Name, at[0], at[1], place, want)
			}
		}
	}
}

type elsewhere struct{ grid.LatLonProjection }

func TestEncodeRefusesContradictions(t *testing.T) {
	g := func() *grid.Grid { return &grid.Grid{NI: 3, NJ: 2} }
	volume := func(change func(m *grid.Moment)) *Crop {
		m := &grid.Moment{Name: "REF", Gates: 4, Rows: []grid.GateRow{{Raw: []byte{1, 2}, ZeroGates: 2, Packing: &grid.Packing{WordBits: 8}}}}
		change(m)
		return &Crop{Volume: &grid.Volume{Sweeps: []*grid.Sweep{{Radials: make([]grid.Radial, 1), Moments: []*grid.Moment{m}}}}}
	}
	if _, err := Encode(volume(func(*grid.Moment) {})); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]*Crop{
		"field nil":             {Fields: []*grid.Field{nil}},
		"no grid":               {Fields: []*grid.Field{{}}},
		"5 values":              {Fields: []*grid.Field{{Grid: g(), Values: make([]float32, 5)}}},
		"elsewhere":             {Fields: []*grid.Field{{Grid: &grid.Grid{Projection: elsewhere{}}}}},
		"curvilinear":           {Fields: []*grid.Field{{Grid: &grid.Grid{NI: 3, NJ: 2, Curvilinear: &grid.Curvilinear{LatitudeDeg: make([]float64, 6)}}}}},
		"sweep nil":             {Volume: &grid.Volume{Sweeps: []*grid.Sweep{nil}}},
		"words of 12 bits":      volume(func(m *grid.Moment) { m.Rows[0].Packing.WordBits = 12 }),
		"more gates":            volume(func(m *grid.Moment) { m.Gates = 3 }),
		"rows":                  volume(func(m *grid.Moment) { m.Rows = append(m.Rows, grid.GateRow{}) }),
		"negative zeros":        volume(func(m *grid.Moment) { m.Rows[0].ZeroGates = -1 }),
		"granule without value": {CloudTops: []*satellite.Granule{{Grid: g(), Quality: make([]satellite.Quality, 6), QualityFlags: make([]uint8, 6)}}},
		"negative columns":      {Fields: []*grid.Field{{Grid: &grid.Grid{NI: -1, NJ: 2}}}},
	} {
		if b, err := Encode(c); err == nil {
			t.Errorf("%s: encoded in %d bytes", name, len(b))
		} else if !strings.HasPrefix(err.Error(), "crop: ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSameCropSameBytes(t *testing.T) {
	first := full(rand.New(rand.NewPCG(7, 7)))
	second := full(rand.New(rand.NewPCG(7, 7))) // shares nothing with the first
	a, err := Encode(first)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Encode(second)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a, b) {
		t.Error("equal crops gave different bytes")
	}
	again, err := Decode("crop", a)
	if err != nil {
		t.Fatal(err)
	}
	if b, err = Encode(again); err != nil || !bytes.Equal(a, b) {
		t.Errorf("a decoded crop gave different bytes (%v)", err)
	}
	// Grids that are equal and not the same are stored once, and are one afterwards.
	one, two := *first.Fields[0].Grid, *first.Fields[0].Grid
	shared := &Crop{Fields: []*grid.Field{{Grid: &one}, {Grid: &two}}}
	again, _ = thereAndBack(t, shared)
	if again.Fields[0].Grid != again.Fields[1].Grid {
		t.Error("two fields on one grid have two")
	}
}

// Encode is called while others read the crop.
func TestEncodeReadsOnly(t *testing.T) {
	c := full(rand.New(rand.NewPCG(3, 3)))
	want := full(rand.New(rand.NewPCG(3, 3)))
	done := make(chan error)
	for range 4 {
		go func() { _, err := Encode(c); done <- err }()
	}
	for range 4 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	wantSame(t, c, want)
}

func formatError(t *testing.T, err error, size int) *ingest.FormatError {
	t.Helper()
	var e *ingest.FormatError
	if !errors.As(err, &e) || e.File != "crop" || e.Offset < 0 || e.Offset > int64(size) {
		t.Fatalf("error without a place in the file: %v", err)
	}
	return e
}

// The checksums see every flipped bit, and every cut.
func TestDamage(t *testing.T) {
	b, err := Encode(full(rand.New(rand.NewPCG(1, 2))))
	if err != nil {
		t.Fatal(err)
	}
	for k := range b {
		for bit := range 8 {
			damaged := bytes.Clone(b)
			damaged[k] ^= 1 << bit
			c, err := Decode("crop", damaged)
			if err == nil {
				t.Fatalf("bit %d of byte %d flipped: read without error: %+v", bit, k, c)
			}
			formatError(t, err, len(b))
		}
		_, err := Decode("crop", b[:k])
		if err == nil {
			t.Fatalf("the first %d bytes of %d were read without error", k, len(b))
		}
		if formatError(t, err, k); !errors.Is(err, ingest.ErrTruncated) {
			t.Fatalf("the first %d bytes of %d: %v", k, len(b), err)
		}
	}
	_, err = Decode("crop", append(bytes.Clone(b), 0))
	if formatError(t, err, len(b)+1); !errors.Is(err, ingest.ErrCorrupt) {
		t.Errorf("a byte behind: %v", err)
	}
	_, err = Decode("crop", []byte("GRIB, and more of it"))
	if formatError(t, err, 20); !errors.Is(err, ingest.ErrCorrupt) {
		t.Errorf("another format: %v", err)
	}
}

func TestNewerVersion(t *testing.T) {
	b, err := Encode(&Crop{Source: "hrrr"})
	if err != nil {
		t.Fatal(err)
	}
	binary.LittleEndian.PutUint32(b[8:], Version+1)
	_, err = Decode("crop", b)
	if e := formatError(t, err, len(b)); !errors.Is(err, ingest.ErrUnsupported) || !strings.Contains(e.Detail, "newer") {
		t.Errorf("a newer version: %v", err)
	}
	// Without its checksum, as a newer layout may have none there.
	_, err = Decode("crop", b[:headBytes])
	if !errors.Is(err, ingest.ErrUnsupported) {
		t.Errorf("a newer version's head: %v", err)
	}
}

// remade is a file with right checksums around any content.
func remade(version int, meta, data []byte) []byte {
	w := newWriter()
	defer w.release()
	w.version, w.meta = version, meta
	w.write(data)
	b, err := w.file()
	if err != nil {
		return nil
	}
	return b
}

// contents are META and the arrays of a file.
func contents(t testing.TB, b []byte) (version int, meta, data []byte) {
	t.Helper()
	r, err := newReader("crop", b)
	if err != nil {
		t.Fatal(err)
	}
	defer r.release()
	data = bytes.Clone(r.read(int(r.rawLeft)))
	return r.version, r.meta, data
}

func TestLengthsThatLie(t *testing.T) {
	b, err := Encode(full(rand.New(rand.NewPCG(1, 2))))
	if err != nil {
		t.Fatal(err)
	}
	version, meta, data := contents(t, b)
	if again := remade(version, meta, data); !bytes.Equal(again, b) {
		t.Fatal("the same contents make another file")
	}
	huge := binary.AppendUvarint(nil, math.MaxUint64-3)
	for k := range meta {
		lying := append(append(bytes.Clone(meta[:k]), huge...), meta[k:]...)
		if file := remade(version, lying, data); file != nil {
			if _, err := Decode("crop", file); err != nil {
				formatError(t, err, len(file))
			}
		}
	}
	for _, short := range [][]byte{data[:len(data)-1], append(bytes.Clone(data), 0), nil} {
		_, err := Decode("crop", remade(version, meta, short))
		if e := formatError(t, err, 1<<20); !errors.Is(err, ingest.ErrCorrupt) {
			t.Errorf("%d bytes of arrays instead of %d: %v", len(short), len(data), e)
		}
	}
	// A frame that is longer than the directory says.
	w := newWriter()
	defer w.release()
	bomb := w.encoder.EncodeAll(make([]byte, 1<<20), nil)
	file := writeFile(Version, []section{{kind: kindMeta, stored: uint32(len(bomb)), raw: 100, sum: crc32.Checksum(bomb, castagnoli)}}, bomb)
	_, err = Decode("crop", file)
	if formatError(t, err, len(file)); !errors.Is(err, ingest.ErrCorrupt) {
		t.Errorf("a frame longer than its section: %v", err)
	}
	// One that is as long as it says, and longer than any may be.
	long := w.encoder.EncodeAll(make([]byte, MaxMetaBytes+1), nil)
	file = writeFile(Version, []section{{kind: kindMeta, stored: uint32(len(long)), raw: MaxMetaBytes + 1, sum: crc32.Checksum(long, castagnoli)}}, long)
	_, err = Decode("crop", file)
	if e := formatError(t, err, len(file)); !strings.Contains(e.Detail, "uncompressed, want 1 to") {
		t.Errorf("a section longer than any may be: %v", err)
	}
}

func TestPalette(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for _, n := range []int{1, 2, 3, 10, 500, 70_000, 300_000} {
		for _, colours := range []int{1, 2, 255, 256, 257, 5000, 65_535, 65_536, 65_537, 1 << 30} {
			for _, ni := range []int{0, 1, 7, n, n + 1} {
				xs := make([]float32, n)
				for k := range xs {
					xs[k] = math.Float32frombits(uint32(r.IntN(colours)) * 2654435761)
				}
				p, ok := paletteOf(xs)
				if ok && (len(p.values) > maxColours || 3*len(p.values) > n) {
					t.Errorf("%d values are a palette of %d", n, len(p.values))
				}
				if !ok && 3*colours <= n && colours <= maxColours {
					t.Errorf("%d values of %d different ones are no palette", n, colours)
				}
				w := newWriter()
				w.floats(&xs, ni)
				b, err := w.file()
				w.release()
				if err != nil {
					t.Fatal(err)
				}
				c, err := newReader("crop", b)
				if err != nil {
					t.Fatal(err)
				}
				var got []float32
				c.floats(&got, ni)
				if err := c.finish(); err != nil {
					t.Fatal(err)
				}
				c.release()
				for k := range xs {
					if math.Float32bits(got[k]) != math.Float32bits(xs[k]) {
						t.Fatalf("%d values, %d different, rows of %d: value %d is %x, want %x", n, colours, ni, k, math.Float32bits(got[k]), math.Float32bits(xs[k]))
					}
				}
			}
		}
	}
}

func TestTimes(t *testing.T) {
	at := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	for name, times := range map[string][]time.Time{
		"seconds":      {at, at.Add(time.Second)},
		"milliseconds": {at.Add(123 * time.Millisecond), at},
		"nanoseconds":  {at.Add(1), at.Add(-1)},
		"before 1970":  {time.Date(1955, 3, 1, 0, 0, 0, 500_000_000, time.UTC), at},
		"zero":         {{}, at},
		"far":          {time.Date(9999, 1, 1, 0, 0, 0, 1, time.UTC), at},
		"zone":         {at.In(time.FixedZone("MST", -7*3600)), time.Now()},
	} {
		radials := make([]grid.Radial, len(times))
		for k := range times {
			radials[k].Time = times[k]
		}
		got, _ := thereAndBack(t, &Crop{Fetched: times[0], Volume: &grid.Volume{Sweeps: []*grid.Sweep{{Radials: radials}}}})
		if zone, _ := got.Fetched.Zone(); zone != "UTC" {
			t.Errorf("%s: came back in %s", name, zone)
		}
	}
}

func ExampleEncode() {
	crop := &Crop{
		Source: "invented", Kind: "model", ValidTime: time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC),
		Fields: []*grid.Field{{StandardName: "air_temperature", Units: "K", Grid: &grid.Grid{NI: 2, NJ: 1}, Values: []float32{265.3, 264.8}}},
	}
	file, err := Encode(crop)
	if err != nil {
		fmt.Println(err)
		return
	}
	again, err := Decode("invented.crop", file)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(again.ValidTime.Format(time.RFC3339), again.Fields[0].StandardName, again.Fields[0].Values)
	// Cut off on its way, it says so.
	_, err = Decode("invented.crop", file[:100])
	fmt.Println(errors.Is(err, ingest.ErrTruncated))
	// Output:
	// 2026-01-14T06:00:00Z air_temperature [265.3 264.8]
	// true
}
