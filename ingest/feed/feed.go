// Package feed fetches objects of public stores over HTTP and HTTPS: whole, by
// byte ranges, or as listings, without an account.
//
// The idea: a store may be away, slow, wrong or in the middle of replacing an
// object, and the bytes that come out of here are whole all the same, or an
// error says what to do next. An exchange that ends early goes on at the byte
// where it broke, if the store's validator (ETag or Last-Modified) proves that
// the object is still the same one; RFC 9110 sections 8.8, 13 and 14 hold the
// rules for validators, conditions and ranges. Waits grow exponentially with
// full jitter (Brooker 2015, "Exponential backoff and jitter"), and a store
// that names its own wait is obeyed.
//
// Listings are those of the S3 interface (ListObjectsV2, XML) and the HTML
// indexes of common web servers. GRIB inventories (.idx) are read in the form
// that NOAA publishes beside its GRIB2 files.
//
// Only this package of ingest uses the network; decoders get bytes.
package feed

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Options are the limits of a Client. Zero values take the default given.
type Options struct {
	UserAgent string // sent with every request; default "rimeline"

	PerHost          int     // exchanges at once with one host; default 4
	PerHostPerSecond float64 // requests a second to one host, twice that in a burst; default 10

	Attempts          int           // of one exchange, the first included; default 5
	FirstWait         time.Duration // longest wait before the second attempt, doubled for each further one; default 500 ms
	LongestWait       time.Duration // ceiling of that doubling; default 30 s
	LongestRetryAfter time.Duration // a store that asks for a longer wait is given up; default 2 min

	StallTime   time.Duration // an attempt that brings no byte for so long ends; default 30 s
	AttemptTime time.Duration // an attempt that takes longer ends; default 10 min
	MaxBytes    int64         // of one object or one set of ranges; default 1 GiB

	Cache     *Cache            // nil: nothing is kept
	Transport http.RoundTripper // nil: one with idle connections to each host
	Now       func() time.Time  // wall clock, to which a Retry-After date is compared; default time.Now

	// AllowHosts, where not empty, are the only hosts (as in a URL, with the
	// port if it has one) that are ever asked, also after a redirect. A name that
	// begins with a dot allows every host below it.
	AllowHosts []string
}

// listing answers are text that has to be held and parsed whole.
const (
	maxListPageBytes  = 8 << 20  // 1000 keys of at most 1024 bytes, escaped
	maxDirectoryBytes = 32 << 20 // some 200,000 lines of an index
	maxRedirects      = 5
)

func (o Options) withDefaults() Options {
	if o.UserAgent == "" {
		o.UserAgent = "rimeline"
	}
	if o.PerHost <= 0 {
		o.PerHost = 4
	}
	if !(o.PerHostPerSecond > 0) {
		o.PerHostPerSecond = 10
	}
	if o.Attempts <= 0 {
		o.Attempts = 5
	}
	for _, d := range []struct {
		value *time.Duration
		usual time.Duration
	}{
		{&o.FirstWait, 500 * time.Millisecond},
		{&o.LongestWait, 30 * time.Second},
		{&o.LongestRetryAfter, 2 * time.Minute},
		{&o.StallTime, 30 * time.Second},
		{&o.AttemptTime, 10 * time.Minute},
	} {
		if *d.value <= 0 {
			*d.value = d.usual
		}
	}
	if o.MaxBytes <= 0 {
		o.MaxBytes = 1 << 30
	}
	o.MaxBytes = min(o.MaxBytes, 1<<40) // leaves room for sums
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Transport == nil {
		o.Transport = &http.Transport{
			Proxy:                  http.ProxyFromEnvironment,
			DialContext:            (&net.Dialer{Timeout: 10 * time.Second, KeepAlive: 30 * time.Second}).DialContext,
			ForceAttemptHTTP2:      true,
			TLSHandshakeTimeout:    10 * time.Second,
			MaxIdleConns:           100,
			MaxIdleConnsPerHost:    o.PerHost,
			IdleConnTimeout:        90 * time.Second,
			MaxResponseHeaderBytes: 64 << 10,
			// Stores hold .gz objects; they must arrive as they are.
			DisableCompression: true,
		}
	}
	return o
}

// Client fetches. It is safe for several goroutines, and one is enough for a
// program: limits of a host hold for one Client.
type Client struct {
	opt     Options
	hosts   hosts
	flights flights
}

// New makes a Client.
func New(o Options) *Client {
	o = o.withDefaults()
	return &Client{opt: o, hosts: hosts{perHost: o.PerHost, perSecond: o.PerHostPerSecond}}
}

// CloseIdleConnections closes the connections that wait for another request.
func (c *Client) CloseIdleConnections() {
	if t, ok := c.opt.Transport.(interface{ CloseIdleConnections() }); ok {
		t.CloseIdleConnections()
	}
}

// Range is a span of bytes of an object: from Offset up to, not including, End;
// an End of -1 is the end of the object.
type Range struct{ Offset, End int64 }

// GetOptions are the wishes of one call.
type GetOptions struct {
	MaxBytes int64 // lowers Options.MaxBytes; 0 leaves it
	JoinGap  int64 // GetRanges: ranges this near to each other are fetched in one request, the bytes between dropped
	NoCache  bool  // neither look into the cache nor keep the result there
}

// Object is what was fetched. Callers that ask for the same thing at the same
// time share Bytes: nobody may change them.
type Object struct {
	URL          string // as Redact shows it, so that it may be logged and archived
	Bytes        []byte // the object, or its ranges one after the other
	SHA256       string // of Bytes, hexadecimal
	ETag         string // as sent, with its quotes; empty where the store has none
	LastModified time.Time
	// Age is how long ago the store itself gave or confirmed this, where a cache
	// on the way answered and says so (RFC 9111, section 5.1); of a whole object.
	Age       time.Duration
	FromCache bool   // every byte is from the cache, and the store confirmed that it is current
	Parts     []Part // of GetRanges
}

// Part is one stretch of an object. Ranges that touch or overlap are one part.
type Part struct {
	Offset, Length int64
	Bytes          []byte // within Object.Bytes
}

// Head is what a store says of an object without sending it.
type Head struct {
	URL          string // as Redact shows it
	Bytes        int64  // -1 where not said
	ETag         string
	LastModified time.Time
	AcceptRanges bool // the store says that it serves byte ranges
}

// Get fetches a whole object. With a cache, the store is asked only whether the
// kept copy is still current.
//
// The error is always a *Error; see its reasons. An object that changes while
// it is fetched is fetched anew from its first byte.
func (c *Client) Get(ctx context.Context, rawURL string, o GetOptions) (Object, error) {
	limit := c.maxBytes(o)
	key := fmt.Sprint("get ", limit, " ", o.NoCache, " ", rawURL)
	return share(ctx, c, key, rawURL, func(ctx context.Context) (Object, error) {
		return c.get(ctx, rawURL, limit, o.NoCache)
	})
}

// Head asks for size and validators of an object.
func (c *Client) Head(ctx context.Context, rawURL string) (Head, error) {
	return share(ctx, c, "head "+rawURL, rawURL, func(ctx context.Context) (Head, error) {
		m, err := c.fetch(ctx, order{method: http.MethodHead, url: rawURL, to: -1}, nil)
		if err != nil {
			return Head{}, err
		}
		return Head{URL: Redact(rawURL), Bytes: m.total, ETag: m.etag, LastModified: m.lastModified,
			AcceptRanges: m.acceptRanges}, nil
	})
}

func (c *Client) maxBytes(o GetOptions) int64 {
	if o.MaxBytes > 0 {
		return min(o.MaxBytes, c.opt.MaxBytes)
	}
	return c.opt.MaxBytes
}

func (c *Client) cache(noCache bool) *Cache {
	if noCache {
		return nil
	}
	return c.opt.Cache
}

func (c *Client) get(ctx context.Context, rawURL string, limit int64, noCache bool) (Object, error) {
	cache := c.cache(noCache)
	kept, found := cache.newest(rawURL)
	found = found && kept.length <= limit
	for {
		body := &growing{max: limit}
		o := order{method: http.MethodGet, url: rawURL, to: -1, max: limit}
		if found {
			o.unless = kept.validator
		}
		m, err := c.fetch(ctx, o, body)
		if err != nil {
			return Object{}, err
		}
		if m.notModified {
			b, err := cache.read(kept, nil)
			if err != nil {
				found = false // damaged or gone meanwhile: ask again without condition
				continue
			}
			c.hosts.of(rawURL).fromCache.Add(uint64(len(b)))
			return Object{URL: Redact(rawURL), Bytes: b, SHA256: kept.sha256, ETag: kept.etag,
				LastModified: kept.lastModified, Age: m.age, FromCache: true}, nil
		}
		obj := Object{URL: Redact(rawURL), Bytes: body.b, SHA256: sha256Hex(body.b), ETag: m.etag, LastModified: m.lastModified, Age: m.age}
		cache.put(rawURL, m.validator, entry{length: int64(len(body.b)), total: int64(len(body.b)), whole: true, sha256: obj.SHA256}, body.b)
		cache.only(rawURL, m.validator)
		return obj, nil
	}
}

func sha256Hex(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// allowed says whether a URL may be asked at all.
func (c *Client) allowed(u *url.URL) error {
	if u.Scheme != "http" && u.Scheme != "https" {
		return fmt.Errorf("%w: scheme %q, want http or https", ErrRefused, u.Scheme)
	}
	if u.Host == "" {
		return fmt.Errorf("%w: no host", ErrRefused)
	}
	if len(c.opt.AllowHosts) == 0 {
		return nil
	}
	for _, h := range c.opt.AllowHosts {
		if strings.EqualFold(h, u.Host) || strings.HasPrefix(h, ".") && strings.HasSuffix(strings.ToLower(u.Host), strings.ToLower(h)) {
			return nil
		}
	}
	return fmt.Errorf("%w: host %s is not among those allowed", ErrRefused, u.Host)
}
