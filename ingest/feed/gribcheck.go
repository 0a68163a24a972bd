package feed

import (
	"encoding/binary"
	"fmt"

	"rimeline/ingest"
)

// minMessageBytes is an indicator section, an identification section and an end
// section (WMO Manual on Codes, volume I.2, FM 92-XIV GRIB, regulation 92.1).
const minMessageBytes = 16 + 21 + 4

// CheckGRIB proves that what was fetched are whole GRIB edition 2 messages: each
// part begins with GRIB, the lengths in the indicator sections (section 0,
// octets 9 to 16) add up to the part, and each message ends with 7777. An
// inventory that belongs to another version of the file does not pass. The error
// is a *ingest.FormatError whose offset counts within the file.
func CheckGRIB(file string, o Object) error {
	parts := o.Parts
	if len(parts) == 0 {
		parts = []Part{{Length: int64(len(o.Bytes)), Bytes: o.Bytes}}
	}
	message := 0
	for _, p := range parts {
		if len(p.Bytes) == 0 {
			return &ingest.FormatError{File: file, Offset: p.Offset, Detail: "no bytes", Err: ingest.ErrTruncated}
		}
		for at := 0; at < len(p.Bytes); {
			message++
			n, pos, detail, reason := checkMessage(p.Bytes[at:])
			if reason != nil {
				return &ingest.FormatError{File: file, Message: message, Offset: p.Offset + int64(at+pos), Detail: detail, Err: reason}
			}
			at += n
		}
	}
	return nil
}

// checkMessage gives the length of the message at the beginning of b.
func checkMessage(b []byte) (n, pos int, detail string, reason error) {
	switch {
	case len(b) < 16:
		return 0, 0, fmt.Sprintf("%d bytes left, an indicator section has 16", len(b)), ingest.ErrTruncated
	case string(b[:4]) != "GRIB":
		return 0, 0, fmt.Sprintf("begins with %q, want GRIB", b[:4]), ingest.ErrCorrupt
	case b[7] != 2:
		return 0, 7, fmt.Sprintf("edition %d, want 2", b[7]), ingest.ErrUnsupported
	}
	length := binary.BigEndian.Uint64(b[8:16])
	switch {
	case length < minMessageBytes:
		return 0, 8, fmt.Sprintf("length %d, want %d or more", length, minMessageBytes), ingest.ErrCorrupt
	case length > uint64(len(b)):
		return 0, 8, fmt.Sprintf("length %d, %d bytes left", length, len(b)), ingest.ErrTruncated
	case string(b[length-4:length]) != "7777":
		return 0, int(length) - 4, fmt.Sprintf("ends with %q, want 7777", b[length-4:length]), ingest.ErrCorrupt
	}
	return int(length), 0, "", nil
}
