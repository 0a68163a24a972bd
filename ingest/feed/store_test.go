package feed

import (
	"context"
	"errors"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// quick are options under which a test of retries takes milliseconds.
func quick() Options {
	return Options{
		PerHostPerSecond: 1e5, FirstWait: time.Millisecond, LongestWait: 4 * time.Millisecond,
		StallTime: 5 * time.Second, AttemptTime: 20 * time.Second, Attempts: 3,
		Transport: &http.Transport{DisableCompression: true, MaxIdleConnsPerHost: 4},
	}
}

func newClient(t testing.TB, o Options) *Client {
	t.Helper()
	c := New(o)
	t.Cleanup(c.CloseIdleConnections)
	return c
}

// store is a loopback server that answers each request, counted from 1, by a
// function.
type store struct {
	*httptest.Server
	requests atomic.Int64
}

func newStore(t testing.TB, answer func(n int, w http.ResponseWriter, r *http.Request)) *store {
	t.Helper()
	s := &store{}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		answer(int(s.requests.Add(1)), w, r)
	}))
	t.Cleanup(func() {
		s.CloseClientConnections()
		s.Close()
	})
	return s
}

// host is how a Client counts this store.
func (s *store) host() string { return strings.TrimPrefix(s.URL, "http://") }

func bytesOf(n int) []byte {
	b := make([]byte, n)
	r := rand.New(rand.NewPCG(1, uint64(n)))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

const oldDate = "Thu, 01 Jan 2026 00:00:00 GMT"

// serve answers like a plain web server with an ETag; net/http knows ranges and
// conditions.
func serve(w http.ResponseWriter, r *http.Request, etag string, body []byte) {
	w.Header().Set("ETag", etag)
	at, _ := http.ParseTime(oldDate)
	http.ServeContent(w, r, "", at, strings.NewReader(string(body)))
}

// breakOff sends headers, some bytes, and closes the connection.
func breakOff(w http.ResponseWriter, status int, sent []byte) {
	w.WriteHeader(status)
	w.Write(sent)
	w.(http.Flusher).Flush()
	panic(http.ErrAbortHandler)
}

// wantError holds an error to its reason, and every error to its promises.
func wantError(t *testing.T, err, reason error, status int) *Error {
	t.Helper()
	var e *Error
	if !errors.As(err, &e) {
		t.Fatalf("error %v (%T), want a *feed.Error", err, err)
	}
	if !errors.Is(err, reason) || e.Status != status {
		t.Fatalf("error %q with status %d, want %q with %d", err, e.Status, reason, status)
	}
	return e
}

func testContext(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func mustURL(s string) *url.URL {
	u, err := url.Parse(s)
	if err != nil {
		panic(err)
	}
	return u
}
