package feed

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"rimeline/ingest"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
)

// fakeS3 is an independent implementation of the S3 interface.
func fakeS3(t testing.TB, objects map[string][]byte) string {
	t.Helper()
	backend := s3mem.New()
	if err := backend.CreateBucket("winter"); err != nil {
		t.Fatal(err)
	}
	for key, b := range objects {
		if _, err := backend.PutObject("winter", key, map[string]string{}, bytes.NewReader(b), int64(len(b)), nil); err != nil {
			t.Fatal(err)
		}
	}
	server := httptest.NewServer(gofakes3.New(backend).Server())
	t.Cleanup(server.Close)
	return server.URL + "/winter"
}

func TestListS3AgainstIndependentServer(t *testing.T) {
	objects := map[string][]byte{"readme + notes.txt": []byte("x")}
	for hour := range 24 {
		for _, kind := range []string{"prs", "sfc"} {
			objects[fmt.Sprintf("2026/01/01/run.t%02dz.%s.grib2", hour, kind)] = bytesOf(100 + hour)
		}
	}
	bucket := fakeS3(t, objects)
	c := newClient(t, quick())
	ctx := testContext(t)

	var keys []string
	for key := range objects {
		keys = append(keys, key)
	}
	slices.Sort(keys)

	l, err := c.ListS3(ctx, bucket, ListQuery{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range l.Entries {
		got = append(got, e.Name)
		if e.Bytes != int64(len(objects[e.Name])) || e.LastModified.IsZero() || e.ETag == "" {
			t.Errorf("%+v, want %d bytes, a time and an ETag", e, len(objects[e.Name]))
		}
		o, err := c.Get(ctx, e.URL, GetOptions{})
		if err != nil || !bytes.Equal(o.Bytes, objects[e.Name]) || o.ETag != e.ETag {
			t.Errorf("%s: %v, %d bytes, ETag %s, want those of %+v", e.URL, err, len(o.Bytes), o.ETag, e)
		}
	}
	if !slices.Equal(got, keys) || l.Truncated {
		t.Errorf("keys %q, truncated %v, want %q", got, l.Truncated, keys)
	}

	l, err = c.ListS3(ctx, bucket, ListQuery{Delimiter: "/"})
	if err != nil || len(l.Entries) != 1 || !slices.Equal(l.Prefixes, []string{"2026/"}) {
		t.Errorf("%+v, %v, want the readme and the prefix 2026/", l, err)
	}
	l, err = c.ListS3(ctx, bucket, ListQuery{Prefix: "2026/01/01/run.t1", Max: 7})
	if err != nil || len(l.Entries) != 7 || !l.Truncated {
		t.Errorf("%+v, %v, want 7 entries and more to come", l, err)
	}
	next, err := c.ListS3(ctx, bucket, ListQuery{Prefix: "2026/01/01/run.t1", StartAfter: l.Entries[6].Name})
	if err != nil || len(next.Entries) != 13 || next.Truncated || next.Entries[0].Name != "2026/01/01/run.t13z.sfc.grib2" {
		t.Errorf("%+v, %v, want the other 13 of 20", next, err)
	}
	l, err = c.ListS3(ctx, bucket, ListQuery{Prefix: "2027/"})
	if err != nil || len(l.Entries)+len(l.Prefixes) != 0 {
		t.Errorf("%+v, %v, want nothing", l, err)
	}
}

func TestListS3FollowsPages(t *testing.T) {
	objects := map[string][]byte{}
	for i := range 2300 {
		objects[fmt.Sprintf("chunk/%05d", i)] = []byte{1}
	}
	bucket := fakeS3(t, objects)
	c := newClient(t, quick())
	l, err := c.ListS3(testContext(t), bucket, ListQuery{Prefix: "chunk/"})
	if err != nil || len(l.Entries) != 2300 || l.Truncated {
		t.Fatalf("%d entries, truncated %v, %v, want 2300 over three pages", len(l.Entries), l.Truncated, err)
	}
	l, err = c.ListS3(testContext(t), bucket, ListQuery{Prefix: "chunk/", Max: 1500})
	if err != nil || len(l.Entries) != 1500 || !l.Truncated {
		t.Fatalf("%d entries, truncated %v, %v, want 1500 and more to come", len(l.Entries), l.Truncated, err)
	}
}

func TestIndependentServerConditionsAndRanges(t *testing.T) {
	body := bytesOf(100000)
	bucket := fakeS3(t, map[string][]byte{"a.grib2": body})
	o := quick()
	cache, err := OpenCache(t.TempDir(), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	o.Cache = cache
	c := newClient(t, o)
	for round, fromCache := range []bool{false, true} {
		got, err := c.Get(testContext(t), bucket+"/a.grib2", GetOptions{})
		if err != nil || !bytes.Equal(got.Bytes, body) || got.FromCache != fromCache || got.SHA256 != sha256Hex(body) {
			t.Fatalf("round %d: %v, %d bytes, from cache %v", round, err, len(got.Bytes), got.FromCache)
		}
	}
	got, err := c.GetRanges(testContext(t), bucket+"/a.grib2", []Range{{500, 600}, {10, 20}, {99000, -1}}, GetOptions{NoCache: true})
	if err != nil || len(got.Parts) != 3 {
		t.Fatalf("%v, %+v", err, got.Parts)
	}
	for _, p := range got.Parts {
		if !bytes.Equal(p.Bytes, body[p.Offset:p.Offset+p.Length]) {
			t.Errorf("part at %d: wrong bytes", p.Offset)
		}
	}
	h, err := c.Head(testContext(t), bucket+"/a.grib2")
	if err != nil || h.Bytes != 100000 || h.ETag != got.ETag || h.ETag == "" {
		t.Errorf("head %+v, %v", h, err)
	}
	_, err = c.Get(testContext(t), bucket+"/b.grib2", GetOptions{})
	wantError(t, err, ErrNotFound, 404)
	t.Log(err)
}

func TestListingsThatAreWrong(t *testing.T) {
	const head = `<?xml version="1.0" encoding="UTF-8"?><ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/">`
	object := func(key string) string { return "<Contents><Key>" + key + "</Key><Size>1</Size></Contents>" }
	more := func(token string) string {
		return "<IsTruncated>true</IsTruncated><NextContinuationToken>" + token + "</NextContinuationToken>"
	}
	for _, test := range []struct {
		name   string
		page   func(n int) string
		reason error
		inside error // of the *ingest.FormatError, where there is one
	}{
		{"nothing", func(int) string { return "" }, ErrMalformed, ingest.ErrTruncated},
		{"cut", func(int) string { return head + object("a")[:20] }, ErrMalformed, ingest.ErrTruncated},
		{"no end", func(int) string { return head + object("a") }, ErrMalformed, ingest.ErrTruncated},
		{"HTML", func(int) string { return "<!DOCTYPE html><html><body>log in</body></html>" }, ErrMalformed, ingest.ErrCorrupt},
		{"an error with status 200", func(int) string { return "<Error><Code>SlowDown</Code></Error>" }, ErrMalformed, ingest.ErrCorrupt},
		{"garbage", func(int) string { return string(bytesOf(5000)) }, ErrMalformed, ingest.ErrCorrupt},
		{"JSON", func(int) string { return `{"Contents": []}` }, ErrMalformed, ingest.ErrTruncated},
		{"no key", func(int) string { return head + object("") + "</ListBucketResult>" }, ErrMalformed, ingest.ErrCorrupt},
		{"long key", func(int) string { return head + object(strings.Repeat("k", 1025)) + "</ListBucketResult>" }, ErrMalformed, ingest.ErrCorrupt},
		{"negative size", func(int) string { return head + "<Contents><Key>a</Key><Size>-1</Size></Contents></ListBucketResult>" }, ErrMalformed, ingest.ErrCorrupt},
		{"size in words", func(int) string { return head + "<Contents><Key>a</Key><Size>big</Size></Contents></ListBucketResult>" }, ErrMalformed, ingest.ErrCorrupt},
		{"time in words", func(int) string {
			return head + "<Contents><Key>a</Key><LastModified>noon</LastModified></Contents></ListBucketResult>"
		}, ErrMalformed, ingest.ErrCorrupt},
		{"too many on a page", func(int) string { return head + strings.Repeat(object("a"), 10001) }, ErrMalformed, ingest.ErrCorrupt},
		{"deep", func(int) string { return head + strings.Repeat("<a>", 100000) }, ErrMalformed, nil},
		{"same page again", func(n int) string { return head + object("a") + more(fmt.Sprint(n)) + "</ListBucketResult>" }, ErrMalformed, nil},
		{"same token again", func(n int) string { return head + object(fmt.Sprintf("%04d", n)) + more("t") + "</ListBucketResult>" }, ErrMalformed, nil},
		{"no token", func(n int) string { return head + object("a") + more("") + "</ListBucketResult>" }, ErrMalformed, nil},
		{"empty pages for ever", func(n int) string { return head + more(fmt.Sprint(n)) + "</ListBucketResult>" }, ErrMalformed, nil},
		{"one page too large", func(int) string { return head + strings.Repeat(" ", maxListPageBytes) }, ErrTooLarge, nil},
	} {
		s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
			if n > 20 {
				t.Errorf("%s: goes on asking", test.name)
			}
			io.WriteString(w, test.page(n))
		})
		l, err := newClient(t, quick()).ListS3(testContext(t), s.URL, ListQuery{})
		if err == nil {
			t.Errorf("%s: %+v, want an error", test.name, l)
			continue
		}
		wantError(t, err, test.reason, 200)
		var fe *ingest.FormatError
		if test.inside != nil && (!errors.As(err, &fe) || !errors.Is(err, test.inside)) {
			t.Errorf("%s: %v, want %v at a byte", test.name, err, test.inside)
		}
	}
}

func TestEndlessListingEndsAtTheMaximum(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, "<ListBucketResult><IsTruncated>true</IsTruncated><NextContinuationToken>%d</NextContinuationToken>", n)
		for i := range 1000 {
			fmt.Fprintf(w, "<Contents><Key>%06d-%04d</Key></Contents>", n, i)
		}
		io.WriteString(w, "</ListBucketResult>")
	})
	l, err := newClient(t, quick()).ListS3(testContext(t), s.URL, ListQuery{Max: 4500})
	if err != nil || len(l.Entries) != 4500 || !l.Truncated {
		t.Errorf("%d entries, truncated %v, %v, want 4500 and more to come", len(l.Entries), l.Truncated, err)
	}
	if n := s.requests.Load(); n != 5 {
		t.Errorf("%d pages, want 5", n)
	}
}

// TestStoreThatIgnoresStartAfter would otherwise hand out old objects as new
// ones for ever.
func TestStoreThatIgnoresStartAfter(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		io.WriteString(w, "<ListBucketResult><Contents><Key>a</Key></Contents></ListBucketResult>")
	})
	_, err := newClient(t, quick()).ListS3(testContext(t), s.URL, ListQuery{StartAfter: "b"})
	wantError(t, err, ErrMalformed, 200)
}

func TestObjectURL(t *testing.T) {
	for key, want := range map[string]string{
		"2026/01/01/KABC/KABC20260101_000000_V06": "https://winter.example.org/b/2026/01/01/KABC/KABC20260101_000000_V06",
		"a b+c%?#ü":  "https://winter.example.org/b/a%20b%2Bc%25%3F%23%C3%BC",
		"/a//b/../c": "https://winter.example.org/b//a//b/../c",
	} {
		if got := objectURL(mustURL("https://winter.example.org/b/"), key); got != want {
			t.Errorf("%q: %s, want %s", key, got, want)
		}
	}
}
