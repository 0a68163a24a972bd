package grib

import "math"

// Spatial differencing (template 5.3) keeps first or second differences, less
// the smallest of them: each value needs the sum up to it, so nothing can be
// left out before the last value wanted, but the scaling can.

// emit undoes the differences of a chunk, scales it, and hands on what of it is
// wanted.
func (d *complexDecoding) emit(chunk []int32, out *spanWriter) {
	for d.seen < int(d.order) && len(chunk) > 0 {
		d.emitFirst(chunk[0] == absent, out)
		chunk = chunk[1:]
	}
	if len(chunk) == 0 {
		return
	}
	from := d.done
	d.done += len(chunk)
	if !out.touches(from, d.done) {
		d.sum(chunk)
		return
	}
	if direct := out.direct(from, d.done); direct != nil {
		d.convert(direct, chunk)
		return
	}
	converted := d.scratch.converted[:len(chunk)]
	d.convert(converted, chunk)
	out.put(from, converted)
}

// emitFirst hands on one value before the differences begin: the stored first
// values stand in place of the first that are not missing.
func (d *complexDecoding) emitFirst(missing bool, out *spanWriter) {
	v := float32(math.NaN())
	if !missing {
		x := d.first[d.seen]
		d.slope, d.last = x-d.last, x
		d.seen++
		v = d.table.value(x)
	}
	out.put(d.done, []float32{v})
	d.done++
}

// sum undoes the differences without keeping the values.
func (d *complexDecoding) sum(chunk []int32) {
	last, slope := d.last, d.slope
	switch {
	case d.order == 1:
		for _, x := range chunk {
			if x != absent {
				last += int64(x)
			}
		}
	case d.order == 2:
		for _, x := range chunk {
			if x != absent {
				slope += int64(x)
				last += slope
			}
		}
	}
	d.last, d.slope = last, slope
}

// convert undoes the differences and scales, by table where the numbers allow.
func (d *complexDecoding) convert(dst []float32, chunk []int32) {
	if d.missingManagement != 0 {
		d.convertSparse(dst, chunk)
		return
	}
	for {
		met := d.convertByTable(dst, chunk)
		if met < uint64(len(d.table.values)) {
			return
		}
		if !d.table.reach(met) {
			break
		}
	}
	last, slope, s := d.last, d.slope, d.table.scaling
	dst = dst[:len(chunk)]
	switch d.order {
	case 0:
		for i, x := range chunk {
			dst[i] = s.value(int64(x))
		}
	case 1:
		for i, x := range chunk {
			last += int64(x)
			dst[i] = s.value(last)
		}
	default:
		for i, x := range chunk {
			slope += int64(x)
			last += slope
			dst[i] = s.value(last)
		}
	}
	d.last, d.slope = last, slope
}

// convertByTable gives all bits met in the numbers. Where they are beyond the
// table, dst is not right and the state of the sum is as before.
func (d *complexDecoding) convertByTable(dst []float32, chunk []int32) (met uint64) {
	table := d.table.values
	if len(table) == 0 {
		return 0
	}
	last, slope, mask := d.last, d.slope, uint64(len(table)-1)
	dst = dst[:len(chunk)]
	switch d.order {
	case 0:
		for i, x := range chunk {
			met |= uint64(int64(x))
			dst[i] = table[uint64(x)&mask]
		}
	case 1:
		for i, x := range chunk {
			last += int64(x)
			met |= uint64(last)
			dst[i] = table[uint64(last)&mask]
		}
	default:
		for i, x := range chunk {
			slope += int64(x)
			last += slope
			met |= uint64(last)
			dst[i] = table[uint64(last)&mask]
		}
	}
	if met <= mask {
		d.last, d.slope = last, slope
	}
	return met
}

// convertSparse is convert for chunks with missing values.
func (d *complexDecoding) convertSparse(dst []float32, chunk []int32) {
	missing := float32(math.NaN())
	for i, x := range chunk {
		if x == absent {
			dst[i] = missing
			continue
		}
		dst[i] = d.table.value(d.next(int64(x)))
	}
}

// next undoes one difference.
func (d *complexDecoding) next(x int64) int64 {
	switch d.order {
	case 0:
		return x
	case 1:
		d.last += x
	default:
		d.slope += x
		d.last += d.slope
	}
	return d.last
}
