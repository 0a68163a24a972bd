package mosaic

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/grib"
)

// Mosaic is one product at one time.
type Mosaic struct {
	Product Product
	// Time for which it holds; of accumulations the end.
	Time time.Time
	// Field has values in Product.Units. What is no measurement is NaN, whose
	// kind grid.StateOf tells: grid.BelowThreshold where the radars saw no echo,
	// grid.NotCovered where nothing is known.
	Field *grid.Field
}

// Interpret takes a decoded field, whose values it changes in place. Fields that
// are no product of MRMS, or one that is not read here, are an
// *ingest.FormatError of reason ingest.ErrUnsupported; file names the source.
func Interpret(file string, f *grid.Field) (*Mosaic, error) {
	product, ok := ProductOf(f)
	if !ok {
		return nil, &ingest.FormatError{File: file, Message: f.Number, Detail: fmt.Sprintf("parameter %s %s is not a mosaic that is read", f.Parameter, f.ShortName), Err: ingest.ErrUnsupported}
	}
	product.MaskCodes(f.Values)
	if scale := float32(product.scale); scale != 1 {
		for k, v := range f.Values {
			if v == v { // the others keep their kind of NaN
				f.Values[k] = v * scale
			}
		}
	}
	f.Units = product.Units
	return &Mosaic{Product: product, Time: f.ValidTime, Field: f}, nil
}

// StateOf a value as it stands in the file.
func (p Product) StateOf(stored float32) grid.GateState {
	switch {
	case stored == p.noCoverage || stored != stored:
		return grid.NotCovered
	case stored == p.missing:
		return p.missingIs
	}
	return grid.Measured
}

// MaskCodes puts the NaN of its state in the place of each code, and leaves
// values as they are in the file.
func (p Product) MaskCodes(values []float32) {
	missing, noCoverage := p.missing, p.noCoverage
	missingIs, notCovered := p.missingIs.Value(), grid.NotCovered.Value()
	for k, v := range values {
		switch {
		case v == noCoverage || v != v:
			values[k] = notCovered
		case v == missing:
			values[k] = missingIs
		}
	}
}

// Options of decoding.
type Options struct {
	// Places and MarginM limit what is kept to the points around places: a mosaic
	// of the contiguous United States is 98 MB, a watershed in it a few kB. The
	// whole is kept without places.
	Places  []grid.LatLon
	MarginM float64
	// Rare and MaxPoints as in grib.Options.
	Rare      grib.RareDecoder
	MaxPoints int
}

// ErrOutside: the mosaic does not reach any of the places.
var ErrOutside = errors.New("the mosaic does not reach the places")

// Decode decodes all mosaics of a GRIB2 file, gzip undone. Those that could not
// be read, are not products read here, or do not reach the places are missing
// from the result and named in the error, which joins one for each.
func Decode(ctx context.Context, file string, b []byte, o Options) ([]*Mosaic, error) {
	messages, err := grib.Messages(file, b)
	errs := []error{err}
	var mosaics []*Mosaic
	for _, m := range messages {
		if ctx.Err() != nil {
			errs = append(errs, ctx.Err())
			break
		}
		mosaic, err := decodeOne(ctx, file, m, o)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		mosaics = append(mosaics, mosaic)
	}
	return mosaics, errors.Join(errs...)
}

func decodeOne(ctx context.Context, file string, m *grib.Message, o Options) (*Mosaic, error) {
	header := m.Header()
	if _, ok := ProductOf(&header); !ok {
		return Interpret(file, &header) // says why not, before anything is decoded
	}
	options := grib.Options{Rare: o.Rare, MaxPoints: o.MaxPoints}
	if len(o.Places) > 0 {
		w, _ := header.Grid.WindowOf(o.Places, o.MarginM)
		if w.NI <= 0 || w.NJ <= 0 {
			return nil, fmt.Errorf("%s: message %d: %w", file, m.Number(), ErrOutside)
		}
		options.Window = &w
	}
	field, err := m.Field(ctx, options)
	if err != nil {
		return nil, err
	}
	return Interpret(file, field)
}

// Sample is the mosaic at one of its points.
type Sample struct {
	State grid.GateState
	// Value in Product.Units, NaN unless the state is grid.Measured.
	Value     float64
	Place     grid.LatLon // of the point
	DistanceM float64     // from the place asked for
}

// Nearest samples the point nearest to a place. A place off the mosaic is not
// covered.
func (m *Mosaic) Nearest(p grid.LatLon) Sample {
	s, ok := m.Field.Nearest(p)
	if !ok {
		return Sample{State: grid.NotCovered, Value: math.NaN(), Place: grid.LatLon{LatitudeDeg: math.NaN(), LongitudeDeg: math.NaN()}, DistanceM: math.NaN()}
	}
	value := m.Field.At(s.I, s.J)
	return Sample{State: grid.StateOf(value), Value: float64(value), Place: s.Place, DistanceM: s.DistanceM}
}

// Coverage counts points by state and sums up those that are measured.
type Coverage struct {
	Measured, NoEcho, NotCovered int
	// Min, Max and Mean are NaN where nothing is measured.
	Min, Max, Mean float64
}

// Around counts the points within a distance of a place; at least the nearest
// point where the mosaic covers the place. NoEcho points take no part in the
// mean.
func (m *Mosaic) Around(p grid.LatLon, radiusM float64) Coverage {
	var c counting
	g := m.Field.Grid
	w, ok := g.WindowOf([]grid.LatLon{p}, radiusM)
	if !ok {
		return c.coverage()
	}
	counted := false
	for j := w.J0; j < w.J0+w.NJ; j++ {
		for i := w.I0; i < w.I0+w.NI; i++ {
			place, ok := g.LatLonAt(float64(i), float64(j))
			if ok && grid.DistanceM(p, place) <= radiusM {
				c.add(m.Field.At(i%g.NI, j))
				counted = true
			}
		}
	}
	if i, j, _, ok := g.Nearest(p); ok && !counted {
		c.add(m.Field.At(i, j))
	}
	return c.coverage()
}

// Coverage counts all points.
func (m *Mosaic) Coverage() Coverage {
	var c counting
	for _, v := range m.Field.Values {
		c.add(v)
	}
	return c.coverage()
}

type counting struct {
	Coverage
	sum float64
}

func (c *counting) add(v float32) {
	switch grid.StateOf(v) {
	case grid.Measured:
		x := float64(v)
		if c.Measured == 0 {
			c.Min, c.Max = x, x
		}
		c.Min, c.Max = math.Min(c.Min, x), math.Max(c.Max, x)
		c.sum += x
		c.Measured++
	case grid.BelowThreshold:
		c.NoEcho++
	default:
		c.NotCovered++
	}
}

func (c *counting) coverage() Coverage {
	if c.Measured == 0 {
		c.Min, c.Max, c.Mean = math.NaN(), math.NaN(), math.NaN()
		return c.Coverage
	}
	c.Mean = c.sum / float64(c.Measured)
	return c.Coverage
}
