package level2

import (
	"bufio"
	"context"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest/testfiles"
)

const (
	chunksWhole   = "chunks-185"
	chunksWithout = "chunks-185-without-5-20-21-22-49"
)

var leftOut = map[int]bool{5: true, 20: true, 21: true, 22: true, 49: true}

// goldenRow is one moment of one sweep as another decoder has it.
type goldenRow struct {
	file, moment                  string
	index, number, radials, gates int
	elevationDeg, firstM, spaceM  float64
	min, max, mean                float64
	valid, below, folded          int // folded is -1 where it is within below
}

func readGolden(t *testing.T, name string) map[string][]goldenRow {
	t.Helper()
	file, err := os.Open(filepath.Join("..", "..", "testdata", "level2", name))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows := map[string][]goldenRow{}
	for scanner := bufio.NewScanner(file); scanner.Scan(); {
		if strings.HasPrefix(scanner.Text(), "#") {
			continue
		}
		f := strings.Split(scanner.Text(), "\t")
		if len(f) != 15 {
			t.Fatalf("%s: %q", name, f)
		}
		number := func(k int) float64 {
			if f[k] == "-" {
				return -1
			}
			value, err := strconv.ParseFloat(f[k], 64)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			return value
		}
		rows[f[0]] = append(rows[f[0]], goldenRow{f[0], f[5], int(number(1)), int(number(2)), int(number(4)), int(number(6)),
			number(3), number(7), number(8), number(9), number(10), number(11), int(number(12)), int(number(13)), int(number(14))})
	}
	return rows
}

// realVolume reads a file, or the chunks of which a name stands for some.
func realVolume(t testing.TB, name string) *grid.Volume {
	t.Helper()
	if name == chunksWhole || name == chunksWithout {
		v, err := DecodeChunks(t.Context(), realChunks(t, name == chunksWithout), Options{})
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	v, err := Decode(t.Context(), name, testfiles.Read(t, "level2/"+name), Options{})
	if err != nil && name != "KTLX19910720_160529.gz" { // which was cut, see TestTruncatedFile
		t.Fatal(err)
	}
	return v
}

func realChunks(t testing.TB, some bool) []Chunk {
	t.Helper()
	var chunks []Chunk
	for _, path := range testfiles.Glob(t, "level2/chunks-185/*") {
		_, number, _, ok := chunkName(path)
		if !ok {
			t.Fatalf("name of chunk %s", path)
		}
		if some && leftOut[number] {
			continue
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		chunks = append(chunks, Chunk{filepath.Base(path), b})
	}
	return chunks
}

func TestRealVolumesAgainstPyART(t *testing.T) { compareWithGolden(t, "pyart.tsv", 12) }
func TestRealVolumesAgainstMetPy(t *testing.T) { compareWithGolden(t, "metpy.tsv", 11) }

// compareWithGolden wants counts and geometry equal, extremes and means to the
// last place of float32 and elevations, which others hold in float32, to 1e-5 degrees.
func compareWithGolden(t *testing.T, table string, files int) {
	golden := readGolden(t, table)
	if len(golden) != files {
		t.Fatalf("%s: %d files, want %d", table, len(golden), files)
	}
	for name, rows := range golden {
		t.Run(name, func(t *testing.T) {
			v := realVolume(t, name)
			compareVolume(t, v, rows)
		})
	}
}

func compareVolume(t *testing.T, v *grid.Volume, rows []goldenRow) {
	t.Helper()
	if n := rows[len(rows)-1].index; len(v.Sweeps) != n {
		t.Fatalf("%d sweeps, want %d", len(v.Sweeps), n)
	}
	moments := 0
	for _, s := range v.Sweeps {
		moments += len(s.Moments)
	}
	if moments != len(rows) {
		t.Errorf("%d moments, want %d", moments, len(rows))
	}
	near := func(got, want, tolerance float64) bool {
		return math.Abs(got-want) <= tolerance || math.IsNaN(got) && math.IsNaN(want)
	}
	for _, want := range rows {
		s := v.Sweeps[want.index-1]
		m := s.Moment(want.moment)
		if m == nil {
			t.Errorf("sweep %d has no %s", want.index, want.moment)
			continue
		}
		if s.Number != want.number || len(s.Radials) != want.radials || !near(s.ElevationDeg, want.elevationDeg, 1e-5) {
			t.Errorf("sweep %d: number %d, %d radials, %.6f degrees; want %d, %d, %.6f", want.index, s.Number, len(s.Radials), s.ElevationDeg, want.number, want.radials, want.elevationDeg)
		}
		if m.Gates != want.gates || m.FirstGateM != want.firstM || !near(m.GateSpacingM, want.spaceM, 1e-9) {
			t.Errorf("sweep %d %s: %d gates from %g m each %g m; want %d, %g, %g", want.index, m.Name, m.Gates, m.FirstGateM, m.GateSpacingM, want.gates, want.firstM, want.spaceM)
		}
		got := m.Statistics()
		if want.folded < 0 {
			got.BelowThreshold, got.RangeFolded = got.BelowThreshold+got.RangeFolded, -1
		}
		if got.Valid != want.valid || got.BelowThreshold != want.below || got.RangeFolded != want.folded {
			t.Errorf("sweep %d %s: %d valid, %d below, %d folded; want %d, %d, %d", want.index, m.Name, got.Valid, got.BelowThreshold, got.RangeFolded, want.valid, want.below, want.folded)
		}
		if !near(got.Min, want.min, 1e-7*math.Abs(want.min)) || !near(got.Max, want.max, 1e-7*math.Abs(want.max)) || !near(got.Mean, want.mean, 1e-7*max(math.Abs(want.mean), math.Abs(want.max))) {
			t.Errorf("sweep %d %s: %.9g to %.9g, mean %.9g; want %.9g, %.9g, %.9g", want.index, m.Name, got.Min, got.Max, got.Mean, want.min, want.max, want.mean)
		}
	}
}

// Chunks in any order, and twice, are the same volume.
func TestChunksInAnyOrder(t *testing.T) {
	golden := readGolden(t, "pyart.tsv")
	for _, some := range []bool{false, true} {
		name := chunksWhole
		if some {
			name = chunksWithout
		}
		chunks := realChunks(t, some)
		chunks = append(chunks, chunks[3], chunks[30])
		random := rand.New(rand.NewPCG(1, 2))
		random.Shuffle(len(chunks), func(i, j int) { chunks[i], chunks[j] = chunks[j], chunks[i] })
		v, err := DecodeChunks(t.Context(), chunks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		compareVolume(t, v, golden[name])
		if v.Complete == some {
			t.Errorf("%s: complete is %v", name, v.Complete)
		}
	}
}

// A volume can be used while its chunks come in: after each chunk there are at
// least as many sweeps, and the whole ones do not change.
func TestChunksSweepBySweep(t *testing.T) {
	chunks := realChunks(t, false)
	a := NewAssembler(Options{})
	whole := 0
	var atEnd []grid.MomentStatistics
	for k, chunk := range chunks {
		if err := a.Add(context.Background(), chunk); err != nil {
			t.Fatal(err)
		}
		v, err := a.Volume()
		if err != nil {
			t.Fatal(err)
		}
		if v.Radar != "TORD" || v.Complete != (k == len(chunks)-1) {
			t.Fatalf("after chunk %d: radar %q, complete %v", k+1, v.Radar, v.Complete)
		}
		n := 0
		for _, s := range v.Sweeps {
			if s.Complete {
				n++
			}
		}
		if n < whole || n < len(v.Sweeps)-1 {
			t.Fatalf("after chunk %d: %d whole sweeps of %d, there were %d", k+1, n, len(v.Sweeps), whole)
		}
		for j := whole; j < n; j++ {
			atEnd = append(atEnd, v.Sweeps[j].Moments[0].Statistics())
		}
		whole = n
	}
	v, _ := a.Volume()
	for j, s := range v.Sweeps {
		if got := s.Moments[0].Statistics(); got != atEnd[j] {
			t.Errorf("sweep %d changed after it was whole: %+v, was %+v", j+1, got, atEnd[j])
		}
	}
	if missing := a.Missing(); len(missing) != 0 {
		t.Errorf("missing %v", missing)
	}
}

func TestChunkOfAnotherVolume(t *testing.T) {
	chunks := realChunks(t, false)
	other := testfiles.Read(t, "level2/records/KDMX20220305_record_01.bin")
	v, err := DecodeChunks(t.Context(), append(chunks[:8:8], Chunk{"other", other}), Options{})
	wantReason(t, err, ErrOtherVolume)
	if v.Radar != "TORD" || len(v.Sweeps) != 3 {
		t.Errorf("radar %s, %d sweeps", v.Radar, len(v.Sweeps))
	}
}

// Place, pattern and beam of real volumes. Places and patterns as Py-ART 2.3.0
// reads them (location, get_vcp_pattern), but for the altitude of the terminal
// radar, which Py-ART counts twice: site and feedhorn are both 327 m.
func TestRealPlaces(t *testing.T) {
	for _, want := range []struct {
		file, radar       string
		lat, lon, m, beam float64
		pattern           int
		complete          bool
	}{
		{"KDMX20260101_154351_V06", "KDMX", 41.731201, -93.722870, 333, 0.95, 35, true},
		{"KLBB20160601_150025_V06", "KLBB", 33.654140, -101.814163, 1029, 0.9, 21, true},
		{"KLWX20180302_115347.trimmed_V06", "KLWX", 38.976112, -77.487503, 123, 0.91, 21, false},
		{"KTLX20100501_000444_V03.gz", "KTLX", 35.333057, -97.277481, 384, 0.91, 32, true},
		{"TATL20240421_001129_V08", "TATL", 33.646999, -84.262001, 327, 0.55, 90, true},
	} {
		v := realVolume(t, want.file)
		if v.Radar != want.radar || math.Abs(v.Antenna.LatitudeDeg-want.lat) > 1e-5 || math.Abs(v.Antenna.LongitudeDeg-want.lon) > 1e-5 || v.Antenna.AltitudeM != want.m ||
			math.Abs(v.BeamwidthDeg-want.beam) > 1e-6 || v.VolumeCoveragePattern != want.pattern || v.Complete != want.complete {
			t.Errorf("%s: %s at %v, beam %g, pattern %d, complete %v", want.file, v.Radar, v.Antenna, v.BeamwidthDeg, v.VolumeCoveragePattern, v.Complete)
		}
	}
}
