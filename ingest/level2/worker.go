package level2

import (
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

// read unfolds a piece and reads its messages, whose gates stay where they are.
func (w *worker) read(p *piece) *record {
	if !p.compressed {
		return readMessages(p.place, p.bytes)
	}
	limit := int(min(int64(maxRecordBytes), w.budget.left.Load()))
	inflated, err := w.inflater.inflate(w.scratch[:0], p.bytes, max(limit, 0))
	w.scratch = inflated
	w.budget.left.Add(-int64(len(inflated)))
	// What unfolds is copied once, so that no more is kept than there is.
	kept := make([]byte, len(inflated))
	copy(kept, inflated)
	r := readMessages(p.place, kept)
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
