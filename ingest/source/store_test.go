package source

import (
	"bytes"
	"context"
	"encoding/xml"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/ingest/feed"
)

var _ Fetcher = (*feed.Client)(nil)

// store is a loopback server that is laid out as a public one: one bucket that
// lists as S3 does, and directory pages below the same paths. An object is
// there from the moment of its publication on the store's clock.
type store struct {
	*httptest.Server
	mu       sync.Mutex
	now      time.Time
	objects  map[string]stocked
	requests []string
	refuse   func(r *http.Request) int // status, 0: serve
}

type stocked struct {
	body      []byte
	published time.Time
	etag      string
}

func newStore(t testing.TB, now time.Time) *store {
	s := &store{now: now, objects: map[string]stocked{}}
	s.Server = httptest.NewServer(s)
	t.Cleanup(s.Close)
	return s
}

func (s *store) put(key string, published time.Time, body []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.objects[key] = stocked{body, published, `"` + hexDigest(body)[:16] + `"`}
}

func (s *store) set(now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = now
}

// asked gives the number of requests since the last call.
func (s *store) asked() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := len(s.requests)
	s.requests = nil
	return n
}

func (s *store) refusing(refuse func(r *http.Request) int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.refuse = refuse
}

func (s *store) keys() []string {
	var keys []string
	for key, o := range s.objects {
		if !o.published.After(s.now) {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	return keys
}

func (s *store) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	var serve func()
	defer func() {
		s.mu.Unlock()
		if serve != nil {
			serve()
		}
	}()
	s.requests = append(s.requests, r.Method+" "+r.URL.RequestURI())
	if s.refuse != nil {
		if status := s.refuse(r); status != 0 {
			w.WriteHeader(status)
			return
		}
	}
	key := strings.TrimPrefix(r.URL.Path, "/")
	switch {
	case r.URL.Query().Get("list-type") == "2":
		s.listS3(w, r)
	case key == "" || strings.HasSuffix(key, "/"):
		s.listDirectory(w, key)
	default:
		o, ok := s.objects[key]
		if !ok || o.published.After(s.now) {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("ETag", o.etag)
		serve = func() { http.ServeContent(w, r, "", o.published, bytes.NewReader(o.body)) }
	}
}

func (s *store) listS3(w http.ResponseWriter, r *http.Request) {
	type content struct {
		Key          string
		LastModified time.Time
		ETag         string
		Size         int
	}
	type prefix struct{ Prefix string }
	var result struct {
		XMLName        xml.Name `xml:"ListBucketResult"`
		IsTruncated    bool
		KeyCount       int
		Contents       []content
		CommonPrefixes []prefix
	}
	q := r.URL.Query()
	for _, key := range s.keys() {
		rest, ok := strings.CutPrefix(key, q.Get("prefix"))
		if !ok || key <= q.Get("start-after") {
			continue
		}
		if d := q.Get("delimiter"); d != "" {
			if head, _, found := strings.Cut(rest, d); found {
				p := prefix{q.Get("prefix") + head + d}
				if !slices.Contains(result.CommonPrefixes, p) {
					result.CommonPrefixes = append(result.CommonPrefixes, p)
				}
				continue
			}
		}
		o := s.objects[key]
		result.Contents = append(result.Contents, content{key, o.published, o.etag, len(o.body)})
	}
	result.KeyCount = len(result.Contents) + len(result.CommonPrefixes)
	w.Header().Set("Content-Type", "application/xml")
	_ = xml.NewEncoder(w).Encode(result)
}

// listDirectory writes what Apache's mod_autoindex does.
func (s *store) listDirectory(w http.ResponseWriter, directory string) {
	var b strings.Builder
	b.WriteString("<html><head><title>Index of /</title></head><body><table>\n<tr><th><a href=\"?C=N;O=D\">Name</a></th></tr>\n")
	found := false
	for _, key := range s.keys() {
		name, ok := strings.CutPrefix(key, directory)
		if !ok || strings.Contains(name, "/") {
			continue
		}
		found = true
		o := s.objects[key]
		fmt.Fprintf(&b, "<tr><td><a href=\"%s\">%s</a></td><td align=\"right\">%s  </td><td align=\"right\">%d</td></tr>\n",
			name, name, o.published.UTC().Format("2006-01-02 15:04"), len(o.body))
	}
	if !found {
		w.WriteHeader(http.StatusNotFound)
		return
	}
	b.WriteString("</table></body></html>\n")
	w.Header().Set("Content-Type", "text/html")
	_, _ = w.Write([]byte(b.String()))
}

func (s *store) client() *feed.Client {
	return feed.New(feed.Options{Attempts: 1, PerHost: 16, PerHostPerSecond: 1e6})
}

// follower polls a source as a service does: whenever Next says so.
type follower struct {
	t     *testing.T
	store *store
	p     *Poller
	now   time.Time
}

func follow(t *testing.T, s *store, n Need) *follower {
	t.Helper()
	n.BaseURL = s.URL
	p, err := NewPoller(s.client(), n)
	if err != nil {
		t.Fatal(err)
	}
	return &follower{t, s, p, s.now}
}

// sighting is an object and when it was announced.
type sighting struct {
	Object
	at time.Time
}

// until polls from now on until a moment and gives what was announced.
func (f *follower) until(end time.Time) []sighting {
	f.t.Helper()
	var found []sighting
	for f.now.Before(end) {
		f.store.set(f.now)
		objects, err := f.p.Poll(context.Background(), f.now)
		if err != nil {
			f.t.Fatalf("%s: %v", f.now.Format(time.RFC3339), err)
		}
		for _, o := range objects {
			found = append(found, sighting{o, f.now})
		}
		next := f.p.Next(f.now)
		if !next.After(f.now) {
			f.t.Fatalf("%s: Next is %s, not later", f.now.Format(time.RFC3339), next.Format(time.RFC3339))
		}
		f.now = next
	}
	return found
}

// poll polls once at a moment.
func (f *follower) poll(at time.Time) []Object {
	f.t.Helper()
	f.store.set(at)
	objects, err := f.p.Poll(context.Background(), at)
	if err != nil {
		f.t.Fatalf("%s: %v", at.Format(time.RFC3339), err)
	}
	return objects
}

func ids[T interface{ id() string }](list []T) []string {
	out := []string{}
	for _, o := range list {
		out = append(out, o.id())
	}
	return out
}

func (o Object) id() string { return o.ID }

func at(text string) time.Time {
	moment, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return moment
}

func wantIDs(t *testing.T, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("announced\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}
