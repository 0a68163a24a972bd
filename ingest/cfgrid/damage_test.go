package cfgrid

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"runtime"
	"sync"
	"testing"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

func invented(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(golden(name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// checkError: every error of the format says where, and lies within the file.
func checkError(t *testing.T, what string, err error, size int) *ingest.FormatError {
	t.Helper()
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || fe.File == "" || fe.Offset < 0 || fe.Offset > int64(size) || fe.Err == nil {
		t.Fatalf("%s: error without a place: %v", what, err)
	}
	return fe
}

var classicNames = []string{"transposed.cdf1.nc", "transposed.cdf2.nc", "transposed.cdf5.nc", "ragged.nc"}

// A classic file cut anywhere is truncated; with all its bytes it reads. The
// last bytes may be padding.
func TestTruncatedClassic(t *testing.T) {
	for _, name := range classicNames {
		whole := invented(t, name)
		for n := range whole {
			_, err := Decode(t.Context(), name, whole[:n], Options{})
			if err == nil {
				if n < len(whole)-3 {
					t.Errorf("%s: %d of %d bytes were read", name, n, len(whole))
				}
				continue
			}
			checkError(t, name, err, n)
			if !errors.Is(err, ingest.ErrTruncated) {
				t.Errorf("%s: %d bytes: %v", name, n, err)
			}
		}
	}
}

// An HDF5 file says where it ends, so cutting is seen without the library.
func TestTruncatedNetCDF4(t *testing.T) {
	whole := invented(t, "ensemble.nc4")
	for n := 8; n < len(whole); n += 97 {
		_, err := Open("cut", whole[:n])
		checkError(t, "cut", err, n)
		if !errors.Is(err, ingest.ErrTruncated) {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
}

func TestOtherFiles(t *testing.T) {
	for _, b := range [][]byte{nil, {}, []byte("C"), []byte("CDF"), []byte("CDF\x03aaaaaaaaaaaa"), []byte("GRIB\x00\x00\x00\x02aaaaaaaa"),
		[]byte("<html>not found</html>"), bytes.Repeat([]byte{0}, 4096), []byte("\x89HDF\r\n\x1a\n"), append([]byte("\x89HDF\r\n\x1a\n"), bytes.Repeat([]byte{255}, 100)...),
		append([]byte("\x89HDF\r\n\x1a\n"), bytes.Repeat([]byte{0}, 200)...), []byte("CDF\x01"), []byte("CDF\x05\xff\xff\xff\xff\xff\xff\xff\xff")} {
		_, err := Open("other", b)
		checkError(t, "other", err, len(b))
	}
	if IsNetCDF(nil) || IsNetCDF([]byte("GRIB....")) || !IsNetCDF(invented(t, "ensemble.nc4")) || !IsNetCDF(invented(t, "ragged.nc")) {
		t.Error("wrong guess of what is netCDF")
	}
}

// cdf writes classic headers by hand.
type cdf struct{ bytes.Buffer }

func (c *cdf) words(words ...uint32) *cdf {
	for _, w := range words {
		_ = binary.Write(c, binary.BigEndian, w) // to memory
	}
	return c
}

func (c *cdf) name(name string) *cdf {
	c.words(uint32(len(name)))
	c.WriteString(name)
	c.Write(make([]byte, (4-len(name)%4)%4))
	return c
}

// Headers that claim what the file cannot hold are refused before memory is
// taken for it.
func TestHugeClaims(t *testing.T) {
	header := func(build func(*cdf)) []byte {
		c := &cdf{}
		c.WriteString("CDF\x01")
		build(c)
		return c.Bytes()
	}
	// One variable "v" on dimensions a and b.
	onTwo := func(records, a, b, begin uint32) []byte {
		return header(func(c *cdf) {
			c.words(records, tagDimension, 2).name("a").words(a).name("b").words(b)
			c.words(0, 0, tagVariable, 1).name("v").words(2, 0, 1, 0, 0, 5, 400, begin)
		})
	}
	tests := map[string][]byte{
		"10^9 points":                      onTwo(0, 31623, 31623, 100),
		"2^62 points":                      onTwo(0, 1<<31-1, 1<<31-1, 100),
		"4294967294 records":               onTwo(1<<32-2, 0, 1<<30, 100),
		"records that overflow the offset": onTwo(1<<31-1, 0, 1<<31-1, 100),
		"streaming":                        onTwo(1<<32-1, 0, 10, 100),
		"two unlimited dimensions":         onTwo(0, 0, 0, 100),
		"data inside the header":           onTwo(0, 2, 2, 8),
		"2^31 dimensions":                  header(func(c *cdf) { c.words(0, tagDimension, 1<<31-1) }),
		"negative count":                   header(func(c *cdf) { c.words(0, tagDimension, 1<<31) }),
		"2^28 attributes":                  header(func(c *cdf) { c.words(0, 0, 0, tagAttribute, 1<<28) }),
		"an attribute of 2^31 values":      header(func(c *cdf) { c.words(0, 0, 0, tagAttribute, 1).name("a").words(6, 1<<31-1, 0, 0, 0) }),
		"a name of 2^31 bytes":             header(func(c *cdf) { c.words(0, tagDimension, 1, 1<<31-1, 0, 0) }),
		"2^28 variables":                   header(func(c *cdf) { c.words(0, 0, 0, 0, 0, tagVariable, 1<<28) }),
		"rank 2^31":                        header(func(c *cdf) { c.words(0, 0, 0, 0, 0, tagVariable, 1).name("v").words(1<<31-1, 0, 0, 0, 0, 0, 0) }),
		"a dimension that is not there":    header(func(c *cdf) { c.words(0, 0, 0, 0, 0, tagVariable, 1).name("v").words(1, 7, 0, 0, 5, 4, 100) }),
		"type 77":                          header(func(c *cdf) { c.words(0, 0, 0, 0, 0, tagVariable, 1).name("v").words(0, 0, 0, 77, 4, 100, 0) }),
		"wrong tag":                        header(func(c *cdf) { c.words(0, 99, 1, 0, 0, 0, 0) }),
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for what, b := range tests {
		_, err := Decode(t.Context(), what, b, Options{})
		checkError(t, what, err, len(b))
	}
	runtime.ReadMemStats(&after)
	if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20 {
		t.Errorf("%d bytes were allocated for headers of some hundred", took)
	}
}

// A netCDF-4 variable of 10^9 points that was never written takes no bytes, so
// that its claim is refused when it is read, not when the file is opened.
func TestHugeClaimNetCDF4(t *testing.T) {
	f := openInvented(t, "huge.nc4")
	if f.Len() != 2 {
		t.Fatalf("%d fields", f.Len())
	}
	for _, h := range f.Headers() {
		_, err := f.Field(t.Context(), h.Number, Options{})
		fe := checkError(t, h.Parameter, err, int(f.size))
		t.Log(fe)
	}
	if _, err := f.Values(t.Context(), "big"); err == nil {
		t.Error("10^9 values were read of a file of a few kB")
	}
}

// Each ceiling by itself, in a file large enough for the others.
func TestCeilings(t *testing.T) {
	f := &File{name: "ceilings", size: 1 << 40}
	v := &variable{name: "v", kind: netcdf.DOUBLE}
	if err := f.readable(v, maxPoints); err != nil {
		t.Error(err)
	}
	checkError(t, "points", f.readable(v, maxPoints+1), 0)
	v.chunks = []uint64{maxChunkBytes / 8}
	if err := f.readable(v, 1); err != nil {
		t.Error(err)
	}
	v.chunks[0]++
	checkError(t, "chunk", f.readable(v, 1), 0)
	v.chunks = []uint64{1 << 40, 1 << 40}
	checkError(t, "chunk that overflows", f.readable(v, 1), 0)
	v.chunks, f.size = nil, 1000
	checkError(t, "inflation", f.readable(v, (spareInflation+maxInflation*1000)/8+1), 0)
}

// A cancelled context stops before and between reads.
func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	f := openInvented(t, "ensemble.nc4")
	cancel()
	if _, err := f.Field(ctx, 1, Options{}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if _, err := Decode(ctx, "x", invented(t, "ensemble.nc4"), Options{}); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// Many goroutines, one library: run with -race.
func TestConcurrentUse(t *testing.T) {
	names := []string{"ensemble.nc4", "transposed.cdf1.nc", "transposed.cdf5.nc", "ragged.nc"}
	want := map[string]float64{}
	sum := func(f *File) (s float64, err error) {
		for n := 1; n <= f.Len(); n++ {
			field, err := f.Field(context.Background(), n, Options{})
			if err != nil {
				return 0, err
			}
			for _, v := range field.Values {
				if v == v {
					s += float64(v)
				}
			}
		}
		return s, nil
	}
	for _, name := range names {
		var err error
		if want[name], err = sum(openInvented(t, name)); err != nil {
			t.Fatal(err)
		}
	}
	shared := openInvented(t, "ensemble.nc4")
	var group sync.WaitGroup
	for g := range 8 {
		group.Go(func() {
			for k := range 20 {
				name := names[(g+k)%len(names)]
				f, err := Open(name, invented(t, name))
				if err != nil {
					t.Error(err)
					return
				}
				if got, err := sum(f); err != nil || got != want[name] {
					t.Errorf("%s: %g, want %g, %v", name, got, want[name], err)
				}
				if got, err := sum(shared); err != nil || got != want["ensemble.nc4"] {
					t.Errorf("shared: %g, %v", got, err)
				}
				if err := f.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
}

// FuzzDecode reads classic files of any bytes. HDF5 is left to
// FuzzSuperblock and the child process: the library itself crashes on some
// damaged files.
func FuzzDecode(f *testing.F) {
	for _, name := range classicNames {
		f.Add(invented(f, name))
	}
	f.Add([]byte("CDF\x01"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if hdf5Start(b) >= 0 {
			return
		}
		fields, err := Decode(context.Background(), "fuzz", b, Options{})
		if err != nil {
			checkError(t, "fuzz", err, len(b))
		}
		for _, field := range fields {
			if g := field.Grid; g.NI != 0 && len(field.Values) != g.NI*g.NJ {
				t.Fatalf("%d values on a %d x %d grid", len(field.Values), g.NI, g.NJ)
			}
			if len(field.Values) > 8*len(b) {
				t.Fatalf("%d values of %d bytes", len(field.Values), len(b))
			}
		}
	})
}

func FuzzTimeUnits(f *testing.F) {
	for _, s := range []string{"hours since 1992-1-1", "seconds since (1970-1-1 00:00:00.0)", "days since 1-1-1 00:00:0.0 -6:00"} {
		f.Add(s, "standard", 1.5)
	}
	f.Fuzz(func(t *testing.T, units, calendar string, value float64) {
		axis, err := parseTimeAxis(units, calendar)
		if at := axis.at(value); err != nil && !at.IsZero() {
			t.Fatalf("%q gives both %v and %v", units, err, at)
		}
	})
}

func BenchmarkField(b *testing.B) {
	for _, test := range []struct{ name, file string }{
		{"packed-short-deflated-35M", "netcdf/AORC_1.1_APCP_surface_2021123003.nc4"},
		{"float-classic-373k", "netcdf/nwrfc.QTE.2022121212.nc.gz"},
	} {
		b.Run(test.name, func(b *testing.B) {
			f, err := Open(test.file, plain(b, testfiles.Read(b, test.file)))
			if err != nil {
				b.Fatal(err)
			}
			defer f.Close()
			n := f.Len()
			g := f.Headers()[n-1].Grid
			b.SetBytes(int64(4 * g.NI * g.NJ))
			b.ReportAllocs()
			for b.Loop() {
				if _, err := f.Field(b.Context(), n, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkWRF(b *testing.B) {
	for _, name := range []string{wrfMercator, wrfLambert} {
		b.Run(name[len("netcdf/wrfout."):], func(b *testing.B) {
			bytes := testfiles.Read(b, name)
			b.SetBytes(int64(len(bytes)))
			b.ReportAllocs()
			for b.Loop() {
				f, err := Open(name, bytes)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := f.WRFFields(b.Context(), Options{}); err != nil {
					b.Fatal(err)
				}
				if err := f.Close(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
