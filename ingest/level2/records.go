package level2

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"time"

	"rimeline/ingest"
)

const (
	volumeHeaderBytes = 24
	controlWordBytes  = 4
	// maxRecordBytes bounds what one record may unfold to. The largest message 31
	// allowed is 64 Ki halfwords, and a record holds 120 radials: 15.7 MB.
	maxRecordBytes = 16 << 20
	// maxInflatedBytes bounds a whole volume: four times what 25 elevations of
	// all moments in super-resolution have been seen to need.
	maxInflatedBytes = 256 << 20
	// maxRecords: a volume has a record each 100 to 120 radials, so below 250.
	maxRecords = 20000
)

// volumeHeader is Table I of 2620010.
type volumeHeader struct {
	version string // "AR2V0006", "ARCHIVE2"
	volume  string // extension number, "001" to "999"
	start   time.Time
	icao    string // blank before 2000
}

func hasVolumeHeader(b []byte) bool {
	return bytes.HasPrefix(b, []byte("AR2V00")) || bytes.HasPrefix(b, []byte("ARCHIVE2"))
}

// isRecord looks for a control word before a bzip2 stream.
func isRecord(b []byte) bool { return len(b) >= controlWordBytes && isStream(b[controlWordBytes:]) }

// isStream looks for the start of a bzip2 stream and its first block, or its end
// where it is empty.
func isStream(b []byte) bool {
	return len(b) >= 10 && b[0] == 'B' && b[1] == 'Z' && b[2] == 'h' && b[3] >= '1' && b[3] <= '9' &&
		(bytes.Equal(b[4:10], []byte{0x31, 0x41, 0x59, 0x26, 0x53, 0x59}) || bytes.Equal(b[4:10], []byte{0x17, 0x72, 0x45, 0x38, 0x50, 0x90}))
}

// Sniff tells from the first bytes, 14 are enough, whether they are of a
// Level II file or chunk. Gzip must have been undone.
func Sniff(head []byte) bool { return hasVolumeHeader(head) || isRecord(head) }

// IsChunk tells whether the bytes are a piece of a volume that does not begin
// it: a real-time chunk other than the first, or a bare record.
func IsChunk(head []byte) bool { return !hasVolumeHeader(head) && isRecord(head) }

func readVolumeHeader(p place, b []byte) (volumeHeader, error) {
	c := cursor{place: p, buf: b}
	var h volumeHeader
	if len(b) < volumeHeaderBytes {
		return h, p.errorf(len(b), ingest.ErrTruncated, "volume header needs %d bytes, there are %d", volumeHeaderBytes, len(b))
	}
	h.version, h.volume = string(b[:8]), string(b[9:12])
	c.pos = 12
	days, milliseconds := c.uint32("date"), c.uint32("time")
	h.start = timeOf(days, milliseconds)
	h.icao = icaoOf(b[20:24])
	return h, c.err
}

// icaoOf is empty for what is no identifier of four letters and digits.
func icaoOf(b []byte) string {
	for _, letter := range b {
		if (letter < 'A' || letter > 'Z') && (letter < '0' || letter > '9') {
			return ""
		}
	}
	return string(b)
}

// timeOf takes the modified Julian date of the documents: day 1 is 1970-01-01.
// It is the zero time where day or time of day are out of range.
func timeOf(days, milliseconds uint32) time.Time {
	if days == 0 || days > 65535 || milliseconds >= 24*60*60*1000+1000 {
		return time.Time{}
	}
	return time.Unix(int64(days-1)*86400, 0).UTC().Add(time.Duration(milliseconds) * time.Millisecond)
}

// piece is one record: a bzip2 stream, or messages as they are.
type piece struct {
	place
	bytes      []byte
	compressed bool
}

// splitRecords finds the records from byte at of b on. A control word that does
// not lead to the next record costs the rest of its record only: the next
// stream is searched for.
func splitRecords(file string, b []byte, at int) ([]piece, []error) {
	if at >= len(b) {
		return nil, nil
	}
	if !isRecord(b[at:]) && !bytes.Contains(b[at:], []byte("BZh")) {
		// Messages without records around them.
		return []piece{{place{file, 1, int64(at), false}, b[at:], false}}, nil
	}
	var pieces []piece
	var errs []error
	for at < len(b) {
		p := place{file, len(pieces) + 1, int64(at), true}
		if len(pieces) >= maxRecords {
			errs = append(errs, formatError(p, ingest.ErrUnsupported, "more than %d records", maxRecords))
			break
		}
		if !isRecord(b[at:]) {
			next := nextRecord(b, at+1)
			if next < 0 {
				// Files end in padding of zeros at times.
				if len(bytes.Trim(b[at:], "\x00")) > 0 {
					errs = append(errs, formatError(p, tailReason(b[at:]), "%d bytes at the end are no record", len(b)-at))
				}
				break
			}
			errs = append(errs, formatError(p, ingest.ErrCorrupt, "%d bytes are no record", next-at))
			at = next
			continue
		}
		// The length is negative in the last record of a volume.
		length := int64(int32(binary.BigEndian.Uint32(b[at:])))
		if length < 0 {
			length = -length
		}
		start := at + controlWordBytes
		end := int64(start) + length
		if length < 14 || end > int64(len(b)) || (end < int64(len(b)) && !isRecord(b[end:])) {
			// Either the length is wrong or what follows is. A stream ends by itself
			// for a reader, so all up to the next one is handed on.
			next := nextRecord(b, start)
			switch {
			case next >= 0 && (length < 14 || end > int64(next)):
				errs = append(errs, formatError(p, ingest.ErrCorrupt, "record of %d bytes, the next one begins after %d", length, next-start))
				end = int64(next)
			case length < 14 || end > int64(len(b)):
				errs = append(errs, formatError(p, ingest.ErrTruncated, "record of %d bytes, %d left", length, len(b)-start))
				end = int64(len(b))
			}
		}
		pieces = append(pieces, piece{p, b[start:end], true})
		at = int(end)
	}
	return pieces, errs
}

// tailReason: a rest shorter than the smallest record was cut off.
func tailReason(rest []byte) error {
	if len(rest) < controlWordBytes+14 {
		return ingest.ErrTruncated
	}
	return ingest.ErrCorrupt
}

func formatError(p place, reason error, format string, args ...any) error {
	return &ingest.FormatError{File: p.file, Message: p.record, Offset: p.at, Detail: fmt.Sprintf(format, args...), Err: reason}
}

// nextRecord finds the next control word before a stream, from byte from on.
func nextRecord(b []byte, from int) int {
	for {
		k := bytes.Index(b[min(from+controlWordBytes, len(b)):], []byte("BZh"))
		if k < 0 {
			return -1
		}
		at := from + k
		if isRecord(b[at:]) {
			return at
		}
		from = at + 1
	}
}
