package level2

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"errors"
	"math"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/rehearsal"
)

// invented is a volume of an invented radar: a long-range and a Doppler cut at
// 0.5 degrees in super-resolution and one cut at 4 degrees, the first with two
// moments, one of 16 bits. Radials of the last cut have fewer and fewer gates.
func invented(radials int) *grid.Volume {
	start := time.Date(2026, 1, 14, 23, 59, 50, 0, time.UTC)
	v := &grid.Volume{
		Radar: "XMPL", Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44.25, LongitudeDeg: -114.5}, AltitudeM: 2030},
		TowerHeightM: 30, Time: start, VolumeCoveragePattern: 212,
	}
	packings := map[string]*grid.Packing{
		"REF": {WordBits: 8, Factor: 0.5, Addend: -33}, "VEL": {WordBits: 8, Factor: 0.5, Addend: -64.5},
		"SW": {WordBits: 8, Factor: 0.5, Addend: -64.5}, "PHI": {WordBits: 16, Factor: 0.5, Addend: -1},
	}
	for k, cut := range []struct {
		elevationDeg, spacingDeg float64
		moments                  []string
		gates                    int
	}{
		{0.5, 0.5, []string{"REF", "PHI"}, 60}, {0.5, 0.5, []string{"REF", "VEL", "SW"}, 40}, {4, 1, []string{"REF", "VEL", "SW", "PHI"}, 30},
	} {
		s := &grid.Sweep{Number: k + 1, ElevationDeg: cut.elevationDeg, TargetElevationDeg: cut.elevationDeg, Complete: true}
		for _, name := range cut.moments {
			s.Moments = append(s.Moments, &grid.Moment{Name: name, FirstGateM: 2125, GateSpacingM: 250, Gates: cut.gates})
		}
		for radial := range radials {
			s.Radials = append(s.Radials, grid.Radial{
				AzimuthDeg: float32(math.Mod(300.25+float64(radial)*cut.spacingDeg, 360)), ElevationDeg: float32(cut.elevationDeg), SpacingDeg: float32(cut.spacingDeg),
				NyquistVelocityMPerS: 26.5, UnambiguousRangeM: 148000, Time: start.Add(time.Duration(k*radials+radial) * 40 * time.Millisecond),
			})
			for _, m := range s.Moments {
				gates := cut.gates
				if k == 2 {
					gates -= radial % 7
				}
				bytes := packings[m.Name].WordBits / 8
				raw := make([]byte, gates*bytes)
				for gate := range gates {
					raw[gate*bytes+bytes-1] = byte((gate * (radial + 3)) % 230 * (gate % 3 % 2)) // 0, values, 0
				}
				raw[bytes-1] = 1
				m.Rows = append(m.Rows, grid.GateRow{Raw: raw, Packing: packings[m.Name]})
			}
		}
		s.Start, s.End = s.Radials[0].Time, s.Radials[radials-1].Time
		s.NyquistVelocityMPerS, s.UnambiguousRangeM = 26.5, 148000
		v.Sweeps = append(v.Sweeps, s)
	}
	return v
}

func fileOf(t testing.TB, w rehearsal.Level2) []byte {
	t.Helper()
	b, err := w.File()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func chunksOf(t testing.TB, w rehearsal.Level2) []Chunk {
	t.Helper()
	written, err := w.Chunks()
	if err != nil {
		t.Fatal(err)
	}
	var chunks []Chunk
	for _, c := range written {
		chunks = append(chunks, Chunk{c.Name, c.Bytes})
	}
	return chunks
}

// wantSameSweeps compares what was written with what came back, gate by gate.
func wantSameSweeps(t *testing.T, got, want *grid.Volume) {
	t.Helper()
	if got == nil || len(got.Sweeps) != len(want.Sweeps) {
		t.Fatalf("volume %+v, want %d sweeps", got, len(want.Sweeps))
	}
	for k, w := range want.Sweeps {
		g := got.Sweeps[k]
		if g.Number != w.Number || len(g.Radials) != len(w.Radials) || len(g.Moments) != len(w.Moments) || math.Abs(g.ElevationDeg-w.ElevationDeg) > 0.003 ||
			!g.Start.Equal(w.Start) || !g.End.Equal(w.End) || g.NyquistVelocityMPerS != w.NyquistVelocityMPerS || g.UnambiguousRangeM != w.UnambiguousRangeM {
			t.Fatalf("sweep %d: %+v\nwant %+v", k, g, w)
		}
		for r := range w.Radials {
			if math.Abs(float64(g.Radials[r].AzimuthDeg-w.Radials[r].AzimuthDeg)) > 0.003 || !g.Radials[r].Time.Equal(w.Radials[r].Time) {
				t.Fatalf("sweep %d radial %d: %+v, want %+v", k, r, g.Radials[r], w.Radials[r])
			}
		}
		for _, m := range w.Moments {
			n := g.Moment(m.Name)
			if n == nil || n.Gates != m.Gates || n.FirstGateM != m.FirstGateM || n.GateSpacingM != m.GateSpacingM {
				t.Fatalf("sweep %d %s: %+v", k, m.Name, n)
			}
			for r := range w.Radials {
				a, b := n.Row(r, nil), m.Row(r, nil)
				for gate := range b {
					if raw := m.Rows[r].Gates(); gate < raw && grid.StateOf(a[gate]) == grid.NotCovered || gate >= raw && grid.StateOf(a[gate]) != grid.NotCovered {
						t.Fatalf("sweep %d %s radial %d gate %d: %v of %d gates", k, m.Name, r, gate, grid.StateOf(a[gate]), raw)
					}
					if grid.StateOf(a[gate]) == grid.Measured && math.Abs(float64(a[gate]-b[gate])) > 1e-4 {
						t.Fatalf("sweep %d %s radial %d gate %d: %g, want %g", k, m.Name, r, gate, a[gate], b[gate])
					}
				}
			}
		}
	}
}

func TestInventedVolume(t *testing.T) {
	want := invented(25)
	for name, w := range map[string]rehearsal.Level2{
		"bzip2": {Volume: want, RadialsInRecord: 10}, "plain": {Volume: want, Plain: true},
	} {
		file := fileOf(t, w)
		var zipped bytes.Buffer
		z := gzip.NewWriter(&zipped)
		z.Write(file)
		z.Close()
		for kind, b := range map[string][]byte{"": file, " in gzip": zipped.Bytes()} {
			for _, o := range []Options{{}, {Workers: 1}, {Workers: 3, Standard: true}} {
				v, err := Decode(t.Context(), "invented", b, o)
				if err != nil {
					t.Fatalf("%s%s: %v", name, kind, err)
				}
				wantSameSweeps(t, v, want)
				if v.Radar != "XMPL" || !v.Complete || v.VolumeCoveragePattern != 212 || v.Antenna.AltitudeM != 2030 || v.TowerHeightM != 30 ||
					v.Antenna.LatitudeDeg != 44.25 || v.Antenna.LongitudeDeg != -114.5 || !v.Time.Equal(want.Time) || math.Abs(v.Sweeps[2].TargetElevationDeg-4) > 0.003 {
					t.Errorf("%s%s: %+v", name, kind, v)
				}
			}
		}
	}
}

func TestInventedLegacyVolume(t *testing.T) {
	want := invented(25)
	for _, s := range want.Sweeps { // message 1 has three moments
		for k, m := range s.Moments {
			if m.Name == "PHI" {
				s.Moments = append(s.Moments[:k:k], s.Moments[k+1:]...)
			}
		}
		for k := range s.Radials {
			s.Radials[k].SpacingDeg = 1
		}
	}
	v, err := Decode(t.Context(), "legacy", fileOf(t, rehearsal.Level2{Volume: want, Legacy: true}), Options{})
	if err != nil {
		t.Fatal(err)
	}
	wantSameSweeps(t, v, want)
	if v.Radar != "" || !v.Complete || !math.IsNaN(v.Antenna.LatitudeDeg) {
		t.Errorf("%+v", v)
	}
	// The name of a file tells the radar where nothing else does.
	v, err = Decode(t.Context(), "/some/KTLX19910605_162126", fileOf(t, rehearsal.Level2{Volume: want, Legacy: true}), Options{})
	if err != nil || v.Radar != "KTLX" || math.Abs(v.Antenna.LatitudeDeg-35.333) > 0.001 {
		t.Errorf("%v, %+v", err, v)
	}
}

// A damaged record, wherever it is, costs its own radials and no more.
func TestDamagedRecord(t *testing.T) {
	want := invented(24)
	chunks := chunksOf(t, rehearsal.Level2{Volume: want, RadialsInRecord: 12})
	for k := 1; k < len(chunks); k++ {
		for name, spoil := range map[string]func([]byte) []byte{
			"a bit":          func(b []byte) []byte { b[len(b)/2] ^= 4; return b },
			"the checksum":   func(b []byte) []byte { b[len(b)-2] ^= 0x40; return b },
			"the length":     func(b []byte) []byte { binary.BigEndian.PutUint32(b, 1<<30); return b },
			"a length of 0":  func(b []byte) []byte { binary.BigEndian.PutUint32(b, 0); return b },
			"cut in half":    func(b []byte) []byte { return b[:len(b)/2] },
			"garbage before": func(b []byte) []byte { return append([]byte("garbage"), b...) },
		} {
			var file []byte
			for j, chunk := range chunks {
				b := bytes.Clone(chunk.Bytes)
				if j == k {
					b = spoil(b)
				}
				file = append(file, b...)
			}
			v, err := Decode(t.Context(), "damaged", file, Options{})
			var format *ingest.FormatError
			if !errors.As(err, &format) || v == nil {
				t.Fatalf("record %d, %s: error %v", k, name, err)
			}
			radials := 0
			for _, s := range v.Sweeps {
				radials += len(s.Radials)
			}
			// Nothing of a stream whose checksum is wrong can be believed.
			most := 72
			if name == "the checksum" || name == "a bit" {
				most = 60
			}
			if radials < 60 || radials > most || v.Complete {
				t.Errorf("record %d, %s: %d radials of 72, complete %v, %v", k, name, radials, v.Complete, err)
			}
		}
	}
}

// spoiledRadial changes one message 31 of a plain file and counts what is left.
func TestDamagedRadial(t *testing.T) {
	want := invented(20)
	file := fileOf(t, rehearsal.Level2{Volume: want, Plain: true})
	// The seventh radial of the first sweep.
	at := volumeHeaderBytes + 2*frameBytes
	for range 6 {
		at += ctmBytes + 2*int(binary.BigEndian.Uint16(file[at+ctmBytes:]))
	}
	body := at + ctmBytes + messageHeaderBytes
	for name, test := range map[string]struct {
		spoil   func(b []byte)
		radials int // left of 60
	}{
		"azimuth NaN":             {func(b []byte) { binary.BigEndian.PutUint32(b[body+12:], 0x7fc00000) }, 59},
		"azimuth 400":             {func(b []byte) { binary.BigEndian.PutUint32(b[body+12:], math.Float32bits(400)) }, 59},
		"elevation -50":           {func(b []byte) { binary.BigEndian.PutUint32(b[body+24:], math.Float32bits(-50)) }, 59},
		"no date":                 {func(b []byte) { b[body+8], b[body+9] = 0, 0 }, 59},
		"compressed":              {func(b []byte) { b[body+16] = 1 }, 59},
		"65535 blocks":            {func(b []byte) { b[body+30], b[body+31] = 255, 255 }, 59},
		"pointer behind the end":  {func(b []byte) { binary.BigEndian.PutUint32(b[body+32+12:], 1<<31) }, 60},
		"pointer into the header": {func(b []byte) { binary.BigEndian.PutUint32(b[body+32+12:], 3) }, 60},
		"65535 gates":             {func(b []byte) { p := body + int(binary.BigEndian.Uint32(b[body+44:])); b[p+8], b[p+9] = 255, 255 }, 60},
		"word of 7 bits":          {func(b []byte) { b[body+int(binary.BigEndian.Uint32(b[body+44:]))+19] = 7 }, 60},
		"scale NaN": {func(b []byte) {
			binary.BigEndian.PutUint32(b[body+int(binary.BigEndian.Uint32(b[body+44:]))+20:], 0x7fc00000)
		}, 60},
		"length behind the end": {func(b []byte) { b[at+ctmBytes], b[at+ctmBytes+1] = 0xff, 0xfe }, 59},
		"length 0":              {func(b []byte) { b[at+ctmBytes], b[at+ctmBytes+1] = 0, 2 }, 59},
	} {
		b := bytes.Clone(file)
		test.spoil(b)
		v, err := Decode(t.Context(), "damaged", b, Options{})
		var format *ingest.FormatError
		if !errors.As(err, &format) || format.Offset < int64(at) || format.Offset > int64(at)+2000 {
			t.Errorf("%s: error %v, the radial is at byte %d", name, err, at)
		}
		if v == nil {
			t.Errorf("%s: no volume", name)
			continue
		}
		radials := 0
		for _, s := range v.Sweeps {
			radials += len(s.Radials)
		}
		if radials != test.radials || v.Complete {
			t.Errorf("%s: %d radials, want %d; complete %v", name, radials, test.radials, v.Complete)
		}
	}
}

// Radials whose gates lie elsewhere are left out, not mixed in.
func TestRadialsThatDisagree(t *testing.T) {
	want := invented(20)
	file := fileOf(t, rehearsal.Level2{Volume: want, Plain: true})
	at := volumeHeaderBytes + 2*frameBytes + ctmBytes + messageHeaderBytes
	at += 2*int(binary.BigEndian.Uint16(file[at-messageHeaderBytes:])) + ctmBytes // second radial
	block := at + int(binary.BigEndian.Uint32(file[at+44:]))
	binary.BigEndian.PutUint16(file[block+12:], 500) // spacing
	v, err := Decode(t.Context(), "disagree", file, Options{})
	if err != nil || v.Complete || len(v.Notes) == 0 {
		t.Fatalf("%v, %+v", err, v)
	}
	m := v.Sweeps[0].Moment("REF")
	if m.Rows[0].Gates() == 0 || m.Rows[1].Gates() != 0 || m.Rows[2].Gates() == 0 || m.GateSpacingM != 250 {
		t.Errorf("rows %v", m.Rows[:3])
	}
}

func TestTimeRunningBackwards(t *testing.T) {
	want := invented(20)
	want.Sweeps[1].Radials[10].Time = want.Sweeps[1].Radials[10].Time.Add(-time.Hour)
	v, err := Decode(t.Context(), "backwards", fileOf(t, rehearsal.Level2{Volume: want}), Options{})
	if err != nil || len(v.Sweeps) != 3 || len(v.Sweeps[1].Radials) != 20 {
		t.Fatalf("%v, %+v", err, v)
	}
	found := false
	for _, note := range v.Notes {
		found = found || note == "time runs backwards within elevation number 2"
	}
	if !found {
		t.Errorf("notes %q", v.Notes)
	}
}

// The first sweep is handed on while later records are still to be unfolded, and
// no more of them is unfolded after the caller has had enough.
func TestFirstSweepEarly(t *testing.T) {
	want := invented(40)
	file := fileOf(t, rehearsal.Level2{Volume: want, RadialsInRecord: 4})
	var sweeps []int
	v, err := Decode(t.Context(), "early", file, Options{OnSweep: func(s *grid.Sweep) bool {
		if !s.Complete || len(s.Radials) != 40 {
			t.Errorf("sweep %d: %d radials, complete %v", s.Number, len(s.Radials), s.Complete)
		}
		sweeps = append(sweeps, s.Number)
		return s.Number < 2
	}})
	if err != nil || len(sweeps) != 2 || len(v.Sweeps) != 2 || v.Complete {
		t.Errorf("%v, sweeps %v, volume of %d, complete %v", err, sweeps, len(v.Sweeps), v.Complete)
	}
	ctx, cancel := context.WithCancel(t.Context())
	_, err = Decode(ctx, "stopped", file, Options{OnSweep: func(*grid.Sweep) bool { cancel(); return true }})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("after the end of the context: %v", err)
	}
}

func TestRefused(t *testing.T) {
	file := fileOf(t, rehearsal.Level2{Volume: invented(3)})
	for name, test := range map[string]struct {
		b      []byte
		reason error
	}{
		"empty":         {nil, ingest.ErrTruncated},
		"half a header": {file[:15], ingest.ErrTruncated},
		"header only":   {file[:24], ingest.ErrTruncated},
		"text":          {[]byte("not a radar volume at all, but some text"), ingest.ErrCorrupt},
		"half of gzip":  {[]byte{0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 3, 1}, ingest.ErrTruncated},
		"bad gzip":      {[]byte{0x1f, 0x8b, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9}, ingest.ErrCorrupt},
	} {
		v, err := Decode(t.Context(), name, test.b, Options{})
		wantReason(t, err, test.reason)
		if v != nil {
			t.Errorf("%s: a volume of %d sweeps", name, len(v.Sweeps))
		}
	}
	// Cut anywhere, a file gives its first records or an error.
	step := 1
	if testing.Short() {
		step = 23
	}
	for n := 24; n < len(file); n += step {
		v, err := Decode(t.Context(), "cut", file[:n], Options{Workers: 1})
		if err == nil && v == nil || v != nil && v.Complete {
			t.Fatalf("cut at %d: %v, %+v", n, err, v)
		}
	}
}

// A record that unfolds to more than any radar sends is given up.
func TestBzip2Bomb(t *testing.T) {
	var w fastInflater
	bomb := bomb(t, 40<<20)
	if out, err := w.inflate(nil, bomb, maxRecordBytes); !errors.Is(err, errTooMuch) || len(out) != maxRecordBytes || cap(out) > maxRecordBytes+1 {
		t.Errorf("%d bytes, room for %d, %v", len(out), cap(out), err)
	}
	file := fileOf(t, rehearsal.Level2{Volume: invented(3)})
	file = append(binary.BigEndian.AppendUint32(file, uint32(len(bomb))), bomb...)
	v, err := Decode(t.Context(), "bomb", file, Options{})
	wantReason(t, err, ingest.ErrUnsupported)
	if v == nil || len(v.Sweeps) != 3 || v.Complete {
		t.Errorf("volume %+v", v)
	}
}

func TestChunksOfInventedVolume(t *testing.T) {
	want := invented(24)
	chunks := chunksOf(t, rehearsal.Level2{Volume: want, RadialsInRecord: 12})
	backwards := make([]Chunk, 0, len(chunks))
	for k := range chunks {
		backwards = append(backwards, chunks[len(chunks)-1-k])
	}
	v, err := DecodeChunks(t.Context(), backwards, Options{})
	if err != nil || !v.Complete {
		t.Fatalf("%v, %+v", err, v)
	}
	wantSameSweeps(t, v, want)

	// Without names, and without the first: the order is that of the radials.
	var some []Chunk
	for _, chunk := range backwards[:len(backwards)-1] {
		some = append(some, Chunk{Bytes: chunk.Bytes})
	}
	v, err = DecodeChunks(t.Context(), some, Options{})
	if err != nil || v.Radar != "XMPL" || !v.Time.Equal(want.Time) {
		t.Fatalf("%v, %+v", err, v)
	}
	wantSameSweeps(t, v, want)

	// Cut at other radials, some of them twice.
	some = nil
	for k, chunk := range chunksOf(t, rehearsal.Level2{Volume: want, RadialsInRecord: 8}) {
		some = append(some, Chunk{Bytes: chunks[min(k, len(chunks)-1)].Bytes})
		if k%2 == 0 && k > 0 {
			some = append(some, Chunk{Bytes: chunk.Bytes})
		}
	}
	v, err = DecodeChunks(t.Context(), some, Options{})
	if err != nil || !v.Complete {
		t.Fatalf("%v, %+v", err, v)
	}
	wantSameSweeps(t, v, want)

	// One missing in the middle of the second sweep.
	a := NewAssembler(Options{})
	for k, chunk := range chunks {
		if k == 3 {
			continue
		}
		if err := a.Add(t.Context(), chunk); err != nil {
			t.Fatal(err)
		}
	}
	v, err = a.Volume()
	if err != nil || v.Complete || len(v.Sweeps) != 3 || len(v.Sweeps[1].Radials) != 12 || v.Sweeps[1].Complete || !v.Sweeps[0].Complete {
		t.Errorf("%v, %+v", err, v)
	}
	if missing := a.Missing(); len(missing) != 1 || missing[0] != 4 {
		t.Errorf("missing %v, want 4", missing)
	}
	// A chunk of the next turn of the same radar.
	next := invented(24)
	for _, s := range next.Sweeps {
		for k := range s.Radials {
			s.Radials[k].Time = s.Radials[k].Time.Add(5 * time.Minute)
		}
	}
	for _, chunk := range chunksOf(t, rehearsal.Level2{Volume: next, RadialsInRecord: 12})[1:3] {
		wantReason(t, a.Add(t.Context(), Chunk{Bytes: chunk.Bytes}), ErrOtherVolume)
	}
	// A damaged chunk costs itself.
	spoiled := bytes.Clone(chunks[3].Bytes)
	spoiled[len(spoiled)/2] ^= 8
	wantReason(t, a.Add(t.Context(), Chunk{chunks[3].Name, spoiled}), ingest.ErrCorrupt)
	if v, err = a.Volume(); err == nil || len(v.Sweeps) != 3 {
		t.Errorf("%v, %+v", err, v)
	}
	// And can come again whole.
	if err := a.Add(t.Context(), chunks[3]); err != nil {
		t.Error(err)
	}
	if v, _ = a.Volume(); len(v.Sweeps[1].Radials) != 24 || !v.Sweeps[1].Complete {
		t.Errorf("%+v", v.Sweeps[1])
	}
}

func TestStations(t *testing.T) {
	for _, want := range []Station{
		// Message 31 of real files: KDMX 2026 (feedhorn 34 m over 299 m), KLBB 2016
		// (24 over 1005), KLWX 2018 (34 over 89), TATL 2024 (327 m in all).
		{"KDMX", 41.7312, -93.7229, 299, 34}, {"KLBB", 33.6541, -101.8142, 1005, 24}, {"KLWX", 38.9761, -77.4875, 89, 34}, {"TATL", 33.647, -84.262, 327, 0},
	} {
		got, ok := StationOf(want.ICAO)
		if !ok || math.Abs(got.LatitudeDeg-want.LatitudeDeg) > 0.01 || math.Abs(got.LongitudeDeg-want.LongitudeDeg) > 0.015 ||
			math.Abs(got.AntennaAltitudeM()-want.GroundAltitudeM-want.TowerHeightM) > 13 {
			t.Errorf("%+v, antenna at %.0f m; want %+v", got, got.AntennaAltitudeM(), want)
		}
	}
	if _, ok := StationOf("XMPL"); ok {
		t.Error("an invented radar is in the list")
	}
}

// A sweep begins with its first radial even where the end of the one before is
// lost and both have the same number.
func TestSweepsOfOneNumber(t *testing.T) {
	want := invented(20)
	want.Sweeps[1].Number = 1
	file := fileOf(t, rehearsal.Level2{Volume: want, Plain: true})
	at := volumeHeaderBytes + 2*frameBytes
	for range 19 {
		at += ctmBytes + 2*int(binary.BigEndian.Uint16(file[at+ctmBytes:]))
	}
	binary.BigEndian.PutUint32(file[at+ctmBytes+messageHeaderBytes+12:], 0x7fc00000) // azimuth of the last one
	v, err := Decode(t.Context(), "one number", file, Options{})
	wantReason(t, err, ingest.ErrCorrupt)
	if v == nil || len(v.Sweeps) != 3 || len(v.Sweeps[0].Radials) != 19 || len(v.Sweeps[1].Radials) != 20 || v.Sweeps[0].Complete {
		t.Errorf("%+v", v)
	}
}

// Velocities of message 1 come in steps of 0.5 or 1 m/s; widths always of 0.5.
func TestLegacyVelocityResolution(t *testing.T) {
	want := invented(5)
	for _, s := range want.Sweeps {
		for k, m := range s.Moments {
			if m.Name == "PHI" {
				s.Moments = append(s.Moments[:k:k], s.Moments[k+1:]...)
			}
		}
	}
	file := fileOf(t, rehearsal.Level2{Volume: want, Legacy: true})
	for at := volumeHeaderBytes; at < len(file); at += frameBytes {
		if file[at+ctmBytes+3] == 1 {
			file[at+ctmBytes+messageHeaderBytes+43] = 4
		}
	}
	v, err := Decode(t.Context(), "legacy", file, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for gate, word := range want.Sweeps[1].Moment("VEL").Rows[3].Raw {
		if word < 2 {
			continue
		}
		if got := v.Sweeps[1].Moment("VEL").At(3, gate); got != float32(word)-129 {
			t.Errorf("gate %d: velocity %g, word %d", gate, got, word)
		}
		if got := v.Sweeps[1].Moment("SW").At(3, gate); got != (float32(word)-129)/2 {
			t.Errorf("gate %d: width %g, word %d", gate, got, word)
		}
	}
}
