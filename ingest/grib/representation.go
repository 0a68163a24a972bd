package grib

import (
	"encoding/binary"
	"fmt"
	"math"

	"rimeline/ingest"
)

// representation is section 5: how the values are packed.
type representation struct {
	template int
	packed   uint32 // how many are packed: points without a bitmap, else points present
	scaling  scaling
	bits     uint // of each number (5.0, 5.41) or of each group reference (5.2, 5.3)
	complex  complexPacking
	// ieeeOctets is the size of a number in template 5.4: 4 or 8.
	ieeeOctets int
}

// packingNames are the entries of code table 5.0 (WMO-No. 306, Volume I.2) that
// are in use, in short.
var packingNames = map[int]string{
	0:   "grid point data, simple packing",
	1:   "matrix value at grid point, simple packing",
	2:   "grid point data, complex packing",
	3:   "grid point data, complex packing and spatial differencing",
	4:   "grid point data, IEEE floating point",
	40:  "grid point data, JPEG 2000",
	41:  "grid point data, PNG",
	42:  "grid point data, CCSDS lossless compression",
	50:  "spectral data, simple packing",
	51:  "spectral data, complex packing",
	53:  "spectral data for limited area models, complex packing",
	61:  "grid point data, simple packing with logarithm pre-processing",
	200: "run length packing with level values",
}

// packingName is for people: template number and what it is.
func packingName(template int) string {
	if name, ok := packingNames[template]; ok {
		return fmt.Sprintf("5.%d %s", template, name)
	}
	return fmt.Sprintf("5.%d", template)
}

// parseRepresentation reads section 5.
func parseRepresentation(s section, p place) (representation, error) {
	c := s.from(6, p)
	r := representation{packed: c.uint32("number of packed values"), template: int(c.uint16("data representation template"))}
	switch r.template {
	case 0, 2, 3, 40, 41, 42:
		reference := c.float32("reference value")
		binary, decimal := c.int16("binary scale factor"), c.int16("decimal scale factor")
		r.bits = uint(c.uint8("bits of a number"))
		c.skip(1, "type of the original values")
		r.scaling = newScaling(reference, binary, decimal)
		if r.template == 2 || r.template == 3 {
			r.complex = parseComplex(&c, r.template, r.bits)
		}
		if r.bits > 32 && r.template != 42 {
			c.fail(ingest.ErrUnsupported, "template 5.%d with numbers of %d bits, at most 32 are read", r.template, r.bits)
		}
	case 4:
		switch precision := c.uint8("precision"); precision { // code table 5.7
		case 1:
			r.ieeeOctets = 4
		case 2:
			r.ieeeOctets = 8
		default:
			c.fail(ingest.ErrUnsupported, "template 5.4 with precision %d, 1 (32 bits) and 2 (64 bits) are read", precision)
		}
	}
	return r, c.err
}

func parseComplex(c *cursor, template int, referenceBits uint) complexPacking {
	c.skip(1, "group splitting method") // code table 5.4; both kinds unpack alike
	x := complexPacking{referenceBits: referenceBits}
	x.missingManagement = c.uint8("missing value management")
	if x.missingManagement > 2 {
		c.fail(ingest.ErrUnsupported, "missing value management %d, code table 5.5 ends at 2", x.missingManagement)
	}
	c.skip(8, "substitutes of missing values")
	x.groups = c.uint32("number of groups")
	x.widthReference = c.uint8("reference of group widths")
	x.widthBits = uint(c.uint8("bits of a group width"))
	x.lengthReference = c.uint32("reference of group lengths")
	x.lengthIncrement = c.uint8("increment of group lengths")
	x.lastLength = c.uint32("length of the last group")
	x.lengthBits = uint(c.uint8("bits of a group length"))
	if x.widthBits > 32 || x.lengthBits > 32 {
		c.fail(ingest.ErrUnsupported, "group widths of %d and lengths of %d bits, at most 32 are read", x.widthBits, x.lengthBits)
	}
	if template == 3 {
		x.order = c.uint8("order of spatial differencing")
		x.octetsOfDifferencing = uint(c.uint8("octets of the differencing descriptors"))
		if x.order != 1 && x.order != 2 {
			c.fail(ingest.ErrUnsupported, "spatial differencing of order %d, code table 5.6 has 1 and 2", x.order)
		}
		if x.octetsOfDifferencing > 4 {
			c.fail(ingest.ErrUnsupported, "differencing descriptors of %d octets, at most 4 are read", x.octetsOfDifferencing)
		}
	}
	return x
}

// unpackIEEE reads template 5.4: numbers of four or eight octets.
func unpackIEEE(dst []float32, data []byte, first, size int) {
	data = data[first*size:]
	for i := range dst {
		if size == 4 {
			dst[i] = math.Float32frombits(binary.BigEndian.Uint32(data[4*i:]))
		} else {
			dst[i] = float32(math.Float64frombits(binary.BigEndian.Uint64(data[8*i:])))
		}
	}
}
