package lib

/*
#include "lib.h"
*/
import "C"

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"unsafe"

	"rimeline/ingest/bufr"
)

// DefaultMaxElements is the ceiling of BUFR elements, all subsets together,
// where the caller sets none. A compressed message repeats every element for
// each of up to 65 535 subsets without spending a bit on it.
const DefaultMaxElements = 2_000_000

// DecodeBUFR unpacks the data section of one message: every element in order
// with descriptor, name, units and value, for each subset. Replications are not
// marked yet; see bufr.Decoded.MarkReplications.
func DecodeBUFR(message []byte, maxElements int) (bufr.Decoded, error) {
	if len(message) < 8 || string(message[:4]) != "BUFR" {
		return bufr.Decoded{}, errors.New("not a BUFR message")
	}
	var rc C.int
	b := C.rl_bufr_open(unsafe.Pointer(&message[0]), C.size_t(len(message)), &rc)
	if b == nil {
		return bufr.Decoded{}, codeError(rc)
	}
	defer C.rl_bufr_close(b)

	var d bufr.Decoded
	var descriptors *C.long
	var n C.size_t
	if rc = C.rl_bufr_expanded(b, &descriptors, &n); rc != 0 {
		return bufr.Decoded{}, codeError(rc)
	}
	for _, descriptor := range unsafe.Slice(descriptors, int(n)) {
		d.Expanded = append(d.Expanded, bufr.Descriptor(descriptor))
	}

	var compressed, subsets C.long
	if rc = C.rl_bufr_shape(b, &compressed, &subsets); rc != 0 {
		return bufr.Decoded{}, codeError(rc)
	}
	if maxElements <= 0 {
		maxElements = DefaultMaxElements
	}
	if subsets < 1 || subsets > 65535 { // two octets of section 3
		return bufr.Decoded{}, fmt.Errorf("%d subsets", subsets)
	}
	r := reader{keys: map[bufr.Key]*bufr.Key{}, left: maxElements}
	if compressed != 0 {
		r.subsets = make([][]bufr.Element, subsets)
		r.compressed = true
	}
	for {
		var e C.rl_element
		switch rc = C.rl_bufr_next(b, &e); {
		case rc < 0:
			return bufr.Decoded{}, codeError(rc)
		case rc == 0:
			d.Subsets = r.subsets
			if len(d.Subsets) != int(subsets) {
				return bufr.Decoded{}, fmt.Errorf("%d subsets unpacked, section 3 says %d", len(d.Subsets), subsets)
			}
			return d, nil
		}
		if err := r.add(&e); err != nil {
			return bufr.Decoded{}, err
		}
	}
}

// reader deals the keys of ecCodes out to the subsets. Uncompressed messages
// come subset by subset, each led by the key "subsetNumber"; of compressed ones
// each key holds the values of all subsets, or one that holds for all.
type reader struct {
	subsets    [][]bufr.Element
	keys       map[bufr.Key]*bufr.Key
	compressed bool
	subject    int // index of the latest element that is no attribute
	left       int
}

func (r *reader) add(e *C.rl_element) error {
	name := C.GoString(e.name)
	if name == "subsetNumber" && !r.compressed {
		r.subsets = append(r.subsets, nil)
	}
	if e.code < 0 || len(r.subsets) == 0 { // sections 0 to 3
		return nil
	}
	if bufr.Descriptor(e.code).F() == 2 { // "operator", one key for all of a message
		return nil
	}
	into, n := r.subsets, int(e.count)
	if !r.compressed {
		into = into[len(into)-1:]
	}
	if n > 1 && n != len(into) {
		return fmt.Errorf("%s has %d values for %d subsets", name, n, len(into))
	}
	if r.left -= len(into); r.left < 0 {
		return fmt.Errorf("elements of all subsets: %w", ErrTooLarge)
	}

	// "#2#pressure->percentConfidence" is about the latest "#2#pressure".
	attributeOf := -1
	if at := strings.LastIndex(name, "->"); at >= 0 {
		name, attributeOf = name[at+2:], r.subject
	} else {
		name = name[strings.LastIndexByte(name, '#')+1:]
		r.subject = len(into[0])
	}
	if attributeOf >= len(into[0]) {
		return fmt.Errorf("%s is about no element", name)
	}
	shared := bufr.Key{Descriptor: bufr.Descriptor(e.code), Name: name, Units: C.GoString(&e.units[0]), IsText: e.is_text != 0}
	key := r.keys[shared]
	if key == nil {
		key = &shared
		r.keys[shared] = key
	}
	for i := range into {
		element := bufr.Element{Key: key, Value: math.NaN(), AttributeOf: attributeOf}
		if n > 0 {
			k := min(i, n-1)
			if key.IsText {
				element.Text = text(unsafe.Slice(e.texts, n)[k])
			} else if v := float64(unsafe.Slice(e.values, n)[k]); v != C.CODES_MISSING_DOUBLE {
				element.Value = v
			}
		}
		into[i] = append(into[i], element)
	}
	return nil
}

// text takes trailing blanks away; all bits set means missing (regulation
// 94.1.5 of FM 94).
func text(c *C.char) string {
	s := C.GoString(c)
	if strings.Count(s, "\xff") == len(s) {
		return ""
	}
	return strings.TrimRight(s, " \x00")
}

func codeError(rc C.int) error {
	return &Error{int(rc), C.GoString(C.codes_get_error_message(rc))}
}
