// Package frame is the language between the program and its decoding child.
//
// A frame is a header of 20 bytes, little-endian, and a payload:
//
//	0  4  magic "RLF1"
//	4  1  kind
//	5  3  zero
//	8  8  length of the payload
//	16 4  CRC-32C (Castagnoli) of the payload
//
// One request is answered by one frame. Neither side trusts the other: the
// child may have been damaged by the message that it decodes. A length is
// compared with what the reader allows before memory is taken, and memory grows
// with the bytes that really arrive.
package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"slices"
	"unsafe"
)

// Kind says what a frame holds.
type Kind byte

// The kinds.
const (
	DecodeGRIB Kind = 1 + iota // request: 8 bytes, number of values expected; one GRIB message of one field
	DecodeBUFR                 // request: one BUFR message
	Values                     // reply: float64 values, NaN where missing
	Subsets                    // reply: see AppendDecoded
	Failure                    // reply: see AppendFailure
)

const headerSize = 20

var magic = [4]byte{'R', 'L', 'F', '1'}

// ErrProtocol: the other side does not keep to the protocol.
var ErrProtocol = errors.New("breaks the protocol")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Write sends one frame; the payload is the pieces one after the other.
func Write(w io.Writer, kind Kind, pieces ...[]byte) error {
	var header [headerSize]byte
	var length uint64
	var crc uint32
	for _, piece := range pieces {
		length += uint64(len(piece))
		crc = crc32.Update(crc, castagnoli, piece)
	}
	copy(header[:], magic[:])
	header[4] = byte(kind)
	binary.LittleEndian.PutUint64(header[8:], length)
	binary.LittleEndian.PutUint32(header[16:], crc)
	if _, err := w.Write(header[:]); err != nil {
		return err
	}
	for _, piece := range pieces {
		if _, err := w.Write(piece); err != nil {
			return err
		}
	}
	return nil
}

// Header is a frame whose payload has not been read yet.
type Header struct {
	Kind   Kind
	Length uint64
	crc    uint32
}

// ReadHeader reads the next header. It gives io.EOF where the stream ends
// before it.
func ReadHeader(r io.Reader) (Header, error) {
	var b [headerSize]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return Header{}, err
	}
	if [4]byte(b[:4]) != magic || b[5] != 0 || b[6] != 0 || b[7] != 0 {
		return Header{}, fmt.Errorf("header % x: %w", b, ErrProtocol)
	}
	h := Header{Kind(b[4]), binary.LittleEndian.Uint64(b[8:]), binary.LittleEndian.Uint32(b[16:])}
	if h.Kind < DecodeGRIB || h.Kind > Failure {
		return Header{}, fmt.Errorf("kind %d: %w", h.Kind, ErrProtocol)
	}
	return h, nil
}

// firstPiece is the most that is allocated before any byte has arrived.
const firstPiece = 1 << 20

// ReadPayload reads what belongs to h, at most limit bytes.
func ReadPayload(r io.Reader, h Header, limit uint64) ([]byte, error) {
	if h.Length > limit {
		return nil, fmt.Errorf("payload of %d bytes, at most %d allowed: %w", h.Length, limit, ErrProtocol)
	}
	payload := make([]byte, 0, min(h.Length, firstPiece))
	for uint64(len(payload)) < h.Length {
		// Twice what has arrived at most.
		piece := min(h.Length-uint64(len(payload)), max(uint64(len(payload)), firstPiece))
		payload = slices.Grow(payload, int(piece))
		n, err := io.ReadFull(r, payload[len(payload):len(payload)+int(piece)])
		payload = payload[:len(payload)+n]
		if err != nil {
			return nil, unexpected(err)
		}
	}
	if got := crc32.Checksum(payload, castagnoli); got != h.crc {
		return nil, fmt.Errorf("checksum %08x, header says %08x: %w", got, h.crc, ErrProtocol)
	}
	return payload, nil
}

// ReadValues reads exactly n values, straight into the slice that it returns.
func ReadValues(r io.Reader, h Header, n int) ([]float64, error) {
	if h.Length != uint64(n)*8 {
		return nil, fmt.Errorf("payload of %d bytes, %d values need %d: %w", h.Length, n, uint64(n)*8, ErrProtocol)
	}
	values := make([]float64, n)
	b := Bytes(values)
	if _, err := io.ReadFull(r, b); err != nil {
		return nil, unexpected(err)
	}
	if got := crc32.Checksum(b, castagnoli); got != h.crc {
		return nil, fmt.Errorf("checksum %08x, header says %08x: %w", got, h.crc, ErrProtocol)
	}
	if bigEndian {
		for i := range values {
			values[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
		}
	}
	return values, nil
}

// WriteValues sends values. On a big-endian machine it swaps them in place.
func WriteValues(w io.Writer, values []float64) error {
	b := Bytes(values)
	if bigEndian {
		for i, v := range values {
			binary.LittleEndian.PutUint64(b[8*i:], math.Float64bits(v))
		}
	}
	return Write(w, Values, b)
}

// Bytes is the memory of values.
func Bytes(values []float64) []byte {
	if len(values) == 0 {
		return nil
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(&values[0])), 8*len(values))
}

var bigEndian = binary.NativeEndian.Uint16([]byte{0, 1}) == 1

func unexpected(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// Reason sorts the failures of a decoder.
type Reason byte

// The reasons.
const (
	Corrupt     Reason = 1 + iota // the message breaks its own format
	Unsupported                   // valid as far as can be told, not readable here
)

// AppendFailure appends reason and text.
func AppendFailure(b []byte, reason Reason, text string) []byte {
	const longest = 1000
	if len(text) > longest {
		text = text[:longest]
	}
	return append(append(b, byte(reason)), text...)
}

// ParseFailure is the opposite of AppendFailure.
func ParseFailure(b []byte) (Reason, string, error) {
	if len(b) == 0 || b[0] < byte(Corrupt) || b[0] > byte(Unsupported) {
		return 0, "", fmt.Errorf("failure without a reason: %w", ErrProtocol)
	}
	return Reason(b[0]), string(b[1:]), nil
}
