package feed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// order is one thing to fetch, however many attempts it takes.
type order struct {
	method string
	url    string

	ranged   bool  // bytes from up to, not including, to; an answer with the whole object is an error
	from, to int64 // to is -1 for the end of the object

	max    int64     // bytes of a whole object
	unless validator // where set: answer 304 if the object still has it
	known  *meta     // where set: what an earlier exchange said of the object; it must still hold
}

// validator tells versions of an object apart, and lets a store say that there
// is no newer one.
type validator struct {
	etag         string
	lastModified time.Time
	// ifRange is what may stand in If-Range, or empty: a strong ETag, or else a
	// Last-Modified that is at least a second older than the answer's Date
	// (RFC 9110, sections 8.8.2.2 and 13.1.5).
	ifRange string
}

func (v validator) empty() bool { return v.etag == "" && v.lastModified.IsZero() }

// meta is what headers say of an object.
type meta struct {
	validator
	total        int64 // bytes of the whole object; -1 where not said
	acceptRanges bool
	notModified  bool
	age          time.Duration
	final        *url.URL // after redirects
}

// differs compares what both answers say; what one leaves out proves nothing.
func (m meta) differs(from meta) bool {
	return m.etag != "" && from.etag != "" && m.etag != from.etag ||
		!m.lastModified.IsZero() && !from.lastModified.IsZero() && !m.lastModified.Equal(from.lastModified) ||
		m.total >= 0 && from.total >= 0 && m.total != from.total
}

// sink takes the bytes of a body, in order, wherever they belong.
type sink interface {
	begin(m meta) error // headers are in; called again after restart
	space() []byte      // where the next bytes go; never empty
	wrote(n int) error  // n bytes were put there
	restart()           // the bytes so far are void
}

// temporary marks an error after which the next attempt may succeed.
type temporary struct {
	err   error
	after time.Duration // what the store asked for
}

func (t *temporary) Error() string { return t.err.Error() }
func (t *temporary) Unwrap() error { return t.err }

// transfer is an order under way.
type transfer struct {
	c      *Client
	o      order
	u      *url.URL
	sink   sink
	have   int64 // bytes in the sink
	m      meta  // of the bytes in the sink
	status int   // last one seen
}

// fetch carries an order out, with as many attempts as are allowed.
func (c *Client) fetch(ctx context.Context, o order, s sink) (meta, error) {
	u, err := url.Parse(o.url)
	if err != nil {
		return meta{}, failure(o.url, 0, 0, fmt.Errorf("%w: not a URL", ErrRefused))
	}
	t := transfer{c: c, o: o, u: u, sink: s}
	for attempt := 1; ; attempt++ {
		err := t.attempt(ctx)
		if err == nil {
			return t.m, nil
		}
		var again *temporary
		switch {
		case ctx.Err() != nil:
			return meta{}, failure(o.url, t.status, attempt, ctx.Err())
		case !errors.As(err, &again):
			return meta{}, failure(o.url, t.status, attempt, err)
		case again.after > c.opt.LongestRetryAfter:
			return meta{}, failure(o.url, t.status, attempt, fmt.Errorf("%w: asks to wait %s, at most %s are waited: %w",
				ErrUnavailable, again.after.Round(time.Second), c.opt.LongestRetryAfter, err))
		case attempt >= c.opt.Attempts:
			return meta{}, failure(o.url, t.status, attempt, fmt.Errorf("%w: %w", ErrUnavailable, err))
		}
		c.hosts.of(o.url).retries.Add(1)
		wait := time.NewTimer(max(again.after, c.backoff(attempt)))
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return meta{}, failure(o.url, t.status, attempt, ctx.Err())
		}
	}
}

// backoff gives the wait after a failed attempt, 1 for the first: exponential
// with full jitter.
func (c *Client) backoff(attempt int) time.Duration {
	longest := c.opt.LongestWait
	if shift := attempt - 1; shift < 32 && c.opt.FirstWait<<shift < longest && c.opt.FirstWait<<shift > 0 {
		longest = c.opt.FirstWait << shift
	}
	return rand.N(longest)
}

var (
	errStalled     = errors.New("no byte within the stall time")
	errAttemptTime = errors.New("attempt took too long")
)

// watch ends an attempt that stalls or takes too long.
type watch struct {
	stall, total *time.Timer
	stallTime    time.Duration
}

func (w *watch) start(o Options, cancel context.CancelCauseFunc) {
	if w.total == nil {
		w.total = time.AfterFunc(o.AttemptTime, func() { cancel(errAttemptTime) })
		w.stall = time.AfterFunc(o.StallTime, func() { cancel(errStalled) })
		w.stallTime = o.StallTime
		return
	}
	w.beat()
}

func (w *watch) beat() { w.stall.Reset(w.stallTime) }

func (w *watch) pause() {
	if w.stall != nil {
		w.stall.Stop()
	}
}

func (w *watch) stop() {
	if w.total != nil {
		w.total.Stop()
		w.stall.Stop()
	}
}

// attempt is one exchange, redirects included. A nil error means that the order
// is done; the bytes that arrived before an error stay in the sink.
func (t *transfer) attempt(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	t.status = 0
	if t.have > 0 && t.m.ifRange == "" && !t.o.ranged {
		t.restart() // nothing could prove that the rest belongs to the beginning
	}
	var w watch
	defer w.stop()
	resp, h, err := t.send(ctx, cancel, &w)
	if err != nil {
		return err
	}
	defer h.leave()
	defer resp.Body.Close()
	end, err := t.judge(resp)
	if err != nil || end == nothing {
		return err
	}
	return t.receive(ctx, resp, h, &w, end)
}

// send asks, and follows redirects. With a nil error the caller gives the slot
// of the host back after the body.
func (t *transfer) send(ctx context.Context, cancel context.CancelCauseFunc, w *watch) (*http.Response, *host, error) {
	at := t.u
	for hop := 0; ; hop++ {
		if err := t.c.allowed(at); err != nil {
			return nil, nil, err
		}
		h := t.c.hosts.named(at.Host)
		w.pause() // waiting for our own limits is no fault of the store
		if err := h.enter(ctx); err != nil {
			return nil, nil, err
		}
		w.start(t.c.opt, cancel)
		resp, err := t.c.opt.Transport.RoundTrip(t.request(ctx, at, hop))
		if err != nil {
			h.leave()
			if cause := context.Cause(ctx); cause != nil {
				err = cause
			}
			return nil, nil, &temporary{err: err}
		}
		w.beat()
		t.status = resp.StatusCode
		location := resp.Header.Get("Location")
		if !redirects(resp.StatusCode) || location == "" {
			t.m.final = at
			return resp, h, nil
		}
		discard(resp.Body)
		h.leave()
		next, err := at.Parse(location)
		switch {
		case err != nil:
			return nil, nil, fmt.Errorf("%w: redirect to something that is no URL", ErrMalformed)
		case at.Scheme == "https" && next.Scheme != "https":
			return nil, nil, fmt.Errorf("%w: redirect from https to %s", ErrMalformed, next.Scheme)
		case hop+1 > maxRedirects:
			return nil, nil, fmt.Errorf("%w: more than %d redirects", ErrMalformed, maxRedirects)
		}
		at = next
	}
}

func redirects(status int) bool {
	switch status {
	case http.StatusMovedPermanently, http.StatusFound, http.StatusSeeOther,
		http.StatusTemporaryRedirect, http.StatusPermanentRedirect:
		return true
	}
	return false
}

func (t *transfer) request(ctx context.Context, at *url.URL, hop int) *http.Request {
	r := (&http.Request{Method: t.o.method, URL: at, Host: at.Host, Header: http.Header{},
		Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1}).WithContext(ctx)
	r.Header.Set("User-Agent", t.c.opt.UserAgent)
	// Ranges count bytes of the object as it is stored.
	r.Header.Set("Accept-Encoding", "identity")
	if hop == 0 && at.User != nil {
		password, _ := at.User.Password()
		r.SetBasicAuth(at.User.Username(), password)
	}
	from, ifRange := t.o.from+t.have, t.m.ifRange
	if t.o.known != nil {
		ifRange = t.o.known.ifRange
	}
	switch {
	case t.o.ranged && t.o.to >= 0:
		r.Header.Set("Range", fmt.Sprintf("bytes=%d-%d", from, t.o.to-1))
	case t.o.ranged || t.have > 0:
		r.Header.Set("Range", fmt.Sprintf("bytes=%d-", from))
	}
	if ifRange != "" && r.Header.Get("Range") != "" && (t.have > 0 || t.o.known != nil) {
		r.Header.Set("If-Range", ifRange)
	}
	if t.have == 0 && t.o.known == nil {
		if t.o.unless.etag != "" {
			r.Header.Set("If-None-Match", t.o.unless.etag)
		}
		if !t.o.unless.lastModified.IsZero() {
			r.Header.Set("If-Modified-Since", t.o.unless.lastModified.UTC().Format(http.TimeFormat))
		}
	}
	return r
}

// Ends of a body, as judge gives them where it is not a byte count.
const (
	nothing = -2 // the order is done without a body
	unknown = -1 // the body ends where it ends
)

// judge decides by status and headers. With a nil error it gives the byte of the
// object at which this answer's body ends, or one of the two above.
func (t *transfer) judge(resp *http.Response) (end int64, err error) {
	final := t.m.final
	m := readMeta(resp)
	m.final = final
	switch {
	case resp.StatusCode == http.StatusOK && t.o.method == http.MethodHead:
		t.m = m
		return nothing, nil
	case resp.StatusCode == http.StatusNotModified && t.have == 0 && !t.o.unless.empty():
		m.notModified = true
		t.m = m
		return nothing, nil
	case resp.StatusCode == http.StatusOK && t.o.ranged:
		return 0, fmt.Errorf("%w: the whole object came instead of a range", ErrChanged)
	case resp.StatusCode == http.StatusOK:
		if t.have > 0 {
			t.restart() // replaced, or ranges are not served: this is a new whole one
		}
		if m.total > t.o.max {
			return 0, fmt.Errorf("%w: %d bytes, at most %d wanted", ErrTooLarge, m.total, t.o.max)
		}
		t.m = m
		return m.total, t.sink.begin(m) // -1, unknown, where there is no Content-Length
	case resp.StatusCode == http.StatusPartialContent && (t.o.ranged || t.have > 0):
		return t.judgePartial(resp, m)
	case resp.StatusCode == http.StatusRequestedRangeNotSatisfiable && (t.o.ranged || t.have > 0):
		return t.judgeUnsatisfiable(resp)
	}
	return 0, refusal(resp, t.c.opt.Now)
}

func (t *transfer) judgePartial(resp *http.Response, m meta) (end int64, err error) {
	contentRange := resp.Header.Get("Content-Range")
	from, to, total, ok := parseContentRange(contentRange)
	asked := t.o.from + t.have
	switch {
	case !ok:
		return 0, fmt.Errorf("%w: 206 with Content-Range %.80q", ErrMalformed, contentRange)
	case from != asked || t.o.to >= 0 && to > t.o.to:
		return 0, fmt.Errorf("%w: asked for bytes from %d, Content-Range is %.80q", ErrMalformed, asked, contentRange)
	case resp.ContentLength >= 0 && resp.ContentLength != to-from:
		return 0, fmt.Errorf("%w: Content-Length %d with Content-Range %.80q", ErrMalformed, resp.ContentLength, contentRange)
	}
	m.total = total
	changed := t.o.known != nil && m.differs(*t.o.known) || t.have > 0 && m.differs(t.m)
	if t.o.ranged {
		if changed {
			return 0, fmt.Errorf("%w: replaced between two ranges", ErrChanged)
		}
	} else if changed {
		t.restart()
		return 0, &temporary{err: errors.New("replaced while it was fetched")}
	}
	if t.have == 0 {
		t.m = m
		if err := t.sink.begin(m); err != nil {
			return 0, err
		}
	}
	return to, nil
}

func (t *transfer) judgeUnsatisfiable(resp *http.Response) (end int64, err error) {
	total := int64(-1)
	if text, ok := strings.CutPrefix(resp.Header.Get("Content-Range"), "bytes */"); ok {
		if n, err := strconv.ParseInt(text, 10, 64); err == nil && n >= 0 {
			total = n
		}
	}
	discard(resp.Body)
	asked := t.o.from + t.have
	switch {
	case total > asked:
		return 0, &temporary{err: fmt.Errorf("range from %d refused, although the object has %d bytes", asked, total)}
	case t.o.ranged:
		return 0, fmt.Errorf("%w: no bytes from %d on", ErrChanged, asked)
	case total == t.have:
		return nothing, nil // the body had ended without saying so
	}
	t.restart()
	return 0, &temporary{err: errors.New("replaced while it was fetched")}
}

func (t *transfer) restart() {
	t.sink.restart()
	t.have = 0
	t.m = meta{}
}

// receive reads the body up to end.
func (t *transfer) receive(ctx context.Context, resp *http.Response, h *host, w *watch, end int64) error {
	var beyond [1]byte
	for {
		left := int64(-1)
		space := beyond[:]
		if end != unknown {
			left = end - t.o.from - t.have
		}
		if left != 0 {
			if space = t.sink.space(); left > 0 && int64(len(space)) > left {
				space = space[:left]
			}
		}
		n, err := resp.Body.Read(space)
		if n > 0 {
			w.beat()
			h.fetched.Add(uint64(n))
			if left == 0 {
				return fmt.Errorf("%w: the body is longer than its headers say", ErrMalformed)
			}
			t.have += int64(n)
			if err := t.sink.wrote(n); err != nil {
				return err
			}
		}
		if err == nil {
			continue
		}
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		if err != io.EOF {
			return &temporary{err: fmt.Errorf("after %d bytes: %w", t.have, err)}
		}
		goal := t.o.to
		if goal < 0 {
			goal = t.m.total
		}
		if goal >= 0 && t.o.from+t.have < goal {
			return &temporary{err: fmt.Errorf("after %d of %d bytes: %w", t.have, goal-t.o.from, io.ErrUnexpectedEOF)}
		}
		return nil
	}
}

// growing is the sink of a whole object. It allocates as bytes arrive, since a
// Content-Length is only a promise.
type growing struct {
	b        []byte
	max      int64
	expected int64
}

func (g *growing) begin(m meta) error {
	g.expected = m.total
	return nil
}

func (g *growing) restart() { g.b = g.b[:0] }

func (g *growing) space() []byte {
	if len(g.b) == cap(g.b) {
		n := min(max(64<<10, 2*int64(cap(g.b))), g.max+1) // one more shows that it is too large
		if g.expected >= 0 && g.expected > int64(len(g.b)) {
			n = min(n, g.expected)
			if g.expected <= 1<<20 {
				n = g.expected
			}
		}
		grown := make([]byte, len(g.b), max(n, int64(len(g.b))+1))
		copy(grown, g.b)
		g.b = grown
	}
	return g.b[len(g.b):cap(g.b)]
}

func (g *growing) wrote(n int) error {
	g.b = g.b[:len(g.b)+n]
	if int64(len(g.b)) > g.max {
		return fmt.Errorf("%w: more than %d bytes", ErrTooLarge, g.max)
	}
	return nil
}
