package crop

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
)

// invented is a small crop with something of everything; it must never change,
// since testdata/version1.crop holds it.
func invented() *Crop {
	at := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	nan := math.NaN()
	lambert, _ := grid.NewProjection(grid.LambertConformal{Earth: grid.Sphere(6371229), StandardParallel1Deg: 38.5, StandardParallel2Deg: 38.5, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -97.5})
	view, _ := grid.NewProjection(grid.Geostationary{Earth: grid.GRS80, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: -137, SweepAxisX: true})
	plane := &grid.Grid{Name: "lambert_conformal_conic", Projection: lambert, NI: 5, NJ: 4, X: grid.Axis{First: -1.4e6, Step: 3000}, Y: grid.Axis{First: 7e5, Step: 3000}, WindsGridRelative: true}
	uneven := &grid.Grid{Name: "latitude_longitude", Projection: grid.LatLonProjection{}, NI: 4, NJ: 3, X: grid.Axis{First: 0, Step: 90}, Y: grid.Axis{At: []float64{80, 10, -75.5}}, Cyclic: true}
	listed := &grid.Grid{NI: 2, NJ: 1, Curvilinear: &grid.Curvilinear{LatitudeDeg: []float64{44, 44.1}, LongitudeDeg: []float64{-114.5, nan}}}
	disk := &grid.Grid{Name: "geostationary", Projection: view, NI: 2, NJ: 2, X: grid.Axis{First: 1e6, Step: 2004}, Y: grid.Axis{First: 3e6, Step: -2004}}
	few, many := make([]float32, 20), make([]float32, 20)
	for k := range few {
		few[k], many[k] = 265+float32(k%3)/4, 1/float32(k+1)
	}
	few[7] = grid.BelowThreshold.Value()
	many[3] = grid.RangeFolded.Value()
	bytePacking := &grid.Packing{WordBits: 8, Factor: 0.5, Addend: -33, BelowThreshold: 0, RangeFolded: 1, Missing: grid.NoCode}
	wordPacking := &grid.Packing{WordBits: 16, Factor: 0.0625, Addend: -8, BelowThreshold: 0, RangeFolded: 1, Missing: grid.NoCode}
	level := sounding.MissingLevel()
	level.PressurePa, level.AirTemperatureK, level.Significance, level.Suspect = 85000, 263.25, sounding.Standard|sounding.Surface, sounding.SuspectWind
	return &Crop{
		Source: "invented", Kind: "all", Object: "a/b/c", Station: "XMPL", Product: "demo",
		ReferenceTime: at, ValidTime: at.Add(time.Hour), Published: at.Add(90 * time.Second), Fetched: at.Add(91*time.Second + 5),
		Files: []File{{Name: "c", URL: "https://example.org/a/b/c", Bytes: 123, SHA256: "00ff", ETag: `"x"`, LastModified: at}},
		Fields: []*grid.Field{
			{Number: 1, StandardName: "air_temperature", ShortName: "TMP", LongName: "Temperature", Parameter: "0.0.0", Units: "K", Level: grid.Level{Type: "isobaric surface", Code: 100, Value: 70000, Units: "Pa", SecondCode: 255, SecondValue: nan}, ReferenceTime: at, ValidTime: at.Add(time.Hour), Member: -1, Packing: "5.0 simple", Grid: plane, Values: few},
			{Number: 2, Parameter: "0.1.8", Units: "kg m-2", CellMethod: "sum", IntervalStart: at, Member: 3, Grid: plane, Values: many},
			{Number: 3, Grid: uneven, Values: many[:12]}, {Number: 4, Grid: listed, Values: []float32{1, 1}}, {Number: 5, Grid: &grid.Grid{Name: "GRIB2 template 3.101"}, Values: []float32{1, 2, 3}},
		},
		Volume: &grid.Volume{Radar: "XMPL", Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114}, AltitudeM: 2100}, TowerHeightM: nan, BeamwidthDeg: 0.95, Time: at, VolumeCoveragePattern: 215, Notes: []string{"invented"},
			Sweeps: []*grid.Sweep{{Number: 1, Mode: grid.Sector, ElevationDeg: 0.5, TargetElevationDeg: 0.48, Start: at, End: at.Add(7 * time.Second), NyquistVelocityMPerS: 8.3, UnambiguousRangeM: nan, Complete: true,
				Radials: []grid.Radial{{AzimuthDeg: 10, ElevationDeg: 0.5, SpacingDeg: 0.5, NyquistVelocityMPerS: 8.3, UnambiguousRangeM: 466e3, Time: at.Add(20 * time.Millisecond)}, {AzimuthDeg: 10.5, ElevationDeg: 0.5, SpacingDeg: 0.5, NyquistVelocityMPerS: 8.3, UnambiguousRangeM: float32(nan), Time: at.Add(40 * time.Millisecond)}},
				Moments: []*grid.Moment{
					{Name: "REF", StandardName: "equivalent_reflectivity_factor", Units: "dBZ", FirstGateM: 2125, GateSpacingM: 250, Gates: 6, Rows: []grid.GateRow{{Raw: []byte{0, 1, 90, 95}, ZeroGates: 2, Packing: bytePacking}, {}}},
					{Name: "ZDR", FieldName: "zdr", Units: "dB", FirstGateM: 2125, GateSpacingM: 250, Gates: 3, Rows: []grid.GateRow{{Raw: []byte{0, 130, 1, 4, 0, 0}, Packing: wordPacking}, {Raw: []byte{0, 140}, ZeroGates: 1, Packing: wordPacking}}},
				}}}},
		Reports: []sounding.Report{{Format: sounding.FormatTEMP, Station: sounding.Station{Identifier: "XMPL", WMONumber: "99999", WIGOS: "0-20000-0-99999", Name: "Example", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: nan}, AltitudeM: 1500}, Time: at, DayOfMonth: 14, HourUTC: 6, Levels: []sounding.Level{level, sounding.MissingLevel()}, Notes: []string{"invented"}}},
		CloudTops: []*satellite.Granule{
			{Product: satellite.CloudTopPhase, File: "p.nc", Platform: "G18", Scene: "CONUS", Start: at, End: at.Add(2 * time.Minute), Grid: disk, Phase: []grid.CloudTopPhase{0, 2, 4, 255}, Quality: []satellite.Quality{2, 2, 1, 0}, QualityFlags: []uint8{0, 0, 3, 255}},
			{Product: satellite.CloudTopTemperature, Grid: disk, TemperatureK: []float32{260, 250, 255, float32(nan)}, Quality: []satellite.Quality{2, 2, 1, 0}, QualityFlags: []uint8{0, 0, 3, 255}},
		},
	}
}

// Files kept for replay must be readable by every later version. Encode may
// compress better one day; what it wrote must come back as it was.
func TestVersion1Unchanged(t *testing.T) {
	path := filepath.Join("testdata", "version1.crop")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Decode(path, b)
	if err != nil {
		t.Fatal(err)
	}
	wantSame(t, got, invented())
}

// inventedRaw is a small crop of version 2; it must never change, since
// testdata/version2.crop holds it.
func inventedRaw() *Crop {
	at := time.Date(2026, 2, 3, 14, 15, 0, 0, time.UTC)
	return &Crop{Source: "invented", Kind: "warnings", Object: "a/b", ValidTime: at, Fetched: at.Add(time.Second),
		Files: []File{{Name: "b", URL: "https://example.org/a/b", Bytes: 17, SHA256: "00ff"}},
		Raw:   []RawFile{{Name: "b", Bytes: []byte(`{"features": []}` + "\n")}, {Name: "empty", Bytes: []byte{}}, {Name: "none"}}}
}

func TestVersion2Unchanged(t *testing.T) {
	path := filepath.Join("testdata", "version2.crop")
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Decode(path, b)
	if err != nil {
		t.Fatal(err)
	}
	wantSame(t, got, inventedRaw())
}

// A crop without raw files is written so that programs of before can read it,
// and one with them says that it is newer.
func TestVersionByContent(t *testing.T) {
	for _, test := range []struct {
		crop *Crop
		want byte
	}{{&Crop{Source: "hrrr"}, 1}, {invented(), 1}, {&Crop{Raw: []RawFile{}}, 2}, {inventedRaw(), 2}} {
		_, b := thereAndBack(t, test.crop)
		if b[len(magic)] != test.want {
			t.Errorf("version %d, want %d", b[len(magic)], test.want)
		}
		if meta := b[len(magic)]; meta == 2 {
			b[len(magic)] = 1
			if _, err := Decode("crop", b); err == nil {
				t.Error("a version that was changed is read")
			}
		}
	}
	// Version 2 without raw files is what Encode does not write.
	version, meta, data := contents(t, func() []byte { b, _ := Encode(&Crop{Raw: []RawFile{}}); return b }())
	if _, err := Decode("crop", remade(version, append(bytes.Clone(meta[:len(meta)-1]), 0), data)); err == nil {
		t.Error("a file of version 2 without raw files is read")
	}
}

// use does with a crop what its users do, which must not panic.
func use(t *testing.T, c *Crop) {
	for _, f := range c.Fields {
		f.Grid.LatLonAt(0, 0)
		f.Nearest(grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114})
	}
	for _, g := range c.CloudTops {
		var tops satellite.CloudTops
		tops.Add(g)
		tops.Above(grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114}, satellite.Look{})
	}
	if v := c.Volume; v != nil {
		for _, thin := range []*grid.Volume{v, Thin(v, ThinOptions{Places: []grid.LatLon{{LatitudeDeg: 44.5, LongitudeDeg: -114}}, MarginM: 20e3})} {
			thin.ColumnAbove(grid.LatLon{LatitudeDeg: 44.5, LongitudeDeg: -114}, grid.MomentReflectivity, nil)
			for _, s := range thin.Sweeps {
				for _, m := range s.Moments {
					for k := range min(len(m.Rows), 3) {
						m.Row(k, nil)
					}
				}
			}
		}
	}
	for _, r := range c.Reports {
		if len(r.Levels) < 100 {
			r.Column()
		}
	}
	again, err := Encode(c)
	if err != nil {
		t.Fatalf("what was decoded cannot be encoded: %v", err)
	}
	back, err := Decode("crop", again)
	if err != nil {
		t.Fatalf("what was encoded cannot be decoded: %v", err)
	}
	wantSame(t, back, c)
}

func seeds(f *testing.F) [][]byte {
	var out [][]byte
	add := func(c *Crop) {
		b, err := Encode(c)
		if err != nil {
			f.Fatal(err)
		}
		out = append(out, b)
	}
	add(&Crop{})
	add(invented())
	all := invented()
	add(&Crop{Kind: "model", Fields: all.Fields[:2]})
	add(&Crop{Kind: "radar", Volume: all.Volume})
	add(&Crop{Kind: "sounding", Reports: all.Reports})
	add(&Crop{Kind: "satellite", CloudTops: all.CloudTops})
	add(full(rand.New(rand.NewPCG(1, 1))))
	add(inventedRaw())
	return out
}

func FuzzDecode(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
		f.Add(b[:len(b)*2/3])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		c, err := Decode("crop", b)
		if err != nil {
			formatError(t, err, len(b))
			return
		}
		use(t, c)
	})
}

// FuzzContents reaches behind the checksums: any META and arrays, in a file that
// is whole.
func FuzzContents(f *testing.F) {
	for _, b := range seeds(f) {
		_, meta, data := contents(f, b)
		f.Add(meta, data)
	}
	f.Fuzz(func(t *testing.T, meta, data []byte) {
		for version := 1; version <= Version; version++ {
			b := remade(version, meta, data)
			if b == nil || len(meta) == 0 {
				t.Skip()
			}
			c, err := Decode("crop", b)
			if err != nil {
				formatError(t, err, len(b))
				continue
			}
			use(t, c)
		}
	})
}

// A number that lies costs no memory: at most what is there can be asked for.
func TestLiesAllocateLittle(t *testing.T) {
	b, err := Encode(invented())
	if err != nil {
		t.Fatal(err)
	}
	version, meta, data := contents(t, b)
	const most = 40 << 20 // decoder, block and scratch
	for which, lie := range [][]byte{{0xff, 0xff, 0xff, 0x7f}, {0xff, 0xff, 0xff, 0xff, 0x1f}, {0x80, 0x80, 0x80, 0x04}} {
		for k := 0; k < len(meta); k += 5 - 2*which {
			lying := bytes.Join([][]byte{meta[:k], lie, meta[k+1:]}, nil)
			file := remade(version, lying, data)
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := Decode("crop", file)
			runtime.ReadMemStats(&after)
			var e *ingest.FormatError
			if err != nil && !errors.As(err, &e) {
				t.Fatal(err)
			}
			if got := after.TotalAlloc - before.TotalAlloc; got > most {
				t.Fatalf("byte %d replaced by %x: %d bytes allocated for a file of %d (%v)", k, lie, got, len(file), err)
			}
		}
	}
}
