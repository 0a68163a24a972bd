package grib

import (
	"bytes"
	"encoding/binary"

	"rimeline/ingest"
)

// section is one numbered section of a message, its header of five octets
// included, so that octet n of the standard's tables is b[n-1].
type section struct {
	b  []byte
	at int64 // of b[0] in the file
}

func (s section) present() bool { return s.b != nil }

// from places a cursor on an octet, counted from 1 as in the standard.
func (s section) from(octet int, p place) cursor {
	p.at = s.at
	return cursor{place: p, buf: s.b, pos: min(octet-1, len(s.b))}
}

// sections are those that describe one field. Those that a message of several
// fields does not repeat are shared with the field before.
type sections struct {
	discipline     byte
	identification section // 1
	local          section // 2, may be absent
	grid           section // 3
	product        section // 4
	representation section // 5
	bitmap         section // 6, of this field: indicator 254 refers to definedBitmap
	definedBitmap  section // 6, the last that held a bitmap, may be absent
	data           section // 7
}

const (
	indicatorSectionLength = 16
	endSection             = "7777"
)

// split finds the messages in b and the fields in each message, and calls field
// for each. What cannot be read counts as one field and is one call of fail.
// Bytes between messages (WMO headings, padding) are passed over.
func split(file string, b []byte, field func(sections, place), fail func(error)) {
	number := 0
	for at := 0; ; {
		found := bytes.Index(b[at:], []byte("GRIB"))
		if found < 0 {
			break
		}
		at += found
		message := b[at:]
		p := place{file: file, message: number + 1, at: int64(at)}
		length, err := messageLength(message, p)
		if err == nil {
			var fields int
			fields, err = splitMessage(message[:length], p, field)
			number += fields
		}
		if err != nil {
			fail(err)
			number++
		}
		if length == 0 {
			length = len("GRIB") // not to be trusted: look for a message inside
		}
		at += length
	}
	if number == 0 {
		fail(place{file: file}.errorf(0, ingest.ErrCorrupt, "no GRIB message in %d bytes", len(b)))
	}
}

// messageLength reads section 0. The length is that of the message, also with
// an error where it can be passed over as a whole, or 0 where it cannot be
// trusted.
func messageLength(b []byte, p place) (int, error) {
	if len(b) < 8 {
		return 0, p.errorf(0, ingest.ErrTruncated, "section 0 has %d octets, %d left", indicatorSectionLength, len(b))
	}
	switch edition := b[7]; edition {
	case 2:
	case 1:
		length := int(b[4])<<16 | int(b[5])<<8 | int(b[6])
		if length < 8 || length > len(b) {
			length = 0
		}
		return length, p.errorf(7, ingest.ErrUnsupported, "GRIB edition 1")
	default:
		return 0, p.errorf(7, ingest.ErrUnsupported, "GRIB edition %d", edition)
	}
	if len(b) < indicatorSectionLength {
		return 0, p.errorf(0, ingest.ErrTruncated, "section 0 has %d octets, %d left", indicatorSectionLength, len(b))
	}
	length := binary.BigEndian.Uint64(b[8:])
	if length < indicatorSectionLength+uint64(len(endSection)) {
		return 0, p.errorf(8, ingest.ErrCorrupt, "message of %d octets is shorter than sections 0 and 8", length)
	}
	if length > uint64(len(b)) {
		return 0, p.errorf(8, ingest.ErrTruncated, "message has %d octets, %d left", length, len(b))
	}
	if end := b[length-4 : length]; string(end) != endSection {
		return 0, p.errorf(int(length)-4, ingest.ErrCorrupt, "message ends in %q, not in %q", end, endSection)
	}
	return int(length), nil
}

// splitMessage calls field for each section 7 and returns how often.
func splitMessage(b []byte, p place, field func(sections, place)) (fields int, err error) {
	var s sections
	s.discipline = b[6]
	first := p.message
	previous := byte(0)
	for pos := indicatorSectionLength; ; {
		p.message = first + fields
		left := len(b) - pos - len(endSection)
		if left == 0 && previous == 7 {
			return fields, nil
		}
		if left < 5 {
			return fields, p.errorf(pos, ingest.ErrCorrupt, "%d octets after section %d, a section has at least 5", left, previous)
		}
		length, number := binary.BigEndian.Uint32(b[pos:]), b[pos+4]
		if length < 5 || uint64(length) > uint64(left) {
			return fields, p.errorf(pos, ingest.ErrCorrupt, "section %d of %d octets, %d left in the message", number, length, left)
		}
		if !follows(previous, number) {
			return fields, p.errorf(pos+4, ingest.ErrCorrupt, "section %d after section %d", number, previous)
		}
		this := section{b: b[pos : pos+int(length) : pos+int(length)], at: p.at + int64(pos)}
		switch number {
		case 1:
			s.identification = this
		case 2:
			s.local = this
		case 3:
			s.grid = this
		case 4:
			s.product = this
		case 5:
			s.representation = this
		case 6:
			s.bitmap = this
			if len(this.b) > 5 && this.b[5] == bitmapHere {
				s.definedBitmap = this
			}
		case 7:
			s.data = this
			field(s, p)
			fields++
		}
		previous = number
		pos += int(length)
	}
}

// follows says whether a section may come after another: in order, the local
// section is optional, and after section 7 the sequences 2 to 7, 3 to 7 or 4 to
// 7 may be repeated (regulation 92.2).
func follows(previous, number byte) bool {
	switch previous {
	case 1:
		return number == 2 || number == 3
	case 7:
		return number == 2 || number == 3 || number == 4
	default:
		return number == previous+1
	}
}
