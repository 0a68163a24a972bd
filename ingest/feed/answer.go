package feed

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// readMeta takes from headers what they say of the object.
func readMeta(resp *http.Response) meta {
	m := meta{total: resp.ContentLength, acceptRanges: strings.EqualFold(resp.Header.Get("Accept-Ranges"), "bytes")}
	// A validator that long is none that we want to send back and keep.
	if etag := resp.Header.Get("ETag"); len(etag) <= 512 {
		m.etag = etag
	}
	modified := resp.Header.Get("Last-Modified")
	if at, err := http.ParseTime(modified); err == nil {
		m.lastModified = at.UTC()
	}
	if seconds, err := parseCount(resp.Header.Get("Age")); err == nil {
		m.age = time.Duration(min(seconds, 1<<31)) * time.Second // as RFC 9111, section 1.2.2
	}
	date, err := http.ParseTime(resp.Header.Get("Date"))
	switch {
	case strings.HasPrefix(m.etag, `"`):
		m.ifRange = m.etag
	case !m.lastModified.IsZero() && err == nil && date.Sub(m.lastModified) >= time.Second:
		m.ifRange = modified
	}
	return m
}

// parseContentRange reads "bytes FROM-LAST/TOTAL"; to is LAST + 1, total -1 where
// it is "*".
func parseContentRange(s string) (from, to, total int64, ok bool) {
	span, found := strings.CutPrefix(s, "bytes ")
	span, length, found2 := strings.Cut(span, "/")
	first, last, found3 := strings.Cut(span, "-")
	if !found || !found2 || !found3 {
		return 0, 0, 0, false
	}
	from, err1 := parseCount(first)
	to, err2 := parseCount(last)
	total = -1
	var err3 error
	if length != "*" {
		total, err3 = parseCount(length)
	}
	if err1 != nil || err2 != nil || err3 != nil || to < from || total >= 0 && to >= total {
		return 0, 0, 0, false
	}
	return from, to + 1, total, true
}

// parseCount reads digits alone, and leaves room for adding one.
func parseCount(s string) (int64, error) {
	n, err := strconv.ParseUint(s, 10, 62)
	return int64(n), err
}

// errorCode is how an S3 store names its reason in the body of a refusal.
var errorCode = regexp.MustCompile(`<Code>([A-Za-z]{1,40})</Code>`)

// refusal turns a status into the reason, and reads no more of the body than it
// needs.
func refusal(resp *http.Response, now func() time.Time) error {
	body := discard(resp.Body)
	detail := http.StatusText(resp.StatusCode)
	if code := errorCode.FindSubmatch(body); code != nil {
		detail = string(code[1])
	}
	if detail == "" {
		detail = "unusual status"
	}
	switch status := resp.StatusCode; {
	case status == http.StatusNotFound || status == http.StatusGone:
		return fmt.Errorf("%w: %s", ErrNotFound, detail)
	case status == http.StatusForbidden:
		return fmt.Errorf("%w: %s", ErrForbidden, detail)
	case status == http.StatusRequestTimeout || status == http.StatusTooEarly || status == http.StatusTooManyRequests || status >= 500:
		return &temporary{err: errors.New(detail), after: retryAfter(resp.Header, now)}
	case status >= 300:
		return fmt.Errorf("%w: %s", ErrRefused, detail)
	default:
		return fmt.Errorf("%w: %s was not asked for", ErrMalformed, detail)
	}
}

// retryAfter reads the wait that a store asks for: seconds, or a date, which is
// compared to the store's own clock where it shows one (RFC 9110, section
// 10.2.3).
func retryAfter(h http.Header, now func() time.Time) time.Duration {
	text := strings.TrimSpace(h.Get("Retry-After"))
	if text == "" {
		return 0
	}
	if n, err := strconv.ParseUint(text, 10, 64); err == nil || errors.Is(err, strconv.ErrRange) {
		return time.Duration(min(n, 1<<32)) * time.Second // 136 years are long enough
	}
	at, err := http.ParseTime(text)
	if err != nil {
		return 0
	}
	from, err := http.ParseTime(h.Get("Date"))
	if err != nil {
		from = now()
	}
	return max(0, at.Sub(from))
}

// discard reads a little of a body, so that its connection can be used again,
// closes it, and gives what was read.
func discard(body io.ReadCloser) []byte {
	b, _ := io.ReadAll(io.LimitReader(body, 4<<10))
	body.Close()
	return b
}
