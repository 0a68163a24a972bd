// Package lib is the thinnest possible binding of ecCodes, the C library of
// ECMWF for FM 92 GRIB and FM 94 BUFR (WMO No. 306, Volume I.2).
//
// Only the decoding child process (package child) and tests may import it: one
// to three damaged bytes in a message can make ecCodes 2.28 call abort or
// touch memory that is not its own, and neither can be recovered in Go. The
// program itself asks package eccodes, which lets the child take the blow.
//
// The definitions that ecCodes needs are read from disk at run time (Debian:
// libeccodes-data, /usr/share/eccodes).
package lib

/*
#cgo pkg-config: eccodes
#cgo CFLAGS: -O2
#include "lib.h"
*/
import "C"

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"unsafe"
)

// DefaultMaxValues is the ceiling of values in one field where the caller sets
// none: eight times the largest operational mosaic (7000 x 3500 points). A
// constant field of any claimed size fits in 200 bytes, so the length of the
// message bounds nothing.
const DefaultMaxValues = 200_000_000

// ErrTooLarge: the message claims more than the decoder may return.
var ErrTooLarge = errors.New("claims more than the ceiling")

// Error is what ecCodes itself reports.
type Error struct {
	Code int // CODES_..., below 0
	Text string
}

func (e *Error) Error() string { return "ecCodes: " + e.Text }

// Unsupported says that the message may well be right but is beyond this build
// of ecCodes or its tables.
func (e *Error) Unsupported() bool {
	switch C.int(e.Code) {
	case C.CODES_NOT_IMPLEMENTED, C.CODES_FUNCTIONALITY_NOT_ENABLED, C.CODES_NO_DEFINITIONS,
		C.CODES_UNSUPPORTED_EDITION, C.CODES_MISSING_BUFR_ENTRY:
		return true
	}
	return false
}

// DefaultSignals lets SIGSEGV, SIGABRT and their like end this process at once
// and plainly, without the report of the Go runtime. For the child process.
func DefaultSignals() { C.rl_default_signals() }

// Version is the version of ecCodes in use, as 10000 major + 100 minor + patch.
func Version() int { return int(C.codes_get_api_version()) }

// Decoder decodes single-field GRIB messages into one buffer that it keeps, in
// memory of C. A Decoder is for one goroutine at a time; several Decoders may
// run at once. The zero value is ready for use.
type Decoder struct {
	// MaxValues is the largest number of points accepted; 0 means
	// DefaultMaxValues.
	MaxValues int

	buffer C.rl_values
}

// Decode returns the values of a message that holds one field, in the order of
// the file, in the unit of the GRIB2 tables, NaN where the bitmap or the
// packing's own missing value says missing. The slice is valid until the next
// call of Decode or Free.
func (d *Decoder) Decode(message []byte) ([]float64, error) {
	if len(message) < 16 || string(message[:4]) != "GRIB" {
		return nil, errors.New("not a GRIB message")
	}
	ceiling := d.MaxValues
	if ceiling <= 0 {
		ceiling = DefaultMaxValues
	}
	var n C.size_t
	rc := C.rl_grib_values(unsafe.Pointer(&message[0]), C.size_t(len(message)), C.size_t(ceiling), &d.buffer, &n)
	switch {
	case rc == C.RL_TOO_LARGE:
		return nil, fmt.Errorf("%d values, at most %d: %w", uint64(n), ceiling, ErrTooLarge)
	case rc != 0:
		return nil, codeError(rc)
	case n == 0:
		return nil, nil
	}
	values := unsafe.Slice((*float64)(unsafe.Pointer(d.buffer.v)), int(n))
	if d.buffer.may_miss != 0 {
		for i, v := range values {
			if v == C.RL_MISSING {
				values[i] = math.NaN()
			}
		}
	}
	return values, nil
}

// Free gives the buffer back. The Decoder may be used again afterwards.
func (d *Decoder) Free() { C.rl_values_free(&d.buffer) }

// DecodeGRIB decodes one message that holds one field; see Decoder.Decode. The
// values belong to the caller.
func DecodeGRIB(message []byte) ([]float64, error) {
	var d Decoder
	defer d.Free()
	values, err := d.Decode(message)
	return slices.Clone(values), err
}
