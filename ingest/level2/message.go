package level2

import (
	"bytes"
	"encoding/binary"
	"math"
	"time"

	"rimeline/ingest"
)

const (
	// ctmBytes stand before each message, from the channel terminal manager that
	// once carried them; zeros since.
	ctmBytes           = 12
	messageHeaderBytes = 16
	// frameBytes is the room of every message but 29 and 31, and of each segment
	// of those that need several (2620010, section 3.2.4): 12 + 2416 + 4.
	frameBytes = 2432
	// maxRadialBytes is more than any message 31 has been seen to need: seven
	// moments of 1840 gates in two bytes.
	maxRadialBytes = 32 << 10
)

// messageHeader is Table II of 2620002.
type messageHeader struct {
	bytes             int // with this header
	kind              uint8
	segments, segment int
	time              time.Time
}

// record is what was found in one piece of a file.
type record struct {
	place
	radials  []radial
	metadata metadata
	errs     []error
	damaged  bool // something was left out
	size     int  // bytes that are kept
	// status is the time of a message 2 or 5, which every volume begins with.
	status time.Time
}

// radial is one message 1 or 31.
type radial struct {
	icao            string
	elevationNumber int
	azimuthNumber   int
	status          uint8 // see statusOf
	azimuthDeg      float32
	elevationDeg    float32
	spacingDeg      float32
	nyquistMPerS    float32 // NaN where unknown
	unambiguousM    float32
	vcp             int
	time            time.Time
	moments         []moment
}

// moment is the gates of one radial, as stored.
type moment struct {
	name          string
	firstGateM    float32
	gateSpacingM  float32
	wordBits      int
	scale, offset float32
	raw           []byte
	zeroGates     int // behind raw
}

// Radial status (Table XVII of 2620002, halfword 11).
const (
	statusStartElevation = iota
	statusIntermediate
	statusEndElevation
	statusStartVolume
	statusEndVolume
	statusStartLastElevation
)

// maxErrorsInRecord keeps a hostile record from filling memory with complaints.
const maxErrorsInRecord = 4

func (r *record) fail(err error) {
	r.damaged = true
	if len(r.errs) < maxErrorsInRecord {
		r.errs = append(r.errs, err)
	}
}

// readMessages walks the messages of a piece.
func readMessages(p place, b []byte) *record {
	r := &record{place: p, size: len(b)}
	segments := segmentJoiner{}
	// Radials of one record hold the same moments, so memory for all is taken at once.
	var moments []moment
	at := 0
	for at+ctmBytes+messageHeaderBytes <= len(b) {
		h := readMessageHeader(b[at+ctmBytes:])
		start := at + ctmBytes
		cut := false
		variable := h.kind == 31 || h.kind == 29 || h.bytes > frameBytes
		end := start + h.bytes
		next := at + frameBytes
		if variable {
			next = end
		} else if end > next {
			end = next // some count all of the frame
		}
		switch {
		case h.kind == 0 || h.bytes == 0: // padding
			at = min(next, at+frameBytes)
			if next <= start {
				at = start - ctmBytes + frameBytes
			}
			continue
		case end > len(b) && !p.inflated && (h.kind == 1 || h.kind == 31) && h.bytes <= maxRadialBytes:
			// The file was cut here; what is there of the radial is kept.
			r.fail(p.errorf(at, ingest.ErrTruncated, "message of type %d has %d bytes, %d left", h.kind, h.bytes, len(b)-start))
			end, next, cut = len(b), len(b), true
		case h.bytes < messageHeaderBytes || end > len(b):
			reason := ingest.ErrCorrupt
			if end > len(b) && !p.inflated && !variable {
				reason = ingest.ErrTruncated
			}
			r.fail(p.errorf(at, reason, "message of type %d has %d bytes, %d left", h.kind, h.bytes, len(b)-start))
			at = r.resume(b, at+1, next, variable)
			continue
		}
		body := cursor{place: p, buf: b[start+messageHeaderBytes : end], base: start + messageHeaderBytes, cut: cut}
		switch h.kind {
		case 31:
			one, rest := r.readMessage31(&body, moments)
			moments = rest
			if body.err != nil && !cut {
				r.fail(body.err)
				if len(one.moments) == 0 { // nothing of it can be used; is the length right?
					at = r.resume(b, at+1, next, true)
					continue
				}
			}
			if len(one.moments) > 0 || !cut {
				r.radials = append(r.radials, one)
			}
		case 1:
			one, rest := r.readMessage1(&body, moments)
			moments = rest
			if body.err != nil && !cut {
				r.fail(body.err)
			}
			if len(one.moments) > 0 {
				r.radials = append(r.radials, one)
			}
		case 2, 5, 7, 18:
			whole, ok := segments.add(h, body.buf)
			if !ok {
				break
			}
			if h.kind != 18 {
				r.status = h.time
			}
			c := cursor{place: p, buf: whole, base: body.base}
			r.metadata.read(&c, h.kind)
		}
		at = next
	}
	if rest := b[min(at, len(b)):]; !p.inflated && len(bytes.Trim(rest, "\x00")) > 0 {
		r.fail(p.errorf(at, ingest.ErrTruncated, "%d bytes left are no message", len(rest)))
	}
	return r
}

// resume finds where to go on after a message that is not to be believed: at
// the next frame, or, where messages are of any length, at the next header of a
// message 31 of the same radar.
func (r *record) resume(b []byte, from, next int, variable bool) int {
	if !variable {
		return next
	}
	if len(r.radials) == 0 {
		return len(b)
	}
	icao := []byte(r.radials[len(r.radials)-1].icao)
	const before = ctmBytes + messageHeaderBytes
	for len(icao) == 4 {
		k := bytes.Index(b[min(from+before, len(b)):], icao)
		if k < 0 {
			break
		}
		at := from + k
		if h := readMessageHeader(b[at+ctmBytes:]); h.kind == 31 {
			return at
		}
		from = at + 1
	}
	return len(b)
}

func readMessageHeader(b []byte) messageHeader {
	h := messageHeader{
		bytes:    2 * int(binary.BigEndian.Uint16(b)),
		kind:     b[3],
		time:     timeOf(uint32(binary.BigEndian.Uint16(b[6:])), binary.BigEndian.Uint32(b[8:])),
		segments: int(binary.BigEndian.Uint16(b[12:])),
		segment:  int(binary.BigEndian.Uint16(b[14:])),
	}
	if h.bytes == 2*65535 {
		// Since revision P the two segment numbers then hold the length in bytes.
		h.bytes = min(h.segments<<16|h.segment, math.MaxInt32)
		h.segments, h.segment = 1, 1
	}
	return h
}

// maxSegmentsBytes bounds a message of several segments; message 13, the
// largest, has 49 (2620002, Table IX).
const maxSegmentsBytes = 64 * frameBytes

// segmentJoiner puts messages together that come in segments, in order.
type segmentJoiner struct {
	kind uint8
	next int
	buf  []byte
}

func (s *segmentJoiner) add(h messageHeader, body []byte) ([]byte, bool) {
	if h.segments <= 1 {
		return body, true
	}
	if h.segment == 1 {
		s.kind, s.next, s.buf = h.kind, 1, nil
	}
	if h.kind != s.kind || h.segment != s.next || len(s.buf)+len(body) > maxSegmentsBytes {
		s.next = 0
		return nil, false
	}
	s.buf = append(s.buf, body...)
	s.next++
	return s.buf, h.segment == h.segments
}
