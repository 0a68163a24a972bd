package feed

import (
	"bytes"
	"context"
	"net/http"
	"testing"
	"time"
)

// gate is a store that answers only after it is opened, and says when it is
// asked.
func gate(t *testing.T, body []byte) (s *store, asked, open chan struct{}) {
	asked, open = make(chan struct{}, 100), make(chan struct{})
	s = newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		asked <- struct{}{}
		select {
		case <-open:
			serve(w, r, `"1"`, body)
		case <-r.Context().Done():
		}
	})
	return s, asked, open
}

type result struct {
	o   Object
	err error
}

func goGet(c *Client, ctx context.Context, address string) chan result {
	done := make(chan result, 1)
	go func() {
		o, err := c.Get(ctx, address, GetOptions{})
		done <- result{o, err}
	}()
	return done
}

// waitShared waits until n callers have joined another's fetch.
func waitShared(t *testing.T, c *Client, s *store, n uint64) {
	t.Helper()
	for c.Counts().Hosts[s.host()].Shared < n {
		if testContext(t).Err() != nil {
			t.Fatal("nobody joined")
		}
		time.Sleep(time.Millisecond)
	}
}

func TestCallersShareOneFetch(t *testing.T) {
	body := bytesOf(1000)
	s, asked, open := gate(t, body)
	c := newClient(t, quick())
	first := goGet(c, testContext(t), s.URL+"/a")
	<-asked
	second := goGet(c, testContext(t), s.URL+"/a")
	waitShared(t, c, s, 1)
	other := goGet(c, testContext(t), s.URL+"/b") // something else is asked for itself
	<-asked
	close(open)
	for _, done := range []chan result{first, second, other} {
		if r := <-done; r.err != nil || !bytes.Equal(r.o.Bytes, body) {
			t.Errorf("%d bytes, %v", len(r.o.Bytes), r.err)
		}
	}
	if n := s.requests.Load(); n != 2 {
		t.Errorf("%d requests, want 2 for three callers", n)
	}
	if r := <-goGet(c, testContext(t), s.URL+"/a"); r.err != nil || s.requests.Load() != 3 {
		t.Errorf("a later caller was not served by a fetch of its own: %d requests, %v", s.requests.Load(), r.err)
	}
}

func TestCancelledCallerFailsNobodyElse(t *testing.T) {
	body := bytesOf(1000)
	for _, leaver := range []string{"first", "second"} {
		s, asked, open := gate(t, body)
		c := newClient(t, quick())
		leaving, leave := context.WithCancel(testContext(t))
		ctx1, ctx2 := leaving, testContext(t)
		if leaver == "second" {
			ctx1, ctx2 = ctx2, ctx1
		}
		first := goGet(c, ctx1, s.URL+"/a")
		<-asked
		second := goGet(c, ctx2, s.URL+"/a")
		waitShared(t, c, s, 1)
		leave()
		left, stays := first, second
		if leaver == "second" {
			left, stays = second, first
		}
		wantError(t, (<-left).err, context.Canceled, 0)
		close(open)
		if r := <-stays; r.err != nil || !bytes.Equal(r.o.Bytes, body) {
			t.Errorf("the %s left: %d bytes, %v", leaver, len(r.o.Bytes), r.err)
		}
		if n := s.requests.Load(); n != 1 {
			t.Errorf("%d requests, want 1", n)
		}
	}
}

func TestFetchEndsWhenNobodyWaits(t *testing.T) {
	gone := make(chan struct{})
	asked := make(chan struct{}, 1)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		if n > 1 {
			serve(w, r, `"1"`, []byte("here"))
			return
		}
		asked <- struct{}{}
		<-r.Context().Done()
		close(gone)
	})
	o := quick()
	o.StallTime, o.AttemptTime = time.Hour, time.Hour // what ends the exchange is the leaving caller
	c := newClient(t, o)
	ctx, cancel := context.WithCancel(testContext(t))
	done := goGet(c, ctx, s.URL+"/a")
	<-asked
	cancel()
	wantError(t, (<-done).err, context.Canceled, 0)
	// Whoever comes now must not be given the dying fetch.
	if r := <-goGet(c, testContext(t), s.URL+"/a"); r.err != nil || string(r.o.Bytes) != "here" {
		t.Errorf("%q, %v", r.o.Bytes, r.err)
	}
	select {
	case <-gone:
	case <-testContext(t).Done():
		t.Error("the exchange goes on with nobody waiting")
	}
	if f := c.Counts().Hosts[s.host()].Failures; f["cancelled"] != 1 || len(f) != 1 {
		t.Errorf("failures %v, want one cancelled", f)
	}
}

func TestCancelledBefore(t *testing.T) {
	s, _, _ := gate(t, nil)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := newClient(t, quick()).Get(ctx, s.URL+"/a", GetOptions{})
	wantError(t, err, context.Canceled, 0)
	if n := s.requests.Load(); n != 0 {
		t.Errorf("%d requests", n)
	}
}

func TestCancelledWhileWaitingToRetry(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Retry-After", "60")
		w.WriteHeader(503)
	})
	c := newClient(t, quick())
	ctx, cancel := context.WithCancel(testContext(t))
	done := goGet(c, ctx, s.URL+"/a")
	for s.requests.Load() == 0 {
		time.Sleep(time.Millisecond)
	}
	cancel()
	wantError(t, (<-done).err, context.Canceled, 0)
}
