package cfgrid

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"rimeline/ingest"
)

// hdf5Signature opens every HDF5 file, at byte 0, 512, 1024, 2048 and so on
// (HDF5 File Format Specification 3.0, section II.A).
var hdf5Signature = []byte("\x89HDF\r\n\x1a\n")

// IsNetCDF tells by the first bytes whether a file is netCDF, classic or HDF5.
func IsNetCDF(head []byte) bool {
	return isClassic(head) || hdf5Start(head) >= 0
}

func isClassic(head []byte) bool {
	return len(head) >= 4 && string(head[:3]) == "CDF" && (head[3] == 1 || head[3] == 2 || head[3] == 5)
}

// hdf5Start gives the place of the signature, -1 where there is none.
func hdf5Start(head []byte) int {
	for at := 0; at+8 <= len(head); at = max(512, 2*at) {
		if bytes.Equal(head[at:at+8], hdf5Signature) {
			return at
		}
	}
	return -1
}

// check looks at what can be judged without the library: the whole header of a
// classic file, the superblock of an HDF5 file. head is the beginning of a file
// of size bytes; needMore tells that more of it is wanted.
func check(file string, head []byte, size int64) (needMore bool, err error) {
	if isClassic(head) {
		return checkClassic(file, head, size)
	}
	start := hdf5Start(head)
	if start < 0 {
		reason := ingest.ErrUnsupported
		if size < 8 {
			reason = ingest.ErrTruncated
		}
		return false, &ingest.FormatError{File: file, Detail: "neither a classic netCDF nor an HDF5 signature", Err: reason}
	}
	return false, checkSuperblock(file, head, start, size)
}

// checkSuperblock compares the end of file that an HDF5 superblock states with
// the file (HDF5 File Format Specification 3.0, section II.A).
func checkSuperblock(file string, head []byte, start int, size int64) error {
	at := func(offset int, reason error, format string, values ...any) error {
		return &ingest.FormatError{File: file, Offset: int64(min(start+offset, len(head))), Detail: fmt.Sprintf(format, values...), Err: reason}
	}
	block := head[start:]
	if len(block) < 9 {
		return at(8, ingest.ErrTruncated, "HDF5 superblock ends after its signature")
	}
	var width, addresses int
	switch version := block[8]; version {
	case 0, 1:
		addresses = 24
		if version == 1 {
			addresses = 28
		}
		if len(block) > 13 {
			width = int(block[13])
		}
	case 2, 3:
		addresses = 12
		if len(block) > 9 {
			width = int(block[9])
		}
	default:
		return at(8, ingest.ErrCorrupt, "HDF5 superblock version %d, known are 0 to 3", version)
	}
	if width == 0 {
		return at(len(block), ingest.ErrTruncated, "HDF5 superblock of %d bytes", len(block))
	}
	if width != 8 && width != 4 && width != 2 {
		return at(9, ingest.ErrCorrupt, "HDF5 addresses of %d bytes, known are 2, 4 and 8", width)
	}
	if len(block) < addresses+4*width {
		return at(len(block), ingest.ErrTruncated, "HDF5 superblock of %d bytes has %d", addresses+4*width, len(block))
	}
	// Base address, extension or free space, end of file.
	end := uint64(0)
	for k := width - 1; k >= 0; k-- {
		end = end<<8 | uint64(block[addresses+2*width+k])
	}
	if end > uint64(size) {
		return at(addresses+2*width, ingest.ErrTruncated, "HDF5 end of file is byte %d, the file has %d", end, size)
	}
	if version := block[8]; version >= 2 {
		sum := addresses + 4*width
		if len(block) < sum+4 {
			return at(len(block), ingest.ErrTruncated, "HDF5 superblock has no checksum")
		}
		if stated, is := binary.LittleEndian.Uint32(block[sum:]), lookup3(block[:sum]); stated != is {
			return at(sum, ingest.ErrCorrupt, "HDF5 superblock checksum %#08x, computed %#08x", stated, is)
		}
	}
	return nil
}

// lookup3 is the checksum of HDF5 metadata: Bob Jenkins' hashlittle with initial
// value 0 (lookup3.c, 2006, public domain; HDF5 File Format Specification 3.0,
// section VII.A).
func lookup3(b []byte) uint32 {
	rot := func(x uint32, k uint) uint32 { return x<<k | x>>(32-k) }
	x := 0xdeadbeef + uint32(len(b))
	y, z := x, x
	word := func(b []byte) (w uint32) {
		for i := 0; i < 4 && i < len(b); i++ {
			w |= uint32(b[i]) << (8 * i)
		}
		return w
	}
	for len(b) > 12 {
		x += word(b)
		y += word(b[4:])
		z += word(b[8:])
		x -= z
		x ^= rot(z, 4)
		z += y
		y -= x
		y ^= rot(x, 6)
		x += z
		z -= y
		z ^= rot(y, 8)
		y += x
		x -= z
		x ^= rot(z, 16)
		z += y
		y -= x
		y ^= rot(x, 19)
		x += z
		z -= y
		z ^= rot(y, 4)
		y += x
		b = b[12:]
	}
	if len(b) == 0 {
		return z
	}
	x += word(b)
	y += word(b[min(4, len(b)):])
	z += word(b[min(8, len(b)):])
	z ^= y
	z -= rot(y, 14)
	x ^= z
	x -= rot(z, 11)
	y ^= x
	y -= rot(x, 25)
	z ^= y
	z -= rot(y, 16)
	x ^= z
	x -= rot(z, 4)
	y ^= x
	y -= rot(x, 14)
	z ^= y
	z -= rot(y, 24)
	return z
}
