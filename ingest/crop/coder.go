package crop

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"

	"github.com/klauspost/compress/zstd"

	"rimeline/grid"
	"rimeline/ingest"
)

// coder goes through a crop in one fixed order and writes it, or reads it: one
// description (describe.go) serves both ways, so that they cannot drift apart.
// After the first error it does nothing more.
type coder struct {
	writing bool
	// version of the file's layout.
	version int
	err     error
	// where is the part of the crop that is gone through, for errors.
	where string

	meta []byte // written so far; or all that is read, from at on
	at   int
	// total is how many bytes the arrays have, as values.
	total int64

	grids     []*grid.Grid
	gridOf    map[*grid.Grid]int // writing only
	packings  []*grid.Packing
	packingOf map[packingKey]int // writing only
	scratch   []byte

	// Writing: the block that is being filled, and the sections before it.
	encoder  *zstd.Encoder
	block    []byte
	sections []section
	stored   []byte
	// Reading: the file, the sections not yet used, what is left of the present
	// one, and how much the arrays have left in all.
	decoder *zstd.Decoder
	name    string
	file_   []byte
	first   section
	left    []section
	present []byte
	rawLeft int64
	texts   map[string]string
}

func newWriter() *coder {
	return &coder{writing: true, version: 1, encoder: encoders.Get().(*zstd.Encoder), gridOf: make(map[*grid.Grid]int), block: make([]byte, 0, blockBytes)}
}

func newReader(name string, b []byte) (*coder, error) {
	version, sections, err := readDirectory(name, b)
	if err != nil {
		return nil, err
	}
	c := &coder{version: version, name: name, file_: b, first: sections[0], left: sections[1:], decoder: decoders.Get().(*zstd.Decoder), texts: make(map[string]string)}
	for _, s := range c.left {
		c.rawLeft += int64(s.raw)
	}
	if c.meta, err = inflate(c.decoder, b, c.first, make([]byte, 0, c.first.raw)); err != nil {
		c.release()
		return nil, &ingest.FormatError{File: name, Offset: int64(c.first.offset), Detail: "section META: " + err.Error(), Err: ingest.ErrCorrupt}
	}
	return c, nil
}

func (c *coder) release() {
	if c.encoder != nil {
		encoders.Put(c.encoder)
		c.encoder = nil
	}
	if c.decoder != nil {
		decoders.Put(c.decoder)
		c.decoder = nil
	}
}

// fail keeps the first error.
func (c *coder) fail(format string, args ...any) {
	if c.err != nil {
		return
	}
	detail := fmt.Sprintf(format, args...)
	if c.where != "" {
		detail = c.where + ": " + detail
	}
	if c.writing {
		c.err = errors.New("crop: " + detail)
		return
	}
	c.err = &ingest.FormatError{File: c.name, Offset: int64(c.first.offset), Detail: fmt.Sprintf("META byte %d: %s", c.at, detail), Err: ingest.ErrCorrupt}
}

// file closes what was written.
func (c *coder) file() ([]byte, error) {
	if c.err == nil && len(c.meta) > MaxMetaBytes {
		c.fail("%d bytes beside the arrays, at most %d", len(c.meta), MaxMetaBytes)
	}
	if c.err != nil {
		return nil, c.err
	}
	c.flush()
	meta := c.encoder.EncodeAll(c.meta, nil)
	directory := append([]section{{kindMeta, uint32(len(meta)), uint32(len(c.meta)), crc32.Checksum(meta, castagnoli), 0}}, c.sections...)
	return writeFile(c.version, directory, append(meta, c.stored...)), nil
}

// finish says what went wrong, or was left over, in reading.
func (c *coder) finish() error {
	if c.err == nil {
		c.where = ""
		if c.at != len(c.meta) {
			c.fail("%d bytes left over", len(c.meta)-c.at)
		}
		if c.rawLeft != 0 {
			c.fail("%d bytes of arrays left over", c.rawLeft)
		}
	}
	return c.err
}

// take gives the next n bytes of META, nil where there are not as many.
func (c *coder) take(n int) []byte {
	if c.err != nil {
		return nil
	}
	if len(c.meta)-c.at < n {
		c.fail("%d bytes needed, %d left", n, len(c.meta)-c.at)
		return nil
	}
	c.at += n
	return c.meta[c.at-n : c.at]
}

func (c *coder) count(n *uint64) {
	if c.writing {
		c.meta = binary.AppendUvarint(c.meta, *n)
		return
	}
	*n = 0
	if c.err != nil {
		return
	}
	value, bytes := binary.Uvarint(c.meta[c.at:])
	if bytes <= 0 {
		c.fail("no number")
		return
	}
	c.at += bytes
	*n = value
}

func (c *coder) int64(n *int64) {
	folded := uint64(*n<<1) ^ uint64(*n>>63)
	if c.count(&folded); !c.writing {
		*n = int64(folded>>1) ^ -int64(folded&1)
	}
}

func (c *coder) int(n *int) {
	wide := int64(*n)
	c.int64(&wide)
	if c.writing {
		return
	}
	if *n = int(wide); int64(*n) != wide {
		c.fail("%d is no int here", wide)
	}
}

// size is an int that is not negative and at most most.
func (c *coder) size(what string, n *int, most int) {
	c.int(n)
	if *n < 0 || *n > most {
		c.fail("%s %d, want 0 to %d", what, *n, most)
		if !c.writing {
			*n = 0
		}
	}
}

func (c *coder) bool(b *bool) {
	if c.writing {
		n := byte(0)
		if *b {
			n = 1
		}
		c.meta = append(c.meta, n)
		return
	}
	*b = false
	if one := c.take(1); one != nil {
		if one[0] > 1 {
			c.fail("%d is no truth value", one[0])
		}
		*b = one[0] == 1
	}
}

func (c *coder) float64(x *float64) {
	if c.writing {
		c.meta = binary.LittleEndian.AppendUint64(c.meta, math.Float64bits(*x))
		return
	}
	if eight := c.take(8); eight != nil {
		*x = math.Float64frombits(binary.LittleEndian.Uint64(eight))
	}
}

func (c *coder) float64s(xs ...*float64) {
	for _, x := range xs {
		c.float64(x)
	}
}

// text shares equal strings on the way in: the fields of a model hour repeat
// theirs a hundred times.
func (c *coder) text(s *string) {
	n := uint64(len(*s))
	c.count(&n)
	if c.writing {
		c.meta = append(c.meta, *s...)
		return
	}
	if n > uint64(len(c.meta)-c.at) {
		c.fail("text of %d bytes, %d left", n, len(c.meta)-c.at)
		return
	}
	b := c.take(int(n))
	if known, ok := c.texts[string(b)]; ok {
		*s = known
		return
	}
	*s = string(b)
	c.texts[*s] = *s
}

func texts[T ~string](c *coder, ss ...*T) {
	for _, s := range ss {
		plain := string(*s)
		if c.text(&plain); !c.writing {
			*s = T(plain)
		}
	}
}

func (c *coder) instants(ts ...*time.Time) {
	for _, t := range ts {
		c.time(t)
	}
}

// time keeps seconds and nanoseconds; the zero time stays zero.
func (c *coder) time(t *time.Time) {
	var seconds int64
	var nanoseconds uint64
	if c.writing {
		seconds, nanoseconds = t.Unix(), uint64(t.Nanosecond())
	}
	c.int64(&seconds)
	c.count(&nanoseconds)
	if c.writing || c.err != nil {
		return
	}
	if nanoseconds > 999_999_999 {
		c.fail("%d nanoseconds", nanoseconds)
		return
	}
	*t = time.Unix(seconds, int64(nanoseconds)).UTC()
}

// length of a list and whether it is nil. Each element takes at least least
// bytes of META, which bounds what is made for a number that lies.
func (c *coder) length(what string, n int, isNil bool, least int) (int, bool) {
	stored := uint64(n) + 1
	if isNil {
		stored = 0
	}
	c.count(&stored)
	if c.err != nil || stored == 0 {
		return 0, true
	}
	if !c.writing && stored-1 > uint64(len(c.meta)-c.at)/uint64(least) {
		c.fail("%d %s need %d bytes each, %d left", stored-1, what, least, len(c.meta)-c.at)
		return 0, true
	}
	return int(stored - 1), false
}

func list[T any](c *coder, what string, xs *[]T, least int, each func(*T)) {
	n, isNil := c.length(what, len(*xs), *xs == nil, least)
	if !c.writing {
		*xs = nil
		if !isNil {
			*xs = make([]T, n)
		}
	}
	outer := c.where
	for k := range *xs {
		if c.err != nil {
			return
		}
		c.where = fmt.Sprintf("%s%s %d", outer, what, k+1)
		if outer != "" {
			c.where = fmt.Sprintf("%s: %s %d", outer, what, k+1)
		}
		each(&(*xs)[k])
	}
	c.where = outer
}

// pointed makes what a list of pointers points to; a nil among them is an error.
func pointed[T any](c *coder, what string, xs *[]*T, least int, each func(*T)) {
	list(c, what, xs, least, func(x **T) {
		if !c.writing {
			*x = new(T)
		}
		if *x == nil {
			c.fail("nil")
			return
		}
		each(*x)
	})
}
