package feed

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strconv"
	"strings"
	"time"

	"rimeline/ingest"
)

// ListQuery selects keys of a bucket.
type ListQuery struct {
	Prefix     string // keys that begin with it
	Delimiter  string // where not empty, keys with it behind the prefix are rolled up into Prefixes
	StartAfter string // keys behind it in the order of bytes
	Max        int    // entries and prefixes together; default 10,000
}

const (
	defaultListMax   = 10000
	listPageKeys     = 1000 // the most that the interface gives at once
	maxKeyBytes      = 1024 // likewise
	maxEmptyListPage = 3    // in a row; deleted keys can empty a page, but not for ever
)

// ListS3 lists a bucket without an account, page after page. bucketURL is the
// bucket itself, by host or by path: https://BUCKET.s3.amazonaws.com or
// http://HOST/BUCKET. The form is that of ListObjectsV2 in the Amazon S3 API
// reference (2006-03-01), in which keys come in the order of their bytes.
func (c *Client) ListS3(ctx context.Context, bucketURL string, q ListQuery) (Listing, error) {
	if q.Max <= 0 {
		q.Max = defaultListMax
	}
	key := fmt.Sprintf("list %q %q %q %d %s", q.Prefix, q.Delimiter, q.StartAfter, q.Max, bucketURL)
	return share(ctx, c, key, bucketURL, func(ctx context.Context) (Listing, error) {
		return c.listS3(ctx, bucketURL, q)
	})
}

func (c *Client) listS3(ctx context.Context, bucketURL string, q ListQuery) (Listing, error) {
	bucket, err := url.Parse(bucketURL)
	if err != nil {
		return Listing{}, failure(bucketURL, 0, 0, fmt.Errorf("%w: not a URL", ErrRefused))
	}
	bucket = bucket.JoinPath("/")
	bucket.RawQuery, bucket.Fragment = "", ""
	var out Listing
	var token, last string
	for empty := 0; ; {
		left := q.Max - len(out.Entries) - len(out.Prefixes)
		ask := url.Values{"list-type": {"2"}, "max-keys": {strconv.Itoa(min(left, listPageKeys))}}
		for name, value := range map[string]string{"prefix": q.Prefix, "delimiter": q.Delimiter,
			"start-after": q.StartAfter, "continuation-token": token} {
			if value != "" {
				ask.Set(name, value)
			}
		}
		if token != "" {
			ask.Del("start-after")
		}
		at := *bucket
		at.RawQuery = strings.ReplaceAll(ask.Encode(), "+", "%20")
		b, _, err := c.page(ctx, at.String(), maxListPageBytes)
		if err != nil {
			return Listing{}, err
		}
		page, err := parseListS3("listing", b)
		if err != nil {
			return Listing{}, malformed(at.String(), err)
		}
		// A store that ignores token or start would send its first page for ever.
		// What is rolled up may lie before the start.
		names := page.names()
		for _, name := range names {
			rolledUp := q.Delimiter != "" && strings.HasSuffix(name, q.Delimiter)
			if last != "" && name <= last || q.StartAfter != "" && name <= q.StartAfter && !rolledUp {
				return Listing{}, malformed(at.String(), errNoAdvance)
			}
		}
		for _, name := range names {
			last = max(last, name)
		}
		for _, o := range page.Contents {
			out.Entries = append(out.Entries, Entry{Name: o.Key, URL: objectURL(bucket, o.Key), Bytes: o.Size,
				LastModified: o.LastModified.Time, ETag: o.ETag})
		}
		for _, p := range page.CommonPrefixes {
			out.Prefixes = append(out.Prefixes, p.Prefix)
		}
		have := len(out.Entries) + len(out.Prefixes)
		switch {
		case have > q.Max: // more than was asked for
			out.Prefixes = out.Prefixes[:min(len(out.Prefixes), q.Max)]
			out.Entries = out.Entries[:min(len(out.Entries), q.Max-len(out.Prefixes))]
			out.Truncated = true
			return out, nil
		case !page.IsTruncated:
			return out, nil
		case have == q.Max:
			out.Truncated = true
			return out, nil
		case page.NextContinuationToken == "" || page.NextContinuationToken == token:
			return Listing{}, malformed(at.String(), errNoAdvance)
		}
		token = page.NextContinuationToken
		if empty++; len(names) > 0 {
			empty = 0
		}
		if empty >= maxEmptyListPage {
			return Listing{}, malformed(at.String(), errNoAdvance)
		}
	}
}

// objectURL gives the address of a key. A plus sign is a space to some stores.
func objectURL(bucket *url.URL, key string) string {
	u := *bucket
	segments := strings.Split(key, "/")
	for i, s := range segments {
		segments[i] = strings.ReplaceAll(url.PathEscape(s), "+", "%2B")
	}
	u.RawPath = bucket.EscapedPath() + strings.Join(segments, "/")
	u.Path = bucket.Path + key
	return u.String()
}

// listPage is a ListBucketResult.
type listPage struct {
	IsTruncated           bool
	NextContinuationToken string
	Contents              []listObject
	CommonPrefixes        []listPrefix
}

type listObject struct {
	Key          string
	Size         int64
	ETag         string
	LastModified listTime
}

type listPrefix struct{ Prefix string }

func (p *listPage) names() []string {
	names := make([]string, 0, len(p.Contents)+len(p.CommonPrefixes))
	for _, o := range p.Contents {
		names = append(names, o.Key)
	}
	for _, prefix := range p.CommonPrefixes {
		names = append(names, prefix.Prefix)
	}
	return names
}

// listTime is an RFC 3339 time; an empty one is zero.
type listTime struct{ time.Time }

func (t *listTime) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		return nil
	}
	at, err := time.Parse(time.RFC3339, string(b))
	t.Time = at.UTC()
	return err
}

// parseListS3 reads one page. Errors are *ingest.FormatError.
func parseListS3(file string, b []byte) (*listPage, error) {
	d := xml.NewDecoder(bytes.NewReader(b))
	fail := func(err error) error {
		reason := ingest.ErrCorrupt
		var syntax *xml.SyntaxError
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.As(err, &syntax) && syntax.Msg == "unexpected EOF" {
			reason = ingest.ErrTruncated
		}
		return &ingest.FormatError{File: file, Offset: min(max(d.InputOffset(), 0), int64(len(b))), Detail: err.Error(), Err: reason}
	}
	root := false
	var page listPage
	for {
		t, err := d.Token()
		if err != nil {
			return nil, fail(err)
		}
		switch t := t.(type) {
		case xml.EndElement: // of the root: elements below are read whole
			return &page, nil
		case xml.StartElement:
			if !root {
				if root = t.Name.Local == "ListBucketResult"; !root {
					return nil, fail(fmt.Errorf("root is %.40q, want ListBucketResult", t.Name.Local))
				}
				continue
			}
			if err := page.element(d, t); err != nil {
				return nil, fail(err)
			}
		}
	}
}

// element reads one child of the root.
func (p *listPage) element(d *xml.Decoder, start xml.StartElement) error {
	switch start.Name.Local {
	case "IsTruncated":
		return d.DecodeElement(&p.IsTruncated, &start)
	case "NextContinuationToken":
		return d.DecodeElement(&p.NextContinuationToken, &start)
	case "Contents":
		var o listObject
		if err := d.DecodeElement(&o, &start); err != nil {
			return err
		}
		if o.Size < 0 {
			return fmt.Errorf("%.80q has size %d", o.Key, o.Size)
		}
		p.Contents = append(p.Contents, o)
		return p.room(o.Key)
	case "CommonPrefixes":
		var c listPrefix
		if err := d.DecodeElement(&c, &start); err != nil {
			return err
		}
		p.CommonPrefixes = append(p.CommonPrefixes, c)
		return p.room(c.Prefix)
	}
	return d.Skip()
}

// room holds names and their count to what the interface allows, the count with
// something to spare.
func (p *listPage) room(name string) error {
	if name == "" || len(name) > maxKeyBytes {
		return fmt.Errorf("name of %d bytes, want 1 to %d", len(name), maxKeyBytes)
	}
	if n := len(p.Contents) + len(p.CommonPrefixes); n > 10*listPageKeys {
		return fmt.Errorf("more than %d names on a page", 10*listPageKeys)
	}
	return nil
}
