package cfgrid

import (
	"context"
	"fmt"
	"math/bits"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/ingest"
)

// Ceilings on what one read may ask for. A chunk that was never written takes no
// bytes of a netCDF-4 file, so the file's size alone bounds nothing.
const (
	// maxPoints of one slice or coordinate: five times the finest mosaic of
	// radars over the United States (7000 x 3500), and more than a full disk of
	// the GOES imager at 1 km (10848 x 10848).
	maxPoints = 1 << 27
	// maxInflation: deflate makes at most 1032 bytes of one (zlib documentation,
	// "Maximum Compression Factor"); rounded up, plus an allowance for chunks
	// that were never written.
	maxInflation   = 1100
	spareInflation = 16 << 20
	// maxChunkBytes of one inflated chunk, which the library holds whole.
	maxChunkBytes = 256 << 20
	// stripPoints are read at once where values must be converted.
	stripPoints = 1 << 20
)

// readable checks a claim of points against the ceilings.
func (f *File) readable(v *variable, points uint64) error {
	if points > maxPoints {
		return f.error(ingest.ErrUnsupported, "%s: %d points in one slice, the ceiling is %d", v.name, points, maxPoints)
	}
	if bytes := points * typeSize(v.kind); bytes > spareInflation+maxInflation*uint64(f.size) {
		return f.error(ingest.ErrCorrupt, "%s: %d bytes in one slice cannot come of a file of %d", v.name, bytes, f.size)
	}
	chunk := typeSize(v.kind)
	for _, n := range v.chunks {
		high, low := bits.Mul64(chunk, n)
		if high != 0 || low > maxChunkBytes {
			return f.error(ingest.ErrUnsupported, "%s: chunks of %v values, the ceiling is %d bytes", v.name, v.chunks, maxChunkBytes)
		}
		chunk = low
	}
	return nil
}

// tuneCache gives a variable whose chunks reach over several slices room for all
// chunks that one slice needs, so that reading slice after slice inflates each
// chunk once. 16 MiB is the library's default.
func (f *File) tuneCache(v *variable, start, count []uint64) {
	if v.chunks == nil || v.cacheTuned {
		return
	}
	v.cacheTuned = true
	deep := false
	chunks, bytes := uint64(1), typeSize(v.kind)
	for i, n := range v.chunks {
		if n == 0 {
			return
		}
		deep = deep || count[i] == 1 && n > 1 && v.dims[i].length > 1
		chunks *= (start[i]+count[i]-1)/n - start[i]/n + 1
		bytes *= n
	}
	const defaultCache, largestCache = 16 << 20, 128 << 20
	if need := chunks * bytes; deep && need > defaultCache && need <= largestCache {
		// On failure the default stays, which is only slower.
		_ = libraryChunkCache(v.group, v.id, need)
	}
}

// slab reads a box of stored numbers into dst, whose type must be that of the
// variable.
func slab[T number](v *variable, dst []T, start, count []uint64) error {
	if len(dst) == 0 {
		return nil
	}
	scalar := len(start) == 0
	switch d := any(dst).(type) {
	case []int8:
		if scalar {
			return v.in.ReadInt8s(d)
		}
		return v.in.ReadInt8Slice(d, start, count)
	case []uint8:
		if scalar {
			return v.in.ReadUint8s(d)
		}
		return v.in.ReadUint8Slice(d, start, count)
	case []int16:
		if scalar {
			return v.in.ReadInt16s(d)
		}
		return v.in.ReadInt16Slice(d, start, count)
	case []uint16:
		if scalar {
			return v.in.ReadUint16s(d)
		}
		return v.in.ReadUint16Slice(d, start, count)
	case []int32:
		if scalar {
			return v.in.ReadInt32s(d)
		}
		return v.in.ReadInt32Slice(d, start, count)
	case []uint32:
		if scalar {
			return v.in.ReadUint32s(d)
		}
		return v.in.ReadUint32Slice(d, start, count)
	case []int64:
		if scalar {
			return v.in.ReadInt64s(d)
		}
		return v.in.ReadInt64Slice(d, start, count)
	case []uint64:
		if scalar {
			return v.in.ReadUint64s(d)
		}
		return v.in.ReadUint64Slice(d, start, count)
	case []float32:
		if scalar {
			return v.in.ReadFloat32s(d)
		}
		return v.in.ReadFloat32Slice(d, start, count)
	case []float64:
		if scalar {
			return v.in.ReadFloat64s(d)
		}
		return v.in.ReadFloat64Slice(d, start, count)
	}
	return fmt.Errorf("no reader for %T", dst)
}

// read32 reads a box of unpacked values, in file order. It runs on the library's
// thread and looks at the context between strips.
func (f *File) read32(ctx context.Context, v *variable, start, count []uint64) ([]float32, error) {
	points := product(count)
	if err := f.readable(v, points); err != nil || points == 0 {
		return nil, err
	}
	f.tuneCache(v, start, count)
	dst := make([]float32, points)
	if v.kind == netcdf.FLOAT {
		if err := slab(v, dst, start, count); err != nil {
			return nil, f.libraryFailed(v.name, err)
		}
		unpackTo32(dst, dst, &v.unpack)
		return dst, nil
	}
	var scratch any // stored numbers of one strip
	err := f.strips(ctx, v, start, count, func(at uint64, start, count []uint64, points uint64) error {
		part := dst[at : at+points]
		switch v.kind {
		case netcdf.BYTE:
			return strip32[int8](v, part, &scratch, start, count)
		case netcdf.UBYTE:
			return strip32[uint8](v, part, &scratch, start, count)
		case netcdf.SHORT:
			return strip32[int16](v, part, &scratch, start, count)
		case netcdf.USHORT:
			return strip32[uint16](v, part, &scratch, start, count)
		case netcdf.INT:
			return strip32[int32](v, part, &scratch, start, count)
		case netcdf.UINT:
			return strip32[uint32](v, part, &scratch, start, count)
		case netcdf.INT64:
			return strip32[int64](v, part, &scratch, start, count)
		case netcdf.UINT64:
			return strip32[uint64](v, part, &scratch, start, count)
		case netcdf.DOUBLE:
			return strip32[float64](v, part, &scratch, start, count)
		}
		return f.error(ingest.ErrUnsupported, "%s: values of %s", v.name, typeName(v.kind))
	})
	return dst, err
}

// read64 is read32 in double precision, for coordinates.
func (f *File) read64(ctx context.Context, v *variable, start, count []uint64) ([]float64, error) {
	points := product(count)
	if err := f.readable(v, points); err != nil || points == 0 {
		return nil, err
	}
	dst := make([]float64, points)
	err := f.strips(ctx, v, start, count, func(at uint64, start, count []uint64, points uint64) error {
		part := dst[at : at+points]
		switch v.kind {
		case netcdf.BYTE:
			return strip64[int8](v, part, start, count)
		case netcdf.UBYTE:
			return strip64[uint8](v, part, start, count)
		case netcdf.SHORT:
			return strip64[int16](v, part, start, count)
		case netcdf.USHORT:
			return strip64[uint16](v, part, start, count)
		case netcdf.INT:
			return strip64[int32](v, part, start, count)
		case netcdf.UINT:
			return strip64[uint32](v, part, start, count)
		case netcdf.INT64:
			return strip64[int64](v, part, start, count)
		case netcdf.UINT64:
			return strip64[uint64](v, part, start, count)
		case netcdf.FLOAT:
			return strip64[float32](v, part, start, count)
		case netcdf.DOUBLE:
			return strip64[float64](v, part, start, count)
		}
		return f.error(ingest.ErrUnsupported, "%s: values of %s", v.name, typeName(v.kind))
	})
	return dst, err
}

func strip32[T number](v *variable, dst []float32, scratch *any, start, count []uint64) error {
	stored, _ := (*scratch).([]T)
	if len(stored) < len(dst) {
		stored = make([]T, len(dst))
		*scratch = stored
	}
	stored = stored[:len(dst)]
	if err := slab(v, stored, start, count); err != nil {
		return err
	}
	unpackTo32(dst, stored, &v.unpack)
	return nil
}

func strip64[T number](v *variable, dst []float64, start, count []uint64) error {
	stored := make([]T, len(dst))
	if err := slab(v, stored, start, count); err != nil {
		return err
	}
	unpackTo64(dst, stored, &v.unpack)
	return nil
}

// strips cuts a box along its first dimension of more than one index, at chunk
// borders, into parts of about stripPoints.
func (f *File) strips(ctx context.Context, v *variable, start, count []uint64, part func(at uint64, start, count []uint64, points uint64) error) error {
	axis := 0
	for axis < len(count) && count[axis] == 1 {
		axis++
	}
	whole := product(count)
	if axis == len(count) || whole <= stripPoints {
		return f.libraryFailed(v.name, part(0, start, count, whole))
	}
	each := whole / count[axis]
	step := max(1, stripPoints/each)
	if v.chunks != nil {
		chunk := max(1, v.chunks[axis])
		step = (step + chunk - 1) / chunk * chunk
	}
	partStart, partCount := append([]uint64(nil), start...), append([]uint64(nil), count...)
	for done := uint64(0); done < count[axis]; {
		if err := ctx.Err(); err != nil {
			return err
		}
		n := min(step, count[axis]-done)
		if v.chunks != nil { // end on a chunk border
			if over := (start[axis] + done + n) % max(1, v.chunks[axis]); done+n < count[axis] && over < n {
				n -= over
			}
		}
		partStart[axis], partCount[axis] = start[axis]+done, n
		if err := part(done*each, partStart, partCount, n*each); err != nil {
			return f.libraryFailed(v.name, err)
		}
		done += n
	}
	return nil
}

// wholeOf gives start and count of all of a variable.
func wholeOf(v *variable) (start, count []uint64) {
	start, count = make([]uint64, len(v.dims)), make([]uint64, len(v.dims))
	for i, d := range v.dims {
		count[i] = d.length
	}
	return start, count
}

// product of lengths whose product is known to be countable.
func product(count []uint64) uint64 {
	n := uint64(1)
	for _, c := range count {
		n *= c
	}
	return n
}
