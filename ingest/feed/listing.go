package feed

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"
)

// Listing is what a store says it holds.
type Listing struct {
	Entries  []Entry
	Prefixes []string // what lies below, as "2026/01/": common prefixes of a bucket, folders of an index
	// Truncated: there is more. In a bucket, StartAfter the greatest name goes on.
	Truncated bool
}

// Entry is one object of a listing.
type Entry struct {
	Name         string // whole key in a bucket, file name in an index
	URL          string
	Bytes        int64     // -1 where not shown
	Rounded      bool      // Bytes was shown rounded, as 1.2M, and is only about right
	LastModified time.Time // zero where not shown; indexes show no time zone, UTC is taken
	ETag         string    // with its quotes; no checksum: objects sent in parts have other ones
}

// page fetches text that is parsed whole.
func (c *Client) page(ctx context.Context, rawURL string, limit int64) ([]byte, meta, error) {
	body := &growing{max: min(limit, c.opt.MaxBytes)}
	m, err := c.fetch(ctx, order{method: http.MethodGet, url: rawURL, to: -1, max: body.max}, body)
	return body.b, m, err
}

// malformed wraps what a parser found.
func malformed(rawURL string, err error) *Error {
	return failure(rawURL, http.StatusOK, 1, fmt.Errorf("%w: %w", ErrMalformed, err))
}

var errNoAdvance = errors.New("the listing does not advance")
