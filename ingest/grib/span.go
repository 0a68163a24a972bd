package grib

// span says which of a field's packed values are wanted: rows stretches of
// width values, the first from value first on, each next one line further.
// In the target they follow each other without gaps.
type span struct{ first, line, width, rows int }

// wholeSpan wants the values from first to before end.
func wholeSpan(first, end int) span {
	return span{first: first, line: max(end-first, 1), width: end - first, rows: 1}
}

// end is one past the last value wanted.
func (s span) end() int {
	if s.rows == 0 || s.width == 0 {
		return s.first
	}
	return s.first + (s.rows-1)*s.line + s.width
}

// spanWriter sorts consecutive stretches of decoded values into the target.
type spanWriter struct {
	span
	dst []float32
}

// complete says whether nothing is wanted from value next on.
func (w *spanWriter) complete(next int) bool { return next >= w.end() }

// touches says whether any of the values from to before end may be wanted.
func (w *spanWriter) touches(from, end int) bool { return end > w.first && from < w.end() }

// direct is the target of the values from to before end where all are wanted
// and lie together, else nil.
func (w *spanWriter) direct(from, end int) []float32 {
	if w.rows != 1 || from < w.first || end > w.first+w.width {
		return nil
	}
	return w.dst[from-w.first : end-w.first]
}

// put copies what is wanted of the values that begin with number from.
func (w *spanWriter) put(from int, values []float32) {
	end := from + len(values)
	row := max(0, (from-w.first)/w.line)
	for ; row < w.rows; row++ {
		start := w.first + row*w.line
		if start >= end {
			return
		}
		low, high := max(start, from), min(start+w.width, end)
		if low < high {
			copy(w.dst[row*w.width+low-start:], values[low-from:high-from])
		}
	}
}
