// Package grib decodes FM 92 GRIB edition 2 (WMO-No. 306, Manual on Codes,
// Volume I.2): the model grids and radar mosaics of the weather services.
//
// It unpacks data representation templates 5.0 (simple), 5.2 and 5.3 (complex,
// with spatial differences), 5.4 (IEEE) and 5.41 (PNG), with bitmaps and
// missing value management; the rare others (5.40 JPEG 2000, 5.42 CCSDS) go to
// a RareDecoder. Positions are known for grid definition templates 3.0, 3.1,
// 3.10, 3.20, 3.30 and 3.40; on any other grid the values are decoded without
// positions. Product definition templates are listed in product.go; of one
// that is not there, the parameter and reference time are kept.
//
// Edition 1, bitmaps predefined by a centre, and matrices or spectra of values
// are refused with ingest.ErrUnsupported. Compression around the file (gzip)
// is undone by the caller.
//
// Values equal those of ecCodes rounded to float32, bit for bit.
package grib

import (
	"context"
	"errors"

	"rimeline/grid"
)

// Message is one field of a GRIB2 file: its descriptions, read, and its values,
// still packed. It refers to the bytes that it was found in.
type Message struct {
	place    place
	sections sections
	geometry geometry
	header   grid.Field
}

// Messages finds the fields in b, which may hold any number of messages with
// other bytes between them, and reads their descriptions. A message of several
// fields (sections 2 to 7 repeated) gives one Message each. They are numbered
// from 1 in the order of the file; one that cannot be read takes a number and
// gives an error, an *ingest.FormatError; all errors come joined, beside the
// messages that were read. file names the source in errors.
func Messages(file string, b []byte) ([]*Message, error) {
	var messages []*Message
	var errs []error
	known := geometries{}
	fail := func(err error) { errs = append(errs, err) }
	split(file, b, func(s sections, p place) {
		m := &Message{place: p, sections: s}
		if err := m.describe(known); err != nil {
			fail(err)
			return
		}
		messages = append(messages, m)
	}, fail)
	return messages, errors.Join(errs...)
}

// flatten takes joined errors apart, so that a list of errors stays flat.
func flatten(err error) []error {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return joined.Unwrap()
	}
	if err == nil {
		return nil
	}
	return []error{err}
}

// geometries keeps the grids of a file by the bytes of their section 3, so that
// messages on one grid share it.
type geometries map[string]geometry

// describe reads all but the values.
func (m *Message) describe(known geometries) error {
	key := string(m.sections.grid.b)
	g, ok := known[key]
	if !ok {
		var err error
		if g, err = parseGeometry(m.sections.grid, m.place); err != nil {
			return err
		}
		known[key] = g
	}
	m.geometry = g
	c := m.sections.representation.from(10, m.place)
	packing := packingName(int(c.uint16("data representation template")))
	if c.err != nil {
		return c.err
	}
	var err error
	if m.header, err = parseProduct(&m.sections, m.place); err != nil {
		return err
	}
	m.header.Number = m.place.message
	m.header.Packing = packing
	m.header.Grid = g.grid
	return nil
}

// Number is the place of the field in its file, 1 for the first.
func (m *Message) Number() int { return m.place.message }

// Header is the field without its values. The grid is shared between messages
// and is not to be changed.
func (m *Message) Header() grid.Field { return m.header }

// Points is how many grid points the field has, those without values included.
func (m *Message) Points() int { return int(m.geometry.points) }

// Decode decodes all fields in b. Those that could not be decoded are missing
// from the result, and named in the error, which joins one *ingest.FormatError
// each.
func Decode(ctx context.Context, file string, b []byte, o Options) ([]*grid.Field, error) {
	messages, err := Messages(file, b)
	errs := flatten(err)
	o.Values = nil // each field keeps its own
	var fields []*grid.Field
	for _, m := range messages {
		field, err := m.Field(ctx, o)
		if err != nil {
			errs = append(errs, err)
			if ctx.Err() != nil {
				break
			}
			continue
		}
		fields = append(fields, field)
	}
	return fields, errors.Join(errs...)
}
