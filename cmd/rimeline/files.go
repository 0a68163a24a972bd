package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/sounding"
)

const (
	// headBytes is how much of a file is looked at to tell its kind.
	headBytes = 64 << 10
	// maxFileBytes bounds what is held of one file. Files of netCDF that are not
	// compressed are read in place and may be larger.
	maxFileBytes = 4 << 30
	// maxUnfoldedBytes bounds what a compressed file may unfold to: ten times the
	// largest that public stores serve compressed.
	maxUnfoldedBytes = 1 << 30
)

// inputFile is a file whose beginning has been read.
type inputFile struct {
	path string
	// inPlace: the bytes of path are the content itself, not compressed.
	inPlace bool
	head    []byte
	file    *os.File // nil for what came over the network
	size    int64
	bytes   []byte // of a compressed file, or of the network
	// reference is about when it was made, zero where unknown.
	reference time.Time
	// err is what went wrong while unfolding it; bytes hold what came before.
	err error
}

// openInput opens a file and undoes gzip.
func openInput(path string) (*inputFile, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, plainPathError(err)
	}
	if !info.Mode().IsRegular() {
		if info.IsDir() {
			return nil, fmt.Errorf("%s: is a directory", path)
		}
		return nil, fmt.Errorf("%s: is not a regular file", path)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, plainPathError(err)
	}
	in := &inputFile{path: path, inPlace: true, file: file, size: info.Size()}
	in.head = make([]byte, min(in.size, headBytes))
	if _, err := io.ReadFull(file, in.head); err != nil {
		file.Close()
		return nil, plainPathError(err)
	}
	if bytes.HasPrefix(in.head, []byte{0x1f, 0x8b}) {
		in.gunzip(file, maxUnfoldedBytes)
	}
	return in, nil
}

// gunzip unfolds the whole file, of any number of gzip members (RFC 1952), up
// to a ceiling. What came before an error is kept.
func (in *inputFile) gunzip(folded io.ReadSeeker, ceiling int64) {
	in.inPlace, in.head = false, nil
	fail := func(at int, reason error, format string, arguments ...any) {
		in.err = &ingest.FormatError{File: in.path, Offset: int64(at), Detail: fmt.Sprintf(format, arguments...), Err: reason}
	}
	if _, err := folded.Seek(0, io.SeekStart); err != nil {
		fail(0, err, "gzip")
		return
	}
	reader, err := gzip.NewReader(folded)
	if err != nil {
		fail(0, ingest.ErrCorrupt, "gzip: %v", err)
		return
	}
	var unfolded bytes.Buffer
	n, err := io.Copy(&unfolded, io.LimitReader(reader, ceiling+1))
	in.bytes = unfolded.Bytes()
	switch {
	case n > ceiling:
		in.bytes = nil
		fail(0, ingest.ErrUnsupported, "gzip unfolds to more than %d bytes", ceiling)
	case errors.Is(err, io.ErrUnexpectedEOF):
		fail(int(n), ingest.ErrTruncated, "gzip ends early")
	case err != nil:
		fail(int(n), ingest.ErrCorrupt, "gzip: %v", err)
	}
	in.head = in.bytes[:min(len(in.bytes), headBytes)]
}

// all gives the whole content.
func (in *inputFile) all() ([]byte, error) {
	if !in.inPlace {
		return in.bytes, nil
	}
	if in.size > maxFileBytes {
		return nil, fmt.Errorf("%s: has %d bytes, at most %d are read", in.path, in.size, maxFileBytes)
	}
	b := make([]byte, in.size)
	if _, err := in.file.ReadAt(b, 0); err != nil && err != io.EOF {
		return nil, plainPathError(err)
	}
	return b, nil
}

func (in *inputFile) close() {
	if in.file != nil {
		in.file.Close()
	}
}

// fieldOptions limit what is decoded of a field.
type fieldOptions struct {
	Window *grid.Window // nil: the whole grid
	Values []float32    // memory to decode into, where the format can
}

// contents is what was found in a file. Values are decoded when asked for, one
// field at a time.
type contents struct {
	// kind is that of the source, but for what only the opened file tells.
	kind string
	// headers are the fields without values; field decodes headers[k].
	headers []grid.Field
	field   func(ctx context.Context, k int, o fieldOptions) (*grid.Field, error)
	// netcdf is the open file, nil for other kinds.
	netcdf *cfgrid.File
	// wrf is set for output of the WRF model, whose raw fields are no atmosphere.
	wrf wrfReader
	// soundings is nil where the kind has none.
	soundings iter.Seq2[sounding.Report, error]
	// volume is nil where the kind is no radar volume.
	volume *grid.Volume
	// err is what could not be read beside the rest.
	err error
	// release frees what the decoder holds.
	release func()
}

func (c *contents) close() {
	if c.release != nil {
		c.release()
	}
}

// errUnknownKind names the kinds that there are.
var errUnknownKind = errors.New("not a kind of file that this program reads (GRIB, BUFR, netCDF with CfRadial volumes, NEXRAD Level II, or soundings as text, CSV, JSON or IGRA zip)")

// openContents finds out what a file is and what it holds. Contents are returned
// beside an error where the kind could be told; close them in any case.
func openContents(env *environment, path string) (*contents, error) {
	in, err := openInput(path)
	if err != nil {
		return &contents{kind: kindUnknown}, err
	}
	defer in.close()
	return in.contents(env)
}

// openBytes is openContents for what came over the network; gzip is undone.
// reference is about when it was made, for bulletins that name only the day of
// the month.
func openBytes(env *environment, name string, b []byte, reference time.Time) (*contents, error) {
	in := &inputFile{path: name, bytes: b, head: b[:min(len(b), headBytes)], reference: reference}
	if bytes.HasPrefix(in.head, []byte{0x1f, 0x8b}) {
		in.gunzip(bytes.NewReader(b), maxUnfoldedBytes)
	}
	return in.contents(env)
}

func (in *inputFile) contents(env *environment) (*contents, error) {
	if len(in.head) == 0 {
		if in.err == nil {
			in.err = &ingest.FormatError{File: in.path, Detail: "the file is empty", Err: ingest.ErrTruncated}
		}
		return &contents{kind: kindUnknown}, in.err
	}
	for _, source := range sources {
		if source.sniff(in.head) {
			found, err := source.open(env, in)
			if found == nil {
				found = &contents{}
			}
			if found.kind == "" {
				found.kind = source.kind
			}
			found.err = joinErrors(found.err, in.err)
			return found, err
		}
	}
	return &contents{kind: kindUnknown}, joinErrors(&ingest.FormatError{File: in.path, Detail: errUnknownKind.Error(), Err: ingest.ErrUnsupported}, in.err)
}

func joinErrors(errs ...error) error {
	var present []error
	for _, err := range errs {
		if err != nil {
			present = append(present, err)
		}
	}
	if len(present) == 1 {
		return present[0]
	}
	return errors.Join(present...)
}

// oneLine prints an error, which may be several joined, on one line.
func oneLine(err error) string {
	return string(bytes.ReplaceAll([]byte(err.Error()), []byte("\n"), []byte("; ")))
}

// known is nil for NaN and infinities, which JSON does not have.
func known(value float64) *float64 {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return nil
	}
	return &value
}
