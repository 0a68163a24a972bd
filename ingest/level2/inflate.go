package level2

import (
	"bytes"
	stdbzip2 "compress/bzip2"
	"errors"
	"fmt"
	"io"

	"github.com/dsnet/compress/bzip2"
)

// inflater undoes one bzip2 stream. One worker keeps one inflater, whose memory
// is used again for each record.
type inflater interface {
	// inflate appends to dst what src unfolds to. It stops with errTooMuch at
	// limit bytes, and never allocates more.
	inflate(dst, src []byte, limit int) ([]byte, error)
}

var errTooMuch = errors.New("unfolds to too much")

// fastInflater uses the fast reader, and what it refuses it gives to the one of
// the standard library before it believes that the stream is damaged.
type fastInflater struct {
	source bytes.Reader
	reader *bzip2.Reader
}

func (f *fastInflater) inflate(dst, src []byte, limit int) ([]byte, error) {
	out, err := f.fast(dst, src, limit)
	if err == nil || errors.Is(err, errTooMuch) {
		return out, err
	}
	if again, stdErr := (stdInflater{}).inflate(dst, src, limit); stdErr == nil {
		return again, nil
	}
	return out, err
}

// fast takes a panic of the reader, of which none is known, for a damaged stream.
func (f *fastInflater) fast(dst, src []byte, limit int) (out []byte, err error) {
	defer func() {
		if caught := recover(); caught != nil {
			f.reader, out, err = nil, dst, fmt.Errorf("bzip2: %v", caught)
		}
	}()
	f.source.Reset(src)
	if f.reader == nil {
		f.reader, err = bzip2.NewReader(&f.source, nil)
	} else {
		err = f.reader.Reset(&f.source)
	}
	if err != nil {
		return dst, err
	}
	return readUpTo(dst, f.reader, limit)
}

// stdInflater is the reader of the standard library, about half as fast.
type stdInflater struct{}

func (stdInflater) inflate(dst, src []byte, limit int) ([]byte, error) {
	return readUpTo(dst, stdbzip2.NewReader(bytes.NewReader(src)), limit)
}

func readUpTo(dst []byte, reader io.Reader, limit int) ([]byte, error) {
	start := len(dst)
	for {
		if len(dst) == cap(dst) {
			grown := make([]byte, len(dst), min(max(2*cap(dst), 64<<10), start+limit+1))
			copy(grown, dst)
			dst = grown
		}
		room := dst[len(dst):min(cap(dst), start+limit+1)]
		n, err := reader.Read(room)
		dst = dst[:len(dst)+n]
		switch {
		case len(dst)-start > limit:
			return dst[:start+limit], errTooMuch
		case err == io.EOF:
			return dst, nil
		case err != nil:
			return dst, err
		}
	}
}
