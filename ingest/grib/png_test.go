package grib

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"testing"

	"rimeline/ingest"
	"rimeline/ingest/eccodes/lib"
)

// pictureOf writes a PNG file of any bit depth and colour type (PNG
// specification, third edition, 5 and 11), rows unfiltered, as NCEP's encoder
// writes them for 1, 2 and 4 bits too.
func pictureOf(t *testing.T, width, height int, depth, colour byte, bitsEach uint, numbers []uint64) []byte {
	t.Helper()
	var packed bytes.Buffer
	z := zlib.NewWriter(&packed)
	for y := range height {
		w := bitWriter{b: []byte{0}} // filter type 0
		for _, v := range numbers[y*width : (y+1)*width] {
			w.write(v, bitsEach)
		}
		if _, err := z.Write(w.b); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	b := []byte("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, body []byte) {
		b = binary.BigEndian.AppendUint32(b, uint32(len(body)))
		start := len(b)
		b = append(append(b, kind...), body...)
		b = binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[start:]))
	}
	header := append(append(be32(width), be32(height)...), depth, colour, 0, 0, 0)
	chunk("IHDR", header)
	chunk("IDAT", packed.Bytes())
	chunk("IEND", nil)
	return b
}

func pngSection5(values, width int) []byte {
	s := simpleOf(values, 0, 0, 0, width)
	s[10] = 41
	return s
}

// Each kind of picture that template 5.41 uses, its width no multiple of 8.
func TestPictures(t *testing.T) {
	r := rand.New(rand.NewPCG(41, 41))
	const width, height = 13, 7
	for _, test := range []struct {
		bits          uint
		depth, colour byte
	}{{1, 1, 0}, {2, 2, 0}, {4, 4, 0}, {8, 8, 0}, {16, 16, 0}, {24, 8, 2}, {32, 8, 6}} {
		numbers := make([]uint64, width*height)
		for k := range numbers {
			numbers[k] = r.Uint64() & (1<<test.bits - 1)
		}
		b := messageOf(0, identificationOf(), gridOf(width, height), productOf(0, 0), pngSection5(width*height, int(test.bits)), noBitmap,
			sectionOf(7, pictureOf(t, width, height, test.depth, test.colour, test.bits, numbers)))
		fields, err := Decode(context.Background(), "picture", b, Options{})
		if err != nil {
			t.Fatalf("%d bits: %v", test.bits, err)
		}
		for k, v := range fields[0].Values {
			if v != float32(numbers[k]) {
				t.Fatalf("%d bits: number %d is %v, want %d", test.bits, k, v, numbers[k])
			}
		}
		if test.bits >= 8 { // ecCodes 2.28 aborts on pictures of fewer bits
			oracle, err := lib.DecodeGRIB(b)
			if err != nil {
				t.Fatal(err)
			}
			for k, v := range fields[0].Values {
				if v != float32(oracle[k]) {
					t.Fatalf("%d bits: number %d is %v, ecCodes has %v", test.bits, k, v, oracle[k])
				}
			}
		}
		messages, err := Messages("picture", b)
		if err != nil {
			t.Fatal(err)
		}
		checkWindows(t, messages[0], r)
	}
}

func TestPicturesThatDoNotFit(t *testing.T) {
	numbers := make([]uint64, 13*7)
	for name, s7 := range map[string][]byte{
		"smaller":       pictureOf(t, 13, 6, 8, 0, 8, numbers),
		"fewer bits":    pictureOf(t, 13, 7, 8, 0, 8, numbers),
		"more bits":     pictureOf(t, 13, 7, 8, 6, 32, numbers),
		"no picture":    []byte("no picture"),
		"cut off":       pictureOf(t, 13, 7, 16, 0, 16, numbers)[:60],
		"empty section": {},
	} {
		b := messageOf(0, identificationOf(), gridOf(13, 7), productOf(0, 0), pngSection5(13*7, 16), noBitmap, sectionOf(7, s7))
		fields, err := Decode(context.Background(), name, b, Options{})
		placed(t, err, len(b))
		if len(fields) != 0 || !errors.Is(err, ingest.ErrCorrupt) {
			t.Errorf("%s: %d fields, %v", name, len(fields), err)
		}
	}
}
