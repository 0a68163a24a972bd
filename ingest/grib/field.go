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
	m := d.m
	r, err := parseRepresentation(m.sections.representation, m.place)
	if err != nil {
		return err
	}
	if !r.own() {
		return d.rareValues(r, dst, want)
	}
	p := place{m.place.file, m.place.message, m.sections.representation.at}
	mask, err := m.sections.parseBitmap(d.points, m.place)
	if err != nil {
		return err
	}
	present := d.points
	if mask != nil {
		present = mask.rank(d.points)
	}
	if uint64(r.values) != uint64(present) {
		return p.errorf(5, ingest.ErrCorrupt, "%d packed values for %d points of the grid or bitmap", r.values, present)
	}
	if mask == nil {
		return d.unpack(r, dst, want)
	}
	first, end := mask.rank(want.first), mask.rank(want.end())
	packed := make([]float32, end-first)
	if err := d.unpack(r, packed, wholeSpan(first, end)); err != nil {
		return err
	}
	for row := range want.rows {
		start := want.first + row*want.line
		mask.spread(dst[row*want.width:][:want.width], packed[mask.rank(start)-first:], start)
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
func (d *decoding) unpack(r representation, dst []float32, want span) error {
	s := d.m.sections.data
	data := s.b[5:]
	p := place{d.m.place.file, d.m.place.message, s.at + 5}
	total := int(r.values)
	need := func(bitsEach uint64) error {
		if bits, left := uint64(total)*bitsEach, uint64(len(data))*8; bits > left {
			return p.errorf(0, ingest.ErrCorrupt, "%d values need %d bits, %d left", total, bits, left)
		}
		return nil
	}
	if len(dst) == 0 {
		return nil
	}
	switch {
	case r.template == 2 || r.template == 3:
		scratch := scratches.Get().(*complexScratch)
		defer scratches.Put(scratch)
		c, err := newComplexDecoding(r.complex, data, p, total, r.scaling, scratch)
		if err != nil {
			return err
		}
		return c.decode(dst, want)
	case r.template == 4:
		if err := need(8 * uint64(r.ieeeOctets)); err != nil {
			return err
		}
		for row := range want.rows {
			unpackIEEE(dst[row*want.width:][:want.width], data, want.first+row*want.line, r.ieeeOctets)
		}
		return nil
	case r.template == 41 && r.bits > 0:
		out := spanWriter{span: want, dst: dst}
		var values []float32
		return unpackPNG(data, r.bits, total, p, func(from int, numbers []uint32) {
			if !out.touches(from, from+len(numbers)) {
				return
			}
			values = reuse(values, len(numbers))
			for i, x := range numbers {
				values[i] = r.scaling.value(int64(x))
			}
			out.put(from, values)
		})
	default:
		if err := need(uint64(r.bits)); err != nil {
			return err
		}
		scratch := scratches.Get().(*complexScratch)
		defer scratches.Put(scratch)
		table := newScaleTable(r.scaling, len(dst), &scratch.table)
		for row := range want.rows {
			first := uint64(want.first + row*want.line)
			unpackSimple(dst[row*want.width:][:want.width], data, first*uint64(r.bits), r.bits, &table)
		}
		return nil
	}
}

// rareValues hands the message to the RareDecoder.
func (d *decoding) rareValues(r representation, dst []float32, want span) error {
	m := d.m
	p := place{m.place.file, m.place.message, m.sections.representation.at}
	if d.rare == nil {
		return p.errorf(9, ingest.ErrUnsupported, "data representation template %s", packingName(r.template))
	}
	message, err := m.standalone()
	if err != nil {
		return err
	}
	values, err := d.rare.DecodeValues(d.ctx, message)
	if err != nil {
		return d.rareError(p, r.template, err)
	}
	if len(values) != d.points {
		return p.errorf(5, ingest.ErrCorrupt, "template 5.%d gave %d values for %d points", r.template, len(values), d.points)
	}
	out := spanWriter{span: want, dst: dst}
	const stretch = 4096
	var rounded [stretch]float32
	for from := 0; from < len(values); from += stretch {
		n := min(stretch, len(values)-from)
		for i, v := range values[from : from+n] {
			rounded[i] = float32(v)
		}
		out.put(from, rounded[:n])
	}
	return nil
}

// rareError places an error of the RareDecoder in the file, keeping its reason.
func (d *decoding) rareError(p place, template int, err error) error {
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
		Detail: fmt.Sprintf("data representation template %s", packingName(template)), Err: err}
}
