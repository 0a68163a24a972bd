package grib

import (
	"context"
	"errors"
	"fmt"

	"rimeline/grid"
	"rimeline/ingest"
)

// DefaultMaxPoints is the ceiling on the points of one field where Options sets
// none. A constant field, and a compressed one, can claim any number of points
// in a few octets, so the length of the file does not bound them. It is eight
// times the largest operational mosaic (7000 x 3500 points), and 800 MB.
const DefaultMaxPoints = 200_000_000

// Options of decoding. The zero value decodes whole fields.
type Options struct {
	// Window keeps only some columns and rows; nil keeps all. It counts as in
	// the grid of the whole field, and may run over the seam of a cyclic grid
	// (grid.Grid.Crop). One that is not on the grid is an error, ErrWindow.
	Window *grid.Window
	// Rare decodes the packings that this package does not; nil makes them
	// errors.
	Rare RareDecoder
	// MaxPoints is the ceiling on the points of one field, DefaultMaxPoints
	// where 0.
	MaxPoints int
	// Values is memory to decode into, used where large enough.
	Values []float32
}

// RareDecoder decodes a GRIB2 message of one field, template 5.40 (JPEG 2000)
// or 5.42 (CCSDS) for instance. The values come in file order, a point each,
// NaN where missing.
type RareDecoder interface {
	DecodeValues(ctx context.Context, message []byte) ([]float64, error)
}

// ErrWindow: the window asked for is not inside the field's grid.
var ErrWindow = errors.New("window is not on the grid")

// Field decodes the values of the message. The error is an
// *ingest.FormatError, ErrWindow, or that of the context.
func (m *Message) Field(ctx context.Context, o Options) (*grid.Field, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	points := m.geometry.points
	ceiling := o.MaxPoints
	if ceiling <= 0 {
		ceiling = DefaultMaxPoints
	}
	if uint64(points) > uint64(ceiling) {
		return nil, place{m.place.file, m.place.message, m.sections.grid.at}.errorf(6, ingest.ErrUnsupported, "%d grid points, at most %d are read", points, ceiling)
	}
	field := m.Header()
	d := decoding{m: m, ctx: ctx, rare: o.Rare, points: int(points)}
	if err := d.prepare(); err != nil {
		return nil, err
	}
	if o.Window == nil {
		field.Values = reuse(o.Values, int(points))
		if err := d.whole(field.Values); err != nil {
			return nil, err
		}
		return &field, nil
	}
	w := *o.Window
	cropped, err := field.Grid.Crop(w)
	if err != nil {
		return nil, fmt.Errorf("%s: message %d: %w: %w", m.place.file, m.place.message, ErrWindow, err)
	}
	whole := field.Grid
	field.Grid = cropped
	field.Values = reuse(o.Values, w.NI*w.NJ)
	if err := d.window(field.Values, w, whole.NI); err != nil {
		return nil, err
	}
	return &field, nil
}

func reuse(values []float32, n int) []float32 {
	if values != nil && cap(values) >= n {
		return values[:n]
	}
	return make([]float32, n)
}

// decoding is one call of Message.Field.
type decoding struct {
	m      *Message
	ctx    context.Context
	rare   RareDecoder
	points int

	// Set by prepare.
	representation
	mask bitmap // nil where all points have values
	data []byte // the octets of section 7 after its header
	at   place  // of data
	// foreign are the values where the RareDecoder decoded them.
	foreign []float64
}

// prepare reads sections 5 and 6, and compares all counts with the bytes that
// are there, before anything is allocated by them.
func (d *decoding) prepare() error {
	m := d.m
	var err error
	if d.representation, err = parseRepresentation(m.sections.representation, m.place); err != nil {
		return err
	}
	p := place{m.place.file, m.place.message, m.sections.representation.at}
	if !d.own() {
		return d.decodeRare(p)
	}
	if d.mask, err = m.sections.parseBitmap(d.points, m.place); err != nil {
		return err
	}
	present := d.points
	if d.mask != nil {
		present = d.mask.rank(d.points)
	}
	if uint64(d.packed) != uint64(present) {
		return p.errorf(5, ingest.ErrCorrupt, "%d packed values for %d points of the grid or bitmap", d.packed, present)
	}
	d.data = m.sections.data.b[5:]
	d.at = place{m.place.file, m.place.message, m.sections.data.at + 5}
	left := uint64(len(d.data)) * 8
	switch d.template {
	case 2, 3:
		_, err = d.complex.layout(d.data, d.at, int(d.packed))
		return err
	case 4:
		if need := uint64(d.packed) * 8 * uint64(d.ieeeOctets); need > left {
			return d.at.errorf(0, ingest.ErrCorrupt, "%d values need %d bits, %d left", d.packed, need, left)
		}
	case 41:
		if d.bits > 0 {
			return checkPNG(d.data, int(d.packed), d.at)
		}
	default:
		if need := uint64(d.packed) * uint64(d.bits); need > left {
			return d.at.errorf(0, ingest.ErrCorrupt, "%d values need %d bits, %d left", d.packed, need, left)
		}
	}
	return nil
}

// whole decodes all values, in rows.
func (d *decoding) whole(dst []float32) error {
	if err := d.values(dst, wholeSpan(0, d.points)); err != nil {
		return err
	}
	g := &d.m.geometry
	if !g.rearranged() {
		return nil
	}
	if err := g.scan.Arrange(dst, g.ni, g.nj); err != nil {
		return place{d.m.place.file, d.m.place.message, d.m.sections.grid.at}.errorf(0, ingest.ErrUnsupported, "%v", err)
	}
	return nil
}

// window decodes some columns and rows of a grid of ni columns.
func (d *decoding) window(dst []float32, w grid.Window, ni int) error {
	if d.m.geometry.rearranged() {
		// Rows that alternate, or columns in place of rows: the whole is put in
		// order first.
		all := make([]float32, d.points)
		if err := d.whole(all); err != nil {
			return err
		}
		copyColumns(dst, all[w.J0*ni:], w, ni)
		return nil
	}
	if w.I0+w.NI > ni { // over the seam of a cyclic grid
		strip := make([]float32, w.NJ*ni)
		if err := d.values(strip, wholeSpan(w.J0*ni, (w.J0+w.NJ)*ni)); err != nil {
			return err
		}
		copyColumns(dst, strip, w, ni)
		return nil
	}
	if w.NI == ni {
		return d.values(dst, wholeSpan(w.J0*ni, (w.J0+w.NJ)*ni))
	}
	return d.values(dst, span{first: w.J0*ni + w.I0, line: ni, width: w.NI, rows: w.NJ})
}

// copyColumns copies the window's columns from rows of ni values, of which the
// first is the window's first; past the last column the first follows.
func copyColumns(dst, rows []float32, w grid.Window, ni int) {
	for j := range w.NJ {
		row, out := rows[j*ni:][:ni], dst[j*w.NI:][:w.NI]
		copy(out[copy(out, row[w.I0:]):], row)
	}
}

// values decodes what is wanted of the field, in file order, bitmap applied.
func (d *decoding) values(dst []float32, want span) error {
	if !d.own() {
		d.roundForeign(dst, want)
		return nil
	}
	if d.mask == nil {
		return d.unpack(dst, want)
	}
	first, end := d.mask.rank(want.first), d.mask.rank(want.end())
	packed := make([]float32, end-first)
	if err := d.unpack(packed, wholeSpan(first, end)); err != nil {
		return err
	}
	for row := range want.rows {
		start := want.first + row*want.line
		d.mask.spread(dst[row*want.width:][:want.width], packed[d.mask.rank(start)-first:], start)
	}
	return nil
}

// own says whether this package unpacks the template.
func (r *representation) own() bool {
	switch r.template {
	case 0, 2, 3, 4, 41:
		return true
	case 40, 42:
		// Without bits there is no compressed stream: R at every point.
		return r.bits == 0
	}
	return false
}

// unpack gives the wanted packed values.
func (d *decoding) unpack(dst []float32, want span) error {
	if len(dst) == 0 {
		return nil
	}
	total := int(d.packed)
	switch {
	case d.template == 2 || d.template == 3:
		scratch := scratches.Get().(*complexScratch)
		defer scratches.Put(scratch)
		c, err := newComplexDecoding(d.complex, d.data, d.at, total, d.scaling, scratch)
		if err != nil {
			return err
		}
		return c.decode(dst, want)
	case d.template == 4:
		for row := range want.rows {
			unpackIEEE(dst[row*want.width:][:want.width], d.data, want.first+row*want.line, d.ieeeOctets)
		}
		return nil
	case d.template == 41 && d.bits > 0:
		out := spanWriter{span: want, dst: dst}
		var row []float32
		return unpackPNG(d.data, d.bits, d.at, func(from int, numbers []int32) {
			if !out.touches(from, from+len(numbers)) {
				return
			}
			values := out.direct(from, from+len(numbers))
			if values == nil {
				row = reuse(row, len(numbers))
				values = row
				defer out.put(from, row)
			}
			if d.bits <= 24 {
				d.scaling.scale(values, numbers)
				return
			}
			for i, x := range numbers {
				values[i] = d.scaling.value(int64(uint32(x)))
			}
		})
	default:
		scratch := scratches.Get().(*complexScratch)
		defer scratches.Put(scratch)
		for row := range want.rows {
			first := uint64(want.first + row*want.line)
			unpackSimple(dst[row*want.width:][:want.width], d.data, first*uint64(d.bits), d.bits, d.scaling, scratch)
		}
		return nil
	}
}

// decodeRare hands the message to the RareDecoder.
func (d *decoding) decodeRare(p place) error {
	if d.rare == nil {
		return p.errorf(9, ingest.ErrUnsupported, "data representation template %s", packingName(d.template))
	}
	message, err := d.m.standalone()
	if err != nil {
		return err
	}
	if d.foreign, err = d.rare.DecodeValues(d.ctx, message); err != nil {
		return d.rareError(p, err)
	}
	if len(d.foreign) != d.points {
		return p.errorf(5, ingest.ErrCorrupt, "template 5.%d gave %d values for %d points", d.template, len(d.foreign), d.points)
	}
	return nil
}

// roundForeign puts what is wanted of the RareDecoder's values into dst.
func (d *decoding) roundForeign(dst []float32, want span) {
	for row := range want.rows {
		from := d.foreign[want.first+row*want.line:][:want.width]
		for i, v := range from {
			dst[row*want.width+i] = float32(v)
		}
	}
}

// rareError places an error of the RareDecoder in the file, keeping its reason.
func (d *decoding) rareError(p place, err error) error {
	if d.ctx.Err() != nil {
		return d.ctx.Err()
	}
	var placed *ingest.FormatError
	if errors.As(err, &placed) {
		copied := *placed
		copied.File, copied.Message, copied.Offset = p.file, p.message, p.at
		return &copied
	}
	if !errors.Is(err, ingest.ErrDecoderDied) && !errors.Is(err, ingest.ErrUnsupported) && !errors.Is(err, ingest.ErrTruncated) && !errors.Is(err, ingest.ErrCorrupt) {
		err = fmt.Errorf("%w: %w", err, ingest.ErrCorrupt)
	}
	return &ingest.FormatError{File: p.file, Message: p.message, Offset: p.at,
		Detail: fmt.Sprintf("data representation template %s", packingName(d.template)), Err: err}
}
