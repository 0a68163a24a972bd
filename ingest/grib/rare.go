package grib

import (
	"encoding/binary"

	"rimeline/ingest"
)

// standalone builds a message of this field alone, with a bitmap that an
// earlier field defined written out.
func (m *Message) standalone() ([]byte, error) {
	s := &m.sections
	bitmap := s.bitmap
	if len(bitmap.b) > 5 && bitmap.b[5] == bitmapPrevious {
		if bitmap = s.definedBitmap; !bitmap.present() {
			return nil, place{m.place.file, m.place.message, s.bitmap.at}.errorf(5, ingest.ErrCorrupt, "bitmap indicator 254, and no earlier field of the message has a bitmap")
		}
	}
	parts := [][]byte{s.identification.b, s.local.b, s.grid.b, s.product.b, s.representation.b, bitmap.b, s.data.b, []byte(endSection)}
	length := indicatorSectionLength
	for _, part := range parts {
		length += len(part)
	}
	b := make([]byte, 0, length)
	b = append(b, 'G', 'R', 'I', 'B', 0, 0, s.discipline, 2)
	b = binary.BigEndian.AppendUint64(b, uint64(length))
	for _, part := range parts {
		b = append(b, part...)
	}
	return b, nil
}
