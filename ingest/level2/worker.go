package level2

import (
	"encoding/binary"
	"errors"
	"io"
	"runtime"
	"sync/atomic"

	"rimeline/ingest"
)

func defaultWorkers() int { return runtime.GOMAXPROCS(0) }

// budget bounds what all records of a volume unfold to.
type budget struct{ left atomic.Int64 }

func newBudget(n int64) *budget {
	b := &budget{}
	b.left.Store(n)
	return b
}

// worker reads one record after the other with the same memory.
type worker struct {
	inflater inflater
	budget   *budget
	scratch  []byte
}

func newWorker(o Options, budget *budget) *worker {
	w := &worker{inflater: &fastInflater{}, budget: budget}
	if o.Standard {
		w.inflater = stdInflater{}
	}
	return w
}

// read unfolds a piece and reads its messages. Of what is not compressed the
// gates stay where they are.
func (w *worker) read(p *piece) *record {
	if !p.compressed {
		return readMessages(p.place, p.bytes)
	}
	limit := int(min(int64(maxRecordBytes), w.budget.left.Load()))
	inflated, err := w.inflater.inflate(w.scratch[:0], p.bytes, max(limit, 0))
	w.scratch = inflated
	w.budget.left.Add(-int64(len(inflated)))
	r := readMessages(p.place, inflated)
	r.keepGates()
	if err != nil {
		reason := ingest.ErrCorrupt
		switch {
		case errors.Is(err, errTooMuch):
			reason = ingest.ErrUnsupported
		case errors.Is(err, io.ErrUnexpectedEOF):
			reason = ingest.ErrTruncated
		}
		// The messages were cut where the stream was: only that is told.
		if reason == ingest.ErrCorrupt {
			// The checksum comes after the bytes, so none of them can be believed.
			r.radials, r.metadata = nil, metadata{}
		}
		r.errs = []error{formatError(p.place, reason, "bzip2 stream, after %d bytes: %v", len(inflated), err)}
		r.damaged = true
	}
	return r
}

// keepGates copies the gates out of memory that is used again, without the zeros
// at the end of each radial.
func (r *record) keepGates() {
	r.size = 0
	for k := range r.radials {
		moments := r.radials[k].moments
		for j := range moments {
			m := &moments[j]
			word := m.wordBits / 8
			n := (len(m.raw) - zerosBehind(m.raw) + word - 1) / word * word
			m.raw, m.zeroGates = m.raw[:n], (len(m.raw)-n)/word
			r.size += n
		}
	}
	kept := make([]byte, 0, r.size)
	for k := range r.radials {
		moments := r.radials[k].moments
		for j := range moments {
			at := len(kept)
			kept = append(kept, moments[j].raw...)
			moments[j].raw = kept[at:len(kept):len(kept)]
		}
	}
}

// zerosBehind counts the bytes at the end that are 0.
func zerosBehind(b []byte) int {
	n := len(b)
	for n >= 32 {
		four := (*[32]byte)(b[n-32 : n])
		if binary.NativeEndian.Uint64(four[:8])|binary.NativeEndian.Uint64(four[8:16])|binary.NativeEndian.Uint64(four[16:24])|binary.NativeEndian.Uint64(four[24:]) != 0 {
			break
		}
		n -= 32
	}
	for n >= 8 && binary.NativeEndian.Uint64(b[n-8:]) == 0 {
		n -= 8
	}
	for n > 0 && b[n-1] == 0 {
		n--
	}
	return len(b) - n
}
