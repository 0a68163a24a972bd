package feed

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"
)

// pieceBytes is the longest range of one request: stores serve one connection
// more slowly than several.
const pieceBytes = 16 << 20

// GetRanges fetches parts of an object. Ranges may come in any order, touch and
// overlap; the Parts are sorted, and what touches is one Part. They are fetched
// in as few requests as JoinGap allows, a few at a time, and all of them are of
// one version of the object: every request after the first carries If-Range, and
// validators and length of all answers are compared, which is all there is where
// the store has no strong validator.
//
// The error is always a *Error. ErrChanged means that ranges and object do not
// belong together: it was replaced, it ends before the last range, or the store
// answered with the whole object.
func (c *Client) GetRanges(ctx context.Context, rawURL string, ranges []Range, o GetOptions) (Object, error) {
	limit := c.maxBytes(o)
	wanted, err := joinRanges(ranges, 0)
	if err == nil {
		err = checkSum(wanted, limit)
	}
	if err != nil {
		c.count(rawURL, err)
		return Object{}, failure(rawURL, 0, 0, err)
	}
	var key strings.Builder
	fmt.Fprint(&key, "ranges ", limit, " ", o.NoCache, " ", o.JoinGap, " ", wanted, " ", rawURL)
	return share(ctx, c, key.String(), rawURL, func(ctx context.Context) (Object, error) {
		a := assembly{c: c, url: rawURL, wanted: wanted, max: limit, gap: o.JoinGap, cache: c.cache(o.NoCache)}
		if err := a.fetch(ctx); err != nil {
			return Object{}, err
		}
		return a.object(), nil
	})
}

// joinRanges sorts ranges and joins those that overlap, touch, or are no more
// than gap bytes apart.
func joinRanges(ranges []Range, gap int64) ([]Range, error) {
	if len(ranges) == 0 {
		return nil, fmt.Errorf("%w: no ranges", ErrRefused)
	}
	sorted := slices.Clone(ranges)
	for _, r := range sorted {
		if r.Offset < 0 || r.End != -1 && r.End <= r.Offset {
			return nil, fmt.Errorf("%w: range from %d to %d", ErrRefused, r.Offset, r.End)
		}
	}
	slices.SortFunc(sorted, func(a, b Range) int {
		switch {
		case a.Offset < b.Offset:
			return -1
		case a.Offset > b.Offset:
			return 1
		}
		return 0
	})
	joined := sorted[:1]
	for _, r := range sorted[1:] {
		last := &joined[len(joined)-1]
		switch {
		case last.End == -1:
		case r.Offset-last.End <= gap:
			if r.End == -1 || r.End > last.End {
				last.End = r.End
			}
		default:
			joined = append(joined, r)
		}
	}
	return joined, nil
}

// checkSum refuses what is known to be too much; an open end counts as nothing.
func checkSum(ranges []Range, limit int64) error {
	sum := int64(0)
	for _, r := range ranges {
		if r.End < 0 {
			continue
		}
		if n := r.End - r.Offset; n > limit-sum {
			return fmt.Errorf("%w: ranges of more than %d bytes", ErrTooLarge, limit)
		}
		sum += r.End - r.Offset
	}
	return nil
}

// assembly puts the ranges of one object together.
type assembly struct {
	c     *Client
	url   string
	max   int64
	gap   int64
	cache *Cache

	wanted  []Range // sorted, apart; the open end is set once the length is known
	settled bool
	total   int64 // of the object, when it was settled
	m       meta
	b       []byte
	parts   []Part
	kept    []bool // by part: from the cache
}

func (a *assembly) fetch(ctx context.Context) error {
	kept := a.cache.latest(a.url)
	covers := make([]*entry, len(a.wanted)) // nil: has to be fetched
	missing := make([]Range, 0, len(a.wanted))
	for i, r := range a.wanted {
		if covers[i] = kept.covering(r); covers[i] == nil {
			missing = append(missing, r)
		}
	}

	// The first exchange tells version and length. Where everything is in the
	// cache it only asks whether that is still current.
	first := order{method: http.MethodGet, url: a.url, ranged: true, max: a.max}
	ask := missing
	if len(missing) == 0 {
		first.unless = kept.validator
		ask = a.wanted[:1]
	}
	joined, _ := joinRanges(ask, a.gap)
	r := joined[0]
	if r.End >= 0 {
		r.End = min(r.End, r.Offset+pieceBytes)
	}
	first.from, first.to = r.Offset, r.End
	m, err := a.c.fetch(ctx, first, &scatter{a: a, from: r.Offset})
	if err != nil {
		return err
	}
	if m.notModified {
		m.validator, m.total = kept.validator, kept.total
		r = Range{}
		if err := a.settle(m); err != nil {
			return failure(a.url, http.StatusNotModified, 1, err)
		}
	} else {
		if r.End < 0 {
			r.End = a.wanted[len(a.wanted)-1].End
		}
		if m.validator.differs(kept.validator) {
			clear(covers)
		}
	}
	a.m = m
	a.kept = make([]bool, len(a.parts))
	a.fill(covers, r)

	missing = missing[:0]
	for i, w := range a.wanted {
		if !a.kept[i] {
			missing = append(missing, subtract(w, r)...)
		}
	}
	if len(missing) == 0 {
		return nil
	}
	joined, _ = joinRanges(missing, a.gap)
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(a.c.opt.PerHost)
	for _, piece := range split(joined, pieceBytes) {
		g.Go(func() error {
			o := order{method: http.MethodGet, url: a.url, ranged: true, from: piece.Offset, to: piece.End, max: a.max, known: &a.m}
			_, err := a.c.fetch(ctx, o, &scatter{a: a, from: piece.Offset})
			return err
		})
	}
	return g.Wait()
}

// differs says whether two versions are known to be different, or not known to
// be the same.
func (v validator) differs(from validator) bool {
	return v.empty() || v.etag != from.etag || !v.lastModified.Equal(from.lastModified)
}

// settle fixes the open end and makes room, as soon as the length of the object
// is known.
func (a *assembly) settle(m meta) error {
	if a.settled {
		if m.total != a.total {
			return fmt.Errorf("%w: it had %d bytes, now %d", ErrChanged, a.total, m.total)
		}
		return nil
	}
	last := &a.wanted[len(a.wanted)-1]
	if m.total >= 0 {
		if end := max(last.Offset+1, last.End); end > m.total {
			return fmt.Errorf("%w: the object has %d bytes, the ranges need %d", ErrChanged, m.total, end)
		}
	}
	if last.End < 0 {
		if m.total < 0 {
			return fmt.Errorf("%w: the store does not say how long the object is", ErrMalformed)
		}
		last.End = m.total
	}
	if err := checkSum(a.wanted, a.max); err != nil {
		return err
	}
	sum := int64(0)
	for _, r := range a.wanted {
		sum += r.End - r.Offset
	}
	a.b = make([]byte, sum)
	a.parts = make([]Part, len(a.wanted))
	at := int64(0)
	for i, r := range a.wanted {
		n := r.End - r.Offset
		a.parts[i] = Part{Offset: r.Offset, Length: n, Bytes: a.b[at : at+n : at+n]}
		at += n
	}
	a.settled, a.total = true, m.total
	return nil
}

// fill copies what the cache has. An entry that turns out to be damaged leaves
// its ranges missing. Parts that lie within what was fetched already are left.
func (a *assembly) fill(covers []*entry, fetched Range) {
	read := map[string][]byte{}
	for i, e := range covers {
		p := a.parts[i]
		if e == nil || fetched.Offset <= p.Offset && p.Offset+p.Length <= fetched.End {
			continue
		}
		if e.offset == p.Offset && e.length == p.Length {
			_, err := a.cache.read(*e, p.Bytes)
			a.kept[i] = err == nil
		} else {
			b, seen := read[e.path]
			if !seen {
				b, _ = a.cache.read(*e, nil)
				read[e.path] = b
			}
			if from := p.Offset - e.offset; int64(len(b)) >= from+p.Length {
				copy(p.Bytes, b[from:])
				a.kept[i] = true
			}
		}
		if a.kept[i] {
			a.c.hosts.of(a.url).fromCache.Add(uint64(p.Length))
		}
	}
}

// object hashes what came together, and keeps the parts that are new.
func (a *assembly) object() Object {
	o := Object{URL: Redact(a.url), Bytes: a.b, SHA256: sha256Hex(a.b), ETag: a.m.etag, LastModified: a.m.lastModified,
		Parts: a.parts, FromCache: !slices.Contains(a.kept, false)}
	for i, p := range a.parts {
		if a.kept[i] || a.cache == nil {
			continue
		}
		sum := o.SHA256
		if len(a.parts) > 1 {
			sum = sha256Hex(p.Bytes)
		}
		a.cache.put(a.url, a.m.validator, entry{offset: p.Offset, length: p.Length, total: a.m.total, sha256: sum}, p.Bytes)
	}
	a.cache.only(a.url, a.m.validator)
	return o
}

// subtract gives what of r lies outside of taken, which has a known end.
func subtract(r, taken Range) []Range {
	if taken.End <= r.Offset || r.End <= taken.Offset {
		return []Range{r}
	}
	var left []Range
	if r.Offset < taken.Offset {
		left = append(left, Range{r.Offset, taken.Offset})
	}
	if taken.End < r.End {
		left = append(left, Range{taken.End, r.End})
	}
	return left
}

// split cuts ranges with known ends into pieces.
func split(ranges []Range, pieceBytes int64) []Range {
	var pieces []Range
	for _, r := range ranges {
		for r.End-r.Offset > pieceBytes {
			pieces = append(pieces, Range{r.Offset, r.Offset + pieceBytes})
			r.Offset += pieceBytes
		}
		pieces = append(pieces, r)
	}
	return pieces
}

const wasteBytes = 32 << 10

// scatter is the sink of one piece: its bytes go into the parts that it
// overlaps, and those between parts nowhere.
type scatter struct {
	a     *assembly
	from  int64 // first byte of the piece
	at    int64 // byte of the object that comes next
	part  int   // the first part that ends behind it
	waste []byte
}

func (s *scatter) begin(m meta) error {
	if err := s.a.settle(m); err != nil {
		return err
	}
	s.restart()
	return nil
}

func (s *scatter) restart() { s.at, s.part = s.from, 0 }

func (s *scatter) space() []byte {
	parts := s.a.parts
	for s.part < len(parts) && parts[s.part].Offset+parts[s.part].Length <= s.at {
		s.part++
	}
	left := int64(wasteBytes)
	if s.part < len(parts) {
		if within := s.at - parts[s.part].Offset; within >= 0 {
			return parts[s.part].Bytes[within:]
		}
		left = min(left, parts[s.part].Offset-s.at)
	}
	if s.waste == nil {
		s.waste = make([]byte, wasteBytes)
	}
	return s.waste[:left]
}

func (s *scatter) wrote(n int) error {
	s.at += int64(n)
	return nil
}
