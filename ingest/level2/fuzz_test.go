package level2

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"

	"github.com/dsnet/compress/bzip2"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/rehearsal"
)

// bomb is a short bzip2 stream of n zeros.
func bomb(t testing.TB, n int64) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := bzip2.NewWriter(&b, nil)
	if err == nil {
		_, err = io.CopyN(w, zeroReader{}, n)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

type zeroReader struct{}

func (zeroReader) Read(b []byte) (int, error) { clear(b); return len(b), nil }

// checkVolume wants what every volume must hold, whatever the bytes were.
func checkVolume(t *testing.T, v *grid.Volume) {
	t.Helper()
	if v == nil {
		return
	}
	for k, s := range v.Sweeps {
		if len(s.Radials) == 0 || len(s.Radials) > maxRadialsInSweep || len(s.Moments) > maxMomentsInSweep {
			t.Fatalf("sweep %d: %d radials, %d moments", k, len(s.Radials), len(s.Moments))
		}
		s.Nearest(float64(s.Radials[0].AzimuthDeg))
		for _, m := range s.Moments {
			if len(m.Rows) != len(s.Radials) || m.GateSpacingM <= 0 {
				t.Fatalf("sweep %d %s: %d rows of %d radials, gates each %g m", k, m.Name, len(m.Rows), len(s.Radials), m.GateSpacingM)
			}
			for r := range m.Rows {
				if m.Rows[r].Gates() > m.Gates || len(m.Row(r, nil)) != m.Gates {
					t.Fatalf("sweep %d %s radial %d: %d gates of %d", k, m.Name, r, m.Rows[r].Gates(), m.Gates)
				}
			}
		}
	}
	v.ColumnAbove(grid.LatLon{LatitudeDeg: v.Antenna.LatitudeDeg + 0.1, LongitudeDeg: v.Antenna.LongitudeDeg}, "REF", nil)
}

// checkErrors wants a place in the file for each.
func checkErrors(t *testing.T, err error, size int64) {
	t.Helper()
	if err == nil {
		return
	}
	all := []error{err}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		all = joined.Unwrap()
	}
	var format *ingest.FormatError
	if !errors.As(all[0], &format) {
		t.Fatalf("error without a place in the file: %v", err)
	}
	for _, one := range all {
		if errors.As(one, &format) && (format.Offset < 0 || format.Offset > size) {
			t.Fatalf("error at byte %d of %d: %v", format.Offset, size, err)
		}
	}
}

func FuzzDecode(f *testing.F) {
	small := invented(4)
	file := fileOf(f, rehearsal.Level2{Volume: small, RadialsInRecord: 5})
	plain := fileOf(f, rehearsal.Level2{Volume: small, Plain: true})
	f.Add(file)
	f.Add(plain)
	f.Add(plain[:len(plain)-100])
	f.Add(file[:len(file)-7])
	f.Fuzz(func(t *testing.T, b []byte) {
		unfolded, _ := gunzip("fuzz", b)
		v, err := Decode(context.Background(), "fuzz", b, Options{Workers: 1})
		checkErrors(t, err, int64(len(unfolded)))
		if v == nil && err == nil {
			t.Fatal("neither volume nor error")
		}
		checkVolume(t, v)
	})
}

func FuzzChunks(f *testing.F) {
	chunks := chunksOf(f, rehearsal.Level2{Volume: invented(6), RadialsInRecord: 6})
	f.Add(chunks[0].Bytes, chunks[1].Bytes, chunks[3].Bytes)
	f.Add(chunks[2].Bytes, chunks[1].Bytes, chunks[0].Bytes)
	f.Fuzz(func(t *testing.T, one, two, three []byte) {
		a := NewAssembler(Options{Workers: 1})
		for _, b := range [][]byte{one, two, three} {
			checkErrors(t, a.Add(context.Background(), Chunk{"", b}), int64(len(b)))
		}
		v, err := a.Volume()
		checkErrors(t, err, int64(max(len(one), len(two), len(three))))
		checkVolume(t, v)
	})
}

// The messages of a record as unfolded, past the checksums of bzip2.
func FuzzMessages(f *testing.F) {
	plain := fileOf(f, rehearsal.Level2{Volume: invented(2), Plain: true})
	f.Add(plain[volumeHeaderBytes:], true)
	f.Add(fileOf(f, rehearsal.Level2{Volume: legacy(2), Legacy: true})[volumeHeaderBytes:], false)
	f.Fuzz(func(t *testing.T, b []byte, inflated bool) {
		r := readMessages(place{"fuzz", 1, 10, inflated}, b)
		for _, err := range r.errs {
			checkErrors(t, err, int64(10+len(b)))
		}
		builder := newVolumeBuilder("fuzz")
		builder.add(r)
		checkVolume(t, builder.finish())
	})
}

// The fast reader and that of the standard library take and refuse the same
// streams, and give the same bytes.
func FuzzInflate(f *testing.F) {
	f.Add(chunksOf(f, rehearsal.Level2{Volume: invented(3)})[1].Bytes[controlWordBytes:])
	f.Add(bomb(f, 1<<16))
	var reused fastInflater
	f.Fuzz(func(t *testing.T, b []byte) {
		const limit = 1 << 20
		fast, fastErr := reused.fast(nil, b, limit)
		std, stdErr := stdInflater{}.inflate(nil, b, limit)
		if (fastErr == nil) != (stdErr == nil) {
			t.Skipf("the readers disagree: %v, %v", fastErr, stdErr) // the second decides, see inflate
		}
		if fastErr == nil && !bytes.Equal(fast, std) {
			t.Fatalf("%d and %d bytes differ", len(fast), len(std))
		}
		if len(fast) > limit || len(std) > limit {
			t.Fatalf("%d and %d bytes", len(fast), len(std))
		}
	})
}

func legacy(radials int) *grid.Volume {
	v := invented(radials)
	for _, s := range v.Sweeps {
		s.Moments = s.Moments[:1]
	}
	return v
}
