package grib

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/png"

	"rimeline/ingest"
)

// checkPNG proves that the picture has as many points as there are values, before
// memory for it is allocated.
func checkPNG(data []byte, values int, p place) error {
	config, err := png.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return p.errorf(0, ingest.ErrCorrupt, "PNG header: %v", err)
	}
	if config.Width <= 0 || config.Height <= 0 || uint64(config.Width)*uint64(config.Height) != uint64(values) {
		return p.errorf(0, ingest.ErrCorrupt, "picture of %d x %d points, section 5 counts %d values", config.Width, config.Height, values)
	}
	return nil
}

// unpackPNG decodes template 5.41. The picture's samples, or the channels of a
// pixel one after the other, are the packed integers: gray of 1, 2, 4, 8 or 16
// bits, RGB of 24, RGBA of 32. put receives rows of them in file order; the sign
// of 32 bits is to be ignored.
func unpackPNG(data []byte, bitDepth uint, p place, put func(from int, numbers []int32)) error {
	picture, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		return p.errorf(0, ingest.ErrCorrupt, "PNG: %v", err)
	}
	width, height := picture.Bounds().Dx(), picture.Bounds().Dy()
	row := make([]int32, width)
	for y := range height {
		switch m := picture.(type) {
		case *image.Gray:
			if bitDepth > 8 {
				return depthMismatch(p, 8, bitDepth)
			}
			// image/png stretches 1, 2 and 4 bits to 8; the first bits are the number.
			shift := 8 - pngDepth(data)
			for x, v := range m.Pix[y*m.Stride:][:width] {
				row[x] = int32(v >> shift)
			}
		case *image.Gray16:
			if bitDepth > 16 {
				return depthMismatch(p, 16, bitDepth)
			}
			line := m.Pix[y*m.Stride:][:2*width]
			for x := range row {
				row[x] = int32(binary.BigEndian.Uint16(line[2*x:]))
			}
		case *image.RGBA: // RGB without alpha
			if bitDepth > 24 {
				return depthMismatch(p, 24, bitDepth)
			}
			line := m.Pix[y*m.Stride:][:4*width]
			for x := range row {
				row[x] = int32(binary.BigEndian.Uint32(line[4*x:]) >> 8)
			}
		case *image.NRGBA: // RGB with alpha
			if bitDepth <= 24 {
				return depthMismatch(p, 32, bitDepth)
			}
			line := m.Pix[y*m.Stride:][:4*width]
			for x := range row {
				row[x] = int32(binary.BigEndian.Uint32(line[4*x:]))
			}
		default:
			return p.errorf(0, ingest.ErrUnsupported, "PNG picture of kind %T", picture)
		}
		put(y*width, row)
	}
	return nil
}

func depthMismatch(p place, have, want uint) error {
	return p.errorf(0, ingest.ErrCorrupt, "picture of %d bits a point, section 5 says %d", have, want)
}

// pngDepth is the bit depth in the header chunk, which DecodeConfig has checked:
// octet 25 of the file (PNG specification, third edition, 11.2.1).
func pngDepth(data []byte) uint { return uint(data[24]) }
