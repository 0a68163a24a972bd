package grib

import (
	"encoding/binary"
	"math"
	"math/bits"

	"rimeline/ingest"
)

// Code table 6.0: where the bitmap is.
const (
	bitmapHere     = 0
	bitmapPrevious = 254 // that of an earlier field of the same message
	bitmapNone     = 255
)

// bitmap has one bit a grid point, in file order, set where a value is packed.
type bitmap []byte

// parseBitmap gives nil where all points have values.
func (s *sections) parseBitmap(points int, p place) (bitmap, error) {
	c := s.bitmap.from(6, p)
	indicator := c.uint8("bitmap indicator")
	if c.err != nil {
		return nil, c.err
	}
	from := s.bitmap
	switch indicator {
	case bitmapNone:
		return nil, nil
	case bitmapHere:
	case bitmapPrevious:
		if from = s.definedBitmap; !from.present() {
			return nil, c.errorf(5, ingest.ErrCorrupt, "bitmap indicator 254, and no earlier field of the message has a bitmap")
		}
	default:
		return nil, c.errorf(5, ingest.ErrUnsupported, "bitmap %d, predefined by the centre", indicator)
	}
	b := from.b[6:]
	if need := octets(uint64(points)); need > uint64(len(b)) {
		return nil, place{p.file, p.message, from.at}.errorf(6, ingest.ErrCorrupt, "bitmap of %d points needs %d octets, %d left", points, need, len(b))
	}
	return bitmap(b), nil
}

// rank counts the points with values before point end.
func (m bitmap) rank(end int) int {
	count, b := 0, m
	for ; end >= 64; end -= 64 {
		count += bits.OnesCount64(binary.BigEndian.Uint64(b))
		b = b[8:]
	}
	for ; end >= 8; end -= 8 {
		count += bits.OnesCount8(b[0])
		b = b[1:]
	}
	if end > 0 {
		count += bits.OnesCount8(b[0] >> (8 - end))
	}
	return count
}

// spread puts packed values, the first of which belongs to the first set bit
// from point first on, to their points.
func (m bitmap) spread(dst, packed []float32, first int) {
	missing := float32(math.NaN())
	next := 0
	for i := 0; i < len(dst); {
		point := first + i
		if point&7 == 0 && i+8 <= len(dst) {
			// Points with and without values lie in patches.
			switch m[point>>3] {
			case 0xff:
				copy(dst[i:i+8], packed[next:next+8])
				next, i = next+8, i+8
				continue
			case 0:
				for k := range dst[i : i+8] {
					dst[i+k] = missing
				}
				i += 8
				continue
			}
		}
		if m[point>>3]&(0x80>>(point&7)) != 0 {
			dst[i] = packed[next]
			next++
		} else {
			dst[i] = missing
		}
		i++
	}
}
