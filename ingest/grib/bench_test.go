package grib

import (
	"context"
	"sync"
	"syscall"
	"testing"

	"rimeline/grid"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/testfiles"
)

// benchmarkFiles are real messages of 1799 x 1059 points.
var benchmarkFiles = []struct{ name, file string }{
	{"TMPsurface_5.3", "grib2/hrrr.20230722.t06z.wrfsfcf01-TMP.grib2"},
	{"TMP700hPa_5.3", "grib2/hrrr.20260219.t12z.wrfsfcf00.tmp700mb.grib2"},
	{"UGRD10m_5.0", "grib2/hrrr.20230722.t06z.wrfsfcf01-UGRD10m.grib2"},
}

// measureCPU reports the processor time of an operation beside its wall time,
// which says little on a machine that does other things as well.
func measureCPU(b *testing.B) {
	used := func() int64 {
		var u syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
			b.Fatal(err)
		}
		return u.Utime.Nano() + u.Stime.Nano()
	}
	start := used()
	b.Cleanup(func() { b.ReportMetric(float64(used()-start)/float64(b.N), "cpu-ns/op") })
}

func openOne(b *testing.B, file string) *Message {
	b.Helper()
	messages, err := Messages(file, testfiles.Read(b, file))
	if err != nil {
		b.Fatal(err)
	}
	return messages[0]
}

// Each benchmark decodes one message from its bytes to values in memory that is
// kept: own by this package, ecCodes through cgo as float64. The floor is what
// template 5.3 cannot do without: one second-order sum and the scaling of
// regulation 92.9.4 a point, with nothing to unpack.
func BenchmarkDecode(b *testing.B) {
	for _, f := range benchmarkFiles {
		b.Run(f.name+"/own", func(b *testing.B) {
			data := testfiles.Read(b, f.file)
			var values []float32
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			measureCPU(b)
			for b.Loop() {
				messages, err := Messages(f.file, data)
				if err != nil {
					b.Fatal(err)
				}
				field, err := messages[0].Field(context.Background(), Options{Values: values})
				if err != nil {
					b.Fatal(err)
				}
				values = field.Values
			}
		})
		b.Run(f.name+"/ecCodes", func(b *testing.B) {
			data := testfiles.Read(b, f.file)
			var decoder lib.Decoder
			defer decoder.Free()
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			measureCPU(b)
			for b.Loop() {
				if _, err := decoder.Decode(data); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(f.name+"/floor", func(b *testing.B) {
			m := openOne(b, f.file)
			r, err := parseRepresentation(m.sections.representation, m.place)
			if err != nil {
				b.Fatal(err)
			}
			differences := make([]int32, m.Points())
			values := make([]float32, m.Points())
			b.SetBytes(int64(len(m.sections.data.b)))
			measureCPU(b)
			for b.Loop() {
				var last, slope int64
				for i, x := range differences {
					slope += int64(x)
					last += slope
					values[i] = r.scaling.value(last)
				}
			}
		})
	}
}

// New memory for every field, as a program that keeps the fields needs it.
func BenchmarkDecodeIntoNewMemory(b *testing.B) {
	for _, f := range benchmarkFiles {
		b.Run(f.name, func(b *testing.B) {
			m := openOne(b, f.file)
			b.SetBytes(int64(len(m.sections.data.b)))
			b.ReportAllocs()
			measureCPU(b)
			for b.Loop() {
				if _, err := m.Field(context.Background(), Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Two messages at once: the time is for both.
func BenchmarkDecodeTwoAtOnce(b *testing.B) {
	for _, f := range benchmarkFiles {
		m := func(b *testing.B) *Message { return openOne(b, f.file) }
		both := func(b *testing.B, decode func(worker int)) {
			b.ReportAllocs()
			measureCPU(b)
			for b.Loop() {
				var workers sync.WaitGroup
				for worker := range 2 {
					workers.Go(func() { decode(worker) })
				}
				workers.Wait()
			}
		}
		b.Run(f.name+"/own", func(b *testing.B) {
			m := m(b)
			var values [2][]float32
			both(b, func(worker int) {
				field, err := m.Field(context.Background(), Options{Values: values[worker]})
				if err != nil {
					b.Error(err)
					return
				}
				values[worker] = field.Values
			})
		})
		b.Run(f.name+"/ecCodes", func(b *testing.B) {
			data := testfiles.Read(b, f.file)
			var decoders [2]lib.Decoder
			defer decoders[0].Free()
			defer decoders[1].Free()
			both(b, func(worker int) {
				if _, err := decoders[worker].Decode(data); err != nil {
					b.Error(err)
				}
			})
		})
	}
}

// A window of 121 x 121 points in the middle of the grid.
func BenchmarkDecodeWindow(b *testing.B) {
	for _, f := range benchmarkFiles {
		b.Run(f.name, func(b *testing.B) {
			m := openOne(b, f.file)
			b.ReportAllocs()
			measureCPU(b)
			for b.Loop() {
				if _, err := m.Field(context.Background(), Options{Window: &grid.Window{I0: 840, J0: 470, NI: 121, NJ: 121}}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkDecodePNG(b *testing.B) {
	const file = "mrms/MRMS_MergedReflectivityQCComposite_00.50_20220704-110040.grib2"
	m := openOne(b, file)
	b.Run("own", func(b *testing.B) {
		var values []float32
		b.SetBytes(int64(len(m.sections.data.b)))
		b.ReportAllocs()
		measureCPU(b)
		for b.Loop() {
			field, err := m.Field(context.Background(), Options{Values: values})
			if err != nil {
				b.Fatal(err)
			}
			values = field.Values
		}
	})
	b.Run("ecCodes", func(b *testing.B) {
		single, err := m.standalone()
		if err != nil {
			b.Fatal(err)
		}
		var decoder lib.Decoder
		defer decoder.Free()
		b.SetBytes(int64(len(m.sections.data.b)))
		measureCPU(b)
		for b.Loop() {
			if _, err := decoder.Decode(single); err != nil {
				b.Fatal(err)
			}
		}
	})
}
