package level2

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"path/filepath"
	"strings"
	"sync"

	"rimeline/grid"
	"rimeline/ingest"
)

// Options of decoding; the zero value is for most.
type Options struct {
	// Workers is how many records are unfolded at once; 0 for one a processor.
	Workers int
	// OnSweep, where not nil, gets each sweep as soon as its last radial is
	// there, in order, while later records are still being unfolded. Return
	// false to stop: the volume then ends with that sweep and is not complete.
	OnSweep func(*grid.Sweep) bool
	// Standard uses the bzip2 reader of the standard library alone.
	Standard bool
}

// Decode reads a file of one volume, as archived or as far as it has come. A
// gzip wrapping is undone. The volume keeps parts of b, which must not change.
//
// What is damaged is left out and told in the error, of which each part is an
// *ingest.FormatError; the volume beside it holds the rest. It is nil where
// nothing could be read. Offset in an error is that of the record in b without
// its gzip wrapping.
func Decode(ctx context.Context, file string, b []byte, o Options) (*grid.Volume, error) {
	b, gzipErr := gunzip(file, b)
	if len(b) == 0 && gzipErr != nil {
		return nil, gzipErr
	}
	var errs errorList
	if gzipErr != nil {
		errs.add(gzipErr)
	}
	builder := newVolumeBuilder(file)
	builder.done = o.OnSweep
	at := 0
	switch {
	case len(b) == 0:
		return nil, &ingest.FormatError{File: file, Detail: "the file is empty", Err: ingest.ErrTruncated}
	case hasVolumeHeader(b):
		header, err := readVolumeHeader(place{file: file}, b)
		if err != nil {
			return nil, err
		}
		builder.header, at = header, volumeHeaderBytes
	case !isRecord(b):
		return nil, &ingest.FormatError{File: file, Detail: "begins with neither a volume header nor a bzip2 record", Err: ingest.ErrCorrupt}
	}
	pieces, splitErrs := splitRecords(file, b, at)
	errs.add(splitErrs...)
	builder.damaged = len(errs.errs) > 0
	err := readPieces(ctx, pieces, o, func(r *record) bool {
		errs.add(r.errs...)
		builder.add(r)
		return !builder.stop
	})
	if err != nil {
		return nil, err
	}
	stopped := builder.stop
	if builder.header.icao == "" && builder.volume.Radar == "" {
		builder.header.icao = radarOfName(file)
		if builder.header.icao != "" {
			builder.note("the radar is named by the file name only")
		}
	}
	volume := builder.finish()
	if stopped {
		volume.Complete = false
	}
	if len(pieces) == 0 && len(errs.errs) == 0 {
		errs.add(&ingest.FormatError{File: file, Offset: int64(len(b)), Detail: "there is nothing after the volume header", Err: ingest.ErrTruncated})
	}
	if len(volume.Sweeps) == 0 && len(errs.errs) > 0 {
		volume = nil
	}
	return volume, errs.join()
}

// radarOfName takes the radar from a name such as KTLX19910605_162126.gz, where
// it is a known one.
func radarOfName(file string) string {
	name := path.Base(filepath.ToSlash(file))
	if len(name) < 12 || strings.Trim(name[4:12], "0123456789") != "" {
		return ""
	}
	if _, ok := StationOf(name[:4]); !ok {
		return ""
	}
	return name[:4]
}

func (l *errorList) join() error {
	if l.more > 0 {
		l.errs = append(l.errs, fmt.Errorf("and %d errors more", l.more))
		l.more = 0
	}
	if len(l.errs) == 1 {
		return l.errs[0]
	}
	return errors.Join(l.errs...)
}

// gunzip undoes a gzip wrapping where there is one. What came before an error
// is kept.
func gunzip(file string, b []byte) ([]byte, error) {
	if !bytes.HasPrefix(b, []byte{0x1f, 0x8b}) {
		return b, nil
	}
	reader, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return nil, &ingest.FormatError{File: file, Detail: fmt.Sprintf("gzip: %v", err), Err: ingest.ErrCorrupt}
	}
	unfolded, err := readUpTo(nil, reader, maxInflatedBytes)
	switch {
	case errors.Is(err, errTooMuch):
		err = &ingest.FormatError{File: file, Detail: fmt.Sprintf("gzip unfolds to more than %d bytes", maxInflatedBytes), Err: ingest.ErrUnsupported}
		unfolded = nil
	case errors.Is(err, io.ErrUnexpectedEOF):
		err = &ingest.FormatError{File: file, Offset: int64(len(unfolded)), Detail: "gzip ends early", Err: ingest.ErrTruncated}
	case err != nil:
		err = &ingest.FormatError{File: file, Offset: int64(len(unfolded)), Detail: fmt.Sprintf("gzip: %v", err), Err: ingest.ErrCorrupt}
	}
	return unfolded, err
}

// readPieces unfolds and reads the pieces with several workers and hands the
// records on in their order, on the goroutine of the caller. It returns an
// error only where ctx has ended.
func readPieces(ctx context.Context, pieces []piece, o Options, take func(*record) bool) error {
	budget := newBudget(maxInflatedBytes)
	workers := o.Workers
	if workers <= 0 {
		workers = defaultWorkers()
	}
	workers = min(workers, len(pieces))
	if workers <= 1 {
		w := newWorker(o, budget)
		for k := range pieces {
			if err := ctx.Err(); err != nil {
				return err
			}
			if !take(w.read(&pieces[k])) {
				return nil
			}
		}
		return ctx.Err()
	}
	ctx, cancel := context.WithCancel(ctx)
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	// A worker may be this many records ahead of the one that is handed on.
	ahead := 4 * workers
	results := make([]chan *record, len(pieces))
	for k := range results {
		results[k] = make(chan *record, 1)
	}
	next := make(chan int, ahead)
	for k := range min(ahead, len(pieces)) {
		next <- k
	}
	for range workers {
		group.Go(func() {
			w := newWorker(o, budget)
			for {
				select {
				case <-ctx.Done():
					return
				case k, ok := <-next:
					if !ok || ctx.Err() != nil {
						return
					}
					results[k] <- w.read(&pieces[k])
				}
			}
		})
	}
	defer close(next)
	for k := range pieces {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case r := <-results[k]:
			if k+ahead < len(pieces) {
				next <- k + ahead
			}
			if !take(r) {
				return nil
			}
		}
	}
	return nil
}
