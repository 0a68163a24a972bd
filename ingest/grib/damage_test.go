package grib

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// placed checks that every error names a place in the file, and gives them.
func placed(t *testing.T, err error, size int) []*ingest.FormatError {
	t.Helper()
	var all []*ingest.FormatError
	for _, e := range flatten(err) {
		var place *ingest.FormatError
		if !errors.As(e, &place) || place.Offset < 0 || place.Offset > int64(size) || place.Err == nil || place.Detail == "" {
			t.Fatalf("error without a place in the file: %v", e)
		}
		if !errors.Is(e, ingest.ErrTruncated) && !errors.Is(e, ingest.ErrCorrupt) && !errors.Is(e, ingest.ErrUnsupported) {
			t.Fatalf("error without a reason: %v", e)
		}
		all = append(all, place)
	}
	return all
}

// consistent checks what is promised of a decoded field.
func consistent(t *testing.T, f *grid.Field) {
	t.Helper()
	if f.Grid == nil || f.Number < 1 {
		t.Fatalf("field %+v", f)
	}
	if n := f.Grid.NI * f.Grid.NJ; n != len(f.Values) && (f.Grid.NI != 0 || f.Grid.NJ != 0) {
		t.Fatalf("%d values on a %d x %d grid", len(f.Values), f.Grid.NI, f.Grid.NJ)
	}
}

func TestEveryTruncation(t *testing.T) {
	for _, name := range []string{"second-order-bitmap", "simple", "png-8"} {
		b, err := os.ReadFile("testdata/packings/" + name + ".grib2")
		if err != nil {
			t.Fatal(err)
		}
		for n := range b {
			fields, err := Decode(context.Background(), name, b[:n], Options{})
			want := ingest.ErrTruncated
			if n < 4 {
				want = ingest.ErrCorrupt // not even "GRIB"
			}
			if len(fields) != 0 || !errors.Is(err, want) {
				t.Fatalf("%s: %d of %d bytes: %d fields, %v, want %v", name, n, len(b), len(fields), err, want)
			}
			for _, place := range placed(t, err, n) {
				if place.File != name || place.Message > 1 {
					t.Fatalf("%v", place)
				}
			}
		}
	}
}

func TestEveryBitFlipped(t *testing.T) {
	for _, path := range inventedFiles(t) {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if len(b) > 700 {
			continue
		}
		decoded, refused := 0, 0
		for bit := range 8 * len(b) {
			b[bit/8] ^= 0x80 >> (bit % 8)
			fields, err := Decode(context.Background(), "flipped", b, Options{MaxPoints: 1e6})
			placed(t, err, len(b))
			for _, f := range fields {
				consistent(t, f)
			}
			decoded += len(fields)
			if err != nil {
				refused++
			}
			b[bit/8] ^= 0x80 >> (bit % 8)
		}
		rare := strings.HasPrefix(filepath.Base(path), "jpeg") || strings.HasPrefix(filepath.Base(path), "ccsds")
		if decoded == 0 && !rare || refused == 0 {
			t.Errorf("%s: %d decoded, %d refused", path, decoded, refused)
		}
	}
}

// A header may claim any number of points: nothing is allocated by a claim that
// the bytes do not bear out, nor above the ceiling where they need not.
func TestHugeClaims(t *testing.T) {
	const billion = 1_000_000_000
	group := sectionOf(5, be32(billion), be16(3), be32(0), be16(0), be16(0), []byte{12, 0, 1, 0}, be32(0), be32(0),
		be32(billion/2), []byte{0, 4}, be32(2), []byte{0}, be32(2), []byte{0, 2, 2})
	for _, test := range []struct {
		name     string
		sections [][]byte
		ceiling  int
		want     error
		detail   string
	}{
		{"10^9 points of 12 bits", [][]byte{gridClaiming(billion, billion/1000, 1000), productOf(0, 0), simpleOf(billion, 0, 0, 0, 12), noBitmap, sectionOf(7, make([]byte, 90))}, 2 * billion, ingest.ErrCorrupt, "values need"},
		{"10^9 constant points", [][]byte{gridClaiming(billion, billion/1000, 1000), productOf(0, 0), simpleOf(billion, 1, 0, 0, 0), noBitmap, sectionOf(7)}, 0, ingest.ErrUnsupported, "at most"},
		{"10^9 points, a bitmap of 9", [][]byte{gridClaiming(billion, billion/1000, 1000), productOf(0, 0), simpleOf(9, 0, 0, 0, 8), sectionOf(6, []byte{0, 0xff, 0x80}), sectionOf(7, make([]byte, 9))}, 2 * billion, ingest.ErrCorrupt, "bitmap of"},
		{"5 x 10^8 groups", [][]byte{gridClaiming(billion, billion/1000, 1000), productOf(0, 0), group, noBitmap, sectionOf(7, make([]byte, 90))}, 2 * billion, ingest.ErrCorrupt, "groups need"},
		{"more rows than points", [][]byte{gridClaiming(6, billion, billion), productOf(0, 0), simpleOf(6, 0, 0, 0, 8), noBitmap, sectionOf(7, make([]byte, 6))}, 0, ingest.ErrCorrupt, "are not the 6 points"},
		{"more values than points", [][]byte{gridOf(3, 2), productOf(0, 0), simpleOf(billion, 0, 0, 0, 8), noBitmap, sectionOf(7, make([]byte, 6))}, 0, ingest.ErrCorrupt, "packed values for 6 points"},
	} {
		b := messageOf(0, append([][]byte{identificationOf()}, test.sections...)...)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		fields, err := Decode(context.Background(), test.name, b, Options{MaxPoints: test.ceiling})
		runtime.ReadMemStats(&after)
		if len(fields) > 0 || !errors.Is(err, test.want) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v, want %v with %q", test.name, err, test.want, test.detail)
		}
		placed(t, err, len(b))
		if grown := after.TotalAlloc - before.TotalAlloc; grown > 16<<20 {
			t.Errorf("%s: %d bytes allocated", test.name, grown)
		}
	}
}

func TestNotGRIB2(t *testing.T) {
	for _, test := range []struct {
		name   string
		b      []byte
		want   error
		detail string
	}{
		{"empty", nil, ingest.ErrCorrupt, "no GRIB message in 0 bytes"},
		{"netCDF", []byte("CDF\x01 and more bytes of another kind"), ingest.ErrCorrupt, "no GRIB message"},
		{"four letters", []byte("GRIB"), ingest.ErrTruncated, "section 0"},
		{"edition 1", []byte("GRIB\x00\x00\x0c\x01....7777"), ingest.ErrUnsupported, "GRIB edition 1"},
		{"edition 3", []byte("GRIB\x00\x00\x0c\x03....7777"), ingest.ErrUnsupported, "GRIB edition 3"},
		{"shorter than itself", []byte("GRIB\xff\xff\x00\x02\x00\x00\x00\x00\x00\x00\x00\x05...."), ingest.ErrCorrupt, "message of 5 octets"},
	} {
		messages, err := Messages(test.name, test.b)
		if len(messages) > 0 || !errors.Is(err, test.want) || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %v, want %v with %q", test.name, err, test.want, test.detail)
		}
		placed(t, err, len(test.b))
	}
}

func TestEditionOneIsRefusedByName(t *testing.T) {
	for _, path := range testfiles.Glob(t, "grib1/*") {
		b := readAll(t, path)
		messages, err := Messages(filepath.Base(path), b)
		if len(messages) != 0 || !errors.Is(err, ingest.ErrUnsupported) || !strings.Contains(err.Error(), "GRIB edition 1") {
			t.Errorf("%s: %d messages, %v", path, len(messages), err)
		}
		placed(t, err, len(b))
	}
}

// A file as the Global Telecommunication System hands it on: headings between
// messages, one message damaged, the last one cut off.
func TestMessagesAmongOtherBytes(t *testing.T) {
	good, err := os.ReadFile("testdata/packings/second-order.grib2")
	if err != nil {
		t.Fatal(err)
	}
	damaged := bytes.Clone(good)
	damaged[16+4] = 9 // a section 9 in place of section 1
	edition1 := []byte("GRIB\x00\x00\x10\x01....7777")
	heading := []byte("\x01\r\r\n041\r\r\nHTXB70 KWBC 150600\r\r\n")
	file := bytes.Join([][]byte{heading, good, heading, damaged, edition1, good, good[:len(good)-30]}, nil)
	fields, err := Decode(context.Background(), "gts", file, Options{})
	errs := placed(t, err, len(file))
	if len(fields) != 2 || fields[0].Number != 1 || fields[1].Number != 4 {
		t.Fatalf("%d fields, %v", len(fields), err)
	}
	if len(errs) != 3 {
		t.Fatalf("%d errors, want 3: %v", len(errs), err)
	}
	start := int64(2*len(heading) + len(good))
	for k, want := range []ingest.FormatError{
		{Message: 2, Offset: start + 20, Err: ingest.ErrCorrupt},
		{Message: 3, Offset: start + int64(len(good)) + 7, Err: ingest.ErrUnsupported},
		{Message: 5, Offset: start + int64(2*len(good)) + 16 + 8, Err: ingest.ErrTruncated},
	} {
		if got := errs[k]; got.Message != want.Message || got.Offset != want.Offset || !errors.Is(got, want.Err) {
			t.Errorf("error %d: %v, want message %d, byte %d, %v", k, got, want.Message, want.Offset, want.Err)
		}
	}
}

// Three fields in one message: the second repeats sections 4 to 7 and the first
// one's bitmap (indicator 254), the third has a grid of its own and none.
func TestMultiFieldMessage(t *testing.T) {
	seven := sectionOf(6, []byte{bitmapHere, 0b1101_1110, 0b1000_0000})
	previous := sectionOf(6, []byte{bitmapPrevious})
	b := messageOf(0, identificationOf(),
		gridOf(3, 3), productOf(0, 0), simpleOf(7, 0, 0, 0, 8), seven, sectionOf(7, []byte{1, 2, 3, 4, 5, 6, 7}),
		productOf(2, 2), simpleOf(7, 0, 0, 0, 8), previous, sectionOf(7, []byte{11, 12, 13, 14, 15, 16, 17}),
		gridOf(2, 1), productOf(2, 3), simpleOf(2, 0, 0, 0, 8), noBitmap, sectionOf(7, []byte{21, 22}))
	messages, err := Messages("multi", b)
	if err != nil || len(messages) != 3 {
		t.Fatalf("%d messages, %v", len(messages), err)
	}
	want := []struct {
		name   string
		values []float32 // 0 for missing
	}{
		{"air_temperature", []float32{1, 2, 0, 3, 4, 5, 6, 0, 7}},
		{"eastward_wind", []float32{11, 12, 0, 13, 14, 15, 16, 0, 17}},
		{"northward_wind", []float32{21, 22}},
	}
	for k, m := range messages {
		field, err := m.Field(context.Background(), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if field.Number != k+1 || field.StandardName != want[k].name {
			t.Errorf("field %d %s, want %d %s", field.Number, field.StandardName, k+1, want[k].name)
		}
		for i, v := range field.Values {
			if w := want[k].values[i]; v != w && (w != 0 || v == v) {
				t.Errorf("field %d: value %d is %v, want %v (0 stands for missing)", k+1, i, v, w)
			}
		}
		compareWithEcCodes(t, m)
	}
	if messages[0].header.Grid != messages[1].header.Grid {
		t.Error("fields on one section 3 have two grids")
	}

	// The bitmap is that of the same message, never of one before.
	alone := messageOf(0, identificationOf(), gridOf(3, 3), productOf(0, 0), simpleOf(7, 0, 0, 0, 8), previous, sectionOf(7, make([]byte, 7)))
	fields, err := Decode(context.Background(), "alone", append(bytes.Clone(b), alone...), Options{})
	if len(fields) != 3 || !errors.Is(err, ingest.ErrCorrupt) || !strings.Contains(err.Error(), "no earlier field") {
		t.Errorf("%d fields, %v", len(fields), err)
	}
}

func TestPredefinedBitmap(t *testing.T) {
	b := messageOf(0, identificationOf(), gridOf(3, 3), productOf(0, 0), simpleOf(7, 0, 0, 0, 8), sectionOf(6, []byte{3}), sectionOf(7, make([]byte, 7)))
	_, err := Decode(context.Background(), "x", b, Options{})
	if !errors.Is(err, ingest.ErrUnsupported) || !strings.Contains(err.Error(), "bitmap 3") {
		t.Errorf("%v", err)
	}
}

// Groups that do not fit the counts and the bytes beside them.
func TestGroupsThatDoNotFit(t *testing.T) {
	numbers := make([]int64, 100)
	for k := range numbers {
		numbers[k] = int64(k * k % 37)
	}
	shape := complexShape{order: 2, octets: 2, lengths: []int{30, 30, 40}, lengthIncrement: 1}
	section5, section7, ok := complexOf(numbers, shape)
	if !ok {
		t.Fatal("shape")
	}
	const lastLength = 43 - 1 // octets 43 to 46 of section 5
	for _, test := range []struct {
		name   string
		change func(section5, section7 []byte) []byte
		detail string
	}{
		{"one value more", func(s5, s7 []byte) []byte { s5[lastLength+3]++; return s7 }, "more than the 100 values"},
		{"one value less", func(s5, s7 []byte) []byte { s5[lastLength+3]--; return s7 }, "groups hold 99 values"},
		{"2^32 values more", func(s5, s7 []byte) []byte { copy(s5[lastLength:], "\xff\xff\xff\xff"); return s7 }, "more than the 100 values"},
		{"section 7 shorter", func(_, s7 []byte) []byte { return sectionOf(7, s7[5:len(s7)-3]) }, "packed numbers need"},
		{"section 7 without groups", func(_, s7 []byte) []byte { return sectionOf(7, s7[5:12]) }, "groups need"},
		{"section 7 without first values", func(_, s7 []byte) []byte { return sectionOf(7, s7[5:8]) }, "spatial differencing needs"},
		{"empty section 7", func(_, s7 []byte) []byte { return sectionOf(7) }, "spatial differencing needs"},
		{"more groups than values", func(s5, s7 []byte) []byte { s5[32-1] = 1; return s7 }, "groups for 100 values"},
		{"order 3", func(s5, s7 []byte) []byte { s5[48-1] = 3; return s7 }, "order 3"},
		{"descriptors of 5 octets", func(s5, s7 []byte) []byte { s5[49-1] = 5; return s7 }, "5 octets"},
		{"missing value management 3", func(s5, s7 []byte) []byte { s5[23-1] = 3; return s7 }, "management 3"},
		{"widths of 255 bits", func(s5, s7 []byte) []byte { s5[36-1] = 255; return s7 }, "bits a number"},
	} {
		s5 := bytes.Clone(section5)
		s7 := test.change(s5, section7)
		b := messageOf(0, identificationOf(), gridOf(100, 1), productOf(0, 0), s5, noBitmap, s7)
		fields, err := Decode(context.Background(), test.name, b, Options{})
		placed(t, err, len(b))
		if len(fields) != 0 || err == nil || !strings.Contains(err.Error(), test.detail) {
			t.Errorf("%s: %d fields, %v, want %q", test.name, len(fields), err, test.detail)
		}
	}
}
