package bufr

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"rimeline/ingest"
)

// Message is one message with what its sections 0, 1 and 3 say.
type Message struct {
	Number int   // in the file, from 1
	Offset int64 // of "BUFR" in the file
	Bytes  []byte

	Edition            int // 2, 3 or 4
	MasterTable        int // 0: meteorology
	Centre, Subcentre  int // common code table C-11
	Category           int // Table A; 2: vertical soundings, other than satellite
	SubCategory        int // international where the edition has it (255: none), else the centre's own
	MasterTableVersion int
	Compressed         bool
	Subsets            int
	Descriptors        []Descriptor // as in section 3, not expanded
}

// maxDescriptors in section 3; the longest operational template has below 100.
const maxDescriptors = 10000

// Messages finds every message. Bytes between messages, such as the headings of
// the Global Telecommunication System, are skipped. What is damaged is reported
// in errs, a *ingest.FormatError each, and the search goes on behind its first
// four bytes; where there is no message at all that is an error, too.
func Messages(file string, b []byte) (messages []Message, errs []error) {
	fail := func(number, offset int, reason error, format string, args ...any) {
		errs = append(errs, &ingest.FormatError{File: file, Message: number, Offset: int64(offset),
			Detail: fmt.Sprintf(format, args...), Err: reason})
	}
	number := 0
	for at := 0; ; {
		next := bytes.Index(b[at:], []byte("BUFR"))
		if next < 0 {
			break
		}
		at += next
		number++
		m, n, broken := parse(b[at:])
		if broken != nil {
			fail(number, at+broken.at, broken.reason, "%s", broken.detail)
			at += 4
			continue
		}
		m.Number, m.Offset = number, int64(at)
		messages = append(messages, m)
		at += n
	}
	if number == 0 {
		if len(b) == 0 {
			fail(0, 0, ingest.ErrTruncated, "empty file")
		} else {
			fail(0, 0, ingest.ErrCorrupt, "no BUFR message in %d bytes", len(b))
		}
	}
	return messages, errs
}

// fault is what is wrong at a byte of a message.
type fault struct {
	at     int
	reason error
	detail string
}

// parse reads the message at the start of b and returns its length.
func parse(b []byte) (m Message, length int, broken *fault) {
	fail := func(at int, reason error, format string, args ...any) (Message, int, *fault) {
		return Message{}, 0, &fault{at, reason, fmt.Sprintf(format, args...)}
	}
	// Section 0: "BUFR", length of the message (3 octets), edition.
	if len(b) < 8 {
		return fail(len(b), ingest.ErrTruncated, "section 0 needs 8 bytes, %d left", len(b))
	}
	length, m.Edition = uint24(b[4:]), int(b[7])
	switch m.Edition {
	case 2, 3, 4:
	case 0, 1:
		return fail(7, ingest.ErrUnsupported, "edition %d: only 2, 3 and 4 are read", m.Edition)
	default:
		return fail(7, ingest.ErrCorrupt, "edition %d, the manual defines 0 to 4", m.Edition)
	}
	if length < 8+18+7+4+4 {
		return fail(4, ingest.ErrCorrupt, "length of message %d is less than that of its sections", length)
	}
	if length > len(b) {
		return fail(4, ingest.ErrTruncated, "length of message %d, %d bytes left", length, len(b))
	}
	if string(b[length-4:length]) != "7777" {
		return fail(length-4, ingest.ErrCorrupt, "section 5 is %q, not 7777", b[length-4:length])
	}
	m.Bytes = b[:length:length]
	end := length - 4
	at := 8
	// section gives the bytes of the section at at, at least least long.
	section := func(number, least int) ([]byte, *fault) {
		if end-at < 3 {
			return nil, &fault{at, ingest.ErrCorrupt, fmt.Sprintf("no room for section %d", number)}
		}
		n := uint24(b[at:])
		if n < least || n > end-at {
			return nil, &fault{at, ingest.ErrCorrupt,
				fmt.Sprintf("length of section %d is %d, between %d and %d fit", number, n, least, end-at)}
		}
		s := b[at : at+n]
		at += n
		return s, nil
	}

	// Section 1.
	least := 17
	if m.Edition == 4 {
		least = 22
	}
	s, broken := section(1, least)
	if broken != nil {
		return Message{}, 0, broken
	}
	var optional bool
	m.MasterTable = int(s[3])
	switch m.Edition {
	case 4:
		m.Centre, m.Subcentre = int(binary.BigEndian.Uint16(s[4:])), int(binary.BigEndian.Uint16(s[6:]))
		optional = s[9]&0x80 != 0
		m.Category, m.SubCategory, m.MasterTableVersion = int(s[10]), int(s[11]), int(s[13])
	case 3:
		m.Subcentre, m.Centre = int(s[4]), int(s[5])
		optional = s[7]&0x80 != 0
		m.Category, m.SubCategory, m.MasterTableVersion = int(s[8]), int(s[9]), int(s[10])
	default: // 2
		m.Centre = int(binary.BigEndian.Uint16(s[4:]))
		optional = s[7]&0x80 != 0
		m.Category, m.SubCategory, m.MasterTableVersion = int(s[8]), int(s[9]), int(s[10])
	}

	// Section 2, of the centre's own making.
	if optional {
		if _, broken = section(2, 4); broken != nil {
			return Message{}, 0, broken
		}
	}

	// Section 3: number of subsets, flags, descriptors of two octets each; in
	// edition 3 and before the length is even, so one octet may be left over.
	start := at
	if s, broken = section(3, 7); broken != nil {
		return Message{}, 0, broken
	}
	m.Subsets, m.Compressed = int(binary.BigEndian.Uint16(s[4:])), s[6]&0x40 != 0
	if m.Subsets == 0 {
		return fail(start+4, ingest.ErrCorrupt, "no subsets")
	}
	n := (len(s) - 7) / 2
	if n == 0 || n > maxDescriptors {
		return fail(start, ingest.ErrCorrupt, "%d descriptors, 1 to %d are accepted", n, maxDescriptors)
	}
	m.Descriptors = make([]Descriptor, n)
	for i := range m.Descriptors {
		d := binary.BigEndian.Uint16(s[7+2*i:])
		m.Descriptors[i] = Descriptor(d>>14)*100000 + Descriptor(d>>8&0x3F)*1000 + Descriptor(d&0xFF)
	}

	// Section 4 must reach to section 5.
	start = at
	if s, broken = section(4, 4); broken != nil {
		return Message{}, 0, broken
	}
	if at != end {
		return fail(start, ingest.ErrCorrupt, "length of section 4 is %d, which leaves %d bytes before section 5", len(s), end-at)
	}
	return m, length, nil
}

func uint24(b []byte) int { return int(b[0])<<16 | int(b[1])<<8 | int(b[2]) }
