package level2

import (
	"bytes"
	"runtime"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/dsnet/compress/bzip2"

	"rimeline/grid"
	"rimeline/ingest/testfiles"
)

var benchFiles = []string{"KLBB20160601_150025_V06", "KDMX20260101_154351_V06"}

// BenchmarkInflateAlone is what the whole cannot beat: the records of a volume
// unfolded by the fastest reader there is, one a processor, into the same memory
// again and again, and thrown away.
func BenchmarkInflateAlone(b *testing.B) {
	for _, name := range benchFiles {
		b.Run(name, func(b *testing.B) {
			file := testfiles.Read(b, "level2/"+name)
			pieces, _ := splitRecords(name, file, volumeHeaderBytes)
			b.ReportAllocs()
			size := int64(0)
			for b.Loop() {
				size = inflateAlone(b, pieces)
			}
			b.SetBytes(size)
		})
	}
}

func inflateAlone(b *testing.B, pieces []piece) int64 {
	var next, size atomic.Int64
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			var reader *bzip2.Reader
			var source bytes.Reader
			var scratch []byte
			for {
				k := int(next.Add(1)) - 1
				if k >= len(pieces) {
					return
				}
				source.Reset(pieces[k].bytes)
				if reader == nil {
					reader, _ = bzip2.NewReader(&source, nil)
				} else {
					reader.Reset(&source)
				}
				out, err := readUpTo(scratch[:0], reader, maxRecordBytes)
				if err != nil {
					b.Error(err)
				}
				scratch = out
				size.Add(int64(len(out)))
			}
		})
	}
	group.Wait()
	return size.Load()
}

// BenchmarkDecode makes the volume, gates as stored.
func BenchmarkDecode(b *testing.B) {
	benchmarkDecode(b, func(*grid.Volume) {})
}

// BenchmarkDecodeEveryGate scales every gate of every moment as well.
func BenchmarkDecodeEveryGate(b *testing.B) {
	benchmarkDecode(b, everyGate)
}

func benchmarkDecode(b *testing.B, use func(*grid.Volume)) {
	for _, name := range benchFiles {
		b.Run(name, func(b *testing.B) {
			file := testfiles.Read(b, "level2/"+name)
			b.ReportAllocs()
			for b.Loop() {
				v, err := Decode(b.Context(), name, file, Options{})
				if err != nil {
					b.Fatal(err)
				}
				use(v)
			}
		})
	}
}

// everyGate goes through a volume with all processors.
func everyGate(v *grid.Volume) {
	var moments []*grid.Moment
	for _, s := range v.Sweeps {
		moments = append(moments, s.Moments...)
	}
	var next atomic.Int64
	var group sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		group.Go(func() {
			var row []float32
			for {
				k := int(next.Add(1)) - 1
				if k >= len(moments) {
					return
				}
				for r := range moments[k].Rows {
					row = moments[k].Row(r, row)
				}
			}
		})
	}
	group.Wait()
}

// BenchmarkAgainstInflating takes turns between unfolding alone, the volume, and
// every gate of it, and compares the shortest time of each, so that other work on
// the machine counts less.
func BenchmarkAgainstInflating(b *testing.B) {
	for _, name := range benchFiles {
		b.Run(name, func(b *testing.B) {
			file := testfiles.Read(b, "level2/"+name)
			pieces, _ := splitRecords(name, file, volumeHeaderBytes)
			alone, volume, gates := time.Hour, time.Hour, time.Hour
			for b.Loop() {
				start := time.Now()
				inflateAlone(b, pieces)
				alone, start = min(alone, time.Since(start)), time.Now()
				v, err := Decode(b.Context(), name, file, Options{})
				if err != nil {
					b.Fatal(err)
				}
				elapsed := time.Since(start)
				everyGate(v)
				volume, gates = min(volume, elapsed), min(gates, time.Since(start))
			}
			b.ReportMetric(float64(alone.Milliseconds()), "ms-inflate")
			b.ReportMetric(float64(volume)/float64(alone), "volume/inflate")
			b.ReportMetric(float64(gates)/float64(alone), "gates/inflate")
		})
	}
}

// BenchmarkFirstSweep stops when the first sweep is there.
func BenchmarkFirstSweep(b *testing.B) {
	name := benchFiles[0]
	file := testfiles.Read(b, "level2/"+name)
	first := time.Hour
	for b.Loop() {
		start := time.Now()
		v, err := Decode(b.Context(), name, file, Options{OnSweep: func(*grid.Sweep) bool { first = min(first, time.Since(start)); return false }})
		if err != nil || len(v.Sweeps) != 1 {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(first.Microseconds())/1000, "ms-to-sweep")
}

// BenchmarkStandardReader is Decode with the bzip2 reader of the standard library.
func BenchmarkStandardReader(b *testing.B) {
	name := benchFiles[0]
	file := testfiles.Read(b, "level2/"+name)
	for b.Loop() {
		if _, err := Decode(b.Context(), name, file, Options{Standard: true}); err != nil {
			b.Fatal(err)
		}
	}
}
