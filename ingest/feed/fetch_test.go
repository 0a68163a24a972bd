package feed

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func TestStatusBecomesReason(t *testing.T) {
	for _, test := range []struct {
		status   int
		reason   error
		requests int64 // 3 attempts are allowed
	}{
		{400, ErrRefused, 1},
		{401, ErrRefused, 1},
		{403, ErrForbidden, 1},
		{404, ErrNotFound, 1},
		{410, ErrNotFound, 1},
		{416, ErrRefused, 1}, // nobody asked for a range
		{418, ErrRefused, 1},
		{204, ErrMalformed, 1},
		{206, ErrMalformed, 1},
		{304, ErrRefused, 1},
		{301, ErrRefused, 1}, // without Location, as S3 answers in the wrong region
		{408, ErrUnavailable, 3},
		{429, ErrUnavailable, 3},
		{500, ErrUnavailable, 3},
		{502, ErrUnavailable, 3},
		{503, ErrUnavailable, 3},
		{504, ErrUnavailable, 3},
	} {
		s := newStore(t, func(_ int, w http.ResponseWriter, _ *http.Request) { w.WriteHeader(test.status) })
		c := newClient(t, quick())
		_, err := c.Get(testContext(t), s.URL+"/a", GetOptions{})
		e := wantError(t, err, test.reason, test.status)
		if got := s.requests.Load(); got != test.requests || int64(e.Attempts) != got {
			t.Errorf("status %d: %d requests, %d attempts reported, want %d", test.status, got, e.Attempts, test.requests)
		}
		counts := c.Counts().Hosts[s.host()]
		if counts.Requests != uint64(test.requests) || counts.Retries != uint64(test.requests-1) || len(counts.Failures) != 1 {
			t.Errorf("status %d: counted %+v", test.status, counts)
		}
	}
}

func TestStoreNamesItsReason(t *testing.T) {
	s := newStore(t, func(_ int, w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(404)
		io.WriteString(w, `<?xml version="1.0"?><Error><Code>NoSuchBucket</Code></Error>`)
	})
	_, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	if wantError(t, err, ErrNotFound, 404); !strings.Contains(err.Error(), "NoSuchBucket") {
		t.Errorf("%q does not name the store's code", err)
	}
}

func TestBackAfterUnavailable(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n < 3 {
			w.WriteHeader(503)
			return
		}
		serve(w, r, `"1"`, []byte("here"))
	})
	o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || string(o.Bytes) != "here" {
		t.Fatalf("%q, %v", o.Bytes, err)
	}
}

func TestRetryAfterIsObeyed(t *testing.T) {
	for _, test := range []struct {
		name, header, date string
		atLeast            time.Duration
	}{
		{"seconds", "1", "", time.Second},
		{"date after the store's own clock", "Thu, 01 Jan 2026 00:00:01 GMT", oldDate, time.Second},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
				if n == 1 {
					if test.date != "" {
						w.Header().Set("Date", test.date)
					}
					w.Header().Set("Retry-After", test.header)
					w.WriteHeader(503)
					return
				}
				serve(w, r, `"1"`, []byte("here"))
			})
			start := time.Now()
			_, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
			if waited := time.Since(start); err != nil || waited < test.atLeast {
				t.Fatalf("waited %s, want at least %s; %v", waited, test.atLeast, err)
			}
		})
	}
}

func TestTooLongRetryAfterGivesUpAtOnce(t *testing.T) {
	now := func() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }
	for _, header := range []string{"121", "99999999999999999999999", "Thu, 01 Jan 2026 00:02:01 GMT"} {
		s := newStore(t, func(_ int, w http.ResponseWriter, _ *http.Request) {
			w.Header()["Date"] = nil
			w.Header().Set("Retry-After", header)
			w.WriteHeader(429)
		})
		o := quick()
		o.Now = now
		_, err := newClient(t, o).Get(testContext(t), s.URL+"/a", GetOptions{})
		if e := wantError(t, err, ErrUnavailable, 429); e.Attempts != 1 {
			t.Errorf("Retry-After %s: %d attempts, want 1", header, e.Attempts)
		}
	}
}

func TestRetryAfterForms(t *testing.T) {
	now := func() time.Time { return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC) }
	for text, want := range map[string]time.Duration{
		"": 0, "0": 0, "7": 7 * time.Second, " 7 ": 7 * time.Second, "-7": 0, "soon": 0,
		"Thu, 01 Jan 2026 00:00:09 GMT": 9 * time.Second,
		"Wed, 31 Dec 2025 00:00:00 GMT": 0,
	} {
		if got := retryAfter(http.Header{"Retry-After": {text}}, now); got != want {
			t.Errorf("Retry-After %q: %s, want %s", text, got, want)
		}
	}
}

func TestBackoffDoublesUpToItsCeiling(t *testing.T) {
	c := New(Options{})
	for attempt, ceiling := range map[int]time.Duration{1: 500 * time.Millisecond, 2: time.Second, 4: 4 * time.Second, 7: 30 * time.Second, 90: 30 * time.Second} {
		longest := time.Duration(0)
		for range 2000 {
			wait := c.backoff(attempt)
			if wait < 0 || wait >= ceiling {
				t.Fatalf("attempt %d waits %s, want less than %s", attempt, wait, ceiling)
			}
			longest = max(longest, wait)
		}
		// Full jitter is uniform: the greatest of 2000 draws lies in the last
		// hundredth but for a chance of 2e-9.
		if longest < ceiling*99/100 {
			t.Errorf("attempt %d: longest of 2000 waits %s, want nearly %s", attempt, longest, ceiling)
		}
	}
}

func TestBrokenBodyIsResumed(t *testing.T) {
	body := bytesOf(1 << 20)
	var asked []string
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		asked = append(asked, r.Header.Get("Range")+" "+r.Header.Get("If-Range"))
		if n == 1 {
			w.Header().Set("ETag", `"1"`)
			w.Header().Set("Content-Length", fmt.Sprint(len(body)))
			breakOff(w, 200, body[:len(body)/2])
		}
		serve(w, r, `"1"`, body)
	})
	c := newClient(t, quick())
	o, err := c.Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || !bytes.Equal(o.Bytes, body) {
		t.Fatalf("%d bytes, %v", len(o.Bytes), err)
	}
	if want := fmt.Sprintf(`bytes=%d- "1"`, len(body)/2); len(asked) != 2 || asked[1] != want {
		t.Errorf("asked %q, want the second to be %q", asked, want)
	}
	if got := c.Counts().Hosts[s.host()].BytesFetched; got != uint64(len(body)) {
		t.Errorf("%d bytes fetched, want each of %d once", got, len(body))
	}
}

func TestResumeUsesWhatProvesTheVersion(t *testing.T) {
	body := bytesOf(100000)
	for _, test := range []struct {
		name   string
		set    func(h http.Header)
		second string // Range and If-Range of the second request
	}{
		{"strong ETag", func(h http.Header) { h.Set("ETag", `"1"`) }, `bytes=50000- "1"`},
		{"weak ETag, old date", func(h http.Header) { h.Set("ETag", `W/"1"`); h.Set("Last-Modified", oldDate) }, "bytes=50000- " + oldDate},
		{"weak ETag alone", func(h http.Header) { h.Set("ETag", `W/"1"`) }, " "},
		{"nothing", func(http.Header) {}, " "},
		// Changed in the second in which it was sent, it may change again in it.
		{"date of this second", func(h http.Header) { h.Set("Date", oldDate); h.Set("Last-Modified", oldDate) }, " "},
	} {
		var second string
		s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
			test.set(w.Header())
			w.Header().Set("Content-Length", fmt.Sprint(len(body)))
			if n == 1 {
				breakOff(w, 200, body[:50000])
			}
			second = r.Header.Get("Range") + " " + r.Header.Get("If-Range")
			if second != " " {
				w.Header().Set("Content-Length", "50000")
				w.Header().Set("Content-Range", "bytes 50000-99999/100000")
				w.WriteHeader(206)
				w.Write(body[50000:])
				return
			}
			w.Write(body)
		})
		o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
		if err != nil || !bytes.Equal(o.Bytes, body) || second != test.second {
			t.Errorf("%s: second request %q, want %q; %d bytes, %v", test.name, second, test.second, len(o.Bytes), err)
		}
	}
}

func TestObjectReplacedDuringGetIsFetchedAnew(t *testing.T) {
	before, after := bytesOf(100000), bytesOf(80000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n == 1 {
			w.Header().Set("ETag", `"1"`)
			w.Header().Set("Content-Length", fmt.Sprint(len(before)))
			breakOff(w, 200, before[:50000])
		}
		serve(w, r, `"2"`, after) // If-Range does not match: 200 and the whole
	})
	o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || !bytes.Equal(o.Bytes, after) || o.ETag != `"2"` {
		t.Fatalf("%d bytes of %s, %v, want the new object", len(o.Bytes), o.ETag, err)
	}
}

func TestResumeThatIgnoresIfRangeStartsAgain(t *testing.T) {
	before, after := bytesOf(100000), bytesOf(80000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n == 1 {
			w.Header().Set("ETag", `"1"`)
			w.Header().Set("Content-Length", fmt.Sprint(len(before)))
			breakOff(w, 200, before[:50000])
		}
		r.Header.Del("If-Range")
		serve(w, r, `"2"`, after)
	})
	o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || !bytes.Equal(o.Bytes, after) {
		t.Fatalf("%d bytes, %v, want the new object and no mixture", len(o.Bytes), err)
	}
}

func TestBodyWithoutLengthBreaksOffAtItsVeryEnd(t *testing.T) {
	body := bytesOf(100000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n == 1 {
			w.Header().Set("ETag", `"1"`)
			breakOff(w, 200, body) // chunked: the last, empty chunk is missing
		}
		serve(w, r, `"1"`, body) // from 100000 on there is nothing: 416
	})
	o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || !bytes.Equal(o.Bytes, body) || s.requests.Load() != 2 {
		t.Fatalf("%d bytes, %v", len(o.Bytes), err)
	}
}

func TestSizeThatStaysShortIsUnavailable(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Length", "1000")
		w.Write(make([]byte, 900))
	})
	_, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	wantError(t, err, ErrUnavailable, 200)
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("%v does not say that the body ended early", err)
	}
}

func TestTooLarge(t *testing.T) {
	endless := func(w http.ResponseWriter) {
		for {
			if _, err := w.Write(make([]byte, 32<<10)); err != nil {
				return
			}
		}
	}
	for name, answer := range map[string]func(w http.ResponseWriter){
		"says so":      func(w http.ResponseWriter) { w.Header().Set("Content-Length", "1001"); w.Write(make([]byte, 1001)) },
		"one too many": func(w http.ResponseWriter) { w.(http.Flusher).Flush(); w.Write(make([]byte, 1001)) },
		"endless body": endless,
	} {
		s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { answer(w) })
		c := newClient(t, quick())
		_, err := c.Get(testContext(t), s.URL+"/a", GetOptions{MaxBytes: 1000})
		wantError(t, err, ErrTooLarge, 200)
		if n := s.requests.Load(); n != 1 {
			t.Errorf("%s: %d requests, want 1", name, n)
		}
		if n := c.Counts().Hosts[s.host()].BytesFetched; name == "says so" && n != 0 {
			t.Errorf("%d bytes of a body were read that was known to be too large", n)
		}
	}
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		w.(http.Flusher).Flush()
		w.Write(make([]byte, 1000))
	})
	if o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{MaxBytes: 1000}); err != nil || len(o.Bytes) != 1000 {
		t.Errorf("exactly the maximum: %d bytes, %v", len(o.Bytes), err)
	}
}

func TestSilentStore(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			defer conn.Close()
		}
	}()
	o := quick()
	o.StallTime = 30 * time.Millisecond
	_, err = newClient(t, o).Get(testContext(t), "http://"+listener.Addr().String()+"/a", GetOptions{})
	wantError(t, err, ErrUnavailable, 0)
	if !errors.Is(err, errStalled) {
		t.Errorf("%v, want a stall", err)
	}
}

func TestStallWithinBodyIsResumed(t *testing.T) {
	body := bytesOf(100000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n == 1 {
			w.Header().Set("ETag", `"1"`)
			w.Header().Set("Content-Length", fmt.Sprint(len(body)))
			w.Write(body[:1000])
			w.(http.Flusher).Flush()
			<-r.Context().Done()
			return
		}
		serve(w, r, `"1"`, body)
	})
	o := quick()
	o.StallTime = 50 * time.Millisecond
	got, err := newClient(t, o).Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || !bytes.Equal(got.Bytes, body) {
		t.Fatalf("%d bytes, %v", len(got.Bytes), err)
	}
}

func TestSlowDripEndsWithTheAttemptTime(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Length", "100000")
		for r.Context().Err() == nil {
			w.Write([]byte{1})
			w.(http.Flusher).Flush()
			time.Sleep(2 * time.Millisecond)
		}
	})
	o := quick()
	o.AttemptTime = 60 * time.Millisecond
	_, err := newClient(t, o).Get(testContext(t), s.URL+"/a", GetOptions{})
	wantError(t, err, ErrUnavailable, 200)
	if !errors.Is(err, errAttemptTime) {
		t.Errorf("%v, want the attempt time", err)
	}
}

func TestResetConnection(t *testing.T) {
	body := bytesOf(1000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n < 3 {
			conn, _, err := w.(http.Hijacker).Hijack()
			if err != nil {
				panic(err)
			}
			conn.(*net.TCPConn).SetLinger(0) // close sends RST
			conn.Close()
			return
		}
		serve(w, r, `"1"`, body)
	})
	o, err := newClient(t, quick()).Get(testContext(t), s.URL+"/a", GetOptions{})
	if err != nil || !bytes.Equal(o.Bytes, body) {
		t.Fatalf("%d bytes, %v", len(o.Bytes), err)
	}
}

func TestNobodyListens(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	listener.Close()
	_, err = newClient(t, quick()).Get(testContext(t), "http://"+listener.Addr().String()+"/a", GetOptions{})
	if e := wantError(t, err, ErrUnavailable, 0); e.Attempts != 3 {
		t.Errorf("%d attempts, want 3", e.Attempts)
	}
}

func TestNotHTTP(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			io.WriteString(conn, "SSH-2.0-something\r\n")
			conn.Close()
		}
	}()
	_, err = newClient(t, quick()).Get(testContext(t), "http://"+listener.Addr().String()+"/a", GetOptions{})
	wantError(t, err, ErrUnavailable, 0)
}

func TestRedirects(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/loop":
			http.Redirect(w, r, "/loop", http.StatusFound)
		case "/no-url":
			w.Header().Set("Location", "http://user:hunter2@%zz/")
			w.WriteHeader(302)
		case "/file":
			w.Header().Set("Location", "file:///etc/hostname")
			w.WriteHeader(302)
		case "/elsewhere":
			http.Redirect(w, r, "/there", http.StatusTemporaryRedirect)
		default:
			serve(w, r, `"1"`, []byte("here"))
		}
	})
	c := newClient(t, quick())
	o, err := c.Get(testContext(t), s.URL+"/elsewhere", GetOptions{})
	if err != nil || string(o.Bytes) != "here" {
		t.Errorf("%q, %v", o.Bytes, err)
	}
	before := s.requests.Load()
	_, err = c.Get(testContext(t), s.URL+"/loop", GetOptions{})
	wantError(t, err, ErrMalformed, 302)
	if n := s.requests.Load() - before; n != maxRedirects+1 {
		t.Errorf("%d requests in a loop, want %d", n, maxRedirects+1)
	}
	_, err = c.Get(testContext(t), s.URL+"/no-url", GetOptions{})
	wantError(t, err, ErrMalformed, 302)
	if strings.Contains(err.Error(), "hunter2") {
		t.Errorf("%q shows a password", err)
	}
	_, err = c.Get(testContext(t), s.URL+"/file", GetOptions{})
	wantError(t, err, ErrRefused, 302)
}

func TestNoRedirectOutOfTLS(t *testing.T) {
	plain := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, []byte("here")) })
	secure := httptest.NewTLSServer(http.RedirectHandler(plain.URL, http.StatusFound))
	defer secure.Close()
	o := quick()
	o.Transport = secure.Client().Transport
	_, err := newClient(t, o).Get(testContext(t), secure.URL+"/a", GetOptions{})
	wantError(t, err, ErrMalformed, 302)
	if n := plain.requests.Load(); n != 0 {
		t.Errorf("the plain store was asked %d times", n)
	}
}

func TestAllowedHosts(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, []byte("here")) })
	elsewhere := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, s.URL, http.StatusFound) })
	o := quick()
	o.AllowHosts = []string{elsewhere.host(), ".example.org"}
	c := newClient(t, o)
	for _, address := range []string{s.URL, elsewhere.URL} {
		_, err := c.Get(testContext(t), address, GetOptions{})
		var e *Error
		if !errors.As(err, &e) || !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v, want it refused", address, err)
		}
	}
	if n := s.requests.Load(); n != 0 {
		t.Errorf("a store that is not allowed was asked %d times", n)
	}
	for host, want := range map[string]bool{"a.example.org": true, "A.Example.ORG": true, "example.org": false, "badexample.org": false} {
		if got := c.allowed(mustURL("http://"+host+"/")) == nil; got != want {
			t.Errorf("host %s allowed %v, want %v", host, got, want)
		}
	}
}

func TestWhatIsNoURL(t *testing.T) {
	c := newClient(t, quick())
	for _, address := range []string{"", "a", "ftp://127.0.0.1/a", "file:///etc/hostname", "http://", "http://%zz", "\x00"} {
		_, err := c.Get(testContext(t), address, GetOptions{})
		wantError(t, err, ErrRefused, 0)
		if _, err := c.ListS3(testContext(t), address, ListQuery{}); !errors.Is(err, ErrRefused) {
			t.Errorf("list of %q: %v", address, err)
		}
	}
}

func TestSecretsStayHidden(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if user, password, _ := r.BasicAuth(); user != "me" || password != "hunter2" || r.URL.Query().Get("token") != "hunter3" {
			t.Errorf("the store did not get what the URL holds")
		}
		if n == 1 {
			serve(w, r, `"1"`, []byte("here"))
			return
		}
		w.WriteHeader(503)
	})
	address := strings.Replace(s.URL, "http://", "http://me:hunter2@", 1) + "/a?token=hunter3&prefix=p&hunter4#hunter5"
	c := newClient(t, quick())
	o, err := c.Get(testContext(t), address, GetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := s.URL + "/a?token=...&prefix=p&..."
	_, err = c.Get(testContext(t), address, GetOptions{})
	e := wantError(t, err, ErrUnavailable, 503)
	for _, shown := range []string{o.URL, e.URL} {
		if shown != want {
			t.Errorf("%s, want %s", shown, want)
		}
	}
	s.Close()
	_, err = c.Get(testContext(t), address, GetOptions{})
	for _, shown := range []string{e.Error(), err.Error(), Redact("http://me:hunter2@%zz/"), fmt.Sprint(c.Counts())} {
		if strings.Contains(shown, "hunter") {
			t.Errorf("%q shows a secret", shown)
		}
	}
}

func TestPerHostLimits(t *testing.T) {
	inside, most := 0, 0
	lock := make(chan struct{}, 1)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		lock <- struct{}{}
		inside++
		most = max(most, inside)
		<-lock
		time.Sleep(5 * time.Millisecond)
		lock <- struct{}{}
		inside--
		<-lock
		serve(w, r, `"1"`, []byte("here"))
	})
	o := quick()
	o.PerHost, o.PerHostPerSecond = 3, 50
	c := newClient(t, o)
	start := time.Now()
	const n = 120 // a burst of 100, then 20 more at 50 a second
	failed := make(chan error, n)
	for i := range n {
		go func() {
			_, err := c.Get(testContext(t), fmt.Sprintf("%s/%d", s.URL, i), GetOptions{})
			failed <- err
		}()
	}
	for range n {
		if err := <-failed; err != nil {
			t.Fatal(err)
		}
	}
	if most != 3 {
		t.Errorf("%d exchanges at once, want 3", most)
	}
	if took := time.Since(start); took < 380*time.Millisecond {
		t.Errorf("%d requests took %s, want 0.4 s at 50 a second after a burst of 100", n, took)
	}
}

// TestWaitingForOurselvesIsNoStall: the slot of the host to which a redirect
// leads is taken for longer than the stall time.
func TestWaitingForOurselvesIsNoStall(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, []byte("here")) })
	front := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, s.URL, http.StatusFound) })
	o := quick()
	o.PerHost, o.Attempts, o.StallTime = 1, 1, 100*time.Millisecond
	c := newClient(t, o)
	slot := c.hosts.named(s.host()).slots
	slot <- struct{}{}
	time.AfterFunc(300*time.Millisecond, func() { <-slot })
	got, err := c.Get(testContext(t), front.URL+"/a", GetOptions{})
	if err != nil || string(got.Bytes) != "here" {
		t.Fatalf("%q, %v", got.Bytes, err)
	}
}

func TestHead(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodHead {
			t.Errorf("method %s", r.Method)
		}
		if n == 2 {
			w.WriteHeader(404)
			return
		}
		serve(w, r, `"1"`, make([]byte, 1234))
	})
	c := newClient(t, quick())
	h, err := c.Head(testContext(t), s.URL+"/a")
	if err != nil || h.Bytes != 1234 || h.ETag != `"1"` || !h.AcceptRanges || h.LastModified.Format(http.TimeFormat) != oldDate {
		t.Errorf("%+v, %v", h, err)
	}
	_, err = c.Head(testContext(t), s.URL+"/a")
	wantError(t, err, ErrNotFound, 404)
}

func TestDeadlineOfTheCaller(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { <-r.Context().Done() })
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Millisecond)
	defer cancel()
	_, err := newClient(t, quick()).Get(ctx, s.URL+"/a", GetOptions{})
	wantError(t, err, context.DeadlineExceeded, 0)
}

func TestBytesArriveAsStored(t *testing.T) {
	gz := append([]byte{0x1f, 0x8b}, bytesOf(100)...)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Accept-Encoding") != "identity" || r.Header.Get("User-Agent") != "winter" {
			t.Errorf("headers %v", r.Header)
		}
		w.Header().Set("Content-Encoding", "gzip")
		w.Write(gz)
	})
	o := quick()
	o.UserAgent = "winter"
	got, err := newClient(t, o).Get(testContext(t), s.URL+"/a.gz", GetOptions{})
	if err != nil || !bytes.Equal(got.Bytes, gz) {
		t.Fatalf("%d bytes, %v", len(got.Bytes), err)
	}
}

// TestAge: what a cache on the way says of the age of its copy (RFC 9111, section
// 5.1: seconds, not negative); anything else says nothing.
func TestAge(t *testing.T) {
	for _, test := range []struct {
		header string
		want   time.Duration
	}{{"", 0}, {"0", 0}, {"90", 90 * time.Second}, {"-5", 0}, {"1.5", 0}, {"90 ", 90 * time.Second}, {"x", 0}, {"4611686018427387903", 1 << 31 * time.Second}, {"99999999999999999999", 0}} {
		s := newStore(t, func(_ int, w http.ResponseWriter, r *http.Request) {
			if test.header != "" {
				w.Header().Set("Age", test.header)
			}
			serve(w, r, `"1"`, []byte("x"))
		})
		c := cached(t, openCache(t, t.TempDir(), 1<<20))
		for range 2 { // the second time it is only confirmed
			o, err := c.Get(testContext(t), s.URL, GetOptions{})
			if err != nil || o.Age != test.want {
				t.Errorf("Age %q: %v, want %v; %v", test.header, o.Age, test.want, err)
			}
		}
	}
}
