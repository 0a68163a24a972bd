package main

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/rehearsal"
	"rimeline/ingest/testfiles"
)

// radarObject is a radar volume as inspect prints it.
type radarObject struct {
	File  string   `json:"file"`
	Files []string `json:"files"`
	Kind  string   `json:"kind"`
	volumeObject
	Error string `json:"error"`
}

// inventedRadar is a volume of two sweeps: 4 degrees of azimuth have 20 dBZ, the
// others are below threshold.
func inventedRadar() *grid.Volume {
	start := time.Date(2026, 1, 14, 6, 5, 12, 0, time.UTC)
	v := &grid.Volume{
		Radar: "XMPL", Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, AltitudeM: 2030},
		TowerHeightM: 30, Time: start, VolumeCoveragePattern: 35,
	}
	packing := &grid.Packing{WordBits: 8, Factor: 0.5, Addend: -33}
	for k, elevation := range []float32{0.5, 2.5} {
		s := &grid.Sweep{Number: k + 1, ElevationDeg: float64(elevation)}
		m := &grid.Moment{Name: "REF", FirstGateM: 1000, GateSpacingM: 1000, Gates: 120}
		for azimuth := range 360 {
			s.Radials = append(s.Radials, grid.Radial{AzimuthDeg: float32(azimuth) + 0.5, ElevationDeg: elevation, SpacingDeg: 1,
				NyquistVelocityMPerS: 26, UnambiguousRangeM: 150000, Time: start.Add(time.Duration(360*k+azimuth) * 50 * time.Millisecond)})
			raw := make([]byte, 120)
			if azimuth >= 88 && azimuth < 92 {
				for gate := range raw {
					raw[gate] = 106
				}
			}
			m.Rows = append(m.Rows, grid.GateRow{Raw: raw, Packing: packing})
		}
		s.Moments = []*grid.Moment{m}
		v.Sweeps = append(v.Sweeps, s)
	}
	return v
}

func writtenRadar(t *testing.T) (file string, chunks []string) {
	t.Helper()
	w := rehearsal.Level2{Volume: inventedRadar(), RadialsInRecord: 90}
	b, err := w.File()
	if err != nil {
		t.Fatal(err)
	}
	parts, err := w.Chunks()
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	for _, part := range parts {
		path := filepath.Join(folder, part.Name)
		if err := os.WriteFile(path, part.Bytes, 0o600); err != nil {
			t.Fatal(err)
		}
		chunks = append(chunks, path)
	}
	return write(t, "radar", b), chunks
}

func TestInspectRadar(t *testing.T) {
	file, chunks := writtenRadar(t)
	o := rimeline(t, "inspect", "--json", file)
	objects := decoded[[]radarObject](t, o)
	if o.status != 0 || len(objects) != 1 {
		t.Fatalf("status %d, %d objects, %s", o.status, len(objects), o.stderr)
	}
	v := objects[0]
	if v.Kind != "level2" || *v.Station != "XMPL" || *v.Time != "2026-01-14T06:05:12Z" || *v.Lat != 44 || *v.Lon != -114.5 || *v.HeightM != 2030 ||
		*v.Pattern != 35 || !v.Complete || len(v.Sweeps) != 2 {
		t.Errorf("%s", o.stdout)
	}
	s := v.Sweeps[1]
	m := s.Moments["REF"]
	if s.Number != 2 || *s.ElevationDeg != 2.5 || *s.StartTime != "2026-01-14T06:05:30Z" || s.Radials != 360 || m.Gates != 120 || *m.FirstGateM != 1000 ||
		*m.GateSpacingM != 1000 || *m.Min != 20 || *m.Max != 20 || *m.Mean != 20 || m.Valid != 4*120 || m.BelowThreshold != 356*120 || m.RangeFolded != 0 {
		t.Errorf("%+v", s)
	}
	for _, name := range []string{"station", "time", "lat", "lon", "height_m", "volume_coverage_pattern", "complete", "sweeps", "number", "elevation_deg", "start_time",
		"radials", "moments", "REF", "gates", "first_gate_m", "gate_spacing_m", "min", "max", "mean", "valid", "below_threshold", "range_folded"} {
		if !strings.Contains(o.stdout, strconv.Quote(name)+":") {
			t.Errorf("no key %q", name)
		}
	}
	// The chunks, backwards and with another file between, are one object.
	other := write(t, "other", []byte("something else"))
	backwards := slices.Clone(chunks)
	slices.Reverse(backwards)
	arguments := append([]string{"inspect", "--json", backwards[0], other}, backwards[1:]...)
	o = rimeline(t, arguments...)
	objects = decoded[[]radarObject](t, o)
	if len(objects) != 2 || len(objects[0].Files) != len(chunks) || !objects[0].Complete || objects[1].Kind != "unknown" {
		t.Fatalf("%d objects: %s", len(objects), o.stdout)
	}
	if a, b := asJSON(t, objects[0].Sweeps), asJSON(t, v.Sweeps); a != b {
		t.Errorf("chunks differ from the file:\n%s\n%s", a, b)
	}
	// Some of them.
	o = rimeline(t, append([]string{"inspect", "--json"}, chunks[:4]...)...)
	objects = decoded[[]radarObject](t, o)
	if o.status != 0 || len(objects) != 1 || objects[0].Complete || len(objects[0].Sweeps) != 1 || objects[0].Sweeps[0].Radials != 270 || objects[0].Sweeps[0].Complete {
		t.Errorf("status %d: %s", o.status, o.stdout)
	}
	// One alone, without the beginning.
	o = rimeline(t, "inspect", "--json", chunks[2])
	objects = decoded[[]radarObject](t, o)
	if o.status != 0 || len(objects) != 1 || *objects[0].Station != "XMPL" || objects[0].Sweeps[0].Radials != 90 {
		t.Errorf("status %d: %s", o.status, o.stdout)
	}
	for _, paths := range [][]string{{file}, chunks} {
		o = rimeline(t, append([]string{"inspect"}, paths...)...)
		if o.status != 0 || !strings.Contains(o.stdout, "level2, station XMPL") || !strings.Contains(o.stdout, "2 sweeps, complete") {
			t.Errorf("status %d: %s", o.status, o.stdout)
		}
	}
}

func TestInspectDamagedRadar(t *testing.T) {
	file, _ := writtenRadar(t)
	b := content(t, file)
	b[len(b)/2] ^= 1
	o := rimeline(t, "inspect", "--json", write(t, "damaged", b))
	objects := decoded[[]radarObject](t, o)
	if o.status != 1 || len(objects) != 1 || objects[0].Error == "" || objects[0].Complete || len(objects[0].Sweeps) != 2 || !strings.Contains(o.stderr, "bzip2") {
		t.Errorf("status %d: %s\n%s", o.status, o.stdout, o.stderr)
	}
	o = rimeline(t, "inspect", "--json", write(t, "cut", b[:30]))
	if objects = decoded[[]radarObject](t, o); o.status != 1 || objects[0].Kind != "level2" || objects[0].Error == "" {
		t.Errorf("status %d: %s", o.status, o.stdout)
	}
}

func TestSampleRadar(t *testing.T) {
	file, chunks := writtenRadar(t)
	place := grid.Destination(grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, 90, 60e3)
	at := fmt.Sprintf("--at=%.6f,%.6f", place.LatitudeDeg, place.LongitudeDeg)
	for _, paths := range [][]string{{file}, chunks} {
		o := rimeline(t, append([]string{"sample", at}, paths...)...)
		gates := decoded[[]gateObject](t, o)
		if o.status != 0 || len(gates) != 2 {
			t.Fatalf("status %d: %s%s", o.status, o.stdout, o.stderr)
		}
		// 4/3 earth: 60 km away the beam at 0.5 degrees is 735.7 m over the antenna,
		// and half of 0.95 degrees are 497 m.
		g := gates[0]
		if g.State != "echo" || *g.Value != 20 || math.Abs(*g.HeightM-2030-735.7) > 1 || math.Abs(*g.BeamHalfWidthM-497.4) > 1 || g.TemperatureK != nil || g.Moment != "REF" || g.Units != "dBZ" {
			t.Errorf("%+v: %s", g, o.stdout)
		}
		if !(*gates[1].HeightM > *g.HeightM) {
			t.Errorf("not upwards: %s", o.stdout)
		}
	}
	for where, state := range map[string]string{"--at=44.5,-114.5": "no echo", "--at=46,-114.5": "outside range"} {
		gates := decoded[[]gateObject](t, rimeline(t, "sample", where, file))
		if gates[0].State != state || gates[0].Value != nil {
			t.Errorf("%s: %+v, want %s", where, gates[0], state)
		}
	}
	o := rimeline(t, "sample", at, "--table", file)
	if o.status != 0 || !strings.Contains(o.stdout, "60.0 km from the radar in 90°") {
		t.Errorf("%s%s", o.stdout, o.stderr)
	}
	if o := rimeline(t, "sample", at, file, write(t, "other", []byte("x"))); o.status != 2 {
		t.Errorf("two files: status %d", o.status)
	}
}

// With a sounding the gates have temperatures.
func TestSampleRadarWithTemperatures(t *testing.T) {
	file, _ := writtenRadar(t)
	storm := rehearsal.Storm{Start: time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC), LatitudeDeg: 44, LongitudeDeg: -114.5}
	before, after := write(t, "before.grib2", storm.ModelFile(9, 12000, 0)), write(t, "after.grib2", storm.ModelFile(9, 12000, 60))
	o := rimeline(t, "sample", "--at=44.05,-114.4", "--temperatures", before, "--temperatures", after, file)
	gates := decoded[[]gateObject](t, o)
	if o.status != 0 || len(gates) != 2 || gates[1].TemperatureK == nil {
		t.Fatalf("status %d: %s%s", o.status, o.stdout, o.stderr)
	}
	x, y := 8000.0, 5560.0 // 0.1 degrees of longitude and 0.05 of latitude at 44 north
	want := storm.At(x, y, *gates[1].HeightM, 5.2/60).AirTemperatureK
	if math.Abs(*gates[1].TemperatureK-want) > 0.2 {
		t.Errorf("%g K at %g m, the storm has %g", *gates[1].TemperatureK, *gates[1].HeightM, want)
	}
	o = rimeline(t, "sample", "--at=44.05,-114.4", "--temperatures", write(t, "nothing", []byte("x")), file)
	if gates = decoded[[]gateObject](t, o); o.status != 1 || len(gates) != 2 || gates[1].TemperatureK != nil {
		t.Errorf("status %d: %s", o.status, o.stdout)
	}
}

// Counts and extremes as printed are those of another decoder.
func TestInspectRealRadarAgainstReference(t *testing.T) {
	reference, err := os.Open("../../testdata/level2/pyart.tsv")
	if err != nil {
		t.Fatal(err)
	}
	defer reference.Close()
	objects := map[string]radarObject{}
	rows := 0
	for scanner := bufio.NewScanner(reference); scanner.Scan(); {
		f := strings.Split(scanner.Text(), "\t")
		if strings.HasPrefix(f[0], "#") || strings.Contains(f[0], "without") {
			continue
		}
		v, ok := objects[f[0]]
		if !ok {
			paths := []string{}
			if f[0] == "chunks-185" {
				paths = testfiles.Glob(t, "level2/chunks-185/*")
			} else {
				paths = append(paths, testfiles.Path(t, "level2/"+f[0]))
			}
			list := decoded[[]radarObject](t, rimeline(t, append([]string{"inspect", "--json"}, paths...)...))
			if len(list) != 1 {
				t.Fatalf("%s: %d objects", f[0], len(list))
			}
			v = list[0]
			objects[f[0]] = v
		}
		number := func(k int) float64 {
			value, err := strconv.ParseFloat(f[k], 64)
			if err != nil {
				return math.NaN()
			}
			return value
		}
		orNaN := func(value *float64) float64 {
			if value == nil {
				return math.NaN()
			}
			return *value
		}
		near := func(a, b float64) bool {
			return math.Abs(a-b) <= 1e-5*max(1, math.Abs(b)) || math.IsNaN(a) && math.IsNaN(b)
		}
		s := v.Sweeps[int(number(1))-1]
		m := s.Moments[f[5]]
		if !near(orNaN(s.ElevationDeg), number(3)) || s.Radials != int(number(4)) || m.Gates != int(number(6)) || orNaN(m.FirstGateM) != number(7) || orNaN(m.GateSpacingM) != number(8) ||
			!near(orNaN(m.Min), number(9)) || !near(orNaN(m.Max), number(10)) || !near(orNaN(m.Mean), number(11)) || m.Valid != int(number(12)) || m.BelowThreshold != int(number(13)) || m.RangeFolded != int(number(14)) {
			t.Errorf("%v\nprinted %s", f, asJSON(t, s))
		}
		rows++
	}
	if rows != 330 {
		t.Errorf("%d rows compared, the table has 330", rows)
	}
}
