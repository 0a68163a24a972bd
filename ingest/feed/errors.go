package feed

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
)

// The reasons why nothing was fetched. Test for them with errors.Is; each asks
// the caller for a different thing.
var (
	// ErrNotFound: 404 or 410. It may be there later.
	ErrNotFound = errors.New("not found")
	// ErrForbidden: 403. Anonymous S3 stores say so too where an object is not
	// there and the bucket may not be listed.
	ErrForbidden = errors.New("forbidden")
	// ErrChanged: the object is not the one that the ranges were meant for; it was
	// replaced, is shorter than the ranges, or the store ignores ranges. Fetch
	// the inventory again.
	ErrChanged = errors.New("object changed")
	// ErrTooLarge: more bytes than allowed.
	ErrTooLarge = errors.New("too large")
	// ErrUnavailable: given up after repeated 429, 5xx, resets, stalls or
	// timeouts, or the store asks for a longer wait than allowed. Try later.
	ErrUnavailable = errors.New("store unavailable")
	// ErrMalformed: the answer breaks HTTP, XML or what an index looks like.
	ErrMalformed = errors.New("malformed answer")
	// ErrRefused: any other refusal: a further status of the 400s, a host that is
	// not allowed, a URL that cannot be asked.
	ErrRefused = errors.New("refused")
)

// kinds are the reasons by the names under which they are counted.
var kinds = []struct {
	name string
	err  error
}{
	{"not found", ErrNotFound},
	{"forbidden", ErrForbidden},
	{"changed", ErrChanged},
	{"too large", ErrTooLarge},
	{"unavailable", ErrUnavailable},
	{"malformed", ErrMalformed},
	{"refused", ErrRefused},
	{"cancelled", context.Canceled},
	{"deadline", context.DeadlineExceeded},
}

// Error says what was asked for and why it was not had.
type Error struct {
	URL      string // as Redact shows it
	Status   int    // last HTTP status; 0 where none arrived
	Attempts int    // made
	Err      error  // wraps one of the reasons above, or that of a context
}

// Error prints URL, reason, status and attempts on one line.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.URL)
	if e.Err != nil {
		b.WriteString(": " + e.Err.Error())
	}
	if e.Status != 0 {
		fmt.Fprintf(&b, " (status %d)", e.Status)
	}
	if e.Attempts > 1 {
		fmt.Fprintf(&b, " after %d attempts", e.Attempts)
	}
	return b.String()
}

// Unwrap gives the reason.
func (e *Error) Unwrap() error { return e.Err }

// shownQuery are the query names whose values are no secrets: those of the S3
// listing interface. The values of all others are masked.
var shownQuery = map[string]bool{"list-type": true, "prefix": true, "delimiter": true, "start-after": true, "max-keys": true}

// Redact gives a URL as it may be logged: no user, no password, no fragment, and
// of the query only the values that are known to be harmless.
func Redact(rawURL string) string {
	u, err := url.Parse(rawURL)
	if err != nil {
		return "(URL that cannot be parsed)" // its error would quote it
	}
	return redact(u)
}

func redact(u *url.URL) string {
	shown := *u
	shown.User, shown.Fragment, shown.RawFragment = nil, "", ""
	if u.RawQuery != "" {
		pairs := strings.FieldsFunc(u.RawQuery, func(r rune) bool { return r == '&' || r == ';' })
		for i, pair := range pairs {
			name, _, hasValue := strings.Cut(pair, "=")
			if shownQuery[name] {
				continue
			}
			if pairs[i] = "..."; hasValue {
				pairs[i] = name + "=..."
			}
		}
		shown.RawQuery = strings.Join(pairs, "&")
	}
	return shown.String()
}

// failure makes the error of one call.
func failure(rawURL string, status, attempts int, err error) *Error {
	return &Error{URL: Redact(rawURL), Status: status, Attempts: attempts, Err: err}
}

// count counts a failed call under the host that was asked first.
func (c *Client) count(rawURL string, err error) {
	for _, k := range kinds {
		if errors.Is(err, k.err) {
			c.hosts.of(rawURL).failed(k.name)
			return
		}
	}
}
